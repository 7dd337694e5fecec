//! A tank that stood too long is flushed to drain before it serves (A5).

use super::Controller;
use crate::duty::Duty;
use crate::journal::{Event, Reason};
use crate::program::{Position, StepKind};
use crate::units::{Instant, Millis, TankId, elapsed};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn poll_purge(&mut self, now: Instant, id: TankId) -> bool {
        let length = self.settings.purge;
        let in_vain = self.is_drain_lost() && self.tanks.get(id.index()).is_some_and(|t| !self.has_its_share(id, t));
        if in_vain {
            self.set_duty(id, Duty::Ready { since: now }, Reason::DrainTaken);
            return true;
        }
        let Some(tank) = self.tanks.get_mut(id.index()) else { return false };
        let in_place = tank.drive.position() == Some(Position::FastRinse);
        let Duty::Purging { running_since } = &mut tank.duty else { return false };
        match *running_since {
            None if in_place => {
                *running_since = Some(now);
                true
            }
            Some(_) if !in_place => {
                // Only time in the drain position counts: it begins again.
                *running_since = None;
                true
            }
            Some(since) if elapsed(since, now) >= length => {
                self.end_purge(now, id, elapsed(since, now));
                true
            }
            _ => false,
        }
    }

    pub(super) fn end_purge(&mut self, now: Instant, id: TankId, ran: Millis) {
        let drained = self.settings.drain_flow(StepKind::FastRinse).over(ran);
        self.add_drained(now, drained);
        self.write(Event::PurgeEnded { tank: id, drained });
        self.set_duty(id, Duty::Ready { since: now }, Reason::Purged);
    }
}
