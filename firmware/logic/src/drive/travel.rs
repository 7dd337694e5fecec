//! Which way a drive runs, what its switches tell, and when it has come: no state, only reckoning (V1, V2).
//!
//! Travel is counted in marks: those of a `cam-index` drive, or the places of every other one.

use super::{CamFeedback, Leg, Motion, STOP, Switches, cam_index, cam_switch, timed, two_position};
use crate::program::Position;
use crate::settings::RawDrive;
use crate::units::Millis;

/// A switch that was open for less has bounced, and marks no further position.
const SWITCH_BOUNCE: Millis = Millis(100);
/// The same of an index switch, whose marks come faster.
const INDEX_BOUNCE: Millis = Millis(20);
/// How long an end switch must hold after the motor has stopped.
const END_SETTLE: Millis = Millis(500);
/// Rest before a retry of a drive that has none between two moves.
pub(super) const SHORTEST_REST: Millis = Millis(100);

/// How long a counted switch must have been open to count when it closes.
pub(super) fn bounce(settings: &RawDrive) -> Millis {
    if matches!(settings, RawDrive::CamIndex { .. }) { INDEX_BOUNCE } else { SWITCH_BOUNCE }
}

/// The position is counted from home.
pub(super) fn counts(settings: &RawDrive) -> bool {
    matches!(settings, RawDrive::CamSwitch { feedback: CamFeedback::HomeAndStop, .. } | RawDrive::CamIndex { .. })
}

/// Switches whose closing counts.
pub(super) fn counted(settings: &RawDrive) -> u8 {
    match settings {
        _ if counts(settings) => STOP,
        RawDrive::TwoPosition { .. } => two_position::ENDS,
        _ => 0,
    }
}

/// Marks in a whole turn; how many positions there are, where nothing goes round.
pub(super) fn round(settings: &RawDrive) -> u8 {
    match settings {
        RawDrive::CamIndex { marks, .. } => *marks,
        other => u8::try_from(other.position_count()).unwrap_or(u8::MAX),
    }
}

/// The mark of a position.
pub(super) fn mark_of(settings: &RawDrive, position: Position) -> Option<u8> {
    let place = settings.place(position)?;
    match settings {
        RawDrive::CamIndex { positions, .. } => positions.get(usize::from(place)).map(|(_, mark)| *mark),
        _ => Some(place),
    }
}

/// The position in which the valve stands at a mark.
pub(super) fn place_at(settings: &RawDrive, mark: u8) -> Option<Position> {
    match settings {
        RawDrive::CamIndex { .. } => cam_index::place_at(settings, mark),
        other => other.position(mark),
    }
}

pub(super) fn coast(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::CamSwitch { coast, .. } | RawDrive::CamIndex { coast, .. } => *coast,
        _ => END_SETTLE,
    }
}

pub(super) fn retries(settings: &RawDrive) -> u8 {
    match settings {
        RawDrive::CamSwitch { retries, .. }
        | RawDrive::CamIndex { retries, .. }
        | RawDrive::PilotArray { retries, .. } => *retries,
        RawDrive::TwoPosition { valve, .. } => valve.retries,
        RawDrive::Timed { .. } => 0,
    }
}

/// The mark that the switches tell; where they count, other marks than home need the count so far.
pub(super) fn reads(settings: &RawDrive, switches: Switches, counted: Option<u8>) -> Option<u8> {
    match settings {
        RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, positions, .. } => {
            cam_switch::single(switches, positions.len())
        }
        RawDrive::CamSwitch { .. } => cam_switch::at_stop(switches, counted),
        RawDrive::CamIndex { .. } => cam_index::reads(switches, counted),
        RawDrive::TwoPosition { positions, .. } => cam_switch::single(switches, positions.len()),
        RawDrive::Timed { .. } | RawDrive::PilotArray { .. } => None,
    }
}

/// Whether the switches agree with a mark, as far as they tell.
pub(super) fn confirms(settings: &RawDrive, switches: Switches, mark: u8) -> bool {
    match settings {
        RawDrive::CamIndex { .. } | RawDrive::Timed { .. } | RawDrive::PilotArray { contact: false, .. } => true,
        RawDrive::PilotArray { .. } => switches.0 & 1 != 0,
        _ => reads(settings, switches, Some(mark)) == Some(mark),
    }
}

/// Whether the switches close in a way that no position does.
pub(super) fn contradict(settings: &RawDrive, switches: Switches) -> bool {
    let one_each = matches!(
        settings,
        RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. }
    );
    one_each && switches.0.count_ones() > 1
}

/// The target's switch or mark closed by travelling: one that was closed all along says nothing.
pub(super) fn arrives(leg: &Leg, switches: Switches, opened: Switches, settings: &RawDrive) -> bool {
    let Some(mark) = leg.passed.filter(|mark| mark_of(settings, leg.target) == Some(*mark)) else { return false };
    match settings {
        RawDrive::Timed { .. } | RawDrive::PilotArray { .. } => false,
        _ if counts(settings) => reads(settings, switches, Some(mark)) == Some(mark),
        _ => {
            let fresh = 1u8.checked_shl(u32::from(mark)).unwrap_or(0) & opened.0 != 0;
            fresh && reads(settings, switches, None) == Some(mark)
        }
    }
}

/// The mark after this one in a direction of travel.
pub(super) fn next_mark(mark: u8, motion: Motion, round: u8) -> u8 {
    match motion {
        Motion::Reverse => mark.checked_sub(1).unwrap_or(round.saturating_sub(1)),
        Motion::Forward | Motion::Off => mark.saturating_add(1).checked_rem(round).unwrap_or(0),
    }
}

/// How many marks going forward lead from one to another.
pub(super) fn ahead(from: u8, to: u8, round: u8) -> u8 {
    to.checked_sub(from).unwrap_or(to.saturating_add(round.saturating_sub(from)))
}

pub(super) fn opposite(motion: Motion) -> Option<Motion> {
    match motion {
        Motion::Off => None,
        Motion::Forward => Some(Motion::Reverse),
        Motion::Reverse => Some(Motion::Forward),
    }
}

/// Which way to run.
pub(super) fn choose_motion(leg: &Leg, last_motion: Motion, settings: &RawDrive) -> Motion {
    match settings {
        RawDrive::CamSwitch { reversible, .. } | RawDrive::CamIndex { reversible, .. } => {
            if *reversible {
                turn(leg, last_motion, settings)
            } else {
                Motion::Forward
            }
        }
        RawDrive::TwoPosition { positions: [first, _], .. } => {
            if leg.target == *first {
                Motion::Reverse
            } else {
                Motion::Forward
            }
        }
        RawDrive::Timed { .. } => timed::motion(leg, settings),
        RawDrive::PilotArray { .. } => Motion::Off,
    }
}

/// Which way a cam turns: the shorter way round, but not through the brine position if the other way
/// avoids it (V2).
fn turn(leg: &Leg, last_motion: Motion, settings: &RawDrive) -> Motion {
    let (Some(from), Some(to)) = (leg.passed, mark_of(settings, leg.target)) else { return Motion::Forward };
    if from == to {
        // It coasted past: back, not all the way round.
        return opposite(last_motion).unwrap_or(Motion::Forward);
    }
    let round = round(settings);
    let forward = ahead(from, to, round);
    let backward = round.saturating_sub(forward);
    let brine = mark_of(settings, Position::BrineDraw).filter(|brine| *brine != to && *brine != from);
    let brine_ahead = brine.map(|brine| ahead(from, brine, round) < forward);
    match brine_ahead {
        Some(true) => Motion::Reverse,
        Some(false) => Motion::Forward,
        None if backward < forward => Motion::Reverse,
        None => Motion::Forward,
    }
}
