//! The simple plant: valves that take their time and switches that tell where they are.
//!
//! Whole milliseconds throughout, so that a run is the same on every machine, and every valve names the
//! instant of its next switch change, so that a replay can jump there.

mod valve;

pub use valve::{Valve, ValveMachine};
