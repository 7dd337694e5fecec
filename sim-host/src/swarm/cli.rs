//! `bedkeeper swarm`: lives by the seed.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use clap::Args;
use indicatif::ProgressBar;
use serde::Serialize;

use super::{Found, Life};
use crate::cli::output::{site_from, unmade};
use crate::cli::{EXIT_BAD_INPUT, EXIT_NO, Style, load_site, print};

/// Seconds of a year of 365.25 days.
const YEAR_S: u64 = 31_557_600;

/// Live many invented lives: sites, water and everything that can go wrong, by the seed
///
/// For 16 days valves fail, power goes, contacts close, the clock is wrong and operators do what they may, while the checker of
/// rehearsals looks on. Then all is mended, and within 12 days every tank must be back at work (S9): none asked for four days ago
/// still waits, none was away from service and standby for four days, no regeneration is without end, and somebody serves. Each seed is one
/// life, the same on every machine. What is found is made as short as shows it and written as a scenario.
///
/// Examples:
///   bedkeeper swarm --seeds 400
///   bedkeeper swarm demo:apartments --seeds 100 --from 1000 --out found
///
/// Exit code 0: nothing was found. 1: a rule was seen broken, or a plant was stuck. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct SwarmArgs {
    /// The site: a file, or a bundled one such as demo:apartments [each seed invents its own]
    site: Option<String>,
    /// How many lives
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u64).range(1..))]
    seeds: u64,
    /// The first seed
    #[arg(long, value_name = "SEED", default_value_t = 0)]
    from: u64,
    /// Draw sites with other drives, windows, backup days and weekdays as well
    #[arg(long, conflicts_with = "site")]
    varied: bool,
    /// Folder for the scenarios of what is found; what stands there under the same name is replaced
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Violation {
    seed: u64,
    rule: String,
    text: String,
    scenario: String,
}

#[derive(Serialize)]
struct Report {
    seeds: u64,
    simulated_s: u64,
    violations: Vec<Violation>,
}

/// Runs the verb.
pub fn run(args: &SwarmArgs, style: &Style) -> ExitCode {
    let site = match args.site.as_deref().map(|name| load_site(name, style).map(|site| (site, name))).transpose() {
        Ok(site) => site,
        Err(code) => return code,
    };
    let refused = |why: &str| {
        complain!("bedkeeper swarm: {why}");
        ExitCode::from(EXIT_BAD_INPUT)
    };
    if args.from.checked_add(args.seeds - 1).is_none() {
        let most = u64::MAX - args.from + 1;
        return refused(&format!("--from {}: seeds end at {}; give --seeds {most} at the most", args.from, u64::MAX));
    }
    // Before long work, not after it.
    if let Err(error) = std::fs::create_dir_all(&args.out) {
        return refused(&unmade(&args.out, &error));
    }
    let site = site.map(|(site, name)| (site, site_from(name, &args.out)));
    let bar = if style.progress { ProgressBar::new(args.seeds) } else { ProgressBar::hidden() };
    let next = AtomicU64::new(0);
    let report = Mutex::new(Report { seeds: 0, simulated_s: 0, violations: Vec::new() });
    let failure = Mutex::new(None);
    // A panic is found and told; what it would print itself is left out.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    if place >= args.seeds {
                        return;
                    }
                    let seed = args.from + place;
                    let life = match &site {
                        Some((site, name)) => Some(Life::at_site(seed, site, name)),
                        None if args.varied => Life::varied(seed),
                        None => Life::invented(seed),
                    };
                    if let Some(life) = life {
                        let violation = see(&life, args).unwrap_or_else(|error| {
                            *failure.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(error);
                            None
                        });
                        let mut report = report.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                        report.seeds += 1;
                        report.simulated_s += life.seconds();
                        report.violations.extend(violation);
                    }
                    bar.inc(1);
                }
            });
        }
    });
    std::panic::set_hook(hook);
    bar.finish_and_clear();
    if let Some(error) = failure.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner) {
        return refused(&error);
    }
    let mut report = report.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    report.violations.sort_by_key(|violation| violation.seed);
    tell(&report, args)
}

/// Lives a life; what was found is shortened and written.
fn see(life: &Life, args: &SwarmArgs) -> Result<Option<Violation>, String> {
    let found = life.live();
    let (rule, text) = match &found {
        Found::Nothing => return Ok(None),
        Found::Broken { rule, text, .. } => (rule.clone(), text.clone()),
        Found::Stuck(stuck) => ("S9".to_owned(), stuck.to_string()),
        Found::Failed(why) => ("the program".to_owned(), why.clone()),
    };
    let shortest = life.shortened(&found);
    let file = args.out.join(format!("swarm-{}.toml", life.seed));
    std::fs::write(&file, shortest.text(&shortest.live()))
        .map_err(|error| format!("{}: cannot be written: {error}", file.display()))?;
    Ok(Some(Violation { seed: life.seed, rule, text, scenario: file.display().to_string() }))
}

fn tell(report: &Report, args: &SwarmArgs) -> ExitCode {
    let text = if args.json {
        serde_json::to_string(report).unwrap_or_default() + "\n"
    } else {
        let mut text = String::new();
        for Violation { seed, rule, text: seen, scenario } in &report.violations {
            text += &format!("seed {seed}: {rule}: {seen}\n  bedkeeper verify {scenario}\n");
        }
        let years = report.simulated_s as f64 / YEAR_S as f64;
        let found = match report.violations.len() {
            0 if report.seeds == 0 => "no site that was drawn is sound".to_owned(),
            0 => "nothing was found".to_owned(),
            n => format!("{n} of them went wrong"),
        };
        text + &format!(
            "{} lives, {} simulated seconds ({years:.1} years): {found}\n",
            report.seeds, report.simulated_s
        )
    };
    let printed = print(&text);
    if report.violations.is_empty() { printed } else { ExitCode::from(EXIT_NO) }
}
