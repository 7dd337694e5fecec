//! Pressure loss of a settled resin bed (Ergun 1952).

use super::super::error::{OutOfRange, within};
use super::{Liquid, Resistance, velocity};

/// Superficial velocity in m/s of a flow in L/min through an area in m².
pub fn velocity_m_s(flow_l_min: f64, area_m2: f64) -> f64 {
    flow_l_min / (60_000.0 * area_m2)
}

/// The two parts of Ergun's equation, Pa/m per m/s and per (m/s)².
fn coefficients(void_fraction: f64, bead_mm: f64, liquid: &Liquid) -> Result<(f64, f64), OutOfRange> {
    let void = within("void fraction", void_fraction, 0.2, 0.7, "0.2 to 0.7")?;
    let bead_m = within("bead diameter", bead_mm, 0.1, 3.0, "0.1 to 3 mm")? * 1e-3;
    liquid.check()?;
    let solid = 1.0 - void;
    let cube = void.powi(3);
    Ok((
        150.0 * liquid.viscosity_pa_s * solid * solid / (cube * bead_m * bead_m),
        1.75 * liquid.density_kg_m3 * solid / (cube * bead_m),
    ))
}

/// Pressure loss per metre of settled beads, Pa/m.
///
/// Ergun (1952), Chem. Eng. Prog. 48, 89:
/// `150 μ v (1 − ε)²/(ε³ d²) + 1.75 ρ v² (1 − ε)/(ε³ d)`. Other published correlations
/// give 6 to 55 % more for resin beads; broken beads and dirt add to it in a real bed.
///
/// # Errors
/// [`OutOfRange`] for a figure no bed has.
pub fn ergun_pa_per_m(velocity_m_s: f64, void_fraction: f64, bead_mm: f64, liquid: &Liquid) -> Result<f64, OutOfRange> {
    let v = velocity(velocity_m_s)?;
    let (linear, square) = coefficients(void_fraction, bead_mm, liquid)?;
    Ok(v * (linear + square * v))
}

/// A settled bed of even beads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PackedBed {
    /// Depth, m.
    pub depth_m: f64,
    /// Cross-section of the tank, m².
    pub area_m2: f64,
    /// Share of the bed between the beads.
    pub void_fraction: f64,
    /// Bead diameter, mm.
    pub bead_mm: f64,
}

impl PackedBed {
    /// Pressure loss of the bed against flow, for a liquid.
    ///
    /// # Errors
    /// [`OutOfRange`] for a figure no bed has.
    pub fn resistance(&self, liquid: &Liquid) -> Result<Resistance, OutOfRange> {
        let depth = within("bed depth", self.depth_m, 0.0, 20.0, "0 to 20 m")?;
        let area = within("tank cross-section", self.area_m2, 1e-4, 100.0, "0.0001 to 100 m²")?;
        let (linear, square) = coefficients(self.void_fraction, self.bead_mm, liquid)?;
        let per_flow = velocity_m_s(1.0, area);
        let scale = depth * 1e-3;
        Resistance::new(scale * linear * per_flow, scale * square * per_flow * per_flow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_case_reckoned_by_hand() {
        // 0.75 m, voidage 0.36, 0.6 mm, 15 °C, 20 m/h: 17.34 + 0.93 kPa.
        let water = Liquid::water(15.0).expect("water");
        let per_m = ergun_pa_per_m(20.0 / 3_600.0, 0.36, 0.6, &water).expect("a bed");
        assert!((0.75e-3 * per_m - 18.26).abs() < 0.03);
    }

    #[test]
    fn the_resistance_says_the_same() {
        let bed = PackedBed { depth_m: 0.9, area_m2: 0.05, void_fraction: 0.38, bead_mm: 0.6 };
        let brine = Liquid::brine(10.0, 12.0).expect("brine");
        let path = bed.resistance(&brine).expect("a bed");
        for flow_l_min in [0.0, 0.5, 12.0, 90.0] {
            let v = velocity_m_s(flow_l_min, bed.area_m2);
            let direct = 0.9e-3 * ergun_pa_per_m(v, 0.38, 0.6, &brine).expect("a bed");
            assert!((path.loss(flow_l_min) - direct).abs() <= 1e-12 * direct);
        }
    }

    #[test]
    fn no_flow_loses_nothing_and_absurd_figures_are_refused() {
        let water = Liquid::water(15.0).expect("water");
        assert_eq!(ergun_pa_per_m(0.0, 0.36, 0.6, &water), Ok(0.0));
        for bad in [f64::NAN, -0.1, 1e9] {
            assert_eq!(ergun_pa_per_m(bad, 0.36, 0.6, &water).expect_err("velocity").field, "velocity");
            assert_eq!(ergun_pa_per_m(0.01, bad, 0.6, &water).expect_err("void").field, "void fraction");
            assert_eq!(ergun_pa_per_m(0.01, 0.36, bad, &water).expect_err("bead").field, "bead diameter");
            let thin = Liquid { viscosity_pa_s: bad, ..water };
            assert_eq!(ergun_pa_per_m(0.01, 0.36, 0.6, &thin).expect_err("liquid").field, "viscosity of the liquid");
        }
    }
}
