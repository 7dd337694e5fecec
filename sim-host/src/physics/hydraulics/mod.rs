//! Pressure and flow: packed and expanded beds, valves, supply, drain, parallel tanks.

mod backwash;
mod network;
mod packed_bed;
mod resistance;

pub use backwash::{
    BackwashVessel, BackwashedBed, Beads, expansion_share, richardson_zaki_exponent, sphere_drag, terminal_velocity_m_s,
};
pub use network::{Branch, Drain, DrainLoad, Shared, Split, Supply, share, split};
pub use packed_bed::{PackedBed, ergun_pa_per_m, velocity_m_s};
pub use resistance::{KV_PER_CV, Resistance};

use super::brine_props::{brine_density_kg_m3, brine_viscosity_pa_s};
use super::error::{OutOfRange, within};

/// What a flowing liquid weighs and how thick it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Liquid {
    /// Density, kg/m³.
    pub density_kg_m3: f64,
    /// Viscosity, Pa·s.
    pub viscosity_pa_s: f64,
}

impl Liquid {
    /// Water of a temperature in °C.
    ///
    /// # Errors
    /// [`OutOfRange`] outside 0 to 80 °C.
    pub fn water(temperature_c: f64) -> Result<Self, OutOfRange> {
        Self::brine(0.0, temperature_c)
    }

    /// Brine of a strength in per cent by weight.
    ///
    /// # Errors
    /// [`OutOfRange`] outside 0 to 28 % or 0 to 80 °C.
    pub fn brine(weight_percent: f64, temperature_c: f64) -> Result<Self, OutOfRange> {
        Ok(Self {
            density_kg_m3: brine_density_kg_m3(weight_percent, temperature_c)?,
            viscosity_pa_s: brine_viscosity_pa_s(weight_percent, temperature_c)?,
        })
    }

    /// Checks that this is a liquid.
    ///
    /// # Errors
    /// [`OutOfRange`] for a density or viscosity that no liquid of a plant has.
    pub(super) fn check(&self) -> Result<(), OutOfRange> {
        within("density of the liquid", self.density_kg_m3, 500.0, 2_000.0, "500 to 2 000 kg/m³")?;
        within("viscosity of the liquid", self.viscosity_pa_s, 1e-5, 1.0, "1e-5 to 1 Pa·s")?;
        Ok(())
    }
}

/// Fastest superficial velocity taken for a figure, not a slip, m/s.
const FASTEST_M_S: f64 = 10.0;
/// Largest flow taken for a figure, not a slip, L/min.
const LARGEST_L_MIN: f64 = 1e6;

pub(super) fn velocity(value: f64) -> Result<f64, OutOfRange> {
    within("velocity", value, 0.0, FASTEST_M_S, "0 to 10 m/s")
}

pub(super) fn flow(value: f64) -> Result<f64, OutOfRange> {
    within("flow", value, 0.0, LARGEST_L_MIN, "0 to 1 000 000 L/min")
}

pub(super) fn pressure(field: &'static str, value: f64) -> Result<f64, OutOfRange> {
    within(field, value, 0.0, 10_000.0, "0 to 10 000 kPa")
}
