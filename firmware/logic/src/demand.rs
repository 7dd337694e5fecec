//! Causes and holds: why a regeneration is asked for, and why it has not started (C1, C7, S8).

use serde::{Deserialize, Serialize};

use crate::units::{Instant, slugs};

slugs! {
    /// Why a regeneration was asked for, the most urgent first (C1).
    Cause as CauseSet(u8) {
        /// Nothing is left of the capacity.
        Exhausted = "exhausted",
        /// A hardness monitor saw hard water.
        Sensor = "sensor",
        /// An operator asked.
        Manual = "manual",
        /// The remote contact asked.
        Remote = "remote",
        /// Only the reserve is left.
        Reserve = "reserve",
        /// The bed has stood too many days.
        BackupDay = "backup-day",
        /// The calendar asked.
        Scheduled = "scheduled",
    }
}

slugs! {
    /// Why a regeneration that is asked for has not started (C7).
    Hold as HoldSet(u32) {
        /// An operator took the tank out.
        LockedOut = "locked-out",
        /// The tank's valve drive is lost.
        DriveFailed = "drive-failed",
        /// An operator holds the tank.
        OperatorHold = "operator-hold",
        /// The valve's position is being found.
        FindingPosition = "finding-position",
        /// Tanks are changing over.
        ChangingOver = "changing-over",
        /// As many tanks regenerate as may.
        OtherRegenerating = "other-regenerating",
        /// The drain is in use by as many tanks as it can take, a lost valve among them perhaps.
        DrainBusy = "drain-busy",
        /// The brine tank is in use by another tank, or by a lost valve.
        BrineBusy = "brine-busy",
        /// The brine is not strong yet.
        BrineNotReady = "brine-not-ready",
        /// Too few other tanks would serve.
        NoTankToRelieve = "no-tank-to-relieve",
        /// The remote contact holds off.
        HoldOff = "hold-off",
        /// Pressure is too low.
        LowPressure = "low-pressure",
        /// More flows than a start is allowed at, or than the other tanks can carry.
        FlowTooHigh = "flow-too-high",
        /// The day's drain water is used up.
        DischargeLimit = "discharge-limit",
        /// Civil time is unknown and the settings hold everything.
        ClockUnset = "clock-unset",
        /// A blackout window stands.
        Blackout = "blackout",
        /// The regeneration would run into a blackout window.
        WouldEnterBlackout = "would-enter-blackout",
        /// It waits for the regeneration hour.
        UntilHour = "until-hour",
    }
}

impl Hold {
    /// What clears this hold, in words.
    #[must_use]
    pub const fn cleared_by(self) -> &'static str {
        match self {
            Self::LockedOut => "an operator puts the tank back",
            Self::DriveFailed => "the drive is mended and an operator puts the tank back",
            Self::OperatorHold => "an operator releases the tank",
            Self::FindingPosition => "the valve's position is found",
            Self::ChangingOver => "both valves of the changeover have confirmed",
            Self::OtherRegenerating => "the other regeneration ends",
            Self::DrainBusy => "the drain is free; of a lost valve that may discharge an operator must make sure",
            Self::BrineBusy => "the brine tank is free; of a lost valve that may draw brine an operator must make sure",
            Self::BrineNotReady => "the brine has had its time",
            Self::NoTankToRelieve => "enough other tanks are confirmed serving",
            Self::HoldOff => "the remote contact opens",
            Self::LowPressure => "pressure returns",
            Self::FlowTooHigh => "the flow falls or the longest wait is over",
            Self::DischargeLimit => "the next day begins",
            Self::ClockUnset => "the clock is set",
            Self::Blackout => "the window ends",
            Self::WouldEnterBlackout => "the next gap that is long enough begins",
            Self::UntilHour => "the regeneration hour comes",
        }
    }
}

/// What one tank asks for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Demand {
    causes: CauseSet,
    /// Causes that do not wait for the hour.
    at_once: CauseSet,
    asked_at: Option<Instant>,
    /// An operator holds the tank.
    pub operator_hold: bool,
    /// When `flow-too-high` first stood alone for this request.
    pub flow_wait_since: Option<Instant>,
    /// The holds last journalled.
    pub held_by: HoldSet,
}

impl Demand {
    /// Latches a cause; says whether it is new (C1).
    pub fn ask(&mut self, now: Instant, cause: Cause, at_once: bool) -> bool {
        self.asked_at.get_or_insert(now);
        if at_once {
            self.at_once.insert(cause);
        }
        self.causes.insert(cause)
    }

    /// The request is served, or withdrawn by an operator; an operator's hold stays.
    pub fn settle(&mut self) {
        *self = Self { operator_hold: self.operator_hold, ..Self::default() };
    }

    /// Every cause that stands.
    #[must_use]
    pub fn causes(&self) -> CauseSet {
        self.causes
    }

    /// The most urgent cause.
    #[must_use]
    pub fn leading(&self) -> Option<Cause> {
        self.causes.first()
    }

    /// Whether some cause does not wait for the hour.
    #[must_use]
    pub fn is_at_once(&self) -> bool {
        !self.at_once.is_empty()
    }

    /// When it was first asked for, if it is.
    #[must_use]
    pub fn asked_at(&self) -> Option<Instant> {
        self.asked_at
    }
}

/// One hold that stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Standing {
    /// Which.
    pub hold: Hold,
    /// When it clears by itself, if known.
    pub clears_at: Option<Instant>,
}
