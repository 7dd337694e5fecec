//! Civil time: a hardware clock, or none (T1, T3).

use bedkeeper::calendar::Civil;

/// A clock that tells civil time.
pub trait WallClock {
    /// Civil time now; `None` if it is not set, has stopped, or does not answer.
    fn read(&mut self) -> Option<Civil>;

    /// Sets it; says whether it took.
    fn set(&mut self, civil: Civil) -> bool;
}

/// No clock: calendar rules rest, and how long power was off stays unknown.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoClock;

impl WallClock for NoClock {
    fn read(&mut self) -> Option<Civil> {
        None
    }

    fn set(&mut self, _civil: Civil) -> bool {
        false
    }
}
