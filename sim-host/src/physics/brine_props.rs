//! Sodium chloride brine: density, viscosity, saturation, and the trade's measures of strength.
//!
//! Strength is per cent by weight: kilograms of salt in 100 kg of brine.

use super::error::{OutOfRange, temperature, within};
use super::water_props::{water_density_kg_m3, water_viscosity_pa_s};

/// Density of solid sodium chloride (halite), kg/m³ (from memory).
pub const HALITE_KG_M3: f64 = 2_165.0;
/// Strongest brine that the correlations are used for, per cent by weight: a little more
/// than saturation at 80 °C.
pub const STRONGEST_WEIGHT_PERCENT: f64 = 28.0;
/// Strength of 100 salometer degrees: saturation at 60 °F, per cent by weight (definition).
pub const SALOMETER_FULL_WEIGHT_PERCENT: f64 = 26.395;

fn strength(weight_percent: f64) -> Result<f64, OutOfRange> {
    within("brine strength", weight_percent, 0.0, STRONGEST_WEIGHT_PERCENT, "0 to 28 % by weight")
}

/// Density of brine, kg/m³.
///
/// Laliberté (2009), J. Chem. Eng. Data 54, 1725: volumes of water and salt add, with the
/// salt's apparent density `(c0 s + c1) exp(10⁻⁶ (t + c4)²) / (s + c2 + c3 t)` at the
/// weight fraction *s* of salt. Fitted to data from 0 to 140 °C and 26.6 %.
///
/// # Errors
/// [`OutOfRange`] outside 0 to 28 % or 0 to 80 °C.
pub fn brine_density_kg_m3(weight_percent: f64, temperature_c: f64) -> Result<f64, OutOfRange> {
    let salt = strength(weight_percent)? / 100.0;
    let t = temperature(temperature_c)?;
    let warm = t + 3_317.348_544_266_24;
    let apparent = (-0.003_241_122_236_551_49 * salt + 0.063_635_433_590_661_6) * (1e-6 * warm * warm).exp()
        / (salt + 1.013_713_994_673_65 + 0.014_595_101_521_015_9 * t);
    Ok(1.0 / ((1.0 - salt) / water_density_kg_m3(t) + salt / apparent))
}

/// Viscosity of brine, Pa·s.
///
/// Laliberté (2009), as for the density: logarithms mix by weight, the salt's being that of
/// `exp((v1 s^v2 + v3) / (v4 t + 1)) / (v5 s^v6 + 1)` mPa·s. Fitted to data from 5 to 154 °C.
///
/// # Errors
/// [`OutOfRange`] outside 0 to 28 % or 0 to 80 °C.
pub fn brine_viscosity_pa_s(weight_percent: f64, temperature_c: f64) -> Result<f64, OutOfRange> {
    let salt = strength(weight_percent)? / 100.0;
    let t = temperature(temperature_c)?;
    let power = (16.221_788_633_396 * salt.powf(1.322_930_867_700_11) + 1.484_859_850_104_31)
        / (0.007_469_125_596_573_77 * t + 1.0);
    let salt_mpa_s = power.exp() / (30.780_200_754_057_5 * salt.powf(2.058_268_523_222_58) + 1.0);
    let water_mpa_s = water_viscosity_pa_s(t) * 1e3;
    Ok(1e-3 * ((1.0 - salt) * water_mpa_s.ln() + salt * salt_mpa_s.ln()).exp())
}

/// Strength of brine in equilibrium with halite, per cent by weight.
///
/// Sterner, Hall & Bodnar (1988), with ψ = t/100 (from memory): within 0.3 % of the salt
/// producers' table from 0 to 37.8 °C and of a Pitzer model from 5 to 25 °C.
///
/// # Errors
/// [`OutOfRange`] outside 0 to 80 °C.
pub fn saturation_weight_percent(temperature_c: f64) -> Result<f64, OutOfRange> {
    let psi = temperature(temperature_c)? / 100.0;
    let terms = [26.242, 0.4928, 1.42, -0.223, 0.041_29, 0.006_295, -0.001_967, 0.000_111_2];
    Ok(terms.iter().rev().fold(0.0, |sum, term| sum * psi + term))
}

/// Kilograms of salt per kilogram of water in brine of a strength.
pub fn salt_per_water(weight_percent: f64) -> f64 {
    weight_percent / (100.0 - weight_percent)
}

/// Strength, per cent by weight, of brine with so many kilograms of salt per kilogram of water.
pub fn weight_percent_of(salt_per_water: f64) -> f64 {
    100.0 * salt_per_water / (1.0 + salt_per_water)
}

/// Grams of salt in one litre of brine.
///
/// # Errors
/// [`OutOfRange`] outside 0 to 28 % or 0 to 80 °C.
pub fn salt_g_per_l(weight_percent: f64, temperature_c: f64) -> Result<f64, OutOfRange> {
    Ok(brine_density_kg_m3(weight_percent, temperature_c)? * weight_percent / 100.0)
}

/// Salometer degrees of a brine: per cent of [`SALOMETER_FULL_WEIGHT_PERCENT`].
///
/// # Errors
/// [`OutOfRange`] outside 0 to 28 %.
pub fn salometer_degrees(weight_percent: f64) -> Result<f64, OutOfRange> {
    Ok(100.0 * strength(weight_percent)? / SALOMETER_FULL_WEIGHT_PERCENT)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_salt_it_is_water() {
        for t in [0.0, 15.0, 80.0] {
            assert!((brine_density_kg_m3(0.0, t).expect("water") / water_density_kg_m3(t) - 1.0).abs() < 1e-14);
            assert!((brine_viscosity_pa_s(0.0, t).expect("water") / water_viscosity_pa_s(t) - 1.0).abs() < 1e-14);
        }
    }

    #[test]
    fn strength_converts_both_ways() {
        for weight_percent in [0.0, 10.0, 26.4] {
            assert!((weight_percent_of(salt_per_water(weight_percent)) - weight_percent).abs() < 1e-12);
        }
    }

    #[test]
    fn absurd_figures_are_refused_by_name() {
        for bad in [f64::NAN, f64::INFINITY, -1.0, 101.0] {
            assert_eq!(brine_density_kg_m3(bad, 15.0).expect_err("no brine").field, "brine strength");
            assert_eq!(brine_viscosity_pa_s(10.0, bad).expect_err("no water").field, "temperature");
            assert_eq!(saturation_weight_percent(bad).expect_err("no water").field, "temperature");
            assert!(salometer_degrees(bad).is_err());
        }
    }
}
