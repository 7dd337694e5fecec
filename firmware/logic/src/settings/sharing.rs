//! How several tanks share the water, the drain and the brine (A3, A4, M5, S1).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::drive::RawTwoPosition;
use super::fault::{Faults, Problem as P};
use super::raw::{Arrangement, MeterPlace, RawSettings};
use super::{MAX_TANKS, check_drive};
use crate::units::{Flow, Millis};

/// Thresholds of a staged site: one for each tank after the first.
pub const MAX_STAGES: usize = MAX_TANKS - 1;

/// What tanks of one site share. All of it concerns parallel and staged sites, but for the bypass.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawSharing {
    /// The flow that one tank can carry: a serving tank leaves to regenerate only if the others can
    /// carry the present flow (A3); 0 = any flow \[0\].
    pub tank_flow: Flow,
    /// Staged: the flows above which the second, third … tank joins, ascending (A4).
    pub join_above: Vec<Flow, MAX_STAGES>,
    /// Staged: how far below its threshold the flow falls before a tank leaves again \[0\].
    pub join_hysteresis: Flow,
    /// Staged: how long the flow stays there before a tank joins or leaves [1 min].
    pub join_dwell: Millis,
    /// How many tanks may discharge together \[1\] (S1).
    pub draining_together: u8,
    /// Share of the metered water that a blending bypass leads past the tanks, per mille \[0\] (M5).
    pub bypass_per_mille: u16,
    /// Alternating: one changeover valve that leads the water of tank 1 at its first end and of tank 2 at
    /// its second, in place of a shut-off position of each tank's own (A6).
    pub shared_valve: Option<RawTwoPosition>,
}

impl RawSharing {
    /// Nothing is shared but one drain, by one tank at a time.
    #[must_use]
    pub fn baseline() -> Self {
        Self {
            tank_flow: Flow(0),
            join_above: Vec::new(),
            join_hysteresis: Flow(0),
            join_dwell: Millis::from_mins(1),
            draining_together: 1,
            bypass_per_mille: 0,
            shared_valve: None,
        }
    }
}

/// How many tanks, how many at once, and what they share.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let most = u8::try_from(MAX_TANKS).unwrap_or(u8::MAX);
    match raw.arrangement {
        Arrangement::Single if raw.tanks != 1 => faults.add("tanks", None, P::SingleNeedsOneTank),
        Arrangement::Alternating if raw.tanks != 2 => faults.add("tanks", None, P::AlternatingNeedsTwoTanks),
        Arrangement::Parallel | Arrangement::Staged if !(2..=most).contains(&raw.tanks) => {
            faults.add("tanks", None, P::SharingNeedsSeveralTanks);
        }
        _ => {}
    }
    match raw.arrangement {
        Arrangement::Single | Arrangement::Alternating if raw.max_regenerating != 1 => {
            faults.add("max_regenerating", None, P::OneAtATime);
        }
        Arrangement::Parallel | Arrangement::Staged
            if raw.tanks > 1 && !(1..raw.tanks).contains(&raw.max_regenerating) =>
        {
            faults.add("max_regenerating", None, P::OneMustServe);
        }
        _ => {}
    }
    let sharing = &raw.sharing;
    if !(1..=most).contains(&sharing.draining_together) {
        faults.add("sharing.draining_together", None, P::DrainingTogetherOutOfRange);
    }
    if let Some(valve) = &sharing.shared_valve {
        if raw.arrangement != Arrangement::Alternating {
            faults.add("sharing.shared_valve", None, P::OnlyAlternatingTanksShareValve);
        }
        check_drive::two_position("sharing.shared_valve", valve, faults);
    }
    stages(raw, faults);
    match (sharing.bypass_per_mille, raw.meter.place) {
        (0, _) => {}
        (1_000.., _) => faults.add("sharing.bypass_per_mille", None, P::BypassOutOfRange),
        (_, MeterPlace::PerTank) => faults.add("sharing.bypass_per_mille", None, P::BypassNeedsCommonMeter),
        _ => {}
    }
}

fn stages(raw: &RawSettings, faults: &mut Faults) {
    let sharing = &raw.sharing;
    let stages = sharing.join_above.len();
    if raw.arrangement != Arrangement::Staged {
        if stages > 0 {
            faults.add("sharing.join_above", None, P::OnlyStagedTanksJoin);
        }
        return;
    }
    if stages.saturating_add(1) != usize::from(raw.tanks) {
        faults.add("sharing.join_above", None, P::OneThresholdForEachFurtherTank);
    }
    let ascends = sharing.join_above.windows(2).all(|pair| match pair {
        [a, b] => a < b,
        _ => true,
    });
    if !ascends {
        faults.add("sharing.join_above", None, P::ThresholdsNotAscending);
    }
    if sharing.join_above.first().is_some_and(|first| *first <= sharing.join_hysteresis) {
        faults.add("sharing.join_hysteresis", None, P::HysteresisNotBelowThreshold);
    }
    if !(Millis::from_secs(1)..=Millis::from_hours(1)).contains(&sharing.join_dwell) {
        faults.add("sharing.join_dwell", None, P::DwellOutOfRange);
    }
}
