//! Alarms: conditions that a person should know of (W1).
//!
//! Each alarm stands while its condition does. Where a condition follows from other state it is an arm
//! of `controller/watches.rs`; where it comes and goes by events, whoever sees them calls [`Watches::report`].

mod texts;

use serde::{Deserialize, Serialize};

use crate::units::slugs;

slugs! {
    /// What a person should know of.
    Alarm as AlarmSet(u32) {
        /// The settings given are wrong; the last good ones run.
        SettingsRejected = "settings-rejected",
        /// Civil time is unknown.
        ClockUnset = "clock-unset",
        /// A drive could not reach its position.
        ValveLost = "valve-lost",
        /// A valve left its position by itself.
        ValveMoved = "valve-moved",
        /// A tank is out.
        TankOut = "tank-out",
        /// No tank serves.
        NoTankServing = "no-tank-serving",
        /// A tank serves past zero.
        Overrun = "overrun",
        /// A request has waited too long.
        Overdue = "overdue",
        /// Too many meter pulses bounce.
        MeterNoisy = "meter-noisy",
        /// More flows than the meter is rated for.
        ExcessFlow = "excess-flow",
        /// Water flows on the meter of a tank that is closed.
        FlowWhileClosed = "flow-while-closed",
        /// Pressure is too low.
        LowPressure = "low-pressure",
        /// A hold-off has been closed too long.
        ContactStuck = "contact-stuck",
        /// The day's drain water is used up.
        DischargeLimit = "discharge-limit",
        /// Water has flowed for hours without a pause.
        UnbrokenFlow = "unbroken-flow",
        /// A meter has been silent for days while its tank serves.
        MeterSilent = "meter-silent",
        /// A bed drew brine without completing its regeneration.
        Unproven = "unproven",
        /// Too little brine for the next dose.
        BrineLow = "brine-low",
        /// A brine draw took no brine.
        BrineNotDrawn = "brine-not-drawn",
        /// How much brine there is cannot be told.
        BrineUncertain = "brine-uncertain",
        /// Salt is left for a few doses only.
        SaltLow = "salt-low",
        /// A step did not end by itself within its longest time.
        StepTooLong = "step-too-long",
        /// The store of what outlives a power cut is worn.
        StoreWorn = "store-worn",
        /// What should have outlived a power cut is lost.
        RetainedLost = "retained-lost",
        /// A relay was on for as long as it may be.
        RelayLimit = "relay-limit",
        /// Maintenance is due.
        ServiceDue = "service-due",
    }
}

/// The alarms that stand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Watches {
    standing: AlarmSet,
    reported: AlarmSet,
}

impl Watches {
    /// Sets or clears an alarm; says whether that changed anything.
    pub fn set(&mut self, alarm: Alarm, stands: bool) -> bool {
        if stands { self.standing.insert(alarm) } else { self.standing.remove(alarm) }
    }

    /// The alarms that stand.
    #[must_use]
    pub fn standing(&self) -> AlarmSet {
        self.standing
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
}
