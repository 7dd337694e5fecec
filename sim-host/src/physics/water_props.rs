//! Density and viscosity of pure water at atmospheric pressure.

/// Density of pure water, kg/m³: Kell (1975), from memory; within 0.01 kg/m³ of
/// tables from 0 to 80 °C.
pub fn water_density_kg_m3(temperature_c: f64) -> f64 {
    let t = temperature_c;
    (999.839_52
        + t * (16.945_176 - t * (7.987_040_1e-3 + t * (46.170_461e-6 - t * (105.563_02e-9 - t * 280.542_53e-12)))))
        / (1.0 + 16.879_85e-3 * t)
}

/// Viscosity of pure water, Pa·s: Kestin, Sokolov & Wakeham (1978), from memory.
pub fn water_viscosity_pa_s(temperature_c: f64) -> f64 {
    let d = 20.0 - temperature_c;
    1.002e-3 * 10f64.powf(d / (temperature_c + 96.0) * (1.2364 - 1.37e-3 * d + 5.7e-6 * d * d))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn water_properties_match_tables() {
        // CRC Handbook (from memory).
        for (t, density, viscosity) in [(0.0, 999.84, 1.792e-3), (20.0, 998.21, 1.002e-3), (60.0, 983.20, 0.466e-3)] {
            assert!((water_density_kg_m3(t) - density).abs() < 0.05);
            assert!((water_viscosity_pa_s(t) / viscosity - 1.0).abs() < 0.005);
        }
    }
}
