//! How much of the sodium, calcium and magnesium in a water is free to exchange.
//!
//! Activity coefficients of the ions and of the exchanger's species are taken
//! from the same extended Debye–Hückel expression with the same parameters, as
//! PHREEQC does, so they cancel in the exchange equilibrium; what remains is the
//! share bound in bicarbonate and carbonate complexes. See `docs/physics.md`.

use super::water::Water;
use crate::physics::water_props::water_density_kg_m3;

const LN_10: f64 = std::f64::consts::LN_10;

/// Free share of each cation: free molality ÷ total molality.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeShares {
    /// Sodium.
    pub na: f64,
    /// Calcium.
    pub ca: f64,
    /// Magnesium.
    pub mg: f64,
}

impl FreeShares {
    /// Nothing bound.
    pub const ALL_FREE: Self = Self { na: 1.0, ca: 1.0, mg: 1.0 };
}

/// Temperature-dependent constants of the carbonate system (mol/kg scale).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constants {
    temperature_c: f64,
    /// Debye–Hückel A, (kg/mol)^½.
    a: f64,
    /// Debye–Hückel B, Å⁻¹ (kg/mol)^½.
    b: f64,
    /// Log of the ion product of water.
    lk_water: f64,
    /// CO3 + H = HCO3.
    lk_hco3: f64,
    /// CO3 + 2 H = CO2 + H2O.
    lk_co2: f64,
    /// Ca + CO3 + H = CaHCO3.
    lk_cahco3: f64,
    /// Ca + CO3 = CaCO3, dissolved.
    lk_caco3: f64,
    /// Mg + CO3 + H = MgHCO3.
    lk_mghco3: f64,
    /// Mg + CO3 = MgCO3, dissolved.
    lk_mgco3: f64,
    /// Na + HCO3 = NaHCO3, dissolved.
    lk_nahco3: f64,
    /// Na + CO3 = NaCO3.
    lk_naco3: f64,
}

/// Concentration quotients at one ionic strength, relative to bicarbonate.
struct Quotients {
    /// H activity × carbonate per bicarbonate.
    carbonate: f64,
    /// Carbon dioxide per (bicarbonate × H activity).
    dioxide: f64,
    ca_hco3: f64,
    ca_co3: f64,
    mg_hco3: f64,
    mg_co3: f64,
    na_hco3: f64,
    na_co3: f64,
    hydroxide: f64,
    hydrogen: f64,
}

impl Constants {
    /// The constants at a temperature in °C.
    pub fn at(temperature_c: f64) -> Self {
        let t = temperature_c;
        let k = t + 273.15;
        // Static dielectric constant: Malmberg & Maryott (1956), 0 to 100 °C.
        let dielectric = 87.740 - 0.400_08 * t + 9.398e-4 * t * t - 1.410e-6 * t * t * t;
        let root_density = (water_density_kg_m3(t) * 1e-3).sqrt();
        // Truesdell & Jones (1974).
        let a = 1.824_83e6 * root_density / (dielectric * k).powf(1.5);
        let b = 50.2905 * root_density / (dielectric * k).sqrt();
        let fit = |c: [f64; 6]| c[0] + c[1] * k + c[2] / k + c[3] * k.log10() + c[4] / (k * k) + c[5] * k * k;
        // van 't Hoff from 25 °C; enthalpies in kcal/mol.
        let heat = |lk: f64, kcal: f64| lk - kcal * 4184.0 / (LN_10 * 8.314_46) * (1.0 / k - 1.0 / 298.15);
        Self {
            temperature_c,
            a,
            b,
            lk_water: fit([293.292_27, 0.136_083_3, -10_576.913, -123.731_58, 0.0, -6.996_455e-5]),
            lk_hco3: fit([107.8871, 0.032_528_49, -5_151.79, -38.925_61, 563_713.9, 0.0]),
            lk_co2: fit([464.1965, 0.093_448_13, -26_986.16, -165.759_51, 2_248_628.9, 0.0]),
            lk_cahco3: fit([1_317.007_1, 0.345_468_94, -39_916.84, -517.707_61, 563_713.9, 0.0]),
            lk_caco3: fit([-1_228.732, -0.299_44, 35_512.75, 485.818, 0.0, 0.0]),
            lk_mghco3: fit([48.6721, 0.032_528_49, -2_614.335, -18.002_63, 563_713.9, 0.0]),
            lk_mgco3: fit([0.991, 0.006_67, 0.0, 0.0, 0.0, 0.0]),
            lk_nahco3: heat(-0.25, -1.0),
            lk_naco3: heat(1.27, 8.91),
        }
    }

    /// The temperature these constants hold for, °C.
    pub fn temperature_c(&self) -> f64 {
        self.temperature_c
    }

    fn quotients(&self, ionic: f64) -> Quotients {
        let root = ionic.sqrt();
        let huckel =
            |z2: f64, size: f64, slope: f64| -self.a * z2 * root / (1.0 + size * self.b * root) + slope * ionic;
        // Davies (1962), for ions without a size parameter.
        let davies = |z2: f64| -self.a * z2 * (root / (1.0 + root) - 0.3 * ionic);
        let neutral = 0.1 * ionic;
        let g_h = huckel(1.0, 9.0, 0.0);
        let g_oh = huckel(1.0, 3.5, 0.0);
        let g_na = huckel(1.0, 4.08, 0.082);
        let g_ca = huckel(4.0, 5.0, 0.165);
        let g_mg = huckel(4.0, 5.5, 0.2);
        let g_hco3 = huckel(1.0, 5.4, 0.0);
        let g_co3 = huckel(4.0, 5.4, 0.0);
        let g_cahco3 = huckel(1.0, 6.0, 0.0);
        let g_mghco3 = huckel(1.0, 4.0, 0.0);
        let g_naco3 = davies(1.0);
        let ten = |x: f64| (x * LN_10).exp();
        Quotients {
            carbonate: ten(-self.lk_hco3 + g_hco3 - g_co3),
            dioxide: ten(self.lk_co2 - self.lk_hco3 + g_hco3 - neutral),
            ca_hco3: ten(self.lk_cahco3 - self.lk_hco3 + g_ca + g_hco3 - g_cahco3),
            ca_co3: ten(self.lk_caco3 + g_ca + g_co3 - neutral),
            mg_hco3: ten(self.lk_mghco3 - self.lk_hco3 + g_mg + g_hco3 - g_mghco3),
            mg_co3: ten(self.lk_mgco3 + g_mg + g_co3 - neutral),
            na_hco3: ten(self.lk_nahco3 + g_na + g_hco3 - neutral),
            na_co3: ten(self.lk_naco3 + g_na + g_co3 - g_naco3),
            hydroxide: ten(self.lk_water - g_oh),
            hydrogen: ten(-g_h),
        }
    }

    /// Inorganic carbon, mol/kg, that gives a water its alkalinity at a pH.
    pub fn carbon_at_ph(&self, water: &Water, ph: f64) -> f64 {
        let h = 10f64.powf(-ph);
        let mut free = FreeShares::ALL_FREE;
        let mut bicarbonate = water.alkalinity;
        let mut carbon = 0.0;
        for _ in 0..20 {
            let q = self.quotients(ionic_strength(water, free, bicarbonate));
            let (per_carbon, per_alkalinity) = sums(&q, h, water, free);
            bicarbonate = ((water.alkalinity - q.hydroxide / h + q.hydrogen * h) / per_alkalinity).max(0.0);
            carbon = bicarbonate * per_carbon;
            let next = shares(&q, h, bicarbonate);
            let change = difference(free, next);
            free = next;
            if change < 1e-10 {
                break;
            }
        }
        carbon
    }

    /// Free share of each cation in a water of given alkalinity and carbon.
    ///
    /// Hydroxide complexes are left out: below pH 9 they bind less than one part
    /// in a thousand. Water without carbonate binds nothing.
    pub fn free_shares(&self, water: &Water) -> FreeShares {
        if !(water.carbon > 1e-9 && water.alkalinity > 1e-9) {
            return FreeShares::ALL_FREE;
        }
        let mut free = FreeShares::ALL_FREE;
        let mut bicarbonate = water.alkalinity.min(water.carbon);
        let mut h = 10f64.powf(-8.0);
        for _ in 0..20 {
            let q = self.quotients(ionic_strength(water, free, bicarbonate));
            h = hydrogen_activity(&q, water, free, h);
            bicarbonate = water.carbon / sums(&q, h, water, free).0;
            let next = shares(&q, h, bicarbonate);
            let change = difference(free, next);
            free = next;
            if change < 1e-6 {
                break;
            }
        }
        free
    }
}

/// Carbon and alkalinity per mole of bicarbonate.
fn sums(q: &Quotients, h: f64, water: &Water, free: FreeShares) -> (f64, f64) {
    let carbonate = q.carbonate / h;
    let (na, ca, mg) = (water.na * free.na, water.ca * free.ca, water.mg * free.mg);
    let pairs_one = q.ca_hco3 * ca + q.mg_hco3 * mg + q.na_hco3 * na;
    let pairs_two = carbonate * (1.0 + q.ca_co3 * ca + q.mg_co3 * mg + q.na_co3 * na);
    let bound = 1.0 + pairs_one;
    (bound + pairs_two + q.dioxide * h, bound + 2.0 * pairs_two)
}

fn shares(q: &Quotients, h: f64, bicarbonate: f64) -> FreeShares {
    let carbonate = q.carbonate / h;
    let free = |one: f64, two: f64| 1.0 / (1.0 + bicarbonate * (one + two * carbonate));
    FreeShares { na: free(q.na_hco3, q.na_co3), ca: free(q.ca_hco3, q.ca_co3), mg: free(q.mg_hco3, q.mg_co3) }
}

fn difference(a: FreeShares, b: FreeShares) -> f64 {
    (a.na - b.na).abs().max((a.ca - b.ca).abs()).max((a.mg - b.mg).abs())
}

fn ionic_strength(water: &Water, free: FreeShares, bicarbonate: f64) -> f64 {
    let (ca, mg) = (water.ca * free.ca, water.mg * free.mg);
    let singly_bound = water.ca - ca + water.mg - mg;
    0.5 * (water.na * free.na + 4.0 * (ca + mg) + singly_bound + water.cl + bicarbonate)
}

/// H activity at which carbon and alkalinity agree: bisection in pH, since the
/// residual rises steadily with it.
fn hydrogen_activity(q: &Quotients, water: &Water, free: FreeShares, guess: f64) -> f64 {
    let residual = |h: f64| {
        let (per_carbon, per_alkalinity) = sums(q, h, water, free);
        water.carbon * per_alkalinity / per_carbon + q.hydroxide / h - q.hydrogen * h - water.alkalinity
    };
    let (mut low, mut high) = (1e-13f64.ln(), 1e-2f64.ln());
    let mut x = guess.ln();
    let mut value = residual(x.exp());
    for _ in 0..60 {
        if value > 0.0 {
            low = x;
        } else {
            high = x;
        }
        let step = 1e-5;
        let slope = (residual((x + step).exp()) - value) / step;
        let newton = x - value / slope;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        let moved = (next - x).abs();
        x = next;
        if moved < 1e-8 {
            break;
        }
        value = residual(x.exp());
    }
    x.exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn debye_huckel_constants_match_tables() {
        // Robinson & Stokes (from memory): A = 0.5115, B = 0.3291 at 25 °C;
        // A = 0.4918, B = 0.3248 at 0 °C.
        for (t, a, b) in [(25.0, 0.5115, 0.3291), (0.0, 0.4918, 0.3248)] {
            let c = Constants::at(t);
            assert!((c.a - a).abs() < 0.003, "A {} at {t}", c.a);
            assert!((c.b - b).abs() < 0.001, "B {} at {t}", c.b);
        }
    }

    #[test]
    fn carbon_and_shares_agree_with_each_other() {
        let constants = Constants::at(15.0);
        let mut water = Water {
            na: 1.7399e-3,
            ca: 2.27802e-3,
            mg: 1.13901e-3,
            cl: 4.57396e-3,
            alkalinity: 4e-3,
            carbon: 0.0,
            temperature_c: 15.0,
        };
        water.carbon = constants.carbon_at_ph(&water, 7.5);
        assert!((4.0e-3..4.5e-3).contains(&water.carbon));
        let free = constants.free_shares(&water);
        assert!((0.93..0.99).contains(&free.ca));
        assert!((0.93..0.99).contains(&free.mg));
        assert!(free.na > 0.99);
    }

    #[test]
    fn water_without_carbonate_binds_nothing() {
        let brine = Water::brine(10.0, 15.0).expect("brine");
        assert_eq!(Constants::at(15.0).free_shares(&brine), FreeShares::ALL_FREE);
    }
}
