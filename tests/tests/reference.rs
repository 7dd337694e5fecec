//! The logic beside a plain reckoning of the same water.
#![allow(missing_docs)]

use bedkeeper_tests::reference::agree;

/// M1, L1, L2, R1, C1, A1, A2, S6: a single tank at the hour and two tanks that take turns regenerate when, and for the
/// reason, that a reckoning without a state machine finds in the whole recording. The example of the same name tries 500.
#[test]
fn a_plain_reckoning_finds_the_same_regenerations() {
    let regenerations: usize = (0..12).map(|seed| agree(seed).unwrap_or_else(|why| panic!("{why}"))).sum();
    assert!(regenerations > 80, "{regenerations}");
}
