//! Foreign files become rows: CSV with any columns, value change dumps, exports of a logic analyser.
//!
//! Nothing is guessed: what a file does not say by itself is asked for with an option.

use std::cell::Cell;
use std::io::{BufRead, BufReader, Cursor, Read};
use std::path::Path;
use std::rc::Rc;

use clap::Args;
use jiff::civil::DateTime;

use super::judge::{Closures, Judge, Sound};
use crate::quantity::PulseVolume;
use crate::recording::{self, Pulses, Recording, RecordingError};

mod columns;
mod dump;
mod moment;
mod spread;
mod value;

pub(super) use value::pulse_words;

/// What stands where in a file that is no recording.
#[derive(Clone, Debug, Default, Args)]
pub struct Foreign {
    /// CSV: the column with the time
    #[arg(long, value_name = "COLUMN")]
    pub time: Option<String>,
    /// CSV: how times are written: "seconds", "unix s", "unix ms", "iso", or a pattern such as "%d/%m/%Y %H:%M:%S"
    #[arg(long, value_name = "FORM")]
    pub time_as: Option<String>,
    /// CSV: the column with the value
    #[arg(long, value_name = "COLUMN")]
    pub value: Option<String>,
    /// CSV: what it is: "pulses", "total pulses", "L per interval", "total gal" (any volume unit), "level"
    #[arg(long, value_name = "KIND")]
    pub value_as: Option<String>,
    /// The plant's local standard time against UTC, such as +01:00, where a file's times are UTC or say their offset
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
    pub utc_offset: Option<String>,
    /// CSV: what stands between columns, a comma if nothing is said
    #[arg(long, value_name = "CHARACTER")]
    pub separator: Option<char>,
    /// CSV: numbers are written 1,5
    #[arg(long)]
    pub decimal_comma: bool,
    /// Value change dump: the meter's wire, where there are several
    #[arg(long, value_name = "NAME")]
    pub signal: Option<String>,
}

impl Foreign {
    fn says_anything(&self) -> bool {
        let texts = [&self.time, &self.time_as, &self.value, &self.value_as, &self.utc_offset, &self.signal];
        texts.iter().any(|text| text.is_some()) || self.separator.is_some() || self.decimal_comma
    }
}

/// Rows of a foreign file.
pub(super) struct Converted {
    pub rows: Box<dyn Iterator<Item = Result<Pulses, String>>>,
    /// Local time of second 0, if known.
    pub start: Option<DateTime>,
    /// Volume of a pulse, if the file tells it.
    pub pulse: Option<PulseVolume>,
    /// How it was read, for the head of the recording.
    pub remark: String,
}

/// A fault in a file: file, line, what is wrong and what would be right.
fn fault(file: &str, line: u64, why: &str) -> String {
    format!("{file}:{line}: {why}")
}

fn described(error: &RecordingError) -> String {
    let line = error.line().map_or_else(String::new, |line| format!(":{line}"));
    format!("{}{line}: {}\n  help: {}", error.file(), error.kind(), error.help())
}

/// Opens a file of our own form.
pub(super) fn open_recording(path: &Path) -> Result<Recording, String> {
    Recording::open(path).map_err(|error| described(&error))
}

fn unpacked(path: &Path) -> Result<BufReader<Box<dyn Read + Send>>, String> {
    recording::unpacked(path).map(BufReader::new).map_err(|error| described(&error))
}

/// Whether a file is none of our own; standard input is one, unless an option says what stands where.
pub(super) fn is_foreign(path: &Path, foreign: &Foreign) -> Result<bool, String> {
    if foreign.says_anything() {
        return Ok(true);
    }
    if path.as_os_str() == "-" || !path.is_file() {
        return Ok(false);
    }
    let mut head = Vec::new();
    let read = unpacked(path)?.take(1 << 16).read_to_end(&mut head);
    if read.is_err() {
        // Its own reader tells best what is wrong.
        return Ok(false);
    }
    let head = String::from_utf8_lossy(&head);
    // A byte order mark, as some editors and spreadsheets write.
    let line = head
        .trim_start_matches('\u{feff}')
        .lines()
        .map(str::trim)
        .find(|line| !line.is_empty() && !line.starts_with('#'))
        .unwrap_or_default();
    Ok(line.starts_with('$') || !line.split(',').any(|name| name.trim().trim_matches('"') == "t_s") && !line.is_empty())
}

/// Opens a foreign file.
///
/// # Errors
/// What cannot be read, or is not said; in words, with the line.
pub(super) fn open(
    path: &Path,
    foreign: &Foreign,
    pulse: Option<PulseVolume>,
    sound: Sound,
    closures: Rc<Cell<Closures>>,
) -> Result<Converted, String> {
    let file = if path.as_os_str() == "-" { "standard input".to_owned() } else { path.display().to_string() };
    let reader = unpacked(path)?;
    let judged = Judged { judge: Judge::new(sound), closures };
    read(file, reader, foreign, pulse, judged)
}

/// Reads a dump or a table, whichever it is.
fn read(
    file: String,
    mut reader: impl BufRead + 'static,
    foreign: &Foreign,
    pulse: Option<PulseVolume>,
    judged: Judged,
) -> Result<Converted, String> {
    let begins = reader.fill_buf().map_err(|error| format!("{file}: cannot be read: {error}"))?;
    let first = begins.iter().copied().find(|byte| !byte.is_ascii_whitespace());
    if first == Some(b'$') {
        // A last line without its end is whole all the same.
        let reader = reader.chain(&b"\n"[..]);
        return dump::open(file, reader, foreign.signal.as_deref(), judged);
    }
    columns::open(file, reader, foreign, pulse, judged)
}

/// The pulses of a foreign text that is at hand, read as a file of this name would be; closures and gaps of 10 ms are sound.
///
/// # Errors
/// What cannot be read, or is not said; in words, with the line.
pub fn convert_text(
    file: &str,
    text: Vec<u8>,
    foreign: &Foreign,
    pulse: Option<PulseVolume>,
) -> Result<impl Iterator<Item = Result<Pulses, String>> + use<>, String> {
    let judged = Judged { judge: Judge::new(Sound { closed_us: 10_000, open_us: 10_000 }), closures: Rc::default() };
    read(file.to_owned(), Cursor::new(text), foreign, pulse, judged).map(|converted| converted.rows)
}

/// A contact that is judged, and where its tally goes at the end.
struct Judged {
    judge: Judge,
    closures: Rc<Cell<Closures>>,
}

impl Judged {
    fn end(&self) {
        self.closures.set(self.judge.found());
    }
}

#[cfg(test)]
mod tests;
