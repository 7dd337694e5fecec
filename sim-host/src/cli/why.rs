//! `bedkeeper why`: what stood in the way at a moment, and what led there.

use std::collections::VecDeque;
use std::path::Path;
use std::process::ExitCode;

use bedkeeper::demand::Standing;
use bedkeeper::derating::Derating;
use bedkeeper::drive::DriveEvent;
use bedkeeper::journal::{Event, Record};
use bedkeeper::settings::Reserve;
use bedkeeper::units::{Instant, TankId, Volume};
use clap::Args;
use jiff::civil::DateTime;
use serde::Serialize;

use super::at_time::{AtTime, clocks_of};
use super::replay::{describe, open_recording, open_site, recording_name};
use super::{EXIT_BAD_INPUT, Style, Units, print, printable};
use crate::evidence::moment;
use crate::quantity::show::{self, UnitSystem};
use crate::recording::Recording;
use crate::replay::{Observer, Replay, ReplayError, ValveTimes, World, replay_ms};
use crate::scenario::{self, Days};
use crate::site::Site;
use crate::wording;

/// Records kept for the chain of events.
const CHAIN_KEPT: usize = 4_096;
/// After the last pulse of a recording the plant goes on for a day, long enough for whatever was under way.
const AFTER_LAST_PULSE_MS: u64 = 86_400_000;
/// Records of the chain that are shown; of more, the first and the last.
const CHAIN_SHOWN: usize = 24;

/// What stood in the way of a regeneration at a moment, what clears it and when, and what led there
///
/// SITE and RECORDING are as for `replay`. The moment is a civil time, a day of the recording (day 1 is the day on which
/// it starts) with a time of day, or a time since the start. Without RECORDING the first file is a scenario, which is
/// run to that moment with all that happens in it; civil times are then those of its plant's clock, which may be set.
///
/// Examples:
///   bedkeeper why demo:apartments demo:apartments --at "day 9 20:00"
///   bedkeeper why rehearsal.toml --at "day 2 03:30"
///   bedkeeper why site.toml pulses.csv --at 2027-03-09T20:00 --json
///   bedkeeper why site.toml pulses.csv --at "+36 h" --tank 2
///
/// Exit code 0: answered. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct WhyArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments; or, alone, a scenario
    site: String,
    /// The recording: a file, `-`, or a bundled one such as demo:apartments
    recording: Option<String>,
    /// The moment: "2027-03-09T20:00", "day 9 20:00" or "+36 h"
    #[arg(long, value_name = "TIME")]
    at: String,
    /// Only this tank, from 1
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=8))]
    tank: Option<u8>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
    /// Units of what is left and kept back; records are in litres
    #[arg(long, value_enum, conflicts_with = "json")]
    units: Option<Units>,
    /// Local time at which the recording starts, where it does not say so itself
    #[arg(long, value_name = "YYYY-MM-DDTHH:MM", requires = "recording")]
    start: Option<DateTime>,
}

/// Runs the verb.
pub fn run(args: &WhyArgs, style: &Style) -> ExitCode {
    match answer(args, style) {
        Ok(text) => print(&text),
        Err(text) => {
            complain!("{}", text.trim_end());
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// What the logic wrote, up to a number of records.
#[derive(Default)]
struct Chain {
    records: VecDeque<Record>,
}

impl Observer for Chain {
    fn record(&mut self, record: &Record, _world: &World) -> std::io::Result<()> {
        if self.records.len() == CHAIN_KEPT {
            self.records.pop_front();
        }
        self.records.push_back(*record);
        Ok(())
    }
}

/// A run that stands at the moment asked for.
struct Asked {
    site: Site,
    /// What brought the water and the events.
    name: String,
    start: Option<DateTime>,
    at_ms: u64,
    world: World,
    chain: Chain,
}

fn answer(args: &WhyArgs, style: &Style) -> Result<String, String> {
    let Asked { site, name, start, at_ms, world, chain } = match &args.recording {
        Some(recording) => replayed(args, recording, style)?,
        None => rehearsed(args, style)?,
    };
    if let Some(tank) = args.tank.filter(|tank| *tank > site.settings.tanks) {
        return Err(format!("the site has no tank {tank}; it has {}", site.settings.tanks));
    }
    let tanks = (0..site.settings.tanks).map(TankId).filter(|id| args.tank.is_none_or(|tank| tank == id.number()));
    let tanks: Vec<_> = tanks.map(|id| tank_answer(id, &world, &chain)).collect();
    Ok(if args.json {
        json(&site, &name, at_ms, start, &tanks)
    } else {
        let clock = (world.start != start).then_some(world.start);
        let units = args.units.map_or(site.units, Units::system);
        let mut text = readable(&site, &name, (at_ms, start, clock), &tanks, (units, style));
        text.push_str(&reserve_line(&world, units));
        text
    })
}

/// A site and a recording, up to the moment.
fn replayed(args: &WhyArgs, recording: &str, style: &Style) -> Result<Asked, String> {
    if args.site == "-" && recording == "-" {
        return Err("site and recording cannot both come from standard input; give a file for one of them".into());
    }
    let name = recording_name(recording);
    let site = open_site(&args.site).map_err(|fault| fault.render(style.colour_errors))?;
    let mut recording = open_recording(recording)?;
    recording.fits(&site.raw.meter)?;
    let start = args.start.or(recording.header().start);
    let asked = AtTime { text: &args.at, what: "recording", start, end_ms: None, beyond_ms: AFTER_LAST_PULSE_MS };
    let at_ms = asked.at_ms(|| Ok(vec![(0, start)]))?;
    let mut chain = Chain::default();
    let world = match replay_to(&site, &mut recording, start, at_ms, &mut chain).map_err(|error| describe(&error))? {
        Reached::There(world) => *world,
        Reached::Ended { last_ms } => return Err(asked.after_end(last_ms)),
    };
    Ok(Asked { site, name, start, at_ms, world, chain })
}

/// A scenario, up to the moment.
fn rehearsed(args: &WhyArgs, style: &Style) -> Result<Asked, String> {
    let file = Path::new(&args.site);
    let loaded = if args.site == "-" { None } else { Some(scenario::load(file)) };
    let scenario = match loaded {
        Some(Ok(scenario)) => scenario,
        Some(Err(errors)) if open_site(&args.site).is_err() => return Err(errors.render(style.colour_errors)),
        _ => {
            return Err(format!(
                "{}: a site needs a RECORDING beside it; only a scenario's file stands alone\n  \
                 help: bedkeeper why {0} demo:apartments --at {:?}",
                args.site, args.at
            ));
        }
    };
    let (start, end_ms) = (scenario.start, Some(scenario.lasts_ms));
    let asked = AtTime { text: &args.at, what: "scenario", start, end_ms, beyond_ms: 0 };
    let at_ms = asked.at_ms(|| clocks_of(&scenario).map_err(|error| error.to_string()))?;
    let mut chain = Chain::default();
    let world = scenario::run_to(&scenario, at_ms, &mut chain).map_err(|error| error.to_string())?;
    let name = recording_name(&args.site);
    Ok(Asked { start: scenario.start, site: scenario.site, name, at_ms, world, chain })
}

/// What came of a replay.
enum Reached {
    /// It stands at the moment asked for.
    There(Box<World>),
    /// The recording ended long before it.
    Ended { last_ms: u64 },
}

/// Replays a recording up to a moment.
fn replay_to(
    site: &Site,
    recording: &mut Recording,
    start: Option<DateTime>,
    at_ms: u64,
    chain: &mut Chain,
) -> Result<Reached, ReplayError> {
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let world = World::new(site.settings.clone(), times, start)?;
    let mut replay = Replay::new(world, vec![chain]);
    replay.power_up()?;
    let mut last_ms = 0;
    while let Some(entry) = recording.next_entry()? {
        last_ms = entry.at_ms();
        if last_ms > at_ms {
            break;
        }
        replay.run_to(last_ms)?;
        replay.take(&entry)?;
    }
    if at_ms > last_ms + AFTER_LAST_PULSE_MS {
        return Ok(Reached::Ended { last_ms });
    }
    replay.run_to(at_ms)?;
    Ok(Reached::There(Box::new(replay.into_world())))
}

/// What a learned reserve keeps back, and the use that it expects; nothing of another reserve.
fn reserve_line(world: &World, units: UnitSystem) -> String {
    if !matches!(world.controller.settings().reserve, Reserve::Learned(_)) {
        return String::new();
    }
    let now = world.controller.reserve_in_force();
    let volume = |volume: Volume| show::volume(volume.nl(), units);
    let expected = if now.covers.is_some() && now.expected > Volume::ZERO {
        format!("; until the next permitted hour the site is expected to use {}", volume(now.expected))
    } else {
        String::new()
    };
    let basis = wording::reserve_basis_text(now.basis.slug());
    format!("\nlearned reserve: {} of each tank, {basis}{expected}\n", volume(now.kept))
}

/// What there is to say about a tank.
struct TankAnswer {
    id: TankId,
    duty: &'static str,
    step: Option<&'static str>,
    causes: Vec<&'static str>,
    asked_ms: Option<u64>,
    holds: Vec<Standing>,
    leaving: bool,
    remaining_nl: u64,
    derating: Derating,
    kept_per_mille: u16,
    led_here: Vec<Record>,
}

fn tank_answer(id: TankId, world: &World, chain: &Chain) -> TankAnswer {
    let tank = &world.controller.tanks()[id.index()];
    let why = world.controller.why(id);
    let asked_at = why.as_ref().and_then(|why| why.asked_at);
    TankAnswer {
        id,
        duty: tank.duty().kind().slug(),
        step: tank.regeneration().and_then(|r| r.step(world.controller.settings())).map(|step| step.slug()),
        causes: why.iter().flat_map(|why| why.causes.iter()).map(|cause| cause.slug()).collect(),
        asked_ms: asked_at.map(replay_ms),
        leaving: tank.is_leaving(),
        holds: why.map(|why| why.holds.to_vec()).unwrap_or_default(),
        remaining_nl: tank.ledger().remaining().nl(),
        derating: *tank.derating(),
        kept_per_mille: world.controller.capacity_per_mille(tank),
        led_here: led_here(id, asked_at, chain),
    }
}

/// The records that led a tank to where it is: since it was asked for, or since its last regeneration began.
fn led_here(id: TankId, asked_at: Option<Instant>, chain: &Chain) -> Vec<Record> {
    let began = |record: &&Record| matches!(record.event, Event::Started { tank, .. } if tank == id);
    let since = asked_at.or_else(|| chain.records.iter().rev().find(began).map(|record| record.at));
    let from = since.unwrap_or(Instant::from_ticks(0));
    chain.records.iter().filter(|record| record.at >= from && leads(id, &record.event)).copied().collect()
}

/// Whether an event belongs to the chain of a tank: its own, those of the whole plant, and the duties of the others,
/// which are what it may wait for. Valves that move as they should explain nothing.
fn leads(id: TankId, event: &Event) -> bool {
    if matches!(event, Event::Drive { event: DriveEvent::Moving(_) | DriveEvent::Confirmed(_), .. }) {
        return false;
    }
    match wording::tank_of(event) {
        Some(tank) if tank == id => true,
        Some(_) => {
            matches!(event, Event::Duty { .. } | Event::Started { .. } | Event::Ended { .. } | Event::Drive { .. })
        }
        None => true,
    }
}

// ---- for people --------------------------------------------------------------------------------------

/// `clock` is what the plant's clock counts from where that was changed.
fn readable(
    site: &Site,
    recording: &str,
    (at_ms, start, clock): (u64, Option<DateTime>, Option<Option<DateTime>>),
    tanks: &[TankAnswer],
    (units, style): (UnitSystem, &Style),
) -> String {
    let when = |ms: u64| moment(start, ms);
    let days = Days::of(start);
    let mut text = style.bold(&format!("{} · {} · {}", printable(&site.name), printable(recording), when(at_ms)));
    let shows = match clock {
        None => String::new(),
        Some(None) => "; its clock is lost".to_owned(),
        Some(shown) => format!("; its clock shows {}", moment(shown, at_ms)),
    };
    text.push_str(&format!(" ({}{shows})\n", days.show(at_ms)));
    for tank in tanks {
        let step = tank.step.map_or_else(String::new, |step| format!(", {step}"));
        let left = show::volume(tank.remaining_nl, units);
        text.push_str(&format!("\n{}: {}{step}, {left} left\n", style.bold(&tank.id.to_string()), tank.duty));
        if tank.kept_per_mille < 1_000 {
            let (age, tests) = (tank.derating.by_age_per_mille(), tank.derating.by_tests_per_mille());
            let kept = show::share(u32::from(tank.kept_per_mille) * 1_000);
            text.push_str(&format!("  capacity: {kept} of the set one, {}\n", wording::derating_text(age, tests)));
        }
        match tank.asked_ms {
            None => text.push_str("  nothing is asked of it\n"),
            Some(asked) => text.push_str(&format!("  asked for: {}, since {}\n", tank.causes.join(", "), when(asked))),
        }
        for standing in &tank.holds {
            text.push_str(&format!("  held: {}\n", wording::standing_text(standing, |ms| format!("at {}", when(ms)))));
        }
        if tank.asked_ms.is_some() && tank.holds.is_empty() {
            text.push_str("  nothing holds it\n");
        }
        if tank.leaving {
            text.push_str(&format!("  {}\n", wording::LEAVING));
        }
        text.push_str("  what led there:\n");
        let skipped = tank.led_here.len().saturating_sub(CHAIN_SHOWN);
        for (i, record) in tank.led_here.iter().enumerate() {
            if skipped > 0 && i == CHAIN_SHOWN / 2 {
                text.push_str(&format!("    … {skipped} more …\n"));
            }
            if skipped == 0 || i < CHAIN_SHOWN / 2 || i >= CHAIN_SHOWN / 2 + skipped {
                text.push_str(&format!("    {}  {}\n", when(replay_ms(record.at)), wording::sentence(&record.event)));
            }
        }
    }
    text
}

// ---- for programs ------------------------------------------------------------------------------------

#[derive(Serialize)]
struct Json<'a> {
    site: &'a str,
    recording: &'a str,
    at_s: f64,
    at: Option<String>,
    tanks: Vec<JsonTank<'a>>,
}

#[derive(Serialize)]
struct JsonTank<'a> {
    tank: u8,
    duty: &'a str,
    step: Option<&'a str>,
    remaining_l: f64,
    causes: &'a [&'a str],
    asked_s: Option<f64>,
    holds: Vec<JsonHold>,
    /// Taken out, it serves until another has taken over.
    leaving: bool,
    led_here: Vec<JsonEvent>,
    capacity: JsonCapacity,
}

#[derive(Serialize)]
struct JsonCapacity {
    share: f64,
    less_by_age: f64,
    less_by_tests: f64,
}

#[derive(Serialize)]
struct JsonHold {
    hold: &'static str,
    cleared_by: &'static str,
    clears_s: Option<f64>,
}

#[derive(Serialize)]
struct JsonEvent {
    at_s: f64,
    text: String,
}

fn json(site: &Site, recording: &str, at_ms: u64, start: Option<DateTime>, tanks: &[TankAnswer]) -> String {
    let seconds = |ms: u64| ms as f64 / 1_000.0;
    let tanks = tanks.iter().map(|tank| JsonTank {
        tank: tank.id.number(),
        duty: tank.duty,
        step: tank.step,
        remaining_l: tank.remaining_nl as f64 / 1e9,
        causes: &tank.causes,
        asked_s: tank.asked_ms.map(seconds),
        holds: tank
            .holds
            .iter()
            .map(|standing| JsonHold {
                hold: standing.hold.slug(),
                cleared_by: standing.hold.cleared_by(),
                clears_s: standing.clears_at.map(|at| seconds(replay_ms(at))),
            })
            .collect(),
        leaving: tank.leaving,
        led_here: tank
            .led_here
            .iter()
            .map(|record| JsonEvent { at_s: seconds(replay_ms(record.at)), text: wording::sentence(&record.event) })
            .collect(),
        capacity: JsonCapacity {
            share: f64::from(tank.kept_per_mille) / 1e3,
            less_by_age: f64::from(tank.derating.by_age_per_mille()) / 1e3,
            less_by_tests: f64::from(tank.derating.by_tests_per_mille()) / 1e3,
        },
    });
    let value = Json {
        site: &site.name,
        recording,
        at_s: seconds(at_ms),
        at: start.map(|_| moment(start, at_ms)),
        tanks: tanks.collect(),
    };
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(&value).unwrap_or_default() + "\n"
}
