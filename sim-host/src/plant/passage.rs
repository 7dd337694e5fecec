//! What passes a tank's valve where it stands: to the building, to drain, through the bed, from the brine tank.

use bedkeeper::program::Position;

/// How far a port is open, in thousandths.
pub type OpeningMilli = u16;

/// Fully open.
pub const OPEN: OpeningMilli = 1_000;

/// Which way water passes the bed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Direction {
    /// From the top down, as in service.
    Down,
    /// From the bottom up.
    Up,
}

/// What passes in one position (common practice of co-current valves; a counter-current one draws and rinses upward).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Passage {
    /// Water passes the bed to the building.
    pub serves: bool,
    /// Water passes the bed to drain, this way.
    pub to_drain: Option<Direction>,
    /// The eductor draws brine from the brine tank into that water.
    pub draws_brine: bool,
    /// Water passes to the brine tank.
    pub refills: bool,
}

impl Passage {
    /// What passes when the valve stands fully in a position.
    #[must_use]
    pub const fn of(position: Position, brine_runs: Direction) -> Self {
        let closed = Self { serves: false, to_drain: None, draws_brine: false, refills: false };
        match position {
            Position::Service => Self { serves: true, ..closed },
            Position::Standby => closed,
            Position::Backwash => Self { to_drain: Some(Direction::Up), ..closed },
            Position::BrineDraw => Self { to_drain: Some(brine_runs), draws_brine: true, ..closed },
            Position::SlowRinse => Self { to_drain: Some(brine_runs), ..closed },
            Position::FastRinse => Self { to_drain: Some(Direction::Down), ..closed },
            Position::BrineRefill => Self { refills: true, ..closed },
        }
    }
}

/// How far a valve is open the way of each position it touches.
///
/// The simulated valve closes the ports of the position it leaves until halfway, where all are shut, and opens those
/// of the next one from there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Opening {
    /// The position nearest to where it stands.
    pub position: Position,
    /// How far its ports are open: [`OPEN`] within the position, 0 halfway to the next.
    pub milli: OpeningMilli,
}
