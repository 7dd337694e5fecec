//! Column names and rows.

use super::error::{RecordingErrorKind, excerpt};
use super::{COMMON_METER, Edge, Entry, MOST_METERS, MOST_PULSES_PER_ROW, Pulses};

/// The columns a recording may have.
pub(super) const COLUMNS: [&str; 4] = ["t_s", "pulses", "meter", "closed"];
const TIME: usize = 0;
const PULSES: usize = 1;
const METER: usize = 2;
const CLOSED: usize = 3;

/// 300 years of 365.25 days.
const LATEST_S: u64 = 300 * 31_557_600;

/// Where each column stands, as its place among the fields.
#[derive(Debug, Clone, Copy)]
pub(super) struct Columns {
    time: usize,
    what: What,
    meter: Option<usize>,
    count: usize,
}

/// What the rows tell, and where.
#[derive(Debug, Clone, Copy)]
enum What {
    Pulses(usize),
    Closed(usize),
}

impl Columns {
    /// Reads the line that names the columns.
    pub fn parse(line: &str) -> Result<Self, RecordingErrorKind> {
        let mut places = [None; COLUMNS.len()];
        let names: Vec<&str> = line.split(',').take(MOST_FIELDS).map(clean).collect();
        let found = || names.iter().map(|name| excerpt(name.as_bytes())).collect();
        let mut unknown = None;
        for (place, name) in names.iter().enumerate() {
            match COLUMNS.iter().position(|column| column == name) {
                Some(column) if places[column].is_some() => {
                    return Err(RecordingErrorKind::RepeatedColumn { name: COLUMNS[column] });
                }
                Some(column) => places[column] = Some(place),
                None => unknown = unknown.or(Some(*name)),
            }
        }
        let required = |column: usize| {
            places[column].ok_or_else(|| RecordingErrorKind::MissingColumn { missing: COLUMNS[column], found: found() })
        };
        let time = required(TIME)?;
        let what = match (places[PULSES], places[CLOSED]) {
            (Some(_), Some(_)) => return Err(RecordingErrorKind::PulsesAndEdges),
            (None, Some(place)) => What::Closed(place),
            _ => What::Pulses(required(PULSES)?),
        };
        if let Some(name) = unknown {
            return Err(RecordingErrorKind::UnknownColumn { name: excerpt(name.as_bytes()) });
        }
        Ok(Self { time, what, meter: places[METER], count: names.len() })
    }

    /// Whether rows name their meter.
    pub fn name_meters(&self) -> bool {
        self.meter.is_some()
    }

    /// Whether the rows are edges of a contact.
    pub fn are_edges(&self) -> bool {
        matches!(self.what, What::Closed(_))
    }

    /// Reads a row. Times beyond a millisecond are rounded to the nearest, halves up.
    pub fn row(&self, line: &[u8]) -> Result<Entry, RecordingErrorKind> {
        let mut fields: [&[u8]; COLUMNS.len()] = [b""; COLUMNS.len()];
        let mut found = 0;
        let mut from = 0;
        for comma in memchr::memchr_iter(b',', line).chain([line.len()]) {
            if let Some(field) = fields.get_mut(found) {
                *field = &line[from..comma];
            }
            found += 1;
            from = comma + 1;
        }
        if found != self.count {
            return Err(text_fault(line).unwrap_or_else(|| RecordingErrorKind::FieldCount {
                text: excerpt(line),
                found,
                expected: self.count,
            }));
        }
        let meter = match self.meter {
            None => COMMON_METER,
            Some(place) => meter(fields[place])?,
        };
        let at_ms = time_ms(fields[self.time])?;
        Ok(match self.what {
            What::Pulses(place) => Entry::Pulses(Pulses { at_ms, meter, count: pulses(fields[place])? }),
            What::Closed(place) => Entry::Edge(Edge { at_ms, meter, closed: closed(fields[place])? }),
        })
    }
}

/// More columns than any recording has; bounds what a message lists.
const MOST_FIELDS: usize = 20;

fn clean(field: &str) -> &str {
    let field = field.trim();
    field.strip_prefix('"').and_then(|field| field.strip_suffix('"')).map_or(field, str::trim)
}

/// The fault of bytes that are no text at all.
fn text_fault(bytes: &[u8]) -> Option<RecordingErrorKind> {
    std::str::from_utf8(bytes).is_err().then(|| RecordingErrorKind::NotUtf8 { text: excerpt(bytes) })
}

/// A field's text without surrounding spaces and quotes.
fn cleaned(field: &[u8]) -> Result<&str, RecordingErrorKind> {
    match std::str::from_utf8(field) {
        Ok(text) => Ok(clean(text)),
        Err(_) => Err(RecordingErrorKind::NotUtf8 { text: excerpt(field) }),
    }
}

fn time_ms(field: &[u8]) -> Result<u64, RecordingErrorKind> {
    if let Ok(time_ms) = decimal_ms(field) {
        return Ok(time_ms);
    }
    // The rare field with spaces or quotes around it, or with a fault.
    let text = cleaned(field)?;
    let excerpted = || excerpt(text.as_bytes());
    decimal_ms(text.as_bytes()).map_err(|fault| {
        let positive = text.strip_prefix(['-', '−']);
        let negative = positive.is_some_and(|rest| decimal_ms(rest.trim().as_bytes()).is_ok());
        match fault {
            TimeFault::TooLarge => RecordingErrorKind::TimeTooLarge { text: excerpted() },
            _ if negative => RecordingErrorKind::NegativeTime { text: excerpted() },
            TimeFault::Unreadable => RecordingErrorKind::UnreadableTime { text: excerpted() },
        }
    })
}

enum TimeFault {
    Unreadable,
    TooLarge,
}

/// Seconds in plain decimal digits to milliseconds.
fn decimal_ms(field: &[u8]) -> Result<u64, TimeFault> {
    let mut seconds: u64 = 0;
    let mut digits = field.iter().enumerate();
    let mut fraction: &[u8] = b"";
    for (index, &byte) in digits.by_ref() {
        match byte {
            b'0'..=b'9' => seconds = seconds.saturating_mul(10).saturating_add(u64::from(byte - b'0')),
            b'.' if index > 0 => {
                fraction = &field[index + 1..];
                if fraction.is_empty() {
                    return Err(TimeFault::Unreadable);
                }
                break;
            }
            _ => return Err(TimeFault::Unreadable),
        }
    }
    if field.is_empty() {
        return Err(TimeFault::Unreadable);
    }
    let mut ms: u64 = 0;
    for place in 0..3 {
        let digit = fraction.get(place).copied().unwrap_or(b'0');
        if !digit.is_ascii_digit() {
            return Err(TimeFault::Unreadable);
        }
        ms = ms * 10 + u64::from(digit - b'0');
    }
    if let Some(beyond) = fraction.get(3..) {
        if !beyond.iter().all(u8::is_ascii_digit) {
            return Err(TimeFault::Unreadable);
        }
        ms += u64::from(beyond.first().is_some_and(|&digit| digit >= b'5'));
    }
    if seconds > LATEST_S {
        return Err(TimeFault::TooLarge);
    }
    Ok(seconds * 1_000 + ms)
}

fn pulses(field: &[u8]) -> Result<u32, RecordingErrorKind> {
    let count = match whole(field) {
        Some(count) => count,
        None => {
            let text = cleaned(field)?;
            whole(text.as_bytes())
                .ok_or_else(|| RecordingErrorKind::UnreadablePulses { text: excerpt(text.as_bytes()) })?
        }
    };
    match u32::try_from(count) {
        Ok(0) => Err(RecordingErrorKind::NoPulses),
        Ok(count) if count <= MOST_PULSES_PER_ROW => Ok(count),
        _ => Err(RecordingErrorKind::TooManyPulses { text: excerpt(field) }),
    }
}

fn closed(field: &[u8]) -> Result<bool, RecordingErrorKind> {
    match cleaned(field)? {
        "1" => Ok(true),
        "0" => Ok(false),
        text => Err(RecordingErrorKind::UnreadableLevel { text: excerpt(text.as_bytes()) }),
    }
}

fn meter(field: &[u8]) -> Result<u8, RecordingErrorKind> {
    let text = cleaned(field)?;
    if text.is_empty() {
        return Ok(COMMON_METER);
    }
    whole(text.as_bytes())
        .and_then(|number| u8::try_from(number).ok())
        .filter(|number| (1..=MOST_METERS).contains(number))
        .ok_or_else(|| RecordingErrorKind::Meter { text: excerpt(text.as_bytes()) })
}

/// Plain digits; very many of them saturate.
fn whole(field: &[u8]) -> Option<u64> {
    if field.is_empty() {
        return None;
    }
    let mut value: u64 = 0;
    for &byte in field {
        if !byte.is_ascii_digit() {
            return None;
        }
        value = value.saturating_mul(10).saturating_add(u64::from(byte - b'0'));
    }
    Some(value)
}
