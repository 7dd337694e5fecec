//! The water path moves from one tank to another: make before break (A2, S3).

use super::{Changeover, Controller, tank_ids};
use crate::duty::{Duty, OutReason, Tank};
use crate::journal::{Event, Reason};
use crate::program::Position;
use crate::settings::Arrangement;
use crate::units::{Instant, TankId, elapsed};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn poll_changeover(&mut self, now: Instant) -> bool {
        match self.settings.arrangement {
            Arrangement::Single => return false,
            Arrangement::Alternating => {}
            Arrangement::Parallel | Arrangement::Staged => return self.poll_joining(now),
        }
        let Some(changeover) = self.changeover else { return self.begin_changeover(now) };
        let position = |id: TankId| self.tanks.get(id.index()).and_then(|t| t.drive.position());
        if !changeover.relieved {
            let purging = self.tanks.get(changeover.to.index()).is_some_and(|t| matches!(t.duty, Duty::Purging { .. }));
            if purging || position(changeover.to) != Some(Position::Service) || !self.is_led(changeover.to) {
                return false;
            }
            self.take_over(changeover);
            return true;
        }
        let left = changeover.from.is_none_or(|from| position(from) == Some(self.settings.rest_position()));
        if left {
            self.changeover = None;
        }
        left
    }

    /// A serving tank that asks or whose valve has moved away, or none serving, brings in the other (A2, S2, V4).
    pub(super) fn begin_changeover(&mut self, now: Instant) -> bool {
        let serving = tank_ids(&self.tanks).find(|(_, t)| matches!(t.duty, Duty::Serving));
        // Until it is found, which may take all its tries, nobody is known to serve.
        let moved = serving.is_some_and(|(_, tank)| tank.moved);
        let asks = |t: &Tank| t.leaving || !t.demand.causes().is_empty();
        let from = match serving {
            Some((id, tank)) if moved || asks(tank) || self.is_relieved_fresh(id) => Some(id),
            Some(_) => return false,
            None => None,
        };
        let serves_on = from.is_some() && !moved;
        if serves_on && self.changeover_held_until(now).is_some() {
            return false;
        }
        if self.shared.as_ref().is_some_and(|shared| shared.valve.is_lost()) {
            return false;
        }
        let Some((to, since)) = self.relief(from) else { return false };
        self.changeover = Some(Changeover { from, to, relieved: false });
        self.write(Event::ChangeoverBegan { from, to });
        let stale = since.is_some_and(|since| elapsed(since, now) > self.settings.stale_after);
        let drain_free = !self.tanks.iter().any(|t| t.regeneration().is_some() || t.drive.may_discharge());
        if stale && drain_free && serves_on {
            self.set_duty(to, Duty::Purging { running_since: None }, Reason::Stale);
        } else if since.is_none() {
            self.set_duty(to, Duty::Ready { since: now }, Reason::NoneServing);
        }
        true
    }

    /// The tank that can take over, and since when it has stood ready.
    ///
    /// Where none serves, a spent tank serves on rather than nobody (S2), unless brine is in question (S12, L3).
    pub(super) fn relief(&self, from: Option<TankId>) -> Option<(TankId, Option<Instant>)> {
        let known = |t: &Tank| t.drive.position().is_some();
        let ready = tank_ids(&self.tanks).find_map(|(id, t)| match t.duty {
            Duty::Ready { since } if known(t) && !(t.ledger.asks() && from.is_some()) => Some((id, Some(since))),
            _ => None,
        });
        let spent = || {
            tank_ids(&self.tanks)
                .find(|(_, t)| matches!(t.duty, Duty::Spent) && known(t) && !t.unproven && !t.salted)
                .map(|(id, _)| (id, None))
        };
        ready.or_else(|| if from.is_none() { spent() } else { None })
    }

    /// The incoming valve has confirmed: it serves, and the other leaves (S3).
    pub(super) fn take_over(&mut self, changeover: Changeover) {
        self.changeover = Some(Changeover { relieved: true, ..changeover });
        self.set_duty(changeover.to, Duty::Serving, Reason::TookOver);
        let Some(from) = changeover.from else { return };
        let leaving = self.tank_mut(from).is_some_and(|t| core::mem::take(&mut t.leaving));
        if leaving {
            self.set_duty(from, Duty::Out { reason: OutReason::Operator }, Reason::Operator);
            return;
        }
        // What was asked for may have been withdrawn while the tanks changed over.
        let asks = self.tanks.get(from.index()).is_some_and(|t| !t.demand.causes().is_empty());
        let duty = if asks { Duty::Spent } else { Duty::Ready { since: self.now } };
        self.set_duty(from, duty, Reason::Relieved);
    }
}
