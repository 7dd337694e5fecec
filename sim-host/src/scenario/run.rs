//! Runs a scenario through the real logic and judges it.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use bedkeeper::Input;
use bedkeeper::calls::{Call, Said};
use bedkeeper::contact::Contact;
use bedkeeper::units::Instant;
use bedkeeper::watch::StoreWear;
use jiff::SignedDuration;

use super::Scenario;
use super::event::{Deed, When};
use super::expect::{Claim, Judgement, Shown, trace};
use super::figure::Gauges;
use super::subject::Subject;
use super::time::Days;
use super::timeline::{Tap, Timeline};
use super::verdict::Verdict;
use super::water::Source;
use super::write::in_a_line;
use crate::plant::{Fault, WhichValve};
use crate::process::{Design, PlantChange};
use crate::replay::{Checker, Observer, PowerCut, Replay, ReplayError, ValveTimes, World};
use crate::wording;

/// Why a scenario could not be run.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {why}")]
pub struct RunError {
    /// The scenario's file.
    pub file: String,
    /// What stopped it.
    pub why: ReplayError,
}

/// Runs a scenario to its end and judges what it showed.
///
/// # Errors
/// Its recording is at fault or does not fit the site.
pub fn run(scenario: &Scenario) -> Result<Verdict, RunError> {
    run_whole(scenario).map(|(verdict, _)| verdict)
}

/// Runs a scenario; the verdict, and all that the run showed.
///
/// # Errors
/// As [`run`].
pub fn run_whole(scenario: &Scenario) -> Result<(Verdict, Timeline), RunError> {
    run_and(scenario, |_| ()).map(|(verdict, timeline, ())| (verdict, timeline))
}

/// Runs a scenario and looks at what it showed; the verdict, all that the run showed, and what was seen in it.
///
/// # Errors
/// As [`run`].
pub fn run_and<T>(scenario: &Scenario, look: impl FnOnce(&Shown<'_>) -> T) -> Result<(Verdict, Timeline, T), RunError> {
    let fault = |why| RunError { file: scenario.file.clone(), why };
    let mut tap = Tap::default();
    let mut checker = scenario.checker();
    let limits = scenario.expectations.iter().filter_map(|expectation| match &expectation.claim {
        Claim::Figure(limits) => Some(*limits),
        _ => None,
    });
    let rehearsed = rehearse(scenario, &mut tap, &mut checker, Gauges::new(limits), |_| ()).map_err(fault)?;
    let Rehearsed { world, gauges, amiss } = rehearsed;
    let violations = checker.into_violations();
    let timeline = tap.into_timeline();
    let shown = Shown {
        timeline: &timeline,
        accounts: &world.controller.accounts(),
        contact: world.contact_tally,
        gauges: &gauges,
        violations: &violations,
        days: Days::of(scenario.start),
        end_ms: scenario.lasts_ms,
    };
    let expected = scenario.expectations.iter().map(|expectation| expectation.judge(&shown));
    let judgements = expected.chain(amiss.into_iter().map(|amiss| amiss.judge(&shown))).collect();
    let verdict = Verdict::new(scenario, judgements, timeline.reached.clone());
    let seen = look(&shown);
    Ok((verdict, timeline, seen))
}

impl Scenario {
    /// A checker that looks on from the scenario's start.
    pub(crate) fn checker(&self) -> Checker {
        let mut checker = Checker::new(self.site.settings.raw().clone());
        if self.events.iter().any(|event| matches!(event.deed, Deed::MeterContact { .. })) {
            checker.leave_pulses_to_the_meter();
        }
        checker
    }
}

/// Runs scenarios on all cores; the verdicts come in the order of the scenarios.
///
/// # Errors
/// The first scenario, in that order, that could not be run.
pub fn run_all(scenarios: &[Scenario], done: impl Fn() + Sync) -> Result<Vec<Verdict>, RunError> {
    let next = AtomicUsize::new(0);
    let verdicts = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from).min(scenarios.len().max(1));
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                while let Some((index, scenario)) = take(&next, scenarios) {
                    let verdict = run(scenario);
                    done();
                    // A thread that panicked elsewhere spoils nothing that is kept here.
                    verdicts.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((index, verdict));
                }
            });
        }
    });
    let mut verdicts = verdicts.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    verdicts.sort_by_key(|(index, _)| *index);
    verdicts.into_iter().map(|(_, verdict)| verdict).collect()
}

fn take<'s>(next: &AtomicUsize, scenarios: &'s [Scenario]) -> Option<(usize, &'s Scenario)> {
    let index = next.fetch_add(1, Ordering::Relaxed);
    scenarios.get(index).map(|scenario| (index, scenario))
}

/// Runs a scenario to its end while every call of the logic is written down; returns all that the logic said.
///
/// # Errors
/// As [`run`].
pub fn write_down(scenario: &Scenario, sink: impl FnMut(&Call) + Send + Sync + 'static) -> Result<Said, RunError> {
    let mut tap = Tap::default();
    let begun = Instant::from_ticks(0);
    let noted = |world: &mut World| world.controller.write_down(begun, sink);
    let rehearsed = rehearse(scenario, &mut tap, &mut scenario.checker(), Gauges::new(std::iter::empty()), noted)
        .map_err(|why| RunError { file: scenario.file.clone(), why })?;
    Ok(rehearsed.world.controller.said().copied().unwrap_or_default())
}

/// Runs a scenario up to a moment while another looks on; the plant as it is then.
///
/// # Errors
/// As [`run`].
pub fn run_to(scenario: &Scenario, at_ms: u64, observer: &mut dyn Observer) -> Result<World, RunError> {
    let mut run = || {
        let mut tap = Tap::default();
        let rehearsal = Rehearsal::begin(scenario, &tap, Gauges::new(std::iter::empty()), cuts_power(scenario))?;
        Ok(rehearsal.advance(at_ms, vec![&mut tap, observer], || true)?.world)
    };
    run().map_err(|why| RunError { file: scenario.file.clone(), why })
}

/// The state must be stored from the beginning on.
fn cuts_power(scenario: &Scenario) -> bool {
    scenario.events.iter().any(|event| matches!(event.deed, Deed::Power { .. }))
}

/// What a scenario leaves.
struct Rehearsed {
    world: World,
    gauges: Gauges,
    amiss: Vec<Amiss>,
}

/// Runs a scenario to its end while others look on, after `before` had the plant that waits for power.
///
/// # Errors
/// As [`run`].
fn rehearse(
    scenario: &Scenario,
    tap: &mut Tap,
    checker: &mut Checker,
    gauges: Gauges,
    before: impl FnOnce(&mut World),
) -> Result<Rehearsed, ReplayError> {
    let mut rehearsal = Rehearsal::begin(scenario, tap, gauges, cuts_power(scenario))?;
    before(&mut rehearsal.world);
    let end_ms = scenario.lasts_ms;
    let Rehearsal { world, mut gauges, script, .. } = rehearsal.advance(end_ms, vec![tap, checker], || true)?;
    if let Some(process) = &world.process {
        gauges.weigh(process);
    }
    let mut replay = Replay::new(world, vec![tap, checker]);
    replay.stop()?;
    Ok(Rehearsed { world: replay.into_world(), gauges, amiss: script.into_amiss() })
}

/// A scenario under way, at rest between two moments.
pub(crate) struct Rehearsal {
    world: World,
    water: Source,
    script: Script,
    gauges: Gauges,
    powered_up: bool,
}

impl Rehearsal {
    /// A scenario's plant before power-up. `tap` is to look on whenever it advances: what waits for something to come
    /// about waits for what the tap sees. With `keeps_memory` the state is stored from the beginning on, as it must be if
    /// power may be cut.
    ///
    /// # Errors
    /// The water's recording is at fault, or a plant that cannot be filled.
    pub(crate) fn begin(
        scenario: &Scenario,
        tap: &Tap,
        gauges: Gauges,
        keeps_memory: bool,
    ) -> Result<Self, ReplayError> {
        let site = &scenario.site;
        let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
        let mut world = World::new(site.settings.clone(), times, scenario.start)?;
        if let Some(design) = &scenario.design {
            world.fill((**design).clone())?;
        }
        world.wire_contacts();
        if keeps_memory {
            // One cut is announced that never comes.
            world.supply.announce(PowerCut { at_ms: u64::MAX, off_ms: 1, clock_kept: true, retained_kept: true });
        }
        let water = Source::open(&scenario.water, site.settings.raw())?;
        if water.has_edges() && world.process.is_some() {
            return Err(ReplayError::edges_in_a_full_plant());
        }
        water.announce(&mut world);
        let script = Script::new(scenario, tap.clone());
        Ok(Self { world, water, script, gauges, powered_up: false })
    }

    /// The plant as it is now.
    pub(crate) fn world(&self) -> &World {
        &self.world
    }

    /// Something happens that the scenario did not know of.
    pub(crate) fn add(&mut self, at_ms: u64, deed: &Deed) {
        self.script.plan(at_ms, 0, deed);
    }

    /// The building draws this much by hand from now on, where the water comes by flows.
    pub(crate) fn draw_by_hand(&mut self, ml_per_min: u32) {
        self.water.draw_by_hand(ml_per_min);
    }

    /// Goes on to a moment, or until `go_on` says no, while others look on.
    ///
    /// # Errors
    /// The recording is at fault; the plant's physics could not go on; an evidence file could not be written.
    pub(crate) fn advance(
        self,
        end_ms: u64,
        observers: Vec<&mut dyn Observer>,
        go_on: impl Fn() -> bool,
    ) -> Result<Self, ReplayError> {
        let Self { world, water, script, gauges, powered_up } = self;
        let mut running = Running { replay: Replay::new(world, observers), water, script, gauges };
        if !powered_up {
            running.replay.power_up()?;
            running.look()?;
        }
        while running.step(end_ms)? && go_on() {}
        let Running { replay, water, script, gauges } = running;
        Ok(Self { world: replay.into_world(), water, script, gauges, powered_up: true })
    }
}

/// A scenario that goes on while others look on.
struct Running<'o> {
    replay: Replay<'o>,
    water: Source,
    script: Script,
    gauges: Gauges,
}

impl Running<'_> {
    /// The next thing that happens; says whether there is more before the end.
    fn step(&mut self, end_ms: u64) -> Result<bool, ReplayError> {
        self.script.notice();
        let now_ms = self.replay.world().now_ms;
        let named = self.replay.world().process.as_ref().and_then(|_| self.gauges.next_ms(now_ms));
        let due = [self.script.next_ms(), self.water.next_ms(self.replay.world()), named];
        let until = due.into_iter().flatten().min().unwrap_or(end_ms).min(end_ms).max(now_ms);
        // Water flows as the plant stood until the next thing happens.
        self.water.tell(self.replay.world_mut());
        let next = self.replay.world().next_event_ms().map_or(until, |own| own.min(until));
        self.water.flow_to(next, self.replay.world());
        let happened = self.replay.step_to(until)?;
        self.look()?;
        if happened {
            return Ok(true);
        }
        let now_ms = self.replay.world().now_ms;
        while let Some(act) = self.script.take(now_ms) {
            self.act(act)?;
            self.script.notice();
        }
        while let Some(entry) = self.water.take(now_ms)? {
            self.replay.take(&entry)?;
            self.water.announce(self.replay.world_mut());
        }
        self.look()?;
        Ok(now_ms < end_ms)
    }

    /// Looks at the figures that are asked for.
    fn look(&mut self) -> Result<(), ReplayError> {
        let world = self.replay.world_mut();
        let now_ms = world.now_ms;
        if let Some(process) = &mut world.process {
            self.gauges.look(process, now_ms)?;
        }
        Ok(())
    }

    /// Someone asks for something. Why it is refused is noted; that it is refused expectations can be about, but settings are
    /// taken unless the scenario says otherwise.
    fn ask(&mut self, line: usize, deed: Deed) -> Result<(), ReplayError> {
        let at_ms = self.replay.world().now_ms;
        if self.replay.world().supply.is_dark() {
            self.script.amiss(line, at_ms, &deed, |when| format!("never: power was off {when}"));
            return Ok(());
        }
        let what = in_a_line(&deed);
        let refusal = match &deed {
            Deed::Operator(who, action) => {
                self.replay.offer(Input::Operator { who: *who, action: *action }, true)?.err()
            }
            Deed::Unlock(who, key) => self.replay.offer(Input::Unlock { who: *who, key: *key }, true)?.err(),
            Deed::Relock(who) => self.replay.offer(Input::Relock { who: *who }, true)?.err(),
            Deed::Settings { settings, refused } => {
                let answer = self.replay.offer_settings(Some((**settings).clone()))?.err();
                let why = answer.map(wording::settings_refused);
                if let Some(why) = why {
                    self.script.tap.refused(at_ms, format!("the settings of line {line} are refused: {why}"));
                }
                match (why, refused) {
                    (Some(why), false) => {
                        self.script.amiss(line, at_ms, &deed, |when| format!("refused {when}: {why}"))
                    }
                    (None, true) => self.script.amiss(line, at_ms, &deed, |when| format!("they were taken {when}")),
                    _ => {}
                }
                None
            }
            _ => {
                let _ = self.replay.offer_settings(None)?;
                None
            }
        };
        if let Some(why) = refusal {
            self.script.tap.refused(at_ms, format!("refused ({what}): {why}"));
        }
        Ok(())
    }

    fn act(&mut self, act: Act) -> Result<(), ReplayError> {
        match act {
            Act::Tell(input) => self.replay.offer(input, true).map(|_| ()),
            Act::Contact(contact, closed) => self.replay.move_contact(contact, closed),
            Act::Ask { line, deed } => self.ask(line, deed),
            Act::Cut(cut) => {
                self.replay.schedule_power_cut(cut);
                Ok(())
            }
            Act::Arm(valve, fault) => {
                // What the valve cannot have was refused when the scenario was read.
                let _ = self.replay.world_mut().arm(valve, fault);
                self.replay.stir()
            }
            Act::Disarm(valve, fault) => {
                let _ = self.replay.world_mut().disarm(valve, fault);
                self.replay.stir()
            }
            Act::Store(wear) => self.replay.wear_store(wear),
            Act::Plant(change) => self.replay.change_plant(change),
            Act::Clock(change) => {
                let civil = self.replay.world_mut().change_clock(change);
                self.replay.offer(Input::Clock(civil), true).map(|_| ())
            }
        }
    }
}

/// What is done to the plant or told to the logic.
enum Act {
    Tell(Input),
    Contact(Contact, bool),
    /// Someone asks for something, which may be refused; with the line that says so.
    Ask {
        line: usize,
        deed: Deed,
    },
    Clock(ClockChange),
    Cut(PowerCut),
    Arm(WhichValve, Fault),
    Disarm(WhichValve, Fault),
    Plant(PlantChange),
    Store(StoreWear),
}

/// How the civil clock is changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ClockChange {
    /// It shows this now.
    Set(jiff::civil::DateTime),
    /// It is moved by so many ms.
    Moved(i64),
    /// It shows nothing any more.
    Lost,
}

/// What is still to come.
struct Script {
    /// In order of time; of one time, in the order in which it was planned.
    planned: Vec<(u64, Act)>,
    waiting: Vec<Waiting>,
    tap: Tap,
    seen_records: usize,
    seen_states: usize,
    /// The full plant as it was built.
    design: Option<Box<Design>>,
    days: Days,
    end_ms: u64,
    amiss: Vec<Amiss>,
}

/// A deed that waits for something to come about.
struct Waiting {
    subject: Subject,
    left: u64,
    nth: u64,
    delay_ms: u64,
    deed: Deed,
    line: usize,
    stood: bool,
}

impl Script {
    fn new(scenario: &Scenario, tap: Tap) -> Self {
        let mut script = Self {
            planned: Vec::new(),
            waiting: Vec::new(),
            tap,
            seen_records: 0,
            seen_states: 0,
            design: scenario.design.clone(),
            days: Days::of(scenario.start),
            end_ms: scenario.lasts_ms,
            amiss: Vec::new(),
        };
        for event in &scenario.events {
            match &event.when {
                When::At(at_ms) => script.plan(*at_ms, event.line, &event.deed),
                When::After { subject, nth, delay_ms } => script.waiting.push(Waiting {
                    subject: subject.clone(),
                    left: *nth,
                    nth: *nth,
                    delay_ms: *delay_ms,
                    deed: event.deed.clone(),
                    line: event.line,
                    stood: false,
                }),
            }
        }
        script
    }

    fn next_ms(&self) -> Option<u64> {
        self.planned.first().map(|(at_ms, _)| *at_ms)
    }

    fn take(&mut self, now_ms: u64) -> Option<Act> {
        (self.next_ms()? <= now_ms).then(|| self.planned.remove(0).1)
    }

    fn insert(&mut self, at_ms: u64, act: Act) {
        let place = self.planned.partition_point(|(other, _)| *other <= at_ms);
        self.planned.insert(place, (at_ms, act));
    }

    /// Plans a deed and what undoes it.
    fn plan(&mut self, at_ms: u64, line: usize, deed: &Deed) {
        match deed {
            Deed::Contact { contact, closed, lasts_ms } => {
                self.insert(at_ms, Act::Contact(*contact, *closed));
                if let Some(lasts) = lasts_ms {
                    self.insert(at_ms.saturating_add(*lasts), Act::Contact(*contact, !*closed));
                }
            }
            Deed::ClockSet(to) => self.insert(at_ms, Act::Clock(ClockChange::Set(*to))),
            Deed::ClockMoved(by) => self.insert(at_ms, Act::Clock(ClockChange::Moved(*by))),
            Deed::ClockLost => self.insert(at_ms, Act::Clock(ClockChange::Lost)),
            Deed::Operator(..) | Deed::Unlock(..) | Deed::Relock(_) | Deed::Settings { .. } | Deed::BadSettings => {
                self.insert(at_ms, Act::Ask { line, deed: deed.clone() });
            }
            Deed::Fault { valve, fault, lasts_ms } => {
                self.insert(at_ms, Act::Arm(*valve, *fault));
                if let Some(lasts) = lasts_ms {
                    self.insert(at_ms.saturating_add(*lasts), Act::Disarm(*valve, *fault));
                }
            }
            Deed::Store(wear) => self.insert(at_ms, Act::Store(*wear)),
            Deed::Power { off_ms, clock_kept, memory_kept } => {
                let (off_ms, clock_kept, retained_kept) = (*off_ms, *clock_kept, *memory_kept);
                self.insert(at_ms, Act::Cut(PowerCut { at_ms, off_ms, clock_kept, retained_kept }));
            }
            Deed::Plant { change, lasts_ms } => {
                self.insert(at_ms, Act::Plant(*change));
                let undone = self.design.as_ref().and_then(|design| change.undone(design));
                if let (Some(lasts), Some(undone)) = (lasts_ms, undone) {
                    self.insert(at_ms.saturating_add(*lasts), Act::Plant(undone));
                }
            }
            Deed::Mend { valve, fault } => self.insert(at_ms, Act::Disarm(*valve, *fault)),
            Deed::MeterContact { meter, times, closed_ms, every_ms } => {
                for i in 0..u64::from(*times) {
                    let closes = at_ms + i * every_ms;
                    self.insert(closes, Act::Tell(Input::MeterContact { meter: *meter, closed: true }));
                    self.insert(closes + closed_ms, Act::Tell(Input::MeterContact { meter: *meter, closed: false }));
                }
            }
        }
    }

    /// Looks at what is new, and plans what waited for it.
    fn notice(&mut self) {
        if self.waiting.is_empty() {
            return;
        }
        let mut came: Vec<(u64, usize, Deed)> = Vec::new();
        let tap = self.tap.clone();
        tap.look(|timeline| {
            for record in timeline.records.get(self.seen_records..).unwrap_or_default() {
                for waiting in &mut self.waiting {
                    if waiting.left > 0 && waiting.subject.is_told_by(record) {
                        waiting.comes(super::timeline::Timeline::at_ms(record), &mut came);
                    }
                }
            }
            self.seen_records = timeline.records.len();
            // The last state seen may have been overwritten within its instant.
            let from = self.seen_states.saturating_sub(1);
            for (at_ms, state) in timeline.states.get(from..).unwrap_or_default() {
                for waiting in &mut self.waiting {
                    let stands = waiting.subject.stands_in(state);
                    if stands && !waiting.stood && waiting.left > 0 {
                        waiting.comes(*at_ms, &mut came);
                    }
                    waiting.stood = stands;
                }
            }
            self.seen_states = timeline.states.len();
        });
        self.waiting.retain(|waiting| waiting.left > 0);
        for (at_ms, line, deed) in came {
            if at_ms > self.end_ms {
                self.amiss(line, self.end_ms, &deed, |_| "never: it would come after the end".to_owned());
            }
            self.plan(at_ms, line, &deed);
        }
    }

    /// What a scenario says did not happen as it says.
    fn amiss(&mut self, line: usize, at_ms: u64, deed: &Deed, happened: impl FnOnce(String) -> String) {
        let happened = happened(self.days.show(at_ms));
        self.amiss.push(Amiss { line, at_ms, expected: expected_of(deed), happened });
    }

    /// What did not happen as the scenario says, and what still waits to happen.
    fn into_amiss(self) -> Vec<Amiss> {
        let Self { mut amiss, waiting, end_ms, .. } = self;
        amiss.extend(waiting.into_iter().map(|waiting| Amiss {
            line: waiting.line,
            at_ms: end_ms,
            expected: expected_of(&waiting.deed),
            happened: format!("never: what it waits for came {} of {} times", waiting.nth - waiting.left, waiting.nth),
        }));
        amiss
    }
}

/// Something that a scenario says, and that did not happen so.
struct Amiss {
    line: usize,
    at_ms: u64,
    expected: String,
    happened: String,
}

impl Amiss {
    fn judge(self, shown: &Shown<'_>) -> Judgement {
        let Self { line, at_ms, expected, happened } = self;
        Judgement { met: false, expected, line, happened, trace: trace(shown, at_ms) }
    }
}

fn expected_of(deed: &Deed) -> String {
    match deed {
        Deed::Settings { refused: false, .. } => "these settings are taken".to_owned(),
        Deed::Settings { refused: true, .. } => "these settings are refused".to_owned(),
        deed => format!("it happens: {}", in_a_line(deed)),
    }
}

impl Waiting {
    fn comes(&mut self, at_ms: u64, came: &mut Vec<(u64, usize, Deed)>) {
        self.left -= 1;
        if self.left == 0 {
            came.push((at_ms.saturating_add(self.delay_ms), self.line, self.deed.clone()));
        }
    }
}

impl World {
    /// Changes the civil clock; returns what it shows now.
    pub(crate) fn change_clock(&mut self, change: ClockChange) -> Option<bedkeeper::calendar::Civil> {
        let by = |ms: i64| SignedDuration::from_millis(ms);
        let since_start = by(i64::try_from(self.now_ms).unwrap_or(i64::MAX));
        self.start = match change {
            ClockChange::Set(to) => to.checked_sub(since_start).ok(),
            ClockChange::Moved(ms) => self.start.and_then(|start| start.checked_add(by(ms)).ok()),
            ClockChange::Lost => None,
        };
        self.start.and_then(|start| start.checked_add(since_start).ok()).and_then(crate::quantity::civil::counted)
    }
}
