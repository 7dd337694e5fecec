//! Water to drain, by the day, for the site's daily allowance (C7).

use serde::{Deserialize, Serialize};

use super::Controller;
use crate::calendar::{Civil, DAY_MS};
use crate::units::{Instant, Volume, later_ms};

/// Estimated drain water of a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct DrainDay {
    pub day: u32,
    pub drained: Volume,
}

impl<const N: usize> Controller<N> {
    /// The day that drain water is reckoned to: a civil date, or a day of powered time (T1).
    pub(super) fn drain_day(&self, now: Instant) -> u32 {
        match self.clock.civil(now) {
            Some(civil) => civil.day(),
            None => u32::try_from(now.as_ticks() / DAY_MS).unwrap_or(u32::MAX),
        }
    }

    pub(super) fn drained_today(&self, now: Instant) -> Volume {
        if self.drain.day == self.drain_day(now) { self.drain.drained } else { Volume::ZERO }
    }

    pub(super) fn add_drained(&mut self, now: Instant, volume: Volume) {
        self.drain = DrainDay { day: self.drain_day(now), drained: self.drained_today(now).plus(volume) };
    }

    /// When the day that drain water is reckoned to is over.
    pub(super) fn drain_day_ends(&self, now: Instant) -> Instant {
        match self.clock.civil(now) {
            Some(civil) => {
                let midnight = Civil::at(civil.day().saturating_add(1), 0);
                later_ms(now, midnight.0.saturating_sub(civil.0))
            }
            None => {
                let day = now.as_ticks() / DAY_MS;
                Instant::from_ticks(day.saturating_add(1).saturating_mul(DAY_MS))
            }
        }
    }
}
