//! Watches a replay for broken rules, from the plant's side.
//!
//! Nothing here calls the logic's own decisions: valve positions come from the plant, volumes from the
//! pulses, windows are read minute by minute. What both share is the settings and the record of events.

mod future;
mod place;
mod restoring;
mod spent;
mod steps;
mod telling;
mod together;
mod valves;
mod water;
mod windows;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use bedkeeper::Action;
use bedkeeper::contact::ContactSet;
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::journal::{Event, Reason, Record};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::settings::{ExhaustedInWindow, RawSettings};

use super::relay_times::RelayTimes;
use super::{Observer, World, replay_ms};
use crate::evidence::Violation;
use crate::recording::{COMMON_METER, Pulses};
use place::Place;
use spent::Spent;
use steps::Steps;
use together::is_led;
use valves::{Astray, Brine, SEEN_AFTER_MS};
use water::Unserved;
use windows::Run;

/// A plant that was just switched on is given this long to find its positions.
const POWER_UP_MS: u64 = 30 * 60_000;
/// What is reported of a tank under one rule for different reasons is kept apart by such numbers, beyond any tank's.
const OF_SALT: usize = 8;
const OF_PLACE: usize = 16;
const OF_CLEARING: usize = 8;
const OF_FORGETTING: usize = 8;
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
    /// How long its valve has stood still there before it last turned, and since when it stands still again.
    stood_ms: u64,
    still_since_ms: Option<u64>,
    /// Whether it stands by nobody's word, and who else did so.
    astray: Astray,
    /// It is out or off-line; it was, and since this time its valve is on its way to service.
    apart: bool,
    joining_ms: Option<u64>,
    /// It left service while its motor stood, and has not come back.
    knocked: bool,
    /// A try to reach its position failed then: it rests on its way before the next.
    retried_ms: Option<u64>,
    /// A fault of its own holds it where it stands, or did until it was mended.
    held: bool,
    /// Power failed while it turned, and it has not been told to turn since.
    cut_on_way: bool,
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
    /// When the last of its holds clears, if all of them say when.
    clears_ms: Option<u64>,
}

impl Checker {
    /// The rules it watches.
    pub const WATCHED: &'static [&'static str] =
        &["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S10", "S11", "S12", "Q2", "Y2"];

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
            // It keeps the drain or the brine that it may be open to, and what runs waits for that (S1).
            Event::Drive { event: DriveEvent::Lost, .. } => {
                self.tanks.iter_mut().filter_map(|tank| tank.run.as_mut()).for_each(|run| run.late = true);
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
                let late = watched.steps.as_mut().and_then(|steps| steps.end(step, at_ms, closed));
                if step == StepKind::BrineDraw {
                    watched.draw_ended_ms = Some(at_ms);
                }
                self.expect(late.is_none(), "Q2", tank.index(), at_ms, || {
                    format!("tank {}: {}", tank.number(), late.unwrap_or_default())
                });
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
                // Behind a changeover valve it stands in service long before; that somebody turned it just now is not known.
                let shared = world.plant.shared().is_some();
                let just_knocked = |watched: &Watched| {
                    shared && watched.knocked && at_ms.saturating_sub(watched.position_since_ms) <= SEEN_AFTER_MS
                };
                let other = world.valves().iter().zip(&self.tanks).enumerate().any(|(i, (valve, watched))| {
                    let serves = valve.position() == Some(Position::Service) || just_knocked(watched);
                    i != tank.index() && serves && is_led(world, i)
                });
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
            self.see_held(i, valve);
            self.see_cut(i, valve, world);
            self.check_place(i, valve, world.now_ms);
            self.see_strays(i, valve, world.supply.is_dark(), world.now_ms);
            self.check_motion(i, valve.motion(), world.now_ms);
            self.check_position(i, valve.position(), self.travel(i, valve, world.now_ms), world.now_ms);
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
            // What was planned before it takes longer now.
            self.replanned_ms = Some(world.now_ms);
            if self.pulses_known {
                self.check_loss(world);
            }
            self.tanks.iter_mut().for_each(|tank| (tank.left_nl, tank.clears_ms) = (None, None));
        } else {
            self.tanks.iter_mut().for_each(|tank| tank.cut_on_way |= tank.motion != Motion::Off);
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

#[cfg(test)]
mod tests;
