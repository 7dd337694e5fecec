//! Settings out and in: whole, checked, or not at all.

use bedkeeper::Action;
use bedkeeper::image::{Image, ImageError};
use bedkeeper::journal::{BoardWish, Event, Who};
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, Problem};
use bedkeeper::units::{Millis, TankId};
use bedkeeper_runtime::link::message::{Answer, Refusal, Request, Staging, Taken, Wish};
use bedkeeper_runtime::link::staging;
use bedkeeper_runtime::plant::NotWired;

use crate::line::{Line, TANK, image, raw, refusal};

fn taken(answer: Answer) -> Taken {
    match answer {
        Answer::Taken(taken) => taken,
        other => panic!("not taken: {other:?}"),
    }
}

/// O1, O4: settings come out as an image, without the codes of the locks.
#[test]
fn settings_come_out_without_codes() {
    let mut line = Line::with(|raw| raw.locks.panel = LockRule::Code(1_234));
    let (bytes, checksum) = line.pull();
    assert_eq!(bedkeeper::image::checksum(&bytes), Ok(checksum));
    let image = Image::decode(&bytes).unwrap();
    assert_eq!(image.raw.locks.panel, LockRule::Code(0));
    assert_eq!(image.name.as_str(), "Bench (invented)");
    let Answer::Identity(identity) = line.ask(&Request::Identity) else { panic!() };
    assert_eq!(identity.settings, checksum);
}

/// O2, O4: another set is taken whole, runs at once, is stored, and leaves locks and name as they are.
#[test]
fn settings_are_taken_whole() {
    let mut line = Line::with(|raw| raw.locks.panel = LockRule::Code(1_234));
    let mut other = raw();
    other.hour_minute = 90;
    other.backup_days = 3;
    assert_eq!(taken(line.push(&image(&other), |_| {})), Taken { restarts: false, is_stored: true });
    let running = line.controller().settings().raw().clone();
    assert_eq!((running.hour_minute, running.backup_days), (90, 3));
    assert_eq!(running.locks.panel, LockRule::Code(1_234));
    let stored = Image::decode(line.shelf.images.last().unwrap()).unwrap();
    assert_eq!((stored.raw, stored.name.as_str()), (running, "Bench (invented)"));
    // Once more: there is nothing left to change.
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::NothingChanged);
}

/// O4: a copy may leave step times out.
#[test]
fn step_times_may_be_kept_out() {
    let mut line = Line::new();
    let mut other = raw();
    other.hour_minute = 90;
    let own = other.program[0].length;
    other.program[0].length = Millis(own.0 + 60_000);
    taken(line.push(&image(&other), |plan| plan.keep_step_times = true));
    assert_eq!(line.controller().settings().program[0].length, own);
    assert_eq!(line.controller().settings().hour_minute, 90);
}

/// O1: locks are taken only where that was said.
#[test]
fn locks_are_taken_on_request() {
    let mut line = Line::new();
    let mut other = raw();
    other.locks.serial = LockRule::Code(7);
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::NothingChanged);
    taken(line.push(&image(&other), |plan| plan.take_locks = true));
    line.open();
    assert_eq!(refusal(line.act(Action::Hold(TANK))), Refusal::Locked);
    assert_eq!(line.change(Wish::Unlock(Key::Code(7))), Answer::Done);
}

/// S11, O2, Q5: a set with faults is refused with every field that is wrong, and what ran runs on; who offered it is journalled.
#[test]
fn faults_are_told_by_field() {
    let mut line = Line::new();
    let before = line.controller().settings().clone();
    let mut other = raw();
    other.hour_minute = 3_000;
    other.program.iter_mut().for_each(|step| step.length = Millis(0));
    let Refusal::Faulty { faults, .. } = refusal(line.push(&image(&other), |_| {})) else { panic!() };
    assert!(faults.iter().any(|f| f.field == "hour_minute" && f.problem == Problem::NotAMinuteOfDay));
    assert!(faults.iter().any(|f| f.problem == Problem::NoSteps));
    assert_eq!(line.controller().settings(), &before);
    assert!(line.shelf.images.is_empty());
    let tried = Event::AskedOfBoard { who: Who::Serial, wish: BoardWish::Settings, granted: false };
    assert_eq!(line.bench.borrow().records.last().map(|record| record.event), Some(tried));
}

/// O2: what is damaged, cut off or out of order is refused whole.
#[test]
fn a_damaged_image_is_refused() {
    let mut line = Line::new();
    let mut other = raw();
    other.hour_minute = 90;
    let good = image(&other);
    assert_eq!(refusal(line.push(&good, |plan| plan.sum ^= 1)), Refusal::NotWhole);
    assert_eq!(refusal(line.push(&good, |plan| plan.length += 1)), Refusal::NotWhole);
    assert_eq!(refusal(line.push(&good, |plan| plan.length = 9_999)), Refusal::NotStaged);
    assert_eq!(refusal(line.push(&good, |plan| plan.instead_of ^= 1)), Refusal::ChangedMeanwhile);
    let mut damaged = good.clone();
    damaged[20] ^= 1;
    let Refusal::Image(ImageError::WrongChecksum { .. }) = refusal(line.push(&damaged, |_| {})) else { panic!() };
    line.open();
    assert_eq!(refusal(line.change(Wish::Take)), Refusal::NotStaged);
    assert_eq!(refusal(line.change(Wish::Piece { offset: 0, bytes: heapless::Vec::new() })), Refusal::NotStaged);
    assert_eq!(line.controller().settings().hour_minute, raw().hour_minute);
}

/// O2: what shapes a regeneration waits for the one that runs.
#[test]
fn a_regeneration_that_runs_is_left_alone() {
    let mut line = Line::new();
    line.open();
    assert_eq!(line.act(Action::StartNow(TANK)), Answer::Done);
    let mut other = raw();
    other.brine.refill_cap_percent = 200;
    line.run(20_000);
    let refused = refusal(line.push(&image(&other), |_| {}));
    assert_eq!(refused, Refusal::Regenerating);
    // What does not concern it waits for its motor only, since storing may stop the core.
    assert!(line.machine.is_moving());
    let mut other = raw();
    other.hour_minute = 90;
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::ValveMoves);
    assert_eq!(line.controller().settings().raw(), &raw());
}

/// S11: another plant is taken by a restart, and only where that was allowed; one that the board cannot run, never.
#[test]
fn another_plant_needs_a_restart() {
    let mut line = Line::new();
    let mut other = raw();
    other.arrangement = Arrangement::Parallel;
    other.tanks = 3;
    let bedkeeper::settings::RawDrive::CamSwitch { positions, .. } = &mut other.drive else { panic!() };
    positions.push(Position::Standby).unwrap();
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::NotWired(NotWired::Tanks));
    let mut other = raw();
    let bedkeeper::settings::RawDrive::CamSwitch { travel_limit, .. } = &mut other.drive else { panic!() };
    *travel_limit = Millis(travel_limit.0 + 1_000);
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::NeedsRestart);
    assert!(!line.link.wants_restart());
    assert_eq!(
        taken(line.push(&image(&other), |plan| plan.may_restart = true)),
        Taken { restarts: true, is_stored: true }
    );
    assert!(line.link.wants_restart());
    assert_eq!(line.shelf.images.len(), 1);
    assert_eq!(line.controller().settings().drive, raw().drive);
    assert_eq!(line.controller().tanks().len(), usize::from(TankId(0).number()));
}

/// O2: where they cannot be stored the board says so.
#[test]
fn what_cannot_be_stored_is_told() {
    let mut line = Line::new();
    line.shelf.fails = true;
    let mut other = raw();
    other.hour_minute = 90;
    assert_eq!(taken(line.push(&image(&other), |_| {})), Taken { restarts: false, is_stored: false });
}

/// O1: a lock that closes while settings are on their way keeps them from being taken or stored, restart or not; and
/// behind a closed one nothing is staged.
#[test]
fn a_lock_that_closes_meanwhile_holds() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    let mut other = raw();
    other.hour_minute = 90;
    assert_eq!(refusal(line.push(&image(&other), |_| {})), Refusal::Locked);
    let mut plant = other.clone();
    let bedkeeper::settings::RawDrive::CamSwitch { travel_limit, .. } = &mut plant.drive else { panic!() };
    *travel_limit = Millis(travel_limit.0 + 1_000);
    for offered in [other, plant] {
        let bytes = image(&offered);
        let instead_of = line.pull().1;
        line.open();
        assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
        let staging = Staging {
            length: u16::try_from(bytes.len()).unwrap(),
            sum: staging::sum(&bytes),
            instead_of,
            keep_step_times: false,
            keep_name: true,
            take_locks: false,
            may_restart: true,
        };
        assert_eq!(line.change(Wish::Stage(staging)), Answer::Done);
        let bytes = heapless::Vec::from_slice(&bytes).unwrap();
        assert_eq!(line.change(Wish::Piece { offset: 0, bytes }), Answer::Done);
        assert_eq!(line.change(Wish::Relock), Answer::Done);
        assert_eq!(refusal(line.change(Wish::Take)), Refusal::Locked);
        assert!(line.shelf.images.is_empty() && !line.link.wants_restart());
    }
}
