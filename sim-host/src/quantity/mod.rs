//! People's units: texts such as "20 gpg" to exact integers in base units, and back.
//!
//! | quantity | base unit |
//! |---|---|
//! | duration | ms |
//! | volume | nL |
//! | hardness | µg/L as CaCO3 |
//! | exchange | µg as CaCO3 |
//! | flow | mL/min |
//! | mass | mg |
//! | share | parts per million |
//! | pressure | Pa above atmosphere |
//! | length | mm |
//!
//! Arithmetic is exact (fractions of 128-bit integers). A value is rounded once, to the nearest base unit with halves
//! up, and only where the base unit forces it: "4 gpm" is 15 141.647 136 mL/min and becomes 15 142. Units are found by
//! exact spelling, then in any case; `³`, `^3`, `per`, and "as CaCO3" are understood. Gallons are US gallons unless
//! "imp gal" is written.

pub(crate) mod civil;
mod error;
mod number;
mod parse;
mod pulse;
pub mod show;
pub mod units;

pub use civil::{WeekdaySet, parse_clock_ms, parse_date_time, parse_weekdays};
pub use error::{QuantityError, QuantityErrorKind};
pub use pulse::{PulseVolume, parse_pulse_volume};
pub use show::UnitSystem;

use units::{
    CAPACITY_PER_VOLUME, DURATION, EXCHANGE, FLOW, HARDNESS, LENGTH, MASS, MASS_PER_VOLUME, PRESSURE, SHARE, VOLUME,
};

/// Reads a duration in milliseconds: "90 min", "4 days", or parts from large to small, "1 h 30 min", "1m30s".
///
/// # Errors
/// Anything that is no duration; parts out of order; beyond 64 bits.
pub fn parse_duration_ms(text: &str) -> Result<u64, QuantityError> {
    let exact = parse::parts(&DURATION, text)?;
    parse::whole(&DURATION, text, &exact, u64::MAX)
}

/// Reads a volume in nanolitres: "10 ft3", "283 L", "0.28 m3".
///
/// # Errors
/// Anything that is no volume; beyond 64 bits.
pub fn parse_volume_nl(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&VOLUME, text, u64::MAX)
}

/// Reads a hardness in µg/L as CaCO3: "20 gpg", "342 mg/L", "19.2 °dH", "34 °fH", "3.4 mmol/L".
///
/// # Errors
/// Anything that is no hardness; beyond 64 bits.
pub fn parse_hardness_ug_per_l(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&HARDNESS, text, u64::MAX)
}

/// Reads an exchange capacity in µg as CaCO3: "24 kgr", "24000 gr", "1.6 kg CaCO3".
///
/// # Errors
/// Anything that is no exchange capacity; beyond 64 bits.
pub fn parse_exchange_ug(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&EXCHANGE, text, u64::MAX)
}

/// Reads an exchange capacity per resin volume in µg/L as CaCO3: "20 kgr/ft3", "0.9 eq/L".
///
/// # Errors
/// Anything that is no such capacity; beyond 64 bits.
pub fn parse_capacity_per_volume_ug_per_l(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&CAPACITY_PER_VOLUME, text, u64::MAX)
}

/// Reads a flow in mL/min: "4 gpm", "15 L/min", "0.9 m3/h".
///
/// # Errors
/// Anything that is no flow; beyond 64 bits.
pub fn parse_flow_ml_per_min(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&FLOW, text, u64::MAX)
}

/// Reads a mass in milligrams: "1.5 lb", "12 kg".
///
/// # Errors
/// Anything that is no mass; beyond 64 bits.
pub fn parse_mass_mg(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&MASS, text, u64::MAX)
}

/// Reads a mass per volume in mg/L: "6 lb/ft3", "120 g/L", "2.99 lb/gal".
///
/// # Errors
/// Anything that is no mass per volume; beyond 64 bits.
pub fn parse_mass_per_volume_mg_per_l(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&MASS_PER_VOLUME, text, u64::MAX)
}

/// Reads a pressure above atmosphere in pascals: "400 kPa", "4 bar", "60 psi".
///
/// # Errors
/// Anything that is no pressure; beyond 64 bits.
pub fn parse_pressure_pa(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&PRESSURE, text, u64::MAX)
}

/// Reads a length in millimetres: "350 mm", "0.9 m", "14 in".
///
/// # Errors
/// Anything that is no length; beyond 64 bits.
pub fn parse_length_mm(text: &str) -> Result<u64, QuantityError> {
    parse::whole_base(&LENGTH, text, u64::MAX)
}

/// Reads a share of a whole in parts per million: "12 %", at most 100 %.
///
/// # Errors
/// Anything that is no percentage; above 100 %.
pub fn parse_share_ppm(text: &str) -> Result<u32, QuantityError> {
    let ppm = parse::whole_base(&SHARE, text, 1_000_000)?;
    // At most 1 000 000, so this cannot saturate.
    Ok(u32::try_from(ppm).unwrap_or(u32::MAX))
}

/// Reads a percentage that may exceed the whole, in parts per million: "200 %", at most 10 000 %.
///
/// # Errors
/// Anything that is no percentage; above 10 000 %.
pub fn parse_percentage_ppm(text: &str) -> Result<u32, QuantityError> {
    let ppm = parse::whole_base(&SHARE, text, 100_000_000)?;
    // At most 100 000 000, so this cannot saturate.
    Ok(u32::try_from(ppm).unwrap_or(u32::MAX))
}
