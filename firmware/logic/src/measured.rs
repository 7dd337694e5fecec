//! What a person measured on site corrects a draft of the settings (M1, O2, O6): it is shown as a difference and
//! taken whole, like any other change.

use crate::draft::Draft;
use crate::program::StepKind;
use crate::settings::{RawSettings, RawStep, StepEnd};
use crate::units::{Flow, Millis, SaltMass, Volume, share};

/// Salt in a litre of saturated brine, mg: 2.65 lb per US gallon (derived from a published table of densities).
const SALT_PER_BRINE_MG_PER_L: u64 = 317_545;
const SECOND_MS: u64 = 1_000;

/// A measurement made on site.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Measured {
    /// Pulses of a meter, counted for a volume that was caught (M1).
    Pulses {
        /// How many.
        pulses: u32,
        /// What was caught.
        caught: Volume,
    },
    /// What ran to drain in a step.
    Drain {
        /// In which.
        step: StepKind,
        /// What was caught.
        caught: Volume,
        /// In how long.
        time: Millis,
    },
    /// What a brine draw took out of the brine tank: its length is to take the usual dose.
    Draw {
        /// Brine, by the fall of its level.
        brine: Volume,
        /// In how long.
        time: Millis,
    },
    /// What a refill put into the brine tank: its length is to make the usual dose (Q4).
    Refill {
        /// Water, by the rise of its level or caught.
        water: Volume,
        /// In how long.
        time: Millis,
    },
}

/// Why a measurement corrects nothing. The draft is as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum NotMeasured {
    /// Nothing was caught, or in no time.
    Nothing,
    /// The program has no such step that runs.
    NoSuchStep,
}

impl core::fmt::Display for NotMeasured {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Nothing => "nothing was measured: a volume and the time or the pulses that it took are needed",
            Self::NoSuchStep => "the program has no such step that runs",
        })
    }
}

impl core::error::Error for NotMeasured {}

/// The flow that was measured.
fn flow(volume: Volume, time: Millis) -> Result<Flow, NotMeasured> {
    let flow = Flow::of(volume, u64::from(time.0));
    if time == Millis::ZERO || flow == Flow(0) { Err(NotMeasured::Nothing) } else { Ok(flow) }
}

/// How long a volume takes where another took so long, up to the second.
fn time_for(volume: Volume, measured: Volume, time: Millis) -> Millis {
    let ms = share(volume.0, u64::from(time.0), measured.0);
    let seconds = ms.div_ceil(SECOND_MS);
    Millis(u32::try_from(seconds.saturating_mul(SECOND_MS)).unwrap_or(u32::MAX))
}

/// Brine that holds so much salt.
fn brine_of(salt: SaltMass) -> Volume {
    Volume(share(u64::from(salt.0), 1_000_000_000, SALT_PER_BRINE_MG_PER_L))
}

/// The steps of a kind that run.
fn steps(raw: &mut RawSettings, kind: StepKind) -> Result<impl Iterator<Item = &mut RawStep>, NotMeasured> {
    let runs = move |step: &RawStep| step.kind == kind && step.length > Millis::ZERO;
    if !raw.program.iter().any(runs) {
        return Err(NotMeasured::NoSuchStep);
    }
    Ok(raw.program.iter_mut().filter(move |step| runs(step)))
}

/// Gives a step another usual length; one that a volume or a contact ends may last as much longer than before.
fn lengthen(step: &mut RawStep, length: Millis) {
    let before = step.length;
    step.length = length;
    if let StepEnd::Volume { longest, .. } | StepEnd::Contact { longest } = &mut step.end {
        longest.0 = longest.0.saturating_add(length.0.saturating_sub(before.0));
    }
}

impl Draft {
    /// Corrects the draft by what was measured; [`Draft::difference`] shows what that changes, and nothing runs
    /// before it is taken.
    ///
    /// # Errors
    /// The measurement says nothing here.
    pub fn correct(&mut self, measured: Measured) -> Result<(), NotMeasured> {
        let raw = &mut self.raw;
        match measured {
            Measured::Pulses { pulses, caught } => {
                if pulses == 0 || caught == Volume::ZERO {
                    return Err(NotMeasured::Nothing);
                }
                (raw.meter.pulse_nl, raw.meter.pulse_divisor) = (caught.0, pulses);
            }
            Measured::Drain { step, caught, time } => {
                let drain = flow(caught, time)?;
                steps(raw, step)?.for_each(|step| step.drain = drain);
            }
            Measured::Draw { brine, time } => {
                flow(brine, time)?;
                let length = time_for(brine_of(raw.salt), brine, time);
                steps(raw, StepKind::BrineDraw)?.for_each(|step| lengthen(step, length));
            }
            Measured::Refill { water, time } => {
                let refill = flow(water, time)?;
                let dose = crate::brine::water_for(raw.salt, raw.brine.salt_per_water_mg_per_l);
                let length = time_for(dose, water, time);
                steps(raw, StepKind::BrineRefill)?.for_each(|step| lengthen(step, length));
                raw.brine.refill_flow = refill;
            }
        }
        Ok(())
    }
}
