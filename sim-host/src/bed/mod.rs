//! The resin bed: plates in series with sodium–calcium–magnesium exchange.
//!
//! Built for softening: service, regeneration with brine from either end, rinses,
//! standing, backwash mixing and ageing. Equations and sources are in
//! `docs/physics.md`. Two ways in:
//!
//! - [`Bed::advance`] passes any volume of any water through a bed, for coupling to
//!   a plant;
//! - [`cycle`] repeats regeneration and service until nothing changes any more, for
//!   capacity and leakage against salt dose. [`cli`] puts that on the command line.

#[cfg(feature = "command")]
pub mod cli;
mod column;
pub mod cycle;
mod error;
mod exchange;
mod options;
#[cfg(feature = "command")]
pub(crate) mod page;
mod pores;
mod resin;
mod spec;
mod speciation;
#[cfg(test)]
mod tests;
mod transfer;
mod water;

pub use column::Bed;
pub use error::BedError;
pub use options::{parse_iron_mg_l, parse_sodium, parse_temperature};
pub use resin::{CAPACITY_LOSS_PER_YEAR, Resin};
pub use spec::{BedSpec, Direction, Effluent, Inventory, MOST_PLATES, Plate};
pub use transfer::{Kinetics, Transfer};
pub use water::{
    CA_G_PER_MOL, CACO3_G_PER_EQ, CACO3_G_PER_MOL, FeedSpec, MG_G_PER_MOL, NA_G_PER_MOL, NACL_G_PER_MOL, Water,
};
