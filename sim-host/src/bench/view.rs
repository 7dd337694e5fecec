//! What there is to see, in words and plain figures; how it looks is the matter of whoever draws it.

use bedkeeper::contact::Contact;
use bedkeeper::duty::Tank;
use bedkeeper::program::Position;
use bedkeeper::settings::Medium;
use bedkeeper::units::{Instant, TankId};
use bedkeeper::watch::{Alarm, AlarmPhase, Severity};
use serde::Serialize;

use super::session::Session;
use super::water::{self, Belief, OpenWay};
use super::words;
use crate::evidence::moment;
use crate::plant::Valve;
use crate::quantity::{UnitSystem, show};
use crate::replay::{World, replay_ms};
use crate::wording;

/// A plant as it stands.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct View {
    /// The site's name.
    pub site: String,
    /// The moment by the rehearsal's own calendar.
    pub moment: String,
    /// Civil time, or that the clock is unset.
    pub civil: String,
    /// Ms since the start, and at the end of the rehearsal.
    pub now_ms: u64,
    /// The last moment.
    pub end_ms: u64,
    /// Power is off.
    pub dark: bool,
    /// The water that comes, is drawn and is metered.
    pub feed: String,
    /// The building draws water; where a recording draws it, its meter tells so.
    pub draws: bool,
    /// The tanks in their order.
    pub tanks: Vec<TankView>,
    /// Relays, and the contacts that are closed.
    pub wires: String,
    /// What was delivered last, where water is modelled.
    pub delivered: Option<String>,
    /// Alarms that stand, or that nobody has acknowledged; the gravest first.
    pub alarms: Vec<AlarmView>,
    /// Rules seen broken by the independent checker.
    pub violations: Vec<String>,
    /// The last records, the newest last: when, and what.
    pub journal: Vec<(String, String)>,
    /// Records before those.
    pub earlier: usize,
}

/// An alarm, as a panel tells it (W3).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct AlarmView {
    /// Its slug.
    pub code: &'static str,
    /// How grave it is, which tanks it is about, since when it stands, and whether somebody knows.
    pub state: String,
    /// What happened.
    pub happened: &'static str,
    /// What the logic does about it.
    pub done: &'static str,
    /// What a person should look at.
    pub look: &'static str,
}

/// A tank as it stands.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct TankView {
    /// From 1.
    pub number: usize,
    /// Its duty's slug.
    pub duty: &'static str,
    /// What its bed can still soften.
    pub left: String,
    /// The same, in per cent of the capacity.
    pub left_percent: u8,
    /// Where its valve truly stands, or that it turns.
    pub valve: String,
    /// The slug of the position where its valve truly stands; none between two.
    pub position: Option<&'static str>,
    /// Its valve moves, whoever or whatever moves it.
    pub turns: bool,
    /// The ways that its valve truly leaves open.
    pub ways: Vec<OpenWay>,
    /// Where its water truly goes, in words: `building`, `drain, with brine`, `nowhere`.
    pub goes_to: String,
    /// The step of its regeneration with the time it has left; may be empty.
    pub step: String,
    /// What the logic takes of its valve, unless that stands where the logic takes it to stand.
    pub logic: Option<Belief>,
    /// What is asked of it, and what holds that.
    pub why: Vec<String>,
    /// Faults of its valve that stand at the bench.
    pub faults: Vec<String>,
}

impl View {
    /// The session's plant now, with at most so many records; empty where the plant has stopped.
    #[must_use]
    pub fn of(session: &Session, records: usize) -> Self {
        let site = &session.plan().scenario.site;
        let now_ms = session.now_ms();
        let mut view = Self {
            site: site.name.clone(),
            moment: session.days().show(now_ms),
            draws: session.building_draws().is_some_and(|ml_min| ml_min > 0),
            earlier: session.records().saturating_sub(records),
            now_ms,
            end_ms: session.end_ms(),
            violations: session.violations().iter().map(|broken| format!("{}: {}", broken.rule, broken.text)).collect(),
            journal: session
                .last_records(records)
                .iter()
                .map(|record| (session.moment_of(record), wording::sentence(&record.event)))
                .collect(),
            ..Self::default()
        };
        let Some(world) = session.world() else { return view };
        view.civil = world.start.map_or_else(|| "clock unset".to_owned(), |_| moment(world.start, now_ms));
        view.dark = world.supply.is_dark();
        if session.building_draws().is_none() {
            view.draws = world.controller.flow(Instant::from_ticks(now_ms)).0 > 0;
        }
        view.feed = feed(session, world, site.units);
        let tank = |index| TankView::of(session, world, index, view.draws);
        view.tanks = (0..world.valves().len()).filter_map(tank).collect();
        view.wires = wires(session, world);
        view.delivered = world.process.as_ref().map(|process| {
            process.plant().last_delivered.map_or_else(
                || "nothing was delivered yet".to_owned(),
                |(mg_l, kpa)| format!("last delivered: {mg_l:.1} mg/L of hardness at {kpa:.0} kPa"),
            )
        });
        view.alarms = [Severity::Critical, Severity::Warning, Severity::Notice]
            .into_iter()
            .flat_map(|grave| Alarm::ALL.iter().filter_map(move |alarm| AlarmView::of(session, world, *alarm, grave)))
            .collect();
        view
    }
}

impl AlarmView {
    /// An alarm of this severity, if there is something to tell of it.
    fn of(session: &Session, world: &World, alarm: Alarm, grave: Severity) -> Option<Self> {
        let told = world.controller.alarm(alarm);
        if told.phase == AlarmPhase::Normal || told.severity != grave {
            return None;
        }
        let mut state = vec![words::severity(grave).to_owned()];
        let tanks: Vec<_> = (0..8).map(TankId).filter(|id| told.tanks.contains(*id)).map(|id| id.to_string()).collect();
        if !tanks.is_empty() {
            state.push(tanks.join(", "));
        }
        state.extend(told.since.map(|since| format!("since {}", session.days().show(replay_ms(since)))));
        state.push(words::phase(&told).to_owned());
        Some(Self {
            code: alarm.slug(),
            state: state.join(" · "),
            happened: alarm.happened(),
            done: alarm.done(),
            look: alarm.look(),
        })
    }
}

impl TankView {
    fn of(session: &Session, world: &World, index: usize, building_draws: bool) -> Option<Self> {
        let (tank, valve) = (world.controller.tanks().get(index)?, world.valves().get(index)?);
        let settings = world.controller.settings();
        let units = session.plan().scenario.site.units;
        let spent = tank.ledger().spent_percent(&settings.medium);
        let id = TankId(u8::try_from(index).ok()?);
        let ways = water::open_ways(world, &water::make(session), index, building_draws);
        Some(Self {
            number: index + 1,
            duty: tank.duty().kind().slug(),
            left: show::volume(tank.ledger().remaining().nl(), units).to_string(),
            left_percent: 100 - u8::try_from(usize::from(spent).min(100)).unwrap_or(100),
            valve: water::place(valve),
            position: valve.position().map(|at| at.slug()),
            turns: valve.moves(),
            goes_to: water::goes_to(&ways),
            ways,
            step: step(world, tank),
            logic: water::belief(world, index),
            why: why(session, world, tank, id),
            faults: session.faults(id).iter().map(|fault| words::with_code(&words::fault(*fault), fault)).collect(),
        })
    }
}

/// The index of the tank that a shared changeover valve leads to the building; none while it stands between.
fn led_tank(shared: &Valve) -> Option<usize> {
    shared.position().map(|at| usize::from(at != Position::Service))
}

fn changeover(shared: &Valve) -> String {
    match led_tank(shared) {
        Some(index) => format!("changeover valve: {} to the building", TankId(u8::try_from(index).unwrap_or(u8::MAX))),
        None => "changeover valve: between the tanks".to_owned(),
    }
}

fn feed(session: &Session, world: &World, units: UnitSystem) -> String {
    let flow = world.controller.flow(Instant::from_ticks(world.now_ms));
    let by_hand = session.drawn_ml_min();
    let drawn = match session.building_draws() {
        None => "a recording draws the water".to_owned(),
        Some(all) if all > by_hand => format!(
            "drawn by hand {}, by the scenario {}",
            show::flow(u64::from(by_hand), units),
            show::flow(u64::from(all - by_hand), units)
        ),
        Some(_) => format!("drawn by hand {}", show::flow(u64::from(by_hand), units)),
    };
    let hardness = match world.controller.settings().medium {
        Medium::Softener { hardness, .. } => format!(" {}", show::hardness(u64::from(hardness.0), units)),
        Medium::Filter { .. } => String::new(),
    };
    let metered = if world.supply.is_dark() {
        "nobody meters it".to_owned()
    } else {
        format!("the meter tells {}", show::flow(u64::from(flow.0), units))
    };
    format!("feed{hardness} · {drawn} · {metered}")
}

/// The step of a tank's regeneration with the time it has left.
fn step(world: &World, tank: &Tank) -> String {
    let settings = world.controller.settings();
    let Some(regeneration) = tank.regeneration() else { return String::new() };
    let Some(step) = regeneration.step(settings) else { return String::new() };
    let left = regeneration.deadline(settings).map(|at| at.as_ticks().saturating_sub(world.now_ms));
    // Whole minutes, but for the last two.
    let brief = |ms: u64| show::duration_brief(if ms > 120_000 { ms / 60_000 * 60_000 } else { ms });
    let left = left.map_or_else(String::new, |ms| format!(", {} left", brief(ms)));
    format!("{step}{left}")
}

fn wires(session: &Session, world: &World) -> String {
    let relays: Vec<_> =
        (1..).zip(world.relays_on).map(|(number, on)| format!("{number} {}", if on { "ON" } else { "off" })).collect();
    let closed = Contact::ALL.iter().filter(|contact| session.is_closed(**contact));
    let closed: Vec<_> = closed.map(|contact| words::with_code(words::contact(*contact).0, contact)).collect();
    let closed = if closed.is_empty() { "none".to_owned() } else { closed.join(", ") };
    let shared = world.plant.shared().map_or_else(String::new, |valve| format!(" · {}", changeover(valve)));
    format!("relays {} · contacts closed: {closed}{shared}", relays.join(", "))
}

fn why(session: &Session, world: &World, tank: &Tank, id: TankId) -> Vec<String> {
    if world.supply.is_dark() {
        return vec!["power is off: nobody decides anything".to_owned()];
    }
    let leaving = tank.is_leaving().then(|| wording::LEAVING.to_owned());
    let nothing = || ["nothing is asked of it".to_owned()].into_iter().chain(leaving.clone()).collect();
    let Some(why) = world.controller.why(id) else { return nothing() };
    let causes: Vec<_> = why.causes.iter().map(|cause| cause.slug()).collect();
    if causes.is_empty() {
        return nothing();
    }
    let causes = causes.join(", ");
    if tank.regeneration().is_some() {
        return vec![format!("it regenerates, asked for: {causes}")];
    }
    let holds = wording::why_lines(&why, |ms| session.days().show(ms));
    let mut lines = vec![format!("asked for: {causes}")];
    if holds.is_empty() {
        lines.push("nothing holds it".to_owned());
    }
    lines.extend(holds.into_iter().map(|hold| format!("held: {hold}")));
    lines.extend(leaving);
    lines
}
