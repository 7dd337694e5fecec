//! One valve of the plant: where it truly stands, what its switches say of it, and what is wrong with it.

use std::sync::Arc;

use bedkeeper::drive::{Motion, Pilots, Switches};
use bedkeeper::program::Position;

use super::fault::{Fault, FaultRefused};
use super::machine::{Gear, US, ValveMachine, opposite};
use super::passage::{OPEN, Opening, OpeningMilli};
use super::track::Track;

/// How long contacts chatter, and how long each of their closures then is.
const CHATTER_MS: u64 = 20;
const CHATTER_STEP_MS: u64 = 5;
/// An extra mark closes so long after a real one has opened, and for so long.
const EXTRA_MARK_MS: u64 = 150;
/// The most that wear adds to the time of travel and coasting, in thousandths.
const MOST_WORN_MILLI: u64 = 3_000;
/// How long it takes to turn a valve by hand.
const HAND_MS: u64 = 400;

/// A valve with its place and motion.
#[derive(Debug, Clone)]
pub struct Valve {
    /// Shared, since a search copies its valves at every step.
    machine: Arc<ValveMachine>,
    /// Place on its way, if a motor moves it.
    place_us: u64,
    told: Motion,
    /// What its pilots are told.
    pilots: Pilots,
    /// It follows its pilots until then.
    follows: Option<u64>,
    /// The pattern that last acted.
    acts: u8,
    /// How often the motor has started since wear set in.
    worn_starts: u32,
    /// The motor is off, and the cam turns on until then.
    coasts: Option<(Motion, u64)>,
    at_ms: u64,
    armed: Vec<Fault>,
    /// The way its relay has welded.
    welded: Option<Motion>,
    /// Somebody turns it until then, to there.
    hand: Option<(u64, u64)>,
    /// What its switches show but for chatter and stuck ones.
    level: Switches,
    /// Its contacts chatter since then; what they showed before.
    chatter: Option<(u64, Switches)>,
    /// The mark it stands on is missed.
    mark_hidden: bool,
    /// A mark that is none shows from then on.
    extra_mark_ms: Option<u64>,
    /// What the logic was last told of the switches.
    reported: Option<Switches>,
}

impl Valve {
    /// A valve that stands in a position; in its first one if it has no such position.
    #[must_use]
    pub fn standing_in(machine: ValveMachine, position: Position) -> Self {
        let (mut place_us, mut pattern) = (0, 0);
        match &machine.gear {
            Gear::Motor { track, .. } => place_us = track.middle_us(position).unwrap_or(0),
            Gear::Pilots { positions, .. } => {
                pattern = positions.iter().find(|(p, _)| *p == position).map_or(0, |(_, pattern)| *pattern);
            }
        }
        let mut valve = Self {
            machine: Arc::new(machine),
            place_us,
            told: Motion::Off,
            // It stands as if its pilots had just been told so.
            pilots: Pilots(pattern),
            follows: None,
            acts: pattern,
            worn_starts: 0,
            coasts: None,
            at_ms: 0,
            armed: Vec::new(),
            welded: None,
            hand: None,
            level: Switches(0),
            chatter: None,
            mark_hidden: false,
            extra_mark_ms: None,
            reported: None,
        };
        valve.level = valve.true_level();
        valve
    }

    /// What the motor is told now.
    #[must_use]
    pub fn motion(&self) -> Motion {
        self.told
    }

    /// Whether it turns: driven, coasting, by a relay that has welded, or by hand.
    #[must_use]
    pub fn is_turning(&self) -> bool {
        self.hand.is_some() || self.turning() != Motion::Off
    }

    /// Somebody is turning it by hand.
    #[must_use]
    pub const fn is_turned_by_hand(&self) -> bool {
        self.hand.is_some()
    }

    /// Whether its place changes: turned by hand, following its pilots, or driven and neither jammed nor at its stop.
    #[must_use]
    pub fn moves(&self) -> bool {
        let turning = self.turning();
        let driven = self.track().is_some_and(|track| {
            let by_us = self.free_us(track, self.speed_us(), turning);
            turning != Motion::Off && track.travel(self.place_us, by_us, turning) != self.place_us
        });
        self.hand.is_some() || self.follows.is_some() || driven
    }

    /// The position that its ports are nearest to; none of a valve whose pilots make no position, or that follows them.
    #[must_use]
    pub fn nearest(&self) -> Option<Position> {
        match &self.machine.gear {
            Gear::Motor { .. } => Some(self.opening().position),
            Gear::Pilots { .. } => self.position(),
        }
    }

    /// What the pilots are told now.
    #[must_use]
    pub fn pilots(&self) -> Pilots {
        self.pilots
    }

    /// Tells the pilots.
    pub fn command_pilots(&mut self, pilots: Pilots) {
        self.pilots = pilots;
        self.follow();
    }

    /// A pattern that acts anew is followed.
    fn follow(&mut self) {
        let Gear::Pilots { follow_ms, .. } = &self.machine.gear else { return };
        let (mut off, mut on) = (0u8, 0u8);
        for fault in &self.armed {
            match fault {
                Fault::PilotStuckOff(n) => off |= bit(*n),
                Fault::PilotStuckOn(n) => on |= bit(*n),
                _ => {}
            }
        }
        let mut told = self.pilots.0;
        for fault in &self.armed {
            if let Fault::PilotsSwapped(a, b) = fault {
                told = exchanged(told, *a, *b);
            }
        }
        let acts = (told | on) & !off;
        if acts != self.acts {
            self.acts = acts;
            self.follows = Some(self.at_ms + follow_ms);
        }
        self.settle();
    }

    /// Tells the motor.
    pub fn command(&mut self, motion: Motion) {
        if motion == self.told {
            return;
        }
        let was = self.turning();
        if self.told == Motion::Off && self.armed.iter().any(|fault| matches!(fault, Fault::Wears { .. })) {
            self.worn_starts = self.worn_starts.saturating_add(1);
        }
        self.told = motion;
        if self.has(Fault::MotorRunsOn) && motion != Motion::Off {
            let _ = self.welded.get_or_insert(motion);
        }
        self.coasts = None;
        let Gear::Motor { track, coast_ms } = &self.machine.gear else { return };
        let coast_ms = self.coast_percent().map_or(*coast_ms, |percent| {
            let leg_us = track.length_us / (track.positions.len() as u64).max(1);
            leg_us * u64::from(percent) / 100 / US
        });
        let coast_ms = coast_ms * self.slowed_milli() / 1_000;
        if motion == Motion::Off && was != Motion::Off && self.welded.is_none() && coast_ms > 0 {
            self.coasts = Some((was, self.at_ms + coast_ms));
        }
    }

    /// Where it stands, if within reach of a position: a tenth of a leg for a cam, its tolerance for one with marks,
    /// a twentieth of the way at an end, exactly between stops; settled as its pilots are told.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        if self.hand.is_some() || self.follows.is_some() {
            return None;
        }
        match &self.machine.gear {
            Gear::Motor { track, .. } => track.position(self.place_us).map(|i| track.positions[i].0),
            Gear::Pilots { positions, .. } => positions.iter().find(|(_, p)| *p == self.acts).map(|(p, _)| *p),
        }
    }

    /// The position it stands nearest to, and how far its ports are open.
    ///
    /// While a valve follows its pilots every port is shut, and so they stay where the pilots make no position.
    #[must_use]
    pub fn opening(&self) -> Opening {
        let (position, near, far, reach) = match &self.machine.gear {
            Gear::Motor { track, .. } => match track.neighbours(self.place_us) {
                Some([(position, near), (_, far)]) => (position, near, far, track.reach_us),
                None => return Opening { position: Position::Service, milli: 0 },
            },
            Gear::Pilots { positions, .. } => {
                let makes = positions.iter().find(|(_, pattern)| *pattern == self.acts);
                let open = makes.is_some() && self.follows.is_none();
                let position = makes.map_or(Position::Service, |(position, _)| *position);
                return Opening { position, milli: if open { OPEN } else { 0 } };
            }
        };
        // From the edge of the position to the middle between the two.
        let (out, half) = (near.saturating_sub(reach), ((near + far) / 2).saturating_sub(reach));
        let closed = if out == 0 { 0 } else { out * u64::from(OPEN) / half.max(1) };
        Opening { position, milli: OPEN - OpeningMilli::try_from(closed).unwrap_or(OPEN).min(OPEN) }
    }

    /// What its switches show.
    #[must_use]
    pub fn switches(&self) -> Switches {
        let shown = match self.chatter {
            Some((since, before)) if self.chatters_back(since) => before,
            _ => self.level,
        };
        let (mut open, mut closed) = (0u8, 0u8);
        let mut shown = shown.0;
        for fault in &self.armed {
            match fault {
                Fault::SwitchesSwapped(a, b) => shown = exchanged(shown, *a, *b),
                Fault::SwitchInverted(n) => shown ^= bit(*n),
                Fault::SwitchStuckOpen(n) => open |= bit(*n),
                Fault::SwitchStuckClosed(n) => closed |= bit(*n),
                _ => {}
            }
        }
        Switches((shown & !open) | closed)
    }

    /// What its switches show, if that is not what was last told.
    pub fn take_news(&mut self) -> Option<Switches> {
        let shown = self.switches();
        (self.reported.replace(shown) != Some(shown)).then_some(shown)
    }

    /// Power is cut: motor and pilots are off, and whoever takes over is to be told of every switch.
    pub fn lose_power(&mut self) {
        self.command(Motion::Off);
        self.command_pilots(Pilots(0));
        self.reported = None;
    }

    /// Everything that its future depends on, with times counted from the time it was advanced to: of two valves of one
    /// machine with equal keys, what follows is equal.
    #[must_use]
    pub fn future_key(&self) -> impl std::hash::Hash + '_ {
        let left = |until: u64| until.saturating_sub(self.at_ms);
        (
            (self.place_us, self.told, self.coasts.map(|(motion, until)| (motion, left(until))), &self.armed),
            (self.pilots, self.follows.map(left), self.acts, self.worn_starts),
            (self.welded, self.hand.map(|(until, place)| (left(until), place)), self.level),
            (self.chatter.map(|(since, level)| (self.at_ms.saturating_sub(since), level)), self.mark_hidden),
            (self.extra_mark_ms.map(|from| (left(from), self.at_ms.saturating_sub(from))), self.reported),
        )
    }

    /// The faults that are armed.
    #[must_use]
    pub fn faults(&self) -> &[Fault] {
        &self.armed
    }

    /// Arms a fault.
    ///
    /// # Errors
    /// This kind of valve cannot have it.
    pub fn arm(&mut self, fault: Fault) -> Result<(), FaultRefused> {
        self.check(fault)?;
        if let Fault::MovedByHand(to) = fault {
            let Some(track) = self.track() else { return Err(FaultRefused::NoMotor { fault }) };
            let place = match to {
                Some(position) => track.middle_us(position),
                None => Some(track.between_us(self.place_us)),
            };
            let place = place.ok_or(FaultRefused::NoSuchPosition { fault })?;
            self.hand = Some((self.at_ms + HAND_MS, place));
            self.settle();
            return Ok(());
        }
        if !self.armed.contains(&fault) {
            self.armed.push(fault);
        }
        if fault == Fault::MotorRunsOn && self.told != Motion::Off {
            self.welded = Some(self.told);
        }
        self.follow();
        Ok(())
    }

    /// Whether this kind of valve can have a fault.
    fn check(&self, fault: Fault) -> Result<(), FaultRefused> {
        let (switches, pilots) = match &self.machine.gear {
            Gear::Motor { track, .. } => (track.switches.iter().map(|(switch, _)| switch + 1).max().unwrap_or(0), 0),
            Gear::Pilots { positions, contact, .. } => {
                let all = positions.iter().fold(0u8, |all, (_, pattern)| all | pattern);
                (u8::from(*contact), u8::try_from(8 - all.leading_zeros()).unwrap_or(8))
            }
        };
        let track = self.track();
        match fault {
            Fault::SwitchesSwapped(a, b) if a.max(b) > switches => Err(FaultRefused::TooFew { fault, has: switches }),
            Fault::PilotsSwapped(..) if pilots == 0 => Err(FaultRefused::NoPilots { fault }),
            Fault::PilotsSwapped(a, b) if a.max(b) > pilots => Err(FaultRefused::TooFew { fault, has: pilots }),
            Fault::SwitchStuckOpen(n) | Fault::SwitchStuckClosed(n) | Fault::SwitchInverted(n) if n > switches => {
                Err(FaultRefused::TooFew { fault, has: switches })
            }
            Fault::SwitchBounces if switches == 0 => Err(FaultRefused::TooFew { fault, has: 0 }),
            Fault::PilotStuckOff(_) | Fault::PilotStuckOn(_) if pilots == 0 => Err(FaultRefused::NoPilots { fault }),
            Fault::PilotStuckOff(n) | Fault::PilotStuckOn(n) if n > pilots => {
                Err(FaultRefused::TooFew { fault, has: pilots })
            }
            Fault::IndexMissed(_) | Fault::IndexExtra(_) if track.is_none_or(|track| track.marks.is_none()) => {
                Err(FaultRefused::NoMarks { fault })
            }
            Fault::CoastsFar { .. } if track.is_none_or(|track| !track.round) => Err(FaultRefused::NoCam { fault }),
            Fault::JamsIn(position) if track.is_some_and(|track| track.middle_us(position).is_none()) => {
                Err(FaultRefused::NoSuchPosition { fault })
            }
            Fault::MotorStalled
            | Fault::MotorSlow { .. }
            | Fault::Wears { .. }
            | Fault::MotorRunsOn
            | Fault::WiresSwapped
            | Fault::ForwardWireBroken
            | Fault::ReverseWireBroken
            | Fault::JamsIn(_)
            | Fault::MovedByHand(_)
                if track.is_none() =>
            {
                Err(FaultRefused::NoMotor { fault })
            }
            _ => Ok(()),
        }
    }

    /// Takes a fault away; says whether it was armed. Marks that are to be missed or added end, however many are left.
    pub fn disarm(&mut self, fault: Fault) -> bool {
        let before = self.armed.len();
        let marks = matches!(fault, Fault::IndexMissed(_) | Fault::IndexExtra(_));
        self.armed.retain(|armed| if marks { armed.name() != fault.name() } else { *armed != fault });
        if fault == Fault::MotorRunsOn {
            self.welded = None;
        }
        if matches!(fault, Fault::Wears { .. }) {
            self.worn_starts = 0;
        }
        self.follow();
        self.armed.len() < before
    }

    fn has(&self, fault: Fault) -> bool {
        self.armed.contains(&fault)
    }

    fn coast_percent(&self) -> Option<u8> {
        self.armed.iter().find_map(|fault| match fault {
            Fault::CoastsFar { percent } => Some(*percent),
            _ => None,
        })
    }

    /// Uses up one of the marks to be missed or added that are armed.
    fn use_mark(&mut self, wanted: &Fault) -> bool {
        let Some(at) = self.armed.iter().position(|armed| armed.name() == wanted.name()) else { return false };
        match &mut self.armed[at] {
            Fault::IndexMissed(left) | Fault::IndexExtra(left) if *left > 1 => *left -= 1,
            _ => {
                let _ = self.armed.remove(at);
            }
        }
        true
    }

    /// The way it turns now: driven, welded or coasting.
    fn turning(&self) -> Motion {
        if self.has(Fault::MotorStalled) {
            return Motion::Off;
        }
        let driven = match (self.welded, self.told) {
            // Told both directions at once, a motor stands.
            (Some(welded), told) if told != Motion::Off && told != welded => return Motion::Off,
            (Some(welded), _) => welded,
            (None, told) => told,
        };
        let broken = match driven {
            Motion::Forward => self.has(Fault::ForwardWireBroken),
            Motion::Reverse => self.has(Fault::ReverseWireBroken),
            Motion::Off => false,
        };
        let driven = if broken { Motion::Off } else { driven };
        match (driven, self.coasts) {
            // A coasting cam turns the way it did, however it is wired.
            (Motion::Off, Some((motion, until))) if self.at_ms < until => motion,
            (driven, _) if self.has(Fault::WiresSwapped) => opposite(driven),
            (driven, _) => driven,
        }
    }

    /// Travel in a millisecond.
    fn speed_us(&self) -> u64 {
        let percent = self.armed.iter().find_map(|fault| match fault {
            Fault::MotorSlow { percent } => Some(u64::from(*percent)),
            _ => None,
        });
        (US * percent.unwrap_or(100) * 10 / self.slowed_milli()).max(1)
    }

    /// How much longer it takes and coasts than when new, in thousandths.
    fn slowed_milli(&self) -> u64 {
        let each = self.armed.iter().find_map(|fault| match fault {
            Fault::Wears { per_mille } => Some(u64::from(*per_mille)),
            _ => None,
        });
        1_000 + (each.unwrap_or(0) * u64::from(self.worn_starts)).min(MOST_WORN_MILLI)
    }

    /// Lets it turn until a time. Call at every [`Valve::next_change_ms`] on the way.
    pub fn advance(&mut self, to_ms: u64) {
        let turning = self.turning();
        let mut dt = to_ms.saturating_sub(self.at_ms);
        let coasting = self.welded.is_none() && self.told == Motion::Off;
        if let (true, Some((_, until))) = (coasting, self.coasts) {
            dt = dt.min(until.saturating_sub(self.at_ms));
        }
        let by_us = dt * self.speed_us();
        self.at_ms = self.at_ms.max(to_ms);
        if let Gear::Motor { track, .. } = &self.machine.gear {
            self.place_us = track.travel(self.place_us, self.free_us(track, by_us, turning), turning);
        }
        if let Some((until, place)) = self.hand
            && self.at_ms >= until
        {
            self.place_us = place;
            self.hand = None;
        }
        self.follows = self.follows.filter(|until| self.at_ms < *until);
        self.settle();
    }

    /// How far of a way it comes before it jams.
    fn free_us(&self, track: &Track, by_us: u64, turning: Motion) -> u64 {
        let jams = self.armed.iter().filter_map(|fault| match fault {
            Fault::JamsIn(position) => track.to_position_us(self.place_us, *position, turning),
            _ => None,
        });
        jams.fold(by_us, u64::min)
    }

    /// What the switches would show without faults of their own.
    fn true_level(&self) -> Switches {
        match &self.machine.gear {
            _ if self.hand.is_some() => Switches(0),
            Gear::Motor { track, .. } => track.closed(self.place_us),
            Gear::Pilots { contact, .. } => {
                let stands = self.position().is_some() && self.acts == self.pilots.0;
                Switches(u8::from(*contact && stands))
            }
        }
    }

    /// Brings what the switches show in line with where it stands.
    fn settle(&mut self) {
        let mut level = self.true_level();
        if let Some(marks) = self.track().and_then(|track| track.marks) {
            level = self.marks_shown(level, 1 << marks);
        }
        if level != self.level {
            if self.has(Fault::SwitchBounces) {
                self.chatter = Some((self.at_ms, self.level));
            }
            self.level = level;
        }
        self.chatter = self.chatter.filter(|(since, _)| self.at_ms < since + CHATTER_MS);
    }

    /// Marks as they show: some missed, some added.
    fn marks_shown(&mut self, mut level: Switches, mark: u8) -> Switches {
        let closed = level.0 & mark != 0;
        let was_closed = self.level.0 & mark != 0 && self.extra_mark_ms.is_none();
        if closed && !was_closed && !self.mark_hidden {
            self.mark_hidden = self.use_mark(&Fault::IndexMissed(1));
        } else if !closed && was_closed && self.use_mark(&Fault::IndexExtra(1)) {
            self.extra_mark_ms = Some(self.at_ms + EXTRA_MARK_MS);
        }
        self.mark_hidden &= closed;
        if self.mark_hidden {
            level.0 &= !mark;
        }
        self.extra_mark_ms = self.extra_mark_ms.filter(|from| self.at_ms < from + EXTRA_MARK_MS);
        if self.extra_mark_ms.is_some_and(|from| self.at_ms >= from) {
            level.0 |= mark;
        }
        level
    }

    /// Chattering contacts show now what they did before.
    fn chatters_back(&self, since: u64) -> bool {
        self.at_ms < since + CHATTER_MS && !((self.at_ms - since) / CHATTER_STEP_MS).is_multiple_of(2)
    }

    /// When its switches next change or it comes to rest; now, if its switches show what was not told yet.
    #[must_use]
    pub fn next_change_ms(&self) -> Option<u64> {
        if self.reported.is_some_and(|reported| reported != self.switches()) {
            return Some(self.at_ms);
        }
        let chatter = self.chatter.map(|(since, _)| {
            let steps = (self.at_ms - since) / CHATTER_STEP_MS + 1;
            since + steps * CHATTER_STEP_MS
        });
        let extra = self.extra_mark_ms.map(|from| if self.at_ms < from { from } else { from + EXTRA_MARK_MS });
        let hand = self.hand.map(|(until, _)| until);
        let times = [chatter, extra, hand, self.follows, self.next_travel_ms()];
        times.into_iter().flatten().filter(|at| *at > self.at_ms).min()
    }

    /// When travel next changes a switch or ends.
    fn next_travel_ms(&self) -> Option<u64> {
        let turning = self.turning();
        if turning == Motion::Off {
            return None;
        }
        let speed_us = self.speed_us().max(1);
        let edge = self.track()?.to_next_edge_us(self.place_us, turning).map(|us| self.at_ms + us.div_ceil(speed_us));
        let rests = self.coasts.filter(|_| self.told == Motion::Off).map(|(_, until)| until);
        edge.into_iter().chain(rests).min()
    }

    fn track(&self) -> Option<&Track> {
        match &self.machine.gear {
            Gear::Motor { track, .. } => Some(track),
            Gear::Pilots { .. } => None,
        }
    }
}

/// The same with two bits, counted from 1, in each other's place.
fn exchanged(bits: u8, a: u8, b: u8) -> u8 {
    let (a, b) = (bit(a), bit(b));
    let differ = (bits & a != 0) != (bits & b != 0);
    if differ { bits ^ a ^ b } else { bits }
}

/// The bit of a switch that counts from 1.
fn bit(switch: u8) -> u8 {
    switch.checked_sub(1).and_then(|i| 1u8.checked_shl(u32::from(i))).unwrap_or(0)
}
