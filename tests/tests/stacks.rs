//! Holds are not decoration.
#![allow(missing_docs)]

use bedkeeper_tests::stacks::{Kind, live};

/// Five lives of two years of such a plant.
fn ten_years_of(kind: Kind) {
    let mut starts = (0, 0, 0);
    let mut most = 0;
    let mut corrections = 0;
    let mut lived_ms = 0;
    let lives: Vec<_> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..5).map(|seed| scope.spawn(move || live(kind, seed, 731))).collect();
        running.into_iter().map(|life| life.join().expect("a life")).collect()
    });
    for life in lives {
        let report = life.unwrap_or_else(|why| panic!("{why}"));
        starts.0 += report.at_named_instant;
        starts.1 += report.at_last_clearance;
        starts.2 += report.by_plant;
        most = most.max(report.heights.keys().last().copied().unwrap_or(0));
        corrections += report.corrections;
        lived_ms += report.lived_ms;
    }
    assert!(lived_ms >= 3_652 * 86_400_000, "{lived_ms} ms are no ten years");
    let others = if kind == Kind::Single { 0 } else { 20 };
    assert!(starts.0 > 100 && starts.1 > 100 && starts.2 >= others, "{starts:?}");
    assert!(most >= 5 && corrections > 100, "{most} {corrections}");
}

/// S8, C7: in ten years of five pairs, stacks of holds are cleared one at a time, with clock corrections: nothing
/// starts while a hold stands, and when the last goes the start is there in that millisecond, as was said.
#[test]
fn s8_the_start_comes_when_the_last_hold_goes_and_not_before() {
    ten_years_of(Kind::Pair);
}

/// S8, A1: the same of single tanks.
#[test]
fn s8_holds_of_a_single_tank_are_no_decoration() {
    ten_years_of(Kind::Single);
}

/// S8, A3, S1: the same of three tanks that serve together, of which one or two may regenerate at once.
#[test]
fn s8_holds_of_parallel_tanks_are_no_decoration() {
    ten_years_of(Kind::Parallel);
}

/// S8, A4: the same of four tanks that join as the flow rises.
#[test]
fn s8_holds_of_staged_tanks_are_no_decoration() {
    ten_years_of(Kind::Staged);
}
