//! Power fails at every call and at every byte of every save of a regeneration, and again while it comes back.
//!
//! Each time the board is rebuilt from the bytes of its flash, on a plant of its own that watches S1, S12 and P5.
//! `cargo test` tries a sample; every point: `cargo test --release -p bedkeeper-runtime --test power_cuts -- --ignored
//! --nocapture`.
#![allow(missing_docs, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::arithmetic_side_effects, clippy::as_conversions)]

mod board;
mod plant;

use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Who;
use bedkeeper::program::{Position, Preset, PresetLengths};
use bedkeeper::settings::{Arrangement, Medium, RawDrive, RawSettings, RawTwoPosition, Settings, StartRule};
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, TankId};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input};
use board::{Board, Dark};
use plant::{DOSE_ML, Feedback, LEG_MS, MARKS, Plant};

const MIN: u64 = 60_000;
/// A regeneration is over within this, even begun again with brine to wait for.
const HORIZON_MS: u64 = 150 * MIN;

/// What kind of site power is cut at.
#[derive(Clone, Copy)]
struct Kind {
    name: &'static str,
    arrangement: Arrangement,
    feedback: Feedback,
    /// Both tanks behind one changeover valve, in place of a shut-off of their own.
    shared: bool,
}

const fn kind(name: &'static str, arrangement: Arrangement, feedback: Feedback) -> Kind {
    Kind { name, arrangement, feedback, shared: false }
}

const SINGLE: Kind = kind("single", Arrangement::Single, Feedback::Cam);
const ALTERNATING: Kind = kind("alternating", Arrangement::Alternating, Feedback::Cam);
const BLIND: Kind = kind("alternating, timed drives", Arrangement::Alternating, Feedback::Blind);
const INDEX: Kind = kind("alternating, index cams", Arrangement::Alternating, Feedback::Index);
const PILOTS: Kind = kind("alternating, pilots without a contact", Arrangement::Alternating, Feedback::Pilots);
const SHARED: Kind = Kind { shared: true, ..kind("one changeover valve", Arrangement::Alternating, Feedback::Cam) };
const PARALLEL: Kind = kind("three in parallel", Arrangement::Parallel, Feedback::Cam);
const PARALLEL_PILOTS: Kind = kind("three in parallel, pilots", Arrangement::Parallel, Feedback::Pilots);
const STAGED: Kind = kind("three staged", Arrangement::Staged, Feedback::Cam);
const STAGED_BLIND: Kind = kind("three staged, timed drives", Arrangement::Staged, Feedback::Blind);

fn settings(kind: Kind, tanks: usize) -> (Settings, Vec<Position>) {
    let Kind { arrangement, feedback, shared, .. } = kind;
    let mut positions =
        vec![Position::Service, Position::Backwash, Position::BrineDraw, Position::FastRinse, Position::BrineRefill];
    if arrangement != Arrangement::Single && !shared {
        positions.push(Position::Standby);
    }
    let mut raw = RawSettings::baseline();
    raw.arrangement = arrangement;
    raw.tanks = tanks as u8;
    if shared {
        let valve = RawTwoPosition { travel_limit: Millis::from_secs(30), rest: Millis::from_secs(1), retries: 2 };
        raw.sharing.shared_valve = Some(valve);
    }
    if arrangement == Arrangement::Staged {
        raw.sharing.join_above = (1..tanks as u32).map(|n| Flow(n * 20_000)).collect();
        raw.sharing.join_hysteresis = Flow(5_000);
    }
    raw.start = StartRule::Immediate;
    raw.medium = Medium::Softener {
        hardness: Hardness(100_000),
        capacity: Exchange(5_000 * 100_000),
        total: Exchange(10_000 * 100_000),
    };
    let step = |min| (Millis::from_mins(min), Flow(5_000));
    raw.program = Preset::CoCurrent.steps(&PresetLengths {
        backwash: step(2),
        brine_draw: step(4),
        slow_rinse: step(5),
        fast_rinse: step(3),
        brine_refill: Millis::from_mins(2),
        ..PresetLengths::default()
    });
    raw.brine_ready_after = Millis::from_mins(30);
    raw.drive = match feedback {
        Feedback::Cam => RawDrive::CamSwitch {
            positions: positions.iter().copied().collect(),
            feedback: bedkeeper::settings::CamFeedback::SwitchPerPosition,
            reversible: false,
            travel_limit: Millis::from_mins(2),
            rest: Millis::from_secs(1),
            coast: Millis(300),
            retries: 2,
        },
        Feedback::Blind => RawDrive::Timed {
            positions: positions.iter().zip(0u32..).map(|(p, i)| (*p, Millis(i * LEG_MS as u32))).collect(),
            margin: Millis(1_000),
            rest: Millis::from_secs(1),
        },
        Feedback::Index => RawDrive::CamIndex {
            positions: positions.iter().zip((0u8..).step_by(MARKS as usize)).map(|(p, mark)| (*p, mark)).collect(),
            marks: (positions.len() as u64 * MARKS) as u8,
            slip_marks: 2,
            coast_marks: 1,
            reversible: false,
            travel_limit: Millis::from_mins(2),
            rest: Millis::from_secs(1),
            coast: Millis(300),
            retries: 2,
        },
        Feedback::Pilots => RawDrive::PilotArray {
            positions: positions.iter().copied().zip(0u8..).collect(),
            contact: false,
            settle: Millis::from_secs(4),
            margin: Millis::from_secs(1),
            travel_limit: Millis::from_secs(30),
            rest: Millis::ZERO,
            retries: 2,
        },
    };
    (Settings::try_from(raw).expect("valid"), positions)
}

/// A plant in which tank 1 is about to be asked to regenerate, so long after power-up that all is at rest.
fn ready<const N: usize>(kind: Kind) -> Board<N> {
    let (settings, positions) = settings(kind, N);
    let all_serve = kind.arrangement == Arrangement::Parallel || kind.shared;
    let mut board = Board::new(settings, Plant::new(N, &positions, kind.feedback, all_serve, kind.shared));
    board.run_for(5 * MIN).expect("power is on");
    board
}

/// A cut: how long, and whether the clock runs on.
type Cut = (u64, bool);
const CUTS: [Cut; 4] = [(5_000, true), (4 * MIN, true), (45 * MIN, true), (4 * MIN, false)];

fn start<const N: usize>(board: &mut Board<N>) -> Result<(), Dark> {
    let action = Action::StartNow(TankId(0));
    board.put(Input::Operator { who: Who::Panel, action })?;
    // The horizon is no regeneration's end: water flows on.
    board.run_for(HORIZON_MS)
}

/// Asks for a regeneration and cuts power after so many moments, then after so many more, then lets it rest.
/// Returns the moments that the last run took.
fn run<const N: usize>(from: &Board<N>, cuts: &[(u64, Cut)]) -> (Board<N>, u64) {
    let mut board = from.clone();
    let mut rest = cuts.iter();
    let mut next = rest.next();
    board.fail_after(next.map(|(after, _)| *after));
    let mut before = board.moments;
    let mut ended = start(&mut board);
    while ended == Err(Dark) {
        let (_, (off_ms, clock_kept)) = *next.expect("power fails only where it is cut");
        next = rest.next();
        before = board.moments;
        board.fail_after(next.map(|(after, _)| *after));
        ended = board.come_back(off_ms, clock_kept).and_then(|()| board.run_for(HORIZON_MS));
    }
    check(&board, cuts);
    let moments = board.moments - before;
    (board, moments)
}

/// What must hold when all is over.
fn check<const N: usize>(board: &Board<N>, cuts: &[(u64, Cut)]) {
    let plant = &board.plant;
    assert_eq!(plant.broken, None, "{cuts:?}");
    let outputs = board.controller.outputs();
    for (i, tank) in board.controller.tanks().iter().enumerate() {
        let duty = tank.duty().kind();
        let at = plant.position(i);
        // V3, S9: nothing runs to the drain, nothing regenerates for ever.
        assert!(!at.is_some_and(Position::discharges), "tank {} stands in {at:?}: {cuts:?}", i + 1);
        assert!(matches!(duty, DutyKind::Serving | DutyKind::Ready | DutyKind::Spent), "{duty:?}: {cuts:?}");
        let wanted =
            if duty == DutyKind::Serving { Position::Service } else { board.controller.settings().rest_position() };
        assert_eq!(at, Some(wanted), "tank {} is {duty:?}: {cuts:?}", i + 1);
        if duty == DutyKind::Serving && plant.shared.is_some() {
            assert_eq!(plant.led(), Some(i), "{cuts:?}");
        }
    }
    // S2, S9: somebody serves, or alarms say that nobody does and what a person must look at first: timed valves
    // cut twice on their way leave neither bed nor brine tank known. Of tanks in parallel all serve that may.
    let duties = || board.controller.tanks().iter().map(|t| t.duty().kind());
    let serving = duties().filter(|duty| *duty == DutyKind::Serving).count();
    assert!(serving > 0 || outputs.alarms.contains(Alarm::NoTankServing), "{cuts:?}");
    let parallel = board.controller.settings().arrangement == Arrangement::Parallel;
    assert!(!parallel || duties().all(|duty| duty != DutyKind::Ready), "{cuts:?}");
    // S10, S6: what counts as restored has been given its dose; what was spent is not forgotten.
    let tank = &board.controller.tanks()[0];
    let restored = tank.regeneration().is_none() && tank.demand().causes().is_empty() && !tank.is_unproven();
    let asked = board.has_said(|event| matches!(event, bedkeeper::journal::Event::Started { tank: TankId(0), .. }));
    if restored && asked {
        let drawn_ml = plant.tanks[0].drawn_ml / 1_000;
        assert!(drawn_ml >= DOSE_ML * 9 / 10, "restored with {drawn_ml} mL of brine: {cuts:?}");
    }
    assert!(restored || outputs.alarms.contains(Alarm::Unproven) || !asked, "{:?}: {cuts:?}", tank.duty());
}

/// Cuts at every `stride`-th moment, each followed by cuts at every `again`-th moment of the recovery; says how many.
fn campaign<const N: usize>(kind: Kind, stride: usize, again: usize) -> u64 {
    let from = ready::<N>(kind);
    let (_, whole) = run(&from, &[]);
    let (mut once, mut twice) = (0, 0);
    for (i, first) in (0..whole).step_by(stride).enumerate() {
        let cut = CUTS[i % CUTS.len()];
        let (_, recovery) = run(&from, &[(first, cut)]);
        once += 1;
        let offset = (i * 37) % again;
        for (j, second) in (offset as u64..recovery).step_by(again).enumerate() {
            run(&from, &[(first, cut), (second, CUTS[(i + j) % CUTS.len()])]);
            twice += 1;
        }
    }
    println!("{}: {whole} moments; {once} cuts at every {stride}, {twice} more on the way back", kind.name);
    once + twice
}

/// S1, S2, S6, S10, S12, P1, P3, P4, P5, V3: a sample of all the moments at which power may fail, once and twice.
#[test]
fn s10_a_cut_at_any_moment_breaks_nothing() {
    assert!(campaign::<1>(SINGLE, 331, 5_003) > 30);
    assert!(campaign::<2>(ALTERNATING, 509, 7_001) > 30);
    assert!(campaign::<2>(BLIND, 1_009, 9_001) > 10);
}

/// S1, S2, S6, S10, S12, A3, A4, A6, V1: the same with several tanks, one changeover valve, and other drives.
#[test]
fn s10_a_cut_at_sites_of_every_arrangement_and_drive() {
    assert!(campaign::<2>(INDEX, 2_003, 20_011) > 10);
    assert!(campaign::<2>(PILOTS, 2_003, 20_011) > 10);
    assert!(campaign::<2>(SHARED, 2_003, 20_011) > 10);
    assert!(campaign::<3>(PARALLEL, 1_201, 30_011) > 10);
    assert!(campaign::<3>(PARALLEL_PILOTS, 1_201, 30_011) > 10);
    assert!(campaign::<3>(STAGED, 1_201, 30_011) > 10);
    assert!(campaign::<3>(STAGED_BLIND, 1_201, 30_011) > 10);
}

/// S1, S2, S6, S10, S12, P1, P3, P4, P5, V3: every moment, and a second cut on the way back, at every kind of site.
#[test]
#[ignore = "minutes; CI runs it in release"]
fn s10_every_moment() {
    let each = |kinds: &[(Kind, usize, usize)]| {
        kinds.iter().fold(0, |sum, (kind, stride, again)| {
            sum + match kind.arrangement {
                Arrangement::Single => campaign::<1>(*kind, *stride, *again),
                Arrangement::Alternating => campaign::<2>(*kind, *stride, *again),
                Arrangement::Parallel | Arrangement::Staged => campaign::<3>(*kind, *stride, *again),
            }
        })
    };
    // Two halves of about the same length, for two cores.
    let halves: [&[(Kind, usize, usize)]; 2] = [
        &[
            (SINGLE, 1, 20_011),
            (ALTERNATING, 1, 40_009),
            (BLIND, 7, 3_001),
            (INDEX, 2_003, 20_011),
            (PILOTS, 2_003, 20_011),
        ],
        &[
            (SHARED, 1, 40_009),
            (PARALLEL, 1, 60_013),
            (PARALLEL_PILOTS, 5, 30_011),
            (STAGED, 1_201, 30_011),
            (STAGED_BLIND, 1_201, 30_011),
        ],
    ];
    let cuts: u64 = std::thread::scope(|scope| {
        let running = halves.map(|half| scope.spawn(move || each(half)));
        running.into_iter().map(|half| half.join().expect("no rule is broken")).sum()
    });
    println!("{cuts} cuts in all");
}
