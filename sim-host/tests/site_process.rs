//! `[plant]` of a site: what the physics is told, and what it refuses.
#![allow(missing_docs)]

mod site_support;

use site_support::{FILTER, SOFTENER, faults, good, pointed, with};

#[test]
fn every_softener_has_a_plant_without_saying_a_word() {
    let site = good(SOFTENER);
    let process = site.process.expect("a softener");
    assert!(process.untreated_while_regenerating && !process.brine_upward && !process.softened_rinse);
    assert!((340..=360).contains(&process.vessel_mm), "{} mm", process.vessel_mm);
    let design = bedkeeper_sim::process::Design::of_site(&site).expect("a plant");
    assert!((design.bed.depth_m - 0.9).abs() < 0.01);
    assert!(good(FILTER).process.is_none());
    assert!(bedkeeper_sim::process::Design::of_site(&good(FILTER)).is_err());
}

#[test]
fn a_counter_current_preset_brines_upward_with_softened_water() {
    let source = with(SOFTENER, "program.preset", "\"counter-current\"");
    let process = good(&source).process.expect("a softener");
    assert!(process.brine_upward && process.softened_rinse);
}

#[test]
fn absurd_figures_are_refused_where_they_stand() {
    for (key, value, words) in [
        ("temperature", "\"NaN °C\"", "not a temperature"),
        ("temperature", "\"90 °C\"", "out of range"),
        ("temperature", "nan", "needs a text"),
        ("temperature", "\"-4 °C\"", "out of range"),
        ("sodium", "\"inf mg/L\"", "not a sodium content"),
        ("iron", "\"400 mg/L\"", "out of range"),
        ("supply", "\"90 bar\"", "above 2000 kPa"),
        ("supply_at_peak", "\"500 kPa\"", "above the pressure without flow"),
        ("alkalinity", "\"900 mg/L\"", "more than the cations"),
        ("vessel_diameter", "\"1 mm\"", "no size of such a tank"),
        ("plates", "0", "out of range"),
        ("plates", "10000", "out of range"),
        ("brine_strength", "\"90 %\"", "out of range"),
        ("eductor_motive", "\"0 L/min\"", "above zero"),
        ("drain_capacity", "\"0 L/min\"", "above zero"),
        ("resin_age", "\"90000 days\"", "out of range"),
        ("calcium_share", "\"120 %\"", "above 100 %"),
        ("brine_direction", "\"sideways\"", "none of the choices"),
    ] {
        let source = with(SOFTENER, &format!("plant.{key}"), value);
        let errors = faults(&source);
        let finding = &errors.findings()[0];
        assert_eq!(errors.findings().len(), 1, "{errors}");
        assert!(finding.message.contains(words), "{key}: {}", finding.message);
        assert_eq!(pointed(&source, finding), value, "{key}");
        assert!(!finding.help.is_empty());
    }
}

#[test]
fn a_misspelt_key_is_answered_with_the_one_that_was_meant() {
    let errors = faults(&with(SOFTENER, "plant.freebord", "\"80 %\""));
    assert!(errors.findings()[0].help.contains("did you mean `freeboard`?"), "{errors}");
    let errors = faults(&with(FILTER, "plant.freeboard", "\"80 %\""));
    assert!(errors.findings()[0].message.contains("a filter has no resin"), "{errors}");
}
