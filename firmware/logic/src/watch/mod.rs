//! Alarms: conditions that a person should know of (W1).
//!
//! Where an alarm's condition follows from other state it is an arm of `controller/watches.rs`; where it
//! comes and goes by events, whoever sees them calls [`Watches::report`]. `life` takes it from there.

mod flow;
mod life;
mod rules;
mod service;
mod silence;
mod store;
mod texts;

pub(crate) use flow::{FlowGaps, FlowWatch};
pub(crate) use life::Turn;
pub use life::{AlarmPhase, AlarmPhases, AlarmState, Watches};
pub use rules::{AlarmDelay, AlarmRules, MAX_DELAYED, Severities, Severity};
pub use service::Service;
pub(crate) use service::Tally;
pub(crate) use silence::Silence;
pub use store::StoreWear;

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
