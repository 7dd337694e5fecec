//! What the plant does in a normal week: a replay of recorded water use, or of use generated to the site's size.

use bedkeeper::program::StepKind;
use bedkeeper::settings::Medium;
use bedkeeper::units::Volume;
use jiff::civil::{DateTime, Weekday};

use crate::demand::{Demand, Profile};
use crate::demo::{bundled_recording, demo_name};
use crate::evidence::{Evidence, moment};
use crate::quantity::show::{self, UnitSystem};
use crate::recording::{Pulses, Recording, RecordingError};
use crate::replay::{Checker, Gatherer, Observer, Replay, ReplayError, ValveTimes, World};
use crate::scenario::{Source, Water};
use crate::site::Site;

const DAY_MS: u64 = 86_400_000;
/// Generated use runs so long, so that the last week is one like any other.
const WEEKS: u64 = 4;
/// Beyond so much a day several draws become one larger: a week is to be had in seconds.
const MOST_ML_A_DAY: u64 = 500_000_000;
/// The same numbers give the same week on every sheet.
const SEED: u64 = 1;

/// Why there is no week to show.
#[derive(Debug, thiserror::Error)]
pub enum WeekError {
    /// The recording is at fault.
    #[error("{0}")]
    Recording(#[from] RecordingError),
    /// It does not fit the site.
    #[error("{0}")]
    DoesNotFit(String),
    /// The replay could not go on.
    #[error("{0}")]
    Replay(#[from] ReplayError),
}

/// A week of the plant.
#[derive(Debug, Default)]
pub struct Week {
    /// Where the water use comes from.
    pub about: String,
    /// The days, in order.
    pub days: Vec<Day>,
    /// Figures of the week.
    pub figures: Vec<(&'static str, String)>,
    /// Regenerations that began in it: when, which tank, why, how long.
    pub regenerations: Vec<[String; 5]>,
    /// Alarms that were raised in it: when, which.
    pub alarms: Vec<(String, &'static str)>,
    /// What was seen that no rule allows; empty is what it should be.
    pub violations: Vec<String>,
}

/// The drawing's left edge, in its own units; the day is 544 wide.
const LEFT: u64 = 80;
const DAY_WIDTH: u64 = 544;

impl Week {
    /// Height of the drawing.
    pub fn height(&self) -> usize {
        self.days.len() * 34 + 24
    }

    /// Where a thousandth of the day stands.
    pub fn x(&self, part: &u64) -> String {
        tenths((LEFT * 1_000 + part * DAY_WIDTH) / 100)
    }

    /// How wide a stretch is.
    pub fn width(&self, from: &u64, to: &u64) -> String {
        tenths(to.saturating_sub(*from) * DAY_WIDTH / 100)
    }

    /// Right after a stretch, but never past the day's end.
    pub fn after(&self, to: &u64) -> String {
        self.x(&(to + 4).min(985))
    }

    /// Where an hour begins.
    pub fn hour_x(&self, hour: &usize) -> String {
        tenths(LEFT * 10 + u64::try_from(*hour).unwrap_or(0) * DAY_WIDTH * 10 / 24 + 10)
    }
}

fn tenths(number: u64) -> String {
    format!("{}.{}", number / 10, number % 10)
}

/// One day of the week, drawn along a line of 24 hours.
#[derive(Debug, Default)]
pub struct Day {
    /// Its name.
    pub name: String,
    /// Water used.
    pub used: String,
    /// Regenerations as (from, to, tank), in thousandths of a day.
    pub bars: Vec<(u64, u64, u8)>,
    /// Blackout windows as (from, to), in thousandths of a day.
    pub windows: Vec<(u64, u64)>,
    /// Water of each hour, as heights of the drawing: the largest hour of the week is 18 high.
    pub hours: Vec<usize>,
}

/// Water by the hour.
#[derive(Default)]
struct ByHour {
    nl: Vec<u128>,
}

impl Observer for ByHour {
    fn record(&mut self, _: &bedkeeper::journal::Record, _: &World) -> std::io::Result<()> {
        Ok(())
    }

    fn pulses(&mut self, pulses: &Pulses, world: &World) -> std::io::Result<()> {
        let hour = usize::try_from(pulses.at_ms * 24 / DAY_MS).unwrap_or(usize::MAX);
        if self.nl.len() <= hour {
            self.nl.resize(hour + 1, 0);
        }
        let meter = &world.controller.settings().meter;
        self.nl[hour] += u128::from(pulses.count) * u128::from(meter.pulse_nl) / u128::from(meter.pulse_divisor.max(1));
        Ok(())
    }
}

/// The week of a site. `recording` is what a person names; without one, a bundled site has its own, and for any
/// other site water use is generated.
///
/// # Errors
/// The recording cannot be read or does not fit the site.
pub fn week(site: &Site, site_name: &str, recording: Option<&str>) -> Result<Week, WeekError> {
    match (recording, demo_name(site_name)) {
        (Some(name), _) => recorded(site, name),
        (None, Some(Ok(name))) => {
            of_recording(site, &mut bundled_recording(name)?, format!("the bundled recording of {name} (invented)"))
        }
        _ => generated(site),
    }
}

fn recorded(site: &Site, name: &str) -> Result<Week, WeekError> {
    let mut recording = match demo_name(name) {
        Some(Ok(name)) => bundled_recording(name)?,
        Some(Err(why)) => return Err(WeekError::DoesNotFit(why)),
        None => Recording::open(name)?,
    };
    let about = format!("the recording {name}");
    of_recording(site, &mut recording, about)
}

fn of_recording(site: &Site, recording: &mut Recording, about: String) -> Result<Week, WeekError> {
    recording.fits(&site.raw.meter).map_err(WeekError::DoesNotFit)?;
    // A week needs weekdays; of a recording without a date it is a Monday at midnight.
    let start = recording.header().start.unwrap_or(first_monday());
    let (mut gatherer, mut checker, mut hours, world) = observers(site, start, &about)?;
    let world = Replay::new(world, vec![&mut gatherer, &mut checker, &mut hours]).run(recording, |_| {})?;
    Ok(tell(site, start, world.span_ms, gatherer.into_evidence(), checker, &hours, about))
}

/// Water use of the site's size, from invented draws.
fn generated(site: &Site) -> Result<Week, WeekError> {
    let (ml_a_day, said) = daily_use(site);
    let times = ml_a_day.div_ceil(MOST_ML_A_DAY).max(1);
    let profile = if ml_a_day > 2_000_000 { Profile::Apartments } else { Profile::Household };
    let end_ms = WEEKS * 7 * DAY_MS;
    let demand = Demand {
        profile,
        ml_a_day: ml_a_day / times,
        seed: SEED,
        leak: None,
        since_midnight_ms: 0,
        weekday: 0,
        until_ms: end_ms,
    };
    let times = u32::try_from(times).unwrap_or(u32::MAX);
    let draws = demand.draws().map(|mut draw| {
        draw.ml_per_min = draw.ml_per_min.saturating_mul(times);
        draw
    });
    let mut source = Source::open(&Water::Flows(draws.collect()), site.settings.raw())?;
    let use_a_day = show::volume(ml_a_day.saturating_mul(1_000_000), site.units);
    let about =
        format!("generated water use ({said}: {use_a_day} a day, by invented draws), the last of {WEEKS} weeks");
    let start = first_monday();
    let (mut gatherer, mut checker, mut hours, world) = observers(site, start, &about)?;
    let mut replay = Replay::new(world, vec![&mut gatherer, &mut checker, &mut hours]);
    replay.power_up()?;
    loop {
        let now_ms = replay.world().now_ms;
        let until = source.next_ms(replay.world()).unwrap_or(end_ms).clamp(now_ms, end_ms);
        let next = replay.world().next_event_ms().map_or(until, |own| own.min(until));
        source.flow_to(next, replay.world());
        if replay.step_to(until)? {
            continue;
        }
        let now_ms = replay.world().now_ms;
        while let Some(entry) = source.take(now_ms)? {
            replay.take(&entry)?;
        }
        if now_ms >= end_ms {
            break;
        }
    }
    replay.stop()?;
    drop(replay);
    Ok(tell(site, start, end_ms, gatherer.into_evidence(), checker, &hours, about))
}

/// A day's use, and where that is known from. A site file that does not say gets a third of a tank's capacity.
fn daily_use(site: &Site) -> (u64, &'static str) {
    let ml = |volume: Volume| volume.nl() / 1_000_000;
    match site.water_use.a_day {
        Some(volume) => (ml(volume).max(1), "as much as the site file says"),
        None => (
            ml(tank_volume(site)).div_ceil(3).max(1),
            "the site file does not say how much: a third of a tank's capacity",
        ),
    }
}

/// Water that one tank treats at today's hardness.
pub(super) fn tank_volume(site: &Site) -> Volume {
    match site.raw.medium {
        Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
        Medium::Filter { capacity } => capacity,
    }
}

fn first_monday() -> DateTime {
    // A Monday, so that the week begins where calendars do.
    jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0)
}

fn observers(site: &Site, start: DateTime, about: &str) -> Result<(Gatherer, Checker, ByHour, World), ReplayError> {
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let world = World::new(site.settings.clone(), times, Some(start))?;
    let gatherer = Gatherer::new(&site.name, &site.note, about, Vec::new(), &world);
    Ok((gatherer, Checker::new(site.settings.raw().clone()), ByHour::default(), world))
}

/// The last whole week of what was replayed; all of it if that is less.
fn tell(
    site: &Site,
    start: DateTime,
    span_ms: u64,
    evidence: Evidence,
    checker: Checker,
    hours: &ByHour,
    about: String,
) -> Week {
    let to_midnight_ms = to_midnight(start);
    let whole_days = span_ms.saturating_sub(to_midnight_ms) / DAY_MS;
    let days = whole_days.clamp(1, 7);
    let from_ms = to_midnight_ms + whole_days.saturating_sub(days) * DAY_MS;
    let to_ms = from_ms + days * DAY_MS;
    let in_week = |at_ms: u64| (from_ms..to_ms).contains(&at_ms);
    let began: Vec<_> = evidence.regenerations.iter().filter(|r| in_week(r.start_ms)).collect();
    let used: u128 = hours_of(hours, from_ms, to_ms).iter().sum();
    let sum =
        |figure: fn(&crate::evidence::RegenerationEvidence) -> u128| began.iter().map(|r| figure(r)).sum::<u128>();
    let units = site.units;
    let mut figures = vec![
        ("water used", volume(used, units)),
        ("regenerations", began.len().to_string()),
        (
            "salt, estimated",
            show::mass(u64::try_from(sum(|r| u128::from(r.salt_mg))).unwrap_or(u64::MAX), units).to_string(),
        ),
        ("water to drain, estimated", volume(sum(|r| r.drain_nl), units)),
        ("water past a tank's capacity", volume(sum(|r| r.overrun_nl), units)),
    ];
    if site.raw.program.iter().all(|step| step.kind != StepKind::BrineDraw) {
        figures.retain(|(name, _)| !name.starts_with("salt"));
    }
    Week {
        about,
        days: (0..days)
            .map(|day| one_day(site, start, &evidence, hours, from_ms + day * DAY_MS, (from_ms, to_ms)))
            .collect(),
        figures,
        regenerations: began
            .iter()
            .map(|r| {
                let took =
                    r.end_ms.map_or_else(|| "still runs".to_owned(), |end| show::duration_brief(end - r.start_ms));
                let since = volume(r.volume_since_last_nl, units);
                [
                    weekday_time(start, r.start_ms),
                    r.tank.to_string(),
                    r.causes().collect::<Vec<_>>().join(", "),
                    since,
                    took,
                ]
            })
            .collect(),
        alarms: evidence
            .alarms
            .iter()
            .filter(|a| in_week(a.from_ms))
            .map(|a| (weekday_time(start, a.from_ms), a.slug))
            .collect(),
        violations: checker
            .into_violations()
            .iter()
            .map(|v| format!("{} at {}: {}", v.rule, moment(Some(start), v.at_ms), v.text))
            .collect(),
    }
}

/// From the start to the first midnight, ms.
fn to_midnight(start: DateTime) -> u64 {
    let time = start.time();
    let since =
        u64::try_from(i64::from(time.hour()) * 3_600 + i64::from(time.minute()) * 60 + i64::from(time.second()))
            .unwrap_or(0);
    (DAY_MS - since * 1_000) % DAY_MS
}

fn volume(nl: u128, units: UnitSystem) -> String {
    show::volume(u64::try_from(nl).unwrap_or(u64::MAX), units).to_string()
}

/// Water of each hour of a stretch. Hours are those of the recording: where it does not begin on the hour, they are
/// shifted by the rest.
fn hours_of(hours: &ByHour, from_ms: u64, to_ms: u64) -> Vec<u128> {
    let hour = |ms: u64| usize::try_from(ms * 24 / DAY_MS).unwrap_or(usize::MAX);
    (hour(from_ms)..hour(to_ms)).map(|h| hours.nl.get(h).copied().unwrap_or(0)).collect()
}

fn one_day(site: &Site, start: DateTime, evidence: &Evidence, hours: &ByHour, from_ms: u64, week: (u64, u64)) -> Day {
    let to_ms = from_ms + DAY_MS;
    let part = |at_ms: u64| at_ms.clamp(from_ms, to_ms).saturating_sub(from_ms) * 1_000 / DAY_MS;
    let of_day = hours_of(hours, from_ms, to_ms);
    let most = hours_of(hours, week.0, week.1).into_iter().max().unwrap_or(0).max(1);
    let ran = evidence.regenerations.iter().map(|r| (r.start_ms, r.end_ms.unwrap_or(u64::MAX), r.tank));
    let date = at(start, from_ms);
    let blacked_out = |minute: u32| {
        let day = u32::try_from(date.weekday().to_monday_zero_offset()).unwrap_or(0);
        site.settings.week().left_s((day * 1_440 + minute) * 60).is_some()
    };
    Day {
        name: weekday(date.weekday()).to_owned(),
        used: volume(of_day.iter().sum(), site.units),
        bars: ran
            .filter(|(from, to, _)| *from < to_ms && *to > from_ms)
            .map(|(from, to, tank)| (part(from), part(to).max(part(from) + 3), tank))
            .collect(),
        windows: stretches(1_440, blacked_out)
            .into_iter()
            .map(|(from, to)| (u64::from(from) * 1_000 / 1_440, u64::from(to) * 1_000 / 1_440))
            .collect(),
        hours: of_day.into_iter().map(|nl| usize::try_from(nl * 18 / most).unwrap_or(18)).collect(),
    }
}

/// The stretches of `0..length` in which something holds.
fn stretches(length: u32, holds: impl Fn(u32) -> bool) -> Vec<(u32, u32)> {
    let mut all: Vec<(u32, u32)> = Vec::new();
    for minute in (0..length).filter(|minute| holds(*minute)) {
        match all.last_mut() {
            Some((_, to)) if *to == minute => *to += 1,
            _ => all.push((minute, minute + 1)),
        }
    }
    all
}

fn at(start: DateTime, at_ms: u64) -> DateTime {
    let elapsed = jiff::SignedDuration::from_millis(i64::try_from(at_ms).unwrap_or(i64::MAX));
    start.checked_add(elapsed).unwrap_or(start)
}

fn weekday_time(start: DateTime, at_ms: u64) -> String {
    let at = at(start, at_ms);
    format!("{} {:02}:{:02}", weekday(at.weekday()), at.hour(), at.minute())
}

fn weekday(day: Weekday) -> &'static str {
    match day {
        Weekday::Monday => "Monday",
        Weekday::Tuesday => "Tuesday",
        Weekday::Wednesday => "Wednesday",
        Weekday::Thursday => "Thursday",
        Weekday::Friday => "Friday",
        Weekday::Saturday => "Saturday",
        Weekday::Sunday => "Sunday",
    }
}
