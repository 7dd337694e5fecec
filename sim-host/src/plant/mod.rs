//! The simple plant: valves that take their time, switches that tell where they are, and faults of both.
//!
//! Integers throughout, so that a run is the same on every machine, and every valve names the instant of its next
//! switch change, so that a replay can jump there.

mod fault;
mod machine;
mod passage;
mod track;
mod valve;
#[cfg(test)]
mod valve_tests;

pub use fault::{Fault, FaultError, FaultRefused};
pub use machine::ValveMachine;
pub use passage::{Direction, OPEN, Opening, OpeningMilli, Passage};
pub use valve::Valve;

use bedkeeper::units::TankId;

/// One of a plant's valves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WhichValve {
    /// A tank's own.
    Tank(TankId),
    /// The changeover valve that two tanks share (A6).
    Shared,
}

impl From<TankId> for WhichValve {
    fn from(tank: TankId) -> Self {
        Self::Tank(tank)
    }
}

/// The valves of a plant, in the order of its tanks.
#[derive(Debug, Clone)]
pub struct Plant {
    valves: Vec<Valve>,
    shared: Option<Valve>,
}

impl Plant {
    /// A plant with these valves.
    #[must_use]
    pub fn new(valves: Vec<Valve>) -> Self {
        Self { valves, shared: None }
    }

    /// The same with a changeover valve that two tanks share; at its first position tank 1's water passes.
    #[must_use]
    pub fn with_shared(self, shared: Option<Valve>) -> Self {
        Self { shared, ..self }
    }

    /// The shared changeover valve, if there is one.
    #[must_use]
    pub fn shared(&self) -> Option<&Valve> {
        self.shared.as_ref()
    }

    /// The same, to be told something.
    pub fn shared_mut(&mut self) -> Option<&mut Valve> {
        self.shared.as_mut()
    }

    /// The valves, in the order of the tanks.
    #[must_use]
    pub fn valves(&self) -> &[Valve] {
        &self.valves
    }

    /// The same, to be told something.
    pub fn valves_mut(&mut self) -> &mut [Valve] {
        &mut self.valves
    }

    /// Lets time pass; stop at every [`Plant::next_change_ms`] on the way.
    pub fn advance(&mut self, to_ms: u64) {
        for valve in self.valves.iter_mut().chain(&mut self.shared) {
            valve.advance(to_ms);
        }
    }

    /// When some valve next changes by itself, or has switches that nobody was told of.
    #[must_use]
    pub fn next_change_ms(&self) -> Option<u64> {
        self.valves.iter().chain(&self.shared).filter_map(Valve::next_change_ms).min()
    }

    /// Power is cut, as of the time the valves have been advanced to; they stay where they stand.
    pub fn lose_power(&mut self) {
        for valve in self.valves.iter_mut().chain(&mut self.shared) {
            valve.lose_power();
        }
    }

    /// Arms a fault on a valve, as of the time it has been advanced to. Armed twice is armed once.
    ///
    /// # Errors
    /// No such valve, or a fault that its kind cannot have.
    pub fn arm(&mut self, valve: impl Into<WhichValve>, fault: Fault) -> Result<(), FaultRefused> {
        self.valve_mut(valve.into())?.arm(fault)
    }

    /// Takes a fault away; says whether it was armed.
    ///
    /// # Errors
    /// No such valve.
    pub fn disarm(&mut self, valve: impl Into<WhichValve>, fault: Fault) -> Result<bool, FaultRefused> {
        Ok(self.valve_mut(valve.into())?.disarm(fault))
    }

    fn valve_mut(&mut self, which: WhichValve) -> Result<&mut Valve, FaultRefused> {
        let tank = match which {
            WhichValve::Tank(tank) => tank,
            WhichValve::Shared => return self.shared.as_mut().ok_or(FaultRefused::NoSharedValve),
        };
        let tanks = self.valves.len();
        let number = tank.0.saturating_add(1);
        self.valves.get_mut(tank.index()).ok_or(FaultRefused::NoSuchTank { tank: number, tanks })
    }
}
