//! What the relays do (Y1, Y2).

use serde::{Deserialize, Serialize};

use super::RawSettings;
use super::fault::{Faults, Problem as P};
use crate::program::StepSet;
use crate::units::{Flow, Millis, TankId, TankSet, Volume};
use crate::watch::Severity;

/// How many relays there are.
pub const RELAYS: usize = 4;

/// What a relay is on for (Y1).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum RelayProgram {
    /// Nothing.
    #[default]
    Unused,
    /// An alarm at least so grave stands.
    OnAlarm(Severity),
    /// One of these tanks is in one of these steps, its valve confirmed in position.
    During {
        /// The steps.
        steps: StepSet,
        /// The tanks.
        tanks: TankSet,
    },
    /// From so long after a regeneration has begun, for so long, while it runs.
    AfterStart {
        /// After its start.
        delay: Millis,
        /// For how long.
        length: Millis,
    },
    /// Once for so long for each volume delivered. Requests queue, and none is lost.
    PerVolume {
        /// For each of this volume.
        volume: Volume,
        /// For how long.
        on: Millis,
    },
    /// A tank does not serve.
    WhileOffline(TankId),
    /// No tank serves.
    WhileNoneServing,
    /// More than the small flow passes.
    WhileFlow,
    /// The drive of one of these tanks is lost where it may discharge, draw brine or pass hard water (V3).
    Isolate(TankSet),
    /// The plant is healthy: no critical alarm stands.
    FailSafe,
}

/// One relay as given (Y2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawRelay {
    /// What it is on for.
    pub program: RelayProgram,
    /// Polarity: on means that its coil is off \[no\].
    pub inverted: bool,
    /// On, it stays so at least so long [0 s].
    pub min_on: Millis,
    /// Off, it stays so at least so long; power-up counts as having gone off [0 s].
    pub min_off: Millis,
    /// The longest that it may be on; then it goes off until what asks for it has ceased [0 s]; 0 = no limit.
    pub longest_on: Millis,
}

/// Every fault of these settings.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let tanks = TankSet(u8::MAX.checked_shr(8u32.saturating_sub(u32::from(raw.tanks))).unwrap_or(0));
    for (i, relay) in raw.relays.iter().enumerate() {
        times(i, relay, faults);
        program(i, raw, relay, tanks, faults);
    }
}

/// The times of a relay among themselves.
fn times(i: usize, relay: &RawRelay, faults: &mut Faults) {
    let limit = relay.longest_on;
    if limit > Millis::ZERO && limit < relay.min_on {
        faults.add("relays.longest_on", Some(i), P::LongestOnBelowMinimum);
    }
    let protects = matches!(relay.program, RelayProgram::Isolate(_) | RelayProgram::FailSafe);
    if protects && limit > Millis::ZERO {
        faults.add("relays.longest_on", Some(i), P::ProtectionLimited);
    }
    if relay.min_on > Millis::from_hours(24) {
        faults.add("relays.min_on", Some(i), P::RelayTimeOutOfRange);
    }
    if relay.min_off > Millis::from_hours(24) {
        faults.add("relays.min_off", Some(i), P::RelayTimeOutOfRange);
    }
}

/// A relay's program by itself.
fn program(i: usize, raw: &RawSettings, relay: &RawRelay, site: TankSet, faults: &mut Faults) {
    let mut fault = |problem| faults.add("relays.program", Some(i), problem);
    let mut on_site = |tanks: TankSet| {
        if tanks.is_empty() || tanks.0 & !site.0 != 0 {
            fault(P::NoSuchTank);
        }
    };
    match relay.program {
        RelayProgram::During { steps, tanks } => {
            on_site(tanks);
            if !steps.iter().any(|kind| raw.program.iter().any(|s| s.kind == kind && s.length > Millis::ZERO)) {
                fault(P::NoSuchStep);
            }
        }
        RelayProgram::Isolate(tanks) => on_site(tanks),
        RelayProgram::WhileOffline(tank) => {
            let mut tanks = TankSet::EMPTY;
            tanks.insert(tank);
            on_site(tanks);
        }
        RelayProgram::AfterStart { delay, length } => {
            if length == Millis::ZERO {
                fault(P::Zero);
            }
            if delay.plus(length) > raw.longest_regeneration() {
                fault(P::AfterRegeneration);
            }
        }
        RelayProgram::PerVolume { volume, on } => per_volume(raw, relay, volume, on, &mut fault),
        _ => {}
    }
}

/// Requests must not come faster than they can be served, at the largest flow that the meters are made for.
fn per_volume(raw: &RawSettings, relay: &RawRelay, volume: Volume, on: Millis, fault: &mut dyn FnMut(P)) {
    if volume == Volume::ZERO || on == Millis::ZERO {
        return fault(P::Zero);
    }
    if relay.min_off == Millis::ZERO {
        fault(P::NoPauseBetween);
    }
    if on < relay.min_on {
        fault(P::OnBelowMinimum);
    }
    if relay.longest_on > Millis::ZERO && relay.longest_on < on {
        fault(P::OnAboveLongest);
    }
    let meters = if raw.meter.place == super::MeterPlace::PerTank { u32::from(raw.tanks) } else { 1 };
    let most = Flow(raw.meter.rated_max.0.saturating_mul(meters));
    if most > Flow(0) && u64::from(on.plus(relay.min_off).0) > most.time_for(volume) {
        fault(P::CannotKeepUp);
    }
}
