//! Gaines–Thomas exchange of sodium, calcium and magnesium: one unknown per plate.
//!
//! With `r` = (equivalent fraction of sodium on the resin) ÷ (sodium in the water),
//! the half reactions give, for amounts per kilogram of pore water,
//!
//! ```text
//! resin sodium    = Q r · Na
//! resin calcium   = A r² · Ca      A = Q K_Ca f_Ca / (2 f_Na²)
//! resin magnesium = B r² · Mg      B = Q K_Mg f_Mg / (2 f_Na²)
//! ```
//!
//! so each total (water + resin) yields its water part by one division, and the
//! water's electroneutrality leaves a single decreasing function of `r`:
//!
//! ```text
//! g(r) = T_Na/(1 + Q r) + 2 T_Ca/(1 + A r²) + 2 T_Mg/(1 + B r²) − C = 0
//! ```

use multiversion::multiversion;

/// Newton steps smaller than this, relative to `r`, end the search; convergence
/// is quadratic, so the error left is about its square. It does not add up: the
/// amounts are exact, and the next parcel starts from them.
const STEP_TOLERANCE: f64 = 1e-4;
/// Rounds of Newton over all plates before the slow, certain search takes over.
const ROUNDS: usize = 6;

/// The totals of one plate, per kilogram of pore water, and its coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlateTotals {
    /// Exchange capacity, eq/kg.
    pub capacity: f64,
    /// Calcium in water and resin, mol/kg.
    pub ca: f64,
    /// Magnesium in water and resin, mol/kg.
    pub mg: f64,
    /// Equivalents of anions in the water, eq/kg.
    pub anions: f64,
    /// Coefficient `A` of calcium.
    pub a: f64,
    /// Coefficient `B` of magnesium.
    pub b: f64,
}

impl PlateTotals {
    fn residual_and_slope(&self, r: f64) -> (f64, f64) {
        let na = (self.capacity + self.anions - 2.0 * (self.ca + self.mg)).max(0.0);
        let i1 = 1.0 / (1.0 + self.capacity * r);
        let i2 = 1.0 / (1.0 + self.a * r * r);
        let i3 = 1.0 / (1.0 + self.b * r * r);
        (
            na * i1 + 2.0 * (self.ca * i2 + self.mg * i3) - self.anions,
            -(na * self.capacity * i1 * i1 + 4.0 * r * (self.a * self.ca * i2 * i2 + self.b * self.mg * i3 * i3)),
        )
    }

    /// The root `r`, by bracketed Newton in its logarithm: certain for any totals
    /// with a positive capacity and some anions.
    pub fn solve(&self) -> f64 {
        let (mut low, mut high) = (-80.0f64, 80.0f64);
        let mut x = 0.0f64;
        for _ in 0..200 {
            let r = x.exp();
            let (value, slope) = self.residual_and_slope(r);
            if value > 0.0 {
                low = x;
            } else {
                high = x;
            }
            let newton = x - value / (slope * r);
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            let moved = (next - x).abs();
            x = next;
            if moved < 1e-13 {
                break;
            }
        }
        x.exp()
    }
}

/// `r` of a resin in equilibrium with a given water (sodium, and calcium and
/// magnesium weighted by `2A/Q` and `2B/Q`): the positive root of
/// `(2/Q)(A Ca + B Mg) r² + Na r = 1`.
pub fn ratio_in_equilibrium(capacity: f64, a: f64, b: f64, na: f64, ca: f64, mg: f64) -> f64 {
    let square = 2.0 * (a * ca + b * mg) / capacity;
    2.0 / (na + (na * na + 4.0 * square).sqrt())
}

/// Per-plate state of the exchanger, one array per figure so that the arithmetic
/// runs several plates at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Exchanger {
    /// Capacity, eq per kg of pore water.
    pub capacity: f64,
    /// Calcium on the resin, mol/kg.
    pub ca: Vec<f64>,
    /// Magnesium on the resin, mol/kg.
    pub mg: Vec<f64>,
    /// Last root.
    pub ratio: Vec<f64>,
    /// By what factor the root last moved: the next search starts that much on.
    growth: Vec<f64>,
    /// Coefficient `A`.
    pub a: Vec<f64>,
    /// Coefficient `B`.
    pub b: Vec<f64>,
    start: Vec<f64>,
    total_ca: Vec<f64>,
    total_mg: Vec<f64>,
}

impl Exchanger {
    /// A sodium-form exchanger of `plates` plates.
    pub fn new(plates: usize, capacity: f64) -> Self {
        let zero = vec![0.0; plates];
        Self {
            capacity,
            ca: zero.clone(),
            mg: zero.clone(),
            ratio: vec![1.0; plates],
            growth: vec![1.0; plates],
            start: vec![1.0; plates],
            a: vec![1.0; plates],
            b: vec![1.0; plates],
            total_ca: zero.clone(),
            total_mg: zero,
        }
    }

    /// The totals of one plate that holds a water.
    pub fn totals(&self, plate: usize, ca: f64, mg: f64, anions: f64) -> PlateTotals {
        PlateTotals {
            capacity: self.capacity,
            ca: ca + self.ca[plate],
            mg: mg + self.mg[plate],
            anions,
            a: self.a[plate],
            b: self.b[plate],
        }
    }

    /// Brings every plate into equilibrium with the water that has arrived in it
    /// (`ca_in`, `mg_in`) and writes what the water then holds to `ca_out` and
    /// `mg_out`. Amounts are conserved exactly, however near the root is.
    /// All slices are one entry per plate.
    pub fn equilibrate(
        &mut self,
        ca_in: &[f64],
        mg_in: &[f64],
        anions: &[f64],
        ca_out: &mut [f64],
        mg_out: &mut [f64],
    ) {
        let mut settled = add_totals_and_step(
            self.capacity,
            ca_in,
            mg_in,
            anions,
            &self.ca,
            &self.mg,
            &self.a,
            &self.b,
            &mut self.total_ca,
            &mut self.total_mg,
            &self.growth,
            &mut self.start,
            &mut self.ratio,
        );
        let mut round = 1;
        while settled == 0 && round < ROUNDS {
            settled = step(self.capacity, anions, &self.total_ca, &self.total_mg, &self.a, &self.b, &mut self.ratio);
            round += 1;
        }
        if settled == 0 {
            for plate in 0..self.ratio.len() {
                self.ratio[plate] = self.totals(plate, ca_in[plate], mg_in[plate], anions[plate]).solve();
            }
        }
        part(
            &self.total_ca,
            &self.total_mg,
            &self.a,
            &self.b,
            &self.ratio,
            &self.start,
            &mut self.growth,
            &mut self.ca,
            &mut self.mg,
            ca_out,
            mg_out,
        );
    }
}

/// One Newton step of one plate; returns the new `r` and 1 if it has come to rest.
#[inline(always)]
fn newton(q: f64, c: f64, ca: f64, mg: f64, a: f64, b: f64, r: f64) -> (f64, u64) {
    let na = (q + c - 2.0 * (ca + mg)).max(0.0);
    let (ar, br) = (a * r, b * r);
    let d1 = 1.0 + q * r;
    let d2 = 1.0 + ar * r;
    let d3 = 1.0 + br * r;
    // One division serves the three reciprocals.
    let d12 = d1 * d2;
    let inverse = 1.0 / (d12 * d3);
    let i3 = d12 * inverse;
    let rest = d3 * inverse;
    let i1 = rest * d2;
    let i2 = rest * d1;
    let (n, x, y) = (na * i1, 2.0 * ca * i2, 2.0 * mg * i3);
    let value = n + x + y - c;
    let slope = n * q * i1 + 2.0 * (x * ar * i2 + y * br * i3);
    let step = value / slope;
    let next = (r + step).max(0.1 * r).min(10.0 * r);
    (next, u64::from(step.abs() <= STEP_TOLERANCE * r))
}

#[multiversion(targets("x86_64+avx2", "x86_64+avx512f+avx512vl+avx512dq"))]
#[allow(clippy::too_many_arguments)]
fn add_totals_and_step(
    capacity: f64,
    ca_in: &[f64],
    mg_in: &[f64],
    anions: &[f64],
    resin_ca: &[f64],
    resin_mg: &[f64],
    a: &[f64],
    b: &[f64],
    total_ca: &mut [f64],
    total_mg: &mut [f64],
    growth: &[f64],
    start: &mut [f64],
    ratio: &mut [f64],
) -> u64 {
    let n = ratio.len();
    let (growth, start) = (&growth[..n], &mut start[..n]);
    let (ca_in, mg_in, anions) = (&ca_in[..n], &mg_in[..n], &anions[..n]);
    let (resin_ca, resin_mg, a, b) = (&resin_ca[..n], &resin_mg[..n], &a[..n], &b[..n]);
    let (total_ca, total_mg) = (&mut total_ca[..n], &mut total_mg[..n]);
    let mut settled = 1;
    for i in 0..n {
        let ca = ca_in[i] + resin_ca[i];
        let mg = mg_in[i] + resin_mg[i];
        total_ca[i] = ca;
        total_mg[i] = mg;
        start[i] = ratio[i];
        let guess = ratio[i] * growth[i];
        let (next, at_rest) = newton(capacity, anions[i], ca, mg, a[i], b[i], guess);
        ratio[i] = next;
        settled &= at_rest;
    }
    settled
}

#[multiversion(targets("x86_64+avx2", "x86_64+avx512f+avx512vl+avx512dq"))]
fn step(
    capacity: f64,
    anions: &[f64],
    total_ca: &[f64],
    total_mg: &[f64],
    a: &[f64],
    b: &[f64],
    ratio: &mut [f64],
) -> u64 {
    let n = ratio.len();
    let (anions, total_ca, total_mg) = (&anions[..n], &total_ca[..n], &total_mg[..n]);
    let (a, b) = (&a[..n], &b[..n]);
    let mut settled = 1;
    for i in 0..n {
        let (next, at_rest) = newton(capacity, anions[i], total_ca[i], total_mg[i], a[i], b[i], ratio[i]);
        ratio[i] = next;
        settled &= at_rest;
    }
    settled
}

#[multiversion(targets("x86_64+avx2", "x86_64+avx512f+avx512vl+avx512dq"))]
#[allow(clippy::too_many_arguments)]
fn part(
    total_ca: &[f64],
    total_mg: &[f64],
    a: &[f64],
    b: &[f64],
    ratio: &[f64],
    start: &[f64],
    growth: &mut [f64],
    resin_ca: &mut [f64],
    resin_mg: &mut [f64],
    ca_out: &mut [f64],
    mg_out: &mut [f64],
) {
    let n = ratio.len();
    let (total_ca, total_mg, a, b) = (&total_ca[..n], &total_mg[..n], &a[..n], &b[..n]);
    let (resin_ca, resin_mg) = (&mut resin_ca[..n], &mut resin_mg[..n]);
    let (ca_out, mg_out) = (&mut ca_out[..n], &mut mg_out[..n]);
    let (start, growth) = (&start[..n], &mut growth[..n]);
    for i in 0..n {
        growth[i] = (ratio[i] / start[i]).clamp(0.5, 2.0);
        let square = ratio[i] * ratio[i];
        let d2 = 1.0 + a[i] * square;
        let d3 = 1.0 + b[i] * square;
        let inverse = 1.0 / (d2 * d3);
        let ca = total_ca[i] * d3 * inverse;
        let mg = total_mg[i] * d2 * inverse;
        ca_out[i] = ca;
        mg_out[i] = mg;
        resin_ca[i] = total_ca[i] - ca;
        resin_mg[i] = total_mg[i] - mg;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn totals(ca: f64, mg: f64, anions: f64) -> PlateTotals {
        let capacity = 5.4;
        PlateTotals {
            capacity,
            ca,
            mg,
            anions,
            a: capacity * 10f64.powf(0.8) / 2.0,
            b: capacity * 10f64.powf(0.6) / 2.0,
        }
    }

    #[test]
    fn the_certain_search_solves_every_corner() {
        for (ca, mg) in [(0.0, 0.0), (2.7, 0.0), (0.0, 2.7), (2.0, 0.7), (1e-12, 1e-14)] {
            for anions in [1e-7, 1e-3, 0.0086, 0.2, 1.9, 6.0] {
                let plate = totals(ca, mg, anions);
                let r = plate.solve();
                let (value, _) = plate.residual_and_slope(r);
                assert!(value.abs() < 1e-12 * (1.0 + anions), "{plate:?} {r} {value}");
            }
        }
    }

    #[test]
    fn the_fast_search_agrees_with_the_certain_one() {
        let plates = 23;
        let mut exchanger = Exchanger::new(plates, 5.4);
        let mut anions = vec![0.0; plates];
        let (mut ca_in, mut mg_in) = (vec![0.0; plates], vec![0.0; plates]);
        for i in 0..plates {
            let x = i as f64 / plates as f64;
            exchanger.a[i] = 17.0;
            exchanger.b[i] = 10.7;
            exchanger.ca[i] = 2.0 * x;
            exchanger.mg[i] = 0.6 * x * x;
            anions[i] = if i % 2 == 0 { 1.9 } else { 0.0086 };
            ca_in[i] = 0.002 * (1.0 - x);
            mg_in[i] = 0.001 * (1.0 - x);
        }
        let expected: Vec<f64> =
            (0..plates).map(|i| exchanger.totals(i, ca_in[i], mg_in[i], anions[i]).solve()).collect();
        let before: f64 = exchanger.ca.iter().chain(&ca_in).sum();
        let (mut ca_out, mut mg_out) = (vec![0.0; plates], vec![0.0; plates]);
        exchanger.equilibrate(&ca_in, &mg_in, &anions, &mut ca_out, &mut mg_out);
        for (found, sought) in exchanger.ratio.iter().zip(&expected) {
            assert!((found / sought - 1.0).abs() < 1e-7, "{found} {sought}");
        }
        let after: f64 = exchanger.ca.iter().chain(&ca_out).sum();
        assert!((after / before - 1.0).abs() < 1e-14);
    }

    #[test]
    fn selectivity_reverses_in_brine() {
        // Half the sites hold calcium: dilute water gives up little of it, brine most.
        let dilute = totals(1.35, 0.0, 0.0086);
        let strong = totals(1.35, 0.0, 1.9);
        let water_share = |p: PlateTotals| {
            let r = p.solve();
            2.0 * p.ca / (1.0 + p.a * r * r) / p.anions
        };
        assert!(water_share(dilute) < 0.02);
        assert!(water_share(strong) > 0.3);
    }
}
