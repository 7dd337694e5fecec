//! What the page template shows: every text ready to read, every mark ready to draw.

use super::people::{self, Clock};
use super::plot::{self, Tick};
use super::words;
use crate::evidence::Evidence;
use askama::Template;

mod books;
mod headline;
mod lanes;
mod plant;
mod rows;

use headline::{facts, lead, water_rows, water_verdict};
use lanes::Lane;
use plant::PlantView;
use rows::{alarm_rows, duty_rows, hold_rows, regeneration_row};

/// The whole page.
#[derive(Template)]
#[template(path = "page.html")]
pub struct Page<'a> {
    css: &'static str,
    js: &'static str,
    evidence: &'a Evidence,
    /// When, how long, which arrangement.
    lead: String,
    /// What the page leaves out, if anything.
    thinned: Option<String>,
    /// Notes that say the data is invented: they head the page.
    invented: Vec<&'a str>,
    /// All other notes.
    notes: Vec<&'a str>,
    facts: Vec<Fact>,
    water: Vec<WaterRow>,
    water_verdict: String,
    /// Sentences of the logic's own books: hardness, capacity, brine, reserve.
    books: Vec<String>,
    water_balances: bool,
    /// What the plant's physics showed, where it is modelled.
    plant: Option<PlantView>,
    start_iso: String,
    /// Milliseconds before the recording's start at which its first day began.
    since_midnight_ms: u64,
    ticks: Vec<Tick>,
    lanes: Vec<Lane>,
    legend: Vec<LegendEntry>,
    bucket_width: String,
    regenerations: Vec<RegenerationRow>,
    holds: Vec<HoldRow>,
    duties: Vec<DutyRow>,
    alarms: Vec<AlarmRow>,
    violations: Vec<ViolationRow>,
    next: Vec<NextRow>,
}

/// One headline figure.
struct Fact {
    name: &'static str,
    value: String,
    detail: String,
    /// `good`, `bad` or `plain`.
    tone: &'static str,
}

struct WaterRow {
    name: &'static str,
    volume: String,
    share: String,
    meaning: &'static str,
}

/// A sample of a mark, with its name and meaning.
struct LegendEntry {
    /// Style class and pattern name of the mark.
    kind: String,
    name: String,
    meaning: String,
}

/// From when to when, for the button that shows an event on the time line.
struct Span {
    from_ms: u64,
    to_ms: u64,
}

struct RegenerationRow {
    span: Span,
    tank: u8,
    cause: String,
    also: String,
    asked: String,
    started: String,
    waited: String,
    holds: Vec<String>,
    lasted: String,
    steps: Vec<String>,
    since_last: String,
    overrun: String,
    salt: String,
    drain: String,
    /// What the plant's physics says of it.
    modelled: Option<String>,
    outcome: &'static str,
    outcome_meaning: &'static str,
}

struct HoldRow {
    span: Span,
    tank: u8,
    hold: String,
    meaning: &'static str,
    from: String,
    to: String,
    lasted: String,
    text: String,
}

struct DutyRow {
    span: Span,
    tank: u8,
    duty: String,
    from: String,
    to: String,
    lasted: String,
    text: String,
}

struct AlarmRow {
    span: Span,
    name: String,
    from: String,
    to: String,
    lasted: String,
    acknowledged: String,
    text: String,
}

struct ViolationRow {
    span: Span,
    rule: String,
    at: String,
    text: String,
}

struct NextRow {
    tank: u8,
    at: String,
    text: String,
}

impl<'a> Page<'a> {
    /// Works out everything that the page shows: figures of the whole evidence, tables and marks of `shown`,
    /// with a sentence about what that leaves out.
    pub fn new(evidence: &'a Evidence, shown: &Evidence, thinned: Option<String>) -> Self {
        let clock = Clock::new(&evidence.start, evidence.span_ms);
        let (invented, notes) =
            evidence.notes.iter().map(String::as_str).partition(|note| note.to_lowercase().contains("invented"));
        let widest_ms = evidence
            .tanks
            .iter()
            .map(|tank| &tank.remaining)
            .chain([&evidence.flow])
            .chain(evidence.plant.iter().flat_map(|plant| {
                [&plant.outlet, &plant.pressure].into_iter().chain(plant.tanks.iter().map(|tank| &tank.effluent))
            }))
            .map(|curve| curve.bucket_width_ms())
            .max()
            .unwrap_or(1);
        Self {
            css: include_str!("templates/page.css"),
            js: include_str!("templates/page.js"),
            evidence,
            lead: lead(evidence, &clock),
            thinned,
            invented,
            notes,
            facts: facts(evidence, &clock),
            water: water_rows(evidence),
            water_verdict: water_verdict(evidence),
            books: books::sentences(evidence, &clock),
            water_balances: evidence.water.balances(),
            plant: evidence.plant.as_deref().map(PlantView::new),
            start_iso: clock.start_iso(),
            since_midnight_ms: clock.since_midnight_ms(),
            ticks: plot::day_ticks(&clock, evidence.span_ms),
            lanes: lanes::all(shown, &clock),
            legend: legend(shown),
            bucket_width: people::duration(widest_ms),
            regenerations: shown
                .regenerations
                .iter()
                .map(|regeneration| regeneration_row(regeneration, shown, &clock))
                .collect(),
            holds: hold_rows(shown, &clock),
            duties: duty_rows(shown, &clock),
            alarms: alarm_rows(shown, &clock),
            violations: evidence
                .violations
                .iter()
                .map(|violation| ViolationRow {
                    span: Span { from_ms: violation.at_ms, to_ms: violation.at_ms },
                    rule: violation.rule.clone(),
                    at: clock.moment(violation.at_ms),
                    text: violation.text.clone(),
                })
                .collect(),
            next: evidence
                .next_expected
                .iter()
                .map(|next| NextRow {
                    tank: next.tank,
                    at: next.at_ms.map_or_else(|| "cannot be told yet".to_owned(), |at_ms| clock.moment(at_ms)),
                    text: next.text.clone(),
                })
                .collect(),
        }
    }
}

/// What each mark on the time line means; only marks that occur.
fn legend(evidence: &Evidence) -> Vec<LegendEntry> {
    let mut entries: Vec<LegendEntry> = Vec::new();
    let mut add = |kind: String, name: String, meaning: &str| {
        if !entries.iter().any(|entry| entry.name == name) {
            entries.push(LegendEntry { kind, name, meaning: meaning.to_owned() });
        }
    };
    for known in ["serving", "ready", "spent", "regenerating", "purging", "refilling", "out"] {
        if evidence.tanks.iter().any(|tank| tank.duties.iter().any(|interval| interval.duty == known)) {
            add(format!("duty-{known}"), known.to_owned(), words::duty_meaning(known));
        }
    }
    for step in evidence.regenerations.iter().flat_map(|regeneration| &regeneration.steps) {
        add(format!("step-{}", words::step_kind(step.step)), words::words(step.step), words::step_meaning(step.step));
    }
    if evidence.tanks.iter().any(|tank| evidence.holds_of(tank).next().is_some()) {
        add("hold".into(), "hold".into(), "a tank waits for something before it regenerates");
    }
    if evidence.relays.iter().any(|relay| relay.times > 0) {
        add("relay".into(), "relay on".into(), "stretches that lie close together are drawn as one");
    }
    if !evidence.alarms.is_empty() {
        add("alarm".into(), "alarm".into(), "from its onset until it returned to normal");
    }
    if !evidence.violations.is_empty() {
        add("violation".into(), "broken rule".into(), "a rule that must always hold did not");
    }
    entries
}
