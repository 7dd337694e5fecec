//! Regeneration programs: steps, valve positions, and the usual orders of steps (Q1, Q3).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::collect;
use crate::settings::{MAX_STEPS, RawStep};
use crate::units::{Flow, Millis, slugs};

slugs! {
    /// What a step of a regeneration does (Q1).
    StepKind as StepSet(u8) {
        /// Upward flow to drain: loosens the bed and washes dirt out.
        Backwash = "backwash",
        /// Brine is drawn through the bed.
        BrineDraw = "brine-draw",
        /// Water displaces the brine slowly.
        SlowRinse = "slow-rinse",
        /// Water at service flow carries the last brine out.
        FastRinse = "fast-rinse",
        /// Water goes to the brine tank for the next dose.
        BrineRefill = "brine-refill",
        /// The bed settles; nothing flows.
        Settle = "settle",
        /// Waiting for salt to dissolve.
        BrineWait = "brine-wait",
        /// A last rinse to drain just before service.
        ServiceRinse = "service-rinse",
    }
}

slugs! {
    /// Where a tank's valve can stand.
    Position as PositionSet(u8) {
        /// Water passes the bed to the building.
        Service = "service",
        /// The tank is shut off.
        Standby = "standby",
        /// Water passes the bed upward to drain.
        Backwash = "backwash",
        /// Brine is drawn through the bed to drain.
        BrineDraw = "brine-draw",
        /// Water passes slowly to drain, without brine.
        SlowRinse = "slow-rinse",
        /// Water passes fast to drain.
        FastRinse = "fast-rinse",
        /// Water passes to the brine tank.
        BrineRefill = "brine-refill",
    }
}

impl Position {
    /// Water goes to drain in this position.
    #[must_use]
    pub const fn discharges(self) -> bool {
        matches!(self, Self::Backwash | Self::BrineDraw | Self::SlowRinse | Self::FastRinse)
    }

    /// The brine tank is connected in this position.
    #[must_use]
    pub const fn uses_brine_tank(self) -> bool {
        matches!(self, Self::BrineDraw | Self::BrineRefill)
    }
}

impl StepKind {
    /// The position this step wants, given the positions the valve has; `None` if it has none.
    ///
    /// One draw-and-rinse position may serve both (Q1); `settle` and `brine-wait` stand shut off
    /// where the valve can, and `brine-wait` otherwise in service.
    #[must_use]
    pub fn position(self, has: PositionSet) -> Option<Position> {
        let choices: &[Position] = match self {
            Self::Backwash => &[Position::Backwash],
            Self::BrineDraw => &[Position::BrineDraw],
            Self::SlowRinse => &[Position::SlowRinse, Position::BrineDraw],
            Self::FastRinse | Self::ServiceRinse => &[Position::FastRinse],
            Self::BrineRefill => &[Position::BrineRefill],
            Self::Settle => &[Position::Standby],
            Self::BrineWait => &[Position::Standby, Position::Service],
        };
        choices.iter().copied().find(|p| has.contains(*p))
    }
}

/// The usual orders of steps (Q3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Preset {
    /// Brine runs the way service water runs; refill last.
    CoCurrent,
    /// Brine runs against the service direction; the backwash is rare and settles before the draw.
    CounterCurrent,
    /// The brine for this regeneration is made just before it.
    RefillFirst,
    /// Backwash and rinse only.
    Filter,
}

/// Lengths and drain flows for a preset.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct PresetLengths {
    /// Backwash: length and flow to drain.
    pub backwash: (Millis, Flow),
    /// Brine draw: length and flow to drain.
    pub brine_draw: (Millis, Flow),
    /// Slow rinse: length and flow to drain.
    pub slow_rinse: (Millis, Flow),
    /// Fast rinse: length and flow to drain.
    pub fast_rinse: (Millis, Flow),
    /// Brine refill: length.
    pub brine_refill: Millis,
    /// Settling after backwash: length; needs a valve with a standby position unless zero.
    pub settle: Millis,
    /// Wait for salt to dissolve after a refill that comes first: length.
    pub brine_wait: Millis,
}

impl Preset {
    /// The steps of this preset with these lengths.
    #[must_use]
    pub fn steps(self, lengths: &PresetLengths) -> Vec<RawStep, MAX_STEPS> {
        use StepKind as K;
        let order: &[K] = match self {
            Self::CoCurrent => &[K::Backwash, K::BrineDraw, K::SlowRinse, K::FastRinse, K::BrineRefill],
            Self::CounterCurrent => &[K::Backwash, K::Settle, K::BrineDraw, K::SlowRinse, K::FastRinse, K::BrineRefill],
            Self::RefillFirst => &[K::BrineRefill, K::BrineWait, K::Backwash, K::BrineDraw, K::SlowRinse, K::FastRinse],
            Self::Filter => &[K::Backwash, K::FastRinse],
        };
        let still = |length| (length, Flow(0));
        let steps = order.iter().map(|&kind| {
            let (length, drain) = match kind {
                K::Backwash => lengths.backwash,
                K::BrineDraw => lengths.brine_draw,
                K::SlowRinse => lengths.slow_rinse,
                K::FastRinse | K::ServiceRinse => lengths.fast_rinse,
                K::BrineRefill => still(lengths.brine_refill),
                K::Settle => still(lengths.settle),
                K::BrineWait => still(lengths.brine_wait),
            };
            RawStep::timed(kind, length, drain)
        });
        collect(steps)
    }
}
