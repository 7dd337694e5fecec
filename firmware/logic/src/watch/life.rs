//! The life of an alarm (W2), as ISA-18.2 has it:
//!
//! ```text
//!   normal ── onset delay ──▶ active, unacknowledged ── acknowledge ──▶ active, acknowledged
//!     ▲                              │ return delay                            │ return delay
//!     │                              ▼                                         │
//!     ├── acknowledge ── returned, unacknowledged                              │
//!     └────────────────────────────────────────────────────────────────────────┘
//! ```
//!
//! A latching alarm stays active after its condition has gone, until an operator resets it. Shelving
//! is not built: nobody here needs alarms put away for a shift.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::rules::{AlarmRules, MAX_DELAYED, Severity};
use super::{Alarm, AlarmSet};
use crate::units::{Instant, TankSet, elapsed_ms, later_ms, slugs};

slugs! {
    /// Where an alarm is in its life (W2).
    AlarmPhase as AlarmPhases(u8) {
        /// Nothing to tell.
        Normal = "normal",
        /// It stands, and nobody has said that he knows.
        ActiveUnacknowledged = "active-unacknowledged",
        /// It stands, and somebody knows.
        ActiveAcknowledged = "active-acknowledged",
        /// It stands no more, and nobody had said that he knew.
        ReturnedUnacknowledged = "returned-unacknowledged",
    }
}

/// What can be told of an alarm (W3); what it means is in [`Alarm::happened`], [`Alarm::done`], [`Alarm::look`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct AlarmState {
    /// Where it is in its life.
    pub phase: AlarmPhase,
    /// How grave it is now.
    pub severity: Severity,
    /// Its condition has gone, but it stands until an operator resets it.
    pub is_latched: bool,
    /// Since when it stands or last stood, down to the second; `None` if it is normal.
    pub since: Option<Instant>,
    /// The tanks it is about; none if it is about the plant.
    pub tanks: TankSet,
}

/// What became of an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Turn {
    /// It came to stand, or concerns a further tank.
    Raised,
    /// Its condition has gone; it stands on until it is reset.
    Latched,
    /// It ceased.
    Cleared,
}

/// A delay that runs: since then the condition and the alarm differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Pending {
    alarm: Alarm,
    since: Packed,
}

/// An instant in six bytes: 8 900 years in milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Packed([u8; 6]);

impl Packed {
    fn new(at: Instant) -> Self {
        let [a, b, c, d, e, f, ..] = at.as_ticks().to_le_bytes();
        Self([a, b, c, d, e, f])
    }

    fn instant(self) -> Instant {
        let [a, b, c, d, e, f] = self.0;
        Instant::from_ticks(u64::from_le_bytes([a, b, c, d, e, f, 0, 0]))
    }
}

const ALARMS: usize = Alarm::ALL.len();

/// Every alarm's life. Sets where a bit is enough; times only where a person or a delay needs one.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Watches {
    reported: AlarmSet,
    /// Whose conditions stand.
    present: AlarmSet,
    active: AlarmSet,
    unacknowledged: AlarmSet,
    /// Since when each is active or was last, in seconds.
    since_s: [u32; ALARMS],
    /// The tanks each is about.
    tanks: [TankSet; ALARMS],
    /// Delays that run; as many places as alarms may have one.
    pending: Vec<Pending, MAX_DELAYED>,
}

impl Watches {
    /// The alarms that stand.
    #[must_use]
    pub fn standing(&self) -> AlarmSet {
        self.active
    }

    /// The alarms that nobody has acknowledged, standing or not.
    #[must_use]
    pub fn unacknowledged(&self) -> AlarmSet {
        self.unacknowledged
    }

    /// Whose conditions stand, whatever their delays.
    pub(crate) fn present(&self) -> AlarmSet {
        self.present
    }

    /// Tells that a condition came or went which nothing else keeps; the next decision acts on it.
    pub fn report(&mut self, alarm: Alarm, stands: bool) {
        if stands {
            self.reported.insert(alarm)
        } else {
            self.reported.remove(alarm)
        };
    }

    /// Whether a condition was told of and not taken back.
    #[must_use]
    pub fn is_reported(&self, alarm: Alarm) -> bool {
        self.reported.contains(alarm)
    }

    /// Its condition did not stand, and neither does it: if that is still so there is nothing to follow.
    pub(crate) fn is_at_rest(&self, alarm: Alarm) -> bool {
        !self.present.contains(alarm) && !self.active.contains(alarm)
    }

    /// An alarm's condition is so now: `Some` with the tanks it is about, if it stands.
    pub(crate) fn follow(
        &mut self,
        now: Instant,
        alarm: Alarm,
        condition: Option<TankSet>,
        rules: &AlarmRules,
    ) -> Option<Turn> {
        let stands = condition.is_some();
        let stood = if stands { !self.present.insert(alarm) } else { self.present.remove(alarm) };
        let is_active = self.active.contains(alarm);
        if stands == is_active {
            self.forget_delay(alarm);
            return condition.and_then(|tanks| self.concern(alarm, tanks));
        }
        if is_active && rules.latching.contains(alarm) {
            return stood.then_some(Turn::Latched);
        }
        if !self.delay_is_over(now, alarm, rules.delay_ms(alarm, stands)) {
            return None;
        }
        let Some(tanks) = condition else {
            self.active.remove(alarm);
            return Some(Turn::Cleared);
        };
        self.active.insert(alarm);
        self.unacknowledged.insert(alarm);
        let since_s = u32::try_from(now.as_ticks() / 1_000).unwrap_or(u32::MAX);
        if let Some((since, about)) = self.entry_mut(alarm) {
            (*since, *about) = (since_s, tanks);
        }
        Some(Turn::Raised)
    }

    /// An alarm that stands is about these tanks now; a further one makes it news again.
    fn concern(&mut self, alarm: Alarm, tanks: TankSet) -> Option<Turn> {
        let (_, about) = self.entry_mut(alarm)?;
        let is_news = tanks.0 & !about.0 != 0;
        *about = tanks;
        if is_news {
            self.unacknowledged.insert(alarm);
        }
        is_news.then_some(Turn::Raised)
    }

    /// Whether the condition has differed from the alarm for so long.
    fn delay_is_over(&mut self, now: Instant, alarm: Alarm, delay_ms: u64) -> bool {
        let since = self.pending.iter().find(|p| p.alarm == alarm).map(|p| p.since.instant());
        let over = delay_ms == 0 || since.is_some_and(|since| elapsed_ms(since, now) >= delay_ms);
        if over {
            self.forget_delay(alarm);
        } else if since.is_none() {
            // Only alarms with a delay come here, and each of them has a place.
            let _ = self.pending.push(Pending { alarm, since: Packed::new(now) });
        }
        over
    }

    fn forget_delay(&mut self, alarm: Alarm) {
        if !self.pending.is_empty() {
            self.pending.retain(|p| p.alarm != alarm);
        }
    }

    fn entry_mut(&mut self, alarm: Alarm) -> Option<(&mut u32, &mut TankSet)> {
        let entries = self.since_s.iter_mut().zip(self.tanks.iter_mut());
        Alarm::ALL.iter().zip(entries).find(|(a, _)| **a == alarm).map(|(_, entry)| entry)
    }

    /// When the next delay is over.
    pub(crate) fn deadline(&self, rules: &AlarmRules) -> Option<Instant> {
        let over = |p: &Pending| later_ms(p.since.instant(), rules.delay_ms(p.alarm, self.present.contains(p.alarm)));
        self.pending.iter().map(over).min()
    }

    /// An operator knows of an alarm; says whether there was something to know.
    pub(crate) fn acknowledge(&mut self, alarm: Alarm) -> bool {
        self.unacknowledged.remove(alarm)
    }

    /// An operator knows of all alarms; says whether there was something to know.
    pub(crate) fn acknowledge_all(&mut self) -> bool {
        !core::mem::take(&mut self.unacknowledged).is_empty()
    }

    /// Whether an alarm stands although its condition has gone.
    pub(crate) fn is_latched(&self, alarm: Alarm) -> bool {
        self.active.contains(alarm) && !self.present.contains(alarm)
    }

    /// An operator resets a latched alarm: it is normal again.
    pub(crate) fn reset(&mut self, alarm: Alarm) {
        self.active.remove(alarm);
        self.unacknowledged.remove(alarm);
    }

    /// What can be told of an alarm whose severity is known.
    pub(crate) fn state(&self, alarm: Alarm, severity: Severity, rules: &AlarmRules) -> AlarmState {
        let phase = match (self.active.contains(alarm), self.unacknowledged.contains(alarm)) {
            (true, true) => AlarmPhase::ActiveUnacknowledged,
            (true, false) => AlarmPhase::ActiveAcknowledged,
            (false, true) => AlarmPhase::ReturnedUnacknowledged,
            (false, false) => AlarmPhase::Normal,
        };
        let entries = self.since_s.iter().zip(&self.tanks);
        let entry = Alarm::ALL.iter().zip(entries).find(|(a, _)| **a == alarm && phase != AlarmPhase::Normal);
        let since = entry.map(|(_, (since_s, _))| Instant::from_ticks(u64::from(*since_s).saturating_mul(1_000)));
        let tanks = entry.map_or(TankSet::EMPTY, |(_, (_, tanks))| *tanks);
        let is_latched = rules.latching.contains(alarm) && self.is_latched(alarm);
        AlarmState { phase, severity, is_latched, since, tanks }
    }
}
