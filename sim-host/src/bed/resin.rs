//! The resin: what it holds, and what years and iron take from it.

use super::error::{BedError, within};

/// Share of the capacity lost per year of service: UFC 3-240-13FN §2-2.5.1.2 gives
/// "capacity lost ≈ 5 %/year" for softening resin.
pub const CAPACITY_LOSS_PER_YEAR: f64 = 0.05;
/// Equivalents of sites one gram of trivalent iron can hold (3 ÷ 55.845 g/mol).
const SITES_PER_G_IRON: f64 = 3.0 / 55.845;

/// A strong-acid cation resin as settled in the bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resin {
    /// Capacity when new, eq per litre of settled bed.
    pub capacity_eq_l: f64,
    /// Share of the bed between the beads.
    pub void_fraction: f64,
    /// log K of `2 NaX + Ca = CaX2 + 2 Na` (Gaines–Thomas).
    pub log_k_ca: f64,
    /// log K of `2 NaX + Mg = MgX2 + 2 Na` (Gaines–Thomas).
    pub log_k_mg: f64,
    /// Age, years.
    pub age_years: f64,
    /// Share of the capacity lost per year of age.
    pub loss_per_year: f64,
    /// Iron left on the resin, g per litre of bed.
    pub iron_g_l: f64,
}

impl Default for Resin {
    fn default() -> Self {
        Self {
            capacity_eq_l: 2.0,
            void_fraction: 0.37,
            log_k_ca: 0.8,
            log_k_mg: 0.6,
            age_years: 0.0,
            loss_per_year: CAPACITY_LOSS_PER_YEAR,
            iron_g_l: 0.0,
        }
    }
}

impl Resin {
    /// Checks every figure.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] names the first that is out of range, or a resin
    /// with no capacity left.
    pub fn check(self) -> Result<Self, BedError> {
        within("resin capacity", self.capacity_eq_l, 0.05, 5.0, "0.05 to 5 eq/L")?;
        within("void fraction", self.void_fraction, 0.2, 0.7, "0.2 to 0.7")?;
        within("log K of calcium", self.log_k_ca, -2.0, 4.0, "-2 to 4")?;
        within("log K of magnesium", self.log_k_mg, -2.0, 4.0, "-2 to 4")?;
        within("resin age", self.age_years, 0.0, 50.0, "0 to 50 years")?;
        within("capacity loss per year", self.loss_per_year, 0.0, 0.9, "0 to 0.9")?;
        within("iron on the resin", self.iron_g_l, 0.0, 100.0, "0 to 100 g/L")?;
        within(
            "capacity left",
            self.usable_eq_l(),
            0.01,
            5.0,
            "at least 0.01 eq/L: this resin is worn out or fouled through",
        )?;
        Ok(self)
    }

    /// Capacity left, eq per litre of bed:
    /// `capacity × (1 − loss)^age − 3/55.845 × iron`, never below zero.
    ///
    /// The iron term is an upper bound: each iron as if it held three sites.
    pub fn usable_eq_l(&self) -> f64 {
        let aged = self.capacity_eq_l * (1.0 - self.loss_per_year).powf(self.age_years);
        (aged - SITES_PER_G_IRON * self.iron_g_l).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn age_and_iron_take_capacity() {
        let new = Resin::default();
        assert_eq!(new.usable_eq_l(), 2.0);
        let old = Resin { age_years: 10.0, ..new };
        assert!((old.usable_eq_l() - 2.0 * 0.95f64.powi(10)).abs() < 1e-12);
        let fouled = Resin { iron_g_l: 5.0, ..new };
        assert!((fouled.usable_eq_l() - (2.0 - 15.0 / 55.845)).abs() < 1e-12);
    }

    #[test]
    fn a_resin_fouled_through_is_refused() {
        let dead = Resin { iron_g_l: 60.0, ..Resin::default() };
        assert!(matches!(dead.check(), Err(BedError::OutOfRange { field: "capacity left", .. })));
    }
}
