//! The brine side of the settings: what refill water takes up, and how doses follow use (C8, Q4).

use serde::{Deserialize, Serialize};

use super::Faults;
use super::fault::Problem as P;
use super::raw::{RawSettings, StepEnd};
use crate::brine::water_for;
use crate::program::StepKind;
use crate::units::{Flow, Volume};

/// A refill may differ so much from the one that makes the dose, in percent.
const REFILL_TOLERANCE_PERCENT: u64 = 5;

/// The brine tank and the dose.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawBrine {
    /// Salt that refill water takes up, mg/L [358 281, which is 2.99 lb per US gallon] (Q4).
    pub salt_per_water_mg_per_l: u32,
    /// Flow into the brine tank; 0 = not measured: the usual refill makes the usual dose.
    pub refill_flow: Flow,
    /// Refill from the start of one regeneration to that of the next, at most, in percent of the largest
    /// dose, 100 to 1 000 \[250\] (P5).
    pub refill_cap_percent: u16,
    /// Brine is ready when the contact `brine-ready` is closed, whatever the time \[no\] (C8).
    pub ready_by_contact: bool,
    /// Doses in a full salt store; 0 = not counted.
    pub store_doses: u16,
    /// Fewer doses left raise `salt-low` \[5\].
    pub low_doses: u16,
    /// The dose follows what was spent (Q4).
    pub proportional: RawProportional,
}

/// A dose in proportion to what was spent (Q4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawProportional {
    /// Whether it is \[no\]; needs a refill that comes first or a metered draw.
    pub on: bool,
    /// The least dose, in percent of the usual, 10 to 100 \[50\].
    pub floor_percent: u8,
    /// Every so many regenerations take the usual dose \[10\].
    pub full_every: u8,
}

impl RawBrine {
    /// As the built-in baseline has it.
    pub(super) const BASELINE: Self = Self {
        salt_per_water_mg_per_l: 358_281,
        refill_flow: Flow(0),
        refill_cap_percent: 250,
        ready_by_contact: false,
        store_doses: 0,
        low_doses: 5,
        proportional: RawProportional { on: false, floor_percent: 50, full_every: 10 },
    };
}

/// Faults of the brine side.
pub(super) fn check(raw: &RawSettings, faults: &mut Faults) {
    let brine = &raw.brine;
    if brine.salt_per_water_mg_per_l == 0 {
        faults.add("brine.salt_per_water_mg_per_l", None, P::Zero);
        return;
    }
    if !(100..=1_000).contains(&brine.refill_cap_percent) {
        faults.add("brine.refill_cap_percent", None, P::RefillCapOutOfRange);
    }
    if brine.store_doses > 0 && brine.low_doses >= brine.store_doses {
        faults.add("brine.low_doses", None, P::LowNotBelowStore);
    }
    let dose = water_for(raw.salt, brine.salt_per_water_mg_per_l);
    for (i, step) in raw.program.iter().enumerate() {
        let makes = match step.end {
            _ if step.kind != StepKind::BrineRefill || step.length.0 == 0 => continue,
            StepEnd::Volume { volume, .. } => volume,
            StepEnd::Time if brine.refill_flow.0 > 0 => brine.refill_flow.over(step.length),
            _ => continue,
        };
        if !is_close(makes, dose) {
            faults.add("program", Some(i), P::RefillNotTheDose);
        }
    }
    let proportional = &brine.proportional;
    if !(10..=100).contains(&proportional.floor_percent) {
        faults.add("brine.proportional.floor_percent", None, P::FloorOutOfRange);
    }
    if proportional.full_every == 0 {
        faults.add("brine.proportional.full_every", None, P::Zero);
    }
    let metered = raw.program.iter().any(|step| {
        step.kind == StepKind::BrineDraw && step.length.0 > 0 && matches!(step.end, StepEnd::Volume { .. })
    });
    if proportional.on && !metered && !super::refills_first(raw) {
        faults.add("brine.proportional.on", None, P::ProportionalNeedsMeasure);
    }
}

fn is_close(a: Volume, b: Volume) -> bool {
    a.0.abs_diff(b.0).saturating_mul(100) <= b.0.saturating_mul(REFILL_TOLERANCE_PERCENT)
}
