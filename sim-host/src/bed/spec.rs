//! What a bed is made of, and what can be read from it.

use super::resin::Resin;
use super::transfer::Transfer;
use super::water::Water;

/// Most plates a bed may have.
pub const MOST_PLATES: usize = 1_000;
/// Which way water moves through the bed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// From the top, as in service.
    Down,
    /// From the bottom.
    Up,
}

/// Shape and make of a bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BedSpec {
    /// Settled resin volume, litres.
    pub volume_l: f64,
    /// Settled depth, m.
    pub depth_m: f64,
    /// Plates in series: they stand for all spreading of the fronts.
    pub plates: usize,
    /// The resin.
    pub resin: Resin,
    /// Equilibrium, or held back by diffusion.
    pub transfer: Transfer,
    /// Temperature at the start, °C.
    pub temperature_c: f64,
}

/// What left the bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effluent {
    /// Mean composition of what left. With no flow: the water at the outlet.
    pub water: Water,
    /// Kilograms of water that left, equal to what came in.
    pub water_kg: f64,
    /// Its volume as a solution, litres.
    pub volume_l: f64,
}

/// Everything a bed holds, water and resin together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inventory {
    /// Sodium, mol.
    pub na: f64,
    /// Calcium, mol.
    pub ca: f64,
    /// Magnesium, mol.
    pub mg: f64,
    /// Chloride, mol.
    pub cl: f64,
    /// Alkalinity, eq.
    pub alkalinity: f64,
    /// Inorganic carbon, mol.
    pub carbon: f64,
    /// Pore water, kg.
    pub water_kg: f64,
}

/// One plate, as it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    /// Water between the beads.
    pub water: Water,
    /// Equivalent fraction of the sites that hold sodium.
    pub sodium_fraction: f64,
    /// Equivalent fraction of the sites that hold calcium.
    pub calcium_fraction: f64,
    /// Equivalent fraction of the sites that hold magnesium.
    pub magnesium_fraction: f64,
}
