//! `[power]`: what survives a power cut.

use super::Draft;
use super::reader::{Reader, Section};

/// Reads `[power]`.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let power = &mut draft.raw.power;
    let mut section = root.section(r, "power");
    if let Some(within) = section.optional(r, "resume_within").and_then(|entry| entry.millis(r)) {
        power.resume_within = within;
    }
    if let Some(restarts) = section.optional(r, "max_restarts").and_then(|entry| entry.whole(r, 0..=10)) {
        power.max_restarts = restarts;
    }
    if let Some(share) = section.optional(r, "retain_volume").and_then(|entry| entry.per_mille(r)) {
        power.retain_per_mille = share;
    }
    section.done(r);
}
