//! One life: drawn, lived, made as short as shows what was found.

use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::str::FromStr;

use bedkeeper::contact::Contact;
use bedkeeper::journal::Who;
use bedkeeper::settings::RawDrive;
use bedkeeper::units::TankId;
use bedkeeper::watch::StoreWear;
use jiff::civil::date;
use jiff::{SignedDuration, civil::DateTime};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use super::calm::{Lookout, Stuck};
use super::sites::{InventedSite, invented_site, pick};
use super::variety::varied;
use crate::demand::Demand;
use crate::plant::{Fault, Valve, WhichValve};
use crate::replay::{ReplayError, ValveTimes, World};
use crate::scenario::{Deed, Event, Gauges, Rehearsal, Scenario, Tap, Water, When, event_section, operator_action};
use crate::site::{self, Site};

const MINUTE_MS: u64 = 60_000;
pub(super) const HOUR_MS: u64 = 60 * MINUTE_MS;
pub(super) const DAY_MS: u64 = 24 * HOUR_MS;
/// What goes wrong goes wrong in so many days.
const STORMY_DAYS: u64 = 16;
/// After that it is calm for so long.
const CALM_DAYS: u64 = 12;
/// Deeds of a stormy life at the most.
const MOST_DEEDS: u32 = 14;

/// What came of a life.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Found {
    /// Nothing: no rule was seen broken, and all came to a good end.
    Nothing,
    /// A rule was seen broken.
    Broken {
        /// Which.
        rule: String,
        /// When, ms.
        at_ms: u64,
        /// What was seen.
        text: String,
    },
    /// Long after everything was mended a tank was not at work, still waited, or nobody served.
    Stuck(Stuck),
    /// The program itself failed.
    Failed(String),
}

impl Found {
    /// The same thing is wrong, whenever and with whatever figures.
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Broken { rule, .. }, Self::Broken { rule: other, .. }) => rule == other,
            (Self::Stuck(stuck), Self::Stuck(other)) => stuck.is_like(other),
            (Self::Failed(_), Self::Failed(_)) | (Self::Nothing, Self::Nothing) => true,
            _ => false,
        }
    }
}

/// A life by its seed.
#[derive(Clone, Debug)]
pub struct Life {
    /// Where it comes from.
    pub seed: u64,
    site: Site,
    /// The site as a scenario says it: its path, or sections.
    site_text: String,
    demand: Demand,
    start: DateTime,
    deeds: Vec<(u64, Deed)>,
    /// From then on it is calm, ms.
    calm_ms: u64,
    lasts_ms: u64,
}

impl Life {
    /// The life of a seed at a site of its own; none where the site that was drawn does not pass its check.
    #[must_use]
    pub fn invented(seed: u64) -> Option<Self> {
        Self::at(seed, invented_site(seed))
    }

    /// The same with other drives, windows, backup days and weekdays.
    #[must_use]
    pub fn varied(seed: u64) -> Option<Self> {
        Self::at(seed, varied(seed, invented_site(seed)))
    }

    fn at(seed: u64, invented: InventedSite) -> Option<Self> {
        let site = site::parse("invented", &invented.text).ok()?;
        let sections =
            invented.text.replace("\n[", "\n[site.").replace("[site.[", "[[site.").replacen('[', "[site.", 1);
        let demand = demand(seed, invented.profile, invented.ml_a_day);
        Some(Self::draw(seed, site, sections, demand))
    }

    /// The life of a seed at a given site; `name` is its path as a scenario says it.
    #[must_use]
    pub fn at_site(seed: u64, site: &Site, name: &str) -> Self {
        let mut random = Pcg32::seed_from_u64(seed);
        let profiles = crate::demand::Profile::ALL;
        let profile = pick(&mut random, &profiles.map(|(_, profile)| profile));
        // A tank lasts for half a day to five days.
        let good_for_ml = good_for_ml(&site.settings);
        let ml_a_day = good_for_ml / 10 * u64::from(2 + random.next_u32() % 18);
        Self::draw(seed, site.clone(), format!("site = {name:?}\n"), demand(seed, profile, ml_a_day))
    }

    fn draw(seed: u64, site: Site, site_text: String, demand: Demand) -> Self {
        let mut random = Pcg32::seed_from_u64(seed ^ 0x_5702_4217);
        let start = date(2027, 3, 1).at(0, 0, 0, 0);
        let calm_ms = STORMY_DAYS * DAY_MS;
        let valves = valves(&site);
        let mut deeds = Vec::new();
        for _ in 0..random.next_u32() % MOST_DEEDS {
            let at_ms = u64::from(random.next_u32()) * (calm_ms - HOUR_MS) / u64::from(u32::MAX);
            let deed = misdeed(&mut random, &valves, calm_ms - at_ms);
            // Nobody knows of a valve without feedback that it fails.
            if !(is_blind(&site) && matches!(deed, Deed::Fault { .. })) {
                deeds.push((at_ms, deed));
            }
        }
        deeds.sort_by_key(|(at_ms, _)| *at_ms);
        Self { seed, site, site_text, demand, start, deeds, calm_ms, lasts_ms: calm_ms + CALM_DAYS * DAY_MS }
    }

    /// How long it is, s.
    #[must_use]
    pub fn seconds(&self) -> u64 {
        self.lasts_ms / 1_000
    }

    /// What makes it calm: what was broken is mended, what was closed opens, and an operator sees to the rest.
    fn calming(&self) -> Vec<(u64, Deed)> {
        let mut deeds = Vec::new();
        for (_, deed) in &self.deeds {
            match deed {
                Deed::Fault { valve, fault, lasts_ms: None } => {
                    deeds.push((self.calm_ms, Deed::Mend { valve: *valve, fault: *fault }));
                }
                Deed::Contact { contact, .. } => {
                    deeds.push((self.calm_ms, Deed::Contact { contact: *contact, closed: false, lasts_ms: None }));
                }
                _ => {}
            }
        }
        let elapsed = SignedDuration::from_millis(i64::try_from(self.calm_ms).unwrap_or(i64::MAX));
        if let Ok(now) = self.start.checked_add(elapsed) {
            deeds.push((self.calm_ms, Deed::ClockSet(now)));
        }
        // Twice: a valve that is being sought is vouched for when it was found.
        for at_ms in [self.calm_ms + MINUTE_MS, self.calm_ms + 12 * HOUR_MS] {
            deeds.extend(seen_to(self.site.settings.tanks).into_iter().map(|deed| (at_ms, deed)));
        }
        deeds
    }

    fn scenario(&self) -> Scenario {
        let deeds = self.deeds.iter().cloned().chain(self.calming());
        Scenario {
            file: format!("seed {}", self.seed),
            title: format!("Seed {}", self.seed),
            about: String::new(),
            site: self.site.clone(),
            design: None,
            start: Some(self.start),
            lasts_ms: self.lasts_ms,
            water: Water::Demand(self.demand.clone()),
            events: deeds.map(|(at_ms, deed)| Event { when: When::At(at_ms), deed, line: 0 }).collect(),
            expectations: Vec::new(),
        }
    }

    /// Lives it.
    #[must_use]
    pub fn live(&self) -> Found {
        match catch_unwind(AssertUnwindSafe(|| self.see())) {
            Ok(Ok(found)) => found,
            Ok(Err(error)) => Found::Failed(error.to_string()),
            Err(_) => Found::Failed("it panicked".to_owned()),
        }
    }

    fn see(&self) -> Result<Found, ReplayError> {
        let scenario = self.scenario();
        let mut tap = Tap::default();
        let mut checker = scenario.checker();
        let rehearsal = Rehearsal::begin(&scenario, &tap, Gauges::new(std::iter::empty()), true)?;
        let mut lookout = Lookout::default();
        let rehearsal = rehearsal.advance(self.lasts_ms, vec![&mut tap, &mut checker, &mut lookout], || true)?;
        if let Some(broken) = checker.violations().first() {
            return Ok(Found::Broken { rule: broken.rule.clone(), at_ms: broken.at_ms, text: broken.text.clone() });
        }
        Ok(lookout.stuck(rehearsal.world()).map_or(Found::Nothing, Found::Stuck))
    }

    /// The shortest life found in which the same thing is wrong: without what did not matter, and no longer than needed.
    #[must_use]
    pub fn shortened(&self, found: &Found) -> Self {
        let mut shortest = self.clone();
        if let Found::Broken { at_ms, .. } = found {
            let shorter = Self { lasts_ms: (at_ms + HOUR_MS).min(self.lasts_ms), ..shortest.clone() };
            if shorter.live().is_like(found) {
                shortest = shorter;
            }
        }
        for place in (0..shortest.deeds.len()).rev() {
            let mut without = shortest.clone();
            without.deeds.remove(place);
            if without.live().is_like(found) {
                shortest = without;
            }
        }
        shortest
    }

    /// The life as a scenario file that `verify` runs, and misses as long as the same thing is wrong.
    #[must_use]
    pub fn text(&self, found: &Found) -> String {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let about = match found {
            Found::Nothing => "nothing was found".to_owned(),
            Found::Broken { rule, at_ms, text } => format!("{rule} broken at +{at_ms} ms: {text}"),
            Found::Stuck(stuck) => format!("S9: {stuck}"),
            Found::Failed(why) => why.clone(),
        };
        let _ = writeln!(text, "scenario = \"Seed {} (invented)\"\nabout = {about:?}", self.seed);
        let _ = writeln!(text, "starts = \"{}\"\nlasts = \"{} ms\"", self.start, self.lasts_ms);
        let sections = if self.site_text.starts_with("site =") {
            text.push_str(&self.site_text);
            ""
        } else {
            &self.site_text
        };
        let _ = writeln!(text, "\n{sections}");
        let _ = writeln!(
            text,
            "[demand]\nprofile = {:?}\nper_day = \"{} mL\"\nseed = {}\n",
            self.demand.profile.slug(),
            self.demand.ml_a_day,
            self.demand.seed
        );
        let deeds = self.deeds.iter().cloned().chain(self.calming());
        for (at_ms, deed) in deeds.filter(|(at_ms, _)| *at_ms < self.lasts_ms) {
            let _ = writeln!(text, "{}", event_section(at_ms, &deed));
        }
        if let Found::Stuck(stuck) = found {
            text.push_str(&stuck.expectation(self.lasts_ms));
        } else {
            // The checker looks on in every scenario; something of its own must be expected as well.
            let _ = writeln!(text, "[[expect]]\ntotal = \"metered\"\nleast = \"0 L\"");
        }
        text
    }
}

/// What an operator does who sees to a plant of so many tanks: puts back, vouches, releases, fills up, acknowledges.
pub(crate) fn seen_to(tanks: u8) -> Vec<Deed> {
    let once = ["end-test", "return", "salt-filled", "brine-ready", "acknowledge-all"];
    let each = ["release", "put-back", "vouch"];
    let asked = once.iter().map(|slug| (*slug, TankId(0)));
    let of_tanks = (0..tanks).flat_map(|tank| each.iter().map(move |slug| (*slug, TankId(tank))));
    let actions = asked.chain(of_tanks).filter_map(|(slug, tank)| operator_action(slug, tank));
    actions.map(|action| Deed::Operator(Who::Panel, action)).collect()
}

fn demand(seed: u64, profile: crate::demand::Profile, ml_a_day: u64) -> Demand {
    let until_ms = (STORMY_DAYS + CALM_DAYS) * DAY_MS;
    Demand { profile, ml_a_day, seed, leak: None, since_midnight_ms: 0, weekday: 0, until_ms }
}

/// What one tank of a site is good for, mL.
fn good_for_ml(settings: &bedkeeper::Settings) -> u64 {
    match settings.medium {
        bedkeeper::settings::Medium::Softener { hardness, capacity, .. } => {
            capacity.0.saturating_mul(1_000) / u64::from(hardness.0.max(1))
        }
        bedkeeper::settings::Medium::Filter { capacity } => capacity.nl() / 1_000_000,
    }
}

/// The valves of a site, as they stand before power-up.
fn valves(site: &Site) -> Vec<Valve> {
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    World::new(site.settings.clone(), times, None).map_or_else(|_| Vec::new(), |world| world.valves().to_vec())
}

/// Something goes wrong, and lasts no longer than `left_ms`.
fn misdeed(random: &mut Pcg32, valves: &[Valve], left_ms: u64) -> Deed {
    let tank = random.next_u32() as usize % valves.len().max(1);
    let id = TankId(u8::try_from(tank).unwrap_or(0));
    let time = |random: &mut Pcg32, most_ms: u64| {
        // Short times as often as long ones.
        let shift = random.next_u32() % 12;
        ((u64::from(random.next_u32()) * most_ms.min(left_ms / 2) / u64::from(u32::MAX)) >> shift).max(1)
    };
    match random.next_u32() % 12 {
        0..=3 => {
            let can = |spelling: &&str| {
                let armed = Fault::from_str(spelling).ok().zip(valves.get(tank).cloned());
                armed.is_some_and(|(fault, mut valve)| valve.arm(fault).is_ok())
            };
            let able: Vec<_> =
                Fault::SPELLINGS.iter().copied().filter(|fault| !is_beyond_the_logic(fault)).filter(can).collect();
            let spelling = if able.is_empty() { "motor-stalled" } else { pick(random, &able) };
            let fault = Fault::from_str(spelling).unwrap_or(Fault::MotorStalled);
            let lasts_ms = random.next_u32().is_multiple_of(2).then(|| time(random, 2 * DAY_MS));
            Deed::Fault { valve: WhichValve::Tank(id), fault, lasts_ms }
        }
        4..=5 => Deed::Power {
            off_ms: time(random, 3 * DAY_MS),
            clock_kept: random.next_u32().is_multiple_of(2),
            memory_kept: !random.next_u32().is_multiple_of(8),
        },
        6 => {
            let contacts: Vec<_> = Contact::ALL.to_vec();
            Deed::Contact { contact: pick(random, &contacts), closed: true, lasts_ms: Some(time(random, DAY_MS)) }
        }
        7 => {
            let hours = i64::from(random.next_u32() % 145) - 72;
            if hours == 0 { Deed::ClockLost } else { Deed::ClockMoved(hours * 3_600_000) }
        }
        8 if random.next_u32().is_multiple_of(2) => Deed::BadSettings,
        8 => Deed::Store(StoreWear {
            erasures: random.next_u32() % 12_000,
            rated: 10_000,
            fails: random.next_u32().is_multiple_of(4),
        }),
        _ => {
            let slugs = [
                "start-now",
                "start-at-hour",
                "withdraw",
                "step-forward",
                "abort",
                "hold",
                "release",
                "take-out",
                "put-back",
                "vouch",
                "brine-ready",
                "salt-filled",
                "acknowledge-all",
                "return",
            ];
            let action = operator_action(pick(random, &slugs), id);
            action.map_or(Deed::ClockLost, |action| Deed::Operator(Who::Panel, action))
        }
    }
}

/// Nothing tells where such a valve stands.
fn is_blind(site: &Site) -> bool {
    matches!(site.settings.raw().drive, RawDrive::Timed { .. } | RawDrive::PilotArray { contact: false, .. })
}

/// No logic can keep every rule with such a fault: the valve tells that it stands where it does not, or is moved by something
/// else than the motor's outputs.
fn is_beyond_the_logic(spelling: &str) -> bool {
    const BEYOND: [&str; 10] = [
        "switches-swapped",
        "switch-inverted",
        "switch-stuck-closed",
        "index-missed",
        "index-extra",
        "pilots-swapped",
        "pilot-stuck-on",
        "pilot-stuck-off",
        "motor-runs-on",
        "moved-by-hand",
    ];
    BEYOND.contains(&spelling.split(':').next().unwrap_or_default())
}
