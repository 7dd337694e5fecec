//! What must always hold, seen at the plant: S1, S2, S3, S7, S9.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::demand::Hold;
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Who};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{CamFeedback, RawDrive, RawSettings};
use bedkeeper::units::{Millis, TankId};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Controller, Refused};
use proptest::prelude::*;
use support::lives::{self, any_cam, any_drive, quiet_moment, rough_moment};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);

fn alternating_cam() -> RawSettings {
    with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false))
}

/// The off-line tank regenerates while the other is exhausted, so that both want to.
fn both_spent() -> Site<2> {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_for(MIN);
    site.gulp(10_500);
    site
}

// ---- S1 ----------------------------------------------------------------------------------------

/// S1: of two tanks that ask at once, one regenerates at a time; the other waits with a hold that says so.
#[test]
fn s1_one_tank_regenerates_at_a_time() {
    let mut site = both_spent();
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Regenerating));
    assert!(site.holds(1).contains(&Hold::OtherRegenerating));
    let mut ended = 0;
    for _ in 0..(5 * HOUR / SEC) {
        site.run_for(SEC);
        let regenerating = (1..=2).filter(|n| site.duty(*n) == DutyKind::Regenerating).count();
        assert!(regenerating <= 1);
        ended += site.hear().iter().filter(|(_, e)| matches!(e, Event::Ended { .. })).count();
    }
    assert_eq!(ended, 2, "both had their turn");
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
}

/// S1: a drive lost while its valve discharges and draws keeps drain and brine for itself, until an
/// operator puts its tank back.
#[test]
fn s1_a_drive_lost_in_the_drain_keeps_it_until_an_operator_says_otherwise() {
    for (step, brine_busy) in [
        (StepKind::Backwash, false),
        (StepKind::BrineDraw, true),
        (StepKind::SlowRinse, false),
        (StepKind::FastRinse, false),
    ] {
        let mut raw = alternating_cam();
        raw.allow_untreated = true;
        let mut site = watched::<2>(raw);
        site.operate(Action::StartNow(TWO)).unwrap();
        site.run_until_step(2, step, 3 * HOUR);
        site.valves[1].trouble.stuck = true;
        site.run_until_duty(2, DutyKind::Out, HOUR);
        site.operate(Action::StartNow(ONE)).unwrap();
        let mut holds = vec![Hold::DrainBusy];
        holds.extend(brine_busy.then_some(Hold::BrineBusy));
        // What was drawn has not been refilled (C8).
        holds.extend((step != StepKind::Backwash).then_some(Hold::BrineNotReady));
        assert_eq!(site.holds(1), holds, "{step}");
        site.hear();
        site.run_for(30 * HOUR);
        let started = site.hear().iter().filter(|(_, e)| matches!(e, Event::Started { .. })).count();
        assert_eq!((started, site.duty(1)), (0, DutyKind::Serving), "{step}: nothing starts meanwhile");
        assert!(site.alarm(Alarm::Overdue) && site.alarm(Alarm::ValveLost));
        // Mended and put back: first it, then the other.
        site.valves[1].trouble.stuck = false;
        site.operate(Action::PutBack(TWO)).unwrap();
        site.run_for(12 * HOUR);
        let starts: Vec<_> = site
            .hear()
            .into_iter()
            .filter_map(|(_, e)| match e {
                Event::Started { tank, .. } => Some(tank),
                _ => None,
            })
            .collect();
        assert_eq!(starts.first(), Some(&TWO), "{step}");
        assert_eq!(starts.last(), Some(&ONE), "{step}");
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving), "{step}");
    }
}

/// S1, Q5: a lost valve that was shut by hand frees drain and brine for the other, over a power cut too; its tank stays
/// out, its alarm stands, and put back it is rinsed before all else (S12).
#[test]
fn s1_a_lost_valve_shut_by_hand_frees_drain_and_brine() {
    let mut raw = alternating_cam();
    raw.allow_untreated = true;
    let mut site = watched::<2>(raw);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, 3 * HOUR);
    site.valves[1].trouble.stuck = true;
    site.run_until_duty(2, DutyKind::Out, HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.holds(1), [Hold::DrainBusy, Hold::BrineBusy, Hold::BrineNotReady]);
    site.hear();
    // Isolating valves, which the controller does not know, are shut; the observer sees the cam alone.
    let observer = site.observer.take();
    site.operate(Action::ShutByHand(TWO)).unwrap();
    let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
    let asked = Event::Operator { who: Who::Panel, action: Action::ShutByHand(TWO), granted: true };
    assert_eq!(said.first(), Some(&asked));
    assert!(!site.holds(1).contains(&Hold::DrainBusy) && !site.holds(1).contains(&Hold::BrineBusy));
    assert!(site.alarm(Alarm::ValveLost) && site.duty(2) == DutyKind::Out);
    let told = Retained::<2>::decode(&site.controller.retained().encode::<MAX_BYTES>().unwrap()).unwrap();
    let settings = site.controller.settings().clone();
    let after = Controller::<2>::restore(t(site.now), settings, &told, Some(Millis::from_secs(60))).unwrap();
    assert!(after.tanks()[1].drive().is_lost() && !after.tanks()[1].drive().may_discharge());
    site.run_for(12 * HOUR);
    let ended = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Ended { tank: ONE, .. })).count();
    assert_eq!((ended, site.duty(1), site.duty(2)), (1, DutyKind::Serving, DutyKind::Out));
    assert_eq!(site.operate(Action::Vouch(TWO)), Err(Refused::NothingToVouchFor), "brine is still in it");
    site.valves[1].trouble.stuck = false;
    site.observer = observer;
    site.operate(Action::PutBack(TWO)).unwrap();
    site.run_for(12 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Ready));
}

/// S1: of a valve that is not lost nobody can say so, wherever its tank stands; nothing changes but the journal.
#[test]
fn s1_a_valve_that_is_not_lost_is_not_shut_by_hand() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, 3 * HOUR);
    site.hear();
    for tank in [ONE, TWO] {
        let before = site.controller.tanks().to_vec();
        assert_eq!(site.operate(Action::ShutByHand(tank)), Err(Refused::ValveNotLost));
        assert_eq!(site.controller.tanks(), before);
        let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
        assert_eq!(
            said,
            [Event::Operator { who: Who::Panel, action: Action::ShutByHand(tank), granted: false }],
            "{tank}"
        );
    }
    site.run_for(6 * HOUR);
    site.operate(Action::TakeOut(TWO)).unwrap();
    assert_eq!(site.operate(Action::ShutByHand(TWO)), Err(Refused::ValveNotLost), "out, and its valve works");
    assert_eq!(site.operate(Action::ShutByHand(TankId(2))), Err(Refused::NoSuchTank));
}

/// S1: a drive lost where its switch confirms that nothing flows keeps nothing from the other.
#[test]
fn s1_a_drive_lost_shut_off_occupies_nothing() {
    let mut raw = alternating_cam();
    raw.allow_untreated = true;
    let mut site = watched::<2>(raw);
    site.valves[1].trouble.stuck = true;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_duty(2, DutyKind::Out, HOUR);
    let drive = site.controller.tanks()[1].drive();
    assert!(!drive.may_discharge() && !drive.may_serve() && !drive.may_pass_water());
    site.run_for(MIN);
    assert_eq!(site.duty(1), DutyKind::Regenerating, "alone, and untreated water is allowed (S2)");
}

/// S1: two valves found open to the drain and the brine at power-up are rinsed one after the other.
#[test]
fn s1_two_valves_found_in_the_brine_are_rinsed_one_at_a_time() {
    for places in [[Position::BrineDraw; 2], [Position::BrineDraw, Position::FastRinse], [Position::SlowRinse; 2]] {
        let mut site = found(alternating_cam(), places);
        // The observer would see what the power cut left; it looks once the first valve has left.
        let observer = site.observer.take();
        site.run_for(2 * MIN);
        site.observer = observer;
        site.run_for(12 * HOUR);
        let duties = (site.duty(1), site.duty(2));
        assert!(
            matches!(duties, (DutyKind::Serving, DutyKind::Ready) | (DutyKind::Ready, DutyKind::Serving)),
            "{places:?}: {duties:?}"
        );
        let outcomes: Vec<_> = site
            .hear()
            .into_iter()
            .filter_map(|(_, e)| match e {
                Event::Ended { outcome, .. } => Some(outcome),
                _ => None,
            })
            .collect();
        assert_eq!(outcomes.iter().filter(|o| **o == Outcome::Aborted).count(), 2, "both were rinsed out");
    }
}

/// S1: two lost drives cannot block each other for ever; put back, both are rinsed in turn.
#[test]
fn s1_two_lost_drives_do_not_block_each_other() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    // The serving valve is knocked out of place, too, and neither motor turns.
    site.valves[0].put_after(Position::Service);
    site.tell_switches();
    site.valves[0].trouble.stuck = true;
    site.valves[1].trouble.stuck = true;
    site.run_for(2 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Out));
    assert!(site.alarm(Alarm::NoTankServing));
    site.mend();
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_for(HOUR);
    assert_eq!(site.holds(1), [Hold::DrainBusy, Hold::BrineBusy], "the other may still be open");
    site.operate(Action::PutBack(TWO)).unwrap();
    site.run_for(12 * HOUR);
    let mut duties = [site.duty(1), site.duty(2)];
    duties.sort();
    assert_eq!(duties, [DutyKind::Serving, DutyKind::Ready]);
    assert!(!site.alarm(Alarm::NoTankServing) && !site.alarm(Alarm::ValveLost));
}

// ---- S2, S3 ------------------------------------------------------------------------------------

/// S2, S3: in a changeover the incoming valve confirms first; at every instant one truly stands in service.
#[test]
fn s3_the_incoming_valve_confirms_before_the_other_leaves() {
    for (name, drive) in every_drive() {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        site.observer.as_mut().unwrap().always_served = true;
        site.gulp(10_000);
        let mut confirmed = None;
        let mut left = None;
        for _ in 0..(20 * MIN / 100) {
            site.run_for(100);
            for (at, event) in site.hear() {
                match event {
                    Event::Drive { tank: TWO, event: DriveEvent::Confirmed(Position::Service) } => confirmed = Some(at),
                    Event::Drive { tank: ONE, event: DriveEvent::Moving(Position::Standby) } => left = Some(at),
                    _ => {}
                }
            }
        }
        let (Some(confirmed), Some(left)) = (confirmed, left) else { panic!("{name}: no changeover") };
        assert!(confirmed <= left, "{name}");
        site.run_for(3 * HOUR);
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving), "{name}");
    }
}

/// S3: an incoming drive that sticks leaves the serving tank where it is.
#[test]
fn s3_a_stuck_incoming_drive_leaves_the_other_serving() {
    let mut site = watched::<2>(alternating_cam());
    site.observer.as_mut().unwrap().always_served = true;
    site.valves[1].quirks.sticks_at_milli = Some(6_500);
    site.gulp(10_000);
    site.run_for(DAY);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Out));
    let moved = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Drive { tank: ONE, .. })).count();
    assert_eq!(moved, 0, "the serving valve was not touched");
    site.gulp(1);
    assert!(site.alarm(Alarm::Overrun) && site.alarm(Alarm::ValveLost) && site.alarm(Alarm::TankOut));
    assert_eq!(site.holds(1), [Hold::DrainBusy, Hold::BrineBusy, Hold::NoTankToRelieve]);
}

/// S3: an outgoing drive that sticks in service is lost there; the incoming one serves.
#[test]
fn s3_a_stuck_outgoing_drive_is_lost_after_the_other_serves() {
    let mut site = watched::<2>(alternating_cam());
    site.observer.as_mut().unwrap().always_served = true;
    site.valves[0].trouble.stuck = true;
    site.gulp(10_000);
    site.run_for(DAY);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Serving));
    assert!(site.alarm(Alarm::ValveLost));
    let drive = site.controller.tanks()[0].drive();
    assert!(!drive.may_discharge(), "its switch says that it stands in service");
}

/// S2, S3: from power-up on, wherever the valves stand, a building that is served stays served.
#[test]
fn s3_power_up_makes_before_it_breaks() {
    for first in CAM {
        for second in CAM {
            let mut site = found(alternating_cam(), [first, second]);
            site.observer = None;
            let mut served = false;
            for _ in 0..(5 * MIN / 100) {
                site.run_for(100);
                let serves = site.valves.iter().any(|v| v.position() == Some(Position::Service));
                assert!(serves || !served, "{first}, {second}: served no more at {}", site.now);
                served |= site.valves.iter().any(|v| v.position() == Some(Position::Service) && !v.is_turning());
            }
            // Two beds with brine in them serve nobody until one has regenerated.
            let brine = |p| matches!(p, Position::BrineDraw | Position::SlowRinse | Position::FastRinse);
            assert!(served || (brine(first) && brine(second)), "{first}, {second}");
        }
    }
}

/// S2: the last serving tank is not taken out, unless the site allows untreated water.
#[test]
fn s2_the_last_serving_tank_stays() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.hear();
    assert_eq!(site.operate(Action::TakeOut(ONE)), Err(bedkeeper::Refused::WouldLeaveNoneServing));
    assert_eq!(site.hear().len(), 1, "the refusal is journalled and nothing else happens");
    assert_eq!(site.valves[0].position(), Some(Position::Service));
    let mut raw = alternating_cam();
    raw.allow_untreated = true;
    let mut site = watched::<2>(raw);
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.run_for(5 * MIN);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Out, Some(Position::Standby)));
    assert!(site.alarm(Alarm::NoTankServing));
}

proptest! {
    #![proptest_config(lives::config(200))]

    /// S1, S2, S3, S7, S12: with working drives one of two tanks truly stands in service at every
    /// instant, whatever operators ask for and however much water flows.
    #[test]
    fn s2_a_tank_truly_serves_at_every_instant(
        drive in any_drive(),
        moments in proptest::collection::vec(quiet_moment(2), 1..30),
    ) {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        site.observer.as_mut().unwrap().always_served = true;
        for moment in moments {
            site.live(moment);
            let serving = (1..=2).filter(|n| site.duty(*n) == DutyKind::Serving).count();
            prop_assert_eq!(serving, 1);
        }
    }
}

// ---- S7 ----------------------------------------------------------------------------------------

/// S7: a motor that turns round rests first, in the middle of a search as well as between journeys.
#[test]
fn s7_a_motor_rests_before_it_reverses() {
    let mut site = watched::<2>(with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, true)));
    site.gulp(10_000);
    let mut ran = Vec::new();
    let mut stopped = (Motion::Off, 0);
    for _ in 0..(3 * HOUR / 100) {
        let before = site.motions()[0];
        site.run_for(100);
        let after = site.motions()[0];
        if before != Motion::Off && after == Motion::Off {
            stopped = (before, site.now);
        }
        if before == Motion::Off && after != Motion::Off {
            ran.push(after);
            let rested = site.now - stopped.1;
            assert!(stopped.0 == Motion::Off || stopped.0 == after || rested >= 2 * SEC, "after {rested} ms");
        }
    }
    ran.dedup();
    assert!(ran.len() > 1, "it went both ways: {ran:?}");
}

/// S7: what the motor did before power failed is not known, so its first run rests as well.
#[test]
fn s7_the_first_run_after_power_up_rests_first() {
    let mut site = watched::<1>(with_drive(single(), cam_with(CamFeedback::SwitchPerPosition, true)));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(5 * SEC);
    assert_eq!(site.motions(), [Motion::Forward]);
    let mut again = site.restart();
    let mut waited = 0;
    while again.motions() == [Motion::Off] {
        again.run_for(10);
        waited += 10;
        assert!(waited < MIN);
    }
    assert!(waited >= 2 * SEC, "{waited} ms");
}

/// S7: no run is longer than the travel limit, however slow or jammed the cam; the motor then rests.
#[test]
fn s7_no_run_outlasts_the_travel_limit() {
    for (name, drive) in every_drive() {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        for valve in &mut site.valves {
            valve.leg_ms = 500_000;
            valve.trouble.stuck = true;
        }
        site.gulp(10_000);
        site.run_for(DAY);
        let has_motor = !name.starts_with("pilots");
        assert_eq!(site.observer.as_ref().unwrap().runs >= 1, has_motor, "{name}");
        assert_eq!(site.motions(), [Motion::Off, Motion::Off], "{name}");
    }
}

/// S7: the shortest limits hold as well: a limit below the way to go stops the motor each time.
#[test]
fn s7_a_limit_shorter_than_the_way_stops_the_motor_each_time() {
    let mut drive = cam_with(CamFeedback::SwitchPerPosition, false);
    if let RawDrive::CamSwitch { travel_limit, rest, coast, .. } = &mut drive {
        *travel_limit = Millis::from_secs(3);
        (*rest, *coast) = (Millis(100), Millis(200));
    }
    let mut site = watched::<1>(with_drive(single(), drive));
    site.hear();
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(MIN);
    let runs =
        site.hear().iter().filter(|(_, e)| matches!(e, Event::Drive { event: DriveEvent::Moving(_), .. })).count();
    assert_eq!((runs, site.duty(1)), (3, DutyKind::Out));
}

proptest! {
    #![proptest_config(lives::config(200))]

    /// S9: from every state so reached, once drives work and nobody asks for anything, the plant is
    /// back to normal duty within three days, or an alarm that stands or an operator's hold says
    /// why an operator is needed.
    #[test]
    fn s9_the_plant_comes_back_or_says_who_must_act(
        drive in any_cam(),
        moments in proptest::collection::vec(rough_moment(2), 1..40),
    ) {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        for moment in moments {
            site.live(moment);
        }
        site.mend();
        site.run_for(3 * DAY);
        let alarms = site.alarms();
        for tank in 1..=2u8 {
            let held_by_operator = site.holds(tank).contains(&Hold::OperatorHold);
            let explained = match site.duty(tank) {
                DutyKind::Serving | DutyKind::Ready => site.causes(tank).is_empty() || held_by_operator
                    || site.holds(tank).contains(&Hold::NoTankToRelieve),
                DutyKind::Out => alarms.contains(&Alarm::TankOut),
                DutyKind::Spent => held_by_operator || (!site.holds(tank).is_empty() && alarms.contains(&Alarm::ValveLost)),
                DutyKind::Regenerating | DutyKind::Purging | DutyKind::Refilling => false,
            };
            prop_assert!(
                explained,
                "tank {} is {} with holds {:?}, causes {:?}, alarms {:?}",
                tank, site.duty(tank), site.holds(tank), site.causes(tank), alarms
            );
        }
        let serving = (1..=2).filter(|n| site.duty(*n) == DutyKind::Serving).count();
        prop_assert!(serving == 1 || alarms.contains(&Alarm::NoTankServing));
        // And an operator can end it: put back, release, start; a day later two tanks take turns again.
        for tank in [ONE, TWO] {
            let _ = site.operate(Action::PutBack(tank));
            let _ = site.operate(Action::Release(tank));
        }
        site.run_for(2 * DAY);
        let mut duties = [site.duty(1), site.duty(2)];
        duties.sort();
        prop_assert_eq!(duties, [DutyKind::Serving, DutyKind::Ready]);
        prop_assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
        prop_assert_eq!(site.alarms(), [Alarm::ClockUnset; 0]);
    }

    /// S9: the same of a single tank.
    #[test]
    fn s9_a_single_tank_comes_back_or_says_who_must_act(
        drive in any_cam(),
        moments in proptest::collection::vec(rough_moment(1), 1..40),
    ) {
        let mut site = watched::<1>(with_drive(single(), drive));
        for moment in moments {
            site.live(moment);
        }
        site.mend();
        site.run_for(2 * DAY);
        let held = site.holds(1).contains(&Hold::OperatorHold);
        let normal = site.duty(1) == DutyKind::Serving && (site.causes(1).is_empty() || held);
        let out = site.duty(1) == DutyKind::Out && site.alarm(Alarm::TankOut) && site.alarm(Alarm::NoTankServing);
        prop_assert!(normal || out, "{} with holds {:?}", site.duty(1), site.holds(1));
        let _ = site.operate(Action::PutBack(ONE));
        let _ = site.operate(Action::Release(ONE));
        site.run_for(2 * DAY);
        prop_assert_eq!(site.duty(1), DutyKind::Serving);
        prop_assert_eq!(site.valves[0].position(), Some(Position::Service));
        prop_assert!(site.causes(1).is_empty());
    }
}

/// S9: a request withdrawn while the tanks change over leaves no tank spent with nothing asked.
#[test]
fn s9_a_request_withdrawn_in_a_changeover_leaves_a_ready_tank() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(5 * SEC);
    site.operate(Action::Withdraw(ONE)).unwrap();
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
    assert!(site.causes(1).is_empty());
    let ended = site.hear().iter().filter(|(_, e)| matches!(e, Event::Started { .. })).count();
    assert_eq!(ended, 0);
}

/// S9: an unproven tank regenerates again though the other is out, since none serves anyway.
#[test]
fn s9_the_only_tank_left_regenerates_when_none_serves() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    site.operate(Action::Abort(TWO)).unwrap();
    site.run_until_duty(2, DutyKind::Spent, 2 * HOUR);
    // The serving valve is knocked shut, and its motor does not turn.
    site.valves[0].put(Position::Standby);
    site.tell_switches();
    site.valves[0].trouble.stuck = true;
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Spent));
    assert!(site.alarm(Alarm::NoTankServing));
    assert_eq!(site.holds(2), [Hold::OperatorHold]);
    site.operate(Action::Release(TWO)).unwrap();
    assert_eq!(site.duty(2), DutyKind::Regenerating);
    site.run_until_duty(2, DutyKind::Serving, 3 * HOUR);
    assert!(!site.alarm(Alarm::NoTankServing));
    site.mend();
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_for(12 * HOUR);
    let mut duties = [site.duty(1), site.duty(2)];
    duties.sort();
    assert_eq!(duties, [DutyKind::Serving, DutyKind::Ready]);
}
