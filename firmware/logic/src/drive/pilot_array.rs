//! `pilot-array`: a pattern of pilots for each position, no motor (V1).

use super::{Drive, DriveEvent, Leg, Pilots, State, Switches};
use crate::program::Position;
use crate::settings::RawDrive;
use crate::units::{Instant, Millis, later};

/// The pattern of a position.
pub(crate) fn pattern(settings: &RawDrive, position: Position) -> Pilots {
    let RawDrive::PilotArray { positions, .. } = settings else { return Pilots(0) };
    Pilots(positions.iter().find(|(p, _)| *p == position).map_or(0, |(_, pattern)| *pattern))
}

/// How long the valve takes to follow; without a contact it counts only after a margin (S3).
pub(super) fn settle(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::PilotArray { settle, contact: true, .. } => *settle,
        RawDrive::PilotArray { settle, margin, .. } => settle.plus(*margin),
        _ => Millis::ZERO,
    }
}

/// The contact of a drive that has one is closed: the valve stands as its pilots say.
pub(super) fn follows(settings: &RawDrive, switches: Switches) -> bool {
    matches!(settings, RawDrive::PilotArray { contact: true, .. }) && switches.0 & 1 != 0
}

impl Drive {
    /// The valve has had its time to follow the pilots; if its contact does not say so, it is given its limit.
    pub(super) fn pilots_settled(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let RawDrive::PilotArray { contact, settle, travel_limit, .. } = settings else { return None };
        let leg = Leg { passed: settings.place(leg.target), ..leg };
        if !contact || follows(settings, self.switches) {
            return self.rests(now, leg.target, leg.passed, settings);
        }
        let left = Millis(travel_limit.0.saturating_sub(settle.0));
        self.state = State::Coasting { leg, until: later(now, left) };
        None
    }
}
