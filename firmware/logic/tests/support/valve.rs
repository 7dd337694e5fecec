//! A valve of the plant: where it truly stands, and what its switches say about it.
#![allow(
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects,
    clippy::as_conversions,
    clippy::unwrap_used,
    clippy::panic
)]

use bedkeeper::drive::{Motion, Switches};
use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawDrive};

/// How a valve of the plant misbehaves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Trouble {
    /// The motor does not turn.
    pub stuck: bool,
}

/// Further ways to misbehave.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Quirks {
    /// The cam cannot turn past this place, in thousandths.
    pub sticks_at_milli: Option<u64>,
    /// Thousandths of a place that a cam turns on after the motor stops.
    pub coast_milli: u64,
    /// Switches that are always closed.
    pub stuck_closed: u8,
    /// Switches that never close.
    pub dead: u8,
    /// Every change of a switch chatters for some milliseconds.
    pub bounces: bool,
}

#[derive(Clone, Debug)]
enum Kind {
    Cam(CamFeedback),
    /// Run times from the first stop.
    Timed(Vec<u64>),
}

/// A valve: a cam that turns one place per `leg_ms`, or a timed one that nobody sees.
#[derive(Clone, Debug)]
pub struct Valve {
    kind: Kind,
    pub positions: Vec<Position>,
    /// Thousandths of a place, for a cam; milliseconds of run from the first stop, for a timed one.
    pub at_milli: u64,
    pub leg_ms: u64,
    pub trouble: Trouble,
    pub quirks: Quirks,
    /// The switches as last told to the controller.
    pub told: Option<Switches>,
    motion: Motion,
    last: u64,
    /// Turned so far within a thousandth of a place.
    part: u64,
}

impl Valve {
    pub fn new(drive: &RawDrive, at: Position) -> Self {
        let (kind, positions) = match drive {
            RawDrive::CamSwitch { positions, feedback, .. } => (Kind::Cam(*feedback), positions.to_vec()),
            RawDrive::Timed { positions, .. } => (
                Kind::Timed(positions.iter().map(|(_, at)| u64::from(at.0)).collect()),
                positions.iter().map(|(p, _)| *p).collect(),
            ),
            other => panic!("no such valve here: {other:?}"),
        };
        let mut valve = Self {
            kind,
            positions,
            at_milli: 0,
            leg_ms: 10_000,
            trouble: Trouble::default(),
            quirks: Quirks::default(),
            told: None,
            motion: Motion::Off,
            last: 0,
            part: 0,
        };
        valve.put(at);
        valve
    }

    /// Power comes back at 0 ms of a new clock.
    pub fn power_up(&mut self) {
        self.motion = Motion::Off;
        self.told = None;
        self.last = 0;
    }

    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// No motor can move it from where it stands.
    pub fn is_jammed(&self) -> bool {
        self.trouble.stuck || self.quirks.sticks_at_milli == Some(self.at_milli)
    }

    pub fn is_turning(&self) -> bool {
        self.motion != Motion::Off
    }

    /// What the motor is told from now on.
    pub fn drive(&mut self, motion: Motion) {
        let cam = matches!(self.kind, Kind::Cam(_));
        if cam && motion == Motion::Off && self.motion != Motion::Off && !self.trouble.stuck {
            let coast = self.quirks.coast_milli;
            self.turn(coast, self.motion);
        }
        self.motion = motion;
    }

    pub fn advance(&mut self, now: u64) {
        let dt = now - self.last;
        self.last = now;
        if self.trouble.stuck || self.motion == Motion::Off {
            return;
        }
        let moved = match self.kind {
            Kind::Cam(_) => {
                let sum = self.part + dt * 1_000;
                self.part = sum % self.leg_ms;
                sum / self.leg_ms
            }
            Kind::Timed(_) => dt,
        };
        self.turn(moved, self.motion);
    }

    fn turn(&mut self, by: u64, motion: Motion) {
        if let Kind::Timed(offsets) = &self.kind {
            let end = *offsets.last().unwrap();
            self.at_milli = match motion {
                Motion::Off => self.at_milli,
                Motion::Forward => (self.at_milli + by).min(end),
                Motion::Reverse => self.at_milli.saturating_sub(by),
            };
            return;
        }
        let round = self.positions.len() as u64 * 1_000;
        for _ in 0..by {
            if self.quirks.sticks_at_milli == Some(self.at_milli) {
                return;
            }
            self.at_milli = match motion {
                Motion::Off => return,
                Motion::Forward => (self.at_milli + 1) % round,
                Motion::Reverse => (self.at_milli + round - 1) % round,
            };
        }
    }

    fn place(&self) -> Option<usize> {
        match &self.kind {
            Kind::Cam(_) => {
                let place = (self.at_milli + 100) / 1_000 % self.positions.len() as u64;
                ((self.at_milli + 100) % 1_000 <= 200).then_some(place as usize)
            }
            Kind::Timed(offsets) => offsets.iter().position(|at| at.abs_diff(self.at_milli) <= 300),
        }
    }

    pub fn switches(&self) -> Switches {
        let closed = match (&self.kind, self.place()) {
            (Kind::Timed(_), _) => return Switches(0),
            (_, None) => 0,
            (Kind::Cam(CamFeedback::SwitchPerPosition), Some(place)) => 1 << place,
            (Kind::Cam(CamFeedback::HomeAndStop), Some(0)) => 3,
            (Kind::Cam(CamFeedback::HomeAndStop), Some(_)) => 2,
        };
        Switches((closed & !self.quirks.dead) | self.quirks.stuck_closed)
    }

    /// Where it truly stands.
    pub fn position(&self) -> Option<Position> {
        self.place().map(|place| self.positions[place])
    }

    /// Puts it there by hand.
    pub fn put(&mut self, position: Position) {
        let place = self.positions.iter().position(|p| *p == position).unwrap();
        self.at_milli = match &self.kind {
            Kind::Cam(_) => place as u64 * 1_000,
            Kind::Timed(offsets) => offsets[place],
        };
    }

    /// Puts it halfway between this position and the next.
    pub fn put_after(&mut self, position: Position) {
        self.put(position);
        self.at_milli += 500;
    }
}
