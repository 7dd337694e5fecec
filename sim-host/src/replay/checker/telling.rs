//! What a plant must say: a hold for each tank that waits (S8), an alarm for settings refused and memory lost (S11, S10).

use std::sync::Arc;

use bedkeeper::watch::Alarm;

use super::{Checker, TOLD_WITHIN_MS, World};

impl Checker {
    /// S8: every waiting tank has a hold.
    pub(super) fn check_holds(&mut self, world: &World) {
        for (i, id) in (0u8..self.raw.tanks).map(bedkeeper::units::TankId).enumerate() {
            let Some(why) = world.controller.why(id) else { continue };
            let waits = !why.causes.is_empty() && world.controller.tanks()[i].regeneration().is_none();
            self.expect(!waits || !why.holds.is_empty(), "S8", i, world.now_ms, || {
                format!("tank {} is asked for, has not started, and nothing holds it", i + 1)
            });
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
