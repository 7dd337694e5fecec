//! The replay on settings built here: what it does, and what its checker sees.
#![allow(missing_docs)]

mod two_tanks;

use std::io::Cursor;

use bedkeeper::program::StepKind;
use bedkeeper::reserve::Lesson;
use bedkeeper::settings::{RawLearned, Reserve};
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

/// R1, R2, P7: evidence tells each day's use, the reserve at each start and what it rests on, and what valves have done.
#[test]
fn r1_evidence_tells_use_forecast_and_counters() {
    let mut raw = two_tanks::settings();
    raw.reserve = Reserve::Learned(RawLearned::usual());
    let e = replay(raw, APARTMENTS);
    assert_eq!(e.violations, []);
    let days = &e.daily_use.days;
    assert!((13..=15).contains(&days.len()), "{days:?}");
    assert_eq!(days[0].lesson, Lesson::NoClock, "it began before the recording");
    assert!(days[1..].iter().all(|day| day.lesson == Lesson::Learned && day.litres > 1_000));
    let learned: u32 = e.daily_use.habits.iter().map(|habit| u32::from(habit.days)).sum();
    assert_eq!(learned as usize, days.len() - 1);
    let bases: Vec<_> = e.regenerations.iter().map(|r| r.reserve.as_ref().unwrap().basis).collect();
    assert!(bases.contains(&"too-few-days") && bases.ends_with(&["forecast"]), "{bases:?}");
    let last = e.regenerations.last().and_then(|r| r.reserve.as_ref()).unwrap();
    assert!(last.kept_nl > 0 && last.expected_nl >= last.kept_nl, "{last:?}");
    let complete = |tank| e.regenerations.iter().filter(|r| r.tank == tank && r.outcome == Outcome::Complete).count();
    for (valve, tank) in e.lives.valves.iter().zip(1..) {
        assert_eq!(valve.regenerations as usize, complete(tank));
        assert!(valve.moves as usize >= 6 * complete(tank) && valve.driven_s > 0, "{valve:?}");
    }
    let json: serde_json::Value = serde_json::from_str(&bedkeeper_sim::evidence::json(&e).unwrap()).unwrap();
    assert_eq!(json["daily_use"]["days"].as_array().unwrap().len(), days.len());
    assert_eq!(json["daily_use"]["forecast"][0]["weekday"], "monday");
    assert_eq!(json["daily_use"]["reserve"]["basis"], "forecast");
    assert_eq!(json["tanks"][0]["capacity"]["kept_share"], 1.0);
    assert_eq!(json["regenerations"][0]["reserve"]["basis"], bases[0]);
    assert_eq!(json["counters"]["valves"][1]["tank"], 2);
    assert_eq!(json["counters"]["relays"].as_array().unwrap().len(), 4);
}
