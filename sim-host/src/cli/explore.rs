//! `bedkeeper explore`: is there any sequence that breaks a rule?

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::Args;
use indicatif::ProgressBar;
use serde::Serialize;

use super::replay::open_site;
use super::{EXIT_BAD_INPUT, EXIT_NO, Style, print};
use crate::explore::{self, Budget, Outcome, Powers};
use crate::site::Site;

/// Search every sequence of water, wishes, contacts and valve faults for one that breaks a rule, within a budget
///
/// The real logic is driven from power-up on with simulated valves. At each moment at which something happens an
/// adversary may let a third of a tank's water flow, ask as an operator, close or open a contact, stall a valve's motor,
/// mend it, or turn a valve by hand. The clock is not set; power does not fail. A rule seen broken is written as a
/// scenario that `verify` replays.
///
/// Examples:
///   bedkeeper explore demo:apartments
///   bedkeeper explore site.toml --states 1000000 --seconds 600 --faults 2
///   bedkeeper explore site.toml --no-operators --no-contacts --json
///
/// Exit code 0: no rule was seen broken. 1: one was. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct ExploreArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments
    site: String,
    /// States to find at the most
    #[arg(long, value_name = "N", default_value_t = 200_000)]
    states: usize,
    /// Acts in a row at the most
    #[arg(long, value_name = "N")]
    depth: Option<usize>,
    /// Time to take at the most
    #[arg(long, value_name = "S", default_value_t = 60)]
    seconds: u64,
    /// Faults of valves in one sequence
    #[arg(long, value_name = "N", default_value_t = 1)]
    faults: u8,
    /// Operators keep away
    #[arg(long)]
    no_operators: bool,
    /// Contacts stay as they are
    #[arg(long)]
    no_contacts: bool,
    /// Folder for the scenarios of broken rules
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &ExploreArgs, style: &Style) -> ExitCode {
    match search(args, style) {
        Ok((text, found)) => {
            let printed = print(&text);
            if found { ExitCode::from(EXIT_NO) } else { printed }
        }
        Err(text) => {
            eprintln!("{}", text.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// What to print, and whether a rule was seen broken.
fn search(args: &ExploreArgs, style: &Style) -> Result<(String, bool), String> {
    let site = open_site(&args.site).map_err(|fault| fault.render(style.colour_errors))?;
    let powers = Powers { faults: args.faults, operators: !args.no_operators, contacts: !args.no_contacts };
    let budget = Budget {
        states: args.states,
        depth: args.depth.unwrap_or(usize::MAX),
        time: Duration::from_secs(args.seconds),
    };
    let bar = if style.progress { ProgressBar::new_spinner() } else { ProgressBar::hidden() };
    let began = Instant::now();
    let outcome = explore::explore(&site, powers, budget, |progress| {
        bar.set_message(format!(
            "depth {}, {} states, {} on the frontier, {:.0} states a second",
            progress.depth,
            progress.states,
            progress.frontier,
            progress.states as f64 / began.elapsed().as_secs_f64().max(0.001)
        ));
        bar.tick();
    });
    bar.finish_and_clear();
    let seconds = began.elapsed().as_secs_f64();
    let paths = write_examples(args, &site, &outcome)?;
    let text = if args.json {
        json(&site, &outcome, seconds, &paths)
    } else {
        readable(&site, &outcome, seconds, &paths, style)
    };
    Ok((text, !outcome.counterexamples.is_empty()))
}

/// Writes a scenario for each broken rule; returns their paths.
fn write_examples(args: &ExploreArgs, site: &Site, outcome: &Outcome) -> Result<Vec<String>, String> {
    // A scenario's paths start from its own folder.
    let site_path = if args.site.starts_with("demo:") {
        args.site.clone()
    } else {
        std::path::absolute(&args.site).map_or_else(|_| args.site.clone(), |path| path.display().to_string())
    };
    let mut paths = Vec::new();
    for example in &outcome.counterexamples {
        let path = args.out.join(format!("explored-{}.toml", example.broken.rule));
        let text = explore::scenario_of(site, &site_path, example);
        std::fs::write(&path, text).map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
        paths.push(path.display().to_string());
    }
    Ok(paths)
}

fn readable(site: &Site, outcome: &Outcome, seconds: f64, paths: &[String], style: &Style) -> String {
    let progress = outcome.progress;
    let mut text = format!(
        "{}: {} states, {} acts deep, {} steps in {seconds:.1} s ({:.0} steps a second)\n",
        style.bold(&site.name),
        progress.states,
        progress.depth,
        outcome.steps,
        outcome.steps as f64 / seconds.max(0.001)
    );
    text.push_str(&if outcome.closed {
        "closed: no state is left unexplored\n".to_owned()
    } else {
        format!("not closed: {} states are left to go on from\n", progress.frontier)
    });
    for rule in explore::WATCHED {
        let example = outcome.counterexamples.iter().zip(paths).find(|(example, _)| example.broken.rule == *rule);
        match example {
            None => text.push_str(&format!("  always    {rule:<22} holds\n")),
            Some((example, path)) => text.push_str(&format!(
                "  always    {rule:<22} {}: {} ({} acts; {path})\n",
                style.alarm("BROKEN"),
                example.broken.text,
                example.acts.len()
            )),
        }
    }
    for (kind, slug) in explore::reachable() {
        let came = outcome.reached.contains(&(kind, slug));
        text.push_str(&format!("  sometimes {:<22} {}\n", format!("{kind} {slug}"), if came { "came" } else { "-" }));
    }
    text
}

#[derive(Serialize)]
struct Json<'a> {
    site: &'a str,
    closed: bool,
    states: usize,
    depth: usize,
    seconds: f64,
    steps: u64,
    frontier: usize,
    properties: Vec<Property>,
    counterexamples: &'a [String],
}

#[derive(Serialize)]
struct Property {
    id: String,
    kind: &'static str,
    holds: bool,
}

fn json(site: &Site, outcome: &Outcome, seconds: f64, paths: &[String]) -> String {
    let always = explore::WATCHED.iter().map(|rule| Property {
        id: (*rule).to_owned(),
        kind: "always",
        holds: !outcome.counterexamples.iter().any(|example| example.broken.rule == *rule),
    });
    let sometimes = explore::reachable().into_iter().map(|(kind, slug)| Property {
        id: format!("{kind}:{slug}"),
        kind: "sometimes",
        holds: outcome.reached.contains(&(kind, slug)),
    });
    let value = Json {
        site: &site.name,
        closed: outcome.closed,
        states: outcome.progress.states,
        depth: outcome.progress.depth,
        seconds: (seconds * 1_000.0).round() / 1_000.0,
        steps: outcome.steps,
        frontier: outcome.progress.frontier,
        properties: always.chain(sometimes).collect(),
        counterexamples: paths,
    };
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(&value).unwrap_or_default() + "\n"
}
