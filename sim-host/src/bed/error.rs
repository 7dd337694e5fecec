//! What can be wrong with a request to the resin bed.

use thiserror::Error;

/// Why a bed could not be built, or a run could not be made.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum BedError {
    /// A figure is outside the range the model is sound in.
    #[error("{field} is {value}: it must be {allowed}")]
    OutOfRange {
        /// The figure, by the name of its option.
        field: &'static str,
        /// The value that was given.
        value: f64,
        /// The range that would be right, with its unit.
        allowed: &'static str,
    },
    /// The feed's alkalinity exceeds its cations, so no chloride can balance it.
    #[error(
        "alkalinity is {alkalinity_meq_l} meq/L but the cations are only {cations_meq_l:.3} meq/L: raise sodium or hardness, or lower the alkalinity, so that charges balance"
    )]
    UnbalancedFeed {
        /// Alkalinity given, meq/L.
        alkalinity_meq_l: f64,
        /// Sodium, calcium and magnesium together, meq/L.
        cations_meq_l: f64,
    },
    /// The feed is too soft to bring the bed to its end point.
    #[error(
        "feed hardness {hardness_mg_l} mg/L is not above the end point {until_mg_l} mg/L: the run would never end; give a harder feed, or an end point below its hardness"
    )]
    SoftFeed {
        /// Feed hardness, mg/L as CaCO3.
        hardness_mg_l: f64,
        /// End point, mg/L as CaCO3.
        until_mg_l: f64,
    },
    /// The service run passed its longest sensible length without an end point.
    #[error(
        "no end point within {limit_bed_volumes:.0} bed volumes: the end point may lie too close to the feed hardness or to the leakage"
    )]
    NoEndPoint {
        /// Where the search stopped, bed volumes.
        limit_bed_volumes: f64,
    },
    /// The run asks for more plate steps than are sensible.
    #[error(
        "{plates} plates are too many for this case, which needs about {plate_steps:.1e} plate steps and may take {limit:.1e}: at most {most_plates} plates, or a harder feed"
    )]
    TooLong {
        /// Plates asked for.
        plates: usize,
        /// Most plates with which this case stays within the limit; at least 1.
        most_plates: usize,
        /// Steps of one plate the run would take.
        plate_steps: f64,
        /// The limit.
        limit: f64,
    },
    /// Several answers were asked for on standard output.
    #[error("only one of --json, --csv and --html can go to standard output: give the others a file")]
    OneOutput,
    /// A result could not be written.
    #[error("cannot write {path}: {reason}")]
    Write {
        /// The file.
        path: String,
        /// What the operating system said.
        reason: String,
    },
}

/// Checks that a figure is a number inside a closed range.
///
/// # Errors
/// [`BedError::OutOfRange`] when it is not; NaN and infinities never are.
pub(crate) fn within(
    field: &'static str,
    value: f64,
    low: f64,
    high: f64,
    allowed: &'static str,
) -> Result<f64, BedError> {
    crate::physics::within(field, value, low, high, allowed).map_err(|refused| BedError::OutOfRange {
        field: refused.field,
        value: refused.value,
        allowed: refused.allowed,
    })
}
