//! What is due is done: each transition is one named function that records its cause.

use super::holds::Survey;
use super::outside::Outside;
use super::{Changeover, Controller, NEVER, tank_ids};
use crate::calendar::{self, Civil, HourOutcome};
use crate::contact::Contact;
use crate::demand::{Cause, Hold, HoldSet};
use crate::drive::DriveEvent;
use crate::duty::{Duty, DutyKind, OutReason, Tank};
use crate::journal::{Event, Reason};
use crate::program::{Position, StepKind};
use crate::sequence::{Outcome, Phase, Regeneration, SequenceEvent};
use crate::settings::{Arrangement, RemoteRole, Schedule, StartRule};
use crate::units::{Instant, Millis, SaltMass, TankId, TankSet, elapsed, later};

/// Passes until nothing changes any more; far more than any instant needs.
const MAX_PASSES: u8 = 24;

impl<const N: usize> Controller<N> {
    /// Does everything that is due at `now`, then names the next deadline.
    #[inline(never)]
    pub(super) fn decide(&mut self, now: Instant) {
        self.poll_contacts(now);
        for meter in &mut self.meters {
            meter.poll(now, self.settings.meter_settings());
        }
        self.poll_hour(now);
        let mut survey = Survey::default();
        let mut outside = None;
        for _ in 0..MAX_PASSES {
            let mut changed = false;
            for id in self.ids() {
                changed |= self.poll_drive(now, id);
                changed |= self.poll_duty(now, id);
                changed |= self.ask_from_ledger(now, id);
            }
            changed |= self.poll_changeover(now);
            survey = self.survey(now, &mut outside);
            changed |= self.start_waiting(now, &survey);
            changed |= self.send_drives(now);
            if !changed {
                break;
            }
        }
        // The last pass changed nothing, so what it saw still stands.
        self.note_holds(now, &survey);
        self.raise_alarms(now);
        self.in_service = self.serving_set();
        self.deadline = self.find_deadline(now, &survey, outside.as_ref());
    }

    fn ids(&self) -> impl Iterator<Item = TankId> + use<N> {
        (0u8..).map(TankId).take(self.tanks.len())
    }

    pub(super) fn tank_mut(&mut self, id: TankId) -> Option<&mut Tank> {
        self.tanks.get_mut(id.index())
    }

    /// Tanks whose beds the water passes: serving, or waiting for brine in the service position (Q1).
    fn serving_set(&self) -> TankSet {
        let mut set = TankSet::EMPTY;
        for (id, tank) in tank_ids(&self.tanks) {
            let serves = match &tank.duty {
                Duty::Serving => true,
                Duty::Regenerating(r) => {
                    matches!(r.phase(), Phase::Running { .. }) && r.wanted(&self.settings) == Some(Position::Service)
                }
                _ => false,
            };
            if serves {
                set.insert(id);
            }
        }
        set
    }

    // ---- contacts and calendar -------------------------------------------------------------

    #[inline(never)]
    fn poll_contacts(&mut self, now: Instant) {
        let debounce = self.settings.contact_debounce;
        let before = |c: &crate::contact::Debounced| c.closed_since().is_some();
        for contact in [Contact::Remote, Contact::Sensor, Contact::LowPressure] {
            if contact == Contact::Remote && self.settings.remote == RemoteRole::Off {
                continue;
            }
            let unit = self.contact_mut(contact);
            let was = before(unit);
            let edge = unit.poll(now, debounce);
            let closed = before(unit);
            if was != closed {
                self.write(Event::Contact { contact, closed });
            }
            if edge && contact == Contact::Sensor {
                self.ask_from_sensor(now);
            }
        }
        self.poll_remote(now);
    }

    /// A hardness monitor closed: the serving tank nearest exhaustion is asked for.
    fn ask_from_sensor(&mut self, now: Instant) {
        if let Some(id) = self.nearest_exhaustion(|t| matches!(t.duty, Duty::Serving)) {
            self.ask(now, id, Cause::Sensor);
        }
    }

    /// The remote contact asks by its edge, after its minimum closure (C4).
    #[inline(never)]
    fn poll_remote(&mut self, now: Instant) {
        let Some(since) = self.remote_pending() else { return };
        // Open at the pin, it has not been closed so long, even if that is not believed yet.
        if elapsed(since, now) < self.settings.remote_minimum || !self.contacts.remote.is_closed_at_pin() {
            return;
        }
        self.contacts.remote_served = Some(since);
        let Some(id) = self.nearest_exhaustion(|t| !matches!(t.duty, Duty::Out { .. })) else { return };
        let regenerating = self.tanks.get(id.index()).is_some_and(|t| t.regeneration().is_some());
        if regenerating {
            self.write(Event::RemoteIgnored { tank: id });
        } else {
            self.ask(now, id, Cause::Remote);
        }
    }

    /// The closure of the remote contact that still has to be acted on.
    fn remote_pending(&self) -> Option<Instant> {
        if !matches!(self.settings.remote, RemoteRole::Now | RemoteRole::AtHour) {
            return None;
        }
        let since = self.contacts.remote.closed_by_edge()?;
        (self.contacts.remote_served != Some(since)).then_some(since)
    }

    fn nearest_exhaustion(&self, fits: impl Fn(&Tank) -> bool) -> Option<TankId> {
        tank_ids(&self.tanks).filter(|(_, t)| fits(t)).min_by_key(|(_, t)| t.ledger.remaining()).map(|(id, _)| id)
    }

    #[inline(never)]
    fn poll_hour(&mut self, now: Instant) {
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
    /// operator holds is in nobody's way (C7).
    #[inline(never)]
    fn ask_backup(&mut self, now: Instant, date: Option<u32>) {
        let days = u32::from(self.settings.backup_days);
        if days == 0 {
            return;
        }
        let clock = self.clock;
        let due = tank_ids(&self.tanks)
            .filter(|(_, t)| matches!(t.duty, Duty::Serving | Duty::Ready { .. } | Duty::Spent))
            .filter(|(_, t)| t.ledger.has_served() && !t.demand.operator_hold)
            .filter(|(_, t)| calendar::dates_since(t.ledger.regenerated_at(), now, date, clock) >= days)
            .min_by_key(|(_, t)| t.ledger.regenerated_at())
            .map(|(id, _)| id);
        if let Some(id) = due {
            self.ask(now, id, Cause::BackupDay);
        }
    }

    /// The calendar asks for the serving tank (C3), by the date that the hour belongs to (T2).
    #[inline(never)]
    fn ask_scheduled(&mut self, now: Instant, date: u32) {
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

    // ---- asking ------------------------------------------------------------------------------

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
        if tank.regeneration().is_some() {
            return false;
        }
        let new = tank.demand.ask(now, cause, at_once);
        if new {
            self.write(Event::Asked { tank: id, cause });
        }
        new
    }

    #[inline(never)]
    fn ask_from_ledger(&mut self, now: Instant, id: TankId) -> bool {
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

    // ---- drives --------------------------------------------------------------------------------

    /// Journals what a drive reports.
    pub(super) fn note_drive(&mut self, id: TankId, event: Option<DriveEvent>) {
        let Some(event) = event else { return };
        if let Some(tank) = self.tank_mut(id) {
            match event {
                DriveEvent::MovedAway(_) => tank.moved = true,
                DriveEvent::Confirmed(_) | DriveEvent::Lost => tank.moved = false,
                _ => {}
            }
        }
        self.write(Event::Drive { tank: id, event });
    }

    #[inline(never)]
    fn poll_drive(&mut self, now: Instant, id: TankId) -> bool {
        let Some(tank) = self.tanks.get_mut(id.index()) else { return false };
        let before = tank.drive.deadline();
        let found = tank.drive.is_powering_up();
        let event = tank.drive.poll(now, &self.settings.drive);
        let stirred = event.is_some() || tank.drive.deadline() != before;
        self.note_drive(id, event);
        match event {
            Some(DriveEvent::Lost) => self.put_out_for_lost_drive(id),
            // Power failed while it regenerated: the bed may hold brine (S12).
            Some(DriveEvent::Confirmed(Position::BrineDraw | Position::SlowRinse | Position::FastRinse)) if found => {
                self.brine_in_bed(now, id);
            }
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
            Arrangement::Alternating => self.set_duty(id, Duty::Spent, Reason::BrineInBed),
        }
    }

    /// A lost drive puts its tank out; a regeneration under way has failed (V3, L3).
    fn put_out_for_lost_drive(&mut self, id: TankId) {
        let failed = self.tanks.get(id.index()).and_then(Tank::regeneration).copied();
        if let Some(regeneration) = failed {
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

    /// Where a tank's valve should stand now; `None` = leave it.
    fn wanted(&self, id: TankId, tank: &Tank) -> Option<Position> {
        match &tank.duty {
            Duty::Serving => Some(Position::Service),
            Duty::Ready { .. } if self.changeover.is_some_and(|c| c.to == id) => Some(Position::Service),
            Duty::Ready { .. } | Duty::Spent => Some(self.settings.rest_position()),
            Duty::Regenerating(r) => r.wanted(&self.settings).or(Some(self.rests_at())),
            Duty::Purging { .. } => Some(Position::FastRinse),
            Duty::Out { reason: OutReason::Operator } => Some(self.settings.rest_position()),
            Duty::Out { reason: OutReason::DriveLost } => None,
        }
    }

    /// Where a tank rests after its regeneration.
    fn rests_at(&self) -> Position {
        match self.settings.arrangement {
            Arrangement::Single => Position::Service,
            Arrangement::Alternating => self.settings.rest_position(),
        }
    }

    /// Sends each drive where it should be: unknown ones are sought one at a time, tanks believed
    /// serving last (V2); none leaves service before another is confirmed there (S3).
    #[inline(never)]
    fn send_drives(&mut self, now: Instant) -> bool {
        let mut sent = false;
        for id in self.ids() {
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

    fn may_move(&self, tank: &Tank, wanted: Position) -> bool {
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
        let relieved = self.settings.arrangement == Arrangement::Single
            || self.is_confirmed_serving()
            || self.settings.allow_untreated;
        !leaves || relieved
    }

    // ---- duties --------------------------------------------------------------------------------

    #[inline(never)]
    pub(super) fn set_duty(&mut self, id: TankId, duty: Duty, reason: Reason) {
        let kind = duty.kind();
        if let Some(tank) = self.tank_mut(id) {
            tank.duty = duty;
        }
        self.write(Event::Duty { tank: id, duty: kind, reason });
    }

    fn poll_duty(&mut self, now: Instant, id: TankId) -> bool {
        match self.tanks.get(id.index()).map(|t| t.duty.kind()) {
            Some(DutyKind::Regenerating) => self.poll_regeneration(now, id),
            Some(DutyKind::Purging) => self.poll_purge(now, id),
            _ => false,
        }
    }

    #[inline(never)]
    fn poll_regeneration(&mut self, now: Instant, id: TankId) -> bool {
        let rests_at = self.rests_at();
        let Some(tank) = self.tanks.get_mut(id.index()) else { return false };
        let at = tank.drive.position();
        let Duty::Regenerating(regeneration) = &mut tank.duty else { return false };
        let event = regeneration.poll(now, at, rests_at, &self.settings);
        let regeneration = *regeneration;
        match event {
            Some(SequenceEvent::Started(step)) => self.write(Event::StepStarted { tank: id, step }),
            Some(SequenceEvent::Interrupted(step)) => self.write(Event::StepInterrupted { tank: id, step }),
            Some(SequenceEvent::Ended(step, ran)) => self.step_ended(now, id, step, ran),
            Some(SequenceEvent::Finished(outcome)) => self.finish_regeneration(now, id, &regeneration, outcome),
            None => return false,
        }
        true
    }

    /// A step is over: its drain water is reckoned, and a refill starts the brine's time.
    pub(super) fn step_ended(&mut self, now: Instant, id: TankId, step: StepKind, ran: Millis) {
        let drained = self.settings.drain_flow(step).over(ran);
        self.add_drained(now, drained);
        if step == StepKind::BrineRefill && ran > Millis::ZERO {
            self.brine.refilled(now);
        }
        self.write(Event::StepEnded { tank: id, step, ran, drained });
    }

    /// The valve rests after the last step: what was served is restored (S6), what was cut short is not (L3).
    #[inline(never)]
    fn finish_regeneration(&mut self, now: Instant, id: TankId, regeneration: &Regeneration, outcome: Outcome) {
        self.end_regeneration(id, regeneration, outcome);
        let single = self.settings.arrangement == Arrangement::Single;
        let (medium, reserve) = (self.settings.medium, self.settings.reserve);
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        if outcome == Outcome::Complete {
            tank.ledger.regenerated(now, &medium, &reserve);
            tank.demand.settle();
            tank.unproven = false;
        } else {
            // The causes stand; after an operator's cut nobody but an operator lets it begin again.
            tank.demand.operator_hold |= regeneration.is_cut_by_operator();
        }
        let duty = match (single, outcome) {
            (true, _) => Duty::Serving,
            (false, Outcome::Complete) => Duty::Ready { since: now },
            (false, _) => Duty::Spent,
        };
        self.set_duty(id, duty, Reason::Ended(outcome));
    }

    /// Journals the end of a regeneration and what it left in the bed.
    fn end_regeneration(&mut self, id: TankId, regeneration: &Regeneration, outcome: Outcome) {
        let percent = regeneration.dose_percent(&self.settings);
        let usual = u64::from(self.settings.salt.0);
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let drawn = regeneration.brine().was_drawn();
        tank.salted = regeneration.brine().must_rinse();
        tank.unproven |= drawn && outcome != Outcome::Complete;
        let salt_mg = if drawn { usual.saturating_mul(u64::from(percent)) / 100 } else { 0 };
        let event = Event::Ended {
            tank: id,
            outcome,
            volume: tank.ledger.since_regeneration(),
            overrun: tank.ledger.overrun(),
            salt: SaltMass(u32::try_from(salt_mg).unwrap_or(u32::MAX)),
        };
        self.write(event);
    }

    #[inline(never)]
    fn poll_purge(&mut self, now: Instant, id: TankId) -> bool {
        let length = self.settings.purge;
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

    fn end_purge(&mut self, now: Instant, id: TankId, ran: Millis) {
        let drained = self.settings.drain_flow(StepKind::FastRinse).over(ran);
        self.add_drained(now, drained);
        self.write(Event::PurgeEnded { tank: id, drained });
        self.set_duty(id, Duty::Ready { since: now }, Reason::Purged);
    }

    // ---- changeover -----------------------------------------------------------------------------

    #[inline(never)]
    fn poll_changeover(&mut self, now: Instant) -> bool {
        if self.settings.arrangement == Arrangement::Single {
            return false;
        }
        let Some(changeover) = self.changeover else { return self.begin_changeover(now) };
        let position = |id: TankId| self.tanks.get(id.index()).and_then(|t| t.drive.position());
        if !changeover.relieved {
            let purging = self.tanks.get(changeover.to.index()).is_some_and(|t| matches!(t.duty, Duty::Purging { .. }));
            if purging || position(changeover.to) != Some(Position::Service) {
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

    /// A serving tank that asks, or none serving, brings in the other (A2).
    fn begin_changeover(&mut self, now: Instant) -> bool {
        let serving = tank_ids(&self.tanks).find(|(_, t)| matches!(t.duty, Duty::Serving));
        let from = match serving {
            Some((id, tank)) if tank.leaving || !tank.demand.causes().is_empty() => Some(id),
            Some(_) => return false,
            None => None,
        };
        if from.is_some() && self.changeover_held_until(now).is_some() {
            return false;
        }
        let Some((to, since)) = self.relief(from) else { return false };
        self.changeover = Some(Changeover { from, to, relieved: false });
        self.write(Event::ChangeoverBegan { from, to });
        let stale = since.is_some_and(|since| elapsed(since, now) > self.settings.stale_after);
        let drain_free = !self.tanks.iter().any(|t| t.regeneration().is_some() || t.drive.may_discharge());
        if stale && drain_free && from.is_some() {
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
    fn take_over(&mut self, changeover: Changeover) {
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

    // ---- starting --------------------------------------------------------------------------------

    /// Starts the first of the tanks that nothing holds: by leading cause, then off-line before
    /// serving, then who asked first (C7).
    #[inline(never)]
    pub(super) fn start_waiting(&mut self, now: Instant, survey: &Survey<N>) -> bool {
        let first = tank_ids(&self.tanks)
            .zip(survey)
            .filter(|((_, t), held)| is_waiting(t) && held.holds.is_empty())
            .min_by_key(|((_, t), _)| (t.demand.leading(), matches!(t.duty, Duty::Serving), t.demand.asked_at()))
            .map(|((id, _), _)| id);
        let Some(id) = first else { return false };
        self.start_regeneration(now, id);
        true
    }

    pub(super) fn start_regeneration(&mut self, now: Instant, id: TankId) {
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let causes = tank.demand.causes();
        let (Some(leading), Some(asked_at)) = (tank.demand.leading(), tank.demand.asked_at()) else { return };
        let regeneration = if tank.salted {
            Regeneration::rinse_out(now, &self.settings)
        } else {
            let count = tank.regenerations;
            tank.regenerations = count.wrapping_add(1);
            Regeneration::begin(now, count, &self.settings)
        };
        tank.demand.held_by = HoldSet::EMPTY;
        tank.demand.flow_wait_since = None;
        self.write(Event::Started { tank: id, leading, causes, asked_at });
        self.set_duty(id, Duty::Regenerating(regeneration), Reason::Started);
    }

    /// Journals holds that came or went, and keeps when the flow alone first held.
    #[inline(never)]
    fn note_holds(&mut self, now: Instant, survey: &Survey<N>) {
        self.waiting = false;
        for (id, held) in self.ids().zip(survey) {
            let holds = held.holds;
            let Some(tank) = self.tanks.get_mut(id.index()).filter(|t| is_waiting(t)) else { continue };
            self.waiting |= self.settings.start_flow_limit.0 > 0;
            let held_before = tank.demand.held_by;
            if holds == HoldSet::only(Hold::FlowTooHigh) {
                tank.demand.flow_wait_since.get_or_insert(now);
            }
            if holds != held_before {
                tank.demand.held_by = holds;
                self.write(Event::Held { tank: id, holds });
            }
        }
    }

    // ---- the next deadline -------------------------------------------------------------------------

    #[inline(never)]
    fn find_deadline(&self, now: Instant, survey: &Survey<N>, outside: Option<&Outside>) -> Instant {
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
        for contact in [&self.contacts.remote, &self.contacts.sensor, &self.contacts.low_pressure] {
            next.consider(contact.deadline(settings.contact_debounce));
        }
        next.consider(self.remote_pending().map(|since| later(since, settings.remote_minimum)));
        for meter in &self.meters {
            next.consider(meter.deadline());
        }
        next.consider(self.hour.deadline(now, self.clock, settings.hour_minute, settings.hour_grace));
        next.consider(self.changeover_held_until(now));
        self.watch_deadlines(now, &mut next);
        next.at
    }
}

/// A regeneration is asked for and has not started.
pub(super) fn is_waiting(tank: &Tank) -> bool {
    tank.regeneration().is_none() && !tank.demand.causes().is_empty()
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
