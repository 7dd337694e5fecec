//! The machine that moves one valve and knows where it is (V1–V4, S7).
//!
//! ```text
//!            power-up settled           turn to be sought        switch, mark or run time
//!  Settled? ────────────────▶ Unknown ──────────────────▶ Moving ──────────────────▶ Coasting ──▶ AtRest
//!      └── a switch confirms ─────────────────────────────▲  │ limit                     │ missed    │ moved away
//!          a position: AtRest                      Resting ◀──┴───────────────────────────┴───────────┘
//!                                                    └── no tries left ──▶ Lost
//! ```
//! A motion is one value, so that a drive cannot be told two directions at once; a reversal goes
//! through `Resting`; a motor that runs has a limit in its state. Every kind of drive is this machine:
//! what its switches tell, which way it runs and for how long is said in a module of its own.
//!
//! What each kind can know of its valve:
//! - `cam-switch` with a switch per position: whatever moves it, after at most a second. One switch that lies
//!   contradicts the others or loses the drive, unless it is stuck closed and the valve is then moved by hand.
//! - `cam-switch` with home and stop, `cam-index`: it counts, so a mark that was missed or added is known when
//!   home comes again, and not before; swapped wires on a reversible motor are not seen before that either. A stop
//!   that opens for a tenth of a second at rest and closes again counts as moved; a hand that is quicker is not seen
//!   before home. `cam-index` counts marks at rest, too, and its tolerances are settings. What was done since the
//!   valve was last at home is in doubt when home contradicts the count (`Controller::place_in_doubt`).
//! - `two-position`: as a switch per position.
//! - `timed`, and `pilot-array` without a contact: nothing; it is believed after its time (S3). A contact of a
//!   pilot array that is stuck closed leaves as little.

mod cam_index;
mod cam_switch;
mod pilot_array;
mod timed;
mod travel;
mod two_position;

use serde::{Deserialize, Serialize};

use self::travel::{arrives, choose_motion, coast, confirms, contradict, mark_of, opposite, place_at, reads, retries};
use crate::program::Position;
use crate::settings::{CamFeedback, RawDrive};
use crate::units::{Instant, Millis, elapsed, later};

pub(crate) use pilot_array::pattern;
pub use two_position::{End, TwoWay};

/// Contacts are given this long to settle after power-up before a position counts as unknown.
const POWER_UP_SETTLE: Millis = Millis(500);
/// A resting position not confirmed for so long has moved (V4).
const MOVED_AFTER: Millis = Millis::from_secs(1);
/// A valve that stands in the brine position for so long on its way elsewhere has drawn brine (S12).
const BRINE_PASSING_LIMIT: Millis = Millis::from_secs(30);
/// A valve that leaves its position within so long of coming there has not come to rest.
const RESTED_AFTER: Millis = Millis::from_mins(10);

/// The switch that is closed in the first position only (`HomeAndStop`, `CamIndex`).
const HOME: u8 = 1;
/// The switch that is closed in every position (`HomeAndStop`) or at every mark (`CamIndex`).
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

/// What the pilots of one drive are told, bit i = pilot i acts; none for a drive with a motor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Pilots(pub u8);

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
    /// In a confirmed position, motor off.
    AtRest(Rest),
    /// The motor runs, or the valve follows its pilots, at the longest until `limit`.
    Moving { leg: Leg, motion: Motion, limit: Instant },
    /// The motor was stopped at the target; the cam may coast until then. Of pilots: the contact is awaited.
    Coasting { leg: Leg, until: Instant },
    /// The motor rests before it tries again or turns round; pilots do before another pattern.
    Resting { leg: Leg, motion: Motion, until: Instant },
    /// All tries failed: the motor stays off until an operator asks for a new search.
    Lost { believed: Option<Position> },
}

/// A confirmed position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Rest {
    position: Position,
    /// Where it stands by the count.
    mark: u8,
    /// Marks seen while the motor was off: nobody knows which way they passed.
    loose: u8,
    since: Instant,
    /// Its switches stopped confirming it then.
    lost_since: Option<Instant>,
}

/// One journey to a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Leg {
    target: Position,
    /// Last place or mark known, in the order of travel; `None` while it is unknown.
    passed: Option<u8>,
    /// Tries used up.
    tries: u8,
    /// It began where nobody knew the position.
    seeking: bool,
    /// It has turned round once since it learnt where it is.
    turned: bool,
    /// The switches contradicted each other on the way: one of them lies, or the count was wrong.
    contradicted: bool,
    /// An index cam counts marks near home, and home has been seen there.
    near_home: bool,
    home_seen: bool,
    /// Since when it stands in the brine position on its way elsewhere.
    in_brine_since: Option<Instant>,
}

impl Leg {
    fn new(target: Position, passed: Option<u8>) -> Self {
        Self {
            target,
            passed,
            tries: 0,
            seeking: passed.is_none(),
            turned: false,
            contradicted: false,
            near_home: false,
            home_seen: false,
            in_brine_since: None,
        }
    }
}

/// What happened to a drive, for its owner to act on and to journal; `P` is what its positions mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum DriveEvent<P = Position> {
    /// The motor started towards a position, or the pilots changed.
    Moving(P),
    /// A position is confirmed.
    Confirmed(P),
    /// The limit passed without the target; the drive rests and tries again.
    Retrying(P),
    /// It came to rest elsewhere by itself (V4).
    MovedAway(P),
    /// On its way elsewhere it stood in the brine position for so long that brine was drawn (S12).
    StoodInBrine,
    /// The count contradicts the home mark: it is homed again.
    Miscounted,
    /// No tries are left (V3).
    Lost,
    /// The position is not known.
    PositionUnknown,
    /// On its way elsewhere, with brine in the bed, it comes to a position in which it must not rest (S12).
    Passing(P),
    /// It has left that position behind.
    Passed(P),
}

/// One drive.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Drive {
    state: State,
    switches: Switches,
    /// Switches seen open since the motor last started: only these can close by travelling.
    opened: Switches,
    /// When a switch that is counted last opened: one that closes right after has bounced.
    opened_at: Instant,
    last_motion: Motion,
    /// How often it left its position without having come to rest there.
    strays: u8,
    /// It has come to rest by its count alone since it was last at home.
    by_count: bool,
    /// How often home has contradicted the count since it last agreed.
    miscounts: u8,
}

impl Drive {
    /// A drive at power-up: off, position unknown until its switches say or a search finds it.
    #[must_use]
    pub fn new(now: Instant) -> Self {
        Self {
            state: State::PoweringUp { until: later(now, POWER_UP_SETTLE) },
            switches: Switches(0),
            opened: Switches(0),
            opened_at: now,
            last_motion: Motion::Off,
            strays: 0,
            by_count: false,
            miscounts: 0,
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

    /// What the pilots must do now.
    #[must_use]
    pub fn pilots(&self, settings: &RawDrive) -> Pilots {
        let stands = match self.state {
            State::AtRest(rest) => rest.position,
            State::Moving { leg, .. } | State::Coasting { leg, .. } => leg.target,
            _ => return Pilots(0),
        };
        pilot_array::pattern(settings, stands)
    }

    /// The confirmed position, if the drive is at rest in one.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        match self.state {
            State::AtRest(rest) => Some(rest.position),
            _ => None,
        }
    }

    fn leg(&self) -> Option<Leg> {
        match self.state {
            State::Moving { leg, .. } | State::Coasting { leg, .. } | State::Resting { leg, .. } => Some(leg),
            _ => None,
        }
    }

    /// Where it is going, if it is.
    #[must_use]
    pub fn target(&self) -> Option<Position> {
        self.leg().map(|leg| leg.target)
    }

    /// The position that its switches tell on the way to another one.
    pub(crate) fn passing(&self, settings: &RawDrive) -> Option<Position> {
        let leg = self.leg()?;
        let here = place_at(settings, reads(settings, self.switches, leg.passed)?)?;
        (here != leg.target).then_some(here)
    }

    /// The drive does not know where it is, and is not looking.
    #[must_use]
    pub fn is_unknown(&self) -> bool {
        matches!(self.state, State::Unknown)
    }

    /// The drive is looking for a position it does not know.
    #[must_use]
    pub fn is_seeking(&self) -> bool {
        self.leg().is_some_and(|leg| leg.seeking)
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

    /// A lost drive for which this may be so of the position it stands in.
    fn may(&self, so: impl FnOnce(Position) -> bool) -> bool {
        match self.state {
            State::Lost { believed } => believed.is_none_or(so),
            _ => false,
        }
    }

    /// A lost drive that may be open to drain: anything but confirmed in service or standby (S1, V3).
    #[must_use]
    pub fn may_discharge(&self) -> bool {
        self.may(Position::discharges)
    }

    /// A lost drive whose bed may be drawing brine (S12).
    #[must_use]
    pub fn may_draw_brine(&self) -> bool {
        self.may(|p| p == Position::BrineDraw)
    }

    /// A lost drive that may be open to the brine tank (S1).
    #[must_use]
    pub fn may_use_brine_tank(&self) -> bool {
        self.may(Position::uses_brine_tank)
    }

    /// A lost drive that may be open to the building, whatever state its bed is in (V3).
    #[must_use]
    pub fn may_serve(&self) -> bool {
        self.may(|p| p == Position::Service)
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

    /// It has come to rest by its count alone since it was last at home: if the count was wrong, elsewhere (S6, S12).
    pub(crate) fn has_rested_by_count(&self) -> bool {
        self.by_count
    }

    /// Home contradicts its count again and again: it is lost as soon as it rests (V3), away from home if its valve
    /// draws brine, which must not come to the building (S12).
    pub(crate) fn is_miscounting(&self, settings: &RawDrive) -> bool {
        self.miscounts > retries(settings).max(1)
    }

    /// When the drive next wants to be called, if nothing happens before.
    #[must_use]
    pub fn deadline(&self) -> Option<Instant> {
        match self.state {
            State::PoweringUp { until } | State::Coasting { until, .. } | State::Resting { until, .. } => Some(until),
            State::Moving { limit, .. } => Some(limit),
            State::AtRest(rest) => rest.lost_since.map(|since| later(since, MOVED_AFTER)),
            State::Unknown | State::Lost { .. } => None,
        }
    }

    /// New levels of the switches.
    pub fn set_switches(&mut self, now: Instant, switches: Switches, settings: &RawDrive) -> Option<DriveEvent> {
        if switches == self.switches {
            return None;
        }
        let before = core::mem::replace(&mut self.switches, switches);
        self.opened.0 |= !switches.0;
        let bounced = elapsed(self.opened_at, now) < travel::bounce(settings);
        let counted = travel::counted(settings);
        if before.0 & !switches.0 & counted != 0 {
            self.opened_at = now;
        }
        let closes = !bounced && !before.0 & switches.0 & counted != 0;
        match self.state {
            State::Moving { leg, motion, limit } => self.travelled(now, leg, closes, motion, limit, settings),
            State::Coasting { mut leg, until } => {
                let counted = self.count(&mut leg, closes, settings);
                self.state = State::Coasting { leg, until };
                if pilot_array::follows(settings, switches) {
                    return self.rests(now, leg.target, leg.passed, settings);
                }
                counted
            }
            State::AtRest(rest) => {
                self.state = State::AtRest(self.shaken(now, rest, closes, before, settings));
                None
            }
            State::Unknown => self.try_confirm(now, settings),
            _ => None,
        }
    }

    /// The switches changed while the motor ran.
    fn travelled(
        &mut self,
        now: Instant,
        mut leg: Leg,
        closes: bool,
        motion: Motion,
        limit: Instant,
        settings: &RawDrive,
    ) -> Option<DriveEvent> {
        let miscounted = self.count(&mut leg, closes, settings);
        let stood = self.time_in_brine(now, &mut leg, settings);
        if arrives(&leg, self.switches, self.opened, settings) {
            self.state = State::Coasting { leg, until: later(now, coast(settings)) };
            return stood;
        }
        self.state = State::Moving { leg, motion, limit };
        if closes && two_position::is_wrong_end(&leg, self.switches, self.opened, settings) {
            return Some(self.try_failed(now, leg, settings));
        }
        let better = choose_motion(&leg, self.last_motion, settings);
        if leg.seeking && !leg.turned && leg.passed.is_some() && better != motion {
            // Now that it knows where it is, the other way round is shorter or avoids the brine (V2). Once:
            // switches that lie must not turn it to and fro for ever.
            let leg = Leg { turned: true, ..leg };
            self.state = State::Resting { leg, motion: better, until: later(now, settings.rest()) };
        }
        stood.or(miscounted)
    }

    /// The switches changed while the valve should stand.
    fn shaken(&self, now: Instant, mut rest: Rest, closes: bool, before: Switches, settings: &RawDrive) -> Rest {
        let stands = if matches!(settings, RawDrive::CamIndex { .. }) {
            cam_index::shaken(&mut rest, self.switches, before, closes, settings)
        } else {
            // A stop that opens and closes while the motor stands is another one, perhaps; home tells for itself.
            rest.loose = rest.loose.saturating_add(u8::from(closes && travel::counts(settings)));
            confirms(settings, self.switches, rest.mark) && (rest.loose == 0 || rest.mark == 0)
        };
        rest.lost_since = if stands { None } else { rest.lost_since.or(Some(now)) };
        rest
    }

    /// Lets time pass: limits, coasting, rests.
    pub fn poll(&mut self, now: Instant, settings: &RawDrive) -> Option<DriveEvent> {
        match self.state {
            State::PoweringUp { until } if now >= until => {
                self.state = State::Unknown;
                self.try_confirm(now, settings).or(Some(DriveEvent::PositionUnknown))
            }
            State::Moving { leg, limit, .. } if now >= limit => match settings {
                RawDrive::Timed { .. } => self.timed_leg_over(now, leg, settings),
                RawDrive::PilotArray { .. } => self.pilots_settled(now, leg, settings),
                _ => Some(self.try_failed(now, leg, settings)),
            },
            State::Coasting { leg, until } if now >= until => self.coasted(now, leg, settings),
            State::Resting { leg, motion, until } if now >= until => {
                // Perhaps it came to the target by itself; a position its switch confirms is not moved (V2).
                if !leg.contradicted && self.stands_in(leg.target, settings) {
                    return self.rests(now, leg.target, mark_of(settings, leg.target), settings);
                }
                Some(self.run(now, leg, motion, settings))
            }
            State::AtRest(rest) => self.moved_away(now, rest, settings),
            _ => None,
        }
    }

    /// A valve that its switches have not confirmed for long has moved by itself (V4). One that never
    /// comes to rest is lost, or its motor would be started for ever (S7).
    fn moved_away(&mut self, now: Instant, rest: Rest, settings: &RawDrive) -> Option<DriveEvent> {
        let since = rest.lost_since?;
        if elapsed(since, now) < MOVED_AFTER {
            return None;
        }
        let rested = elapsed(rest.since, since) >= RESTED_AFTER;
        self.strays = if rested { 0 } else { self.strays.saturating_add(1) };
        if self.strays > retries(settings).max(1) {
            return Some(self.give_up(None));
        }
        self.state = State::Unknown;
        // Perhaps it rests in another position that its switch confirms.
        let _ = self.try_confirm(now, settings);
        Some(DriveEvent::MovedAway(rest.position))
    }

    /// Sends the drive to a position; a drive that is lost, powering up or already there stays.
    pub fn go(&mut self, now: Instant, target: Position, settings: &RawDrive) -> Option<DriveEvent> {
        let passed = match self.state {
            // A switch that flickers at rest moves nothing; if it stays open, `poll` says so (V4).
            State::AtRest(rest) if rest.position == target => return None,
            // Which way marks passed at rest is not known: home tells.
            State::AtRest(Rest { mark, loose: 0, lost_since: None, .. }) => Some(mark),
            State::AtRest(_) if self.stands_in(target, settings) => {
                return self.rests(now, target, mark_of(settings, target), settings);
            }
            State::AtRest(_) | State::Unknown => None,
            _ => return self.divert(target, settings),
        };
        self.seek(now, Leg::new(target, passed), settings)
    }

    /// A drive that is homed again after a wrong count goes on from there to where it is wanted now: what the count has
    /// hidden may have changed that (S12).
    fn divert(&mut self, target: Position, settings: &RawDrive) -> Option<DriveEvent> {
        let (State::Moving { leg, .. } | State::Resting { leg, .. }) = &mut self.state else { return None };
        let is_homed_again = travel::counts(settings) && leg.contradicted && leg.passed.is_none();
        if !is_homed_again || leg.target == target {
            return None;
        }
        leg.target = target;
        Some(DriveEvent::Moving(target))
    }

    /// Forgets that the drive was lost, so that it is sought again unless a switch confirms where it
    /// is (an operator's decision).
    pub fn forgive(&mut self, now: Instant, settings: &RawDrive) -> Option<DriveEvent> {
        if !self.is_lost() {
            return None;
        }
        self.state = State::Unknown;
        self.strays = 0;
        self.miscounts = 0;
        self.try_confirm(now, settings)
    }

    /// Somebody shut the lost valve by hand: it stays lost, and is believed to pass nothing. False if it is not lost.
    pub(crate) fn shut_by_hand(&mut self) -> bool {
        let lost = self.is_lost();
        if lost {
            self.state = State::Lost { believed: Some(Position::Standby) };
        }
        lost
    }

    /// Starts a leg, or the rest before it if the motor would reverse.
    fn seek(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let motion = choose_motion(&leg, self.last_motion, settings);
        // What the motor did before power came is not known: its first run rests as well (S7).
        let breaks = matches!(settings, RawDrive::PilotArray { .. }) && settings.rest() > Millis::ZERO;
        if self.last_motion != motion || breaks {
            self.state = State::Resting { leg, motion, until: later(now, settings.rest()) };
            return None;
        }
        Some(self.run(now, leg, motion, settings))
    }

    /// Starts the motor.
    fn run(&mut self, now: Instant, mut leg: Leg, motion: Motion, settings: &RawDrive) -> DriveEvent {
        leg.contradicted |= contradict(settings, self.switches);
        let turns_between =
            travel::counts(settings) && self.switches.0 & STOP == 0 && opposite(motion) == Some(self.last_motion);
        if turns_between {
            // The next mark is the one just left, so it counts from the one beyond.
            leg.passed = leg.passed.map(|mark| travel::next_mark(mark, self.last_motion, travel::round(settings)));
        }
        if leg.tries == 0 && leg.passed.is_some_and(|mark| cam_index::is_home(settings, mark)) {
            // It leaves home, which need not come again.
            (leg.near_home, leg.home_seen) = (true, true);
        }
        self.opened = Switches(!self.switches.0);
        let _ = self.time_in_brine(now, &mut leg, settings);
        let limit = match settings {
            RawDrive::Timed { .. } => timed::run_length(&leg, motion, settings),
            RawDrive::PilotArray { .. } => pilot_array::settle(settings),
            _ => settings.travel_limit(),
        };
        self.last_motion = motion;
        self.state = State::Moving { leg, motion, limit: later(now, limit) };
        DriveEvent::Moving(leg.target)
    }

    /// The cam has coasted, or the contact was awaited: is the target confirmed?
    fn coasted(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let there = match settings {
            RawDrive::Timed { .. } => true,
            _ => leg.passed.is_some_and(|mark| {
                place_at(settings, mark) == Some(leg.target) && confirms(settings, self.switches, mark)
            }),
        };
        if there {
            self.rests(now, leg.target, leg.passed, settings)
        } else {
            Some(self.try_failed(now, leg, settings))
        }
    }

    /// A try is used up: rest and try again, or give up (V3).
    fn try_failed(&mut self, now: Instant, leg: Leg, settings: &RawDrive) -> DriveEvent {
        let tries = leg.tries.saturating_add(1);
        if tries > retries(settings) {
            let read = reads(settings, self.switches, None).filter(|_| !leg.contradicted);
            return self.give_up(read.and_then(|mark| place_at(settings, mark)));
        }
        let leg = Leg { tries, ..leg };
        let motion = choose_motion(&leg, self.last_motion, settings);
        let rest = Millis(settings.rest().0.max(travel::SHORTEST_REST.0));
        self.state = State::Resting { leg, motion, until: later(now, rest) };
        DriveEvent::Retrying(leg.target)
    }

    /// The motor stays off from here on.
    fn give_up(&mut self, believed: Option<Position>) -> DriveEvent {
        self.state = State::Lost { believed };
        DriveEvent::Lost
    }

    /// The drive rests in a confirmed position.
    fn rests(&mut self, now: Instant, position: Position, mark: Option<u8>, settings: &RawDrive) -> Option<DriveEvent> {
        let at_home = mark.is_some_and(|mark| cam_index::is_home(settings, mark));
        self.by_count |= travel::counts(settings) && !at_home;
        let draws = mark_of(settings, Position::BrineDraw).is_some();
        if self.is_miscounting(settings) && at_home != draws {
            return Some(self.give_up(at_home.then_some(position)));
        }
        let rest = Rest { position, mark: mark.unwrap_or(0), loose: 0, since: now, lost_since: None };
        self.state = State::AtRest(rest);
        Some(DriveEvent::Confirmed(position))
    }

    /// The switches changed while the valve moved: which position or mark has it passed?
    fn count(&mut self, leg: &mut Leg, closes: bool, settings: &RawDrive) -> Option<DriveEvent> {
        match settings {
            RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. } => {
                leg.contradicted |= contradict(settings, self.switches);
                leg.passed = reads(settings, self.switches, None).or(leg.passed);
                None
            }
            RawDrive::CamSwitch { .. } | RawDrive::CamIndex { .. } => {
                let was_counting = leg.passed.is_some();
                let event = cam_index::count(leg, closes, self.switches, &mut self.opened, self.last_motion, settings);
                let both = HOME | STOP;
                if event == Some(DriveEvent::Miscounted) {
                    self.miscounts = self.miscounts.saturating_add(1);
                } else if self.switches.0 & both == both && leg.passed == Some(0) {
                    // Home, where the count expects it, if there was one.
                    let agrees = core::mem::take(&mut self.by_count) && was_counting;
                    self.miscounts = if agrees { 0 } else { self.miscounts };
                }
                event
            }
            RawDrive::Timed { .. } | RawDrive::PilotArray { .. } => None,
        }
    }

    /// Times how long the valve stands in the brine position on its way elsewhere (S12).
    fn time_in_brine(&self, now: Instant, leg: &mut Leg, settings: &RawDrive) -> Option<DriveEvent> {
        let here = match (settings, leg.passed) {
            // It may jam between two marks, where no switch tells of it.
            (RawDrive::CamIndex { .. }, Some(mark)) => cam_index::place_about(settings, mark),
            (_, passed) => reads(settings, self.switches, passed).and_then(|mark| place_at(settings, mark)),
        };
        if here == Some(Position::BrineDraw) && leg.target != Position::BrineDraw {
            leg.in_brine_since.get_or_insert(now);
            return None;
        }
        let since = leg.in_brine_since.take()?;
        (elapsed(since, now) >= BRINE_PASSING_LIMIT).then_some(DriveEvent::StoodInBrine)
    }

    /// The switches alone tell that the valve stands in a position.
    fn stands_in(&self, position: Position, settings: &RawDrive) -> bool {
        let read = reads(settings, self.switches, None);
        read.is_some() && read == mark_of(settings, position)
    }

    /// An unknown position that a switch confirms is known, and is not moved (V2).
    fn try_confirm(&mut self, now: Instant, settings: &RawDrive) -> Option<DriveEvent> {
        let mark = reads(settings, self.switches, None)?;
        let position = place_at(settings, mark)?;
        self.rests(now, position, Some(mark), settings)
    }
}
