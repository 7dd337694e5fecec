//! Every rule that is built has a test that cites it.
#![allow(missing_docs)]

use bedkeeper_sim::rules::{coverage, source_tree};

/// Rules of which no test tells yet.
const WITHOUT: &[&str] = &[];

#[test]
fn every_built_rule_has_a_test_and_no_citation_is_wrong() {
    let coverage = coverage(&source_tree().expect("the workspace")).expect("the workspace is readable");
    assert_eq!(coverage.unknown, []);
    assert!(coverage.rules.len() >= 72, "rules were lost: {}", coverage.rules.len());
    let thin: Vec<_> = coverage
        .thin()
        .map(|(r, tests)| (r.id.as_str(), tests.len()))
        .filter(|(id, _)| !WITHOUT.contains(id))
        .collect();
    assert!(thin.is_empty(), "rules with fewer tests than they need: {thin:?}");
}
