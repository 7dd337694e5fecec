//! Lives by the seed: invented sites, water and everything that can go wrong, first for safety, then for a good end.
//!
//! A life has two parts. In the first, faults of valves, contacts, power, clock, operators and settings come as the seed
//! says, and the checker of rehearsals looks on after every call (S1 to S12). Then it is calm: faults are mended, contacts
//! open, the clock is right, an operator puts back and vouches for what was taken out or lost; and within the days that
//! follow every tank must be back at work, somebody must serve, and nothing that was asked for may still wait (S9). The same seed is the same
//! life on every machine.

mod calm;
pub mod cli;
mod life;
mod sites;
mod variety;

pub use calm::Stuck;
pub(crate) use life::seen_to;
pub use life::{Found, Life};
pub use sites::{InventedSite, invented_site};
