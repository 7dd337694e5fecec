//! The bed's figures as people write them. Hardness, dose and capacity are read by [`crate::quantity`]; the kinds below
//! are the bed's own. A bare number takes the first unit of its kind.

use super::water::CACO3_G_PER_EQ;
use crate::quantity as house;

/// A kind of figure, with the units it may be written in. A bare number takes the
/// first of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kind {
    what: &'static str,
    units: &'static [(&'static str, f64)],
}

/// Sodium; base mg/L.
pub const SODIUM: Kind =
    Kind { what: "a sodium content", units: &[("mg/L", 1.0), ("mmol/L", 22.98977), ("meq/L", 22.98977)] };
/// Alkalinity; base meq/L.
pub const ALKALINITY: Kind =
    Kind { what: "an alkalinity", units: &[("meq/L", 1.0), ("mmol/L", 1.0), ("mg/L", 1.0 / 50.04345)] };
/// Volume relative to the resin; base bed volumes.
pub const BED_VOLUMES: Kind = Kind { what: "a volume in bed volumes", units: &[("BV", 1.0), ("gal/ft3", 0.133_680_6)] };
/// Flow relative to the resin; base bed volumes per hour.
pub const FLOW: Kind = Kind { what: "a flow per resin volume", units: &[("BV/h", 1.0), ("gpm/ft3", 8.020_834)] };
/// Share; base 1.
pub const SHARE: Kind = Kind { what: "a share", units: &[("", 1.0), ("%", 0.01)] };
/// Strength; base percent by weight.
pub const STRENGTH: Kind = Kind { what: "a brine strength", units: &[("%", 1.0), ("wt%", 1.0)] };
/// Depth; base m.
pub const DEPTH: Kind =
    Kind { what: "a depth", units: &[("m", 1.0), ("cm", 0.01), ("mm", 0.001), ("ft", 0.3048), ("in", 0.0254)] };
/// Bead diameter; base mm.
pub const BEAD: Kind = Kind { what: "a bead diameter", units: &[("mm", 1.0), ("um", 0.001), ("µm", 0.001)] };
/// Time; base years.
pub const YEARS: Kind =
    Kind { what: "an age", units: &[("y", 1.0), ("years", 1.0), ("year", 1.0), ("months", 1.0 / 12.0)] };
/// Mass per resin volume; base g/L.
pub const IRON: Kind = Kind { what: "iron per litre of resin", units: &[("g/L", 1.0), ("mg/L", 0.001)] };
/// A figure without a unit.
pub const NUMBER: Kind = Kind { what: "a number", units: &[("", 1.0)] };

/// Reads a figure in its base unit.
///
/// # Errors
/// A sentence that says what is wrong and what would be right.
pub fn parse(text: &str, kind: Kind) -> Result<f64, String> {
    let text = text.trim();
    let digits = text
        .char_indices()
        .find(|(at, c)| {
            let exponent =
                matches!(c, 'e' | 'E') && text[at + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '-');
            !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+') || exponent)
        })
        .map_or(text.len(), |(at, _)| at);
    let unit = text[digits..].trim();
    let value: f64 =
        text[..digits].parse().map_err(|_| format!("'{text}' is not {}: write {}", kind.what, example(kind)))?;
    if !value.is_finite() {
        return Err(format!("'{text}' is too large"));
    }
    if unit.is_empty() {
        return Ok(value);
    }
    kind.units
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(unit))
        .map(|(_, factor)| value * factor)
        .ok_or_else(|| format!("'{unit}' is not a unit of {}: write {}", kind.what, example(kind)))
}

/// Reads a hardness in mg/L as CaCO3: "342 mg/L", "20 gpg".
///
/// # Errors
/// A sentence that says what is wrong and what would be right.
pub fn parse_hardness(text: &str) -> Result<f64, String> {
    bare_or(text, 1e-3, house::parse_hardness_ug_per_l)
}

/// Reads a salt dose in g NaCl per litre of resin: "160 g/L", "10 lb/ft3".
///
/// # Errors
/// As [`parse_hardness`].
pub fn parse_dose(text: &str) -> Result<f64, String> {
    bare_or(text, 1e-3, house::parse_mass_per_volume_mg_per_l)
}

/// Reads an exchange capacity in eq per litre of resin: "2.0 eq/L", "30 kgr/ft3".
///
/// # Errors
/// As [`parse_hardness`].
pub fn parse_capacity(text: &str) -> Result<f64, String> {
    let eq_per_ug = 1e-6 / CACO3_G_PER_EQ;
    bare_or(text, eq_per_ug, house::parse_capacity_per_volume_ug_per_l)
}

/// A bare number as it stands, or a quantity in base units times a factor.
fn bare_or(text: &str, factor: f64, read: fn(&str) -> Result<u64, house::QuantityError>) -> Result<f64, String> {
    if let Ok(bare) = parse(text, NUMBER) {
        return Ok(bare);
    }
    read(text).map(|base| base as f64 * factor).map_err(|error| error.to_string())
}

/// Reads a temperature in °C, from °C or °F.
///
/// # Errors
/// As `parse`.
pub fn parse_temperature(text: &str) -> Result<f64, String> {
    const CELSIUS: Kind = Kind { what: "a temperature", units: &[("C", 1.0), ("°C", 1.0), ("F", 1.0), ("°F", 1.0)] };
    let value = parse(text, CELSIUS)?;
    if text.trim_end().ends_with(['F', 'f']) { Ok((value - 32.0) / 1.8) } else { Ok(value) }
}

/// Reads a sodium content in mg/L: "40 mg/L", "1.7 meq/L".
///
/// # Errors
/// As `parse`.
pub fn parse_sodium(text: &str) -> Result<f64, String> {
    parse(text, SODIUM)
}

/// Reads the iron of a water in mg/L: "0.3 mg/L".
///
/// # Errors
/// As `parse`.
pub fn parse_iron_mg_l(text: &str) -> Result<f64, String> {
    const IRON_IN_WATER: Kind = Kind { what: "iron in water", units: &[("mg/L", 1.0), ("ppm", 1.0), ("µg/L", 0.001)] };
    parse(text, IRON_IN_WATER)
}

/// Doses from one to another in steps: `80..240:20`, a unit allowed at the end of
/// each figure.
///
/// # Errors
/// As [`parse`], and for a range that is empty or of more than 1000 doses.
pub fn parse_sweep(text: &str) -> Result<Vec<f64>, String> {
    let shape = || format!("'{text}' is not a range of doses: write 80..240:20");
    let (range, step) = text.split_once(':').ok_or_else(shape)?;
    let (from, to) = range.split_once("..").ok_or_else(shape)?;
    let (from, to, step) = (parse_dose(from)?, parse_dose(to)?, parse_dose(step)?);
    if !(step > 0.0 && to >= from && (to - from) / step < 1000.0) {
        return Err(format!("'{text}' must rise by steps above zero and hold at most 1000 doses"));
    }
    let count = ((to - from) / step + 1e-9).floor() as usize + 1;
    Ok((0..count).map(|i| from + i as f64 * step).collect())
}

fn example(kind: Kind) -> String {
    let units: Vec<_> = kind.units.iter().map(|(name, _)| format!("1.5{name}")).collect();
    units.join(" or ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_may_write_their_own_units() {
        let near = |text, kind, value: f64| {
            let read = parse(text, kind).expect(text);
            assert!((read / value - 1.0).abs() < 1e-3, "{text}: {read}");
        };
        let same = |read: Result<f64, String>, value: f64| {
            let read = read.expect("a figure");
            assert!((read / value - 1.0).abs() < 1e-3, "{read} {value}");
        };
        same(parse_hardness("342mg/L"), 342.0);
        same(parse_hardness("20 gpg"), 342.36);
        same(parse_hardness("342"), 342.0);
        same(parse_dose("10lb/ft3"), 160.18);
        same(parse_capacity("2.0eq/L"), 2.0);
        same(parse_capacity("21.87 kgr/ft3"), 1.0);
        near("5 meq/L", ALKALINITY, 5.0);
        near("1e2mg/l", SODIUM, 100.0);
        near("66.67%", SHARE, 0.6667);
        near("2gpm/ft3", FLOW, 16.04);
        assert_eq!(parse_temperature("15C"), Ok(15.0));
        assert_eq!(parse_temperature("59 °F"), Ok(15.0));
        assert_eq!(parse_sweep("80..120:20"), Ok(vec![80.0, 100.0, 120.0]));
    }

    #[test]
    fn nonsense_is_refused_with_what_would_be_right() {
        for text in ["NaN", "inf", "", "mg/L", "1..2", "--3", "1e999"] {
            assert!(parse_hardness(text).is_err(), "{text}");
            assert!(parse(text, SODIUM).is_err(), "{text}");
        }
        let unit = parse("3 furlongs", DEPTH).expect_err("no unit of depth here");
        assert!(unit.contains("1.5m or 1.5cm"), "{unit}");
        for text in ["80", "80..240", "240..80:20", "80..240:0", "1..9e9:1"] {
            assert!(parse_sweep(text).is_err(), "{text}");
        }
    }
}
