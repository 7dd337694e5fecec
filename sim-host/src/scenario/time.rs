//! Moments of a scenario: "day 2 02:00", or a time since the start such as "+90 min".

use jiff::civil::DateTime;

use crate::quantity;

const DAY_MS: u64 = 86_400_000;

/// What may be written for a moment.
pub const MOMENT_HELP: &str =
    "write \"day 2 02:00\" (day 1 is the day of the start), or a time since the start such as \"+1 h 30 min\"";

/// The calendar that a scenario's moments are counted in: day 1 is the day on which it starts.
///
/// Days go on as they began, whatever happens to the plant's clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Days {
    /// From midnight to the start, ms.
    start_ms: u64,
}

impl Days {
    /// The calendar of a scenario that starts at a civil time; where that is unknown, day 1 begins with it.
    #[must_use]
    pub fn of(start: Option<DateTime>) -> Self {
        let since_midnight = start.map(|at| at.duration_since(at.date().to_datetime(jiff::civil::Time::midnight())));
        let ms = since_midnight.and_then(|since| u64::try_from(since.as_millis()).ok());
        Self { start_ms: ms.unwrap_or(0) }
    }

    /// Reads a moment in ms since the start.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(self, text: &str) -> Result<u64, String> {
        let text = text.trim();
        let Some(rest) = text.strip_prefix("day ") else {
            let since = text.strip_prefix('+').unwrap_or(text);
            return quantity::parse_duration_ms(since.trim()).map_err(|error| error.message());
        };
        let mut words = rest.split_whitespace();
        let day = words.next().and_then(|word| word.parse::<u64>().ok()).filter(|day| (1..=100_000).contains(day));
        let Some(day) = day else { return Err("has no day number from 1 on".to_owned()) };
        let clock = match words.next() {
            None => 0,
            Some(word) => u64::from(quantity::civil::parse_clock_and_ms(word)?),
        };
        if words.next().is_some() {
            return Err("has words after the time of day".to_owned());
        }
        ((day - 1) * DAY_MS + clock).checked_sub(self.start_ms).ok_or_else(|| "lies before the start".to_owned())
    }

    /// A moment as people write it, with milliseconds only where there are some.
    #[must_use]
    pub fn show(self, at_ms: u64) -> String {
        let since = at_ms.saturating_add(self.start_ms);
        let (day, of_day) = (since / DAY_MS + 1, since % DAY_MS);
        let (h, min, s, ms) = (of_day / 3_600_000, of_day / 60_000 % 60, of_day / 1_000 % 60, of_day % 1_000);
        let fraction = if ms == 0 { String::new() } else { format!(".{ms:03}") };
        format!("day {day} {h:02}:{min:02}:{s:02}{fraction}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_read_back() {
        let days = Days::of(Some(jiff::civil::date(2027, 3, 1).at(6, 30, 0, 0)));
        for text in ["day 1 06:30:00", "day 2 02:00:00", "day 366 23:59:59"] {
            assert_eq!(days.show(days.parse(text).unwrap()), text);
        }
        assert_eq!(days.parse("day 2"), Ok(17 * 3_600_000 + 1_800_000));
        assert_eq!(days.parse("+1 h 30 min"), days.parse("day 1 08:00"));
        assert_eq!(days.show(1), "day 1 06:30:00.001");
        assert_eq!(days.parse("day 1 06:30:00.001"), Ok(1));
        for wrong in ["day 1 06:29", "day 0", "day two", "day 2 25:00", "day 2 02:00 sharp", "soon"] {
            assert!(days.parse(wrong).is_err(), "{wrong}");
        }
    }
}
