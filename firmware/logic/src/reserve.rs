//! Use learned by the weekday, and what of a tank's capacity is kept back for it (R1, R2).
//!
//! A day runs from one regeneration hour to the next, and bears the date and the weekday on which it begins: what a
//! delayed start must reckon with is then a whole number of such days. Each weekday has its mean and its mean deviation,
//! both moved by a quarter of the surprise of every day that is learned, in the manner in which RFC 6298 follows round-trip
//! times: about the last four weeks count.

use serde::{Deserialize, Serialize};

use crate::calendar::{Civil, DAY_MS};
use crate::units::{NL_PER_L, Volume, share, slugs};

/// A forecast counts once so many days have been learned (R1).
pub const DAYS_UNTIL_KNOWN: u16 = 7;
/// What a tank holds for so many days stands for a day's use until that is known: a quarter of capacity (R1).
pub const DAYS_OF_CAPACITY: u64 = 4;
/// All of a day's water may flow within a third of it, as far as stretches shorter than a day go (our own choice).
const BUSY_PART: u64 = 3;

slugs! {
    /// What became of a day's use.
    Lesson as Lessons(u8) {
        /// It was learned.
        Learned = "learned",
        /// Civil time was unknown for some of it.
        NoClock = "no-clock",
        /// The clock was moved by more than an hour, or the regeneration hour was.
        ClockMoved = "clock-moved",
        /// Power was off for some of it.
        PowerOff = "power-off",
        /// People were away: they said so, or hardly any water was used.
        Absence = "absence",
    }
}

/// The use of one day, from one regeneration hour to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DayUse {
    /// The date on which it began, in days since 2000-01-01.
    pub day: u16,
    /// Water delivered, whole litres, rounded up.
    pub litres: u32,
    /// Whether the forecast learned from it.
    pub lesson: Lesson,
}

/// What is known of a weekday.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Habit {
    /// Mean use, L.
    pub mean_l: u32,
    /// Mean deviation from it, L.
    pub deviation_l: u32,
    /// The last day that was learned, in days since 2000-01-01.
    pub last_day: u16,
    /// How many days have been learned, up to 255.
    pub days: u8,
}

impl Habit {
    fn begin(litres: u32) -> Self {
        // How far one such day lies from the next is unknown yet: a quarter is a guess that soon fades.
        Self { mean_l: litres, deviation_l: litres / 4, ..Self::default() }
    }

    fn learn(&mut self, litres: u32) {
        let surprise = litres.abs_diff(self.mean_l);
        self.mean_l = a_quarter_towards(self.mean_l, litres);
        self.deviation_l = a_quarter_towards(self.deviation_l, surprise);
    }

    /// The use to be expected, L.
    fn expected_l(&self, deviations: u8) -> u32 {
        self.mean_l.saturating_add(self.deviation_l.saturating_mul(u32::from(deviations)))
    }
}

/// Rounded so that it comes to rest at `to` or a little above, never below.
fn a_quarter_towards(from: u32, to: u32) -> u32 {
    let way = from.abs_diff(to);
    if to > from { from.saturating_add(way.div_ceil(4)) } else { from.saturating_sub(way / 4) }
}

/// What use is expected, weekday by weekday, and the day under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Forecast {
    /// From Monday on.
    habits: [Habit; 7],
    /// Weekdays of which nothing is known but that once hardly any water was used.
    quiet_once: u8,
    /// The day under way; `None` while no civil time has been known.
    day: Option<u16>,
    used: Volume,
    /// Why the day under way will not be learned.
    spoiled: Option<Lesson>,
}

impl Default for Forecast {
    fn default() -> Self {
        // Its first day began before anybody looked.
        let spoiled = Some(Lesson::NoClock);
        Self { habits: [Habit::default(); 7], quiet_once: 0, day: None, used: Volume::ZERO, spoiled }
    }
}

impl Forecast {
    /// What is known of the weekdays, from Monday on.
    #[must_use]
    pub fn habits(&self) -> &[Habit; 7] {
        &self.habits
    }

    /// How many days have been learned.
    #[must_use]
    pub fn days_learned(&self) -> u16 {
        self.habits.iter().fold(0, |sum, habit| sum.saturating_add(u16::from(habit.days)))
    }

    /// Enough days have been learned for a forecast to count (R1).
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.days_learned() >= DAYS_UNTIL_KNOWN
    }

    /// Water delivered in the day under way.
    #[must_use]
    pub fn used(&self) -> Volume {
        self.used
    }

    /// Water was delivered.
    pub(crate) fn pass(&mut self, volume: Volume) {
        self.used = self.used.plus(volume);
    }

    /// The day under way will not be learned. What spoiled it first is told.
    pub(crate) fn spoil(&mut self, why: Lesson) {
        self.spoiled.get_or_insert(why);
    }

    /// It is this day after something that leaves neither the day before nor this one whole, be it earlier or later.
    pub(crate) fn resume(&mut self, day: u16, why: Lesson, absence_percent: u8) -> Option<DayUse> {
        self.spoil(why);
        let ended = self.follow(day, absence_percent);
        self.day = Some(day);
        self.spoil(why);
        ended
    }

    /// It is this day; one that is over is closed and told. A small step back of the clock ends no day twice.
    pub(crate) fn follow(&mut self, day: u16, absence_percent: u8) -> Option<DayUse> {
        let Some(was) = self.day else {
            self.day = Some(day);
            return None;
        };
        if day <= was {
            return None;
        }
        // A day that was skipped had no beginning here.
        let whole = was.checked_add(1) == Some(day);
        let litres = u32::try_from(self.used.0.div_ceil(NL_PER_L)).unwrap_or(u32::MAX);
        self.used = Volume::ZERO;
        self.day = Some(day);
        let spoiled = self.spoiled.take();
        let lesson = match spoiled {
            Some(why) => why,
            None if !whole => Lesson::ClockMoved,
            None => self.learn(was, litres, absence_percent),
        };
        if !whole {
            self.spoiled = Some(lesson);
        }
        Some(DayUse { day: was, litres, lesson })
    }

    fn learn(&mut self, day: u16, litres: u32, absence_percent: u8) -> Lesson {
        let place = weekday(u32::from(day));
        let usual = self.usual_l();
        let bit = 1u8.checked_shl(u32::from(place)).unwrap_or(0);
        let Some(habit) = self.habits.get_mut(usize::from(place)) else { return Lesson::Learned };
        let mean = if habit.days > 0 { habit.mean_l } else { usual };
        let little = u64::from(litres).saturating_mul(100) < u64::from(mean).saturating_mul(u64::from(absence_percent));
        if little && (habit.days > 0 || self.quiet_once & bit == 0) {
            // Of a weekday that is new, twice in a row is a habit: the house is closed on that day.
            self.quiet_once |= bit;
            return Lesson::Absence;
        }
        if habit.days == 0 {
            *habit = Habit::begin(litres);
        } else {
            habit.learn(litres);
        }
        habit.days = habit.days.saturating_add(1);
        habit.last_day = day;
        Lesson::Learned
    }

    fn known(&self) -> impl Iterator<Item = &Habit> {
        self.habits.iter().filter(|habit| habit.days > 0)
    }

    /// Mean over the weekdays that are known, L.
    fn usual_l(&self) -> u32 {
        let count = u64::try_from(self.known().count()).unwrap_or(1);
        let sum = self.known().fold(0u64, |sum, habit| sum.saturating_add(u64::from(habit.mean_l)));
        u32::try_from(sum.checked_div(count).unwrap_or(0)).unwrap_or(u32::MAX)
    }

    /// The use to be expected on a day: of its weekday, or of the busiest that is known.
    #[must_use]
    pub fn expected_on(&self, day: u32, deviations: u8) -> Volume {
        let own = self.habits.get(usize::from(weekday(day))).filter(|habit| habit.days > 0);
        let litres = own.map_or_else(|| self.busiest_l(deviations), |habit| habit.expected_l(deviations));
        Volume::from_litres(u64::from(litres))
    }

    /// The use to be expected on the busiest weekday that is known, L.
    fn busiest_l(&self, deviations: u8) -> u32 {
        self.known().map(|habit| habit.expected_l(deviations)).max().unwrap_or(0)
    }

    /// The use to be expected on the busiest weekday that is known.
    #[must_use]
    pub fn expected_on_the_busiest(&self, deviations: u8) -> Volume {
        Volume::from_litres(u64::from(self.busiest_l(deviations)))
    }

    /// The use to be expected from a moment on for so long, with days that begin at `minute`: whole days, and of days in
    /// part their part.
    #[must_use]
    pub fn expected(&self, from: Civil, length_ms: u64, minute: u16, deviations: u8) -> Volume {
        let mut sum = Volume::ZERO;
        let mut at = from;
        let end = Civil(from.0.saturating_add(length_ms));
        while at < end {
            let day = at.dated(minute);
            let until = Civil::at(day.saturating_add(1), minute).min(end);
            if until <= at {
                // Past the end of the calendar.
                break;
            }
            let use_of_day = self.expected_on(day, deviations);
            let part_ms = until.0.saturating_sub(at.0);
            sum = sum.plus(if part_ms == DAY_MS { use_of_day } else { part_of_day(use_of_day, part_ms) });
            at = until;
        }
        sum
    }
}

/// The part of a day's use that falls in so many milliseconds if it flows evenly.
#[must_use]
pub(crate) fn part_of_day(use_of_day: Volume, part_ms: u64) -> Volume {
    Volume(share(use_of_day.0, part_ms, DAY_MS))
}

/// How long an even flow takes for what may flow in a short stretch at a busy time.
#[must_use]
pub(crate) fn busy_ms(length_ms: u64) -> u64 {
    length_ms.saturating_mul(BUSY_PART).min(length_ms.max(DAY_MS))
}

/// The weekday of a date, 0 = Monday; 2000-01-01 was a Saturday.
fn weekday(day: u32) -> u8 {
    u8::try_from(day.saturating_add(5) % 7).unwrap_or(0)
}

slugs! {
    /// What a reserve rests on.
    Basis as Bases(u8) {
        /// The setting alone.
        Setting = "setting",
        /// Too few days have been learned.
        TooFewDays = "too-few-days",
        /// Civil time is unknown: nothing waits for the hour, so hardly anything is kept back.
        NoClock = "no-clock",
        /// The forecast.
        Forecast = "forecast",
    }
}

/// What is kept back of each tank's capacity, and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct InForce {
    /// Kept back of a tank, at today's hardness.
    pub kept: Volume,
    /// What it rests on.
    pub basis: Basis,
    /// The stretch that it covers, if it is for a stretch of civil time.
    pub covers: Option<(Civil, Civil)>,
    /// The site's use to be expected in that stretch, before the bypass and the other tanks take their part.
    pub expected: Volume,
}

#[cfg(test)]
#[allow(clippy::arithmetic_side_effects, reason = "tests may overflow")]
mod tests {
    use proptest::prelude::*;
    use std::vec::Vec;

    use super::*;

    /// What is known after days of such use, from a Monday on.
    fn after(uses: &[u32], absence_percent: u8) -> Forecast {
        let mut forecast = Forecast::default();
        let mut day = 9_921;
        forecast.follow(day, absence_percent);
        forecast.spoiled = None;
        for litres in uses {
            forecast.pass(Volume::from_litres(u64::from(*litres)));
            day += 1;
            forecast.follow(day, absence_percent);
        }
        forecast
    }

    proptest! {
        /// R1, M6: whatever happens, at whatever time, nothing panics or wraps, and a longer stretch is never expected to
        /// use less.
        #[test]
        fn r1_nothing_overflows(
            happenings in proptest::collection::vec((0u8..4, any::<u64>(), any::<u16>(), 0u8..=50), 0..60),
            from in any::<u64>(), length in 0u64..5_000_000_000, minute in 0u16..1_440, deviations in 0u8..=10,
        ) {
            let mut forecast = Forecast::default();
            for (kind, volume, day, percent) in happenings {
                match kind {
                    0 => forecast.pass(Volume(volume)),
                    1 => drop(forecast.follow(day, percent)),
                    2 => drop(forecast.resume(day, Lesson::ClockMoved, percent)),
                    _ => forecast.spoil(Lesson::PowerOff),
                }
            }
            let from = Civil(from % Civil::END.0);
            let short = forecast.expected(from, length / 2, minute, deviations);
            prop_assert!(short <= forecast.expected(from, length, minute, deviations));
            prop_assert!(forecast.expected_on(u32::MAX, deviations) <= forecast.expected_on_the_busiest(deviations));
        }

        /// R1: who uses more on every day is expected to use no less, nor with more deviations.
        #[test]
        fn r1_expected_use_is_monotone(
            uses in proptest::collection::vec((0u32..5_000, 0u32..5_000), 7..60), day in 0u32..7, deviations in 0u8..10,
        ) {
            let less: Vec<u32> = uses.iter().map(|(low, _)| *low).collect();
            let more: Vec<u32> = uses.iter().map(|(low, extra)| low + extra).collect();
            let (less, more) = (after(&less, 0), after(&more, 0));
            prop_assert!(less.expected_on(day, 0) <= more.expected_on(day, 0));
            prop_assert!(less.expected_on(day, deviations) <= less.expected_on(day, deviations + 1));
        }
    }
}
