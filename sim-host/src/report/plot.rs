//! Positions, paths and ticks of the time line. Horizontal positions are shares of the recording, so that
//! the drawing fits any width; curves are drawn in a box of their own that stretches.

use super::people::Clock;
use crate::evidence::Curve;
use std::fmt::Write as _;

/// Height of a curve's box in its own units.
pub const CURVE_HEIGHT: f64 = 1_000.0;
/// Narrowest an item is drawn before the script takes over, % of the width: thin events must not vanish.
const NARROWEST_PERCENT: f64 = 0.2;
const DAY_MS: u64 = 86_400_000;

/// Left edge and width of a stretch of time, % of the recording's span.
pub fn place(from_ms: u64, to_ms: u64, span_ms: u64) -> (f64, f64) {
    let span = span_ms.max(1) as f64;
    let left = (from_ms as f64 / span * 100.0).min(100.0);
    let right = (to_ms as f64 / span * 100.0).min(100.0);
    let width = (right - left).max(NARROWEST_PERCENT);
    (left.min(100.0 - NARROWEST_PERCENT), width)
}

/// Joins intervals so close together that nobody could tell them apart, a thousandth of the whole.
pub fn joined(intervals: &[(u64, u64)], span_ms: u64) -> Vec<(u64, u64)> {
    let close_ms = span_ms / 1_000;
    let mut all: Vec<(u64, u64)> = Vec::new();
    for &(from_ms, to_ms) in intervals {
        match all.last_mut() {
            Some(last) if from_ms <= last.1.saturating_add(close_ms) => last.1 = to_ms,
            _ => all.push((from_ms, to_ms)),
        }
    }
    all
}

/// Puts intervals that overlap into rows of their own. Returns each one's row, and the count of rows.
pub fn stack(intervals: &[(u64, u64)]) -> (Vec<usize>, usize) {
    let mut order: Vec<usize> = (0..intervals.len()).collect();
    order.sort_by_key(|&index| intervals[index]);
    let mut row_ends: Vec<u64> = Vec::new();
    let mut rows = vec![0; intervals.len()];
    for index in order {
        let (from_ms, to_ms) = intervals[index];
        let free = row_ends.iter().position(|&end_ms| end_ms <= from_ms);
        let row = free.unwrap_or(row_ends.len());
        if row == row_ends.len() {
            row_ends.push(0);
        }
        row_ends[row] = to_ms.max(from_ms.saturating_add(1));
        rows[index] = row;
    }
    (rows, row_ends.len().max(1))
}

/// A curve drawn as the band between its lowest and highest values.
pub struct Drawing {
    /// SVG path in whole seconds and [`CURVE_HEIGHT`].
    pub path: String,
    /// Value at the top of the box.
    pub top: f64,
    /// Value at the bottom of the box: nought, or below it.
    pub bottom: f64,
    /// Where nought lies, if within the box and not at its bottom; % from the top.
    pub zero_percent: Option<f64>,
}

/// Draws a curve; `None` if nothing was pushed.
pub fn draw(curve: &Curve, span_ms: u64) -> Option<Drawing> {
    let (low, high) = curve.extremes()?;
    let top = if high > 0.0 { high } else { 1.0 };
    let bottom = low.min(0.0);
    let height = |value: f64| (top - value) / (top - bottom) * CURVE_HEIGHT;
    let buckets = curve.buckets();
    let width_ms = curve.bucket_width_ms();
    let end_of = |index: usize| {
        let next_ms = buckets.get(index + 1).map_or(span_ms, |next| next.from_ms);
        let bucket = &buckets[index];
        bucket.from_ms.saturating_add(width_ms).min(next_ms).max(bucket.from_ms)
    };
    let mut pen = Pen::default();
    for (index, bucket) in buckets.iter().enumerate() {
        pen.across(bucket.from_ms);
        pen.up_or_down(height(bucket.max));
        pen.across(end_of(index));
        pen.up_or_down(height(bucket.last));
    }
    let (end, last) = (pen.x, pen.y);
    for (index, bucket) in buckets.iter().enumerate().rev() {
        pen.up_or_down(height(bucket.last));
        pen.across(end_of(index));
        pen.up_or_down(height(bucket.min));
        pen.across(bucket.from_ms);
    }
    // The last value holds to the recording's end.
    let path = format!("{}ZM{end} {last}H{}", pen.path, span_ms.div_ceil(1_000));
    Some(Drawing { path, top, bottom, zero_percent: (bottom < 0.0).then(|| height(0.0) / CURVE_HEIGHT * 100.0) })
}

/// Writes a path of level and upright lines, in whole units, without those that lead nowhere.
#[derive(Default)]
struct Pen {
    path: String,
    x: u64,
    y: i64,
}

impl Pen {
    fn across(&mut self, at_ms: u64) {
        let x = at_ms / 1_000;
        if self.path.is_empty() {
            self.x = x;
        } else if x != self.x {
            self.x = x;
            let _ = write!(self.path, "H{x}");
        }
    }

    fn up_or_down(&mut self, height: f64) {
        let y = height.round() as i64;
        if self.path.is_empty() {
            let _ = write!(self.path, "M{} {y}", self.x);
        } else if y != self.y {
            let _ = write!(self.path, "V{y}");
        }
        self.y = y;
    }
}

/// A curve's values for the page's script: bucket number, lowest, highest, last; with so many decimals.
pub fn values(curve: &Curve, decimals: usize) -> String {
    let width_ms = curve.bucket_width_ms();
    let mut text = String::from("[");
    for (index, bucket) in curve.buckets().iter().enumerate() {
        let comma = if index == 0 { "" } else { "," };
        let _ = write!(
            text,
            "{comma}{},{},{},{}",
            bucket.from_ms / width_ms,
            short(bucket.min, decimals),
            short(bucket.max, decimals),
            short(bucket.last, decimals)
        );
    }
    text.push(']');
    text
}

/// A number for the eye: so many decimals, without noughts at the end.
fn short(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A line across the time line.
pub struct Tick {
    /// Where, % of the recording's span.
    pub left_percent: f64,
    /// The date, where there is room for it.
    pub label: Option<String>,
}

/// Midnights of the whole recording: few enough labels for a narrow screen.
pub fn day_ticks(clock: &Clock, span_ms: u64) -> Vec<Tick> {
    const MOST_LINES: u64 = 40;
    const MOST_LABELS: u64 = 5;
    let days = span_ms / DAY_MS;
    let days_per_line = days.div_ceil(MOST_LINES).max(1);
    let lines_per_label = days.div_ceil(days_per_line).div_ceil(MOST_LABELS).max(1);
    let first_ms = match clock.since_midnight_ms() % DAY_MS {
        0 => 0,
        since => DAY_MS - since,
    };
    (0..)
        .map(|line: u64| (line, first_ms.saturating_add(line.saturating_mul(days_per_line * DAY_MS))))
        .take_while(|&(_, at_ms)| at_ms < span_ms)
        .map(|(line, at_ms)| Tick {
            left_percent: place(at_ms, at_ms, span_ms).0,
            label: (line % lines_per_label == 0).then(|| clock.day(at_ms)),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_stay_on_the_page() {
        assert_eq!(place(0, 50, 100), (0.0, 50.0));
        assert_eq!(place(100, 100, 100), (99.8, 0.2));
        assert_eq!(place(5_000, 9_000, 100), (99.8, 0.2));
        assert_eq!(place(0, 0, 0), (0.0, 0.2));
    }

    #[test]
    fn overlaps_get_rows_and_neighbours_share_one() {
        let (rows, count) = stack(&[(0, 10), (5, 8), (10, 20), (6, 7)]);
        assert_eq!((rows, count), (vec![0, 1, 0, 2], 3));
        assert_eq!(stack(&[]), (vec![], 1));
        assert_eq!(stack(&[(3, 3), (3, 3)]).1, 2);
    }

    #[test]
    fn a_step_is_drawn_where_it_happened() {
        let mut curve = Curve::new(8);
        curve.push(0, 10.0);
        curve.push(2_000, 5.0);
        let drawing = draw(&curve, 4_000).expect("has values");
        assert_eq!((drawing.top, drawing.bottom), (10.0, 0.0));
        assert_eq!(drawing.path, "M0 0H2V500V0H0ZM2 500H4");
    }

    #[test]
    fn below_nought_the_zero_line_shows() {
        let mut curve = Curve::new(8);
        curve.push(0, 30.0);
        curve.push(1_000, -10.0);
        let drawing = draw(&curve, 2_000).expect("has values");
        assert_eq!(drawing.bottom, -10.0);
        assert_eq!(drawing.zero_percent, Some(75.0));
    }

    #[test]
    fn an_empty_curve_draws_nothing() {
        assert!(draw(&Curve::new(8), 1_000).is_none());
        assert_eq!(values(&Curve::new(8), 1), "[]");
    }

    #[test]
    fn values_are_bucket_numbers_and_short_numbers() {
        let mut curve = Curve::new(8);
        curve.push(3, 1.25);
        curve.push(7, 2.0);
        assert_eq!(values(&curve, 1), "[3,1.2,1.2,1.2,7,2,2,2]");
        assert_eq!(values(&curve, 2), "[3,1.25,1.25,1.25,7,2,2,2]");
    }

    #[test]
    fn ticks_fall_on_midnights_and_stay_few() {
        let clock = Clock::new("2026-03-02T22:00:00", 14 * DAY_MS);
        let ticks = day_ticks(&clock, 14 * DAY_MS);
        assert_eq!(ticks.len(), 14);
        let labels: Vec<_> = ticks.iter().filter_map(|t| t.label.as_deref()).collect();
        assert_eq!(labels, ["Tue 3 Mar", "Fri 6 Mar", "Mon 9 Mar", "Thu 12 Mar", "Sun 15 Mar"]);
        assert!(day_ticks(&clock, 20 * 366 * DAY_MS).len() <= 41);
        assert_eq!(day_ticks(&clock, 0).len(), 0);
    }
}
