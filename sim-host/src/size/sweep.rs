//! Dose against capacity, salt and leakage, tried on the model of the resin bed.

use super::cli::shown;
use super::inputs::{G_PER_LB, Inputs, L_PER_FT3, MG_PER_GR};
use crate::bed::BedError;
use crate::bed::cycle::{CycleRun, CycleSpec};
use crate::quantity::show::UnitSystem;
use crate::site::Site;

/// Doses to try, lb/ft³.
#[derive(Debug, Clone, PartialEq)]
pub struct Doses(pub Vec<f64>);

/// The most doses of one sweep.
const MOST: usize = 60;

/// What one dose gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tried {
    /// Salt per resin, lb/ft³.
    pub dose_lb_ft3: f64,
    /// What the bed then takes up in each cycle, gr/ft³.
    pub capacity_gr_ft3: f64,
    /// Mean hardness of its water, mg/L as CaCO3.
    pub leakage_mg_l: f64,
}

impl Tried {
    /// Dose, capacity, and salt for what is taken up, in the units that a person reads.
    pub fn told(&self, units: UnitSystem) -> [f64; 3] {
        [(self.dose_lb_ft3, "lb/ft3"), (self.capacity_gr_ft3, "gr/ft3"), (self.lb_per_kgr(), "lb/kgr")]
            .map(|(value, unit)| shown(value, unit, units).0)
    }

    /// Salt for each 1 000 gr, lb.
    pub fn lb_per_kgr(&self) -> f64 {
        self.dose_lb_ft3 / self.capacity_gr_ft3 * 1e3
    }
}

/// Reads "4..15:1", or "64..240:16 g/L".
///
/// # Errors
/// A sentence that says what would be right.
pub fn parse(text: &str) -> Result<Doses, String> {
    let wrong =
        || format!("\"{text}\" is no sweep: write from..to:step in lb/ft3, such as \"4..15:1\", or \"64..240:16 g/L\"");
    let (figures, lb_ft3) = match text.trim().strip_suffix("g/L") {
        Some(figures) => (figures, L_PER_FT3 / G_PER_LB),
        None => (text.trim().strip_suffix("lb/ft3").unwrap_or(text), 1.0),
    };
    let (from, rest) = figures.split_once("..").ok_or_else(wrong)?;
    let (to, step) = rest.split_once(':').ok_or_else(wrong)?;
    let read = |part: &str| part.trim().parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0).ok_or_else(wrong);
    let (from, to, step) = (read(from)?, read(to)?, read(step)?);
    if to < from {
        return Err(format!("\"{text}\" must rise"));
    }
    let count = ((to - from) / step + 1e-9).floor();
    if count >= MOST as f64 {
        return Err(format!("\"{text}\" is more than {MOST} doses: take a larger step"));
    }
    Ok(Doses((0..=count as usize).map(|n| (from + step * n as f64) * lb_ft3).collect()))
}

/// Tries every dose.
///
/// # Errors
/// What the bed refuses.
pub fn run(site: &Site, inputs: &Inputs, doses: &Doses) -> Result<Vec<Tried>, BedError> {
    let tried = doses.0.iter().map(|&dose_lb_ft3| {
        let spec = CycleSpec { dose_g_l: dose_lb_ft3 * G_PER_LB / L_PER_FT3, ..super::inputs::cycle_of(site, inputs) };
        let outcome = CycleRun::new(spec)?.to_steady()?;
        Ok(Tried {
            dose_lb_ft3,
            capacity_gr_ft3: outcome.capacity_g_l * 1e3 / MG_PER_GR * L_PER_FT3,
            leakage_mg_l: outcome.leakage_mean_mg_l,
        })
    });
    tried.collect()
}
