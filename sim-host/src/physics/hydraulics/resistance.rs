//! What a path takes from the pressure: `loss = a q + b q²`.

use super::super::error::{OutOfRange, within};
use super::flow;

/// Cubic metres an hour at 1 bar (Kv) of a valve that passes one US gallon a minute at
/// 1 psi (Cv): 0.865 (from the definitions of both).
pub const KV_PER_CV: f64 = 0.865;

/// Pressure loss of a path against flow: a part that grows with flow and a part that
/// grows with its square. Forward flow only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resistance {
    linear_kpa_per_l_min: f64,
    square_kpa_per_l_min2: f64,
}

impl Resistance {
    /// A path that takes no pressure.
    pub const NONE: Self = Self { linear_kpa_per_l_min: 0.0, square_kpa_per_l_min2: 0.0 };
    /// A path that is shut.
    pub const SHUT: Self = Self { linear_kpa_per_l_min: 0.0, square_kpa_per_l_min2: f64::INFINITY };

    /// A path from its two coefficients, kPa per L/min and kPa per (L/min)².
    ///
    /// # Errors
    /// [`OutOfRange`] for a coefficient that is negative or not a number.
    pub fn new(linear_kpa_per_l_min: f64, square_kpa_per_l_min2: f64) -> Result<Self, OutOfRange> {
        within("linear pressure loss", linear_kpa_per_l_min, 0.0, 1e12, "0 or more, kPa per L/min")?;
        within("square pressure loss", square_kpa_per_l_min2, 0.0, 1e12, "0 or more, kPa per (L/min)²")?;
        Ok(Self { linear_kpa_per_l_min, square_kpa_per_l_min2 })
    }

    /// A valve or port with a flow coefficient, in m³/h of water at a loss of 1 bar
    /// (`loss / 1 bar = (q / Kv)² ρ / 1000 kg/m³`; IEC 60534, from memory), opened by
    /// a share from 0 to 1. The coefficient is taken to grow evenly with the opening.
    ///
    /// # Errors
    /// [`OutOfRange`] for a coefficient, opening or density that cannot be.
    pub fn of_valve(kv_m3_h: f64, opening: f64, density_kg_m3: f64) -> Result<Self, OutOfRange> {
        let kv = within("valve flow coefficient", kv_m3_h, 1e-4, 1e5, "0.0001 to 100 000 m³/h at 1 bar")?;
        let opening = within("valve opening", opening, 0.0, 1.0, "0 (shut) to 1 (open)")?;
        let density = within("density of the liquid", density_kg_m3, 500.0, 2_000.0, "500 to 2 000 kg/m³")?;
        let passing = kv * opening;
        if passing < 1e-9 {
            return Ok(Self::SHUT);
        }
        // 1 L/min = 0.06 m³/h, 1 bar = 100 kPa.
        let ratio = 0.06 / passing;
        Ok(Self { linear_kpa_per_l_min: 0.0, square_kpa_per_l_min2: 100.0 * ratio * ratio * density / 1e3 })
    }

    /// This path and another in series.
    #[must_use]
    pub fn then(self, next: Self) -> Self {
        Self {
            linear_kpa_per_l_min: self.linear_kpa_per_l_min + next.linear_kpa_per_l_min,
            square_kpa_per_l_min2: self.square_kpa_per_l_min2 + next.square_kpa_per_l_min2,
        }
    }

    /// This path with its loss multiplied, as of a valve that is opened less.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            linear_kpa_per_l_min: self.linear_kpa_per_l_min * factor,
            square_kpa_per_l_min2: self.square_kpa_per_l_min2 * factor,
        }
    }

    /// Whether nothing can pass.
    pub fn is_shut(&self) -> bool {
        self.square_kpa_per_l_min2.is_infinite()
    }

    /// Pressure loss at a flow, kPa; infinite when shut and a flow is asked for.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing flow.
    pub fn loss_kpa(&self, flow_l_min: f64) -> Result<f64, OutOfRange> {
        Ok(self.loss(flow(flow_l_min)?))
    }

    pub(crate) fn loss(&self, q: f64) -> f64 {
        if q == 0.0 { 0.0 } else { q * (self.linear_kpa_per_l_min + self.square_kpa_per_l_min2 * q) }
    }

    /// How fast the flow grows with the pressure difference at a flow, L/min per kPa.
    pub(crate) fn flow_per_kpa(&self, q: f64) -> f64 {
        if self.is_shut() { 0.0 } else { 1.0 / (self.linear_kpa_per_l_min + 2.0 * self.square_kpa_per_l_min2 * q) }
    }

    /// Flow that a pressure difference drives, L/min; none against the difference,
    /// infinite through [`Resistance::NONE`].
    pub fn flow_l_min(&self, difference_kpa: f64) -> f64 {
        if self.is_shut() || difference_kpa.is_nan() || difference_kpa <= 0.0 {
            return 0.0;
        }
        // The root of b q² + a q = Δp in the form that loses no digits when either is small.
        let (a, b) = (self.linear_kpa_per_l_min, self.square_kpa_per_l_min2);
        2.0 * difference_kpa / (a + (a * a + 4.0 * b * difference_kpa).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_valve_passes_its_coefficient_at_one_bar() {
        let valve = Resistance::of_valve(2.5, 1.0, 1_000.0).expect("a valve");
        assert!((valve.flow_l_min(100.0) * 0.06 - 2.5).abs() < 1e-12);
        let half = Resistance::of_valve(2.5, 0.5, 1_000.0).expect("a valve");
        assert!((half.loss(10.0) / valve.loss(10.0) - 4.0).abs() < 1e-12);
        // 1 psi through Cv = 1 passes 1 US gal/min.
        let us = Resistance::of_valve(KV_PER_CV, 1.0, 999.0).expect("a valve");
        assert!((us.flow_l_min(6.894_757) / 3.785_411_784 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_shut_path_passes_nothing_and_no_flow_loses_nothing() {
        let shut = Resistance::of_valve(2.5, 0.0, 1_000.0).expect("a shut valve");
        assert!(shut.is_shut());
        assert_eq!(shut.flow_l_min(1e4), 0.0);
        assert_eq!(shut.loss(0.0), 0.0);
        assert_eq!(shut.loss(1.0), f64::INFINITY);
        assert_eq!(Resistance::NONE.then(shut).flow_l_min(5.0), 0.0);
        assert_eq!(Resistance::NONE.loss(7.0), 0.0);
    }

    #[test]
    fn absurd_figures_are_refused() {
        for bad in [f64::NAN, -1.0, f64::INFINITY] {
            assert!(Resistance::new(bad, 0.0).is_err());
            assert!(Resistance::new(0.0, bad).is_err());
            assert!(Resistance::of_valve(bad, 1.0, 1_000.0).is_err());
            assert!(Resistance::of_valve(1.0, bad, 1_000.0).is_err());
            assert!(Resistance::of_valve(1.0, 1.0, bad).is_err());
            assert!(Resistance::NONE.loss_kpa(bad).is_err());
            assert_eq!(Resistance::new(1.0, 1.0).expect("a path").flow_l_min(-1.0), 0.0);
        }
    }
}
