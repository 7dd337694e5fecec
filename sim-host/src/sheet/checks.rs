//! What is checked before the plant is handed over, and the cautions that stand over all of it.

use bedkeeper::commission::Task;
use bedkeeper::lock::LockRule;
use bedkeeper::relay::RelayProgram;
use bedkeeper::settings::{MeterPlace, RawDrive, StartRule};

use crate::site::Site;

/// Checks that belong together.
#[derive(Debug)]
pub struct Part {
    /// What they are about.
    pub name: &'static str,
    /// The checks, each to be ticked.
    pub checks: Vec<String>,
}

/// What can hurt people, and who has the last word.
pub const CAUTIONS: &[(&str, &str)] = &[
    (
        "Codes and licences come first",
        "Local plumbing, electrical and discharge codes decide, and the work belongs to licensed people. Where this sheet and a code differ, the code is right. Neither the controller nor this sheet is certified to any standard.",
    ),
    (
        "Mains voltage",
        "Valve motors, pumps and relays may carry it. Switch off, lock off and test before a cover is opened; fuse and earth as the code says; keep low-voltage cables apart.",
    ),
    (
        "Pressure",
        "Close the supply and let the pressure off before anything is loosened. Fit a bypass and a shut-off that work by hand.",
    ),
    (
        "Brine and salt",
        "Strong brine harms eyes and skin, metals and plants. Wear gloves and eye protection; a full brine tank is heavy.",
    ),
    (
        "Drinking water",
        "Use materials approved for drinking water, protect the supply against backflow, and flush and disinfect as the code says. Softened water carries added sodium: people on a low-sodium diet should ask their doctor, and one hard tap for drinking is common practice.",
    ),
    (
        "Discharge",
        "Regenerations send salt water to the drain. Ask whoever owns the drain whether it may; keep an air gap of at least twice the opening and at least 1 in (ASME A112.1.2, from memory).",
    ),
];

/// Every check of a site.
pub fn parts(site: &Site) -> Vec<Part> {
    vec![
        Part { name: "Before water and mains are on", checks: before() },
        Part { name: "Power on, no water yet", checks: power_on(site) },
        Part { name: "The guided walk", checks: Task::ALL.iter().map(|task| walk(site, *task)).collect() },
        Part { name: "The first regeneration", checks: first_regeneration(site) },
        Part { name: "Handing over", checks: handing_over(site) },
    ]
}

fn before() -> Vec<String> {
    [
        "A bypass and a shut-off that work by hand are fitted, and everybody concerned knows where.",
        "The drain has its air gap, carries the largest flow of the program, and whoever owns it agrees.",
        "Protection against backflow is fitted where the code asks for it.",
        "The supply's pressure is within what tanks and valves are made for.",
        "Mains wiring was done and tested by a licensed electrician; fuse, earth and isolator are in place.",
        "Low-voltage cables run apart from mains cables and are marked at both ends.",
    ]
    .map(str::to_owned)
    .into()
}

fn power_on(site: &Site) -> Vec<String> {
    let mut all = vec![
        "The settings hash that the board shows is the one at the top of this sheet.".to_owned(),
        "The clock is set to local standard time, and to the right day of the week.".to_owned(),
        "Every contact that is used was closed by hand, and the controller saw it.".to_owned(),
    ];
    for (i, relay) in site.raw.relays.iter().enumerate() {
        if relay.program != RelayProgram::Unused {
            all.push(format!("Relay {} was tried, and what it switches did as it should.", i + 1));
        }
    }
    if matches!(site.raw.drive, RawDrive::Timed { .. }) {
        all.push("With nothing to tell the position: each valve was watched through its whole travel, and its run times are right.".to_owned());
    }
    if matches!(site.raw.drive, RawDrive::PilotArray { contact: false, .. }) {
        all.push(
            "With nothing to tell the position: each pilot pattern was watched, and the valve followed it.".to_owned(),
        );
    }
    all
}

/// What to do for a part of the walk that the controller itself watches and records.
fn walk(site: &Site, task: Task) -> String {
    match task {
        Task::Positions => {
            let shared = if site.raw.sharing.shared_valve.is_some() {
                ", and the shared changeover valve both its ends"
            } else {
                ""
            };
            format!("Positions: the valve of every tank reached every position and confirmed it{shared}.")
        }
        Task::FirstBrineFill => {
            "First brine fill: water ran into the brine tank, the float stopped it at its level, salt is in.".to_owned()
        }
        Task::AirPurge => "Air purge: every bed was rinsed slowly until no air came any more.".to_owned(),
        Task::MeterCheck => {
            let each = if site.raw.meter.place == MeterPlace::PerTank { "each meter" } else { "the meter" };
            format!(
                "Meter check: a caught volume agrees with the pulses of {each}.   caught ________   pulses ________"
            )
        }
        Task::HardnessTest => {
            "Hardness test: feed ________   treated ________   (with the same test, after some water has run)"
                .to_owned()
        }
    }
}

fn first_regeneration(site: &Site) -> Vec<String> {
    let mut all = vec!["A regeneration was started by hand and watched from its first step to its last.".to_owned()];
    if site.settings.draws_brine() {
        all.push("Brine was drawn: the level fell. The rinses carried it out: the last water does not taste of salt (or: was tested).".to_owned());
        all.push("The refill stopped at its level, and the brine tank does not run over.".to_owned());
    }
    all.push("Flows to drain were measured.   backwash ________   draw ________   fast rinse ________".to_owned());
    if site.raw.tanks > 1 {
        all.push("While one tank regenerated the others carried the building, without a gap in soft water.".to_owned());
    } else {
        all.push("The people in the building know that untreated water passes during a regeneration.".to_owned());
    }
    all
}

fn handing_over(site: &Site) -> Vec<String> {
    let mut all = vec![
        "An alarm was raised on purpose, shown to the owner, acknowledged and cleared.".to_owned(),
        "The owner knows the shut-off, the bypass, how to fill up salt, and whom to call.".to_owned(),
        "The settings image is kept where it can be found, and the present settings are stored as the baseline."
            .to_owned(),
    ];
    let code = |rule: LockRule| matches!(rule, LockRule::Code(_));
    if code(site.raw.locks.panel) || code(site.raw.locks.serial) {
        all.push("The code was given to those who need it. It is not on this sheet.".to_owned());
    }
    if site.raw.start == StartRule::AtHour {
        all.push("The owner knows the regeneration hour, and that water runs to the drain then.".to_owned());
    }
    all
}
