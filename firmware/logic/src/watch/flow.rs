//! Whether water flows without a pause (W1), told from pulses alone, without a division.
//!
//! Between two pulses that come closer together than pulses of the small flow, more than the small
//! flow passed. A stretch of such flow goes on until less has passed for as long as a pause.

use serde::{Deserialize, Serialize};

use crate::meter::MeterSettings;
use crate::settings::RawWatch;
use crate::units::{Instant, Millis, elapsed_ms, later_ms};

/// What is needed of the settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct FlowGaps {
    /// Pulses of the small flow are this far apart.
    pub(crate) spacing_ms: u64,
    /// The same, as far as it fits.
    pub(crate) longest_gap: Millis,
    /// A pause.
    pub(crate) pause_ms: u64,
    /// A stretch that raises `unbroken-flow`; 0 = none does.
    pub(crate) unbroken_ms: u64,
    /// Whether somebody wants to know at once that water flows.
    pub(crate) is_followed: bool,
}

impl FlowGaps {
    pub(crate) fn new(watch: &RawWatch, meter: &MeterSettings, is_followed: bool) -> Self {
        let spacing_ms = watch.small_flow.time_for(meter.pulse());
        Self {
            spacing_ms,
            longest_gap: Millis(u32::try_from(spacing_ms).unwrap_or(u32::MAX)),
            pause_ms: u64::from(watch.unbroken_pause.0),
            unbroken_ms: u64::from(watch.unbroken_after.0),
            is_followed,
        }
    }
}

/// The flow of all meters together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct FlowWatch {
    /// The last pulse.
    last: Instant,
    /// The last pulse that came close upon the one before.
    close: Instant,
    /// Since when a stretch has lasted.
    since: Instant,
    /// A pulse has come at all.
    is_heard: bool,
    /// A stretch has begun at all.
    is_begun: bool,
}

impl Default for FlowWatch {
    fn default() -> Self {
        let never = Instant::from_ticks(0);
        Self { last: never, close: never, since: never, is_heard: false, is_begun: false }
    }
}

impl FlowWatch {
    /// Pulses came; returns when the stretch that they begin becomes an alarm, if they begin one.
    pub(crate) fn pulses(&mut self, now: Instant, count: u32, gaps: &FlowGaps) -> Option<Instant> {
        let began = self.pulse(now, gaps);
        // Those of one instant are as close as can be; two of them say as much as many.
        let began = (count > 1 && self.pulse(now, gaps)) || began;
        (began && gaps.unbroken_ms > 0).then(|| later_ms(self.since, gaps.unbroken_ms))
    }

    fn pulse(&mut self, now: Instant, gaps: &FlowGaps) -> bool {
        let is_close = self.is_heard && elapsed_ms(self.last, now) < gaps.spacing_ms;
        let begins = is_close && !self.goes_on(gaps);
        if is_close {
            if begins {
                self.since = self.last;
                self.is_begun = true;
            }
            self.close = now;
        }
        self.last = now;
        self.is_heard = true;
        begins
    }

    /// A stretch goes on whose last pulse was this, close upon the one before.
    pub(crate) fn is_even(&self, last: Option<Instant>) -> bool {
        self.is_heard && self.is_begun && self.close == self.last && last == Some(self.last)
    }

    /// Pulses up to this one came as close, each upon the one before, in a stretch that is even.
    pub(crate) fn went_on_to(&mut self, last: Instant) {
        self.last = last;
        self.close = last;
    }

    /// The stretch had no pause up to the last pulse.
    fn goes_on(&self, gaps: &FlowGaps) -> bool {
        self.is_begun && elapsed_ms(self.close, self.last) < gaps.pause_ms
    }

    /// Water flows: the next pulse may still come close upon the last, as that one came upon the one before.
    pub(crate) fn flows(&self, now: Instant, gaps: &FlowGaps) -> bool {
        self.is_begun && self.close == self.last && elapsed_ms(self.last, now) < gaps.spacing_ms
    }

    /// When water ceases to flow if no pulse comes.
    pub(crate) fn ceases_at(&self, gaps: &FlowGaps) -> Instant {
        later_ms(self.last, gaps.spacing_ms)
    }

    /// The stretch ends then if no pulse comes close upon the last.
    fn ends_at(&self, gaps: &FlowGaps) -> Instant {
        self.ceases_at(gaps).max(later_ms(self.close, gaps.pause_ms))
    }

    /// Water has flowed for so long without a pause.
    pub(crate) fn is_unbroken(&self, now: Instant, gaps: &FlowGaps) -> bool {
        gaps.unbroken_ms > 0
            && self.goes_on(gaps)
            && elapsed_ms(self.since, now) >= gaps.unbroken_ms
            && now < self.ends_at(gaps)
    }

    /// When that may change if no pulse comes.
    pub(crate) fn deadline(&self, now: Instant, gaps: &FlowGaps) -> Option<Instant> {
        if gaps.unbroken_ms == 0 || !self.goes_on(gaps) || now >= self.ends_at(gaps) {
            return None;
        }
        let alarm = later_ms(self.since, gaps.unbroken_ms);
        Some(if now < alarm { alarm } else { self.ends_at(gaps) })
    }
}
