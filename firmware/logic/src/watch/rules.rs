//! How alarms are treated at a site: how grave they are, whether they latch, their delays (W2).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::{Alarm, AlarmSet};
use crate::units::slugs;

/// The most alarms that may have a delay.
pub const MAX_DELAYED: usize = 6;

slugs! {
    /// How grave an alarm is, the least first.
    Severity as Severities(u8) {
        /// Something to see to in time.
        Notice = "notice",
        /// Something to see to soon.
        Warning = "warning",
        /// Something to see to now.
        Critical = "critical",
    }
}

/// The delays of one alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AlarmDelay {
    /// Which.
    pub alarm: Alarm,
    /// Seconds for which its condition must stand before it is raised; at most 18 h.
    pub onset_s: u16,
    /// Seconds for which its condition must have gone before it clears; at most 18 h.
    pub return_s: u16,
}

/// How alarms are treated.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AlarmRules {
    /// Alarms that are warnings; those in neither set are notices.
    pub warning: AlarmSet,
    /// Alarms that are critical. `valve-lost` is so in any case while its valve may discharge, draw
    /// brine or pass hard water (V3).
    pub critical: AlarmSet,
    /// Alarms that stand until an operator resets them.
    pub latching: AlarmSet,
    /// Delays; none for an alarm that is not listed.
    pub delays: Vec<AlarmDelay, MAX_DELAYED>,
}

impl Default for AlarmRules {
    fn default() -> Self {
        let set = |alarms: &[Alarm]| {
            let mut set = AlarmSet::EMPTY;
            for alarm in alarms {
                set.insert(*alarm);
            }
            set
        };
        Self {
            warning: set(&[
                Alarm::SettingsRejected,
                Alarm::ValveLost,
                Alarm::ValveMoved,
                Alarm::TankOut,
                Alarm::Overrun,
                Alarm::Overdue,
                Alarm::FlowWhileClosed,
                Alarm::LowPressure,
                Alarm::UnbrokenFlow,
                Alarm::MeterSilent,
                Alarm::Unproven,
                Alarm::BrineLow,
                Alarm::BrineNotDrawn,
                Alarm::BrineUncertain,
                Alarm::StepTooLong,
                Alarm::RetainedLost,
                Alarm::RelayLimit,
            ]),
            critical: set(&[Alarm::NoTankServing, Alarm::ExcessFlow]),
            latching: set(&[Alarm::RetainedLost, Alarm::RelayLimit]),
            delays: Vec::new(),
        }
    }
}

impl AlarmRules {
    /// How grave an alarm is as set.
    #[must_use]
    pub const fn severity(&self, alarm: Alarm) -> Severity {
        if self.critical.contains(alarm) {
            Severity::Critical
        } else if self.warning.contains(alarm) {
            Severity::Warning
        } else {
            Severity::Notice
        }
    }

    /// Sets how grave an alarm is.
    pub fn set_severity(&mut self, alarm: Alarm, severity: Severity) {
        self.warning.remove(alarm);
        self.critical.remove(alarm);
        match severity {
            Severity::Notice => false,
            Severity::Warning => self.warning.insert(alarm),
            Severity::Critical => self.critical.insert(alarm),
        };
    }

    /// The onset delay of an alarm, or its return delay, in ms.
    pub(crate) fn delay_ms(&self, alarm: Alarm, onset: bool) -> u64 {
        let delay = self.delays.iter().find(|d| d.alarm == alarm);
        let seconds = delay.map_or(0, |d| if onset { d.onset_s } else { d.return_s });
        u64::from(seconds).saturating_mul(1_000)
    }
}
