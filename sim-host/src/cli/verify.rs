//! `bedkeeper verify`: does each rehearsal meet what it expects?

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};

use super::{EXIT_BAD_INPUT, EXIT_NO, Style, keep_apart, print};
use crate::plant::Fault;
use crate::scenario::{self, Days, Scenario, Verdict};

/// Run scenarios and say whether each meets what it expects
///
/// SCENARIO is a file (TOML) or a folder, whose .toml files are all taken: a site, its water, what happens to it, and
/// what is expected. Every scenario also expects that no rule is broken, as seen by the independent checker.
///
/// Examples:
///   bedkeeper verify tests/scenarios
///   bedkeeper verify night.toml --json
///   bedkeeper verify tests/scenarios --coverage
///   bedkeeper verify night.toml --journal
///
/// Exit code 0: all was met. 1: something was missed. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment, after_long_help = faults_in_words())]
pub struct VerifyArgs {
    /// Scenario files, or folders of them
    #[arg(required = true, value_name = "SCENARIO")]
    scenarios: Vec<PathBuf>,
    /// Print the verdict as JSON
    #[arg(long, conflicts_with = "coverage")]
    json: bool,
    /// Also print which causes, holds, duties, steps and alarms were reached, and by how many scenarios
    #[arg(long)]
    coverage: bool,
    /// First print all that the logic wrote while each scenario ran
    #[arg(long, conflicts_with = "json")]
    journal: bool,
    /// Write the verdict as JUnit XML, for build servers
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
}

/// The faults that a scenario can name.
fn faults_in_words() -> String {
    format!("Faults of a tank's valve that a scenario can name: {}.", Fault::SPELLINGS.join(", "))
}

/// Runs the verb.
pub fn run(args: &VerifyArgs, style: &Style) -> ExitCode {
    match verify(args, style) {
        Ok(verdicts) => report(&verdicts, args, style),
        Err(text) => {
            complain!("{}", text.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

fn report(verdicts: &[Verdict], args: &VerifyArgs, style: &Style) -> ExitCode {
    if let Some(path) = &args.junit {
        let written = scenario::junit(verdicts).map_err(|e| e.to_string());
        if let Err(why) = written.and_then(|text| std::fs::write(path, text).map_err(|e| e.to_string())) {
            complain!("{}: cannot be written: {why}", path.display());
            return ExitCode::from(EXIT_BAD_INPUT);
        }
    }
    let text =
        if args.json { scenario::json(verdicts) } else { scenario::readable(verdicts, |word| style.alarm(word)) };
    let table = if args.coverage { scenario::coverage_table(verdicts) } else { String::new() };
    let printed = print(&(text + &table));
    if verdicts.iter().all(Verdict::is_met) { printed } else { ExitCode::from(EXIT_NO) }
}

/// Reads every scenario, so that all faults show at once, then runs them; `Err` is a text for people.
fn verify(args: &VerifyArgs, style: &Style) -> Result<Vec<Verdict>, String> {
    let mut files = Vec::new();
    for path in &args.scenarios {
        let found = scenario::files(path).map_err(|e| format!("{}: cannot be read: {e}", path.display()))?;
        if found.is_empty() {
            return Err(format!("{}: no scenario (.toml) in this folder", path.display()));
        }
        files.extend(found);
    }
    let read: Vec<_> = files.iter().map(|file| ("a scenario", file.as_path())).collect();
    keep_apart(&read, args.junit.as_deref().map(|path| ("--junit", path)).as_slice())?;
    let mut scenarios = Vec::new();
    let mut faults = String::new();
    for file in &files {
        match scenario::load(file) {
            Ok(scenario) => scenarios.push(scenario),
            Err(errors) => faults.push_str(&errors.render(style.colour_errors)),
        }
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    if args.journal {
        return scenarios.iter().map(told).collect();
    }
    let bar = progress_bar(scenarios.len() as u64, style);
    let verdicts = scenario::run_all(&scenarios, || bar.inc(1));
    bar.finish_and_clear();
    verdicts.map_err(|error| error.to_string())
}

/// Runs a scenario and prints what the logic wrote meanwhile.
fn told(scenario: &Scenario) -> Result<Verdict, String> {
    let (verdict, timeline) = scenario::run_whole(scenario).map_err(|error| error.to_string())?;
    let days = Days::of(scenario.start);
    let lines = timeline.told(0..timeline.records.len(), days).into_iter().map(|line| format!("  {line}\n"));
    print(&format!("{}\n{}\n", scenario.file, lines.collect::<String>()));
    Ok(verdict)
}

fn progress_bar(scenarios: u64, style: &Style) -> ProgressBar {
    if !style.progress {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(scenarios);
    if let Ok(look) = ProgressStyle::with_template("rehearsing {wide_bar} {pos}/{len} {eta}") {
        bar.set_style(look);
    }
    bar
}
