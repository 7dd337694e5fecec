//! Causes arise and latch: from the ledger, the hour and the calendar (A1, C1–C3).

use super::{Controller, tank_ids};
use crate::calendar::{self, Civil, HourOutcome};
use crate::demand::Cause;
use crate::duty::Duty;
use crate::journal::Event;
use crate::settings::{RemoteRole, Schedule, StartRule};
use crate::units::{Instant, TankId};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn poll_hour(&mut self, now: Instant) {
        let (minute, grace) = (self.settings.hour_minute, self.settings.hour_grace);
        match self.hour.poll(now, self.clock, minute, grace) {
            Some(HourOutcome::Fired(date)) => {
                self.write(Event::HourFired);
                self.ask_backup(now, date);
                if let Some(date) = date {
                    self.ask_scheduled(now, date);
                }
            }
            Some(HourOutcome::Missed(_)) => self.write(Event::HourMissed),
            None => {}
        }
    }

    /// The bed that has stood longest past its backup days, one per hour event (C2); one that an
    /// operator holds is in nobody's way (C7). One that serves has served, whatever its meter says: that may be
    /// broken.
    #[inline(never)]
    pub(super) fn ask_backup(&mut self, now: Instant, date: Option<u32>) {
        let days = self.backup_days_now();
        if days == 0 {
            return;
        }
        let clock = self.clock;
        let due = tank_ids(&self.tanks)
            .filter(|(_, t)| matches!(t.duty, Duty::Serving | Duty::Ready { .. } | Duty::Spent))
            .filter(|(_, t)| matches!(t.duty, Duty::Serving) || t.ledger.has_served())
            .filter(|(_, t)| !t.demand.operator_hold)
            .filter(|(_, t)| calendar::dates_since(t.ledger.began_at(), now, date, clock) >= days)
            .min_by_key(|(_, t)| t.ledger.began_at())
            .map(|(id, _)| id);
        if let Some(id) = due {
            self.ask(now, id, Cause::BackupDay);
        }
    }

    /// The calendar asks for the serving tank (C3), by the date that the hour belongs to (T2).
    #[inline(never)]
    pub(super) fn ask_scheduled(&mut self, now: Instant, date: u32) {
        let asks = match self.settings.schedule {
            Schedule::Off => false,
            Schedule::On(days) => days.has_number(Civil::at(date, 0).weekday()),
            Schedule::EveryDays(n) => {
                let days = |at| calendar::dates_since(at, now, Some(date), self.clock);
                self.scheduled_at.is_none_or(|(at, late)| days(at).saturating_add(late) >= u32::from(n))
            }
        };
        if !asks {
            return;
        }
        let today = self.clock.civil(now).map_or(date, Civil::day);
        self.scheduled_at = Some((now, today.saturating_sub(date)));
        if let Some(id) = self.nearest_exhaustion(|t| matches!(t.duty, Duty::Serving)) {
            self.ask(now, id, Cause::Scheduled);
        }
    }

    /// Latches a cause on a tank that does not regenerate; whether it waits for the hour follows from the cause (A1).
    pub(super) fn ask(&mut self, now: Instant, id: TankId, cause: Cause) -> bool {
        let immediate = self.settings.start == StartRule::Immediate;
        let at_once = match cause {
            Cause::Manual => true,
            Cause::Exhausted | Cause::Sensor => immediate || self.settings.exhausted_at_once,
            Cause::Remote => self.settings.remote == RemoteRole::Now,
            Cause::Reserve | Cause::BackupDay | Cause::Scheduled => immediate,
        };
        self.ask_when(now, id, cause, at_once)
    }

    /// Latches a cause that starts at once or waits for the hour.
    #[inline(never)]
    pub(super) fn ask_when(&mut self, now: Instant, id: TankId, cause: Cause, at_once: bool) -> bool {
        let Some(tank) = self.tank_mut(id) else { return false };
        if tank.regeneration().is_some() && !tank.makes_up() {
            return false;
        }
        let new = tank.demand.ask(now, cause, at_once);
        if new {
            self.write(Event::Asked { tank: id, cause });
        }
        new
    }

    #[inline(never)]
    pub(super) fn ask_from_ledger(&mut self, now: Instant, id: TankId) -> bool {
        let Some(tank) = self.tanks.get(id.index()) else { return false };
        if !matches!(tank.duty, Duty::Serving | Duty::Ready { .. } | Duty::Spent) || !tank.ledger.asks() {
            return false;
        }
        let cause = if tank.ledger.is_empty() { Cause::Exhausted } else { Cause::Reserve };
        if tank.demand.causes().contains(cause) {
            return false;
        }
        self.ask(now, id, cause)
    }
}
