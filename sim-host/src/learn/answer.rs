//! A trainee's answer against what is true.

use super::ask::Truth;
use crate::quantity::{self, UnitSystem, show};
use crate::scenario::Days;

/// How near a moment must come, unless the question says otherwise.
const MOMENT_TOLERANCE_MS: u64 = 5 * 60_000;
/// The same for a quantity, in millionths of it.
const QUANTITY_TOLERANCE_PPM: u32 = 50_000;

/// How an answer fared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It is so.
    Right,
    /// It is not so.
    Wrong,
}

/// An answer that cannot be read as one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    /// It is no moment, number or quantity.
    #[error("\"{given}\" cannot be read as {wanted}; write {example}")]
    Unreadable {
        /// What was written.
        given: String,
        /// What is asked for.
        wanted: &'static str,
        /// How it is written.
        example: &'static str,
    },
    /// A name that does not exist: likely a slip of the pen, so it is not counted as a wrong answer.
    #[error("there is no name \"{given}\" here{}; what can be answered: {}", guess(nearest), names.join(", "))]
    UnknownName {
        /// What was written.
        given: String,
        /// The names that look like it.
        nearest: Vec<&'static str>,
        /// Every name that can be answered.
        names: Vec<&'static str>,
    },
}

fn guess(nearest: &[&'static str]) -> String {
    if nearest.is_empty() { String::new() } else { format!("; did you mean {}?", nearest.join(" or ")) }
}

/// The names that a word may have been meant for, the likeliest first.
fn nearest(word: &str, names: &[&'static str]) -> Vec<&'static str> {
    /// Less alike is no guess.
    const ALIKE: f64 = 0.8;
    let alike = |name: &&'static str| (strsim::jaro_winkler(word, name), *name);
    let mut found: Vec<_> = names.iter().map(alike).filter(|(likeness, _)| *likeness >= ALIKE).collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().take(3).map(|(_, name)| name).collect()
}

impl Truth {
    /// What kind of answer is wanted, with an example.
    #[must_use]
    pub fn wanted(&self) -> (&'static str, &'static str) {
        match self {
            Self::Moment(_) => ("a moment", "\"day 2 02:00\" (day 1 is the day of the start) or \"+26 h\""),
            Self::Words(_) => ("names", "as ? lists them, with commas between, or \"none\""),
            Self::Count(_) => ("a number", "a number such as 3"),
            Self::Volume(_) => ("a volume", "a volume with its unit, such as \"1200 L\" or \"320 gal\""),
            Self::Mass(_) => ("a weight", "a weight with its unit, such as \"8 kg\" or \"18 lb\""),
        }
    }

    /// The truth in words.
    #[must_use]
    pub fn show(&self, days: Days) -> String {
        match self {
            Self::Moment(ms) => days.show(*ms),
            Self::Words(words) if words.is_empty() => "none".to_owned(),
            Self::Words(words) => words.join(", "),
            Self::Count(count) => count.to_string(),
            Self::Volume(nl) => show::volume(*nl, UnitSystem::Metric).to_string(),
            Self::Mass(mg) => show::mass(*mg, UnitSystem::Metric).to_string(),
        }
    }
}

/// How an answer fares; `names` are those that can be answered, `tolerance` replaces the usual one.
pub(super) fn judge(
    given: &str,
    truth: &Truth,
    names: &[&'static str],
    tolerance: Option<&str>,
    days: Days,
) -> Result<Outcome, AnswerError> {
    let (wanted, example) = truth.wanted();
    let unreadable = || AnswerError::Unreadable { given: given.trim().to_owned(), wanted, example };
    let near = |value: u64, truth: u64| {
        let ppm = tolerance.and_then(|text| quantity::parse_percentage_ppm(text).ok());
        let allowed = u128::from(truth) * u128::from(ppm.unwrap_or(QUANTITY_TOLERANCE_PPM)) / 1_000_000;
        u128::from(value.abs_diff(truth)) <= allowed
    };
    let right = match truth {
        Truth::Moment(ms) => {
            let value = days.parse(given).map_err(|_| unreadable())?;
            let allowed = tolerance.and_then(|text| quantity::parse_duration_ms(text).ok());
            value.abs_diff(*ms) <= allowed.unwrap_or(MOMENT_TOLERANCE_MS)
        }
        Truth::Words(words) => {
            let lower = given.to_lowercase();
            let parts = lower.split([',', ';']).flat_map(|part| part.split(" and "));
            let mut said: Vec<String> = parts.map(|part| part.trim().replace(' ', "-")).collect();
            said.retain(|word| !word.is_empty());
            if said.is_empty() {
                return Err(unreadable());
            }
            if let Some(word) = said.iter().find(|word| !names.contains(&word.as_str())) {
                let (nearest, names) = (nearest(word, names), names.to_vec());
                return Err(AnswerError::UnknownName { given: word.clone(), nearest, names });
            }
            said.retain(|word| word != "none");
            said.sort();
            said.dedup();
            let mut so: Vec<&str> = words.iter().copied().filter(|word| *word != "none").collect();
            so.sort_unstable();
            said == so
        }
        Truth::Count(count) => given.trim().parse::<u64>().map_err(|_| unreadable())? == *count,
        Truth::Volume(nl) => near(quantity::parse_volume_nl(given.trim()).map_err(|_| unreadable())?, *nl),
        Truth::Mass(mg) => near(quantity::parse_mass_mg(given.trim()).map_err(|_| unreadable())?, *mg),
    };
    Ok(if right { Outcome::Right } else { Outcome::Wrong })
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAYS: fn() -> Days = || Days::of(Some(jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0)));

    fn fares(given: &str, truth: &Truth) -> Option<bool> {
        judge(given, truth, &["drain-busy", "blackout", "hold-off", "none"], None, DAYS())
            .ok()
            .map(|outcome| outcome == Outcome::Right)
    }

    #[test]
    fn an_unknown_name_is_told_with_what_it_may_have_been() {
        let names = ["blackout", "would-enter-blackout", "hold-off", "none"];
        let told = |given| judge(given, &Truth::Words(vec!["blackout"]), &names, None, DAYS()).unwrap_err().to_string();
        let all = "; what can be answered: blackout, would-enter-blackout, hold-off, none";
        assert_eq!(
            told("hold-off, Blakout"),
            format!("there is no name \"blakout\" here; did you mean blackout?{all}")
        );
        assert_eq!(told("zzz"), format!("there is no name \"zzz\" here{all}"));
    }

    #[test]
    fn answers_are_read_as_people_write_them() {
        let night = Truth::Moment(26 * 3_600_000);
        for (given, fared) in [
            ("day 2 02:00", Some(true)),
            (" day 2 02:04 ", Some(true)),
            ("+26 h", Some(true)),
            ("day 2 02:06", Some(false)),
            ("at night", None),
            ("", None),
        ] {
            assert_eq!(fares(given, &night), fared, "{given}");
        }
        let holds = Truth::Words(vec!["drain-busy", "blackout"]);
        assert_eq!(fares("Blackout and drain busy", &holds), Some(true));
        assert_eq!(fares("blackout", &holds), Some(false), "every one is asked for");
        assert_eq!(fares("blackout, drain-busy, hold-off", &holds), Some(false), "and no other");
        assert_eq!(fares("none", &Truth::Words(vec![])), Some(true));
        assert_eq!(fares("blackout", &Truth::Words(vec![])), Some(false));
        assert_eq!(fares("blackuot", &holds), None, "a slip of the pen is no answer");
        assert_eq!(fares(" , ", &holds), None);
        assert_eq!(fares("3", &Truth::Count(3)), Some(true));
        assert_eq!(fares("three", &Truth::Count(3)), None);
        let volume = Truth::Volume(1_000_000_000_000);
        assert_eq!(fares("1.04 m3", &volume), Some(true));
        assert_eq!(fares("1060 L", &volume), Some(false));
        assert_eq!(fares("1000", &volume), None, "a quantity needs its unit");
        assert_eq!(fares("8 kg", &Truth::Mass(8_160_000)), Some(true));
    }
}
