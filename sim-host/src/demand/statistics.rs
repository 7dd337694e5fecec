//! What is in a recording, gathered row by row in constant memory.

use jiff::civil::DateTime;
use serde::Serialize;

use super::inject::Done;
use super::judge::Closures;
use crate::quantity::PulseVolume;
use crate::recording::{COMMON_METER, Pulses};

const DAY_MS: u64 = 86_400_000;
const HOUR_MS: u64 = 3_600_000;
const MINUTE_MS: u64 = 60_000;

/// Less than 4 % of indoor use falls between 02 and 05 h (Mayer 1999, read in a secondary source).
pub const PUBLISHED_NIGHT_SHARE: f64 = 0.04;

/// Flow below which there is none to speak of, and the pause that breaks a flow: the defaults of the watch
/// `unbroken-flow` (W1).
const SMALL_ML_PER_MIN: u64 = 500;
const PAUSE_MS: u64 = MINUTE_MS;
/// A flow without a pause for so long raises `unbroken-flow` by default (W1).
const UNBROKEN_MS: u64 = 6 * HOUR_MS;
/// A silence that raises `meter-silent` by default (W1).
const SILENT_MS: u64 = 4 * DAY_MS;
/// A last day that is heard from in its last hours counts as a whole one.
const LAST_HOURS_MS: u64 = 3 * HOUR_MS;

/// A stretch of time, in s since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Stretch {
    /// When it begins.
    pub from_s: f64,
    /// How long it lasts.
    pub lasts_s: f64,
}

/// Water of the days, one after the other; of a long recording several days together.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ByDay {
    /// So many days stand together.
    pub days_together: u64,
    /// Mean of a day among them, L. The first and the last day may have been recorded in part.
    pub litres_a_day: Vec<f64>,
}

/// What was found in a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Summary {
    /// Civil time of the start, if known.
    pub start: Option<String>,
    /// From the start to the last row, or to the end that was asked for, days.
    pub span_days: f64,
    /// Rows read.
    pub rows: u64,
    /// Pulses in them.
    pub pulses: u64,
    /// Water of a pulse, L, if known; without it the figures below are in pulses.
    pub litres_per_pulse: Option<f64>,
    /// All water.
    pub litres: f64,
    /// Mean of a day.
    pub litres_a_day: f64,
    /// The least and the most of a whole day, if there is one.
    pub litres_of_a_day: Option<[f64; 2]>,
    /// Mean of each weekday's whole days, Monday first, where the start is known.
    pub litres_by_weekday: [Option<f64>; 7],
    /// Mean of each hour of the day; hours since the start where that is unknown.
    pub litres_by_hour: [f64; 24],
    /// Mean of each hour of each weekday, Monday first, where the start is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub litres_by_weekday_and_hour: Option<[[f64; 24]; 7]>,
    /// Day by day.
    pub by_day: ByDay,
    /// The largest means of 1, 10 and 60 whole minutes, L/min.
    pub peak_l_per_min: [f64; 3],
    /// Share of the water between 02:00 and 05:00, where the start is known.
    pub share_02_05: Option<f64>,
    /// The longest flow without a pause.
    pub longest_flow: Stretch,
    /// The longest time without a pulse, the ends included.
    pub longest_silence: Stretch,
    /// Meters that pulsed; 0 is the common one.
    pub meters: Vec<u8>,
    /// What bare contacts did, where there are some.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub contact: Option<Closures>,
    /// What was made faulty on purpose, if anything was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub injected: Option<Done>,
    /// What looks wrong, in words.
    pub suspicious: Vec<String>,
}

impl Summary {
    /// The same in another unit of volume.
    pub(super) fn scaled(&self, by: f64) -> Self {
        let each = |litres: f64| litres * by;
        let mut told = self.clone();
        told.litres_per_pulse = self.litres_per_pulse.map(each);
        told.litres *= by;
        told.litres_a_day *= by;
        told.litres_of_a_day = self.litres_of_a_day.map(|range| range.map(each));
        told.litres_by_weekday = self.litres_by_weekday.map(|day| day.map(each));
        told.litres_by_hour = self.litres_by_hour.map(each);
        told.litres_by_weekday_and_hour = self.litres_by_weekday_and_hour.map(|week| week.map(|day| day.map(each)));
        told.by_day.litres_a_day.iter_mut().for_each(|litres| *litres *= by);
        told.peak_l_per_min = self.peak_l_per_min.map(each);
        told
    }
}

/// Gathers a [`Summary`].
#[derive(Clone, Debug)]
pub struct Statistics {
    pulse: Option<PulseVolume>,
    start: Option<DateTime>,
    since_midnight_ms: u64,
    /// 0 is Monday.
    weekday: u64,
    rows: u64,
    pulses: u64,
    last_ms: u64,
    hours: [u64; 24],
    /// Hours of the weekdays, the start's weekday first.
    week: [[u64; 24]; 7],
    days: Days,
    today: (u64, u64),
    whole_days: [(u64, u64); 7],
    least_and_most: Option<(u64, u64)>,
    minutes: Minutes,
    /// A gap longer than this is a pause.
    pause_ms: u64,
    run_from_ms: Option<u64>,
    longest_run_ms: (u64, u64),
    longest_silence_ms: (u64, u64),
    meters: u16,
    at_once: u64,
    most_at_once: u32,
}

impl Statistics {
    /// For rows of a meter whose pulse is known or not, from a start that is known or not.
    #[must_use]
    pub fn new(pulse: Option<PulseVolume>, start: Option<DateTime>) -> Self {
        let since_midnight_ms = start.map_or(0, since_midnight_ms);
        // Flow is taken to go on until a pulse is overdue at the small flow.
        let overdue_ms = pulse.map_or(0, |pulse| {
            let per_ms = u128::from(SMALL_ML_PER_MIN) * 50 * u128::from(pulse.denominator());
            let wait = (u128::from(pulse.numerator_nl()) * 3).div_ceil(per_ms.max(1));
            u64::try_from(wait).unwrap_or(u64::MAX)
        });
        Self {
            pulse,
            start,
            since_midnight_ms,
            weekday: start.map_or(0, |at| u64::from(weekday(at))),
            rows: 0,
            pulses: 0,
            last_ms: 0,
            hours: [0; 24],
            week: [[0; 24]; 7],
            days: Days::default(),
            today: (0, 0),
            whole_days: [(0, 0); 7],
            least_and_most: None,
            minutes: Minutes::default(),
            pause_ms: overdue_ms.max(PAUSE_MS),
            run_from_ms: None,
            longest_run_ms: (0, 0),
            longest_silence_ms: (0, 0),
            meters: 0,
            at_once: 0,
            most_at_once: 0,
        }
    }

    /// Takes in a row; times never decrease.
    pub fn add(&mut self, row: &Pulses) {
        let count = u64::from(row.count);
        let of_calendar = row.at_ms.saturating_add(self.since_midnight_ms);
        let silence_ms = row.at_ms.saturating_sub(self.last_ms);
        if silence_ms > self.longest_silence_ms.1 {
            self.longest_silence_ms = (self.last_ms, silence_ms);
        }
        self.run_from_ms = match self.run_from_ms {
            Some(from) if silence_ms <= self.pause_ms => {
                if row.at_ms - from > self.longest_run_ms.1 {
                    self.longest_run_ms = (from, row.at_ms - from);
                }
                Some(from)
            }
            _ => Some(row.at_ms),
        };
        self.rows += 1;
        self.pulses = self.pulses.saturating_add(count);
        self.last_ms = row.at_ms;
        let (day, hour) = (of_calendar / DAY_MS, (of_calendar % DAY_MS / HOUR_MS) as usize);
        self.hours[hour] += count;
        self.week[(day % 7) as usize][hour] += count;
        self.days.add(day, count);
        self.go_to_day(day);
        self.today.1 += count;
        self.minutes.add(of_calendar / MINUTE_MS, count);
        self.meters |= 1_u16.checked_shl(u32::from(row.meter)).unwrap_or(0);
        if row.count > 1 {
            self.at_once += 1;
            self.most_at_once = self.most_at_once.max(row.count);
        }
    }

    /// Goes on to a day; those left behind are whole but for the first, if it began late.
    fn go_to_day(&mut self, day: u64) {
        while self.today.0 < day {
            let (over, pulses) = self.today;
            if over > 0 || self.since_midnight_ms == 0 {
                let place = &mut self.whole_days[((over + self.weekday) % 7) as usize];
                *place = (place.0 + 1, place.1 + pulses);
                let (least, most) = self.least_and_most.unwrap_or((pulses, pulses));
                self.least_and_most = Some((least.min(pulses), most.max(pulses)));
            }
            self.today = (over + 1, 0);
        }
    }

    /// What was found; `end_ms` is the end where it is known to come after the last row.
    #[must_use]
    pub fn finish(mut self, end_ms: Option<u64>) -> Summary {
        let end_ms = end_ms.unwrap_or(self.last_ms).max(self.last_ms);
        if end_ms - self.last_ms > self.longest_silence_ms.1 {
            self.longest_silence_ms = (self.last_ms, end_ms - self.last_ms);
        }
        let last = end_ms.saturating_add(self.since_midnight_ms).saturating_add(LAST_HOURS_MS);
        self.go_to_day(last / DAY_MS);
        let litres_per_pulse = self.pulse.map(|p| p.numerator_nl() as f64 / p.denominator() as f64 / 1e9);
        let litres = |pulses: u64| pulses as f64 * litres_per_pulse.unwrap_or(1.0);
        let span_days = end_ms as f64 / DAY_MS as f64;
        let a_day = |pulses: u64| if span_days > 0.0 { litres(pulses) / span_days } else { 0.0 };
        let stretch = |(from, lasts): (u64, u64)| Stretch { from_s: from as f64 / 1e3, lasts_s: lasts as f64 / 1e3 };
        let known = self.start.is_some();
        let night: u64 = self.hours[2..5].iter().sum();
        let mut summary = Summary {
            start: self.start.map(|at| at.strftime("%FT%R").to_string()),
            span_days,
            rows: self.rows,
            pulses: self.pulses,
            litres_per_pulse,
            litres: litres(self.pulses),
            litres_a_day: a_day(self.pulses),
            litres_of_a_day: self.least_and_most.map(|(least, most)| [litres(least), litres(most)]),
            litres_by_weekday: self
                .whole_days
                .map(|(days, pulses)| (known && days > 0).then(|| litres(pulses) / days as f64)),
            litres_by_hour: self.hours.map(a_day),
            litres_by_weekday_and_hour: (known && end_ms > 0).then(|| self.week_by_hour(end_ms, litres)),
            by_day: std::mem::take(&mut self.days)
                .means(self.since_midnight_ms.saturating_add(end_ms).div_ceil(DAY_MS), litres),
            peak_l_per_min: self.minutes.peaks().map(litres_in(litres_per_pulse)),
            share_02_05: (known && self.pulses > 0).then(|| night as f64 / self.pulses as f64),
            longest_flow: stretch(self.longest_run_ms),
            longest_silence: stretch(self.longest_silence_ms),
            meters: (0..16).filter(|meter| self.meters & (1 << meter) != 0).collect(),
            contact: None,
            injected: None,
            suspicious: Vec::new(),
        };
        summary.suspicious = self.suspicions(&summary);
        summary
    }

    /// Mean of each hour of each weekday, Monday first.
    fn week_by_hour(&self, end_ms: u64, litres: impl Fn(u64) -> f64) -> [[f64; 24]; 7] {
        // How much of each hour was recorded, in hours.
        let mut recorded = [[0.0; 24]; 7];
        let (mut at_ms, end_ms) = (self.since_midnight_ms, self.since_midnight_ms.saturating_add(end_ms));
        while at_ms < end_ms {
            let next_ms = (at_ms - at_ms % HOUR_MS + HOUR_MS).min(end_ms);
            recorded[(at_ms / DAY_MS % 7) as usize][(at_ms % DAY_MS / HOUR_MS) as usize] +=
                (next_ms - at_ms) as f64 / HOUR_MS as f64;
            at_ms = next_ms;
        }
        let mut means = [[0.0; 24]; 7];
        for (day, (pulses, hours)) in (self.weekday..).zip(self.week.iter().zip(&recorded)) {
            let place = &mut means[(day % 7) as usize];
            for (mean, (pulses, hours)) in place.iter_mut().zip(pulses.iter().zip(hours)) {
                // Of an hour that was hardly recorded no mean can be told.
                *mean = if *hours >= 0.5 { litres(*pulses) / hours } else { 0.0 };
            }
        }
        means
    }

    fn suspicions(&self, summary: &Summary) -> Vec<String> {
        use crate::quantity::show::duration_brief;
        let mut found = Vec::new();
        if self.rows == 0 {
            found.push("no row: nothing was drawn, or nothing was recorded".to_owned());
            return found;
        }
        if self.longest_run_ms.1 >= UNBROKEN_MS {
            found.push(format!(
                "water flows for {} without a pause: a leak, or use that never rests (`unbroken-flow` rises after 6 h)",
                duration_brief(self.longest_run_ms.1)
            ));
        }
        if self.longest_silence_ms.1 >= SILENT_MS {
            found.push(format!(
                "no pulse for {}: an absence, or a gap in the record (`meter-silent` rises after 4 days)",
                duration_brief(self.longest_silence_ms.1)
            ));
        }
        if let Some(share) = summary.share_02_05.filter(|share| *share > PUBLISHED_NIGHT_SHARE) {
            found.push(format!(
                "{:.1} % of the water falls between 02:00 and 05:00; in homes it is less than 4 % (Mayer 1999): a leak, a use \
                 by night, or a clock that is wrong",
                share * 100.0
            ));
        }
        if summary.meters.len() > 1 && summary.meters.contains(&COMMON_METER) {
            found.push("pulses of a common meter and of tanks' meters stand side by side".to_owned());
        }
        if self.at_once > 0 && self.at_once * 100 > self.rows {
            found.push(format!(
                "{} of {} rows have several pulses (up to {}): moments were gathered, so that peaks look higher than they were",
                self.at_once, self.rows, self.most_at_once
            ));
        }
        if self.pulses > 200 && self.hours.iter().filter(|pulses| **pulses > 0).count() <= 6 {
            found.push("all water falls into six hours of the day or fewer".to_owned());
        }
        found
    }
}

/// Pulses day by day; two neighbours become one when there are too many.
#[derive(Clone, Debug)]
struct Days {
    together: u64,
    pulses: Vec<u64>,
}

impl Default for Days {
    fn default() -> Self {
        Self { together: 1, pulses: Vec::new() }
    }
}

impl Days {
    const MOST: u64 = 400;

    fn add(&mut self, day: u64, count: u64) {
        while day / self.together >= Self::MOST {
            self.together *= 2;
            self.pulses = self.pulses.chunks(2).map(|pair| pair.iter().sum()).collect();
        }
        let place = (day / self.together) as usize;
        if self.pulses.len() <= place {
            self.pulses.resize(place + 1, 0);
        }
        self.pulses[place] += count;
    }

    /// Means of a day, where the recording goes on for so many days.
    fn means(mut self, days: u64, litres: impl Fn(u64) -> f64) -> ByDay {
        if days > 0 {
            self.add(days - 1, 0);
        }
        let of = |(i, pulses): (u64, &u64)| {
            let known = days.saturating_sub(i * self.together).clamp(1, self.together);
            litres(*pulses) / known as f64
        };
        ByDay { days_together: self.together, litres_a_day: (0..).zip(&self.pulses).map(of).collect() }
    }
}

fn litres_in(per_pulse: Option<f64>) -> impl Fn(f64) -> f64 {
    move |pulses| pulses * per_pulse.unwrap_or(1.0)
}

/// From midnight to a civil time, ms.
pub(crate) fn since_midnight_ms(at: DateTime) -> u64 {
    let midnight = at.date().to_datetime(jiff::civil::Time::midnight());
    u64::try_from(at.duration_since(midnight).as_millis()).unwrap_or(0)
}

/// The weekday of a civil time: 0 is Monday.
pub(crate) fn weekday(at: DateTime) -> u8 {
    at.date().weekday().to_monday_zero_offset().unsigned_abs()
}

/// Pulses of the last 60 minutes, and the most of 1, 10 and 60 of them.
#[derive(Clone, Debug)]
struct Minutes {
    pulses: [u64; 60],
    now: u64,
    of_10: u64,
    of_60: u64,
    most: [u64; 3],
}

impl Default for Minutes {
    fn default() -> Self {
        Self { pulses: [0; 60], now: 0, of_10: 0, of_60: 0, most: [0; 3] }
    }
}

impl Minutes {
    fn add(&mut self, minute: u64, count: u64) {
        if minute.saturating_sub(self.now) >= 60 {
            *self = Self { now: minute, most: self.most, ..Self::default() };
        }
        while self.now < minute {
            self.now += 1;
            let place = (self.now % 60) as usize;
            self.of_60 -= self.pulses[place];
            self.pulses[place] = 0;
            self.of_10 -= self.pulses[((self.now + 50) % 60) as usize];
        }
        let place = (minute % 60) as usize;
        self.pulses[place] += count;
        self.of_10 += count;
        self.of_60 += count;
        let sums = [self.pulses[place], self.of_10, self.of_60];
        for (most, sum) in self.most.iter_mut().zip(sums) {
            *most = (*most).max(sum);
        }
    }

    /// Pulses a minute.
    fn peaks(&self) -> [f64; 3] {
        [self.most[0] as f64, self.most[1] as f64 / 10.0, self.most[2] as f64 / 60.0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::parse_pulse_volume;

    fn statistics(rows: &[(u64, u32)], end_ms: Option<u64>) -> Summary {
        let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
        let mut statistics = Statistics::new(parse_pulse_volume("1 L").ok(), Some(start));
        for (at_ms, count) in rows {
            statistics.add(&Pulses { at_ms: *at_ms, meter: COMMON_METER, count: *count });
        }
        statistics.finish(end_ms)
    }

    /// Figures of a recording small enough to count by hand.
    #[test]
    fn figures_are_those_counted_by_hand() {
        let h = HOUR_MS;
        // Monday: 5 L from 03:00 in ten minutes, 15 L at 12:00; Tuesday: 20 L at 12:00.
        let mut rows: Vec<(u64, u32)> = (0..5).map(|i| (3 * h + i * 2 * MINUTE_MS, 1)).collect();
        rows.extend([(12 * h, 15), (36 * h, 20)]);
        let found = statistics(&rows, Some(2 * DAY_MS));
        assert_eq!((found.rows, found.pulses), (7, 40));
        assert_eq!((found.litres, found.litres_a_day), (40.0, 20.0));
        assert_eq!(found.litres_by_weekday[..3], [Some(20.0), Some(20.0), None]);
        assert_eq!((found.litres_by_hour[3], found.litres_by_hour[12]), (2.5, 17.5));
        let week = found.litres_by_weekday_and_hour.unwrap();
        assert_eq!((week[0][3], week[0][12], week[1][12], week[2][12]), (5.0, 15.0, 20.0, 0.0));
        assert_eq!(found.by_day, ByDay { days_together: 1, litres_a_day: vec![20.0, 20.0] });
        assert_eq!(found.peak_l_per_min, [20.0, 2.0, 20.0 / 60.0]);
        assert_eq!(found.share_02_05, Some(5.0 / 40.0));
        // At half a litre a minute a litre takes two minutes: no pause between these.
        assert_eq!(found.longest_flow, Stretch { from_s: 10_800.0, lasts_s: 480.0 });
        assert_eq!(found.longest_silence, Stretch { from_s: 43_200.0, lasts_s: 86_400.0 });
        assert!(found.suspicious[0].contains("12.5 %"), "{:?}", found.suspicious);
    }

    /// The windows slide: two halves of a peak on both sides of a full ten minutes are one.
    #[test]
    fn peaks_are_those_of_sliding_windows() {
        let rows = [(9 * MINUTE_MS, 3), (11 * MINUTE_MS, 4), (19 * MINUTE_MS, 1), (72 * MINUTE_MS, 2)];
        let found = statistics(&rows, None);
        assert_eq!(found.peak_l_per_min, [4.0, 0.7, 8.0 / 60.0]);
    }

    #[test]
    fn nothing_and_very_late_rows_do_not_panic() {
        assert_eq!(statistics(&[], None).suspicious.len(), 1);
        let late = 300 * 366 * DAY_MS;
        let found = statistics(&[(1, 1), (late, u32::MAX)], None);
        assert!(found.suspicious.iter().any(|text| text.contains("no pulse for")));
    }

    /// A long recording's days stand together, and their means stay.
    #[test]
    fn many_days_stand_together() {
        let rows: Vec<_> = (0..1_000).map(|day| (day * DAY_MS + HOUR_MS, 6)).collect();
        let found = statistics(&rows, Some(1_000 * DAY_MS));
        assert_eq!((found.by_day.days_together, found.by_day.litres_a_day.len()), (4, 250));
        assert!(found.by_day.litres_a_day.iter().all(|litres| *litres == 6.0));
        // Weekday 0 is the start's, a Monday: 143 or 142 of each, one draw in each of its first hours.
        assert!(
            found.litres_by_weekday_and_hour.unwrap().iter().all(|day| (day[1] - 6.0).abs() < 1e-9 && day[2] == 0.0)
        );
    }

    /// W1: what would raise `unbroken-flow` is told.
    #[test]
    fn a_leak_is_suspicious() {
        let rows: Vec<_> = (1..400).map(|i| (i * 60_000, 1)).collect();
        let found = statistics(&rows, None);
        assert!(found.suspicious[0].contains("without a pause"), "{:?}", found.suspicious);
    }
}
