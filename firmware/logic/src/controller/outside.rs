//! What holds every tank alike: the flow, blackout windows, the regeneration hour (C5, C7, T1).
//!
//! Neither tanks nor valves come into it, so that one look serves a whole decision.

use heapless::Vec;

use super::Controller;
use crate::calendar::{self, Hour, WEEK_S};
use crate::demand::Hold;
use crate::settings::WhenClockUnset;
use crate::units::{Flow, Instant, elapsed_ms, later_ms};

/// One look at time and flow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outside {
    /// Civil time is unknown and the settings then hold everything.
    pub clock_unset: bool,
    /// The hold of a window that stands or is too near, and when it clears.
    pub window: Option<(Hold, Option<Instant>)>,
    /// When windows next begin to hold.
    pub window_holds_from: Option<Instant>,
    /// The regeneration hour; `None` while civil time is unknown or windows permit no hour, when it holds nothing.
    pub hour: Option<Hour>,
    /// The flow is too high for a start, and falls then if no further pulse comes.
    pub flow_falls_at: Option<Instant>,
}

impl<const N: usize> Controller<N> {
    /// Looks at time and flow.
    #[inline(never)]
    pub(super) fn look_outside(&self, now: Instant) -> Outside {
        let (window, window_holds_from) = self.look_at_windows(now);
        Outside {
            clock_unset: !self.clock.is_set() && self.settings.when_clock_unset == WhenClockUnset::HoldAll,
            window,
            window_holds_from,
            hour: calendar::hour(now, self.clock, self.settings.hour_minute, self.settings.hour_grace)
                .filter(|_| self.settings.permits_some_hour()),
            flow_falls_at: self.flow_falls_at(now, self.settings.start_flow_limit),
        }
    }

    /// The hold of the windows, and when they next begin to hold.
    fn look_at_windows(&self, now: Instant) -> (Option<(Hold, Option<Instant>)>, Option<Instant>) {
        let week = self.settings.week();
        let Some(civil) = self.clock.civil(now).filter(|_| !self.settings.windows.is_empty()) else {
            return (None, None);
        };
        let (second, into_second_ms) = civil.in_week();
        let ms_until = |second: u32| u64::from(second).wrapping_mul(1_000).saturating_sub(u64::from(into_second_ms));
        let at = |second: u32| later_ms(now, ms_until(second));
        if let Some(left) = week.left_s(second) {
            return (Some((Hold::Blackout, Some(at(left)))), None);
        }
        let Some(gap) = week.next_s(second) else { return (None, None) };
        let length = self.settings.longest_regeneration();
        let finish = self.settings.finish_before_window;
        match ms_until(gap).checked_sub(u64::from(length.0)) {
            Some(spare_ms) if finish => (None, Some(later_ms(now, spare_ms.saturating_add(1)))),
            None if finish => {
                // This gap is too short by now, if only by milliseconds: the search begins behind it.
                let wait = week.fits_in_s(week_second(second, gap), length.0.div_ceil(1_000), finish);
                let clears_at = wait.map(|wait| at(gap.saturating_add(wait)));
                (Some((Hold::WouldEnterBlackout, clears_at)), Some(at(gap)))
            }
            _ => (None, Some(at(gap))),
        }
    }

    /// When a flow above a limit will have fallen to it if no further pulse comes; `None` if it is not
    /// above it, or the limit is 0.
    #[inline(never)]
    pub(super) fn flow_falls_at(&self, now: Instant, limit: Flow) -> Option<Instant> {
        if limit == Flow(0) || self.flow_at_most(now) <= limit {
            return None;
        }
        let settings = self.settings.meter_settings();
        let meters = u32::try_from(self.meters.len()).unwrap_or(u32::MAX);
        let each = Flow(if meters > 1 { limit.0.checked_div(meters).unwrap_or(0) } else { limit.0 });
        let fallen = self.meters.iter().map(|m| m.falls_to(each, settings)).max();
        let mut late = fallen.unwrap_or(now);
        if meters > 1 {
            // One meter falls by a formula; the sum of several falls at some instant before.
            let spacings: Vec<Flow, N> = crate::collect(self.meters.iter().map(|m| m.spacing_at_most(settings)));
            let sum_at = |at: Instant| {
                self.meters.iter().zip(&spacings).fold(0u32, |sum, (meter, spacing)| {
                    sum.saturating_add(meter.flow_by_silence(at, settings).min(*spacing).0)
                })
            };
            let mut early = now;
            while elapsed_ms(early, late) > 1 {
                let middle = later_ms(early, elapsed_ms(early, late) / 2);
                if sum_at(middle) <= limit.0 { late = middle } else { early = middle }
            }
        }
        Some(late)
    }

    /// The most that may flow, over all meters: what holds a start reckons with it while nobody knows the flow (M3).
    fn flow_at_most(&self, now: Instant) -> Flow {
        let settings = self.settings.meter_settings();
        Flow(self.meters.iter().fold(0, |sum: u32, meter| sum.saturating_add(meter.flow_at_most(now, settings).0)))
    }

    /// A window stands in which tanks may not change over (C6): when it ends.
    pub(super) fn changeover_held_until(&self, now: Instant) -> Option<Instant> {
        if self.settings.changeover_in_window || self.settings.windows.is_empty() {
            return None;
        }
        let (second, into_second_ms) = self.clock.civil(now)?.in_week();
        let left = self.settings.week().left_s(second)?;
        Some(later_ms(now, u64::from(left).wrapping_mul(1_000).saturating_sub(u64::from(into_second_ms))))
    }
}

/// The second of the week so many seconds later, less than a week.
fn week_second(second: u32, later_s: u32) -> u32 {
    let sum = second.saturating_add(later_s);
    sum.checked_sub(WEEK_S).unwrap_or(sum)
}
