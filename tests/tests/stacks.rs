//! Holds are not decoration.
#![allow(missing_docs)]

use bedkeeper_tests::stacks::live;

/// S8, C7: in ten years of five plants, stacks of holds are cleared one at a time, with clock corrections: nothing
/// starts while a hold stands, and when the last goes the start is there in that millisecond, as was said.
#[test]
fn s8_the_start_comes_when_the_last_hold_goes_and_not_before() {
    let mut starts = (0, 0, 0);
    let mut most = 0;
    let mut corrections = 0;
    let lives: Vec<_> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..5).map(|seed| scope.spawn(move || live(seed, 730))).collect();
        running.into_iter().map(|life| life.join().expect("a life")).collect()
    });
    for life in lives {
        let report = life.unwrap_or_else(|why| panic!("{why}"));
        starts.0 += report.at_named_instant;
        starts.1 += report.at_last_clearance;
        starts.2 += report.by_plant;
        most = most.max(report.heights.keys().last().copied().unwrap_or(0));
        corrections += report.corrections;
    }
    assert!(starts.0 > 100 && starts.1 > 100 && starts.2 > 50, "{starts:?}");
    assert!(most >= 5 && corrections > 100, "{most} {corrections}");
}
