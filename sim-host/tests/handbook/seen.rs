//! What the bundled rehearsals and exercises show of every idea that has states.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use bedkeeper::Controller;
use bedkeeper::demand::{Hold, HoldSet};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason, Record};
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::program::StepKind;
use bedkeeper::sequence::{AfterPower, Outcome, Phase};
use bedkeeper::units::{Instant, TankId, Volume};
use bedkeeper::watch::{Alarm, AlarmPhase};
use bedkeeper_sim::replay::{Observer, World};
use bedkeeper_sim::scenario::{self, Scenario};
use bedkeeper_sim::wording;
use serde::Deserialize;
use serde_json::Value;

use crate::lives;
use crate::machine::{Machine, fields, variant};

/// Everything that was seen.
pub struct Seen {
    /// What a tank does.
    pub duties: Machine,
    /// From what is asked to the start.
    pub waiting: Machine,
    /// The order of the steps.
    pub steps: Machine,
    /// Where a regeneration is within a step.
    pub phases: Machine,
    /// The drain and the brine tank, given and taken.
    pub shares: Machine,
    /// One tank relieves another.
    pub changeover: Machine,
    /// An alarm's life.
    pub alarms: Machine,
    /// Relays.
    pub relays: Machine,
    /// The account of the brine tank.
    pub brine: Machine,
    /// What a power cut makes of a regeneration.
    pub power: Machine,
}

const NO_REGENERATION: &str = "no regeneration";

/// What a tank has of drain and brine tank, and what it waits for: neither, the drain, the brine tank, both.
const HAS: [&str; 4] = ["has neither", "has the drain", "has the brine tank", "has both"];
const WAITS: [&str; 4] = ["", ", waits for the drain", ", waits for the brine tank", ", waits for both"];

/// In the order in which a picture has them, whichever comes about first.
const AFTER_POWER: [AfterPower; 7] = [
    AfterPower::Resumed,
    AfterPower::StepAgain,
    AfterPower::BeganAgain,
    AfterPower::RinsedFirst,
    AfterPower::GaveUp,
    AfterPower::RefillCounted,
    AfterPower::RefillStopped,
];

fn slugs<T: std::fmt::Display>(all: &[T]) -> impl Iterator<Item = String> {
    all.iter().map(|one| format!("`{one}`"))
}

impl Seen {
    fn new() -> Self {
        let steps = || slugs(StepKind::ALL);
        let outcomes = || {
            [Outcome::Complete, Outcome::Aborted, Outcome::Failed].into_iter().map(|outcome| outcome.slug().to_owned())
        };
        let after_power = || AFTER_POWER.iter().map(|outcome| outcome.slug().to_owned());
        let waits = || WAITS.into_iter();
        Self {
            duties: Machine::new(slugs(DutyKind::ALL)),
            waiting: Machine::new(["nothing is asked", "asked and held", "asked, nothing holds it", "regenerating"]),
            steps: Machine::new(std::iter::once("begins".to_owned()).chain(steps()).chain(outcomes())),
            phases: Machine::new([
                NO_REGENERATION,
                "valve on its way",
                "waits for its share",
                "step runs",
                "all steps done",
            ]),
            shares: Machine::new(waits().flat_map(|waits| HAS.map(|has| format!("{has}{waits}")))),
            changeover: Machine::new(["none under way", "the next is being brought in", "the other is on its way out"]),
            alarms: Machine::new(
                ["", ", latched"].iter().flat_map(|end| slugs(AlarmPhase::ALL).map(move |phase| phase + end)),
            ),
            relays: Machine::new(["off", "on", "limited"]),
            brine: Machine::new(["empty", "too little for a dose", "enough, not ready", "ready"]),
            power: Machine::new(steps().chain(after_power())).across(),
        }
    }

    /// What all of them show together.
    pub fn all() -> &'static Self {
        static SEEN: OnceLock<Seen> = OnceLock::new();
        SEEN.get_or_init(|| {
            let files = files();
            let rehearsals: Vec<_> = files.iter().map(|file| scenario::load(file).unwrap()).collect();
            let (mut seen, ran) = Self::of(&rehearsals);
            let mut with_step = BTreeMap::new();
            for (file, step) in files.iter().zip(&ran).flat_map(|(file, ran)| ran.iter().map(move |step| (file, *step)))
            {
                with_step.entry(step).or_insert_with(|| file.clone());
            }
            let lives: Vec<_> = lives::cuts(&with_step).into_iter().chain(lives::made_up()).collect();
            seen.join(&Self::of(&lives).0);
            seen
        })
    }

    /// What scenarios show, and the steps that ran in each; they run side by side, always parted in the same way.
    fn of(scenarios: &[Scenario]) -> (Self, Vec<Vec<StepKind>>) {
        let look = |part: &[Scenario]| {
            let mut seen = Self::new();
            let ran: Vec<_> = part.iter().map(|scenario| seen.look_at(scenario)).collect();
            (seen, ran)
        };
        std::thread::scope(|scope| {
            let parts: Vec<_> =
                scenarios.chunks(scenarios.len().div_ceil(4)).map(|part| scope.spawn(move || look(part))).collect();
            let (mut all, mut ran) = (Self::new(), Vec::new());
            for part in parts {
                let (seen, steps) = part.join().unwrap();
                all.join(&seen);
                ran.extend(steps);
            }
            (all, ran)
        })
    }

    fn join(&mut self, other: &Self) {
        let Self { duties, waiting, steps, phases, shares, changeover, alarms, relays, brine, power } = self;
        duties.join(&other.duties);
        waiting.join(&other.waiting);
        steps.join(&other.steps);
        phases.join(&other.phases);
        shares.join(&other.shares);
        changeover.join(&other.changeover);
        alarms.join(&other.alarms);
        relays.join(&other.relays);
        brine.join(&other.brine);
        power.join(&other.power);
    }

    /// Looks on while a scenario runs; the steps that ran.
    fn look_at(&mut self, rehearsal: &Scenario) -> Vec<StepKind> {
        let mut looker = Looker {
            seen: self,
            records: Vec::new(),
            before: None,
            duties: Vec::new(),
            steps: Vec::new(),
            ran: Vec::new(),
            off: None,
        };
        scenario::run_to(rehearsal, rehearsal.lasts_ms, &mut looker).unwrap();
        looker.ran
    }
}

/// Every scenario of the tests and of the exercises.
pub fn files() -> Vec<PathBuf> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = scenario::files(&here.join("../tests/scenarios")).unwrap();
    let exercises = scenario::files(&here.join("learn")).unwrap();
    files.extend(exercises.into_iter().filter(|file| file.to_string_lossy().ends_with(".scenario.toml")));
    files
}

/// How things stand.
struct Picture {
    tanks: Vec<OfTank>,
    alarms: Vec<String>,
    relays: Vec<String>,
    brine: Option<&'static str>,
    changeover: &'static str,
}

struct OfTank {
    waiting: &'static str,
    phase: (&'static str, Option<StepKind>),
    share: String,
}

impl Picture {
    fn of<const N: usize>(controller: &Controller<N>) -> Self {
        let inner = fields(controller, &["now", "resources", "relays", "changeover"]);
        let tank = |(index, id): (usize, TankId)| OfTank {
            waiting: waiting(controller, index, id),
            phase: phase(controller, index, id),
            share: share(controller, &inner["resources"], index, id),
        };
        let relays = inner["relays"].as_array().unwrap().iter();
        Self {
            tanks: (0..controller.tanks().len()).zip((0..).map(TankId)).map(tank).collect(),
            alarms: Alarm::ALL.iter().map(|alarm| alarm_state(controller, *alarm)).collect(),
            relays: relays.map(|relay| variant(&relay["state"])).collect(),
            brine: brine(controller, Instant::deserialize(&inner["now"]).unwrap()),
            changeover: match inner["changeover"].get("relieved").and_then(Value::as_bool) {
                None => "none under way",
                Some(false) => "the next is being brought in",
                Some(true) => "the other is on its way out",
            },
        }
    }
}

fn holds<const N: usize>(controller: &Controller<N>, id: TankId) -> HoldSet {
    let mut holds = HoldSet::EMPTY;
    for standing in controller.why(id).unwrap().holds {
        holds.insert(standing.hold);
    }
    holds
}

fn waiting<const N: usize>(controller: &Controller<N>, index: usize, id: TankId) -> &'static str {
    let tank = &controller.tanks()[index];
    match (tank.duty().kind(), tank.demand().causes().is_empty()) {
        (DutyKind::Regenerating, _) => "regenerating",
        (_, true) => "nothing is asked",
        _ if holds(controller, id).is_empty() => "asked, nothing holds it",
        _ => "asked and held",
    }
}

fn waits_for_share<const N: usize>(controller: &Controller<N>, index: usize, id: TankId) -> (bool, bool) {
    let needs = matches!(
        controller.tanks()[index].duty().kind(),
        DutyKind::Regenerating | DutyKind::Purging | DutyKind::Refilling
    );
    let holds = holds(controller, id);
    (needs && holds.contains(Hold::DrainBusy), needs && holds.contains(Hold::BrineBusy))
}

fn phase<const N: usize>(controller: &Controller<N>, index: usize, id: TankId) -> (&'static str, Option<StepKind>) {
    let Some(regeneration) = controller.tanks()[index].regeneration() else { return (NO_REGENERATION, None) };
    let step = regeneration.step(controller.settings());
    match regeneration.phase() {
        Phase::Running { .. } => ("step runs", step),
        Phase::Finishing => ("all steps done", step),
        Phase::Travelling { .. } if waits_for_share(controller, index, id) != (false, false) => {
            ("waits for its share", step)
        }
        Phase::Travelling { .. } => ("valve on its way", step),
    }
}

fn share<const N: usize>(controller: &Controller<N>, resources: &Value, index: usize, id: TankId) -> String {
    let has = |what: &str| resources[what].as_u64().unwrap() & (1 << index) != 0;
    let place = |(drain, brine)| usize::from(drain) + 2 * usize::from(brine);
    let has = HAS[place((has("drain"), has("brine")))];
    let waits = WAITS[place(waits_for_share(controller, index, id))];
    format!("{has}{waits}")
}

fn alarm_state<const N: usize>(controller: &Controller<N>, alarm: Alarm) -> String {
    let state = controller.alarm(alarm);
    format!("`{}`{}", state.phase, if state.is_latched { ", latched" } else { "" })
}

fn brine<const N: usize>(controller: &Controller<N>, now: Instant) -> Option<&'static str> {
    let (settings, account) = (controller.settings(), controller.brine());
    if !settings.stores_brine() {
        return None;
    }
    Some(if account.water() == Volume::ZERO {
        "empty"
    } else if !account.is_enough_for(settings.dose_water()) {
        "too little for a dose"
    } else if account.ready_at(now, settings.raw().brine_ready_after).is_some() {
        "enough, not ready"
    } else {
        "ready"
    })
}

fn is_trial(event: &Event) -> bool {
    matches!(
        event,
        Event::RelayTestEnded { .. } | Event::Operator { action: Action::TestRelay { .. }, granted: true, .. }
    )
}

/// What a record is called in files, with what it is about.
fn name(event: &Event) -> String {
    let tag = |value: &Value| variant(value);
    match event {
        Event::Ended { outcome, .. } => format!("regeneration {}", outcome.slug()),
        Event::AfterPower { outcome, .. } => format!("after power: {}", outcome.slug()),
        Event::Asked { cause, .. } => format!("asked: {cause}"),
        Event::Drive { event, .. } => format!("drive: {}", tag(&serde_json::to_value(event).unwrap())),
        Event::SharedDrive(event) => format!("shared drive: {}", tag(&serde_json::to_value(event).unwrap())),
        Event::Operator { action, .. } => format!("operator: {}", tag(&serde_json::to_value(action).unwrap())),
        Event::Contact { contact, closed } => format!("contact {contact} {}", if *closed { "closes" } else { "opens" }),
        Event::Duty { .. } => duty_reason(event),
        Event::Started { .. } => "it begins".to_owned(),
        Event::ChangeoverBegan { .. } => "a changeover begins".to_owned(),
        Event::StepStarted { .. } => "its valve stands there".to_owned(),
        Event::StepInterrupted { .. } => "its valve leaves the position".to_owned(),
        Event::StepEnded { .. } => "the step ends".to_owned(),
        other => tag(&serde_json::to_value(other).unwrap()),
    }
}

fn duty_reason(event: &Event) -> String {
    wording::sentence(event).split_once(": ").map_or("", |(_, reason)| reason).to_owned()
}

struct Looker<'s> {
    seen: &'s mut Seen,
    records: Vec<Record>,
    before: Option<Picture>,
    duties: Vec<DutyKind>,
    /// Where each tank's regeneration was last seen.
    steps: Vec<(String, Vec<String>)>,
    ran: Vec<StepKind>,
    /// How long power was off, as the logic says it.
    off: Option<String>,
}

impl Looker<'_> {
    /// The records since the last look that are about a tank and fit.
    fn reasons(&self, tank: Option<usize>, fits: impl Fn(&Event) -> bool) -> Vec<String> {
        self.reasons_named(tank, |event| fits(event).then(|| name(event)))
    }

    fn reasons_named(&self, tank: Option<usize>, named: impl Fn(&Event) -> Option<String>) -> Vec<String> {
        let about =
            |event: &&Event| tank.is_none_or(|tank| wording::tank_of(event).is_some_and(|id| id.index() == tank));
        self.records.iter().map(|record| &record.event).filter(about).filter_map(named).collect()
    }

    /// The steps' order follows from the records alone.
    fn follow_steps(&mut self, event: &Event) {
        let Some(tank) = wording::tank_of(event).map(|id| id.index()) else { return };
        let Some((at, since)) = self.steps.get_mut(tank) else { return };
        let to = match event {
            Event::Started { .. } => {
                *at = "begins".to_owned();
                since.clear();
                return;
            }
            Event::StepStarted { step, .. } => {
                self.ran.push(*step);
                format!("`{step}`")
            }
            Event::Ended { outcome, .. } => outcome.slug().to_owned(),
            Event::StepEnded { .. } => return since.push(name(event)),
            Event::Drive { event: DriveEvent::Lost, .. }
            | Event::AfterPower { .. }
            | Event::Operator { action: Action::StepForward(_) | Action::Abort(_), granted: true, .. } => {
                return since.push(name(event));
            }
            Event::Duty { duty: DutyKind::Refilling, .. } => {
                *at = "begins".to_owned();
                return since.clear();
            }
            _ => return,
        };
        let from = std::mem::replace(at, to.clone());
        let mut because = std::mem::take(since);
        if because.is_empty() {
            because.push("its valve stands there".to_owned());
        }
        if !from.is_empty() {
            self.seen.steps.see_change(&from, &to, because);
        }
    }
}

impl Observer for Looker<'_> {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        let event = &record.event;
        if let (Event::Duty { tank, duty, .. }, true) = (event, self.before.is_some()) {
            let from = std::mem::replace(&mut self.duties[tank.index()], *duty);
            self.seen.duties.see_change(&format!("`{from}`"), &format!("`{duty}`"), [duty_reason(event)]);
        }
        if let Event::PowerReturned { off } = event {
            let limit = world.controller.settings().raw().power.resume_within;
            self.off = Some(match off {
                None => "nobody knows how long it was off".to_owned(),
                Some(off) if *off <= limit => "back soon enough".to_owned(),
                Some(_) => "off for longer".to_owned(),
            });
        }
        if let Event::AfterPower { step, outcome, .. } = event {
            let off = self.off.clone().unwrap_or_else(|| "it was a short one".to_owned());
            self.seen.power.see(&format!("`{step}`"), outcome.slug(), off);
        }
        self.follow_steps(event);
        self.records.push(*record);
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        let now = Picture::of(&world.controller);
        if let Some(before) = self.before.take() {
            for (tank, (was, is)) in before.tanks.iter().zip(&now.tanks).enumerate() {
                let waiting = self.reasons_named(Some(tank), |event| match (is.waiting, event) {
                    ("regenerating", Event::Started { leading, .. }) => Some(format!("for `{leading}`")),
                    ("regenerating", _) => None,
                    (_, Event::Operator { granted: true, .. } | Event::Ended { .. } | Event::Asked { .. }) => {
                        Some(name(event))
                    }
                    _ => None,
                });
                self.seen.waiting.see_change(was.waiting, is.waiting, waiting);
                let phase = self.reasons(Some(tank), |event| {
                    let of_step = matches!(event, Event::StepStarted { .. } | Event::StepInterrupted { .. });
                    of_step
                        || matches!(
                            event,
                            Event::Started { .. }
                                | Event::StepEnded { .. }
                                | Event::Ended { .. }
                                | Event::Duty { duty: DutyKind::Refilling, .. }
                        )
                });
                self.seen.phases.see_change(was.phase.0, is.phase.0, phase);
                let share = self.reasons(Some(tank), |event| match event {
                    Event::Drive { event, .. } => {
                        matches!(event, DriveEvent::Confirmed(_) | DriveEvent::Lost | DriveEvent::MovedAway(_))
                    }
                    Event::Duty { duty, .. } => matches!(duty, DutyKind::Refilling | DutyKind::Purging),
                    Event::Started { .. } | Event::StepEnded { .. } => true,
                    _ => false,
                });
                self.seen.shares.see_change(&was.share, &is.share, share);
            }
            for ((alarm, was), is) in Alarm::ALL.iter().zip(&before.alarms).zip(&now.alarms) {
                let about = self.records.iter().filter_map(|record| match record.event {
                    Event::AlarmRaised(a) | Event::AlarmLatched(a) | Event::AlarmCleared(a) if a == *alarm => {
                        Some(name(&record.event))
                    }
                    Event::Operator { action: Action::Alarm(action), granted: true, .. } => match action {
                        AlarmAction::Acknowledge(a) | AlarmAction::Reset(a) if a != *alarm => None,
                        action => Some(format!("operator: {}", variant(&serde_json::to_value(action).unwrap()))),
                    },
                    _ => None,
                });
                self.seen.alarms.see_change(was, is, about.collect::<Vec<_>>());
            }
            let programs = world.controller.settings().raw().relays;
            for ((was, is), relay) in before.relays.iter().zip(&now.relays).zip(&programs) {
                let program = variant(&serde_json::to_value(relay.program).unwrap());
                let tried = self.records.iter().any(|record| is_trial(&record.event));
                let because = if tried || program == "unused" {
                    "tried by an operator".to_owned()
                } else {
                    format!("`{program}`")
                };
                self.seen.relays.see_change(was, is, [because]);
            }
            if let (Some(was), Some(is)) = (before.brine, now.brine) {
                let reasons = self.reasons_named(None, |event| match event {
                    Event::StepEnded { step: step @ (StepKind::BrineDraw | StepKind::BrineRefill), .. } => {
                        Some(format!("`{step}` ends"))
                    }
                    Event::Drive { event: DriveEvent::Lost, .. }
                    | Event::Operator { action: Action::BrineReady, granted: true, .. }
                    | Event::Ended { .. }
                    | Event::Contact { .. }
                    | Event::AfterPower { .. }
                    | Event::SettingsTaken => Some(name(event)),
                    _ => None,
                });
                self.seen.brine.see_change(was, is, reasons);
            }
            let reasons = self.reasons(None, |event| match event {
                Event::ChangeoverBegan { .. } => now.changeover == "the next is being brought in",
                Event::Duty { reason, .. } => matches!(reason, Reason::TookOver | Reason::Relieved | Reason::DriveLost),
                _ => false,
            });
            self.seen.changeover.see_change(before.changeover, now.changeover, reasons);
        } else {
            self.steps.resize(now.tanks.len(), (String::new(), Vec::new()));
            self.duties = world.controller.tanks().iter().map(|tank| tank.duty().kind()).collect();
        }
        self.before = Some(now);
        self.records.clear();
        Ok(())
    }

    fn power(&mut self, _on: bool, _world: &World) -> std::io::Result<()> {
        self.before = None;
        self.records.clear();
        Ok(())
    }
}
