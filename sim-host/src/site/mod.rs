//! Site files: a plant described in people's units, read whole, with every fault at once.
//!
//! A site file is TOML. Quantities are texts with a number and a unit ("20 gpg", "85 L", "90 min"). Where a key is left
//! out its default, here in parentheses, holds; keys marked `*` must be given. `bedkeeper`'s own check of the settings
//! (S11) runs last, and its faults point at the key of the file.
//!
//! | section | keys |
//! |---|---|
//! | `[site]` | `name`*; `note`: who to call, where the shut-off is; `units`: "metric" or "us", for reports ("metric") |
//! | `[tanks]` | `arrangement`*: "single", "alternating", "parallel" or "staged"; `number` (1 if single, else 2); `max_regenerating` (1); `allow_untreated` (false); `stale_after` ("72 h"); `purge` ("2 min") |
//! | `[sharing]` | of the tanks of a site: `tank_flow` that one can carry ("0 L/min": any); `join_above`* of a staged site: the flow above which each further tank joins; `join_hysteresis` (a tenth of the first of them), `join_dwell` ("1 min"); `draining_together` (1); `bypass`: share of the water blended past the tanks ("0 %") |
//! | `[shared_valve]` | where two alternating tanks have one changeover valve in place of "standby" positions: `travel_limit` ("1 min"), `rest` ("2 s"), `retries` (2) |
//! | `[water]` | `hardness`* of the feed; `iron` and `manganese` of it ("0 mg/L"), of which each mg/L loads the resin like `iron_counts_as`, `manganese_counts_as` ("4 gpg"); for sizing `use_per_day` and `peak_flow` |
//! | `[derating]` | of a softener's capacity: `per_year` of age ("0 %"), from `resin_new_on`, a date (powered time since the first start); by hardness tests: behind a tank at most `test_limit` ("1 gpg"), `failed_test` takes off ("10 %"), `passed_test` gives back ("0 %"), up to `restore_to` ("100 %"); `least` that is reckoned with ("50 %") |
//! | `[resin]` | of a softener: `volume`* in each tank; `capacity`*: what one dose restores, per tank ("60 kgr") or per resin ("20 kgr/ft3"); `total`: what the resin can hold at the utmost, in the same forms ("1.9 eq/L") |
//! | `[filter]` | instead of `[water]`, `[resin]`, `[brine]`: `capacity`*: volume between regenerations of one tank |
//! | `[brine]` | `dose`*: salt of one regeneration, per tank ("8 kg") or per resin ("6 lb/ft3"); `dose_after_backwash` in per cent of it ("100 %"; "200 %" with the preset "counter-current" that does not backwash every time); `refill_flow`; `salt_per_water` ("2.99 lb/gal"); `ready_after` ("120 min"); `ready_by`: "time" or "contact" ("time"); `refill_cap` from one regeneration to the next, in per cent of the largest dose ("250 %"); `store_doses`: in a full salt store, 0 = not counted (0); `low_doses`: fewer raise salt-low (5); `proportional`: the dose follows what was spent (false), with `least_dose` ("50 %") and `full_dose_every` so many (10) |
//! | `[meter]` | `pulse`*: "10 L", "100 pulses/L", "1523 pulses in 100 L"; `place`: "common" or "per-tank" ("common"); `measures_steps`: a common meter counts the water of regeneration steps and nothing else then, single tanks only (false); `min_closed`, `min_open` ("10 ms"); `rated_max` ("100 L/min"); `noisy_above` ("2 %") |
//! | `[reserve]` | `keep`: "none", a volume, a share ("15 %") or "learned" ("none"); a learned one follows use by the weekday: the mean of past weeks plus so many mean `deviations` (2), of a tank's capacity at least `floor` ("0 %"), at the most `ceiling` ("80 %"), and `until_known` until seven days are ("25 %", delayed starts); a day with less than `absence_below` of the usual use teaches nothing ("10 %") |
//! | `[start]` | `when`*: "immediate" or "at-hour"; `hour` ("02:00"); `grace` ("3 h"); `exhausted_at_once` (false); `flow_limit` ("0 L/min": any); `flow_wait` ("4 h") |
//! | `[calendar]` | `backup_after`: "off" or whole days ("off"); `backup_after_absent`: while people are away ("14 days"); `schedule`: "off", weekdays or "every 3 days" ("off"); `when_clock_unset`: "ignore-windows" or "hold-all" ("ignore-windows"); `finish_before_blackout` (true); `exhausted_in_blackout`: "wait" or "override" ("wait"); `changeover_in_blackout` (true) |
//! | `[[blackout]]` | up to 8 windows: `days`*, `from`*, `to`* |
//! | `[remote]` | `role`: "off", "now", "at-hour" or "hold-off" ("off"); `minimum` ("1 s"); `hold_off_limit` ("48 h"); `debounce` of all contacts ("1 s") |
//! | `[limits]` | `drain_per_day` ("0 L": any); `overdue_after` ("24 h") |
//! | `[locks]` | before changes; looking is free: `panel`, `serial`: "open", "press" (a deliberate press) or "code 4711" ("open"); `relock_after` ("10 min") |
//! | `[watch]` | `small_flow`: less is no flow to speak of ("0.5 L/min", or a pulse in 30 min where that is more); `unbroken_after`: more for so long without a `pause` ("1 min") raises unbroken-flow ("6 h"; "off"); `silent_after` ("4 days"; "off"); service-due by `service_volume` ("0 L": never), `service_regenerations` (0: never), `service_after` ("off" or days) |
//! | `[[alarm]]` | for each alarm that is not as usual: `name`*; `severity`: "notice", "warning" or "critical"; `latching`: stands until reset; `onset`, `return`: delays ("0 s"), for up to 6 alarms |
//! | `[[relay]]` | up to 4, each `number`* once; `program`*: "unused", "on-alarm" with `severity` at least ("warning"), "during" with `steps`* and `tanks` (all), "after-start" with `delay` ("0 s") and `length`*, "per-volume" with `volume`* and `on`*, "while-offline" with `tank`*, a number or "none-serving", "while-flow", "isolate" with `tanks` (all), "fail-safe"; `inverted` (false); `min_on`, `min_off` ("0 s"); `longest_on` ("0 s": no limit) |
//! | `[program]` | `preset`: "co-current", "counter-current", "refill-first" or "filter", with `backwash`*, `brine_draw`*, `slow_rinse`*, `fast_rinse`* as `{ length = "10 min", drain = "25 L/min" }`, and `settle` ("0 s"), `brine_wait` (`brine.ready_after`), `brine_refill` (dose ÷ (salt per water × refill flow)) as lengths, as far as the preset has the step; `backwash_every` (1). In the braces of a step, also of `brine_refill` and `brine_wait` written so: `until`: "time", a metered volume or "contact" ("time"), the latter two with `longest`* |
//! | `[[program.step]]` | instead of a preset, up to 12 steps: `kind`*, `length`*, `drain`* (where water goes to drain), `until`, `longest` |
//! | `[valve]` | `drive`*: "cam-switch" with `positions`* in the order they are passed, `switches`: "per-position" or "home-and-stop" ("per-position"), `reversible` (false), `travel_limit` ("4 min"), `rest` ("2 s"), `coast` ("500 ms"), `retries` (2); "cam-index" with `positions`* as `{ position = "backwash", mark = 8 }`, `marks`* in a turn, `slip_marks` (1), `coast_marks` (1), and the same but `switches`; "timed" with `positions`* as `{ position = "service", run_time = "0 s" }`, `margin` ("2 s"), `rest` ("2 s"); "pilot-array" with `positions`* as `{ position = "backwash", pilots = [1, 3] }`, `contact` (false), `settle` ("10 s"), `margin` without a contact ("5 s"), `travel_limit` with one ("1 min"), `rest` with all pilots off between two positions ("1 s"), `retries` (2) |
//! | `[plant]` | the simulated valves: `leg` from one position to the next ("10 s"), or to follow pilots (`valve.settle`); `coast` of a cam ("200 ms"); the water, resin, brine and pressure of a softener: see [`ProcessConfig`], whose defaults follow from the rest, and `demo/apartments.toml`, which shows every key |

mod calendar;
mod derating;
pub(crate) mod error;
mod faults;
mod plant;
mod power;
mod process;
mod program;
pub(crate) mod reader;
mod relay;
mod sharing;
mod values;
mod valve;
mod watch;
mod water;

use std::io::Read;
use std::path::Path;

use bedkeeper::relay::RELAYS;
use bedkeeper::settings::Arrangement;
use bedkeeper::units::{Flow, SaltMass, Volume};
use bedkeeper::{RawSettings, Settings};
use toml::de::DeTable;

pub use error::SiteErrors;
pub use plant::PlantConfig;
pub use process::ProcessConfig;

use crate::quantity::UnitSystem;
use reader::{Reader, Section};

/// The longest site file read, in bytes.
pub const LONGEST_SITE_BYTES: usize = 1024 * 1024;

/// A site: settings that passed their check, and what else a site file says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Site {
    /// What people call it.
    pub name: String,
    /// For whoever stands before it; may be empty.
    pub note: String,
    /// The units in which reports show quantities.
    pub units: UnitSystem,
    /// The settings as the file gives them.
    pub raw: RawSettings,
    /// The same settings, checked.
    pub settings: Settings,
    /// How the simulated plant behaves.
    pub plant: PlantConfig,
    /// The plant's water, resin, brine and pressure; none at a filter site.
    pub process: Option<ProcessConfig>,
    /// The building's use of water, as far as the file says: for sizing alone.
    pub water_use: WaterUse,
    /// The resin and its brine; none at a filter site.
    pub resin: Option<ResinFacts>,
}

/// What a building uses; the logic itself never asks.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct WaterUse {
    /// Water used a day.
    pub a_day: Option<Volume>,
    /// The largest flow.
    pub peak: Option<Flow>,
}

/// Facts of a softener that the settings themselves do not keep.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ResinFacts {
    /// Resin in each tank.
    pub volume: Volume,
    /// Salt of one usual regeneration.
    pub dose: SaltMass,
    /// Water that takes up this salt: dose ÷ salt per water.
    pub refill_water: Volume,
    /// Salt that refill water takes up, mg/L.
    pub salt_per_water_mg_per_l: u64,
    /// Flow into the brine tank, where the file gives it.
    pub refill_flow: Option<Flow>,
}

/// A site while it is read: everything has a usable value, whatever the file lacks.
struct Draft {
    name: String,
    note: String,
    units: UnitSystem,
    raw: RawSettings,
    plant: PlantConfig,
    process: Option<ProcessConfig>,
    /// Brine goes against the service flow, as far as the preset tells.
    counter_current: bool,
    water_use: WaterUse,
    resin_volume: Option<Volume>,
    /// The path in the file of each step of the program.
    step_paths: Vec<String>,
    /// The path in the file of each window.
    window_paths: Vec<String>,
    /// The path in the file of each alarm with a delay.
    delay_paths: Vec<String>,
    /// The path in the file of each relay; empty for those not given.
    relay_paths: [String; RELAYS],
}

/// Reads a site from the text of its file; `file_name` is for the findings.
///
/// # Errors
/// Every fault of the text, by line. Broken TOML syntax is listed alone, as the rest cannot be trusted then.
pub fn parse(file_name: &str, source: &str) -> Result<Site, SiteErrors> {
    if source.len() > LONGEST_SITE_BYTES {
        return Err(SiteErrors::too_long(file_name));
    }
    let (table, syntax) = DeTable::parse_recoverable(source);
    let mut r = Reader::new(source);
    let mut readable = true;
    for error in &syntax {
        readable &= error::syntax(&mut r, source, error);
    }
    if !readable {
        return Err(SiteErrors::new(file_name, source, r.into_findings()));
    }
    let root = r.root(table.get_ref());
    let site = read_site(&mut r, root);
    let findings = r.into_findings();
    match site {
        Some(site) if findings.is_empty() => Ok(site),
        _ => Err(SiteErrors::new(file_name, source, findings)),
    }
}

/// Reads a site from its table; what is wrong goes to the reader.
pub(crate) fn read_site<'d>(r: &mut Reader<'d>, mut root: Section<'d>) -> Option<Site> {
    let mut draft = Draft::new();
    head(r, &mut root, &mut draft);
    sharing::read(r, &mut root, &mut draft);
    let brine = water::read(r, &mut root, &mut draft);
    water::meter(r, &mut root, &mut draft);
    water::reserve(r, &mut root, &mut draft);
    calendar::read(r, &mut root, &mut draft);
    limits(r, &mut root, &mut draft);
    derating::read(r, &mut root, &mut draft);
    watch::read(r, &mut root, &mut draft);
    relay::read(r, &mut root, &mut draft);
    locks(r, &mut root, &mut draft);
    power::read(r, &mut root, &mut draft);
    program::read(r, &mut root, brine, &mut draft);
    valve::read(r, &mut root, brine, &mut draft);
    root.done(r);
    r.refuse_unknown();
    faults::salt(r, &draft);
    let settings = Settings::try_from(draft.raw.clone());
    if let Err(faults) = &settings {
        faults::report(r, faults, &draft);
    }
    let settings = settings.ok()?;
    let resin = draft.resin_volume.zip(brine).and_then(|(volume, brine)| {
        Some(ResinFacts {
            volume,
            dose: brine.dose?,
            refill_water: brine.refill_water()?,
            salt_per_water_mg_per_l: brine.salt_per_water_mg_per_l,
            refill_flow: brine.refill_flow,
        })
    });
    let Draft { name, note, units, raw, plant, water_use, process, .. } = draft;
    Some(Site { name, note, units, raw, settings, plant, water_use, process, resin })
}

/// Reads a site from a file; `-` is standard input.
///
/// # Errors
/// A file that cannot be read, is no UTF-8 text or is longer than [`LONGEST_SITE_BYTES`]; else as [`parse`].
pub fn load(path: impl AsRef<Path>) -> Result<Site, SiteErrors> {
    let path = path.as_ref();
    let (name, bytes) = if path.as_os_str() == "-" {
        ("standard input".to_owned(), at_most(std::io::stdin().lock()))
    } else {
        (path.display().to_string(), std::fs::File::open(path).and_then(at_most))
    };
    let bytes = bytes.map_err(|error| SiteErrors::unreadable(&name, &error))?;
    match String::from_utf8(bytes) {
        Ok(source) => parse(&name, &source),
        Err(error) => Err(SiteErrors::no_text(&name, error.as_bytes(), error.utf8_error())),
    }
}

/// Reads no more than is needed to see that a file is too long.
fn at_most(reader: impl Read) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    reader.take(LONGEST_SITE_BYTES as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

impl Draft {
    fn new() -> Self {
        Self {
            name: String::new(),
            note: String::new(),
            units: UnitSystem::Metric,
            raw: RawSettings::baseline(),
            plant: PlantConfig::default(),
            process: None,
            counter_current: false,
            water_use: WaterUse::default(),
            resin_volume: None,
            step_paths: Vec::new(),
            window_paths: Vec::new(),
            delay_paths: Vec::new(),
            relay_paths: Default::default(),
        }
    }
}

/// Reads `[site]` and `[tanks]`.
fn head<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let mut site = root.section(r, "site");
    if let Some(entry) = site.required(r, "name", "\"House by the mill\"") {
        draft.name = entry.text(r).unwrap_or_default();
        if entry.as_text().is_some_and(|text| text.trim().is_empty()) {
            r.fail(&entry, "is empty", "what people call the site");
        }
    }
    draft.note = site.optional(r, "note").and_then(|entry| entry.text(r)).unwrap_or_default();
    let units = [("metric", UnitSystem::Metric), ("us", UnitSystem::Us)];
    draft.units = site.optional(r, "units").and_then(|entry| entry.choice(r, &units)).unwrap_or_default();
    site.done(r);

    let raw = &mut draft.raw;
    let mut tanks = root.section(r, "tanks");
    let arrangements = [
        ("single", Arrangement::Single),
        ("alternating", Arrangement::Alternating),
        ("parallel", Arrangement::Parallel),
        ("staged", Arrangement::Staged),
    ];
    let arrangement = tanks.required(r, "arrangement", "\"single\"").and_then(|entry| entry.choice(r, &arrangements));
    raw.arrangement = arrangement.unwrap_or(raw.arrangement);
    let usual = if raw.arrangement == Arrangement::Single { 1 } else { 2 };
    raw.tanks = tanks.optional(r, "number").and_then(|entry| entry.whole(r, 1..=8)).unwrap_or(usual);
    if let Some(number) = tanks.optional(r, "max_regenerating").and_then(|entry| entry.whole(r, 1..=8)) {
        raw.max_regenerating = number;
    }
    if let Some(allowed) = tanks.optional(r, "allow_untreated").and_then(|entry| entry.flag(r)) {
        raw.allow_untreated = allowed;
    }
    if let Some(after) = tanks.optional(r, "stale_after").and_then(|entry| entry.millis(r)) {
        raw.stale_after = after;
    }
    if let Some(length) = tanks.optional(r, "purge").and_then(|entry| entry.millis(r)) {
        raw.purge = length;
    }
    tanks.done(r);
}

/// Reads `[limits]`.
fn limits<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let mut section = root.section(r, "limits");
    if let Some(volume) = section.optional(r, "drain_per_day").and_then(|entry| entry.volume(r)) {
        draft.raw.discharge_limit = volume;
    }
    if let Some(after) = section.optional(r, "overdue_after").and_then(|entry| entry.millis(r)) {
        draft.raw.overdue_after = after;
    }
    section.done(r);
}

/// Reads `[locks]`.
fn locks<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let mut section = root.section(r, "locks");
    let locks = &mut draft.raw.locks;
    if let Some(rule) = section.optional(r, "panel").and_then(|entry| entry.lock_rule(r)) {
        locks.panel = rule;
    }
    if let Some(rule) = section.optional(r, "serial").and_then(|entry| entry.lock_rule(r)) {
        locks.serial = rule;
    }
    if let Some(after) = section.optional(r, "relock_after").and_then(|entry| entry.millis(r)) {
        locks.relock_after = after;
    }
    section.done(r);
}
