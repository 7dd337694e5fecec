//! The drive's part of the check (S11).

use super::drive::{RawDrive, RawTwoPosition};
use super::fault::{Faults, Problem as P};
use super::raw::{Arrangement, RawSettings};
use crate::program::{Position, PositionSet, StepKind};
use crate::units::Millis;

/// Checks the drive and gives the positions it has.
pub(super) fn drive(raw: &RawSettings, faults: &mut Faults) -> PositionSet {
    let has = raw.drive.position_set();
    let given = raw.drive.position_count();
    match &raw.drive {
        RawDrive::CamSwitch { travel_limit, rest, coast, retries, .. } => {
            cam(*travel_limit, *rest, *coast, *retries, given, faults);
        }
        RawDrive::CamIndex {
            positions, marks, slip_marks, coast_marks, travel_limit, rest, coast, retries, ..
        } => {
            let mark = |place: usize| positions.get(place).map_or(*marks, |(_, mark)| *mark);
            let apart = slip_marks.saturating_add(*coast_marks).saturating_mul(2);
            let ascends = (0..given).all(|place| mark(place) < mark(place.saturating_add(1)));
            if mark(0) != 0 || !ascends {
                faults.add("drive.positions", None, P::OffsetsNotAscending);
            } else if (0..given).any(|i| mark(i.saturating_add(1)).saturating_sub(mark(i)) <= apart) {
                faults.add("drive.positions", None, P::MarksTooClose);
            }
            cam(*travel_limit, *rest, *coast, *retries, given, faults);
        }
        RawDrive::TwoPosition { valve, .. } => two_position("drive", valve, faults),
        RawDrive::Timed { positions, rest, .. } => {
            let starts = positions.first().is_some_and(|(_, at)| *at == Millis::ZERO);
            let ascends = positions.windows(2).all(|pair| match pair {
                [(_, a), (_, b)] => a < b,
                _ => true,
            });
            if !(starts && ascends) {
                faults.add("drive.positions", None, P::OffsetsNotAscending);
            }
            if !is_travel_limit(raw.travel_limit()) {
                faults.add("drive.margin", None, P::TravelLimitOutOfRange);
            }
            rest_in_range(*rest, faults);
            if !rinses_lie_ahead(raw, has) {
                faults.add("drive.positions", None, P::RinsesBehindDraw);
            }
        }
        RawDrive::PilotArray { positions, contact, settle, travel_limit, rest, retries, .. } => {
            let twice = |(i, (_, pattern)): (usize, &(Position, u8))| {
                positions.iter().take(i).any(|(_, earlier)| earlier == pattern)
            };
            if positions.iter().enumerate().any(twice) {
                faults.add("drive.positions", None, P::PatternsNotDistinct);
            }
            if !(Millis(100)..=Millis::from_mins(10)).contains(settle) {
                faults.add("drive.settle", None, P::SettleOutOfRange);
            }
            if *contact && (!is_travel_limit(*travel_limit) || travel_limit < settle) {
                faults.add("drive.travel_limit", None, P::TravelLimitOutOfRange);
            }
            if !is_travel_limit(raw.travel_limit()) {
                faults.add("drive.margin", None, P::TravelLimitOutOfRange);
            }
            if *rest > Millis::ZERO {
                rest_in_range(*rest, faults);
            }
            tries_in_range(*retries, faults);
        }
    }
    if given < 2 || has.iter().count() != given {
        faults.add("drive.positions", None, P::PositionsNotDistinct);
    }
    if !has.contains(Position::Service) {
        faults.add("drive.positions", None, P::NoServicePosition);
    }
    if raw.arrangement != Arrangement::Single {
        if !has.contains(Position::Standby) && raw.sharing.shared_valve.is_none() {
            faults.add("drive.positions", None, P::NoStandbyPosition);
        }
        if !has.contains(Position::FastRinse) {
            faults.add("drive.positions", None, P::NoPurgePosition);
        }
    }
    has
}

/// Checks a valve with two ends, wherever it sits; `field` is where it stands in the settings.
pub(super) fn two_position(field: &'static str, valve: &RawTwoPosition, faults: &mut Faults) {
    if !is_travel_limit(valve.travel_limit) {
        faults.add(field, None, P::TravelLimitOutOfRange);
    }
    if !is_rest(valve.rest) {
        faults.add(field, None, P::RestOutOfRange);
    }
    if valve.retries > 10 {
        faults.add(field, None, P::TooManyRetries);
    }
}

fn cam(travel_limit: Millis, rest: Millis, coast: Millis, retries: u8, positions: usize, faults: &mut Faults) {
    if !is_travel_limit(travel_limit) {
        faults.add("drive.travel_limit", None, P::TravelLimitOutOfRange);
    }
    let halves = u32::try_from(positions).unwrap_or(0).saturating_mul(2);
    if coast > Millis::from_mins(1) {
        faults.add("drive.coast", None, P::CoastOutOfRange);
    } else if is_travel_limit(travel_limit) && coast.0.saturating_mul(halves) > travel_limit.0 {
        faults.add("drive.coast", None, P::CoastPastLeg);
    }
    tries_in_range(retries, faults);
    rest_in_range(rest, faults);
}

/// From a draw until its fast rinse is over, a timed drive only goes forward: going back it would pass its first
/// stop, which may be the service position, with brine in the bed (S12).
fn rinses_lie_ahead(raw: &RawSettings, has: PositionSet) -> bool {
    let mut furthest = None;
    let mut slow = false;
    for step in raw.program.iter().filter(|s| s.length.0 > 0) {
        if furthest.is_none() && step.kind != StepKind::BrineDraw {
            continue;
        }
        // A step without a place is a fault of its own.
        let Some(place) = step.kind.position(has).and_then(|p| raw.drive.place(p)) else { continue };
        if furthest.is_some_and(|furthest| place < furthest) {
            return false;
        }
        furthest = Some(place);
        slow |= step.kind == StepKind::SlowRinse;
        if slow && step.kind == StepKind::FastRinse {
            return true;
        }
    }
    true
}

fn is_travel_limit(limit: Millis) -> bool {
    (Millis::from_secs(1)..=Millis::from_mins(30)).contains(&limit)
}

fn is_rest(rest: Millis) -> bool {
    (Millis(100)..=Millis::from_mins(10)).contains(&rest)
}

fn rest_in_range(rest: Millis, faults: &mut Faults) {
    if !is_rest(rest) {
        faults.add("drive.rest", None, P::RestOutOfRange);
    }
}

fn tries_in_range(retries: u8, faults: &mut Faults) {
    if retries > 10 {
        faults.add("drive.retries", None, P::TooManyRetries);
    }
}
