//! What is watched and how alarms are treated: `[watch]`, `[[alarm]]`.

use bedkeeper::units::{Flow, Millis};
use bedkeeper::watch::{Alarm, AlarmDelay, MAX_DELAYED, Severity};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use crate::quantity::{self, show};

const DAY_MS: u64 = 86_400_000;

/// What flows at least, whatever the meter, mL/min.
const LEAST_SMALL_FLOW: u64 = 500;
/// Pulses of the small flow come at most this far apart, min.
const SMALL_FLOW_PULSE_MIN: u64 = 30;
/// The longest time between two maintenances, days.
const LONGEST_SERVICE_DAYS: u64 = 3_650;

/// Reads both.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    watch(r, root, draft);
    alarms(r, root, draft);
}

fn watch<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let pulse_ml = draft.raw.meter.pulse_nl / u64::from(draft.raw.meter.pulse_divisor.max(1)) / 1_000_000;
    let usual = (pulse_ml / SMALL_FLOW_PULSE_MIN).max(LEAST_SMALL_FLOW);
    let watch = &mut draft.raw.watch;
    let mut section = root.section(r, "watch");
    let small_flow = section.optional(r, "small_flow").and_then(|entry| entry.flow(r));
    watch.small_flow = small_flow.unwrap_or(Flow(u32::try_from(usual).unwrap_or(u32::MAX)));
    if let Some(after) = section.optional(r, "unbroken_after").and_then(|entry| millis_or_off(r, &entry)) {
        watch.unbroken_after = after;
    }
    if let Some(pause) = section.optional(r, "pause").and_then(|entry| entry.millis(r)) {
        watch.unbroken_pause = pause;
    }
    if let Some(after) = section.optional(r, "silent_after").and_then(|entry| millis_or_off(r, &entry)) {
        watch.silent_after = after;
    }
    if let Some(volume) = section.optional(r, "service_volume").and_then(|entry| entry.volume(r)) {
        watch.service_volume = volume;
    }
    if let Some(count) = section.optional(r, "service_regenerations").and_then(|entry| entry.whole(r, 0..=u16::MAX)) {
        watch.service_regenerations = count;
    }
    if let Some(days) = section.optional(r, "service_after").and_then(|entry| service_days(r, &entry)) {
        watch.service_days = days;
    }
    section.done(r);
}

/// "off" or a length of time.
fn millis_or_off(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<Millis> {
    if entry.is_word("off") { Some(Millis::ZERO) } else { entry.millis(r) }
}

/// "off" or whole days.
fn service_days(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<u16> {
    if entry.is_word("off") {
        return Some(0);
    }
    let ms = entry.quantity(r, quantity::parse_duration_ms)?;
    let whole = ms.is_multiple_of(DAY_MS) && ms / DAY_MS <= LONGEST_SERVICE_DAYS;
    if !whole {
        r.fail(
            entry,
            format!("{} is no whole number of days up to ten years", show::duration(ms)),
            "such as \"365 days\"",
        );
    }
    u16::try_from(ms / DAY_MS).ok().filter(|_| whole)
}

fn alarms<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let names: Vec<(&'static str, Alarm)> = Alarm::ALL.iter().map(|alarm| (alarm.slug(), *alarm)).collect();
    let severities: Vec<(&'static str, Severity)> = Severity::ALL.iter().map(|s| (s.slug(), *s)).collect();
    for mut section in root.sections(r, "alarm") {
        let alarm = section.required(r, "name", "\"overrun\"").and_then(|entry| entry.choice(r, &names));
        let severity = section.optional(r, "severity").and_then(|entry| entry.choice(r, &severities));
        let latching = section.optional(r, "latching").and_then(|entry| entry.flag(r));
        let onset_s = section.optional(r, "onset").and_then(|entry| delay(r, &entry));
        let return_s = section.optional(r, "return").and_then(|entry| delay(r, &entry));
        let path = section.path().to_owned();
        section.done(r);
        let Some(alarm) = alarm else { continue };
        let rules = &mut draft.raw.watch.rules;
        if let Some(severity) = severity {
            rules.set_severity(alarm, severity);
        }
        match latching {
            Some(true) => drop(rules.latching.insert(alarm)),
            Some(false) => drop(rules.latching.remove(alarm)),
            None => {}
        }
        let delay = AlarmDelay { alarm, onset_s: onset_s.unwrap_or(0), return_s: return_s.unwrap_or(0) };
        if onset_s.or(return_s).is_none() {
            continue;
        }
        if rules.delays.push(delay).is_err() {
            let message = format!("is one delay more than the {MAX_DELAYED} that a site can have");
            r.fail_at(r.place(&path), &path, message, "leave some delays out");
        }
        draft.delay_paths.push(path);
    }
}

/// Whole seconds up to 18 hours.
fn delay(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<u16> {
    let ms = u64::from(entry.millis(r)?.0);
    let seconds = u16::try_from(ms / 1_000).ok().filter(|_| ms.is_multiple_of(1_000));
    if seconds.is_none() {
        r.fail(entry, format!("{} are no whole seconds up to 18 h", show::duration(ms)), "such as \"5 min\"");
    }
    seconds
}
