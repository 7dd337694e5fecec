//! Bytes as they come, told apart into frames of the link and of Modbus RTU.
//!
//! ```text
//!   silence, then 00 …          a frame of the link: everything up to the next zero
//!   silence, then anything else a frame of Modbus: everything up to the next silence
//! ```
//! The first byte of a Modbus request is an address from 1 to 247; 0 addresses everybody, and such requests are not
//! answered by anybody, so nothing is lost by leaving them out. Silence is 3.5 characters, as Modbus has it. Within a
//! frame of the link a sender may pause, as adapters do, but not for [`HALF_FRAME_US`]; what came until then is dropped.
//!
//! What comes while a whole frame waits to be answered is dropped: a sender waits for its answer. Only frames of the link
//! that are undamaged wait, and a frame of Modbus that the next byte finds waiting is stale: whoever sent it has given up.

use heapless::Vec;

use super::frame::{self, MAX_FRAME};

/// A frame of the link that stands still for so long is given up.
pub const HALF_FRAME_US: u64 = 500_000;
/// The longest frame of Modbus RTU (Modbus over Serial Line, 2.5.1).
const MAX_MODBUS: usize = 256;
/// The silence between frames at more than 19 200 baud (Modbus over Serial Line, 2.5.1.1).
const FAST_SILENCE_US: u64 = 1_750;

/// What a frame is one of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The link.
    Link,
    /// Modbus RTU.
    Modbus,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// The line is silent.
    Silent,
    /// Inside a frame of the link.
    Link,
    /// Inside a frame of Modbus.
    Modbus,
    /// Inside something that is of no use.
    Lost,
}

/// The receiving side of a serial line.
#[derive(Debug)]
pub struct Port {
    state: State,
    bytes: Vec<u8, MAX_FRAME>,
    /// More came than a frame can have.
    too_long: bool,
    last_us: u64,
    silence_us: u64,
    whole: Option<Kind>,
}

/// 3.5 characters of 11 bits, and never less than 1.75 ms.
#[must_use]
pub fn silence_us(baud: u32) -> u64 {
    38_500_000u64.div_ceil(u64::from(baud.max(1))).max(FAST_SILENCE_US)
}

impl Port {
    /// A line with so many bits a second.
    #[must_use]
    pub fn new(baud: u32) -> Self {
        Self {
            state: State::Silent,
            bytes: Vec::new(),
            too_long: false,
            last_us: 0,
            silence_us: silence_us(baud),
            whole: None,
        }
    }

    /// The line has another speed from now on.
    pub fn set_baud(&mut self, baud: u32) {
        self.silence_us = silence_us(baud);
    }

    /// A byte came. Whether a whole frame waits now.
    pub fn receive(&mut self, byte: u8, at_us: u64) -> bool {
        if self.whole.is_some() {
            self.last_us = at_us;
            return true;
        }
        self.wait(at_us);
        self.whole = None;
        self.last_us = at_us;
        match (self.state, byte) {
            (State::Silent, 0) => self.begin(State::Link),
            (State::Silent, _) => {
                self.begin(State::Modbus);
                let _ = self.bytes.push(byte);
            }
            (State::Link, 0) => {
                let content = if self.too_long { None } else { frame::unpack(&mut self.bytes) };
                match content {
                    Some(length) => {
                        self.bytes.truncate(length);
                        self.whole = Some(Kind::Link);
                    }
                    None => self.begin(State::Link),
                }
            }
            (State::Link, _) => self.too_long |= self.bytes.push(byte).is_err(),
            (State::Modbus, _) if self.bytes.len() >= MAX_MODBUS => self.begin(State::Lost),
            (State::Modbus, _) => {
                let _ = self.bytes.push(byte);
            }
            (State::Lost, _) => {}
        }
        self.whole.is_some()
    }

    /// Nothing came until now. Whether a whole frame waits now.
    pub fn wait(&mut self, now_us: u64) -> bool {
        let silent_us = now_us.saturating_sub(self.last_us);
        if self.whole.is_some() {
            return true;
        }
        match self.state {
            State::Modbus if silent_us >= self.silence_us => {
                self.state = State::Silent;
                self.whole = (self.bytes.len() >= 4).then_some(Kind::Modbus);
            }
            State::Link if self.bytes.is_empty() && !self.too_long && silent_us >= self.silence_us => {
                self.state = State::Silent;
            }
            State::Link if silent_us >= HALF_FRAME_US => self.state = State::Silent,
            State::Lost if silent_us >= self.silence_us => self.state = State::Silent,
            _ => {}
        }
        self.whole.is_some()
    }

    /// Takes the whole frame that waits: of the link what [`frame::unpack`] left of it.
    pub fn take(&mut self) -> Option<(Kind, Vec<u8, MAX_FRAME>)> {
        let kind = self.whole.take()?;
        let bytes = core::mem::take(&mut self.bytes);
        // After a frame of the link the zero that ended it may begin the next one.
        self.begin(if kind == Kind::Link { State::Link } else { State::Silent });
        Some((kind, bytes))
    }

    fn begin(&mut self, state: State) {
        self.state = state;
        self.bytes.clear();
        self.too_long = false;
    }
}
