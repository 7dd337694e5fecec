//! `timed`: run time between two stops, and nothing that tells (V1).

use super::{Drive, DriveEvent, Leg, Motion, State};
use crate::settings::RawDrive;
use crate::units::{Instant, Millis, later};

/// Run time from the first stop to a place; to the last one if it is unknown.
fn offset(settings: &RawDrive, place: Option<u8>) -> Millis {
    let RawDrive::Timed { positions, .. } = settings else { return Millis::ZERO };
    let known = place.and_then(|i| positions.get(usize::from(i)));
    known.or(positions.last()).map_or(Millis::ZERO, |(_, at)| *at)
}

fn margin(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::Timed { margin, .. } => *margin,
        _ => Millis::ZERO,
    }
}

/// Whether a place is the far stop.
fn is_last(settings: &RawDrive, place: Option<u8>) -> bool {
    place.map(|i| usize::from(i).saturating_add(1)) == Some(settings.position_count())
}

/// Forward to what lies ahead; back to the first stop for everything else.
pub(super) fn motion(leg: &Leg, settings: &RawDrive) -> Motion {
    match (leg.passed, settings.place(leg.target)) {
        (Some(from), Some(to)) if to > from => Motion::Forward,
        _ => Motion::Reverse,
    }
}

/// How long it runs: to the target going forward, to the first stop going back.
pub(super) fn run_length(leg: &Leg, motion: Motion, settings: &RawDrive) -> Millis {
    let to = settings.place(leg.target);
    if motion != Motion::Forward {
        return offset(settings, leg.passed).plus(margin(settings));
    }
    let run = Millis(offset(settings, to).0.saturating_sub(offset(settings, leg.passed).0));
    // Only at the far stop may the motor press on.
    if is_last(settings, to) { run.plus(margin(settings)) } else { run }
}

impl Drive {
    /// A timed run is over: at the target, or at home on the way to it.
    pub(super) fn timed_leg_over(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let to = settings.place(leg.target);
        if self.last_motion == Motion::Reverse && to != Some(0) {
            let leg = Leg { passed: Some(0), ..leg };
            self.state = State::Resting { leg, motion: Motion::Forward, until: later(now, settings.rest()) };
            return None;
        }
        let leg = Leg { passed: to, ..leg };
        // Pressed against a stop the margin has already run; elsewhere it passes standing still (S3).
        if to == Some(0) || is_last(settings, to) {
            return self.rests(now, leg.target, to, settings);
        }
        self.state = State::Coasting { leg, until: later(now, margin(settings)) };
        None
    }
}
