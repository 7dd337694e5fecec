//! Watches the program in flash: a checksum over all of it, a little in each pass, and compared from then on.
//!
//! What it should be nobody has told the image, so that the first sum after power came is taken for right: what changes
//! while the board runs is found, a program that was flashed badly is not.

use bedkeeper_pico::layout::FLASH_START;
use bedkeeper_runtime::self_test::{Check, Finding, Findings};
use crc::{CRC_32_ISO_HDLC, Crc, Digest};

use super::flash::Flash;

static SUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
/// So much is read in one pass.
const STEP_BYTES: u32 = 2_048;

unsafe extern "C" {
    /// Where the values of variables lie in flash, and where they go in RAM: from the linker script.
    static __sidata: u32;
    static __sdata: u32;
    static __edata: u32;
}

/// A walk over the program.
pub struct Sweep {
    end: u32,
    at: u32,
    sum: Option<Digest<'static, u32>>,
    first: Option<u32>,
}

impl Sweep {
    /// Nothing is read yet.
    pub fn begin() -> Self {
        let of = |symbol: *const u32| symbol as u32;
        let data = of(&raw const __edata) - of(&raw const __sdata);
        let end = of(&raw const __sidata) + data - FLASH_START;
        Self { end, at: 0, sum: Some(SUM.digest()), first: None }
    }

    /// Once more.
    pub fn again(&mut self) {
        (self.at, self.sum) = (0, Some(SUM.digest()));
    }

    /// A little further.
    pub fn step(&mut self, findings: &mut Findings) {
        let Some(mut sum) = self.sum.take() else { return };
        let length = STEP_BYTES.min(self.end - self.at);
        sum.update(Flash::bytes(self.at, length));
        self.at += length;
        if self.at < self.end {
            self.sum = Some(sum);
            return;
        }
        let sum = sum.finalize();
        let same = *self.first.get_or_insert(sum) == sum;
        findings.note(Check::Program, if same { Finding::Passed } else { Finding::Failed });
    }
}
