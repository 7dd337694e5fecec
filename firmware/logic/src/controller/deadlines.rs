//! When the controller next wants to be called.

use super::holds::Survey;
use super::outside::Outside;
use super::{Controller, NEVER, is_waiting};
use crate::calendar::Civil;
use crate::contact::Contact;
use crate::demand::Hold;
use crate::duty::Duty;
use crate::units::{Instant, later};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn find_deadline(&self, now: Instant, survey: &Survey<N>, outside: Option<&Outside>) -> Instant {
        let mut next = Earliest { now, at: NEVER };
        let settings = &self.settings;
        for (tank, held) in self.tanks.iter().zip(survey) {
            next.consider(tank.drive.deadline());
            match &tank.duty {
                Duty::Regenerating(r) => next.consider(r.deadline(settings)),
                Duty::Purging { running_since: Some(since) } => next.consider(Some(later(*since, settings.purge))),
                _ => {}
            }
            if is_waiting(tank) {
                next.consider(tank.demand.asked_at().map(|at| later(at, settings.overdue_after)));
                next.consider(held.clears_at);
                if held.holds.contains(Hold::FlowTooHigh) {
                    next.consider(tank.demand.flow_wait_since.map(|since| later(since, settings.flow_wait_limit)));
                }
                next.consider(outside.and_then(|outside| self.next_calendar_hold(tank, outside)));
            }
        }
        for contact in Contact::ALL {
            next.consider(self.contact(*contact).deadline(settings.contact_debounce));
        }
        next.consider(self.remote_pending().map(|since| later(since, settings.remote_minimum)));
        for meter in &self.meters {
            next.consider(meter.deadline());
        }
        next.consider(self.hour.deadline(now, self.clock, settings.hour_minute, settings.hour_grace));
        next.consider(self.changeover_held_until(now));
        next.consider(self.shared.as_ref().and_then(|shared| shared.valve.deadline()));
        self.stage_deadlines(now, &mut next);
        self.watch_deadlines(now, &mut next);
        next.consider(self.clock.instant(Civil::END));
        self.absence_deadline(&mut next);
        self.reserve_deadline(&mut next);
        self.test_deadline(&mut next);
        next.consider(self.mark_due());
        self.relay_deadlines(now, &mut next);
        next.at
    }
}

/// The earliest of the instants that it is told of, but for those that are past.
pub(super) struct Earliest {
    now: Instant,
    at: Instant,
}

impl Earliest {
    /// Kept apart, since it is told of so many.
    #[inline(never)]
    pub(super) fn consider(&mut self, at: Option<Instant>) {
        if let Some(at) = at
            && at > self.now
            && at < self.at
        {
            self.at = at;
        }
    }
}
