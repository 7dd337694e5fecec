//! Recordings of meter pulses, read as a stream.
//!
//! A recording is CSV text, plain or packed with gzip or zstd (told by its first bytes, not by its name):
//!
//! ```text
//! # an invented household; t_s = seconds since 2027-03-01 00:00 local standard time
//! # pulse volume 1 L
//! t_s,pulses
//! 16680.810,1
//! 16704.619,1
//! ```
//!
//! - `#` lines are comments; those before the column names may state facts, see [`Header`].
//! - `t_s`: seconds since the start, plain decimal digits, never decreasing. Kept to the millisecond; further decimals
//!   are rounded to the nearest, halves up.
//! - `pulses`: whole pulses that came at that moment, at least 1.
//! - `meter` (optional column): the tank whose meter pulsed, from 1; empty for the common meter.
//! - `closed` in place of `pulses`: the meter's bare contact closed (1) or opened (0); what makes a pulse is judged by its
//!   width and gap (M4).
//!
//! A value change dump, packed or not, is a recording of edges too: its wire is the bare contact, and its comments may state
//! the same facts. Only one wire of one bit may stand in it.
//!
//! Columns may stand in any order; an unknown one is refused, so that a misspelt `meter` is noticed. Lines end in LF
//! or CRLF; blank lines count for nothing. Memory is one fixed line buffer and the unpacker's window.

mod dump;
mod error;
mod gzip;
mod header;
mod input;
mod lines;
mod row;

use std::io::{BufReader, Read};
use std::path::Path;

use bedkeeper::settings::RawMeter;

pub(crate) use dump::Dump;
pub use dump::DumpFault;
#[cfg(feature = "command")]
pub(crate) use dump::LATEST_US;
pub use error::{RecordingError, RecordingErrorKind};
pub use header::Header;
pub use input::Progress;

use crate::quantity::PulseVolume;
use error::excerpt;
use input::Input;
use lines::{Line, LineFault, Lines};
use row::Columns;

/// The longest line read, in bytes without its end.
pub const LONGEST_LINE_BYTES: usize = 64 * 1024;
/// The most pulses in one row; more is taken for a mistake.
pub const MOST_PULSES_PER_ROW: u32 = 10_000_000;
/// The most tanks with a meter of their own.
pub const MOST_METERS: u8 = 8;
/// [`Pulses::meter`] of the meter on the common outlet.
pub const COMMON_METER: u8 = 0;

/// Pulses that came at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Pulses {
    /// Time since the recording's start, in ms; never less than that of the row before.
    pub at_ms: u64,
    /// The tank whose meter pulsed, from 1; [`COMMON_METER`] for the common one.
    pub meter: u8,
    /// Pulses, at least 1.
    pub count: u32,
}

/// A meter's bare contact closed or opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Edge {
    /// Time since the recording's start, in ms; never less than that of the row before.
    pub at_ms: u64,
    /// The tank whose meter it is, from 1; [`COMMON_METER`] for the common one.
    pub meter: u8,
    /// It closed; else it opened.
    pub closed: bool,
}

/// A row of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Entry {
    /// Pulses, already judged.
    Pulses(Pulses),
    /// An edge of a contact, to be judged.
    Edge(Edge),
}

impl Entry {
    /// Time since the recording's start, in ms.
    #[must_use]
    pub fn at_ms(&self) -> u64 {
        match self {
            Self::Pulses(pulses) => pulses.at_ms,
            Self::Edge(edge) => edge.at_ms,
        }
    }

    /// The tank whose meter it is, from 1; [`COMMON_METER`] for the common one.
    #[must_use]
    pub fn meter(&self) -> u8 {
        match self {
            Self::Pulses(pulses) => pulses.meter,
            Self::Edge(edge) => edge.meter,
        }
    }
}

/// The unpacked bytes of a file that may be no recording; `-` is standard input.
///
/// # Errors
/// A file that cannot be opened.
pub(crate) fn unpacked(path: &Path) -> Result<Box<dyn Read + Send>, RecordingError> {
    let opened = Input::open(path).map(|input| input.reader);
    opened.map_err(|kind| RecordingError::new(&path.display().to_string(), None, kind))
}

/// How the rows stand in the file.
enum Form {
    Table(Columns),
    /// The dump has taken the input.
    Dump(Box<Dump<BufReader<Box<dyn Read + Send>>>>),
}

/// A recording being read.
pub struct Recording {
    file: String,
    input: Input,
    lines: Lines,
    header: Header,
    form: Form,
    previous_ms: u64,
    rows: u64,
    ended: bool,
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording")
            .field("file", &self.file)
            .field("header", &self.header)
            .field("rows", &self.rows)
            .finish_non_exhaustive()
    }
}

impl Recording {
    /// Opens a recording and reads its header; `-` is standard input.
    ///
    /// # Errors
    /// A file that cannot be read, is empty, has no or wrong column names, or states an unreadable fact.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, RecordingError> {
        let path = path.as_ref();
        let file = if path.as_os_str() == "-" { "standard input".to_owned() } else { path.display().to_string() };
        let input = Input::open(path);
        Self::start(file, input)
    }

    /// Reads a recording from any stream, named `file` in errors.
    ///
    /// # Errors
    /// As [`Recording::open`].
    pub fn from_reader(
        file: impl Into<String>,
        reader: impl Read + Send + 'static,
        total_bytes: Option<u64>,
    ) -> Result<Self, RecordingError> {
        Self::start(file.into(), Input::new(Box::new(reader), total_bytes))
    }

    fn start(file: String, input: Result<Input, RecordingErrorKind>) -> Result<Self, RecordingError> {
        let mut input = input.map_err(|kind| RecordingError::new(&file, None, kind))?;
        let mut lines = Lines::new();
        let is_dump = input.begins_with(b'$').map_err(|error| {
            let (line, kind) = line_fault(LineFault::Io(error), input.packing, 0);
            RecordingError::new(&file, line, kind)
        })?;
        let (header, form) = if is_dump {
            let text = std::mem::replace(&mut input.reader, Box::new(std::io::empty()));
            // A last line without its end is whole all the same.
            let text: Box<dyn Read + Send> = Box::new(text.chain(&b"\n"[..]));
            let opened = Dump::open(BufReader::with_capacity(1 << 16, text), None);
            let (dump, header) = opened.map_err(|kind| dump_fault(&file, None, kind, input.packing, 0))?;
            (header, Form::Dump(Box::new(dump)))
        } else {
            let (header, columns) = read_header(&file, &mut input, &mut lines)?;
            (header, Form::Table(columns))
        };
        Ok(Self { file, input, lines, header, form, previous_ms: 0, rows: 0, ended: false })
    }

    /// What the comment lines at the top say.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Whether it is of this meter: if it says the volume of its pulses, the meter must agree, or every figure is wrong.
    ///
    /// # Errors
    /// Both volumes, and what would be right.
    pub fn fits(&self, meter: &RawMeter) -> Result<(), String> {
        let own = PulseVolume::of_meter(meter);
        let Some(stated) = self.header.pulse_volume_nl.filter(|stated| *stated != own) else { return Ok(()) };
        let litres = |pulse: PulseVolume| pulse.numerator_nl() as f64 / pulse.denominator() as f64 / 1e9;
        Err(format!(
            "the recording says one pulse is {} L, the site's meter says {} L\n  help: give [meter] in the site file \
             the recording's pulse volume, or use a recording of this meter",
            litres(stated),
            litres(own),
        ))
    }

    /// Rows delivered so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// How far reading has come; cheap enough to ask after every row.
    pub fn progress(&self) -> Progress {
        self.input.progress()
    }

    /// Whether rows name their meter.
    pub fn names_meters(&self) -> bool {
        matches!(&self.form, Form::Table(columns) if columns.name_meters())
    }

    /// Whether the rows are edges of a contact in place of pulses.
    pub fn has_edges(&self) -> bool {
        match &self.form {
            Form::Table(columns) => columns.are_edges(),
            Form::Dump(_) => true,
        }
    }

    /// The next row of pulses, or none at the end. After an error there are no further rows.
    ///
    /// # Errors
    /// As [`Recording::next_entry`]; also a recording of edges, which only [`Recording::next_entry`] gives.
    #[expect(
        clippy::should_implement_trait,
        reason = "an iterator of results invites dropping the error; this order lets `?` end the loop"
    )]
    pub fn next(&mut self) -> Result<Option<Pulses>, RecordingError> {
        match self.next_entry()? {
            Some(Entry::Pulses(pulses)) => Ok(Some(pulses)),
            None => Ok(None),
            Some(Entry::Edge(_)) => {
                self.ended = true;
                Err(RecordingError::new(&self.file, None, RecordingErrorKind::EdgesNotPulses))
            }
        }
    }

    /// The next row, or none at the end. After an error there are no further rows.
    ///
    /// # Errors
    /// A row that cannot be read or goes back in time; a packed file that ends early or is damaged.
    pub fn next_entry(&mut self) -> Result<Option<Entry>, RecordingError> {
        if self.ended {
            return Ok(None);
        }
        let row = self.next_row();
        self.ended = !matches!(row, Ok(Some(_)));
        row
    }

    fn next_row(&mut self) -> Result<Option<Entry>, RecordingError> {
        let columns = match &mut self.form {
            Form::Table(columns) => *columns,
            Form::Dump(dump) => {
                let edge = dump
                    .next_edge()
                    .map_err(|kind| dump_fault(&self.file, Some(dump.line()), kind, self.input.packing, self.rows))?;
                self.rows += u64::from(edge.is_some());
                let entry = |(at_us, closed)| Entry::Edge(Edge { at_ms: at_us / 1_000, meter: COMMON_METER, closed });
                return Ok(edge.map(entry));
            }
        };
        loop {
            let line = match self.lines.next(&mut *self.input.reader) {
                Ok(Some(line)) => line,
                Ok(None) => return Ok(None),
                Err(fault) => {
                    let (number, kind) = line_fault(fault, self.input.packing, self.rows);
                    return Err(RecordingError::new(&self.file, number, kind));
                }
            };
            if is_blank_or_comment(line.bytes) {
                continue;
            }
            let row = columns.row(line.bytes).and_then(|row| {
                if row.at_ms() < self.previous_ms {
                    let at_ms = row.at_ms();
                    return Err(RecordingErrorKind::TimeBackwards { previous_ms: self.previous_ms, at_ms });
                }
                Ok(row)
            });
            return match row {
                Ok(row) => {
                    self.previous_ms = row.at_ms();
                    self.rows += 1;
                    Ok(Some(row))
                }
                Err(kind) => Err(RecordingError::new(&self.file, Some(line.number), kind)),
            };
        }
    }
}

fn is_blank_or_comment(line: &[u8]) -> bool {
    match line.trim_ascii_start().first() {
        None => true,
        Some(&first) => first == b'#',
    }
}

/// Reads up to and including the line that names the columns.
fn read_header(file: &str, input: &mut Input, lines: &mut Lines) -> Result<(Header, Columns), RecordingError> {
    let mut header = Header::default();
    loop {
        let line = match lines.next(&mut *input.reader) {
            Ok(Some(line)) => line,
            Ok(None) => break,
            Err(fault) => {
                let (number, kind) = line_fault(fault, input.packing, 0);
                return Err(RecordingError::new(file, number, kind));
            }
        };
        let number = line.number;
        let columns = header_line(&mut header, &line).map_err(|kind| RecordingError::new(file, Some(number), kind))?;
        if let Some(columns) = columns {
            return Ok((header, columns));
        }
    }
    let (line, kind) = match lines.number() {
        0 => (None, RecordingErrorKind::Empty),
        last => (Some(last), RecordingErrorKind::NoColumns),
    };
    Err(RecordingError::new(file, line, kind))
}

/// Takes in one line of the header; the columns when it names them.
fn header_line(header: &mut Header, line: &Line<'_>) -> Result<Option<Columns>, RecordingErrorKind> {
    let Ok(text) = std::str::from_utf8(line.bytes) else {
        return Err(RecordingErrorKind::NotUtf8 { text: excerpt(line.bytes) });
    };
    // A byte order mark, as some editors and spreadsheets write.
    let text = match line.number {
        1 => text.strip_prefix('\u{feff}').unwrap_or(text),
        _ => text,
    };
    let text = text.trim();
    if let Some(comment) = text.strip_prefix('#') {
        header.take(comment)?;
        return Ok(None);
    }
    if text.is_empty() {
        return Ok(None);
    }
    Columns::parse(text).map(Some)
}

/// A dump's fault; what comes from the file below it is told as of any other recording.
fn dump_fault(
    file: &str,
    line: Option<u64>,
    kind: RecordingErrorKind,
    packing: Option<&'static str>,
    rows: u64,
) -> RecordingError {
    let (line, kind) = match kind {
        RecordingErrorKind::Io(error) => line_fault(LineFault::Io(error), packing, rows),
        kind => (line, kind),
    };
    RecordingError::new(file, line, kind)
}

fn line_fault(fault: LineFault<'_>, packing: Option<&'static str>, rows: u64) -> (Option<u64>, RecordingErrorKind) {
    match (fault, packing) {
        (LineFault::TooLong(line), _) => {
            let text = excerpt(line.bytes);
            (Some(line.number), RecordingErrorKind::LineTooLong { text })
        }
        (LineFault::Io(error), Some(packing)) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            (None, RecordingErrorKind::Truncated { packing, rows })
        }
        // An error of the system's own comes from the file below the unpacker.
        (LineFault::Io(error), Some(packing)) if error.raw_os_error().is_none() => {
            let detail = error.to_string();
            (None, RecordingErrorKind::Corrupt { packing, rows, detail })
        }
        (LineFault::Io(error), _) => (None, RecordingErrorKind::Io(error)),
    }
}
