//! The machine that moves one valve and knows where it is (V1–V4, S7).
//!
//! ```text
//!            power-up settled           turn to be sought        switch or run time
//!  Settled? ────────────────▶ Unknown ──────────────────▶ Moving ──────────────────▶ Coasting ──▶ AtRest
//!      └── a switch confirms ─────────────────────────────▲  │ limit                     │ missed    │ moved away
//!          a position: AtRest                      Resting ◀──┴───────────────────────────┴───────────┘
//!                                                    └── no tries left ──▶ Lost
//! ```
//! A motion is one value, so that a drive cannot be told two directions at once; a reversal goes
//! through `Resting`; a motor that runs has a limit in its state.

use serde::{Deserialize, Serialize};

use crate::program::Position;
use crate::settings::{CamFeedback, RawDrive};
use crate::units::{Instant, Millis, elapsed, later};

/// Contacts are given this long to settle after power-up before a position counts as unknown.
const POWER_UP_SETTLE: Millis = Millis(500);
/// A resting position not confirmed for so long has moved (V4).
const MOVED_AFTER: Millis = Millis::from_secs(1);

/// What the motor is told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Motion {
    /// Stand still.
    #[default]
    Off,
    /// Run towards later positions.
    Forward,
    /// Run towards earlier positions.
    Reverse,
}

/// Switches of one drive, bit i = switch i closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Switches(pub u8);

/// What a drive is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum State {
    /// Power just came; switches may still settle.
    PoweringUp { until: Instant },
    /// Nobody knows where the valve is.
    Unknown,
    /// In a confirmed position, motor off. `lost_since`: the switch stopped confirming it then.
    AtRest { position: Position, lost_since: Option<Instant> },
    /// The motor runs, at the longest until `limit`.
    Moving { leg: Leg, motion: Motion, limit: Instant },
    /// The motor was stopped at the target; the cam may coast until then.
    Coasting { leg: Leg, until: Instant },
    /// The motor rests before it tries again or turns round.
    Resting { leg: Leg, motion: Motion, until: Instant },
    /// All tries failed: the motor stays off until an operator asks for a new search.
    Lost { believed: Option<Position> },
}

/// One journey to a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Leg {
    target: Position,
    /// Last position known, in the order of travel; `None` while it is unknown.
    passed: Option<u8>,
    /// Tries used up.
    tries: u8,
}

/// What happened to a drive, for the controller to act on and to journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum DriveEvent {
    /// The motor started towards a position.
    Moving(Position),
    /// A position is confirmed.
    Confirmed(Position),
    /// The limit passed without the target; the drive rests and tries again.
    Retrying(Position),
    /// It came to rest elsewhere by itself (V4).
    MovedAway(Position),
    /// No tries are left (V3).
    Lost,
    /// The position is not known.
    PositionUnknown,
}

/// One drive.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Drive {
    state: State,
    switches: Switches,
    last_motion: Motion,
}

impl Drive {
    /// A drive at power-up: off, position unknown until its switches say or a search finds it.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self {
            state: State::PoweringUp { until: later(now, POWER_UP_SETTLE) },
            switches: Switches(0),
            last_motion: Motion::Off,
        }
    }

    /// What the motor must do now.
    #[must_use]
    pub fn motion(&self) -> Motion {
        match self.state {
            State::Moving { motion, .. } => motion,
            _ => Motion::Off,
        }
    }

    /// The confirmed position, if the drive is at rest in one.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        match self.state {
            State::AtRest { position, .. } => Some(position),
            _ => None,
        }
    }

    /// Where it is going, if it is.
    #[must_use]
    pub fn target(&self) -> Option<Position> {
        match self.state {
            State::Moving { leg, .. } | State::Coasting { leg, .. } | State::Resting { leg, .. } => Some(leg.target),
            _ => None,
        }
    }

    /// The drive does not know where it is, and is not looking.
    #[must_use]
    pub fn is_unknown(&self) -> bool {
        matches!(self.state, State::Unknown)
    }

    /// The drive is looking for a position it does not know.
    #[must_use]
    pub fn is_seeking(&self) -> bool {
        match self.state {
            State::Moving { leg, .. } | State::Coasting { leg, .. } | State::Resting { leg, .. } => {
                leg.passed.is_none()
            }
            _ => false,
        }
    }

    /// Power came so recently that switches may still settle.
    #[must_use]
    pub fn is_powering_up(&self) -> bool {
        matches!(self.state, State::PoweringUp { .. })
    }

    /// All tries failed.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        matches!(self.state, State::Lost { .. })
    }

    /// A lost drive that may be open to drain: anything but confirmed in service or standby (S1, V3).
    #[must_use]
    pub fn may_discharge(&self) -> bool {
        match self.state {
            State::Lost { believed } => believed.is_none_or(Position::discharges),
            _ => false,
        }
    }

    /// A lost drive that may be open to the brine tank (S1).
    #[must_use]
    pub fn may_use_brine_tank(&self) -> bool {
        match self.state {
            State::Lost { believed } => believed.is_none_or(Position::uses_brine_tank),
            _ => false,
        }
    }

    /// When the drive next wants to be called, if nothing happens before.
    #[must_use]
    pub fn deadline(&self) -> Option<Instant> {
        match self.state {
            State::PoweringUp { until } | State::Coasting { until, .. } | State::Resting { until, .. } => Some(until),
            State::Moving { limit, .. } => Some(limit),
            State::AtRest { lost_since, .. } => lost_since.map(|since| later(since, MOVED_AFTER)),
            State::Unknown | State::Lost { .. } => None,
        }
    }

    /// New levels of the switches.
    pub fn set_switches(&mut self, now: Instant, switches: Switches, settings: &RawDrive) -> Option<DriveEvent> {
        if switches == self.switches {
            return None;
        }
        let before = self.switches;
        self.switches = switches;
        let RawDrive::CamSwitch { positions, feedback, coast, .. } = settings else { return None };
        match self.state {
            State::Moving { mut leg, motion, limit } => {
                leg.passed = passed(positions, *feedback, before, switches, leg.passed, motion);
                let here = leg.passed.and_then(|i| positions.get(usize::from(i)).copied());
                let closed_now = reads(positions, *feedback, switches, leg.passed).is_some();
                if closed_now && here == Some(leg.target) {
                    self.state = State::Coasting { leg, until: later(now, *coast) };
                } else {
                    self.state = State::Moving { leg, motion, limit };
                }
                None
            }
            State::AtRest { position, lost_since } => {
                let confirmed = confirms(positions, *feedback, switches, position);
                let lost_since = if confirmed { None } else { lost_since.or(Some(now)) };
                self.state = State::AtRest { position, lost_since };
                None
            }
            State::Unknown => self.try_confirm(settings),
            _ => None,
        }
    }

    /// Lets time pass: limits, coasting, rests.
    pub fn poll(&mut self, now: Instant, settings: &RawDrive) -> Option<DriveEvent> {
        match self.state {
            State::PoweringUp { until } if now >= until => {
                self.state = State::Unknown;
                self.try_confirm(settings).or(Some(DriveEvent::PositionUnknown))
            }
            State::Moving { leg, limit, .. } if now >= limit => match settings {
                RawDrive::Timed { positions, .. } => self.timed_leg_over(now, leg, positions, settings),
                RawDrive::CamSwitch { .. } => Some(self.try_failed(now, leg, settings)),
            },
            State::Coasting { leg, until } if now >= until => self.coasted(now, leg, settings),
            State::Resting { leg, motion, until } if now >= until => Some(self.run(now, leg, motion, settings)),
            State::AtRest { position, lost_since: Some(since) } if elapsed(since, now) >= MOVED_AFTER => {
                self.state = State::Unknown;
                // Perhaps it rests in another position that its switch confirms.
                let _ = self.try_confirm(settings);
                Some(DriveEvent::MovedAway(position))
            }
            _ => None,
        }
    }

    /// Sends the drive to a position; a drive that is lost, powering up or already there stays.
    pub fn go(&mut self, now: Instant, target: Position, settings: &RawDrive) -> Option<DriveEvent> {
        let passed = match self.state {
            State::AtRest { position, lost_since: None } if position == target => return None,
            State::AtRest { position, .. } => order_of(settings, position),
            State::Unknown => None,
            _ => return None,
        };
        self.seek(now, Leg { target, passed, tries: 0 }, settings)
    }

    /// Forgets that the drive was lost, so that it is sought again (an operator's decision).
    pub fn forgive(&mut self) {
        if self.is_lost() {
            self.state = State::Unknown;
        }
    }

    /// Starts a leg, or the rest before it if the motor would reverse.
    fn seek(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let motion = choose_motion(leg, settings);
        let reverses = matches!(
            (self.last_motion, motion),
            (Motion::Forward, Motion::Reverse) | (Motion::Reverse, Motion::Forward)
        );
        if reverses {
            self.state = State::Resting { leg, motion, until: later(now, rest(settings)) };
            return None;
        }
        Some(self.run(now, leg, motion, settings))
    }

    /// Starts the motor.
    fn run(&mut self, now: Instant, leg: Leg, motion: Motion, settings: &RawDrive) -> DriveEvent {
        let limit = match settings {
            RawDrive::CamSwitch { travel_limit, .. } => *travel_limit,
            RawDrive::Timed { .. } => timed_run(leg, motion, settings),
        };
        self.last_motion = motion;
        self.state = State::Moving { leg, motion, limit: later(now, limit) };
        DriveEvent::Moving(leg.target)
    }

    /// The cam has coasted: is the target still confirmed?
    fn coasted(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let confirmed = match settings {
            RawDrive::CamSwitch { positions, feedback, .. } => {
                confirms(positions, *feedback, self.switches, leg.target)
            }
            RawDrive::Timed { .. } => true,
        };
        if confirmed { self.rests(leg.target) } else { Some(self.try_failed(now, leg, settings)) }
    }

    /// A try is used up: rest and try again, or give up (V3).
    fn try_failed(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> DriveEvent {
        let RawDrive::CamSwitch { positions, feedback, retries, rest, .. } = settings else {
            return DriveEvent::Lost;
        };
        let tries = leg.tries.saturating_add(1);
        if tries > *retries {
            let believed =
                reads(positions, *feedback, self.switches, None).and_then(|i| positions.get(usize::from(i)).copied());
            self.state = State::Lost { believed };
            return DriveEvent::Lost;
        }
        let leg = Leg { tries, ..leg };
        let motion = choose_motion(leg, settings);
        self.state = State::Resting { leg, motion, until: later(now, *rest) };
        DriveEvent::Retrying(leg.target)
    }

    /// A timed run is over: at the target, or at home on the way to it.
    fn timed_leg_over(
        &mut self,
        now: Instant,
        leg: Leg,
        positions: &[(Position, Millis)],
        settings: &RawDrive,
    ) -> Option<DriveEvent> {
        let home = positions.first().map(|(p, _)| *p);
        if self.last_motion == Motion::Reverse && home != Some(leg.target) {
            let leg = Leg { passed: Some(0), ..leg };
            self.state = State::Resting { leg, motion: Motion::Forward, until: later(now, rest(settings)) };
            return None;
        }
        // Pressed against a stop the margin has already run; elsewhere it passes standing still (S3).
        let last = positions.last().map(|(p, _)| *p);
        if home == Some(leg.target) || last == Some(leg.target) {
            return self.rests(leg.target);
        }
        self.state = State::Coasting { leg, until: later(now, margin(settings)) };
        None
    }

    /// The drive rests in a confirmed position.
    fn rests(&mut self, position: Position) -> Option<DriveEvent> {
        self.state = State::AtRest { position, lost_since: None };
        Some(DriveEvent::Confirmed(position))
    }

    /// An unknown position that a switch confirms is known, and is not moved (V2).
    fn try_confirm(&mut self, settings: &RawDrive) -> Option<DriveEvent> {
        let RawDrive::CamSwitch { positions, feedback, .. } = settings else { return None };
        let index = reads(positions, *feedback, self.switches, None)?;
        let position = positions.get(usize::from(index)).copied()?;
        self.rests(position)
    }
}

fn margin(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::CamSwitch { .. } => Millis::ZERO,
        RawDrive::Timed { margin, .. } => *margin,
    }
}

fn rest(settings: &RawDrive) -> Millis {
    match settings {
        RawDrive::CamSwitch { rest, .. } | RawDrive::Timed { rest, .. } => *rest,
    }
}

/// Place of a position in the order of travel.
fn order_of(settings: &RawDrive, position: Position) -> Option<u8> {
    let place = match settings {
        RawDrive::CamSwitch { positions, .. } => positions.iter().position(|p| *p == position),
        RawDrive::Timed { positions, .. } => positions.iter().position(|(p, _)| *p == position),
    };
    place.and_then(|i| u8::try_from(i).ok())
}

/// The position that the switches alone tell; with `HomeAndStop` other positions than home need
/// the count so far.
fn reads(positions: &[Position], feedback: CamFeedback, switches: Switches, counted: Option<u8>) -> Option<u8> {
    match feedback {
        CamFeedback::SwitchPerPosition => {
            let closed = switches.0;
            let index = u8::try_from(closed.trailing_zeros()).ok()?;
            // Two switches closed at once contradict each other: that is no position.
            (closed.count_ones() == 1 && usize::from(index) < positions.len()).then_some(index)
        }
        CamFeedback::HomeAndStop => match (switches.0 & 1 != 0, switches.0 & 2 != 0) {
            (true, true) => Some(0),
            (false, true) => counted.filter(|i| *i != 0),
            _ => None,
        },
    }
}

/// Whether the switches agree with a position.
fn confirms(positions: &[Position], feedback: CamFeedback, switches: Switches, position: Position) -> bool {
    let index = positions.iter().position(|p| *p == position).and_then(|i| u8::try_from(i).ok());
    index.is_some() && reads(positions, feedback, switches, index) == index
}

/// The last position passed after a change of the switches.
fn passed(
    positions: &[Position],
    feedback: CamFeedback,
    before: Switches,
    after: Switches,
    counted: Option<u8>,
    motion: Motion,
) -> Option<u8> {
    match feedback {
        CamFeedback::SwitchPerPosition => reads(positions, feedback, after, None).or(counted),
        CamFeedback::HomeAndStop => {
            let stop_closed = after.0 & 2 != 0 && before.0 & 2 == 0;
            if after.0 & 3 == 3 {
                return Some(0);
            }
            if !stop_closed {
                return counted;
            }
            let count = u8::try_from(positions.len()).unwrap_or(u8::MAX);
            let index = counted?;
            match motion {
                Motion::Reverse => Some(index.checked_sub(1).unwrap_or(count.saturating_sub(1))),
                _ => index.saturating_add(1).checked_rem(count),
            }
        }
    }
}

/// Which way to run: the shorter way round, but not through the brine position if the other way
/// avoids it (V2); home first for a timed drive that must go back.
fn choose_motion(leg: Leg, settings: &RawDrive) -> Motion {
    match settings {
        RawDrive::CamSwitch { reversible: false, .. } => Motion::Forward,
        RawDrive::CamSwitch { positions, .. } => {
            let (Some(from), Some(to)) = (leg.passed, order_of(settings, leg.target)) else {
                return Motion::Forward;
            };
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
fn timed_run(leg: Leg, motion: Motion, settings: &RawDrive) -> Millis {
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
