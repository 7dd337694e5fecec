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

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    CamSwitch,
    Timed,
}

/// Reads `[valve]` and `[plant]`.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, brine: Option<Brine>, draft: &mut Draft) {
    let mut valve = root.section(r, "valve");
    let mut plant = root.section(r, "plant");
    let kinds = [("cam-switch", Kind::CamSwitch), ("timed", Kind::Timed)];
    let kind = valve.required(r, "drive", "\"cam-switch\"").and_then(|entry| entry.choice(r, &kinds));
    match kind {
        Some(Kind::CamSwitch) => cam_switch(r, &mut valve, &mut plant, draft),
        Some(Kind::Timed) => timed(r, &mut valve, &mut plant, draft),
        None => {
            for key in ["positions", "switches", "reversible", "travel_limit", "coast", "retries", "margin", "rest"] {
                let _ = valve.optional(r, key);
            }
            for key in ["leg", "coast"] {
                let _ = plant.optional(r, key);
            }
        }
    }
    draft.process = process::read(r, &mut plant, brine, draft);
    valve.done(r);
    plant.done(r);
}

fn cam_switch<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>, plant: &mut Section<'d>, draft: &mut Draft) {
    let positions =
        valve.required(r, "positions", "[\"service\", \"backwash\", \"brine-draw\", \"fast-rinse\", \"brine-refill\"]");
    let positions = positions.map(|entry| positions_of(r, &entry)).unwrap_or_default();
    let feedbacks = [("per-position", CamFeedback::SwitchPerPosition), ("home-and-stop", CamFeedback::HomeAndStop)];
    let feedback = valve.optional(r, "switches").and_then(|entry| entry.choice(r, &feedbacks));
    let reversible = valve.optional(r, "reversible").and_then(|entry| entry.flag(r)).unwrap_or(false);
    let travel_limit = millis_or(r, valve, "travel_limit", Millis::from_mins(4));
    let rest = millis_or(r, valve, "rest", Millis::from_secs(2));
    let coast = millis_or(r, valve, "coast", Millis(500));
    let retries = valve.optional(r, "retries").and_then(|entry| entry.whole(r, 0..=10)).unwrap_or(2);
    valve.refuse(r, "margin", "only a timed drive has a margin");
    draft.plant = cam_plant(r, plant);
    plant_fits(r, &draft.plant, positions.len(), travel_limit, coast);
    draft.raw.drive = RawDrive::CamSwitch {
        positions: positions.into_iter().collect(),
        feedback: feedback.unwrap_or(CamFeedback::SwitchPerPosition),
        reversible,
        travel_limit,
        rest,
        coast,
        retries,
    };
}

fn timed<'d>(r: &mut Reader<'d>, valve: &mut Section<'d>, plant: &mut Section<'d>, draft: &mut Draft) {
    let example = "[{ position = \"service\", run_time = \"0 s\" }, { position = \"backwash\", run_time = \"15 s\" }]";
    let positions = valve.required(r, "positions", example);
    let positions = positions.map(|entry| timed_positions(r, &entry)).unwrap_or_default();
    let margin = millis_or(r, valve, "margin", Millis::from_secs(2));
    let rest = millis_or(r, valve, "rest", Millis::from_secs(2));
    for key in ["switches", "reversible", "travel_limit", "coast", "retries"] {
        valve.refuse(r, key, "a timed drive has no switches and runs by time alone");
    }
    for key in ["leg", "coast"] {
        plant.refuse(r, key, "a simulated timed drive moves as its run times say");
    }
    draft.raw.drive = RawDrive::Timed { positions: positions.into_iter().collect(), margin, rest };
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

/// The plant of a cam-switch site.
fn cam_plant<'d>(r: &mut Reader<'d>, plant: &mut Section<'d>) -> PlantConfig {
    let usual = PlantConfig::default();
    let mut ms_or = |key, usual| {
        let given = plant.optional(r, key).and_then(|entry| entry.millis(r));
        given.map_or(usual, |length| u64::from(length.0))
    };
    PlantConfig { leg_ms: ms_or("leg", usual.leg_ms), coast_ms: ms_or("coast", usual.coast_ms) }
}

/// Refuses simulated valves that the settings' own drive could not work with: faults are rehearsed in scenarios.
fn plant_fits(r: &mut Reader<'_>, plant: &PlantConfig, positions: usize, travel_limit: Millis, coast: Millis) {
    if r.any_failed(&["valve.travel_limit", "valve.positions", "valve.coast", "plant"]) {
        return;
    }
    let turn_ms = plant.leg_ms.saturating_mul(positions as u64);
    if plant.leg_ms < SHORTEST_LEG_MS {
        fail_first(r, &["plant.leg"], "must be at least 100 ms".to_owned(), "such as \"10 s\"");
    } else if turn_ms > u64::from(travel_limit.0) {
        let turn = show::duration(turn_ms);
        let message = format!("a whole turn of the simulated valve takes {turn}, longer than valve.travel_limit");
        let help = format!("a travel_limit above {turn}, or a shorter plant.leg");
        fail_first(r, &["valve.travel_limit", "plant.leg", "valve.positions"], message, &help);
    }
    if plant.coast_ms > u64::from(coast.0) {
        let allowed = show::duration(u64::from(coast.0));
        let message = format!("the simulated valve coasts longer than the {allowed} that valve.coast allows");
        fail_first(r, &["plant.coast", "valve.coast"], message, "make valve.coast longer or plant.coast shorter");
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

fn timed_positions<'d>(r: &mut Reader<'d>, entry: &Entry<'d>) -> FixedVec<(Position, Millis), MAX_DRIVE_POSITIONS> {
    let help = "list the positions like { position = \"service\", run_time = \"0 s\" }, run times from the first stop";
    let choices = position_choices();
    let mut positions = FixedVec::new();
    for item in items(r, entry, help) {
        let Some(mut section) = item.table() else {
            item.wrong_type(r, "a position with its run time", help);
            continue;
        };
        let position = section.required(r, "position", "\"service\"").and_then(|entry| entry.choice(r, &choices));
        let run_time = section.required(r, "run_time", "\"0 s\"").and_then(|entry| entry.millis(r));
        section.done(r);
        if let Some(pair) = position.zip(run_time) {
            // The list was seen to be short enough.
            let _ = positions.push(pair);
        }
    }
    positions
}
