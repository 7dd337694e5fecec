//! Conversations with one drive of each kind, switch by switch and millisecond by millisecond (V1–V4, S7).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::drive::{Drive, DriveEvent, End, Motion, Pilots, Switches, TwoWay};
use bedkeeper::journal::Event;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{CamFeedback, RawDrive, RawTwoPosition};
use bedkeeper::units::{Millis, TankId};
use support::{CAM, MIN, SEC, Site, cam_with, drive, index, pilots, single, t, timed, with_drive};

const ONE: TankId = TankId(0);
const HOME: u8 = 1;
const MARK: u8 = 2;

/// A drive and its clock.
struct Talk {
    drive: Drive,
    settings: RawDrive,
    now: u64,
}

impl Talk {
    /// Powered up with these switches, and settled; what it said is returned with it.
    fn new(settings: RawDrive, closed: u8) -> (Self, Vec<DriveEvent>) {
        let mut talk = Self { drive: Drive::new(t(0)), settings, now: 0 };
        let mut said = talk.closed(0, closed);
        said.extend(talk.wait(SEC));
        (talk, said)
    }

    /// The switches after so long.
    fn closed(&mut self, after_ms: u64, closed: u8) -> Vec<DriveEvent> {
        let mut said = self.wait(after_ms);
        said.extend(self.drive.set_switches(t(self.now), Switches(closed), &self.settings));
        said
    }

    /// Lets time pass, calling at every deadline.
    fn wait(&mut self, ms: u64) -> Vec<DriveEvent> {
        let end = self.now + ms;
        let mut said = Vec::new();
        while let Some(due) = self.drive.deadline().map(|d| d.as_ticks()).filter(|due| *due <= end) {
            self.now = due;
            said.extend(self.drive.poll(t(due), &self.settings));
        }
        self.now = end;
        said
    }

    fn go(&mut self, target: Position) -> Vec<DriveEvent> {
        self.drive.go(t(self.now), target, &self.settings).into_iter().collect()
    }

    /// So many marks pass, a second apart; home with those that are named.
    fn marks(&mut self, count: u32, home: impl Fn(u32) -> bool) -> Vec<DriveEvent> {
        let mut said = Vec::new();
        for mark in 1..=count {
            let closed = if home(mark) { HOME | MARK } else { MARK };
            said.extend(self.closed(500, 0));
            said.extend(self.closed(500, closed));
        }
        said
    }

    fn motion(&self) -> Motion {
        self.drive.motion()
    }
}

use DriveEvent::{Confirmed, Lost, Miscounted, MovedAway, Moving, PositionUnknown, Retrying};
use Position::{Backwash, BrineDraw, FastRinse, Service, SlowRinse, Standby};

const NEVER: fn(u32) -> bool = |_| false;

/// At home, rested, and sent to the backwash ten marks ahead; the motor runs.
fn index_under_way(reversible: bool) -> Talk {
    let (mut talk, said) = Talk::new(index(reversible), HOME | MARK);
    assert_eq!(said, [Confirmed(Service)]);
    assert_eq!(talk.go(Backwash), [], "what it did before power came is not known: it rests");
    assert_eq!(talk.wait(2 * SEC), [Moving(Backwash)]);
    assert_eq!(talk.motion(), Motion::Forward);
    talk
}

// ---- cam-index ---------------------------------------------------------------------------------

/// V1, V2: marks are counted from home; the motor stops at the target's mark, and the position is
/// confirmed when the cam has coasted. At home nothing is moved.
#[test]
fn v1_marks_are_counted_from_home() {
    let mut talk = index_under_way(false);
    assert_eq!(talk.marks(9, NEVER), []);
    assert_eq!(talk.motion(), Motion::Forward);
    assert_eq!(talk.marks(1, NEVER), []);
    assert_eq!(talk.motion(), Motion::Off);
    assert_eq!(talk.drive.position(), None, "it may still coast");
    assert_eq!(talk.wait(500), [Confirmed(Backwash)]);
    assert_eq!(talk.drive.position(), Some(Backwash));
}

/// V2: an unknown position is homed first, then counted from there.
#[test]
fn v2_an_unknown_cam_is_homed_by_its_mark() {
    let (mut talk, said) = Talk::new(index(false), MARK);
    assert_eq!(said, [PositionUnknown], "a mark alone is no position");
    assert_eq!(talk.go(Standby), []);
    assert_eq!(talk.wait(2 * SEC), [Moving(Standby)]);
    assert!(talk.drive.is_seeking());
    assert_eq!(talk.marks(33, |mark| mark == 33), []);
    assert_eq!(talk.marks(59, NEVER), []);
    assert_eq!(talk.motion(), Motion::Forward);
    assert_eq!(talk.marks(1, NEVER), []);
    assert_eq!(talk.motion(), Motion::Off);
    assert_eq!(talk.wait(500), [Confirmed(Standby)]);
}

/// V2: coasting over marks is counted and tolerated up to the stated two; at the third the try has
/// failed, and a reversible cam comes back to the mark it missed.
#[test]
fn v2_coasting_over_marks_is_tolerated_to_its_limit() {
    let coast = |talk: &mut Talk, marks: u32| {
        assert_eq!(talk.marks(10, NEVER), []);
        let mut said = Vec::new();
        for _ in 0..marks {
            said.extend(talk.closed(50, 0));
            said.extend(talk.closed(50, MARK));
        }
        said.extend(talk.wait(500));
        said
    };
    let mut talk = index_under_way(true);
    assert_eq!(coast(&mut talk, 2), [Confirmed(Backwash)]);
    // The next leg counts from where it stands: 8 to the draw, not 10.
    assert_eq!(talk.go(BrineDraw), [Moving(BrineDraw)]);
    assert_eq!(talk.marks(7, NEVER), []);
    assert_eq!(talk.motion(), Motion::Forward);
    assert_eq!(talk.marks(1, NEVER), []);
    assert_eq!(talk.motion(), Motion::Off);

    let mut talk = index_under_way(true);
    assert_eq!(coast(&mut talk, 3), [Retrying(Backwash)]);
    assert_eq!(talk.wait(2 * SEC), [Moving(Backwash)]);
    assert_eq!(talk.motion(), Motion::Reverse);
    assert_eq!(talk.marks(3, NEVER), []);
    assert_eq!(talk.motion(), Motion::Off, "three marks back");
    assert_eq!(talk.wait(500), [Confirmed(Backwash)]);
}

/// V2: at home a count that is wrong by up to the stated two marks is set right in silence; by
/// more it contradicts home, is said so, and the next home alone is believed. The motor stops at home
/// itself, however the count stands.
#[test]
fn v2_a_wrong_count_is_set_right_at_home_or_homed_again() {
    for (seen, tolerated) in [(67, false), (68, true), (69, true), (70, true), (71, true), (72, true), (73, false)] {
        let mut talk = index_under_way(false);
        talk.marks(10, NEVER);
        assert_eq!(talk.wait(500), [Confirmed(Backwash)]);
        // To service, with some marks of the turn missed or seen twice.
        assert_eq!(talk.go(Service), [Moving(Service)]);
        let left = seen - 10;
        let said = talk.marks(left, |mark| mark == left);
        if !tolerated {
            assert_eq!(said, [Miscounted], "{seen}");
            assert_eq!((talk.motion(), talk.drive.position()), (Motion::Forward, None));
            assert_eq!(talk.marks(69, NEVER), []);
            assert_eq!(talk.motion(), Motion::Forward);
            assert_eq!(talk.marks(1, |_| true), []);
        } else {
            assert_eq!(said, [], "{seen}");
        }
        assert_eq!(talk.motion(), Motion::Off);
        assert_eq!(talk.wait(500), [Confirmed(Service)], "{seen}");
    }
}

/// V2: home that does not come where the count has it, give or take the stated two marks, is waited
/// for: the count is given up, said so, and home alone is believed.
#[test]
fn v2_home_that_does_not_come_ends_the_count() {
    let mut talk = index_under_way(false);
    talk.marks(10, NEVER);
    talk.wait(500);
    talk.go(Standby);
    talk.marks(50, NEVER);
    talk.wait(500);
    // From standby, ten marks before home, to the backwash: home never closes.
    assert_eq!(talk.go(Backwash), [Moving(Backwash)]);
    assert_eq!(talk.marks(12, NEVER), []);
    assert_eq!(talk.marks(1, NEVER), [Miscounted]);
    assert_eq!(talk.marks(20, NEVER), []);
    assert_eq!(talk.motion(), Motion::Forward, "it has no position to stop at");
    assert_eq!(talk.marks(1, |_| true), []);
    assert_eq!(talk.marks(10, NEVER), []);
    assert_eq!(talk.motion(), Motion::Off);
    assert_eq!(talk.wait(500), [Confirmed(Backwash)]);
}

/// At the last of seven positions a mark apart, of which the first is home, having coasted off its mark.
fn coasted_off_the_last_mark() -> Talk {
    let mut close = index(false);
    if let RawDrive::CamIndex { positions, marks, slip_marks, coast_marks, .. } = &mut close {
        *positions = CAM.into_iter().zip(0u8..).collect();
        (*marks, *slip_marks, *coast_marks) = (7, 0, 0);
    }
    let (mut talk, said) = Talk::new(close, HOME | MARK);
    assert_eq!(said, [Confirmed(Service)]);
    talk.go(Standby);
    assert_eq!(talk.wait(2 * SEC), [Moving(Standby)]);
    assert_eq!(talk.marks(6, NEVER), []);
    assert_eq!((talk.motion(), talk.closed(100, 0)), (Motion::Off, vec![]));
    talk
}

/// V2: home that closes before its mark is home, also where the cam had come to rest in between; the count goes on.
#[test]
fn v2_home_that_closes_early_is_home() {
    let mut talk = coasted_off_the_last_mark();
    assert_eq!(talk.closed(100, HOME), []);
    assert_eq!(talk.wait(300), [Confirmed(Standby)]);
    assert_eq!(talk.go(Backwash), [Moving(Backwash)]);
    assert_eq!(talk.closed(400, HOME | MARK), []);
    assert_eq!(talk.marks(1, NEVER), []);
    assert_eq!((talk.motion(), talk.wait(500)), (Motion::Off, vec![Confirmed(Backwash)]));
}

/// V2: home that does not come is missed also by a cam that starts between two marks right before it.
#[test]
fn v2_home_is_missed_from_between_two_marks() {
    let mut talk = coasted_off_the_last_mark();
    assert_eq!(talk.wait(400), [Confirmed(Standby)]);
    assert_eq!(talk.go(Backwash), [Moving(Backwash)]);
    assert_eq!(talk.closed(400, MARK), []);
    assert_eq!(talk.marks(1, NEVER), [Miscounted]);
    assert_eq!((talk.motion(), talk.drive.position()), (Motion::Forward, None));
}

/// V2: contacts that chatter for less than 20 ms add no marks.
#[test]
fn v2_chatter_adds_no_marks() {
    let mut talk = index_under_way(false);
    for _ in 0..10 {
        assert_eq!(talk.closed(500, 0), []);
        for closed in [MARK, 0, MARK, 0] {
            assert_eq!(talk.closed(5, closed), []);
        }
        assert_eq!(talk.closed(480, MARK), []);
        for closed in [0, MARK, 0, MARK] {
            assert_eq!(talk.closed(5, closed), []);
        }
    }
    // The first closing of a mark counts; what follows within 20 ms has bounced.
    assert_eq!(talk.motion(), Motion::Off);
    assert_eq!(talk.wait(500), [Confirmed(Backwash)]);
    // After 20 ms it is another mark.
    let mut talk = index_under_way(false);
    for _ in 0..10 {
        assert_eq!(talk.motion(), Motion::Forward);
        talk.closed(480, 0);
        talk.closed(20, MARK);
    }
    assert_eq!(talk.motion(), Motion::Off);
}

/// V2: home that contradicted the count is believed only when it has opened and comes again.
#[test]
fn v2_home_that_contradicted_the_count_is_not_believed_at_once() {
    let mut talk = index_under_way(false);
    talk.marks(10, NEVER);
    talk.wait(500);
    talk.go(Service);
    assert_eq!(talk.marks(57, |mark| mark == 57), [Miscounted]);
    assert_eq!(talk.closed(500, HOME), []);
    assert_eq!(talk.closed(500, HOME | MARK), []);
    assert_eq!((talk.motion(), talk.drive.position()), (Motion::Forward, None));
    assert_eq!(talk.marks(69, |mark| mark == 69), []);
    assert_eq!(talk.motion(), Motion::Off);
    assert_eq!(talk.wait(500), [Confirmed(Service)]);
}

/// V2, S7: a cam that learns where it is turns round once; switches that lie do not turn it to and fro.
#[test]
fn v2_a_cam_that_is_sought_turns_round_once() {
    let (mut talk, said) = Talk::new(cam_with(CamFeedback::SwitchPerPosition, true), 0);
    assert_eq!(said, [PositionUnknown]);
    talk.go(Service);
    assert_eq!((talk.wait(2 * SEC), talk.motion()), (vec![Moving(Service)], Motion::Forward));
    // The backwash is next to service, the other way.
    assert_eq!(talk.closed(5 * SEC, 0b10), []);
    assert_eq!((talk.motion(), talk.wait(2 * SEC)), (Motion::Off, vec![Moving(Service)]));
    assert_eq!(talk.motion(), Motion::Reverse);
    talk.closed(SEC, 0);
    talk.closed(SEC, 0b100_0000);
    assert_eq!(talk.motion(), Motion::Reverse);
}

/// V2, V4: a valve that was just turned by hand to where it is sent next stays there.
#[test]
fn v2_a_valve_that_stands_where_it_is_sent_is_not_moved() {
    let (mut talk, said) = Talk::new(cam_with(CamFeedback::SwitchPerPosition, false), 0b1);
    assert_eq!(said, [Confirmed(Service)]);
    talk.wait(20 * MIN);
    assert_eq!(talk.closed(100, 0), []);
    assert_eq!(talk.closed(100, 0b10), []);
    assert_eq!(talk.go(Backwash), [Confirmed(Backwash)]);
    assert_eq!((talk.motion(), talk.wait(MIN), talk.drive.position()), (Motion::Off, vec![], Some(Backwash)));
}

/// V4: marks that pass at rest are counted whichever way they pass: up to the stated limit they
/// are tolerated, beyond it the valve has moved.
#[test]
fn v4_marks_at_rest_are_a_valve_that_moves() {
    let at_rest = |marks: u32| {
        let mut talk = index_under_way(false);
        talk.marks(10, NEVER);
        talk.wait(500);
        talk.wait(20 * MIN);
        let mut said = talk.marks(marks, NEVER);
        said.extend(talk.wait(SEC));
        (said, talk.drive.position())
    };
    assert_eq!(at_rest(4), (vec![], Some(Backwash)), "two of coasting and two of slip");
    assert_eq!(at_rest(5), (vec![MovedAway(Backwash)], None));
    // Home that opens in the first position tells at once, home that closes elsewhere as well.
    let (mut talk, _) = Talk::new(index(false), HOME | MARK);
    assert_eq!(talk.closed(MIN, MARK), []);
    assert_eq!(talk.wait(SEC), [MovedAway(Service)]);
    let mut talk = index_under_way(false);
    talk.marks(10, NEVER);
    talk.wait(500);
    assert_eq!(talk.closed(MIN, HOME | MARK), []);
    assert_eq!(talk.wait(SEC), [MovedAway(Backwash)]);
    assert_eq!(talk.drive.position(), Some(Service), "home confirms where it is now");
}

/// V2: after marks that passed at rest the count is not trusted: the next journey begins at home.
#[test]
fn v2_marks_at_rest_send_the_next_journey_home() {
    for marks in [0, 1] {
        let mut talk = index_under_way(false);
        talk.marks(10, NEVER);
        talk.wait(500);
        talk.marks(marks, NEVER);
        assert_eq!(talk.go(BrineDraw), [Moving(BrineDraw)]);
        assert_eq!(talk.drive.is_seeking(), marks > 0);
        talk.marks(10, NEVER);
        assert_eq!(talk.motion(), if marks > 0 { Motion::Forward } else { Motion::Off });
    }
}

/// V2, V3, S7: a home switch that is stuck closed is never home, and the search ends.
#[test]
fn v3_a_home_switch_stuck_closed_loses_a_cam_that_counts() {
    let (mut talk, said) = Talk::new(index(false), HOME);
    assert_eq!(said, [PositionUnknown]);
    talk.go(Service);
    let mut said = talk.wait(2 * SEC);
    while !talk.drive.is_lost() {
        assert!(talk.now < 20 * MIN);
        said.extend(talk.closed(500, HOME));
        if talk.motion() == Motion::Off {
            said.extend(talk.wait(2 * SEC));
            continue;
        }
        said.extend(talk.closed(500, HOME | MARK));
    }
    assert_eq!(said, [Moving(Service), Retrying(Service), Moving(Service), Retrying(Service), Moving(Service), Lost]);
    assert_eq!(talk.motion(), Motion::Off);
    assert!(talk.drive.may_discharge() && talk.drive.may_serve());
    assert_eq!(talk.wait(60 * MIN), []);
}

// ---- any drive with switches -------------------------------------------------------------------

/// V4, S7: a valve that leaves its position each time it came there is lost after its retries; its
/// motor is not started for ever. One that has rested is sought again as often as it moves.
#[test]
fn s7_a_valve_that_never_comes_to_rest_is_lost() {
    let runs = |rested_ms: u64| {
        let (mut talk, _) = Talk::new(support::cam_with(bedkeeper::settings::CamFeedback::SwitchPerPosition, false), 1);
        let mut said = Vec::new();
        for _ in 0..6 {
            said.extend(talk.wait(rested_ms));
            said.extend(talk.closed(10, 0));
            said.extend(talk.wait(SEC));
            said.extend(talk.go(Service));
            said.extend(talk.wait(2 * SEC));
            said.extend(talk.closed(SEC, 1));
            said.extend(talk.wait(500));
        }
        (said.iter().filter(|e| matches!(e, Moving(_))).count(), talk.drive.is_lost())
    };
    assert_eq!(runs(5 * SEC), (2, true));
    assert_eq!(runs(11 * MIN), (6, false));
}

// ---- two-position ------------------------------------------------------------------------------

const BALL: RawTwoPosition = RawTwoPosition { travel_limit: Millis(20_000), rest: Millis(1_000), retries: 1 };

/// A valve with two ends and its clock.
struct Ball(TwoWay, u64);

impl Ball {
    fn new(closed: u8) -> (Self, Vec<DriveEvent<End>>) {
        let mut ball = Self(TwoWay::new(t(0)), 0);
        let mut said = ball.closed(0, closed);
        said.extend(ball.wait(SEC));
        (ball, said)
    }

    fn closed(&mut self, after_ms: u64, closed: u8) -> Vec<DriveEvent<End>> {
        let mut said = self.wait(after_ms);
        said.extend(self.0.set_switches(t(self.1), Switches(closed), &BALL));
        said
    }

    fn wait(&mut self, ms: u64) -> Vec<DriveEvent<End>> {
        let end = self.1 + ms;
        let mut said = Vec::new();
        while let Some(due) = self.0.deadline().map(|d| d.as_ticks()).filter(|due| *due <= end) {
            self.1 = due;
            said.extend(self.0.poll(t(due), &BALL));
        }
        self.1 = end;
        said
    }

    fn go(&mut self, end: End) -> Vec<DriveEvent<End>> {
        self.0.go(t(self.1), end, &BALL).into_iter().collect()
    }
}

/// V1, V2, S7: a ball valve runs to the switch of the end it is sent to, rests before it turns
/// back, and is not moved where a switch confirms it.
#[test]
fn v1_a_valve_with_two_ends_goes_to_and_fro() {
    let (mut ball, said) = Ball::new(0b01);
    assert_eq!((said, ball.0.end()), (vec![Confirmed(End::First)], Some(End::First)));
    assert_eq!(ball.go(End::First), []);
    assert_eq!(ball.go(End::Second), []);
    assert_eq!(ball.wait(SEC), [Moving(End::Second)]);
    assert_eq!((ball.0.motion(), ball.0.end(), ball.0.target()), (Motion::Forward, None, Some(End::Second)));
    assert_eq!(ball.closed(SEC, 0), []);
    assert_eq!(ball.closed(8 * SEC, 0b10), []);
    assert_eq!(ball.0.motion(), Motion::Off);
    assert_eq!(ball.wait(500), [Confirmed(End::Second)]);
    assert_eq!(ball.go(End::First), []);
    assert_eq!(ball.wait(999), []);
    assert_eq!(ball.wait(1), [Moving(End::First)]);
    assert_eq!(ball.0.motion(), Motion::Reverse);
}

/// V2: found between its ends it is sought; the end it is sent to is confirmed, the other never.
#[test]
fn v2_a_valve_between_its_ends_is_sought() {
    let (mut ball, said) = Ball::new(0);
    assert_eq!(said, [PositionUnknown]);
    assert!(ball.0.is_unknown());
    assert_eq!(ball.go(End::First), []);
    assert_eq!(ball.wait(SEC), [Moving(End::First)]);
    assert!(ball.0.is_seeking());
    // The other end closes: it turns the wrong way, and is stopped at once.
    assert_eq!(ball.closed(3 * SEC, 0b10), [Retrying(End::First)]);
    assert_eq!(ball.0.motion(), Motion::Off);
    assert_eq!(ball.wait(SEC), [Moving(End::First)]);
    assert_eq!(ball.closed(SEC, 0), []);
    assert_eq!(ball.closed(5 * SEC, 0b01), []);
    assert_eq!(ball.wait(500), [Confirmed(End::First)]);
}

/// V3, S7: not there within its limit it rests, tries again, and is lost with its motor off; both
/// switches closed at once are no end, and put right it is known again.
#[test]
fn v3_a_valve_with_two_ends_is_lost_after_its_tries() {
    let (mut ball, _) = Ball::new(0b01);
    ball.go(End::Second);
    let said = ball.wait(2 * MIN);
    assert_eq!(said, [Moving(End::Second), Retrying(End::Second), Moving(End::Second), Lost]);
    assert_eq!((ball.0.motion(), ball.0.is_lost()), (Motion::Off, true));
    assert_eq!(ball.go(End::First), [], "lost, it goes nowhere");
    assert_eq!(ball.0.forgive(t(ball.1), &BALL), Some(Confirmed(End::First)));
    // V4: two switches closed are no position.
    assert_eq!(ball.closed(MIN, 0b11), []);
    assert_eq!(ball.wait(SEC), [MovedAway(End::First)]);
    assert_eq!(ball.0.end(), None);
}

// ---- pilot-array -------------------------------------------------------------------------------

/// V1, S7: one pattern at a time, with a break between two where the settings say so; the motor
/// never runs. Without a contact a position counts after settling and a margin (S3).
#[test]
fn v1_pilots_break_before_they_make() {
    let (mut talk, said) = Talk::new(pilots(false), 0);
    assert_eq!(said, [PositionUnknown]);
    let acts = |talk: &Talk| talk.drive.pilots(&talk.settings);
    assert_eq!(acts(&talk), Pilots(0));
    assert_eq!(talk.go(SlowRinse), []);
    assert_eq!((talk.wait(999), acts(&talk)), (vec![], Pilots(0)));
    assert_eq!((talk.wait(1), acts(&talk)), (vec![Moving(SlowRinse)], Pilots(3)));
    assert_eq!(talk.wait(8_999), []);
    assert_eq!(talk.drive.position(), None);
    assert_eq!(talk.wait(1), [Confirmed(SlowRinse)], "5 s to settle and 4 s of margin");
    assert_eq!(talk.go(FastRinse), []);
    assert_eq!(acts(&talk), Pilots(0), "the break");
    assert_eq!(talk.wait(SEC), [Moving(FastRinse)]);
    assert_eq!((acts(&talk), talk.motion()), (Pilots(4), Motion::Off));

    // Without a break one pattern takes the place of the other.
    let mut settings = pilots(false);
    if let RawDrive::PilotArray { rest, .. } = &mut settings {
        *rest = Millis(0);
    }
    let (mut talk, _) = Talk::new(settings, 0);
    assert_eq!((talk.go(SlowRinse), acts(&talk)), (vec![Moving(SlowRinse)], Pilots(3)));
    talk.wait(9 * SEC);
    assert_eq!((talk.go(FastRinse), acts(&talk)), (vec![Moving(FastRinse)], Pilots(4)));
}

/// V1, V3: with a contact a position counts when it is closed after settling; where it never
/// closes, the pilots rest, act again, and are off for good when the drive is lost.
#[test]
fn v3_pilots_whose_contact_never_closes_are_lost_and_off() {
    let (mut talk, _) = Talk::new(pilots(true), 0);
    talk.go(Backwash);
    assert_eq!(talk.wait(SEC), [Moving(Backwash)]);
    assert_eq!(talk.closed(6 * SEC, 1), [Confirmed(Backwash)]);
    assert_eq!(talk.go(BrineDraw), []);
    assert_eq!(talk.closed(500, 0), []);
    let said = talk.wait(3 * MIN);
    let [again, once_more] = [Retrying(BrineDraw), Moving(BrineDraw)];
    assert_eq!(said, [Moving(BrineDraw), again, once_more, again, once_more, Lost]);
    assert_eq!(talk.drive.pilots(&talk.settings), Pilots(0));
    assert!(talk.drive.may_discharge() && talk.drive.may_use_brine_tank());
}

/// V4: a contact that opens at rest is a valve that moved: the pilots rest, then act again.
#[test]
fn v4_a_contact_that_opens_at_rest_is_a_valve_that_moved() {
    let (mut talk, _) = Talk::new(pilots(true), 0);
    talk.go(Backwash);
    talk.wait(SEC);
    talk.closed(6 * SEC, 1);
    // A flicker is not.
    assert_eq!(talk.closed(MIN, 0), []);
    assert_eq!(talk.closed(900, 1), []);
    assert_eq!(talk.wait(MIN), []);
    assert_eq!(talk.closed(MIN, 0), []);
    assert_eq!(talk.wait(SEC), [MovedAway(Backwash)]);
    assert_eq!(talk.drive.pilots(&talk.settings), Pilots(0));
    assert_eq!(talk.go(Backwash), []);
    assert_eq!(talk.wait(SEC), [Moving(Backwash)]);
    assert_eq!(talk.drive.pilots(&talk.settings), Pilots(1));
}

// ---- timed -------------------------------------------------------------------------------------

/// V1, S12: going forward a timed drive passes no stop; only what lies behind is reached by way of
/// the first stop, which is why settings refuse rinses that lie behind the draw.
#[test]
fn v1_a_timed_drive_goes_back_by_way_of_its_first_stop() {
    let (mut talk, _) = Talk::new(timed(), 0);
    talk.go(Backwash);
    assert_eq!(talk.wait(2 * MIN), [Moving(Backwash), Moving(Backwash), Confirmed(Backwash)], "home, then forward");
    assert_eq!(talk.go(BrineDraw), [Moving(BrineDraw)]);
    assert_eq!((talk.motion(), talk.wait(MIN)), (Motion::Forward, vec![Confirmed(BrineDraw)]));
    assert_eq!(talk.go(SlowRinse), [Moving(SlowRinse)]);
    assert_eq!((talk.motion(), talk.wait(MIN)), (Motion::Forward, vec![Confirmed(SlowRinse)]));
    talk.go(Backwash);
    talk.wait(2 * SEC);
    assert_eq!(talk.motion(), Motion::Reverse);
}

// ---- waits of no time at all -------------------------------------------------------------------

/// V1: a timed drive without a margin stands where it is sent at the very instant at which its run is over.
#[test]
fn v1_a_timed_drive_without_a_margin_waits_for_nothing() {
    let mut settings = timed();
    if let RawDrive::Timed { margin, .. } = &mut settings {
        *margin = Millis::ZERO;
    }
    let mut site = Site::<1>::new(with_drive(single(), settings));
    site.run_for(5 * MIN);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(2 * SEC);
    assert_eq!(site.hear().last(), Some(&(site.now, drive(1, Moving(Backwash)))));
    let there = site.now + 10 * SEC;
    site.run_for(MIN);
    let expected = [drive(1, Confirmed(Backwash)), Event::StepStarted { tank: ONE, step: StepKind::Backwash }];
    assert_eq!(site.hear(), expected.map(|event| (there, event)));
}

/// V3: pilots whose contact has all its time to settle and no more are tried again at the very instant at which it is over.
#[test]
fn v3_pilots_without_further_time_are_tried_again_at_once() {
    let mut settings = pilots(true);
    if let RawDrive::PilotArray { settle, travel_limit, .. } = &mut settings {
        *travel_limit = *settle;
    }
    let mut site = Site::<1>::new(with_drive(single(), settings));
    site.run_for(5 * MIN);
    site.valves[0].trouble.stuck = true;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.hear();
    let started = site.now;
    site.run_for(7 * SEC);
    let expected = [(1, Moving(Backwash)), (6, Retrying(Backwash)), (7, Moving(Backwash))];
    assert_eq!(site.hear(), expected.map(|(after_s, event)| (started + after_s * SEC, drive(1, event))));
}
