//! Where the water of a tank truly goes, by the plant itself, and what the logic takes of its valve where that is
//! something else.

use bedkeeper::drive::Motion;
use bedkeeper::duty::{DutyKind, Tank};
use bedkeeper::program::Position;
use serde::Serialize;

use super::session::Session;
use crate::plant::Valve;
use crate::process::{Standing, ValveMake, Ways, led_by};
use crate::replay::World;

/// A way that a tank's valve leaves open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Through the bed to the building.
    Building,
    /// Past the bed to the building, untreated.
    PastBed,
    /// Through the bed to the drain.
    Drain,
    /// The same, with brine drawn in; without the physics for as long as the valve stands so.
    BrineToDrain,
    /// Past the bed to the drain.
    DrainPastBed,
    /// To the brine tank.
    BrineTank,
}

impl Way {
    const fn words(self) -> &'static str {
        match self {
            Self::Building => "building",
            Self::PastBed => "building, untreated",
            Self::Drain => "drain",
            Self::BrineToDrain => "drain, with brine",
            Self::DrainPastBed => "drain, past the bed",
            Self::BrineTank => "brine tank",
        }
    }
}

/// How far a way is open, and whether water runs there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct OpenWay {
    /// Where to.
    pub way: Way,
    /// How far it is open, per cent; at least 1.
    pub percent: u8,
    /// Water runs: to the building while that draws, anywhere else by itself.
    pub runs: bool,
}

/// What the logic takes of a valve where that is not plainly what is so.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Belief {
    /// In words that follow "the logic".
    pub text: String,
    /// It is wrong.
    pub is_wrong: bool,
}

/// What the valves of a session's plant pass by their make.
pub(super) fn make(session: &Session) -> ValveMake {
    let scenario = &session.plan().scenario;
    let untreated = scenario.site.process.as_ref().is_some_and(|process| process.untreated_while_regenerating);
    // Leaks are part of the full plant alone.
    let tight = ValveMake { passes_untreated: untreated, crossing: 0.0, leak_past: 0.0, leak_to_drain: 0.0 };
    scenario.design.as_ref().map_or(tight, |design| design.make)
}

fn standing(valve: &Valve) -> Standing {
    let opening = valve.opening();
    Standing { position: opening.position, milli: opening.milli }
}

/// How far a shared changeover valve truly leads a tank to the building, 0 to 1; 1 without one.
fn led(world: &World, index: usize) -> f64 {
    world.plant.shared().map_or(1.0, |shared| led_by(standing(shared)).get(index).copied().unwrap_or(1.0))
}

/// The ways that a tank's valve leaves open where it truly stands, past the changeover valve too if tanks share one.
pub(super) fn open_ways(world: &World, make: &ValveMake, index: usize, building_draws: bool) -> Vec<OpenWay> {
    let Some(valve) = world.valves().get(index) else { return Vec::new() };
    let ways = Ways::of(standing(valve), make).led(led(world, index));
    let rinses = ways.backwash + ways.fast_rinse + ways.slow_rinse;
    // Once the air check has closed, what draws brine only rinses.
    let has_brine = world.process.as_ref().is_none_or(|process| process.brine_tank().has_usable_brine());
    let (through_bed, draws) = if has_brine { (rinses, ways.eductor) } else { (rinses + ways.eductor, 0.0) };
    [
        (Way::Building, ways.service, building_draws),
        (Way::PastBed, ways.past_bed, building_draws),
        (Way::Drain, through_bed, true),
        (Way::BrineToDrain, draws, true),
        (Way::DrainPastBed, ways.to_drain, true),
        (Way::BrineTank, ways.refill, true),
    ]
    .into_iter()
    .filter(|(_, open, _)| *open > 0.0)
    .map(|(way, open, runs)| OpenWay { way, percent: (open * 100.0).round().clamp(1.0, 100.0) as u8, runs })
    .collect()
}

/// The same in words: `drain`, `building 40 %`, `nowhere`.
pub(super) fn goes_to(open: &[OpenWay]) -> String {
    if open.is_empty() {
        return "nowhere".to_owned();
    }
    let words = |open: &OpenWay| {
        let part = if open.percent < 100 { format!(" {} %", open.percent) } else { String::new() };
        let still = if open.runs { "" } else { " (no draw)" };
        format!("{}{part}{still}", open.way.words())
    };
    open.iter().map(words).collect::<Vec<_>>().join(" + ")
}

/// Where a valve truly stands, or that it turns.
pub(super) fn place(valve: &Valve) -> String {
    match (valve.position(), valve.nearest()) {
        (Some(at), _) if valve.moves() => format!("turns in {at}"),
        (Some(at), _) => at.to_string(),
        (None, Some(near)) if valve.moves() => format!("turns by {near}"),
        (None, Some(near)) => format!("between, by {near}"),
        (None, None) if valve.moves() => "follows its pilots".to_owned(),
        (None, None) => "in no position".to_owned(),
    }
}

/// What the logic takes of a tank's valve, unless the valve stands where the logic takes it to stand.
pub(super) fn belief(world: &World, index: usize) -> Option<Belief> {
    if world.supply.is_dark() {
        return None;
    }
    let (tank, valve) = (world.controller.tanks().get(index)?, world.valves().get(index)?);
    let drive = tank.drive();
    let (text, is_wrong) = match (drive.position(), drive.target()) {
        _ if drive.is_lost() => ("has given its drive up and does not know where it stands".to_owned(), true),
        (Some(at), _) if valve.position() == Some(at) && !valve.moves() => return misled(world, tank, index),
        (Some(at), _) => (format!("takes it to stand in {at}, {}", leads(at)), true),
        (None, Some(to)) if drive.motion() != Motion::Off => {
            let stands = !valve.moves();
            (format!("turns it to {to}{}", if stands { ", and it does not turn" } else { "" }), stands)
        }
        (None, Some(to)) => (format!("is about to have it in {to}"), false),
        (None, None) => ("does not know yet where it stands".to_owned(), false),
    };
    Some(Belief { text, is_wrong })
}

/// The logic takes a tank to serve, and a changeover valve that stands leads elsewhere.
fn misled(world: &World, tank: &Tank, index: usize) -> Option<Belief> {
    let stands = world.plant.shared().is_some_and(|shared| !shared.moves());
    let is_wrong = stands && tank.duty().kind() == DutyKind::Serving && led(world, index) < 1.0;
    let text = "takes the changeover valve to lead it to the building".to_owned();
    is_wrong.then_some(Belief { text, is_wrong })
}

/// Where water goes in a position.
const fn leads(position: Position) -> &'static str {
    match position {
        Position::Service => "open to the building",
        Position::Standby => "shut",
        Position::BrineRefill => "open to the brine tank",
        Position::Backwash | Position::BrineDraw | Position::SlowRinse | Position::FastRinse => "open to the drain",
    }
}
