//! The civil clock: daily events and weekdays (T1, T2, T4).
//!
//! Civil time is local standard time as milliseconds since 2000-01-01 00:00, a Saturday. Only days
//! and weekdays are ever needed, so month ends and leap days cannot go wrong.

use serde::{Deserialize, Serialize};

pub use crate::blackout::Window;

use crate::units::{Instant, Millis, elapsed_ms, later_ms, slugs};

/// Milliseconds in a day.
pub const DAY_MS: u64 = 86_400_000;
/// A day in units of 1 024 ms.
const DAY_1024_MS: u32 = 84_375;
/// The last day that is told, in 2139.
const LAST_DAY: u32 = u32::MAX / DAY_1024_MS;
/// Seconds in a week.
pub(crate) const WEEK_S: u32 = 604_800;
/// Seconds in a day.
pub(crate) const DAY_S: u32 = 86_400;
/// Two firings of the daily event are never closer than this on the monotonic clock (T2).
const FIRING_GAP_MS: u64 = 12 * 3_600_000;
/// A clock change larger than this forgets the fired date (T2).
const FORGET_MS: u64 = DAY_MS;

/// Local civil time, milliseconds since 2000-01-01 00:00.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Civil(pub u64);

impl Civil {
    /// A hundred years after 2000-01-01: no clock is believed that says so much.
    pub const END: Self = Self(36_525 * DAY_MS);

    /// Whole days since 2000-01-01.
    #[must_use]
    pub fn day(self) -> u32 {
        self.split().0
    }

    /// Whole days, and milliseconds into the present one.
    fn split(self) -> (u32, u32) {
        // A day is 84 375 times 1 024 ms, so that 32 bits do until 2139. A Cortex-M0 cannot divide:
        // a guess that is never too high, and a few steps, cost far less.
        let parts = u32::try_from(self.0 >> 10).unwrap_or(u32::MAX);
        let mut day = (parts >> 12).wrapping_mul(3_181) >> 16;
        let mut rest = parts.wrapping_sub(day.wrapping_mul(DAY_1024_MS));
        for step in [8, 4, 2, 1] {
            let days = DAY_1024_MS.wrapping_mul(step);
            if rest >= days {
                rest = rest.wrapping_sub(days);
                day = day.wrapping_add(step);
            }
        }
        let part_ms = u32::try_from(self.0 & 0x3ff).unwrap_or(0);
        (day, rest.wrapping_mul(1_024).wrapping_add(part_ms))
    }

    /// The first moment of a day at a minute of it.
    #[must_use]
    pub fn at(day: u32, minute: u16) -> Self {
        let midnight = u64::from(day.min(LAST_DAY).wrapping_mul(DAY_1024_MS)) << 10;
        Self(midnight.wrapping_add(u64::from(u32::from(minute).wrapping_mul(60_000))))
    }

    /// The date that this moment belongs to when days begin at a minute of the day: a grace past midnight belongs to its
    /// starting date (T2).
    #[must_use]
    pub fn dated(self, minute: u16) -> u32 {
        let day = self.day();
        if self < Self::at(day, minute) { day.saturating_sub(1) } else { day }
    }

    /// Second of the week, from Monday 00:00.
    #[must_use]
    pub fn second_of_week(self) -> u32 {
        self.in_week().0
    }

    /// Second of the week, from Monday 00:00, and milliseconds into that second.
    pub(crate) fn in_week(self) -> (u32, u32) {
        let (day, ms) = self.split();
        let second = ms / 1_000;
        // 2000-01-01 was a Saturday: five days into its week.
        let weekday = day.wrapping_add(5) % 7;
        let into_second_ms = ms.wrapping_sub(second.wrapping_mul(1_000));
        (weekday.wrapping_mul(DAY_S).wrapping_add(second), into_second_ms)
    }

    /// The weekday, 0 = Monday.
    #[must_use]
    pub fn weekday(self) -> u8 {
        let day = self.second_of_week().checked_div(DAY_S).unwrap_or(0);
        u8::try_from(day).unwrap_or(0)
    }
}

/// How civil time follows the monotonic clock: `None` while it is unknown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Clock {
    /// Civil ms minus monotonic ms.
    offset_ms: Option<i64>,
}

/// What a change of the civil clock did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockChange {
    /// How far it moved; `None` if it was or became unknown.
    pub moved_ms: Option<i64>,
}

impl ClockChange {
    /// More than a day, or from or to unknown: the fired date says nothing any more (T2).
    fn forgets_dates(self) -> bool {
        self.moved_ms.is_none_or(|by| by.unsigned_abs() > FORGET_MS)
    }
}

impl Clock {
    /// Civil time at a monotonic instant, if known.
    #[must_use]
    pub fn civil(self, at: Instant) -> Option<Civil> {
        at.as_ticks().checked_add_signed(self.offset_ms?).map(Civil).filter(|civil| *civil < Civil::END)
    }

    /// A clock that ran past [`Civil::END`] is one no longer; says whether that is so just now.
    pub fn expire(&mut self, now: Instant) -> bool {
        let over = self.is_set() && self.civil(now).is_none();
        if over {
            self.offset_ms = None;
        }
        over
    }

    /// The monotonic instant of a civil time, if the clock is set and that is not before its start.
    #[must_use]
    pub fn instant(self, civil: Civil) -> Option<Instant> {
        let back = self.offset_ms?.checked_neg()?;
        civil.0.checked_add_signed(back).map(Instant::from_ticks)
    }

    /// Whether civil time is known.
    #[must_use]
    pub fn is_set(self) -> bool {
        self.offset_ms.is_some()
    }

    /// Sets civil time at `now`, or makes it unknown; says by how much it moved.
    ///
    /// A time from [`Civil::END`] on is no time of this plant's life, and counts as unknown.
    pub fn set(&mut self, now: Instant, civil: Option<Civil>) -> ClockChange {
        let offset = civil.filter(|c| *c < Civil::END).and_then(|c| {
            let civil_ms = i64::try_from(c.0).ok()?;
            civil_ms.checked_sub(i64::try_from(now.as_ticks()).ok()?)
        });
        let moved_ms = match (self.offset_ms, offset) {
            (Some(old), Some(new)) => new.checked_sub(old),
            _ => None,
        };
        self.offset_ms = offset;
        ClockChange { moved_ms }
    }
}

slugs! {
    /// A weekday.
    Weekday as Weekdays(u8) {
        /// Monday.
        Monday = "monday",
        /// Tuesday.
        Tuesday = "tuesday",
        /// Wednesday.
        Wednesday = "wednesday",
        /// Thursday.
        Thursday = "thursday",
        /// Friday.
        Friday = "friday",
        /// Saturday.
        Saturday = "saturday",
        /// Sunday.
        Sunday = "sunday",
    }
}

impl Weekdays {
    /// All seven days.
    pub const ALL_DAYS: Self = Self(0x7f);

    /// Whether the weekday with this number (0 = Monday) is in.
    #[must_use]
    pub fn has_number(self, weekday: u8) -> bool {
        self.0 & 1u8.checked_shl(u32::from(weekday)).unwrap_or(0) != 0
    }
}

/// The daily event at the regeneration hour: once per civil date (T2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct DailyEvent {
    /// The last date whose hour has been dealt with, fired or missed.
    dealt_day: Option<u32>,
    /// When it last fired.
    fired_at: Option<Instant>,
    /// Since when civil time has been unknown, or the last firing since then.
    unset_since: Option<Instant>,
}

/// What became of an hour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HourOutcome {
    /// It fires now, for this date; `None` if civil time is unknown.
    Fired(Option<u32>),
    /// Its time passed without firing; the last such date.
    Missed(u32),
}

impl DailyEvent {
    /// Looks at the clock at `now`; at most one outcome a call.
    ///
    /// `minute` is the minute of the day of the hour, `grace` how long after it may still fire.
    pub fn poll(&mut self, now: Instant, clock: Clock, minute: u16, grace: Millis) -> Option<HourOutcome> {
        let Some(civil) = clock.civil(now) else {
            return self.poll_without_clock(now);
        };
        self.unset_since = None;
        let date = civil.dated(minute);
        let into_ms = civil.0.saturating_sub(Civil::at(date, minute).0);
        let in_grace = into_ms < u64::from(grace.0);
        // A date further ahead than one change of at most a day leaves it: several have added up, and it says nothing any more.
        let dealt = self.dealt_day.filter(|dealt| *dealt <= date.saturating_add(1));
        let Some(dealt) = dealt else {
            // First look at this clock: an hour already over was never ours to miss.
            self.dealt_day = Some(if in_grace { date.saturating_sub(1) } else { date });
            return if in_grace { self.poll(now, clock, minute, grace) } else { None };
        };
        if date <= dealt {
            return None;
        }
        if in_grace {
            if self.too_soon(now) {
                return None;
            }
            self.dealt_day = Some(date);
            self.fired_at = Some(now);
            return Some(HourOutcome::Fired(Some(date)));
        }
        self.dealt_day = Some(date);
        Some(HourOutcome::Missed(date))
    }

    /// Without civil time: 24 h of powered time after the last firing, or after the time became
    /// unknown if there was none (T1).
    fn poll_without_clock(&mut self, now: Instant) -> Option<HourOutcome> {
        let from = *self.unset_since.get_or_insert(self.fired_at.unwrap_or(now));
        if elapsed_ms(from, now) < DAY_MS {
            return None;
        }
        self.unset_since = Some(now);
        self.fired_at = Some(now);
        Some(HourOutcome::Fired(None))
    }

    /// When it last fired.
    pub(crate) fn fired_at(&self) -> Option<Instant> {
        self.fired_at
    }

    fn too_soon(&self, now: Instant) -> bool {
        self.fired_at.is_some_and(|at| elapsed_ms(at, now) < FIRING_GAP_MS)
    }

    /// Tells of a change of the civil clock.
    pub fn clock_changed(&mut self, change: ClockChange) {
        if change.forgets_dates() {
            self.dealt_day = None;
        }
    }

    /// When to look again: the next beginning or end of an hour's grace, or of the 12 h gap.
    #[must_use]
    pub fn deadline(&self, now: Instant, clock: Clock, minute: u16, grace: Millis) -> Option<Instant> {
        let Some(civil) = clock.civil(now) else {
            return self.unset_since.map(|at| later_ms(at, DAY_MS));
        };
        let date = civil.dated(minute);
        let begins = Civil::at(date, minute);
        let ends = Civil(begins.0.saturating_add(u64::from(grace.0)));
        let open = self.dealt_day.is_none_or(|dealt| date > dealt);
        if open && civil < ends {
            let gap_over = self.fired_at.map_or(now, |at| later_ms(at, FIRING_GAP_MS));
            return clock.instant(ends).map(|end| if gap_over > now { gap_over.min(end) } else { end });
        }
        let mut next = date.saturating_add(1);
        if let Some(dealt) = self.dealt_day {
            next = next.max(dealt.saturating_add(1));
        }
        clock.instant(Civil::at(next, minute))
    }
}

/// The regeneration hour as it is at some instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hour {
    /// It has begun, and its grace is not over.
    pub stands: bool,
    /// When its grace ends, or if it does not stand, when it next begins.
    pub changes_at: Option<Instant>,
}

/// The regeneration hour at `now`, if civil time is known (T1: without it calendar rules rest).
#[must_use]
pub fn hour(now: Instant, clock: Clock, minute: u16, grace: Millis) -> Option<Hour> {
    let civil = clock.civil(now)?;
    let date = civil.dated(minute);
    let ends = Civil(Civil::at(date, minute).0.saturating_add(u64::from(grace.0)));
    let stands = civil < ends;
    let changes = if stands { ends } else { Civil::at(date.saturating_add(1), minute) };
    Some(Hour { stands, changes_at: clock.instant(changes) })
}

/// Whole civil dates from `then` to a date by today's clock; if `date` is `None`, whole days of
/// powered time from `then` to `now`.
///
/// Reckoned from the monotonic clock, so that correcting a wrong year changes nothing.
#[must_use]
pub fn dates_since(then: Instant, now: Instant, date: Option<u32>, clock: Clock) -> u32 {
    match (clock.civil(then), date) {
        (Some(then), Some(date)) => date.saturating_sub(then.day()),
        _ => u32::try_from(elapsed_ms(then, now) / DAY_MS).unwrap_or(u32::MAX),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// T4: days and weeks without division are what division makes them.
        #[test]
        fn t4_days_and_weeks_are_plain_arithmetic(ms in 0u64..(1 << 42)) {
            let civil = Civil(ms);
            let day = ms.checked_div(DAY_MS).unwrap_or(0);
            prop_assert_eq!(u64::from(civil.day()), day);
            prop_assert_eq!(Civil::at(civil.day(), 0).0, ms.saturating_sub(ms.checked_rem(DAY_MS).unwrap_or(0)));
            let second = (ms / 1_000).saturating_add(5 * 86_400) % 604_800;
            prop_assert_eq!(u64::from(civil.second_of_week()), second);
            prop_assert_eq!(u64::from(civil.in_week().1), ms % 1_000);
        }
    }
}
