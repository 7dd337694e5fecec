//! `bedkeeper demand`: makes, converts, describes and spoils recordings.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use jiff::civil::DateTime;

use super::convert::{self, Foreign};
use super::inject::{Bouncer, Faults, Upstream};
use super::judge::{Closures, Judge, Sound};
use super::output::Target;
use super::page;
use super::show::{self, Layout};
use super::{Demand, Facts, PerfectMeter, Profile, Size, Statistics, Summary, since_midnight_ms, weekday};
use crate::cli::output::{is_stdout, keep_apart};
use crate::cli::{EXIT_BAD_INPUT, Style, Units, print};
use crate::quantity::{self, PulseVolume};
use crate::recording::{Entry, Pulses, Recording};

const DAY_MS: u64 = 86_400_000;
/// A Monday.
const DEFAULT_START: &str = "2027-03-01T00:00";

/// Make a recording of water use, convert one, describe one, or spoil one
///
/// PROFILE is one of household, apartments, hotel, laundry, restaurant, school, boiler-make-up, constant, leak. Draws
/// begin at random moments, denser at the hours and on the days at which water is used; the same seed gives the same
/// bytes everywhere. The profiles are invented for rehearsal: nothing in them was measured.
///
/// In place of a profile, --from takes a recording or a foreign file (value change dump, or CSV with any columns:
/// --time, --time-as, --value and --value-as say what stands where), and --describe says what is in one.
///
/// Without -o nothing is written: the figures show what would be. A name ending in .gz or .zst is packed, one with .vcd
/// is a value change dump, anything else is CSV (`t_s,pulses`).
///
/// Examples:
///   bedkeeper demand hotel --rooms 60 --days 28 --seed 7 --meter "10 L" -o hotel.csv.gz
///   bedkeeper demand household --people 3 --inject "bounce=3%,gaps=2%,leak=0.8 L/min" -o faulty.csv
///   bedkeeper demand --describe pulses.csv.gz --html pulses.html
///   bedkeeper demand --from log.csv --time When --time-as "%d/%m/%Y %H:%M" \
///     --value Litres --value-as "L per interval" --meter "10 L" -o pulses.csv
///
/// Exit code 0: done. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
#[group(id = "source", required = true, multiple = false, args = ["profile", "from", "describe"])]
pub struct DemandArgs {
    /// How water is used
    #[arg(value_enum, hide_possible_values = true)]
    profile: Option<Profile>,
    /// Convert this file; `-` for standard input
    #[arg(long, value_name = "FILE")]
    from: Option<PathBuf>,
    /// Say what is in this recording, with pictures of its day and week
    #[arg(long, value_name = "FILE", conflicts_with_all = ["output", "inject"])]
    describe: Option<PathBuf>,
    /// Write the figures as a page too, with pictures of the day, the week and the days; `-` prints it instead. A page of
    /// an earlier run is replaced
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Where the recording goes; `-` for standard output, and the figures then go to standard error
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace the file if it is there
    #[arg(long)]
    force: bool,
    /// Faults: "bounce=3%", "gaps=2%" (of the hours), "leak=0.8 L/min" (from the second day on), with commas between
    #[arg(long, value_name = "FAULTS")]
    inject: Option<String>,
    /// How many days of a profile
    #[arg(long, default_value_t = 14, value_parser = clap::value_parser!(u32).range(1..=36_500))]
    days: u32,
    /// The same seed gives the same recording
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// The meter's pulse: "10 L", "100 pulses/L", "1 gal" [a profile's: 1 L; a file's: what it says]
    #[arg(long, value_name = "PULSE")]
    meter: Option<String>,
    /// Local time at which it starts [a profile: 2027-03-01T00:00, a Monday; a file: what it says]
    #[arg(long, value_name = "YYYY-MM-DDTHH:MM")]
    start: Option<DateTime>,
    /// Size: mean water of a day ("5 m3", "1300 gal")
    #[arg(long, value_name = "VOLUME", group = "size", requires = "profile")]
    per_day: Option<String>,
    /// Size: people who live, eat or learn there
    #[arg(long, group = "size", requires = "profile")]
    people: Option<u32>,
    /// Size: rooms of a hotel
    #[arg(long, group = "size", requires = "profile")]
    rooms: Option<u32>,
    /// A bare contact in a file: a shorter closure is bounce
    #[arg(long, value_name = "TIME", default_value = "10 ms")]
    closed_at_least: String,
    /// A bare contact in a file: a shorter gap is bounce
    #[arg(long, value_name = "TIME", default_value = "10 ms")]
    open_at_least: String,
    #[command(flatten)]
    foreign: Foreign,
    /// Units of the figures; JSON is in litres
    #[arg(long, value_enum, default_value_t = Units::Metric)]
    units: Units,
    /// Print the figures as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &DemandArgs, style: &Style) -> ExitCode {
    match demand(args, style) {
        Ok(code) => code,
        Err(why) => {
            complain!("bedkeeper demand: {}", why.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// Rows on their way, and what is known of them.
struct Source {
    rows: Box<dyn Iterator<Item = Result<Pulses, String>>>,
    /// What was done with bare contacts, once the rows are read.
    closures: std::rc::Rc<std::cell::Cell<Closures>>,
    heading: String,
    comments: Vec<String>,
    /// The pulse's volume, as a number and in words.
    pulse: Option<(PulseVolume, String)>,
    start: Option<DateTime>,
    meters: bool,
    end_ms: Option<u64>,
}

fn demand(args: &DemandArgs, style: &Style) -> Result<ExitCode, String> {
    let faults = args
        .inject
        .as_deref()
        .map(Faults::parse)
        .transpose()
        .map_err(|why| format!("--inject {why}"))?
        .unwrap_or_default();
    let file = args.from.as_deref().or(args.describe.as_deref());
    let read: Vec<_> = file.map(|file| ("the recording", file)).into_iter().collect();
    let outputs = [("--output", args.output.as_deref()), ("--html", args.html.as_deref())];
    let written: Vec<_> = outputs.into_iter().filter_map(|(option, path)| path.map(|path| (option, path))).collect();
    keep_apart(&read, &written)?;
    let source = match (args.profile, file) {
        (Some(profile), _) => of_profile(args, profile)?,
        (None, Some(path)) => of_file(args, path)?,
        (None, None) => return Err("name a profile, --from FILE or --describe FILE".to_owned()),
    };
    let bounces = faults.bounce_ppm.map(|ppm| Bouncer::new(ppm, args.seed));
    let mut comments = source.comments;
    if let Some(text) = &args.inject {
        comments.push(format!("made faulty on purpose: {text}, seed {}", args.seed));
    }
    let facts = Facts {
        comments,
        pulse: source.pulse.as_ref().map(|(_, words)| words.clone()),
        start: source.start,
        edges: bounces.is_some(),
        meters: source.meters,
    };
    let pulse = source.pulse.map(|(pulse, _)| pulse);
    let mut target = args.output.as_deref().map(|path| Target::open(path, args.force, &facts)).transpose()?;
    let mut statistics = Statistics::new(pulse, source.start);
    let mut rows = Upstream::new(source.rows, faults, pulse, args.seed, source.end_ms)?;
    let mut bounces = bounces;
    for row in rows.by_ref() {
        let row = row?;
        statistics.add(&row);
        match &mut bounces {
            Some(bouncer) => {
                bouncer.take(Some(row))?;
                write_edges(bouncer, target.as_mut())?;
            }
            None => target.as_mut().map_or(Ok(()), |target| target.write(&Entry::Pulses(row)))?,
        }
    }
    if let Some(bouncer) = &mut bounces {
        bouncer.take(None)?;
        write_edges(bouncer, target.as_mut())?;
    }
    let to_stdout = target.as_ref().is_some_and(Target::is_stdout);
    target.map_or(Ok(()), Target::finish)?;
    let mut summary = statistics.finish(source.end_ms);
    note_contacts(&mut summary, source.closures.get());
    let mut done = rows.done();
    if let Some(bouncer) = &bounces {
        (done.bounced_pulses, done.bounces) = (bouncer.done().bounced_pulses, bouncer.done().bounces);
    }
    if args.inject.is_some() {
        summary.injected = Some(done);
    }
    let (told, unit) = show::in_units(&summary, args.units.system());
    if let Some(path) = &args.html {
        let page = page::render(&source.heading, &told, unit).map_err(|error| error.to_string())?;
        if is_stdout(path) {
            return Ok(crate::cli::print(&page));
        }
        std::fs::write(path, page).map_err(|error| format!("{} could not be written: {error}", path.display()))?;
    }
    let layout = if args.describe.is_some() { Layout::whole(style) } else { Layout::brief(style) };
    report(&source.heading, &summary, (&told, unit), args, to_stdout, &layout)
}

fn write_edges(bouncer: &mut Bouncer, target: Option<&mut Target>) -> Result<(), String> {
    let Some(target) = target else {
        while bouncer.next_edge().is_some() {}
        return Ok(());
    };
    while let Some(edge) = bouncer.next_edge() {
        target.write(&edge)?;
    }
    Ok(())
}

fn note_contacts(summary: &mut Summary, closures: Closures) {
    let Some((least, most)) = closures.widths_us else { return };
    summary.contact = Some(closures);
    if closures.bounces > 0 {
        summary.suspicious.push(format!(
            "{} of {} closures are bounce: too short, or too soon after the one before (closures last {} to {} ms)",
            closures.bounces,
            closures.all,
            least as f64 / 1e3,
            most as f64 / 1e3
        ));
    }
}

fn meter(text: &str) -> Result<(PulseVolume, String), String> {
    let pulse = quantity::parse_pulse_volume(text).map_err(|error| format!("--meter: {error}"))?;
    Ok((pulse, text.trim().to_owned()))
}

fn of_profile(args: &DemandArgs, profile: Profile) -> Result<Source, String> {
    let (pulse, words) = meter(args.meter.as_deref().unwrap_or("1 L"))?;
    let start = match args.start {
        Some(start) => start,
        None => DEFAULT_START.parse().map_err(|error: jiff::Error| error.to_string())?,
    };
    let per_day = args.per_day.as_deref().map(quantity::parse_volume_nl).transpose();
    let per_day = per_day.map_err(|error| format!("--per-day: {error}"))?;
    let size = Size { ml_a_day: per_day.map(|nl| nl / 1_000_000), people: args.people, rooms: args.rooms };
    let name = profile.slug();
    let (ml_a_day, sized) = size.of(profile).map_err(|why| format!("{name} {why}"))?;
    let demand = Demand {
        profile,
        ml_a_day,
        seed: args.seed,
        leak: None,
        since_midnight_ms: since_midnight_ms(start),
        weekday: weekday(start),
        until_ms: u64::from(args.days) * DAY_MS,
    };
    let days = format!("{} day{}", args.days, if args.days == 1 { "" } else { "s" });
    Ok(Source {
        rows: Box::new(PerfectMeter::new(demand.draws(), pulse).map(Ok)),
        closures: std::rc::Rc::default(),
        heading: format!("{name}, {sized}, seed {}", args.seed),
        comments: vec![format!(
            "invented water use: {name}, {sized}, {days}, seed {}; made by bedkeeper demand, nothing was measured",
            args.seed
        )],
        pulse: Some((pulse, words)),
        start: Some(start),
        meters: false,
        end_ms: Some(demand.until_ms),
    })
}

fn of_file(args: &DemandArgs, path: &Path) -> Result<Source, String> {
    let width = |option: &str, text: &str| {
        let ms = quantity::parse_duration_ms(text).map_err(|error| format!("{option}: {error}"))?;
        Ok::<u64, String>(ms.saturating_mul(1_000))
    };
    let sound = Sound {
        closed_us: width("--closed-at-least", &args.closed_at_least)?,
        open_us: width("--open-at-least", &args.open_at_least)?,
    };
    let said = args.meter.as_deref().map(meter).transpose()?;
    let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let name = if name == "-" { "standard input".to_owned() } else { name };
    let closures = std::rc::Rc::new(std::cell::Cell::new(Closures::default()));
    if convert::is_foreign(path, &args.foreign)? {
        let converted =
            convert::open(path, &args.foreign, said.as_ref().map(|(pulse, _)| *pulse), sound, closures.clone())?;
        return Ok(Source {
            rows: converted.rows,
            closures,
            heading: name.clone(),
            comments: vec![format!("converted by bedkeeper demand from {name}; {}", converted.remark)],
            pulse: agreed(said, converted.pulse, &name)?,
            start: args.start.or(converted.start),
            meters: false,
            end_ms: None,
        });
    }
    let recording = convert::open_recording(path)?;
    let header = recording.header().clone();
    let pulse = agreed(said, header.pulse_volume_nl, &name)?;
    let mut comments = header.comments;
    comments.retain(|line| !line.to_lowercase().starts_with("pulse volume") && !line.contains("seconds since "));
    let meters = recording.names_meters();
    Ok(Source {
        rows: Box::new(OwnRows { recording, judge: Judge::new(sound), closures: closures.clone() }),
        closures,
        heading: name,
        comments,
        pulse,
        start: args.start.or(header.start),
        meters,
        end_ms: None,
    })
}

/// A pulse's volume as an option says it or a file tells it.
fn agreed(
    said: Option<(PulseVolume, String)>,
    told: Option<PulseVolume>,
    name: &str,
) -> Result<Option<(PulseVolume, String)>, String> {
    match (&said, told) {
        (Some((said, _)), Some(told)) if *said != told => {
            Err(format!("--meter says another pulse volume than {name} itself; leave it out"))
        }
        _ => Ok(said.or(told.map(|pulse| (pulse, convert::pulse_words(pulse))))),
    }
}

/// Rows of a recording; edges are judged.
struct OwnRows {
    recording: Recording,
    judge: Judge,
    closures: std::rc::Rc<std::cell::Cell<Closures>>,
}

impl Iterator for OwnRows {
    type Item = Result<Pulses, String>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(pulse) = self.judge.next_pulse() {
                return Some(Ok(pulse));
            }
            match self.recording.next_entry() {
                Ok(Some(Entry::Pulses(pulses))) => return Some(Ok(pulses)),
                Ok(Some(Entry::Edge(edge))) => self.judge.take(&edge),
                Ok(None) => {
                    self.closures.set(self.judge.found());
                    return None;
                }
                Err(error) => return Some(Err(error.to_string())),
            }
        }
    }
}

/// Prints the figures, on standard error where the recording took standard output.
fn report(
    heading: &str,
    summary: &Summary,
    told: (&Summary, &str),
    args: &DemandArgs,
    to_stdout: bool,
    layout: &Layout<'_>,
) -> Result<ExitCode, String> {
    let mut text = if args.json {
        serde_json::to_string_pretty(summary).map_err(|error| error.to_string())? + "\n"
    } else {
        show::figures(heading, told.0, told.1, layout)
    };
    match &args.output {
        _ if args.json || args.describe.is_some() => {}
        Some(path) if !to_stdout => {
            let _ = writeln!(text, "written: {}", path.display());
        }
        Some(_) => {}
        None => text.push_str("nothing written; -o FILE writes the recording\n"),
    }
    if to_stdout {
        if layout.on_terminal() || args.json {
            complain!("{}", text.trim_end());
        }
        return Ok(ExitCode::SUCCESS);
    }
    let code = print(&text);
    if let Some(path) = args.html.as_ref().filter(|_| !args.json) {
        complain!("written: {}", path.display());
    }
    Ok(code)
}
