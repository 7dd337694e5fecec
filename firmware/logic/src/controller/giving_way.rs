//! A regeneration that waits for good gives way to the tank that it waits for (S9).
//!
//! Where no valve can shut its tank off, one with brine in its bed waits where it stands (S12), and that may be open to the drain
//! or the brine tank. Only its own rinses end that, and as many tanks regenerate as may.

use super::holds::{Held, Survey};
use super::{Controller, is_waiting, tank_ids};
use crate::demand::{Hold, HoldSet};
use crate::duty::{Duty, Tank};
use crate::journal::Reason;
use crate::program::StepKind;
use crate::sequence::{BrineInBed, Outcome};
use crate::settings::Uses;
use crate::units::{Instant, TankId};

impl<const N: usize> Controller<N> {
    /// What a tank that waits off-line keeps from others, since it must wait where it stands.
    pub(super) fn keeps_waiting(&self, tank: &Tank) -> Uses {
        let waits = matches!(tank.duty, Duty::Spent) && self.waits_at(tank).is_none();
        tank.drive.position().filter(|_| waits).map_or_else(Uses::default, Uses::of)
    }

    /// Where all that regenerate wait, and one of them for a tank that nothing but their turn holds, it gives its turn up.
    #[inline(never)]
    pub(super) fn give_way(&mut self, now: Instant, survey: &Survey<N>) -> bool {
        let Some(id) = self.who_gives_way(survey) else { return false };
        self.give_turn_up(now, id);
        // It keeps nothing when the next is looked for.
        self.arbitrate();
        true
    }

    fn who_gives_way(&self, survey: &Survey<N>) -> Option<TankId> {
        let running = || tank_ids(&self.tanks).filter(|(_, tank)| tank.regeneration().is_some());
        if running().any(|(id, tank)| self.share_holds(id, tank).is_empty()) {
            return None;
        }
        let turn_alone = HoldSet::only(Hold::OtherRegenerating);
        let mut kept = HoldSet::EMPTY;
        let ready = |(tank, held): &(&Tank, &Held)| is_waiting(tank) && held.holds == turn_alone;
        for (tank, _) in self.tanks.iter().zip(survey).filter(ready) {
            let keeps = self.keeps_waiting(tank);
            if keeps.drain {
                kept.insert(Hold::DrainBusy);
            }
            if keeps.brine {
                kept.insert(Hold::BrineBusy);
            }
        }
        // One that stands open itself goes on as soon as it is given what it has, or shuts off first (S1).
        // With brine in its own bed it cannot (S12).
        let shut_off = |tank: &Tank| {
            let salted = tank.regeneration().is_some_and(|run| run.brine().must_rinse());
            tank.drive.position().is_some_and(|at| salted || (!at.discharges() && !at.uses_brine_tank()))
        };
        let waits = |id: TankId, tank: &Tank| self.share_holds(id, tank).iter().any(|hold| kept.contains(hold));
        running().find(|(id, tank)| shut_off(tank) && waits(*id, tank)).map(|(id, _)| id)
    }

    /// What it has served counts if only its refill is left, which is made up for later (C8); otherwise it begins again, which is
    /// no new start (C5).
    fn give_turn_up(&mut self, now: Instant, id: TankId) {
        let under_way = |site: &Self| site.tanks.get(id.index()).and_then(Tank::regeneration).copied();
        if let Some(cut) = under_way(self).and_then(|run| run.cut(now, &self.settings)) {
            self.step_ended(now, id, &cut);
        }
        let Some(run) = under_way(self) else { return };
        if run.is_make_up() {
            let duty = if run.came_from_service() { Duty::Serving } else { Duty::Spent };
            return self.set_duty(id, duty, Reason::GaveWay);
        }
        let refills = run.step(&self.settings) == Some(StepKind::BrineRefill) && self.settings.stores_brine();
        if refills && run.brine() == BrineInBed::Rinsed && !run.is_cut_short() {
            return self.finish_regeneration(now, id, &run, Outcome::Complete);
        }
        self.end_regeneration(id, &run, Outcome::Aborted);
        if let Some(tank) = self.tank_mut(id) {
            tank.demand.operator_hold |= run.is_cut_by_operator();
            tank.restarts.pending |= !run.is_cut_short();
        }
        self.set_duty(id, Duty::Spent, Reason::GaveWay);
    }
}
