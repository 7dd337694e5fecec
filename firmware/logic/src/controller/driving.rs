//! Drives are polled, sent where their tanks' duties want them, and their losses acted on (V2–V4, S3, S12).

use super::{Controller, tank_ids};
use crate::demand::Cause;
use crate::drive::{DriveEvent, Pilots, pattern};
use crate::duty::{Duty, OutReason, Tank};
use crate::journal::{Event, Reason};
use crate::program::Position;
use crate::sequence::{Outcome, Regeneration};
use crate::settings::Arrangement;
use crate::units::{Instant, TankId};

/// Brine is in its bed, or may be.
fn is_salted(tank: &Tank) -> bool {
    tank.salted || tank.regeneration().is_some_and(|r| r.brine().must_rinse())
}

impl<const N: usize> Controller<N> {
    /// Journals what a drive reports, and acts on what it means for the bed.
    pub(super) fn note_drive(&mut self, id: TankId, event: Option<DriveEvent>) {
        let Some(event) = event else { return };
        if let Some(tank) = self.tank_mut(id) {
            match event {
                DriveEvent::MovedAway(_) | DriveEvent::Miscounted => tank.moved = true,
                DriveEvent::Confirmed(_) | DriveEvent::Lost => tank.moved = false,
                _ => {}
            }
        }
        self.write(Event::Drive { tank: id, event });
        match event {
            DriveEvent::StoodInBrine => self.brine_in_bed(self.now, id),
            DriveEvent::Miscounted => self.place_in_doubt(self.now, id),
            DriveEvent::Lost => self.put_out_for_lost_drive(id),
            _ => {}
        }
    }

    /// Home contradicts the count: wherever the valve came to rest since it was last there, it may have stood elsewhere.
    /// Nothing that was done there counts (S6); brine may be in the bed (S12), and the brine tank emptied or filled.
    fn place_in_doubt(&mut self, now: Instant, id: TankId) {
        let draws = self.settings.draws_brine();
        let doubted = |tank: &&mut Tank| tank.drive.has_rested_by_count();
        let Some(tank) = self.tanks.get_mut(id.index()).filter(doubted) else { return };
        match &mut tank.duty {
            // The draw and both rinses are still to come.
            Duty::Regenerating(run)
                if draws && !run.is_make_up() && !run.is_cut_short() && !run.brine().was_drawn() =>
            {
                run.brine_came_early();
            }
            _ if draws => {
                tank.unproven = true;
                self.brine_in_bed(now, id);
            }
            // A filter's backwash and rinse.
            Duty::Regenerating(run) => run.cut_for_restart(&self.settings),
            Duty::Out { .. } => {}
            _ => {
                self.ask_when(now, id, Cause::Manual, true);
                if self.settings.arrangement != Arrangement::Single {
                    self.changeover = self.changeover.filter(|c| c.to != id);
                    self.set_duty(id, Duty::Spent, Reason::PlaceInDoubt);
                }
            }
        }
        if self.settings.stores_brine() {
            self.forget_brine();
        }
    }

    /// Journals when a valve passes service on its way with brine in its bed: when it comes there, and when it has
    /// left (S12).
    pub(super) fn note_passing(&mut self, id: TankId, before: Option<Position>, after: Option<Position>) {
        let service = Position::Service;
        let event = match (before == Some(service), after == Some(service)) {
            (false, true) => DriveEvent::Passing(service),
            (true, false) => DriveEvent::Passed(service),
            _ => return,
        };
        if self.tanks.get(id.index()).is_some_and(is_salted) {
            self.note_drive(id, Some(event));
        }
    }

    #[inline(never)]
    pub(super) fn poll_drive(&mut self, now: Instant, id: TankId) -> bool {
        let Some(tank) = self.tanks.get_mut(id.index()) else { return false };
        let found = tank.drive.is_powering_up();
        let event = tank.drive.poll(now, &self.settings.drive);
        // A wait of no time at all is over at once, and no deadline would come for it.
        let stirred = event.is_some() || tank.drive.deadline().is_some_and(|due| due <= now);
        self.note_drive(id, event);
        match event {
            Some(DriveEvent::Confirmed(position)) if found => self.found_after_dark(now, id, position),
            // Between two positions, and nobody remembers why: it may have come from the draw (S12).
            Some(DriveEvent::PositionUnknown) if found && self.was_left_between(id) => self.brine_in_bed(now, id),
            _ => {}
        }
        stirred
    }

    /// Brine may have reached a bed out of turn: it is rinsed out before it serves (S12), then regenerates.
    pub(super) fn brine_in_bed(&mut self, now: Instant, id: TankId) {
        if !self.settings.draws_brine() {
            return;
        }
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        match &mut tank.duty {
            Duty::Regenerating(regeneration) => return regeneration.rinse_again(&self.settings),
            Duty::Out { .. } => {
                tank.salted = true;
                return;
            }
            _ => tank.salted = true,
        }
        self.changeover = self.changeover.filter(|c| c.to != id);
        self.ask_when(now, id, Cause::Manual, true);
        match self.settings.arrangement {
            // It has no other place to wait than in service.
            Arrangement::Single => self.start_regeneration(now, id),
            _ => self.set_duty(id, Duty::Spent, Reason::BrineInBed),
        }
    }

    /// A lost drive puts its tank out; a regeneration under way has failed (V3, L3).
    pub(super) fn put_out_for_lost_drive(&mut self, id: TankId) {
        let cut = self.tanks.get(id.index()).and_then(Tank::regeneration).and_then(|r| r.cut(self.now, &self.settings));
        if let Some(run) = cut {
            self.account_for_brine(self.now, id, &run);
        }
        let failed = self.tanks.get(id.index()).and_then(Tank::regeneration).copied();
        if let Some(regeneration) = failed.filter(|r| !r.is_make_up()) {
            self.end_regeneration(id, &regeneration, Outcome::Failed);
        }
        let draws = self.settings.draws_brine();
        if let Some(tank) = self.tank_mut(id) {
            // Until somebody comes it may stand open to the brine (S12).
            tank.salted |= draws && tank.drive.may_draw_brine();
        }
        self.changeover = self.changeover.filter(|c| c.to != id && c.from != Some(id));
        self.set_duty(id, Duty::Out { reason: OutReason::DriveLost }, Reason::DriveLost);
    }

    /// What the pilots of a tank's valve are told. Without them a lost valve that comes free would fall back into
    /// service: over a bed whose draw was not rinsed out they close it instead, so long as power lasts (S12).
    pub(super) fn pilots_of(&self, tank: &Tank) -> Pilots {
        let drive = &self.settings.drive;
        // A draw cut off leaves both; a contact that fails at another time closes no building's water.
        let holds_brine = tank.drive.is_lost() && tank.salted && tank.unproven;
        if holds_brine && pattern(drive, Position::Service) == Pilots(0) {
            // Without a closed position, in a rinse: water to drain does less harm than brine to the taps.
            let place = if drive.place(Position::Standby).is_some() { Position::Standby } else { Position::SlowRinse };
            return pattern(drive, place);
        }
        tank.drive.pilots(drive)
    }

    /// Where a tank's valve should stand now; `None` = leave it.
    pub(super) fn wanted(&self, id: TankId, tank: &Tank) -> Option<Position> {
        let drive = &self.settings.drive;
        if tank.drive.is_miscounting(drive) && drive.place(Position::Standby).is_some() {
            // It is lost where it comes to rest next: shut off rather than anywhere else.
            return Some(Position::Standby);
        }
        match &tank.duty {
            Duty::Serving => Some(Position::Service),
            Duty::Ready { .. } if self.joining.contains(id) || self.changeover.is_some_and(|c| c.to == id) => {
                Some(Position::Service)
            }
            // What it must wait for, it waits for where it rests (S1).
            Duty::Regenerating(_) | Duty::Purging { .. } if !self.has_its_share(id, tank) => self.waits_at(tank),
            Duty::Ready { .. } | Duty::Spent => self.waits_at(tank),
            Duty::Regenerating(r) => r.wanted(&self.settings).or(Some(self.rests_at(r))),
            Duty::Purging { .. } => Some(Position::FastRinse),
            Duty::Out { reason: OutReason::Operator } => {
                self.tried_position(id).filter(|_| self.has_its_share(id, tank)).or_else(|| self.waits_at(tank))
            }
            Duty::Out { reason: OutReason::DriveLost } => None,
        }
    }

    /// Where a tank waits off-line; with brine in its bed not in service, but where it stands, or in a
    /// rinse if nobody knows where that is (S12).
    pub(super) fn waits_at(&self, tank: &Tank) -> Option<Position> {
        let rest = self.settings.rest_position();
        if rest != Position::Service || !is_salted(tank) {
            return Some(rest);
        }
        if tank.drive.position().is_none() { Some(Position::FastRinse) } else { None }
    }

    /// Where a tank rests after its regeneration.
    pub(super) fn rests_at(&self, regeneration: &Regeneration) -> Position {
        match self.settings.arrangement {
            Arrangement::Single => Position::Service,
            _ if regeneration.came_from_service() => Position::Service,
            _ if regeneration.is_make_up() => self.settings.rest_position(),
            // It joins the others at once.
            Arrangement::Parallel if !regeneration.is_cut_short() => Position::Service,
            _ => self.settings.rest_position(),
        }
    }

    /// Sends each drive where it should be: unknown ones are sought one at a time, tanks believed
    /// serving last (V2); none leaves service before another is confirmed there (S3).
    #[inline(never)]
    pub(super) fn send_drives(&mut self, now: Instant) -> bool {
        let mut sent = false;
        for id in self.ids() {
            if !self.has_room() {
                return true;
            }
            let Some(tank) = self.tanks.get(id.index()) else { continue };
            let Some(wanted) = self.wanted(id, tank) else { continue };
            if !self.may_move(tank, wanted) {
                continue;
            }
            let Some(tank) = self.tanks.get_mut(id.index()) else { continue };
            let target = tank.drive.target();
            let event = tank.drive.go(now, wanted, &self.settings.drive);
            sent |= event.is_some() || tank.drive.target() != target;
            self.note_drive(id, event);
        }
        sent
    }

    pub(super) fn may_move(&self, tank: &Tank, wanted: Position) -> bool {
        if tank.drive.position() == Some(wanted) {
            return true;
        }
        if tank.drive.is_unknown() {
            let others_wait = |t: &Tank| t.drive.is_powering_up() || t.drive.is_seeking();
            let serves = matches!(tank.duty, Duty::Serving);
            let first = |t: &Tank| serves && t.drive.is_unknown() && !matches!(t.duty, Duty::Serving);
            return !self.tanks.iter().any(|t| others_wait(t) || first(t));
        }
        let leaves = tank.drive.position() == Some(Position::Service) && wanted != Position::Service;
        // Over brine it may not stand there (S12), and those that could relieve it wait for its rinses (S9).
        let relieved = self.settings.arrangement == Arrangement::Single
            || is_salted(tank)
            || self.confirmed_serving() >= self.floor().min(self.may_serve_meanwhile(tank))
            || self.settings.allow_untreated;
        !leaves || relieved
    }

    /// Tanks that serve or are to, without the one that wants to leave. To wait for more would be to wait for ever: those
    /// that are spent regenerate only after it (S9). One that has no need to leave waits for one at least (S2).
    fn may_serve_meanwhile(&self, leaving: &Tank) -> usize {
        let serves = |(id, t): &(TankId, &Tank)| {
            matches!(t.duty, Duty::Serving)
                || self.joining.contains(*id)
                || self.changeover.is_some_and(|c| c.to == *id)
        };
        let count = tank_ids(&self.tanks).filter(serves).count();
        if leaving.regeneration().is_some() { count } else { count.max(1) }
    }
}
