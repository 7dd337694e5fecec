//! What must be saved, and when (P1, S10).

use serde::{Deserialize, Serialize};

use super::Controller;
use crate::journal::Event;
use crate::retain::Retained;
use crate::settings::Reserve;
use crate::units::{Instant, Millis, TankSet, Volume, later};

/// While a step runs, its time is saved so often: a cut makes it no more than this too long (P3).
const STEP_MARK: Millis = Millis::from_mins(1);

/// At rest, what grows with powered time is saved so often where it is needed after a cut: a forecast's use is charged for no
/// more than this too long (P6), and a meter's silence is no more than this too short (W1).
const IDLE_MARK: Millis = Millis::from_hours(1);

/// Whether the retained state must be written, and how soon.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Save {
    /// What was written last is still right.
    #[default]
    NotNeeded,
    /// Soon: only volume or time served has grown.
    Soon,
    /// Before any motor is started: a duty, a step or something else of consequence changed.
    BeforeMotors,
}

/// How long power may have been off.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) enum Dark {
    /// It was not, or every valve has been found since.
    #[default]
    No,
    /// At the most so long.
    AtMost(Millis),
    /// Nobody knows (T3).
    Unknown,
}

impl Dark {
    /// Longer than `limit`, or perhaps.
    pub(super) fn exceeds(self, limit: Millis) -> bool {
        match self {
            Self::No => false,
            Self::AtMost(length) => length > limit,
            Self::Unknown => true,
        }
    }
}

/// What the controller knows of power and of its own memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct Power {
    /// Metered since the state was last saved.
    unsaved: Volume,
    wish: Save,
    saved_at: Instant,
    /// Records written in the plant's life.
    pub records: u32,
    /// The cut that valves are still being found after.
    pub dark: Dark,
    /// Some valve has not been found since power came, nor given up (V2).
    pub finding: bool,
    /// Tanks whose time in the dark has been counted as refill (P5).
    pub refill_counted: TankSet,
    /// Tanks whose account was lost and that have not regenerated since.
    pub forgotten: TankSet,
    /// How much water went to the brine tank is unknown.
    pub brine_uncertain: bool,
}

impl Power {
    pub(super) fn new(now: Instant) -> Self {
        Self {
            unsaved: Volume::ZERO,
            wish: Save::BeforeMotors,
            saved_at: now,
            records: 0,
            dark: Dark::No,
            finding: true,
            refill_counted: TankSet::EMPTY,
            forgotten: TankSet::EMPTY,
            brine_uncertain: false,
        }
    }

    pub(super) fn wish(&self) -> Save {
        self.wish
    }

    /// Water was metered.
    pub(super) fn metered(&mut self, volume: Volume, retain_volume: Volume) {
        self.unsaved = self.unsaved.plus(volume);
        if self.unsaved >= retain_volume {
            self.save_soon();
        }
    }

    /// How much more water may be metered before the wish to save changes.
    pub(super) fn save_in(&self, retain_volume: Volume) -> Volume {
        if self.wish == Save::NotNeeded { retain_volume.minus(self.unsaved) } else { Volume::MAX }
    }

    /// A record is written: what it tells of must not be forgotten, but for what is seen anew at power-up.
    pub(super) fn noted(&mut self, event: &Event) {
        self.records = self.records.wrapping_add(1);
        if !matches!(event, Event::Held { .. } | Event::Contact { .. }) {
            self.wish = Save::BeforeMotors;
        }
    }

    /// Something that may wait a little must be saved.
    pub(super) fn save_soon(&mut self) {
        self.wish = self.wish.max(Save::Soon);
    }
}

impl<const N: usize> Controller<N> {
    /// The state to write where [`Outputs::save`](super::Outputs::save) asks for it.
    #[must_use]
    pub fn retained(&self) -> Retained<N> {
        self.retain()
    }

    /// Whether [`Controller::retained`] must be written.
    #[must_use]
    pub fn save_wish(&self) -> Save {
        self.power.wish
    }

    /// Tells that [`Controller::retained`] as it is now has been written.
    ///
    /// The time that passes must then be saved again in a while, so read the next deadline anew.
    pub fn saved(&mut self) {
        self.book_pulses();
        self.power.unsaved = Volume::ZERO;
        self.power.wish = Save::NotNeeded;
        self.power.saved_at = self.now;
        self.foresee_pulses();
        if let Some(mark) = self.mark_due() {
            self.deadline = self.deadline.min(mark);
        }
    }

    /// When the time that has passed must be saved, if nothing else asks for it before.
    pub(super) fn mark_due(&self) -> Option<Instant> {
        let saved_at = self.power.saved_at;
        if self.power.wish != Save::NotNeeded {
            None
        } else if self.tanks.iter().any(|t| t.regeneration().is_some()) {
            Some(later(saved_at, STEP_MARK))
        } else if matches!(self.settings.reserve, Reserve::Learned(_)) && self.clock.is_set() {
            Some(later(saved_at, IDLE_MARK))
        } else if self.settings.watch.silent_after > Millis::ZERO {
            let silent_since = self.silences().flatten().min()?;
            Some(later(silent_since.max(saved_at), IDLE_MARK))
        } else {
            None
        }
    }

    pub(super) fn mark_progress(&mut self, now: Instant) {
        if self.mark_due().is_some_and(|at| now >= at) {
            self.power.save_soon();
        }
    }
}
