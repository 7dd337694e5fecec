//! Physics of the plant around the resin bed: water, brine, pressure, brine tank.
//!
//! Small pieces that know nothing of each other's clock: a caller advances the states
//! ([`brine_tank::BrineTank`], [`hydraulics::BackwashedBed`]) and asks the rest for
//! figures. Equations and sources are in `docs/physics.md`; the resin bed itself is
//! [`crate::bed`]. Bad figures get a typed error, no flow is a sound answer.
//!
//! Units stand last in names: `_c` °C, `_kpa` kPa above atmosphere, `_l_min` litres a
//! minute, `_m_s` metres a second of the whole cross-section (superficial).

pub mod brine_props;
pub mod brine_tank;
pub mod eductor;
mod error;
pub mod hydraulics;
pub mod water_props;

pub(crate) use error::within;
pub use error::{OutOfRange, PhysicsError};

/// Standard acceleration of gravity, m/s² (ISO 80000-3).
pub const GRAVITY_M_S2: f64 = 9.806_65;
