//! Every rule that is built has a test that cites it.
#![allow(missing_docs)]

use bedkeeper_sim::rules::{coverage, source_tree};

/// The rules built so far; the others wait for parallel sites, further drives, relays, the store and the panel.
const BUILT: &[&str] = &[
    "S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S10", "S11", "S12", "T1", "T2", "T3", "T4", "M1", "M2", "M3",
    "M4", "M6", "L1", "L2", "L3", "R1", "C1", "C2", "C3", "C4", "C5", "C6", "C7", "A1", "A2", "A5", "A6", "Q1", "Q2",
    "Q3", "Q5", "Q6", "V1", "V2", "V3", "V4", "P1", "P2", "P3", "P4", "P5", "O1", "O2", "O3", "O4", "O6", "O7",
];

#[test]
fn every_built_rule_has_a_test_and_no_citation_is_wrong() {
    let coverage = coverage(&source_tree().expect("the workspace")).expect("the workspace is readable");
    assert_eq!(coverage.unknown, []);
    let without: Vec<_> =
        coverage.rules.iter().filter(|(r, tests)| BUILT.contains(&r.id.as_str()) && tests.is_empty()).collect();
    assert!(without.is_empty(), "built rules without a test: {without:#?}");
    let thin: Vec<_> = coverage
        .thin()
        .filter(|(r, _)| BUILT.contains(&r.id.as_str()))
        .map(|(r, tests)| (r.id.as_str(), tests.len()))
        .collect();
    assert!(thin.is_empty(), "safety rules with fewer than three tests: {thin:?}");
    for id in BUILT {
        assert!(coverage.rules.iter().any(|(r, _)| r.id == *id), "{id} is no rule");
    }
}
