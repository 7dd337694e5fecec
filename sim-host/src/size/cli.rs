//! `bedkeeper size`: where the numbers come from, and whether they fit.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use serde_json::json;

use super::figures::{Figure, Verdict, figures};
use super::findings::{Finding, Severity, digits, findings};
use super::inputs::{G_PER_LB, Inputs, L_PER_FT3, M_PER_FT, MG_L_PER_GPG, MG_PER_GR, ML_PER_GAL, NotASoftener, WhatIf};
use super::page;
use crate::cli::{EXIT_BAD_INPUT, EXIT_NO, Style, Units, is_stdout, keep_apart, load_site, print, printable};
use crate::quantity;
use crate::quantity::show::UnitSystem;

/// The figures of a site: where each comes from, its published limits, and whether the settings fit each other
///
/// SITE is a site file (TOML), `-` for standard input, or a bundled one such as demo:apartments.
///
/// Examples:
///   bedkeeper size demo:apartments
///   bedkeeper size site.toml --hardness 25gpg --dose 8lb/ft3 --use 6m3
///   bedkeeper size site.toml --sweep 4..15:1 --html sizing.html
///
/// Exit code 0: nothing is wrong, or only worth a warning or a note. 1: a mistake: settings that do not fit each other. 2:
/// bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct SizeArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments
    site: String,
    /// What if the feed were so hard? ("25 gpg", "428 mg/L")
    #[arg(long, value_parser = hardness)]
    hardness: Option<f64>,
    /// What if a regeneration took so much salt per resin? ("8 lb/ft3", "128 g/L"); the capacity stays as it is
    #[arg(long, value_parser = dose)]
    dose: Option<f64>,
    /// What if a regeneration restored so much per resin? ("20 kgr/ft3")
    #[arg(long, value_parser = capacity)]
    capacity: Option<f64>,
    /// Water used a day, for the figures of a year ("5 m3", "1300 gal")
    #[arg(long = "use", value_parser = volume, value_name = "VOLUME")]
    daily_use: Option<f64>,
    /// The largest flow ("55 L/min"); the meter's rated flow if neither this nor the site says
    #[arg(long, value_parser = flow)]
    peak: Option<f64>,
    /// Hardness wanted behind the blending bypass ("80 mg/L")
    #[arg(long, value_parser = hardness, value_name = "HARDNESS")]
    target: Option<f64>,
    /// Doses to try on the resin bed, "4..15:1" lb/ft3 or "64..240:16 g/L": capacity, salt and leakage of each
    #[arg(long, value_name = "DOSES", value_parser = super::sweep::parse)]
    sweep: Option<super::sweep::Doses>,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
    /// Write a page with every figure, finding and, of a sweep, the curves; `-` prints it instead. A page of an earlier run
    /// is replaced
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Units of the answer, if not those of the site file
    #[arg(long, value_enum)]
    units: Option<Units>,
}

fn hardness(text: &str) -> Result<f64, String> {
    base(quantity::parse_hardness_ug_per_l(text)).map(|ug| ug / 1e3 / MG_L_PER_GPG)
}

fn dose(text: &str) -> Result<f64, String> {
    base(quantity::parse_mass_per_volume_mg_per_l(text)).map(|mg| mg / 1e3 / G_PER_LB * L_PER_FT3)
}

fn capacity(text: &str) -> Result<f64, String> {
    base(quantity::parse_capacity_per_volume_ug_per_l(text)).map(|ug| ug / 1e3 / MG_PER_GR * L_PER_FT3)
}

fn volume(text: &str) -> Result<f64, String> {
    base(quantity::parse_volume_nl(text)).map(|nl| nl / 1e6 / ML_PER_GAL)
}

fn flow(text: &str) -> Result<f64, String> {
    base(quantity::parse_flow_ml_per_min(text)).map(|ml| ml / ML_PER_GAL)
}

/// More than nothing, in base units.
fn base(read: Result<impl Into<u64>, quantity::QuantityError>) -> Result<f64, String> {
    match read.map(Into::into) {
        Ok(0) => Err("must be more than zero".to_owned()),
        Ok(value) => Ok(value as f64),
        Err(error) => Err(error.to_string()),
    }
}

/// Runs the verb.
#[must_use]
pub fn run(args: &SizeArgs, style: &Style) -> ExitCode {
    let page_goes = args.html.as_deref().map(|path| ("--html", path));
    if let Err(why) = keep_apart(&[("the site", Path::new(&args.site))], page_goes.as_slice()) {
        complain!("bedkeeper size: {why}");
        return ExitCode::from(EXIT_BAD_INPUT);
    }
    let site = match load_site(&args.site, style) {
        Ok(site) => site,
        Err(code) => return code,
    };
    let what_if = WhatIf {
        hardness_gpg: args.hardness,
        dose_lb_ft3: args.dose,
        capacity_gr_ft3: args.capacity,
        use_gal_day: args.daily_use,
        peak_gpm: args.peak,
        target_gpg: args.target,
    };
    let inputs = match Inputs::of(&site, &what_if) {
        Ok(inputs) => inputs,
        Err(NotASoftener) => {
            complain!("bedkeeper size: {} is a filter: sizing reckons with resin, salt and hardness", args.site);
            return ExitCode::from(EXIT_BAD_INPUT);
        }
    };
    let figures = figures(&inputs);
    let units = args.units.map_or(site.units, Units::system);
    let findings = findings(&inputs, &figures, units);
    let swept = args.sweep.as_ref().map(|doses| super::sweep::run(&site, &inputs, doses));
    let swept = match swept.transpose() {
        Ok(swept) => swept,
        Err(error) => {
            complain!("bedkeeper size: the resin bed cannot be reckoned: {error}");
            return ExitCode::from(EXIT_BAD_INPUT);
        }
    };
    let mut instead = None;
    if let Some(path) = &args.html {
        let page = page::render(&site.name, units, &figures, &findings, swept.as_deref());
        let written = page.map_err(|error| error.to_string()).and_then(|page| {
            if is_stdout(path) {
                instead = Some(page);
                return Ok(());
            }
            std::fs::write(path, page).map_err(|error| error.to_string())
        });
        if let Err(error) = written {
            complain!("bedkeeper size: {} could not be written: {error}", path.display());
            return ExitCode::from(EXIT_BAD_INPUT);
        }
    }
    let text = if let Some(page) = instead {
        page
    } else if args.json {
        as_json(&site.name, &figures, &findings, swept.as_deref())
    } else {
        readable(&printable(&site.name), units, &figures, &findings, swept.as_deref(), style)
    };
    let code = print(&text);
    if let Some(path) = args.html.as_ref().filter(|path| !args.json && !is_stdout(path)) {
        complain!("written: {}", path.display());
    }
    let wrong = findings.iter().any(|finding| finding.severity == Severity::Mistake);
    if wrong && code == ExitCode::SUCCESS { ExitCode::from(EXIT_NO) } else { code }
}

fn as_json(site: &str, figures: &[Figure], findings: &[Finding], swept: Option<&[super::sweep::Tried]>) -> String {
    let figures: Vec<_> = figures
        .iter()
        .map(|f| {
            json!({"id": f.id, "name": f.name, "value": f.value, "unit": f.unit, "formula": f.formula,
                "source": f.source, "low": f.low, "high": f.high, "verdict": f.verdict().slug()})
        })
        .collect();
    let findings: Vec<_> =
        findings.iter().map(|f| json!({"id": f.id, "severity": f.severity.slug(), "text": f.text})).collect();
    let mut all = json!({"site": site, "figures": figures, "findings": findings});
    if let (Some(swept), Some(object)) = (swept, all.as_object_mut()) {
        let tried: Vec<_> = swept
            .iter()
            .map(|t| {
                json!({"dose_lb_per_ft3": t.dose_lb_ft3, "capacity_gr_per_ft3": t.capacity_gr_ft3,
                    "salt_per_kgr_lb": t.lb_per_kgr(), "leakage_mean_mg_l": t.leakage_mg_l})
            })
            .collect();
        object.insert("sweep".to_owned(), tried.into());
    }
    format!("{all:#}\n")
}

/// A value in the units that a person reads; the formulas keep the units of their sources.
pub(crate) fn shown(value: f64, unit: &'static str, units: UnitSystem) -> (f64, &'static str) {
    if units == UnitSystem::Us {
        return match unit {
            "g/L" => (value / G_PER_LB * L_PER_FT3, "lb/ft3"),
            other => (value, other),
        };
    }
    match unit {
        "gal" => (value * ML_PER_GAL / 1e3, "L"),
        "gpm" => (value * ML_PER_GAL / 1e3, "L/min"),
        "lb" => (value * G_PER_LB / 1e3, "kg"),
        "ft" => (value * M_PER_FT, "m"),
        "psi" => (value * super::inputs::PA_PER_PSI / 1e3, "kPa"),
        "gr" => (value * MG_PER_GR / 1e3, "g CaCO3"),
        "gr/lb" => (value * MG_PER_GR / G_PER_LB, "g CaCO3/kg"),
        "gr/ft3" => (value * MG_PER_GR / 1e3 / L_PER_FT3, "g CaCO3/L"),
        "gpm/ft3" => (value * ML_PER_GAL / 1e3 / L_PER_FT3, "L/min per L"),
        "lb/ft3" => (value * G_PER_LB / L_PER_FT3, "g/L"),
        "lb/kgr" => (value * G_PER_LB / MG_PER_GR, "kg/kg CaCO3"),
        "gal/kgr" => (value * ML_PER_GAL / MG_PER_GR, "L/kg CaCO3"),
        other => (value, other),
    }
}

/// What stands beside a figure: its limits and how it stands to them.
pub(crate) fn judged(figure: &Figure, units: UnitSystem) -> String {
    let limit = |value: f64| digits(shown(value, figure.unit, units).0);
    let range = match (figure.low, figure.high) {
        (Some(low), Some(high)) => format!("{} to {}", limit(low), limit(high)),
        (Some(low), None) => format!("at least {}", limit(low)),
        (None, Some(high)) => format!("at most {}", limit(high)),
        (None, None) => return String::new(),
    };
    let verdict = match figure.verdict() {
        Verdict::Below => "below: ",
        Verdict::Above => "above: ",
        Verdict::Within | Verdict::NoLimit => "",
    };
    format!("{verdict}{range}")
}

fn readable(
    site: &str,
    units: UnitSystem,
    figures: &[Figure],
    findings: &[Finding],
    swept: Option<&[super::sweep::Tried]>,
    style: &Style,
) -> String {
    let mut text = format!("{}\n\n", style.bold(site));
    for figure in figures {
        let (value, unit) = shown(figure.value, figure.unit, units);
        let judged = judged(figure, units);
        let judged =
            if matches!(figure.verdict(), Verdict::Below | Verdict::Above) { style.alarm(&judged) } else { judged };
        text += &format!("{:34} {:>10} {:12} {judged}\n", figure.name, digits(value), unit);
        text += &format!("{:34}   = {}\n{:34}   {}\n", "", figure.formula, "", figure.source);
    }
    if let Some(swept) = swept {
        text += "\ndose on the resin bed, by the model of the bed (a real bed gives less)\n";
        let names = ["lb/ft3", "gr/ft3", "lb/kgr"].map(|unit| shown(0.0, unit, units).1);
        text += &format!("{:>9} {:>12} {:>12}  leakage, mg/L\n", names[0], names[1], names[2]);
        for tried in swept {
            let [dose, capacity, salt] = tried.told(units);
            text += &format!("{dose:9.2} {capacity:12.1} {salt:12.3} {:14.2}\n", tried.leakage_mg_l);
        }
    }
    text += "\n";
    for finding in findings {
        let word = finding.severity.slug();
        let word = if finding.severity == Severity::Note { word.to_owned() } else { style.alarm(word) };
        text += &format!("{word}: {}\n", finding.text);
    }
    text += CAUTIONS;
    text
}

pub(super) const CAUTIONS: &str = "\n\
Figures for planning, certified by nobody. Pressure, brine, mains voltage and drinking water can hurt people: local \
plumbing, electrical and discharge codes and licensed practice come first. Softened water carries added sodium.\n";
