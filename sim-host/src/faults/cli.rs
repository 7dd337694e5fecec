//! `bedkeeper faults`: the fault table, proved at a site.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::Args;
use indicatif::ProgressBar;
use serde::Serialize;

use super::{Campaign, Plan, RowResult, Table, Tried};
use crate::cli::output::{site_from, unmade};
use crate::cli::{EXIT_BAD_INPUT, EXIT_NO, Style, load_site, print};
use crate::quantity::parse_duration_ms;

/// Scenarios written of one row, or pair of rows, and one rule; more are listed in the JSON only.
const SCENARIOS_EACH: usize = 3;

/// Break each part of a plant in each way at each moment, and see whether what is promised is kept
///
/// The fault table says of each component how it fails, what the logic promises then, and which alarm a person sees; the
/// handbook prints it. Here every row that the site can have is made to happen on the real controller: in service, in every
/// step of a regeneration, on every way of a valve, afterwards, and as power returns in each step. The checker of rehearsals
/// looks on, the promised alarm must come in its time, and when all is mended every tank must regenerate again within two
/// days (S9). With two tanks every two rows are tried together, at some of their moments. Power is cut before and after every
/// call of a regeneration that did something, in four ways, and at every byte of what is stored.
///
/// Verdicts: "kept", perhaps but for rules that the table says cannot be promised then; "deviation", with scenarios that
/// `verify` misses; "told": no rule can know of it, so that nothing can be
/// run, and the table says who notices; or why the site cannot have it.
///
/// Examples:
///   bedkeeper faults demo:apartments
///   bedkeeper faults site.toml --only switch --out found
///   bedkeeper faults site.toml --pairs 20 --budget "10 min" --json
///
/// Exit code 0: everything that was tried is kept; where --budget ended it before everything was, the last line says so. 1:
/// something is not kept. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct FaultsArgs {
    /// The site: a file, or a bundled one such as demo:apartments
    site: String,
    /// Only rows whose name or component has this in it; no cuts of power besides
    #[arg(long, value_name = "WORD")]
    only: Option<String>,
    /// At how many moments each pair of rows is tried, all where a pair has no more; 0 = no pairs
    #[arg(long, value_name = "N", default_value_t = 2)]
    pairs: usize,
    /// Of the cuts of power only every n-th; 0 = none
    #[arg(long, value_name = "N", default_value_t = 1)]
    cuts_every: usize,
    /// Begin nothing more after this time
    #[arg(long, value_name = "TIME", value_parser = time)]
    budget: Option<Duration>,
    /// A table of your own in place of the one that is built in
    #[arg(long, value_name = "FILE")]
    table: Option<PathBuf>,
    /// Folder for the scenarios of what is not kept; what stands there under the same name is replaced
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

fn time(text: &str) -> Result<Duration, String> {
    match parse_duration_ms(text) {
        Ok(0) => Err("nothing is tried in no time; give a time such as \"60 s\"".to_owned()),
        Ok(ms) => Ok(Duration::from_millis(ms)),
        Err(error) => Err(error.to_string()),
    }
}

#[derive(Serialize)]
struct Report<'t> {
    site: &'t str,
    cases: u64,
    planned: u64,
    kept: u64,
    deviations: &'t [super::Deviation],
    rows: &'t [RowResult],
}

/// Runs the verb.
pub fn run(args: &FaultsArgs, style: &Style) -> ExitCode {
    match tried(args, style) {
        Ok((site, tried)) => {
            let text = if args.json { json(&site, &tried) } else { readable(&site, &tried, style) };
            let printed = print(&text);
            if tried.deviations.is_empty() { printed } else { ExitCode::from(EXIT_NO) }
        }
        Err(Some(why)) => {
            complain!("bedkeeper faults: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
        Err(None) => ExitCode::from(EXIT_BAD_INPUT),
    }
}

/// Everything that was tried, with the name of the site; `None` where the fault was told already.
fn tried(args: &FaultsArgs, style: &Style) -> Result<(String, Tried), Option<String>> {
    let began = Instant::now();
    let site = load_site(&args.site, style).map_err(|_| None)?;
    let table = match &args.table {
        None => Table::built_in().map_err(|error| error.to_string())?,
        Some(path) => {
            let named = |why: String| format!("{}: {why}", path.display());
            let text = std::fs::read_to_string(path).map_err(|error| named(format!("cannot be read: {error}")))?;
            text.parse().map_err(|error: super::TableError| named(error.to_string()))?
        }
    };
    // Before long work, not after it.
    std::fs::create_dir_all(&args.out).map_err(|error| unmade(&args.out, &error))?;
    if let Some(only) = &args.only
        && !table.rows.iter().any(|row| row.name.contains(only) || row.component.contains(only))
    {
        let names: Vec<_> = table.rows.iter().map(|row| row.name.as_str()).collect();
        return Err(Some(format!("no row has `{only}` in its name or component; the rows are {}", names.join(", "))));
    }
    let campaign = Campaign::prepare(&site, &args.site, table).map_err(|error| error.to_string())?;
    let campaign = campaign.naming_site(&site_from(&args.site, &args.out));
    let plan = Plan {
        singles: true,
        pairs: args.pairs,
        cuts_every: args.cuts_every,
        only: args.only.clone(),
        until: args.budget.map(|budget| began + budget),
    };
    let planned = campaign.planned(&plan) as u64;
    let bar = if style.progress { ProgressBar::new(planned) } else { ProgressBar::hidden() };
    // A panic is found and told; what it would print itself is left out.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let mut tried = campaign.run(&plan, || bar.inc(1));
    std::panic::set_hook(hook);
    bar.finish_and_clear();
    write(&mut tried, args)?;
    Ok((args.site.clone(), tried))
}

/// Writes the first scenarios of each kind of deviation.
fn write(tried: &mut Tried, args: &FaultsArgs) -> Result<(), String> {
    let mut written: BTreeMap<(Vec<String>, String), usize> = BTreeMap::new();
    for deviation in tried.deviations.iter_mut().filter(|deviation| !deviation.source.is_empty()) {
        let number = written.entry((deviation.rows.clone(), deviation.rule.clone())).or_default();
        *number += 1;
        if *number > SCENARIOS_EACH {
            continue;
        }
        let rows = if deviation.rows.is_empty() { "cut".to_owned() } else { deviation.rows.join("+") };
        let name = format!("faults-{rows}-{}-{number}.toml", deviation.rule.replace(' ', "-"));
        let file = args.out.join(name);
        std::fs::write(&file, &deviation.source)
            .map_err(|error| format!("{}: cannot be written: {error}", file.display()))?;
        deviation.scenario = Some(file.display().to_string());
    }
    Ok(())
}

fn json(site: &str, tried: &Tried) -> String {
    let kept = tried.cases.saturating_sub(tried.deviations.len() as u64);
    let report = Report {
        site,
        cases: tried.cases,
        planned: tried.planned,
        kept,
        deviations: &tried.deviations,
        rows: &tried.rows,
    };
    serde_json::to_string(&report).unwrap_or_default() + "\n"
}

fn readable(site: &str, tried: &Tried, style: &Style) -> String {
    let mut text = format!("{site}\n");
    // Writing to a string cannot fail.
    let mut component = "";
    for row in &tried.rows {
        if row.component != component {
            component = &row.component;
            let _ = writeln!(text, "\n{}", style.bold(component));
        }
        let verdict = if row.verdict == "deviation" {
            style.alarm(&format!("deviation in {}", row.deviations))
        } else {
            row.verdict.clone()
        };
        let told = if row.noticed > 0 { format!(", alarm in {}", row.noticed) } else { String::new() };
        let spared: Vec<_> = row.spared.iter().map(|(rule, cases)| format!("{rule} in {cases}")).collect();
        let but = if spared.is_empty() { String::new() } else { format!(", but not {}", spared.join(", ")) };
        let cases = if row.cases > 0 { format!("{} cases{told}: ", row.cases) } else { String::new() };
        let _ = writeln!(text, "  {:<24} {cases}{verdict}{but}\n    {}", row.name, row.way);
    }
    text.push('\n');
    for deviation in
        tried.deviations.iter().filter(|deviation| deviation.scenario.is_some() || deviation.rows == ["bytes"])
    {
        let _ = writeln!(text, "{}: {}\n  {}", deviation.rule, deviation.text, deviation.case);
        if let Some(file) = &deviation.scenario {
            let _ = writeln!(text, "  bedkeeper verify {file}");
        }
    }
    let _ = writeln!(text, "{}", summary(tried));
    text
}

/// What was seen in all, and no more: what the table does not promise was not kept, and what was not tried nobody knows.
fn summary(tried: &Tried) -> String {
    if tried.cases == 0 {
        return match tried.planned {
            0 => "no case: there is nothing to try".to_owned(),
            planned => format!("nothing was tried within the budget, of {planned} cases"),
        };
    }
    let left = tried.planned.saturating_sub(tried.cases);
    let found = match (tried.deviations.len(), left) {
        (0, 0) => "every promise of the table is kept".to_owned(),
        (0, _) => "every promise of the table is kept as far as tried".to_owned(),
        (n, _) => format!("{n} are not kept"),
    };
    let mut spared: BTreeMap<&str, u64> = BTreeMap::new();
    for (rule, cases) in tried.rows.iter().flat_map(|row| &row.spared) {
        *spared.entry(rule).or_default() += cases;
    }
    let spared: Vec<_> = spared.iter().map(|(rule, cases)| format!("{rule} in {cases}")).collect();
    let but = if spared.is_empty() {
        String::new()
    } else {
        format!("; where it makes none, rules were broken: {}", spared.join(", "))
    };
    let left = if left == 0 {
        String::new()
    } else {
        format!("; not complete: {left} of {} were not tried within the budget", tried.planned)
    };
    format!("{} cases: {found}{but}{left}", tried.cases)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is told in all says what was tried, and which rules were broken where nothing is promised.
    #[test]
    fn a_summary_claims_no_more_than_was_seen() {
        let row = RowResult {
            name: "one".to_owned(),
            component: "drive".to_owned(),
            way: String::new(),
            cases: 9,
            noticed: 9,
            deviations: 0,
            spared: BTreeMap::from([("S1".to_owned(), 4)]),
            verdict: "kept".to_owned(),
        };
        let tried =
            |cases, planned, rows: &[RowResult]| Tried { cases, planned, rows: rows.to_vec(), ..Tried::default() };
        assert_eq!(summary(&tried(9, 9, &[])), "9 cases: every promise of the table is kept");
        assert_eq!(
            summary(&tried(18, 20, &[row.clone(), row])),
            "18 cases: every promise of the table is kept as far as tried; where it makes none, rules were broken: S1 in 8; \
             not complete: 2 of 20 were not tried within the budget"
        );
        assert_eq!(summary(&tried(0, 20, &[])), "nothing was tried within the budget, of 20 cases");
        assert_eq!(summary(&tried(0, 0, &[])), "no case: there is nothing to try");
    }
}
