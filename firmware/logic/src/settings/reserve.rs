//! Settings of a reserve that follows use (R1).

use serde::{Deserialize, Serialize};

use super::fault::{Faults, Problem as P};

/// How a reserve follows use: what is forecast for the weekdays ahead, within bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawLearned {
    /// So many mean deviations are added to the mean use of each day \[2\]; 0 to 10.
    pub deviations: u8,
    /// The least that is kept back, per mille of the capacity of a tank \[0\]; not above `ceiling_per_mille`.
    pub floor_per_mille: u16,
    /// The most that is kept back, per mille of the capacity of a tank \[800\]; 1 to 999.
    pub ceiling_per_mille: u16,
    /// Kept back for delayed starts until seven days are known, per mille of the capacity \[250\]; 0 to 999.
    pub until_known_per_mille: u16,
    /// A day with less than this part of the usual use, in percent, is one of absence and teaches nothing \[10\]; 0 to 50.
    pub absence_percent: u8,
}

impl RawLearned {
    /// The defaults of the rules.
    #[must_use]
    pub const fn usual() -> Self {
        Self {
            deviations: 2,
            floor_per_mille: 0,
            ceiling_per_mille: 800,
            until_known_per_mille: 250,
            absence_percent: 10,
        }
    }

    pub(super) fn check(&self, faults: &mut Faults) {
        if self.deviations > 10 {
            faults.add("reserve.deviations", None, P::DeviationsOutOfRange);
        }
        if self.absence_percent > 50 {
            faults.add("reserve.absence_percent", None, P::AbsenceOutOfRange);
        }
        if !(1..1_000).contains(&self.ceiling_per_mille) || self.floor_per_mille > self.ceiling_per_mille {
            faults.add("reserve.ceiling_per_mille", None, P::ReserveBoundsOutOfRange);
        }
        if self.until_known_per_mille >= 1_000 {
            faults.add("reserve.until_known_per_mille", None, P::ReserveNotBelowCapacity);
        }
    }
}
