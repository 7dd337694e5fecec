//! What differs between two sets of settings, and when each change can take effect (O2).

use heapless::Vec;

use super::derating::{RawDerating, RawMetals};
use super::raw::{RawMeter, RawSettings};
use super::sharing::RawSharing;
use crate::units::slugs;

slugs! {
    /// When a changed setting can take effect, the soonest first.
    Effect as EffectSet(u8) {
        /// At once.
        AtOnce = "at once",
        /// When no regeneration runs: it shapes the program, the dose or the bed.
        BetweenRegenerations = "after the regeneration that runs, if one does",
        /// At the next start of the controller: the plant itself is another.
        Restart = "at a restart",
    }
}

/// One setting that differs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Change {
    /// Its field in [`RawSettings`].
    pub field: &'static str,
    /// When the change can take effect.
    pub effect: Effect,
}

/// The most changes that are listed: there is room for every field.
pub const MAX_CHANGES: usize = 80;

/// What differs, field by field.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Difference {
    changes: Vec<Change, MAX_CHANGES>,
}

impl Difference {
    /// The changes, in the order of the fields.
    #[must_use]
    pub fn changes(&self) -> &[Change] {
        &self.changes
    }

    /// Whether nothing differs.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.changes.is_empty()
    }

    /// When all of it can take effect; `None` if nothing differs.
    #[must_use]
    pub fn effect(&self) -> Option<Effect> {
        self.changes.iter().map(|change| change.effect).max()
    }

    fn note(&mut self, differs: bool, field: &'static str, effect: Effect) {
        if differs {
            // There is room for every field: a test holds it to that.
            let _ = self.changes.push(Change { field, effect });
        }
    }
}

/// Notes every field that differs. The pattern has no `..`: a field that is missing here does not compile.
macro_rules! compare {
    ($difference:ident, $prefix:literal, $type:ident, $from:expr, $to:expr, { $($field:ident: $effect:ident),+ $(,)? }) => {
        let ($type { $($field),+ }, to) = ($from, $to);
        $( $difference.note(*$field != to.$field, concat!($prefix, stringify!($field)), Effect::$effect); )+
    };
}

/// What changes from one set to another.
#[must_use]
pub fn difference(from: &RawSettings, to: &RawSettings) -> Difference {
    let mut found = Difference::default();
    compare!(found, "", RawSettings, from, to, {
        arrangement: Restart, tanks: Restart, medium: BetweenRegenerations, metals: AtOnce, derating: AtOnce, meter: AtOnce, reserve: AtOnce,
        start: AtOnce, hour_minute: AtOnce, hour_grace: AtOnce, exhausted_at_once: AtOnce, backup_days: AtOnce, absence_backup_days: AtOnce,
        schedule: AtOnce, windows: AtOnce, finish_before_window: AtOnce, exhausted_in_window: AtOnce,
        changeover_in_window: AtOnce, when_clock_unset: AtOnce, remote: AtOnce, remote_minimum: AtOnce,
        hold_off_limit: AtOnce, contact_debounce: AtOnce, start_flow_limit: AtOnce, flow_wait_limit: AtOnce,
        discharge_limit: AtOnce, max_regenerating: BetweenRegenerations, sharing: AtOnce, allow_untreated: AtOnce,
        stale_after: AtOnce, purge: AtOnce, program: BetweenRegenerations, backwash_every: BetweenRegenerations,
        dose_after_backwash_percent: BetweenRegenerations, salt: BetweenRegenerations, brine: BetweenRegenerations,
        brine_ready_after: AtOnce,
        overdue_after: AtOnce, locks: AtOnce, watch: AtOnce, relays: AtOnce, power: AtOnce, drive: Restart,
    });
    // Of the meters, only where they sit is part of the plant.
    found.changes.retain(|change| !matches!(change.field, "meter" | "sharing" | "metals" | "derating"));
    compare!(found, "sharing.", RawSharing, &from.sharing, &to.sharing, {
        tank_flow: AtOnce, join_above: AtOnce, join_hysteresis: AtOnce, join_dwell: AtOnce, draining_together: AtOnce,
        bypass_per_mille: AtOnce, shared_valve: Restart,
    });
    compare!(found, "metals.", RawMetals, &from.metals, &to.metals, {
        iron_ug_per_l: BetweenRegenerations, manganese_ug_per_l: BetweenRegenerations,
        iron_counts_as: BetweenRegenerations, manganese_counts_as: BetweenRegenerations,
    });
    compare!(found, "derating.", RawDerating, &from.derating, &to.derating, {
        per_year_per_mille: AtOnce, resin_new_on: AtOnce, test_limit: AtOnce, failed_test_per_mille: AtOnce,
        passed_test_per_mille: AtOnce, restore_to_per_mille: AtOnce, least_per_mille: AtOnce,
    });
    compare!(found, "meter.", RawMeter, &from.meter, &to.meter, {
        place: Restart, measures_steps: BetweenRegenerations, pulse_nl: AtOnce, pulse_divisor: AtOnce, min_closed: AtOnce, min_open: AtOnce,
        rated_max: AtOnce, noisy_per_mille: AtOnce,
    });
    found
}
