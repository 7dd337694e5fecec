//! What relays are asked for, and their levels (Y1).

use super::deadlines::Earliest;
use super::{Controller, tank_ids};
use crate::duty::Duty;
use crate::relay::{Doses, RELAYS, RawRelay, RelayProgram};
use crate::sequence::Phase;
use crate::units::{Instant, Millis, TankId, elapsed, later};
use crate::watch::{Alarm, Severity};

impl<const N: usize> Controller<N> {
    /// Volume that passed goes to whoever waits for it.
    pub(super) fn settle_volume(&mut self) {
        let passed = self.tally.take();
        let settings = &self.settings;
        self.service.volume = self.service.volume.plus(passed);
        self.forecast.pass(passed);
        self.tally.wait_for(self.service.volume_left(&settings.watch));
        for (relay, given) in self.relays.iter_mut().zip(&settings.relays) {
            relay.pass(passed, given);
            self.tally.wait_for(relay.volume_left(given));
        }
    }

    /// Alarms and relays follow what stands, and each other.
    #[inline(never)]
    pub(super) fn follow_up(&mut self, now: Instant) {
        self.settle_volume();
        self.note_expected(now);
        self.raise_alarms(now);
        // A relay at its limit is an alarm, which another relay may tell of.
        if self.poll_relays(now) {
            self.raise_alarms(now);
            self.poll_relays(now);
        }
        self.relays_decided = true;
        self.count_lives(now);
    }

    /// Lets relays act; says whether one came to its limit or left it.
    fn poll_relays(&mut self, now: Instant) -> bool {
        let mut limits_changed = false;
        for place in 0..RELAYS {
            let Some(given) = self.settings.relays.get(place).copied() else { continue };
            let asked = self.relay_asked(now, place, &given);
            let Some(relay) = self.relays.get_mut(place) else { continue };
            let was_limited = relay.is_limited();
            relay.poll(now, asked, &given);
            limits_changed |= relay.is_limited() != was_limited;
        }
        limits_changed
    }

    /// Whether a relay is asked for.
    pub(super) fn relay_asked(&self, now: Instant, place: usize, given: &RawRelay) -> bool {
        if self.is_relay_tried(place) {
            return true;
        }
        match given.program {
            RelayProgram::Unused => false,
            RelayProgram::OnAlarm(least) => self.stands_at_least(least, given.longest_on > Millis::ZERO),
            RelayProgram::During { steps, tanks } => tank_ids(&self.tanks).any(|(id, tank)| {
                let Duty::Regenerating(regeneration) = &tank.duty else { return false };
                let step = regeneration.step(&self.settings);
                let runs = matches!(regeneration.phase(), Phase::Running { .. });
                runs && tanks.contains(id) && step.is_some_and(|step| steps.contains(step))
            }),
            RelayProgram::AfterStart { delay, length } => self.starts().any(|started_at| {
                let since = elapsed(started_at, now);
                since >= delay && since < delay.plus(length)
            }),
            RelayProgram::PerVolume { .. } => self.relays.get(place).is_some_and(|relay| relay.has_requests()),
            RelayProgram::WhileOffline(tank) => !self.in_service.contains(tank),
            RelayProgram::WhileNoneServing => self.in_service.is_empty(),
            RelayProgram::WhileFlow => self.flow_watch.flows(now, self.settings.flow_gaps()),
            RelayProgram::Isolate(tanks) => {
                tank_ids(&self.tanks).any(|(id, tank)| tanks.contains(id) && tank.drive.may_pass_water())
            }
            RelayProgram::FailSafe => !self.stands_at_least(Severity::Critical, false),
        }
    }

    /// When each regeneration that runs began; a refill for want of brine is none (C8).
    fn starts(&self) -> impl Iterator<Item = Instant> {
        self.tanks.iter().filter(|t| !t.makes_up()).filter_map(|t| t.regeneration()).map(|r| r.started_at())
    }

    /// An alarm at least so grave stands. A relay with a limit does not count the alarm of limits: its own
    /// would keep it asked for.
    fn stands_at_least(&self, least: Severity, is_limited: bool) -> bool {
        let counts = |alarm: Alarm| !(is_limited && alarm == Alarm::RelayLimit);
        self.watches.standing().iter().any(|alarm| counts(alarm) && self.severity(alarm) >= least)
    }

    /// The levels of the relays' pins: all low until the first decision.
    pub(super) fn relay_levels(&self) -> [bool; RELAYS] {
        let mut levels = [false; RELAYS];
        if self.relays_decided {
            for ((level, relay), given) in levels.iter_mut().zip(&self.relays).zip(&self.settings.relays) {
                *level = relay.is_on() != (given.inverted && given.program != RelayProgram::Unused);
            }
        }
        levels
    }

    /// What each relay owes for volume delivered so far.
    pub(super) fn doses(&self) -> [Doses; RELAYS] {
        let mut doses = [Doses::default(); RELAYS];
        for ((doses, relay), given) in doses.iter_mut().zip(&self.relays).zip(&self.settings.relays) {
            let mut relay = *relay;
            relay.pass(self.tally.passed().plus(self.counted()), given);
            *doses = relay.doses();
        }
        doses
    }

    /// Which relays are on, whatever their polarity.
    #[must_use]
    pub fn relays_on(&self) -> [bool; RELAYS] {
        let mut on = [false; RELAYS];
        for (on, relay) in on.iter_mut().zip(&self.relays) {
            *on = relay.is_on();
        }
        on
    }

    /// When a relay changes by itself.
    pub(super) fn relay_deadlines(&self, now: Instant, next: &mut Earliest) {
        for (place, (relay, given)) in self.relays.iter().zip(&self.settings.relays).enumerate() {
            if given.program == RelayProgram::Unused && !relay.is_on() && !self.is_relay_tried(place) {
                continue;
            }
            let asked = self.relay_asked(now, place, given);
            relay.deadlines(asked, given, &mut |at| next.consider(Some(at)));
            match given.program {
                RelayProgram::AfterStart { delay, length } => {
                    for started_at in self.starts() {
                        next.consider(Some(later(started_at, delay)));
                        next.consider(Some(later(started_at, delay.plus(length))));
                    }
                }
                RelayProgram::WhileFlow if asked => {
                    next.consider(Some(self.flow_watch.ceases_at(self.settings.flow_gaps())));
                }
                _ => {}
            }
        }
    }

    /// From which meters pulses are expected.
    fn note_expected(&mut self, now: Instant) {
        let common = self.settings.meter.place == crate::settings::MeterPlace::Common;
        let in_service = self.in_service;
        let meters = self.meters.iter().map(|meter| meter.last().map(|(last, _)| last));
        for ((id, last), silence) in (0u8..).map(TankId).zip(meters).zip(self.silences.iter_mut()) {
            let is_expected = if common { !in_service.is_empty() } else { in_service.contains(id) };
            silence.expect(now, is_expected, last);
        }
    }
}
