//! What there is to see, in words and plain figures; how it looks is the matter of whoever draws it.

use bedkeeper::contact::Contact;
use bedkeeper::drive::Motion;
use bedkeeper::duty::{DutyKind, Tank};
use bedkeeper::program::Position;
use bedkeeper::settings::Medium;
use bedkeeper::units::{Instant, TankId};
use serde::Serialize;

use super::session::Session;
use crate::evidence::moment;
use crate::plant::Valve;
use crate::quantity::{UnitSystem, show};
use crate::replay::World;
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
    /// The meter tells that water flows.
    pub flows: bool,
    /// The tanks in their order.
    pub tanks: Vec<TankView>,
    /// Relays, and the contacts that are closed.
    pub wires: String,
    /// What was delivered last, where water is modelled.
    pub delivered: Option<String>,
    /// Alarms that stand: the slug, and what to look at.
    pub alarms: Vec<(&'static str, &'static str)>,
    /// Rules seen broken by the independent checker.
    pub violations: Vec<String>,
    /// The last records, the newest last: when, and what.
    pub journal: Vec<(String, String)>,
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
    /// Where its valve stands, or what it does.
    pub valve: String,
    /// The slug of the position where its valve really stands; none between two.
    pub position: Option<&'static str>,
    /// Its valve's motor runs.
    pub turns: bool,
    /// Its bed is open to the building, past the changeover valve too, if tanks share one.
    pub to_building: bool,
    /// Where its water goes, as the logic has it: `building`, `drain`, or a step with its time left; may be empty.
    pub goes_to: String,
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
        view.flows = world.controller.flow(Instant::from_ticks(now_ms)).0 > 0;
        view.feed = feed(session, world, site.units);
        view.tanks = (0..world.valves().len()).filter_map(|index| TankView::of(session, world, index)).collect();
        view.wires = wires(session, world);
        view.delivered = world.process.as_ref().map(|process| {
            process.plant().last_delivered.map_or_else(
                || "nothing was delivered yet".to_owned(),
                |(mg_l, kpa)| format!("last delivered: {mg_l:.1} mg/L of hardness at {kpa:.0} kPa"),
            )
        });
        let standing = session.state().map(|state| state.alarms).unwrap_or_default();
        view.alarms = standing.iter().map(|alarm| (alarm.slug(), alarm.look())).collect();
        view
    }
}

impl TankView {
    fn of(session: &Session, world: &World, index: usize) -> Option<Self> {
        let (tank, valve) = (world.controller.tanks().get(index)?, world.valves().get(index)?);
        let settings = world.controller.settings();
        let units = session.plan().scenario.site.units;
        let spent = tank.ledger().spent_percent(&settings.medium);
        let id = TankId(u8::try_from(index).ok()?);
        let led = world.plant.shared().map(led_tank);
        Some(Self {
            number: index + 1,
            duty: tank.duty().kind().slug(),
            left: show::volume(tank.ledger().remaining().nl(), units).to_string(),
            left_percent: 100 - u8::try_from(usize::from(spent).min(100)).unwrap_or(100),
            valve: valve_text(valve, tank),
            position: valve.position().map(|at| at.slug()),
            turns: valve.motion() != Motion::Off,
            to_building: valve.position() == Some(Position::Service) && led.is_none_or(|led| led == Some(index)),
            goes_to: goes_to(world, tank),
            why: why(session, world, tank, id),
            faults: session.faults(id).iter().map(ToString::to_string).collect(),
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
    let drawn = if session.draws_by_hand() {
        format!("drawn by hand {}", show::flow(u64::from(session.drawn_ml_min()), units))
    } else {
        "a recording draws the water".to_owned()
    };
    let hardness = match world.controller.settings().medium {
        Medium::Softener { hardness, .. } => format!(" {}", show::hardness(u64::from(hardness.0), units)),
        Medium::Filter { .. } => String::new(),
    };
    format!("feed{hardness} · {drawn} · the meter tells {}", show::flow(u64::from(flow.0), units))
}

fn valve_text(valve: &Valve, tank: &Tank) -> String {
    let turns = valve.motion() != Motion::Off;
    match (valve.position(), tank.drive().target()) {
        (Some(at), _) if !turns => at.slug().to_owned(),
        (_, Some(to)) if turns => format!("turns to {to}"),
        (Some(at), _) => format!("{at}, turns"),
        (None, _) if turns => "turns".to_owned(),
        (None, _) => "between positions".to_owned(),
    }
}

fn goes_to(world: &World, tank: &Tank) -> String {
    let settings = world.controller.settings();
    if let Some(regeneration) = tank.regeneration() {
        let Some(step) = regeneration.step(settings) else { return String::new() };
        let left = regeneration.deadline(settings).map(|at| at.as_ticks().saturating_sub(world.now_ms));
        // Whole minutes, but for the last two.
        let brief = |ms: u64| show::duration_brief(if ms > 120_000 { ms / 60_000 * 60_000 } else { ms });
        let left = left.map_or_else(String::new, |ms| format!(", {}", brief(ms)));
        return format!("{step}{left}");
    }
    match tank.duty().kind() {
        DutyKind::Serving => "building".to_owned(),
        DutyKind::Purging => "drain".to_owned(),
        _ => String::new(),
    }
}

fn wires(session: &Session, world: &World) -> String {
    let relays: Vec<_> =
        (1..).zip(world.relays_on).map(|(number, on)| format!("{number} {}", if on { "ON" } else { "off" })).collect();
    let closed: Vec<_> =
        Contact::ALL.iter().filter(|contact| session.is_closed(**contact)).map(|contact| contact.slug()).collect();
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
