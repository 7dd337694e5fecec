//! What gives a bed back its capacity (S6): steps served in full where they run, and no more than their salt can restore.

use bedkeeper::sequence::Outcome;

use super::steps::Steps;
use super::{Checker, OF_PLACE, OF_SALT, World};
use crate::plant::Valve;

impl Checker {
    /// S6: complete means that every step that restores was served in full. How much was restored is not
    /// looked at here: the simple plant knows nothing of the bed.
    pub(super) fn check_end(&mut self, tank: usize, outcome: Outcome, world: &World) {
        let steps = self.tanks[tank].steps.take();
        if outcome != Outcome::Complete {
            return;
        }
        self.tanks[tank].begins_again = false;
        let lacking = Steps::restoring(&self.raw).iter().find_map(|kind| match &steps {
            Some(steps) => steps.lacks(*kind),
            None => Some("nobody saw it start".to_owned()),
        });
        self.expect(lacking.is_none(), "S6", tank, world.now_ms, || {
            format!("tank {}: complete, but {}", tank + 1, lacking.unwrap_or_default())
        });
    }

    /// S6: no more is restored than the salt can restore. What the bed took up is reckoned here from what was charged; the
    /// salt is what the record of the end tells.
    pub(super) fn check_restored(&mut self, tank: usize, charged_nl: u64, salt_mg: u32, world: &World) {
        let Some(ledger) = world.controller.tanks().get(tank).map(bedkeeper::duty::Tank::ledger) else { return };
        let left_ug = ledger.prior().0;
        let most = self.tanks[tank].spent.restored(charged_nl, salt_mg, left_ug, &self.raw);
        self.expect(most.is_none(), "S6", tank + OF_SALT, world.now_ms, || {
            format!("tank {}: {}", tank + 1, most.unwrap_or_default())
        });
    }

    /// S6, Q2: while a step's time counts its valve stands where the step runs.
    pub(super) fn check_place(&mut self, i: usize, valve: &Valve, now: u64) {
        let Some(watched) = self.tanks.get_mut(i) else { return };
        let step = watched.steps.as_ref().and_then(Steps::running);
        let strayed = watched.place.see(step, valve, now, &self.raw.drive);
        self.expect(strayed.is_none(), "S6", i + OF_PLACE, now, || {
            format!("tank {}: {}", i + 1, strayed.unwrap_or_default())
        });
    }

    /// S6: nothing but a complete regeneration, or a person's word, gives a bed back what it has taken up.
    pub(super) fn check_left(&mut self, world: &World) {
        for (i, tank) in world.controller.tanks().iter().enumerate() {
            let left = tank.ledger().remaining().nl();
            let before = self.tanks[i].left_nl.replace(left);
            self.expect(before.is_none_or(|before| left <= before), "S6", i, world.now_ms, || {
                let before = before.unwrap_or_default();
                format!("tank {} has {left} nL left and had {before} nL, without a complete regeneration", i + 1)
            });
        }
    }
}
