//! Calls of the logic that were written down say the same when they are made again.
#![allow(missing_docs)]

use std::path::Path;

use bedkeeper_sim::scenario;
use bedkeeper_tests::parity::Writer;

/// S10: whatever a rehearsal did with the logic is in the calls that it wrote down: made again, with the stored bytes of
/// every power cut, they say the same. An emulated board makes all of them again (`.ci/figures`).
#[test]
fn calls_made_again_say_the_same() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let writer = Writer::to_nothing();
    let mut calls = 0;
    for file in scenario::files(&folder).expect("the folder is readable").iter().step_by(4) {
        let run = writer.scenario(&scenario::load(file).expect("it is read")).expect("it runs");
        assert!(run.agrees(), "{}", run.line());
        calls += run.said.figures().0;
    }
    assert!(calls > 10_000, "{calls}");
}
