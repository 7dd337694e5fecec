//! A regeneration as it goes with nothing broken: what its phases are, when they come, and every moment of it.

use bedkeeper::Action;
use bedkeeper::calendar::Window;
use bedkeeper::journal::Who;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{Medium, RawSettings};
use bedkeeper::units::TankId;
use jiff::ToSpan;
use jiff::civil::{DateTime, date};

use super::watch::{Mark, Watch};
use crate::demand::Draw;
use crate::plant::WhichValve;
use crate::process::Design;
use crate::replay::ReplayError;
use crate::scenario::{Deed, Event, Gauges, Rehearsal, Scenario, Tap, Water, When};
use crate::site::Site;

pub(super) const MINUTE_MS: u64 = 60_000;
pub(super) const HOUR_MS: u64 = 60 * MINUTE_MS;
/// A tank is asked to regenerate so long after power-up.
pub(super) const ASKED_MS: u64 = 30 * MINUTE_MS;
/// Two regenerations are over within this.
const LONGEST_MS: u64 = 4 * 24 * HOUR_MS;
const WEEK_MINUTES: u16 = 7 * 24 * 60;
/// A tank lasts for so long at the flow of a case.
const LASTS_HOURS: u64 = 72;
/// Power is off for so long before a fault that comes with its return.
pub(super) const BLINK_MS: u64 = MINUTE_MS;

/// Why a site cannot be tried.
#[derive(Debug, thiserror::Error)]
pub enum StageError {
    /// It could not be run.
    #[error(transparent)]
    Run(#[from] ReplayError),
    /// What is asked for does not come about.
    #[error("tank {0} was asked to regenerate with nothing broken, and did not complete it within four days")]
    NeverComplete(u8),
    /// The plant's water, resin and brine cannot be modelled.
    #[error("{0}")]
    Plant(String),
}

/// A moment at which a fault may come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Phase {
    /// What goes on then.
    pub name: String,
    /// When, ms.
    pub at_ms: u64,
    /// Power fails so long before, for a blink.
    pub after_power: bool,
    /// Which valves rest then, and where.
    pub rests: Vec<Option<Position>>,
}

/// A site with a regeneration of each of its first two tanks.
pub struct Stage {
    /// The site.
    pub site: Site,
    /// As a scenario names it.
    pub site_text: String,
    /// Water, resin, brine and pressure, where they are modelled.
    pub design: Option<Box<Design>>,
    /// Civil time at the start.
    pub start: DateTime,
    /// How much water flows, mL/min.
    pub flow_ml_min: u32,
    /// When the second tank is asked, ms.
    pub again_ms: u64,
    /// When both are done and things are mended, ms.
    pub mended_ms: u64,
    /// The moments at which faults come.
    pub phases: Vec<Phase>,
    /// Every moment of the first regeneration at which the logic did something.
    pub calls: Vec<u64>,
    /// What was stored, each time it was, until the first regeneration was over.
    pub saves: Vec<Vec<u8>>,
}

impl Stage {
    /// Runs a site with nothing broken. `name` is its path as a scenario says it.
    ///
    /// # Errors
    /// It cannot be run, or does not regenerate.
    pub fn set(site: &Site, name: &str, full: bool) -> Result<Self, StageError> {
        let design = if full {
            Some(Box::new(Design::of_site(site).map_err(|error| StageError::Plant(error.to_string()))?))
        } else {
            None
        };
        let raw = site.settings.raw();
        let mut stage = Self {
            site: site.clone(),
            site_text: format!("site = {name:?}\n"),
            design,
            start: quietest(raw),
            flow_ml_min: flow(raw),
            again_ms: LONGEST_MS,
            mended_ms: LONGEST_MS,
            phases: Vec::new(),
            calls: Vec::new(),
            saves: Vec::new(),
        };
        let watch = stage.rehearse()?;
        let done = watch.marks.iter().find(|(_, mark)| *mark == Mark::Complete(TankId(0)));
        let (first_ms, _) = *done.ok_or(StageError::NeverComplete(1))?;
        stage.again_ms = first_ms + 30 * MINUTE_MS;
        let both = stage.rehearse()?;
        let last = if raw.tanks > 1 { TankId(1) } else { TankId(0) };
        let done = both.marks.iter().rfind(|(_, mark)| *mark == Mark::Complete(last));
        let (second_ms, _) = *done.ok_or(StageError::NeverComplete(last.number()))?;
        stage.mended_ms = second_ms + HOUR_MS;
        stage.phases = phases(&watch, first_ms, raw.tanks);
        stage.calls = watch.calls.into_iter().filter(|at| (ASKED_MS..first_ms + 5 * MINUTE_MS).contains(at)).collect();
        stage.saves = watch.saves;
        Ok(stage)
    }

    /// What is asked, whatever fails: the first tank, then the second.
    pub(super) fn asked(&self) -> Vec<(u64, Deed)> {
        let start = |tank| Deed::Operator(Who::Panel, Action::StartNow(tank));
        let second = if self.site.settings.tanks > 1 { TankId(1) } else { TankId(0) };
        vec![(ASKED_MS, start(TankId(0))), (self.again_ms, start(second))]
    }

    /// The water of a whole run.
    pub(super) fn draws(&self) -> Vec<Draw> {
        vec![Draw { from_ms: 0, to_ms: u64::MAX, ml_per_min: self.flow_ml_min, meter: None }]
    }

    /// A scenario on this stage.
    pub(super) fn scenario(&self, deeds: &[(u64, Deed)], draws: Vec<Draw>, lasts_ms: u64) -> Scenario {
        Scenario {
            file: String::new(),
            title: String::new(),
            about: String::new(),
            site: self.site.clone(),
            design: self.design.clone(),
            start: Some(self.start),
            lasts_ms,
            water: Water::Flows(draws),
            events: deeds
                .iter()
                .map(|(at_ms, deed)| Event { when: When::At(*at_ms), deed: deed.clone(), line: 0 })
                .collect(),
            expectations: Vec::new(),
        }
    }

    /// Runs it with nothing broken until the tank that is asked last is done.
    fn rehearse(&self) -> Result<Watch, ReplayError> {
        let scenario = self.scenario(&self.asked(), self.draws(), LONGEST_MS);
        let (tap, mut watch) = (Tap::default(), Watch { keeps_calls: true, mended_ms: u64::MAX, ..Watch::default() });
        let mut rehearsal = Rehearsal::begin(&scenario, &tap, Gauges::new(std::iter::empty()), true)?;
        let wanted = if self.again_ms < LONGEST_MS && self.site.settings.tanks > 1 { TankId(1) } else { TankId(0) };
        let from_ms = if self.again_ms < LONGEST_MS { self.again_ms } else { 0 };
        for until_ms in (0..LONGEST_MS).step_by(usize::try_from(10 * MINUTE_MS).unwrap_or(usize::MAX)).skip(1) {
            rehearsal = rehearsal.advance(until_ms, vec![&mut watch], || true)?;
            if watch.completed_since(wanted, from_ms) {
                break;
            }
        }
        Ok(watch)
    }
}

/// The moments of a regeneration at which faults come: in service, on every way, in every step, afterwards, and in every step
/// once more when power has just returned.
fn phases(watch: &Watch, complete_ms: u64, tanks: u8) -> Vec<Phase> {
    let rests =
        |at_ms: u64| (0..tanks).map(|tank| rests_at(watch, WhichValve::Tank(TankId(tank)), at_ms)).collect::<Vec<_>>();
    let phase = |name: String, at_ms: u64| Phase { name, at_ms, after_power: false, rests: rests(at_ms) };
    let mut phases = vec![phase("in service".to_owned(), ASKED_MS / 3)];
    let until = |from: usize, ends: &dyn Fn(&Mark) -> bool| {
        let rest = watch.marks.get(from..).unwrap_or_default();
        rest.iter().find(|(_, mark)| ends(mark)).map(|(at_ms, _)| *at_ms)
    };
    let mut steps: Vec<(StepKind, u64)> = Vec::new();
    for (i, (from_ms, mark)) in watch.marks.iter().enumerate() {
        if *from_ms < ASKED_MS || *from_ms > complete_ms + 5 * MINUTE_MS {
            continue;
        }
        match *mark {
            Mark::Turns(valve, target) => {
                let Some(to_ms) = until(i, &|mark| matches!(mark, Mark::Rests(at, _) if *at == valve)) else {
                    continue;
                };
                let who = match valve {
                    WhichValve::Tank(tank) => format!("tank {} on its way", tank.number()),
                    WhichValve::Shared => "the changeover valve on its way".to_owned(),
                };
                let target = target.map_or_else(String::new, |target| format!(" to {target}"));
                phases.push(phase(format!("{who}{target}"), from_ms + (to_ms - from_ms) / 2));
            }
            Mark::Runs(TankId(0), step) => {
                let Some(to_ms) = until(i, &|mark| *mark == Mark::Over(TankId(0), step)) else { continue };
                let middle = from_ms + (to_ms - from_ms) / 2;
                phases.push(phase(format!("in {step}"), middle));
                steps.push((step, middle));
            }
            _ => {}
        }
    }
    phases.push(phase("after the regeneration".to_owned(), complete_ms + 5 * MINUTE_MS));
    phases.sort_by_key(|phase| phase.at_ms);
    for (step, at_ms) in steps {
        let (name, at_ms) = (format!("as power returns in {step}"), at_ms + BLINK_MS + 1);
        phases.push(Phase { name, at_ms, after_power: true, rests: vec![None; usize::from(tanks)] });
    }
    phases
}

/// Where a valve rests at a moment; none while it turns, or where nothing is known of it yet.
fn rests_at(watch: &Watch, valve: WhichValve, at_ms: u64) -> Option<Position> {
    let until = watch.marks.iter().take_while(|(mark_ms, _)| *mark_ms <= at_ms);
    until.fold(None, |at, (_, mark)| match *mark {
        Mark::Turns(turned, _) if turned == valve => None,
        Mark::Rests(turned, there) if turned == valve => there,
        _ => at,
    })
}

/// A moment after which no window begins for the longest time.
fn quietest(raw: &RawSettings) -> DateTime {
    let monday = date(2027, 3, 1).at(0, 0, 0, 0);
    let covered: Vec<bool> = (0..WEEK_MINUTES).map(|m| raw.windows.iter().any(|w| covers(w, m))).collect();
    if !covered.contains(&true) {
        return monday;
    }
    let week = usize::from(WEEK_MINUTES);
    let free_from = |from: usize| (0..week).take_while(|i| covered.get((from + i) % week) == Some(&false)).count();
    let from = (0..week).max_by_key(|from| (free_from(*from), std::cmp::Reverse(*from))).unwrap_or(0);
    monday.checked_add(i64::try_from(from).unwrap_or(0).minutes()).unwrap_or(monday)
}

/// Whether a window covers a minute of the week, from Monday on.
fn covers(window: &Window, minute: u16) -> bool {
    let (day, of_day) = (minute / 1_440, minute % 1_440);
    let begins_on = |day: u16| u8::try_from(day % 7).is_ok_and(|day| window.days.has_number(day));
    if window.to_minute > window.from_minute {
        begins_on(day) && (window.from_minute..window.to_minute).contains(&of_day)
    } else {
        (begins_on(day) && of_day >= window.from_minute) || (begins_on(day + 6) && of_day < window.to_minute)
    }
}

/// A flow at which one tank lasts for days, mL/min.
fn flow(raw: &RawSettings) -> u32 {
    let good_for_ml = match raw.medium {
        Medium::Softener { hardness, capacity, .. } => capacity.0.saturating_mul(1_000) / u64::from(hardness.0.max(1)),
        Medium::Filter { capacity } => capacity.nl() / 1_000_000,
    };
    u32::try_from(good_for_ml / (LASTS_HOURS * 60)).unwrap_or(u32::MAX).max(1)
}
