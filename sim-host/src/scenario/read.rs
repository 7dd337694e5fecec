//! Reads a scenario file; see the module's front page for its keys.

mod events;
mod inject;
mod plant;

use std::path::{Component, Path, PathBuf};

use jiff::civil::DateTime;
use toml::de::{DeTable, DeValue};

use super::expect::{Claim, Expectation, Span, Total};
use super::merge::Layers;
use super::subject::{self, Subject};
use super::time::{Days, MOMENT_HELP};
use super::water::Water;
use super::{Scenario, ScenarioErrors};
use crate::demand::{Demand, Draw, Profile, Size};
use crate::diagnostic::Finding;
use crate::quantity;
use crate::recording::Pulses;
use crate::site::reader::{Entry, Reader, Section};
use crate::site::{self, Site, SiteErrors};
use crate::terminal::printable;

/// How long a scenario may last: a hundred years.
const LONGEST_MS: u64 = 36_525 * 86_400_000;

const MOST_TANKS: u8 = 8;

/// What the rest of a file is read against.
struct Context<'s> {
    site: Option<&'s Site>,
    /// Water, resin, brine and pressure are modelled.
    full: bool,
    /// The same as it is built, if it could be.
    design: Option<&'s crate::process::Design>,
    days: Days,
    start: Option<DateTime>,
    lasts_ms: u64,
    /// As many as any site has, where the site could not be read.
    tanks: u8,
}

/// The files that a scenario's paths start from.
pub(super) fn read(path: &Path, file: &str, source: &str) -> Result<Scenario, ScenarioErrors> {
    let errors = |findings: Vec<Finding>| ScenarioErrors::new(file, source, findings);
    let (table, syntax) = DeTable::parse_recoverable(source);
    let mut r = Reader::new(source);
    let mut readable = true;
    for error in &syntax {
        readable &= site::error::syntax(&mut r, source, error);
    }
    if !readable {
        return Err(errors(r.into_findings()));
    }
    let mut root = r.root(table.get_ref());
    let title = root.required(&mut r, "scenario", "\"A window holds the start\"").and_then(|e| e.text(&mut r));
    let about = root.optional(&mut r, "about").and_then(|e| e.text(&mut r));
    let start = root.optional(&mut r, "starts").and_then(|e| date_time(&e, &mut r));
    let days = Days::of(start);
    let lasts_ms = lasts(&mut root, &mut r);

    let folder = path.parent().unwrap_or_else(|| Path::new("")).to_owned();
    let base = read_base(&mut root, &mut r, &folder);
    let changes = root.optional(&mut r, "changes");
    let changes_table = changes.as_ref().and_then(|e| table_of(e, &mut r));
    let mut elsewhere = Vec::new();
    let mut inline = Vec::new();
    let mut sites =
        Sites { source, base: base.as_ref(), changes: changes_table, elsewhere: &mut elsewhere, inline: &mut inline };
    let site = sites.read(None, "changes");
    let tanks = site.as_ref().map_or(MOST_TANKS, |site| site.raw.tanks);
    let (full, design) = plant::read_design(&mut root, &mut r, site.as_ref());
    let context = Context { site: site.as_ref(), full, design: design.as_ref(), days, start, lasts_ms, tanks };

    let water = read_water(&mut root, &mut r, &context, &folder);
    let water = inject::read_inject(&mut root, &mut r, &context, water);
    let events = events::read_events(&mut root, &mut r, &context, &mut sites, source);
    let expectations = read_expectations(&mut root, &mut r, &context, source);
    root.done(&mut r);
    r.refuse_unknown();
    let mut findings = r.into_findings();
    findings.append(&mut inline);
    findings.sort_by_key(|finding| finding.span.as_ref().map_or(usize::MAX, |span| span.start));
    match (site, findings.is_empty(), elsewhere.is_empty()) {
        (Some(site), true, true) => Ok(Scenario {
            file: file.to_owned(),
            design: design.map(Box::new),
            title: title.unwrap_or_default(),
            about: about.unwrap_or_default(),
            site,
            start,
            lasts_ms,
            water,
            events,
            expectations,
        }),
        _ => Err(errors(findings).with_sites(elsewhere)),
    }
}

fn lasts<'d>(root: &mut Section<'d>, r: &mut Reader<'d>) -> u64 {
    let Some(entry) = root.required(r, "lasts", "\"3 days\"") else { return LONGEST_MS };
    let ms = entry.quantity(r, quantity::parse_duration_ms).unwrap_or(LONGEST_MS);
    if ms == 0 || ms > LONGEST_MS {
        r.fail(&entry, "is no length of time up to a hundred years", "such as \"3 days\"");
    }
    ms.clamp(1, LONGEST_MS)
}

// ---- the site --------------------------------------------------------------------------------------

/// Where the site comes from.
enum Base<'d> {
    /// A file of its own.
    File { name: String, source: String },
    /// A table in the scenario.
    Inline(&'d DeTable<'d>),
}

/// Reads the site as the scenario changes it, also later on.
struct Sites<'s, 'd> {
    source: &'s str,
    base: Option<&'s Base<'d>>,
    changes: Option<&'s DeTable<'d>>,
    elsewhere: &'s mut Vec<SiteErrors>,
    inline: &'s mut Vec<Finding>,
}

impl Sites<'_, '_> {
    /// The site with the scenario's changes and, over them, further ones.
    fn read(&mut self, further: Option<&DeTable<'_>>, from: &str) -> Option<Site> {
        let over: Vec<_> = self.changes.into_iter().chain(further).collect();
        match self.base? {
            Base::Inline(table) => {
                // Both are in one text, so that a place is a place: nothing below, nothing to move.
                let from = if further.is_some() { from } else { "site" };
                Layers::within(self.source)
                    .read(table, &over, from)
                    .map_err(|(mut below, mut above)| {
                        // What names no place, such as a key that is missing, is of this file too.
                        self.inline.append(&mut below);
                        self.inline.append(&mut above);
                    })
                    .ok()
            }
            Base::File { name, source } => {
                let (table, syntax) = DeTable::parse_recoverable(source);
                if !syntax.is_empty() || over.is_empty() {
                    // Its own reader reports its faults best.
                    return site::parse(name, source).map_err(|faults| self.elsewhere.push(faults)).ok();
                }
                let layers = Layers::new(source, self.source);
                let read = layers.read(table.get_ref(), &over, from);
                read.map_err(|(below, mut above)| {
                    if !below.is_empty() {
                        self.elsewhere.push(SiteErrors::new(name, source, below));
                    }
                    self.inline.append(&mut above);
                })
                .ok()
            }
        }
    }
}

fn read_base<'d>(root: &mut Section<'d>, r: &mut Reader<'d>, folder: &Path) -> Option<Base<'d>> {
    let entry = root.required(r, "site", "\"../sites/pair.toml\"")?;
    if let DeValue::Table(table) = entry.value.get_ref() {
        return Some(Base::Inline(table));
    }
    let text = entry.text(r)?;
    if let Some(demo) = crate::demo::demo_site(&text) {
        let source = demo.map_err(|why| r.fail(&entry, why, "name one of them")).ok()?;
        return Some(Base::File { name: text, source: source.to_owned() });
    }
    let path = from_folder(folder, Path::new(&text));
    match std::fs::read_to_string(&path) {
        Ok(source) => Some(Base::File { name: path.display().to_string(), source }),
        Err(error) => {
            let help = "the path of a site file, from the scenario's folder; or [site.…] sections here";
            r.fail(&entry, format!("`{}` cannot be read: {error}", path.display()), help);
            None
        }
    }
}

/// A path that starts from a folder, without the detours that `..` would show.
pub(crate) fn from_folder(folder: &Path, path: &Path) -> PathBuf {
    let mut direct = PathBuf::new();
    for part in folder.join(path).components() {
        let steps_back =
            part == Component::ParentDir && matches!(direct.components().next_back(), Some(Component::Normal(_)));
        if steps_back {
            direct.pop();
        } else {
            direct.push(part);
        }
    }
    direct
}

fn table_of<'d>(entry: &Entry<'d>, r: &mut Reader<'d>) -> Option<&'d DeTable<'d>> {
    match entry.value.get_ref() {
        DeValue::Table(table) => Some(table),
        _ => {
            entry.wrong_type(r, "sections of a site file", format!("such as [{}.reserve] with its keys", entry.path));
            None
        }
    }
}

// ---- values ----------------------------------------------------------------------------------------

fn date_time(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<DateTime> {
    let text = match entry.value.get_ref() {
        DeValue::String(text) => text.to_string(),
        _ => r.written(entry.value.span()).to_owned(),
    };
    let parsed: Result<DateTime, _> = text.trim().replace(' ', "T").parse();
    match parsed {
        Ok(at) if quantity::civil::counted(at).is_some() => Some(at),
        _ => {
            r.fail(entry, format!("`{text}` is no date and time from 2000 on"), "such as \"2027-03-01T00:00\"");
            None
        }
    }
}

fn moment(entry: &Entry<'_>, r: &mut Reader<'_>, context: &Context<'_>) -> Option<u64> {
    let Some(text) = entry.as_text() else {
        entry.wrong_type(r, "a moment", MOMENT_HELP);
        return None;
    };
    match context.days.parse(text) {
        Ok(ms) if ms <= context.lasts_ms => Some(ms),
        Ok(_) => {
            r.fail(entry, "lies after the end of the scenario", "make `lasts` longer, or name an earlier moment");
            None
        }
        Err(why) => {
            r.fail(entry, format!("`{text}` {why}"), MOMENT_HELP);
            None
        }
    }
}

fn length(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<u64> {
    entry.quantity(r, quantity::parse_duration_ms)
}

fn number(entry: &Entry<'_>, r: &mut Reader<'_>, least: u64, most: u64) -> Option<u64> {
    let DeValue::Integer(integer) = entry.value.get_ref() else {
        entry.wrong_type(r, "a whole number", format!("from {least} to {most}, without quotes"));
        return None;
    };
    let value = u64::from_str_radix(&integer.as_str().replace('_', ""), integer.radix()).ok();
    let value = value.filter(|value| (least..=most).contains(value));
    if value.is_none() {
        r.fail(entry, format!("`{}` is out of range", integer.as_str()), format!("from {least} to {most}"));
    }
    value
}

/// A stretch of the run: two moments, or `true` for the whole of it.
fn span(entry: &Entry<'_>, r: &mut Reader<'_>, context: &Context<'_>) -> Option<Span> {
    let whole = Span { from_ms: 0, to_ms: context.lasts_ms };
    if matches!(entry.value.get_ref(), DeValue::Boolean(true)) {
        return Some(whole);
    }
    let items = entry.items().unwrap_or_default();
    let [from, to] = items.as_slice() else {
        entry.wrong_type(r, "two moments", "[\"day 1 02:00\", \"day 1 05:00\"], or true for the whole run");
        return None;
    };
    let (from_ms, to_ms) = (moment(from, r, context)?, moment(to, r, context)?);
    if to_ms < from_ms {
        r.fail(to, "lies before the other", "write the earlier moment first");
        return None;
    }
    Some(Span { from_ms, to_ms })
}

fn tank_number(entry: &Entry<'_>, r: &mut Reader<'_>, context: &Context<'_>) -> Option<usize> {
    entry.whole(r, 1..=context.tanks).map(|number| usize::from(number) - 1)
}

/// A word among slugs.
fn slug<T: Copy>(entry: &Entry<'_>, r: &mut Reader<'_>, all: &[T], name: fn(T) -> &'static str) -> Option<T> {
    let choices: Vec<_> = all.iter().map(|value| (name(*value), *value)).collect();
    entry.choice(r, &choices)
}

/// A list of words among slugs.
fn slug_list<T: Copy>(entry: &Entry<'_>, r: &mut Reader<'_>, all: &[T], name: fn(T) -> &'static str) -> Option<Vec<T>> {
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list of words", "such as [\"serving\", \"ready\"], or [] for none");
        return None;
    };
    items.iter().map(|item| slug(item, r, all, name)).collect()
}

/// A word among slugs, or "any".
fn slug_or_any<T: Copy>(
    entry: &Entry<'_>,
    r: &mut Reader<'_>,
    all: &[T],
    name: fn(T) -> &'static str,
) -> Option<Option<T>> {
    if entry.is_word("any") { Some(None) } else { slug(entry, r, all, name).map(Some) }
}

// ---- water -----------------------------------------------------------------------------------------

fn read_water<'d>(root: &mut Section<'d>, r: &mut Reader<'d>, context: &Context<'_>, folder: &Path) -> Water {
    let recording = root.optional(r, "recording");
    let flows = root.sections(r, "flow");
    let demand = root.optional(r, "demand");
    let given = [recording.is_some(), !flows.is_empty(), demand.is_some()];
    if given.iter().filter(|given| **given).count() > 1 {
        let entry = demand.as_ref().or(recording.as_ref());
        let place = entry.map(|entry| entry.value.span());
        r.fail_at(place, "", "water comes from one of recording, flow, demand", "keep one of them");
    }
    let flows: Vec<_> = flows.into_iter().filter_map(|section| read_flow(section, r, context)).collect();
    if let Some(entry) = recording {
        return read_recording(&entry, r, context, folder).unwrap_or_default();
    }
    if let Some(entry) = demand {
        return read_demand(&entry, r, context).map_or(Water::None, Water::Demand);
    }
    if flows.is_empty() {
        return Water::None;
    }
    let mut flows = flows;
    flows.sort_by_key(|draw| draw.from_ms);
    Water::Flows(flows)
}

fn read_recording<'d>(entry: &Entry<'d>, r: &mut Reader<'d>, context: &Context<'_>, folder: &Path) -> Option<Water> {
    if let Some(text) = entry.as_text() {
        return Some(match crate::demo::demo_name(text) {
            Some(Ok(name)) => Water::Bundled(name),
            Some(Err(why)) => {
                r.fail(entry, why, "name one of them");
                return None;
            }
            None => {
                let path = from_folder(folder, Path::new(text));
                if !path.is_file() {
                    r.fail(
                        entry,
                        format!("there is no file `{}`", path.display()),
                        "a path from the scenario's folder",
                    );
                }
                Water::File(path)
            }
        });
    }
    if entry.table().is_some() {
        return read_demand(entry, r, context).map(Water::Demand);
    }
    let Some(items) = entry.items() else {
        let help = "the path of a recording, a profile, or rows such as [[\"day 1 06:00\", 3], [\"day 1 06:01\", 2]]";
        entry.wrong_type(r, "a file or a list of rows", help);
        return None;
    };
    let mut rows: Vec<Pulses> = Vec::new();
    for item in &items {
        let fields = item.items().unwrap_or_default();
        let (Some(at), Some(count)) = (fields.first(), fields.get(1)) else {
            item.wrong_type(r, "a row", "a moment and how many pulses, and the tank's number where each has a meter");
            continue;
        };
        let at_ms = moment(at, r, context);
        let count = number(count, r, 1, u64::from(crate::recording::MOST_PULSES_PER_ROW));
        let meter = fields.get(2).and_then(|meter| meter.whole(r, 1..=context.tanks)).unwrap_or(0);
        let (Some(at_ms), Some(count)) = (at_ms, count) else { continue };
        if rows.last().is_some_and(|last| last.at_ms > at_ms) {
            r.fail(at, "lies before the row above", "rows are in order of time");
            continue;
        }
        rows.push(Pulses { at_ms, meter, count: u32::try_from(count).unwrap_or(u32::MAX) });
    }
    Some(Water::Rows(rows))
}

fn read_flow<'d>(mut section: Section<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<Draw> {
    let from = section.required(r, "from", "\"day 1 06:00\"").and_then(|e| moment(&e, r, context));
    let to = section.optional(r, "to");
    let lasts = section.optional(r, "lasts");
    let rate = section.required(r, "rate", "\"20 L/min\"").and_then(|e| e.flow(r));
    let meter = section.optional(r, "meter").and_then(|e| e.whole(r, 1..=context.tanks));
    let to_ms = match (&to, &lasts) {
        (Some(entry), None) => moment(entry, r, context),
        (None, Some(entry)) => length(entry, r).zip(from).map(|(ms, from)| (from + ms).min(context.lasts_ms)),
        (None, None) => Some(context.lasts_ms),
        (Some(_), Some(entry)) => {
            r.fail(entry, "`lasts` and `to` say the same", "keep one of them");
            None
        }
    };
    section.done(r);
    let (from_ms, to_ms) = (from?, to_ms?);
    Some(Draw { from_ms, to_ms: to_ms.max(from_ms), ml_per_min: rate?.0, meter })
}

fn read_demand<'d>(entry: &Entry<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<Demand> {
    let Some(mut section) = entry.table() else {
        entry.wrong_type(r, "a section", "[demand] with profile, per_day and seed");
        return None;
    };
    let profile = section.required(r, "profile", "\"household\"").and_then(|e| e.choice(r, &Profile::ALL));
    let per_day = section.optional(r, "per_day").and_then(|e| e.volume(r));
    let mut counted = |r: &mut Reader<'d>, key| {
        let number = section.optional(r, key).and_then(|e| number(&e, r, 1, u64::from(u32::MAX)));
        number.and_then(|number| u32::try_from(number).ok())
    };
    let (people, rooms) = (counted(r, "people"), counted(r, "rooms"));
    let seed = section.optional(r, "seed").and_then(|e| number(&e, r, 0, u64::from(u32::MAX))).unwrap_or(0);
    let until = section.optional(r, "until").and_then(|e| moment(&e, r, context));
    let days = section.optional(r, "days").and_then(|e| number(&e, r, 1, 100_000));
    let leak = section.optional(r, "leak").and_then(|e| e.flow(r));
    let leak_from = section.optional(r, "leak_from").and_then(|e| moment(&e, r, context)).unwrap_or(0);
    section.done(r);
    let profile = profile?;
    let size = Size { ml_a_day: per_day.map(|volume| volume.nl() / 1_000_000), people, rooms };
    let ml_a_day = match size.of(profile) {
        Ok((ml_a_day, _)) => ml_a_day,
        Err(why) => {
            r.fail(entry, format!("the profile {why}"), "such as per_day = \"400 L\"");
            return None;
        }
    };
    let days_ms = days.map(|days| days * 86_400_000);
    Some(Demand {
        profile,
        ml_a_day,
        seed,
        leak: leak.map(|flow| (leak_from, flow.0)),
        since_midnight_ms: context.start.map_or(0, crate::demand::since_midnight_ms),
        weekday: context.start.map_or(0, crate::demand::weekday),
        until_ms: until.or(days_ms).unwrap_or(context.lasts_ms).min(context.lasts_ms),
    })
}

// ---- subjects --------------------------------------------------------------------------------------

/// Reads what a section is about; exactly one thing.
fn read_subject<'d>(section: &mut Section<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<Subject> {
    use bedkeeper::demand::{Cause, Hold};
    use bedkeeper::duty::DutyKind;
    use bedkeeper::program::{Position, StepKind};
    use bedkeeper::watch::Alarm;
    let tank_entry = section.optional(r, "tank");
    let tank = tank_entry.as_ref().and_then(|e| tank_number(e, r, context));
    let clears_entry = section.optional(r, "clears");
    let clears = clears_entry.as_ref().and_then(|e| moment(e, r, context));
    let mut found: Vec<Option<Subject>> = Vec::new();
    let path = section.path().to_owned();
    let one = |r: &mut Reader<'d>| {
        if tank.is_none() && context.site.is_some() && context.tanks > 1 {
            r.fail_at(r.place(&path), &path, "`tank` is missing", "whose? add `tank = 1`");
        }
        tank.unwrap_or(0)
    };
    let outcome: fn(bedkeeper::sequence::Outcome) -> &'static str = bedkeeper::sequence::Outcome::slug;
    macro_rules! key {
        ($name:literal, $read:expr) => {
            if let Some(entry) = section.optional(r, $name) {
                #[allow(clippy::redundant_closure_call, reason = "one shape for all keys")]
                found.push(($read)(&entry, r));
            }
        };
    }
    key!("duty", |e: &Entry<'d>, r: &mut _| slug(e, r, DutyKind::ALL, DutyKind::slug).map(|d| Subject::Duty(tank, d)));
    key!("duties", |e: &Entry<'d>, r: &mut Reader<'d>| {
        let duties = slug_list(e, r, DutyKind::ALL, DutyKind::slug)?;
        if context.site.is_some() && duties.len() != usize::from(context.tanks) {
            r.fail(e, format!("the site has {} tanks", context.tanks), "one duty for each tank, in order");
        }
        Some(Subject::Duties(duties))
    });
    key!("cause", |e: &Entry<'d>, r: &mut _| slug(e, r, Cause::ALL, Cause::slug).map(|c| Subject::Cause(tank, c)));
    key!("causes", |e: &Entry<'d>, r: &mut Reader<'d>| {
        let causes = slug_list(e, r, Cause::ALL, Cause::slug)?;
        Some(Subject::Causes(one(r), causes))
    });
    key!("hold", |e: &Entry<'d>, r: &mut _| slug(e, r, Hold::ALL, Hold::slug).map(|h| Subject::Hold(tank, h, clears)));
    key!("holds", |e: &Entry<'d>, r: &mut Reader<'d>| {
        let holds = slug_list(e, r, Hold::ALL, Hold::slug)?;
        Some(Subject::Holds(one(r), holds))
    });
    key!("relay", |e: &Entry<'d>, r: &mut _| {
        number(e, r, 1, bedkeeper::relay::RELAYS as u64).map(|n| Subject::Relay(usize::try_from(n).unwrap_or(1) - 1))
    });
    key!("alarm", |e: &Entry<'d>, r: &mut _| slug(e, r, Alarm::ALL, Alarm::slug).map(Subject::Alarm));
    key!("alarms", |e: &Entry<'d>, r: &mut _| slug_list(e, r, Alarm::ALL, Alarm::slug).map(Subject::Alarms));
    key!("step", |e: &Entry<'d>, r: &mut _| slug(e, r, StepKind::ALL, StepKind::slug).map(|s| Subject::Step(tank, s)));
    key!("position", |e: &Entry<'d>, r: &mut _| {
        slug(e, r, Position::ALL, Position::slug).map(|p| Subject::Position(tank, p))
    });
    key!("asked", |e: &Entry<'d>, r: &mut _| {
        slug_or_any(e, r, Cause::ALL, Cause::slug).map(|c| Subject::Asked(tank, c))
    });
    key!("started", |e: &Entry<'d>, r: &mut _| {
        slug_or_any(e, r, Cause::ALL, Cause::slug).map(|c| Subject::Started(tank, c))
    });
    key!("ended", |e: &Entry<'d>, r: &mut _| {
        slug_or_any(e, r, &subject::OUTCOMES, outcome).map(|o| Subject::Ended(tank, o))
    });
    key!("runs", |e: &Entry<'d>, r: &mut _| slug(e, r, StepKind::ALL, StepKind::slug).map(|s| Subject::Runs(tank, s)));
    key!("raised", |e: &Entry<'d>, r: &mut _| slug(e, r, Alarm::ALL, Alarm::slug).map(Subject::Raised));
    for (key, granted) in [("granted", true), ("refused", false)] {
        if let Some(entry) = section.optional(r, key) {
            let action = slug(&entry, r, &subject::action_slugs(), |name| name);
            found.push(action.map(|action| Subject::Operator { tank, action, granted }));
        }
    }
    key!("says", |e: &Entry<'d>, r: &mut _| e.text(r).map(|text| Subject::Says(tank, text)));
    key!("violation", |e: &Entry<'d>, r: &mut _| rule(e, r).map(Subject::Violation));
    if found.len() != 1 {
        let place = r.place(section.path());
        let message = if found.is_empty() { "says not what it is about" } else { "is about several things at once" };
        r.fail_at(place, section.path(), message, SUBJECT_HELP);
        return None;
    }
    let subject = found.pop().flatten()?;
    if let Some(entry) = clears_entry.filter(|_| !matches!(subject, Subject::Hold(..))) {
        r.fail(&entry, "`clears` has no meaning here", "remove it; it goes with hold");
    }
    let of_the_plant = matches!(
        subject,
        Subject::Duties(_)
            | Subject::Relay(_)
            | Subject::Alarm(_)
            | Subject::Alarms(_)
            | Subject::Raised(_)
            | Subject::Violation(_)
    );
    if let Some(entry) = tank_entry.filter(|_| of_the_plant) {
        r.fail(&entry, "`tank` has no meaning here", "remove it: what is looked for is of the whole plant");
    }
    Some(subject)
}

/// The number of a rule.
fn rule(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<String> {
    let text = entry.text(r)?;
    let rules = crate::rules::rules(crate::rules::TEXT);
    if rules.iter().any(|rule| rule.id == text) {
        return Some(text);
    }
    // Of the same family, the rule whose number is nearest.
    let parts = |id: &str| Some((id.chars().next()?.to_ascii_uppercase(), id.get(1..)?.parse::<u64>().ok()?));
    let near = parts(&text).and_then(|(family, number)| {
        let same = rules.iter().filter_map(|rule| Some((parts(&rule.id)?, rule.id.as_str())));
        same.filter(|((own, _), _)| *own == family).min_by_key(|((_, n), _)| n.abs_diff(number)).map(|(_, id)| id)
    });
    let near = near.map(|id| format!("did you mean \"{id}\"? ")).unwrap_or_default();
    r.fail(entry, format!("`{}` is no rule", printable(&text)), format!("{near}`bedkeeper rules` lists them all"));
    None
}

const SUBJECT_HELP: &str = "give one of duty, duties, cause, causes, hold, holds, alarm, alarms, relay, step, position, \
                            asked, started, ended, runs, raised, granted, refused, says, violation";

// ---- expectations ----------------------------------------------------------------------------------

fn read_expectations<'d>(
    root: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
    source: &str,
) -> Vec<Expectation> {
    let sections = root.sections(r, "expect");
    if sections.is_empty() {
        r.fail_at(None, "expect", "nothing is expected", "add [[expect]] with what should be so, and when");
    }
    let mut expectations = Vec::new();
    for mut section in sections {
        let line = line_of(&section, r, source);
        let claim = read_claim(&mut section, r, context);
        section.done(r);
        expectations.extend(claim.map(|claim| Expectation { claim, line }));
    }
    let violation = |e: &Expectation| match &e.claim {
        Claim::Within(Subject::Violation(rule), _)
        | Claim::At(Subject::Violation(rule), ..)
        | Claim::Count(Subject::Violation(rule), ..) => Some(rule.clone()),
        _ => None,
    };
    let but = expectations.iter().filter_map(violation).collect();
    expectations.push(Expectation { claim: Claim::NoViolation(but), line: 0 });
    if context.full {
        expectations.push(Expectation { claim: Claim::Balance, line: 0 });
    }
    expectations
}

/// The line of a section, from 1.
fn line_of<'d>(section: &Section<'d>, r: &Reader<'d>, source: &str) -> usize {
    let offset = r.place(section.path()).map_or(0, |span| span.start);
    source.get(..offset).map_or(0, |before| before.matches('\n').count() + 1)
}

fn read_claim<'d>(section: &mut Section<'d>, r: &mut Reader<'d>, context: &Context<'_>) -> Option<Claim> {
    if let Some(entry) = section.optional(r, "total") {
        return read_total(&entry, section, r);
    }
    if let Some(entry) = section.optional(r, "figure") {
        return plant::read_limits(&entry, section, r, context).map(Claim::Figure);
    }
    let at = section.optional(r, "at");
    let within = section.optional(r, "within");
    let never = section.optional(r, "never");
    let always = section.optional(r, "always");
    let count = section.optional(r, "count");
    let between = section.optional(r, "between").and_then(|e| span(&e, r, context));
    let tolerance = section.optional(r, "tolerance").and_then(|e| length(&e, r));
    let subject = read_subject(section, r, context);
    let given = [&at, &within, &never, &always, &count].iter().filter(|e| e.is_some()).count();
    if given != 1 {
        let place = r.place(section.path());
        let help = "give one of at, within, never, always, count; or total; or figure";
        r.fail_at(place, section.path(), "must say when, once", help);
        return None;
    }
    if let Some(entry) = at {
        let at_ms = moment(&entry, r, context);
        let usual = if subject.as_ref().is_some_and(Subject::is_state) { 0 } else { 1_000 };
        return Some(Claim::At(subject?, at_ms?, tolerance.unwrap_or(usual)));
    }
    if let Some(entry) = within {
        let span = span(&entry, r, context);
        return Some(Claim::Within(subject?, span?));
    }
    if let Some(entry) = never {
        let span = span(&entry, r, context);
        return Some(Claim::Never(subject?, span?));
    }
    if let Some(entry) = always {
        let span = span(&entry, r, context);
        let subject = subject?;
        if !subject.is_state() {
            r.fail(&entry, "what happens at a moment cannot be so always", "name a state, such as duty or alarm");
        }
        return Some(Claim::Always(subject, span?));
    }
    let (least, most) = read_count(&count?, r)?;
    let whole = Span { from_ms: 0, to_ms: context.lasts_ms };
    Some(Claim::Count(subject?, between.unwrap_or(whole), least, most))
}

/// A number, or { least = 2, most = 4 }.
fn read_count<'d>(entry: &Entry<'d>, r: &mut Reader<'d>) -> Option<(u64, u64)> {
    if let Some(mut section) = entry.table() {
        let least = section.optional(r, "least").and_then(|e| number(&e, r, 0, u64::MAX));
        let most = section.optional(r, "most").and_then(|e| number(&e, r, 0, u64::MAX));
        section.done(r);
        let (least, most) = (least.unwrap_or(0), most.unwrap_or(u64::MAX));
        if least > most {
            r.fail(entry, "nothing comes at least so often and at most so often", "`least` no greater than `most`");
        }
        return Some((least, most));
    }
    number(entry, r, 0, u64::MAX).map(|n| (n, n))
}

fn read_total<'d>(entry: &Entry<'d>, section: &mut Section<'d>, r: &mut Reader<'d>) -> Option<Claim> {
    let total = entry.choice(r, &Total::ALL);
    let value = |e: &Entry<'d>, r: &mut Reader<'d>| match total? {
        Total::Regenerations | Total::Bounced => number(e, r, 0, u64::MAX).map(u128::from),
        Total::Salt => e.quantity(r, quantity::parse_mass_mg).map(u128::from),
        _ => e.quantity(r, quantity::parse_volume_nl).map(u128::from),
    };
    let is = section.optional(r, "is").map(|e| value(&e, r));
    let least = section.optional(r, "least").map(|e| value(&e, r));
    let most = section.optional(r, "most").map(|e| value(&e, r));
    let tolerance =
        section.optional(r, "tolerance").and_then(|e| e.quantity(r, quantity::parse_share_ppm)).unwrap_or(0);
    let total = total?;
    match (is, least, most) {
        (Some(is), None, None) => {
            let is = is?;
            let by = is * u128::from(tolerance) / 1_000_000;
            Some(Claim::Total(total, is.saturating_sub(by), is + by))
        }
        (None, least, most) if least.is_some() || most.is_some() => {
            let (least, most) = (least.unwrap_or(Some(0))?, most.unwrap_or(Some(u128::MAX))?);
            if least > most {
                r.fail(entry, "no sum is at least so much and at most so much", "`least` no greater than `most`");
            }
            Some(Claim::Total(total, least, most))
        }
        _ => {
            r.fail(entry, "needs a figure", "give `is`, with a `tolerance` such as \"1 %\"; or `least` and `most`");
            None
        }
    }
}
