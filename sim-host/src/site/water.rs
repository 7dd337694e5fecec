//! What is in the tanks and what passes them: `[water]`, `[resin]`, `[filter]`, `[brine]`, `[meter]`, `[reserve]`.

use bedkeeper::settings::{Medium, MeterPlace, RawLearned, Reserve};
use bedkeeper::units::{Exchange, Flow, Hardness, SaltMass, Volume};

use super::Draft;
use super::reader::{Entry, Reader, Section};
use crate::quantity;

/// What strong-acid cation resin (8 % crosslinked gel) can hold at the utmost, µg/L as CaCO3: 1.9 eq/L.
///
/// Common practice (from memory); 1 eq = 50.0435 g CaCO3 exactly.
const USUAL_TOTAL_UG_PER_L: u64 = 95_082_650;

/// Salt that a volume of refill water takes up, mg/L: 2.99 lb per US gallon, derived from the published table of
/// saturated brine.
const USUAL_SALT_PER_WATER_MG_PER_L: u64 = 358_281;

/// The salt side of a softener, as far as it could be read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Brine {
    /// Salt of one usual regeneration.
    pub dose: Option<SaltMass>,
    /// Salt that refill water takes up, mg/L.
    pub salt_per_water_mg_per_l: u64,
    /// Flow into the brine tank.
    pub refill_flow: Option<Flow>,
    /// Dose after a backwash, where the file says so.
    pub dose_after_backwash_percent: Option<u16>,
}

impl Brine {
    /// Water that takes up the dose: dose ÷ salt per water, rounded up to the nL.
    pub fn refill_water(&self) -> Option<Volume> {
        let nano = u128::from(self.dose?.0) * 1_000_000_000;
        let volume = nano.checked_add(u128::from(self.salt_per_water_mg_per_l).saturating_sub(1))?;
        u64::try_from(volume.checked_div(u128::from(self.salt_per_water_mg_per_l))?).ok().map(Volume)
    }
}

/// Reads `[water]`, `[resin]`, `[brine]` of a softener or `[filter]` of a filter.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) -> Option<Brine> {
    let water = root.section(r, "water");
    let resin = root.section(r, "resin");
    let filter = root.section(r, "filter");
    let brine = root.section(r, "brine");
    if !filter.is_given() {
        filter_keys(filter, r);
        return Some(softener(r, water, resin, brine, draft));
    }
    for section in [&water, &resin, &brine] {
        if section.is_given() {
            let span = r.place(section.path());
            let message = format!("a site with a [filter] has no [{}]", section.path());
            r.fail_at(span, section.path(), message, "a filter counts volume and uses no salt: keep one of the two");
        }
    }
    draft.raw.salt = SaltMass(0);
    let mut filter = filter;
    let capacity = filter.required(r, "capacity", "\"50 m3\"").and_then(|entry| entry.volume(r));
    draft.raw.medium = Medium::Filter { capacity: capacity.unwrap_or(Volume::from_litres(50_000)) };
    filter.done(r);
    None
}

/// Lets a misspelt section elsewhere know which keys a filter has.
fn filter_keys<'d>(mut filter: Section<'d>, r: &mut Reader<'d>) {
    let _ = filter.optional(r, "capacity");
    filter.done(r);
}

fn softener<'d>(
    r: &mut Reader<'d>,
    mut water: Section<'d>,
    mut resin: Section<'d>,
    mut brine: Section<'d>,
    draft: &mut Draft,
) -> Brine {
    let hardness = water.required(r, "hardness", "\"20 gpg\"").and_then(|entry| entry.hardness(r));
    draft.water_use.a_day = water.optional(r, "use_per_day").and_then(|entry| entry.volume(r));
    draft.water_use.peak = water.optional(r, "peak_flow").and_then(|entry| above_zero(r, &entry));
    super::derating::metals(r, &mut water, &mut draft.raw.metals);
    water.done(r);

    let volume = resin.required(r, "volume", "\"85 L\"").and_then(|entry| resin_volume(r, &entry));
    let capacity = resin.required(r, "capacity", "\"20 kgr/ft3\"");
    let total = resin.optional(r, "total");
    resin.done(r);

    let dose = brine.required(r, "dose", "\"6 lb/ft3\"");
    let dose_after_backwash_percent = brine.optional(r, "dose_after_backwash").and_then(|entry| entry.percent(r));
    let per_water = brine.optional(r, "salt_per_water");
    let per_water = per_water.and_then(|entry| salt_per_water(r, &entry)).unwrap_or(USUAL_SALT_PER_WATER_MG_PER_L);
    let refill_flow = brine.optional(r, "refill_flow").and_then(|entry| above_zero(r, &entry));
    if let Some(ready) = brine.optional(r, "ready_after").and_then(|entry| entry.millis(r)) {
        draft.raw.brine_ready_after = ready;
    }
    brine_tank(r, &mut brine, draft);
    brine.done(r);

    // Read even where the resin volume is unknown, so that faults of the texts themselves are seen.
    let resin_volume = volume.unwrap_or(Volume::from_litres(100));
    let capacity = capacity.and_then(|entry| entry.exchange_in(r, resin_volume));
    let total = total.and_then(|entry| entry.exchange_in(r, resin_volume));
    let dose = dose.and_then(|entry| entry.salt_in(r, resin_volume));
    let usual_total = u128::from(USUAL_TOTAL_UG_PER_L) * u128::from(resin_volume.nl()) / 1_000_000_000;
    draft.raw.medium = Medium::Softener {
        hardness: hardness.unwrap_or(Hardness(342_000)),
        capacity: capacity.unwrap_or(Exchange(4_000_000_000)),
        total: total.unwrap_or(Exchange(u64::try_from(usual_total).unwrap_or(u64::MAX))),
    };
    draft.raw.salt = dose.unwrap_or(draft.raw.salt);
    draft.raw.brine.salt_per_water_mg_per_l = u32::try_from(per_water).unwrap_or(u32::MAX);
    draft.raw.brine.refill_flow = refill_flow.unwrap_or_default();
    draft.resin_volume = Some(resin_volume);
    Brine { dose, salt_per_water_mg_per_l: per_water, refill_flow, dose_after_backwash_percent }
}

/// The keys of `[brine]` about its tank and about doses that follow use.
fn brine_tank<'d>(r: &mut Reader<'d>, section: &mut Section<'d>, draft: &mut Draft) {
    let brine = &mut draft.raw.brine;
    let by = [("time", false), ("contact", true)];
    if let Some(contact) = section.optional(r, "ready_by").and_then(|entry| entry.choice(r, &by)) {
        brine.ready_by_contact = contact;
    }
    if let Some(percent) = section.optional(r, "refill_cap").and_then(|entry| entry.percent(r)) {
        brine.refill_cap_percent = percent;
    }
    if let Some(doses) = section.optional(r, "store_doses").and_then(|entry| entry.whole(r, 0..=255)) {
        brine.store_doses = doses;
    }
    if let Some(doses) = section.optional(r, "low_doses").and_then(|entry| entry.whole(r, 0..=255)) {
        brine.low_doses = doses;
    }
    let proportional = &mut brine.proportional;
    if let Some(on) = section.optional(r, "proportional").and_then(|entry| entry.flag(r)) {
        proportional.on = on;
    }
    if let Some(percent) = section.optional(r, "least_dose").and_then(|entry| entry.percent(r)) {
        proportional.floor_percent = u8::try_from(percent).unwrap_or(u8::MAX);
    }
    if let Some(every) = section.optional(r, "full_dose_every").and_then(|entry| entry.whole(r, 1..=255)) {
        proportional.full_every = every;
    }
}

fn resin_volume(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<Volume> {
    let volume = entry.volume(r)?;
    if volume == Volume::ZERO {
        r.fail(entry, "must not be zero", "the volume of resin in each tank, such as \"85 L\" or \"3 ft3\"");
        return None;
    }
    Some(volume)
}

fn salt_per_water(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<u64> {
    let value = entry.quantity(r, quantity::parse_mass_per_volume_mg_per_l)?;
    if value == 0 {
        r.fail(entry, "must not be zero", "saturated brine holds about \"2.99 lb/gal\" of its water");
        return None;
    }
    Some(value)
}

fn above_zero(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<Flow> {
    let flow = entry.flow(r)?;
    if flow.0 == 0 {
        r.fail(entry, "must not be zero", "the measured flow into the brine tank, such as \"2 L/min\"");
        return None;
    }
    Some(flow)
}

/// Reads `[meter]`.
pub(super) fn meter<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let mut section = root.section(r, "meter");
    let raw = &mut draft.raw.meter;
    let pulse = section.required(r, "pulse", "\"10 L\"");
    if let Some(pulse) = pulse.and_then(|entry| entry.quantity(r, quantity::parse_pulse_volume)) {
        raw.pulse_nl = pulse.numerator_nl();
        // A divisor beyond 32 bits is beyond the settings' range as well, and their check says so.
        raw.pulse_divisor = u32::try_from(pulse.denominator()).unwrap_or(u32::MAX);
    }
    let places = [("common", MeterPlace::Common), ("per-tank", MeterPlace::PerTank)];
    if let Some(place) = section.optional(r, "place").and_then(|entry| entry.choice(r, &places)) {
        raw.place = place;
    }
    if let Some(measures) = section.optional(r, "measures_steps").and_then(|entry| entry.flag(r)) {
        raw.measures_steps = measures;
    }
    if let Some(width) = section.optional(r, "min_closed").and_then(|entry| entry.millis(r)) {
        raw.min_closed = width;
    }
    if let Some(width) = section.optional(r, "min_open").and_then(|entry| entry.millis(r)) {
        raw.min_open = width;
    }
    if let Some(flow) = section.optional(r, "rated_max").and_then(|entry| entry.flow(r)) {
        raw.rated_max = flow;
    }
    if let Some(share) = section.optional(r, "noisy_above").and_then(|entry| entry.per_mille(r)) {
        raw.noisy_per_mille = share;
    }
    section.done(r);
}

/// Reads `[reserve]`.
pub(super) fn reserve<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let mut section = root.section(r, "reserve");
    if let Some(entry) = section.optional(r, "keep") {
        let is_share = entry.as_text().is_some_and(|text| text.contains('%') || text.contains("percent"));
        let reserve = if entry.is_word("none") {
            Some(Reserve::None)
        } else if entry.is_word("learned") {
            Some(Reserve::Learned(learned(r, &mut section)))
        } else if is_share {
            entry.per_mille(r).map(Reserve::Share)
        } else {
            entry.quantity(r, quantity::parse_volume_nl).map(|nl| Reserve::Fixed(Volume(nl)))
        };
        draft.raw.reserve = reserve.unwrap_or(draft.raw.reserve);
    }
    if !matches!(draft.raw.reserve, Reserve::Learned(_)) {
        for key in LEARNED_KEYS {
            section.refuse(r, key, "only a reserve with keep = \"learned\" follows use");
        }
    }
    section.done(r);
}

/// Keys of a reserve that follows use.
const LEARNED_KEYS: [&str; 5] = ["deviations", "floor", "ceiling", "until_known", "absence_below"];

/// Reads how a reserve follows use.
fn learned<'d>(r: &mut Reader<'d>, section: &mut Section<'d>) -> RawLearned {
    let mut learned = RawLearned::usual();
    if let Some(count) = section.optional(r, "deviations").and_then(|entry| entry.whole(r, 0..=10)) {
        learned.deviations = count;
    }
    if let Some(share) = section.optional(r, "floor").and_then(|entry| entry.per_mille(r)) {
        learned.floor_per_mille = share;
    }
    if let Some(share) = section.optional(r, "ceiling").and_then(|entry| entry.per_mille(r)) {
        learned.ceiling_per_mille = share;
    }
    if let Some(share) = section.optional(r, "until_known").and_then(|entry| entry.per_mille(r)) {
        learned.until_known_per_mille = share;
    }
    if let Some(percent) = section.optional(r, "absence_below").and_then(|entry| entry.percent(r)) {
        learned.absence_percent = u8::try_from(percent).unwrap_or(u8::MAX);
    }
    learned
}
