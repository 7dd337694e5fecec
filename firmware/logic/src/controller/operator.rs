//! What operators ask: granted or refused, journalled either way (Q5, A7, S12).

use super::capacity::medium_of;
use super::{Controller, tank_ids};
use crate::demand::Cause;
use crate::duty::{Duty, OutReason, Restarts, Tank};
use crate::journal::{Event, Reason, Who};
use crate::ledger::Ledger;
use crate::operator::{Action, Refused};
use crate::sequence::{Regeneration, StepRefused};
use crate::settings::Arrangement;
use crate::units::{Instant, TankId};

impl<const N: usize> Controller<N> {
    pub(super) fn operate(&mut self, now: Instant, who: Who, action: Action) -> Result<(), Refused> {
        // Whoever is behind a remote contact may ask for a start, by their contact's rules, and nothing else (O1, C4).
        let remote = who == Who::Remote && matches!(action, Action::StartNow(_) | Action::StartAtHour(_));
        let result = if remote || self.is_unlocked(now, who) {
            self.locks.used(now, who);
            self.try_operate(now, action)
        } else {
            Err(Refused::Locked)
        };
        self.write(Event::Operator { who, action, granted: result.is_ok() });
        result
    }

    fn try_operate(&mut self, now: Instant, action: Action) -> Result<(), Refused> {
        let id = action.tank().unwrap_or(TankId(0));
        if self.tanks.get(id.index()).is_none() {
            return Err(Refused::NoSuchTank);
        }
        match action {
            Action::StartNow(_) => self.ask_by_operator(now, id, true),
            Action::StartAtHour(_) => self.ask_by_operator(now, id, false),
            Action::Withdraw(_) => self.withdraw(id),
            Action::StepForward(_) => self.step_forward(now, id),
            Action::Abort(_) => self.abort(now, id),
            Action::Hold(_) => self.set_hold(id, true),
            Action::Release(_) => self.set_hold(id, false),
            Action::TakeOut(_) => self.take_out(id),
            Action::PutBack(_) => self.put_back(now, id),
            Action::Vouch(_) => self.vouch(now, id),
            Action::ShutByHand(_) => self.shut_by_hand(id),
            Action::Leave { days } => self.leave(now, days),
            Action::Return => self.come_back(now),
            Action::TestDrive { tank, position } => self.test_drive(now, tank, position),
            Action::TestRelay { relay, seconds } => self.test_relay(now, relay, seconds),
            Action::TestContacts => self.test_contacts(now),
            Action::CountPulses { meter } => self.count_pulses(now, meter),
            Action::Caught { volume } => self.caught(volume),
            Action::EndTest => self.end_test(),
            Action::TestHardness { treated, feed, .. } => self.test_hardness(id, treated, feed),
            Action::ReplaceResin(_) => self.replace_resin(now, id),
            Action::Alarm(answer) => self.operate_alarm(now, answer),
            Action::BrineReady => self.confirm_brine().then_some(()).ok_or(Refused::NoBrineStored),
            Action::SaltFilled => {
                self.brine.salt_filled();
                Ok(())
            }
        }
    }

    fn ask_by_operator(&mut self, now: Instant, id: TankId, at_once: bool) -> Result<(), Refused> {
        match self.tanks.get(id.index()).map(|t| &t.duty) {
            Some(Duty::Regenerating(r)) if !r.is_make_up() => return Err(Refused::AlreadyRegenerating),
            Some(Duty::Out { .. }) => return Err(Refused::TankIsOut),
            _ => {}
        }
        self.ask_when(now, id, Cause::Manual, at_once);
        Ok(())
    }

    fn withdraw(&mut self, id: TankId) -> Result<(), Refused> {
        let tank = self.tank_mut(id).ok_or(Refused::NoSuchTank)?;
        if matches!(tank.duty, Duty::Spent) {
            // Nothing would ask for it any more, and it would stand spent for ever (S9).
            return Err(Refused::MustRegenerate);
        }
        if tank.regeneration().is_some() {
            return Err(Refused::AlreadyRegenerating);
        }
        if tank.demand.causes().is_empty() {
            return Err(Refused::NothingAsked);
        }
        tank.demand.settle();
        Ok(())
    }

    fn regeneration_mut(&mut self, id: TankId) -> Result<(&mut Regeneration, &crate::settings::Settings), Refused> {
        let tank = self.tanks.get_mut(id.index()).ok_or(Refused::NoSuchTank)?;
        match &mut tank.duty {
            Duty::Regenerating(regeneration) => Ok((regeneration, &self.settings)),
            _ => Err(Refused::NotRegenerating),
        }
    }

    fn step_forward(&mut self, now: Instant, id: TankId) -> Result<(), Refused> {
        let (regeneration, settings) = self.regeneration_mut(id)?;
        let run = regeneration.step_forward(now, settings).map_err(|refused| match refused {
            StepRefused::RinseFirst => Refused::RinseFirst,
            StepRefused::NothingToStep => Refused::NothingToStep,
        })?;
        self.step_ended(now, id, &run);
        Ok(())
    }

    fn abort(&mut self, now: Instant, id: TankId) -> Result<(), Refused> {
        let (regeneration, settings) = self.regeneration_mut(id)?;
        if regeneration.step(settings).is_none() {
            return Err(Refused::NothingToStep);
        }
        if let Some(run) = regeneration.abort(now, settings) {
            self.step_ended(now, id, &run);
        }
        Ok(())
    }

    fn set_hold(&mut self, id: TankId, hold: bool) -> Result<(), Refused> {
        let tank = self.tank_mut(id).ok_or(Refused::NoSuchTank)?;
        tank.demand.operator_hold = hold;
        if !hold && core::mem::take(&mut tank.restarts.gave_up) {
            tank.restarts.count = 0;
        }
        Ok(())
    }

    fn take_out(&mut self, id: TankId) -> Result<(), Refused> {
        let stays = |t: &Tank| matches!(t.duty, Duty::Ready { .. } | Duty::Serving) && !t.leaving;
        let others_can_serve = tank_ids(&self.tanks).any(|(other, t)| other != id && stays(t));
        // Another waits to be relieved, and this one is to do it (S2).
        let awaited = !others_can_serve && tank_ids(&self.tanks).any(|(other, t)| other != id && t.leaving);
        let allowed = self.settings.allow_untreated;
        let tank = self.tank_mut(id).ok_or(Refused::NoSuchTank)?;
        match tank.duty {
            Duty::Out { .. } => Err(Refused::TankIsOut),
            Duty::Regenerating(_) | Duty::Purging { .. } => Err(Refused::AlreadyRegenerating),
            Duty::Ready { .. } | Duty::Serving if awaited => Err(Refused::WouldLeaveNoneServing),
            Duty::Serving if others_can_serve => {
                // It leaves once the other has taken over (S3).
                tank.leaving = true;
                Ok(())
            }
            Duty::Serving if !allowed => Err(Refused::WouldLeaveNoneServing),
            Duty::Serving | Duty::Ready { .. } | Duty::Spent => {
                self.changeover = self.changeover.filter(|c| c.to != id && c.from != Some(id));
                self.set_duty(id, Duty::Out { reason: OutReason::Operator }, Reason::Operator);
                Ok(())
            }
        }
    }

    /// Back in: it regenerates first (A7); with brine left in it, it is rinsed out before (S12).
    fn put_back(&mut self, now: Instant, id: TankId) -> Result<(), Refused> {
        let single = self.settings.arrangement == Arrangement::Single;
        let tank = self.tanks.get_mut(id.index()).ok_or(Refused::NoSuchTank)?;
        if tank.leaving {
            tank.leaving = false;
            return Ok(());
        }
        if !matches!(tank.duty, Duty::Out { .. }) {
            return if self.forgive_shared(now) { Ok(()) } else { Err(Refused::NotOut) };
        }
        let event = tank.drive.forgive(now, &self.settings.drive);
        tank.demand.operator_hold = false;
        let salted = tank.salted;
        self.note_drive(id, event);
        self.ask_when(now, id, Cause::Manual, true);
        match (single, salted) {
            // It has no other place to wait than in service.
            (true, true) => self.start_regeneration(now, id),
            (true, false) => self.set_duty(id, Duty::Serving, Reason::Operator),
            (false, _) => self.set_duty(id, Duty::Spent, Reason::Operator),
        }
        Ok(())
    }

    /// Fit to serve as it is, an operator says: its account stays as it was. One that is out is put back so.
    fn vouch(&mut self, now: Instant, id: TankId) -> Result<(), Refused> {
        let single = self.settings.arrangement == Arrangement::Single;
        let forgotten = self.power.forgotten.contains(id);
        let reserve = self.reserve_told();
        let tank = self.tanks.get_mut(id.index()).ok_or(Refused::NoSuchTank)?;
        let serves = matches!(tank.duty, Duty::Serving);
        let waits = matches!(tank.duty, Duty::Spent | Duty::Out { .. }) || ((tank.unproven || forgotten) && serves);
        if tank.salted || !waits {
            return Err(Refused::NothingToVouchFor);
        }
        let event = tank.drive.forgive(now, &self.settings.drive);
        tank.unproven = false;
        tank.restarts = Restarts::default();
        tank.demand.settle();
        tank.demand.operator_hold = false;
        if forgotten {
            // What it took up is unknown: an operator says that it is fresh.
            tank.ledger = Ledger::new(now, &medium_of(tank, &self.settings), &reserve);
            self.power.forgotten.remove(id);
        }
        self.note_drive(id, event);
        if !serves {
            let duty = if single { Duty::Serving } else { Duty::Ready { since: now } };
            self.set_duty(id, duty, Reason::Operator);
        }
        Ok(())
    }

    /// A person shut what the drive could not: its drain and its brine go to the others, the tank stays out (S1).
    fn shut_by_hand(&mut self, id: TankId) -> Result<(), Refused> {
        let tank = self.tank_mut(id).ok_or(Refused::NoSuchTank)?;
        if tank.drive.shut_by_hand() { Ok(()) } else { Err(Refused::ValveNotLost) }
    }
}
