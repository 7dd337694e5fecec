//! The drain and the brine tank are shared: each step has what it needs, or waits for it (S1).
//!
//! A tank gets all that its step needs or nothing, and one that waits goes to where it rests and so
//! frees the drain; the brine tank alone is kept while waiting for the drain. Nobody waits in a circle.
//! Power is back: everything is given anew, once no valve can be open that nobody has found yet.

use serde::{Deserialize, Serialize};

use super::after_power::is_sought;
use super::{Controller, tank_ids};
use crate::demand::{Hold, HoldSet};
use crate::duty::{Duty, Tank};
use crate::program::Position;
use crate::sequence::Regeneration;
use crate::settings::Uses;
use crate::units::{Instant, TankId, TankSet};

/// Which tanks have what they share.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Resources {
    /// Tanks that discharge, are about to, or have not confirmed that they ceased.
    pub drain: TankSet,
    /// The tank that uses the brine tank, or has it kept for it.
    pub brine: TankSet,
}

impl<const N: usize> Controller<N> {
    /// What a tank needs now.
    fn uses(&self, id: TankId, tank: &Tank) -> Uses {
        match &tank.duty {
            Duty::Out { .. } => self
                .tried_position(id)
                .map_or_else(Uses::default, |tried| Uses { drain: tried.discharges(), brine: tried.uses_brine_tank() }),
            Duty::Regenerating(regeneration) => regeneration.uses(&self.settings),
            Duty::Purging { .. } => Uses { drain: true, brine: false },
            _ => Uses::default(),
        }
    }

    /// Whether a tank has what its step needs.
    pub(super) fn has_its_share(&self, id: TankId, tank: &Tank) -> bool {
        let uses = self.uses(id, tank);
        (!uses.drain || self.has_drain(id, tank)) && (!uses.brine || self.has_brine(id, tank))
    }

    fn has_drain(&self, id: TankId, tank: &Tank) -> bool {
        self.resources.drain.contains(id) && !self.has_lost_taken_drain(id) && !self.is_drain_crowded(id, tank)
    }

    fn has_brine(&self, id: TankId, tank: &Tank) -> bool {
        self.resources.brine.contains(id) && !self.has_lost_taken_brine(id) && !self.is_brine_crowded(id, tank)
    }

    /// Others that use what this tank uses, and go first: valves found open to the same after a power cut (S1).
    fn before(&self, id: TankId, tank: &Tank, shared: TankSet, uses: fn(Uses) -> bool) -> usize {
        let place = |id: TankId, tank: &Tank| (began(tank), id);
        let mine = place(id, tank);
        let goes = |(other, t): &(TankId, &Tank)| {
            shared.contains(*other) && uses(self.uses(*other, t)) && place(*other, t) < mine
        };
        tank_ids(&self.tanks).filter(goes).count()
    }

    fn is_drain_crowded(&self, id: TankId, tank: &Tank) -> bool {
        let most = usize::from(self.settings.sharing.draining_together);
        self.before(id, tank, self.resources.drain, |uses| uses.drain) >= most
    }

    fn is_brine_crowded(&self, id: TankId, tank: &Tank) -> bool {
        self.before(id, tank, self.resources.brine, |uses| uses.brine) > 0
    }

    /// Valves that were lost since a tank was given the drain may be open to it as well: it is too much for all (S1, V3).
    fn has_lost_taken_drain(&self, id: TankId) -> bool {
        let others = || tank_ids(&self.tanks).filter(|(other, _)| *other != id);
        let uses =
            |(other, tank): &(TankId, &Tank)| tank.drive.may_discharge() || self.resources.drain.contains(*other);
        others().any(|(_, tank)| tank.drive.may_discharge())
            && others().filter(uses).count() >= usize::from(self.settings.sharing.draining_together)
    }

    /// The same of the brine tank.
    fn has_lost_taken_brine(&self, id: TankId) -> bool {
        tank_ids(&self.tanks).any(|(other, tank)| other != id && tank.drive.may_use_brine_tank())
    }

    /// What a tank that regenerates or purges waits for.
    pub(super) fn share_holds(&self, id: TankId, tank: &Tank) -> HoldSet {
        let mut holds = HoldSet::EMPTY;
        if self.has_its_share(id, tank) {
            return holds;
        }
        let uses = self.uses(id, tank);
        // What it has it does not wait for, whoever else may stand open to it and not use it (S9).
        if uses.drain && !self.has_drain(id, tank) && self.is_drain_full(Some(id)) {
            holds.insert(Hold::DrainBusy);
        }
        if uses.brine && !self.has_brine(id, tank) && self.is_brine_taken(Some(id)) {
            holds.insert(Hold::BrineBusy);
        }
        holds
    }

    /// As many others use the drain as it can take; a valve that is being found may be open to it.
    pub(super) fn is_drain_full(&self, but: Option<TankId>) -> bool {
        let users = tank_ids(&self.tanks).filter(|(id, tank)| {
            let may = tank.drive.may_discharge() || is_sought(&tank.drive);
            Some(*id) != but && (self.resources.drain.contains(*id) || may)
        });
        users.count() >= usize::from(self.settings.sharing.draining_together)
    }

    /// Lost valves alone may use all of the drain.
    pub(super) fn is_drain_lost(&self) -> bool {
        let lost = self.tanks.iter().filter(|tank| tank.drive.may_discharge());
        lost.count() >= usize::from(self.settings.sharing.draining_together)
    }

    /// Another tank uses the brine tank.
    pub(super) fn is_brine_taken(&self, but: Option<TankId>) -> bool {
        tank_ids(&self.tanks).any(|(id, tank)| {
            let may = tank.drive.may_use_brine_tank() || is_sought(&tank.drive);
            Some(id) != but && (self.resources.brine.contains(id) || may)
        })
    }

    /// Takes back what is no longer used and gives what is free, to who began first.
    #[inline(never)]
    pub(super) fn arbitrate(&mut self) -> bool {
        let before = self.resources;
        self.release();
        while let Some((id, uses)) = self.next_to_get() {
            if uses.drain {
                self.resources.drain.insert(id);
            }
            if uses.brine {
                self.resources.brine.insert(id);
            }
        }
        self.resources != before
    }

    fn release(&mut self) {
        let mut resources = self.resources;
        for (id, tank) in tank_ids(&self.tanks) {
            let uses = self.uses(id, tank);
            let waits = !self.has_its_share(id, tank);
            // On its way it may still be open; a lost valve is looked at by itself.
            let stands = |open: fn(Position) -> bool| match tank.drive.position() {
                Some(at) => open(at),
                None => !tank.drive.is_lost(),
            };
            if (!uses.drain || waits) && !stands(Position::discharges) {
                resources.drain.remove(id);
            }
            let crowded = self.has_lost_taken_brine(id) || self.is_brine_crowded(id, tank);
            if (!uses.brine || crowded) && !stands(Position::uses_brine_tank) {
                resources.brine.remove(id);
            }
            if tank.drive.position().is_some_and(Position::discharges) {
                resources.drain.insert(id);
            }
            if tank.drive.position().is_some_and(Position::uses_brine_tank) {
                resources.brine.insert(id);
            }
        }
        self.resources = resources;
    }

    /// The tank that waits for nothing but to be given what is free; of several the one that began first.
    fn next_to_get(&self) -> Option<(TankId, Uses)> {
        let waiting = tank_ids(&self.tanks).filter(|(id, tank)| !self.has_its_share(*id, tank));
        let free = waiting.filter(|(id, tank)| self.share_holds(*id, tank).is_empty());
        free.min_by_key(|(_, tank)| began(tank)).map(|(id, tank)| (id, self.uses(id, tank)))
    }
}

/// When what a tank shares for began; nothing for what is no regeneration.
fn began(tank: &Tank) -> Option<Instant> {
    tank.regeneration().map(Regeneration::started_at)
}
