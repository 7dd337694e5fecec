//! Water as the bed sees it: amounts dissolved in one kilogram of water.

use super::error::{BedError, within};
use super::speciation::Constants;

/// Molar mass of sodium chloride, g/mol (IUPAC abridged 2021).
pub const NACL_G_PER_MOL: f64 = 58.443;
/// Molar mass of calcium carbonate, g/mol (IUPAC abridged 2021).
pub const CACO3_G_PER_MOL: f64 = 100.0869;
/// Grams of calcium carbonate in one equivalent of hardness.
pub const CACO3_G_PER_EQ: f64 = CACO3_G_PER_MOL / 2.0;
/// Molar mass of sodium, g/mol.
pub const NA_G_PER_MOL: f64 = 22.98977;
/// Molar mass of calcium, g/mol.
pub const CA_G_PER_MOL: f64 = 40.078;
/// Molar mass of magnesium, g/mol.
pub const MG_G_PER_MOL: f64 = 24.305;

/// Fewest equivalents per kilogram that the exchange equations stay defined for.
const LEAST_IONS_EQ_PER_KG: f64 = 1e-7;

/// A water, in mol (alkalinity: eq) per kilogram of water.
///
/// Electrically neutral by construction: `na + 2 ca + 2 mg = cl + alkalinity`.
/// Anions other than bicarbonate and carbonate count as chloride.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Water {
    /// Sodium, mol/kg.
    pub na: f64,
    /// Calcium, mol/kg.
    pub ca: f64,
    /// Magnesium, mol/kg.
    pub mg: f64,
    /// Chloride and other strong anions, eq/kg.
    pub cl: f64,
    /// Alkalinity, eq/kg.
    pub alkalinity: f64,
    /// Inorganic carbon (carbon dioxide, bicarbonate, carbonate and their complexes), mol/kg.
    pub carbon: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
}

/// A feed water in the trade's figures. Volumes of dilute water are reckoned at
/// 1 kg per litre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FeedSpec {
    /// Hardness, mg/L as CaCO3.
    pub hardness_mg_l: f64,
    /// Share of the hardness that is calcium, by equivalents, 0 to 1.
    pub calcium_share: f64,
    /// Sodium, mg/L.
    pub sodium_mg_l: f64,
    /// Alkalinity, meq/L.
    pub alkalinity_meq_l: f64,
    /// pH, which sets the carbon dioxide beside the bicarbonate.
    pub ph: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
}

impl Water {
    /// The water a feed specification describes.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a figure outside its range, and
    /// [`BedError::UnbalancedFeed`] when alkalinity exceeds the cations.
    pub fn from_feed(spec: &FeedSpec) -> Result<Self, BedError> {
        let hardness = within("hardness", spec.hardness_mg_l, 0.0, 20_000.0, "0 to 20 000 mg/L as CaCO3")?;
        let share = within("calcium share", spec.calcium_share, 0.0, 1.0, "0 to 1")?;
        let sodium = within("sodium", spec.sodium_mg_l, 0.0, 50_000.0, "0 to 50 000 mg/L")?;
        let alkalinity = within("alkalinity", spec.alkalinity_meq_l, 0.0, 200.0, "0 to 200 meq/L")?;
        let ph = within("pH", spec.ph, 4.0, 10.0, "4 to 10")?;
        let temperature_c = check_temperature(spec.temperature_c)?;
        let ca = share * hardness / CACO3_G_PER_MOL * 1e-3;
        let mg = (1.0 - share) * hardness / CACO3_G_PER_MOL * 1e-3;
        let na = sodium / NA_G_PER_MOL * 1e-3;
        let cations = na + 2.0 * (ca + mg);
        let alkalinity_eq = alkalinity * 1e-3;
        let cl = cations - alkalinity_eq;
        if cl < 0.0 {
            return Err(BedError::UnbalancedFeed { alkalinity_meq_l: alkalinity, cations_meq_l: cations * 1e3 });
        }
        let mut water = Self { na, ca, mg, cl, alkalinity: alkalinity_eq, carbon: 0.0, temperature_c };
        water.carbon = Constants::at(temperature_c).carbon_at_ph(&water, ph);
        water.check()
    }

    /// Sodium chloride brine of a strength in percent by weight.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a strength beyond saturation.
    pub fn brine(weight_percent: f64, temperature_c: f64) -> Result<Self, BedError> {
        let w = within("brine strength", weight_percent, 0.1, 26.5, "0.1 to 26.5 % by weight (saturated)")?;
        let molal = w / (100.0 - w) * 1e3 / NACL_G_PER_MOL;
        Self::sodium_chloride(molal, temperature_c)
    }

    /// Sodium chloride solution without alkalinity, of a molality in mol/kg.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] for a negative, missing or impossible molality.
    pub fn sodium_chloride(molal: f64, temperature_c: f64) -> Result<Self, BedError> {
        let molal = within("sodium chloride", molal, 1e-7, 6.5, "1e-7 to 6.5 mol/kg")?;
        Ok(Self {
            na: molal,
            ca: 0.0,
            mg: 0.0,
            cl: molal,
            alkalinity: 0.0,
            carbon: 0.0,
            temperature_c: check_temperature(temperature_c)?,
        })
    }

    /// This water with all its hardness exchanged for sodium, at a pH.
    pub fn softened(&self, ph: f64) -> Self {
        let mut soft = *self;
        soft.na = self.cl + self.alkalinity;
        soft.ca = 0.0;
        soft.mg = 0.0;
        soft.carbon = Constants::at(self.temperature_c).carbon_at_ph(&soft, ph);
        soft
    }

    /// Checks that the water is one the exchange equations hold for.
    ///
    /// # Errors
    /// [`BedError::OutOfRange`] names the first figure that is negative, not a
    /// number, or out of balance.
    pub fn check(self) -> Result<Self, BedError> {
        for (field, value) in [
            ("sodium", self.na),
            ("calcium", self.ca),
            ("magnesium", self.mg),
            ("chloride", self.cl),
            ("alkalinity", self.alkalinity),
            ("carbon", self.carbon),
        ] {
            within(field, value, 0.0, 20.0, "0 to 20 mol per kg of water")?;
        }
        check_temperature(self.temperature_c)?;
        let anions = self.cl + self.alkalinity;
        within(
            "total of anions",
            anions,
            LEAST_IONS_EQ_PER_KG,
            20.0,
            "at least 1e-7 eq per kg of water (softeners need ions)",
        )?;
        let imbalance = (self.na + 2.0 * (self.ca + self.mg) - anions) / anions;
        within("charge imbalance", imbalance, -1e-9, 1e-9, "zero: cations and anions must balance")?;
        Ok(self)
    }

    /// Hardness, mg/L as CaCO3 (mg per kilogram of water).
    pub fn hardness_mg_l(&self) -> f64 {
        (self.ca + self.mg) * CACO3_G_PER_MOL * 1e3
    }

    /// Equivalents of cations per kilogram, equal to those of anions.
    pub fn equivalents(&self) -> f64 {
        self.cl + self.alkalinity
    }

    /// Kilograms of water in one litre of this solution.
    ///
    /// Dilute water is reckoned at 1 kg/L. The dissolved salts take up their
    /// apparent molal volume as sodium chloride,
    /// `16.6 + 1.9 √m` mL/mol (Masson's rule, Millero 1970 for 25 °C; from
    /// memory): 10 % brine holds 0.964 kg of water per litre.
    pub fn kg_per_litre(&self) -> f64 {
        let molal = self.equivalents();
        1.0 / (1.0 + 1e-3 * molal * (16.6 + 1.9 * molal.sqrt()))
    }
}

/// Checks a water temperature.
///
/// # Errors
/// [`BedError::OutOfRange`] outside 0 to 80 °C.
pub(crate) fn check_temperature(temperature_c: f64) -> Result<f64, BedError> {
    within("temperature", temperature_c, 0.0, 80.0, "0 to 80 °C")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed() -> Water {
        Water::from_feed(&FeedSpec {
            hardness_mg_l: 342.0,
            calcium_share: 2.0 / 3.0,
            sodium_mg_l: 40.0,
            alkalinity_meq_l: 4.0,
            ph: 7.5,
            temperature_c: 15.0,
        })
        .expect("a plain feed")
    }

    #[test]
    fn the_feed_matches_the_reference_engine() {
        // PHREEQC gives Ca 2.27802, Mg 1.13901, Na 1.73990, Cl 4.57396 mmol/kg.
        let water = feed();
        assert!((water.ca - 2.27802e-3).abs() < 1e-8);
        assert!((water.mg - 1.13901e-3).abs() < 1e-8);
        assert!((water.na - 1.73990e-3).abs() < 1e-8);
        assert!((water.cl - 4.57396e-3).abs() < 1e-7);
        assert!((water.hardness_mg_l() - 342.0).abs() < 1e-9);
    }

    #[test]
    fn softening_keeps_the_charge() {
        let soft = feed().softened(7.5);
        assert_eq!(soft.hardness_mg_l(), 0.0);
        assert!((soft.na - 8.57e-3).abs() < 1e-5);
        assert!(soft.check().is_ok());
    }

    #[test]
    fn ten_percent_brine_holds_less_water_than_it_is_large() {
        // 10 % brine at 20 °C holds 107.07 g of salt per litre (published density
        // table), hence 963.6 g of water.
        let litre = Water::brine(10.0, 20.0).expect("brine").kg_per_litre();
        assert!((litre - 0.9636).abs() < 0.002, "{litre}");
        // 26 %: 311.27 g/L of salt, 885.9 g of water.
        let strong = Water::brine(26.0, 20.0).expect("brine").kg_per_litre();
        assert!((strong - 0.8859).abs() < 0.004, "{strong}");
    }

    #[test]
    fn impossible_waters_are_refused_by_name() {
        let mut bad = feed();
        bad.ca = f64::NAN;
        assert!(matches!(bad.check(), Err(BedError::OutOfRange { field: "calcium", .. })));
        let mut skewed = feed();
        skewed.cl *= 1.1;
        assert!(matches!(skewed.check(), Err(BedError::OutOfRange { field: "charge imbalance", .. })));
        assert!(Water::brine(40.0, 15.0).is_err());
    }
}
