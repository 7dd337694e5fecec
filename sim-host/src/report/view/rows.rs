//! The rows of the page's tables, and the sentences they share with the time line.

use super::headline::none_or;
use super::{AlarmRow, DutyRow, HoldRow, RegenerationRow, Span};
use crate::evidence::{Evidence, HoldInterval, Outcome, RegenerationEvidence, RegenerationWater, TankEvidence};
use crate::report::people::{self, Clock};
use crate::report::words::{self, sentence};

/// Each step with its length.
pub fn step_list(regeneration: &RegenerationEvidence) -> Vec<String> {
    regeneration
        .steps
        .iter()
        .map(|step| {
            format!("{} {}", words::words(step.step), people::duration(step.end_ms.saturating_sub(step.start_ms)))
        })
        .collect()
}

fn outcome_meaning(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Complete => "capacity restored",
        Outcome::Aborted => "ended early",
        Outcome::Failed => "could not go on",
        Outcome::Running => "when the recording ended",
    }
}

/// When a regeneration ended, or the recording, ms.
pub fn end_ms(regeneration: &RegenerationEvidence, evidence: &Evidence) -> u64 {
    regeneration.end_ms.unwrap_or(evidence.span_ms)
}

/// The causes that stood beside the leading one.
pub fn other_causes(regeneration: &RegenerationEvidence) -> String {
    regeneration.other_causes.iter().map(|cause| words::words(cause)).collect::<Vec<_>>().join(", ")
}

/// A hold, what it means and what clears it.
pub fn hold_sentence(hold: &HoldInterval, clock: &Clock) -> String {
    let name = sentence(&words::words(hold.hold));
    match (words::hold_meaning(hold.hold), &*hold.text(clock.start())) {
        ("", "") => format!("{name}."),
        ("", text) => format!("{name}. {text}"),
        (meaning, "") => format!("{name}, {meaning}."),
        // A new sentence, or "until …" in the same one.
        (meaning, text) if text.starts_with(char::is_uppercase) => format!("{name}, {meaning}. {text}"),
        (meaning, text) => format!("{name}, {meaning}, {text}"),
    }
}

/// What the plant's physics says of a regeneration.
fn modelled(water: &RegenerationWater) -> String {
    format!(
        "modelled: {} drawn as brine of up to {:.1} %, {} to drain with up to {} of chloride",
        people::salt(water.salt_mg),
        f64::from(water.strongest_brine_ppm) / 1e4,
        people::volume(u128::from(water.drained_ml) * 1_000_000),
        people::grams_per_litre(f64::from(water.highest_chloride_mg_l)),
    )
}

/// One regeneration's row.
pub fn regeneration_row(regeneration: &RegenerationEvidence, evidence: &Evidence, clock: &Clock) -> RegenerationRow {
    let end_ms = end_ms(regeneration, evidence);
    RegenerationRow {
        span: Span { from_ms: regeneration.start_ms, to_ms: end_ms },
        tank: regeneration.tank,
        cause: sentence(&words::cause(regeneration.cause)),
        also: other_causes(regeneration),
        asked: clock.moment(regeneration.asked_ms),
        started: clock.moment(regeneration.start_ms),
        waited: match regeneration.start_ms.saturating_sub(regeneration.asked_ms) {
            0 => "at once".into(),
            wait_ms => format!("{} later", people::duration(wait_ms)),
        },
        holds: regeneration.holds_before.iter().map(|hold| hold_sentence(hold, clock)).collect(),
        lasted: people::duration(end_ms.saturating_sub(regeneration.start_ms)),
        steps: step_list(regeneration),
        since_last: people::volume(regeneration.volume_since_last_nl),
        overrun: none_or(regeneration.overrun_nl == 0, || people::volume(regeneration.overrun_nl)),
        salt: people::salt(regeneration.salt_mg),
        drain: people::volume(regeneration.drain_nl),
        modelled: regeneration.water.as_deref().map(modelled),
        outcome: regeneration.outcome.slug(),
        outcome_meaning: outcome_meaning(regeneration.outcome),
    }
}

/// When something was, and for how long, for the time line's texts.
pub fn when(from_ms: u64, to_ms: u64, clock: &Clock) -> String {
    if to_ms <= from_ms {
        return clock.moment(from_ms);
    }
    format!("{} to {} ({})", clock.moment(from_ms), clock.moment(to_ms), people::duration(to_ms - from_ms))
}

/// All holds, in order of time.
pub fn hold_rows(evidence: &Evidence, clock: &Clock) -> Vec<HoldRow> {
    let mut rows: Vec<HoldRow> = each(evidence, |tank| evidence.holds_of(tank))
        .map(|(tank, hold)| HoldRow {
            span: Span { from_ms: hold.from_ms, to_ms: hold.to_ms },
            tank: tank.number,
            hold: sentence(&words::words(hold.hold)),
            meaning: words::hold_meaning(hold.hold),
            from: clock.moment(hold.from_ms),
            to: clock.moment(hold.to_ms),
            lasted: people::duration(hold.to_ms.saturating_sub(hold.from_ms)),
            text: hold.text(clock.start()).into_owned(),
        })
        .collect();
    rows.sort_by_key(|row| row.span.from_ms);
    rows
}

/// All duties, in order of time.
pub fn duty_rows(evidence: &Evidence, clock: &Clock) -> Vec<DutyRow> {
    let mut rows: Vec<DutyRow> = each(evidence, |tank| tank.duties.iter())
        .map(|(tank, interval)| DutyRow {
            span: Span { from_ms: interval.from_ms, to_ms: interval.to_ms },
            tank: tank.number,
            duty: sentence(&words::words(interval.duty)),
            from: clock.moment(interval.from_ms),
            to: clock.moment(interval.to_ms),
            lasted: people::duration(interval.to_ms.saturating_sub(interval.from_ms)),
            text: interval.text.to_owned(),
        })
        .collect();
    rows.sort_by_key(|row| row.span.from_ms);
    rows
}

/// Every tank's entries of one kind, each with its tank.
fn each<'a, T: 'a, I: Iterator<Item = &'a T>>(
    evidence: &'a Evidence,
    entries: impl Fn(&'a TankEvidence) -> I,
) -> impl Iterator<Item = (&'a TankEvidence, &'a T)> {
    evidence.tanks.iter().flat_map(move |tank| entries(tank).map(move |entry| (tank, entry)))
}

/// All alarms.
pub fn alarm_rows(evidence: &Evidence, clock: &Clock) -> Vec<AlarmRow> {
    evidence
        .alarms
        .iter()
        .map(|alarm| {
            let to_ms = alarm.to_ms.unwrap_or(evidence.span_ms);
            AlarmRow {
                span: Span { from_ms: alarm.from_ms, to_ms },
                name: sentence(&words::words(alarm.slug)),
                from: clock.moment(alarm.from_ms),
                to: alarm.to_ms.map_or_else(|| "still standing".into(), |at_ms| clock.moment(at_ms)),
                lasted: people::duration(to_ms.saturating_sub(alarm.from_ms)),
                acknowledged: alarm.acknowledged_ms.map_or_else(|| "by nobody".into(), |at_ms| clock.moment(at_ms)),
                text: alarm.text.to_owned(),
            }
        })
        .collect()
}
