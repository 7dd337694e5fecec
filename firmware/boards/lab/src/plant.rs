//! Valves with a cam and a switch per position, in integers.

use bedkeeper::drive::{Motion, Switches};

use crate::sites::CAM;

/// The cam takes so long from one position to the next, in ms.
const LEG_MS: u64 = 8_000;
const PLACES: u64 = CAM.len() as u64;
/// A switch is closed so far before and after its position, in ms of travel.
const HALF_MARK_MS: u64 = 800;

/// One valve.
#[derive(Clone, Copy, Debug)]
pub struct Valve {
    /// Place on the cam as travel time from its first position, in ms.
    at_ms: u64,
    since_ms: u64,
    motion: Motion,
    /// The motor turns and the cam does not.
    pub stuck: bool,
}

impl Valve {
    /// A valve standing in the position at this place of the cam.
    #[must_use]
    pub fn at_place(place: u64) -> Self {
        Self { at_ms: place.saturating_mul(LEG_MS), since_ms: 0, motion: Motion::Off, stuck: false }
    }

    /// Lets time pass.
    pub fn advance(&mut self, now_ms: u64) {
        let round = PLACES * LEG_MS;
        let moved = now_ms.saturating_sub(self.since_ms) % round;
        self.since_ms = now_ms;
        if self.stuck {
            return;
        }
        self.at_ms = match self.motion {
            Motion::Off => self.at_ms,
            Motion::Forward => (self.at_ms + moved) % round,
            Motion::Reverse => (self.at_ms + round - moved) % round,
        };
    }

    /// Tells the motor.
    pub fn tell(&mut self, motion: Motion) {
        self.motion = motion;
    }

    /// The motor runs.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.motion != Motion::Off
    }

    /// When a switch next changes while the motor runs on, in ms; `None` if it does not.
    #[must_use]
    pub fn next_change_ms(&self) -> Option<u64> {
        if self.stuck {
            return None;
        }
        let into = (self.at_ms + HALF_MARK_MS) % LEG_MS;
        let mark = 2 * HALF_MARK_MS;
        let ahead = match self.motion {
            Motion::Off => return None,
            Motion::Forward if into <= mark => mark + 1 - into,
            Motion::Forward => LEG_MS - into,
            Motion::Reverse if into <= mark => into + 1,
            Motion::Reverse => into - mark,
        };
        Some(self.since_ms + ahead)
    }

    /// Its position switches.
    #[must_use]
    pub fn switches(&self) -> Switches {
        let along = self.at_ms + HALF_MARK_MS;
        if along % LEG_MS > 2 * HALF_MARK_MS {
            return Switches(0);
        }
        let place = u32::try_from(along / LEG_MS % PLACES).unwrap_or(0);
        Switches(1u8.checked_shl(place).unwrap_or(0))
    }
}
