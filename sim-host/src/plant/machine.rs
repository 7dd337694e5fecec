//! How a valve is built: its way, its motor or its pilots.

use bedkeeper::drive::Motion;
use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawDrive};

use super::track::{Track, Zone};

/// Microseconds in a millisecond.
pub(super) const US: u64 = 1_000;

/// How a valve is built.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ValveMachine {
    pub(super) gear: Gear,
}

/// What moves it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Gear {
    /// A motor along a way.
    Motor {
        track: Track,
        /// How long it turns on after the motor stops, ms.
        coast_ms: u64,
    },
    /// Pilots: each position has its pattern, and the valve follows a new one within a time.
    Pilots {
        positions: Vec<(Position, u8)>,
        follow_ms: u64,
        /// Whether a contact closes while it stands as it is told.
        contact: bool,
    },
}

impl ValveMachine {
    /// The machine that the settings of a drive describe, with the plant's own times: `leg_ms` from one position to
    /// the next, from end to end, or to follow pilots.
    #[must_use]
    pub fn of(drive: &RawDrive, leg_ms: u64, coast_ms: u64) -> Self {
        match drive {
            RawDrive::CamSwitch { positions, feedback, .. } => Self::cam(positions, *feedback, leg_ms, coast_ms),
            RawDrive::CamIndex { positions, marks, slip_marks, coast_marks, .. } => {
                Self::index(positions, *marks, slip_marks.saturating_add(*coast_marks), leg_ms, coast_ms)
            }
            RawDrive::TwoPosition { positions, .. } => Self::ends(*positions, leg_ms),
            RawDrive::Timed { positions, .. } => {
                Self::stops(&positions.iter().map(|(p, at)| (*p, u64::from(at.0))).collect::<Vec<_>>())
            }
            RawDrive::PilotArray { positions, contact, .. } => Self::pilots(positions, leg_ms, *contact),
        }
    }

    /// A cam with a home switch and an index switch that closes at every mark; a turn takes a leg for each position.
    /// A position reaches `within_marks` marks and a little to either side.
    #[must_use]
    pub fn index(positions: &[(Position, u8)], marks: u8, within_marks: u8, leg_ms: u64, coast_ms: u64) -> Self {
        let pitch_us = (positions.len() as u64 * leg_ms.max(100) * US / u64::from(marks.max(1))).max(10);
        let mut track = Track {
            length_us: pitch_us * u64::from(marks.max(1)),
            round: true,
            positions: positions.iter().map(|(p, mark)| (*p, u64::from(*mark) * pitch_us)).collect(),
            reach_us: u64::from(within_marks) * pitch_us + pitch_us * 2 / 5,
            switches: Vec::new(),
            marks: Some(1),
        };
        track.switches.push((0, track.zone(0, pitch_us * 2 / 5)));
        for mark in 0..u64::from(marks) {
            let zone = track.zone(mark * pitch_us, pitch_us / 4);
            track.switches.push((1, zone));
        }
        Self { gear: Gear::Motor { track, coast_ms } }
    }

    /// A ball valve between two ends, with a switch at each.
    #[must_use]
    pub fn ends(positions: [Position; 2], leg_ms: u64) -> Self {
        let length_us = leg_ms.max(100) * US;
        let reach_us = length_us / 20;
        let [first, second] = positions;
        let track = Track {
            length_us,
            round: false,
            positions: vec![(first, 0), (second, length_us)],
            reach_us,
            switches: vec![
                (0, Zone { from_us: 0, to_us: reach_us }),
                (1, Zone { from_us: length_us - reach_us, to_us: length_us }),
            ],
            marks: None,
        };
        Self { gear: Gear::Motor { track, coast_ms: 0 } }
    }

    /// A valve that follows pilots.
    #[must_use]
    pub fn pilots(positions: &[(Position, u8)], follow_ms: u64, contact: bool) -> Self {
        Self { gear: Gear::Pilots { positions: positions.to_vec(), follow_ms, contact } }
    }

    /// A cam that goes round past its positions, evenly spaced, each a tenth of a leg wide to either side.
    #[must_use]
    pub fn cam(positions: &[Position], feedback: CamFeedback, leg_ms: u64, coast_ms: u64) -> Self {
        let leg_us = leg_ms.max(100) * US;
        let reach_us = leg_us / 10;
        let mut track = Track {
            length_us: positions.len() as u64 * leg_us,
            round: true,
            positions: positions.iter().zip(0u64..).map(|(p, i)| (*p, i * leg_us)).collect(),
            reach_us,
            switches: Vec::new(),
            marks: (feedback == CamFeedback::HomeAndStop).then_some(1),
        };
        for (i, (_, middle)) in (0u8..).zip(track.positions.clone()) {
            let zone = track.zone(middle, reach_us);
            match feedback {
                CamFeedback::SwitchPerPosition => track.switches.push((i, zone)),
                CamFeedback::HomeAndStop => {
                    track.switches.push((1, zone));
                    if i == 0 {
                        track.switches.push((0, zone));
                    }
                }
            }
        }
        Self { gear: Gear::Motor { track, coast_ms } }
    }

    /// A valve between two stops that nobody sees; positions lie at run times from the first stop, in ms.
    #[must_use]
    pub fn stops(positions: &[(Position, u64)]) -> Self {
        let track = Track {
            length_us: positions.last().map_or(0, |(_, at)| at * US),
            round: false,
            positions: positions.iter().map(|(p, at)| (*p, at * US)).collect(),
            // Between stops it stands where it was stopped: exactly there, if it obeys.
            reach_us: 0,
            switches: Vec::new(),
            marks: None,
        };
        Self { gear: Gear::Motor { track, coast_ms: 0 } }
    }

    /// Whether a motor moves it.
    #[must_use]
    pub fn has_motor(&self) -> bool {
        matches!(self.gear, Gear::Motor { .. })
    }
}

/// The other direction.
pub(super) fn opposite(motion: Motion) -> Motion {
    match motion {
        Motion::Off => Motion::Off,
        Motion::Forward => Motion::Reverse,
        Motion::Reverse => Motion::Forward,
    }
}
