//! A value change dump's wire becomes pulses.

use std::io::BufRead;

use super::{Converted, Judged, fault};
use crate::recording::{COMMON_METER, Dump, Pulses, RecordingErrorKind};

/// Opens a dump; `wanted` names the wire where there are several.
pub(super) fn open(
    file: String,
    reader: impl BufRead + 'static,
    wanted: Option<&str>,
    judged: Judged,
) -> Result<Converted, String> {
    let (dump, header) = Dump::open(reader, wanted).map_err(|kind| words(&file, &kind))?;
    let remark = format!("value change dump, timescale {}; closures judged by width and gap", dump.timescale());
    let rows = Rows { file, dump, judged, ended: false };
    Ok(Converted { rows: Box::new(rows), start: header.start, pulse: header.pulse_volume_nl, remark })
}

fn words(file: &str, kind: &RecordingErrorKind) -> String {
    format!("{file}: {kind}\n  help: {}", kind.help())
}

struct Rows<R: BufRead> {
    file: String,
    dump: Dump<R>,
    judged: Judged,
    ended: bool,
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
            match self.dump.next_edge() {
                Ok(Some((at_us, closed))) => self.judged.judge.take_us(at_us, COMMON_METER, closed),
                Ok(None) => {
                    self.ended = true;
                    self.judged.end();
                }
                Err(kind) => {
                    self.ended = true;
                    return Some(Err(fault(&self.file, self.dump.line(), &kind.to_string())));
                }
            }
        }
    }
}
