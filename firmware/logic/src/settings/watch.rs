//! What is watched, and how alarms are treated (W1, W2).

use serde::{Deserialize, Serialize};

use super::RawSettings;
use super::fault::{Faults, Problem as P};
use crate::units::{Flow, Millis, Volume};
use crate::watch::AlarmRules;

/// Watches and alarms as given.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawWatch {
    /// Less than this is no flow to speak of [0.5 L/min].
    pub small_flow: Flow,
    /// More than the small flow for so long without a pause raises `unbroken-flow` [6 h]; 0 = never.
    pub unbroken_after: Millis,
    /// Less than the small flow for so long is a pause [1 min].
    pub unbroken_pause: Millis,
    /// No pulse for so long from a meter whose tank serves raises `meter-silent` [4 days]; 0 = never.
    pub silent_after: Millis,
    /// So much water since the last maintenance raises `service-due` \[0\]; 0 = any.
    pub service_volume: Volume,
    /// So many complete regenerations since the last maintenance raise `service-due` \[0\]; 0 = any.
    pub service_regenerations: u16,
    /// So many days of 24 h since the last maintenance raise `service-due` \[0\]; 0 = any.
    pub service_days: u16,
    /// How alarms are treated.
    pub rules: AlarmRules,
}

impl Default for RawWatch {
    fn default() -> Self {
        Self {
            small_flow: Flow(500),
            unbroken_after: Millis::from_hours(6),
            unbroken_pause: Millis::from_mins(1),
            silent_after: Millis::from_hours(96),
            service_volume: Volume::ZERO,
            service_regenerations: 0,
            service_days: 0,
            rules: AlarmRules::default(),
        }
    }
}

/// Every fault of these settings.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let watch = &raw.watch;
    if watch.small_flow == Flow(0) {
        faults.add("watch.small_flow", None, P::Zero);
    } else if let Some(pulse) = raw.meter.pulse_nl.checked_div(u64::from(raw.meter.pulse_divisor)) {
        let spacing_ms = watch.small_flow.time_for(Volume(pulse));
        let unbroken_ms = u64::from(watch.unbroken_after.0);
        if unbroken_ms > 0 && spacing_ms >= unbroken_ms {
            faults.add("watch.small_flow", None, P::PulseTooCoarse);
        }
    }
    if watch.unbroken_pause == Millis::ZERO {
        faults.add("watch.unbroken_pause", None, P::Zero);
    }
    let delays = &watch.rules.delays;
    for (i, delay) in delays.iter().enumerate() {
        if delays.iter().take(i).any(|before| before.alarm == delay.alarm) {
            faults.add("watch.rules.delays", Some(i), P::AlarmTwice);
        }
    }
}
