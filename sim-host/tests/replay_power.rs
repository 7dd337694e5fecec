//! Power cuts in a replay: the logic comes back from its stored bytes, and the checker sees nothing broken.
#![allow(missing_docs)]

mod two_tanks;

use std::io::Cursor;

use bedkeeper::journal::{Event, Record};
use bedkeeper::sequence::AfterPower;
use bedkeeper::{RawSettings, Settings};
use bedkeeper_sim::evidence::{Evidence, Outcome};
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Observer, PowerCut, Replay, ValveTimes, World};

const APARTMENTS: &[u8] = include_bytes!("../demo/apartments20_14d_10L.csv.gz");
const MIN: u64 = 60_000;

/// Keeps what the logic said.
#[derive(Default)]
struct Listener(Vec<Record>);

impl Observer for Listener {
    fn record(&mut self, record: &Record, _world: &World) -> std::io::Result<()> {
        self.0.push(*record);
        Ok(())
    }
}

fn replay(raw: RawSettings, cuts: &[PowerCut]) -> (Evidence, Vec<Record>, World) {
    let mut recording = Recording::from_reader("test", Cursor::new(APARTMENTS), None).expect("bundled");
    let settings = Settings::try_from(raw.clone()).expect("valid");
    let times = ValveTimes { leg_ms: 20_000, coast_ms: 300 };
    let world = World::new(settings, times, recording.header().start).expect("two tanks");
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut checker = Checker::new(raw);
    let mut listener = Listener::default();
    let mut replay = Replay::new(world, vec![&mut gatherer, &mut checker, &mut listener]);
    for cut in cuts {
        replay.schedule_power_cut(*cut);
    }
    let world = replay.run(&mut recording, |_| {}).expect("runs");
    let mut evidence = gatherer.into_evidence();
    evidence.violations = checker.into_violations();
    (evidence, listener.0, world)
}

/// When the first regeneration of the uncut replay runs a step that is `into_min` minutes under way.
fn first_regeneration_ms() -> u64 {
    let (evidence, ..) = replay(two_tanks::settings(), &[]);
    evidence.regenerations[0].start_ms
}

fn outcomes(records: &[Record]) -> Vec<AfterPower> {
    let outcome = |r: &Record| match r.event {
        Event::AfterPower { outcome, .. } => Some(outcome),
        _ => None,
    };
    records.iter().filter_map(outcome).collect()
}

/// P3, S5, S10: short cuts in every part of a regeneration change neither its outcome nor the sums.
#[test]
fn p3_short_cuts_are_resumed() {
    let start = first_regeneration_ms();
    for into_min in [5, 25, 55, 80, 90] {
        let cut = PowerCut { at_ms: start + into_min * MIN, off_ms: 2 * MIN, clock_kept: true, retained_kept: true };
        let (evidence, records, world) = replay(two_tanks::settings(), &[cut]);
        assert_eq!(evidence.violations, [], "{into_min} min into the regeneration");
        assert!(world.supply.writes() > 10);
        let outcomes = outcomes(&records);
        assert!(matches!(outcomes[..], [AfterPower::Resumed | AfterPower::RefillCounted] | []), "{outcomes:?}");
        assert!(evidence.regenerations.iter().all(|r| r.outcome == Outcome::Complete));
    }
}

/// P4, S12: a long cut, or one of unknown length, in the brine draw lets the regeneration begin again.
#[test]
fn p4_long_cuts_begin_again() {
    let start = first_regeneration_ms();
    for clock_kept in [true, false] {
        let off_ms = if clock_kept { 90 * MIN } else { 2 * MIN };
        let cut = PowerCut { at_ms: start + 25 * MIN, off_ms, clock_kept, retained_kept: true };
        let (evidence, records, _) = replay(two_tanks::settings(), &[cut]);
        assert_eq!(evidence.violations, []);
        let outcomes = outcomes(&records);
        assert!(matches!(outcomes[..], [AfterPower::BeganAgain | AfterPower::RinsedFirst]), "{outcomes:?}");
    }
}

/// S10: with nothing stored the beds count as spent, and an alarm says so.
#[test]
fn s10_a_lost_memory_takes_no_bed_for_fresh() {
    let cut = PowerCut { at_ms: 3 * 24 * 60 * MIN, off_ms: MIN, clock_kept: true, retained_kept: false };
    let (evidence, records, _) = replay(two_tanks::settings(), &[cut]);
    assert_eq!(evidence.violations, []);
    assert!(records.iter().any(|r| r.event == Event::RetainedLost));
    assert!(evidence.alarms.iter().any(|alarm| alarm.slug == "retained-lost"));
    let after: Vec<_> = evidence.regenerations.iter().filter(|r| r.start_ms > cut.at_ms).take(2).collect();
    assert_eq!(after.iter().map(|r| r.tank).collect::<std::collections::BTreeSet<_>>().len(), 2);
}

/// S10, T3: many cuts at odd times, with and without a clock, break nothing that the checker watches.
#[test]
fn s10_cuts_at_odd_times_break_nothing() {
    let cuts: Vec<PowerCut> = (1..40u64)
        .map(|i| PowerCut {
            at_ms: i * i * 7_919 * 97 + i * 3_600_000,
            off_ms: (i % 7) * 11 * MIN + 17_000,
            clock_kept: i % 3 != 0,
            retained_kept: true,
        })
        .collect();
    let (evidence, ..) = replay(two_tanks::settings(), &cuts);
    assert_eq!(evidence.violations, []);
}
