//! The replay of sites where several tanks share the work, seen by its checker.
#![allow(missing_docs)]

mod two_tanks;

use std::io::Cursor;

use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, RawDrive, RawTwoPosition};
use bedkeeper::units::{Flow, Millis};
use bedkeeper::{RawSettings, Settings};
use bedkeeper_sim::evidence::{Evidence, Outcome};
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Replay, ValveTimes, World};

const APARTMENTS: &[u8] = include_bytes!("../demo/apartments20_14d_10L.csv.gz");

fn replay(raw: RawSettings) -> Evidence {
    let mut recording = Recording::from_reader("test", Cursor::new(APARTMENTS), None).expect("bundled");
    let settings = Settings::try_from(raw.clone()).expect("sound settings");
    let times = ValveTimes { leg_ms: 10_000, coast_ms: 300 };
    let world = World::new(settings, times, recording.header().start).expect("a small site");
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut checker = Checker::new(raw);
    Replay::new(world, vec![&mut gatherer, &mut checker]).run(&mut recording, |_| {}).expect("it runs");
    let mut evidence = gatherer.into_evidence();
    evidence.violations = checker.into_violations();
    evidence
}

/// Everything the checker watches is whole, every tank has its turn, and the water adds up.
fn assert_sound(e: &Evidence, tanks: usize) {
    assert_eq!(e.violations, []);
    assert!(e.water.balances());
    assert_eq!((e.tanks.len(), e.water.metered_nl, e.water.untreated_nl), (tanks, 7_283 * 10_000_000_000, 0));
    let turns = |number| e.regenerations.iter().filter(|r| usize::from(r.tank) == number).count();
    assert!((1..=tanks).all(|number| turns(number) >= 1), "{:?}", (1..=tanks).map(turns).collect::<Vec<_>>());
    assert!(e.regenerations.iter().all(|r| r.outcome == Outcome::Complete));
}

fn several(arrangement: Arrangement, tanks: u8) -> RawSettings {
    let mut raw = two_tanks::settings();
    raw.arrangement = arrangement;
    raw.tanks = tanks;
    raw.windows.clear();
    raw
}

/// A3, L4, S1, S2, S3: four tanks serve together and regenerate in turn, two at once where the brine allows it.
#[test]
fn a3_four_parallel_tanks() {
    let mut raw = several(Arrangement::Parallel, 4);
    raw.max_regenerating = 2;
    raw.brine_ready_after = Millis::ZERO;
    raw.sharing.tank_flow = Flow(20_000);
    let e = replay(raw);
    assert_sound(&e, 4);
    assert_eq!(e.arrangement.slug(), "parallel");
}

/// A4, S1, S2, S3: of three staged tanks as many serve as the flow wants.
#[test]
fn a4_three_staged_tanks() {
    let mut raw = several(Arrangement::Staged, 3);
    raw.sharing.join_above = [Flow(20_000), Flow(40_000)].into_iter().collect();
    raw.sharing.join_hysteresis = Flow(2_000);
    let e = replay(raw);
    assert_sound(&e, 3);
    let joined = e.tanks.iter().flat_map(|t| &t.duties).filter(|d| d.duty == "serving").count();
    assert!(joined > 20, "{joined}");
}

/// A6, S2, S3: two tanks behind one changeover valve.
#[test]
fn a6_two_tanks_behind_one_valve() {
    let mut raw = several(Arrangement::Alternating, 2);
    if let RawDrive::CamSwitch { positions, .. } = &mut raw.drive {
        *positions = positions.iter().copied().filter(|p| *p != Position::Standby).collect();
    }
    raw.sharing.shared_valve =
        Some(RawTwoPosition { travel_limit: Millis::from_secs(60), rest: Millis::from_secs(2), retries: 2 });
    assert_sound(&replay(raw), 2);
}

/// M5, S5: a tenth of the water is blended past the tanks, and they regenerate less often for it.
#[test]
fn m5_a_tenth_is_blended() {
    let whole = replay(several(Arrangement::Parallel, 2));
    let mut raw = several(Arrangement::Parallel, 2);
    raw.sharing.bypass_per_mille = 100;
    let blended = replay(raw);
    assert_sound(&blended, 2);
    assert_eq!(blended.water.blended_nl, blended.water.metered_nl / 10);
    assert!(blended.regenerations.len() < whole.regenerations.len());
}
