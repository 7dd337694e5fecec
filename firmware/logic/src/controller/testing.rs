//! Outputs tried by hand, with the drive's guard in force and a time-out (O6).

use serde::{Deserialize, Serialize};

use super::Controller;
use super::deadlines::Earliest;
use crate::duty::{Duty, OutReason};
use crate::journal::Event;
use crate::operator::Refused;
use crate::program::Position;
use crate::units::{Instant, Millis, TankId, later};

/// A valve that is tried goes back by itself after so long.
const LONGEST: Millis = Millis::from_mins(5);
/// One that fills the brine tank goes back sooner.
const LONGEST_REFILL: Millis = Millis::from_mins(1);

/// A valve that is being tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct DriveTest {
    tank: TankId,
    position: Position,
    until: Instant,
}

impl<const N: usize> Controller<N> {
    /// Sends the valve of a tank that is out to a position, for a while.
    ///
    /// Service and brine draw are not tried: in the one the building's water would pass, the other belongs to a
    /// regeneration with its rinses (S12).
    pub(super) fn test_drive(&mut self, now: Instant, tank: TankId, position: Position) -> Result<(), Refused> {
        let unit = self.tanks.get(tank.index()).ok_or(Refused::NoSuchTank)?;
        match unit.duty {
            Duty::Out { reason: OutReason::Operator } => {}
            _ => return Err(Refused::NotOut),
        }
        if !self.settings.positions().contains(position) {
            return Err(Refused::NoSuchPosition);
        }
        if matches!(position, Position::Service | Position::BrineDraw) {
            return Err(Refused::NotTried);
        }
        let drain_taken = position.discharges() && self.is_drain_full(Some(tank));
        let brine_taken = position.uses_brine_tank() && self.is_brine_taken(Some(tank));
        let another = self.test.is_some_and(|test| test.tank != tank);
        if drain_taken || brine_taken || another {
            return Err(Refused::InUse);
        }
        let longest = if position.uses_brine_tank() { LONGEST_REFILL } else { LONGEST };
        self.test = Some(DriveTest { tank, position, until: later(now, longest) });
        Ok(())
    }

    /// Ends what is being tried.
    pub(super) fn end_test(&mut self) -> Result<(), Refused> {
        self.test.take().map(|_| ()).ok_or(Refused::NothingTried)
    }

    /// Where a tank that is out should stand: tried or at rest.
    pub(super) fn tried_position(&self, id: TankId) -> Option<Position> {
        self.test.filter(|test| test.tank == id).map(|test| test.position)
    }

    /// A test ends by itself, and with the tank's being out.
    pub(super) fn poll_test(&mut self, now: Instant) {
        let Some(test) = self.test else { return };
        let out = self
            .tanks
            .get(test.tank.index())
            .is_some_and(|t| matches!(t.duty, Duty::Out { reason: OutReason::Operator }));
        if test.until <= now || !out {
            self.test = None;
            self.write(Event::TestEnded { tank: test.tank });
        }
    }

    pub(super) fn test_deadline(&self, next: &mut Earliest) {
        next.consider(self.test.map(|test| test.until));
    }
}
