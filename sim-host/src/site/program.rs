//! The steps of a regeneration: `[program]` with a preset, or `[[program.step]]`.

use bedkeeper::program::{Preset, PresetLengths, StepKind};
use bedkeeper::settings::{MAX_STEPS, RawStep, StepEnd};
use bedkeeper::units::{Flow, Millis, Volume};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use super::water::Brine;
use crate::quantity::{self, show};

const PRESETS: [(&str, Preset); 4] = [
    ("co-current", Preset::CoCurrent),
    ("counter-current", Preset::CounterCurrent),
    ("refill-first", Preset::RefillFirst),
    ("filter", Preset::Filter),
];

/// How far a stated refill may be from the computed one, in per cent, before one of the two must be wrong.
const REFILL_TOLERANCE_PERCENT: u64 = 5;

/// Reads `[program]`. Without brine (a filter) there is no refill to compute.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, brine: Option<Brine>, draft: &mut Draft) {
    let mut section = root.section(r, "program");
    let steps = section.sections(r, "step");
    let preset = section.optional(r, "preset");
    if let Some(entry) = section.optional(r, "backwash_every") {
        draft.raw.backwash_every = entry.whole(r, 1..=255).unwrap_or(draft.raw.backwash_every);
    }
    let mut preset_kind = None;
    match (preset, steps.is_empty()) {
        (Some(entry), true) => {
            preset_kind = entry.choice(r, &PRESETS);
            match preset_kind {
                Some(kind) => from_preset(r, &mut section, kind, brine, draft),
                // Which steps there are is unknown, so none is asked for or refused.
                None => STEP_KEYS.iter().for_each(|(_, key)| drop(section.optional(r, key))),
            }
        }
        (preset, false) => {
            if let Some(entry) = preset {
                let help = "keep either the preset or the [[program.step]] sections";
                r.fail(&entry, "a preset and steps of its own are both given", help);
            }
            for (_, key) in STEP_KEYS {
                section.refuse(r, key, "the steps are given one by one");
            }
            from_steps(r, steps, brine, draft);
        }
        (None, true) => {
            section.miss(r, "preset", "\"co-current\"");
            STEP_KEYS.iter().for_each(|(_, key)| drop(section.optional(r, key)));
        }
    }
    draft.counter_current = preset_kind == Some(Preset::CounterCurrent);
    draft.raw.dose_after_backwash_percent = brine
        .and_then(|brine| brine.dose_after_backwash_percent)
        // The settled bed of a counter-current tank is disturbed only by a backwash that is not the rule.
        .unwrap_or(if preset_kind == Some(Preset::CounterCurrent) && draft.raw.backwash_every > 1 { 200 } else { 100 });
    section.done(r);
}

const STEP_KEYS: [(StepKind, &str); 7] = [
    (StepKind::Backwash, "backwash"),
    (StepKind::Settle, "settle"),
    (StepKind::BrineDraw, "brine_draw"),
    (StepKind::SlowRinse, "slow_rinse"),
    (StepKind::FastRinse, "fast_rinse"),
    (StepKind::BrineRefill, "brine_refill"),
    (StepKind::BrineWait, "brine_wait"),
];

fn from_preset<'d>(
    r: &mut Reader<'d>,
    section: &mut Section<'d>,
    preset: Preset,
    brine: Option<Brine>,
    draft: &mut Draft,
) {
    let order = preset.steps(&PresetLengths::default());
    let mut lengths = PresetLengths::default();
    let mut ends = Vec::new();
    let preset_name = PRESETS.iter().find(|(_, kind)| *kind == preset).map_or("", |(name, _)| name);
    for (kind, key) in STEP_KEYS {
        if !order.iter().any(|step| step.kind == kind) {
            section.refuse(r, key, &format!("the preset \"{preset_name}\" has no such step"));
            continue;
        }
        match kind {
            StepKind::BrineRefill => {
                let given = section.optional(r, key);
                let table = given.as_ref().and_then(Entry::table);
                let length = match table {
                    None => refill(r, section, key, given, brine),
                    Some(mut step) => {
                        let given = step.optional(r, "length");
                        let length = refill(r, section, key, given, brine);
                        ends.push((kind, end(r, &mut step)));
                        step.done(r);
                        length
                    }
                };
                lengths.brine_refill = length.unwrap_or_default();
            }
            StepKind::Settle => lengths.settle = still(r, section, key).unwrap_or_default(),
            StepKind::BrineWait => {
                let given = section.optional(r, key);
                let length = match given.as_ref().map(|entry| (entry, entry.table())) {
                    None => None,
                    Some((entry, None)) => entry.millis(r),
                    Some((_, Some(mut step))) => {
                        let length = step.optional(r, "length").and_then(|entry| entry.millis(r));
                        ends.push((kind, end(r, &mut step)));
                        step.done(r);
                        length
                    }
                };
                lengths.brine_wait = length.unwrap_or(draft.raw.brine_ready_after);
            }
            _ => {
                let step = section.required(r, key, "{ length = \"10 min\", drain = \"8 L/min\" }");
                let step = step.and_then(|entry| draining(r, &entry));
                ends.extend(step.map(|(_, _, end)| (kind, end)));
                // Any length keeps the check of the rest going where this one is unknown.
                let step = step.map_or((Millis::from_mins(10), Flow(0)), |(length, drain, _)| (length, drain));
                match kind {
                    StepKind::Backwash => lengths.backwash = step,
                    StepKind::BrineDraw => lengths.brine_draw = step,
                    StepKind::SlowRinse => lengths.slow_rinse = step,
                    _ => lengths.fast_rinse = step,
                }
            }
        }
    }
    draft.raw.program = preset.steps(&lengths);
    for (kind, end) in ends {
        draft.raw.program.iter_mut().filter(|step| step.kind == kind).for_each(|step| step.end = end);
    }
    let path = |kind| {
        STEP_KEYS.iter().find(|(k, _)| *k == kind).map_or("program".to_owned(), |(_, key)| format!("program.{key}"))
    };
    draft.step_paths = draft.raw.program.iter().map(|step| path(step.kind)).collect();
}

/// What ends a step (Q2): `until`, "time" by default, a metered volume or "contact"; the latter two with `longest`.
fn end<'d>(r: &mut Reader<'d>, section: &mut Section<'d>) -> StepEnd {
    let until = section.optional(r, "until");
    let Some(until) = until.filter(|until| !until.is_word("time")) else {
        section.refuse(r, "longest", "a step that ends by time has just its length");
        return StepEnd::Time;
    };
    let longest = section.required(r, "longest", "\"30 min\"").and_then(|entry| entry.millis(r));
    let longest = longest.unwrap_or(Millis::from_hours(12));
    if until.is_word("contact") {
        return StepEnd::Contact { longest };
    }
    let volume = until.quantity(r, quantity::parse_volume_nl).map_or(Volume::from_litres(1), Volume);
    StepEnd::Volume { volume, longest }
}

/// A step in which water goes to drain: `{ length = "10 min", drain = "8 L/min" }`, and what ends it.
fn draining<'d>(r: &mut Reader<'d>, entry: &Entry<'d>) -> Option<(Millis, Flow, StepEnd)> {
    let Some(mut section) = entry.table() else {
        let help =
            "write it like { length = \"10 min\", drain = \"8 L/min\" }; the drain flow is needed for the water used";
        entry.wrong_type(r, "a length and a flow to drain", help);
        return None;
    };
    let length = section.required(r, "length", "\"10 min\"").and_then(|entry| entry.millis(r));
    let drain = section.required(r, "drain", "\"8 L/min\"").and_then(|entry| entry.flow(r));
    let end = end(r, &mut section);
    section.done(r);
    length.zip(drain).map(|(length, drain)| (length, drain, end))
}

/// A step in which nothing goes to drain: just its length.
fn still<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, key: &'static str) -> Option<Millis> {
    section.optional(r, key).and_then(|entry| entry.millis(r))
}

/// The length of a refill: as given, or dose ÷ (salt per water × refill flow) (Q4).
fn refill<'d>(
    r: &mut Reader<'d>,
    section: &mut Section<'d>,
    key: &'static str,
    given: Option<Entry<'d>>,
    brine: Option<Brine>,
) -> Option<Millis> {
    let Some(brine) = brine else { return given.and_then(|entry| entry.millis(r)) };
    let computed = computed_refill(&brine);
    let Some(entry) = given else {
        if brine.refill_flow.is_none() && !r.any_failed(&["brine"]) {
            section.miss(r, key, "\"10 min\"` or to [brine] `refill_flow = \"2 L/min\"");
        }
        if computed == Some(u64::from(u32::MAX)) {
            let help = "check brine.dose and brine.refill_flow";
            r.fail_at(
                r.place("brine.refill_flow"),
                "brine.refill_flow",
                "a refill would take longer than 49 days",
                help,
            );
        }
        return computed.map(|ms| Millis(u32::try_from(ms).unwrap_or(u32::MAX)));
    };
    let length = entry.millis(r)?;
    if let Some(computed) = computed.filter(|_| length.0 > 0) {
        let apart = u64::from(length.0).abs_diff(computed);
        if apart.saturating_mul(100) > computed.saturating_mul(REFILL_TOLERANCE_PERCENT) {
            let message = format!("does not make the dose: at the refill flow it takes {}", show::duration(computed));
            r.fail(&entry, message, "leave it out, and it is computed from brine.dose and brine.refill_flow");
        }
    }
    Some(length)
}

/// Refill water ÷ refill flow in ms, rounded up to the second, at most 49 days.
fn computed_refill(brine: &Brine) -> Option<u64> {
    let ms = brine.refill_flow?.time_for(brine.refill_water()?);
    Some(ms.div_ceil(1_000).saturating_mul(1_000).min(u64::from(u32::MAX)))
}

fn from_steps<'d>(r: &mut Reader<'d>, sections: Vec<Section<'d>>, brine: Option<Brine>, draft: &mut Draft) {
    let kinds: Vec<(&'static str, StepKind)> = StepKind::ALL.iter().map(|kind| (kind.slug(), *kind)).collect();
    draft.raw.program.clear();
    for mut section in sections {
        let path = section.path().to_owned();
        let kind = section.required(r, "kind", "\"backwash\"").and_then(|entry| entry.choice(r, &kinds));
        let length = match kind {
            Some(StepKind::BrineRefill) => {
                let given = section.optional(r, "length");
                refill(r, &mut section, "length", given, brine)
            }
            _ => section.required(r, "length", "\"10 min\"").and_then(|entry| entry.millis(r)),
        };
        let drains =
            kind.is_some_and(|kind| !matches!(kind, StepKind::BrineRefill | StepKind::Settle | StepKind::BrineWait));
        let drain = if drains { section.required(r, "drain", "\"8 L/min\"") } else { section.optional(r, "drain") };
        let drain = drain.and_then(|entry| entry.flow(r)).unwrap_or_default();
        let end = end(r, &mut section);
        section.done(r);
        let Some(kind) = kind else { continue };
        let step = RawStep { kind, length: length.unwrap_or(Millis::from_mins(10)), drain, end };
        if draft.raw.program.push(step).is_err() {
            let message = format!("is one step more than the {MAX_STEPS} that a program can have");
            r.fail_at(r.place(&path), &path, message, "leave out steps");
        }
        draft.step_paths.push(path);
    }
}
