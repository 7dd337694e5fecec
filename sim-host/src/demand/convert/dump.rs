//! Value change dumps (IEEE 1364): a wire of one bit is the meter's contact.

use std::io::BufRead;

use vcd::{Command, IdCode, ScopeItem, TimescaleUnit, Value};

use super::{Converted, Judged, fault};
use crate::recording::{COMMON_METER, Pulses};

/// Opens a dump; `wanted` names the wire where there are several.
pub(super) fn open(
    file: String,
    reader: impl BufRead + 'static,
    wanted: Option<&str>,
    judged: Judged,
) -> Result<Converted, String> {
    let mut parser = vcd::Parser::new(reader);
    let header = parser.parse_header().map_err(|error| format!("{file}: {error}"))?;
    let Some((factor, unit)) = header.timescale else {
        return Err(format!("{file}: has no $timescale, so that its times mean nothing"));
    };
    let mut wires = Vec::new();
    collect(&header.items, "", &mut wires);
    let names = || wires.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(", ");
    let code = match (wanted, wires.as_slice()) {
        (_, []) => return Err(format!("{file}: has no wire of one bit")),
        (None, [(_, code)]) => *code,
        (None, _) => {
            return Err(format!("{file}: has several wires; which is the meter's? --signal NAME of {}", names()));
        }
        (Some(wanted), _) => {
            let fits = |name: &str| name == wanted || name.rsplit('.').next() == Some(wanted);
            let found: Vec<_> = wires.iter().filter(|(name, _)| fits(name)).collect();
            match found.as_slice() {
                [(_, code)] => *code,
                [] => return Err(format!("{file}: has no wire `{wanted}`; there are {}", names())),
                _ => return Err(format!("{file}: has `{wanted}` more than once; give its whole name of {}", names())),
            }
        }
    };
    let per_s = unit.divisor();
    let remark = format!("value change dump, timescale {factor} {unit}; closures judged by width and gap");
    let rows = Rows { file, parser, code, ticks: (u64::from(factor), per_s), at_us: 0, judged, ended: false };
    Ok(Converted { rows: Box::new(rows), start: None, remark })
}

fn collect(items: &[ScopeItem], path: &str, wires: &mut Vec<(String, IdCode)>) {
    for item in items {
        match item {
            ScopeItem::Var(var) if var.size == 1 => wires.push((format!("{path}{}", var.reference), var.code)),
            ScopeItem::Scope(scope) => collect(&scope.items, &format!("{path}{}.", scope.identifier), wires),
            _ => {}
        }
    }
}

struct Rows<R: BufRead> {
    file: String,
    parser: vcd::Parser<R>,
    code: IdCode,
    /// A step of time: so many parts of a second.
    ticks: (u64, u64),
    at_us: u64,
    judged: Judged,
    ended: bool,
}

impl<R: BufRead> Rows<R> {
    fn take(&mut self, command: &Command) -> Result<(), String> {
        match command {
            Command::Timestamp(ticks) => {
                let us = u128::from(*ticks) * u128::from(self.ticks.0) * 1_000_000 / u128::from(self.ticks.1.max(1));
                let at_us = u64::try_from(us).ok().filter(|us| *us <= super::moment::LATEST_US);
                let at_us = at_us.ok_or_else(|| self.fault("the time is more than 300 years after the start"))?;
                if at_us < self.at_us {
                    return Err(self.fault("time goes backwards; a dump's times never decrease"));
                }
                self.at_us = at_us;
            }
            // What is neither 0 nor 1 is taken for open: no closure is made up.
            Command::ChangeScalar(code, value) if *code == self.code => {
                self.judged.judge.take_us(self.at_us, COMMON_METER, *value == Value::V1);
            }
            _ => {}
        }
        Ok(())
    }

    fn fault(&self, why: &str) -> String {
        fault(&self.file, self.parser.line(), why)
    }
}

impl<R: BufRead> Iterator for Rows<R> {
    type Item = Result<Pulses, String>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(pulse) = self.judged.judge.next_pulse() {
                return Some(Ok(pulse));
            }
            if self.ended {
                return None;
            }
            let command = self.parser.next();
            self.ended = !matches!(command, Some(Ok(_)));
            match command {
                Some(Ok(command)) => {
                    if let Err(why) = self.take(&command) {
                        self.ended = true;
                        return Some(Err(why));
                    }
                }
                Some(Err(error)) => return Some(Err(format!("{}: {error}", self.file))),
                None => self.judged.end(),
            }
        }
    }
}

/// Parts of a second in a unit.
trait Divisor {
    fn divisor(self) -> u64;
}

impl Divisor for TimescaleUnit {
    fn divisor(self) -> u64 {
        match self {
            Self::S => 1,
            Self::MS => 1_000,
            Self::US => 1_000_000,
            Self::NS => 1_000_000_000,
            Self::PS => 1_000_000_000_000,
            Self::FS => 1_000_000_000_000_000,
        }
    }
}
