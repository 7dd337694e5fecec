//! Every scenario of this folder is met.
#![allow(missing_docs)]

use std::path::Path;

use bedkeeper_sim::scenario::{self, Verdict};

fn verdicts(folder: &str) -> Vec<Verdict> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let files = scenario::files(&folder).expect("the folder is readable");
    let scenarios: Vec<_> =
        files.iter().map(|file| scenario::load(file).unwrap_or_else(|e| panic!("{}", e.render(false)))).collect();
    scenario::run_all(&scenarios, || {}).expect("every scenario runs")
}

/// S1, S2, S3, S4, S5, S6, S7, S8, S12: the checker watches every scenario, and every expectation is met.
#[test]
fn every_scenario_is_met() {
    let verdicts = verdicts("scenarios");
    assert!(verdicts.iter().all(Verdict::is_met), "{}", scenario::readable(&verdicts, str::to_owned));
    assert!(verdicts.iter().all(|verdict| verdict.judgements.len() >= 2), "a scenario expects something of its own");
}

/// S1, S2, S9, S12: what a search, two faults at once, or a reader were once found to break is broken no more.
#[test]
fn what_exploring_found_is_mended() {
    let verdicts = verdicts("explored/found");
    assert_eq!(verdicts.len(), 14);
    assert!(verdicts.iter().all(Verdict::is_met), "{}", scenario::readable(&verdicts, str::to_owned));
}

/// Every family of rules has scenarios of its own.
#[test]
fn every_family_of_rules_is_rehearsed() {
    let names =
        bedkeeper_tests::breakages::scenarios(&Path::new(env!("CARGO_MANIFEST_DIR")).join("..")).expect("a folder");
    assert!(names.len() >= 60, "{} scenarios", names.len());
    for family in ["S", "T", "M", "L", "R", "C", "A", "Q", "V", "Y", "W", "P", "O", "plant"] {
        let of_family = names.iter().filter(|name| name.starts_with(&format!("{family}/"))).count();
        assert!(of_family >= 2, "{family}: {of_family}");
    }
}

/// Every cause, hold, duty, step and alarm comes up in some scenario.
#[test]
fn everything_is_reached() {
    let verdicts = verdicts("scenarios");
    let missing: Vec<_> = scenario::coverage(&verdicts)
        .into_iter()
        .filter(|reach| reach.scenarios == 0)
        .map(|reach| (reach.kind, reach.slug))
        .collect();
    assert_eq!(missing, [], "{}", scenario::coverage_table(&verdicts));
}

/// A1, A2, A3, A4, S1, S2, S3, S5, S6, S7, S8, S12: the first weeks of a year of each arrangement with 1 to 8 tanks break
/// no rule. `bedkeeper verify tests/years` runs the whole years, with all that they expect.
#[test]
fn the_first_weeks_of_each_year_break_no_rule() {
    const DAY_MS: u64 = 86_400_000;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("years");
    let load = |file: &std::path::PathBuf| {
        let mut scenario = scenario::load(file).unwrap_or_else(|e| panic!("{}", e.render(false)));
        assert_eq!(scenario.lasts_ms, 365 * DAY_MS);
        scenario.lasts_ms = 8 * DAY_MS;
        scenario.expectations.retain(|expectation| matches!(expectation.claim, scenario::Claim::NoViolation(_)));
        assert_eq!(scenario.expectations.len(), 1);
        scenario
    };
    let scenarios: Vec<_> = scenario::files(&folder).expect("a folder").iter().map(load).collect();
    assert_eq!(scenarios.len(), 10);
    let verdicts = scenario::run_all(&scenarios, || {}).expect("every scenario runs");
    assert!(verdicts.iter().all(Verdict::is_met), "{}", scenario::readable(&verdicts, str::to_owned));
    assert!(verdicts.iter().all(|verdict| verdict.reached.contains(&("duty", "serving"))));
}
