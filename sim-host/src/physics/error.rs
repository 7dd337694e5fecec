//! What can be wrong with a request to the plant physics.

use thiserror::Error;

/// A figure outside the range in which a formula is sound.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[error("{field} is {value}: it must be {allowed}")]
pub struct OutOfRange {
    /// The figure, in the trade's words.
    pub field: &'static str,
    /// The value that was given.
    pub value: f64,
    /// The range that would be right, with its unit.
    pub allowed: &'static str,
}

/// Why the plant physics has no answer.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum PhysicsError {
    /// A figure is outside its range.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// Two points of a supply curve do not fall with flow.
    #[error(
        "a supply of {first_kpa} kPa at {first_l_min} L/min and {second_kpa} kPa at {second_l_min} L/min: pressure must fall, or stay, as flow rises; give two different flows"
    )]
    NotACurve {
        /// Flow of the first point, L/min.
        first_l_min: f64,
        /// Pressure of the first point, kPa.
        first_kpa: f64,
        /// Flow of the second point, L/min.
        second_l_min: f64,
        /// Pressure of the second point, kPa.
        second_kpa: f64,
    },
    /// Water must flow but every path is shut.
    #[error("{flow_l_min} L/min must pass but every path is shut: open one, or ask for no flow")]
    NoPath {
        /// Flow that was asked for, L/min.
        flow_l_min: f64,
    },
    /// An upward flow is faster than a lone bead sinks, so no expanded bed stands still in it.
    #[error(
        "beads sink at {terminal_m_s:.5} m/s and an upward flow of {velocity_m_s:.5} m/s carries them away: use less flow"
    )]
    CarriedAway {
        /// Upward superficial velocity, m/s.
        velocity_m_s: f64,
        /// Velocity at which a lone bead sinks, m/s.
        terminal_m_s: f64,
    },
}

/// Checks that a figure is a number inside a closed range.
///
/// # Errors
/// [`OutOfRange`] when it is not; NaN and infinities never are.
pub(crate) fn within(
    field: &'static str,
    value: f64,
    low: f64,
    high: f64,
    allowed: &'static str,
) -> Result<f64, OutOfRange> {
    if value.is_finite() && value >= low && value <= high {
        Ok(value)
    } else {
        Err(OutOfRange { field, value, allowed })
    }
}

/// Checks the temperature of a liquid in the plant.
///
/// # Errors
/// [`OutOfRange`] outside 0 to 80 °C.
pub(crate) fn temperature(temperature_c: f64) -> Result<f64, OutOfRange> {
    within("temperature", temperature_c, 0.0, 80.0, "0 to 80 °C")
}
