//! Changes are made on a copy, checked whole, shown as a difference, then taken at once or not at all (O2–O4).
//!
//! A draft belongs to whoever edits: a panel, a serial session, a host. The controller knows nothing of it until it
//! is offered, so that an editor that goes away leaves nothing behind.

use crate::controller::{Controller, SettingsRefused};
use crate::journal::Who;
use crate::settings::{Difference, Faults, RawSettings, Settings, difference};
use crate::units::Instant;

/// A copy of the settings that is being changed.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Draft {
    began_with: RawSettings,
    /// The copy: change what you like.
    pub raw: RawSettings,
}

/// Why a draft was not taken. The settings that ran run on.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
#[allow(clippy::large_enum_variant, reason = "every fault is listed, and there is no heap to box them on")]
pub enum NotTaken {
    /// The lock is closed for whoever asks (O1).
    Locked,
    /// Nothing differs.
    NothingChanged,
    /// Somebody else changed the settings meanwhile: begin anew from those that run.
    ChangedMeanwhile,
    /// They do not pass their check; every fault is listed.
    Faulty(Faults),
    /// They wait for the regeneration that runs; offer the draft again when it is over.
    Regenerating,
    /// They describe another plant; only a restart can take them.
    NeedsRestart,
}

impl core::fmt::Display for NotTaken {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Locked => f.write_str("the lock is closed"),
            Self::NothingChanged => f.write_str("nothing was changed"),
            Self::ChangedMeanwhile => {
                f.write_str("the settings were changed meanwhile: begin anew from those that run")
            }
            Self::Faulty(faults) => faults.fmt(f),
            Self::Regenerating => f.write_str("a regeneration runs: offer them again when it is over"),
            Self::NeedsRestart => f.write_str("they describe another plant: only a restart can take them"),
        }
    }
}

impl core::error::Error for NotTaken {}

/// What a reset returns to (O3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ResetTo<'a> {
    /// The site's own baseline, as the installer stored it.
    Site(&'a RawSettings),
    /// The built-in baseline.
    BuiltIn,
}

/// Whether a copy from another controller brings its step times along (O4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum StepTimes {
    /// They are copied.
    Copied,
    /// Those of this controller stay, as far as its steps are the same.
    Kept,
}

impl Draft {
    /// Begins with the settings that run.
    #[must_use]
    pub fn begin(settings: &Settings) -> Self {
        Self { began_with: settings.raw().clone(), raw: settings.raw().clone() }
    }

    /// Whether it began with these: else somebody has changed the settings meanwhile.
    #[must_use]
    pub fn began_with(&self, settings: &Settings) -> bool {
        *settings.raw() == self.began_with
    }

    /// What differs from the settings that it began with.
    #[must_use]
    pub fn difference(&self) -> Difference {
        difference(&self.began_with, &self.raw)
    }

    /// Checks the copy whole.
    ///
    /// # Errors
    /// Every fault, by field.
    #[allow(clippy::result_large_err, reason = "every fault is listed")]
    pub fn check(&self) -> Result<(), Faults> {
        Settings::try_from(self.raw.clone()).map(|_| ())
    }

    /// Fills the copy with a baseline (O3); nothing runs until it is taken.
    pub fn reset(&mut self, to: ResetTo<'_>) {
        self.raw = match to {
            ResetTo::Site(baseline) => baseline.clone(),
            ResetTo::BuiltIn => RawSettings::baseline(),
        };
    }

    /// Fills the copy with another controller's settings (O4). The codes of the locks stay this one's own.
    pub fn copy_from(&mut self, other: &RawSettings, times: StepTimes) {
        let locks = self.raw.locks;
        let own = core::mem::replace(&mut self.raw, other.clone());
        self.raw.locks = locks;
        let same_steps = own.program.len() == other.program.len()
            && own.program.iter().zip(&other.program).all(|(own, theirs)| own.kind == theirs.kind);
        if times == StepTimes::Kept && same_steps {
            self.raw.program = own.program;
        }
    }

    /// Offers the copy to the controller: it is taken whole, or nothing changes.
    ///
    /// # Errors
    /// Why it was not taken.
    #[allow(clippy::result_large_err, reason = "every fault is listed")]
    pub fn take<const N: usize>(&self, controller: &mut Controller<N>, now: Instant, who: Who) -> Result<(), NotTaken> {
        if !controller.is_unlocked(now, who) {
            return Err(NotTaken::Locked);
        }
        if !self.began_with(controller.settings()) {
            return Err(NotTaken::ChangedMeanwhile);
        }
        if self.difference().is_empty() {
            return Err(NotTaken::NothingChanged);
        }
        let settings = Settings::try_from(self.raw.clone()).map_err(NotTaken::Faulty)?;
        controller.change_settings(now, settings).map_err(|refused| match refused {
            SettingsRefused::Regenerating => NotTaken::Regenerating,
            SettingsRefused::NeedsRestart => NotTaken::NeedsRestart,
        })?;
        controller.settings_changed_by(who);
        Ok(())
    }
}
