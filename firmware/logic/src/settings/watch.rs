//! What is watched, and how alarms are treated (W1, W2).

use serde::{Deserialize, Serialize};

use super::RawSettings;
use super::fault::{Faults, Problem as P};
use crate::watch::AlarmRules;

/// Watches and alarms as given.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawWatch {
    /// How alarms are treated.
    pub rules: AlarmRules,
}

/// Every fault of these settings.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let delays = &raw.watch.rules.delays;
    for (i, delay) in delays.iter().enumerate() {
        if delays.iter().take(i).any(|before| before.alarm == delay.alarm) {
            faults.add("watch.rules.delays", Some(i), P::AlarmTwice);
        }
    }
}
