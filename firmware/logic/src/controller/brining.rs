//! Doses, and a brine tank that runs short: nothing waits for brine for ever (C8, Q4, S6).

use super::capacity::medium_of;
use super::holds::Survey;
use super::{Controller, is_waiting, tank_ids};
use crate::demand::{Hold, HoldSet};
use crate::duty::{Duty, Tank};
use crate::journal::Reason;
use crate::program::StepKind;
use crate::sequence::{Regeneration, StepRun};
use crate::units::{Instant, Millis, TankId, Volume, later};

/// Draws in a row that may fail before a person must look.
const UNDRAWN_LIMIT: u8 = 2;

impl<const N: usize> Controller<N> {
    /// Dose of a tank's next regeneration in percent of the usual one (Q3, Q4).
    pub(super) fn dose_percent(&self, tank: &Tank) -> u16 {
        let settings = &self.settings;
        let full = settings.full_dose_percent(tank.regenerations);
        let proportional = settings.brine.proportional;
        let every = u16::from(proportional.full_every);
        let in_full = tank.regenerations.checked_rem(every).is_none_or(|rest| rest == 0);
        if full != 100 || !proportional.on || in_full || tank.unproven {
            return full;
        }
        tank.ledger.spent_percent(&medium_of(tank, settings)).max(u16::from(proportional.floor_percent)).min(100)
    }

    /// Water that the brine tank should hold after a refill that comes last: the largest dose that any
    /// tank may want next.
    fn water_wanted(&self) -> Volume {
        let percents = self.tanks.iter().map(|t| self.settings.full_dose_percent(t.regenerations));
        self.settings.water_of_dose(percents.max().unwrap_or(100))
    }

    /// The most that may be refilled from the start of one regeneration to that of the next (P5).
    fn refill_cap(&self) -> Volume {
        self.settings.refill_cap()
    }

    /// Water that a refill is to put in now, for so much in all.
    pub(super) fn refill_for(&self, wanted: Volume) -> Volume {
        wanted.minus(self.brine.water()).min(self.brine.may_put_in(self.refill_cap()))
    }

    /// Water that the refill of a regeneration of such a dose is to put in; one that comes last is told anew
    /// once the draw is over.
    pub(super) fn first_refill(&self, dose_percent: u16) -> Volume {
        if self.settings.refills_first() {
            self.refill_for(self.settings.water_of_dose(dose_percent))
        } else {
            self.water_wanted()
        }
    }

    /// A regeneration of this tank would find too little brine (C8); one that only rinses needs none.
    pub(super) fn lacks_brine(&self, tank: &Tank) -> bool {
        let settings = &self.settings;
        settings.stores_brine()
            && !tank.salted
            && !self.brine.is_enough_for(settings.water_of_dose(self.dose_percent(tank)))
    }

    /// The hold of the brine on a waiting tank, with the instant it clears, if known (C7, C8).
    pub(super) fn brine_hold(&self, tank: &Tank, now: Instant) -> Option<Option<Instant>> {
        let settings = &self.settings;
        if settings.refills_first() || tank.salted {
            return None;
        }
        if self.lacks_brine(tank) || tank.makes_up() {
            return Some(self.make_up_ready_at());
        }
        if settings.brine.ready_by_contact {
            let is_open = self.contacts.brine_ready.closed_since().is_none();
            return (is_open || self.are_contacts_tried()).then_some(None);
        }
        self.brine.ready_at(now, settings.brine_ready_after).map(Some)
    }

    /// When brine of the make-up refill that runs will be ready.
    fn make_up_ready_at(&self) -> Option<Instant> {
        if self.power.brine_uncertain {
            return None;
        }
        if self.settings.brine.ready_by_contact {
            return None;
        }
        let making = self.tanks.iter().filter(|t| t.makes_up()).find_map(Tank::regeneration)?;
        making.deadline(&self.settings).map(|ends| later(ends, self.settings.brine_ready_after))
    }

    /// Where nothing but too little brine holds a tank, its own valve makes some more (C8). An off-line
    /// tank does so before its hour; one that serves leaves service for it, so it waits for that.
    #[inline(never)]
    pub(super) fn start_make_up(&mut self, now: Instant, survey: &Survey<N>) -> bool {
        // What another refills comes first; and of what ran in unseen somebody must make sure (P5).
        if self.power.brine_uncertain || self.tanks.iter().any(|t| t.regeneration().is_some()) {
            return false;
        }
        // Too little brine is a hold, so the survey has seen it.
        if !survey.iter().any(|held| held.holds.contains(Hold::BrineNotReady)) {
            return false;
        }
        let alone = |tank: &Tank, holds: HoldSet| {
            let off_line = !matches!(tank.duty, Duty::Serving);
            holds.iter().all(|hold| hold == Hold::BrineNotReady || (off_line && hold == Hold::UntilHour))
        };
        let first = tank_ids(&self.tanks)
            .zip(survey)
            .filter(|((_, t), held)| is_waiting(t) && t.regeneration().is_none() && alone(t, held.holds))
            .filter(|((_, t), _)| self.lacks_brine(t))
            .min_by_key(|((_, t), _)| (t.demand.leading(), matches!(t.duty, Duty::Serving), t.demand.asked_at()))
            .map(|((id, t), _)| (id, matches!(t.duty, Duty::Serving)));
        let Some((id, serves)) = first else { return false };
        let water = self.refill_for(self.water_wanted());
        if water == Volume::ZERO {
            return false;
        }
        let make_up = Regeneration::make_up(now, water, serves, &self.settings);
        self.set_duty(id, Duty::Regenerating(make_up), Reason::MakeUp);
        true
    }

    /// A make-up refill is over: the tank waits on where it came from.
    pub(super) fn finish_make_up(&mut self, id: TankId, make_up: &Regeneration) {
        if let Some(tank) = self.tank_mut(id) {
            tank.demand.operator_hold |= make_up.is_cut_by_operator();
            tank.overlong = make_up.is_overlong();
        }
        let duty = if make_up.came_from_service() { Duty::Serving } else { Duty::Spent };
        self.set_duty(id, duty, Reason::MadeUp);
    }

    /// A step is over, or was cut: what it put into the brine tank or drew from it is reckoned (C8).
    pub(super) fn account_for_brine(&mut self, now: Instant, id: TankId, run: &StepRun) {
        match run.kind {
            StepKind::BrineRefill => self.account_for_refill(now, id, run),
            StepKind::BrineDraw => self.account_for_draw(id, run),
            // What it takes restores nothing; it is gone all the same.
            StepKind::SlowRinse if self.settings.keeps_account() => {
                self.brine.draw(run.water);
            }
            _ => {}
        }
    }

    fn account_for_refill(&mut self, now: Instant, id: TankId, run: &StepRun) {
        if !self.settings.keeps_account() {
            return self.brine.took_up_salt(run.water);
        }
        // Run on unseen, it may have put in any amount: no more is believed than may be (P5).
        let most = self.brine.may_put_in(self.refill_cap()).plus(Volume(self.settings.dose_water().0 / 100));
        self.power.brine_uncertain |= run.water > most;
        if run.water > Volume::ZERO {
            self.brine.refilled(now, run.water.min(most));
        }
        let wanted = self.water_wanted();
        if run.by_contact {
            self.brine.holds_at_least(wanted);
        }
        let left = self.refill_for(wanted);
        if let Some(Duty::Regenerating(regeneration)) = self.tank_mut(id).map(|t| &mut t.duty) {
            regeneration.set_refill(left);
        }
    }

    /// A valve stood in the refill position unseen, at the most so long, or nobody knows how long: that water
    /// is not given once more (P5).
    pub(super) fn refilled_unseen(&mut self, ran: Option<Millis>) {
        if !self.settings.keeps_account() {
            return;
        }
        let wanted = self.water_wanted();
        match ran {
            Some(ran) => {
                let water = self.settings.refill_water(ran).min(self.brine.may_put_in(self.refill_cap()));
                self.brine.refilled(self.now, water);
            }
            None => self.brine.holds_at_least(wanted),
        }
        let left = self.refill_for(wanted);
        for tank in &mut self.tanks {
            if let Duty::Regenerating(regeneration) = &mut tank.duty {
                regeneration.set_refill(left);
            }
        }
    }

    /// Nobody knows what the brine tank holds; somebody must look (P5, S6).
    pub(super) fn forget_brine(&mut self) {
        self.power.brine_uncertain = true;
        if !self.settings.keeps_account() {
            return;
        }
        self.brine.forget(self.refill_cap());
        for tank in &mut self.tanks {
            if let Duty::Regenerating(regeneration) = &mut tank.duty {
                regeneration.set_refill(Volume::ZERO);
            }
        }
    }

    fn account_for_draw(&mut self, id: TankId, run: &StepRun) {
        let drawn = if self.settings.keeps_account() { self.brine.draw(run.water) } else { run.water };
        if run.by_contact {
            self.brine.emptied();
        }
        if run.is_judged {
            self.brine.judge_draw(drawn.0 >= run.dose.0 / 2);
        }
        let refill = self.refill_for(self.water_wanted());
        let follows = !self.settings.refills_first();
        if let Some(Duty::Regenerating(regeneration)) = self.tank_mut(id).map(|t| &mut t.duty) {
            regeneration.note_drawn(drawn);
            if follows {
                regeneration.set_refill(refill);
            }
        }
    }

    /// Draws keep failing: a person must look before another is tried (S9).
    pub(super) fn draws_keep_failing(&self) -> bool {
        self.brine.undrawn() >= UNDRAWN_LIMIT
    }

    /// The level switch closed while nothing draws: the account was wrong (C8).
    pub(super) fn note_brine_empty(&mut self) {
        let draws = self.tanks.iter().any(|t| t.regeneration().is_some_and(|r| !r.is_make_up()));
        if self.settings.stores_brine() && !draws {
            self.brine.emptied();
        }
    }

    /// Someone says that the brine tank holds its dose, ready to be drawn.
    pub(super) fn confirm_brine(&mut self) -> bool {
        let wanted = self.water_wanted();
        let stores = self.settings.stores_brine();
        if stores {
            self.brine.confirmed(wanted);
            self.power.brine_uncertain = false;
        }
        stores
    }

    /// Too little brine for a regeneration that is asked for.
    pub(super) fn is_brine_low(&self) -> bool {
        self.tanks.iter().any(|t| is_waiting(t) && self.lacks_brine(t))
    }

    /// Too little brine, and no more may be put in: only a person can tell what the tank holds (P5).
    pub(super) fn is_refill_used_up(&self) -> bool {
        self.is_brine_low() && self.brine.may_put_in(self.refill_cap()) == Volume::ZERO
    }

    /// Fewer doses are left in the salt store than the settings want.
    pub(super) fn is_salt_low(&self) -> bool {
        let brine = &self.settings.brine;
        brine.store_doses > 0 && self.brine.doses_left(brine.store_doses, self.settings.dose_water()) < brine.low_doses
    }
}
