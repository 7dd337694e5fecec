//! The panel changes every setting: whatever a site has, buttons can make it of any other.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use bedkeeper::program::Position;
use bedkeeper::settings::{RawDrive, RawSettings, RawTwoPosition, Settings};
use bedkeeper::units::Millis;
use bedkeeper_runtime::panel::fields::{FieldId, GROUPS, Group};
use bedkeeper_sim::{scenario, site};

/// Drives that no scenario has; the program may not suit them.
fn drives() -> impl Iterator<Item = RawDrive> {
    let positions = |figures: [u8; 5]| RawSettings::baseline().drive.positions().zip(figures).collect::<Vec<_>>();
    let (rest, coast, retries) = (Millis(1_500), Millis(700), 1);
    [
        RawDrive::CamIndex {
            positions: positions([0, 9, 20, 31, 40]).into_iter().collect(),
            marks: 49,
            slip_marks: 2,
            coast_marks: 1,
            reversible: true,
            travel_limit: Millis::from_mins(3),
            rest,
            coast,
            retries,
        },
        RawDrive::TwoPosition {
            positions: [Position::Backwash, Position::Service],
            valve: RawTwoPosition { travel_limit: Millis::from_secs(70), rest, retries },
        },
        RawDrive::Timed {
            positions: positions([0, 9, 20, 31, 40])
                .into_iter()
                .map(|(at, s)| (at, Millis(u32::from(s) * 999)))
                .collect(),
            margin: Millis(4_321),
            rest,
        },
        RawDrive::PilotArray {
            positions: positions([0b0001, 0b0110, 0b1000, 0b1001, 0b1111]).into_iter().collect(),
            contact: true,
            settle: Millis(9_000),
            margin: Millis(2_000),
            travel_limit: Millis::from_secs(70),
            rest,
            retries,
        },
    ]
    .into_iter()
}

/// The settings of the demo sites and of every scenario, each once.
fn sites() -> Vec<RawSettings> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut all = vec![RawSettings::baseline()];
    all.extend(drives().map(|drive| RawSettings { drive, ..RawSettings::baseline() }));
    for demo in ["house", "apartments"] {
        all.push(site::load(root.join(format!("../sim-host/demo/{demo}.toml"))).expect(demo).raw);
    }
    for folder in ["scenarios", "years"] {
        for file in scenario::files(&root.join(folder)).expect(folder) {
            let Ok(scenario) = scenario::load(&file) else { panic!("{} is no scenario", file.display()) };
            all.push(scenario.site.raw);
        }
    }
    let mut once: Vec<RawSettings> = Vec::new();
    for raw in all.into_iter().map(plain) {
        if !once.contains(&raw) {
            once.push(raw);
        }
    }
    once
}

/// Makes `raw` what `wanted` is with nothing but what the panel can do: add and take away parts, and set fields.
fn make(raw: &mut RawSettings, wanted: &RawSettings) {
    for _ in 0..4 {
        for group in GROUPS.iter().filter_map(|(group, _)| group.parts()) {
            while group.count(raw) > group.count(wanted) && group.remove_from(raw, group.count(wanted)) {}
            while group.count(raw) < group.count(wanted) && group.add_to(raw) {}
        }
        for field in FieldId::all(wanted) {
            if let Some(value) = field.get(wanted)
                && field.get(raw).is_some()
            {
                field.set(raw, value);
            }
        }
    }
}

/// Delays of alarms stand in the order in which they were given, which means nothing; a pulse that is no whole number of
/// nanolitres becomes one.
fn plain(mut raw: RawSettings) -> RawSettings {
    raw.watch.rules.delays.sort_by_key(|delay| delay.alarm);
    raw.meter.pulse_nl /= u64::from(raw.meter.pulse_divisor);
    raw.meter.pulse_divisor = 1;
    raw
}

fn kind(drive: &RawDrive) -> u8 {
    match drive {
        RawDrive::CamSwitch { .. } => 0,
        RawDrive::CamIndex { .. } => 1,
        RawDrive::TwoPosition { .. } => 2,
        RawDrive::Timed { .. } => 3,
        RawDrive::PilotArray { .. } => 4,
    }
}

/// O2: from the built-in baseline to every site and back, and from each site to the next: nothing can only be looked at.
#[test]
fn o2_buttons_can_make_any_settings_of_any_others() {
    let all = sites();
    assert!(all.len() > 40, "{} sites", all.len());
    for drive in 0..5 {
        assert!(all.iter().any(|raw| kind(&raw.drive) == drive), "no site has drive {drive}");
    }
    for (from, to) in (0..all.len()).flat_map(|from| [(from, 0), (0, from), (from, (from + 1) % all.len())]) {
        let (mut made, wanted) = (all[from].clone(), &all[to]);
        make(&mut made, wanted);
        assert_eq!(plain(made.clone()), *wanted, "{from} to {to}");
        assert_eq!(Settings::try_from(made).is_ok(), Settings::try_from(wanted.clone()).is_ok());
    }
}

/// Each field is named once in its group, so that people can tell them apart.
#[test]
fn fields_of_a_group_have_names_of_their_own() {
    for raw in sites() {
        for (group, _) in GROUPS {
            for (group, of) in [(group, 0)].into_iter().chain(group.parts().map(|part: Group| (part, 0))) {
                let mut names: Vec<_> = FieldId::of(group, of, &raw).map(FieldId::name).collect();
                let count = names.len();
                names.sort_unstable();
                names.dedup();
                assert_eq!(names.len(), count, "{group:?}: {names:?}");
            }
        }
    }
}
