//! What each tank is doing (blueprint: duty), with the data of that duty inside it.

use serde::{Deserialize, Serialize};

use crate::chronicle::RunSoFar;
use crate::demand::Demand;
use crate::derating::Derating;
use crate::drive::Drive;
use crate::ledger::Ledger;
use crate::sequence::Regeneration;
use crate::units::{Instant, slugs};

slugs! {
    /// The kind of a duty.
    DutyKind as DutySet(u8) {
        /// Treats the building's water.
        Serving = "serving",
        /// Regenerated and off-line.
        Ready = "ready",
        /// Off-line, waiting its turn.
        Spent = "spent",
        /// Regenerating.
        Regenerating = "regenerating",
        /// Stood too long: flushed to drain before it serves.
        Purging = "purging",
        /// Not taking part.
        Out = "out",
        /// Refills the brine tank out of turn, before it can regenerate.
        Refilling = "refilling",
    }
}

slugs! {
    /// Why a tank is out.
    OutReason as OutReasons(u8) {
        /// An operator took it out.
        Operator = "operator",
        /// Its drive is lost.
        DriveLost = "drive-lost",
    }
}

/// What a tank does now.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "one per tank, and no heap to box it on")]
pub enum Duty {
    /// Treats the building's water.
    Serving,
    /// Regenerated and off-line since then.
    Ready {
        /// Since when it has stood.
        since: Instant,
    },
    /// Off-line, waiting its turn.
    Spent,
    /// Regenerating.
    Regenerating(Regeneration),
    /// Flushed to drain before it serves (A5); the purge runs since then, once its valve is there.
    Purging {
        /// When the valve confirmed the drain position.
        running_since: Option<Instant>,
    },
    /// Not taking part.
    Out {
        /// Why.
        reason: OutReason,
    },
}

impl Duty {
    /// Its kind.
    #[must_use]
    pub fn kind(&self) -> DutyKind {
        match self {
            Self::Serving => DutyKind::Serving,
            Self::Ready { .. } => DutyKind::Ready,
            Self::Spent => DutyKind::Spent,
            Self::Regenerating(regeneration) if regeneration.is_make_up() => DutyKind::Refilling,
            Self::Regenerating(_) => DutyKind::Regenerating,
            Self::Purging { .. } => DutyKind::Purging,
            Self::Out { .. } => DutyKind::Out,
        }
    }
}

/// One tank with all that belongs to it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Tank {
    pub(crate) duty: Duty,
    pub(crate) ledger: Ledger,
    pub(crate) derating: Derating,
    pub(crate) demand: Demand,
    pub(crate) drive: Drive,
    /// Brine was drawn and the regeneration not completed: it may only regenerate again or be
    /// released by an operator (L3).
    pub(crate) unproven: bool,
    /// Brine may still be in the bed: it may not rest in service before its rinses (S12).
    pub(crate) salted: bool,
    /// An operator wants it out as soon as another tank has taken over.
    pub(crate) leaving: bool,
    /// Regenerations begun, for the rarer backwash (Q3).
    pub(crate) regenerations: u16,
    /// A step of its last regeneration ran for its longest time without reaching its end (Q2).
    pub(crate) overlong: bool,
    /// A valve that left its position by itself has not come back yet (V4).
    pub(crate) moved: bool,
    /// What its regeneration under way, or its last one, has come to.
    pub(crate) chronicle: RunSoFar,
    /// What power cuts have done to its regeneration.
    pub(crate) restarts: Restarts,
}

/// How often power cuts have made a regeneration begin again (P4).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Restarts {
    /// How often, since the last complete one.
    pub count: u8,
    /// It was given up.
    pub gave_up: bool,
    /// It is to begin again, which is not a new start (C5).
    pub pending: bool,
}

impl Tank {
    /// What the tank does.
    #[must_use]
    pub fn duty(&self) -> &Duty {
        &self.duty
    }

    /// Its account.
    #[must_use]
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// What has been taken off its capacity (L2).
    #[must_use]
    pub fn derating(&self) -> &Derating {
        &self.derating
    }

    /// What it asks for.
    #[must_use]
    pub fn demand(&self) -> &Demand {
        &self.demand
    }

    /// Whether it is taken out as soon as another has taken over (A7, S3).
    #[must_use]
    pub fn is_leaving(&self) -> bool {
        self.leaving
    }

    /// Its valve drive.
    #[must_use]
    pub fn drive(&self) -> &Drive {
        &self.drive
    }

    /// Whether it drew brine without completing its regeneration (L3).
    #[must_use]
    pub fn is_unproven(&self) -> bool {
        self.unproven
    }

    /// Whether it refills the brine tank out of turn, before it can regenerate (C8).
    #[must_use]
    pub fn makes_up(&self) -> bool {
        self.regeneration().is_some_and(Regeneration::is_make_up)
    }

    /// The regeneration under way, if there is one.
    #[must_use]
    pub fn regeneration(&self) -> Option<&Regeneration> {
        match &self.duty {
            Duty::Regenerating(regeneration) => Some(regeneration),
            _ => None,
        }
    }
}
