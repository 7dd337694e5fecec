//! Sizing: worked examples with their sources, mistakes that must be found, and the JSON that other tools read.
#![allow(missing_docs, clippy::unwrap_used)]

mod site_support;

use std::process::Command;

use bedkeeper::program::StepKind;
use bedkeeper_sim::quantity::show::UnitSystem;
use bedkeeper_sim::site::{self, Site};
use bedkeeper_sim::size::{Figure, Inputs, Severity, Verdict, WhatIf, figures, findings};
use site_support::{good, with};

const WORKED: &str = include_str!("../../tests/sites/worked-1.toml");

fn reckon(source: &str, what_if: &WhatIf) -> (Inputs, Vec<Figure>) {
    let site: Site = good(source);
    let inputs = Inputs::of(&site, what_if).unwrap();
    let all = figures(&inputs);
    (inputs, all)
}

fn of<'f>(all: &'f [Figure], id: &str) -> &'f Figure {
    all.iter().find(|figure| figure.id == id).unwrap_or_else(|| panic!("no {id}"))
}

/// The first worked example: limits of 35 Ill. Adm. Code 604.805 and the usual ranges; the figures are derived from them.
#[test]
fn worked_example_1_to_the_digits_given() {
    let (_, all) = reckon(WORKED, &WhatIf::default());
    let given = [
        // 40 ft3 x 20 000 gr/ft3 (604.805).
        ("capacity_per_tank", 800_000.0, 1.0),
        // / 25 gr/gal.
        ("volume_between_regenerations", 32_000.0, 1.0),
        // 0.3 lb/kgr x 800 kgr (604.805).
        ("salt_per_regeneration", 240.0, 0.05),
        // At 2.65 lb/gal, the published table of saturated brine.
        ("saturated_brine_volume", 90.6, 0.05),
        // Of 10 %: 0.894 lb/gal, the published density table.
        ("dilute_brine_volume", 268.6, 0.05),
        // At 0.25 gpm/ft3 (trade press, 2014).
        ("brine_draw_time", 26.9, 0.05),
        // 6 and 8 gpm/ft2 over a vessel of 4 ft (604.805).
        ("backwash_flow_low", 75.4, 0.05),
        ("backwash_flow_high", 100.5, 0.05),
        // 7 gpm/ft2 (604.805).
        ("service_flow_limit", 88.0, 0.1),
        // 7.5 to 22.5 and 35 to 100 gal/ft3 (UFC 3-240-13FN, 2-2.5.1.2).
        ("slow_rinse_low", 300.0, 0.01),
        ("slow_rinse_high", 900.0, 0.01),
        ("fast_rinse_low", 1_400.0, 0.01),
        ("fast_rinse_high", 4_000.0, 0.01),
        // 40 ft3 / 12.57 ft2.
        ("bed_depth", 3.18, 0.005),
        // 7.864 mg/L per gr/gal (stoichiometry).
        ("added_sodium", 25.0 * 7.864, 0.05),
        // 240 lb at 2.99 lb/gal of refill water and 4 gpm.
        ("refill_time", 240.0 / 2.99 / 4.0, 0.01),
        ("salt_efficiency", 3_333.0, 0.5),
        ("blend_treated_share", 1.0, 0.0),
    ];
    for (id, value, within) in given {
        let found = of(&all, id).value;
        println!("{id:32} {found:12.3}  given {value}");
        assert!((found - value).abs() <= within, "{id}: {found} is not {value}");
    }
    // 0.3 lb of salt per kgr just fails the claim of 3 350 gr/lb.
    assert_eq!(of(&all, "salt_efficiency").verdict(), Verdict::Below);
    for id in ["capacity_per_volume", "bed_depth", "brine_draw_time", "backwash_flow", "slow_rinse_volume"] {
        assert_eq!(of(&all, id).verdict(), Verdict::Within, "{id}");
    }
}

/// Davis, Water and Wastewater Engineering, p. 8-23: 275 m³/d at 408 m³/d·m² make 0.67 m² and 0.93 m across; 0.94 m³ of resin
/// stand 1.40 m deep in it.
#[test]
fn worked_example_2() {
    let area_m2 = 275.0 / 408.0;
    assert!((area_m2 - 0.67_f64).abs() < 0.005);
    let source = with(&with(WORKED, "plant.vessel_diameter", "\"0.926 m\""), "resin.volume", "\"940 L\"");
    let (inputs, all) =
        reckon(&source, &WhatIf { peak_gpm: Some(275_000.0 / 24.0 / 60.0 / 3.785_411_784), ..WhatIf::default() });
    assert!((inputs.vessel_ft * 0.3048 - 0.93).abs() < 0.005);
    assert!((of(&all, "bed_depth").value * 0.3048 - 1.40).abs() < 0.005, "{}", of(&all, "bed_depth").value * 0.3048);
    let loading =
        of(&all, "service_flow_peak").value * 3.785_411_784 * 60.0 * 24.0 / 1e3 / (inputs.area_ft2() * 0.3048 * 0.3048);
    assert!((loading - 408.0).abs() < 1.0, "{loading}");
}

/// AWWA/ASCE, Water Treatment Plant Design, p. 12.46: 24 000 gr/ft³ at 20 gr/gal treat 1 200 gal/ft³.
#[test]
fn worked_example_3() {
    let what_if = WhatIf { hardness_gpg: Some(20.0), capacity_gr_ft3: Some(24_000.0), ..WhatIf::default() };
    let (inputs, all) = reckon(WORKED, &what_if);
    let per_ft3 = of(&all, "volume_between_regenerations").value / inputs.resin_ft3;
    assert!((per_ft3 - 1_200.0).abs() < 0.01, "{per_ft3}");
}

/// Trade press for operators, 2020 (derived): of 550 gpm at 425 mg/L, 336.5 gpm through the softener leave 165 mg/L.
#[test]
fn worked_example_4() {
    let gpg = |mg_l: f64| mg_l / 17.118_06;
    let what_if = WhatIf {
        hardness_gpg: Some(gpg(425.0)),
        target_gpg: Some(gpg(165.0)),
        peak_gpm: Some(550.0),
        ..WhatIf::default()
    };
    let (inputs, all) = reckon(WORKED, &what_if);
    let through = of(&all, "blend_treated_share").value * inputs.peak_gpm;
    assert!((through - 336.5).abs() < 0.05, "{through}");
}

/// Sites with one mistake each, and the finding or the refused key that names it.
#[test]
fn twenty_planted_mistakes_are_found() {
    let planted: &[(&str, &[(&str, &str)])] = &[
        ("capacity_per_volume", &[("resin.capacity", "\"24 kgr/ft3\"")]),
        ("salt_dose", &[("brine.dose", "\"22 lb/ft3\"")]),
        ("bed_depth", &[("plant.vessel_diameter", "\"5 ft\"")]),
        ("freeboard", &[("plant.freeboard", "\"30 %\"")]),
        ("backwash_flow", &[("program.backwash", "{ length = \"10 min\", drain = \"40 gpm\" }")]),
        ("backwash_time", &[("program.backwash", "{ length = \"25 min\", drain = \"88 gpm\" }")]),
        ("brine_draw_time", &[("program.brine_draw", "{ length = \"60 min\", drain = \"4 gpm\" }")]),
        ("brine_strength", &[("plant.brine_strength", "\"15 %\"")]),
        ("slow_rinse_volume", &[("program.slow_rinse", "{ length = \"10 min\", drain = \"10 gpm\" }")]),
        ("fast_rinse_volume", &[("program.fast_rinse", "{ length = \"10 min\", drain = \"70 gpm\" }")]),
        ("service_flow_peak", &[("water.peak_flow", "\"95 gpm\""), ("meter.rated_max", "\"100 gpm\"")]),
        ("service_flow_per_volume", &[("water.peak_flow", "\"20 gpm\"")]),
        ("pressure_loss", &[("plant.valve_loss", "\"300 kPa\"")]),
        ("iron", &[("plant.iron", "\"1.5 mg/L\"")]),
        ("salt_storage", &[("plant.salt_storage", "\"1000 lb\"")]),
        ("drain-too-small", &[("plant.drain_capacity", "\"50 gpm\"")]),
        ("meter-too-coarse", &[("meter.pulse", "\"250 gal\""), ("water.hardness", "\"50 gpg\"")]),
        (
            "meter-too-fast",
            &[("meter.pulse", "\"2000 pulses/gal\""), ("meter.min_closed", "\"0 ms\""), ("meter.min_open", "\"0 ms\"")],
        ),
        ("meter-too-small", &[("meter.rated_max", "\"50 gpm\"")]),
        ("brine-not-ready", &[("water.use_per_day", "\"200000 gal\"")]),
        (
            "regeneration-longer-than-other-tank",
            &[("resin.capacity", "\"5 kgr/ft3\""), ("water.peak_flow", "\"80 gpm\"")],
        ),
        ("reserve-below-a-day", &[("start.when", "\"at-hour\"")]),
        (
            "discharge-limit-too-small",
            &[("limits.drain_per_day", "\"3500 gal\""), ("water.use_per_day", "\"60000 gal\"")],
        ),
        ("no-backup-day", &[("calendar.backup_after", "\"off\"")]),
        ("backup-day-longer-than-capacity", &[("calendar.backup_after", "\"14 days\"")]),
        ("drain_per_kilograin", &[("program.fast_rinse", "{ length = \"45 min\", drain = \"70 gpm\" }")]),
        ("draw-shorter-than-brine", &[("program.brine_draw", "{ length = \"12 min\", drain = \"10 gpm\" }")]),
        ("draw-without-flow", &[("program.brine_draw", "{ length = \"27 min\", drain = \"0 gpm\" }")]),
    ];
    let ids = |source: &str| -> Vec<String> {
        let (inputs, all) = reckon(source, &WhatIf::default());
        findings(&inputs, &all, UnitSystem::Us).into_iter().map(|finding| finding.id).collect()
    };
    let before = ids(WORKED);
    for (id, changes) in planted {
        let source = changes.iter().fold(WORKED.to_owned(), |source, (key, value)| with(&source, key, value));
        let found = ids(&source);
        assert!(found.iter().any(|f| f == id), "{id} is not found: {found:?}");
        assert!(!before.iter().any(|f| f == id) || *id == "backup-day-longer-than-capacity", "{id} stands before");
    }
    // A person who reads metric units is told in them; what a source says in its own stands in brackets.
    let told = |source: &str, units| {
        let (inputs, all) = reckon(source, &WhatIf::default());
        let texts: Vec<String> = findings(&inputs, &all, units).into_iter().map(|finding| finding.text).collect();
        texts.join("\n")
    };
    for (id, changes) in planted {
        let source = changes.iter().fold(WORKED.to_owned(), |source, (key, value)| with(&source, key, value));
        let text = told(&source, UnitSystem::Metric);
        let own = text
            .split('(')
            .enumerate()
            .map(|(i, part)| if i == 0 { part } else { part.split_once(')').map_or("", |p| p.1) });
        let own: String = own.collect();
        for unit in [" gal", " gpm", " lb", " gr/", " ft", " psi", "kgr"] {
            assert!(!own.contains(unit), "{id}: `{unit}` in {own}");
        }
    }
    assert!(told(WORKED, UnitSystem::Us).contains("gr/lb does not reach the 4000 gr/lb"));
    assert!(told(WORKED, UnitSystem::Metric).contains("g CaCO3/kg does not reach the 571 g CaCO3/kg (4000 gr/lb)"));
    // Mistakes that never come so far: the site itself is refused.
    for (key, value, at) in [
        ("program.brine_refill", "\"3 min\"", "program.brine_refill"),
        ("reserve.keep", "\"40000 gal\"", "reserve.keep"),
    ] {
        let errors = site::parse("planted", &with(WORKED, key, value)).expect_err(key);
        assert!(errors.findings().iter().any(|finding| finding.field == at), "{errors}");
    }
    assert!(planted.len() >= 20);
}

/// A blackout that leaves barely room for a regeneration, and a bypass that gives harder water than wanted.
#[test]
fn windows_and_blends_are_judged() {
    let night = format!("{WORKED}\n[[blackout]]\ndays = \"daily\"\nfrom = \"02:40\"\nto = \"00:00\"\n");
    let (inputs, all) = reckon(&night, &WhatIf::default());
    assert!((inputs.longest_gap_min - 160.0).abs() < 0.5, "{}", inputs.longest_gap_min);
    assert!(findings(&inputs, &all, UnitSystem::Us).iter().any(|f| f.id == "window-too-small"));
    let (mut inputs, _) = reckon(WORKED, &WhatIf { target_gpg: Some(5.0), ..WhatIf::default() });
    inputs.treated_share = 0.7;
    let found = findings(&inputs, &figures(&inputs), UnitSystem::Us);
    assert!(found.iter().any(|f| f.id == "blend-target" && f.severity == Severity::Mistake));
    inputs.treated_share = 0.8;
    assert!(!findings(&inputs, &figures(&inputs), UnitSystem::Us).iter().any(|f| f.id == "blend-target"));
}

/// M5: what the site's own bypass leads past the tanks loads no resin, adds no sodium, and is judged by what is wanted.
#[test]
fn m5_the_bypass_is_reckoned_with() {
    let blended = with(WORKED, "sharing.bypass", "\"20 %\"");
    let (whole, all) = reckon(WORKED, &WhatIf::default());
    let (part, less) = reckon(&blended, &WhatIf::default());
    for id in ["added_sodium", "regenerations_per_year", "salt_per_year", "service_flow_peak"] {
        let (one, other) = (of(&all, id).value, of(&less, id).value);
        assert!((other / one - 0.8).abs() < 1e-9, "{id}: {other} of {one}");
    }
    assert!((of(&less, "blend_treated_share").value - 0.8).abs() < 1e-9);
    assert!((whole.between_gal() - part.between_gal()).abs() < 1e-9);
    let judged = |target_gpg: f64| -> Vec<(String, Severity)> {
        let (inputs, all) = reckon(&blended, &WhatIf { target_gpg: Some(target_gpg), ..WhatIf::default() });
        let found = findings(&inputs, &all, UnitSystem::Us).into_iter().map(|f| (f.id, f.severity));
        found
            .filter(|(id, _)| ["blend-target", "softer-than-wanted", "nothing-to-soften"].contains(&id.as_str()))
            .collect()
    };
    assert_eq!(judged(4.0), [("blend-target".to_owned(), Severity::Mistake)]);
    assert_eq!(judged(5.0), []);
    assert_eq!(judged(6.0), [("softer-than-wanted".to_owned(), Severity::Note)]);
    assert_eq!(judged(25.0), [("nothing-to-soften".to_owned(), Severity::Warning)]);
}

/// A dose that cannot restore the capacity, by stoichiometry (5 994 gr/lb), is a mistake and reaches no claim.
#[test]
fn no_salt_restores_more_than_stoichiometry() {
    let ids = |lb_ft3: f64| -> Vec<String> {
        let (inputs, all) = reckon(WORKED, &WhatIf { dose_lb_ft3: Some(lb_ft3), ..WhatIf::default() });
        let found = findings(&inputs, &all, UnitSystem::Us).into_iter();
        found.map(|f| f.id).filter(|id| id.starts_with("efficiency") || id == "capacity-beyond-salt").collect()
    };
    assert_eq!(ids(20_000.0 / 5_990.0), ["efficiency-claim", "efficiency-california"]);
    assert_eq!(ids(20_000.0 / 6_000.0), ["capacity-beyond-salt"]);
}

/// A page never replaces the site that is read; `-` prints it.
#[test]
fn a_page_goes_where_it_harms_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let site = folder.path().join("site.toml");
    std::fs::write(&site, WORKED).unwrap();
    let name = site.to_str().unwrap();
    let out = bedkeeper(&["size", name, "--html", name]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("would overwrite the site"));
    assert_eq!(std::fs::read_to_string(&site).unwrap(), WORKED);
    let out = bedkeeper(&["size", name, "--html", "-"]);
    assert!(out.stdout.starts_with(b"<!DOCTYPE html>"));
}

/// Efficiency claims are judged as their texts say: 3 350 and 4 000 gr/lb.
#[test]
fn efficiency_is_judged_by_both_texts() {
    let verdicts = |lb_ft3: f64| {
        let (inputs, all) = reckon(WORKED, &WhatIf { dose_lb_ft3: Some(lb_ft3), ..WhatIf::default() });
        let found = findings(&inputs, &all, UnitSystem::Us);
        ["efficiency-claim", "efficiency-california"]
            .map(|id| found.iter().any(|f| f.id == id && f.text.contains(" reaches ")))
    };
    assert_eq!(verdicts(6.0), [false, false]);
    assert_eq!(verdicts(5.9), [true, false]);
    assert_eq!(verdicts(4.9), [true, true]);
}

fn bedkeeper(args: &[&str]) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(args).output().unwrap()
}

#[test]
fn the_json_has_the_agreed_keys() {
    let out = bedkeeper(&["size", "demo:apartments", "--json", "--sweep", "6..8:2"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let value: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    let agreed = [
        ("capacity_per_tank", "gr"),
        ("volume_between_regenerations", "gal"),
        ("salt_per_regeneration", "lb"),
        ("saturated_brine_volume", "gal"),
        ("dilute_brine_volume", "gal"),
        ("brine_draw_time", "min"),
        ("refill_time", "min"),
        ("backwash_flow_low", "gpm"),
        ("backwash_flow_high", "gpm"),
        ("service_flow_limit", "gpm"),
        ("slow_rinse_low", "gal"),
        ("slow_rinse_high", "gal"),
        ("fast_rinse_low", "gal"),
        ("fast_rinse_high", "gal"),
        ("bed_depth", "ft"),
        ("added_sodium", "mg/L"),
        ("salt_efficiency", "gr/lb"),
        ("blend_treated_share", ""),
    ];
    let list = value["figures"].as_array().unwrap();
    for (id, unit) in agreed {
        let figure = list.iter().find(|f| f["id"] == id).unwrap_or_else(|| panic!("{id}"));
        assert_eq!(figure["unit"], unit, "{id}");
        assert!(figure["value"].as_f64().unwrap().is_finite());
        for key in ["formula", "source", "low", "high", "verdict"] {
            assert!(figure.get(key).is_some(), "{id} {key}");
        }
    }
    for finding in value["findings"].as_array().unwrap() {
        assert!(finding["id"].is_string() && finding["severity"].is_string() && finding["text"].is_string());
    }
    assert_eq!(value["sweep"].as_array().unwrap().len(), 2);
}

/// A sweep is asked for and told in either system.
#[test]
fn a_sweep_is_told_in_both_systems() {
    let text = |args: &[&str]| String::from_utf8(bedkeeper(args).stdout).unwrap();
    let metric = text(&["size", "demo:apartments", "--sweep", "96..128:32 g/L"]);
    assert!(
        metric.contains("g CaCO3/L") && metric.contains("\n    96.00 ") && !metric.contains("\n     6.00 "),
        "{metric}"
    );
    let us = text(&["size", "demo:apartments", "--sweep", "6..8:2", "--units", "us"]);
    assert!(us.contains("6.000 lb/ft3       4.994 to 19.98"), "{us}");
    assert!(us.contains("lb/kgr") && us.contains("\n     6.00 "), "{us}");
}

#[test]
fn bad_options_and_filters_end_clearly() {
    for (args, word) in [
        (vec!["size", "demo:house", "--hardness", "25"], "25"),
        (vec!["size", "demo:house", "--sweep", "9..3:1"], "rise"),
        (vec!["size", "demo:house", "--use", "0 L"], "more than zero"),
        (vec!["size", "no-such-site.toml"], "no-such-site.toml"),
    ] {
        let out = bedkeeper(&args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(
            String::from_utf8_lossy(&out.stderr).contains(word),
            "{args:?}: {}",
            String::from_utf8_lossy(&out.stderr)
        );
    }
    let filter = good(site_support::FILTER);
    assert!(Inputs::of(&filter, &WhatIf::default()).is_err());
}

/// The steps that sizing reckons with are those of the program.
#[test]
fn steps_are_the_programs() {
    let (inputs, _) = reckon(WORKED, &WhatIf::default());
    let step = inputs.step(StepKind::SlowRinse).unwrap();
    assert!((step.minutes - 40.0).abs() < 1e-9 && (step.gal() - 400.0).abs() < 0.01);
    assert_eq!(inputs.step(StepKind::Settle), None);
}

/// R1: a learned reserve is reckoned as the day and the regeneration that it will cover, not as nothing; a ceiling below
/// that is told, and without a stated use it is the share that is kept back until seven days are known.
#[test]
fn r1_a_learned_reserve_is_reckoned() {
    let learned = |more: &[(&str, &str)]| {
        let mut changes = vec![("reserve.keep", "\"learned\""), ("start.when", "\"at-hour\"")];
        changes.extend(more);
        let source = changes.iter().fold(WORKED.to_owned(), |source, (key, value)| with(&source, key, value));
        reckon(&source, &WhatIf::default())
    };
    let (inputs, all) = learned(&[]);
    let day = inputs.use_gal_day.expect("the worked example states its use");
    let share = 1.0 / f64::from(inputs.tanks);
    assert!(inputs.reserve_gal > day * share, "{} of {day}", inputs.reserve_gal);
    assert!((of(&all, "reserve").value - inputs.reserve_gal).abs() < 1e-9);
    let warned = |inputs: &Inputs, all: &[Figure]| {
        findings(inputs, all, UnitSystem::Us).iter().any(|finding| finding.id == "reserve-below-a-day")
    };
    assert!(!warned(&inputs, &all));
    let (low, all) = learned(&[("reserve.ceiling", "\"1 %\"")]);
    assert!((low.reserve_gal - 0.01 * 32_000.0).abs() < 1.0 && warned(&low, &all), "{}", low.reserve_gal);
}
