//! A regeneration that a power cut broke into (P3–P5).
//!
//! Nothing here replays what a step did when it was entered; it only says how much of it is left.

use serde::{Deserialize, Serialize};

use super::{BrineInBed, Phase, Regeneration, StepRun};
use crate::program::{Position, StepKind};
use crate::settings::{Settings, StepEnd};
use crate::units::{Instant, Millis, Volume, elapsed};

/// What a power cut made of a regeneration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum AfterPower {
    /// The step goes on with the time it had left (P3).
    Resumed,
    /// The step begins again (P4).
    StepAgain,
    /// The regeneration begins again (P4).
    BeganAgain,
    /// The bed is rinsed out, and the regeneration begins again once brine is ready (P4).
    RinsedFirst,
    /// It has begun again too often: brine is rinsed out and the tank left `unproven` (P4).
    GaveUp,
    /// The refill ran on while dark, and that time counts (P5).
    RefillCounted,
    /// How long the refill ran on is unknown: it is stopped (P5).
    RefillStopped,
}

impl AfterPower {
    /// The name files use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Resumed => "resumed",
            Self::StepAgain => "step-again",
            Self::BeganAgain => "began-again",
            Self::RinsedFirst => "rinsed-first",
            Self::GaveUp => "gave-up",
            Self::RefillCounted => "refill-counted",
            Self::RefillStopped => "refill-stopped",
        }
    }
}

impl Regeneration {
    /// As it was at `at`, with no valve believed to be anywhere: its time stands until the position is
    /// confirmed anew (V2).
    pub(crate) fn stopped_at(mut self, at: Instant) -> Self {
        if let Phase::Running { served, since } = self.phase {
            self.phase = Phase::Travelling { served: served.plus(elapsed(since, at)) };
        }
        self
    }

    /// The step begins again.
    pub(crate) fn step_again(&mut self) {
        if let Phase::Travelling { served } = &mut self.phase {
            *served = Millis::ZERO;
            self.metered = Volume::ZERO;
        }
    }

    /// Begins again from its first step. What brine is in the bed is remembered: an abort still rinses it
    /// out (S12). What was drawn counts for nothing, and a refill that comes first puts `refill` in.
    pub(crate) fn begin_again(&mut self, refill: Volume, settings: &Settings) {
        self.drawn = Volume::ZERO;
        self.refill = refill;
        self.enter_from(0, settings);
    }

    /// Whether it may begin again as it is: with brine in the bed it must not wait in service (S12).
    pub(crate) fn may_begin_again(&self, settings: &Settings) -> bool {
        let waits_in_service =
            settings.has_step(StepKind::BrineWait) && settings.position_of(StepKind::BrineWait) == Position::Service;
        let waits_with_brine = self.brine.must_rinse() && waits_in_service;
        !self.cut_short && !waits_with_brine
    }

    /// Gives up: only the rinses still owed are run, and whoever looks after the plant decides what comes next.
    pub(crate) fn give_up(&mut self, settings: &Settings) {
        self.cut_short = true;
        self.by_operator = true;
        self.enter_from(0, settings);
    }

    /// Cut short without an operator: it is to begin again from its start.
    pub(crate) fn cut_for_restart(&mut self, settings: &Settings) {
        self.cut_short = true;
        self.enter_from(0, settings);
    }

    /// Its place in the program.
    pub(crate) fn place(&self) -> u8 {
        self.step
    }

    /// Some time of the step under way has been served.
    pub(crate) fn has_served(&self) -> bool {
        match self.phase {
            Phase::Travelling { served } => served > Millis::ZERO,
            Phase::Running { .. } => true,
            Phase::Finishing => false,
        }
    }

    /// Brine reached the bed on the valve's way, before its draw: the rinses to come are owed (S12).
    pub(crate) fn brine_came_early(&mut self) {
        self.brine = BrineInBed::Undiluted;
    }

    /// Time that counts as served although nobody watched; says whether the step is over by it. What ends by
    /// a float goes on until the float says so.
    pub(crate) fn count_served(&mut self, unseen: Millis, settings: &Settings) -> bool {
        let longest = self.longest(settings);
        let Phase::Travelling { served } = &mut self.phase else { return false };
        *served = served.plus(unseen);
        let total = *served;
        match self.entry(settings).map(|entry| (entry.length, entry.end)) {
            Some((_, StepEnd::Time)) => total >= longest,
            Some((length, StepEnd::Volume { volume, .. })) => {
                let usual = u64::from(length.0.max(1));
                let passed = volume.0.checked_div(usual).unwrap_or(0).saturating_mul(u64::from(unseen.0));
                self.metered = self.metered.plus(Volume(passed));
                self.volume_reached(settings)
            }
            Some((_, StepEnd::Contact { .. })) | None => false,
        }
    }

    /// A float ends the step under way.
    pub(crate) fn ends_by_contact(&self, settings: &Settings) -> bool {
        self.entry(settings).is_some_and(|entry| matches!(entry.end, StepEnd::Contact { .. }))
    }

    /// Ends the step under way as if it had been served.
    pub(crate) fn end_step(&mut self, now: Instant, settings: &Settings) -> Option<StepRun> {
        let entry = self.entry(settings)?;
        let run = self.run_of(entry, self.ran(now), false, false, settings);
        self.step_served(entry.kind);
        self.enter_from(self.step.saturating_add(1), settings);
        Some(run)
    }
}
