//! A valve of the plant: where it truly stands, and what its switches say about it.
#![allow(
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects,
    clippy::as_conversions,
    clippy::unwrap_used,
    clippy::panic
)]

use bedkeeper::drive::{Motion, Pilots, Switches};
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
    /// A cam with home and index marks, 100 thousandths of a place apart.
    Index,
    /// Run times from the first stop.
    Timed(Vec<u64>),
    /// Patterns of pilots, and whether a contact tells.
    Pilots(Vec<u8>, bool),
}

/// How long a valve takes to follow its pilots.
const FOLLOWS_MS: u64 = 8_000;

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
    /// The pilots as they are told, those that the valve follows, and when it has followed them.
    asked: u8,
    acts: u8,
    follows_until: u64,
}

impl Valve {
    pub fn new(drive: &RawDrive, at: Position) -> Self {
        let (kind, positions) = match drive {
            RawDrive::CamSwitch { positions, feedback, .. } => (Kind::Cam(*feedback), positions.to_vec()),
            RawDrive::Timed { positions, .. } => (
                Kind::Timed(positions.iter().map(|(_, at)| u64::from(at.0)).collect()),
                positions.iter().map(|(p, _)| *p).collect(),
            ),
            RawDrive::CamIndex { positions, marks, .. } => {
                let spaced = positions.iter().zip(0u8..).all(|((_, mark), i)| *mark == 10 * i);
                assert!(spaced && usize::from(*marks) == 10 * positions.len(), "ten marks to a place");
                (Kind::Index, positions.iter().map(|(p, _)| *p).collect())
            }
            RawDrive::PilotArray { positions, contact, .. } => (
                Kind::Pilots(positions.iter().map(|(_, pattern)| *pattern).collect(), *contact),
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
            asked: 0,
            acts: 0,
            follows_until: 0,
        };
        valve.put(at);
        valve
    }

    /// Power comes back at 0 ms of a new clock.
    pub fn power_up(&mut self) {
        self.motion = Motion::Off;
        self.told = None;
        self.last = 0;
        // Without power no pilot acts.
        self.asked = 0;
        self.acts = 0;
        self.follows_until = FOLLOWS_MS;
    }

    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// No motor can move it from where it stands.
    pub fn is_jammed(&self) -> bool {
        self.trouble.stuck || self.quirks.sticks_at_milli == Some(self.at_milli)
    }

    pub fn is_turning(&self) -> bool {
        let comes_free = self.acts != self.asked && !self.trouble.stuck;
        self.motion != Motion::Off || self.last < self.follows_until || comes_free
    }

    /// What the pilots are told from now on.
    pub fn pilot(&mut self, pilots: Pilots) {
        self.asked = pilots.0;
        self.follow();
    }

    /// A valve that was stuck follows its pilots as soon as it comes free.
    fn follow(&mut self) {
        if self.acts != self.asked && !self.trouble.stuck {
            self.acts = self.asked;
            self.follows_until = self.last + FOLLOWS_MS;
        }
    }

    /// From now on it turns on so far when its motor stops; past a mark it would count, which is not told
    /// here, so an index cam turns on no farther than to the next.
    pub fn coast(&mut self, milli: u64) {
        self.quirks.coast_milli = if matches!(self.kind, Kind::Index) { milli / 2 } else { milli };
    }

    /// What the motor is told from now on.
    pub fn drive(&mut self, motion: Motion) {
        let cam = matches!(self.kind, Kind::Cam(_) | Kind::Index);
        if cam && motion == Motion::Off && self.motion != Motion::Off && !self.trouble.stuck {
            let coast = self.quirks.coast_milli;
            self.turn(coast, self.motion);
        }
        self.motion = motion;
    }

    pub fn advance(&mut self, now: u64) {
        let dt = now - self.last;
        self.last = now;
        self.follow();
        if self.trouble.stuck || self.motion == Motion::Off {
            return;
        }
        let moved = match self.kind {
            Kind::Cam(_) | Kind::Index => {
                let sum = self.part + dt * 1_000;
                self.part = sum % self.leg_ms;
                sum / self.leg_ms
            }
            Kind::Timed(_) => dt,
            Kind::Pilots(..) => 0,
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
            Kind::Index => {
                // As far as it may coast and its count be wrong: four marks of ten.
                let place = (self.at_milli + 400) / 1_000 % self.positions.len() as u64;
                ((self.at_milli + 400) % 1_000 <= 800).then_some(place as usize)
            }
            Kind::Pilots(patterns, _) => {
                let place = patterns.iter().position(|pattern| *pattern == self.acts);
                place.filter(|_| self.last >= self.follows_until)
            }
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
            // Its contact tells of what the pilots say, not of a position in which it stays against them.
            (Kind::Pilots(_, contact), place) => u8::from(*contact && place.is_some() && self.acts == self.asked),
            (Kind::Index, _) => {
                let round = self.positions.len() as u64 * 1_000;
                let home = (self.at_milli + 40) % round <= 80;
                u8::from(home) | u8::from((self.at_milli + 25) % 100 <= 50) << 1
            }
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
            Kind::Cam(_) | Kind::Index | Kind::Pilots(..) => place as u64 * 1_000,
            Kind::Timed(offsets) => offsets[place],
        };
        if let Kind::Pilots(patterns, _) = &self.kind {
            self.acts = patterns[place];
            self.asked = self.acts;
            self.follows_until = self.last;
        }
    }

    /// Puts it halfway between this position and the next.
    pub fn put_after(&mut self, position: Position) {
        self.put(position);
        self.at_milli += 500;
    }
}
