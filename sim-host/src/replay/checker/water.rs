//! Water by the pulses and by the logic's accounts (S5), and what a power cut makes it forget (S10).

use bedkeeper::duty::DutyKind;
use bedkeeper::program::Position;
use bedkeeper::settings::MeterPlace;

use super::{Checker, OF_FORGETTING, World};

/// Since when no water can pass a bed, by the plant and by the duties, and what the account of charged water was then.
#[derive(Clone, Copy, Default)]
pub(super) struct Unserved {
    pub(super) since_ms: Option<u64>,
    pub(super) charged_nl: u128,
}

impl Checker {
    /// What the pulses stand for, nL.
    pub(super) fn exact_nl(&self) -> u128 {
        let meter = &self.raw.meter;
        self.pulses * u128::from(meter.pulse_nl) / u128::from(meter.pulse_divisor)
    }

    /// S10: a cut loses no more than may be lost, and as much is charged on return.
    pub(super) fn check_loss(&mut self, world: &World) {
        let accounts = world.controller.accounts();
        let lost = self.exact_nl().saturating_sub(self.forgotten_nl).saturating_sub(accounts.metered.0);
        let kept = world.supply.has_stored();
        let pulse = u128::from(self.raw.meter.pulse_nl) / u128::from(self.raw.meter.pulse_divisor);
        let most = u128::from(world.controller.settings().retain_volume().nl()) + pulse;
        let charged = accounts.estimated.0.saturating_sub(self.estimated_nl);
        let served = world.controller.tanks().iter().any(|t| t.duty().kind() == DutyKind::Serving);
        self.expect(!kept || lost <= most, "S10", 0, world.now_ms, || {
            format!("a power cut made {lost} nL be forgotten, and {most} nL may be")
        });
        self.expect(!kept || !served || charged + pulse >= lost, "S10", 1, world.now_ms, || {
            format!("a power cut made {lost} nL be forgotten, and {charged} nL were charged on return")
        });
        self.forgotten_nl += lost;
        self.check_forgetting(lost + pulse, kept, world);
    }

    /// S10: no bed has more left after a cut than before it, but for what may have been forgotten.
    fn check_forgetting(&mut self, lost: u128, kept: bool, world: &World) {
        for (i, tank) in world.controller.tanks().iter().enumerate() {
            let left = tank.ledger().remaining().nl();
            let before = self.tanks[i].left_nl.filter(|_| kept);
            self.expect(
                before.is_none_or(|before| u128::from(left) <= u128::from(before) + lost),
                "S10",
                i + OF_FORGETTING,
                world.now_ms,
                || {
                    let before = before.unwrap_or_default();
                    format!("tank {} had {before} nL left before a power cut and has {left} nL after it", i + 1)
                },
            );
        }
    }

    /// S5: what the account calls charged is what the tanks' own ledgers hold, and nothing was charged while no tank
    /// could treat water.
    pub(super) fn check_charges(&mut self, world: &World) {
        let charged = world.controller.accounts().charged.0;
        let tanks = world.controller.tanks();
        let held: u128 = tanks.iter().map(|t| u128::from(t.ledger().since_regeneration().nl())).sum();
        let restored = self.restored_nl;
        // A cut makes the logic forget, and its estimates are charged to tanks alone.
        let at_first = *self.held_at_first_nl.get_or_insert(held);
        let whole = self.cuts > 0 || restored + held == charged + at_first;
        self.expect(whole, "S5", 1, world.now_ms, || {
            format!("{charged} nL are said to be charged, and the tanks hold {held} nL after {restored} nL restored")
        });
        let common = self.raw.meter.place == MeterPlace::Common;
        let by_plant = world.valves().iter().any(|v| v.position() == Some(Position::Service));
        let by_logic = tanks
            .iter()
            .any(|t| t.duty().kind() == DutyKind::Serving || t.drive().position() == Some(Position::Service));
        if !common || by_plant || by_logic {
            self.unserved = Unserved::default();
            return;
        }
        match self.unserved.since_ms {
            // A pulse of this very instant tells of water that passed before it.
            None => self.unserved.since_ms = Some(world.now_ms),
            Some(since) if since == world.now_ms => {}
            Some(_) => {
                let before = self.unserved.charged_nl;
                self.expect(charged <= before, "S5", 2, world.now_ms, || {
                    format!("{} nL were charged while no tank stood in service", charged - before)
                });
            }
        }
        self.unserved.charged_nl = charged;
    }

    /// S5: the volume that the pulses stand for is the sum of its parts, to the nanolitre.
    pub(super) fn check_water(&mut self, world: &World) {
        let accounts = world.controller.accounts();
        let exact = self.exact_nl().saturating_sub(self.forgotten_nl);
        let sum = accounts.charged.0 + accounts.blended.0 + accounts.untreated.0 + accounts.drained.0;
        let metered = accounts.metered.0;
        // Several meters each keep their own remainder below one nanolitre.
        let meters = world.controller.tanks().len() as u128;
        let pulses = self.pulses;
        let exact_enough = !self.pulses_known || exact.abs_diff(metered) < meters * (1 + self.cuts);
        self.expect(metered == sum && exact_enough, "S5", 0, world.now_ms, || {
            format!("{pulses} pulses are {exact} nL, metered {metered} nL, parts {sum} nL")
        });
    }
}
