//! `cam-index`: marks counted from home (V1, V2). The stops of a `cam-switch` drive with home and stop switches
//! are counted in the same way, without tolerance.

use super::travel::{ahead, next_mark, round};
use super::{DriveEvent, HOME, Leg, Motion, Rest, STOP, Switches};
use crate::program::Position;
use crate::settings::RawDrive;

/// By how many marks the count may be wrong at home.
fn slip(settings: &RawDrive) -> u8 {
    match settings {
        RawDrive::CamIndex { slip_marks, .. } => *slip_marks,
        _ => 0,
    }
}

/// How many marks lie between two, the shorter way round.
fn apart(a: u8, b: u8, round: u8) -> u8 {
    ahead(a, b, round).min(ahead(b, a, round))
}

/// The position whose mark is near enough.
pub(super) fn place_at(settings: &RawDrive, mark: u8) -> Option<Position> {
    let RawDrive::CamIndex { coast_marks, .. } = settings else { return None };
    within(settings, mark, *coast_marks)
}

/// The position in which the valve may stand at a count, between two marks as well as on one: by as many marks as it may
/// have coasted and the count be wrong.
pub(super) fn place_about(settings: &RawDrive, mark: u8) -> Option<Position> {
    let RawDrive::CamIndex { coast_marks, slip_marks, .. } = settings else { return None };
    within(settings, mark, coast_marks.saturating_add(*slip_marks))
}

fn within(settings: &RawDrive, mark: u8, off: u8) -> Option<Position> {
    let RawDrive::CamIndex { positions, marks, .. } = settings else { return None };
    positions.iter().find(|(_, at)| apart(mark, *at, *marks) <= off).map(|(position, _)| *position)
}

/// The mark it stands on: home by both switches, all others by the count so far.
pub(super) fn reads(switches: Switches, counted: Option<u8>) -> Option<u8> {
    let (at_home, on_mark) = (switches.0 & HOME != 0, switches.0 & STOP != 0);
    let mark = counted.unwrap_or(0);
    (on_mark && (at_home || mark != 0)).then_some(mark)
}

/// The count is near home.
pub(super) fn is_home(settings: &RawDrive, mark: u8) -> bool {
    apart(mark, 0, round(settings)) <= slip(settings)
}

/// Counts a mark that closed by travelling, and compares the count with home.
///
/// Home is believed where the count expects it, or where none is kept, if its switch was open since it was last
/// believed. Elsewhere one of the two is wrong: the next home tells.
pub(super) fn count(
    leg: &mut Leg,
    closes: bool,
    switches: Switches,
    opened: &mut Switches,
    motion: Motion,
    settings: &RawDrive,
) -> Option<DriveEvent> {
    if closes {
        leg.passed = leg.passed.map(|mark| next_mark(mark, motion, round(settings)));
    }
    if switches.0 & (HOME | STOP) != HOME | STOP {
        return overdue(leg, settings);
    }
    let fresh = opened.0 & HOME != 0;
    match leg.passed.map(|mark| is_home(settings, mark)) {
        None | Some(true) if fresh => leg.passed = Some(0),
        None => {
            // Once a mark has closed, a home switch that never opened lies.
            leg.contradicted |= closes;
            return None;
        }
        Some(true) if leg.passed != Some(0) => return None,
        Some(true) => {}
        Some(false) => {
            opened.0 &= !HOME;
            return Some(miscounted(leg));
        }
    }
    leg.home_seen = true;
    opened.0 &= !HOME;
    None
}

/// Marks of an index cam that count past home, where home has not come.
fn overdue(leg: &mut Leg, settings: &RawDrive) -> Option<DriveEvent> {
    if !matches!(settings, RawDrive::CamIndex { .. }) {
        return None;
    }
    let near = leg.passed.is_none_or(|mark| is_home(settings, mark));
    let was_near = core::mem::replace(&mut leg.near_home, near);
    let seen = leg.home_seen;
    leg.home_seen &= near;
    (was_near && !near && !seen).then(|| miscounted(leg))
}

/// The count is given up: home alone tells.
fn miscounted(leg: &mut Leg) -> DriveEvent {
    leg.contradicted = true;
    leg.passed = None;
    DriveEvent::Miscounted
}

/// Marks that pass while the motor is off, and home that opens or comes; says whether it still stands.
pub(super) fn shaken(rest: &mut Rest, switches: Switches, before: Switches, closes: bool, settings: &RawDrive) -> bool {
    let RawDrive::CamIndex { positions, marks, coast_marks, slip_marks, .. } = settings else { return true };
    if closes {
        rest.loose = rest.loose.saturating_add(1);
    }
    let own = positions.iter().find(|(p, _)| *p == rest.position).map_or(0, |(_, mark)| *mark);
    let off = apart(rest.mark, own, *marks).saturating_add(rest.loose);
    if off > coast_marks.saturating_add(*slip_marks) {
        return false;
    }
    let home_changed = (before.0 ^ switches.0) & HOME != 0;
    let at_home = switches.0 & HOME != 0;
    // Home that opens in the first position, or closes in another, tells of a valve that moves.
    if home_changed { at_home == (own == 0) } else { rest.lost_since.is_none() }
}
