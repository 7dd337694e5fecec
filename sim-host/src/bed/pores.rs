//! The water between the beads, plate by plate.

use super::water::Water;

/// Five dissolved amounts that fix a water: sodium follows from the charge.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Solutes {
    pub(super) ca: f64,
    pub(super) mg: f64,
    pub(super) cl: f64,
    pub(super) alkalinity: f64,
    pub(super) carbon: f64,
}

impl Solutes {
    pub(super) fn of(water: &Water) -> Self {
        Self { ca: water.ca, mg: water.mg, cl: water.cl, alkalinity: water.alkalinity, carbon: water.carbon }
    }

    pub(super) fn add(&mut self, other: &Self, weight: f64) {
        self.ca += other.ca * weight;
        self.mg += other.mg * weight;
        self.cl += other.cl * weight;
        self.alkalinity += other.alkalinity * weight;
        self.carbon += other.carbon * weight;
    }

    pub(super) fn times(&self, factor: f64) -> Self {
        let mut out = Self::default();
        out.add(self, factor);
        out
    }

    pub(super) fn water(&self, temperature_c: f64) -> Water {
        Water {
            na: (self.cl + self.alkalinity - 2.0 * (self.ca + self.mg)).max(0.0),
            ca: self.ca,
            mg: self.mg,
            cl: self.cl,
            alkalinity: self.alkalinity,
            carbon: self.carbon,
            temperature_c,
        }
    }
}

/// Pore water of all plates, one array per figure, with a spare place at each end
/// for what flows in.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pores {
    pub(super) ca: Vec<f64>,
    pub(super) mg: Vec<f64>,
    pub(super) cl: Vec<f64>,
    pub(super) alkalinity: Vec<f64>,
    pub(super) carbon: Vec<f64>,
    pub(super) anions: Vec<f64>,
}

impl Pores {
    pub(super) fn new(plates: usize) -> Self {
        let zero = vec![0.0; plates + 2];
        Self {
            ca: zero.clone(),
            mg: zero.clone(),
            cl: zero.clone(),
            alkalinity: zero.clone(),
            carbon: zero.clone(),
            anions: zero,
        }
    }

    pub(super) fn set(&mut self, place: usize, s: &Solutes) {
        self.ca[place] = s.ca;
        self.mg[place] = s.mg;
        self.cl[place] = s.cl;
        self.alkalinity[place] = s.alkalinity;
        self.carbon[place] = s.carbon;
        self.anions[place] = s.cl + s.alkalinity;
    }

    pub(super) fn get(&self, place: usize) -> Solutes {
        Solutes {
            ca: self.ca[place],
            mg: self.mg[place],
            cl: self.cl[place],
            alkalinity: self.alkalinity[place],
            carbon: self.carbon[place],
        }
    }
}

/// Gives `extent` of each value for the mean of all.
pub(super) fn blend(values: &mut [f64], extent: f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    for value in values {
        *value += extent * (mean - *value);
    }
}

/// One implicit step of diffusion between neighbours with closed ends (Thomas
/// algorithm); `share` is `D Δt / Δx²`. Flux form: what leaves one plate enters
/// the next.
pub(super) fn diffuse(values: &mut [f64], share: f64, scratch: &mut [f64]) {
    let n = values.len();
    let inner = 1.0 + 2.0 * share;
    let mut diagonal = 1.0 + share;
    scratch[0] = -share / diagonal;
    let old_first = values[0];
    values[0] = old_first / diagonal;
    for i in 1..n {
        let middle = if i + 1 == n { 1.0 + share } else { inner };
        diagonal = middle + share * scratch[i - 1];
        scratch[i] = -share / diagonal;
        values[i] = (values[i] + share * values[i - 1]) / diagonal;
    }
    for i in (0..n - 1).rev() {
        values[i] -= scratch[i] * values[i + 1];
    }
}
