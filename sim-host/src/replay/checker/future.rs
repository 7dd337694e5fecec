//! What a checker will find depends on this much of what it has seen.

use std::hash::{Hash, Hasher};

use bedkeeper::drive::Motion;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::RelayProgram;

use super::{Brine, Checker, POWER_UP_MS, World};

impl Checker {
    /// Hashes what the checker's future depends on, with times counted from now: ages only up to the limit that they are
    /// compared with, sums only by how far they are off what they are compared with.
    pub(crate) fn hash_future(&self, world: &World, into: &mut impl Hasher) {
        let now = world.now_ms;
        let age = |since: u64, most: u64| now.saturating_sub(since).min(most.saturating_add(1));
        let accounts = world.controller.accounts();
        let held: u128 =
            world.controller.tanks().iter().map(|t| u128::from(t.ledger().since_regeneration().nl())).sum();
        let off_metered = self.exact_nl().wrapping_sub(self.forgotten_nl).wrapping_sub(accounts.metered.0);
        // After a cut, what was charged is not compared any more.
        let off_charged = match self.held_at_first_nl {
            Some(first) if self.cuts == 0 => (self.restored_nl + held).wrapping_sub(accounts.charged.0 + first),
            first => u128::from(first.is_some()),
        };
        (off_metered, off_charged, self.cuts > 0, &self.standing, self.refused, self.short, self.closed).hash(into);
        if world.supply.is_dark() {
            accounts.estimated.0.wrapping_sub(self.estimated_nl).hash(into);
        }
        self.memory_lost_ms.map(|at| age(at, super::TOLD_WITHIN_MS)).hash(into);
        self.unserved
            .since_ms
            .map(|at| (at == now, accounts.charged.0.wrapping_sub(self.unserved.charged_nl)))
            .hash(into);
        // How long ago power came matters until everything is found.
        (!self.settled).then(|| age(world.supply.on_since_ms(), POWER_UP_MS)).hash(into);
        let (limit, rest) = (self.travel_limit_ms(), self.rest_ms());
        let rinses = self.length_ms(StepKind::SlowRinse) + self.length_ms(StepKind::FastRinse);
        let longest = self.length_ms(StepKind::BrineDraw) + rinses + 15_000;
        for tank in &self.tanks {
            let runs = if tank.motion == Motion::Off { 0 } else { age(tank.motion_since_ms, limit) };
            (tank.motion, runs, tank.last_run, age(tank.off_since_ms, rest)).hash(into);
            // How long a valve has stood somewhere matters only while brine is in question.
            let counts = tank.brine != Brine::None || tank.position == Some(Position::BrineDraw);
            let stood = if counts { age(tank.position_since_ms, longest) } else { 0 };
            let owed = match tank.brine {
                Brine::None => None,
                Brine::Owed { slow_ms, fast_ms } => Some((slow_ms, fast_ms)),
            };
            let ended = tank.draw_ended_ms.filter(|_| counts).map(|at| age(at, longest));
            (tank.position, stood, owed, ended, tank.knocked, tank.begins_again, tank.left_nl).hash(into);
            let retry = self.retry_rest_ms();
            (tank.retried_ms.map(|at| age(at, retry)).filter(|ago| *ago <= retry), tank.returning).hash(into);
            // Those of a regeneration that is over are not asked for any more.
            let steps = tank.steps.as_ref().filter(|_| tank.run.is_some());
            steps.is_some().hash(into);
            if let Some(steps) = steps {
                steps.hash_future(now, into);
            }
            let run = tank.run.as_ref().filter(|run| !run.windows.is_empty()).map(|run| {
                let replanned = self.replanned_ms.is_some_and(|at| at >= run.began_ms);
                (now - run.began_ms, &run.windows, run.overrides, run.late, replanned)
            });
            run.hash(into);
        }
        let used = self.raw.relays.iter().map(|relay| relay.program != RelayProgram::Unused);
        let longest = self.raw.relays.iter().map(|r| r.longest_on.0.max(r.min_on.0).max(r.min_off.0)).max();
        self.relays.hash_ages(now, u64::from(longest.unwrap_or(0)), used, into);
    }
}
