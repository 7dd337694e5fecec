//! CSV with any columns.

use std::io::{BufRead, Cursor, Read};

use super::moment::{self, Form, LATEST_US};
use super::spread::Spread;
use super::value::{KINDS, Kind};
use super::{Converted, Foreign, Judged, fault};
use crate::quantity::PulseVolume;
use crate::recording::{COMMON_METER, MOST_PULSES_PER_ROW, Pulses};

/// More than a row of any table that tells of a meter.
const MOST_COLUMNS: usize = 200;

/// Opens a table.
pub(super) fn open(
    file: String,
    mut reader: impl BufRead + 'static,
    foreign: &Foreign,
    pulse: Option<PulseVolume>,
    judged: Judged,
) -> Result<Converted, String> {
    let separator = foreign.separator.unwrap_or(',');
    let separator = u8::try_from(separator).map_err(|_| "--separator: one plain character, such as ;".to_owned())?;
    // Of a line end of two characters the table's reader takes the second with the next row, and so counts a line too few.
    let mut head = Vec::new();
    let read = reader.by_ref().take(1 << 16).read_until(b'\n', &mut head);
    read.map_err(|error| format!("{file}: cannot be read: {error}"))?;
    let behind = u64::from(head.ends_with(b"\r\n"));
    let mut table = csv::ReaderBuilder::new()
        .delimiter(separator)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(Cursor::new(head).chain(reader));
    let names: Vec<String> = match table.headers() {
        Ok(names) => {
            names.iter().take(MOST_COLUMNS).map(|name| name.trim_start_matches('\u{feff}').to_owned()).collect()
        }
        Err(error) => return Err(in_words(&file, &error, 0)),
    };
    if names.iter().all(String::is_empty) {
        return Err(format!("{file}: has no line with column names"));
    }
    if let [only] = names.as_slice()
        && let Some(other) = [';', '\t', '|'].into_iter().find(|other| only.contains(*other))
    {
        let shown = if other == '\t' { "$'\\t'".to_owned() } else { format!("\"{other}\"") };
        return Err(format!("{file}: its columns are not separated by commas: --separator {shown}"));
    }
    let shown = excerpt(&names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", "));
    let asked: Vec<&str> = [
        ("--time COLUMN", foreign.time.is_none()),
        ("--time-as FORM", foreign.time_as.is_none()),
        ("--value COLUMN", foreign.value.is_none()),
        ("--value-as KIND", foreign.value_as.is_none()),
    ]
    .into_iter()
    .filter_map(|(option, missing)| missing.then_some(option))
    .collect();
    let (Some(time), Some(time_as), Some(value), Some(value_as)) =
        (&foreign.time, &foreign.time_as, &foreign.value, &foreign.value_as)
    else {
        return Err(format!(
            "{file}: is no recording (t_s,pulses); to convert it say also {}\n  its columns are {shown}\n  times: \
             {}\n  values: {KINDS}",
            asked.join(", "),
            moment::FORMS
        ));
    };
    let column = |option: &str, wanted: &str| {
        let places: Vec<usize> = (0..names.len()).filter(|i| names[*i].eq_ignore_ascii_case(wanted.trim())).collect();
        match places.as_slice() {
            [place] => Ok(*place),
            [] => Err(format!("{file}: has no column `{wanted}` ({option}); its columns are {shown}")),
            _ => Err(format!("{file}: has the column `{wanted}` more than once; rename one")),
        }
    };
    let (time, value) = (column("--time", time)?, column("--value", value)?);
    if time == value {
        return Err("--time and --value name the same column".to_owned());
    }
    let form = Form::parse(time_as, foreign.utc_offset.as_deref())?;
    let kind = Kind::parse(value_as)?;
    if kind.is_volume() && pulse.is_none() {
        return Err(format!("--value-as {value_as}: volumes become pulses of a meter: --meter \"10 L\" says which"));
    }
    let remark = match kind {
        Kind::Interval(_) => "volumes spread evenly over the time since the row before".to_owned(),
        Kind::Register(_) | Kind::TotalPulses => {
            "differences spread evenly over the time since the row before".to_owned()
        }
        Kind::Level => "closures judged by width and gap".to_owned(),
        Kind::Pulses => "pulses at the moment of their row".to_owned(),
    };
    let mut rows = Rows {
        names: (names[time].clone(), names[value].clone()),
        file,
        behind,
        records: table.into_records(),
        time,
        value,
        form,
        kind,
        decimal_comma: foreign.decimal_comma,
        pulse,
        judged,
        zero_us: None,
        last_us: 0,
        total: None,
        left_over: 0,
        spread: Spread::default(),
        waiting: None,
        ended: false,
    };
    // The first row says when it starts.
    let start = match rows.read() {
        Some(Ok(())) | None => rows.start(),
        Some(Err(why)) => return Err(why),
    };
    Ok(Converted { pulse: None, rows: Box::new(rows), start, remark })
}

fn excerpt(text: &str) -> String {
    const LONGEST: usize = 300;
    let clean = |c: char| if crate::terminal::steers(c) { '\u{fffd}' } else { c };
    let short: String = text.chars().take(LONGEST).map(clean).collect();
    if short.len() < text.len() { short + "…" } else { short }
}

fn in_words(file: &str, error: &csv::Error, behind: u64) -> String {
    let line = error.position().map_or_else(String::new, |at| format!(":{}", at.line() + behind));
    let why = match error.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            format!("the row has {len} fields, and there are {expected_len} columns")
        }
        csv::ErrorKind::Utf8 { .. } => "is not UTF-8 text; save it as that".to_owned(),
        csv::ErrorKind::Io(error) => format!("cannot be read: {error}"),
        _ => error.to_string(),
    };
    format!("{file}{line}: {why}")
}

struct Rows<R> {
    file: String,
    /// Lines that the reader counts too few.
    behind: u64,
    names: (String, String),
    records: csv::StringRecordsIntoIter<R>,
    time: usize,
    value: usize,
    form: Form,
    kind: Kind,
    decimal_comma: bool,
    pulse: Option<PulseVolume>,
    judged: Judged,
    /// The moment of second 0.
    zero_us: Option<i128>,
    last_us: u64,
    /// What the counter or register showed last.
    total: Option<u128>,
    /// Water since the last pulse.
    left_over: u128,
    spread: Spread,
    waiting: Option<Pulses>,
    ended: bool,
}

impl<R: Read> Rows<R> {
    /// Local time of second 0.
    fn start(&self) -> Option<jiff::civil::DateTime> {
        self.zero_us.filter(|_| self.form.is_civil()).and_then(moment::civil)
    }

    /// Reads a row and makes its pulses ready; none at the end.
    fn read(&mut self) -> Option<Result<(), String>> {
        let record = match self.records.next()? {
            Ok(record) => record,
            Err(error) => return Some(Err(in_words(&self.file, &error, self.behind))),
        };
        let line = record.position().map_or(0, csv::Position::line) + self.behind;
        let field = |place| record.get(place).unwrap_or_default().to_owned();
        let (time, value) = (field(self.time), field(self.value));
        Some(self.take(&time, &value).map_err(|why| fault(&self.file, line, &excerpt(&why))))
    }

    fn take(&mut self, time: &str, value: &str) -> Result<(), String> {
        let (time_name, value_name) = self.names.clone();
        let read = self.form.us(time, self.decimal_comma).map_err(|why| format!("column `{time_name}`: {why}"))?;
        let at_us = self.since_zero(read).map_err(|why| format!("column `{time_name}`: `{time}` {why}"))?;
        let amount = self.kind.amount(value, self.decimal_comma);
        let amount = amount.map_err(|why| format!("column `{value_name}`: {why}"))?;
        let before_us = std::mem::replace(&mut self.last_us, at_us);
        let backwards = || {
            format!(
                "column `{value_name}`: the total goes back to `{value}`, below the row before; cut the file where the counter \
                 was set back"
            )
        };
        match self.kind {
            Kind::Level => self.judged.judge.take_us(at_us, COMMON_METER, amount == 1),
            Kind::Pulses => {
                let count = u32::try_from(amount).ok().filter(|count| *count <= MOST_PULSES_PER_ROW);
                let count =
                    count.ok_or_else(|| format!("column `{value_name}`: `{value}` is too many pulses for a row"))?;
                self.waiting = (count > 0).then_some(Pulses { at_ms: at_us / 1_000, meter: COMMON_METER, count });
            }
            Kind::TotalPulses => {
                let total = self.total.replace(amount).unwrap_or(amount);
                let more = amount.checked_sub(total).ok_or_else(backwards)?;
                (self.spread, _) = Spread::new(before_us, at_us, 0, more, 1);
            }
            Kind::Interval(_) | Kind::Register(_) => {
                let nl = if matches!(self.kind, Kind::Register(_)) {
                    let total = self.total.replace(amount).unwrap_or(amount);
                    amount.checked_sub(total).ok_or_else(backwards)?
                } else {
                    amount
                };
                let (of_pulse, per) = self.pulse.map_or((1, 1), |pulse| (pulse.numerator_nl(), pulse.denominator()));
                let amount = nl.saturating_mul(u128::from(per));
                let (spread, left) = Spread::new(before_us, at_us, self.left_over, amount, u128::from(of_pulse));
                (self.spread, self.left_over) = (spread, left);
            }
        }
        Ok(())
    }

    /// µs since second 0, which the first row sets.
    fn since_zero(&mut self, read: i128) -> Result<u64, String> {
        let zero = *self.zero_us.get_or_insert(match self.form {
            // Times of a calendar begin at a whole second; those before a trigger are moved.
            Form::Seconds => read.min(0),
            _ => read.div_euclid(1_000_000) * 1_000_000,
        });
        if self.form == Form::Seconds && self.last_us == 0 && read >= 1_000_000_000_000_000 {
            return Err("looks like a Unix time: --time-as \"unix s\" or \"unix ms\"".to_owned());
        }
        let at_us =
            u64::try_from(read - zero).map_err(|_| "lies before the first row; sort the rows by time".to_owned())?;
        if at_us > LATEST_US {
            return Err("lies more than 300 years after the start".to_owned());
        }
        if at_us < self.last_us {
            return Err("lies before the row above; sort the rows by time".to_owned());
        }
        Ok(at_us)
    }

    fn ready(&mut self) -> Option<Pulses> {
        self.waiting.take().or_else(|| self.spread.next()).or_else(|| self.judged.judge.next_pulse())
    }
}

impl<R: Read> Iterator for Rows<R> {
    type Item = Result<Pulses, String>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(pulses) = self.ready() {
                return Some(Ok(pulses));
            }
            if self.ended {
                return None;
            }
            match self.read() {
                Some(Ok(())) => {}
                Some(Err(why)) => {
                    self.ended = true;
                    return Some(Err(why));
                }
                None => {
                    self.ended = true;
                    self.judged.end();
                }
            }
        }
    }
}
