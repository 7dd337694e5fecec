//! Alarms follow their conditions (W1), and operators answer them (W2).

use heapless::Vec;

use super::deadlines::Earliest;
use super::{Controller, is_waiting, tank_ids};
use crate::duty::{Duty, Tank};
use crate::journal::Event;
use crate::operator::{AlarmAction, Refused};
use crate::relay::Relay;
use crate::settings::{Arrangement, MeterPlace, RemoteRole};
use crate::units::{Instant, Millis, TankId, TankSet, Volume, elapsed, later};
use crate::watch::{Alarm, AlarmState, Service, Severity, Turn};

/// How long after the last pulse `flow-while-closed` stands.
const CLOSED_FLOW_STANDS: Millis = Millis::from_mins(10);

impl<const N: usize> Controller<N> {
    /// Lets every alarm follow its condition and journals what became of it.
    #[inline(never)]
    pub(super) fn raise_alarms(&mut self, now: Instant) {
        for alarm in Alarm::ALL {
            let condition = self.condition(*alarm, now);
            if condition.is_none() && self.watches.is_at_rest(*alarm) {
                continue;
            }
            match self.watches.follow(now, *alarm, condition, &self.settings.watch.rules) {
                Some(Turn::Raised) => self.write(Event::AlarmRaised(*alarm)),
                Some(Turn::Latched) => self.write(Event::AlarmLatched(*alarm)),
                Some(Turn::Cleared) => self.write(Event::AlarmCleared(*alarm)),
                None => {}
            }
        }
    }

    /// Whether an alarm's condition stands, and for which tanks; none for the plant as a whole.
    fn condition(&self, alarm: Alarm, now: Instant) -> Option<TankSet> {
        let settings = &self.settings;
        let stands = match alarm {
            Alarm::ValveLost => {
                let shared = self.shared.as_ref().is_some_and(|shared| shared.valve.is_lost());
                return self.tanks_where(|t| t.drive.is_lost()).or(shared.then_some(TankSet::EMPTY));
            }
            Alarm::ValveMoved => {
                let shared = self.shared.as_ref().is_some_and(|shared| shared.moved);
                return self.tanks_where(|t| t.moved).or(shared.then_some(TankSet::EMPTY));
            }
            Alarm::TankOut => return self.tanks_where(|t| matches!(t.duty, Duty::Out { .. })),
            Alarm::Overrun => {
                return self.tanks_where(|t| matches!(t.duty, Duty::Serving) && t.ledger.overrun() > Volume::ZERO);
            }
            Alarm::Overdue => {
                let asked_long_ago =
                    |t: &Tank| t.demand.asked_at().is_some_and(|at| elapsed(at, now) >= settings.overdue_after);
                return self.tanks_where(|t| is_waiting(t) && asked_long_ago(t));
            }
            Alarm::StepTooLong => {
                let is_overlong = |t: &Tank| t.overlong || t.regeneration().is_some_and(|r| r.is_overlong());
                return self.tanks_where(is_overlong);
            }
            Alarm::Unproven => return self.tanks_where(|t| t.unproven && (t.regeneration().is_none() || t.makes_up())),
            Alarm::SettingsRejected => self.settings_rejected,
            Alarm::ClockUnset => !self.clock.is_set(),
            Alarm::NoTankServing => {
                let regenerates = settings.arrangement == Arrangement::Single
                    && self.tanks.iter().any(|t| t.regeneration().is_some());
                !regenerates && !self.tanks.iter().any(|t| matches!(t.duty, Duty::Serving))
            }
            Alarm::MeterNoisy => self.meters.iter().any(|m| m.is_noisy()),
            Alarm::ExcessFlow => self.meters.iter().any(|m| m.is_excessive(now, settings.meter_settings())),
            Alarm::FlowWhileClosed => self.closed_flow_at.is_some_and(|at| elapsed(at, now) < CLOSED_FLOW_STANDS),
            Alarm::LowPressure => self.contacts.low_pressure.closed_since().is_some(),
            Alarm::ContactStuck => self.hold_off_since().is_some_and(|at| elapsed(at, now) >= settings.hold_off_limit),
            Alarm::RetainedLost => !self.power.forgotten.is_empty(),
            Alarm::BrineUncertain => self.power.brine_uncertain || self.is_refill_used_up(),
            Alarm::DischargeLimit => {
                settings.discharge_limit > Volume::ZERO
                    && self.drained_today(now).plus(settings.drain_per_regeneration()) > settings.discharge_limit
            }
            Alarm::UnbrokenFlow => self.flow_watch.is_unbroken(now, settings.flow_gaps()),
            Alarm::MeterSilent => return self.silent_meters(now),
            Alarm::RelayLimit => self.relays.iter().any(Relay::is_limited),
            Alarm::ServiceDue => self.service.is_due(now, &settings.watch),
            Alarm::BrineLow => return self.tanks_where(|t| is_waiting(t) && self.lacks_brine(t)),
            Alarm::BrineNotDrawn => self.brine.undrawn() > 0,
            Alarm::SaltLow => self.is_salt_low(),
            // The driver tells of its store's wear.
            Alarm::StoreWorn => self.watches.is_reported(alarm),
        };
        stands.then_some(TankSet::EMPTY)
    }

    /// The meters from which no pulse has come for too long while their tanks served; a common one is the plant's.
    fn silent_meters(&self, now: Instant) -> Option<TankSet> {
        let limit = self.settings.watch.silent_after;
        let common = self.settings.meter.place == MeterPlace::Common;
        let mut silent = None;
        for (id, at) in (0u8..).map(TankId).zip(self.silences()) {
            if limit > Millis::ZERO && at.is_some_and(|at| elapsed(at, now) >= limit) {
                let tanks = silent.get_or_insert(TankSet::EMPTY);
                if !common {
                    tanks.insert(id);
                }
            }
        }
        silent
    }

    /// Since when each meter has been silent although pulses are expected.
    pub(super) fn silences(&self) -> impl Iterator<Item = Option<Instant>> {
        self.meters.iter().zip(&self.silences).map(|(meter, silence)| silence.since(meter.last().map(|(last, _)| last)))
    }

    /// How long each meter has been silent, to be retained.
    pub(super) fn silences_to_retain(&self) -> Vec<Millis, N> {
        let meters = self.meters.iter().zip(&self.silences);
        crate::collect(meters.map(|(meter, silence)| silence.lasted(self.now, meter.last().map(|(last, _)| last))))
    }

    /// Whether a meter that last spoke then has been silent for too long.
    pub(super) fn was_silent(&self, now: Instant, last: Option<(Instant, u32)>) -> bool {
        last.is_none_or(|(last, _)| elapsed(last, now) >= self.settings.watch.silent_after)
    }

    /// The tanks of which something is so, if it is of any.
    fn tanks_where(&self, is_so: impl Fn(&Tank) -> bool) -> Option<TankSet> {
        let mut set = TankSet::EMPTY;
        for (id, _) in tank_ids(&self.tanks).filter(|(_, t)| is_so(t)) {
            set.insert(id);
        }
        (!set.is_empty()).then_some(set)
    }

    /// How grave an alarm is now: a lost valve that may do harm is critical (V3).
    pub(super) fn severity(&self, alarm: Alarm) -> Severity {
        // A shared valve that is lost may lead a tank that is spent or regenerates (A6).
        let shared = self.shared.as_ref().is_some_and(|shared| shared.valve.is_lost());
        let harmful = shared || self.tanks.iter().any(|t| t.drive.may_pass_water());
        if harmful && alarm == Alarm::ValveLost {
            Severity::Critical
        } else {
            self.settings.watch.rules.severity(alarm)
        }
    }

    /// What can be told of an alarm: where it is in its life, since when, which tanks (W2, W3).
    #[must_use]
    pub fn alarm(&self, alarm: Alarm) -> AlarmState {
        self.watches.state(alarm, self.severity(alarm), &self.settings.watch.rules)
    }

    /// What an operator asks about alarms (W2).
    pub(super) fn operate_alarm(&mut self, now: Instant, action: AlarmAction) -> Result<(), Refused> {
        match action {
            AlarmAction::Acknowledge(alarm) if !self.watches.acknowledge(alarm) => Err(Refused::NothingToAcknowledge),
            AlarmAction::AcknowledgeAll if !self.watches.acknowledge_all() => Err(Refused::NothingToAcknowledge),
            AlarmAction::Acknowledge(_) | AlarmAction::AcknowledgeAll => Ok(()),
            AlarmAction::Maintained => {
                self.settle_volume();
                self.service = Service::done(now);
                Ok(())
            }
            AlarmAction::Reset(alarm) => {
                if self.watches.present().contains(alarm) {
                    return Err(Refused::ConditionStands);
                }
                if !self.watches.is_latched(alarm) {
                    return Err(Refused::NothingToReset);
                }
                self.watches.reset(alarm);
                self.write(Event::AlarmCleared(alarm));
                Ok(())
            }
        }
    }

    fn hold_off_since(&self) -> Option<Instant> {
        if self.settings.remote != RemoteRole::HoldOff {
            return None;
        }
        self.contacts.remote.closed_since()
    }

    /// When a condition will change by itself.
    pub(super) fn watch_deadlines(&self, now: Instant, next: &mut Earliest) {
        let present = self.watches.present();
        next.consider(self.watches.deadline(&self.settings.watch.rules));
        if present.contains(Alarm::ExcessFlow) {
            for meter in &self.meters {
                next.consider(meter.excess_deadline(self.settings.meter_settings()));
            }
        }
        next.consider(self.flow_watch.deadline(now, self.settings.flow_gaps()));
        if self.settings.watch.silent_after > Millis::ZERO {
            for since in self.silences() {
                next.consider(since.map(|at| later(at, self.settings.watch.silent_after)));
            }
        }
        next.consider(self.service.deadline(&self.settings.watch));
        next.consider(self.closed_flow_at.map(|at| later(at, CLOSED_FLOW_STANDS)));
        next.consider(self.hold_off_since().map(|at| later(at, self.settings.hold_off_limit)));
        if present.contains(Alarm::DischargeLimit) {
            next.consider(Some(self.drain_day_ends(now)));
        }
    }
}
