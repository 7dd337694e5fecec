//! Reads what happens: `[[event]]`.

use bedkeeper::lock::{Key, LockRule};
use bedkeeper::units::TankId;
use bedkeeper::watch::StoreWear;
use bedkeeper::{Action, Settings};
use toml::de::DeValue;

use super::super::event::{Deed, Event, When};
use super::super::subject;
use super::{Context, Sites, date_time, length, line_of, moment, number, read_subject, slug, tank_number};
use crate::plant::{Fault, WhichValve};
use crate::quantity;
use crate::replay::{ValveTimes, World};
use crate::site::reader::{Entry, Reader, Section};

pub(super) fn read_events<'d>(
    root: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
    sites: &mut Sites<'_, '_>,
    source: &str,
) -> Vec<Event> {
    let sections = root.sections(r, "event");
    let mut events = Vec::new();
    for mut section in sections {
        let line = line_of(&section, r, source);
        let when = read_when(&mut section, r, context);
        let deed = read_deed(&mut section, r, context, sites);
        section.done(r);
        if let (Some(when), Some(deed)) = (when, deed) {
            events.push(Event { when, deed, line });
        }
    }
    events
}

fn read_when<'d>(section: &mut Section<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<When> {
    let at = section.optional(r, "at");
    let on = section.optional(r, "on");
    let after = section.optional(r, "after");
    let delay_ms = after.as_ref().and_then(|e| length(e, r)).unwrap_or(0);
    if let Some(after) = after.as_ref().filter(|_| delay_ms > context.lasts_ms) {
        r.fail(after, "is longer than the scenario", "make `lasts` longer, or `after` shorter");
    }
    let nth = section.optional(r, "nth");
    if let (Some(nth), None) = (&nth, &on) {
        r.fail(nth, "`nth` has no meaning without `on`", "remove it, or say with `on` what is waited for");
    }
    let nth = nth.and_then(|e| number(&e, r, 1, 1_000_000)).unwrap_or(1);
    match (at, on) {
        (Some(at), None) => {
            let ms = moment(&at, r, context)?.saturating_add(delay_ms);
            if let Some(after) = after.filter(|_| ms > context.lasts_ms && delay_ms <= context.lasts_ms) {
                let message = format!("{} lies after the end of the scenario", context.days.show(ms));
                r.fail(&after, message, "make `lasts` longer, or `at` or `after` earlier");
            }
            Some(When::At(ms))
        }
        (None, Some(on)) => {
            let Some(mut inner) = on.table() else {
                on.wrong_type(r, "what is waited for", "such as { tank = 1, runs = \"brine-draw\" }");
                return None;
            };
            let subject = read_subject(&mut inner, r, context);
            inner.done(r);
            subject.map(|subject| When::After { subject, nth, delay_ms })
        }
        _ => {
            let place = r.place(section.path());
            let help = "give `at`, a moment; or `on`, what is waited for, such as { tank = 1, runs = \"brine-draw\" }";
            r.fail_at(place, section.path(), "needs one of `at` and `on`", help);
            None
        }
    }
}

fn read_deed<'d>(
    section: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
    sites: &mut Sites<'_, '_>,
) -> Option<Deed> {
    use bedkeeper::contact::Contact;
    use bedkeeper::journal::Who;
    let closed = section.optional(r, "closed");
    let lasts = section.optional(r, "lasts");
    let tank = section.optional(r, "tank");
    let who = section.optional(r, "who");
    let valve = section.optional(r, "valve");
    let refused = section.optional(r, "refused");
    let mut given: Vec<(&'static str, Entry<'d>)> = Vec::new();
    for key in DEEDS {
        given.extend(section.optional(r, key).map(|entry| (key, entry)));
    }
    let mut plant = super::plant::read_changes(section, r, context);
    if given.len() + plant.len() != 1 {
        let place = r.place(section.path());
        let help = format!(
            "give one of {}; of a full plant salt_bridge, float, supply, feed_hardness, temperature, leak_past_bed, \
             leak_to_drain, add_salt",
            DEEDS.join(", ")
        );
        r.fail_at(place, section.path(), "must say one thing that happens", help);
        return None;
    }
    let name = given.first().map(|(name, _)| *name).or_else(|| plant.first().map(|(name, _)| *name))?;
    let beside = [
        ("closed", &closed),
        ("lasts", &lasts),
        ("tank", &tank),
        ("who", &who),
        ("valve", &valve),
        ("refused", &refused),
    ];
    for (key, entry) in beside.into_iter().filter_map(|(key, entry)| entry.as_ref().map(|entry| (key, entry))) {
        refuse_beside(r, key, entry, name);
    }
    if let (Some(_), Some(valve)) = (&tank, &valve) {
        r.fail(valve, "`tank` and `valve` name two valves", "keep one of them");
    }
    let lasts_ms = lasts.and_then(|e| length(&e, r));
    if let Some((_, change)) = plant.pop() {
        return change.map(|change| Deed::Plant { change, lasts_ms });
    }
    let (_, entry) = given.pop()?;
    let whos = [("panel", Who::Panel), ("remote", Who::Remote), ("serial", Who::Serial)];
    let who = who.and_then(|e| e.choice(r, &whos)).unwrap_or(Who::Panel);
    let shared = valve.and_then(|e| e.choice(r, &[("shared", WhichValve::Shared)]));
    let id = tank.as_ref().and_then(|e| tank_number(e, r, context)).unwrap_or(0);
    let id = TankId(u8::try_from(id).unwrap_or(0));
    let valve = shared.unwrap_or(WhichValve::Tank(id));
    match name {
        "contact" => {
            let contact = slug(&entry, r, Contact::ALL, Contact::slug)?;
            let closed = closed.and_then(|e| e.flag(r)).unwrap_or(true);
            Some(Deed::Contact { contact, closed, lasts_ms })
        }
        "clock" => read_clock(&entry, r),
        "fault" => read_fault(&entry, r, context, valve).map(|fault| Deed::Fault { valve, fault, lasts_ms }),
        "mend" => read_fault(&entry, r, context, valve).map(|fault| Deed::Mend { valve, fault }),
        "power" => read_power(&entry, r),
        "store" => read_store(&entry, r).map(Deed::Store),
        "operator" => {
            let action = read_action(&entry, section, r, id)?;
            if let Some(tank) = tank.filter(|_| action.tank().is_none()) {
                let message = format!("`tank` has no meaning beside `{}`: it is about the plant", action.slug());
                r.fail(&tank, message, "remove it");
            }
            Some(Deed::Operator(who, action))
        }
        "unlock" => read_key(&entry, r).map(|key| Deed::Unlock(who, key)),
        "relock" => entry.flag(r).map(|_| Deed::Relock(who)),
        "settings" => read_settings(&entry, refused, r, sites),
        _ => read_meter_contact(&entry, r, context),
    }
}

/// The keys that each say one thing that happens; what happens in a full plant besides.
const DEEDS: [&str; 11] = [
    "contact",
    "clock",
    "operator",
    "unlock",
    "relock",
    "fault",
    "mend",
    "power",
    "settings",
    "meter_contact",
    "store",
];

/// Refuses a key that means nothing beside what happens, rather than passing over it.
fn refuse_beside(r: &mut Reader<'_>, key: &str, entry: &Entry<'_>, deed: &str) {
    let changes_plant = !DEEDS.contains(&deed);
    let (takes_it, owners) = match key {
        "closed" => (deed == "contact", "contact"),
        "lasts" => (
            matches!(deed, "contact" | "fault") || (changes_plant && deed != "add_salt"),
            "contact, fault, and changes of a full plant but add_salt",
        ),
        "tank" => (matches!(deed, "operator" | "fault" | "mend"), "operator, fault and mend"),
        "refused" => (deed == "settings", "settings"),
        "who" => (matches!(deed, "operator" | "unlock" | "relock"), "operator, unlock and relock"),
        _ => (matches!(deed, "fault" | "mend"), "fault and mend"),
    };
    if !takes_it {
        r.fail(entry, format!("`{key}` has no meaning beside `{deed}`"), format!("remove it; it goes with {owners}"));
    }
}

/// How worn the store is that outlives power cuts.
fn read_store<'d>(entry: &Entry<'d>, r: &mut Reader<'d>) -> Option<StoreWear> {
    let Some(mut section) = entry.table() else {
        entry.wrong_type(r, "a section", "such as { erasures = 9500, rated = 10000 }");
        return None;
    };
    let most = u64::from(u32::MAX);
    let mut figure = |key, example, usual: Option<u64>, r: &mut Reader<'d>| {
        let entry = match usual {
            Some(_) => section.optional(r, key),
            None => section.required(r, key, example),
        };
        entry.map_or(usual, |e| number(&e, r, 0, most)).and_then(|value| u32::try_from(value).ok())
    };
    let erasures = figure("erasures", "9500", None, r);
    let rated = figure("rated", "10000", Some(10_000), r);
    let fails = section.optional(r, "fails").and_then(|e| e.flag(r)).unwrap_or(false);
    section.done(r);
    Some(StoreWear { erasures: erasures?, rated: rated?, fails })
}

/// Power fails for a while.
fn read_power<'d>(entry: &Entry<'d>, r: &mut Reader<'d>) -> Option<Deed> {
    let Some(mut section) = entry.table() else {
        entry.wrong_type(r, "a section", "such as { off = \"10 min\" }");
        return None;
    };
    let off_ms = section.required(r, "off", "\"10 min\"").and_then(|e| length(&e, r));
    let clock_kept = section.optional(r, "clock_kept").and_then(|e| e.flag(r)).unwrap_or(true);
    let memory_kept = section.optional(r, "memory_kept").and_then(|e| e.flag(r)).unwrap_or(true);
    section.done(r);
    Some(Deed::Power { off_ms: off_ms?, clock_kept, memory_kept })
}

/// A fault that this valve can have.
fn read_fault(entry: &Entry<'_>, r: &mut Reader<'_>, context: &Context<'_>, valve: WhichValve) -> Option<Fault> {
    let fault = match entry.text(r)?.parse::<Fault>() {
        Ok(fault) => fault,
        Err(error) => {
            r.fail(entry, error.message, error.help);
            return None;
        }
    };
    let site = context.site?;
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let mut world = World::new(site.settings.clone(), times, None).ok()?;
    match world.arm(valve, fault) {
        Ok(()) => Some(fault),
        Err(refused) => {
            r.fail(entry, refused.to_string(), "a fault that this kind of valve can have");
            None
        }
    }
}

/// "2027-03-02T12:00", "lost", or a move such as "+1 h" or "-1 h".
fn read_clock(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<Deed> {
    if entry.is_word("lost") {
        return Some(Deed::ClockLost);
    }
    let text = entry.as_text().unwrap_or_default();
    for (sign, factor) in [('+', 1), ('-', -1)] {
        if let Some(by) = text.strip_prefix(sign) {
            let ms = quantity::parse_duration_ms(by.trim()).ok().and_then(|ms| i64::try_from(ms).ok());
            if ms.is_none() {
                r.fail(entry, format!("`{text}` is no time by which to move the clock"), "such as \"+1 h\"");
            }
            return ms.map(|ms| Deed::ClockMoved(ms.saturating_mul(factor)));
        }
    }
    date_time(entry, r).map(Deed::ClockSet)
}

fn read_settings(
    entry: &Entry<'_>,
    refused: Option<Entry<'_>>,
    r: &mut Reader<'_>,
    sites: &mut Sites<'_, '_>,
) -> Option<Deed> {
    let refused = refused.map(|e| (e.flag(r), e));
    if entry.is_word("bad") {
        if let Some((Some(false), e)) = refused {
            r.fail(&e, "settings that do not pass are always refused", "remove it");
        }
        return Some(Deed::BadSettings);
    }
    let DeValue::Table(table) = entry.value.get_ref() else {
        entry.wrong_type(
            r,
            "sections of a site file, or \"bad\"",
            "such as settings = { reserve = { keep = \"none\" } }",
        );
        return None;
    };
    let settings: Settings = sites.read(Some(table), &entry.path)?.settings;
    let refused = refused.and_then(|(flag, _)| flag).unwrap_or(false);
    Some(Deed::Settings { settings: Box::new(settings), refused })
}

fn read_meter_contact<'d>(entry: &Entry<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<Deed> {
    let Some(mut section) = entry.table() else {
        entry.wrong_type(r, "a section", "such as { times = 40, closed = \"2 ms\", every = \"100 ms\" }");
        return None;
    };
    let meter = section.optional(r, "meter").and_then(|e| e.whole(r, 1..=context.tanks)).unwrap_or(1);
    let times = section.required(r, "times", "40").and_then(|e| number(&e, r, 1, 1_000_000));
    let closed_ms = section.required(r, "closed", "\"2 ms\"").and_then(|e| length(&e, r));
    let every_ms = section.required(r, "every", "\"100 ms\"").and_then(|e| length(&e, r));
    section.done(r);
    let (times, closed_ms, every_ms) = (times?, closed_ms?, every_ms?);
    if closed_ms >= every_ms {
        r.fail(entry, "a closure lasts longer than from one to the next", "`closed` below `every`");
    }
    Some(Deed::MeterContact { meter: meter - 1, times: u32::try_from(times).ok()?, closed_ms, every_ms })
}

/// What an operator asks, with the keys that only some actions have.
fn read_action<'d>(entry: &Entry<'d>, section: &mut Section<'d>, r: &mut Reader<'d>, tank: TankId) -> Option<Action> {
    use bedkeeper::operator::AlarmAction;
    use bedkeeper::program::Position;
    use bedkeeper::watch::Alarm;
    let name = slug(entry, r, &subject::action_slugs(), |name| name)?;
    let mut alarm = |r: &mut Reader<'d>| {
        section.required(r, "alarm", "\"relay-limit\"").and_then(|e| slug(&e, r, Alarm::ALL, Alarm::slug))
    };
    Some(match name {
        "acknowledge" => Action::Alarm(AlarmAction::Acknowledge(alarm(r)?)),
        "reset" => Action::Alarm(AlarmAction::Reset(alarm(r)?)),
        "test-drive" => {
            let position = section.required(r, "position", "\"backwash\"");
            let position = position.and_then(|e| slug(&e, r, Position::ALL, Position::slug))?;
            Action::TestDrive { tank, position }
        }
        "test-hardness" => {
            let treated = section.required(r, "treated", "\"0.2 gpg\"").and_then(|e| e.hardness(r));
            let feed = section.optional(r, "feed").and_then(|e| e.hardness(r));
            Action::TestHardness { tank, treated: treated?, feed }
        }
        "test-relay" => {
            let relay = section.required(r, "relay", "1").and_then(|e| number(&e, r, 1, 4));
            let lasts = section.optional(r, "for").map_or(Some(60_000), |e| length(&e, r))?;
            let seconds = u8::try_from(lasts.div_ceil(1_000)).unwrap_or(u8::MAX);
            Action::TestRelay { relay: u8::try_from(relay?.saturating_sub(1)).unwrap_or(u8::MAX), seconds }
        }
        "count-pulses" => {
            let meter = section.optional(r, "meter").map_or(Some(1), |e| number(&e, r, 1, 8))?;
            Action::CountPulses { meter: u8::try_from(meter.saturating_sub(1)).unwrap_or(u8::MAX) }
        }
        "caught" => {
            let volume = section.required(r, "volume", "\"100 L\"").and_then(|e| e.volume(r));
            Action::Caught { volume: volume? }
        }
        "leave" => {
            let days = section.optional(r, "days").map_or(Some(0), |e| number(&e, r, 0, 255))?;
            Action::Leave { days: u8::try_from(days).unwrap_or(u8::MAX) }
        }
        _ => subject::action(name, tank)?,
    })
}

/// What is offered to a lock: "press", or "code" and a number, as the site's locks are written.
fn read_key(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<Key> {
    match entry.lock_rule(r)? {
        LockRule::Press => Some(Key::Press),
        LockRule::Code(code) => Some(Key::Code(code)),
        LockRule::Open => {
            r.fail(entry, "is no key", "\"press\", or \"code\" and a number");
            None
        }
    }
}
