//! How worn the store is of what outlives a power cut (P2, W1).

use serde::{Deserialize, Serialize};

/// From so many hundredths of the erasures that a page is rated for, the store is worn: of a store that is laid out for
/// twenty years, two are left to replace it in.
const WORN_PERCENT: u64 = 90;

/// The wear of the store, as its driver knows it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StoreWear {
    /// How often the page erased most has been erased.
    pub erasures: u32,
    /// How many erasures a page is rated for; 0 = not known.
    pub rated: u32,
    /// It does not take what is written, though it was tried again.
    pub fails: bool,
}

impl StoreWear {
    /// Whether a person should know (W1).
    #[must_use]
    pub fn is_worn(&self) -> bool {
        let erased = u64::from(self.erasures).saturating_mul(100);
        self.fails || (self.rated > 0 && erased >= u64::from(self.rated).saturating_mul(WORN_PERCENT))
    }
}
