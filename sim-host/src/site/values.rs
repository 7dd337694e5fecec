//! One value at a time: quantities, choices, whole numbers, each with its fault.

use std::ops::RangeInclusive;

use bedkeeper::calendar::{Weekday, Weekdays};
use bedkeeper::lock::LockRule;
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};
use toml::de::DeValue;

use super::reader::{Entry, Reader};
use crate::quantity::units::nearest_name;
use crate::quantity::{self, QuantityError, UnitSystem, WeekdaySet, show};

const DAY_MS: u64 = 86_400_000;
const MINUTE_MS: u32 = 60_000;

/// A quantity of the whole, or one per volume of resin.
pub(crate) enum PerTankOrVolume {
    /// For a whole tank, in the base unit.
    PerTank(u64),
    /// Per litre of resin, in the base unit per litre.
    PerLitre(u64),
}

impl PerTankOrVolume {
    /// The quantity of a tank with so much resin, rounded to the base unit; nothing if it is beyond 64 bits.
    pub fn in_tank(&self, resin: Volume) -> Option<u64> {
        match *self {
            Self::PerTank(whole) => Some(whole),
            Self::PerLitre(per_litre) => {
                let nano = u128::from(per_litre) * u128::from(resin.nl());
                u64::try_from((nano + 500_000_000) / 1_000_000_000).ok()
            }
        }
    }
}

impl Entry<'_> {
    /// What kind of value this is, in words.
    fn stands_here(&self) -> &'static str {
        match self.value.get_ref() {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a section",
        }
    }

    /// The text of the value, if it is a text.
    pub fn as_text(&self) -> Option<&str> {
        match self.value.get_ref() {
            DeValue::String(text) => Some(text),
            _ => None,
        }
    }

    /// Whether the value is this word, in any case.
    pub fn is_word(&self, word: &str) -> bool {
        self.as_text().is_some_and(|text| text.trim().eq_ignore_ascii_case(word))
    }

    /// The value is of the wrong kind.
    pub fn wrong_type(&self, r: &mut Reader<'_>, needed: &str, help: impl Into<String>) {
        r.fail(self, format!("needs {needed}, and here stands {}", self.stands_here()), help);
    }

    /// What opens a lock.
    pub fn lock_rule(&self, r: &mut Reader<'_>) -> Option<LockRule> {
        let text = self.text(r)?;
        let mut words = text.split_whitespace();
        let rule = match (words.next(), words.next(), words.next()) {
            (Some("open"), None, _) => Some(LockRule::Open),
            (Some("press"), None, _) => Some(LockRule::Press),
            (Some("code"), Some(code), None) => code.parse().ok().map(LockRule::Code),
            _ => None,
        };
        if rule.is_none() {
            r.fail(
                self,
                format!("\"{text}\" opens no lock"),
                "\"open\", \"press\", or \"code\" and a number up to 4294967295",
            );
        }
        rule
    }

    /// A text.
    pub fn text(&self, r: &mut Reader<'_>) -> Option<String> {
        let text = self.as_text().map(str::to_owned);
        if text.is_none() {
            self.wrong_type(r, "a text", "put it in quotes");
        }
        text
    }

    /// A quantity: a text, or a bare number or time as far as `parse` can make sense of it.
    pub fn quantity<T>(&self, r: &mut Reader<'_>, parse: impl Fn(&str) -> Result<T, QuantityError>) -> Option<T> {
        let text = match self.value.get_ref() {
            DeValue::String(text) => text,
            DeValue::Integer(_) | DeValue::Float(_) | DeValue::Datetime(_) => r.written(self.value.span()),
            _ => {
                let help = parse("").err().map(|error| error.help()).unwrap_or_default();
                self.wrong_type(r, "a text with a number and a unit", help);
                return None;
            }
        };
        match parse(text) {
            Ok(value) => Some(value),
            Err(error) => {
                r.fail(self, error.message(), error.help());
                None
            }
        }
    }

    /// A base-unit value in the 32 bits that the settings keep.
    fn in_32_bits(&self, r: &mut Reader<'_>, value: u64, limit: impl std::fmt::Display) -> Option<u32> {
        let narrow = u32::try_from(value).ok();
        if narrow.is_none() {
            r.fail(self, format!("is above {limit}, the most that settings keep"), format!("at most {limit}"));
        }
        narrow
    }

    /// A length of time.
    pub fn millis(&self, r: &mut Reader<'_>) -> Option<Millis> {
        let ms = self.quantity(r, quantity::parse_duration_ms)?;
        self.in_32_bits(r, ms, "49 days").map(Millis)
    }

    /// A whole number of days up to 255.
    pub fn days(&self, r: &mut Reader<'_>, ms: u64) -> Option<u8> {
        let days = u8::try_from(ms / DAY_MS).ok().filter(|_| ms.is_multiple_of(DAY_MS));
        if days.is_none() {
            r.fail(self, format!("{} is no whole number of days up to 255", show::duration(ms)), "such as \"4 days\"");
        }
        days
    }

    /// Minute of the day.
    pub fn minute_of_day(&self, r: &mut Reader<'_>) -> Option<u16> {
        let ms = self.quantity(r, quantity::parse_clock_ms)?;
        let minute = u16::try_from(ms / MINUTE_MS).ok().filter(|_| ms.is_multiple_of(MINUTE_MS));
        if minute.is_none() {
            r.fail(self, "has seconds", "times of day are whole minutes, such as \"02:00\"");
        }
        minute
    }

    /// A set of weekdays.
    pub fn weekdays(&self, r: &mut Reader<'_>) -> Option<Weekdays> {
        self.quantity(r, quantity::parse_weekdays).map(weekdays)
    }

    /// A volume of water or resin.
    pub fn volume(&self, r: &mut Reader<'_>) -> Option<Volume> {
        self.quantity(r, quantity::parse_volume_nl).map(Volume)
    }

    /// A hardness.
    pub fn hardness(&self, r: &mut Reader<'_>) -> Option<Hardness> {
        let value = self.quantity(r, quantity::parse_hardness_ug_per_l)?;
        let limit = show::hardness(u64::from(u32::MAX), UnitSystem::Metric);
        self.in_32_bits(r, value, limit).map(Hardness)
    }

    /// A flow.
    pub fn flow(&self, r: &mut Reader<'_>) -> Option<Flow> {
        let value = self.quantity(r, quantity::parse_flow_ml_per_min)?;
        let limit = show::flow(u64::from(u32::MAX), UnitSystem::Metric);
        self.in_32_bits(r, value, limit).map(Flow)
    }

    /// A share in steps of one per mille.
    pub fn per_mille(&self, r: &mut Reader<'_>) -> Option<u16> {
        let ppm = self.quantity(r, quantity::parse_share_ppm)?;
        let per_mille = u16::try_from(ppm / 1_000).ok().filter(|_| ppm.is_multiple_of(1_000));
        if per_mille.is_none() {
            r.fail(self, format!("{} is finer than 0.1 %", show::share(ppm)), "such as \"12.5 %\"");
        }
        per_mille
    }

    /// Whole per cent, also above a hundred.
    pub fn percent(&self, r: &mut Reader<'_>) -> Option<u16> {
        let ppm = self.quantity(r, quantity::parse_percentage_ppm)?;
        let percent = u16::try_from(ppm / 10_000).ok().filter(|_| ppm.is_multiple_of(10_000));
        if percent.is_none() {
            r.fail(self, "is no whole number of per cent", "such as \"200 %\"");
        }
        percent
    }

    /// An exchange capacity of a tank or per volume of resin.
    pub fn capacity(&self, r: &mut Reader<'_>) -> Option<PerTankOrVolume> {
        if self.is_per_volume() {
            return self.quantity(r, quantity::parse_capacity_per_volume_ug_per_l).map(PerTankOrVolume::PerLitre);
        }
        self.quantity(r, quantity::parse_exchange_ug).map(PerTankOrVolume::PerTank)
    }

    /// A mass of salt for a tank or per volume of resin.
    pub fn dose(&self, r: &mut Reader<'_>) -> Option<PerTankOrVolume> {
        if self.is_per_volume() {
            return self.quantity(r, quantity::parse_mass_per_volume_mg_per_l).map(PerTankOrVolume::PerLitre);
        }
        self.quantity(r, quantity::parse_mass_mg).map(PerTankOrVolume::PerTank)
    }

    fn is_per_volume(&self) -> bool {
        self.as_text().is_some_and(|text| text.contains('/') || text.contains(" per "))
    }

    /// An exchange of a tank with so much resin.
    pub fn exchange_in(&self, r: &mut Reader<'_>, resin: Volume) -> Option<Exchange> {
        let whole = self.capacity(r)?.in_tank(resin);
        if whole.is_none() {
            r.fail(self, "is more than can be counted in this much resin", "check the capacity and the resin volume");
        }
        whole.map(Exchange)
    }

    /// The salt of a regeneration of a tank with so much resin.
    pub fn salt_in(&self, r: &mut Reader<'_>, resin: Volume) -> Option<SaltMass> {
        let whole = self.dose(r)?.in_tank(resin).unwrap_or(u64::MAX);
        let limit = show::mass(u64::from(u32::MAX), UnitSystem::Metric);
        self.in_32_bits(r, whole, limit).map(SaltMass)
    }

    /// True or false.
    pub fn flag(&self, r: &mut Reader<'_>) -> Option<bool> {
        match self.value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            _ => {
                self.wrong_type(r, "true or false", "write true or false, without quotes");
                None
            }
        }
    }

    /// A whole number within a range.
    pub fn whole<T>(&self, r: &mut Reader<'_>, range: RangeInclusive<T>) -> Option<T>
    where
        T: TryFrom<i64> + PartialOrd + std::fmt::Display,
    {
        let right = format!("a whole number from {} to {}", range.start(), range.end());
        let DeValue::Integer(integer) = self.value.get_ref() else {
            self.wrong_type(r, "a whole number", format!("write {right}, without quotes"));
            return None;
        };
        let digits = integer.as_str().replace('_', "");
        let value = i64::from_str_radix(&digits, integer.radix()).ok().and_then(|value| T::try_from(value).ok());
        let value = value.filter(|value| range.contains(value));
        if value.is_none() {
            r.fail(self, format!("`{}` is out of range", integer.as_str()), format!("write {right}"));
        }
        value
    }

    /// One of several words.
    pub fn choice<T: Copy>(&self, r: &mut Reader<'_>, choices: &[(&'static str, T)]) -> Option<T> {
        let words = || choices.iter().map(|(word, _)| *word);
        let all = || words().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(", ");
        let Some(text) = self.as_text() else {
            self.wrong_type(r, "a word in quotes", format!("write one of {}", all()));
            return None;
        };
        let found = choices.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        if found.is_none() {
            let shown: String =
                text.chars().take(60).map(|c| if crate::terminal::steers(c) { '\u{fffd}' } else { c }).collect();
            let help = match nearest_name(text, words()) {
                Some(near) => format!("did you mean \"{near}\"? The choices are {}", all()),
                None => format!("write one of {}", all()),
            };
            r.fail(self, format!("`{shown}` is none of the choices"), help);
        }
        found
    }
}

/// Weekdays as the settings keep them.
fn weekdays(set: WeekdaySet) -> Weekdays {
    let mut days = Weekdays::EMPTY;
    for (number, day) in (0..).zip(Weekday::ALL) {
        if set.contains(number) {
            days.insert(*day);
        }
    }
    days
}
