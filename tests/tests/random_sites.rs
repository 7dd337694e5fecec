//! What sizing says comes out of a replay.
#![allow(missing_docs)]

use bedkeeper_tests::random_sites::{Outcomes, live};

/// M1, L1, R1, S5: invented sites of each arrangement: the volume between regenerations is that of sizing within 1 % where
/// starts are immediate, within a day's use where they wait for the hour; no rule is broken. The example of the same name tries 1 000.
#[test]
fn sizing_and_replay_agree_on_invented_sites() {
    let outcomes: Vec<Outcomes> = (0..16).map(|seed| live(seed).unwrap_or_else(|why| panic!("{why}"))).collect();
    let compared: usize = outcomes
        .iter()
        .map(|outcome| match outcome {
            Outcomes::Compared { regenerations, .. } => *regenerations,
            Outcomes::Refused => 0,
        })
        .sum();
    let refused = outcomes.iter().filter(|outcome| **outcome == Outcomes::Refused).count();
    assert!(compared > 40 && refused < 4, "{compared} compared, {refused} refused");
}
