//! Mass transfer: how far a plate comes towards equilibrium in the time it has.
//!
//! Film and particle resistance in series, linear driving force; see `docs/physics.md`.

use super::error::{BedError, within};
use super::exchange::Exchanger;
use crate::physics::water_props::{water_density_kg_m3, water_viscosity_pa_s};

/// A plate's approach to equilibrium is worked out anew when the ratio of its
/// hardness on the resin and in the water has changed by this share.
const REPACE_AT: f64 = 0.01;
/// No ratio of resin to water is near this.
const UNKNOWN_RATIO: f64 = -1.0;

/// Beads, and what slows the ions in them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kinetics {
    /// Bead diameter, mm.
    pub bead_mm: f64,
    /// Share of a swollen bead that is water; sets the diffusion inside it by
    /// Mackie & Meares (1955). About one half for an 8 % cross-linked gel
    /// (common practice).
    pub bead_water: f64,
}

impl Default for Kinetics {
    fn default() -> Self {
        Self { bead_mm: 0.6, bead_water: 0.5 }
    }
}

/// Whether plates reach equilibrium at once or only as fast as ions move.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Transfer {
    /// Every plate is in equilibrium: no effect of flow.
    #[default]
    Equilibrium,
    /// Film and particle diffusion hold it back.
    Kinetic(Kinetics),
}

impl Transfer {
    /// Checks the bead figures.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a bead that no softener holds.
    pub fn check(self) -> Result<Self, BedError> {
        if let Self::Kinetic(k) = self {
            within("bead diameter", k.bead_mm, 0.1, 3.0, "0.1 to 3 mm")?;
            within("water in the bead", k.bead_water, 0.05, 0.95, "0.05 to 0.95")?;
        }
        Ok(self)
    }
}

/// Rates at one flow and temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rates {
    /// Film coefficient × bead surface per litre of bed, 1/s.
    pub film_per_s: f64,
    /// Particle coefficient, 1/s.
    pub particle_per_s: f64,
    /// Share of the bed between the beads.
    pub void_fraction: f64,
}

/// Diffusion of calcium in water at 25 °C, m²/s (Robinson & Stokes 1959; from
/// memory): the slow partner of the sodium–hardness exchange sets the pace.
const DIFFUSION_25C_M2_S: f64 = 0.79e-9;

/// Diffusion of hardness in water, m²/s, by Stokes–Einstein from 25 °C.
pub(crate) fn diffusion_m2_s(temperature_c: f64) -> f64 {
    DIFFUSION_25C_M2_S * (temperature_c + 273.15) / 298.15 * water_viscosity_pa_s(25.0)
        / water_viscosity_pa_s(temperature_c)
}

impl Rates {
    /// Rates for a superficial velocity in m/s.
    ///
    /// Film: Wilson & Geankoplis (1966), `Sh = 1.09/ε · (Re Sc)^⅓`, valid for
    /// 0.0016 < Re < 55, and never below the still-water value `Sh = 2`.
    /// Particle: Glueckauf (1955), `k = 15 D/R²`.
    pub fn at(k: &Kinetics, void_fraction: f64, velocity_m_s: f64, temperature_c: f64) -> Self {
        let bead_m = k.bead_mm * 1e-3;
        let diffusion = diffusion_m2_s(temperature_c);
        let viscosity = water_viscosity_pa_s(temperature_c) / water_density_kg_m3(temperature_c);
        let reynolds = velocity_m_s * bead_m / viscosity;
        let schmidt = viscosity / diffusion;
        let sherwood = (1.09 / void_fraction * (reynolds * schmidt).cbrt()).max(2.0);
        let film_m_s = sherwood * diffusion / bead_m;
        let surface_per_m = 6.0 * (1.0 - void_fraction) / bead_m;
        let obstruction = (k.bead_water / (2.0 - k.bead_water)).powi(2);
        let radius = 0.5 * bead_m;
        Self {
            film_per_s: film_m_s * surface_per_m,
            particle_per_s: 15.0 * diffusion * obstruction / (radius * radius),
            void_fraction,
        }
    }

    /// Share of the way to equilibrium that a plate goes in a time.
    ///
    /// `resin` and `water` are the equivalents of hardness in each at equilibrium;
    /// their ratio is the slope that couples the two resistances.
    pub fn approach(&self, resin: f64, water: f64, seconds: f64) -> f64 {
        let slope = (resin + 1e-30) / (water + 1e-30) * self.void_fraction;
        let overall = 1.0 / (1.0 / self.film_per_s + 1.0 / (slope * self.particle_per_s));
        let rate = overall * (1.0 / self.void_fraction + 1.0 / slope);
        1.0 - (-rate * seconds).exp()
    }
}

/// How fast plates near equilibrium, and how long they have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pace {
    pub rates: Rates,
    pub seconds: f64,
}

/// Keeps plates from equilibrium by as much as the time was short.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct HoldBack {
    before_ca: Vec<f64>,
    before_mg: Vec<f64>,
    /// Share of the way that each plate falls short of.
    short: Vec<f64>,
    /// The ratio of resin to water, and below the pace, that `short` holds for.
    ratio: Vec<f64>,
    pace: Option<Pace>,
}

impl HoldBack {
    /// For a bed of `plates` plates.
    pub fn new(plates: usize) -> Self {
        Self {
            before_ca: vec![0.0; plates],
            before_mg: vec![0.0; plates],
            short: vec![0.0; plates],
            ratio: vec![UNKNOWN_RATIO; plates],
            pace: None,
        }
    }

    /// Notes what the resin holds before it exchanges.
    pub fn remember(&mut self, exchanger: &Exchanger) {
        self.before_ca.copy_from_slice(&exchanger.ca);
        self.before_mg.copy_from_slice(&exchanger.mg);
    }

    /// Takes resin and water back from the equilibrium they have been brought to.
    /// What one gives up the other gets.
    pub fn apply(&mut self, pace: &Pace, exchanger: &mut Exchanger, water_ca: &mut [f64], water_mg: &mut [f64]) {
        if self.pace != Some(*pace) {
            self.pace = Some(*pace);
            self.ratio.fill(UNKNOWN_RATIO);
        }
        for i in 0..self.short.len() {
            let (x_ca, x_mg) = (exchanger.ca[i], exchanger.mg[i]);
            let (c_ca, c_mg) = (water_ca[i], water_mg[i]);
            let (resin, water) = (x_ca + x_mg, c_ca + c_mg);
            let near = (resin - self.ratio[i] * water).abs() <= REPACE_AT * resin;
            if !near {
                self.ratio[i] = resin / water;
                self.short[i] = 1.0 - pace.rates.approach(resin, water, pace.seconds);
            }
            let d_ca = self.short[i] * (x_ca - self.before_ca[i]);
            let d_mg = self.short[i] * (x_mg - self.before_mg[i]);
            exchanger.ca[i] = x_ca - d_ca;
            exchanger.mg[i] = x_mg - d_mg;
            water_ca[i] = c_ca + d_ca;
            water_mg[i] = c_mg + d_mg;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rates(velocity_m_s: f64, temperature_c: f64) -> Rates {
        Rates::at(&Kinetics::default(), 0.37, velocity_m_s, temperature_c)
    }

    #[test]
    fn dilute_water_is_held_back_by_the_film_and_brine_by_the_bead() {
        let r = rates(3e-3, 15.0);
        // Soft water on fresh resin: the film alone, film/void.
        let film = -(1.0 - r.approach(1.0, 1e-9, 0.1)).ln() / 0.1;
        assert!((film / (r.film_per_s / 0.37) - 1.0).abs() < 1e-3);
        // Hardness all in the water: the bead alone.
        let bead = -(1.0 - r.approach(1e-6, 1.0, 0.1)).ln() / 0.1;
        assert!((bead / r.particle_per_s - 1.0).abs() < 0.01);
    }

    #[test]
    fn flow_and_warmth_speed_the_film() {
        let base = rates(3e-3, 15.0).film_per_s;
        assert!((rates(24e-3, 15.0).film_per_s / base - 2.0).abs() < 1e-9);
        assert!(rates(3e-3, 30.0).film_per_s > base);
        assert!(rates(0.0, 15.0).film_per_s > 0.0);
    }

    #[test]
    fn approach_stays_between_nothing_and_all() {
        let r = rates(3e-3, 5.0);
        for resin in [0.0, 1e-12, 1.0, 5.0] {
            for water in [0.0, 1e-12, 1e-3, 2.0] {
                for seconds in [0.0, 1e-3, 1.0, 1e6] {
                    let share = r.approach(resin, water, seconds);
                    assert!((0.0..=1.0).contains(&share));
                }
            }
        }
    }
}
