//! How several tanks share the work: `[sharing]`, `[shared_valve]`.

use bedkeeper::settings::{Arrangement, MAX_STAGES, RawTwoPosition};
use bedkeeper::units::{Flow, Millis};

use super::Draft;
use super::reader::{Entry, Reader, Section};

/// Part of its threshold below which a tank leaves again, where the file does not say: a tenth.
const USUAL_HYSTERESIS_PART: u32 = 10;

/// Reads `[sharing]`; `[tanks]` has been read.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let staged = draft.raw.arrangement == Arrangement::Staged;
    let mut section = root.section(r, "sharing");
    let sharing = &mut draft.raw.sharing;
    if let Some(flow) = section.optional(r, "tank_flow").and_then(|entry| entry.flow(r)) {
        sharing.tank_flow = flow;
    }
    let example = "[\"40 L/min\", \"80 L/min\"]";
    let thresholds =
        if staged { section.required(r, "join_above", example) } else { section.optional(r, "join_above") };
    if let Some(flows) = thresholds.and_then(|entry| flows(r, &entry)) {
        sharing.join_above = flows.into_iter().collect();
    }
    let usual = sharing.join_above.first().map_or(Flow(0), |first| Flow(first.0 / USUAL_HYSTERESIS_PART));
    let hysteresis = section.optional(r, "join_hysteresis").and_then(|entry| entry.flow(r));
    sharing.join_hysteresis = hysteresis.unwrap_or(usual);
    if let Some(dwell) = section.optional(r, "join_dwell").and_then(|entry| entry.millis(r)) {
        sharing.join_dwell = dwell;
    }
    if let Some(number) = section.optional(r, "draining_together").and_then(|entry| entry.whole(r, 1..=8)) {
        sharing.draining_together = number;
    }
    if let Some(share) = section.optional(r, "bypass").and_then(|entry| entry.per_mille(r)) {
        sharing.bypass_per_mille = share;
    }
    section.done(r);
    sharing.shared_valve = shared_valve(r, root);
}

/// Reads `[shared_valve]`; its presence says that there is one.
fn shared_valve<'d>(r: &mut Reader<'d>, root: &mut Section<'d>) -> Option<RawTwoPosition> {
    let mut section = root.section(r, "shared_valve");
    let travel_limit = section.optional(r, "travel_limit").and_then(|entry| entry.millis(r));
    let rest = section.optional(r, "rest").and_then(|entry| entry.millis(r));
    let retries = section.optional(r, "retries").and_then(|entry| entry.whole(r, 0..=10));
    let given = section.is_given();
    section.done(r);
    given.then(|| RawTwoPosition {
        travel_limit: travel_limit.unwrap_or(Millis::from_mins(1)),
        rest: rest.unwrap_or(Millis::from_secs(2)),
        retries: retries.unwrap_or(2),
    })
}

/// A list of flows, at most one for each further tank that a site can have.
fn flows<'d>(r: &mut Reader<'d>, entry: &Entry<'d>) -> Option<Vec<Flow>> {
    let help = "one flow for each tank after the first, such as [\"40 L/min\", \"80 L/min\"]";
    let Some(items) = entry.items() else {
        entry.wrong_type(r, "a list", help);
        return None;
    };
    if items.len() > MAX_STAGES {
        r.fail(entry, format!("has {} flows", items.len()), format!("at most {MAX_STAGES}, one for each further tank"));
        return None;
    }
    items.iter().map(|item| item.flow(r)).collect()
}
