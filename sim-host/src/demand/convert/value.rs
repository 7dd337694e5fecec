//! What a column's values are.

use super::moment::scaled;
use crate::quantity::{self, PulseVolume};

/// What the values are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Pulses at that moment.
    Pulses,
    /// A counter of pulses.
    TotalPulses,
    /// nL of a unit, since the row before.
    Interval(u64),
    /// nL of a unit, on a register that goes up.
    Register(u64),
    /// 1 closed, 0 open.
    Level,
}

pub(super) const KINDS: &str =
    "\"pulses\", \"total pulses\", \"L per interval\", \"total L\" (or gal, m3, ft3, mL), or \"level\"";

impl Kind {
    /// Reads what a person says of the values.
    pub fn parse(text: &str) -> Result<Self, String> {
        let unit = |unit: &str| {
            let nl = quantity::parse_volume_nl(&format!("1 {unit}"));
            nl.map_err(|error| format!("--value-as {text}: {error}\n  help: say {KINDS}"))
        };
        let text = text.trim();
        match text {
            "pulses" => Ok(Self::Pulses),
            "total pulses" => Ok(Self::TotalPulses),
            "level" => Ok(Self::Level),
            _ => match (text.strip_suffix(" per interval"), text.strip_prefix("total ")) {
                (Some(name), None) => unit(name.trim()).map(Self::Interval),
                (None, Some(name)) => unit(name.trim()).map(Self::Register),
                _ => Err(format!("--value-as {text}: is not known; say {KINDS}")),
            },
        }
    }

    /// Whether the water of a pulse must be known.
    pub fn is_volume(self) -> bool {
        matches!(self, Self::Interval(_) | Self::Register(_))
    }

    /// A value in pulses, nL, or 0 and 1.
    pub fn amount(self, text: &str, decimal_comma: bool) -> Result<u128, String> {
        let text = text.trim();
        let by = match self {
            Self::Interval(nl) | Self::Register(nl) => i128::from(nl),
            _ => 1,
        };
        let value = scaled(text, by, decimal_comma)?;
        let whole = !text.contains(['.', ',']) || by > 1;
        let value = u128::try_from(value).map_err(|_| format!("`{text}` is less than nothing"))?;
        match self {
            Self::Level if value > 1 || !whole => Err(format!("`{text}` is no level: 1 is closed, 0 is open")),
            _ if !whole => Err(format!("`{text}` is no whole number of pulses")),
            _ => Ok(value),
        }
    }
}

/// A pulse volume as recordings write it.
pub(in crate::demand) fn pulse_words(pulse: PulseVolume) -> String {
    const NL: u64 = 1_000_000_000;
    let (numerator, denominator) = (pulse.numerator_nl(), pulse.denominator());
    if denominator == 1 {
        let (litres, rest) = (numerator / NL, numerator % NL);
        let text = format!("{litres}.{rest:09}");
        return format!("{} L", text.trim_end_matches('0').trim_end_matches('.'));
    }
    let (litres, rest) = (numerator / NL, numerator % NL);
    let text = format!("{litres}.{rest:09}");
    format!("{denominator} pulses in {} L", text.trim_end_matches('0').trim_end_matches('.'))
}
