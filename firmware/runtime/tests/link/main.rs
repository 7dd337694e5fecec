//! The serial line on a bench: what is asked and answered, and everything that must change nothing.
#![allow(clippy::arithmetic_side_effects, clippy::as_conversions)]
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

#[path = "../common/mod.rs"]
mod common;
mod frozen;
mod kept;
mod line;
mod map;
mod noise;
mod registers;
mod settings;
mod soup;

use bedkeeper::calendar::Civil;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{BoardWish, Event, Who};
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, CamFeedback, RawDrive};
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Refused};
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{Answer, Refusal, Request, WantsKey, Wish};
use line::{Line, TANK, answer, refusal};

/// O1: anyone may look: who it is, what it does, which alarms stand, what valves have done.
#[test]
fn everybody_may_look() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    let Answer::Identity(identity) = line.ask(&Request::Identity) else { panic!() };
    assert_eq!((identity.board.as_str(), identity.tanks, identity.tanks_at_most), ("test bench", 1, 2));
    assert_eq!(identity.wants_key, WantsKey::Code);
    let Answer::Status(status) = line.ask(&Request::Status) else { panic!() };
    assert_eq!(status.tanks.len(), 1);
    assert_eq!(status.tanks[0].duty, DutyKind::Serving);
    assert_eq!(status.tanks[0].position, Some(Position::Service));
    assert!(!status.unlocked);
    assert!(status.alarms.contains(Alarm::ClockUnset));
    let Answer::Alarms { alarms, .. } = line.ask(&Request::Alarms) else { panic!() };
    assert!(alarms.iter().any(|(alarm, state)| *alarm == Alarm::ClockUnset && state.since.is_some()));
    let Answer::Counters(counters) = line.ask(&Request::Counters) else { panic!() };
    assert_eq!(counters.valves.len(), 1);
}

/// S8: every hold is told, with when it clears if that is known.
#[test]
fn why_tells_every_hold() {
    let mut line = Line::new();
    line.open();
    assert_eq!(line.act(Action::Hold(TANK)), Answer::Done);
    assert_eq!(line.act(Action::StartNow(TANK)), Answer::Done);
    let Answer::Why { why, regenerates, .. } = line.ask(&Request::Why(TANK)) else { panic!() };
    assert!(!regenerates);
    assert!(why.causes.contains(Cause::Manual));
    assert_eq!(why.holds.iter().map(|standing| standing.hold).collect::<Vec<_>>(), [Hold::OperatorHold]);
    assert_eq!(refusal(line.ask(&Request::Why(TankId(3)))), Refusal::NoSuchTank);
}

/// O1, Q5: nothing is changed behind a closed lock, and what is refused is journalled; the code opens it.
#[test]
fn changes_need_the_lock() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    line.open();
    let before = line.bench.borrow().records.len();
    assert_eq!(refusal(line.act(Action::StartNow(TANK))), Refusal::Locked);
    let denied = matches!(line.bench.borrow().records[before..], [ref record] if matches!(record.event, Event::Operator { granted: false, .. }));
    assert!(denied);
    assert_eq!(refusal(line.change(Wish::SetClock(Civil(1)))), Refusal::Locked);
    assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
    assert_eq!(line.act(Action::StartNow(TANK)), Answer::Done);
    assert_eq!(line.change(Wish::Relock), Answer::Done);
    assert_eq!(refusal(line.act(Action::Hold(TANK))), Refusal::Locked);
}

/// O1: wrong codes bar the lock, each time for longer; the right one does not open it before that is over.
#[test]
fn wrong_codes_bar_the_lock() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    line.open();
    for _ in 0..3 {
        assert_eq!(refusal(line.change(Wish::Unlock(Key::Code(1)))), Refusal::Logic(Refused::WrongKey));
    }
    assert_eq!(refusal(line.change(Wish::Unlock(Key::Code(4_711)))), Refusal::Logic(Refused::Barred));
    line.run(59_000);
    assert_eq!(refusal(line.change(Wish::Unlock(Key::Code(4_711)))), Refusal::Logic(Refused::Barred));
    line.run(2_000);
    assert_eq!(refusal(line.change(Wish::Unlock(Key::Code(2)))), Refusal::Logic(Refused::WrongKey));
    line.run(110_000);
    assert_eq!(refusal(line.change(Wish::Unlock(Key::Code(4_711)))), Refusal::Logic(Refused::Barred));
    line.run(11_000);
    assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
}

/// O1: a change that is sent again because its answer got lost is answered as before, and not made twice; recorded ones
/// that are sent later change nothing, in the same session or after it.
#[test]
fn replays_change_nothing() {
    let mut line = Line::new();
    line.open();
    let hold = line.next_change(Wish::Act(Action::Hold(TANK)));
    let first = line.exchange(&hold);
    let before = (line.controller().clone(), line.bench.borrow().records.len());
    assert_eq!(line.exchange(&hold), first);
    assert_eq!((line.controller().clone(), line.bench.borrow().records.len()), before);

    let release = line.next_change(Wish::Act(Action::Release(TANK)));
    line.exchange(&release);
    let (_, told) = answer(&line.exchange(&hold)).unwrap();
    assert_eq!(refusal(told), Refusal::OutOfTurn { next: 3 });
    assert!(!line.controller().tanks()[0].demand().operator_hold);

    // The whole conversation again, its opening included.
    let recorded_opening = line.framed(&Request::Open);
    line.exchange(&recorded_opening);
    for recorded in [&hold, &release] {
        let (_, told) = answer(&line.exchange(recorded)).unwrap();
        assert_eq!(refusal(told), Refusal::NoSession);
    }
    assert!(!line.controller().tanks()[0].demand().operator_hold);
}

/// T1: the clock is set in the hardware and in the logic.
#[test]
fn the_clock_is_set() {
    let mut line = Line::new();
    line.open();
    let noon = Civil(9_921 * 86_400_000 + 43_200_000);
    assert_eq!(line.change(Wish::SetClock(noon)), Answer::Done);
    assert_eq!(line.bench.borrow().civil, Some(noon));
    let Answer::Status(status) = line.ask(&Request::Status) else { panic!() };
    assert!(status.moment.civil.is_some_and(|civil| civil.0.abs_diff(noon.0) < 1_000));
}

/// T1, Q5: a time that no calendar of a plant has is refused, and the clock that was set runs on, in the hardware and in the
/// logic; who asked stands in the journal, granted or not, and behind a closed lock too.
#[test]
fn t1_a_time_that_cannot_be_held_is_refused() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    let noon = Civil(9_921 * 86_400_000 + 43_200_000);
    let said = |line: &Line, from: usize| -> Vec<Event> {
        line.bench.borrow().records[from..].iter().map(|record| record.event).collect()
    };
    let asked = |civil, granted| Event::AskedOfBoard { who: Who::Serial, wish: BoardWish::Clock(civil), granted };
    line.open();
    let before = line.bench.borrow().records.len();
    assert_eq!(refusal(line.change(Wish::SetClock(noon))), Refusal::Locked);
    assert_eq!(said(&line, before), [asked(noon, false)]);
    assert_eq!(line.bench.borrow().civil, None);
    assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
    let before = line.bench.borrow().records.len();
    assert_eq!(line.change(Wish::SetClock(noon)), Answer::Done);
    let set = said(&line, before);
    assert_eq!(set.first(), Some(&Event::ClockSet { moved_s: None }));
    assert_eq!(set.last(), Some(&asked(noon, true)));
    for beyond in [Civil::END, Civil(Civil::END.0 + 1), Civil(u64::MAX)] {
        let before = line.bench.borrow().records.len();
        assert_eq!(refusal(line.change(Wish::SetClock(beyond))), Refusal::Logic(Refused::NoSuchTime));
        assert_eq!(said(&line, before), [asked(beyond, false)]);
        assert_eq!(line.bench.borrow().civil, Some(noon));
        assert!(line.controller().clock().is_set());
    }
    let last = Civil(Civil::END.0 - 1_000);
    assert_eq!(line.change(Wish::SetClock(last)), Answer::Done);
    assert_eq!(line.bench.borrow().civil, Some(last));
}

/// T1: where no hardware clock took the time, it is said that it holds until power fails.
#[test]
fn t1_a_clock_that_does_not_take_the_time_is_told() {
    let mut line = Line::new();
    line.bench.borrow_mut().clock_fails = true;
    line.open();
    let noon = Civil(9_921 * 86_400_000 + 43_200_000);
    assert_eq!(line.change(Wish::SetClock(noon)), Answer::NotKept);
    assert!(line.controller().clock().is_set());
}

/// S3: a tank that was taken out while it serves is told to be leaving until another has taken over.
#[test]
fn s3_a_tank_that_is_to_leave_is_told() {
    let mut line = Line::with(|raw| {
        raw.tanks = 2;
        raw.arrangement = Arrangement::Alternating;
        let RawDrive::CamSwitch { positions, feedback, .. } = &mut raw.drive else { panic!() };
        positions.push(Position::Standby).unwrap();
        *feedback = CamFeedback::HomeAndStop;
    });
    let told = |line: &mut Line| {
        let Answer::Status(status) = line.ask(&Request::Status) else { panic!() };
        status.tanks.iter().map(|tank| tank.is_leaving).collect::<Vec<_>>()
    };
    line.open();
    assert_eq!(told(&mut line), [false, false]);
    assert_eq!(line.act(Action::TakeOut(TANK)), Answer::Done);
    assert_eq!(told(&mut line), [true, false]);
    assert_eq!(line.act(Action::PutBack(TANK)), Answer::Done);
    assert_eq!(told(&mut line), [false, false]);
}

/// P7: the journal comes in pages, each record once and in order.
#[test]
fn the_journal_comes_in_pages() {
    let mut line = Line::new();
    line.open();
    for _ in 0..20 {
        line.act(Action::Hold(TANK));
        line.act(Action::Release(TANK));
    }
    let (mut records, mut from, mut pages) = (Vec::new(), 0, 0);
    loop {
        let Answer::Records(page) = line.ask(&Request::Records { from }) else { panic!() };
        records.extend_from_slice(&page.items);
        from = page.next;
        pages += 1;
        if !page.more {
            break;
        }
    }
    assert_eq!(records, line.bench.borrow().records);
    assert!(pages > 3);
}

/// W2: alarms are acknowledged over the line.
#[test]
fn alarms_are_acknowledged() {
    let mut line = Line::new();
    line.open();
    let acknowledge = Action::Alarm(AlarmAction::Acknowledge(Alarm::ClockUnset));
    assert_eq!(line.act(acknowledge), Answer::Done);
    assert_eq!(refusal(line.act(acknowledge)), Refusal::Logic(Refused::NothingToAcknowledge));
}

/// Whoever speaks another version is told so, in a frame that both can read.
#[test]
fn another_version_is_told_apart() {
    let mut line = Line::new();
    let strange = frame::wrap(frame::VERSION + 1, 5, &[0]).unwrap();
    let (number, told) = answer(&line.exchange(&strange)).unwrap();
    assert_eq!(number, 5);
    assert_eq!(refusal(told), Refusal::Version);
}

/// What is no message is told so; what is damaged is not answered at all.
#[test]
fn unknown_and_damaged_frames() {
    let mut line = Line::new();
    let unknown = frame::pack(9, &(200u8, 1u8)).unwrap();
    let (number, told) = answer(&line.exchange(&unknown)).unwrap();
    assert_eq!((number, refusal(told)), (9, Refusal::Unknown));
    let framed = line.framed(&Request::Identity);
    for place in 1..framed.len() - 1 {
        let mut damaged = framed.clone();
        damaged[place] ^= 0x40;
        assert_eq!(line.exchange(&damaged), [], "byte {place}");
        line.now_us += 600_000;
    }
    assert!(!line.exchange(&framed).is_empty());
}

/// Half a frame is given up after a while, and by the next zero; a pause within a frame is not.
#[test]
fn half_frames_are_given_up() {
    let mut line = Line::new();
    let framed = line.framed(&Request::Identity);
    let (first, second) = framed.split_at(framed.len() / 2);
    assert_eq!(line.exchange(first), []);
    // The rest comes late, but not too late.
    assert!(!line.exchange(second).is_empty());
    assert_eq!(line.exchange(first), []);
    line.now_us += 600_000;
    assert!(!line.exchange(&framed).is_empty());
    // Half a frame, and a whole one at once.
    assert!(!line.exchange(&[first, &framed].concat()).is_empty());
}

/// A board answers one frame at a time; what is sent meanwhile is lost, and breaks nothing.
#[test]
fn a_flood_is_answered_one_frame_at_a_time() {
    let mut line = Line::new();
    let framed = line.framed(&Request::Status);
    for _ in 0..100 {
        line.hear(&framed);
    }
    line.poll();
    assert!(answer(&line.heard()).is_some());
    line.poll();
    assert_eq!(line.heard(), []);
    assert!(!line.exchange(&framed).is_empty());
}
