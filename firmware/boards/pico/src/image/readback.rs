//! Outputs are read back: a pin that has not the level that it is set to is shorted, or its pad is broken.
//!
//! Nothing can be done about it from here: it stands on the panel and the lamp is lit, and the drive's own end switch and fuse
//! are what helps.

use bedkeeper_pico::pins::ACTUATORS;
use bedkeeper_runtime::self_test::{Check, Finding, Findings};
use rp2040_hal::pac;

/// A level has so many passes to come about: the edge of an output may just be under way.
const PASSES: u8 = 3;

/// Passes in which some output was not as it was set.
#[derive(Default)]
pub struct Readback {
    wrong: u8,
}

impl Readback {
    /// Compares once.
    pub fn look(&mut self, findings: &mut Findings) {
        // SAFETY: reading levels changes nothing.
        let sio = unsafe { &*pac::SIO::ptr() };
        let differ = (sio.gpio_in().read().bits() ^ sio.gpio_out().read().bits()) & ACTUATORS;
        self.wrong = if differ == 0 { 0 } else { self.wrong.saturating_add(1) };
        if self.wrong >= PASSES {
            findings.note(Check::Outputs, Finding::Failed);
        } else if self.wrong == 0 && findings.of(Check::Outputs) == Finding::NotThere {
            findings.note(Check::Outputs, Finding::Passed);
        }
    }
}
