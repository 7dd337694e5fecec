//! When regenerations may and must start: `[start]`, `[calendar]`, `[[blackout]]`, `[remote]`.

use bedkeeper::calendar::Window;
use bedkeeper::settings::{ExhaustedInWindow, MAX_WINDOWS, RemoteRole, Schedule, StartRule, WhenClockUnset};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use crate::quantity;

/// Reads the four.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    start(r, root, draft);
    calendar(r, root, draft);
    blackout(r, root, draft);
    remote(r, root, draft);
}

/// Puts what was read where it belongs; what was not leaves the default.
fn set<T>(place: &mut T, value: Option<T>) {
    if let Some(value) = value {
        *place = value;
    }
}

fn start<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let raw = &mut draft.raw;
    let mut section = root.section(r, "start");
    let rules = [("immediate", StartRule::Immediate), ("at-hour", StartRule::AtHour)];
    set(&mut raw.start, section.required(r, "when", "\"at-hour\"").and_then(|entry| entry.choice(r, &rules)));
    set(&mut raw.hour_minute, section.optional(r, "hour").and_then(|entry| entry.minute_of_day(r)));
    set(&mut raw.hour_grace, section.optional(r, "grace").and_then(|entry| entry.millis(r)));
    set(&mut raw.exhausted_at_once, section.optional(r, "exhausted_at_once").and_then(|entry| entry.flag(r)));
    set(&mut raw.start_flow_limit, section.optional(r, "flow_limit").and_then(|entry| entry.flow(r)));
    set(&mut raw.flow_wait_limit, section.optional(r, "flow_wait").and_then(|entry| entry.millis(r)));
    section.done(r);
}

fn calendar<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let raw = &mut draft.raw;
    let mut section = root.section(r, "calendar");
    set(&mut raw.backup_days, section.optional(r, "backup_after").and_then(|entry| days_or_off(r, &entry)));
    let absent = section.optional(r, "backup_after_absent").and_then(|entry| days_or_off(r, &entry));
    set(&mut raw.absence_backup_days, absent);
    set(&mut raw.schedule, section.optional(r, "schedule").and_then(|entry| schedule(r, &entry)));
    let unset = [("ignore-windows", WhenClockUnset::IgnoreWindows), ("hold-all", WhenClockUnset::HoldAll)];
    set(&mut raw.when_clock_unset, section.optional(r, "when_clock_unset").and_then(|entry| entry.choice(r, &unset)));
    let finish = section.optional(r, "finish_before_blackout").and_then(|entry| entry.flag(r));
    set(&mut raw.finish_before_window, finish);
    let exhausted = [("wait", ExhaustedInWindow::Wait), ("override", ExhaustedInWindow::Override)];
    let exhausted = section.optional(r, "exhausted_in_blackout").and_then(|entry| entry.choice(r, &exhausted));
    set(&mut raw.exhausted_in_window, exhausted);
    let changeover = section.optional(r, "changeover_in_blackout").and_then(|entry| entry.flag(r));
    set(&mut raw.changeover_in_window, changeover);
    section.done(r);
}

/// "off" or whole days.
fn days_or_off(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<u8> {
    if entry.is_word("off") {
        return Some(0);
    }
    let ms = entry.quantity(r, quantity::parse_duration_ms)?;
    entry.days(r, ms)
}

/// "off", "every 3 days" or weekdays.
fn schedule(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<Schedule> {
    if entry.is_word("off") {
        return Some(Schedule::Off);
    }
    if entry.as_text().is_some_and(|text| text.trim_start().starts_with("every ")) {
        let after_every = |text: &str| quantity::parse_duration_ms(text.trim_start().trim_start_matches("every "));
        let ms = entry.quantity(r, after_every)?;
        return entry.days(r, ms).map(Schedule::EveryDays);
    }
    entry.weekdays(r).map(Schedule::On)
}

fn blackout<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    for mut section in root.sections(r, "blackout") {
        let days = section.required(r, "days", "\"daily\"").and_then(|entry| entry.weekdays(r));
        let from = section.required(r, "from", "\"17:00\"").and_then(|entry| entry.minute_of_day(r));
        let to = section.required(r, "to", "\"22:00\"").and_then(|entry| entry.minute_of_day(r));
        let path = section.path().to_owned();
        section.done(r);
        let Some(((days, from_minute), to_minute)) = days.zip(from).zip(to) else { continue };
        if draft.raw.windows.push(Window { days, from_minute, to_minute }).is_err() {
            let message = format!("is one window more than the {MAX_WINDOWS} that a site can have");
            r.fail_at(r.place(&path), &path, message, "join windows or leave some out");
        }
        draft.window_paths.push(path);
    }
}

fn remote<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let raw = &mut draft.raw;
    let mut section = root.section(r, "remote");
    let roles = [
        ("off", RemoteRole::Off),
        ("now", RemoteRole::Now),
        ("at-hour", RemoteRole::AtHour),
        ("hold-off", RemoteRole::HoldOff),
    ];
    set(&mut raw.remote, section.optional(r, "role").and_then(|entry| entry.choice(r, &roles)));
    set(&mut raw.remote_minimum, section.optional(r, "minimum").and_then(|entry| entry.millis(r)));
    set(&mut raw.hold_off_limit, section.optional(r, "hold_off_limit").and_then(|entry| entry.millis(r)));
    set(&mut raw.contact_debounce, section.optional(r, "debounce").and_then(|entry| entry.millis(r)));
    section.done(r);
}
