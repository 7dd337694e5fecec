//! What a checker will find depends on this much of what it has seen.

use std::hash::{Hash, Hasher};

use bedkeeper::drive::Motion;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::RelayProgram;

use super::valves::{DRAWN_AFTER_MS, SEEN_AFTER_MS};
use super::{Brine, Checker, POWER_UP_MS, World};

impl Checker {
    /// Hashes what the checker's future depends on, with times counted from now: ages only up to the limit that they are
    /// compared with, sums only by how far they are off what they are compared with. `done` is told of each part that is in.
    pub(crate) fn hash_future<H: Hasher>(
        &self,
        world: &World,
        into: &mut H,
        mut done: impl FnMut(&mut H, &'static str),
    ) {
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
        done(into, "sums");
        self.memory_lost_ms.map(|at| age(at, super::TOLD_WITHIN_MS)).hash(into);
        self.unserved
            .since_ms
            .map(|at| (at == now, accounts.charged.0.wrapping_sub(self.unserved.charged_nl)))
            .hash(into);
        // How long ago power came matters until everything is found, and not while it is off.
        let on = !world.supply.is_dark();
        (!self.settled).then(|| on.then(|| age(world.supply.on_since_ms(), POWER_UP_MS))).hash(into);
        done(into, "whole");
        let (limit, rest) = (self.travel_limit_ms(), self.rest_ms());
        let rinses = self.length_ms(StepKind::SlowRinse) + self.length_ms(StepKind::FastRinse);
        let longest = self.length_ms(StepKind::BrineDraw) + rinses + 15_000;
        for (tank, unit) in self.tanks.iter().zip(world.controller.tanks()) {
            let ledger = unit.ledger();
            let runs = if tank.motion == Motion::Off { 0 } else { age(tank.motion_since_ms, limit) };
            (tank.motion, runs, tank.last_run, age(tank.off_since_ms, rest)).hash(into);
            done(into, "motion");
            // How long a valve has stood somewhere matters only while brine is in question.
            let counts = tank.brine != Brine::None || tank.position == Some(Position::BrineDraw);
            let stood = if counts { age(tank.position_since_ms, longest) } else { 0 };
            let owed = match tank.brine {
                Brine::None => None,
                Brine::Owed { slow_ms, fast_ms } => Some((slow_ms, fast_ms)),
            };
            // Of a draw that ended before the valve came to where it stands, only that it did; so it is of one that ended
            // before the valve comes to the draw again.
            let here = |at: &u64| counts && *at >= tank.position_since_ms;
            let ended = tank.draw_ended_ms.map(|at| Some(at).filter(here).map(|at| age(at, longest)));
            // How long it has stood still there, only while it stands in the draw.
            let draws = tank.position == Some(Position::BrineDraw);
            let still = tank.still_since_ms.map(|since| if draws { age(since, DRAWN_AFTER_MS) } else { 0 });
            (still, if draws { tank.stood_ms.min(DRAWN_AFTER_MS) } else { 0 }).hash(into);
            let astray = tank.astray.since_ms.map(|since| age(since, SEEN_AFTER_MS));
            let joining = tank.joining_ms.map(|since| age(since, self.joining_limit_ms()));
            (astray, tank.astray.unseen, joining, tank.apart).hash(into);
            done(into, "astray");
            tank.place.hash_future(now, &self.raw.drive, into);
            tank.spent.hash_future(ledger, &self.raw, into);
            done(into, "spent");
            let shared = world.plant.shared().is_some();
            let knocked = tank.knocked.then(|| if shared { age(tank.position_since_ms, SEEN_AFTER_MS) } else { 0 });
            (tank.position, stood, owed, ended, knocked, tank.begins_again, tank.left_nl).hash(into);
            done(into, "brine");
            let retry = self.retry_rest_ms();
            let cut = tank.cut_on_way.then(|| age(world.supply.on_since_ms(), self.joining_limit_ms()));
            cut.hash(into);
            (tank.retried_ms.map(|at| age(at, retry)).filter(|ago| *ago <= retry), tank.returning, tank.held)
                .hash(into);
            // Those of a regeneration that is over are not asked for any more.
            let steps = tank.steps.as_ref().filter(|_| tank.run.is_some());
            steps.is_some().hash(into);
            if let Some(steps) = steps {
                steps.hash_future(now, into);
            }
            done(into, "steps");
            let run = tank.run.as_ref().filter(|run| !run.windows.is_empty()).map(|run| {
                let replanned = self.replanned_ms.is_some_and(|at| at >= run.began_ms);
                (now - run.began_ms, &run.windows, run.overrides, run.late, replanned)
            });
            run.hash(into);
            // It is told anew by whatever moves it, and an instant that has passed is found once.
            tank.clears_ms.map(|at| (at + super::TOLD_WITHIN_MS).saturating_sub(now)).hash(into);
            done(into, "run");
        }
        let used = self.raw.relays.iter().map(|relay| relay.program != RelayProgram::Unused);
        let longest = self.raw.relays.iter().map(|r| r.longest_on.0.max(r.min_on.0).max(r.min_off.0)).max();
        self.relays.hash_ages(now, u64::from(longest.unwrap_or(0)), used, into);
    }
}
