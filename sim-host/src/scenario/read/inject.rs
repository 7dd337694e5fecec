//! Faults of a scenario's recording.

use bedkeeper::settings::MeterPlace;

use super::{Context, number};
use crate::demand::Faults;
use crate::scenario::{Injected, Water};
use crate::site::reader::{Entry, Reader, Section};

/// The seed of faults where nothing says one, as of `bedkeeper demand`.
const SEED: u64 = 1;

/// Reads `inject` and lays it over the water.
pub(super) fn read_inject<'d>(
    root: &mut Section<'d>,
    r: &mut Reader<'d>,
    context: &Context<'_>,
    water: Water,
) -> Water {
    let Some(entry) = root.optional(r, "inject") else { return water };
    let (faults, seed) = match entry.table() {
        Some(mut section) => {
            let text = section.required(r, "faults", "\"bounce=3%, leak=0.8 L/min\"");
            let faults = text.and_then(|text| read_faults(&text, r));
            let seed = section.optional(r, "seed").and_then(|e| number(&e, r, 0, u64::from(u32::MAX)));
            section.done(r);
            (faults, seed)
        }
        None => (read_faults(&entry, r), None),
    };
    let Some(faults) = faults else { return water };
    if !matches!(water, Water::Rows(_) | Water::Demand(_) | Water::File(_) | Water::Bundled(_)) {
        r.fail(&entry, "faults need a recording to be made in", "give `recording`: a file, rows or a profile");
        return water;
    }
    let each_tank = context.site.is_some_and(|site| site.raw.meter.place == MeterPlace::PerTank);
    if each_tank && matches!(water, Water::Demand(_)) {
        r.fail(
            &entry,
            "a profile is made faulty at one common meter, and here each tank has its own",
            "give a recording whose rows name their meter",
        );
        return water;
    }
    if context.full && faults.bounce_ppm.is_some() {
        r.fail(
            &entry,
            "a full plant needs pulses, and bounce makes edges of a contact",
            "leave bounce out, or take plant = \"simple\"",
        );
        return water;
    }
    let seed = seed.unwrap_or(match &water {
        Water::Demand(demand) => demand.seed,
        _ => SEED,
    });
    Water::Faulty(Box::new(Injected { of: water, faults, seed, until_ms: context.lasts_ms }))
}

fn read_faults(entry: &Entry<'_>, r: &mut Reader<'_>) -> Option<Faults> {
    let faults = Faults::parse(&entry.text(r)?);
    faults.map_err(|why| r.fail(entry, why, "\"bounce=3%, gaps=2%, leak=0.8 L/min\", or some of them")).ok()
}
