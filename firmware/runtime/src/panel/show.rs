//! Quantities and times in people's units, without floating point: what is shown is rounded to the last digit shown.

use core::fmt;

use bedkeeper::calendar::{Civil, Clock};
use bedkeeper::units::{Exchange, Flow, Hardness, Instant, Millis, SaltMass, Volume};

/// Which units people read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Units {
    /// Litres, kilograms, mg/L.
    #[default]
    Metric,
    /// US gallons, pounds, grains.
    Us,
}

/// A figure: so many base units, where `base` of them make `units` of the unit shown.
#[derive(Clone, Copy, Debug)]
pub struct Figure {
    value: u128,
    units: u128,
    base: u128,
    decimals: Option<u8>,
    name: &'static str,
}

impl Figure {
    const fn new(value: u128, units: u128, base: u128, name: &'static str) -> Self {
        Self { value, units, base, decimals: None, name }
    }

    const fn whole(mut self) -> Self {
        self.decimals = Some(0);
        self
    }
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let top = self.value.saturating_mul(self.units);
        let whole = top.checked_div(self.base).unwrap_or(0);
        // Three or four digits are what a person reads off.
        let decimals = self.decimals.unwrap_or(match whole {
            0..10 => 2,
            10..100 => 1,
            _ => 0,
        });
        let factor = match decimals {
            0 => 1u128,
            1 => 10,
            _ => 100,
        };
        let half = self.base / 2;
        let scaled = top.saturating_mul(factor).saturating_add(half).checked_div(self.base).unwrap_or(0);
        let (whole, rest) = (scaled.checked_div(factor).unwrap_or(0), scaled.checked_rem(factor).unwrap_or(0));
        grouped(f, whole)?;
        match (decimals, rest) {
            (0, _) | (_, 0) => {}
            (1, rest) => write!(f, ".{rest}")?,
            (_, rest) if rest % 10 == 0 => write!(f, ".{}", rest / 10)?,
            (_, rest) => write!(f, ".{rest:02}")?,
        }
        if self.name.is_empty() { Ok(()) } else { write!(f, " {}", self.name) }
    }
}

/// Digits in groups of three, from five on.
fn grouped(f: &mut fmt::Formatter<'_>, value: u128) -> fmt::Result {
    if value < 10_000 {
        return write!(f, "{value}");
    }
    let mut size = 1_000u128;
    while value.checked_div(size).is_some_and(|head| head >= 1_000) {
        size = size.saturating_mul(1_000);
    }
    write!(f, "{}", value.checked_div(size).unwrap_or(0))?;
    while size >= 1_000 {
        size /= 1_000;
        write!(f, " {:03}", value.checked_div(size).unwrap_or(0) % 1_000)?;
    }
    Ok(())
}

/// Nanolitres in a US gallon, exactly.
pub const GALLON_NL: u64 = 3_785_411_784;
/// Milligrams in a thousand pounds, exactly.
const KILOPOUND_MG: u128 = 453_592_370;
/// µg/L of CaCO3 in ten thousand grains a US gallon, rounded: a grain is 64 798.91 µg.
const GRAINS_10K_UG_PER_L: u128 = 171_180_615;

impl Units {
    /// A volume of water.
    #[must_use]
    pub fn volume(self, volume: Volume) -> Figure {
        self.total(u128::from(volume.0))
    }

    /// A volume of water, however large.
    #[must_use]
    pub fn total(self, nl: u128) -> Figure {
        match self {
            Self::Us => Figure::new(nl, 1, u128::from(GALLON_NL), "gal"),
            Self::Metric if nl < 100_000_000_000_000 => Figure::new(nl, 1, 1_000_000_000, "L"),
            Self::Metric => Figure::new(nl, 1, 1_000_000_000_000, "m3"),
        }
    }

    /// A flow.
    #[must_use]
    pub fn flow(self, flow: Flow) -> Figure {
        let value = u128::from(flow.0);
        match self {
            Self::Metric => Figure::new(value, 1, 1_000, "L/min"),
            Self::Us => Figure::new(value, 1_000_000, u128::from(GALLON_NL), "gal/min"),
        }
    }

    /// Hardness as CaCO3.
    #[must_use]
    pub fn hardness(self, hardness: Hardness) -> Figure {
        let value = u128::from(hardness.0);
        match self {
            Self::Metric => Figure::new(value, 1, 1_000, "mg/L"),
            Self::Us => Figure::new(value, 10_000, GRAINS_10K_UG_PER_L, "gpg"),
        }
    }

    /// Hardness taken up, as CaCO3.
    #[must_use]
    pub fn exchange(self, exchange: Exchange) -> Figure {
        let value = u128::from(exchange.0);
        match self {
            Self::Metric => Figure::new(value, 1, 1_000_000, "g"),
            Self::Us => Figure::new(value, 100, 6_479_891_000, "kgr"),
        }
    }

    /// Salt.
    #[must_use]
    pub fn salt(self, salt: SaltMass) -> Figure {
        let value = u128::from(salt.0);
        match self {
            Self::Metric => Figure::new(value, 1, 1_000_000, "kg"),
            Self::Us => Figure::new(value, 1_000, KILOPOUND_MG, "lb"),
        }
    }
}

/// A share in per cent.
#[must_use]
pub fn percent(per_mille: u16) -> Figure {
    Figure::new(u128::from(per_mille), 1, 10, "%")
}

/// A plain number.
#[must_use]
pub fn count(value: u64) -> Figure {
    Figure::new(u128::from(value), 1, 1, "").whole()
}

/// A length of time in its two leading parts; all of it with `{:#}`.
#[derive(Clone, Copy, Debug)]
pub struct Lasts(pub u64);

impl From<Millis> for Lasts {
    fn from(time: Millis) -> Self {
        Self(u64::from(time.0))
    }
}

impl fmt::Display for Lasts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = self.0;
        let (days, hours, minutes, seconds) = (ms / 86_400_000, ms / 3_600_000 % 24, ms / 60_000 % 60, ms / 1_000 % 60);
        if f.alternate() && ms >= 1_000 {
            let parts = [(days, "d"), (hours, "h"), (minutes, "min"), (seconds, "s")];
            let mut gap = "";
            for (count, name) in parts.into_iter().filter(|(count, _)| *count > 0) {
                write!(f, "{gap}{count} {name}")?;
                gap = " ";
            }
            return Ok(());
        }
        match (days, hours, minutes, seconds) {
            (0, 0, 0, _) if ms < 1_000 && ms > 0 => write!(f, "{ms} ms"),
            (0, 0, 0, s) => write!(f, "{s} s"),
            (0, 0, m, 0) => write!(f, "{m} min"),
            (0, 0, m, s) if m < 10 => write!(f, "{m} min {s} s"),
            (0, 0, m, _) => write!(f, "{m} min"),
            (0, h, 0, _) => write!(f, "{h} h"),
            (0, h, m, _) => write!(f, "{h} h {m} min"),
            (d, 0, ..) => write!(f, "{d} d"),
            (d, h, ..) => write!(f, "{d} d {h} h"),
        }
    }
}

/// The names of the weekdays, from Monday.
const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/// The names of the months.
const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// The name of a weekday, from 0 for Monday.
#[must_use]
pub fn weekday(day: u8) -> &'static str {
    WEEKDAYS.get(usize::from(day)).copied().unwrap_or("?")
}

/// Year, month and day of so many days since 2000-01-01, within the two centuries that a clock can tell.
#[must_use]
pub fn date(day: u32) -> (u32, u32, u32) {
    let (mut year, mut left) = (2_000u32, day);
    while left >= days_in_year(year) && year < 2_199 {
        left = left.saturating_sub(days_in_year(year));
        year = year.saturating_add(1);
    }
    let mut month = 1u32;
    while left >= days_in_month(year, month) && month < 12 {
        left = left.saturating_sub(days_in_month(year, month));
        month = month.saturating_add(1);
    }
    (year, month, left.saturating_add(1))
}

/// Days since 2000-01-01 of a date.
#[must_use]
pub fn day_of(year: u32, month: u32, day: u32) -> u32 {
    let years = (2_000..year).fold(0u32, |sum, year| sum.saturating_add(days_in_year(year)));
    let months = (1..month).fold(years, |sum, month| sum.saturating_add(days_in_month(year, month)));
    months.saturating_add(day).saturating_sub(1)
}

/// Days of a month.
#[must_use]
pub fn days_in_month(year: u32, month: u32) -> u32 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if year.is_multiple_of(4) && year != 2_100 => 29,
        2 => 28,
        _ => 31,
    }
}

fn days_in_year(year: u32) -> u32 {
    days_in_month(year, 2).saturating_add(337)
}

/// A moment: weekday, date and time, if the clock is set; else how long ago or ahead.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    /// When.
    pub at: Instant,
    /// Now.
    pub now: Instant,
    /// The clock.
    pub clock: Clock,
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(civil) = self.clock.civil(self.at) {
            return Day(civil).fmt(f);
        }
        let (at, now) = (self.at.as_ticks(), self.now.as_ticks());
        match at.checked_sub(now) {
            Some(ahead) => write!(f, "in {}", Lasts(ahead)),
            None => write!(f, "{} ago", Lasts(now.saturating_sub(at))),
        }
    }
}

/// A civil time with its date, without the year.
#[derive(Clone, Copy, Debug)]
pub struct Day(pub Civil);

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minute = minute_of_day(self.0);
        write!(f, "{} {:02}:{:02}", Date(self.0.day()), minute / 60, minute % 60)
    }
}

/// A day since 2000-01-01 with its weekday, without the year.
#[derive(Clone, Copy, Debug)]
pub struct Date(pub u32);

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (_, month, day) = date(self.0);
        let month = usize::try_from(month).ok().and_then(|month| MONTHS.get(month.saturating_sub(1))).unwrap_or(&"?");
        write!(f, "{} {day} {month}", weekday(Civil::at(self.0, 0).weekday()))
    }
}

/// Minute of the day.
#[must_use]
pub fn minute_of_day(civil: Civil) -> u16 {
    u16::try_from(civil.second_of_week() / 60 % 1_440).unwrap_or(0)
}
