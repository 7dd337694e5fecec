//! The beginnings of a site file: the questions, what is usual, and the file that follows from the answers.

use std::path::{Path, PathBuf};

use clap::ValueEnum;

use crate::quantity::{self, QuantityError, UnitSystem, show};
use crate::site;

/// How the tanks share the work.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// One tank.
    #[default]
    Single,
    /// Two tanks that take turns.
    Alternating,
    /// All tanks serve; one at a time regenerates.
    Parallel,
    /// Tanks join as the flow rises.
    Staged,
}

/// What has been answered so far, in base units.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answers {
    /// What people call the site.
    pub name: String,
    units: UnitSystem,
    kind: Kind,
    tanks: u8,
    hardness_ug_l: u64,
    resin_nl: u64,
    vessel_um: u64,
    dose_mg_l: u64,
    use_nl: u64,
    peak_ml_min: u64,
    pulse: String,
    at_hour: bool,
    /// As it stands in the file; `None` = reckoned from the use.
    reserve: Option<String>,
    hour: String,
    backup: String,
}

impl Answers {
    /// How many tanks the site has.
    #[must_use]
    pub fn tanks(&self) -> u8 {
        self.tanks
    }
}

/// One question.
pub struct Question {
    /// Its flag.
    pub name: &'static str,
    /// The question.
    pub asks: &'static str,
    /// What it means and what is usual.
    pub explains: &'static str,
    /// Whether it is asked at all.
    pub applies: fn(&Answers) -> bool,
    /// What is taken where nothing is said.
    pub usual: fn(&Answers) -> Option<String>,
    /// Takes an answer.
    pub answer: fn(&mut Answers, &str) -> Result<(), String>,
}

fn always(_: &Answers) -> bool {
    true
}

fn nothing(_: &Answers) -> Option<String> {
    None
}

fn words(result: Result<u64, QuantityError>, low: u64, high: u64, range: &str) -> Result<u64, String> {
    match result {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        Ok(_) => Err(format!("that is beyond what is sensible: {range}")),
        Err(error) => Err(error.to_string()),
    }
}

/// The questions, in the order in which they are asked.
pub const QUESTIONS: &[Question] = &[
    Question {
        name: "name",
        asks: "What is the site called?",
        explains: "It heads every report and the hand-over sheet, such as \"House by the mill\".",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            if text.is_empty() || text.len() > 48 || text.contains(['"', '\\']) {
                return Err("1 to 48 letters, without quotation marks".to_owned());
            }
            text.clone_into(&mut a.name);
            Ok(())
        },
    },
    Question {
        name: "units",
        asks: "Metric or US units?",
        explains: "The file and the reports are written in these; every answer may use either.",
        applies: always,
        usual: |_| Some("metric".to_owned()),
        answer: |a, text| {
            a.units = match text {
                "metric" => UnitSystem::Metric,
                "us" => UnitSystem::Us,
                _ => return Err("\"metric\" or \"us\"".to_owned()),
            };
            Ok(())
        },
    },
    Question {
        name: "arrangement",
        asks: "How do the tanks share the work?",
        explains: "single: one tank, untreated water while it regenerates. alternating: two take turns. parallel: all serve, one at a time regenerates. staged: tanks join as the flow rises.",
        applies: always,
        usual: |_| Some("single".to_owned()),
        answer: |a, text| {
            a.kind = Kind::from_str(text, true).map_err(|_| "single, alternating, parallel or staged".to_owned())?;
            a.tanks = if a.kind == Kind::Single { 1 } else { 2 };
            Ok(())
        },
    },
    Question {
        name: "tanks",
        asks: "How many tanks?",
        explains: "2 to 8, all alike.",
        applies: |a| matches!(a.kind, Kind::Parallel | Kind::Staged),
        usual: |_| Some("2".to_owned()),
        answer: |a, text| {
            a.tanks = text.parse().ok().filter(|n| (2..=8).contains(n)).ok_or("a whole number from 2 to 8")?;
            Ok(())
        },
    },
    Question {
        name: "hardness",
        asks: "Hardness of the feed?",
        explains: "As CaCO3, from a water analysis: \"20 gpg\", \"342 mg/L\", \"19 °dH\". Very hard is above 180 mg/L (USGS).",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            let read = quantity::parse_hardness_ug_per_l(text);
            a.hardness_ug_l = words(read, 10_000, 3_000_000, "10 to 3 000 mg/L")?;
            Ok(())
        },
    },
    Question {
        name: "resin",
        asks: "How much resin in each tank?",
        explains: "Settled volume: \"3 ft3\", \"85 L\". Service runs at 1 to 5 gpm per ft3 (trade article, 2004).",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            let read = quantity::parse_volume_nl(text);
            a.resin_nl = words(read, 5_000_000_000, 20_000_000_000_000, "5 L to 20 m3")?;
            Ok(())
        },
    },
    Question {
        name: "vessel",
        asks: "Inner diameter of each tank?",
        explains: "The bed should stand at least 3 ft deep (35 Ill. Adm. Code 604.805): \"14 in\", \"36 cm\".",
        applies: always,
        usual: |a| {
            // Deep enough for the 3 ft of the code: 0.92 m.
            let area_m2 = a.resin_nl as f64 * 1e-12 / 0.92;
            let m = (4.0 * area_m2 / std::f64::consts::PI).sqrt();
            let (length, unit) = if a.units == UnitSystem::Us { (m / 0.025_4, "in") } else { (m * 100.0, "cm") };
            Some(format!("{:.1} {unit}", (length * 10.0).floor() / 10.0))
        },
        answer: |a, text| {
            a.vessel_um = diameter_um(text)?;
            Ok(())
        },
    },
    Question {
        name: "dose",
        asks: "How much salt for a regeneration, per resin?",
        explains: "80 to 160 g/L is usual (Davis, p. 8-19); 6 lb/ft3 with 20 kgr/ft3 is what 35 Ill. Adm. Code 604.805 goes with.",
        applies: always,
        usual: |a| Some(if a.units == UnitSystem::Us { "6 lb/ft3" } else { "96 g/L" }.to_owned()),
        answer: |a, text| {
            let read = quantity::parse_mass_per_volume_mg_per_l(text);
            a.dose_mg_l = words(read, 40_000, 400_000, "40 to 400 g/L (2.5 to 25 lb/ft3)")?;
            Ok(())
        },
    },
    Question {
        name: "use",
        asks: "How much water is used a day?",
        explains: "From bills or a meter: \"900 L\", \"240 gal\". In homes about 58.6 gal a person (Residential End Uses of Water, 2016, from memory).",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            a.use_nl =
                words(quantity::parse_volume_nl(text), 1_000_000_000, 10_000_000_000_000_000, "1 L to 10 000 m3")?;
            Ok(())
        },
    },
    Question {
        name: "peak",
        asks: "What is the largest flow?",
        explains: "With several taps open at once: \"30 L/min\", \"8 gpm\". At most 7 gpm per ft2 of a tank (35 Ill. Adm. Code 604.805).",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            let flow = quantity::parse_flow_ml_per_min(text);
            a.peak_ml_min = words(flow, 1_000, 10_000_000, "1 to 10 000 L/min")?;
            Ok(())
        },
    },
    Question {
        name: "pulse",
        asks: "What does the meter send?",
        explains: "Volume of one pulse or pulses of a volume, from its plate: \"10 L\", \"100 pulses/L\", \"1 gal\".",
        applies: always,
        usual: nothing,
        answer: |a, text| {
            quantity::parse_pulse_volume(text).map_err(|error| error.to_string())?;
            text.clone_into(&mut a.pulse);
            Ok(())
        },
    },
    Question {
        name: "start",
        asks: "When may a regeneration begin?",
        explains: "immediate: as soon as nothing holds it, for tanks that relieve each other. at-hour: at the regeneration hour, when little water is used.",
        applies: always,
        usual: |a| Some(if a.kind == Kind::Single { "at-hour" } else { "immediate" }.to_owned()),
        answer: |a, text| {
            a.at_hour = match text {
                "at-hour" => true,
                "immediate" => false,
                _ => return Err("\"immediate\" or \"at-hour\"".to_owned()),
            };
            Ok(())
        },
    },
    Question {
        name: "reserve",
        asks: "How much of each tank is kept back in reserve?",
        explains: "fixed: a day's use where regenerations wait for the hour, a little where they do not. learned: follows the use of each weekday, once seven days are known; a day on which power failed teaches nothing. Or your own: \"500 L\", \"15 %\", \"none\".",
        applies: always,
        usual: |_| Some("fixed".to_owned()),
        answer: |a, text| {
            let is_share = text.contains('%');
            a.reserve = match text {
                "fixed" => None,
                "learned" | "none" => Some(text.to_owned()),
                _ if is_share && quantity::parse_share_ppm(text).is_ok() => Some(text.to_owned()),
                _ if !is_share && quantity::parse_volume_nl(text).is_ok() => Some(text.to_owned()),
                _ => {
                    return Err(
                        "\"fixed\", \"learned\", \"none\", a volume such as \"500 L\" or a share such as \"15 %\""
                            .to_owned(),
                    );
                }
            };
            Ok(())
        },
    },
    Question {
        name: "hour",
        asks: "The regeneration hour?",
        explains: "Also for backup days. Less than 4 % of indoor use falls between 02:00 and 05:00 (Mayer 1999).",
        applies: always,
        usual: |_| Some("02:00".to_owned()),
        answer: |a, text| {
            quantity::parse_clock_ms(text).map_err(|error| error.to_string())?;
            text.clone_into(&mut a.hour);
            Ok(())
        },
    },
    Question {
        name: "backup",
        asks: "After how many days does a bed regenerate whatever has passed?",
        explains: "Against stagnation; 3 to 7 days are usual (common practice). \"off\" for never.",
        applies: always,
        usual: |_| Some("7 days".to_owned()),
        answer: |a, text| {
            let days = text.strip_suffix("days").or_else(|| text.strip_suffix("day")).unwrap_or(text).trim();
            let fits = text == "off" || days.parse::<u8>().is_ok_and(|days| (1..=99).contains(&days));
            if !fits {
                return Err("\"off\" or 1 to 99 days, such as \"7 days\"".to_owned());
            }
            a.backup = if text == "off" { text.to_owned() } else { format!("{days} days") };
            Ok(())
        },
    },
];

fn diameter_um(text: &str) -> Result<u64, String> {
    let wrong = || format!("\"{text}\" is no diameter: write \"36 cm\", \"360 mm\", \"14 in\" or \"4 ft\"");
    let at = text.find(|c: char| c.is_alphabetic()).ok_or_else(wrong)?;
    let (number, unit) = text.split_at(at);
    let um = match unit.trim() {
        "mm" => 1e3,
        "cm" => 1e4,
        "m" => 1e6,
        "in" => 25_400.0,
        "ft" => 304_800.0,
        _ => return Err(wrong()),
    };
    let value = number.trim().parse::<f64>().ok().filter(|v| v.is_finite()).ok_or_else(wrong)? * um;
    if !(50_000.0..=5_000_000.0).contains(&value) {
        return Err("that is beyond what is sensible: 5 cm to 5 m".to_owned());
    }
    Ok(value.round() as u64)
}

/// A diameter as it stands in the file.
fn diameter(um: u64, units: UnitSystem) -> String {
    match units {
        UnitSystem::Metric => format!("{} mm", (um as f64 / 1e3).round()),
        UnitSystem::Us => format!("{} in", (um as f64 / 2_540.0).round() / 10.0),
    }
}

const L_PER_FT3: f64 = 28.316_846_592;
const ML_PER_GAL: f64 = 3_785.411_784;
/// A grain is 64 798.91 ug.
const UG_PER_KGR: f64 = 64_798.91e3;

/// Writes the site file, and reads it back to be sure that it is one.
///
/// # Errors
/// Answers that do not fit each other, in the words of the site reader.
pub fn write(a: &Answers) -> Result<String, String> {
    let text = compose(a);
    site::parse("the new site", &text).map_err(|errors| format!("these answers do not fit each other:\n{errors}"))?;
    Ok(text)
}

/// Where the first rehearsal of a site goes: `site.toml` has `site-rehearsal.toml`.
#[must_use]
pub fn rehearsal_beside(site: &Path) -> PathBuf {
    let stem = site.file_stem().map_or_else(|| "site".into(), |stem| stem.to_string_lossy());
    site.with_file_name(format!("{stem}-rehearsal.toml"))
}

/// A first rehearsal of the site: three weeks of generated use, what may be expected of any sound plant, and a short
/// power cut to show how events are written.
#[must_use]
pub fn write_rehearsal(a: &Answers, site: &Path) -> String {
    let file = site.file_name().map_or_else(|| "site.toml".into(), |name| name.to_string_lossy());
    let profile = if a.use_nl > 2_000_000_000_000 { "apartments" } else { "household" };
    let a_day = show::volume(a.use_nl, a.units);
    format!(
        r#"# A first rehearsal: `bedkeeper verify` runs it and tells which expectations are met.
# Add what your building does, what may fail, and what you expect then.
scenario = "Three ordinary weeks and a short power cut"
about = "A first rehearsal, begun by `bedkeeper new`. The water use is invented: draws of the size that you stated."
starts = "2027-03-01T00:00"
lasts = "21 days"
site = {file:?}

[demand]
profile = "{profile}"
per_day = "{a_day}"
seed = 1

# Power fails for five minutes on the fourth day.
[[event]]
at = "day 4 12:00"
power = {{ off = "5 min" }}

# A tank regenerates to the end, more than once in three weeks or not.
[[expect]]
within = ["day 1 00:00", "day 21 23:59"]
ended = "complete"

# Nobody gets hard water because a tank was used beyond its capacity.
[[expect]]
never = true
raised = "overrun"

[[expect]]
never = true
raised = "valve-lost"
"#
    )
}

fn compose(a: &Answers) -> String {
    let flow = |ml_min: f64| show::flow(ml_min.round() as u64, a.units).to_string();
    let minutes = |min: f64| format!("{} min", min.ceil().max(1.0));
    let resin_l = a.resin_nl as f64 / 1e9;
    let resin_ft3 = resin_l / L_PER_FT3;
    let area_ft2 = std::f64::consts::FRAC_PI_4 * (a.vessel_um as f64 / 304_800.0).powi(2);
    let dose_lb_ft3 = a.dose_mg_l as f64 / 1e3 * L_PER_FT3 / 453.592_37;
    // Common practice, from memory: 6, 10 and 15 lb/ft3 give about 20, 24 and 30 kgr/ft3.
    let capacity = match dose_lb_ft3 {
        d if d <= 6.0 => 20.0 * d / 6.0,
        d if d <= 10.0 => 20.0 + (d - 6.0),
        d => (24.0 + 1.2 * (d - 10.0)).min(30.0),
    };
    let capacity_shown = show::capacity_per_volume((capacity * UG_PER_KGR / L_PER_FT3).round() as u64, a.units);
    let doses_give = match a.units {
        UnitSystem::Metric => "96, 160, 240 g/L give 46, 55, 69 g/L of CaCO3",
        UnitSystem::Us => "6, 10, 15 lb/ft3 give 20, 24, 30 kgr/ft3",
    };
    let backwash = 7.0 * area_ft2 * ML_PER_GAL;
    let draw_gpm = 0.30 * resin_ft3;
    // 10 % brine holds 0.894 lb a gallon.
    let draw_min = dose_lb_ft3 * resin_ft3 / 0.894 / draw_gpm;
    let slow_min = 12.0 * resin_ft3 / draw_gpm;
    let fast_gpm = 1.75 * resin_ft3;
    let fast_min = 50.0 / 1.75;
    // The dose's water in about a quarter of an hour.
    let refill_gpm = dose_lb_ft3 * resin_ft3 / 2.99 / 15.0;
    let day_l = a.use_nl as f64 / 1e9;
    let tanks = f64::from(a.tanks.max(1));
    let serving = if matches!(a.kind, Kind::Parallel | Kind::Staged) { tanks } else { 1.0 };
    let capacity_l = capacity * UG_PER_KGR * resin_ft3 / a.hardness_ug_l as f64;
    let reserve_l = if a.at_hour {
        (day_l / serving).min(capacity_l * 0.5)
    } else {
        (day_l * 0.05 / serving).min(capacity_l * 0.2)
    };
    let fixed = || {
        let volume = show::volume((reserve_l * 1e9).round() as u64, a.units);
        let why = "delayed starts: a day's use; immediate ones: a little (common practice)";
        format!("keep = \"{volume}\"                  # {why}")
    };
    let reserve = match a.reserve.as_deref() {
        None => fixed(),
        Some("learned") => {
            "keep = \"learned\"                  # follows the use of each weekday: the mean and 2 mean \
                            deviations, once seven days are known"
                .to_owned()
        }
        Some(own) => format!("keep = \"{own}\""),
    };
    let arrangement = match a.kind {
        Kind::Single => "single",
        Kind::Alternating => "alternating",
        Kind::Parallel => "parallel",
        Kind::Staged => "staged",
    };
    let number = if a.tanks > 2 || serving > 1.0 { format!("number = {}\n", a.tanks) } else { String::new() };
    let staged = if a.kind == Kind::Staged {
        let each = a.peak_ml_min as f64 / tanks;
        let joins: Vec<_> = (1..a.tanks).map(|n| format!("\"{}\"", flow(each * f64::from(n)))).collect();
        format!("\n[sharing]\n# A further tank joins above each of these flows.\njoin_above = [{}]\n", joins.join(", "))
    } else {
        String::new()
    };
    format!(
        r#"# Begun by `bedkeeper new`. Every key and what it means: sim-host/demo/apartments.toml and house.toml of the sources.
# Figures are estimates to begin with: `bedkeeper size` shows where each comes from and what does not fit.
# Pressure, brine, mains voltage and drinking water: local codes and licensed practice come first.

[site]
name = "{name}"
note = ""                           # who to call, where the shut-off is
units = "{units}"

[tanks]
arrangement = "{arrangement}"
{number}{staged}
[water]
hardness = "{hardness}"             # from a water analysis
use_per_day = "{a_day}"             # for sizing
peak_flow = "{peak}"                # for sizing

[resin]
volume = "{resin}"                  # in each tank
# About what this dose restores (common practice, from memory: {doses_give}).
capacity = "{capacity_shown}"

[brine]
dose = "{dose}"                     # 80 to 160 g/L is usual (Davis, p. 8-19)
refill_flow = "{refill}"            # the dose's water in about 15 min

[meter]
pulse = "{pulse}"
rated_max = "{rated}"               # a quarter more than the largest flow

[reserve]
{reserve}

[start]
when = "{when}"
hour = "{hour}"

[calendar]
backup_after = "{backup}"           # against stagnation (common practice)

[program]
preset = "co-current"
# 7 gpm/ft2, between the 6 and 8 of 35 Ill. Adm. Code 604.805.
backwash = {{ length = "10 min", drain = "{backwash}" }}
# 10 % brine at 0.30 gpm/ft3 (trade press, 2014: 0.25 to 0.40).
brine_draw = {{ length = "{draw_min}", drain = "{draw}" }}
# 12 gal/ft3 (UFC 3-240-13FN: 7.5 to 22.5).
slow_rinse = {{ length = "{slow_min}", drain = "{draw}" }}
# 1.75 gpm/ft3, 50 gal/ft3 (UFC 3-240-13FN: 1.5 to 2, 35 to 100).
fast_rinse = {{ length = "{fast_min}", drain = "{fast}" }}

[valve]
# A motor turns a cam with a switch for each position. Name the positions in the order in which they are passed.
drive = "cam-switch"
positions = ["service", "backwash", "brine-draw", "fast-rinse", "brine-refill", "standby"]

[plant]
vessel_diameter = "{vessel}"
"#,
        name = a.name,
        units = if a.units == UnitSystem::Us { "us" } else { "metric" },
        hardness = show::hardness(a.hardness_ug_l, a.units),
        a_day = show::volume(a.use_nl, a.units),
        peak = flow(a.peak_ml_min as f64),
        resin = show::resin_volume(a.resin_nl, a.units),
        dose = show::mass_per_volume(a.dose_mg_l, a.units),
        refill = flow(refill_gpm * ML_PER_GAL),
        pulse = a.pulse,
        rated = flow(a.peak_ml_min as f64 * 1.25),
        when = if a.at_hour { "at-hour" } else { "immediate" },
        hour = a.hour,
        backup = a.backup,
        backwash = flow(backwash),
        draw_min = minutes(draw_min),
        draw = flow(draw_gpm * ML_PER_GAL),
        slow_min = minutes(slow_min),
        fast_min = minutes(fast_min),
        fast = flow(fast_gpm * ML_PER_GAL),
        vessel = diameter(a.vessel_um, a.units),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answered(pairs: &[(&str, &str)]) -> Answers {
        let mut answers = Answers::default();
        for question in QUESTIONS.iter().filter(|q| q.name != "tanks") {
            let given = pairs.iter().find(|(name, _)| *name == question.name).map(|(_, text)| (*text).to_owned());
            let text = given.or_else(|| (question.usual)(&answers)).unwrap_or_else(|| panic!("{}", question.name));
            (question.answer)(&mut answers, &text).unwrap_or_else(|why| panic!("{}: {why}", question.name));
        }
        answers
    }

    const HOUSE: &[(&str, &str)] = &[
        ("name", "Mill"),
        ("hardness", "20 gpg"),
        ("resin", "2 ft3"),
        ("use", "900 L"),
        ("peak", "30 L/min"),
        ("pulse", "1 L"),
    ];

    #[test]
    fn the_usual_answers_make_a_site() {
        for extra in [&[][..], &[("units", "us")], &[("arrangement", "alternating"), ("start", "immediate")]] {
            let pairs: Vec<_> = HOUSE.iter().chain(extra).copied().collect();
            let text = write(&answered(&pairs)).unwrap_or_else(|why| panic!("{why}"));
            assert!(text.contains("Mill"));
        }
    }

    /// R1: a reserve that follows use can be begun with, and one's own.
    #[test]
    fn the_reserve_is_as_it_was_answered() {
        use bedkeeper::settings::{RawLearned, Reserve};
        use bedkeeper::units::Volume;
        let expected = [
            ("learned", Reserve::Learned(RawLearned::usual())),
            ("none", Reserve::None),
            ("15 %", Reserve::Share(150)),
            ("500 L", Reserve::Fixed(Volume::from_litres(500))),
            ("fixed", Reserve::Fixed(Volume::from_litres(900))),
        ];
        for (answer, reserve) in expected {
            let pairs: Vec<_> = [("reserve", answer)].into_iter().chain(HOUSE.iter().copied()).collect();
            let text = write(&answered(&pairs)).unwrap_or_else(|why| panic!("{why}"));
            let site = crate::site::parse("mill.toml", &text).unwrap_or_else(|why| panic!("{why}"));
            assert_eq!(site.raw.reserve, reserve, "{answer}");
        }
    }

    /// What `new` writes beside a site can be read with it, and is met.
    #[test]
    fn the_first_rehearsal_is_met() {
        for extra in [
            &[][..],
            &[("units", "us")],
            &[("arrangement", "alternating"), ("use", "4 m3")],
            &[("reserve", "learned")],
            &[("reserve", "20 %"), ("start", "immediate")],
        ] {
            // What comes first wins.
            let pairs: Vec<_> = extra.iter().chain(HOUSE).copied().collect();
            let answers = answered(&pairs);
            let folder = tempfile::tempdir().expect("a folder");
            let site = folder.path().join("mill.toml");
            std::fs::write(&site, write(&answers).expect("a site")).expect("written");
            let path = rehearsal_beside(&site);
            assert_eq!(path.file_name().expect("a name"), "mill-rehearsal.toml");
            let scenario = crate::scenario::parse(&path, &write_rehearsal(&answers, &site)).expect("a scenario");
            let verdict = crate::scenario::run(&scenario).expect("runs");
            assert!(verdict.is_met(), "{}", crate::scenario::readable(&[verdict], str::to_owned));
        }
    }

    #[test]
    fn answers_out_of_range_say_what_is_sensible() {
        let mut answers = Answers::default();
        let refuse = |answers: &mut Answers, name: &str, text: &str| {
            let question = QUESTIONS.iter().find(|q| q.name == name).expect(name);
            (question.answer)(answers, text).expect_err(text)
        };
        assert!(refuse(&mut answers, "hardness", "5000 gpg").contains("sensible"));
        assert!(refuse(&mut answers, "hardness", "hard").contains("hard"));
        assert!(refuse(&mut answers, "vessel", "14").contains("in"));
        assert!(refuse(&mut answers, "backup", "0 days").contains("7 days"));
        assert!(refuse(&mut answers, "reserve", "500").contains("\"learned\""));
        assert!(refuse(&mut answers, "reserve", "half").contains("\"15 %\""));
        assert!(refuse(&mut answers, "name", "a\"b").contains("quotation"));
    }
}
