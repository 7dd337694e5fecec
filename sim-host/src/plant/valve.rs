//! One valve: a motor that turns a cam past its switches, or pushes against two stops unseen.

use bedkeeper::drive::{Motion, Switches};
use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawDrive};

/// How a valve is built.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ValveMachine {
    /// A cam that goes round past its positions, evenly spaced.
    Cam {
        /// Positions in the order of travel.
        positions: Vec<Position>,
        /// Which switches there are.
        feedback: CamFeedback,
        /// Time from one position to the next, ms.
        leg_ms: u64,
        /// How long it turns on after the motor stops, ms.
        coast_ms: u64,
    },
    /// A valve between two stops; positions lie at run times from the first stop.
    Stops {
        /// Positions with their run time in ms, ascending from 0.
        positions: Vec<(Position, u64)>,
    },
}

impl ValveMachine {
    /// The machine that the settings of a drive describe, with the plant's own times.
    #[must_use]
    pub fn of(drive: &RawDrive, leg_ms: u64, coast_ms: u64) -> Self {
        match drive {
            RawDrive::CamSwitch { positions, feedback, .. } => {
                Self::Cam { positions: positions.to_vec(), feedback: *feedback, leg_ms: leg_ms.max(100), coast_ms }
            }
            RawDrive::Timed { positions, .. } => {
                Self::Stops { positions: positions.iter().map(|(p, at)| (*p, u64::from(at.0))).collect() }
            }
        }
    }
}

/// A valve with its place and motion.
#[derive(Clone, Debug)]
pub struct Valve {
    machine: ValveMachine,
    /// Place in ms of travel from the first position.
    place_ms: u64,
    motion: Motion,
    /// The motor is off, and the cam turns on until then.
    coasts: Option<(Motion, u64)>,
    at_ms: u64,
}

impl Valve {
    /// A valve that stands in a position; in its first one if it has no such position.
    #[must_use]
    pub fn standing_in(machine: ValveMachine, position: Position) -> Self {
        let place_ms = match &machine {
            ValveMachine::Cam { positions, leg_ms, .. } => {
                positions.iter().position(|p| *p == position).map_or(0, |i| i as u64 * leg_ms)
            }
            ValveMachine::Stops { positions } => {
                positions.iter().find(|(p, _)| *p == position).map_or(0, |(_, at)| *at)
            }
        };
        Self { machine, place_ms, motion: Motion::Off, coasts: None, at_ms: 0 }
    }

    /// What the motor is told now.
    #[must_use]
    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// Tells the motor.
    pub fn command(&mut self, motion: Motion) {
        if motion == self.motion {
            return;
        }
        self.coasts = match (&self.machine, motion) {
            (ValveMachine::Cam { coast_ms, .. }, Motion::Off) if *coast_ms > 0 => {
                Some((self.motion, self.at_ms + coast_ms))
            }
            _ => None,
        };
        self.motion = motion;
    }

    /// Where it stands, if within reach of a position: a tenth of a leg for a cam, exactly between stops.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        match &self.machine {
            ValveMachine::Cam { positions, .. } => self.cam_place().map(|i| positions[i]),
            ValveMachine::Stops { positions } => positions.iter().find(|(_, at)| *at == self.place_ms).map(|(p, _)| *p),
        }
    }

    /// What its switches show.
    #[must_use]
    pub fn switches(&self) -> Switches {
        let ValveMachine::Cam { feedback, .. } = &self.machine else { return Switches(0) };
        Switches(match (self.cam_place(), feedback) {
            (None, _) => 0,
            (Some(i), CamFeedback::SwitchPerPosition) => 1 << i,
            (Some(0), CamFeedback::HomeAndStop) => 0b11,
            (Some(_), CamFeedback::HomeAndStop) => 0b10,
        })
    }

    fn cam_place(&self) -> Option<usize> {
        let ValveMachine::Cam { positions, leg_ms, .. } = &self.machine else { return None };
        let reach = leg_ms / 10;
        let shifted = (self.place_ms + reach) % (positions.len() as u64 * leg_ms);
        (shifted % leg_ms <= 2 * reach).then_some((shifted / leg_ms) as usize)
    }

    /// The way it turns now, driven or coasting.
    fn turning(&self) -> Motion {
        match (self.motion, self.coasts) {
            (Motion::Off, Some((motion, until))) if self.at_ms < until => motion,
            (motion, _) => motion,
        }
    }

    /// Lets it turn until a time. Call at every [`Valve::next_change_ms`] on the way.
    pub fn advance(&mut self, to_ms: u64) {
        let mut dt = to_ms.saturating_sub(self.at_ms);
        let turning = self.turning();
        if let (Motion::Off, Some((_, until))) = (self.motion, self.coasts) {
            dt = dt.min(until.saturating_sub(self.at_ms));
        }
        self.at_ms = self.at_ms.max(to_ms);
        let end = self.end_ms();
        self.place_ms = match (&self.machine, turning) {
            (_, Motion::Off) => self.place_ms,
            (ValveMachine::Cam { .. }, Motion::Forward) => (self.place_ms + dt) % end,
            (ValveMachine::Cam { .. }, Motion::Reverse) => (self.place_ms + end - dt % end) % end,
            (ValveMachine::Stops { .. }, Motion::Forward) => (self.place_ms + dt).min(end),
            (ValveMachine::Stops { .. }, Motion::Reverse) => self.place_ms.saturating_sub(dt),
        };
    }

    /// Travel of a whole turn, or from stop to stop.
    fn end_ms(&self) -> u64 {
        match &self.machine {
            ValveMachine::Cam { positions, leg_ms, .. } => positions.len() as u64 * leg_ms,
            ValveMachine::Stops { positions } => positions.last().map_or(0, |(_, at)| *at),
        }
    }

    /// When its switches next change or it comes to rest, if it turns.
    #[must_use]
    pub fn next_change_ms(&self) -> Option<u64> {
        let turning = self.turning();
        let ValveMachine::Cam { leg_ms, .. } = &self.machine else { return None };
        if turning == Motion::Off {
            return None;
        }
        // A switch is closed within `reach` of a position: distances to its edges, in ms of travel.
        let reach = leg_ms / 10;
        let within = self.place_ms % leg_ms;
        let to_edge = if turning == Motion::Forward {
            if within <= reach {
                reach + 1 - within
            } else if within < leg_ms - reach {
                leg_ms - reach - within
            } else {
                leg_ms + reach + 1 - within
            }
        } else if within > leg_ms - reach {
            within - (leg_ms - reach) + 1
        } else if within > reach {
            within - reach
        } else {
            within + reach + 1
        };
        let change = self.at_ms + to_edge;
        match (self.motion, self.coasts) {
            (Motion::Off, Some((_, until))) => Some(change.min(until)),
            _ => Some(change),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cam(coast_ms: u64) -> Valve {
        let positions = vec![Position::Service, Position::Backwash, Position::FastRinse];
        let machine =
            ValveMachine::Cam { positions, feedback: CamFeedback::SwitchPerPosition, leg_ms: 1_000, coast_ms };
        Valve::standing_in(machine, Position::Service)
    }

    /// Stepping from change to change sees the same switches as stepping every millisecond.
    #[test]
    fn jumping_misses_no_edge() {
        for motion in [Motion::Forward, Motion::Reverse] {
            let (mut jumps, mut steps) = (cam(0), cam(0));
            jumps.command(motion);
            steps.command(motion);
            let mut shown = jumps.switches();
            for _ in 0..40 {
                let next = jumps.next_change_ms().unwrap();
                for ms in steps.at_ms + 1..next {
                    steps.advance(ms);
                    assert_eq!(steps.switches(), shown, "{motion:?} {ms}");
                }
                steps.advance(next);
                jumps.advance(next);
                assert_eq!(steps.place_ms, jumps.place_ms);
                assert_ne!(jumps.switches(), shown, "{motion:?} {next}");
                shown = jumps.switches();
            }
        }
    }

    #[test]
    fn a_cam_coasts_on_and_then_rests() {
        let mut valve = cam(50);
        valve.command(Motion::Forward);
        valve.advance(900);
        assert_eq!(valve.position(), Some(Position::Backwash));
        valve.command(Motion::Off);
        valve.advance(5_000);
        assert_eq!(valve.place_ms, 950);
        assert_eq!(valve.next_change_ms(), None);
    }

    #[test]
    fn stops_hold() {
        let machine = ValveMachine::Stops { positions: vec![(Position::Service, 0), (Position::Standby, 8_000)] };
        let mut valve = Valve::standing_in(machine, Position::Service);
        valve.command(Motion::Forward);
        valve.advance(3_000);
        assert_eq!(valve.position(), None);
        valve.advance(20_000);
        assert_eq!(valve.position(), Some(Position::Standby));
        valve.command(Motion::Reverse);
        valve.advance(29_000);
        assert_eq!(valve.position(), Some(Position::Service));
    }
}
