//! A valve motor behind two outputs, with an interlock of its own (S7).
//!
//! The logic never tells a drive two directions at once and rests before it reverses. This holds even against a
//! wrong command: one output goes off, and is off for [`DEAD_MS`], before the other comes on.

use bedkeeper::drive::Motion;
use embedded_hal::digital::OutputPin;

/// One direction is off for at least so long before the other comes on: the shortest rest that settings allow.
pub const DEAD_MS: u64 = 100;

/// Whether a motor does what it was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// It does.
    Done,
    /// The other direction has just been on: tell it again then, uptime in ms.
    NotBefore(u64),
}

/// A motor: at most one of its outputs is high.
#[derive(Debug)]
pub struct Motor<P> {
    forward: P,
    reverse: P,
    motion: Motion,
    /// The last direction, and when it went off.
    last: Option<(Motion, u64)>,
}

impl<P: OutputPin> Motor<P> {
    /// Takes the outputs and puts both off.
    ///
    /// # Errors
    /// A pin cannot be set; the other has been put off all the same.
    pub fn new(forward: P, reverse: P) -> Result<Self, P::Error> {
        let mut motor = Self { forward, reverse, motion: Motion::Off, last: None };
        motor.both_low()?;
        Ok(motor)
    }

    /// What it does now.
    #[must_use]
    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// Puts both outputs off, whatever was told before; `now_ms` is uptime.
    ///
    /// # Errors
    /// A pin cannot be set; the other has been put off all the same.
    pub fn off(&mut self, now_ms: u64) -> Result<(), P::Error> {
        let result = self.both_low();
        if self.motion != Motion::Off {
            self.last = Some((self.motion, now_ms));
        }
        self.motion = Motion::Off;
        result
    }

    /// Makes it run as told, if it may; `now_ms` is uptime.
    ///
    /// # Errors
    /// A pin cannot be set; no output is put on then.
    pub fn tell(&mut self, now_ms: u64, motion: Motion) -> Result<Told, P::Error> {
        if motion == self.motion {
            return Ok(Told::Done);
        }
        self.off(now_ms)?;
        if motion == Motion::Off {
            return Ok(Told::Done);
        }
        if let Some((last, since_ms)) = self.last.filter(|(last, _)| *last != motion) {
            let free_ms = since_ms.saturating_add(DEAD_MS);
            if last != Motion::Off && now_ms < free_ms {
                return Ok(Told::NotBefore(free_ms));
            }
        }
        match motion {
            Motion::Forward => self.forward.set_high()?,
            Motion::Reverse => self.reverse.set_high()?,
            Motion::Off => {}
        }
        self.motion = motion;
        Ok(Told::Done)
    }

    fn both_low(&mut self) -> Result<(), P::Error> {
        let forward = self.forward.set_low();
        let reverse = self.reverse.set_low();
        forward.and(reverse)
    }
}
