//! What a plant must say: a hold for each tank that waits (S8), an alarm for settings refused and memory lost (S11, S10).

use std::sync::Arc;

use bedkeeper::Why;
use bedkeeper::demand::{Hold, Standing};
use bedkeeper::watch::Alarm;

use super::{Checker, OF_CLEARING, TOLD_WITHIN_MS, World, replay_ms};
use crate::quantity::show;

impl Checker {
    /// S8: every waiting tank has a hold; and where all of them say when they clear, something comes of it then.
    pub(super) fn check_holds(&mut self, world: &World) {
        let now = world.now_ms;
        for (i, id) in (0u8..self.raw.tanks).map(bedkeeper::units::TankId).enumerate() {
            let Some(why) = world.controller.why(id) else { continue };
            let waits = !why.causes.is_empty() && world.controller.tanks()[i].regeneration().is_none();
            self.expect(!waits || !why.holds.is_empty(), "S8", i, now, || {
                format!("tank {} is asked for, has not started, and nothing holds it", i + 1)
            });
            // A start, or another hold: either is told. Nothing was told since the last look.
            let missed = self.tanks[i].clears_ms.filter(|at| now > at + TOLD_WITHIN_MS);
            self.expect(missed.is_none(), "S8", i + OF_CLEARING, now, || {
                let late = show::duration(now - missed.unwrap_or(now));
                format!("tank {}: the last hold was to clear {late} ago, and nothing came of it", i + 1)
            });
            self.tanks[i].clears_ms = if waits && !world.supply.is_dark() { last_to_clear(&why) } else { None };
        }
    }

    /// S11: refused settings do not run, and the plant says so. S10: so it does where nothing was retained.
    pub(super) fn check_told(&mut self, world: &World) {
        let raw = Arc::clone(&self.raw);
        let delayed = |alarm| raw.watch.rules.delays.iter().any(|delay| delay.alarm == alarm);
        let alarms = world.controller.outputs().alarms;
        if std::mem::take(&mut self.refused) {
            let told = alarms.contains(Alarm::SettingsRejected) || delayed(Alarm::SettingsRejected);
            let same = world.controller.settings().raw() == &*raw;
            self.expect(told, "S11", 0, world.now_ms, || "settings were refused, and no alarm says so".to_owned());
            self.expect(same, "S11", 1, world.now_ms, || "settings that were refused run".to_owned());
        }
        let Some(since) = self.memory_lost_ms else { return };
        let told = alarms.contains(Alarm::RetainedLost);
        if told || delayed(Alarm::RetainedLost) {
            self.memory_lost_ms = None;
        } else if world.now_ms > since + TOLD_WITHIN_MS {
            self.memory_lost_ms = None;
            self.expect(false, "S10", 2, world.now_ms, || "memory was lost, and no alarm says so".to_owned());
        }
    }
}

/// When the last hold clears, if all of them say when. That of flow is not: each pulse moves it, and nobody is told.
fn last_to_clear(why: &Why) -> Option<u64> {
    let known = |standing: &Standing| standing.clears_at.filter(|_| standing.hold != Hold::FlowTooHigh);
    let all: Option<Vec<_>> = why.holds.iter().map(known).collect();
    all?.into_iter().map(replay_ms).max()
}
