//! What can be wrong with a recording.

use std::io;

/// A recording that could not be opened or read further: file, line, what is wrong and what would be right.
#[derive(Debug, thiserror::Error)]
#[error("{}{}: {}; {}", self.0.file, line_suffix(self.0.line), self.0.kind, self.0.kind.help())]
pub struct RecordingError(Box<Details>);

#[derive(Debug)]
struct Details {
    file: String,
    line: Option<u64>,
    kind: RecordingErrorKind,
}

fn line_suffix(line: Option<u64>) -> String {
    line.map_or_else(String::new, |line| format!(":{line}"))
}

impl RecordingError {
    pub(super) fn new(file: &str, line: Option<u64>, kind: RecordingErrorKind) -> Self {
        Self(Box::new(Details { file: file.to_owned(), line, kind }))
    }

    /// The file as it was named, or "standard input".
    pub fn file(&self) -> &str {
        &self.0.file
    }

    /// The line, counted from 1 in the unpacked text; none when the fault is the file's as a whole.
    pub fn line(&self) -> Option<u64> {
        self.0.line
    }

    /// What is wrong.
    pub fn kind(&self) -> &RecordingErrorKind {
        &self.0.kind
    }

    /// What would be right.
    pub fn help(&self) -> String {
        self.0.kind.help()
    }
}

/// The fault found in a recording.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordingErrorKind {
    /// No file of this name.
    #[error("there is no such file")]
    NotFound,
    /// A directory where a file should be.
    #[error("is a directory")]
    Directory,
    /// The system would not open or read the file.
    #[error("cannot be read: {0}")]
    Io(io::Error),
    /// Zero bytes (after unpacking).
    #[error("is empty")]
    Empty,
    /// Comments or blank lines and nothing else.
    #[error("has no line with column names")]
    NoColumns,
    /// A column that every recording needs is not there.
    #[error("has no column `{missing}`; the columns found are {}", found.join(", "))]
    MissingColumn {
        /// The column missed.
        missing: &'static str,
        /// The columns found, shortened.
        found: Vec<String>,
    },
    /// A column that means nothing here; ignoring it could hide a misspelt `meter`.
    #[error("has the unknown column `{name}`")]
    UnknownColumn {
        /// The name found.
        name: String,
    },
    /// One column twice.
    #[error("has the column `{name}` twice")]
    RepeatedColumn {
        /// The name found.
        name: &'static str,
    },
    /// More or fewer fields than columns.
    #[error("the row `{text}` does not have one field per column: {found}, not {expected}")]
    FieldCount {
        /// The line, shortened.
        text: String,
        /// Fields found.
        found: usize,
        /// Columns named.
        expected: usize,
    },
    /// A time that is no number of seconds.
    #[error("the time `{text}` is not a number of seconds")]
    UnreadableTime {
        /// The field, shortened.
        text: String,
    },
    /// A time before the recording's start.
    #[error("the time `{text}` is negative")]
    NegativeTime {
        /// The field, shortened.
        text: String,
    },
    /// A time beyond three centuries.
    #[error("the time `{text}` is more than 300 years after the start")]
    TimeTooLarge {
        /// The field, shortened.
        text: String,
    },
    /// A row earlier than the one before it.
    #[error(
        "time goes backwards, from {} s to {} s",
        seconds(*previous_ms),
        seconds(*at_ms)
    )]
    TimeBackwards {
        /// Time of the row before, in ms.
        previous_ms: u64,
        /// Time of this row, in ms.
        at_ms: u64,
    },
    /// A pulse count that is no whole number.
    #[error("the pulse count `{text}` is not a whole number")]
    UnreadablePulses {
        /// The field, shortened.
        text: String,
    },
    /// Columns for pulses and for a contact.
    #[error("has both `pulses` and `closed`")]
    PulsesAndEdges,
    /// A level that is neither 0 nor 1.
    #[error("`{text}` is no level of a contact")]
    UnreadableLevel {
        /// The field, shortened.
        text: String,
    },
    /// Edges where pulses are wanted.
    #[error("has edges of a contact, and pulses are wanted here")]
    EdgesNotPulses,
    /// A row without a pulse.
    #[error("the row has no pulse")]
    NoPulses,
    /// More pulses than one row can mean.
    #[error("the row has {text} pulses")]
    TooManyPulses {
        /// The field, shortened.
        text: String,
    },
    /// A meter number outside 1 to 8.
    #[error("`{text}` is not the number of a tank's meter")]
    Meter {
        /// The field, shortened.
        text: String,
    },
    /// A line beyond [`super::LONGEST_LINE_BYTES`].
    #[error("the line is longer than {} KiB; it begins `{text}`", super::LONGEST_LINE_BYTES / 1024)]
    LineTooLong {
        /// Its beginning.
        text: String,
    },
    /// Bytes that are no UTF-8.
    #[error("`{text}` is not UTF-8 text")]
    NotUtf8 {
        /// The line, shortened, with replacement characters.
        text: String,
    },
    /// A packed file that ends early.
    #[error("the {packing} data end early, after {rows} rows")]
    Truncated {
        /// How it is packed.
        packing: &'static str,
        /// Rows read before the end.
        rows: u64,
    },
    /// A packed file whose content is damaged.
    #[error("the {packing} data are damaged after {rows} rows ({detail})")]
    Corrupt {
        /// How it is packed.
        packing: &'static str,
        /// Rows read before the damage.
        rows: u64,
        /// What the unpacker said.
        detail: String,
    },
    /// A packing that is not read here.
    #[error("is packed with {packing}, which is not read")]
    OtherPacking {
        /// How it is packed.
        packing: &'static str,
    },
    /// What is wrong with a value change dump.
    #[error("{0}")]
    Dump(super::DumpFault),
    /// A fact in the header comments that begins well and cannot be read.
    #[error("the header says `{text}`, which cannot be read: {reason}")]
    HeaderFact {
        /// The comment, shortened.
        text: String,
        /// Why not.
        reason: String,
    },
    /// A fact in the header comments that contradicts an earlier one.
    #[error("the header says `{text}`, which contradicts an earlier line")]
    HeaderConflict {
        /// The comment, shortened.
        text: String,
    },
}

impl RecordingErrorKind {
    /// What would be right.
    pub fn help(&self) -> String {
        let text = match self {
            Self::NotFound => "check the name, or give `-` for standard input",
            Self::Directory => "name a recording inside it",
            Self::Io(_) => "check the file and its permissions",
            Self::Empty | Self::NoColumns | Self::MissingColumn { .. } => {
                "the first line that is no comment names the columns, with commas between: \
                 `t_s,pulses` or `t_s,pulses,meter`; `t_s,closed` for a bare contact"
            }
            Self::UnknownColumn { name } => {
                let near = super::row::COLUMNS
                    .into_iter()
                    .find(|column| strsim::osa_distance(column, &name.to_lowercase()) <= 2);
                return match near {
                    Some(near) => {
                        format!(
                            "did you mean `{near}`? the columns are t_s, pulses, meter, or closed in place of pulses"
                        )
                    }
                    None => "leave it out; the columns are t_s, pulses, meter, or closed in place of pulses".to_owned(),
                };
            }
            Self::RepeatedColumn { .. } => "name each column once",
            Self::FieldCount { .. } => "give each row as many fields as there are columns, with a point for decimals",
            Self::UnreadableTime { .. } => {
                "write seconds since the start as digits with a point, without an exponent, like 585.800"
            }
            Self::NegativeTime { .. } => "count seconds from the recording's start, from 0 up",
            Self::TimeTooLarge { .. } => "write seconds since the start, not milliseconds",
            Self::TimeBackwards { .. } => "sort the rows by time; equal times are fine",
            Self::UnreadablePulses { .. } => "write the pulses since the row before, like 1",
            Self::PulsesAndEdges => "a recording is of pulses or of a bare contact: leave one column out",
            Self::UnreadableLevel { .. } => "write 1 where the contact closed and 0 where it opened",
            Self::EdgesNotPulses => {
                "replay it, or make pulses of it: bedkeeper demand --from FILE --closed-at-least 20ms -o NEW"
            }
            Self::NoPulses => "leave out rows without pulses",
            Self::TooManyPulses { .. } => {
                return format!("a row has at most {} pulses", super::MOST_PULSES_PER_ROW);
            }
            Self::Meter { .. } => {
                return format!(
                    "tanks' meters count from 1 to {}; leave the field empty for the common meter",
                    super::MOST_METERS
                );
            }
            Self::LineTooLong { .. } => "a recording has one short row per line: is this one?",
            Self::NotUtf8 { .. } => "save the recording as plain UTF-8 text, or packed with gzip or zstd",
            Self::Truncated { .. } | Self::Corrupt { .. } => {
                "copy or make the file again; what came before is as recorded"
            }
            Self::OtherPacking { .. } => "give it plain, or packed with gzip or zstd",
            Self::HeaderFact { .. } => {
                "write `# pulse volume 10 L` or `# t_s = seconds since 2027-03-01 00:00 local standard time`"
            }
            Self::Dump(fault) => fault.help(),
            Self::HeaderConflict { .. } => "state each fact once",
        };
        text.to_owned()
    }
}

/// Seconds with three decimals.
fn seconds(time_ms: u64) -> String {
    format!("{}.{:03}", time_ms / 1_000, time_ms % 1_000)
}

/// The beginning of a field or line, made fit for one line of a message.
pub(super) fn excerpt(bytes: &[u8]) -> String {
    const LONGEST_CHARS: usize = 60;
    let text = String::from_utf8_lossy(bytes.get(..4 * LONGEST_CHARS).unwrap_or(bytes));
    let mut chars = text.trim().chars();
    let visible = |c: char| if crate::terminal::steers(c) { '\u{fffd}' } else { c };
    let mut short: String = chars.by_ref().take(LONGEST_CHARS).map(visible).collect();
    if chars.next().is_some() {
        short.push('…');
    }
    short
}
