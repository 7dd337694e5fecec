//! Which way a drive runs and for how long, and what its switches tell: no state, only reckoning (V1, V2).

use super::{HOME, Leg, Motion, STOP, Switches};
use crate::program::Position;
use crate::settings::{CamFeedback, RawDrive};
use crate::units::Millis;

pub(super) fn margin(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::CamSwitch { .. } => Millis::ZERO,
        RawDrive::Timed { margin, .. } => *margin,
    }
}

pub(super) fn rest(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::CamSwitch { rest, .. } | RawDrive::Timed { rest, .. } => *rest,
    }
}

/// Place of a position in the order of travel.
pub(super) fn order_of(settings: &RawDrive, position: Position) -> Option<u8> {
    let place = match settings {
        RawDrive::CamSwitch { positions, .. } => positions.iter().position(|p| *p == position),
        RawDrive::Timed { positions, .. } => positions.iter().position(|(p, _)| *p == position),
    };
    place.and_then(|i| u8::try_from(i).ok())
}

/// The position that the switches alone tell; with `HomeAndStop` other positions than home need
/// the count so far.
pub(super) fn reads(
    positions: &[Position],
    feedback: CamFeedback,
    switches: Switches,
    counted: Option<u8>,
) -> Option<u8> {
    match feedback {
        CamFeedback::SwitchPerPosition => {
            let closed = switches.0;
            let index = u8::try_from(closed.trailing_zeros()).ok()?;
            // Two switches closed at once contradict each other: that is no position.
            (closed.count_ones() == 1 && usize::from(index) < positions.len()).then_some(index)
        }
        CamFeedback::HomeAndStop => match (switches.0 & HOME != 0, switches.0 & STOP != 0) {
            (true, true) => Some(0),
            (false, true) => counted.filter(|i| *i != 0),
            _ => None,
        },
    }
}

/// Whether the switches agree with a position.
pub(super) fn confirms(positions: &[Position], feedback: CamFeedback, switches: Switches, position: Position) -> bool {
    let index = positions.iter().position(|p| *p == position).and_then(|i| u8::try_from(i).ok());
    index.is_some() && reads(positions, feedback, switches, index) == index
}

/// Whether the switches close in a way that no position does.
pub(super) fn contradict(feedback: CamFeedback, switches: Switches) -> bool {
    feedback == CamFeedback::SwitchPerPosition && switches.0.count_ones() > 1
}

/// The place after this one in a direction of travel.
pub(super) fn next_place(place: u8, motion: Motion, count: usize) -> Option<u8> {
    let count = u8::try_from(count).ok()?;
    match motion {
        Motion::Reverse => place.checked_sub(1).or(count.checked_sub(1)),
        Motion::Forward | Motion::Off => place.saturating_add(1).checked_rem(count),
    }
}

pub(super) fn opposite(motion: Motion) -> Option<Motion> {
    match motion {
        Motion::Off => None,
        Motion::Forward => Some(Motion::Reverse),
        Motion::Reverse => Some(Motion::Forward),
    }
}

/// Which way to run: the shorter way round, but not through the brine position if the other way
/// avoids it (V2); home first for a timed drive that must go back.
pub(super) fn choose_motion(leg: Leg, last_motion: Motion, settings: &RawDrive) -> Motion {
    match settings {
        RawDrive::CamSwitch { reversible: false, .. } => Motion::Forward,
        RawDrive::CamSwitch { positions, .. } => {
            let (Some(from), Some(to)) = (leg.passed, order_of(settings, leg.target)) else {
                return Motion::Forward;
            };
            if from == to {
                // It coasted past: back, not all the way round.
                return opposite(last_motion).unwrap_or(Motion::Forward);
            }
            let count = positions.len();
            let (from, to) = (usize::from(from), usize::from(to));
            let forward = to.saturating_add(count).saturating_sub(from).checked_rem(count).unwrap_or(0);
            let backward = count.saturating_sub(forward);
            let crosses = |steps: usize, ahead: bool| {
                (1..steps).any(|step| {
                    let place =
                        if ahead { from.saturating_add(step) } else { from.saturating_add(count).saturating_sub(step) };
                    place.checked_rem(count).and_then(|i| positions.get(i)) == Some(&Position::BrineDraw)
                })
            };
            match (crosses(forward, true), crosses(backward, false)) {
                (true, false) => Motion::Reverse,
                (false, true) => Motion::Forward,
                _ if backward < forward => Motion::Reverse,
                _ => Motion::Forward,
            }
        }
        RawDrive::Timed { .. } => match (leg.passed, order_of(settings, leg.target)) {
            (Some(from), Some(to)) if to > from => Motion::Forward,
            _ => Motion::Reverse,
        },
    }
}

/// How long a timed drive runs: to the target going forward, to the first stop going back.
pub(super) fn timed_run(leg: Leg, motion: Motion, settings: &RawDrive) -> Millis {
    let RawDrive::Timed { positions, margin, .. } = settings else { return Millis::ZERO };
    let offset = |place: Option<u8>| {
        place.and_then(|i| positions.get(usize::from(i))).or(positions.last()).map_or(Millis::ZERO, |(_, at)| *at)
    };
    let to = order_of(settings, leg.target);
    match motion {
        Motion::Forward => {
            let run = Millis(offset(to).0.saturating_sub(offset(leg.passed).0));
            // Only at the far stop may the motor press on.
            let at_stop = to.map(usize::from) == positions.len().checked_sub(1);
            if at_stop { run.plus(*margin) } else { run }
        }
        _ => offset(leg.passed).plus(*margin),
    }
}
