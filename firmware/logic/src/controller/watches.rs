//! Alarms follow their conditions (W1).

use super::Controller;
use super::deadlines::Earliest;
use super::is_waiting;
use crate::duty::Duty;
use crate::journal::Event;
use crate::settings::{Arrangement, RemoteRole};
use crate::units::{Instant, Millis, Volume, elapsed, later};
use crate::watch::Alarm;

/// How long after the last pulse `flow-while-closed` stands.
const CLOSED_FLOW_STANDS: Millis = Millis::from_mins(10);

impl<const N: usize> Controller<N> {
    /// Sets every alarm by its condition and journals what changed.
    #[inline(never)]
    pub(super) fn raise_alarms(&mut self, now: Instant) {
        for alarm in Alarm::ALL {
            let stands = self.condition(*alarm, now);
            if self.watches.set(*alarm, stands) {
                self.write(if stands { Event::AlarmRaised(*alarm) } else { Event::AlarmCleared(*alarm) });
            }
        }
    }

    fn condition(&self, alarm: Alarm, now: Instant) -> bool {
        let settings = &self.settings;
        let mut tanks = self.tanks.iter();
        match alarm {
            Alarm::SettingsRejected => self.settings_rejected,
            Alarm::ClockUnset => !self.clock.is_set(),
            Alarm::ValveLost => tanks.any(|t| t.drive.is_lost()),
            Alarm::ValveMoved => tanks.any(|t| t.moved),
            Alarm::TankOut => tanks.any(|t| matches!(t.duty, Duty::Out { .. })),
            Alarm::NoTankServing => {
                let regenerates = settings.arrangement == Arrangement::Single
                    && self.tanks.iter().any(|t| t.regeneration().is_some());
                !regenerates && !tanks.any(|t| matches!(t.duty, Duty::Serving))
            }
            Alarm::Overrun => tanks.any(|t| matches!(t.duty, Duty::Serving) && t.ledger.overrun() > Volume::ZERO),
            Alarm::Overdue => tanks.any(|t| {
                is_waiting(t) && t.demand.asked_at().is_some_and(|at| elapsed(at, now) >= settings.overdue_after)
            }),
            Alarm::MeterNoisy => self.meters.iter().any(|m| m.is_noisy()),
            Alarm::ExcessFlow => self.meters.iter().any(|m| m.is_excessive(now, settings.meter_settings())),
            Alarm::FlowWhileClosed => self.closed_flow_at.is_some_and(|at| elapsed(at, now) < CLOSED_FLOW_STANDS),
            Alarm::LowPressure => self.contacts.low_pressure.closed_since().is_some(),
            Alarm::ContactStuck => self.hold_off_since().is_some_and(|at| elapsed(at, now) >= settings.hold_off_limit),
            Alarm::DischargeLimit => {
                settings.discharge_limit > Volume::ZERO
                    && self.drained_today(now).plus(settings.drain_per_regeneration()) > settings.discharge_limit
            }
            Alarm::StepTooLong => {
                tanks.any(|t| t.overlong || t.regeneration().is_some_and(|regeneration| regeneration.is_overlong()))
            }
            Alarm::Unproven => tanks.any(|t| t.unproven && t.regeneration().is_none()),
            // Told of by whoever sees them come and go, until an arm of its own knows better.
            Alarm::UnbrokenFlow
            | Alarm::MeterSilent
            | Alarm::BrineLow
            | Alarm::BrineNotDrawn
            | Alarm::BrineUncertain
            | Alarm::SaltLow
            | Alarm::StoreWorn
            | Alarm::RetainedLost
            | Alarm::RelayLimit
            | Alarm::ServiceDue => self.watches.is_reported(alarm),
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
        let standing = self.watches.standing();
        if standing.contains(Alarm::ExcessFlow) {
            for meter in &self.meters {
                next.consider(meter.excess_deadline(self.settings.meter_settings()));
            }
        }
        next.consider(self.closed_flow_at.map(|at| later(at, CLOSED_FLOW_STANDS)));
        next.consider(self.hold_off_since().map(|at| later(at, self.settings.hold_off_limit)));
        if standing.contains(Alarm::DischargeLimit) {
            next.consider(Some(self.drain_day_ends(now)));
        }
    }
}
