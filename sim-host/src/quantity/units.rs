//! The tables of units: every name a person may write, and its exact size in base units.

use num_rational::Ratio;

/// An exact value: no rounding until a base unit forces it.
pub(super) type Exact = Ratio<u128>;

/// A unit and its exact size.
#[derive(Debug, PartialEq, Eq)]
pub struct Unit {
    /// Names as written by people; the first is the one shown.
    pub names: &'static [&'static str],
    /// Base units in one of this unit, as numerator and denominator.
    pub size: (u128, u128),
}

impl Unit {
    /// The name the unit is shown with.
    pub fn name(&self) -> &'static str {
        self.names.first().copied().unwrap_or_default()
    }

    /// Base units in one of this unit.
    pub(super) fn exact(&self) -> Exact {
        Exact::new(self.size.0, self.size.1)
    }
}

/// A kind of quantity: its units and how to ask for it.
#[derive(Debug, PartialEq, Eq)]
pub struct Dimension {
    /// With its article, as in "a volume".
    pub what: &'static str,
    /// One or two examples, quoted.
    pub examples: &'static str,
    /// One base unit, in words: the smallest step kept.
    pub step: &'static str,
    /// Whether "as CaCO3" may follow the unit.
    pub as_caco3: bool,
    /// All units, the most usual first.
    pub units: &'static [Unit],
}

const fn unit(names: &'static [&'static str], per_unit: u128, divisor: u128) -> Unit {
    Unit { names, size: (per_unit, divisor) }
}

// Exact definitions: US gallon 231 in³, cubic foot 1728 in³, pound 0.453 592 37 kg of 7000 grains,
// imperial gallon 4.546 09 L. Equivalents as calcium carbonate: 100.087 g/mol, 50.0435 g/eq.
const GALLON_NL: u128 = 3_785_411_784;
const CUBIC_FOOT_NL: u128 = 28_316_846_592;
const IMPERIAL_GALLON_NL: u128 = 4_546_090_000;
const LITRE_NL: u128 = 1_000_000_000;
/// One grain is 64 798.91 µg; this is a hundred grains.
const HUNDRED_GRAINS_UG: u128 = 6_479_891;

/// Durations; base unit one millisecond.
pub static DURATION: Dimension = Dimension {
    what: "a duration",
    examples: "\"90 min\", \"4 days\" or \"1 h 30 min\"",
    step: "1 ms",
    as_caco3: false,
    units: &[
        unit(&["s", "sec", "secs", "second", "seconds"], 1_000, 1),
        unit(&["min", "m", "mins", "minute", "minutes"], 60_000, 1),
        unit(&["h", "hr", "hrs", "hour", "hours"], 3_600_000, 1),
        unit(&["d", "day", "days"], 86_400_000, 1),
        unit(&["week", "weeks", "wk"], 604_800_000, 1),
        unit(&["ms", "millisecond", "milliseconds"], 1, 1),
    ],
};

/// Volumes of water or resin; base unit one nanolitre.
pub static VOLUME: Dimension = Dimension {
    what: "a volume",
    examples: "\"283 L\", \"75 gal\" or \"10 ft3\"",
    step: "1 nL",
    as_caco3: false,
    units: &[
        unit(&["L", "litre", "litres", "liter", "liters"], LITRE_NL, 1),
        unit(&["m3", "cubic metre", "cubic metres", "cubic meter", "cubic meters"], 1_000 * LITRE_NL, 1),
        unit(&["mL", "millilitre", "millilitres", "milliliter", "milliliters"], 1_000_000, 1),
        unit(&["gal", "US gal", "gallon", "gallons", "gals"], GALLON_NL, 1),
        unit(&["ft3", "cu ft", "cubic foot", "cubic feet"], CUBIC_FOOT_NL, 1),
        unit(&["imp gal", "UK gal", "imperial gallon", "imperial gallons"], IMPERIAL_GALLON_NL, 1),
        unit(&["µL"], 1_000, 1),
        unit(&["nL"], 1, 1),
    ],
};

/// Hardness as calcium carbonate; base unit one microgram per litre.
pub static HARDNESS: Dimension = Dimension {
    what: "a hardness",
    examples: "\"20 gpg\", \"342 mg/L\" or \"19.2 °dH\"",
    step: "1 µg/L",
    as_caco3: true,
    units: &[
        unit(&["gpg", "gr/gal", "grains/gal", "grains/gallon"], HUNDRED_GRAINS_UG * LITRE_NL, 100 * GALLON_NL),
        unit(&["mg/L", "ppm", "g/m3"], 1_000, 1),
        unit(&["°dH", "dH", "°d", "deg dH"], 17_848, 1),
        unit(&["°fH", "fH", "°f", "deg fH"], 10_000, 1),
        unit(&["mmol/L", "mol/m3"], 100_087, 1),
        unit(&["meq/L", "eq/m3"], 100_087, 2),
        unit(&["°Clark", "°e", "gr/imp gal"], HUNDRED_GRAINS_UG * LITRE_NL, 100 * IMPERIAL_GALLON_NL),
        unit(&["µg/L", "ug/L"], 1, 1),
    ],
};

/// Hardness exchanged, as calcium carbonate; base unit one microgram.
pub static EXCHANGE: Dimension = Dimension {
    what: "an exchange capacity",
    examples: "\"24 kgr\", \"24000 gr\" or \"1.6 kg\"",
    step: "1 µg",
    as_caco3: true,
    units: &[
        unit(&["kgr", "kilograin", "kilograins"], 10 * HUNDRED_GRAINS_UG, 1),
        unit(&["gr", "grain", "grains"], HUNDRED_GRAINS_UG, 100),
        unit(&["kg"], 1_000_000_000, 1),
        unit(&["g"], 1_000_000, 1),
        unit(&["eq"], 50_043_500, 1),
        unit(&["mol"], 100_087_000, 1),
        unit(&["mg"], 1_000, 1),
        unit(&["µg", "ug"], 1, 1),
    ],
};

/// Exchange capacity of resin per volume of resin, as calcium carbonate; base unit one microgram per litre.
pub static CAPACITY_PER_VOLUME: Dimension = Dimension {
    what: "an exchange capacity per volume of resin",
    examples: "\"20 kgr/ft3\", \"46 g/L\" or \"0.9 eq/L\"",
    step: "1 µg/L",
    as_caco3: true,
    units: &[
        unit(&["kgr/ft3", "kgr/cu ft"], 10 * HUNDRED_GRAINS_UG * LITRE_NL, CUBIC_FOOT_NL),
        unit(&["gr/ft3", "gr/cu ft", "grains/ft3"], HUNDRED_GRAINS_UG * LITRE_NL, 100 * CUBIC_FOOT_NL),
        unit(&["g/L", "kg/m3"], 1_000_000, 1),
        unit(&["eq/L"], 50_043_500, 1),
        unit(&["mol/L"], 100_087_000, 1),
    ],
};

/// Flows; base unit one millilitre per minute.
pub static FLOW: Dimension = Dimension {
    what: "a flow",
    examples: "\"4 gpm\", \"15 L/min\" or \"0.9 m3/h\"",
    step: "1 mL/min",
    as_caco3: false,
    units: &[
        unit(&["L/min", "lpm", "L/minute"], 1_000, 1),
        unit(&["gpm", "gal/min", "gallons/minute", "gal/minute"], GALLON_NL, 1_000_000),
        unit(&["m3/h", "m3/hr", "m3/hour"], 1_000_000, 60),
        unit(&["L/h", "L/hr", "L/hour"], 1_000, 60),
        unit(&["L/s", "L/sec"], 60_000, 1),
        unit(&["mL/min"], 1, 1),
        unit(&["gal/h", "gph", "gal/hr"], GALLON_NL, 60_000_000),
        unit(&["m3/d", "m3/day"], 1_000_000, 1_440),
        unit(&["L/d", "L/day"], 1_000, 1_440),
        unit(&["gal/d", "gpd", "gal/day"], GALLON_NL, 1_440_000_000),
        unit(&["ft3/min", "cfm"], CUBIC_FOOT_NL, 1_000_000),
    ],
};

/// Masses, of salt above all; base unit one milligram.
pub static MASS: Dimension = Dimension {
    what: "a mass",
    examples: "\"1.5 lb\", \"12 kg\" or \"800 g\"",
    step: "1 mg",
    as_caco3: false,
    units: &[
        unit(&["kg", "kilogram", "kilograms"], 1_000_000, 1),
        unit(&["g", "gram", "grams"], 1_000, 1),
        unit(&["lb", "lbs", "pound", "pounds"], 45_359_237, 100),
        unit(&["oz", "ounce", "ounces"], 45_359_237, 1_600),
        unit(&["mg"], 1, 1),
        unit(&["t", "tonne", "tonnes"], 1_000_000_000, 1),
    ],
};

/// Mass per volume: salt dose per resin, salt taken up by refill water; base unit one milligram per litre.
pub static MASS_PER_VOLUME: Dimension = Dimension {
    what: "a mass per volume",
    examples: "\"6 lb/ft3\", \"120 g/L\" or \"2.99 lb/gal\"",
    step: "1 mg/L",
    as_caco3: false,
    units: &[
        unit(&["g/L", "kg/m3"], 1_000, 1),
        unit(&["lb/ft3", "lb/cu ft", "lbs/ft3"], 45_359_237 * LITRE_NL, 100 * CUBIC_FOOT_NL),
        unit(&["lb/gal", "lbs/gal"], 45_359_237 * LITRE_NL, 100 * GALLON_NL),
        unit(&["kg/L"], 1_000_000, 1),
        unit(&["mg/L", "g/m3"], 1, 1),
    ],
};

/// Pressures above atmosphere; base unit one pascal.
pub static PRESSURE: Dimension = Dimension {
    what: "a pressure",
    examples: "\"400 kPa\", \"4 bar\" or \"60 psi\"",
    step: "1 Pa",
    as_caco3: false,
    units: &[
        unit(&["kPa"], 1_000, 1),
        unit(&["bar"], 100_000, 1),
        // One pound-force (4.448 221 615 260 5 N) on a square inch (645.16 mm²).
        unit(&["psi", "psig", "lb/in2"], 44_482_216_152_605, 6_451_600_000),
        unit(&["Pa"], 1, 1),
    ],
};

/// Lengths of vessels; base unit one millimetre.
pub static LENGTH: Dimension = Dimension {
    what: "a length",
    examples: "\"350 mm\", \"0.9 m\" or \"14 in\"",
    step: "1 mm",
    as_caco3: false,
    units: &[
        unit(&["mm", "millimetre", "millimetres"], 1, 1),
        unit(&["cm", "centimetre", "centimetres"], 10, 1),
        unit(&["m", "metre", "metres"], 1_000, 1),
        unit(&["in", "inch", "inches"], 254, 10),
        unit(&["ft", "foot", "feet"], 3_048, 10),
    ],
};

/// Shares of a whole; base unit one part per million.
pub static SHARE: Dimension = Dimension {
    what: "a share",
    examples: "\"12 %\" or \"2.5 %\"",
    step: "0.0001 %",
    as_caco3: false,
    units: &[unit(&["%", "percent"], 10_000, 1)],
};

/// All tables that a unit may be looked up in when it does not fit where it stands.
pub static DIMENSIONS: [&Dimension; 11] = [
    &DURATION,
    &VOLUME,
    &HARDNESS,
    &EXCHANGE,
    &CAPACITY_PER_VOLUME,
    &FLOW,
    &MASS,
    &MASS_PER_VOLUME,
    &SHARE,
    &PRESSURE,
    &LENGTH,
];

/// What one pulse of a meter stands for.
pub static PULSE: Dimension = Dimension {
    what: "a pulse volume",
    examples: "\"10 L\", \"100 pulses/L\" or \"15.1 pulses/gal\"",
    step: "1 nL",
    as_caco3: false,
    units: VOLUME.units,
};

/// Times of day.
pub static CLOCK: Dimension =
    Dimension { what: "a time of day", examples: "\"02:00\" or \"22:30\"", step: "1 s", as_caco3: false, units: &[] };

/// Days of the week.
pub static WEEKDAYS: Dimension = Dimension {
    what: "a list of weekdays",
    examples: "\"mon, thu\", \"mon-fri\" or \"daily\"",
    step: "one day",
    as_caco3: false,
    units: &[],
};

/// The unit of this dimension with this name: exact spelling first, then any case.
pub(super) fn find(dimension: &'static Dimension, written: &str) -> Option<&'static Unit> {
    let canonical = canonical(dimension, written);
    let exact = dimension.units.iter().find(|unit| unit.names.contains(&canonical.as_str()));
    exact.or_else(|| {
        let lower = canonical.to_lowercase();
        let same = |name: &&str| name.to_lowercase() == lower;
        dimension.units.iter().find(|unit| unit.names.iter().any(same))
    })
}

/// The dimension in which this unit is known.
pub(super) fn find_elsewhere(written: &str) -> Option<&'static Dimension> {
    DIMENSIONS.iter().copied().find(|dimension| find(dimension, written).is_some())
}

/// The unit name of this dimension nearest to what was written, if it is near enough to be meant.
pub(super) fn nearest(dimension: &'static Dimension, written: &str) -> Option<&'static str> {
    let canonical = canonical(dimension, written);
    let names = dimension.units.iter().flat_map(|unit| unit.names);
    nearest_name(&canonical, names.copied())
}

/// The name nearest to `written`, at most one edit away for short words and two for long ones.
pub(crate) fn nearest_name(written: &str, names: impl Iterator<Item = &'static str>) -> Option<&'static str> {
    let lower = written.to_lowercase();
    let allowed_edits = match lower.chars().count() {
        0 | 1 => return None,
        2..=4 => 1,
        _ => 2,
    };
    names
        .map(|name| (strsim::osa_distance(&lower, &name.to_lowercase()), name))
        .filter(|&(edits, name)| edits <= allowed_edits && edits < name.chars().count())
        .min_by_key(|&(edits, _)| edits)
        .map(|(_, name)| name)
}

/// One spelling for look-alike characters, spaces and "per".
fn canonical(dimension: &Dimension, written: &str) -> String {
    let mapped: String = written
        .chars()
        .filter(|&c| c != '^')
        .map(|c| match c {
            'º' => '°',
            'μ' => 'µ',
            '³' => '3',
            '₃' => '3',
            other => other,
        })
        .collect();
    let mut words: Vec<&str> = mapped.split_whitespace().collect();
    if dimension.as_caco3 && words.last().is_some_and(|w| w.eq_ignore_ascii_case("CaCO3")) {
        words.pop();
        if words.last().is_some_and(|w| w.eq_ignore_ascii_case("as")) {
            words.pop();
        }
    }
    let joined = words.join(" ");
    joined.replace(" per ", "/").replace(" /", "/").replace("/ ", "/")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashMap;

    #[test]
    fn a_name_means_one_unit_whatever_its_case() {
        for dimension in DIMENSIONS {
            let mut seen: HashMap<String, &str> = HashMap::new();
            for unit in dimension.units {
                for name in unit.names {
                    if let Some(other) = seen.insert(name.to_lowercase(), unit.name()) {
                        panic!("{}: `{name}` is both {other} and {}", dimension.what, unit.name());
                    }
                    assert_eq!(find(dimension, name), Some(unit), "{name}");
                }
            }
        }
    }

    #[test]
    fn the_examples_of_every_dimension_hold() {
        for dimension in DIMENSIONS {
            for (index, example) in dimension.examples.split('"').enumerate() {
                if index % 2 == 1 {
                    let value = super::super::parse::parts(dimension, example);
                    assert!(value.is_ok(), "{example}: {value:?}");
                }
            }
        }
    }
}
