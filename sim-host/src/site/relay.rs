//! What the relays do: `[[relay]]`.

use bedkeeper::program::{StepKind, StepSet};
use bedkeeper::relay::{RELAYS, RawRelay, RelayProgram};
use bedkeeper::units::{Millis, TankId, TankSet, Volume};
use bedkeeper::watch::Severity;

use super::Draft;
use super::reader::{Entry, Reader, Section};

/// The programs of a file, and the keys that each needs.
const PROGRAMS: [(&str, &[&str]); 9] = [
    ("unused", &[]),
    ("on-alarm", &["severity"]),
    ("during", &["steps", "tanks"]),
    ("after-start", &["delay", "length"]),
    ("per-volume", &["volume", "on"]),
    ("while-offline", &["tank"]),
    ("while-flow", &[]),
    ("isolate", &["tanks"]),
    ("fail-safe", &[]),
];
/// Every key that belongs to some program.
const KEYS: [&str; 8] = ["severity", "steps", "tanks", "tank", "delay", "length", "volume", "on"];

/// Reads every `[[relay]]`.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    for mut section in root.sections(r, "relay") {
        let most = u8::try_from(RELAYS).unwrap_or(u8::MAX);
        let number_entry = section.required(r, "number", "1");
        let number = number_entry.as_ref().and_then(|entry| entry.whole(r, 1..=most));
        let relay = relay(r, &mut section, draft.raw.tanks);
        let path = section.path().to_owned();
        section.done(r);
        let (Some(number), Some(relay), Some(entry)) = (number, relay, number_entry) else { continue };
        let place = usize::from(number - 1);
        if !draft.relay_paths[place].is_empty() {
            r.fail(&entry, format!("relay {number} is given twice"), "give each relay once");
            continue;
        }
        draft.raw.relays[place] = relay;
        draft.relay_paths[place] = path;
    }
}

/// One relay.
fn relay<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, site_tanks: u8) -> Option<RawRelay> {
    let names: Vec<(&'static str, usize)> = PROGRAMS.iter().enumerate().map(|(i, (name, _))| (*name, i)).collect();
    let chosen = section.required(r, "program", "\"on-alarm\"").and_then(|entry| entry.choice(r, &names));
    let program = match chosen {
        Some(chosen) => {
            let (name, keys) = PROGRAMS[chosen];
            for key in KEYS.iter().filter(|key| !keys.contains(key)) {
                section.refuse(r, key, &format!("\"{name}\" does not use it"));
            }
            program(r, section, name, site_tanks)
        }
        None => {
            // Known all the same, so that only the program is complained of.
            KEYS.iter().for_each(|key| drop(section.optional(r, key)));
            None
        }
    };
    let mut time = |r: &mut Reader<'d>, key| {
        let given = section.optional(r, key);
        given.map_or(Some(Millis::ZERO), |entry| entry.millis(r))
    };
    let (min_on, min_off, longest_on) = (time(r, "min_on"), time(r, "min_off"), time(r, "longest_on"));
    let inverted = section.optional(r, "inverted").map_or(Some(false), |entry| entry.flag(r));
    Some(RawRelay {
        program: program?,
        inverted: inverted?,
        min_on: min_on?,
        min_off: min_off?,
        longest_on: longest_on?,
    })
}

/// What a relay is on for.
fn program<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, name: &str, site_tanks: u8) -> Option<RelayProgram> {
    let time = |r: &mut Reader<'d>, section: &mut Section<'d>, key, example| {
        section.required(r, key, example).and_then(|entry| entry.millis(r))
    };
    Some(match name {
        "on-alarm" => {
            let severities: Vec<(&'static str, Severity)> = Severity::ALL.iter().map(|s| (s.slug(), *s)).collect();
            let given = section.optional(r, "severity");
            RelayProgram::OnAlarm(given.map_or(Some(Severity::Warning), |entry| entry.choice(r, &severities))?)
        }
        "during" => {
            let steps = section.required(r, "steps", "[\"brine-draw\"]").and_then(|entry| steps(r, &entry));
            let tanks = tanks(r, section, site_tanks);
            RelayProgram::During { steps: steps?, tanks: tanks? }
        }
        "after-start" => {
            let delay = section.optional(r, "delay").map_or(Some(Millis::ZERO), |entry| entry.millis(r));
            let length = time(r, section, "length", "\"10 min\"");
            RelayProgram::AfterStart { delay: delay?, length: length? }
        }
        "per-volume" => {
            let volume = section.required(r, "volume", "\"100 L\"").and_then(|entry| entry.volume(r));
            let on = time(r, section, "on", "\"2 s\"");
            RelayProgram::PerVolume { volume: volume?, on: on? }
        }
        "while-offline" => {
            let entry = section.required(r, "tank", "1")?;
            if entry.is_word("none-serving") {
                return Some(RelayProgram::WhileNoneServing);
            }
            if entry.as_text().is_some() {
                r.fail(&entry, "is no tank", "a tank's number, or \"none-serving\"");
                return None;
            }
            RelayProgram::WhileOffline(TankId(entry.whole::<u8>(r, 1..=8)? - 1))
        }
        "while-flow" => RelayProgram::WhileFlow,
        "isolate" => RelayProgram::Isolate(tanks(r, section, site_tanks)?),
        "fail-safe" => RelayProgram::FailSafe,
        _ => RelayProgram::Unused,
    })
}

/// A list of steps.
fn steps(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<StepSet> {
    let kinds: Vec<(&'static str, StepKind)> = StepKind::ALL.iter().map(|kind| (kind.slug(), *kind)).collect();
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list of steps", "such as [\"backwash\", \"fast-rinse\"]");
        return None;
    };
    let mut set = StepSet::EMPTY;
    let mut sound = true;
    for item in items {
        match item.choice(r, &kinds) {
            Some(kind) => drop(set.insert(kind)),
            None => sound = false,
        }
    }
    sound.then_some(set)
}

/// A list of tanks; every tank of the site where none is given.
fn tanks<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, site_tanks: u8) -> Option<TankSet> {
    let mut set = TankSet::EMPTY;
    let Some(entry) = section.optional(r, "tanks") else {
        (0..site_tanks).for_each(|tank| set.insert(TankId(tank)));
        return Some(set);
    };
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list of tanks", "such as [1, 2]");
        return None;
    };
    let mut sound = true;
    for item in items {
        match item.whole::<u8>(r, 1..=8) {
            Some(number) => set.insert(TankId(number - 1)),
            None => sound = false,
        }
    }
    sound.then_some(set)
}

/// The keys of a relay's section that a fault of its program is about, the likeliest first.
pub(super) const PROGRAM_KEYS: [&str; 6] = ["tanks", "tank", "steps", "length", "on", "volume"];

/// The volume that a `per-volume` relay at most serves, for a help text.
pub(super) fn volume_kept_up_with(relay: &RawRelay, rated_ml_per_min: u32) -> Option<Volume> {
    let RelayProgram::PerVolume { on, .. } = relay.program else { return None };
    let ms = u64::from(on.0) + u64::from(relay.min_off.0);
    // 1 mL/min = 50/3 nL/ms.
    Some(Volume((u64::from(rated_ml_per_min) * ms * 50).div_ceil(3)))
}
