//! How much of its set capacity a bed still has: less by age, less by hardness tests that failed (L2).

use serde::{Deserialize, Serialize};

use crate::settings::RawDerating;
use crate::units::{Hardness, Volume};

const DAYS_A_YEAR: u32 = 365;

/// What the hardness tests since the last complete regeneration have said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum Said {
    /// Nothing yet.
    #[default]
    Nothing,
    /// Soft.
    Passed,
    /// Hard while capacity should have been left.
    Failed,
}

/// What has been taken off the capacity of one bed, per mille of the set one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Derating {
    by_age: u16,
    by_tests: u16,
    /// Day of the monotonic clock since which the resin ages.
    new_on_day: u16,
    /// It was replaced, so that the site's date is not its own.
    replaced: bool,
    said: Said,
}

impl Derating {
    /// Of resin whose powered age begins on a day of the monotonic clock.
    pub(crate) fn new(day: u16) -> Self {
        Self { new_on_day: day, ..Self::default() }
    }

    /// Of resin that was replaced on a day of the monotonic clock.
    pub(crate) fn replaced(day: u16) -> Self {
        Self { new_on_day: day, replaced: true, ..Self::default() }
    }

    /// Taken off by age, per mille of the set capacity.
    #[must_use]
    pub fn by_age_per_mille(&self) -> u16 {
        self.by_age
    }

    /// Taken off by hardness tests, per mille of the set capacity.
    #[must_use]
    pub fn by_tests_per_mille(&self) -> u16 {
        self.by_tests
    }

    /// What is left of the set capacity, per mille, at least `least`.
    #[must_use]
    pub fn kept_per_mille(&self, least: u16) -> u16 {
        1_000u16.saturating_sub(self.by_age).saturating_sub(self.by_tests).max(least)
    }

    /// Reckons the age anew: days of the civil clock and of the monotonic one. By a date without a clock the
    /// age stays as it was last known.
    pub(crate) fn reckon_age(&mut self, settings: &RawDerating, civil_day: Option<u32>, day: u16) {
        let powered = u32::from(day.saturating_sub(self.new_on_day));
        let days = match (settings.resin_new_on.filter(|_| !self.replaced), civil_day) {
            (None, _) => powered,
            (Some(new_on), Some(today)) => today.saturating_sub(new_on),
            (Some(_), None) => return,
        };
        let lost = days.saturating_mul(u32::from(settings.per_year_per_mille)) / DAYS_A_YEAR;
        self.by_age = u16::try_from(lost).unwrap_or(u16::MAX).min(1_000);
    }

    /// Judges a hardness test behind the bed, which should have had `left`; one of each kind counts until the
    /// next complete regeneration, a failed one even after one that passed.
    pub(crate) fn judge(&mut self, settings: &RawDerating, treated: Hardness, left: Volume) {
        let failed = treated > settings.test_limit;
        match (failed, self.said) {
            // Hard water of an exhausted bed says nothing of what it can hold.
            (true, Said::Nothing | Said::Passed) if left > Volume::ZERO => {
                let most = 1_000u16.saturating_sub(settings.least_per_mille);
                self.by_tests =
                    self.by_tests.saturating_add(settings.failed_test_per_mille).min(most.max(self.by_tests));
                self.said = Said::Failed;
            }
            (false, Said::Nothing) => {
                let least = 1_000u16.saturating_sub(settings.restore_to_per_mille).min(self.by_tests);
                self.by_tests = self.by_tests.saturating_sub(settings.passed_test_per_mille).max(least);
                self.said = Said::Passed;
            }
            _ => {}
        }
    }

    /// A regeneration is complete: the next tests count again.
    pub(crate) fn regenerated(&mut self) {
        self.said = Said::Nothing;
    }
}
