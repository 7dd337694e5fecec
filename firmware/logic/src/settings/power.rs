//! Settings of what survives a power cut (P1, P3, P4, S10).

use serde::{Deserialize, Serialize};

use super::fault::{Faults, Problem as P};
use crate::units::{Exchange, Millis, Volume};

use super::raw::Medium;

/// What a power cut does to a regeneration, and how often the state is saved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawPower {
    /// A step goes on with the time it had left if power is back within this [20 min] (P3); 0 to 12 h.
    pub resume_within: Millis,
    /// How often a regeneration may begin again, or a step of it, after longer cuts \[2\] (P4); 0 to 10.
    pub max_restarts: u8,
    /// Metered volume after which the state is saved, and the most that a cut can lose: per mille of
    /// the capacity of a tank \[10\] (S10); 1 to 100.
    pub retain_per_mille: u16,
}

impl RawPower {
    /// The defaults of the rules.
    #[must_use]
    pub const fn usual() -> Self {
        Self { resume_within: Millis::from_mins(20), max_restarts: 2, retain_per_mille: 10 }
    }

    pub(super) fn check(&self, faults: &mut Faults) {
        if self.resume_within > Millis::from_hours(12) {
            faults.add("power.resume_within", None, P::ResumeTooLong);
        }
        if self.max_restarts > 10 {
            faults.add("power.max_restarts", None, P::TooManyRestarts);
        }
        if !(1..=100).contains(&self.retain_per_mille) {
            faults.add("power.retain_per_mille", None, P::RetainOutOfRange);
        }
    }

    /// The metered volume that one cut may lose (S10).
    pub(super) fn retain_volume(&self, medium: &Medium) -> Volume {
        let share = |whole: u64| (whole / 1_000).saturating_mul(u64::from(self.retain_per_mille));
        match *medium {
            Medium::Softener { hardness, capacity, .. } => Exchange(share(capacity.0)).volume_at(hardness),
            Medium::Filter { capacity } => Volume(share(capacity.0)),
        }
    }
}
