//! Base units back to people's units.
//!
//! Each function gives a value to print with `{}`: four significant digits, all digits before the point, no
//! trailing zeros, digits in groups of three from 10 000 on. `{:.2}` asks for two decimals instead. What is printed
//! reads back as the same quantity, to within the last digit shown.

use std::fmt;

use super::units::{
    CAPACITY_PER_VOLUME, DURATION, Dimension, EXCHANGE, Exact, FLOW, HARDNESS, MASS, MASS_PER_VOLUME, SHARE, Unit,
    VOLUME, find,
};

/// Which units people read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum UnitSystem {
    /// Litres, kilograms, mg/L.
    #[default]
    Metric,
    /// US gallons, pounds, grains.
    Us,
}

/// A quantity ready to be printed.
#[derive(Debug, Clone, Copy)]
pub struct Shown {
    base: u64,
    unit: &'static Unit,
    suffix: &'static str,
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = match f.precision() {
            Some(decimals) => decimal(self.base, self.unit, decimals.min(9) as u32, false),
            None => decimal(self.base, self.unit, usual_decimals(self.base, self.unit), true),
        };
        f.pad_integral(true, "", &format!("{number} {}{}", self.unit.name(), self.suffix))
    }
}

/// Water: mL, L, from 100 m³ on m³; US gallons.
pub fn volume(volume_nl: u64, system: UnitSystem) -> Shown {
    let name = match system {
        UnitSystem::Us => "gal",
        UnitSystem::Metric if volume_nl > 0 && volume_nl < 1_000_000_000 => "mL",
        UnitSystem::Metric if volume_nl < 100_000_000_000_000 => "L",
        UnitSystem::Metric => "m3",
    };
    shown(&VOLUME, volume_nl, name)
}

/// Resin: L or ft³.
pub fn resin_volume(volume_nl: u64, system: UnitSystem) -> Shown {
    shown(&VOLUME, volume_nl, pick(system, "L", "ft3"))
}

/// Hardness: mg/L or gpg, as CaCO3.
pub fn hardness(hardness_ug_per_l: u64, system: UnitSystem) -> Shown {
    shown(&HARDNESS, hardness_ug_per_l, pick(system, "mg/L", "gpg"))
}

/// Exchange: g or kg CaCO3; grains or, from 1000 gr on, kilograins.
pub fn exchange(exchange_ug: u64, system: UnitSystem) -> Shown {
    let name = match system {
        UnitSystem::Metric if exchange_ug < 1_000_000_000 => "g",
        UnitSystem::Metric => "kg",
        UnitSystem::Us if exchange_ug < 64_798_910 => "gr",
        UnitSystem::Us => "kgr",
    };
    Shown { suffix: pick(system, " CaCO3", ""), ..shown(&EXCHANGE, exchange_ug, name) }
}

/// Exchange capacity per resin volume: g/L CaCO3 or kgr/ft³.
pub fn capacity_per_volume(capacity_ug_per_l: u64, system: UnitSystem) -> Shown {
    Shown {
        suffix: pick(system, " CaCO3", ""),
        ..shown(&CAPACITY_PER_VOLUME, capacity_ug_per_l, pick(system, "g/L", "kgr/ft3"))
    }
}

/// Flow: L/min or gpm.
pub fn flow(flow_ml_per_min: u64, system: UnitSystem) -> Shown {
    shown(&FLOW, flow_ml_per_min, pick(system, "L/min", "gpm"))
}

/// Mass: g, from 1 kg on kg; pounds.
pub fn mass(mass_mg: u64, system: UnitSystem) -> Shown {
    let metric = if mass_mg < 1_000_000 { "g" } else { "kg" };
    shown(&MASS, mass_mg, pick(system, metric, "lb"))
}

/// Salt dose per resin volume: g/L or lb/ft³.
pub fn mass_per_volume(mass_mg_per_l: u64, system: UnitSystem) -> Shown {
    shown(&MASS_PER_VOLUME, mass_mg_per_l, pick(system, "g/L", "lb/ft3"))
}

/// Salt that refill water takes up: g/L or lb/gal.
pub fn salt_per_water(mass_mg_per_l: u64, system: UnitSystem) -> Shown {
    shown(&MASS_PER_VOLUME, mass_mg_per_l, pick(system, "g/L", "lb/gal"))
}

/// A share in per cent.
pub fn share(share_ppm: u32) -> Shown {
    shown(&SHARE, u64::from(share_ppm), "%")
}

/// Litres to the nanolitre, always nine decimals and no unit: for files that other programs read.
pub fn litres_exact(volume_nl: u128) -> String {
    let (litres, rest) = (volume_nl / 1_000_000_000, volume_nl % 1_000_000_000);
    format!("{litres}.{rest:09}")
}

/// The whole duration, exactly: "3 d 4 h", "12 min 30 s", "1.25 s".
pub fn duration(duration_ms: u64) -> String {
    const PARTS: [(u64, &str); 3] = [(86_400_000, "d"), (3_600_000, "h"), (60_000, "min")];
    let mut rest_ms = duration_ms;
    let mut words = Vec::new();
    for (size_ms, name) in PARTS {
        if rest_ms >= size_ms {
            words.push(format!("{} {name}", rest_ms / size_ms));
            rest_ms %= size_ms;
        }
    }
    if rest_ms > 0 || words.is_empty() {
        let seconds = format!("{}.{:03}", rest_ms / 1_000, rest_ms % 1_000);
        let short = seconds.trim_end_matches('0').trim_end_matches('.');
        words.push(format!("{short} s"));
    }
    words.join(" ")
}

/// The duration rounded to its two leading parts: "3 d 4 h" for anything near it.
pub fn duration_brief(duration_ms: u64) -> String {
    let step_ms = match duration_ms {
        0..10_000 => return duration(duration_ms),
        10_000..3_600_000 => 1_000,
        3_600_000..86_400_000 => 60_000,
        _ => 3_600_000,
    };
    let rounded_ms = duration_ms.saturating_add(step_ms / 2) / step_ms * step_ms;
    duration(rounded_ms)
}

/// A time of day, "02:00", with seconds only when there are any.
pub fn clock(since_midnight_ms: u32) -> String {
    let seconds = since_midnight_ms / 1_000;
    let (hour, minute, second) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    if second == 0 { format!("{hour:02}:{minute:02}") } else { format!("{hour:02}:{minute:02}:{second:02}") }
}

/// A limit for a message, in the dimension's first unit.
pub(super) fn limit(dimension: &'static Dimension, base: u64) -> String {
    let unit = dimension.units.first();
    if std::ptr::eq(dimension, &raw const DURATION) {
        return duration_brief(base);
    }
    unit.map_or_else(|| base.to_string(), |unit| Shown { base, unit, suffix: "" }.to_string())
}

fn pick(system: UnitSystem, metric: &'static str, us: &'static str) -> &'static str {
    match system {
        UnitSystem::Metric => metric,
        UnitSystem::Us => us,
    }
}

fn shown(dimension: &'static Dimension, base: u64, name: &str) -> Shown {
    // A test shows every quantity, so a name that is in no table is noticed there.
    static BASE: Unit = Unit { names: &["base units"], size: (1, 1) };
    Shown { base, unit: find(dimension, name).unwrap_or(&BASE), suffix: "" }
}

/// Decimals that leave four significant digits, never fewer than the digits before the point.
fn usual_decimals(base: u64, unit: &Unit) -> u32 {
    let value = Exact::from_integer(u128::from(base)) / unit.exact();
    match value.to_integer() {
        0 => 4,
        1..10 => 3,
        10..100 => 2,
        100..1000 => 1,
        _ => 0,
    }
}

fn decimal(base: u64, unit: &Unit, decimals: u32, trim: bool) -> String {
    let value = Exact::from_integer(u128::from(base)) / unit.exact();
    let mut decimals = decimals;
    let (numerator, factor) = loop {
        let factor = 10_u128.pow(decimals);
        match value.numer().checked_mul(factor) {
            Some(numerator) => break (numerator, factor),
            None => decimals = decimals.saturating_sub(1),
        }
    };
    let denominator = *value.denom();
    let remainder = numerator % denominator;
    let digits = numerator / denominator + u128::from(remainder >= denominator - remainder);
    let integer = grouped(digits / factor);
    if decimals == 0 {
        return integer;
    }
    let text = format!("{integer}.{:0width$}", digits % factor, width = decimals as usize);
    if trim { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Groups of three digits with a space between, from five digits on.
fn grouped(value: u128) -> String {
    let plain = value.to_string();
    if plain.len() < 5 {
        return plain;
    }
    let mut text = String::with_capacity(plain.len() + plain.len() / 3);
    for (index, digit) in plain.chars().enumerate() {
        if index > 0 && (plain.len() - index).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}
