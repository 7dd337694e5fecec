//! The replay on settings built here: what it does, and what its checker sees.
#![allow(missing_docs)]

mod two_tanks;

use std::io::Cursor;

use bedkeeper::program::StepKind;
use bedkeeper::{RawSettings, Settings};
use bedkeeper_sim::evidence::{Evidence, Outcome};
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Replay, ValveTimes, World};

const APARTMENTS: &[u8] = include_bytes!("../demo/apartments20_14d_10L.csv.gz");

fn replay(raw: RawSettings, recording: &'static [u8]) -> Evidence {
    let mut recording = Recording::from_reader("test", Cursor::new(recording), None).unwrap();
    let settings = Settings::try_from(raw.clone()).unwrap();
    let times = ValveTimes { leg_ms: 20_000, coast_ms: 300 };
    let world = World::new(settings, times, recording.header().start).unwrap();
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut checker = Checker::new(raw);
    Replay::new(world, vec![&mut gatherer, &mut checker]).run(&mut recording, |_| {}).unwrap();
    let mut evidence = gatherer.into_evidence();
    evidence.violations = checker.into_violations();
    evidence
}

/// A2, S2, S3, S5: two tanks take turns, nobody gets hard water, the water adds up.
#[test]
fn a2_the_apartments_take_turns() {
    let e = replay(two_tanks::settings(), APARTMENTS);
    assert_eq!(e.violations, []);
    assert!(e.regenerations.len() >= 8, "{}", e.regenerations.len());
    for (i, r) in e.regenerations.iter().enumerate() {
        assert_eq!(usize::from(r.tank), i % 2 + 1);
        assert_eq!(r.cause, "reserve");
        assert_eq!(r.outcome, Outcome::Complete);
        assert_eq!(r.overrun_nl, 0);
        let steps: Vec<_> = r.steps.iter().map(|s| s.step).collect();
        let program =
            [StepKind::Backwash, StepKind::BrineDraw, StepKind::SlowRinse, StepKind::FastRinse, StepKind::BrineRefill];
        assert_eq!(steps, program.map(StepKind::slug));
    }
    assert_eq!(e.hard_water_nl, 0);
    assert_eq!(e.water.metered_nl, 7_283 * 10_000_000_000);
    assert!(e.water.balances());
    assert_eq!(e.alarms, []);
}
