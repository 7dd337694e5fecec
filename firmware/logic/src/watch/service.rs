//! What has happened since the plant was last maintained (W1).

use serde::{Deserialize, Serialize};

use crate::calendar::DAY_MS;
use crate::settings::RawWatch;
use crate::units::{Instant, Volume, elapsed_ms, later_ms};

/// Volume, regenerations and time since the last maintenance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Service {
    pub(crate) since: Instant,
    pub(crate) volume: Volume,
    pub(crate) regenerations: u16,
}

impl Service {
    /// Maintained now.
    pub(crate) fn done(now: Instant) -> Self {
        Self { since: now, volume: Volume::ZERO, regenerations: 0 }
    }

    /// When it was last maintained, as far as it was told; else when the controller first ran.
    #[must_use]
    pub fn since(&self) -> Instant {
        self.since
    }

    /// Water delivered since.
    #[must_use]
    pub fn volume(&self) -> Volume {
        self.volume
    }

    /// Regenerations completed since.
    #[must_use]
    pub fn regenerations(&self) -> u16 {
        self.regenerations
    }

    /// Maintenance is due by volume, regenerations or days.
    pub(crate) fn is_due(&self, now: Instant, watch: &RawWatch) -> bool {
        let by_volume = watch.service_volume > Volume::ZERO && self.volume >= watch.service_volume;
        let by_count = watch.service_regenerations > 0 && self.regenerations >= watch.service_regenerations;
        let days = u64::from(watch.service_days);
        let by_days = days > 0 && elapsed_ms(self.since, now) >= days.saturating_mul(DAY_MS);
        by_volume || by_count || by_days
    }

    /// When it is due by days.
    pub(crate) fn deadline(&self, watch: &RawWatch) -> Option<Instant> {
        let days = u64::from(watch.service_days);
        (days > 0).then(|| later_ms(self.since, days.saturating_mul(DAY_MS)))
    }

    /// The volume left until it is due, if it is by volume.
    pub(crate) fn volume_left(&self, watch: &RawWatch) -> Volume {
        watch.service_volume.minus(self.volume)
    }
}

/// Volume that has passed since it was last looked at, and the volume at which that must be: a pulse
/// adds and compares once, whatever waits for volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Tally {
    passed: Volume,
    due: Volume,
}

impl Default for Tally {
    fn default() -> Self {
        Self { passed: Volume::ZERO, due: Volume::MAX }
    }
}

impl Tally {
    /// Water passed.
    pub(crate) fn pass(&mut self, volume: Volume) {
        self.passed = self.passed.plus(volume);
    }

    /// Of what passed just now this went to the drain.
    pub(crate) fn take_back(&mut self, volume: Volume) {
        self.passed = self.passed.minus(volume);
    }

    /// What has passed since it was last looked at.
    pub(crate) fn passed(&self) -> Volume {
        self.passed
    }

    /// How much more passes before something is due.
    pub(crate) fn due_in(&self) -> Volume {
        self.due.minus(self.passed)
    }

    /// Something waits for as much as has passed.
    pub(crate) fn is_due(&self) -> bool {
        self.passed >= self.due
    }

    /// Looks at what has passed.
    pub(crate) fn take(&mut self) -> Volume {
        core::mem::take(self).passed
    }

    /// Something waits for this much more; nothing does for no volume.
    pub(crate) fn wait_for(&mut self, volume: Volume) {
        if volume > Volume::ZERO {
            self.due = self.due.min(volume);
        }
    }
}
