//! From a person's text to base units.

use num_traits::{CheckedAdd, CheckedMul};

use super::error::{QuantityError, QuantityErrorKind};
use super::number::{self, Leading};
use super::units::{self, Dimension, Exact, Unit};

/// The longest text that is looked at, in bytes.
const LONGEST_BYTES: usize = 200;

/// Refuses what is empty or far too long to be a quantity.
pub(super) fn trimmed<'a>(dimension: &'static Dimension, text: &'a str) -> Result<&'a str, QuantityError> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err(QuantityError::new(text, QuantityErrorKind::Empty, dimension));
    }
    if trimmed.len() > LONGEST_BYTES {
        return Err(QuantityError::new(text, QuantityErrorKind::TooLong, dimension));
    }
    Ok(trimmed)
}

/// The exact value of `text` in base units of `dimension`, before any rounding.
pub(super) fn exact(dimension: &'static Dimension, text: &str) -> Result<Exact, QuantityError> {
    let trimmed = trimmed(dimension, text)?;
    exact_kind(dimension, trimmed).map_err(|kind| QuantityError::new(text, kind, dimension))
}

fn exact_kind(dimension: &'static Dimension, text: &str) -> Result<Exact, QuantityErrorKind> {
    let Leading { value, rest, .. } = number::leading(text)?;
    let unit = unit_of(dimension, rest)?;
    scaled(dimension, value, unit)
}

/// A number times its unit, exactly.
pub(super) fn scaled(dimension: &'static Dimension, value: Exact, unit: &Unit) -> Result<Exact, QuantityErrorKind> {
    value.checked_mul(&unit.exact()).ok_or_else(|| too_large(dimension, u64::MAX))
}

/// The unit that `written` names in `dimension`.
pub(super) fn unit_of(dimension: &'static Dimension, written: &str) -> Result<&'static Unit, QuantityErrorKind> {
    let written = written.trim();
    if written.is_empty() {
        return Err(QuantityErrorKind::MissingUnit);
    }
    if let Some(unit) = units::find(dimension, written) {
        return Ok(unit);
    }
    let mut letters = written.bytes();
    let exponent = letters.next().is_some_and(|first| first.eq_ignore_ascii_case(&b'e'))
        && letters.next().is_some_and(|second| matches!(second, b'0'..=b'9' | b'+' | b'-'));
    if exponent {
        return Err(number::form("write the number out, without an exponent"));
    }
    let unit = written.to_owned();
    Err(match units::find_elsewhere(written) {
        Some(other) => QuantityErrorKind::OtherDimension { unit, measures: other.what },
        None => QuantityErrorKind::UnknownUnit { suggestion: units::nearest(dimension, written), unit },
    })
}

/// A value in whole base units, at most `limit`: rounded to the nearest, halves up.
pub(super) fn whole(
    dimension: &'static Dimension,
    text: &str,
    exact: &Exact,
    limit: u64,
) -> Result<u64, QuantityError> {
    whole_kind(dimension, exact, limit).map_err(|kind| QuantityError::new(text, kind, dimension))
}

fn whole_kind(dimension: &'static Dimension, exact: &Exact, limit: u64) -> Result<u64, QuantityErrorKind> {
    let (numerator, denominator) = (*exact.numer(), *exact.denom());
    let quotient = numerator / denominator;
    let remainder = numerator % denominator;
    let rounded = quotient + u128::from(remainder >= denominator - remainder);
    match u64::try_from(rounded) {
        Ok(0) if numerator > 0 => Err(QuantityErrorKind::TooSmall { smallest: dimension.step }),
        Ok(value) if value <= limit => Ok(value),
        _ => Err(too_large(dimension, limit)),
    }
}

fn too_large(dimension: &'static Dimension, limit: u64) -> QuantityErrorKind {
    QuantityErrorKind::TooLarge { limit: super::show::limit(dimension, limit) }
}

/// Reads `text` and rounds it to whole base units.
pub(super) fn whole_base(dimension: &'static Dimension, text: &str, limit: u64) -> Result<u64, QuantityError> {
    let exact = exact(dimension, text)?;
    whole(dimension, text, &exact, limit)
}

/// A sum of parts with ever smaller units, as in `1 h 30 min` or `1m30s`; only the last may have decimals.
pub(super) fn parts(dimension: &'static Dimension, text: &str) -> Result<Exact, QuantityError> {
    let trimmed = trimmed(dimension, text)?;
    parts_kind(dimension, trimmed).map_err(|kind| QuantityError::new(text, kind, dimension))
}

fn parts_kind(dimension: &'static Dimension, text: &str) -> Result<Exact, QuantityErrorKind> {
    let mut total = Exact::from_integer(0);
    let mut previous: Option<Exact> = None;
    let mut rest = text;
    loop {
        let part = number::leading(rest)?;
        if part.rest.starts_with(':') {
            return Err(number::form("`:` could mean hours or minutes: name the units, as in `1 h 30 min`"));
        }
        // A digit begins the next part, except in a unit such as `m3`, which is refused by its own name.
        let next_digit = part.rest.find(|c: char| c.is_ascii_digit());
        let end = match next_digit {
            Some(digit) if units::find_elsewhere(part.rest).is_none() => digit,
            _ => part.rest.len(),
        };
        let (written, after) = part.rest.split_at(end);
        let unit = unit_of(dimension, written)?;
        if previous.is_some_and(|larger| unit.exact() >= larger) {
            return Err(QuantityErrorKind::PartsOutOfOrder);
        }
        if part.has_point && !after.is_empty() {
            return Err(QuantityErrorKind::DecimalInLeadingPart);
        }
        let value = scaled(dimension, part.value, unit)?;
        total = total.checked_add(&value).ok_or_else(|| too_large(dimension, u64::MAX))?;
        if after.is_empty() {
            return Ok(total);
        }
        previous = Some(unit.exact());
        rest = after;
    }
}
