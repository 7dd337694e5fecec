//! `bedkeeper explore`: is there any sequence that breaks a rule?

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use clap::Args;
use indicatif::ProgressBar;
use serde::Serialize;

use super::output::{site_from, unmade};
use super::replay::open_site;
use super::{EXIT_BAD_INPUT, EXIT_NO, Style, print, printable};
use crate::explore::{self, Budget, Family, Outcome, Powers};
use crate::quantity::parse_duration_ms;
use crate::scenario::Reached;
use crate::site::Site;

/// Search every sequence of water, wishes, contacts, faults and power cuts for one that breaks a rule, within a budget
///
/// The real logic is driven from power-up on with simulated valves, and the checker of rehearsals looks on. At each moment
/// at which something happens by itself, and halfway to it, an adversary may let a portion of a tank's water flow and do
/// what its family says:
///   water      nothing goes wrong
///   drives     one valve at a time stalls and is mended; a lost one is put back
///              or vouched for
///   hands      one valve at a time is turned by hand; a lost one is put back or
///              vouched for
///   contacts   one contact at a time closes and opens
///   settings   settings that do not pass are offered; the store tells of wear
///   operators  start, step on, abort, withdraw, hold, release, take out, put
///              back, vouch
///   power      power fails for an unknown time, with and without the loss of
///              what was stored; there is no clock
///   clock      the clock is moved by an hour or lost
///   outages    power fails for a minute or two hours, and the clock runs on
///   flow       water runs steadily, too fast, and through the own meter of a
///              tank that does not serve
///   noise      the meter's contact bounces, where the site's `min_closed` is
///              longer than a bounce of 2 ms
///
/// Each family is searched by itself, or with --together all that are named at once. "Closed" means that no state is left
/// in which something was not tried; it says nothing of what the family does not do.
///
/// From every state faults stop as well, and the plant must come back to normal duty (S9).
/// A rule seen broken is written as a scenario that `verify` replays.
///
/// Examples:
///   bedkeeper explore tests/sites/explored/pair.toml
///   bedkeeper explore demo:apartments --families drives,contacts --together --budget "10 min"
///   bedkeeper explore tests/sites/explored/pair.toml --faults 1 --portions 2
///   bedkeeper explore site.toml --families clock --budget "1 h" --resume explored --json
///
/// Exit code 0: no rule was seen broken. 1: one was. 2: bad input. 130: interrupted, and stored with --resume.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct ExploreArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments; several are searched one after the other
    #[arg(value_name = "SITE", required = true)]
    sites: Vec<String>,
    /// What may go wrong [all but outages, which never closes since use is learned day by day, flow and noise]
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_parser = family)]
    families: Vec<Family>,
    /// Everything that is named may go wrong in one sequence
    #[arg(long)]
    together: bool,
    /// No more than so many faults in a life; what undoes one is none. Without it there is no end to them
    #[arg(long, value_name = "N")]
    faults: Option<u8>,
    /// In how many portions a tank's capacity flows; with fewer, fewer states. Where a reserve is kept, a portion should be
    /// smaller than it
    #[arg(long, value_name = "N", default_value_t = Powers::USUAL_PORTIONS, value_parser = clap::value_parser!(u8).range(1..=20))]
    portions: u8,
    /// Time to take at the most for each search; to take up what was stored comes on top
    #[arg(long, value_name = "TIME", default_value = "60 s", value_parser = time)]
    budget: Duration,
    /// States to find at the most in each search
    #[arg(long, value_name = "N", default_value_t = 3_000_000, value_parser = above_zero)]
    states: usize,
    /// Acts in a row at the most
    #[arg(long, value_name = "N", value_parser = above_zero)]
    depth: Option<usize>,
    /// Folder in which each search is stored when its budget is used up, every minute and when it is interrupted (Ctrl-C), and
    /// gone on with the next time, by the same build of this program; a broken rule that was found is told again
    #[arg(long, value_name = "FOLDER")]
    resume: Option<PathBuf>,
    /// Folder for the scenarios of broken rules; it is made if it is not there
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// Tell which parts of the states on the last frontier make them so many
    #[arg(long)]
    growth: bool,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

fn family(text: &str) -> Result<Family, String> {
    let names = || Family::ALL.iter().map(|family| family.slug());
    let found = Family::ALL.iter().copied().find(|family| family.slug() == text.trim());
    found.ok_or_else(|| format!("there is no such family; there are {}", names().collect::<Vec<_>>().join(", ")))
}

fn time(text: &str) -> Result<Duration, String> {
    match parse_duration_ms(text) {
        Ok(0) => Err("nothing is searched in no time; give a time such as \"60 s\"".to_owned()),
        Ok(ms) => Ok(Duration::from_millis(ms)),
        Err(error) => Err(error.to_string()),
    }
}

/// How many acts or states: with none nothing is searched, and nothing could be said to hold.
fn above_zero(text: &str) -> Result<usize, String> {
    let number: usize = text.parse().map_err(|error: std::num::ParseIntError| error.to_string())?;
    if number == 0 { Err("with 0 nothing is searched; give 1 or more".to_owned()) } else { Ok(number) }
}

/// Runs the verb.
pub fn run(args: &ExploreArgs, style: &Style) -> ExitCode {
    match search(args, style) {
        Ok((text, 0)) => print(&text),
        Ok((text, code)) => {
            print(&text);
            ExitCode::from(code)
        }
        Err(text) => {
            complain!("{}", text.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// The searches that are to be made.
fn searches(args: &ExploreArgs) -> Vec<Powers> {
    let usual = [
        Family::Water,
        Family::Drives,
        Family::Hands,
        Family::Contacts,
        Family::Settings,
        Family::Operators,
        Family::Power,
        Family::Clock,
    ];
    // Named twice is meant once.
    let mut named: Vec<Family> = Vec::new();
    for family in &args.families {
        if !named.contains(family) {
            named.push(*family);
        }
    }
    let families = if named.is_empty() { &usual[..] } else { &named };
    let bounded = |powers: Powers| {
        let powers = powers.in_portions(args.portions);
        args.faults.map_or(powers, |faults| powers.at_most(faults))
    };
    if args.together {
        vec![bounded(Powers::all_of(families))]
    } else {
        families.iter().map(|family| bounded(Powers::of(*family))).collect()
    }
}

/// A site, and what its searches found.
struct Searched {
    site: Site,
    /// As it was named.
    name: String,
    outcomes: Vec<Outcome>,
    /// Searches that were not begun, since it was interrupted.
    left: Vec<Powers>,
}

/// Somebody wants a search to end.
static INTERRUPTED: AtomicBool = AtomicBool::new(false);
/// What a shell says of a program that was interrupted.
const EXIT_INTERRUPTED: u8 = 130;

/// Where a search is stored it is ended in good order; elsewhere nothing would be kept, and it ends at once as usual.
fn end_in_good_order() -> Result<(), String> {
    let interrupted = || {
        if INTERRUPTED.swap(true, Ordering::Relaxed) {
            std::process::exit(i32::from(EXIT_INTERRUPTED));
        }
        complain!("bedkeeper explore: the search ends and is stored; once more ends it at once");
    };
    ctrlc::set_handler(interrupted).map_err(|error| format!("bedkeeper explore: --resume: {error}"))
}

/// What to print, and the exit code.
fn search(args: &ExploreArgs, style: &Style) -> Result<(String, u8), String> {
    if args.sites.len() > 1 && (args.json || args.resume.is_some()) {
        return Err("bedkeeper explore: --json and --resume are of one site; several were named".to_owned());
    }
    // Before a long search, not after it.
    std::fs::create_dir_all(&args.out).map_err(|error| unmade(&args.out, &error))?;
    if args.resume.is_some() {
        end_in_good_order()?;
    }
    let mut all = Vec::new();
    for name in &args.sites {
        let site = open_site(name).map_err(|fault| fault.render(style.colour_errors))?;
        let (outcomes, left) = search_site(args, &site, style)?;
        all.push(Searched { site, name: name.clone(), outcomes, left });
    }
    let mut text = String::new();
    let mut found = false;
    for searched in &all {
        let paths = write_examples(args, searched)?;
        found |= !paths.is_empty();
        text += &if args.json { json(searched, &paths) } else { readable(args, searched, &paths, style) };
    }
    if !args.json {
        text += &came(&all);
    }
    let interrupted = INTERRUPTED.load(Ordering::Relaxed);
    if let Some(folder) = args.resume.as_ref().filter(|_| interrupted && !args.json) {
        text += &format!("  interrupted; stored in {}, and the same command goes on\n", folder.display());
    }
    let code = if found {
        EXIT_NO
    } else if interrupted {
        EXIT_INTERRUPTED
    } else {
        0
    };
    Ok((text, code))
}

/// What the searches of a site found, and those that were not begun.
fn search_site(args: &ExploreArgs, site: &Site, style: &Style) -> Result<(Vec<Outcome>, Vec<Powers>), String> {
    let budget = Budget { states: args.states, depth: args.depth.unwrap_or(usize::MAX), time: args.budget };
    let bar = if style.progress { ProgressBar::new_spinner() } else { ProgressBar::hidden() };
    let mut outcomes = Vec::new();
    let mut searches = searches(args).into_iter();
    while !INTERRUPTED.load(Ordering::Relaxed)
        && let Some(powers) = searches.next()
    {
        let began = Instant::now();
        let file = match &args.resume {
            Some(folder) => {
                std::fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
                Some(folder.join(format!("{}.explored", powers.slug())))
            }
            None => None,
        };
        let mut first = None;
        let outcome = explore::explore(site, powers, budget, file.as_deref(), &INTERRUPTED, |progress| {
            // Of this part of the search.
            let before = *first.get_or_insert(progress.states);
            let speed = (progress.states - before) as f64 / began.elapsed().as_secs_f64().max(0.001);
            bar.set_message(format!(
                "{}: depth {}, {} states, {} on the frontier, {speed:.0} states a second, {}",
                powers.slug(),
                progress.depth,
                progress.states,
                progress.frontier,
                memory()
            ));
            bar.tick();
        });
        outcomes.push(outcome.map_err(|error| error.to_string())?);
    }
    bar.finish_and_clear();
    Ok((outcomes, searches.collect()))
}

/// Memory that the program holds, and the most that it held, where the system tells.
fn memory() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let of = |key: &str| {
        status.lines().find_map(|line| line.strip_prefix(key)?.trim().strip_suffix(" kB")?.trim().parse().ok())
    };
    match (of("VmRSS:"), of("VmHWM:")) {
        (Some::<u64>(now), Some::<u64>(most)) => {
            format!("{} MB of memory, {} MB at the most", now / 1_024, most / 1_024)
        }
        _ => "memory unknown".to_owned(),
    }
}

/// Writes a scenario for each broken rule; returns their paths.
fn write_examples(args: &ExploreArgs, searched: &Searched) -> Result<Vec<String>, String> {
    let Searched { site, name, outcomes, .. } = searched;
    let site_path = site_from(name, &args.out);
    // Of several sites each has names of its own.
    let of_site = std::path::Path::new(name).file_stem().map(|stem| format!("{}-", stem.to_string_lossy()));
    let of_site = of_site.filter(|_| args.sites.len() > 1).unwrap_or_default();
    let mut paths = Vec::new();
    for outcome in outcomes {
        for example in &outcome.counterexamples {
            let name = format!("explored-{of_site}{}-{}.toml", outcome.powers.slug(), example.broken.rule);
            let path = args.out.join(name);
            let text = explore::scenario_of(site, &site_path, example);
            std::fs::write(&path, text).map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
            paths.push(path.display().to_string());
        }
    }
    Ok(paths)
}

/// What came up in any of the searches.
fn reached(outcomes: &[Outcome]) -> Reached {
    outcomes.iter().flat_map(|outcome| outcome.reached.iter().copied()).collect()
}

/// What the adversary of a search may do.
fn covers(powers: Powers) -> Vec<&'static str> {
    if powers.faults() == Some(0) {
        return vec!["water alone: with no fault in a life nothing goes wrong"];
    }
    Family::ALL.iter().filter(|family| powers.has(**family)).map(|family| family.covers()).collect()
}

fn readable(args: &ExploreArgs, searched: &Searched, paths: &[String], style: &Style) -> String {
    let Searched { site, outcomes, left, .. } = searched;
    let mut text = format!("{}\n", style.bold(&printable(&site.name)));
    for outcome in outcomes {
        let (progress, seconds) = (outcome.progress, outcome.took.as_secs_f64());
        let state = if outcome.closed {
            match outcome.powers.faults() {
                None => "closed: no state is left unexplored".to_owned(),
                Some(0) => "closed: no state is left unexplored with no fault in a life".to_owned(),
                Some(1) => "closed: no state is left unexplored with one fault in a life".to_owned(),
                Some(n) => format!("closed: no state is left unexplored with at most {n} faults in a life"),
            }
        } else if outcome.counterexamples.is_empty() {
            format!("not closed: {} states are left to go on from", progress.frontier)
        } else {
            "stopped at a broken rule".to_owned()
        };
        text.push_str(&format!(
            "  {:<10} {} states, {} acts deep, {} steps in {seconds:.1} s ({:.0} states a second); {state}\n",
            outcome.powers.slug(),
            progress.states,
            progress.depth,
            outcome.steps,
            progress.states as f64 / seconds.max(0.001)
        ));
        for ((part, field), share) in outcome.growth.iter().filter(|(_, share)| args.growth && *share > 0) {
            text.push_str(&format!("             {:>5.1} % fewer without {part}.{field}\n", f64::from(*share) / 10.0));
        }
        for covered in covers(outcome.powers) {
            text.push_str(&format!("             {covered}\n"));
        }
    }
    for powers in left {
        text.push_str(&format!("  {:<10} not begun\n", powers.slug()));
    }
    // Where states are left nobody knows what comes of them.
    let unbroken = if is_closed(searched) { "holds" } else { "not seen broken" };
    let mut examples = outcomes.iter().flat_map(|outcome| &outcome.counterexamples).zip(paths).collect::<Vec<_>>();
    for rule in explore::WATCHED {
        let broken: Vec<_> = examples.extract_if(.., |(example, _)| example.broken.rule == *rule).collect();
        if broken.is_empty() {
            let idle =
                if *rule == "S4" && site.settings.raw().windows.is_empty() { ": the site has no windows" } else { "" };
            text.push_str(&format!("  always    {rule:<22} {unbroken}{idle}\n"));
        }
        for (example, path) in broken {
            text.push_str(&format!(
                "  always    {rule:<22} {}: {} ({} acts; {path})\n",
                style.alarm("BROKEN"),
                example.broken.text,
                example.acts.len()
            ));
        }
    }
    for (example, path) in examples {
        let rule = &example.broken.rule;
        text.push_str(&format!("  always    {rule:<22} {}: {} ({path})\n", style.alarm("BROKEN"), example.broken.text));
    }
    text
}

/// No state of any search is left unexplored.
fn is_closed(searched: &Searched) -> bool {
    searched.left.is_empty() && searched.outcomes.iter().all(|outcome| outcome.closed)
}

/// What came up in any of the searches of any site, and where first; what did not is named at the end.
fn came(all: &[Searched]) -> String {
    let mut text = String::new();
    let mut missed = 0;
    for (kind, slug) in explore::reachable() {
        let is_there = |outcome: &&Outcome| outcome.reached.contains(&(kind, slug));
        let first = all.iter().find_map(|one| Some((one, one.outcomes.iter().find(is_there)?)));
        missed += usize::from(first.is_none());
        let place = first.map_or_else(
            || "-".to_owned(),
            |(one, outcome)| match all.len() {
                1 => format!("came: {}", outcome.powers.slug()),
                _ => format!("came: {}, {}", printable(&one.site.name), outcome.powers.slug()),
            },
        );
        text.push_str(&format!("  sometimes {:<22} {place}\n", format!("{kind} {slug}")));
    }
    let count = explore::reachable().len();
    text + &format!("  {} of {count} came\n", count - missed)
}

#[derive(Serialize)]
struct Json<'a> {
    site: &'a str,
    closed: bool,
    states: usize,
    depth: usize,
    seconds: f64,
    steps: u64,
    searches: Vec<Search>,
    properties: Vec<Property>,
    counterexamples: &'a [String],
    /// Searches that were not begun, since it was interrupted.
    not_begun: Vec<String>,
}

#[derive(Serialize)]
struct Search {
    families: String,
    covers: Vec<&'static str>,
    /// In a life, at the most; null if there is no end to them.
    faults: Option<u8>,
    closed: bool,
    states: usize,
    depth: usize,
    seconds: f64,
    steps: u64,
    frontier: usize,
}

#[derive(Serialize)]
struct Property {
    id: String,
    kind: &'static str,
    holds: bool,
}

fn json(searched: &Searched, paths: &[String]) -> String {
    let Searched { site, outcomes, left, .. } = searched;
    let seconds = |outcome: &Outcome| (outcome.took.as_secs_f64() * 1_000.0).round() / 1_000.0;
    let is_whole = |rule: &str| !outcomes.iter().flat_map(|o| &o.counterexamples).any(|e| e.broken.rule == rule);
    let always = explore::WATCHED.iter().map(|rule| Property {
        id: (*rule).to_owned(),
        kind: if *rule == "S9" { "eventually" } else { "always" },
        holds: is_whole(rule),
    });
    let reached = reached(outcomes);
    let sometimes = explore::reachable().into_iter().map(|(kind, slug)| Property {
        id: format!("{kind}:{slug}"),
        kind: "sometimes",
        holds: reached.contains(&(kind, slug)),
    });
    let search = |outcome: &Outcome| Search {
        families: outcome.powers.slug(),
        covers: covers(outcome.powers),
        faults: outcome.powers.faults(),
        closed: outcome.closed,
        states: outcome.progress.states,
        depth: outcome.progress.depth,
        seconds: seconds(outcome),
        steps: outcome.steps,
        frontier: outcome.progress.frontier,
    };
    let value = Json {
        site: &site.name,
        closed: is_closed(searched),
        states: outcomes.iter().map(|outcome| outcome.progress.states).sum(),
        depth: outcomes.iter().map(|outcome| outcome.progress.depth).max().unwrap_or(0),
        seconds: outcomes.iter().map(seconds).sum(),
        steps: outcomes.iter().map(|outcome| outcome.steps).sum(),
        searches: outcomes.iter().map(search).collect(),
        properties: always.chain(sometimes).collect(),
        counterexamples: paths,
        not_begun: left.iter().map(|powers| powers.slug()).collect(),
    };
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(&value).unwrap_or_default() + "\n"
}
