//! Why the plant's physics cannot go on.

use crate::bed::BedError;
use crate::physics::{OutOfRange, PhysicsError};

/// Why a plant cannot be modelled, or a figure of it not be set.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ProcessError {
    /// A filter site.
    #[error(
        "this site is a filter: it has no softening resin, brine or hardness to model; replay it with the simple plant"
    )]
    NoResin,
    /// The resin bed's answer.
    #[error("the resin bed: {0}")]
    Bed(#[from] BedError),
    /// The hydraulics' or the brine tank's answer.
    #[error("the plant: {0}")]
    Physics(#[from] PhysicsError),
}

impl From<OutOfRange> for ProcessError {
    fn from(refused: OutOfRange) -> Self {
        Self::Physics(PhysicsError::OutOfRange(refused))
    }
}
