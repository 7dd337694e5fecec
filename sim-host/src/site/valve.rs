//! The valves: what the logic is told of their drives (`[valve]`) and how the simulated ones move (`[plant]`).

use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, MAX_DRIVE_POSITIONS, RawDrive};
use bedkeeper::units::Millis;
use heapless::Vec as FixedVec;

use super::Draft;
use super::plant::PlantConfig;
use super::process;
use super::reader::{Entry, Reader, Section};
use super::water::Brine;
use crate::quantity::show;

/// The shortest time of a simulated cam from one position to the next.
const SHORTEST_LEG_MS: u64 = 100;
/// A simulated cam is in its position over this share of a leg, whichever side it comes from.
const POSITION_SHARE: u64 = 5;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    CamSwitch,
    CamIndex,
    Timed,
    PilotArray,
}

/// Every key of `[valve]` but `drive` and `positions`.
const KEYS: [&str; 12] = [
    "switches",
    "marks",
    "slip_marks",
    "coast_marks",
    "reversible",
    "travel_limit",
    "rest",
    "coast",
    "retries",
    "contact",
    "settle",
    "margin",
];

impl Kind {
    /// The keys that mean something to this kind, and why the others do not.
    const fn keys(self) -> (&'static [&'static str], &'static str) {
        match self {
            Self::CamSwitch => (
                &["switches", "reversible", "travel_limit", "rest", "coast", "retries"],
                "only a timed drive and a pilot-array have a margin, only a cam-index has marks, only pilots settle",
            ),
            Self::CamIndex => (
                &["marks", "slip_marks", "coast_marks", "reversible", "travel_limit", "rest", "coast", "retries"],
                "a cam-index drive has a home and an index switch and counts marks",
            ),
            Self::Timed => (&["margin", "rest"], "a timed drive has no switches and runs by time alone"),
            Self::PilotArray => (
                &["contact", "settle", "margin", "travel_limit", "rest", "retries"],
                "a pilot-array has pilots and no motor",
            ),
        }
    }
}

/// Reads `[valve]` and `[plant]`.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, brine: Option<Brine>, draft: &mut Draft) {
    let mut valve = root.section(r, "valve");
    let mut plant = root.section(r, "plant");
    let kinds = [
        ("cam-switch", Kind::CamSwitch),
        ("cam-index", Kind::CamIndex),
        ("timed", Kind::Timed),
        ("pilot-array", Kind::PilotArray),
    ];
    let kind = valve.required(r, "drive", "\"cam-switch\"").and_then(|entry| entry.choice(r, &kinds));
    if let Some(kind) = kind {
        let drive = match kind {
            Kind::CamSwitch => cam_switch(r, &mut valve),
            Kind::CamIndex => cam_index(r, &mut valve),
            Kind::Timed => timed(r, &mut valve),
            Kind::PilotArray => pilot_array(r, &mut valve),
        };
        let (keys, because) = kind.keys();
        for key in KEYS.into_iter().filter(|key| !keys.contains(key)) {
            valve.refuse(r, key, because);
        }
        draft.plant = plant_of(r, &mut plant, kind, &drive);
        plant_fits(r, &draft.plant, &drive);
        draft.raw.drive = drive;
    } else {
        for key in ["positions"].into_iter().chain(KEYS) {
            let _ = valve.optional(r, key);
        }
        for key in ["leg", "coast"] {
            let _ = plant.optional(r, key);
        }
    }
    draft.process = process::read(r, &mut plant, brine, draft);
    valve.done(r);
    plant.done(r);
}

fn cam_switch<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> RawDrive {
    let example = "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]";
    let positions = valve.required(r, "positions", example);
    let positions = positions.map(|entry| positions_of(r, &entry)).unwrap_or_default();
    let feedbacks = [("per-position", CamFeedback::SwitchPerPosition), ("home-and-stop", CamFeedback::HomeAndStop)];
    let feedback = valve.optional(r, "switches").and_then(|entry| entry.choice(r, &feedbacks));
    let cam = Cam::read(r, valve);
    RawDrive::CamSwitch {
        positions,
        feedback: feedback.unwrap_or(CamFeedback::SwitchPerPosition),
        reversible: cam.reversible,
        travel_limit: cam.travel_limit,
        rest: cam.rest,
        coast: cam.coast,
        retries: cam.retries,
    }
}

fn cam_index<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> RawDrive {
    let example = "[{ position = \"service\", mark = 0 }, { position = \"backwash\", mark = 8 }]";
    let help = "list the positions like { position = \"backwash\", mark = 8 }, marks counted from home, which is 0";
    let positions = valve.required(r, "positions", example);
    let positions = positions
        .map(|entry| {
            paired(r, &entry, help, |r, section| {
                section.required(r, "mark", "0").and_then(|entry| entry.whole(r, 0..=250))
            })
        })
        .unwrap_or_default();
    let marks = valve.required(r, "marks", "48").and_then(|entry| entry.whole(r, 2..=250)).unwrap_or(250);
    let slip_marks = valve.optional(r, "slip_marks").and_then(|entry| entry.whole(r, 0..=50)).unwrap_or(1);
    let coast_marks = valve.optional(r, "coast_marks").and_then(|entry| entry.whole(r, 0..=50)).unwrap_or(1);
    let cam = Cam::read(r, valve);
    RawDrive::CamIndex {
        positions,
        marks,
        slip_marks,
        coast_marks,
        reversible: cam.reversible,
        travel_limit: cam.travel_limit,
        rest: cam.rest,
        coast: cam.coast,
        retries: cam.retries,
    }
}

/// What every cam has.
struct Cam {
    reversible: bool,
    travel_limit: Millis,
    rest: Millis,
    coast: Millis,
    retries: u8,
}

impl Cam {
    fn read<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> Self {
        Self {
            reversible: valve.optional(r, "reversible").and_then(|entry| entry.flag(r)).unwrap_or(false),
            travel_limit: millis_or(r, valve, "travel_limit", Millis::from_mins(4)),
            rest: millis_or(r, valve, "rest", Millis::from_secs(2)),
            coast: millis_or(r, valve, "coast", Millis(500)),
            retries: retries(r, valve),
        }
    }
}

fn timed<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> RawDrive {
    let example = "[{ position = \"service\", run_time = \"0 s\" }, { position = \"backwash\", run_time = \"15 s\" }]";
    let help = "list the positions like { position = \"service\", run_time = \"0 s\" }, run times from the first stop";
    let positions = valve.required(r, "positions", example);
    let positions = positions
        .map(|entry| {
            paired(r, &entry, help, |r, section| {
                section.required(r, "run_time", "\"0 s\"").and_then(|entry| entry.millis(r))
            })
        })
        .unwrap_or_default();
    let margin = millis_or(r, valve, "margin", Millis::from_secs(2));
    let rest = millis_or(r, valve, "rest", Millis::from_secs(2));
    RawDrive::Timed { positions, margin, rest }
}

fn pilot_array<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> RawDrive {
    let example = "[{ position = \"service\", pilots = [] }, { position = \"backwash\", pilots = [1, 3] }]";
    let help =
        "list the positions like { position = \"backwash\", pilots = [1, 3] }: the pilots that act there, 1 to 8";
    let positions = valve.required(r, "positions", example);
    let positions = positions
        .map(|entry| {
            paired(r, &entry, help, |r, section| {
                section.required(r, "pilots", "[1, 3]").and_then(|entry| pattern(r, &entry, help))
            })
        })
        .unwrap_or_default();
    RawDrive::PilotArray {
        positions,
        contact: valve.optional(r, "contact").and_then(|entry| entry.flag(r)).unwrap_or(false),
        settle: millis_or(r, valve, "settle", Millis::from_secs(10)),
        margin: millis_or(r, valve, "margin", Millis::from_secs(5)),
        travel_limit: millis_or(r, valve, "travel_limit", Millis::from_mins(1)),
        rest: millis_or(r, valve, "rest", Millis::from_secs(1)),
        retries: retries(r, valve),
    }
}

/// The pilots of a position, counted from 1, as bits.
fn pattern<'d>(r: &mut Reader<'d>, entry: &Entry<'d>, help: &str) -> Option<u8> {
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list", help);
        return None;
    };
    items.iter().try_fold(0, |bits, item| Some(bits | 1 << (item.whole(r, 1..=8)? - 1)))
}

fn retries<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>) -> u8 {
    valve.optional(r, "retries").and_then(|entry| entry.whole(r, 0..=10)).unwrap_or(2)
}

fn millis_or<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str, usual: Millis) -> Millis {
    section.optional(r, key).and_then(|entry| entry.millis(r)).unwrap_or(usual)
}

/// A fault at the first of these keys that is given.
fn fail_first(r: &mut Reader<'_>, paths: &[&str], message: String, help: &str) {
    let given = paths.iter().find_map(|path| Some((*path, r.place(path)?)));
    let (path, span) = given.map_or((paths.first().copied().unwrap_or(""), None), |(path, span)| (path, Some(span)));
    r.fail_at(span, path, message, help);
}

/// The simulated valves of a site.
fn plant_of<'d>(r: &mut Reader<'d>, plant: &mut Section<'d>, kind: Kind, drive: &RawDrive) -> PlantConfig {
    let mut usual = PlantConfig::default();
    if let RawDrive::PilotArray { settle, .. } = drive {
        usual.leg_ms = u64::from(settle.0);
    }
    let mut ms_or = |key, usual| {
        let given = plant.optional(r, key).and_then(|entry| entry.millis(r));
        given.map_or(usual, |length| u64::from(length.0))
    };
    match kind {
        Kind::CamSwitch | Kind::CamIndex => {
            PlantConfig { leg_ms: ms_or("leg", usual.leg_ms), coast_ms: ms_or("coast", usual.coast_ms) }
        }
        Kind::PilotArray => {
            usual.leg_ms = ms_or("leg", usual.leg_ms);
            plant.refuse(r, "coast", "only a simulated cam coasts");
            usual
        }
        Kind::Timed => {
            for key in ["leg", "coast"] {
                plant.refuse(r, key, "a simulated timed drive moves as its run times say");
            }
            usual
        }
    }
}

/// Refuses simulated valves that the settings' own drive could not work with: faults are rehearsed in scenarios.
fn plant_fits(r: &mut Reader<'_>, plant: &PlantConfig, drive: &RawDrive) {
    if r.any_failed(&["valve.travel_limit", "valve.positions", "valve.coast", "valve.settle", "valve.marks", "plant"]) {
        return;
    }
    let (way_ms, limit, key, way) = match drive {
        RawDrive::CamSwitch { travel_limit, .. } | RawDrive::CamIndex { travel_limit, .. } => {
            let turn_ms = plant.leg_ms.saturating_mul(drive.position_count() as u64);
            (turn_ms, *travel_limit, "valve.travel_limit", "a whole turn of the simulated valve")
        }
        RawDrive::PilotArray { contact: true, travel_limit, .. } => {
            (plant.leg_ms, *travel_limit, "valve.travel_limit", "following its pilots, the simulated valve")
        }
        RawDrive::PilotArray { settle, .. } => {
            (plant.leg_ms, *settle, "valve.settle", "following its pilots, the simulated valve")
        }
        RawDrive::Timed { .. } | RawDrive::TwoPosition { .. } => return,
    };
    if plant.leg_ms < SHORTEST_LEG_MS {
        fail_first(r, &["plant.leg"], "must be at least 100 ms".to_owned(), "such as \"10 s\"");
        return;
    }
    if way_ms > u64::from(limit.0) {
        let takes = show::duration(way_ms);
        let message = format!("{way} takes {takes}, longer than {key}");
        let help = format!("a {} above {takes}, or a shorter plant.leg", key.trim_start_matches("valve."));
        fail_first(r, &[key, "plant.leg", "valve.positions"], message, &help);
    }
    let (coast, share_ms) = match drive {
        RawDrive::CamSwitch { coast, .. } => (*coast, plant.leg_ms / POSITION_SHARE),
        RawDrive::CamIndex { coast, marks, coast_marks, .. } => {
            let turn_ms = plant.leg_ms.saturating_mul(drive.position_count() as u64);
            (*coast, turn_ms.saturating_mul(u64::from(*coast_marks)) / u64::from(*marks).max(1))
        }
        _ => return,
    };
    if plant.coast_ms > u64::from(coast.0) {
        let allowed = show::duration(u64::from(coast.0));
        let message = format!("the simulated valve coasts longer than the {allowed} that valve.coast allows");
        fail_first(r, &["plant.coast", "valve.coast"], message, "make valve.coast longer or plant.coast shorter");
    } else if plant.coast_ms > share_ms {
        let within = show::duration(share_ms);
        let message = format!("the simulated valve coasts out of its position, which it crosses in {within}");
        fail_first(r, &["plant.coast", "plant.leg"], message, "make plant.coast shorter or plant.leg longer");
    }
}

fn position_choices() -> Vec<(&'static str, Position)> {
    Position::ALL.iter().map(|position| (position.slug(), *position)).collect()
}

/// Items of the list of positions; what does not fit the drive is a fault.
fn items<'d>(r: &mut Reader<'d>, entry: &Entry<'d>, help: &str) -> Vec<Entry<'d>> {
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list", help);
        return Vec::new();
    };
    if items.len() > MAX_DRIVE_POSITIONS {
        r.fail(entry, format!("has more than the {MAX_DRIVE_POSITIONS} positions that a drive can have"), help);
        return Vec::new();
    }
    items
}

fn positions_of<'d>(r: &mut Reader<'d>, entry: &Entry<'d>) -> FixedVec<Position, MAX_DRIVE_POSITIONS> {
    let help = "list the positions in the order they are passed, such as [\"service\", \"backwash\"]";
    let items = items(r, entry, help);
    let choices = position_choices();
    items.iter().filter_map(|item| item.choice(r, &choices)).take(MAX_DRIVE_POSITIONS).collect()
}

/// Positions, each with something that its drive needs.
fn paired<'d, T>(
    r: &mut Reader<'d>,
    entry: &Entry<'d>,
    help: &str,
    mut other: impl FnMut(&mut Reader<'d>, &mut Section<'d>) -> Option<T>,
) -> FixedVec<(Position, T), MAX_DRIVE_POSITIONS> {
    let choices = position_choices();
    let mut positions = FixedVec::new();
    for item in items(r, entry, help) {
        let Some(mut section) = item.table() else {
            item.wrong_type(r, "a position with what belongs to it", help);
            continue;
        };
        let position = section.required(r, "position", "\"service\"").and_then(|entry| entry.choice(r, &choices));
        let other = other(r, &mut section);
        section.done(r);
        if let Some(pair) = position.zip(other) {
            // The list was seen to be short enough.
            let _ = positions.push(pair);
        }
    }
    positions
}
