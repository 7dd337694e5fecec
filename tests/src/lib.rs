//! Whole-system tests of bedkeeper; see `tests/` for them and `scenarios/` for the rehearsals that they run.

pub mod breakages;
pub mod files;
pub mod fuzz;
pub mod parity;
pub mod random_sites;
pub mod reference;
pub mod stacks;
pub mod switched;
