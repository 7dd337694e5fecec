//! `bedkeeper replay`: what the logic does with this water use.

use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::civil::DateTime;

use super::output::{self, Output};
use super::{EXIT_BAD_INPUT, EXIT_NO, Style, print, print_with, summary};
use crate::evidence::{self, Evidence};
use crate::process::Design;
use crate::quantity::show::UnitSystem;
use crate::recording::{Recording, RecordingError};
use crate::replay::{
    Checker, Gatherer, JournalFile, Observer, RegenerationTable, Replay, ReplayError, ValveTimes, VcdFile, World,
    next_expected,
};
use crate::report;
use crate::site::{self, Site};

/// Replay recorded water use through the real logic: duties, regenerations and their causes, hard
/// water delivered, salt and water used
///
/// SITE is a site file (TOML), RECORDING a list of meter pulses (CSV, also gzip or zstd); `-` reads
/// either from standard input, and `demo:apartments` and `demo:house` are bundled.
///
/// A FILE to write may be `-`: it then goes to standard output, in place of the summary.
///
/// Examples:
///   bedkeeper replay demo:house demo:house --html report.html
///   bedkeeper replay site.toml pulses.csv.gz --json
///
/// Exit code 0: no rule was seen broken. 1: one was. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct ReplayArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments
    site: String,
    /// The recording: a file, `-`, or a bundled one such as demo:apartments
    recording: String,
    /// Print the result as JSON instead of a summary
    #[arg(long)]
    json: bool,
    /// Write the report, one self-contained page
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write the regenerations as a table, one row each
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write every signal as a value change dump for a waveform viewer
    #[arg(long, value_name = "FILE")]
    vcd: Option<PathBuf>,
    /// Write everything the logic recorded, one line each
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Local time at which the recording starts, where it does not say so itself
    #[arg(long, value_name = "YYYY-MM-DDTHH:MM")]
    start: Option<DateTime>,
    /// How much of the plant is modelled: its valves alone, or also water, resin, brine and pressure
    #[arg(long, value_enum, default_value_t = PlantModel::Simple)]
    plant: PlantModel,
    /// Units of the summary, if not those of the site file
    #[arg(long, value_enum)]
    units: Option<Units>,
}

/// Plates from which a bed that diffusion holds back no longer depends on their number.
const ENOUGH_PLATES: u8 = 80;

/// How much of the plant is modelled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum PlantModel {
    /// Valves that take their time.
    Simple,
    /// Beds, brine tank, eductor and pressure as well: hardness at the outlet, salt, drain, pressure.
    Full,
}

/// Units of the summary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Units {
    /// Litres, kilograms.
    Metric,
    /// US gallons, pounds.
    Us,
}

impl Units {
    /// The units as reports know them.
    pub(crate) fn system(self) -> UnitSystem {
        match self {
            Self::Metric => UnitSystem::Metric,
            Self::Us => UnitSystem::Us,
        }
    }
}

impl ReplayArgs {
    /// The bundled site with its recording, with a report in the present folder.
    #[must_use]
    pub fn bundled() -> Self {
        Self {
            site: "demo:apartments".to_owned(),
            recording: "demo:apartments".to_owned(),
            json: false,
            html: Some(PathBuf::from("bedkeeper-report.html")),
            csv: None,
            vcd: None,
            journal: None,
            start: None,
            plant: PlantModel::Simple,
            units: None,
        }
    }
}

/// Runs the verb.
pub fn run(args: &ReplayArgs, style: &Style, quiet: bool) -> ExitCode {
    match replay(args, style) {
        Ok((evidence, units)) => report_on(&evidence, units, args, style, quiet),
        // Whoever read standard output has seen enough.
        Err(Stop::Closed) => ExitCode::SUCCESS,
        Err(Stop::Fault(text)) => {
            complain!("{}", text.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// Why a replay ended early.
enum Stop {
    /// Something is at fault: a text for people.
    Fault(String),
    /// A pipe that was written to was closed.
    Closed,
}

impl From<String> for Stop {
    fn from(text: String) -> Self {
        Self::Fault(text)
    }
}

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Self {
        if error.kind() == std::io::ErrorKind::BrokenPipe { Self::Closed } else { Self::Fault(error.to_string()) }
    }
}

impl From<ReplayError> for Stop {
    fn from(error: ReplayError) -> Self {
        match error {
            ReplayError::Recording(error) => Self::Fault(recording_fault(&error)),
            ReplayError::Output(error) => error.into(),
            other => Self::Fault(other.to_string()),
        }
    }
}

impl ReplayArgs {
    /// What is written besides the summary: how people call it, the option, the file.
    fn outputs(&self) -> impl Iterator<Item = (&'static str, &'static str, &Path)> {
        let all = [
            ("report", "--html", &self.html),
            ("table", "--csv", &self.csv),
            ("waveforms", "--vcd", &self.vcd),
            ("journal", "--journal", &self.journal),
        ];
        all.into_iter().filter_map(|(what, option, path)| Some((what, option, path.as_deref()?)))
    }

    /// No output may be an input or another output.
    fn check_outputs(&self) -> Result<(), String> {
        let inputs: Vec<_> = [("the site", &self.site), ("the recording", &self.recording)]
            .into_iter()
            .filter(|(_, name)| crate::demo::named(name).is_none())
            .map(|(what, name)| (what, Path::new(name)))
            .collect();
        let json = self.json.then_some(("--json", Path::new("-")));
        let outputs: Vec<_> = json.into_iter().chain(self.outputs().map(|(_, option, path)| (option, path))).collect();
        output::keep_apart(&inputs, &outputs)
    }
}

fn report_on(evidence: &Evidence, units: UnitSystem, args: &ReplayArgs, style: &Style, quiet: bool) -> ExitCode {
    let printed = if args.json {
        print_with(|out| evidence::write_json(evidence, out).map_err(std::io::Error::from))
    } else if args.outputs().any(|(_, _, path)| output::is_stdout(path)) {
        ExitCode::SUCCESS
    } else {
        let mut text = summary::summary(evidence, units, style);
        for (what, _, path) in args.outputs().filter(|_| !quiet) {
            let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
            text += &format!("{what} written to {}\n", full.display());
        }
        print(&text)
    };
    if evidence.violations.is_empty() { printed } else { ExitCode::from(EXIT_NO) }
}

/// Reads the site and the recording, runs them, writes the files.
fn replay(args: &ReplayArgs, style: &Style) -> Result<(Evidence, UnitSystem), Stop> {
    if args.site == "-" && args.recording == "-" {
        return Err("site and recording cannot both come from standard input; give a file for one of them"
            .to_owned()
            .into());
    }
    args.check_outputs()?;
    let site = open_site(&args.site).map_err(|fault| fault.render(style.colour_errors))?;
    let mut recording = open_recording(&args.recording)?;
    recording.fits(&site.raw.meter)?;
    let start = args.start.or(recording.header().start);
    check_start(start)?;
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let mut world = World::new(site.settings.clone(), times, start)?;
    if args.plant == PlantModel::Full {
        Design::of_site(&site).and_then(|design| world.fill(design)).map_err(|e| e.to_string())?;
    }

    let mut notes = Vec::new();
    if start.is_none() {
        notes.push(
            "The recording does not say when it starts, so the civil time is unknown: the calendar rests. \
             `--start` sets it."
                .to_owned(),
        );
    }
    let open = |path: &Option<PathBuf>| path.as_deref().map(Output::open).transpose();
    let (html, csv, vcd, journal) = (open(&args.html)?, open(&args.csv)?, open(&args.vcd)?, open(&args.journal)?);
    let begin = |output: Option<Output>| output.map(Output::begin).transpose();
    let name = recording_name(&args.recording);
    let mut gatherer = Gatherer::new(&site.name, &site.note, &name, notes, &world);
    let mut checker = Checker::new(site.settings.raw().clone());
    let mut journal = begin(journal)?.map(JournalFile::new);
    let mut vcd = begin(vcd)?.map(VcdFile::new);
    let mut observers: Vec<&mut dyn Observer> = vec![&mut gatherer, &mut checker];
    observers.extend(journal.as_mut().map(|j| j as &mut dyn Observer));
    observers.extend(vcd.as_mut().map(|v| v as &mut dyn Observer));

    let bar = progress_bar(&recording, style);
    let world = Replay::new(world, observers)
        .run(&mut recording, |recording| bar.set_position(recording.progress().read_bytes))?;
    bar.finish_and_clear();

    let mut evidence = gatherer.into_evidence();
    evidence.violations = checker.into_violations();
    let contacts = world.contact_tally;
    if contacts.closures > 0 {
        evidence.notes.push(format!(
            "The meter's contact closed {} times: {} were counted as pulses, {} tallied as bounce.",
            contacts.closures,
            contacts.counted,
            contacts.closures.saturating_sub(contacts.counted)
        ));
    }
    evidence.next_expected = next_expected(&world, &evidence, args.units.map_or(site.units, Units::system));
    evidence.notes.extend(few_plates(&site, &evidence));
    if let Some(out) = begin(csv)? {
        RegenerationTable::write(&evidence, out)?;
    }
    if let Some(mut out) = begin(html)? {
        report::write(&evidence, &mut out).and_then(|()| out.flush())?;
    }
    let units = args.units.map_or(site.units, Units::system);
    Ok((evidence, units))
}

/// Diffusion needs more plates than a year has time for: said where it may be the model that leaks.
fn few_plates(site: &Site, evidence: &Evidence) -> Option<String> {
    let process = site.process.as_ref().filter(|p| p.mass_transfer && p.plates < ENOUGH_PLATES)?;
    let leaks = evidence.plant.is_some() && evidence.hard_water_nl > 0;
    leaks.then(|| {
        format!(
            "Each bed is reckoned in {} plates; held back by diffusion, fewer than {ENOUGH_PLATES} leak too early. With \
             `plates = {ENOUGH_PLATES}` in [plant] less of the hard water may remain.",
            process.plates
        )
    })
}

/// A site by the name that a person gives; its faults are shown where there are any.
pub(crate) fn load_site(text: &str, style: &Style) -> Result<Site, ExitCode> {
    open_site(text).map_err(|fault| {
        complain!("{}", fault.render(style.colour_errors).trim_end());
        ExitCode::from(EXIT_BAD_INPUT)
    })
}

pub(super) fn open_site(text: &str) -> Result<Site, SiteFault> {
    match crate::demo::named(text) {
        Some(Ok(demo)) => site::parse(&format!("demo:{}", demo.name), demo.site).map_err(SiteFault::Faults),
        Some(Err(why)) => Err(SiteFault::Text(why)),
        None => site::load(Path::new(text)).map_err(SiteFault::Faults),
    }
}

/// Why a site could not be had.
pub(super) enum SiteFault {
    Text(String),
    Faults(site::SiteErrors),
}

impl SiteFault {
    pub(super) fn render(&self, colour: bool) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Faults(faults) => faults.render(colour),
        }
    }
}

pub(super) fn open_recording(text: &str) -> Result<Recording, String> {
    let opened = match crate::demo::named(text) {
        Some(demo) => {
            let demo = demo?;
            let length = demo.recording.len() as u64;
            Recording::from_reader(demo.recording_name, Cursor::new(demo.recording), Some(length))
        }
        None => Recording::open(text),
    };
    opened.map_err(|error| recording_fault(&error))
}

/// What is wrong with a recording, and below it what would be right.
fn recording_fault(error: &RecordingError) -> String {
    let line = error.line().map_or_else(String::new, |line| format!(":{line}"));
    format!("{}{line}: {}\n  help: {}", error.file(), error.kind(), error.help())
}

/// What stopped a replay, for people.
pub(super) fn describe(error: &ReplayError) -> String {
    match error {
        ReplayError::Recording(error) => recording_fault(error),
        ReplayError::Output(error) => error.to_string(),
        other => other.to_string(),
    }
}

/// The logic believes no clock outside these years.
fn check_start(start: Option<DateTime>) -> Result<(), String> {
    match start {
        Some(start) if !(2000..2100).contains(&start.year()) => Err(format!(
            "the recording starts at {start}, outside the years 2000 to 2099 in which civil time is believed\n  \
             help: give --start a local time such as 2027-03-01T00:00"
        )),
        _ => Ok(()),
    }
}

pub(super) fn recording_name(text: &str) -> String {
    match crate::demo::named(text) {
        Some(Ok(demo)) => demo.recording_name.to_owned(),
        _ if text == "-" => "standard input".to_owned(),
        _ => Path::new(text).file_name().map_or_else(|| text.to_owned(), |n| n.to_string_lossy().into_owned()),
    }
}

fn progress_bar(recording: &Recording, style: &Style) -> ProgressBar {
    if !style.progress {
        return ProgressBar::hidden();
    }
    let progress = recording.progress();
    let bar = match progress.total_bytes {
        Some(total) => ProgressBar::new(total),
        None => ProgressBar::no_length(),
    };
    let template = if progress.total_bytes.is_some() {
        "replaying {wide_bar} {bytes}/{total_bytes} {eta}"
    } else {
        "replaying {bytes} {elapsed}"
    };
    if let Ok(look) = ProgressStyle::with_template(template) {
        bar.set_style(look);
    }
    bar
}
