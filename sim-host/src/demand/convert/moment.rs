//! Moments as files write them, to µs.

use jiff::civil::DateTime;
use jiff::tz::Offset;

/// 300 years of 365.25 days, µs.
pub(super) use crate::recording::LATEST_US;

/// How a column writes its times.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Form {
    /// Seconds from some start.
    Seconds,
    /// Parts of so many µs since 1970 in UTC.
    Unix { us: i128, offset: Offset },
    /// ISO 8601, local; those with an offset are brought to this one.
    Iso { offset: Option<Offset> },
    /// A pattern, local.
    Pattern(String),
}

pub(super) const FORMS: &str =
    "\"seconds\", \"unix s\", \"unix ms\", \"iso\", or a pattern such as \"%d/%m/%Y %H:%M:%S\"";

impl Form {
    /// Reads what a person says of the times.
    pub fn parse(text: &str, offset: Option<&str>) -> Result<Self, String> {
        let offset = offset.map(parse_offset).transpose()?;
        let unix = |us| {
            let ask = "Unix times are UTC: --utc-offset +01:00 says what the plant's local standard time is";
            Ok(Self::Unix { us, offset: offset.ok_or(ask)? })
        };
        match text.trim() {
            "seconds" => Ok(Self::Seconds),
            "unix s" => unix(1_000_000),
            "unix ms" => unix(1_000),
            "iso" => Ok(Self::Iso { offset }),
            pattern if pattern.contains('%') => Ok(Self::Pattern(pattern.to_owned())),
            other => Err(format!("--time-as {other}: is not known; say {FORMS}")),
        }
    }

    /// µs of a moment: since 1970 by local time, or since some start.
    pub fn us(&self, text: &str, decimal_comma: bool) -> Result<i128, String> {
        let text = text.trim();
        match self {
            Self::Seconds => scaled(text, 1_000_000, decimal_comma),
            Self::Unix { us, offset } => {
                Ok(scaled(text, *us, decimal_comma)? + i128::from(offset.seconds()) * 1_000_000)
            }
            Self::Iso { offset } => iso(text, *offset),
            Self::Pattern(pattern) => {
                let at = DateTime::strptime(pattern, text)
                    .map_err(|error| format!("`{text}` is not written as {pattern}: {error}"))?;
                Ok(since_1970_us(at))
            }
        }
    }

    /// Whether the times are those of a calendar.
    pub fn is_civil(&self) -> bool {
        *self != Self::Seconds
    }
}

fn parse_offset(text: &str) -> Result<Offset, String> {
    let wrong = || format!("--utc-offset {text}: write hours and minutes, such as +01:00 or -05:00");
    let (sign, rest) = match text.trim().split_at_checked(1) {
        Some(("+", rest)) => (1, rest),
        Some(("-", rest)) => (-1, rest),
        _ => return Err(wrong()),
    };
    let (hours, minutes) = rest.split_once(':').ok_or_else(wrong)?;
    let number = |text: &str, most: i32| {
        let sound = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        text.parse::<i32>().ok().filter(|number| sound && *number <= most).ok_or_else(wrong)
    };
    let seconds = sign * (number(hours, 18)? * 3_600 + number(minutes, 59)? * 60);
    Offset::from_seconds(seconds).map_err(|_| wrong())
}

/// ISO 8601 with or without an offset.
fn iso(text: &str, offset: Option<Offset>) -> Result<i128, String> {
    // The date's own hyphens stand before the time.
    let time = text.get(10..).unwrap_or_default();
    let says_offset = time.ends_with(['Z', 'z']) || time.contains(['+', '-']);
    let wrong = |error: jiff::Error| format!("`{text}` is no ISO 8601 date and time: {error}");
    if !says_offset {
        return text.parse::<DateTime>().map(since_1970_us).map_err(wrong);
    }
    let at: jiff::Timestamp = text.parse().map_err(wrong)?;
    let offset = offset.ok_or_else(|| {
        format!("`{text}` says its offset from UTC: --utc-offset +01:00 says what the plant's local standard time is")
    })?;
    Ok(since_1970_us(offset.to_datetime(at)))
}

fn since_1970_us(at: DateTime) -> i128 {
    at.duration_since(jiff::civil::date(1970, 1, 1).at(0, 0, 0, 0)).as_micros()
}

/// The local time so many µs after 1970.
pub(super) fn civil(us: i128) -> Option<DateTime> {
    let since = jiff::SignedDuration::from_micros(i64::try_from(us).ok()?);
    jiff::civil::date(1970, 1, 1).at(0, 0, 0, 0).checked_add(since).ok()
}

/// A decimal number times a whole one, rounded down; digits beyond the last place do not count.
pub(super) fn scaled(text: &str, by: i128, decimal_comma: bool) -> Result<i128, String> {
    let wrong = || format!("`{text}` is no number in plain digits");
    let point = if decimal_comma { ',' } else { '.' };
    let (negative, digits) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
    let (whole, fraction) = digits.split_once(point).unwrap_or((digits, ""));
    let sound = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || !sound(whole) || !sound(fraction) || (digits.contains(point) && fraction.is_empty()) {
        let other = if decimal_comma { "" } else { "; --decimal-comma reads 1,5" };
        let hint = if text.contains(',') && !decimal_comma { other } else { "" };
        return Err(wrong() + hint);
    }
    if whole.len() > 18 {
        return Err(format!("`{text}` is too large"));
    }
    let mut value = whole.parse::<i128>().map_err(|_| wrong())? * by;
    let mut place = by;
    for digit in fraction.bytes() {
        place /= 10;
        value += place * i128::from(digit - b'0');
    }
    Ok(if negative { -value } else { value })
}
