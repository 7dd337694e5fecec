//! A moment of a recording or scenario that somebody asks for: which one is meant, or what would be right.

use bedkeeper::journal::Record;
use jiff::SignedDuration;
use jiff::civil::DateTime;

use crate::evidence::moment;
use crate::quantity::{parse_clock_ms, parse_date_time, show};
use crate::replay::{Observer, World};
use crate::scenario::{self, Days, Deed, RunError, Scenario};

/// What the plant's clock showed at the start, from which ms on.
type Clock = (u64, Option<DateTime>);

/// A moment that is asked for, and the time in which moments can be asked for.
pub struct AtTime<'a> {
    /// What was asked for, as it was written.
    pub text: &'a str,
    /// `recording` or `scenario`.
    pub what: &'static str,
    /// Local time at its start, if known.
    pub start: Option<DateTime>,
    /// Its last moment, where that is known beforehand.
    pub end_ms: Option<u64>,
    /// The plant goes on for so long beyond it.
    pub beyond_ms: u64,
}

impl AtTime<'_> {
    /// In ms since the start, the clock being as it was at the start unless `clocks` has it otherwise.
    ///
    /// # Errors
    /// What is wrong with it, and what would be right.
    pub fn at_ms(&self, clocks: impl FnOnce() -> Result<Vec<Clock>, String>) -> Result<u64, String> {
        let at_ms = if is_date(self.text) { self.civil(&clocks()?)? } else { self.counted()? };
        match self.end_ms {
            Some(end_ms) if at_ms > end_ms.saturating_add(self.beyond_ms) => Err(self.after_end(end_ms)),
            _ => Ok(at_ms),
        }
    }

    /// A day of the recording, or a time since the start.
    fn counted(&self) -> Result<u64, String> {
        if parse_clock_ms(self.text).is_ok() {
            let why = "a time of day alone does not say which day";
            return Err(self.wrong(why, &format!("\"day 1 {}\" is that of the first day", self.text.trim())));
        }
        let days = Days::of(self.start);
        days.parse(self.text).map_err(|why| {
            let since = if why.ends_with("the start") { format!(", {}", days.show(0)) } else { String::new() };
            self.wrong(&format!("{why}{since}"), &self.examples())
        })
    }

    /// The moment at which the plant's clock shows a date and time.
    fn civil(&self, clocks: &[Clock]) -> Result<u64, String> {
        let civil = parse_date_time(self.text).map_err(|why| self.wrong(&why, &self.examples()))?;
        let Some(start) = self.start else {
            let why = format!("the {} does not say when it starts", self.what);
            return Err(self.wrong(&why, "give its start with --start 2027-03-01T00:00, or ask for \"+36 h\""));
        };
        let found = shown_at(civil, clocks);
        let days = Days::of(self.start);
        match *found.as_slice() {
            [at_ms] => Ok(at_ms),
            [] if civil < start => {
                let why = format!("lies before the {}'s start, {}", self.what, moment(self.start, 0));
                Err(self.wrong(&why, &self.examples()))
            }
            [] => {
                let changes = clocks.iter().skip(1).map(|(at_ms, start)| {
                    let from = days.show(*at_ms);
                    match start {
                        Some(_) => format!("from {from} on it shows {}", moment(*start, *at_ms)),
                        None => format!("from {from} on it is lost"),
                    }
                });
                let changes: Vec<_> = changes.collect();
                let why = format!("the plant's clock never shows that; {}", changes.join(", "));
                Err(self.wrong(&why, &self.examples()))
            }
            _ => {
                let moments: Vec<_> = found.iter().map(|at_ms| format!("\"{}\"", days.show(*at_ms))).collect();
                let why = format!("the plant's clock, which is changed, shows that {} times", found.len());
                Err(self.wrong(&why, &format!("ask for {}", moments.join(" or "))))
            }
        }
    }

    /// What is said of a moment after the last one that can be asked for.
    pub fn after_end(&self, end_ms: u64) -> String {
        let days = Days::of(self.start);
        let end = match self.start {
            Some(_) => format!("{} ({})", moment(self.start, end_ms), days.show(end_ms)),
            None => days.show(end_ms),
        };
        let beyond = match self.beyond_ms {
            0 => String::new(),
            ms => format!(", and the plant goes on for {}", show::duration(ms)),
        };
        let why = format!("the {} ends before that, at {end}{beyond}", self.what);
        let last = days.show(end_ms.saturating_add(self.beyond_ms));
        let help = format!("ask for a moment from \"{}\" to \"{last}\"", days.show(0));
        self.wrong(&why, &help)
    }

    fn examples(&self) -> String {
        let noon = |start: DateTime| start.date().to_datetime(jiff::civil::time(12, 0, 0, 0));
        // The first noon, or that of the day after where the start is later.
        let noon = self
            .start
            .map(|start| if noon(start) >= start { noon(start) } else { noon(start) + SignedDuration::from_hours(24) });
        let days = Days::of(self.start);
        match noon.zip(self.start) {
            Some((noon, start)) => {
                let ms = u64::try_from(noon.duration_since(start).as_millis()).unwrap_or(0);
                format!("write it as \"{}\", \"{}\" or \"+36 h\"", noon.strftime("%Y-%m-%dT%H:%M"), days.show(ms))
            }
            None => "write it as \"day 2 20:00\" or \"+36 h\"".to_owned(),
        }
    }

    fn wrong(&self, why: &str, help: &str) -> String {
        format!("--at {}: {why}\n  help: {help}", self.text)
    }
}

/// Whether a text is meant as a date, right or wrong.
fn is_date(text: &str) -> bool {
    let date = text.trim().split([' ', 'T', 't']).next().unwrap_or_default();
    let separators = date.chars().filter(|c| ['-', '/', '.'].contains(c)).count();
    date.starts_with(|c: char| c.is_ascii_digit()) && separators >= 2
}

/// When a clock that was changed shows a civil time, in ms since the start.
fn shown_at(civil: DateTime, clocks: &[Clock]) -> Vec<u64> {
    let ends = clocks.iter().skip(1).map(|(from, _)| *from).chain([u64::MAX]);
    clocks
        .iter()
        .zip(ends)
        .filter_map(|((from, start), to)| {
            let at_ms = u64::try_from(civil.duration_since((*start)?).as_millis()).ok()?;
            (*from..to).contains(&at_ms).then_some(at_ms)
        })
        .collect()
}

/// Notes whenever the plant's clock is changed.
#[derive(Default)]
struct Watched(Vec<Clock>);

impl Watched {
    fn see(&mut self, world: &World) {
        if self.0.last().is_none_or(|(_, start)| *start != world.start) {
            self.0.push((world.now_ms, world.start));
        }
    }
}

impl Observer for Watched {
    fn record(&mut self, _record: &Record, world: &World) -> std::io::Result<()> {
        self.see(world);
        Ok(())
    }

    fn power(&mut self, _on: bool, world: &World) -> std::io::Result<()> {
        self.see(world);
        Ok(())
    }
}

/// What the clock of a scenario's plant shows, from when on: the scenario is run, if something in it may change that.
///
/// # Errors
/// It cannot be run.
pub fn clocks_of(scenario: &Scenario) -> Result<Vec<Clock>, RunError> {
    let changes = |deed: &Deed| {
        matches!(
            deed,
            Deed::ClockSet(_) | Deed::ClockMoved(_) | Deed::ClockLost | Deed::Power { clock_kept: false, .. }
        )
    };
    let mut clocks = Watched(vec![(0, scenario.start)]);
    if scenario.events.iter().any(|event| changes(&event.deed)) {
        scenario::run_to(scenario, scenario.lasts_ms, &mut clocks)?;
    }
    Ok(clocks.0)
}
