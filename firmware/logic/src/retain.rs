//! What survives a power cut (P1): a plain value, and the bytes it is stored as.
//!
//! The monotonic clock goes on over a cut: a driver starts it at [`Retained::resumes_at`], so that every
//! instant kept here still means what it meant.

mod bytes;

use heapless::Vec;
use serde::{Deserialize, Serialize};

pub use bytes::{Damaged, DoesNotFit, MAX_BYTES, VERSION};

use crate::brine::Brine;
use crate::calendar::{Civil, Clock, DailyEvent};
use crate::controller::{Accounts, Changeover, DrainDay, Presence};
use crate::duty::Tank;
use crate::lifetime::Lives;
use crate::lock::Locks;
use crate::relay::{Doses, RELAYS};
use crate::reserve::Forecast;
use crate::settings::{Arrangement, Medium, MeterPlace, Settings};
use crate::units::{Instant, Millis, TankSet, later};
use crate::watch::{Service, Watches};

/// What survives a power cut.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Retained<const N: usize> {
    pub(crate) plant: Plant,
    pub(crate) at: Instant,
    pub(crate) clock: Clock,
    pub(crate) hour: DailyEvent,
    pub(crate) scheduled_at: Option<(Instant, u32)>,
    /// With the position each drive is believed in, which is not believed again before it is found (V2).
    pub(crate) tanks: Vec<Tank, N>,
    pub(crate) brine: Brine,
    pub(crate) brine_uncertain: bool,
    pub(crate) changeover: Option<Changeover>,
    /// The shared changeover valve is lost: its motor stays off after a cut, too (V3).
    pub(crate) shared_lost: bool,
    pub(crate) joining: TankSet,
    pub(crate) accounts: Accounts,
    pub(crate) drain: DrainDay,
    pub(crate) forecast: Forecast,
    pub(crate) lives: Lives<N>,
    pub(crate) watches: Watches,
    /// How long each meter has been silent while its tanks served.
    pub(crate) silences: Vec<Millis, N>,
    pub(crate) service: Service,
    pub(crate) doses: [Doses; RELAYS],
    pub(crate) locks: Locks,
    pub(crate) presence: Presence,
    pub(crate) share_turn: u8,
    pub(crate) forgotten: TankSet,
    /// The journal's head: records written in the plant's life.
    pub(crate) records: u32,
}

/// The plant that all this is about: on another it would mean nothing.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Plant {
    pub arrangement: Arrangement,
    pub place: MeterPlace,
    pub medium: Medium,
    /// Marks of the drive and of the program.
    pub drive: u32,
    pub program: u32,
}

impl Plant {
    pub(crate) fn of(settings: &Settings) -> Self {
        Self {
            arrangement: settings.arrangement,
            place: settings.meter.place,
            medium: *settings.loaded_medium(),
            drive: bytes::mark(&settings.drive),
            program: bytes::mark(&(&settings.program, settings.backwash_every, settings.dose_after_backwash_percent)),
        }
    }
}

impl<const N: usize> Retained<N> {
    /// How many tanks it is about.
    #[must_use]
    pub fn tanks(&self) -> usize {
        self.tanks.len()
    }

    /// The monotonic instant at which it was taken.
    #[must_use]
    pub fn taken_at(&self) -> Instant {
        self.at
    }

    /// Records that the journal had been given by then, in the plant's life.
    #[must_use]
    pub fn journal_head(&self) -> u32 {
        self.records
    }

    /// How long power was off at the most, by the civil clock (T3): the time since this was taken.
    /// `None` if either time is unknown or the clock has gone back.
    #[must_use]
    pub fn off_for(&self, civil_now: Option<Civil>) -> Option<Millis> {
        let then = self.clock.civil(self.at)?;
        let off_ms = civil_now?.0.checked_sub(then.0)?;
        Some(Millis(u32::try_from(off_ms).unwrap_or(u32::MAX)))
    }

    /// Where the monotonic clock goes on. Of an unknown length nothing is added, so that no age is made up.
    #[must_use]
    pub fn resumes_at(&self, off_for: Option<Millis>) -> Instant {
        later(self.at, off_for.unwrap_or(Millis::ZERO))
    }
}
