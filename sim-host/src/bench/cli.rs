//! `bedkeeper bench`: a plant to play with in the terminal.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::Args;
use crossterm::event::{self, Event};
use jiff::civil::DateTime;

use super::{App, Plan, Session, draw};
use crate::cli::{EXIT_BAD_INPUT, Style, load_site};
use crate::scenario::{self, Water};
use crate::site::Site;

/// How long a frame stands.
const FRAME: Duration = Duration::from_millis(50);

/// A live plant in the terminal: move every input, break things, ask why
///
/// SITE is a site file or a bundled one; RECORDING draws the water, else you do. With --scenario a scenario is followed.
/// `?` shows the keys. What was done is saved as a scenario that `verify` runs again.
///
/// Examples:
///   bedkeeper bench demo:apartments
///   bedkeeper bench site.toml pulses.csv.gz
///   bedkeeper bench demo:apartments --plant full
///   bedkeeper bench --scenario night.toml
///
/// Exit code 0: left. 2: bad input, or no terminal.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct BenchArgs {
    /// The site: a file, or a bundled one such as demo:apartments
    #[arg(required_unless_present = "scenario")]
    site: Option<String>,
    /// The recording that draws the water: a file, or a bundled one such as demo:apartments
    recording: Option<String>,
    /// Follow this scenario
    #[arg(long, value_name = "FILE", conflicts_with_all = ["site", "recording", "plant", "start"])]
    scenario: Option<PathBuf>,
    /// How much of the plant is modelled
    #[arg(long, value_enum, default_value_t = Modelled::Simple)]
    plant: Modelled,
    /// Civil time at the start
    #[arg(long, value_name = "YYYY-MM-DDTHH:MM", default_value = "2027-03-01T00:00")]
    start: DateTime,
    /// Where `s` saves what was done, as a scenario
    #[arg(long, value_name = "FILE", default_value = "bench.toml")]
    save: PathBuf,
}

/// How much of a plant is modelled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Modelled {
    /// Valves and the meter.
    Simple,
    /// Water, resin, brine and pressure, too.
    Full,
}

/// Runs the verb.
pub fn run(args: &BenchArgs, style: &Style) -> ExitCode {
    let fault = |why: String| {
        complain!("{}", why.trim_end());
        ExitCode::from(EXIT_BAD_INPUT)
    };
    let site = match args.site.as_deref().map(|name| load_site(name, style)).transpose() {
        Ok(site) => site,
        Err(code) => return code,
    };
    match plan(args, site, style).and_then(|plan| bench(plan, args)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => fault(why),
    }
}

/// What the session begins with.
fn plan(args: &BenchArgs, site: Option<Site>, style: &Style) -> Result<Plan, String> {
    let (Some(site), Some(name)) = (site, args.site.clone()) else {
        let file = args.scenario.as_deref().unwrap_or(Path::new("-"));
        let scenario = scenario::load(file).map_err(|errors| errors.render(style.colour_errors))?;
        let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
        return Ok(Plan { scenario, text: Some(text), site: String::new(), recording: None });
    };
    let water = match args.recording.as_deref() {
        None => Water::None,
        Some(text) => match crate::demo::demo_name(text) {
            Some(demo) => Water::Bundled(demo?),
            None => Water::File(PathBuf::from(text)),
        },
    };
    let absolute = |name: &str| match crate::demo::demo_name(name) {
        Some(_) => name.to_owned(),
        None => std::path::absolute(name).map_or_else(|_| name.to_owned(), |path| path.display().to_string()),
    };
    let recording = args.recording.as_deref().map(absolute);
    Plan::of_site(site, &absolute(&name), args.start, args.plant == Modelled::Full, water, recording)
        .map_err(|why| format!("{name}: {why}"))
}

fn bench(plan: Plan, args: &BenchArgs) -> Result<(), String> {
    if !(std::io::stdin().is_terminal() && std::io::stdout().is_terminal()) {
        return Err("bedkeeper bench needs a terminal; in a script use `verify` or `replay`".to_owned());
    }
    let session = Session::new(plan).map_err(|error| error.to_string())?;
    let mut app = App::new(session, args.save.clone());
    let mut terminal = ratatui::try_init().map_err(|error| format!("the terminal cannot be used: {error}"))?;
    let _ = crossterm::execute!(std::io::stdout(), event::EnableMouseCapture);
    let left = play(&mut terminal, &mut app);
    let _ = crossterm::execute!(std::io::stdout(), event::DisableMouseCapture);
    ratatui::restore();
    left.map_err(|error| format!("the terminal failed: {error}"))
}

fn play(terminal: &mut ratatui::DefaultTerminal, app: &mut App) -> std::io::Result<()> {
    let mut last = Instant::now();
    while !app.quits {
        terminal.draw(|frame| draw(frame, app))?;
        let wait = if app.plays { FRAME } else { Duration::from_secs(3_600) };
        if event::poll(wait)? {
            match event::read()? {
                Event::Key(key) => app.key(key),
                Event::Mouse(mouse) => app.mouse(mouse),
                _ => {}
            }
        }
        let now = Instant::now();
        app.pass(now - last);
        last = now;
    }
    Ok(())
}
