//! Times of day and weekdays.

use std::fmt;

use bedkeeper::calendar::Civil;
use jiff::civil::{Date, DateTime};

use super::error::{QuantityError, QuantityErrorKind};
use super::number::form;
use super::parse;
use super::units::{self, CLOCK, WEEKDAYS};

/// The day from which the logic counts civil time.
pub(crate) const EPOCH: Date = jiff::civil::date(2000, 1, 1);

/// A civil time as the logic counts it; none before 2000.
#[must_use]
pub(crate) fn counted(at: DateTime) -> Option<Civil> {
    let epoch = EPOCH.to_datetime(jiff::civil::Time::midnight());
    u64::try_from(at.duration_since(epoch).as_millis()).ok().map(Civil)
}

/// A civil time as people write it, to the second.
#[must_use]
pub(crate) fn shown(at: Civil) -> String {
    let since = jiff::SignedDuration::from_millis(i64::try_from(at.0).unwrap_or(i64::MAX));
    let epoch = EPOCH.to_datetime(jiff::civil::Time::midnight());
    epoch.checked_add(since).map_or_else(
        |_| "a time beyond any calendar".to_owned(),
        |at: DateTime| at.strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}

/// Years that the logic and its clocks know.
const YEARS: std::ops::RangeInclusive<i16> = 2000..=2099;

/// Reads a date with a time of day such as "2027-03-09 20:00", or a date alone for its midnight.
///
/// # Errors
/// What is wrong with it, in words.
pub fn parse_date_time(text: &str) -> Result<DateTime, String> {
    let text = text.trim();
    let (date, clock) = text.split_once([' ', 'T', 't']).map_or((text, ""), |(date, clock)| (date, clock.trim()));
    let date = parse_date(date)?;
    if let Some(zone) = clock.find(['+', '-', 'Z', 'z', '[']) {
        return Err(format!("times here are local, without a zone: leave `{}` away", &clock[zone..]));
    }
    let since_midnight = if clock.is_empty() { 0 } else { parse_clock_and_ms(clock)? };
    date.to_datetime(jiff::civil::Time::midnight())
        .checked_add(jiff::SignedDuration::from_millis(i64::from(since_midnight)))
        .map_err(|error| error.to_string())
}

/// Reads a time of day as [`parse_clock_ms`] does, with milliseconds behind the seconds if there are some.
///
/// # Errors
/// What is wrong with it, in words.
pub(crate) fn parse_clock_and_ms(text: &str) -> Result<u32, String> {
    let (clock, fraction) = text.split_once('.').unwrap_or((text, "0"));
    let digits = fraction.bytes().all(|b| b.is_ascii_digit()) && (1..=3).contains(&fraction.len());
    let ms = format!("{fraction:0<3}").parse().ok().filter(|_| digits);
    let ms: u32 = ms.ok_or_else(|| format!("`{text}` has no more than three digits behind its seconds"))?;
    parse_clock_ms(clock).map(|clock| clock + ms).map_err(|error| error.to_string())
}

fn parse_date(text: &str) -> Result<Date, String> {
    let mut parts = text.split('-').map(|part| part.parse::<i16>().ok().filter(|_| part.len() <= 4));
    let (Some(Some(year)), Some(Some(month)), Some(Some(day)), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return Err(format!("`{text}` is no date: write year, month and day with a dash between"));
    };
    if !YEARS.contains(&year) {
        return Err(format!("the year {year} is not from {} to {}", YEARS.start(), YEARS.end()));
    }
    let first = i8::try_from(month).ok().and_then(|month| Date::new(year, month, 1).ok());
    let first = first.ok_or_else(|| format!("there is no month {month}"))?;
    let days = first.days_in_month();
    let right = i8::try_from(day).ok().and_then(|day| Date::new(year, first.month(), day).ok());
    right.ok_or_else(|| format!("{} has {days} days, and no day {day}", first.strftime("%B %Y")))
}

/// Reads a time of day such as "02:00", "7:05" or "22:30:15", in milliseconds since midnight.
///
/// # Errors
/// Anything else; "2 pm" and "24:00" are answered with what to write in their place.
pub fn parse_clock_ms(text: &str) -> Result<u32, QuantityError> {
    let trimmed = parse::trimmed(&CLOCK, text)?;
    clock_ms(trimmed).map_err(|kind| QuantityError::new(text, kind, &CLOCK))
}

fn clock_ms(text: &str) -> Result<u32, QuantityErrorKind> {
    let lower = text.to_ascii_lowercase();
    for (suffix, noon_h) in [("am", 0), ("pm", 12)] {
        if let Some(before) = lower.strip_suffix(suffix) {
            return Err(twelve_hours(before.trim_end(), noon_h));
        }
    }
    let mut fields = text.split(':');
    let hour = fields.next().and_then(|field| two_digits(field, 1));
    let minute = fields.next().and_then(|field| two_digits(field, 2));
    let second = fields.next().map_or(Some(0), |field| two_digits(field, 2));
    let (Some(hour), Some(minute), Some(second), None) = (hour, minute, second, fields.next()) else {
        return Err(form("hours and minutes are two digits with a colon between"));
    };
    if hour == 24 && minute == 0 && second == 0 {
        return Err(form("midnight is 00:00"));
    }
    if hour > 23 || minute > 59 || second > 59 {
        return Err(form("the day goes from 00:00 to 23:59"));
    }
    Ok(((hour * 60 + minute) * 60 + second) * 1_000)
}

/// The answer to a time on a twelve-hour clock.
fn twelve_hours(before: &str, noon_h: u32) -> QuantityErrorKind {
    let mut fields = before.splitn(2, ':');
    let hour = fields.next().and_then(|field| two_digits(field, 1));
    let minute = fields.next().map_or(Some(0), |field| two_digits(field, 2));
    match (hour, minute) {
        (Some(hour @ 1..=12), Some(minute @ 0..=59)) => form(&format!("write {:02}:{minute:02}", hour % 12 + noon_h)),
        _ => form("use the 24-hour clock"),
    }
}

fn two_digits(field: &str, least_digits: usize) -> Option<u32> {
    let fits = (least_digits..=2).contains(&field.len()) && field.bytes().all(|b| b.is_ascii_digit());
    if fits { field.parse().ok() } else { None }
}

/// A set of weekdays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct WeekdaySet(u8);

const DAY_NAMES: [(&str, &str); 7] = [
    ("mon", "monday"),
    ("tue", "tuesday"),
    ("wed", "wednesday"),
    ("thu", "thursday"),
    ("fri", "friday"),
    ("sat", "saturday"),
    ("sun", "sunday"),
];

impl WeekdaySet {
    /// One bit per day: Monday is bit 0, Sunday bit 6.
    pub fn bits(self) -> u8 {
        self.0
    }

    /// Whether the day is in the set; Monday is 0, Sunday 6.
    pub fn contains(self, day_from_monday: u8) -> bool {
        day_from_monday < 7 && self.0 & (1 << day_from_monday) != 0
    }
}

impl fmt::Display for WeekdaySet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == 0b111_1111 {
            return f.write_str("daily");
        }
        let days = DAY_NAMES.iter().enumerate();
        let names: Vec<&str> = days.filter(|&(day, _)| self.0 & (1 << day) != 0).map(|(_, names)| names.0).collect();
        f.write_str(&names.join(", "))
    }
}

/// Reads weekdays: "mon", "mon, wed, fri", "mon-fri", "daily"; full names too, in any case.
///
/// # Errors
/// An empty list or a word that is no weekday, with the nearest one.
pub fn parse_weekdays(text: &str) -> Result<WeekdaySet, QuantityError> {
    let trimmed = parse::trimmed(&WEEKDAYS, text)?;
    weekdays(trimmed).map_err(|kind| QuantityError::new(text, kind, &WEEKDAYS))
}

fn weekdays(text: &str) -> Result<WeekdaySet, QuantityErrorKind> {
    if text.eq_ignore_ascii_case("daily") {
        return Ok(WeekdaySet(0b111_1111));
    }
    let mut bits = 0;
    for item in text.split(',').map(str::trim) {
        if item.is_empty() {
            return Err(form("name a day on each side of a comma"));
        }
        let (first, last) = match item.split_once(['-', '–']) {
            Some((first, last)) => (day(first.trim())?, day(last.trim())?),
            None => (day(item)?, day(item)?),
        };
        let mut current = first;
        loop {
            bits |= 1 << current;
            if current == last {
                break;
            }
            current = (current + 1) % 7;
        }
    }
    Ok(WeekdaySet(bits))
}

fn day(word: &str) -> Result<u8, QuantityErrorKind> {
    let lower = word.to_lowercase();
    for (number, names) in (0_u8..).zip(DAY_NAMES) {
        if lower == names.0 || lower == names.1 {
            return Ok(number);
        }
    }
    let names = DAY_NAMES.iter().flat_map(|names| [names.0, names.1]);
    Err(match units::nearest_name(&lower, names) {
        Some(near) => form(&format!("did you mean `{near}`?")),
        None => form("the days are mon, tue, wed, thu, fri, sat, sun"),
    })
}
