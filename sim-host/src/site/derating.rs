//! `[derating]`: how capacity is lessened by age and by hardness tests; iron and manganese of `[water]` (L1, L2).

use bedkeeper::settings::RawMetals;
use jiff::civil::Date;
use toml::de::DeValue;

use super::Draft;
use super::reader::{Entry, Reader, Section};

/// Reads `[derating]`.
pub(super) fn read<'d>(r: &mut Reader<'d>, root: &mut Section<'d>, draft: &mut Draft) {
    let derating = &mut draft.raw.derating;
    let mut section = root.section(r, "derating");
    if let Some(share) = section.optional(r, "per_year").and_then(|entry| entry.per_mille(r)) {
        derating.per_year_per_mille = share;
    }
    if let Some(day) = section.optional(r, "resin_new_on").and_then(|entry| day(r, &entry)) {
        derating.resin_new_on = Some(day);
    }
    if let Some(limit) = section.optional(r, "test_limit").and_then(|entry| entry.hardness(r)) {
        derating.test_limit = limit;
    }
    if let Some(share) = section.optional(r, "failed_test").and_then(|entry| entry.per_mille(r)) {
        derating.failed_test_per_mille = share;
    }
    if let Some(share) = section.optional(r, "passed_test").and_then(|entry| entry.per_mille(r)) {
        derating.passed_test_per_mille = share;
    }
    if let Some(share) = section.optional(r, "restore_to").and_then(|entry| entry.per_mille(r)) {
        derating.restore_to_per_mille = share;
    }
    if let Some(share) = section.optional(r, "least").and_then(|entry| entry.per_mille(r)) {
        derating.least_per_mille = share;
    }
    section.done(r);
}

/// A date as days from 2000-01-01.
fn day(r: &mut Reader<'_>, entry: &Entry<'_>) -> Option<u32> {
    let text = match entry.value.get_ref() {
        DeValue::Datetime(_) => r.written(entry.value.span()),
        _ => entry.as_text().unwrap_or_default(),
    };
    let date: Option<Date> = text.trim().parse().ok();
    let days = date.and_then(|date| u32::try_from((date - crate::quantity::civil::EPOCH).get_days()).ok());
    if days.is_none() {
        r.fail(entry, "is no date from 2000-01-01 on", "such as \"2024-05-31\"");
    }
    days
}

/// Reads iron and manganese of `[water]`.
pub(super) fn metals<'d>(r: &mut Reader<'d>, water: &mut Section<'d>, metals: &mut RawMetals) {
    let each = [("iron", &mut metals.iron_ug_per_l), ("manganese", &mut metals.manganese_ug_per_l)];
    for (key, field) in each {
        if let Some(mg_l) = water.optional(r, key).and_then(|entry| entry.figure(r, crate::bed::parse_iron_mg_l)) {
            // Rounded to whole µg/L; what is far out of range saturates and is refused by the check.
            *field = (mg_l * 1e3).round() as u32;
        }
    }
    let each =
        [("iron_counts_as", &mut metals.iron_counts_as), ("manganese_counts_as", &mut metals.manganese_counts_as)];
    for (key, field) in each {
        if let Some(hardness) = water.optional(r, key).and_then(|entry| entry.hardness(r)) {
            *field = hardness;
        }
    }
}
