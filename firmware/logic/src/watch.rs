//! Alarms: conditions that a person should know of (W1).
//!
//! Each alarm stands while its condition does. Acknowledgement, delays and severities come on top
//! of this without changing it.

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
    }
}

/// The alarms that stand.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Watches {
    standing: AlarmSet,
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
}
