//! Blackout windows, and the week they make: spans in which nothing starts (C5).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::calendar::{DAY_S, WEEK_S, Weekdays};
use crate::settings::MAX_WINDOWS;

/// Every window once a day, and one span more where one runs past the end of the week.
const MAX_SPANS: usize = 7 * MAX_WINDOWS + 1;
/// The week's length in minutes.
const WEEK_MIN: u16 = 10_080;

/// A blackout window: on these weekdays from one minute of the day to another (C5).
///
/// Where `to_minute` is not after `from_minute` the window ends on the next day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Window {
    /// Days on which it begins.
    pub days: Weekdays,
    /// Minute of the day when it begins.
    pub from_minute: u16,
    /// Minute of the day when it ends.
    pub to_minute: u16,
}

impl Window {
    /// Length in seconds, up to a day.
    #[must_use]
    pub fn length_s(self) -> u32 {
        let from = u32::from(self.from_minute);
        let to = u32::from(self.to_minute);
        let minutes = if to > from { to.saturating_sub(from) } else { to.saturating_add(1_440).saturating_sub(from) };
        minutes.saturating_mul(60)
    }

    /// Seconds since it last began, and seconds until it next begins, at a second of the week.
    fn nearest(self, second_of_week: u32) -> Option<(u32, u32)> {
        let mut since = None;
        let mut until = None;
        for day in 0..7u8 {
            if !self.days.has_number(day) {
                continue;
            }
            let begins =
                u32::from(day).saturating_mul(DAY_S).saturating_add(u32::from(self.from_minute).saturating_mul(60));
            let ago = week_difference(begins, second_of_week);
            let ahead = match week_difference(second_of_week, begins) {
                0 => WEEK_S,
                other => other,
            };
            since = Some(since.map_or(ago, |s: u32| s.min(ago)));
            until = Some(until.map_or(ahead, |u: u32| u.min(ahead)));
        }
        since.zip(until)
    }
}

/// Seconds from one second of the week forward to another.
fn week_difference(from: u32, to: u32) -> u32 {
    if to >= from { to.saturating_sub(from) } else { to.saturating_add(WEEK_S).saturating_sub(from) }
}

/// A stretch of the week in which windows stand, in minutes since Monday 00:00.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Span {
    from: u16,
    to: u16,
}

impl Span {
    fn begins_s(self) -> u32 {
        u32::from(self.from).wrapping_mul(60)
    }

    fn ends_s(self) -> u32 {
        u32::from(self.to).wrapping_mul(60)
    }
}

/// The blackout of a week: windows that touch or overlap are one span. Made once from the windows,
/// so that asking costs little.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Week {
    /// In order, apart from each other, within the week.
    spans: Vec<Span, MAX_SPANS>,
}

impl Week {
    /// The week that these windows make.
    #[must_use]
    pub fn new(windows: &[Window]) -> Self {
        let mut spans = Vec::new();
        let minute = |second: u32| u16::try_from(second / 60).unwrap_or(WEEK_MIN);
        let mut at = 0;
        while at < WEEK_S {
            if let Some(left) = blackout_left_s(windows, at) {
                let to = at.saturating_add(left).min(WEEK_S);
                if spans.push(Span { from: minute(at), to: minute(to) }).is_err() {
                    break;
                }
                at = to;
            } else {
                let Some(gap) = next_blackout_s(windows, at) else { break };
                at = at.saturating_add(gap);
            }
        }
        Self { spans }
    }

    /// The spans that end after a second of the week.
    fn ahead(&self, second_of_week: u32) -> &[Span] {
        let over = self.spans.partition_point(|span| span.ends_s() <= second_of_week);
        self.spans.get(over..).unwrap_or(&[])
    }

    /// Seconds until the blackout that stands ends, if one stands.
    #[must_use]
    pub fn left_s(&self, second_of_week: u32) -> Option<u32> {
        let span = self.ahead(second_of_week).first().filter(|span| span.begins_s() <= second_of_week)?;
        let left = span.ends_s().saturating_sub(second_of_week);
        // One that reaches the end of the week goes on into the next.
        let on = self.spans.first().filter(|next| span.to == WEEK_MIN && next.from == 0);
        Some(on.map_or(left, |next| left.saturating_add(next.ends_s())))
    }

    /// Seconds until the next blackout begins, from a moment outside all.
    #[must_use]
    pub fn next_s(&self, second_of_week: u32) -> Option<u32> {
        match self.ahead(second_of_week).first() {
            Some(span) => Some(span.begins_s().saturating_sub(second_of_week)),
            None => {
                self.spans.first().map(|span| span.begins_s().saturating_add(WEEK_S).saturating_sub(second_of_week))
            }
        }
    }

    /// Seconds until a start of this length fits between blackouts: 0 = now, `None` = never.
    #[must_use]
    pub fn fits_in_s(&self, second_of_week: u32, length_s: u32, finish_before: bool) -> Option<u32> {
        let later = |weeks: u32| {
            let by = WEEK_S.saturating_mul(weeks);
            move |span: &Span| (span.begins_s().saturating_add(by), span.ends_s().saturating_add(by))
        };
        let this_week = self.ahead(second_of_week).iter().map(later(0));
        let next_week = self.spans.iter().map(later(1));
        // The last gap of the next week ends in the week after.
        let after = self.spans.first().map(later(2));
        let mut free_from = second_of_week;
        for (from, to) in this_week.chain(next_week).chain(after) {
            let gap = from.saturating_sub(free_from);
            if gap > 0 && (!finish_before || gap >= length_s) {
                return Some(free_from.saturating_sub(second_of_week)).filter(|wait| *wait <= WEEK_S);
            }
            free_from = to;
        }
        self.spans.is_empty().then_some(0)
    }

    /// Whether on some day of the week something so long may begin within `grace_s` of a minute of the day.
    #[must_use]
    pub fn permits_some_hour(&self, minute: u16, grace_s: u32, length_s: u32, finish_before: bool) -> bool {
        let hours =
            (0..7u32).map(|day| day.saturating_mul(86_400).saturating_add(u32::from(minute).saturating_mul(60)));
        let mut waits = hours.filter_map(|at| self.fits_in_s(at, length_s, finish_before));
        waits.any(|wait| wait < grace_s)
    }
}

/// Seconds until the windows that now stand end, if one stands: windows that touch or overlap
/// count as one.
fn blackout_left_s(windows: &[Window], second_of_week: u32) -> Option<u32> {
    let mut left: u32 = 0;
    // Each pass can only lengthen the stay by a window; a week of it is the same as for ever.
    while left < WEEK_S {
        let at = second_of_week.saturating_add(left).checked_rem(WEEK_S).unwrap_or(0);
        let more = windows.iter().filter_map(|w| w.length_s().checked_sub(w.nearest(at)?.0)).max().unwrap_or(0);
        if more == 0 {
            break;
        }
        left = left.saturating_add(more);
    }
    (left > 0).then_some(left)
}

/// Seconds until the next window begins, from a moment outside all windows.
fn next_blackout_s(windows: &[Window], second_of_week: u32) -> Option<u32> {
    windows.iter().filter_map(|w| Some(w.nearest(second_of_week)?.1)).min()
}

#[cfg(test)]
#[allow(clippy::arithmetic_side_effects, reason = "tests may overflow")]
mod tests {
    use proptest::prelude::*;
    use std::vec::Vec;

    use super::*;

    /// The same answer by walking from window to window.
    fn walked_to_a_start(windows: &[Window], second_of_week: u32, length_s: u32, finish_before: bool) -> Option<u32> {
        let mut wait = 0;
        while wait <= WEEK_S {
            let at = (second_of_week + wait) % WEEK_S;
            if let Some(left) = blackout_left_s(windows, at) {
                wait += left;
                continue;
            }
            match next_blackout_s(windows, at) {
                Some(gap) if finish_before && gap < length_s => wait += gap,
                _ => return Some(wait),
            }
        }
        None
    }

    fn windows() -> impl Strategy<Value = Vec<Window>> {
        let window = (1u8..0x80, 0u16..1_440, 0u16..=1_440).prop_map(|(days, from_minute, to_minute)| {
            let mut set = Weekdays::EMPTY;
            for (number, day) in crate::calendar::Weekday::ALL.iter().enumerate() {
                if days & (1 << number) != 0 {
                    set.insert(*day);
                }
            }
            Window { days: set, from_minute, to_minute }
        });
        proptest::collection::vec(window, 0..=MAX_WINDOWS)
    }

    proptest! {
        /// C5: the week made once says the same as the windows do, moment by moment.
        #[test]
        fn c5_a_week_says_what_its_windows_say(
            windows in windows(), second in 0..WEEK_S, length_s in 0u32..90_000, finish in any::<bool>(),
        ) {
            let week = Week::new(&windows);
            // A week without a gap has no end to tell.
            let endless = walked_to_a_start(&windows, 0, 0, false).is_none();
            prop_assert_eq!(week.left_s(second).is_some(), blackout_left_s(&windows, second).is_some());
            if !endless {
                prop_assert_eq!(week.left_s(second), blackout_left_s(&windows, second));
            }
            if blackout_left_s(&windows, second).is_none() {
                prop_assert_eq!(week.next_s(second), next_blackout_s(&windows, second));
            }
            let fits = walked_to_a_start(&windows, second, length_s, finish);
            prop_assert_eq!(week.fits_in_s(second, length_s, finish), fits);
        }
    }

    /// Eight windows on every day, one of them past midnight, are kept whole.
    #[test]
    fn c5_the_most_spans_fit() {
        let windows: Vec<Window> = (0..8)
            .map(|i| Window { days: Weekdays::ALL_DAYS, from_minute: 179 + i * 180, to_minute: 181 + i * 180 })
            .map(|w| Window { to_minute: w.to_minute % 1_440, ..w })
            .collect();
        let week = Week::new(&windows);
        assert_eq!(week.spans.len(), MAX_SPANS);
        assert_eq!(week.left_s(WEEK_S - 1), Some(61));
    }
}
