//! Scenarios: a site, its water, what happens to it, and what is expected of it; one TOML file each.
//!
//! Moments are written "day 2 02:00", where day 1 is the day of the start whatever later happens to the clock, or as a
//! time since the start, "+1 h 30 min". A stretch is `["day 1 02:00", "day 1 05:00"]`, or `true` for the whole run.
//! Keys marked `*` must be given.
//!
//! | section | keys |
//! |---|---|
//! | (top) | `scenario`*: its title; `about`; `starts`: civil time at the start, none = the clock is not set; `lasts`*; `plant`: "simple", its valves alone, or "full", with water, resin, brine and pressure; `site`*: the path of a site file from this file's folder, `demo:apartments`, or sections `[site.…]` |
//! | `[changes.…]` | sections of a site file, laid over the site's own |
//! | `recording` | a recording's path, `demo:…`, or rows `[["day 1 06:00", 3], …]`: moment, pulses and, where each tank has a meter, its number; or a section `[recording]` with the keys of `[demand]` |
//! | `inject` | faults of the recording, as `bedkeeper demand --inject` makes them: "bounce=3%, gaps=2%, leak=0.8 L/min", or `{ faults = "…", seed = 7 }`; a leak begins on day 2; bounce makes edges of a contact of it, which a "full" plant cannot have |
//! | `[[flow]]` | `from`*, `to` or `lasts` (to the end), `rate`*: "20 L/min"; `meter`: one tank's meter sees it whatever the valves say (shared among the tanks that stand open) |
//! | `[demand]` | `profile`*: "household", "apartments", "hotel", "laundry", "restaurant", "school", "boiler-make-up", "constant", "leak"; one of `per_day`: "400 L", `people`, `rooms` (what is usual for the profile); `seed` (0); `until`, or `days` (to the end); `leak`: a flow, `leak_from` |
//! | `[[event]]` | `at`* a moment, or `on`* = { a subject } with `nth` (1), and `after`; then one of `contact` with `closed` (true) and `lasts`; `clock`: a civil time, "+1 h", "-1 h" or "lost"; `operator` with `tank` and `who` ("panel"), and `alarm`*, `position`*, `days`, `treated`* and `feed` (hardness), `relay`* and `for` ("1 min"), `meter` (1) or `volume`* where the action needs it; `unlock`: "press" or "code 4711", `relock`, each with `who`; `fault` of the simulated valve of `tank`, or with `valve` = "shared" of the changeover valve that two tanks share, such as "motor-stalled" (all are in `docs/valve-faults.md` and `verify --help`), with `lasts`, or `mend`; `power` = { `off`*, `clock_kept` (true), `memory_kept` (true) }; `settings`: sections to lay over, or "bad", and `refused` = true where they are to be refused; `meter_contact` = { `meter` (1), `times`*, `closed`*, `every`* }; `store` = { `erasures`*, `rated` (10000), `fails` (false) }: the wear of the store that outlives power cuts; or, of a full plant, `salt_bridge`: true or false, `float`: "stuck-open" (it never stops a refill), "stuck-shut" (it lets none in) or "free", `supply`: the pressure without flow, `feed_hardness`, `temperature`, `leak_past_bed` and `leak_to_drain` (every valve's opening, a share), each with `lasts`, and `add_salt`: a mass |
//! | `[[expect]]` | one of `at`* with `tolerance`, `within`*, `never`*, `always`*, `count`* with `between`, and a subject; or `total`* with `is` and `tolerance`, or `least` and `most`; or, of a full plant, `figure`* with `least` and `most`, and `at`, `always` or `within` (none: at the end) |
//!
//! A subject is one of: the states `duty`, `duties` (of all tanks), `cause`, `causes` (exactly these), `hold` (with
//! `clears`: the moment at which the logic says it clears), `holds`, `alarm`, `alarms`, `relay` (its number: on), `step`, `position`; or the
//! happenings `asked`, `started`, `ended`, `runs` (a step, in its position), `raised`, `granted`, `refused`, `says`
//! (words of the journal), `violation` (a rule the checker sees broken). `tank` says whose; without it any will do.
//!
//! A figure is one of `outlet-hardness` and `tank-hardness` (of the water that passed last), `outlet-pressure` (when water was
//! last drawn), `inlet-pressure`, `brine-level`, `brine-strength`, `salt-in-tank`; or a sum since the start: `delivered`, and of that
//! `hard-delivered`, `past-beds`, `beyond-supply`; `salt-drawn`, `refilled`, `drained` (also of one `tank`), `drain-overflow`,
//! `brine-overflow`, `resin-lost`; or the greatest so far, `bed-loss`. `tank-hardness`, `bed-loss` and `resin-lost` need `tank`.
//!
//! Every scenario also expects that no rule is broken, but for those that it expects to be, and of a full plant that its
//! balance closes: nothing is made or lost. And it expects that all its events happen: one that waits for what never comes,
//! someone who asks while power is off, and settings that are not taken are misses.
//!
//! Every contact that the site looks at is open at the beginning, unless an event at "+0 s" closes it, and is told at every
//! power-up as it stands then, as a board tells it.

mod coverage;
mod event;
mod expect;
mod faulty;
mod figure;
mod merge;
mod read;
mod run;
mod subject;
mod time;
mod timeline;
mod verdict;
mod water;
mod write;

use std::path::{Path, PathBuf};

use jiff::civil::DateTime;

pub use coverage::{Reach, coverage, coverage_table};
pub use event::{Deed, Event, When};
pub use expect::{Claim, Expectation, Judgement, Shown, Span, Total};
pub use faulty::{Faulty, Injected};
pub use figure::{During, Figure, Gauges, Limits, Measure};
#[cfg(feature = "command")]
pub(crate) use read::from_folder;
pub(crate) use run::Rehearsal;
pub use run::{ClockChange, RunError, run, run_all, run_and, run_to, run_whole, write_down};
pub use subject::Subject;
pub(crate) use subject::action as operator_action;
pub use subject::action_slugs;
pub use time::Days;
pub use timeline::{Reached, Refusal, State, Tap, Timeline};
pub use verdict::{Verdict, journal_line, json, junit, readable};
pub use water::{Source, Water};
pub use write::{event_section, flow_section};

use crate::diagnostic::Finding;
use crate::site::{Site, SiteErrors};

/// A scenario, ready to run.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The file as it was named.
    pub file: String,
    /// What people call it.
    pub title: String,
    /// What it is about; may be empty.
    pub about: String,
    /// The plant.
    pub site: Site,
    /// Its water, resin, brine and pressure, where they are modelled.
    pub design: Option<Box<crate::process::Design>>,
    /// Civil time at the start, if the clock is set.
    pub start: Option<DateTime>,
    /// Length, ms.
    pub lasts_ms: u64,
    /// The water.
    pub water: Water,
    /// What happens besides.
    pub events: Vec<Event>,
    /// What is expected.
    pub expectations: Vec<Expectation>,
}

/// Everything wrong with a scenario file and the site file that it names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ScenarioErrors {
    parts: Vec<SiteErrors>,
}

impl ScenarioErrors {
    fn new(file: &str, source: &str, findings: Vec<Finding>) -> Self {
        let own = SiteErrors::new(file, source, findings);
        Self { parts: if own.findings().is_empty() { Vec::new() } else { vec![own] } }
    }

    fn with_sites(mut self, sites: Vec<SiteErrors>) -> Self {
        self.parts.extend(sites);
        self
    }

    /// Every finding.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.parts.iter().flat_map(SiteErrors::findings)
    }

    /// The report that a person reads: each fault with line, caret and what would be right.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        self.parts.iter().map(|part| part.render(colour)).collect()
    }
}

/// Reads a scenario from a text; paths in it start from the folder of `path`.
///
/// # Errors
/// Every fault, by line.
pub fn parse(path: &Path, source: &str) -> Result<Scenario, ScenarioErrors> {
    read::read(path, &path.display().to_string(), source)
}

/// Reads a scenario from its file.
///
/// # Errors
/// A file that cannot be read; else as [`parse`].
pub fn load(path: &Path) -> Result<Scenario, ScenarioErrors> {
    let name = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(source) => parse(path, &source),
        Err(error) => {
            let help = "give the path of a scenario file (TOML), or of a folder of them";
            Err(ScenarioErrors { parts: vec![SiteErrors::unreadable_as(&name, &error, help)] })
        }
    }
}

/// The scenario files at a path: itself, or every `.toml` below a folder, in order of their names.
///
/// # Errors
/// A folder that cannot be read.
pub fn files(path: &Path) -> std::io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let mut found = Vec::new();
    let mut entries = std::fs::read_dir(path)?.collect::<Result<Vec<_>, _>>()?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path)?);
        } else if path.extension().is_some_and(|extension| extension == "toml") {
            found.push(path);
        }
    }
    Ok(found)
}
