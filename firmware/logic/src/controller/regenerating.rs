//! Regenerations move on and end; what they restore is restored (Q1, L3, S6).

use super::Controller;
use super::capacity::medium_of;
use crate::calendar::Civil;
use crate::duty::{Duty, Restarts, Tank};
use crate::journal::{Event, Reason};
use crate::program::StepKind;
use crate::sequence::{Outcome, Regeneration, SequenceEvent, StepRun};
use crate::settings::Arrangement;
use crate::units::{Instant, Millis, SaltMass, TankId, elapsed, share};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn poll_regeneration(&mut self, now: Instant, id: TankId) -> bool {
        let Some(regeneration) = self.tanks.get(id.index()).and_then(Tank::regeneration) else { return false };
        let rests_at = self.rests_at(regeneration);
        let Some(tank) = self.tanks.get_mut(id.index()) else { return false };
        let at = tank.drive.position();
        let Duty::Regenerating(regeneration) = &mut tank.duty else { return false };
        let contact = match regeneration.step(&self.settings) {
            Some(StepKind::BrineRefill) => &self.contacts.brine_full,
            Some(StepKind::BrineDraw) => &self.contacts.brine_empty,
            _ => &self.contacts.brine_ready,
        };
        let closed = contact.closed_since().is_some();
        let event = regeneration.poll(now, at, rests_at, closed, &self.settings);
        let regeneration = *regeneration;
        match event {
            Some(SequenceEvent::Started(step)) => self.write(Event::StepStarted { tank: id, step }),
            Some(SequenceEvent::Interrupted(step)) => self.write(Event::StepInterrupted { tank: id, step }),
            Some(SequenceEvent::Ended(run)) => self.step_ended(now, id, &run),
            Some(SequenceEvent::Finished(_)) if regeneration.is_make_up() => self.finish_make_up(id, &regeneration),
            Some(SequenceEvent::Finished(outcome)) => self.finish_regeneration(now, id, &regeneration, outcome),
            None => return false,
        }
        true
    }

    /// A step is over: its drain water and its brine are reckoned.
    pub(super) fn step_ended(&mut self, now: Instant, id: TankId, run: &StepRun) {
        let drained = self.settings.drain_flow(run.kind).over(run.ran);
        self.add_drained(now, drained);
        if let Some(tank) = self.tank_mut(id) {
            tank.chronicle.step_ended(run.kind, run.ran, drained);
        }
        // A later draw takes what is there, and so settles it.
        self.power.brine_uncertain &= run.kind != StepKind::BrineDraw || run.ran == Millis::ZERO;
        self.account_for_brine(now, id, run);
        self.write(Event::StepEnded { tank: id, step: run.kind, ran: run.ran, drained });
    }

    /// The valve rests after the last step: what was served is restored (S6), what was cut short is not (L3).
    #[inline(never)]
    pub(super) fn finish_regeneration(
        &mut self,
        now: Instant,
        id: TankId,
        regeneration: &Regeneration,
        outcome: Outcome,
    ) {
        self.end_regeneration(id, regeneration, outcome);
        let single = self.settings.arrangement == Arrangement::Single;
        let held = self.draws_keep_failing();
        if outcome == Outcome::Complete {
            self.age_resin(now, id);
        }
        let reserve = self.reserve_told();
        let began_at = self.counts_from(regeneration.started_at());
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        if outcome == Outcome::Complete {
            let medium = medium_of(tank, &self.settings);
            tank.derating.regenerated();
            let (given, usual) = (regeneration.drawn().0, self.settings.dose_water().0);
            tank.ledger.regenerated(began_at, &medium, &reserve, given, usual);
            self.lives.regenerated(id.index());
            self.service.regenerations = self.service.regenerations.saturating_add(1);
            tank.demand.settle();
            tank.unproven = false;
            tank.restarts = Restarts::default();
            self.power.forgotten.remove(id);
        } else {
            // The causes stand; after an operator's cut nobody but an operator lets it begin again.
            tank.demand.operator_hold |= regeneration.is_cut_by_operator();
        }
        // Asked again at once for want of salt, it would go on so for ever.
        if held && !core::mem::replace(&mut tank.demand.operator_hold, true) {
            self.write(Event::HeldWithoutBrine { tank: id });
        }
        let duty = match (single, outcome) {
            (true, _) => Duty::Serving,
            (false, Outcome::Complete) => Duty::Ready { since: now },
            (false, _) => Duty::Spent,
        };
        self.set_duty(id, duty, Reason::Ended(outcome));
    }

    /// From when backup days count after a start: within the grace of an hour from that hour, so that neither what held it for a
    /// while nor midnight makes it a day more (C2).
    fn counts_from(&self, started_at: Instant) -> Instant {
        let (minute, grace) = (self.settings.hour_minute, self.settings.hour_grace);
        let hour = match self.clock.civil(started_at) {
            Some(civil) => self.clock.instant(Civil::at(civil.dated(minute), minute)),
            None => self.hour.fired_at(),
        };
        hour.filter(|hour| *hour <= started_at && elapsed(*hour, started_at) < grace).unwrap_or(started_at)
    }

    /// Journals the end of a regeneration and what it left in the bed.
    pub(super) fn end_regeneration(&mut self, id: TankId, regeneration: &Regeneration, outcome: Outcome) {
        let usual = u64::from(self.settings.salt.0);
        let salt_mg = share(usual, regeneration.drawn().0, self.settings.dose_water().0);
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let drawn = regeneration.brine().was_drawn();
        tank.salted = regeneration.brine().must_rinse();
        tank.overlong = regeneration.is_overlong();
        tank.unproven |= drawn && outcome != Outcome::Complete;
        let event = Event::Ended {
            tank: id,
            outcome,
            volume: tank.ledger.since_regeneration(),
            overrun: tank.ledger.overrun(),
            salt: SaltMass(u32::try_from(salt_mg).unwrap_or(u32::MAX)),
        };
        self.write(event);
    }
}
