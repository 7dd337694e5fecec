//! Runs of the logic that need no host: the same on an emulated Cortex-M machine and on a computer.
//!
//! [`runs::all`] takes two alternating tanks through an ordinary day and through a rough one. Every
//! call of the controller goes through a [`Probe`], which on the emulated machine counts
//! instructions and stack. The digest over everything that was journalled and put out must be the
//! same wherever it runs. The site is invented.
#![no_std]

pub mod plant;
pub mod runs;
pub mod sites;
pub mod tally;

use bedkeeper::units::Instant;
use bedkeeper::{Controller, Input, Refused};

/// What one call cost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cost {
    /// Instructions executed.
    pub instructions: u32,
    /// Bytes of stack used below the caller.
    pub stack: u32,
}

/// Makes a call of the controller and says what it cost.
pub trait Probe {
    /// Hands `input` to the controller at `now`.
    fn call(&mut self, to: &mut Controller<2>, now: Instant, input: Input) -> (Result<(), Refused>, Cost);
}

/// Makes the call and measures nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Unmeasured;

impl Probe for Unmeasured {
    fn call(&mut self, to: &mut Controller<2>, now: Instant, input: Input) -> (Result<(), Refused>, Cost) {
        (to.handle(now, input), Cost::default())
    }
}
