//! The volume one meter pulse stands for, as an exact fraction.

use num_traits::{CheckedDiv, Zero};

use super::error::{QuantityError, QuantityErrorKind};
use super::number;
use super::parse;
use super::units::{Exact, PULSE, VOLUME};

/// The volume of one pulse: `numerator_nl / denominator` nanolitres, in lowest terms, never zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct PulseVolume {
    numerator_nl: u64,
    denominator: u64,
}

impl PulseVolume {
    /// What a site's meter says.
    pub(crate) fn of_meter(meter: &bedkeeper::settings::RawMeter) -> Self {
        let lowest = num_rational::Ratio::new(meter.pulse_nl.max(1), u64::from(meter.pulse_divisor).max(1));
        Self { numerator_nl: *lowest.numer(), denominator: *lowest.denom() }
    }

    /// Nanolitres in `denominator` pulses.
    pub fn numerator_nl(self) -> u64 {
        self.numerator_nl
    }

    /// Pulses that together make `numerator_nl` nanolitres.
    pub fn denominator(self) -> u64 {
        self.denominator
    }
}

/// Reads a pulse volume: a volume per pulse ("10 L", "10 gal/pulse"), pulses per volume
/// ("100 pulses/L", "15.1 pulses per gal") or a calibration ("1523 pulses in 100 L"). Exact: nothing is rounded.
///
/// # Errors
/// A text in none of these forms, zero, or a fraction beyond 64 bits.
pub fn parse_pulse_volume(text: &str) -> Result<PulseVolume, QuantityError> {
    let trimmed = parse::trimmed(&PULSE, text)?;
    pulse_volume(trimmed).map_err(|kind| QuantityError::new(text, kind, &PULSE))
}

fn pulse_volume(text: &str) -> Result<PulseVolume, QuantityErrorKind> {
    let leading = number::leading(text)?;
    let exact = match after_word(leading.rest, &["pulses", "pulse", "imp", "counts"]) {
        Some(rest) => volume_per_pulse(leading.value, rest)?,
        None => {
            let unit = parse::unit_of(&VOLUME, without_per_pulse(leading.rest))?;
            parse::scaled(&VOLUME, leading.value, unit)?
        }
    };
    if exact.is_zero() {
        return Err(QuantityErrorKind::Zero);
    }
    let fraction = (u64::try_from(*exact.numer()), u64::try_from(*exact.denom()));
    let (Ok(numerator_nl), Ok(denominator)) = fraction else {
        return Err(QuantityErrorKind::TooManyDigits);
    };
    Ok(PulseVolume { numerator_nl, denominator })
}

/// `pulses` counted for the volume that `rest` names, as in "/L", "per gal" or "in 100 L".
fn volume_per_pulse(pulses: Exact, rest: &str) -> Result<Exact, QuantityErrorKind> {
    let separated = rest.strip_prefix('/').or_else(|| after_word(rest, &["per"])).or_else(|| after_word(rest, &["in"]));
    let Some(volume) = separated.map(str::trim) else {
        return Err(number::form("name the volume, as in `100 pulses/L`"));
    };
    let (count, unit) = if volume.starts_with(|c: char| c.is_ascii_digit()) {
        let leading = number::leading(volume)?;
        (leading.value, leading.rest)
    } else {
        (Exact::from_integer(1), volume)
    };
    let volume = parse::scaled(&VOLUME, count, parse::unit_of(&VOLUME, unit)?)?;
    if pulses.is_zero() {
        return Err(QuantityErrorKind::Zero);
    }
    volume.checked_div(&pulses).ok_or(QuantityErrorKind::TooManyDigits)
}

/// What follows one of these words, if the text begins with it as a whole word.
fn after_word<'a>(text: &'a str, words: &[&str]) -> Option<&'a str> {
    let end = text.find(|c: char| !c.is_alphabetic()).unwrap_or(text.len());
    let (first, rest) = text.split_at(end);
    words.iter().any(|word| first.eq_ignore_ascii_case(word)).then(|| rest.trim_start())
}

/// Drops "/pulse" or "per pulse" after a volume.
fn without_per_pulse(text: &str) -> &str {
    let Some(before) = text.trim_end().strip_suffix("pulse").map(str::trim_end) else {
        return text;
    };
    before.strip_suffix('/').or_else(|| before.strip_suffix("per")).map_or(text, str::trim_end)
}
