//! The command line of `bedkeeper link`.

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use bedkeeper::calendar::Civil;
use bedkeeper::lock::Key;
use bedkeeper_runtime::link::message::{Answer, Wish};
use bedkeeper_runtime::manners::Speed;
use clap::{Args, Subcommand};
use serde_json::json;

use super::actions::DoArgs;
use super::board::SimulatedBoard;
use super::client::{Client, LinkError};
use super::line::Line;
use super::transfer::{CopyArgs, PushArgs};
use super::{doing, kept, logs, measured, show, speak, transfer, words};
use crate::cli::{EXIT_BAD_INPUT, EXIT_NO, Style, Units, load_site, print};
use crate::quantity;
use crate::quantity::show::UnitSystem;
use crate::site::Site;

/// Talk to a board on its serial line: see what it does and why, read its journal, change what it runs
///
/// PORT is a serial port such as /dev/ttyUSB0. A bundled site such as demo:apartments, or a site file (.toml), stands for
/// a simulated board in this program: three days after power-up on a Monday, with an invented use of water.
///
/// Examples:
///   bedkeeper link /dev/ttyUSB0 status
///   bedkeeper link /dev/ttyUSB0 why 1
///   bedkeeper link /dev/ttyUSB0 journal --csv > journal.csv
///   bedkeeper link /dev/ttyUSB0 --key-file code.txt do start-now --tank 2
///   bedkeeper link /dev/ttyUSB0 settings push site.toml --dry-run
///   bedkeeper link /dev/ttyUSB0 settings baseline store
///   bedkeeper link /dev/ttyUSB0 line --address 7 --speed 19200
///   bedkeeper link demo:apartments serve
///
/// Exit code 0: done. 1: the board says no, or something differs. 2: bad input, or no answer.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct LinkArgs {
    /// A serial port, or a site for a simulated board
    port: String,
    #[command(subcommand)]
    verb: Verb,
    /// Bits a second of the line
    #[arg(long, global = true, value_name = "N", default_value_t = Speed::default().baud())]
    baud: u32,
    /// What opens the lock of the serial line: a code, or `press` where a deliberate step is enough. Whoever uses this computer
    /// sees it in the list of programs, and a shell keeps it: a code is better in --key-file or in BEDKEEPER_KEY
    #[arg(long, global = true, value_name = "CODE", value_parser = parse_key)]
    key: Option<Key>,
    /// The same from the first line of a file that only you can read
    #[arg(long, global = true, value_name = "FILE", conflicts_with = "key")]
    key_file: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long, global = true)]
    json: bool,
    /// Units of what is printed
    #[arg(long, global = true, value_enum, default_value_t = Units::Metric)]
    units: Units,
}

#[derive(Debug, Subcommand)]
enum Verb {
    /// Who the board is and what the plant does now
    Status,
    /// The status again and again, with what is journalled meanwhile
    Watch {
        /// How long from one to the next
        #[arg(long, default_value = "2 s", value_name = "TIME", value_parser = parse_duration)]
        every: u64,
        /// How often; without it until the program is stopped
        #[arg(long, value_name = "N")]
        count: Option<u64>,
    },
    /// What is asked of a tank, and everything that keeps it from starting
    Why {
        /// Which tank, from 1; all of them without it
        tank: Option<u8>,
    },
    /// Alarms, with what to look at
    Alarms,
    /// What valves, relays and the store have done in their lives
    Counters,
    /// The latest records, as far as the board keeps them in memory
    Journal(logs::LogArgs),
    /// The regenerations that the board keeps
    Regenerations(logs::LogArgs),
    /// The alarms that came and went, and what operators asked for, as far back as the board keeps them
    History(logs::LogArgs),
    /// Water used, day by day
    Use(logs::LogArgs),
    /// The latest hardness tests, kept for good
    Tests(logs::LogArgs),
    /// The signed record of the first start
    Signed,
    /// Settings out of the board, and into it
    #[command(subcommand)]
    Settings(SettingsVerb),
    /// The board's clock
    #[command(subcommand)]
    Clock(ClockVerb),
    /// How the board speaks: its address for Modbus, the speed of its line, the units of its panel
    Line(speak::LineArgs),
    /// Ask for something as an operator
    Do(DoArgs),
    /// Serve a simulated board on a pseudo-terminal, for trying this command or a Modbus master without hardware
    #[cfg(unix)]
    Serve {
        /// Its time runs so many times as fast
        #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=3_600))]
        speed: u32,
        /// Stop after so long; without it when the program is stopped
        #[arg(long = "for", value_name = "TIME", value_parser = parse_duration)]
        length: Option<u64>,
        /// Write the terminal's name to a file, too
        #[arg(long, value_name = "FILE")]
        name_to: Option<PathBuf>,
    },
}

#[derive(Debug, Subcommand)]
enum SettingsVerb {
    /// Every setting that runs
    Show,
    /// Write the settings that run to a file, as an image; codes of locks are left out
    Pull {
        /// Where the image goes
        file: PathBuf,
        /// Replace the file if it is there
        #[arg(long)]
        force: bool,
    },
    /// Show what a site file or an image would change, and have it taken whole or not at all
    Push(PushArgs),
    /// Copy the settings to another board
    Copy(CopyArgs),
    /// Correct them by what was measured on site: a meter's pulses, a drain, draw or refill flow
    Measured(measured::MeasuredArgs),
    /// The site's own baseline: store it, or return to it
    #[command(subcommand)]
    Baseline(kept::BaselineVerb),
}

#[derive(Debug, Subcommand)]
enum ClockVerb {
    /// The time that the board believes
    Show,
    /// Set it
    Set {
        /// Such as "2027-03-01 06:30"; without it this computer's local time
        time: Option<String>,
    },
}

fn parse_key(text: &str) -> Result<Key, String> {
    match text {
        "press" => Ok(Key::Press),
        code => code.parse().map(Key::Code).map_err(|_| "is no key; write a code such as 4711, or `press`".to_owned()),
    }
}

fn parse_duration(text: &str) -> Result<u64, String> {
    quantity::parse_duration_ms(text).map_err(|error| error.message())
}

/// Why nothing came of it.
pub enum Failed {
    /// It has been said already.
    Said(ExitCode),
    /// Bad input, in words.
    Input(String),
    /// The link.
    Link(LinkError),
    /// The link, when this was asked for.
    About(String, LinkError),
    /// This was done, as a line that says so; a question that came after it was not answered.
    After(String, LinkError),
}

impl From<LinkError> for Failed {
    fn from(error: LinkError) -> Self {
        Self::Link(error)
    }
}

/// How things are printed.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// As JSON.
    pub json: bool,
    /// In which units.
    pub units: UnitSystem,
}

/// Runs the verb.
pub fn run(args: &LinkArgs, style: &Style) -> ExitCode {
    match talk(args, style) {
        Ok(code) | Err(Failed::Said(code)) => code,
        Err(Failed::Input(why)) => {
            complain!("bedkeeper link: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
        Err(Failed::Link(error)) => no(&error, &args.port),
        Err(Failed::About(what, error)) => no(&error, &format!("{}: {what}", args.port)),
        Err(Failed::After(done, error)) => {
            print(&done);
            no(&error, &format!("{}: that was done; what was asked afterwards is not known", args.port))
        }
    }
}

/// Says what went wrong with the link.
fn no(error: &LinkError, what: &str) -> ExitCode {
    complain!("bedkeeper link: {what}: {error}");
    let refused = matches!(error, LinkError::Refused(_));
    ExitCode::from(if refused { EXIT_NO } else { EXIT_BAD_INPUT })
}

/// The key: as it was given, out of its file, or out of the environment.
fn key(args: &LinkArgs) -> Result<Option<Key>, Failed> {
    let told = match &args.key_file {
        Some(path) => {
            let text = std::fs::read_to_string(path);
            let text = text.map_err(|error| Failed::Input(format!("{}: cannot be read: {error}", path.display())))?;
            Some((path.display().to_string(), text.lines().next().unwrap_or_default().to_owned()))
        }
        None if args.key.is_some() => return Ok(args.key),
        None => std::env::var(KEY_VARIABLE).ok().map(|text| (KEY_VARIABLE.to_owned(), text)),
    };
    let read =
        |(from, text): (String, String)| parse_key(text.trim()).map_err(|why| Failed::Input(format!("{from}: {why}")));
    told.map(read).transpose()
}

/// The environment may hold the key.
const KEY_VARIABLE: &str = "BEDKEEPER_KEY";

/// The site that a port's name stands for, if it is no port.
fn site_of(port: &str, style: &Style) -> Result<Option<Site>, Failed> {
    let is_site = port.starts_with("demo:") || port.ends_with(".toml");
    is_site.then(|| load_site(port, style).map_err(Failed::Said)).transpose()
}

/// A Monday at 06:30: the hour at which a simulated board is powered up, ms since 2000.
const POWERED_UP_MS: u64 = 9_921 * 86_400_000 + 23_400_000;
/// How long it has run when it is talked to.
const RUN_FOR_MS: u64 = 3 * 86_400_000 + 7_200_000;

fn simulated(site: &Site) -> Result<SimulatedBoard, Failed> {
    let mut board = SimulatedBoard::new(site, Some(POWERED_UP_MS)).map_err(Failed::Input)?;
    board.run_to(RUN_FOR_MS).map_err(Failed::Input)?;
    Ok(board)
}

/// Opens a line to a port, or to the simulated board of a site.
pub fn connect(port: &str, baud: u32, style: &Style) -> Result<Client, Failed> {
    let line = match site_of(port, style)? {
        Some(site) => Line::Simulated(Box::new(simulated(&site)?)),
        None => Line::open(port, baud).map_err(Failed::Input)?,
    };
    Ok(Client::new(line))
}

fn talk(args: &LinkArgs, style: &Style) -> Result<ExitCode, Failed> {
    let look = Look { json: args.json, units: args.units.system() };
    #[cfg(unix)]
    if let Verb::Serve { speed, length, name_to } = &args.verb {
        let site = site_of(&args.port, style)?;
        let site = site.ok_or_else(|| Failed::Input("serve wants a site, such as demo:apartments".to_owned()))?;
        return super::serve::serve(simulated(&site)?, *speed, *length, name_to.as_deref()).map_err(Failed::Input);
    }
    if let Verb::Do(wanted) = &args.verb {
        wanted.check().map_err(Failed::Input)?;
    }
    let key = key(args)?;
    let mut client = connect(&args.port, args.baud, style)?;
    let client = &mut client;
    let text = match &args.verb {
        Verb::Status => {
            let (identity, manners) = (client.identity()?, client.manners()?);
            show::status(&identity, manners, &client.status()?, look)
        }
        Verb::Watch { every, count } => return watch(client, Duration::from_millis(*every), *count, look),
        Verb::Why { tank } => show::why(client, *tank, look)?,
        Verb::Alarms => show::alarms(client, look)?,
        Verb::Counters => show::counters(&client.counters()?, look),
        Verb::Journal(log) => logs::journal(client, log, look)?,
        Verb::Regenerations(log) => logs::regenerations(client, log, look)?,
        Verb::History(log) => logs::history(client, log, look)?,
        Verb::Use(log) => logs::days(client, log, look)?,
        Verb::Tests(log) => kept::tests(client, log, look)?,
        Verb::Signed => kept::signed(client, look)?,
        Verb::Settings(SettingsVerb::Baseline(verb)) => return kept::baseline(client, verb, key, look),
        Verb::Settings(SettingsVerb::Show) => transfer::show(client, look)?,
        Verb::Settings(SettingsVerb::Pull { file, force }) => transfer::pull(client, file, *force, look)?,
        Verb::Settings(SettingsVerb::Push(push)) => return transfer::push(client, push, key, look, style),
        Verb::Settings(SettingsVerb::Copy(copy)) => {
            return transfer::copy(client, copy, args.baud, key, look, style);
        }
        Verb::Settings(SettingsVerb::Measured(measured)) => return measured::correct(client, measured, key, look),
        Verb::Clock(ClockVerb::Show) => clock(client, look)?,
        Verb::Clock(ClockVerb::Set { time }) => set_clock(client, civil(time.as_deref())?, key, look)?,
        Verb::Line(line) => speak::line(client, line, key, look)?,
        Verb::Do(wanted) => doing::ask(client, wanted, key, look)?,
        #[cfg(unix)]
        Verb::Serve { .. } => String::new(),
    };
    Ok(print(&text))
}

fn watch(client: &mut Client, every: Duration, count: Option<u64>, look: Look) -> Result<ExitCode, Failed> {
    let (_, mut from) = logs::records(client, 0)?;
    let mut left = count;
    loop {
        if left == Some(0) {
            return Ok(ExitCode::SUCCESS);
        }
        let status = client.status()?;
        let (records, next) = logs::records(client, from)?;
        from = next;
        let text = show::watched(&status, &records, look);
        // A closed pipe ends it without a word, as the end of the count does.
        if std::io::Write::write_all(&mut std::io::stdout(), text.as_bytes()).is_err() {
            return Ok(ExitCode::SUCCESS);
        }
        left = left.map(|left| left - 1);
        if left != Some(0) {
            client.line().pause(every).map_err(Failed::Input)?;
        }
    }
}

/// A clock that was set shows what it was set to, but for so long.
const SET_MS: u64 = 60_000;

fn set_clock(client: &mut Client, civil: Civil, key: Option<Key>, look: Look) -> Result<String, Failed> {
    let answer = match client.behind_lock(key, |client| client.change(Wish::SetClock(civil))) {
        // No answer came: the clock itself tells.
        Err(LinkError::Unanswered) => {
            let shows = client.status().ok().and_then(|status| status.moment.civil);
            if shows.is_none_or(|shows| shows.0.abs_diff(civil.0) > SET_MS) {
                return Err(LinkError::Unanswered.into());
            }
            Answer::Done
        }
        answer => answer?,
    };
    let done = |error| match error {
        Failed::Link(error) => Failed::After(format!("the clock is set to {}\n", words::civil(civil)), error),
        other => other,
    };
    let shown = clock(client, look).map_err(done)?;
    let warning = "no hardware clock took it: the time is lost when power fails\n";
    Ok(if answer == Answer::NotKept && !look.json { shown + warning } else { shown })
}

fn clock(client: &mut Client, look: Look) -> Result<String, Failed> {
    let told = client.status()?.moment.civil.map(words::civil);
    Ok(match (look.json, told) {
        (true, told) => format!("{:#}\n", json!({"clock": told})),
        (false, Some(told)) => format!("{told}\n"),
        (false, None) => "the clock is not set: calendar rules rest\n".to_owned(),
    })
}

fn civil(text: Option<&str>) -> Result<Civil, Failed> {
    let said = text.unwrap_or("this computer's time");
    let wrong = || {
        let help = "write it as \"2027-03-01 06:30\", or leave it out for now";
        Failed::Input(format!("{said}: is no time from 2000 to 2099; {help}"))
    };
    let time = match text {
        Some(text) => text.trim().replacen(' ', "T", 1).parse().map_err(|_| wrong())?,
        None => jiff::ZonedDateTime::now().datetime(),
    };
    if !(2000..=2099).contains(&time.year()) {
        return Err(wrong());
    }
    let epoch = jiff::civil::date(2000, 1, 1).at(0, 0, 0, 0);
    u64::try_from(time.duration_since(epoch).as_millis()).map(Civil).map_err(|_| wrong())
}
