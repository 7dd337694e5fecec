//! Records that a store keeps for long: one for each regeneration, one for each day of use, one for each alarm that came
//! or went and for each wish of an operator (P7).
//!
//! The logic keeps no more than what the regeneration under way, or the last one, has come to; a driver asks
//! [`Controller::entry`](crate::Controller::entry) of every record that it takes, and writes what comes of it to flash.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::demand::{Cause, CauseSet};
use crate::journal::{BoardWish, Event, Record, Who};
use crate::operator::Action;
use crate::program::StepKind;
use crate::reserve::DayUse;
use crate::sequence::Outcome;
use crate::units::{Instant, Millis, SaltMass, TankId, Volume};
use crate::watch::Alarm;

/// The layout of the bytes; it changes with every change of a record. Further kinds of records come last and change nothing.
pub const VERSION: u8 = 1;
/// Room for the bytes of the longest record.
pub const MAX_BYTES: usize = 112;

/// How many kinds of steps there are.
const KINDS: usize = StepKind::ALL.len();

/// A kind of step of a regeneration that is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct StepLength {
    /// Which.
    pub kind: StepKind,
    /// Time in its position, all such steps and all their turns together, s.
    pub ran_s: u16,
}

/// One regeneration, from its start to its end.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct RegenerationRecord {
    /// Of which tank.
    pub tank: TankId,
    /// Minute of civil time at which it began, from 2000-01-01 00:00; `None` if unknown.
    pub began_minute: Option<u32>,
    /// How long it took, power cuts included, min.
    pub took_minutes: u16,
    /// The cause that led.
    pub leading: Cause,
    /// Every cause that stood.
    pub causes: CauseSet,
    /// How it ended.
    pub outcome: Outcome,
    /// Charged to the tank since its last complete regeneration.
    pub volume: Volume,
    /// How much of it past zero.
    pub overrun: Volume,
    /// Salt, estimated.
    pub salt: SaltMass,
    /// Water to drain, estimated, mL.
    pub drained_ml: u32,
    /// Each kind of step that ran.
    pub steps: Vec<StepLength, KINDS>,
}

/// An alarm that came or went, or what somebody asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Happening {
    /// Second of civil time, from 2000-01-01 00:00; `None` if unknown.
    pub at_s: Option<u32>,
    /// What.
    pub what: Happened,
}

/// What is looked up later: who did what, and what was wrong when.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Happened {
    /// An alarm came to stand, or concerned a further tank.
    Raised(Alarm),
    /// An alarm's condition had gone; it stood on.
    Latched(Alarm),
    /// An alarm ceased.
    Cleared(Alarm),
    /// An operator asked for something.
    Asked {
        /// Who.
        who: Who,
        /// For what.
        action: Action,
        /// Whether it was granted.
        granted: bool,
    },
    /// Somebody had new settings taken.
    SettingsChanged {
        /// Who.
        who: Who,
    },
    /// Somebody had the settings that ran stored as the site's own baseline.
    BaselineStored {
        /// Who.
        who: Who,
    },
    /// Somebody had settings of another plant kept, which run once the board restarts.
    SettingsAwaitRestart {
        /// Who.
        who: Who,
    },
    /// Somebody wanted something of the board itself.
    AskedOfBoard {
        /// Who.
        who: Who,
        /// What.
        wish: BoardWish,
        /// Whether it was granted.
        granted: bool,
    },
}

impl Happening {
    /// What is kept of a record, if it is of an alarm or of an operator.
    #[must_use]
    pub fn of(record: &Record) -> Option<Self> {
        let what = match record.event {
            Event::AlarmRaised(alarm) => Happened::Raised(alarm),
            Event::AlarmLatched(alarm) => Happened::Latched(alarm),
            Event::AlarmCleared(alarm) => Happened::Cleared(alarm),
            Event::Operator { who, action, granted } => Happened::Asked { who, action, granted },
            Event::SettingsChanged { who } => Happened::SettingsChanged { who },
            Event::BaselineStored { who } => Happened::BaselineStored { who },
            Event::SettingsAwaitRestart { who } => Happened::SettingsAwaitRestart { who },
            Event::AskedOfBoard { who, wish, granted } => Happened::AskedOfBoard { who, wish, granted },
            _ => return None,
        };
        let at_s = record.civil.map(|civil| u32::try_from(civil.0 / 1_000).unwrap_or(u32::MAX));
        Some(Self { at_s, what })
    }
}

/// What a store keeps for long.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Entry {
    /// A regeneration is over.
    Regeneration(RegenerationRecord),
    /// A day is over.
    Day(DayUse),
    /// An alarm came or went, or somebody asked for something.
    Happening(Happening),
}

impl Entry {
    /// The bytes to store.
    #[must_use]
    pub fn encode(&self) -> Vec<u8, MAX_BYTES> {
        let mut bytes: Vec<u8, MAX_BYTES> = crate::collect([0; MAX_BYTES]);
        let used = bytes.split_first_mut().and_then(|(version, body)| {
            *version = VERSION;
            postcard::to_slice(self, body).ok().map(|body| body.len().saturating_add(1))
        });
        bytes.truncate(used.unwrap_or(0));
        bytes
    }

    /// Reads what [`Entry::encode`] wrote; `None` if these are no such bytes.
    #[must_use]
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let (version, body) = bytes.split_first().filter(|(version, _)| **version == VERSION)?;
        let _ = version;
        match postcard::take_from_bytes(body) {
            Ok((entry, [])) => Some(entry),
            _ => None,
        }
    }
}

/// What a tank's regeneration under way, or its last one, has come to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct RunSoFar {
    cause: Option<(Cause, CauseSet)>,
    /// When it began; minutes of the monotonic clock.
    began_minute: u32,
    /// Time of each kind of step, s.
    ran_s: [u16; KINDS],
    drained_ml: u32,
}

/// Whole minutes of a clock.
pub(crate) fn minutes(ms: u64) -> u32 {
    u32::try_from(ms / 60_000).unwrap_or(u32::MAX)
}

impl RunSoFar {
    /// A regeneration starts. One that begins again after a power cut goes on with the same record.
    pub fn begin(&mut self, now: Instant, leading: Cause, causes: CauseSet, again: bool) {
        if !again {
            *self = Self { cause: Some((leading, causes)), began_minute: minutes(now.as_ticks()), ..Self::default() };
        }
    }

    /// A step is over.
    pub fn step_ended(&mut self, kind: StepKind, ran: Millis, drained: Volume) {
        let mut kinds = StepKind::ALL.iter().zip(&mut self.ran_s);
        if let Some((_, sum_s)) = kinds.find(|(known, _)| **known == kind) {
            *sum_s = sum_s.saturating_add(u16::try_from(ran.0.div_ceil(1_000)).unwrap_or(u16::MAX));
        }
        let ml = u32::try_from(drained.0 / 1_000_000).unwrap_or(u32::MAX);
        self.drained_ml = self.drained_ml.saturating_add(ml);
    }

    pub fn cause(&self) -> Option<(Cause, CauseSet)> {
        self.cause
    }

    pub fn began_minute(&self) -> u32 {
        self.began_minute
    }

    pub fn drained_ml(&self) -> u32 {
        self.drained_ml
    }

    /// The steps that ran.
    pub fn steps(&self) -> Vec<StepLength, KINDS> {
        let all = StepKind::ALL.iter().zip(self.ran_s).map(|(kind, ran_s)| StepLength { kind: *kind, ran_s });
        crate::collect(all.filter(|step| step.ran_s > 0))
    }
}
