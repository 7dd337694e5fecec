//! Writes a recording, plain or packed, as a stream.

use std::io::{self, BufWriter, Write};
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;
use jiff::civil::DateTime;
use vcd::{IdCode, TimescaleUnit, Value, VarType};

use crate::recording::{COMMON_METER, Edge, Entry, Pulses};

/// How a recording is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Rows of seconds and pulses.
    Csv,
    /// A value change dump: the meter's contact as a wire.
    Vcd,
}

impl Form {
    /// The form and packing that a file name asks for; CSV where it says nothing.
    #[must_use]
    pub fn of(path: &Path) -> (Self, Packing) {
        let name = path.file_name().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
        let (name, packing) = match name.rsplit_once('.') {
            Some((inner, "gz")) => (inner, Packing::Gzip),
            Some((inner, "zst")) => (inner, Packing::Zstd),
            _ => (name.as_str(), Packing::Plain),
        };
        (if name.ends_with(".vcd") { Self::Vcd } else { Self::Csv }, packing)
    }
}

/// How a file is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packing {
    /// Not at all.
    Plain,
    /// gzip, without a date in it.
    Gzip,
    /// zstd.
    Zstd,
}

/// What stands at the head of a recording.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Facts {
    /// Comment lines.
    pub comments: Vec<String>,
    /// The volume of a pulse as people write it.
    pub pulse: Option<String>,
    /// Local time at which the seconds begin.
    pub start: Option<DateTime>,
    /// Rows are edges of a bare contact.
    pub edges: bool,
    /// Rows name their meter.
    pub meters: bool,
}

enum Packed {
    Plain(BufWriter<Box<dyn Write>>),
    Gzip(GzEncoder<BufWriter<Box<dyn Write>>>),
    Zstd(zstd::stream::write::Encoder<'static, BufWriter<Box<dyn Write>>>),
}

impl Write for Packed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Plain(out) => out.write(bytes),
            Self::Gzip(out) => out.write(bytes),
            Self::Zstd(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Plain(out) => out.flush(),
            Self::Gzip(out) => out.flush(),
            Self::Zstd(out) => out.flush(),
        }
    }
}

impl Packed {
    fn finish(self) -> io::Result<()> {
        match self {
            Self::Plain(mut out) => out.flush(),
            Self::Gzip(out) => out.finish()?.flush(),
            Self::Zstd(out) => out.finish()?.flush(),
        }
    }
}

/// A recording being written.
pub struct Writer {
    out: Inner,
    edges: bool,
    meters: bool,
}

enum Inner {
    Csv(BufWriter<Packed>),
    Vcd(Wave),
}

/// The contact as a wire, a millisecond a step.
struct Wave {
    out: vcd::Writer<Slot>,
    contact: IdCode,
    /// When the pulse under way ends, and when the contact last moved.
    opens_ms: Option<u64>,
    moved_ms: Option<u64>,
}

/// Holds a stream until it is taken back: a dump's writer gives none back by itself.
struct Slot(Option<BufWriter<Packed>>);

impl Write for Slot {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.as_mut().map_or(Ok(0), |out| out.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.as_mut().map_or(Ok(()), Write::flush)
    }
}

/// A pulse's closure in a value change dump, ms: longer than the 10 ms that a site asks for by default.
const CLOSED_MS: u64 = 40;

impl Writer {
    /// Begins a recording.
    ///
    /// # Errors
    /// `out` cannot be written, or several meters do not fit a value change dump.
    pub fn new(out: Box<dyn Write>, form: Form, packing: Packing, facts: &Facts) -> io::Result<Self> {
        let out = BufWriter::with_capacity(1 << 16, out);
        let packed = match packing {
            Packing::Plain => Packed::Plain(out),
            Packing::Gzip => Packed::Gzip(GzEncoder::new(out, Compression::default())),
            Packing::Zstd => Packed::Zstd(zstd::stream::write::Encoder::new(out, 0)?),
        };
        // A packer is given pieces of some size.
        let mut out = BufWriter::with_capacity(1 << 15, packed);
        let start = facts.start.map(|at| format!("t_s = seconds since {} local standard time", at.strftime("%F %T")));
        let pulse = facts.pulse.as_ref().map(|pulse| format!("pulse volume {pulse}"));
        let lines = facts.comments.iter().map(|line| line.replace(['\n', '\r'], " ")).chain(start).chain(pulse);
        let inner = match form {
            Form::Csv => {
                for line in lines {
                    writeln!(out, "# {line}")?;
                }
                let what = if facts.edges { "closed" } else { "pulses" };
                writeln!(out, "t_s,{what}{}", if facts.meters { ",meter" } else { "" })?;
                Inner::Csv(out)
            }
            Form::Vcd if facts.meters => {
                return Err(io::Error::other("a value change dump holds one meter here; write CSV"));
            }
            Form::Vcd => {
                let mut out = vcd::Writer::new(Slot(Some(out)));
                for line in lines {
                    out.comment(&line.replace("$end", "end"))?;
                }
                out.timescale(1, TimescaleUnit::MS)?;
                out.add_module("recording")?;
                let contact = out.add_var(VarType::Wire, 1, "meter", None)?;
                out.upscope()?;
                out.enddefinitions()?;
                out.timestamp(0)?;
                out.change_scalar(contact, Value::V0)?;
                Inner::Vcd(Wave { out, contact, opens_ms: None, moved_ms: None })
            }
        };
        Ok(Self { out: inner, edges: facts.edges, meters: facts.meters })
    }

    /// Writes a row; times never decrease.
    ///
    /// # Errors
    /// The output cannot be written; a row of the other kind than was announced; pulses that come too fast for a value
    /// change dump of milliseconds.
    pub fn write(&mut self, entry: &Entry) -> io::Result<()> {
        match (entry, self.edges) {
            (Entry::Pulses(pulses), false) => self.pulses(pulses),
            (Entry::Edge(edge), true) => self.edge(edge),
            _ => Err(io::Error::other("a recording holds pulses or edges of a contact, not both")),
        }
    }

    fn pulses(&mut self, pulses: &Pulses) -> io::Result<()> {
        match &mut self.out {
            Inner::Csv(out) => {
                let Pulses { at_ms, meter, count } = pulses;
                write!(out, "{}.{:03},{count}", at_ms / 1_000, at_ms % 1_000)?;
                end_row(out, self.meters, *meter)
            }
            Inner::Vcd(wave) => wave.pulse(pulses),
        }
    }

    fn edge(&mut self, edge: &Edge) -> io::Result<()> {
        match &mut self.out {
            Inner::Csv(out) => {
                write!(out, "{}.{:03},{}", edge.at_ms / 1_000, edge.at_ms % 1_000, u8::from(edge.closed))?;
                end_row(out, self.meters, edge.meter)
            }
            Inner::Vcd(wave) => wave.move_to(edge.at_ms, edge.closed),
        }
    }

    /// Ends the recording.
    ///
    /// # Errors
    /// The output cannot be written.
    pub fn finish(self) -> io::Result<()> {
        let buffered = match self.out {
            Inner::Csv(out) => Some(out),
            Inner::Vcd(mut wave) => {
                wave.open_before(u64::MAX)?;
                wave.out.writer().0.take()
            }
        };
        let Some(buffered) = buffered else { return Ok(()) };
        buffered.into_inner().map_err(io::IntoInnerError::into_error)?.finish()
    }
}

fn end_row(out: &mut impl Write, meters: bool, meter: u8) -> io::Result<()> {
    match (meters, meter) {
        (false, _) => writeln!(out),
        (true, COMMON_METER) => writeln!(out, ","),
        (true, meter) => writeln!(out, ",{meter}"),
    }
}

impl Wave {
    fn pulse(&mut self, pulses: &Pulses) -> io::Result<()> {
        self.open_before(pulses.at_ms)?;
        let too_fast = pulses.count > 1 || self.moved_ms.is_some_and(|moved| moved >= pulses.at_ms);
        if too_fast {
            return Err(io::Error::other(format!(
                "at {} s pulses come faster than a value change dump of milliseconds can show; write CSV, or take a meter \
                 with larger pulses",
                pulses.at_ms / 1_000
            )));
        }
        self.move_to(pulses.at_ms, true)?;
        self.opens_ms = Some(pulses.at_ms + CLOSED_MS);
        Ok(())
    }

    /// The closure under way ends in time, and half way to a pulse that comes soon.
    fn open_before(&mut self, next_ms: u64) -> io::Result<()> {
        let Some(opens_ms) = self.opens_ms.take() else { return Ok(()) };
        let closed_ms = self.moved_ms.unwrap_or(0);
        let half_way = closed_ms + (next_ms.saturating_sub(closed_ms) / 2).max(1);
        self.move_to(opens_ms.min(half_way), false)
    }

    fn move_to(&mut self, at_ms: u64, closed: bool) -> io::Result<()> {
        if self.moved_ms != Some(at_ms) && at_ms > 0 {
            self.out.timestamp(at_ms)?;
        }
        self.moved_ms = Some(at_ms);
        self.out.change_scalar(self.contact, if closed { Value::V1 } else { Value::V0 })
    }
}
