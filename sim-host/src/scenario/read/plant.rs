//! Reads what a scenario says of the full plant: that there is one, what changes in it, what its figures should be.

use super::super::figure::{During, Figure, Limits, Measure};
use super::{Context, moment, span, tank_number};
use crate::physics::brine_tank::FloatFault;
use crate::process::{Design, PlantChange};
use crate::quantity;
use crate::site::Site;
use crate::site::reader::{Entry, Reader, Section};

/// Whether the plant is modelled whole, and its design if the site gives one.
pub(super) fn read_design<'d>(
    root: &mut Section<'d>,
    r: &mut Reader<'d>,
    site: Option<&Site>,
) -> (bool, Option<Design>) {
    let Some(entry) = root.optional(r, "plant") else { return (false, None) };
    let full = entry.choice(r, &[("simple", false), ("full", true)]).unwrap_or(false);
    let Some(site) = site.filter(|_| full) else { return (full, None) };
    match Design::of_site(site) {
        Ok(design) => (true, Some(design)),
        Err(why) => {
            r.fail(&entry, format!("this site cannot be modelled so: {why}"), "plant = \"simple\", or another site");
            (true, None)
        }
    }
}

/// Refuses what only a full plant has.
fn needs_full(entry: &Entry<'_>, r: &mut Reader<'_>, context: &Context<'_>) -> bool {
    if !context.full {
        r.fail(entry, "only a full plant has this", "add plant = \"full\" at the top");
    }
    context.full
}

/// The changes that an event names: one for each key, `None` where it could not be read.
pub(super) fn read_changes<'d>(
    section: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
) -> Vec<(&'static str, Option<PlantChange>)> {
    type Read = fn(&Entry<'_>, &mut Reader<'_>) -> Option<PlantChange>;
    const KEYS: [(&str, Read); 8] = [
        ("salt_bridge", |e, r| e.flag(r).map(PlantChange::SaltBridge)),
        ("float", |e, r| {
            let faults = [
                ("free", FloatFault::None),
                ("stuck-open", FloatFault::StuckOpen),
                ("stuck-shut", FloatFault::StuckShut),
            ];
            e.choice(r, &faults).map(PlantChange::Float)
        }),
        ("add_salt", |e, r| e.quantity(r, quantity::parse_mass_mg).map(|mg| PlantChange::AddSalt(mg as f64 / 1e6))),
        ("supply", |e, r| e.quantity(r, quantity::parse_pressure_pa).map(|pa| PlantChange::SupplyKpa(pa as f64 / 1e3))),
        ("feed_hardness", |e, r| e.hardness(r).map(|h| PlantChange::FeedHardnessMgL(f64::from(h.0) / 1e3))),
        ("temperature", |e, r| e.figure(r, crate::bed::parse_temperature).map(PlantChange::TemperatureC)),
        ("leak_past_bed", |e, r| share(e, r).map(PlantChange::LeakPastBed)),
        ("leak_to_drain", |e, r| share(e, r).map(PlantChange::LeakToDrain)),
    ];
    let mut changes = Vec::new();
    for (key, read) in KEYS {
        let Some(entry) = section.optional(r, key) else { continue };
        let change = if needs_full(&entry, r, context) { read(&entry, r) } else { None };
        let refused = change.zip(context.design).and_then(|(change, design)| change.check(design).err());
        if let Some(why) = &refused {
            r.fail(&entry, why.to_string(), "a figure that such a plant can have");
        }
        changes.push((key, change.filter(|_| refused.is_none())));
    }
    changes
}

fn share(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<f64> {
    entry.quantity(r, quantity::parse_share_ppm).map(|ppm| f64::from(ppm) / 1e6)
}

/// A figure with its limits, and when they hold.
pub(super) fn read_limits<'d>(
    entry: &Entry<'d>,
    section: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
) -> Option<Limits> {
    let full = needs_full(entry, r, context);
    let figure = entry.choice(r, &Figure::ALL);
    let tank_entry = section.optional(r, "tank");
    let tank = tank_entry.as_ref().and_then(|e| tank_number(e, r, context));
    let [least, most] = ["least", "most"].map(|key| {
        let entry = section.optional(r, key)?;
        Some(figure.and_then(|figure| value(&entry, r, figure.measure())))
    });
    let at = section.optional(r, "at");
    let always = section.optional(r, "always");
    let within = section.optional(r, "within");
    let figure = figure.filter(|_| full)?;
    if figure.is_of_a_tank() && tank_entry.is_none() && context.tanks > 1 {
        r.fail(entry, "is one tank's", "whose? add `tank = 1`");
        return None;
    }
    if let Some(tank) = tank_entry.filter(|_| !figure.may_be_of_a_tank()) {
        r.fail(&tank, "this figure is the plant's, not one tank's", "leave `tank` out");
        return None;
    }
    if least.is_none() && most.is_none() {
        r.fail(entry, "needs a limit", "give `least` or `most`, or both");
        return None;
    }
    let during = match (&at, &always, &within) {
        (None, None, None) => During::At(context.lasts_ms),
        (Some(at), None, None) => During::At(moment(at, r, context)?),
        (None, Some(always), None) => During::Always(span(always, r, context)?),
        (None, None, Some(within)) => During::Within(span(within, r, context)?),
        _ => {
            r.fail(entry, "must say when, once", "give one of at, always, within; or none: at the end");
            return None;
        }
    };
    let (least, most) = (least.unwrap_or(Some(0))?, most.unwrap_or(Some(u64::MAX))?);
    Some(Limits { figure, tank: tank.or(figure.is_of_a_tank().then_some(0)), during, least, most })
}

fn value(entry: &Entry<'_>, r: &mut Reader<'_>, measure: Measure) -> Option<u64> {
    match measure {
        Measure::Hardness => entry.quantity(r, quantity::parse_hardness_ug_per_l),
        Measure::Pressure => entry.quantity(r, quantity::parse_pressure_pa),
        Measure::Length => entry.quantity(r, quantity::parse_length_mm),
        Measure::Share => entry.quantity(r, quantity::parse_share_ppm).map(u64::from),
        Measure::Mass => entry.quantity(r, quantity::parse_mass_mg),
        Measure::Volume => entry.quantity(r, quantity::parse_volume_nl),
    }
}
