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

mod travel;

use serde::{Deserialize, Serialize};

use self::travel::{
    choose_motion, confirms, contradict, margin, next_place, opposite, order_of, reads, rest, timed_run,
};
use crate::program::Position;
use crate::settings::{CamFeedback, RawDrive};
use crate::units::{Instant, Millis, elapsed, later};

/// Contacts are given this long to settle after power-up before a position counts as unknown.
const POWER_UP_SETTLE: Millis = Millis(500);
/// A resting position not confirmed for so long has moved (V4).
const MOVED_AFTER: Millis = Millis::from_secs(1);
/// A stop switch that was open for less has bounced, and marks no further position.
const SWITCH_BOUNCE: Millis = Millis(100);
/// A valve that stands in the brine position for so long on its way elsewhere has drawn brine (S12).
const BRINE_PASSING_LIMIT: Millis = Millis::from_secs(30);

/// The switch that is closed in the first position only (`HomeAndStop`).
const HOME: u8 = 1;
/// The switch that is closed in every position (`HomeAndStop`).
const STOP: u8 = 2;

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
    /// It began where nobody knew the position.
    seeking: bool,
    /// The switches contradicted each other on the way: one of them lies.
    contradicted: bool,
}

impl Leg {
    fn new(target: Position, passed: Option<u8>) -> Self {
        Self { target, passed, tries: 0, seeking: passed.is_none(), contradicted: false }
    }
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
    /// On its way elsewhere it stood in the brine position for so long that brine was drawn (S12).
    StoodInBrine,
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
    /// Switches seen open since the motor last started: only these can close by travelling.
    opened: Switches,
    /// When the stop switch last opened.
    stop_opened_at: Option<Instant>,
    /// Since when it stands in the brine position on its way elsewhere.
    in_brine_since: Option<Instant>,
    last_motion: Motion,
}

impl Drive {
    /// A drive at power-up: off, position unknown until its switches say or a search finds it.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self {
            state: State::PoweringUp { until: later(now, POWER_UP_SETTLE) },
            switches: Switches(0),
            opened: Switches(0),
            stop_opened_at: None,
            in_brine_since: None,
            last_motion: Motion::Off,
        }
    }

    /// A drive at power-up that was lost before: its motor stays off until an operator asks (V3).
    #[must_use]
    pub(crate) fn lost_before(now: Instant, believed: Option<Position>) -> Self {
        Self { state: State::Lost { believed }, ..Self::new(now) }
    }

    /// Where a lost drive is believed to stand; `None` if it is not lost, or nobody knows.
    #[must_use]
    pub(crate) fn believed(&self) -> Option<Position> {
        match self.state {
            State::Lost { believed } => believed,
            _ => None,
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
            State::Moving { leg, .. } | State::Coasting { leg, .. } | State::Resting { leg, .. } => leg.seeking,
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

    /// A lost drive whose bed may be drawing brine (S12).
    #[must_use]
    pub fn may_draw_brine(&self) -> bool {
        match self.state {
            State::Lost { believed } => believed.is_none_or(|p| p == Position::BrineDraw),
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

    /// A lost drive that may be open anywhere: to drain, to brine, or to the building past a bed that
    /// nobody regenerates (V3).
    #[must_use]
    pub fn may_pass_water(&self) -> bool {
        match self.state {
            State::Lost { believed } => believed != Some(Position::Standby),
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
        self.opened.0 |= !switches.0;
        if before.0 & STOP != 0 && switches.0 & STOP == 0 {
            self.stop_opened_at = Some(now);
        }
        let RawDrive::CamSwitch { positions, feedback, coast, .. } = settings else { return None };
        match self.state {
            State::Moving { mut leg, motion, limit } => {
                self.pass(now, &mut leg, before, positions, *feedback);
                let stood = self.time_in_brine(now, leg, positions, *feedback);
                if self.arrives(leg, positions, *feedback) {
                    self.state = State::Coasting { leg, until: later(now, *coast) };
                    return stood;
                }
                self.state = State::Moving { leg, motion, limit };
                let better = choose_motion(leg, self.last_motion, settings);
                if leg.seeking && leg.passed.is_some() && better != motion {
                    // Now that it knows where it is, the other way round is shorter or avoids the brine (V2).
                    self.state = State::Resting { leg, motion: better, until: later(now, rest(settings)) };
                }
                stood
            }
            State::Coasting { mut leg, until } => {
                self.pass(now, &mut leg, before, positions, *feedback);
                self.state = State::Coasting { leg, until };
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
            State::Resting { leg, motion, until } if now >= until => {
                // Perhaps it came to the target by itself; a position its switch confirms is not moved (V2).
                if !leg.contradicted && self.stands_in(leg.target, settings) {
                    return self.rests(leg.target);
                }
                Some(self.run(now, leg, motion, settings))
            }
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
            // A switch that flickers at rest moves nothing; if it stays open, `poll` says so (V4).
            State::AtRest { position, .. } if position == target => return None,
            State::AtRest { position, lost_since: None } => order_of(settings, position),
            State::AtRest { .. } if self.stands_in(target, settings) => return self.rests(target),
            State::AtRest { .. } | State::Unknown => None,
            _ => return None,
        };
        self.seek(now, Leg::new(target, passed), settings)
    }

    /// Forgets that the drive was lost, so that it is sought again unless a switch confirms where it
    /// is (an operator's decision).
    pub fn forgive(&mut self, settings: &RawDrive) -> Option<DriveEvent> {
        if !self.is_lost() {
            return None;
        }
        self.state = State::Unknown;
        self.try_confirm(settings)
    }

    /// Starts a leg, or the rest before it if the motor would reverse.
    fn seek(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let motion = choose_motion(leg, self.last_motion, settings);
        // What the motor did before power came is not known: its first run rests as well (S7).
        if self.last_motion != motion {
            self.state = State::Resting { leg, motion, until: later(now, rest(settings)) };
            return None;
        }
        Some(self.run(now, leg, motion, settings))
    }

    /// Starts the motor.
    fn run(&mut self, now: Instant, mut leg: Leg, motion: Motion, settings: &RawDrive) -> DriveEvent {
        if let RawDrive::CamSwitch { positions, feedback, .. } = settings {
            leg.contradicted |= contradict(*feedback, self.switches);
            let turns_between_stops = *feedback == CamFeedback::HomeAndStop
                && self.switches.0 & STOP == 0
                && opposite(motion) == Some(self.last_motion);
            if turns_between_stops {
                // The next stop is the one just left, so it counts from the one beyond.
                leg.passed = leg.passed.and_then(|i| next_place(i, self.last_motion, positions.len()));
            }
        }
        self.opened = Switches(!self.switches.0);
        if leg.target != Position::BrineDraw && self.stands_in(Position::BrineDraw, settings) {
            self.in_brine_since.get_or_insert(now);
        }
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
                let there = leg.passed == order_of(settings, leg.target);
                there && confirms(positions, *feedback, self.switches, leg.target)
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
            let read = reads(positions, *feedback, self.switches, None).filter(|_| !leg.contradicted);
            let believed = read.and_then(|i| positions.get(usize::from(i)).copied());
            self.in_brine_since = None;
            self.state = State::Lost { believed };
            return DriveEvent::Lost;
        }
        let leg = Leg { tries, ..leg };
        let motion = choose_motion(leg, self.last_motion, settings);
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
        self.in_brine_since = None;
        self.state = State::AtRest { position, lost_since: None };
        Some(DriveEvent::Confirmed(position))
    }

    /// The switches changed while the cam turned: which position has it passed?
    fn pass(&mut self, now: Instant, leg: &mut Leg, before: Switches, positions: &[Position], feedback: CamFeedback) {
        let after = self.switches;
        if feedback == CamFeedback::SwitchPerPosition {
            leg.contradicted |= contradict(feedback, after);
            leg.passed = reads(positions, feedback, after, None).or(leg.passed);
            return;
        }
        let bounced = self.stop_opened_at.is_some_and(|at| elapsed(at, now) < SWITCH_BOUNCE);
        if before.0 & STOP == 0 && after.0 & STOP != 0 && !bounced {
            leg.passed = leg.passed.and_then(|i| next_place(i, self.last_motion, positions.len()));
        }
        if after.0 & (HOME | STOP) != HOME | STOP {
            return;
        }
        // Home is believed where the count expects it, or where none is kept, if its switch was open since.
        let fresh = self.opened.0 & HOME != 0;
        match leg.passed {
            Some(0) => self.opened.0 &= !HOME,
            None if fresh => {
                leg.passed = Some(0);
                self.opened.0 &= !HOME;
            }
            None => {}
            Some(_) => {
                leg.contradicted = true;
                leg.passed = None;
                self.opened.0 &= !HOME;
            }
        }
    }

    /// The target's switch closed by travelling: one that was closed all along says nothing.
    fn arrives(&self, leg: Leg, positions: &[Position], feedback: CamFeedback) -> bool {
        let here = leg.passed.and_then(|i| positions.get(usize::from(i)).copied());
        if here != Some(leg.target) || reads(positions, feedback, self.switches, leg.passed) != leg.passed {
            return false;
        }
        let bit = leg.passed.and_then(|i| 1u8.checked_shl(u32::from(i))).unwrap_or(0);
        feedback == CamFeedback::HomeAndStop || self.opened.0 & bit != 0
    }

    /// Times how long the valve stands in the brine position on its way elsewhere (S12).
    fn time_in_brine(
        &mut self,
        now: Instant,
        leg: Leg,
        positions: &[Position],
        feedback: CamFeedback,
    ) -> Option<DriveEvent> {
        let read = reads(positions, feedback, self.switches, leg.passed);
        let here = read.and_then(|i| positions.get(usize::from(i)).copied());
        if here == Some(Position::BrineDraw) && leg.target != Position::BrineDraw {
            self.in_brine_since.get_or_insert(now);
            return None;
        }
        let since = self.in_brine_since.take()?;
        (elapsed(since, now) >= BRINE_PASSING_LIMIT).then_some(DriveEvent::StoodInBrine)
    }

    /// The switches alone tell that the valve stands in a position.
    fn stands_in(&self, position: Position, settings: &RawDrive) -> bool {
        let RawDrive::CamSwitch { positions, feedback, .. } = settings else { return false };
        let read = reads(positions, *feedback, self.switches, None);
        read.is_some() && read == order_of(settings, position)
    }

    /// An unknown position that a switch confirms is known, and is not moved (V2).
    fn try_confirm(&mut self, settings: &RawDrive) -> Option<DriveEvent> {
        let RawDrive::CamSwitch { positions, feedback, .. } = settings else { return None };
        let index = reads(positions, *feedback, self.switches, None)?;
        let position = positions.get(usize::from(index)).copied()?;
        self.rests(position)
    }
}
