//! Blackout windows and the steps of a regeneration.

use bedkeeper::calendar::Window;
use bedkeeper::program::StepKind;
use bedkeeper::settings::{RawSettings, RawStep, StepEnd};
use bedkeeper::units::{Flow, Millis, Volume};

use super::bits::{days_of_bits, days_to_bits, pick, place};
use super::{Field, Group, Kind, Members, SECONDS, narrow};

const STEPS: Kind = Kind::Choice(&[
    "backwash",
    "brine draw",
    "slow rinse",
    "fast rinse",
    "brine refill",
    "settling",
    "wait for brine",
    "last rinse",
]);

pub(super) const FIELDS: &[Field] = &[
    part!(
        Window,
        "begins at",
        "windows",
        Kind::Clock,
        |raw, at| window(raw, at).map(|w| u64::from(w.from_minute)),
        |raw, at, value| {
            if let Some(window) = raw.windows.get_mut(at) {
                window.from_minute = narrow(value, u16::MAX);
            }
        }
    ),
    part!(
        Window,
        "ends at",
        "windows",
        Kind::Clock,
        |raw, at| window(raw, at).map(|w| u64::from(w.to_minute)),
        |raw, at, value| {
            if let Some(window) = raw.windows.get_mut(at) {
                window.to_minute = narrow(value, u16::MAX);
            }
        }
    ),
    part!(
        Window,
        "begins on",
        "windows",
        Kind::Set(Members::Weekdays),
        |raw, at| window(raw, at).map(|w| days_to_bits(w.days)),
        |raw, at, value| {
            if let Some(window) = raw.windows.get_mut(at) {
                window.days = days_of_bits(value);
            }
        }
    ),
    part!(
        Step,
        "it lasts",
        "program",
        SECONDS,
        |raw, at| step(raw, at).map(|s| u64::from(s.length.0)),
        |raw, at, value| {
            if let Some(step) = raw.program.get_mut(at) {
                let (before, length) = (step.length.0, narrow(value, u32::MAX));
                step.length = Millis(length);
                // One that a volume or a contact ends may last as much longer than before.
                if let StepEnd::Volume { longest, .. } | StepEnd::Contact { longest } = &mut step.end {
                    longest.0 = longest.0.saturating_sub(before).saturating_add(length);
                }
            }
        }
    ),
    part!(
        Step,
        "it is",
        "program",
        STEPS,
        |raw, at| step(raw, at).and_then(|s| place(StepKind::ALL, s.kind)),
        |raw, at, value| {
            if let (Some(step), Some(kind)) = (raw.program.get_mut(at), pick(StepKind::ALL, value)) {
                step.kind = kind;
            }
        }
    ),
    part!(
        Step,
        "flow to drain",
        "program",
        Kind::Flow,
        |raw, at| step(raw, at).map(|s| u64::from(s.drain.0)),
        |raw, at, value| {
            if let Some(step) = raw.program.get_mut(at) {
                step.drain = Flow(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Step,
        "it ends by",
        "program",
        Kind::Choice(&["time", "water", "a contact"]),
        |raw, at| {
            step(raw, at).map(|s| match s.end {
                StepEnd::Time => 0,
                StepEnd::Volume { .. } => 1,
                StepEnd::Contact { .. } => 2,
            })
        },
        |raw, at, value| {
            if let Some(step) = raw.program.get_mut(at) {
                let longest = step.longest();
                step.end = match (step.end, value) {
                    (StepEnd::Volume { .. }, 1) | (StepEnd::Contact { .. }, 2) => return,
                    (_, 0) => StepEnd::Time,
                    (_, 1) => StepEnd::Volume { volume: Volume::from_litres(100), longest },
                    _ => StepEnd::Contact { longest },
                };
            }
        }
    ),
    part!(
        Step,
        "after water",
        "program",
        Kind::Volume,
        |raw, at| match step(raw, at)?.end {
            StepEnd::Volume { volume, .. } => Some(volume.0),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawStep { end: StepEnd::Volume { volume, .. }, .. }) = raw.program.get_mut(at) {
                *volume = Volume(value);
            }
        }
    ),
    part!(
        Step,
        "at the latest after",
        "program",
        SECONDS,
        |raw, at| match step(raw, at)?.end {
            StepEnd::Volume { longest, .. } | StepEnd::Contact { longest } => Some(u64::from(longest.0)),
            StepEnd::Time => None,
        },
        |raw, at, value| {
            if let Some(RawStep { end: StepEnd::Volume { longest, .. } | StepEnd::Contact { longest }, .. }) =
                raw.program.get_mut(at)
            {
                *longest = Millis(narrow(value, u32::MAX));
            }
        }
    ),
];

fn window(raw: &RawSettings, at: usize) -> Option<Window> {
    raw.windows.get(at).copied()
}

fn step(raw: &RawSettings, at: usize) -> Option<&RawStep> {
    raw.program.get(at)
}
