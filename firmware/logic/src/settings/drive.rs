//! The machines that move valves, as a person or a file describes them (V1).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::MAX_DRIVE_POSITIONS;
use crate::program::{Position, PositionSet};
use crate::units::Millis;

/// The switches of a `cam-switch` drive (V1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum CamFeedback {
    /// Switch i is closed in position i and nowhere else.
    SwitchPerPosition,
    /// Switch 0 is closed in the first position only, switch 1 in every position.
    HomeAndStop,
}

/// A motor ball valve with a switch at each end (V1 `two-position`), whatever its two ends mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawTwoPosition {
    /// The longest the motor may run at one go (1 s to 30 min).
    pub travel_limit: Millis,
    /// Rest before a retry or a reversal (100 ms to 10 min).
    pub rest: Millis,
    /// Tries after the first before the drive is lost \[2\] (at most 10).
    pub retries: u8,
}

/// The machine that moves a tank's valve.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum RawDrive {
    /// A motor turns a cam; switches tell the position.
    CamSwitch {
        /// Positions in the order they are passed going forward; the first is home.
        positions: Vec<Position, MAX_DRIVE_POSITIONS>,
        /// Which switches there are.
        feedback: CamFeedback,
        /// Whether the motor can run both ways.
        reversible: bool,
        /// The longest the motor may run at one go.
        travel_limit: Millis,
        /// Rest before a retry or a reversal.
        rest: Millis,
        /// How long the cam may coast after the motor stops.
        coast: Millis,
        /// Tries after the first before the drive is lost \[2\].
        retries: u8,
    },
    /// A motor turns a cam; a home switch (0) marks its first position, and an index switch (1) closes at
    /// marks that are counted from there.
    CamIndex {
        /// Positions with their mark, counted going forward from home, ascending; the first is home, 0.
        positions: Vec<(Position, u8), MAX_DRIVE_POSITIONS>,
        /// Marks in a whole turn.
        marks: u8,
        /// By how many marks the count may be wrong when home comes, and is set right \[1\]. More contradicts
        /// the home mark, and the cam is homed again. Fewer are not noticed before home comes.
        slip_marks: u8,
        /// How many marks off its own the cam may come to rest and still be in position \[1\].
        coast_marks: u8,
        /// Whether the motor can run both ways.
        reversible: bool,
        /// The longest the motor may run at one go.
        travel_limit: Millis,
        /// Rest before a retry or a reversal.
        rest: Millis,
        /// How long the cam may coast after the motor stops.
        coast: Millis,
        /// Tries after the first before the drive is lost \[2\].
        retries: u8,
    },
    /// A motor ball valve with a switch at each end.
    TwoPosition {
        /// What its ends mean: switch 0 is closed at the first, where the motor comes going back.
        positions: [Position; 2],
        /// The valve.
        valve: RawTwoPosition,
    },
    /// A motor between two mechanical stops, with no feedback; position is run time.
    Timed {
        /// Positions with the run time from the first stop, ascending; the first is 0.
        positions: Vec<(Position, Millis), MAX_DRIVE_POSITIONS>,
        /// Run time added at the stops, and before a position counts as confirmed (S3).
        margin: Millis,
        /// Rest before a reversal.
        rest: Millis,
    },
    /// Up to eight pilots; which of them act makes the position.
    PilotArray {
        /// Positions with their pattern: bit i = pilot i acts.
        positions: Vec<(Position, u8), MAX_DRIVE_POSITIONS>,
        /// Whether there is a contact (switch 0) that is closed while the valve stands as its pilots say.
        contact: bool,
        /// How long the valve takes to follow its pilots.
        settle: Millis,
        /// Without a contact: added before a position counts as confirmed (S3).
        margin: Millis,
        /// With a contact: the longest to wait until it closes.
        travel_limit: Millis,
        /// Every pilot rests so long between two patterns: break before make. 0 = one pattern replaces the other.
        rest: Millis,
        /// Tries after the first before the drive is lost, with a contact \[2\].
        retries: u8,
    },
}

impl RawDrive {
    /// The longest it may take over one move: the motor's limit (S7), or the pilots' times.
    #[must_use]
    pub fn travel_limit(&self) -> Millis {
        match self {
            Self::CamSwitch { travel_limit, .. } | Self::CamIndex { travel_limit, .. } => *travel_limit,
            Self::TwoPosition { valve, .. } => valve.travel_limit,
            Self::Timed { positions, margin, .. } => positions.last().map_or(Millis::ZERO, |(_, at)| at.plus(*margin)),
            Self::PilotArray { contact: true, travel_limit, rest, .. } => travel_limit.plus(*rest),
            Self::PilotArray { settle, margin, rest, .. } => settle.plus(*margin).plus(*rest),
        }
    }

    /// Rest before a retry, a reversal or, of pilots, another pattern.
    #[must_use]
    pub fn rest(&self) -> Millis {
        match self {
            Self::CamSwitch { rest, .. }
            | Self::CamIndex { rest, .. }
            | Self::Timed { rest, .. }
            | Self::PilotArray { rest, .. } => *rest,
            Self::TwoPosition { valve, .. } => valve.rest,
        }
    }

    /// The position at a place in the order of travel.
    #[must_use]
    pub fn position(&self, place: u8) -> Option<Position> {
        let place = usize::from(place);
        match self {
            Self::CamSwitch { positions, .. } => positions.get(place).copied(),
            Self::CamIndex { positions, .. } | Self::PilotArray { positions, .. } => {
                positions.get(place).map(|(p, _)| *p)
            }
            Self::TwoPosition { positions, .. } => positions.get(place).copied(),
            Self::Timed { positions, .. } => positions.get(place).map(|(p, _)| *p),
        }
    }

    /// Place of a position in the order of travel.
    #[must_use]
    pub fn place(&self, position: Position) -> Option<u8> {
        (0u8..).zip(self.positions()).find(|(_, p)| *p == position).map(|(place, _)| place)
    }

    /// Its positions in the order of travel.
    pub fn positions(&self) -> impl Iterator<Item = Position> + '_ {
        (0u8..).map_while(|place| self.position(place))
    }

    /// How many positions it has.
    #[must_use]
    pub fn position_count(&self) -> usize {
        self.positions().count()
    }

    /// The set of its positions.
    #[must_use]
    pub fn position_set(&self) -> PositionSet {
        let mut set = PositionSet::EMPTY;
        for position in self.positions() {
            set.insert(position);
        }
        set
    }
}
