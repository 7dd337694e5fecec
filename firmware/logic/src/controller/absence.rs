//! Absence: fewer regenerations while nobody is there, and fresh beds when people return (O7, A5).

use serde::{Deserialize, Serialize};

use super::deadlines::Earliest;
use super::{Controller, tank_ids};
use crate::calendar::DAY_MS;
use crate::duty::Duty;
use crate::journal::{Event, Reason};
use crate::operator::Refused;
use crate::settings::Arrangement;
use crate::units::{Instant, TankId, TankSet, elapsed, later_ms};

/// Whether people are there, and what their beds need when they return.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Presence {
    /// An absence under way.
    away: Option<Away>,
    /// Beds that stood through one and have not been flushed.
    stagnant: TankSet,
}

impl Presence {
    /// People are away.
    pub(super) fn is_away(&self) -> bool {
        self.away.is_some()
    }
}

/// An announced absence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Away {
    since: Instant,
    until: Option<Instant>,
}

impl<const N: usize> Controller<N> {
    /// Since when people are away, if they are.
    #[must_use]
    pub fn away_since(&self) -> Option<Instant> {
        self.presence.away.map(|away| away.since)
    }

    /// Backup days as they hold now: an absence stretches them to its own limit.
    pub(super) fn backup_days_now(&self) -> u32 {
        let usual = self.settings.backup_days;
        let stretched = usual > 0 && self.presence.away.is_some();
        u32::from(if stretched { usual.max(self.settings.absence_backup_days) } else { usual })
    }

    /// An operator announces an absence of so many days; 0 = until they return. To announce it again changes its end.
    pub(super) fn leave(&mut self, now: Instant, days: u8) -> Result<(), Refused> {
        let since = self.presence.away.map_or(now, |away| away.since);
        let until = (days > 0).then(|| later_ms(now, u64::from(days).saturating_mul(DAY_MS)));
        self.presence.away = Some(Away { since, until });
        self.day_of_absence();
        Ok(())
    }

    /// An operator is back.
    pub(super) fn come_back(&mut self, now: Instant) -> Result<(), Refused> {
        if self.presence.away.is_none() {
            return Err(Refused::NotAway);
        }
        self.end_absence(now);
        Ok(())
    }

    /// Ends an absence whose time is over.
    pub(super) fn poll_absence(&mut self, now: Instant) {
        if self.presence.away.and_then(|away| away.until).is_some_and(|until| until <= now) {
            self.end_absence(now);
        }
    }

    /// Beds that may have stood too long are flushed, one at a time.
    fn end_absence(&mut self, now: Instant) {
        let Some(away) = self.presence.away.take() else { return };
        self.day_of_absence();
        self.write(Event::AbsenceEnded);
        // A single tank has none to serve while it flushes (S2).
        if self.settings.arrangement == Arrangement::Single || elapsed(away.since, now) <= self.settings.stale_after {
            return;
        }
        let stood = |t: &crate::duty::Tank| matches!(t.duty, Duty::Serving | Duty::Ready { .. });
        let mut stagnant = TankSet::EMPTY;
        for (id, _) in tank_ids(&self.tanks).filter(|(_, tank)| stood(tank)) {
            stagnant.insert(id);
        }
        self.presence.stagnant = stagnant;
    }

    /// A serving bed that stood through an absence, and whose relief has been flushed (A5).
    pub(super) fn is_relieved_fresh(&self, id: TankId) -> bool {
        let fresh = |(other, tank): (TankId, &crate::duty::Tank)| {
            !self.presence.stagnant.contains(other) && matches!(tank.duty, Duty::Ready { .. })
        };
        self.presence.stagnant.contains(id) && tank_ids(&self.tanks).any(fresh)
    }

    /// The next bed that stood through an absence is flushed if others serve and the drain is free.
    #[inline(never)]
    pub(super) fn flush_stagnant(&mut self) -> bool {
        if self.presence.stagnant.is_empty() {
            return false;
        }
        for id in self.ids().filter(|id| self.presence.stagnant.contains(*id)) {
            let Some(tank) = self.tanks.get(id.index()) else { continue };
            // A regeneration flushes it as well, and one that is out will regenerate.
            if !matches!(tank.duty, Duty::Serving | Duty::Ready { .. }) {
                self.presence.stagnant.remove(id);
                return true;
            }
            if self.may_flush(id) {
                self.presence.stagnant.remove(id);
                self.set_duty(id, Duty::Purging { running_since: None }, Reason::Stale);
                return true;
            }
        }
        false
    }

    fn may_flush(&self, id: TankId) -> bool {
        let Some(tank) = self.tanks.get(id.index()) else { return false };
        let busy = self.tanks.iter().any(|t| t.regeneration().is_some() || matches!(t.duty, Duty::Purging { .. }));
        let moving = self.changeover.is_some() || self.joining.contains(id) || tank.drive.position().is_none();
        let others = self.confirmed_serving().saturating_sub(usize::from(self.is_confirmed(tank)));
        !busy
            && !moving
            && !self.is_drain_full(Some(id))
            && others >= self.floor().max(1)
            && tank.demand.causes().is_empty()
    }

    pub(super) fn absence_deadline(&self, next: &mut Earliest) {
        next.consider(self.presence.away.and_then(|away| away.until));
    }
}
