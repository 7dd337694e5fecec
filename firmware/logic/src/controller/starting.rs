//! The first of the tanks that nothing holds starts; holds that came or went are journalled (C7).

use super::holds::Survey;
use super::{Controller, is_waiting, tank_ids};
use crate::demand::{Hold, HoldSet};
use crate::duty::Duty;
use crate::journal::{Event, Reason};
use crate::sequence::Regeneration;
use crate::units::{Instant, TankId};

impl<const N: usize> Controller<N> {
    /// Starts the first of the tanks that nothing holds: one that keeps the drain or the brine tank from others meanwhile, then by
    /// leading cause, then off-line before serving, then who asked first (C7, S9).
    #[inline(never)]
    pub(super) fn start_waiting(&mut self, now: Instant, survey: &Survey<N>) -> bool {
        let first = tank_ids(&self.tanks)
            .zip(survey)
            .filter(|((_, t), held)| is_waiting(t) && held.holds.is_empty())
            .min_by_key(|((_, t), _)| {
                let keeps = self.keeps_waiting(t);
                let place = (t.demand.leading(), matches!(t.duty, Duty::Serving), t.demand.asked_at());
                (!keeps.brine, !keeps.drain, place)
            })
            .map(|((id, _), _)| id);
        let Some(id) = first else { return false };
        self.start_regeneration(now, id);
        true
    }

    pub(super) fn start_regeneration(&mut self, now: Instant, id: TankId) {
        let Some(tank) = self.tanks.get(id.index()) else { return };
        let percent = self.dose_percent(tank);
        let causes = tank.demand.causes();
        let (Some(leading), Some(asked_at)) = (tank.demand.leading(), tank.demand.asked_at()) else { return };
        let (salted, again) = (tank.salted, tank.restarts.pending);
        if !salted && !again {
            self.brine.regeneration_begins();
        }
        let refill = self.first_refill(percent);
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        tank.chronicle.begin(now, leading, causes, again);
        let regeneration = if salted {
            Regeneration::rinse_out(now, &self.settings)
        } else {
            tank.restarts.pending = false;
            let count = tank.regenerations;
            tank.regenerations = count.wrapping_add(1);
            Regeneration::begin(now, count, percent, refill, &self.settings)
        };
        tank.demand.held_by = HoldSet::EMPTY;
        tank.demand.flow_wait_since = None;
        self.write(Event::Started { tank: id, leading, causes, asked_at });
        self.set_duty(id, Duty::Regenerating(regeneration), Reason::Started);
    }

    /// Journals holds that came or went, and keeps when the flow alone first held; says whether all
    /// have been looked at.
    #[inline(never)]
    pub(super) fn note_holds(&mut self, now: Instant, survey: &Survey<N>) -> bool {
        self.waiting = false;
        for (id, held) in self.ids().zip(survey) {
            if !self.has_room() {
                return false;
            }
            let holds = held.holds;
            let Some(tank) = self.tanks.get_mut(id.index()) else { continue };
            let waits = is_waiting(tank);
            if !waits && holds == tank.demand.held_by {
                continue;
            }
            self.waiting |= waits && (self.settings.start_flow_limit.0 > 0 || self.settings.sharing.tank_flow.0 > 0);
            let held_before = tank.demand.held_by;
            if holds == HoldSet::only(Hold::FlowTooHigh) {
                tank.demand.flow_wait_since.get_or_insert(now);
            }
            if holds != held_before {
                tank.demand.held_by = holds;
                self.write(Event::Held { tank: id, holds });
            }
        }
        true
    }
}
