//! What is watched and how alarms are treated: `[watch]`, `[[alarm]]`.

use bedkeeper::watch::{Alarm, AlarmDelay, MAX_DELAYED, Severity};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use crate::quantity::show;

/// Reads both.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    alarms(r, root, draft);
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
