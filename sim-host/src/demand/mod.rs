//! Water use: recordings made from profiles, converted from other files, described, and made faulty on purpose.
//!
//! A profile is a shape of a day and a week and the kinds of draws that people or machines make. Draws begin at random
//! moments (a Poisson process whose rate follows the shape), last for a while at one flow, and may come in groups, as the
//! fills of a washing machine do. A perfect meter turns the sum of their flows into pulses. The shapes are invented for
//! rehearsal; nothing in them was measured.
//!
//! All arithmetic is in whole numbers and the generator is a fixed one (PCG), so that a seed gives the same bytes on
//! every machine. Memory does not grow with the days.

mod chance;
#[cfg(feature = "command")]
pub mod cli;
#[cfg(feature = "command")]
mod convert;
mod draws;
mod inject;
mod judge;
mod meter;
#[cfg(feature = "command")]
mod output;
#[cfg(feature = "command")]
mod page;
mod profile;
#[cfg(feature = "command")]
mod show;
mod size;
mod statistics;
#[cfg(feature = "command")]
mod write;

#[cfg(feature = "command")]
pub use convert::{Foreign, convert_text};
pub use draws::{Demand, Draw, Draws, MOST_ML_A_DAY};
pub use inject::{Bouncer, Done, Faults, Upstream};
pub use judge::{Closures, Judge, Sound};
pub use meter::PerfectMeter;
pub use profile::{Counted, Profile, Shape};
pub use size::Size;
pub use statistics::{PUBLISHED_NIGHT_SHARE, Statistics, Summary};
pub(crate) use statistics::{since_midnight_ms, weekday};
#[cfg(feature = "command")]
pub use write::{Facts, Form, Packing, Writer};
