//! Foreign tables, with what stands where.

use bedkeeper_sim::demand::{self, Foreign};
use bedkeeper_sim::quantity::{PulseVolume, parse_pulse_volume};
use bedkeeper_sim::recording::MOST_PULSES_PER_ROW;

/// A table behind a line that says what stands where, its parts with `|` between them: the column and the form of times,
/// the column and the kind of values, the offset from UTC, the separator, whether there are decimal commas (anything),
/// the meter's pulse.
///
/// # Panics
/// The pulses made of it are out of order, or something else is broken.
pub fn columns(bytes: &[u8]) {
    let end = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(bytes.len());
    let Ok(said) = std::str::from_utf8(&bytes[..end]) else { return };
    let mut parts = said.split('|');
    let mut part = || parts.next().filter(|part| !part.is_empty()).map(str::to_owned);
    let (time, time_as, value, value_as, utc_offset) = (part(), part(), part(), part(), part());
    let separator = part().and_then(|text| text.chars().next());
    let decimal_comma = part().is_some();
    let pulse = part().and_then(|text| parse_pulse_volume(&text).ok());
    let foreign = Foreign { time, time_as, value, value_as, utc_offset, separator, decimal_comma, signal: None };
    convert(bytes.get(end + 1..).unwrap_or_default(), &foreign, pulse);
}

/// Converts a text; rows come in order of time within their bounds, or a fault in words.
pub(super) fn convert(text: &[u8], foreign: &Foreign, pulse: Option<PulseVolume>) {
    let rows = match demand::convert_text("fuzz.log", text.to_vec(), foreign, pulse) {
        Ok(rows) => rows,
        Err(why) => return assert!(!why.is_empty(), "refused without a word"),
    };
    let mut before_ms = 0;
    for row in rows.take(5_000) {
        match row {
            Ok(pulses) => {
                assert!(pulses.at_ms >= before_ms, "time goes backwards");
                assert!((1..=MOST_PULSES_PER_ROW).contains(&pulses.count), "{} pulses", pulses.count);
                before_ms = pulses.at_ms;
            }
            Err(why) => return assert!(!why.is_empty(), "refused without a word"),
        }
    }
}
