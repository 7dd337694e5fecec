//! What lessens a bed's capacity, and what loads it besides hardness (L1, L2).

use serde::{Deserialize, Serialize};

use super::fault::{Faults, Problem as P};
use super::raw::Reserve;
use super::{Medium, RawSettings};
use crate::units::{Hardness, Volume, per_mille_of, share};

/// How capacity is derated (L2). A filter's capacity is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawDerating {
    /// Capacity that resin loses in a year of 365 days, per mille of the set one \[0\]; 0 to 200.
    pub per_year_per_mille: u16,
    /// The day on which the resin was new, from 2000-01-01; unknown, its age is powered time since the
    /// controller first ran.
    pub resin_new_on: Option<u32>,
    /// Harder water behind a tank fails a hardness test [1 gr/gal].
    pub test_limit: Hardness,
    /// Capacity taken off for a test that failed while some should have been left, per mille of the set
    /// one \[100\]; 0 to 500.
    pub failed_test_per_mille: u16,
    /// Capacity given back for a test that passed, per mille of the set one \[0\]; 0 to 500.
    pub passed_test_per_mille: u16,
    /// Tests that passed give back no more than makes this share of the set capacity, but for age,
    /// per mille \[1 000\]; `least_per_mille` to 1 000.
    pub restore_to_per_mille: u16,
    /// However old and however tested, so much of the set capacity is reckoned with, per mille \[500\];
    /// 200 to 1 000.
    pub least_per_mille: u16,
}

impl RawDerating {
    /// No loss by age, a tenth for a failed test.
    #[must_use]
    pub const fn usual() -> Self {
        Self {
            per_year_per_mille: 0,
            resin_new_on: None,
            test_limit: Hardness(17_118),
            failed_test_per_mille: 100,
            passed_test_per_mille: 0,
            restore_to_per_mille: 1_000,
            least_per_mille: 500,
        }
    }
}

/// Iron and manganese in the feed, which load a bed besides its hardness (L1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawMetals {
    /// Iron of the feed, µg/L \[0\]; at most 50 mg/L.
    pub iron_ug_per_l: u32,
    /// Manganese of the feed, µg/L \[0\]; at most 50 mg/L.
    pub manganese_ug_per_l: u32,
    /// What each mg/L of iron counts as [4 gr/gal]; at most 500 mg/L as CaCO3.
    pub iron_counts_as: Hardness,
    /// What each mg/L of manganese counts as [4 gr/gal]; at most 500 mg/L as CaCO3.
    pub manganese_counts_as: Hardness,
}

/// More is treated before a softener.
const MOST_METAL_UG_PER_L: u32 = 50_000;
const MOST_COUNTED_AS: Hardness = Hardness(500_000);

/// By the charge of their ions iron and manganese count 1.79 and 1.82 mg/L (stoichiometry); the larger figure
/// also allows for fouling. Common practice, from memory: 2 to 5 gr/gal for each mg/L.
const USUALLY_COUNTED_AS: Hardness = Hardness(68_472);

impl RawMetals {
    /// None of them; each mg/L would count as 4 gr/gal.
    #[must_use]
    pub const fn usual() -> Self {
        Self {
            iron_ug_per_l: 0,
            manganese_ug_per_l: 0,
            iron_counts_as: USUALLY_COUNTED_AS,
            manganese_counts_as: USUALLY_COUNTED_AS,
        }
    }

    /// What the feed counts as: its hardness, and its metals as the site says.
    #[must_use]
    pub fn compensated(&self, hardness: Hardness) -> Hardness {
        let count = |ug_per_l: u32, each: Hardness| {
            let product = u64::from(ug_per_l).saturating_mul(u64::from(each.0));
            u32::try_from(product.div_ceil(1_000)).unwrap_or(u32::MAX)
        };
        let iron = count(self.iron_ug_per_l, self.iron_counts_as);
        let manganese = count(self.manganese_ug_per_l, self.manganese_counts_as);
        Hardness(hardness.0.saturating_add(iron).saturating_add(manganese))
    }
}

/// The medium as the ledger sees it, its hardness compensated (L1).
pub(super) fn loaded(raw: &RawSettings) -> Medium {
    match raw.medium {
        Medium::Softener { hardness, capacity, total } => {
            Medium::Softener { hardness: raw.metals.compensated(hardness), capacity, total }
        }
        filter @ Medium::Filter { .. } => filter,
    }
}

/// The least share of capacity reckoned with, per mille: as set, and so much that a fixed reserve stays
/// well below it, or a bed would ask as soon as it is regenerated.
pub(super) fn least_kept(raw: &RawSettings) -> u16 {
    let least = raw.derating.least_per_mille;
    let (Reserve::Fixed(reserve), Medium::Softener { hardness, capacity, .. }) = (raw.reserve, loaded(raw)) else {
        return least;
    };
    let whole = capacity.volume_at(hardness);
    let needed = share(1_100, reserve.0, whole.0).saturating_add(1);
    u16::try_from(needed).unwrap_or(u16::MAX).max(least).min(1_000)
}

/// A medium of which so much is left.
pub(crate) fn derated(medium: &Medium, kept_per_mille: u16) -> Medium {
    match *medium {
        Medium::Softener { hardness, capacity, total } if kept_per_mille < 1_000 => {
            let part = |whole| crate::units::Exchange(per_mille_of(whole, kept_per_mille));
            Medium::Softener { hardness, capacity: part(capacity.0), total: part(total.0) }
        }
        whole => whole,
    }
}

/// Every fault of these settings.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let RawDerating { per_year_per_mille, test_limit, least_per_mille, .. } = raw.derating;
    if per_year_per_mille > 200 {
        faults.add("derating.per_year_per_mille", None, P::AgingOutOfRange);
    }
    if test_limit.0 == 0 {
        faults.add("derating.test_limit", None, P::Zero);
    }
    if raw.derating.failed_test_per_mille > 500 {
        faults.add("derating.failed_test_per_mille", None, P::TestStepOutOfRange);
    }
    if raw.derating.passed_test_per_mille > 500 {
        faults.add("derating.passed_test_per_mille", None, P::TestStepOutOfRange);
    }
    if !(200..=1_000).contains(&least_per_mille) {
        faults.add("derating.least_per_mille", None, P::LeastKeptOutOfRange);
    } else if !(least_per_mille..=1_000).contains(&raw.derating.restore_to_per_mille) {
        faults.add("derating.restore_to_per_mille", None, P::RestoreBelowLeast);
    }
    let metals = &raw.metals;
    for (field, ug_per_l) in
        [("metals.iron_ug_per_l", metals.iron_ug_per_l), ("metals.manganese_ug_per_l", metals.manganese_ug_per_l)]
    {
        if ug_per_l > MOST_METAL_UG_PER_L {
            faults.add(field, None, P::MetalOutOfRange);
        }
    }
    for (field, each) in
        [("metals.iron_counts_as", metals.iron_counts_as), ("metals.manganese_counts_as", metals.manganese_counts_as)]
    {
        if each > MOST_COUNTED_AS {
            faults.add(field, None, P::CountsAsOutOfRange);
        }
    }
}

/// Volume between regenerations at the compensated hardness, of the set capacity.
pub(super) fn capacity_volume(raw: &RawSettings) -> Volume {
    match loaded(raw) {
        Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
        Medium::Filter { capacity } => capacity,
    }
}
