//! One case: one fault or two at stated moments of a regeneration, run on the real controller, judged, and written down.

use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};

use bedkeeper::Action;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Who;
use bedkeeper::units::TankId;
use bedkeeper::watch::StoreWear;
use jiff::SignedDuration;

use super::instance::Instance;
use super::stage::{BLINK_MS, HOUR_MS, MINUTE_MS, Phase, Stage};
use super::table::{Notice, Row, WaterFault, Within};
use super::watch::{Lookout, Watch};
use crate::demand::Draw;
use crate::plant::Fault;
use crate::replay::{Checker, ReplayError, World};
use crate::scenario::{Deed, Gauges, Rehearsal, Tap, event_section, flow_section};
use crate::swarm::seen_to;

/// Whatever was broken is mended then, and within so many days all tanks have regenerated again (S9).
const PATIENCE_DAYS: u64 = 2;
const DAY_MS: u64 = 24 * HOUR_MS;
/// A leak.
const LEAK_ML_MIN: u32 = 1_000;

/// One fault of a case.
#[derive(Clone, Copy)]
pub struct Part<'t> {
    /// Its row.
    pub row: &'t Row,
    /// What happens.
    pub instance: &'t Instance,
    /// When.
    pub phase: &'t Phase,
}

/// What a case is about.
#[derive(Clone)]
pub struct Case<'t> {
    /// Where it happens.
    pub stage: &'t Stage,
    /// One fault or two; none where power is cut.
    pub parts: Vec<Part<'t>>,
    /// What happens besides: a power cut.
    pub cut: Option<(u64, Deed)>,
}

/// What was not kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// By which rule, or "alarm".
    pub rule: String,
    /// What was seen.
    pub text: String,
    /// When, ms; the end of the run that shows it.
    at_ms: u64,
    lasts_ms: u64,
    /// What a scenario expects and does not get.
    expected: String,
}

/// What came of a case.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// What was not kept, if anything.
    pub broken: Option<Broken>,
    /// An alarm that was promised was raised.
    pub noticed: bool,
    /// Rules that the row spares, and that were broken.
    pub spared: Vec<String>,
}

impl Case<'_> {
    /// Where it happens, in words.
    #[must_use]
    pub fn name(&self) -> String {
        let parts = self.parts.iter().map(|part| {
            let label =
                if part.instance.label.is_empty() { String::new() } else { format!(" ({})", part.instance.label) };
            format!("{}{label}, {}", part.row.name, part.phase.name)
        });
        let cut = self.cut.iter().map(|(at_ms, _)| format!("power cut at +{at_ms} ms"));
        parts.chain(cut).collect::<Vec<_>>().join("; ")
    }

    /// When a part ends, ms.
    fn ends_ms(&self, part: &Part<'_>) -> u64 {
        part.row.stands.map_or(self.stage.mended_ms.max(part.phase.at_ms + HOUR_MS), |span| part.phase.at_ms + span.0)
    }

    /// From then on all is mended, ms.
    fn mended_ms(&self) -> u64 {
        let cut = self.cut.iter().map(|(at_ms, _)| at_ms + HOUR_MS);
        self.parts.iter().map(|part| self.ends_ms(part)).chain(cut).max().unwrap_or(self.stage.mended_ms)
    }

    /// How many days it may take until all tanks have regenerated again: more where only so much may be drained in a day.
    fn patience_days(&self) -> u64 {
        let raw = self.stage.site.settings.raw();
        let (limit, each) = (raw.discharge_limit.nl(), raw.drain_per_regeneration().nl());
        match limit.checked_div(each).filter(|_| limit > 0) {
            Some(in_a_day) => PATIENCE_DAYS + u64::from(raw.tanks).div_ceil(in_a_day.max(1)),
            None => PATIENCE_DAYS,
        }
    }

    /// Everything that happens until all is mended, and what mends it.
    fn deeds(&self) -> Vec<(u64, Deed)> {
        let mut deeds = self.stage.asked();
        let mut after_power: Vec<u64> = Vec::new();
        deeds.extend(self.cut.clone());
        for part in &self.parts {
            let at_ms = part.phase.at_ms;
            let failed_ms = at_ms.saturating_sub(BLINK_MS + 1);
            if part.phase.after_power && !after_power.contains(&failed_ms) {
                after_power.push(failed_ms);
                deeds.push((failed_ms, Deed::Power { off_ms: BLINK_MS, clock_kept: true, memory_kept: true }));
            }
            deeds.extend(part.instance.deeds.iter().map(|(later, deed)| (at_ms + later, deed.clone())));
            let mends = part.instance.deeds.iter().filter_map(|(_, deed)| self.mends(deed));
            deeds.extend(mends.map(|deed| (self.ends_ms(part), deed)));
        }
        let mended_ms = self.mended_ms();
        let elapsed = SignedDuration::from_millis(i64::try_from(mended_ms).unwrap_or(i64::MAX));
        if let Ok(now) = self.stage.start.checked_add(elapsed) {
            deeds.push((mended_ms, Deed::ClockSet(now)));
        }
        let tanks = self.stage.site.settings.tanks;
        for after_ms in [MINUTE_MS, HOUR_MS, 6 * HOUR_MS] {
            deeds.extend(seen_to(tanks).into_iter().map(|deed| (mended_ms + after_ms, deed)));
        }
        for hours in (0..40).step_by(4) {
            let asked = (0..tanks).map(|tank| Deed::Operator(Who::Panel, Action::StartNow(TankId(tank))));
            deeds.extend(asked.map(|deed| (mended_ms + 10 * MINUTE_MS + hours * HOUR_MS, deed)));
        }
        deeds.sort_by_key(|(at_ms, _)| *at_ms);
        deeds
    }

    /// What undoes a deed.
    fn mends(&self, deed: &Deed) -> Option<Deed> {
        Some(match deed {
            Deed::Fault { fault: Fault::MovedByHand(_), .. } => return None,
            Deed::Fault { valve, fault, .. } => Deed::Mend { valve: *valve, fault: *fault },
            Deed::Contact { contact, closed, .. } => {
                Deed::Contact { contact: *contact, closed: !closed, lasts_ms: None }
            }
            Deed::Store(_) => Deed::Store(StoreWear { erasures: 0, rated: 10_000, fails: false }),
            Deed::Plant { change, .. } => {
                let change = change.undone(self.stage.design.as_deref()?)?;
                Deed::Plant { change, lasts_ms: None }
            }
            _ => return None,
        })
    }

    fn draws(&self) -> Vec<Draw> {
        let mut draws = self.stage.draws();
        for part in &self.parts {
            let (from_ms, to_ms) = (part.phase.at_ms, self.ends_ms(part));
            let more = |ml_per_min, meter| Draw { from_ms, to_ms, ml_per_min, meter };
            match part.row.water {
                None => {}
                Some(WaterFault::Silent) => {
                    let silenced = std::mem::take(&mut draws).into_iter().flat_map(|draw| {
                        let before = Draw { to_ms: draw.to_ms.min(from_ms), ..draw };
                        let after = Draw { from_ms: draw.from_ms.max(to_ms), ..draw };
                        [before, after]
                    });
                    draws = silenced.filter(|draw| draw.from_ms < draw.to_ms).collect();
                }
                Some(WaterFault::Burst) => {
                    let rated = self.stage.site.settings.raw().meter.rated_max.0;
                    draws.push(more(rated.saturating_mul(2), None));
                }
                Some(WaterFault::Leak) => draws.push(more(LEAK_ML_MIN, None)),
                Some(WaterFault::Passes) => {
                    let meter = part.instance.tank.map(|tank| tank.number());
                    draws.push(more(LEAK_ML_MIN, meter));
                }
            }
        }
        draws.sort_by_key(|draw| draw.from_ms);
        draws
    }

    fn lookouts(&self) -> Vec<Lookout> {
        let noticed = self.parts.iter().filter_map(|part| Some((part, part.row.notices?)));
        let lookouts = noticed.map(|(part, notice)| {
            let from_ms = part.phase.at_ms;
            let stood = part.instance.tank.and_then(|tank| part.phase.rests.get(tank.index()).copied().flatten());
            let rests = notice == Notice::Resting && stood.is_some() && stood != part.instance.position;
            let at_ms = (rests || notice == Notice::AtOnce).then_some(from_ms);
            Lookout { notice, valve: part.instance.valve(), position: part.instance.position, from_ms, at_ms }
        });
        lookouts.collect()
    }

    /// Runs it.
    #[must_use]
    pub fn run(&self) -> Seen {
        let failed = |text: String| {
            let broken =
                Broken { rule: "the program".to_owned(), text, at_ms: 0, lasts_ms: 1, expected: String::new() };
            Seen { broken: Some(broken), ..Seen::default() }
        };
        match catch_unwind(AssertUnwindSafe(|| self.see())) {
            Ok(Ok(seen)) => seen,
            Ok(Err(error)) => failed(error.to_string()),
            Err(_) => failed("it panicked".to_owned()),
        }
    }

    fn see(&self) -> Result<Seen, ReplayError> {
        let mended_ms = self.mended_ms();
        let end_ms = mended_ms + self.patience_days() * DAY_MS;
        let scenario = self.stage.scenario(&self.deeds(), self.draws(), end_ms);
        let mut watch = Watch { mended_ms, lookouts: self.lookouts(), ..Watch::default() };
        let (tap, mut checker) = (Tap::default(), scenario.checker());
        let rehearsal = Rehearsal::begin(&scenario, &tap, Gauges::new(std::iter::empty()), true)?;
        let rehearsal = rehearsal.advance(mended_ms - 1, vec![&mut watch, &mut checker], || true)?;
        let silent = unsaid(rehearsal.world());
        let is_well = watch.is_well.clone();
        let rehearsal = rehearsal.advance(end_ms, vec![&mut watch, &mut checker], || !is_well.get())?;
        let amiss = if is_well.get() { None } else { watch.amiss(rehearsal.world()) };
        let (alarm, noticed) = if self.parts.len() == 1 { self.told(&watch) } else { (None, false) };
        let silent = silent.map(|text| {
            let expected = format!("[[expect]]\nat = \"+{} ms\"\nduty = \"serving\"\n", mended_ms - 1);
            Broken { rule: "S9".to_owned(), text, at_ms: mended_ms, lasts_ms: mended_ms + MINUTE_MS, expected }
        });
        let stuck = amiss.map(|(tank, text)| {
            let what = if watch.completed_since(tank, mended_ms) {
                format!("[[expect]]\nat = \"+{end_ms} ms\"\nduty = \"serving\"\n")
            } else {
                format!(
                    "[[expect]]\nwithin = [\"+{mended_ms} ms\", \"+{end_ms} ms\"]\nended = \"complete\"\ntank = {}\n",
                    tank.number()
                )
            };
            let text = format!("{} days after all was mended tank {} {text}", self.patience_days(), tank.number());
            Broken { rule: "S9".to_owned(), text, at_ms: end_ms, lasts_ms: end_ms, expected: what }
        });
        let broken = self.forbidden(&checker).or(alarm).or(silent).or(stuck);
        let mut spared: Vec<_> = checker.violations().iter().map(|violation| violation.rule.clone()).collect();
        spared.retain(|rule| self.spares(rule));
        spared.sort();
        spared.dedup();
        Ok(Seen { broken, noticed, spared })
    }

    /// Whether a rule is none that its rows promise.
    fn spares(&self, rule: &str) -> bool {
        self.parts.iter().any(|part| part.row.spared.iter().any(|spared| spared == rule))
    }

    /// What the checker saw, but for what the rows do not promise.
    fn forbidden(&self, checker: &Checker) -> Option<Broken> {
        let first = checker.violations().iter().find(|violation| !self.spares(&violation.rule))?;
        let lasts_ms = (first.at_ms + HOUR_MS).min(self.mended_ms() + self.patience_days() * DAY_MS);
        let (rule, text, at_ms) = (first.rule.clone(), first.text.clone(), first.at_ms);
        Some(Broken { rule, text, at_ms, lasts_ms, expected: String::new() })
    }

    /// Whether an alarm that was promised is missing, and whether one came.
    fn told(&self, watch: &Watch) -> (Option<Broken>, bool) {
        let (Some(part), Some(lookout)) = (self.parts.first(), watch.lookouts.first()) else { return (None, false) };
        let (Some(from_ms), Some(within)) = (lookout.at_ms, part.row.within) else { return (None, false) };
        // Where one tank serves, no pulse is expected while it regenerates.
        let alone = within == Within::Silence && self.stage.site.settings.tanks == 1;
        let to_ms = from_ms + within.ms(self.stage.site.settings.raw()) + if alone { self.stage.mended_ms } else { 0 };
        let names: Vec<_> = part.row.alarms.iter().map(|alarm| alarm.0).collect();
        let told = watch
            .alarms
            .iter()
            .filter(|stood| names.contains(&stood.alarm))
            .any(|stood| stood.from_ms <= to_ms && stood.to_ms.is_none_or(|cleared_ms| cleared_ms >= from_ms));
        // What is mended before it must be told of need not be told.
        if told || to_ms > self.ends_ms(part) {
            return (None, told);
        }
        let slugs: Vec<_> = names.iter().map(|alarm| alarm.slug()).collect();
        let expected = slugs.first().map_or_else(String::new, |slug| {
            format!("[[expect]]\nwithin = [\"+{from_ms} ms\", \"+{to_ms} ms\"]\nraised = \"{slug}\"\n")
        });
        let text =
            format!("could be noticed from +{from_ms} ms on, and by +{to_ms} ms no alarm says {}", slugs.join(" or "));
        (Some(Broken { rule: "alarm".to_owned(), text, at_ms: to_ms, lasts_ms: to_ms + MINUTE_MS, expected }), false)
    }

    /// The case as a scenario file that `verify` misses as long as the same is not kept.
    #[must_use]
    pub fn text(&self, broken: &Broken) -> String {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let about = format!("{}: {} ({})", broken.rule, broken.text, self.name());
        let _ = writeln!(text, "scenario = \"A promise that is not kept (invented)\"\nabout = {about:?}");
        let _ = writeln!(text, "starts = \"{}\"\nlasts = \"{} ms\"", self.stage.start, broken.lasts_ms);
        if self.stage.design.is_some() {
            let _ = writeln!(text, "plant = \"full\"");
        }
        let _ = writeln!(text, "{}", self.stage.site_text);
        for draw in self.draws().iter().filter(|draw| draw.from_ms < broken.lasts_ms) {
            let _ = writeln!(text, "{}", flow_section(draw, broken.lasts_ms));
        }
        for (at_ms, deed) in self.deeds().iter().filter(|(at_ms, _)| *at_ms < broken.lasts_ms) {
            let _ = writeln!(text, "{}", event_section(*at_ms, deed));
        }
        let spared = self.parts.iter().flat_map(|part| &part.row.spared);
        for rule in spared.collect::<std::collections::BTreeSet<_>>() {
            // What is not promised is no miss.
            let _ = writeln!(text, "[[expect]]\ncount = {{ least = 0 }}\nviolation = \"{rule}\"\n");
        }
        let _ = writeln!(text, "[[expect]]\ntotal = \"metered\"\nleast = \"0 L\"\n\n{}", broken.expected);
        text
    }
}

/// A plant that is not at normal duty says so, or says why (S9).
fn unsaid(world: &World) -> Option<String> {
    if world.supply.is_dark() || !world.controller.outputs().alarms.is_empty() {
        return None;
    }
    let kinds = || world.controller.tanks().iter().map(|tank| tank.duty().kind());
    if kinds().any(|kind| kind == DutyKind::Out) {
        return Some("a tank is out, and no alarm stands".to_owned());
    }
    let regenerates = kinds().any(|kind| kind == DutyKind::Regenerating);
    let serves = kinds().any(|kind| kind == DutyKind::Serving);
    (!serves && !regenerates).then(|| "no tank serves, and no alarm stands".to_owned())
}
