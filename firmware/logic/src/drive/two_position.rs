//! `two-position`: a motor ball valve with a switch at each end (V1), as a tank's valve or as one that several tanks
//! share.

use serde::{Deserialize, Serialize};

use super::travel::mark_of;
use super::{Drive, DriveEvent, Leg, Motion, Switches, cam_switch};
use crate::program::Position;
use crate::settings::{RawDrive, RawTwoPosition};
use crate::units::Instant;

/// The switches at the ends.
pub(super) const ENDS: u8 = 0b11;

/// The end switch that just closed is the other one: the motor turns the wrong way, or did not turn.
pub(super) fn is_wrong_end(leg: &Leg, switches: Switches, opened: Switches, settings: &RawDrive) -> bool {
    let RawDrive::TwoPosition { positions, .. } = settings else { return false };
    let closed = cam_switch::single(switches, positions.len());
    closed.is_some() && closed != mark_of(settings, leg.target) && switches.0 & opened.0 != 0
}

/// An end of a valve with two.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// Where switch 0 closes, and the motor comes going back.
    First,
    /// Where switch 1 closes, and the motor comes going forward.
    Second,
}

impl End {
    /// A tank's valve of this kind serves at its first end; here the two only stand for the ends.
    const fn position(self) -> Position {
        match self {
            Self::First => Position::Service,
            Self::Second => Position::Standby,
        }
    }

    fn of(position: Position) -> Self {
        if position == Self::First.position() { Self::First } else { Self::Second }
    }
}

/// A valve with two ends that belongs to no tank: what the ends mean is its owner's business.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TwoWay {
    drive: Drive,
}

impl TwoWay {
    /// A drive at power-up, as [`Drive::new`].
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self { drive: Drive::new(now) }
    }

    /// One at power-up that was lost before: its motor stays off until an operator asks (V3).
    #[must_use]
    pub(crate) fn lost_before(now: Instant) -> Self {
        Self { drive: Drive::lost_before(now, None) }
    }

    /// What the motor must do now.
    #[must_use]
    pub fn motion(&self) -> Motion {
        self.drive.motion()
    }

    /// The confirmed end.
    #[must_use]
    pub fn end(&self) -> Option<End> {
        self.drive.position().map(End::of)
    }

    /// The end it is going to, if it is.
    #[must_use]
    pub fn target(&self) -> Option<End> {
        self.drive.target().map(End::of)
    }

    /// It does not know where it is: neither found yet nor being looked for, or power came just now.
    #[must_use]
    pub fn is_unknown(&self) -> bool {
        self.drive.is_unknown() || self.drive.is_powering_up()
    }

    /// It looks for an end it does not know.
    #[must_use]
    pub fn is_seeking(&self) -> bool {
        self.drive.is_seeking()
    }

    /// All tries failed.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        self.drive.is_lost()
    }

    /// When it next wants to be called, if nothing happens before.
    #[must_use]
    pub fn deadline(&self) -> Option<Instant> {
        self.drive.deadline()
    }

    /// New levels of its two switches, bit 0 the first end's.
    pub fn set_switches(
        &mut self,
        now: Instant,
        switches: Switches,
        valve: &RawTwoPosition,
    ) -> Option<DriveEvent<End>> {
        self.drive.set_switches(now, switches, &as_drive(valve)).map(of_ends)
    }

    /// Lets time pass, as [`Drive::poll`].
    pub fn poll(&mut self, now: Instant, valve: &RawTwoPosition) -> Option<DriveEvent<End>> {
        self.drive.poll(now, &as_drive(valve)).map(of_ends)
    }

    /// Sends it to an end, as [`Drive::go`].
    pub fn go(&mut self, now: Instant, end: End, valve: &RawTwoPosition) -> Option<DriveEvent<End>> {
        self.drive.go(now, end.position(), &as_drive(valve)).map(of_ends)
    }

    /// Forgets that it was lost, as [`Drive::forgive`].
    pub fn forgive(&mut self, now: Instant, valve: &RawTwoPosition) -> Option<DriveEvent<End>> {
        self.drive.forgive(now, &as_drive(valve)).map(of_ends)
    }
}

fn as_drive(valve: &RawTwoPosition) -> RawDrive {
    RawDrive::TwoPosition { positions: [End::First.position(), End::Second.position()], valve: *valve }
}

fn of_ends(event: DriveEvent) -> DriveEvent<End> {
    match event {
        DriveEvent::Moving(at) => DriveEvent::Moving(End::of(at)),
        DriveEvent::Confirmed(at) => DriveEvent::Confirmed(End::of(at)),
        DriveEvent::Retrying(at) => DriveEvent::Retrying(End::of(at)),
        DriveEvent::MovedAway(at) => DriveEvent::MovedAway(End::of(at)),
        DriveEvent::StoodInBrine => DriveEvent::StoodInBrine,
        DriveEvent::Miscounted => DriveEvent::Miscounted,
        DriveEvent::Lost => DriveEvent::Lost,
        DriveEvent::PositionUnknown => DriveEvent::PositionUnknown,
        DriveEvent::Passing(at) => DriveEvent::Passing(End::of(at)),
        DriveEvent::Passed(at) => DriveEvent::Passed(End::of(at)),
    }
}
