//! Watches a replay for broken rules, from the plant's side.
//!
//! Nothing here calls the logic's own decisions: valve positions come from the plant, volumes from the
//! pulses, windows are read minute by minute. What both share is the settings and the record of events.

mod place;
mod spent;
mod steps;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use bedkeeper::Action;
use bedkeeper::calendar::Window;
use bedkeeper::contact::ContactSet;
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason, Record};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::settings::{Arrangement, ExhaustedInWindow, Medium, MeterPlace, RawSettings};
use bedkeeper::watch::Alarm;

use super::relay_times::RelayTimes;
use super::{Observer, World, replay_ms};
use crate::evidence::Violation;
use crate::plant::{Fault, Valve};
use crate::quantity::show;
use crate::recording::{COMMON_METER, Pulses};
use place::Place;
use spent::Spent;
use steps::Steps;

/// A plant that was just switched on is given this long to find its positions.
const POWER_UP_MS: u64 = 30 * 60_000;
/// What is reported of a tank under one rule for different reasons is kept apart by such numbers, beyond any tank's.
const OF_SALT: usize = 8;
const OF_PLACE: usize = 16;
/// What happened is told of within this time.
const TOLD_WITHIN_MS: u64 = 1_000;
/// Violations kept; more are counted.
const MAX_KEPT: usize = 1_000;

/// Watches for broken rules.
#[derive(Clone)]
pub struct Checker {
    /// Shared, since a search copies its checker at every step.
    raw: Arc<RawSettings>,
    pulses: u128,
    pulses_known: bool,
    /// What power cuts have made the logic forget, nL.
    forgotten_nl: u128,
    /// Power cuts so far.
    cuts: u128,
    /// What was charged by estimate when power last failed, nL.
    estimated_nl: u128,
    /// What the tanks' ledgers held at the start, where they are staggered, nL.
    held_at_first_nl: Option<u128>,
    /// Charged to tanks before their last complete regeneration, nL.
    restored_nl: u128,
    /// Charged by the logic's account when no tank could treat water, nL.
    unserved: Unserved,
    /// Contacts that are believed to be closed.
    closed: ContactSet,
    /// The clock was changed or power failed: what was planned before is not judged by it.
    replanned_ms: Option<u64>,
    tanks: Vec<Watched>,
    relays: RelayTimes,
    found: Vec<Violation>,
    /// How many were not kept, rule by rule.
    more: BTreeMap<&'static str, u64>,
    /// What is broken now: one report per rule and tank until it has been right again.
    standing: BTreeSet<(&'static str, usize)>,
    /// Too few tanks serve since a drive failed, and that lasts until as many serve again.
    short: bool,
    /// Since power came every valve was found, and as many tanks served as must.
    settled: bool,
    /// Settings were refused in the call under way.
    refused: bool,
    /// Nothing readable was retained at that time, and `retained-lost` has not been seen since.
    memory_lost_ms: Option<u64>,
}

/// What the checker knows of one tank.
#[derive(Clone, Default)]
struct Watched {
    motion: Motion,
    motion_since_ms: u64,
    last_run: Motion,
    off_since_ms: u64,
    /// Position by the plant and since when.
    position: Option<Position>,
    position_since_ms: u64,
    /// It left service while its motor stood, and has not come back.
    knocked: bool,
    /// A try to reach its position failed then: it rests on its way before the next.
    retried_ms: Option<u64>,
    /// Its drive had failed, and since it was let in again its valve has neither come to serve nor regenerated.
    returning: bool,
    /// Brine by the plant: time owed in the rinse positions before service is fit.
    brine: Brine,
    /// When the brine draw under way was ended: its length may be anything up to its longest.
    draw_ended_ms: Option<u64>,
    /// The steps of the regeneration under way or the last one.
    steps: Option<Steps>,
    /// It begins again after a power cut, which is no new start (C5).
    begins_again: bool,
    /// The regeneration under way.
    run: Option<Run>,
    /// Whether its valve stands where its step runs.
    place: Place,
    /// What its bed has taken up, reckoned here.
    spent: Spent,
    /// What its bed had left when it was last looked at, nL; unknown after something that may give it more.
    left_nl: Option<u64>,
}

/// A regeneration under way.
#[derive(Clone)]
struct Run {
    began_ms: u64,
    /// The windows as they were when it began: later ones do not cut it (C5).
    windows: Vec<Window>,
    /// Its cause overrides windows.
    overrides: bool,
    /// Its valve was late, which no plan could know.
    late: bool,
}

/// Since when no water can pass a bed, by the plant and by the duties, and what the account of charged water was then.
#[derive(Clone, Copy, Default)]
struct Unserved {
    since_ms: Option<u64>,
    charged_nl: u128,
}

/// Brine in a bed as the valve's travels tell it.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
enum Brine {
    #[default]
    None,
    /// The valve has rested in the draw position: slow and fast rinse are owed.
    Owed { slow_ms: u64, fast_ms: u64 },
}

impl Checker {
    /// The rules it watches.
    pub const WATCHED: &'static [&'static str] =
        &["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S10", "S11", "S12", "Y2"];

    /// Watches a plant with these settings.
    #[must_use]
    pub fn new(raw: RawSettings) -> Self {
        let tanks = vec![Watched::default(); usize::from(raw.tanks)];
        Self {
            raw: Arc::new(raw),
            pulses: 0,
            pulses_known: true,
            forgotten_nl: 0,
            cuts: 0,
            estimated_nl: 0,
            held_at_first_nl: None,
            restored_nl: 0,
            unserved: Unserved::default(),
            closed: ContactSet::EMPTY,
            replanned_ms: None,
            tanks,
            relays: RelayTimes::default(),
            found: Vec::new(),
            more: BTreeMap::new(),
            standing: BTreeSet::new(),
            short: false,
            settled: false,
            refused: false,
            memory_lost_ms: None,
        }
    }

    /// From now on water also comes over bare contacts, which the logic judges: how many pulses there should be is not
    /// known here any more, only that the parts make up what was metered.
    pub fn leave_pulses_to_the_meter(&mut self) {
        self.pulses_known = false;
    }

    /// What was found so far, in order of time, but for what was too much to list.
    #[must_use]
    pub fn violations(&self) -> &[Violation] {
        &self.found
    }

    /// What was found, in order of time.
    #[must_use]
    pub fn into_violations(self) -> Vec<Violation> {
        let mut found = self.found;
        let at_ms = found.last().map_or(0, |v| v.at_ms);
        for (rule, more) in self.more {
            found.push(Violation { rule: rule.to_owned(), at_ms, text: format!("and {more} more, not listed") });
        }
        found
    }

    /// Reports a rule as broken, once until it is seen whole again.
    fn expect(&mut self, holds: bool, rule: &'static str, tank: usize, at_ms: u64, text: impl FnOnce() -> String) {
        if holds {
            if !self.standing.is_empty() {
                self.standing.remove(&(rule, tank));
            }
            return;
        }
        if !self.standing.insert((rule, tank)) {
            return;
        }
        if self.found.len() < MAX_KEPT {
            self.found.push(Violation { rule: rule.to_owned(), at_ms, text: text() });
        } else {
            *self.more.entry(rule).or_insert(0) += 1;
        }
    }

    fn travel_limit_ms(&self) -> u64 {
        u64::from(self.raw.travel_limit().0)
    }

    fn rest_ms(&self) -> u64 {
        u64::from(self.raw.drive.rest().0)
    }

    fn length_ms(&self, kind: StepKind) -> u64 {
        self.raw.program.iter().find(|s| s.kind == kind).map_or(0, |s| u64::from(s.length.0))
    }

    /// S7: one direction, a limit, a rest before the other direction.
    fn check_motion(&mut self, i: usize, motion: Motion, now: u64) {
        let (limit, rest) = (self.travel_limit_ms(), self.rest_ms());
        let tank = self.tanks[i].clone();
        let ran = now.saturating_sub(tank.motion_since_ms);
        if tank.motion != Motion::Off {
            self.expect(ran <= limit, "S7", i, now, || {
                format!("tank {}: the motor ran {} and may run {}", i + 1, show::duration(ran), show::duration(limit))
            });
        }
        if motion == tank.motion {
            return;
        }
        if motion != Motion::Off {
            let rested = now.saturating_sub(tank.off_since_ms);
            let reverses = tank.last_run != Motion::Off && tank.last_run != motion;
            let direct = tank.motion != Motion::Off;
            self.expect(!(reverses && (direct || rested < rest)), "S7", i, now, || {
                format!("tank {}: the motor reversed after {rested} ms of rest", i + 1)
            });
        }
        let watched = &mut self.tanks[i];
        if watched.motion != Motion::Off {
            watched.last_run = watched.motion;
            watched.off_since_ms = now;
        }
        watched.motion = motion;
        watched.motion_since_ms = now;
    }

    /// Follows the valve: what it owes after brine, and whether it rests in service before that (S12).
    fn check_position(&mut self, i: usize, position: Option<Position>, moving: bool, now: u64) {
        let (slow, fast) = (self.length_ms(StepKind::SlowRinse), self.length_ms(StepKind::FastRinse));
        let draw = self.length_ms(StepKind::BrineDraw);
        let shared = !self.tank_has(Position::SlowRinse);
        let watched = &mut self.tanks[i];
        if position != watched.position {
            let stayed = now.saturating_sub(watched.position_since_ms);
            // A valve in passing is no draw: brine flows once it rests there.
            let rested = stayed > 15_000;
            let left =
                |kind, owed_ms: u64, rinsed_ms: u64| match watched.steps.as_ref().map(|steps| steps.is_over(kind)) {
                    // What a volume or a contact ends may be shorter than usual.
                    Some(Some(over)) => {
                        if over {
                            0
                        } else {
                            owed_ms
                        }
                    }
                    _ => owed_ms.saturating_sub(rinsed_ms),
                };
            watched.brine = match (watched.position, watched.brine) {
                // One position draws and rinses: what was stayed beyond the draw is rinse.
                (Some(Position::BrineDraw), _) if rested && shared => {
                    let ended_ms = watched.draw_ended_ms.unwrap_or(watched.position_since_ms + draw);
                    let rinsed_ms = now.saturating_sub(ended_ms.max(watched.position_since_ms));
                    // A slow rinse that was cut goes on with the time it had left (P3).
                    let owed_ms = match watched.brine {
                        Brine::Owed { slow_ms, .. } if slow_ms > 0 && ended_ms < watched.position_since_ms => slow_ms,
                        _ => slow,
                    };
                    Brine::Owed { slow_ms: left(StepKind::SlowRinse, owed_ms, rinsed_ms), fast_ms: fast }
                }
                (Some(Position::BrineDraw), _) if rested => Brine::Owed { slow_ms: slow, fast_ms: fast },
                (Some(Position::SlowRinse), Brine::Owed { slow_ms, fast_ms }) => {
                    Brine::Owed { slow_ms: left(StepKind::SlowRinse, slow_ms, stayed), fast_ms }
                }
                // A rinse that was cut goes on with the time it had left (P3).
                (Some(Position::FastRinse), Brine::Owed { slow_ms: 0, fast_ms }) => {
                    match left(StepKind::FastRinse, fast_ms, stayed) {
                        0 => Brine::None,
                        fast_ms => Brine::Owed { slow_ms: 0, fast_ms },
                    }
                }
                (_, brine) => brine,
            };
            watched.position = position;
            watched.position_since_ms = now;
        }
        let owes = watched.brine != Brine::None;
        let rests_in_service = position == Some(Position::Service) && !moving;
        self.expect(!(owes && rests_in_service), "S12", i, now, || {
            format!("tank {} rests in service with brine not rinsed out", i + 1)
        });
    }

    fn tank_has(&self, position: Position) -> bool {
        self.raw.drive.place(position).is_some()
    }

    /// Whether a valve left service while its motor stood: nobody told it to.
    fn see_knocks(&mut self, index: usize, valve: &Valve) {
        let Some(tank) = self.tanks.get_mut(index) else { return };
        let serves = valve.position() == Some(Position::Service);
        let left = tank.position == Some(Position::Service) && tank.motion == Motion::Off;
        tank.knocked = !serves && (tank.knocked || left);
    }

    /// A tank that is to serve has a valve that somebody turned, or that has a fault: its drive fails, and is excepted
    /// from the floor until the logic has found it or given it up.
    fn serves_with_a_failing_valve(&self, world: &World) -> bool {
        let tanks = world.controller.tanks().iter().zip(world.valves()).zip(&self.tanks);
        tanks.into_iter().any(|((tank, valve), watched)| {
            let away = valve.position() != Some(Position::Service);
            let wanted = tank.duty().kind() == DutyKind::Serving || tank.drive().target() == Some(Position::Service);
            wanted && away && (watched.knocked || !valve.faults().is_empty())
        })
    }

    /// It rests on its way before another try (S7): where that is, no logic chose.
    fn tries_on(&self, watched: &Watched, now: u64) -> bool {
        watched.retried_ms.is_some_and(|at_ms| now.saturating_sub(at_ms) <= self.retry_rest_ms())
    }

    /// The longest rest before another try, and a second for the loop.
    fn retry_rest_ms(&self) -> u64 {
        self.rest_ms() + 1_000
    }

    /// Follows the tanks whose drives have failed until they are back at work.
    fn follow_returning(&mut self, world: &World) {
        for ((watched, tank), valve) in self.tanks.iter_mut().zip(world.controller.tanks()).zip(world.valves()) {
            match tank.duty().kind() {
                DutyKind::Out => watched.returning = true,
                DutyKind::Regenerating => watched.returning = false,
                _ => watched.returning &= valve.position() != Some(Position::Service),
            }
        }
    }

    /// S1, S2: how many discharge, how many serve, by the plant's valves.
    fn check_plant(&mut self, world: &World) {
        let now = world.now_ms;
        let at = |p: Position| world.valves().iter().filter(|v| v.position() == Some(p)).count();
        let resting = |v: &Valve| v.motion() == Motion::Off;
        let stands = |(v, watched): &(&Valve, &Watched)| resting(v) && !self.tries_on(watched, now);
        let open = |uses: fn(Position) -> bool| {
            let standing = world.valves().iter().zip(&self.tanks).filter(stands);
            standing.filter(|(v, _)| v.position().is_some_and(uses)).count()
        };
        let discharging = open(Position::discharges);
        let drawing = open(Position::uses_brine_tank);
        let most = usize::from(self.raw.sharing.draining_together);
        self.expect(discharging <= most, "S1", 0, now, || {
            format!("{discharging} tanks discharge together, where {most} may")
        });
        self.expect(drawing <= 1, "S1", 1, now, || format!("{drawing} tanks use the brine tank together"));
        let kinds = || world.controller.tanks().iter().map(|t| t.duty().kind());
        self.follow_returning(world);
        // A drive that failed is not sound again by an operator's word, before it is found.
        let is_found = |i: usize| world.controller.tanks()[i].drive().position().is_some();
        let sought = self.tanks.iter().enumerate().any(|(i, watched)| watched.returning && !is_found(i));
        let failed = sought || kinds().any(|kind| kind == DutyKind::Out) || self.serves_with_a_failing_valve(world);
        // A tank that is out, or waits off-line to be let in again, makes a parallel site the smaller one (A7).
        let is_apart = |(kind, watched): &(DutyKind, &Watched)| {
            matches!(kind, DutyKind::Out | DutyKind::Spent) || watched.returning
        };
        let apart = kinds().zip(&self.tanks).filter(is_apart).count();
        let away = usize::from(self.raw.max_regenerating);
        let (floor, excepted) = match self.raw.arrangement {
            Arrangement::Single => (0, false),
            Arrangement::Alternating | Arrangement::Staged => (1, failed),
            Arrangement::Parallel => {
                let floor = usize::from(self.raw.tanks).saturating_sub(apart + away).max(1);
                (floor, apart == kinds().count() || self.serves_with_a_failing_valve(world))
            }
        };
        if !self.raw.allow_untreated {
            let serving = world
                .valves()
                .iter()
                .enumerate()
                .filter(|(i, v)| v.position() == Some(Position::Service) && is_led(world, *i));
            // Between its ends a shared valve leads the one or the other.
            let travels = world.plant.shared().is_some_and(|v| v.position().is_none());
            let serving = if travels { at(Position::Service) } else { serving.count() };
            // At power-up valves are sought first; that is over at the latest after a while.
            let found = || world.controller.tanks().iter().all(|t| t.drive().position().is_some());
            self.settled |= serving >= floor && found();
            let due = self.settled || now.saturating_sub(world.supply.on_since_ms()) > POWER_UP_MS;
            // What a failed drive took away is missing until another tank has come to serve.
            // One that passes its service position on a search has not.
            let stand =
                || world.valves().iter().filter(|v| resting(v) && v.position() == Some(Position::Service)).count();
            self.short = (excepted && serving < floor) || (self.short && stand() < floor);
            self.expect(serving >= floor || !due || self.short, "S2", 0, now, || {
                format!("{serving} tanks stand in service, and {floor} must")
            });
        }
        let regenerating = kinds().filter(|kind| *kind == DutyKind::Regenerating).count();
        self.expect(regenerating <= away, "S1", 2, now, || format!("{regenerating} tanks regenerate at once"));
    }

    /// S8: every waiting tank has a hold.
    fn check_holds(&mut self, world: &World) {
        for (i, id) in (0u8..self.raw.tanks).map(bedkeeper::units::TankId).enumerate() {
            let Some(why) = world.controller.why(id) else { continue };
            let waits = !why.causes.is_empty() && world.controller.tanks()[i].regeneration().is_none();
            self.expect(!waits || !why.holds.is_empty(), "S8", i, world.now_ms, || {
                format!("tank {} is asked for, has not started, and nothing holds it", i + 1)
            });
        }
    }

    /// S4: no start in a window, nor one that runs into one.
    fn check_start(&mut self, tank: usize, overrides: bool, world: &World) {
        // A controller that lost its clock has no windows to keep (T1).
        let Some(civil) = world.shown_clock() else { return };
        if overrides {
            return;
        }
        let minute = civil.0 / 60_000;
        let in_window = self.raw.windows.iter().any(|w| covers(w, minute));
        self.expect(!in_window, "S4", tank, world.now_ms, || {
            format!("tank {} began to regenerate in a blackout window", tank + 1)
        });
        if !self.raw.finish_before_window {
            return;
        }
        let planned: u64 = self.raw.program.iter().map(|s| u64::from(s.length.0)).sum();
        let end = (civil.0 + planned).div_ceil(60_000);
        let runs_in = (minute..end).any(|m| self.raw.windows.iter().any(|w| covers(w, m)));
        self.expect(!runs_in, "S4", tank, world.now_ms, || {
            format!("tank {} began a regeneration whose steps run into a blackout window", tank + 1)
        });
    }

    /// S6: complete means that every step that restores was served in full. How much was restored is not
    /// looked at here: the simple plant knows nothing of the bed.
    fn check_end(&mut self, tank: usize, outcome: Outcome, world: &World) {
        let steps = self.tanks[tank].steps.take();
        let filter = matches!(self.raw.medium, Medium::Filter { .. });
        let needed: &[StepKind] = if filter {
            &[StepKind::Backwash, StepKind::FastRinse]
        } else {
            &[StepKind::BrineDraw, StepKind::SlowRinse, StepKind::FastRinse]
        };
        if outcome != Outcome::Complete {
            return;
        }
        self.tanks[tank].begins_again = false;
        let lacking = needed.iter().find_map(|kind| match &steps {
            Some(steps) => steps.lacks(*kind),
            None => Some("nobody saw it start".to_owned()),
        });
        self.expect(lacking.is_none(), "S6", tank, world.now_ms, || {
            format!("tank {}: complete, but {}", tank + 1, lacking.unwrap_or_default())
        });
    }

    /// S6: no more is restored than the salt can restore. What the bed took up is reckoned here from what was charged; the
    /// salt is what the record of the end tells.
    fn check_restored(&mut self, tank: usize, charged_nl: u64, salt_mg: u32, world: &World) {
        let Some(ledger) = world.controller.tanks().get(tank).map(bedkeeper::duty::Tank::ledger) else { return };
        let left_ug = ledger.prior().0;
        let most = self.tanks[tank].spent.restored(charged_nl, salt_mg, left_ug, &self.raw);
        self.expect(most.is_none(), "S6", tank + OF_SALT, world.now_ms, || {
            format!("tank {}: {}", tank + 1, most.unwrap_or_default())
        });
    }

    /// S6, Q2: while a step's time counts its valve stands where the step runs.
    fn check_place(&mut self, i: usize, valve: &Valve, now: u64) {
        let Some(watched) = self.tanks.get_mut(i) else { return };
        let step = watched.steps.as_ref().and_then(Steps::running);
        let strayed = watched.place.see(step, valve, now, &self.raw.drive);
        self.expect(strayed.is_none(), "S6", i + OF_PLACE, now, || {
            format!("tank {}: {}", i + 1, strayed.unwrap_or_default())
        });
    }

    /// S6: nothing but a complete regeneration, or a person's word, gives a bed back what it has taken up.
    fn check_left(&mut self, world: &World) {
        for (i, tank) in world.controller.tanks().iter().enumerate() {
            let left = tank.ledger().remaining().nl();
            let before = self.tanks[i].left_nl.replace(left);
            self.expect(before.is_none_or(|before| left <= before), "S6", i, world.now_ms, || {
                let before = before.unwrap_or_default();
                format!("tank {} has {left} nL left and had {before} nL, without a complete regeneration", i + 1)
            });
        }
    }

    /// S11: refused settings do not run, and the plant says so. S10: so it does where nothing was retained.
    fn check_told(&mut self, world: &World) {
        let raw = Arc::clone(&self.raw);
        let delayed = |alarm| raw.watch.rules.delays.iter().any(|delay| delay.alarm == alarm);
        let alarms = world.controller.outputs().alarms;
        if std::mem::take(&mut self.refused) {
            let told = alarms.contains(Alarm::SettingsRejected) || delayed(Alarm::SettingsRejected);
            let same = world.controller.settings().raw() == &*raw;
            self.expect(told, "S11", 0, world.now_ms, || "settings were refused, and no alarm says so".to_owned());
            self.expect(same, "S11", 1, world.now_ms, || "settings that were refused run".to_owned());
        }
        let Some(since) = self.memory_lost_ms else { return };
        let told = alarms.contains(Alarm::RetainedLost);
        if told || delayed(Alarm::RetainedLost) {
            self.memory_lost_ms = None;
        } else if world.now_ms > since + TOLD_WITHIN_MS {
            self.memory_lost_ms = None;
            self.expect(false, "S10", 2, world.now_ms, || "memory was lost, and no alarm says so".to_owned());
        }
    }

    /// What the pulses stand for, nL.
    fn exact_nl(&self) -> u128 {
        let meter = &self.raw.meter;
        self.pulses * u128::from(meter.pulse_nl) / u128::from(meter.pulse_divisor)
    }

    /// S10: a cut loses no more than may be lost, and as much is charged on return.
    fn check_loss(&mut self, world: &World) {
        let accounts = world.controller.accounts();
        let lost = self.exact_nl().saturating_sub(self.forgotten_nl).saturating_sub(accounts.metered.0);
        let kept = world.supply.has_stored();
        let pulse = u128::from(self.raw.meter.pulse_nl) / u128::from(self.raw.meter.pulse_divisor);
        let most = u128::from(world.controller.settings().retain_volume().nl()) + pulse;
        let charged = accounts.estimated.0.saturating_sub(self.estimated_nl);
        let served = world.controller.tanks().iter().any(|t| t.duty().kind() == DutyKind::Serving);
        self.expect(!kept || lost <= most, "S10", 0, world.now_ms, || {
            format!("a power cut made {lost} nL be forgotten, and {most} nL may be")
        });
        self.expect(!kept || !served || charged + pulse >= lost, "S10", 1, world.now_ms, || {
            format!("a power cut made {lost} nL be forgotten, and {charged} nL were charged on return")
        });
        self.forgotten_nl += lost;
    }

    /// S4: a regeneration that kept to its plan did not run into a window.
    fn check_run(&mut self, tank: usize, world: &World) {
        let Some(run) = self.tanks[tank].run.take() else { return };
        let replanned = self.replanned_ms.is_some_and(|at_ms| at_ms >= run.began_ms);
        // Where several regenerate, one may wait for the drain or the brine of another between its steps.
        let alone = self.raw.max_regenerating == 1;
        // Without a clock no window was seen to come (T1).
        let unset = world.shown_clock().is_none();
        if run.windows.is_empty() || !alone || run.overrides || run.late || replanned || unset {
            return;
        }
        let Some((from, to)) = world.civil_at(run.began_ms).zip(world.civil_at(world.now_ms)) else { return };
        let entered = (from.0 / 60_000..to.0.div_ceil(60_000)).any(|m| run.windows.iter().any(|w| covers(w, m)));
        self.expect(!entered, "S4", tank, world.now_ms, || {
            format!("tank {} regenerated on into a blackout window", tank + 1)
        });
    }

    /// S5: what the account calls charged is what the tanks' own ledgers hold, and nothing was charged while no tank
    /// could treat water.
    fn check_charges(&mut self, world: &World) {
        let charged = world.controller.accounts().charged.0;
        let tanks = world.controller.tanks();
        let held: u128 = tanks.iter().map(|t| u128::from(t.ledger().since_regeneration().nl())).sum();
        let restored = self.restored_nl;
        // A cut makes the logic forget, and its estimates are charged to tanks alone.
        let at_first = *self.held_at_first_nl.get_or_insert(held);
        let whole = self.cuts > 0 || restored + held == charged + at_first;
        self.expect(whole, "S5", 1, world.now_ms, || {
            format!("{charged} nL are said to be charged, and the tanks hold {held} nL after {restored} nL restored")
        });
        let common = self.raw.meter.place == MeterPlace::Common;
        let by_plant = world.valves().iter().any(|v| v.position() == Some(Position::Service));
        let by_logic = tanks
            .iter()
            .any(|t| t.duty().kind() == DutyKind::Serving || t.drive().position() == Some(Position::Service));
        if !common || by_plant || by_logic {
            self.unserved = Unserved::default();
            return;
        }
        match self.unserved.since_ms {
            // A pulse of this very instant tells of water that passed before it.
            None => self.unserved.since_ms = Some(world.now_ms),
            Some(since) if since == world.now_ms => {}
            Some(_) => {
                let before = self.unserved.charged_nl;
                self.expect(charged <= before, "S5", 2, world.now_ms, || {
                    format!("{} nL were charged while no tank stood in service", charged - before)
                });
            }
        }
        self.unserved.charged_nl = charged;
    }

    /// S5: the volume that the pulses stand for is the sum of its parts, to the nanolitre.
    fn check_water(&mut self, world: &World) {
        let accounts = world.controller.accounts();
        let exact = self.exact_nl().saturating_sub(self.forgotten_nl);
        let sum = accounts.charged.0 + accounts.blended.0 + accounts.untreated.0 + accounts.drained.0;
        let metered = accounts.metered.0;
        // Several meters each keep their own remainder below one nanolitre.
        let meters = world.controller.tanks().len() as u128;
        let pulses = self.pulses;
        let exact_enough = !self.pulses_known || exact.abs_diff(metered) < meters * (1 + self.cuts);
        self.expect(metered == sum && exact_enough, "S5", 0, world.now_ms, || {
            format!("{pulses} pulses are {exact} nL, metered {metered} nL, parts {sum} nL")
        });
    }
}

/// A shared changeover valve, if there is one, stands where it leads this tank's water (A6).
fn is_led(world: &World, tank: usize) -> bool {
    let end = if tank == 0 { Position::Service } else { Position::Standby };
    world.plant.shared().is_none_or(|valve| valve.position() == Some(end))
}

/// Whether a window covers a minute since 2000-01-01, a Saturday.
fn covers(window: &Window, minute: u64) -> bool {
    let (day, of_day) = (minute / 1_440, (minute % 1_440) as u16);
    let begins_on = |day: u64| window.days.has_number(((day + 5) % 7) as u8);
    let (from, to) = (window.from_minute, window.to_minute);
    if to > from {
        begins_on(day) && (from..to).contains(&of_day)
    } else {
        (begins_on(day) && of_day >= from) || (day > 0 && begins_on(day - 1) && of_day < to)
    }
}

impl Observer for Checker {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        let at_ms = replay_ms(record.at);
        match record.event {
            Event::Started { tank, causes, .. } => {
                let (slow, fast) = (self.length_ms(StepKind::SlowRinse), self.length_ms(StepKind::FastRinse));
                let watched = &mut self.tanks[tank.index()];
                watched.steps = Some(Steps::begin(&self.raw));
                watched.draw_ended_ms = None;
                if watched.brine != Brine::None {
                    // It is rinsed out as the program has it now.
                    watched.brine = Brine::Owed { slow_ms: slow, fast_ms: fast };
                }
                let overrides = self.raw.exhausted_in_window == ExhaustedInWindow::Override
                    && causes.contains(bedkeeper::demand::Cause::Exhausted);
                let overrides = overrides || self.tanks[tank.index()].begins_again;
                self.check_start(tank.index(), overrides, world);
                // Without finishing before them, no window is kept clear of (C5).
                let windows = if self.raw.finish_before_window { self.raw.windows.to_vec() } else { Vec::new() };
                self.tanks[tank.index()].run = Some(Run { began_ms: at_ms, windows, overrides, late: false });
            }
            Event::Drive { tank, event: event @ (DriveEvent::Retrying(_) | DriveEvent::MovedAway(_)) } => {
                if matches!(event, DriveEvent::Retrying(_)) {
                    self.tanks[tank.index()].retried_ms = Some(at_ms);
                }
                if let Some(run) = &mut self.tanks[tank.index()].run {
                    run.late = true;
                }
            }
            Event::ClockSet { .. } | Event::ClockLost => self.replanned_ms = Some(at_ms),
            Event::SettingsRefused => self.refused = true,
            Event::RetainedLost => {
                self.memory_lost_ms = Some(at_ms);
                self.tanks.iter_mut().for_each(|tank| tank.spent.forget());
            }
            Event::CapacityChanged { tank, .. } => self.tanks[tank.index()].left_nl = None,
            Event::Operator { action: Action::Vouch(tank) | Action::ReplaceResin(tank), granted: true, .. } => {
                self.tanks[tank.index()].left_nl = None;
            }
            Event::SettingsTaken => {
                self.tanks.iter_mut().for_each(|tank| tank.left_nl = None);
                self.raw = Arc::new(world.controller.settings().raw().clone());
            }
            Event::AfterPower { tank, step, outcome } => {
                let watched = &mut self.tanks[tank.index()];
                match (outcome, &mut watched.steps) {
                    (AfterPower::StepAgain, Some(steps)) => steps.forget(step),
                    (AfterPower::BeganAgain, Some(steps)) => *steps = Steps::begin(&self.raw),
                    _ => {}
                }
                watched.begins_again |= outcome == AfterPower::RinsedFirst;
            }
            Event::Contact { contact, closed: true } => {
                self.closed.insert(contact);
            }
            Event::Contact { contact, closed: false } => {
                self.closed.remove(contact);
            }
            Event::StepStarted { tank, step } => {
                let watched = &mut self.tanks[tank.index()];
                if step == StepKind::SlowRinse {
                    // A draw that was cut, or whose valve was lost, is not told to end.
                    watched.draw_ended_ms.get_or_insert(at_ms);
                }
                if let Some(steps) = &mut watched.steps {
                    steps.run(step, at_ms);
                }
            }
            Event::StepInterrupted { tank, .. } => {
                if let Some(steps) = &mut self.tanks[tank.index()].steps {
                    steps.stop(at_ms);
                }
            }
            Event::Operator { action: Action::StepForward(tank), granted: true, .. } => {
                if let Some(steps) = &mut self.tanks[tank.index()].steps {
                    steps.step_forward();
                }
            }
            Event::StepEnded { tank, step, .. } => {
                let closed = self.closed;
                let watched = &mut self.tanks[tank.index()];
                if let Some(steps) = &mut watched.steps {
                    steps.end(step, at_ms, closed);
                }
                if step == StepKind::BrineDraw {
                    watched.draw_ended_ms = Some(at_ms);
                }
            }
            Event::Ended { tank, outcome, volume, salt, .. } => {
                self.check_end(tank.index(), outcome, world);
                if outcome == Outcome::Complete {
                    self.check_restored(tank.index(), volume.nl(), salt.0, world);
                }
                self.check_run(tank.index(), world);
                if outcome == Outcome::Complete {
                    self.restored_nl += u128::from(volume.nl());
                    self.tanks[tank.index()].left_nl = None;
                }
            }
            // S3: a tank that was relieved, or leaves others serving, does so only with another in service.
            Event::Duty { tank, reason: Reason::Relieved | Reason::FlowFell, .. } => {
                let other = world
                    .valves()
                    .iter()
                    .enumerate()
                    .any(|(i, v)| i != tank.index() && v.position() == Some(Position::Service) && is_led(world, i));
                self.expect(other, "S3", tank.index(), at_ms, || {
                    format!("{tank} was relieved while no other valve stood in service")
                });
            }
            _ => {}
        }
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        for (i, valve) in world.valves().iter().enumerate() {
            self.see_knocks(i, valve);
            self.check_place(i, valve, world.now_ms);
            self.check_motion(i, valve.motion(), world.now_ms);
            // Where its own fault holds a valve no logic put it.
            let held = |fault: &Fault| matches!(fault, Fault::MotorStalled | Fault::JamsIn(_));
            let held = valve.faults().iter().any(held) || self.tries_on(&self.tanks[i], world.now_ms);
            let moving = valve.motion() != Motion::Off || held;
            self.check_position(i, valve.position(), moving, world.now_ms);
        }
        for (watched, tank) in self.tanks.iter_mut().zip(world.controller.tanks()) {
            watched.spent.see(tank.ledger().since_regeneration().nl(), &self.raw);
        }
        self.check_plant(world);
        self.check_holds(world);
        self.check_water(world);
        self.check_charges(world);
        self.check_left(world);
        self.check_told(world);
        let wrong = self.relays.see(world.now_ms, world.relays_on, &self.raw.relays);
        for (i, wrong) in wrong.into_iter().enumerate() {
            self.expect(wrong.is_none(), "Y2", i, world.now_ms, || wrong.unwrap_or_default());
        }
        Ok(())
    }

    fn power(&mut self, on: bool, world: &World) -> std::io::Result<()> {
        self.relays.power_up(world.now_ms);
        self.closed = ContactSet::EMPTY;
        for steps in self.tanks.iter_mut().filter_map(|tank| tank.steps.as_mut()) {
            steps.stop(world.now_ms);
        }
        self.settled = false;
        if on {
            self.cuts += 1;
            for (watched, tank) in self.tanks.iter_mut().zip(world.controller.tanks()) {
                watched.spent.after_power(tank.ledger().since_regeneration().nl(), &self.raw);
            }
            self.tanks.iter_mut().for_each(|tank| tank.left_nl = None);
            // What was planned before it takes longer now.
            self.replanned_ms = Some(world.now_ms);
            if self.pulses_known {
                self.check_loss(world);
            }
        } else {
            self.estimated_nl = world.controller.accounts().estimated.0;
        }
        Ok(())
    }

    fn pulses(&mut self, pulses: &Pulses, world: &World) -> std::io::Result<()> {
        self.pulses += u128::from(pulses.count);
        for (number, tank) in (1..).zip(&mut self.tanks) {
            let is_its_own = pulses.meter == COMMON_METER || pulses.meter == number;
            if let Some(steps) = tank.steps.as_mut().filter(|_| is_its_own) {
                steps.meter(pulses.count, world.now_ms);
            }
        }
        Ok(())
    }

    fn end(&mut self, world: &World) -> std::io::Result<()> {
        self.after(world)
    }
}

mod future;
#[cfg(test)]
mod tests;
