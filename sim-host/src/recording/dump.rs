//! Value change dumps (IEEE 1364): a wire of one bit is the meter's contact.

use std::io::{self, BufRead};

use vcd::{Command, IdCode, ScopeItem, TimescaleUnit, Value};

use super::error::RecordingErrorKind;
use super::header::Header;

/// 300 years of 365.25 days, µs.
pub(crate) const LATEST_US: u64 = 300 * 31_557_600 * 1_000_000;

/// What can be wrong with a dump.
#[derive(Debug, thiserror::Error)]
pub enum DumpFault {
    /// Times in no unit.
    #[error("has no $timescale, so that its times mean nothing")]
    NoTimescale,
    /// Nothing that could be a contact.
    #[error("has no wire of one bit")]
    NoWire,
    /// Several wires, and none is named.
    #[error("has several wires; which is the meter's? there are {}", .0.join(", "))]
    SeveralWires(Vec<String>),
    /// The wire named is not there.
    #[error("has no wire `{wanted}`; there are {}", found.join(", "))]
    UnknownWire {
        /// The name asked for.
        wanted: String,
        /// The wires that are there.
        found: Vec<String>,
    },
    /// The name fits several wires.
    #[error("has `{wanted}` more than once; give its whole name of {}", found.join(", "))]
    RepeatedWire {
        /// The name asked for.
        wanted: String,
        /// The wires that are there.
        found: Vec<String>,
    },
    /// No dump, or a damaged one.
    #[error("cannot be read as a value change dump: {0}")]
    Malformed(io::Error),
    /// A time beyond three centuries.
    #[error("the time is more than 300 years after the start")]
    TooLate,
    /// A time before the one above it.
    #[error("time goes backwards; a dump's times never decrease")]
    Backwards,
}

impl DumpFault {
    /// What would be right.
    pub(super) fn help(&self) -> &'static str {
        match self {
            Self::NoTimescale => "a dump says `$timescale 1 us $end` or the like before its wires",
            Self::NoWire => "name a dump in which the meter's contact is a wire",
            Self::SeveralWires(_) | Self::UnknownWire { .. } | Self::RepeatedWire { .. } => {
                "name it, and make a recording of it: bedkeeper demand --from FILE --signal NAME -o NEW.csv"
            }
            Self::Malformed(_) => {
                "a dump is text: $timescale, $var, $enddefinitions, then #TIME and 0 or 1 with the wire's code"
            }
            Self::TooLate => "look at the unit in $timescale",
            Self::Backwards => "write the changes in order of time",
        }
    }
}

/// Edges of one wire of a dump.
pub(crate) struct Dump<R: BufRead> {
    parser: vcd::Parser<R>,
    code: IdCode,
    factor: u32,
    unit: TimescaleUnit,
    at_us: u64,
    closed: bool,
}

impl<R: BufRead> Dump<R> {
    /// Reads the head of a dump; `wanted` names the wire where there are several. Its comments may state a recording's
    /// facts.
    ///
    /// # Errors
    /// No dump, or no wire to take.
    pub fn open(reader: R, wanted: Option<&str>) -> Result<(Self, Header), RecordingErrorKind> {
        let mut parser = vcd::Parser::new(reader);
        let head = parser.parse_header().map_err(malformed)?;
        let (factor, unit) = head.timescale.ok_or(RecordingErrorKind::Dump(DumpFault::NoTimescale))?;
        let mut wires = Vec::new();
        let mut header = Header::default();
        collect(&head.items, "", &mut wires, &mut header)?;
        let code = chosen(&wires, wanted).map_err(RecordingErrorKind::Dump)?;
        Ok((Self { parser, code, factor, unit, at_us: 0, closed: false }, header))
    }

    /// A step of its time, in words.
    pub fn timescale(&self) -> String {
        format!("{} {}", self.factor, self.unit)
    }

    /// The line that was read last.
    pub fn line(&self) -> u64 {
        self.parser.line()
    }

    /// When the contact next closes or opens, µs, and whether it closes; none at the end. What is neither 0 nor 1 is taken
    /// for open: no closure is made up.
    ///
    /// # Errors
    /// What cannot be read, or goes back in time.
    pub fn next_edge(&mut self) -> Result<Option<(u64, bool)>, RecordingErrorKind> {
        while let Some(command) = self.parser.next() {
            match command.map_err(malformed)? {
                Command::Timestamp(ticks) => self.go_to(ticks).map_err(RecordingErrorKind::Dump)?,
                Command::ChangeScalar(code, value) if code == self.code => {
                    let closed = value == Value::V1;
                    if std::mem::replace(&mut self.closed, closed) != closed {
                        return Ok(Some((self.at_us, closed)));
                    }
                }
                _ => {}
            }
        }
        Ok(None)
    }

    fn go_to(&mut self, ticks: u64) -> Result<(), DumpFault> {
        let per_s = parts_of_a_second(self.unit);
        let us = u128::from(ticks) * u128::from(self.factor) * 1_000_000 / u128::from(per_s);
        let at_us = u64::try_from(us).ok().filter(|us| *us <= LATEST_US).ok_or(DumpFault::TooLate)?;
        if at_us < self.at_us {
            return Err(DumpFault::Backwards);
        }
        self.at_us = at_us;
        Ok(())
    }
}

/// A fault of the text is the dump's; another comes from the file below.
fn malformed(error: io::Error) -> RecordingErrorKind {
    if error.get_ref().is_some_and(|inner| inner.is::<vcd::ParseError>()) || error.kind() == io::ErrorKind::InvalidData
    {
        RecordingErrorKind::Dump(DumpFault::Malformed(error))
    } else {
        RecordingErrorKind::Io(error)
    }
}

fn collect(
    items: &[ScopeItem],
    path: &str,
    wires: &mut Vec<(String, IdCode)>,
    header: &mut Header,
) -> Result<(), RecordingErrorKind> {
    for item in items {
        match item {
            ScopeItem::Var(var) if var.size == 1 => wires.push((format!("{path}{}", var.reference), var.code)),
            ScopeItem::Scope(scope) => collect(&scope.items, &format!("{path}{}.", scope.identifier), wires, header)?,
            ScopeItem::Comment(text) => text.lines().try_for_each(|line| header.take(line))?,
            _ => {}
        }
    }
    Ok(())
}

fn chosen(wires: &[(String, IdCode)], wanted: Option<&str>) -> Result<IdCode, DumpFault> {
    let found = || wires.iter().map(|(name, _)| name.clone()).collect();
    match (wanted, wires) {
        (_, []) => Err(DumpFault::NoWire),
        (None, [(_, code)]) => Ok(*code),
        (None, _) => Err(DumpFault::SeveralWires(found())),
        (Some(wanted), _) => {
            let fits = |name: &str| name == wanted || name.rsplit('.').next() == Some(wanted);
            let mut fitting = wires.iter().filter(|(name, _)| fits(name));
            let wanted = wanted.to_owned();
            match (fitting.next(), fitting.next()) {
                (Some((_, code)), None) => Ok(*code),
                (None, _) => Err(DumpFault::UnknownWire { wanted, found: found() }),
                _ => Err(DumpFault::RepeatedWire { wanted, found: found() }),
            }
        }
    }
}

fn parts_of_a_second(unit: TimescaleUnit) -> u64 {
    match unit {
        TimescaleUnit::S => 1,
        TimescaleUnit::MS => 1_000,
        TimescaleUnit::US => 1_000_000,
        TimescaleUnit::NS => 1_000_000_000,
        TimescaleUnit::PS => 1_000_000_000_000,
        TimescaleUnit::FS => 1_000_000_000_000_000,
    }
}
