//! `bedkeeper demand`: makes recordings.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use jiff::civil::DateTime;

use super::output::Target;
use super::show::{self, Layout};
use super::{Demand, Facts, PerfectMeter, Profile, Size, Statistics, Summary, since_midnight_ms, weekday};
use crate::cli::{EXIT_BAD_INPUT, Style, print};
use crate::quantity::{self, PulseVolume};
use crate::recording::Entry;

const DAY_MS: u64 = 86_400_000;

/// Make a recording of water use from a profile
///
/// PROFILE is one of household, apartments, hotel, laundry, restaurant, school, boiler-make-up, constant, leak. Draws
/// begin at random moments, denser at the hours and on the days at which water is used; the same seed gives the same
/// bytes everywhere. The profiles are invented for rehearsal: nothing in them was measured.
///
/// Without -o nothing is written: the figures show what would be. A name ending in .gz or .zst is packed, one with .vcd
/// is a value change dump, anything else is CSV (`t_s,pulses`).
///
/// Examples:
///   bedkeeper demand hotel --rooms 60 --days 28 --seed 7 --meter "10 L" -o hotel.csv.gz
///   bedkeeper demand household --people 3 --meter "1 gal" -o house.csv
///   bedkeeper demand laundry --per-day "9 m3" --json
///
/// Exit code 0: done. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct DemandArgs {
    /// How water is used
    #[arg(value_enum, hide_possible_values = true)]
    profile: Profile,
    /// Where the recording goes; `-` for standard output, and the figures then go to standard error
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long)]
    force: bool,
    /// How many days
    #[arg(long, default_value_t = 14, value_parser = clap::value_parser!(u32).range(1..=36_500))]
    days: u32,
    /// The same seed gives the same recording
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// The meter's pulse: "10 L", "100 pulses/L", "1 gal"
    #[arg(long, default_value = "1 L", value_name = "PULSE")]
    meter: String,
    /// Local time at which it starts; a Monday where nothing is said
    #[arg(long, default_value = "2027-03-01T00:00", value_name = "YYYY-MM-DDTHH:MM")]
    start: DateTime,
    /// Size: mean water of a day ("5 m3", "1300 gal")
    #[arg(long, value_name = "VOLUME", group = "size")]
    per_day: Option<String>,
    /// Size: people who live, eat or learn there
    #[arg(long, group = "size")]
    people: Option<u32>,
    /// Size: rooms of a hotel
    #[arg(long, group = "size")]
    rooms: Option<u32>,
    /// Print the figures as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &DemandArgs, style: &Style) -> ExitCode {
    match demand(args, style) {
        Ok(code) => code,
        Err(why) => {
            eprintln!("bedkeeper demand: {}", why.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

fn pulse(text: &str) -> Result<PulseVolume, String> {
    quantity::parse_pulse_volume(text).map_err(|error| format!("--meter: {error}"))
}

fn demand(args: &DemandArgs, style: &Style) -> Result<ExitCode, String> {
    let meter = pulse(&args.meter)?;
    let per_day = args.per_day.as_deref().map(quantity::parse_volume_nl).transpose();
    let per_day = per_day.map_err(|error| format!("--per-day: {error}"))?;
    let size = Size { ml_a_day: per_day.map(|nl| nl / 1_000_000), people: args.people, rooms: args.rooms };
    let name = args.profile.slug();
    let (ml_a_day, sized) = size.of(args.profile).map_err(|why| format!("{name} {why}"))?;
    let demand = Demand {
        profile: args.profile,
        ml_a_day,
        seed: args.seed,
        leak: None,
        since_midnight_ms: since_midnight_ms(args.start),
        weekday: weekday(args.start),
        until_ms: u64::from(args.days) * DAY_MS,
    };
    let facts = Facts {
        comments: vec![format!(
            "invented water use: {name}, {sized}, {} day{}, seed {}; made by bedkeeper demand, nothing was measured",
            args.days,
            if args.days == 1 { "" } else { "s" },
            args.seed
        )],
        pulse: Some(args.meter.trim().to_owned()),
        start: Some(args.start),
        ..Facts::default()
    };
    let mut target = args.output.as_deref().map(|path| Target::open(path, args.force, &facts)).transpose()?;
    let mut statistics = Statistics::new(Some(meter), Some(args.start));
    for pulses in PerfectMeter::new(demand.draws(), meter) {
        statistics.add(&pulses);
        if let Some(target) = &mut target {
            target.write(&Entry::Pulses(pulses))?;
        }
    }
    let to_stdout = target.as_ref().is_some_and(Target::is_stdout);
    if let Some(target) = target {
        target.finish()?;
    }
    let summary = statistics.finish(Some(demand.until_ms));
    let heading = format!("{name}, {sized}, seed {}", args.seed);
    report(&heading, &summary, args.json, args.output.as_deref(), to_stdout, style)
}

/// Prints the figures, on standard error where the recording took standard output.
fn report(
    heading: &str,
    summary: &Summary,
    json: bool,
    written: Option<&Path>,
    to_stdout: bool,
    style: &Style,
) -> Result<ExitCode, String> {
    let mut text = if json {
        serde_json::to_string_pretty(summary).map_err(|error| error.to_string())? + "\n"
    } else {
        show::figures(heading, summary, &Layout::brief(style))
    };
    match written {
        _ if json => {}
        Some(path) if !to_stdout => {
            let _ = writeln!(text, "written: {}", path.display());
        }
        Some(_) => {}
        None => text.push_str("nothing written; -o FILE writes the recording\n"),
    }
    if to_stdout {
        if style.progress || json {
            eprint!("{text}");
        }
        return Ok(ExitCode::SUCCESS);
    }
    Ok(print(&text))
}
