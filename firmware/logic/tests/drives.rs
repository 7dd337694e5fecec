//! Valve drives: every kind, finding a position, being lost, being moved (V1–V4).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::calendar::{Weekdays, Window};
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{CamFeedback, Medium, RawDrive};
use bedkeeper::units::{Millis, TankId};
use bedkeeper::watch::Alarm;
use support::*;

const SWITCHES: CamFeedback = CamFeedback::SwitchPerPosition;
const HOME_AND_STOP: CamFeedback = CamFeedback::HomeAndStop;

fn alternating_with(drive: RawDrive) -> Site<2> {
    Site::new(with_drive(alternating(), drive))
}

/// A fresh alternating controller on valves put where `place` says.
fn powered_up(drive: RawDrive, place: impl Fn(usize, &mut Valve)) -> Site<2> {
    let settings = with_drive(alternating(), drive).try_into().unwrap();
    let mut valves = new_valves(&settings, 2);
    for (i, valve) in valves.iter_mut().enumerate() {
        place(i, valve);
    }
    Site::with_valves(settings, valves)
}

fn new_valves(settings: &bedkeeper::Settings, count: usize) -> Vec<Valve> {
    (0..count)
        .map(|i| Valve::new(&settings.drive, if i == 0 { Position::Service } else { settings.rest_position() }))
        .collect()
}

/// The drive events of one tank since last heard.
fn drive_events<const N: usize>(site: &mut Site<N>, tank: u8) -> Vec<DriveEvent> {
    let of_tank = |(_, e)| match e {
        Event::Drive { tank: t, event } if t == TankId(tank - 1) => Some(event),
        _ => None,
    };
    site.hear().into_iter().filter_map(of_tank).collect()
}

fn position_of(step: StepKind) -> Position {
    match step {
        StepKind::Backwash => Position::Backwash,
        StepKind::BrineDraw => Position::BrineDraw,
        StepKind::SlowRinse => Position::SlowRinse,
        StepKind::FastRinse => Position::FastRinse,
        StepKind::BrineRefill => Position::BrineRefill,
        other => panic!("no such step in this program: {other}"),
    }
}

/// V1: each kind of drive brings its valve to every position of a regeneration, and back to rest;
/// what it takes for a position is one.
#[test]
fn v1_each_kind_reaches_every_position_it_is_sent_to() {
    for (name, drive) in every_drive() {
        let mut site = alternating_with(drive);
        site.run_for(5 * MIN);
        site.hear();
        site.gulp(10_000);
        let mut steps = Vec::new();
        for _ in 0..(3 * HOUR / SEC) {
            site.run_for(SEC);
            for (_, event) in site.hear() {
                match event {
                    Event::StepStarted { tank, step } => {
                        assert_eq!(tank, TankId(0));
                        assert_eq!(site.valves[0].position(), Some(position_of(step)), "{name}: {step}");
                        steps.push(step);
                    }
                    Event::Drive { tank, event: DriveEvent::Confirmed(position) } => {
                        let valve = &site.valves[tank.index()];
                        // A second later the motor may already run towards the next place.
                        let near = valve.is_turning() || valve.position() == Some(position);
                        assert!(near, "{name}: {position} is confirmed, but {:?} is true", valve.position());
                    }
                    Event::Drive { event: DriveEvent::Moving(_), .. } => {}
                    Event::Drive { event, .. } => panic!("{name}: {event:?}"),
                    _ => {}
                }
            }
        }
        use StepKind::{Backwash, BrineDraw, BrineRefill, FastRinse, SlowRinse};
        assert_eq!(steps, [Backwash, BrineDraw, SlowRinse, FastRinse, BrineRefill], "{name}");
        assert_eq!(site.valves[0].position(), Some(Position::Standby), "{name}");
        assert_eq!(site.valves[1].position(), Some(Position::Service), "{name}");
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving), "{name}");
    }
}

/// V1: a timed drive is confirmed only after its full run and a margin standing still, and comes
/// back by way of its first stop.
#[test]
fn v1_a_timed_drive_runs_its_time_and_waits_its_margin() {
    let mut site = Site::<1>::new(with_drive(single(), timed()));
    site.run_for(5 * MIN);
    site.hear();
    let start = site.now;
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_for(20 * SEC);
    let heard: Vec<_> = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Drive { .. })).collect();
    let (runs, stands) = (start + 2 * SEC, start + 2 * SEC + 13 * SEC);
    assert_eq!(
        heard,
        [
            (runs, drive(1, DriveEvent::Moving(Position::Backwash))),
            (stands, drive(1, DriveEvent::Confirmed(Position::Backwash))),
        ],
        "a rest, since it last went back; 10 s of run and 3 s of margin"
    );
    site.operate(Action::Abort(TankId(0))).unwrap();
    let start = site.now;
    site.run_for(MIN);
    let heard: Vec<_> = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Drive { .. })).collect();
    assert_eq!(
        heard,
        [
            (start + 2 * SEC, drive(1, DriveEvent::Moving(Position::Service))),
            (start + 15 * SEC, drive(1, DriveEvent::Confirmed(Position::Service))),
        ],
        "back to the first stop, pressed against it for the margin"
    );
    assert_eq!(site.valves[0].position(), Some(Position::Service));
}

/// V2: positions that switches confirm are taken as they are; no motor turns, and nothing else happens.
#[test]
fn v2_a_confirmed_position_is_not_moved() {
    let mut site = powered_up(cam_with(SWITCHES, false), |_, _| {});
    site.run_for(HOUR);
    assert_eq!(
        site.hear(),
        [
            (0, Event::AlarmRaised(Alarm::ClockUnset)),
            (500, drive(1, DriveEvent::Confirmed(Position::Service))),
            (500, drive(2, DriveEvent::Confirmed(Position::Standby))),
        ]
    );
    // The home switch confirms home, and home alone.
    let mut site = powered_up(cam_with(HOME_AND_STOP, false), |_, v| v.put(Position::Service));
    site.run_for(SEC);
    assert_eq!(drive_events(&mut site, 1), [DriveEvent::Confirmed(Position::Service)]);
}

/// V2: unknown positions are found one drive at a time, the tank believed serving last, to the end
/// of each search; then every tank stands where its duty wants it.
#[test]
fn v2_unknown_positions_are_found_one_at_a_time_the_serving_one_last() {
    for (name, drive) in every_drive() {
        for first in CAM {
            for second in CAM {
                let mut site =
                    powered_up(drive.clone(), |i, valve| valve.put_after(if i == 0 { first } else { second }));
                let mut order = Vec::new();
                let end = 10 * MIN;
                while site.now < end {
                    site.run_for(100);
                    // Pilots have no motor: there it is the drive that looks.
                    let tanks = site.controller.tanks();
                    let looks = |i: &usize| tanks[*i].drive().is_seeking();
                    let motions = site.motions();
                    let turning: Vec<_> = (0..2).filter(|i| motions[*i] != Motion::Off || looks(i)).collect();
                    assert!(turning.len() <= 1, "{name}: two drives turn at {}", site.now);
                    order.extend(turning);
                }
                order.dedup();
                assert_eq!(order, [1, 0], "{name}: {first}, {second}");
                let places: Vec<_> = site.valves.iter().map(Valve::position).collect();
                assert_eq!(places, [Some(Position::Service), Some(Position::Standby)], "{name}: {first}, {second}");
                assert_eq!(site.alarms(), [Alarm::ClockUnset], "{name}");
            }
        }
    }
}

/// V2: a search avoids the brine position where the cam can turn the other way.
#[test]
fn v2_a_search_goes_round_the_brine_where_it_can() {
    for (reversible, passes) in [(true, false), (false, true)] {
        let settings = with_drive(single(), cam_with(SWITCHES, reversible)).try_into().unwrap();
        let mut valves = new_valves(&settings, 1);
        valves[0].put_after(Position::Service);
        let mut site = Site::<1>::with_valves(settings, valves);
        let mut passed = false;
        for _ in 0..(3 * MIN / 100) {
            site.run_for(100);
            passed |= site.valves[0].position() == Some(Position::BrineDraw);
        }
        assert_eq!(passed, passes, "reversible: {reversible}");
        assert_eq!(site.valves[0].position(), Some(Position::Service));
    }
}

/// V2: a known position is left the way that avoids the brine, though it is the longer one.
#[test]
fn v2_a_reversible_cam_leaves_service_for_standby_backwards() {
    for feedback in [SWITCHES, HOME_AND_STOP] {
        let mut site = alternating_with(cam_with(feedback, true));
        site.run_for(10 * MIN);
        site.hear();
        site.gulp(10_000);
        let mut passed = false;
        while site.step(1).is_none() {
            site.run_for(100);
            passed |= site.valves.iter().any(|v| v.position() == Some(Position::BrineDraw));
        }
        assert!(!passed);
    }
}

/// V2: where no brine lies on either way a reversible cam goes the shorter one.
#[test]
fn v2_a_reversible_cam_goes_the_shorter_way() {
    let mut raw = alternating_with(cam_with(SWITCHES, true)).controller.settings().raw().clone();
    raw.medium = Medium::Filter { capacity: bedkeeper::units::Volume::from_litres(1_000) };
    raw.program.retain(|step| matches!(step.kind, StepKind::Backwash | StepKind::FastRinse));
    if let RawDrive::CamSwitch { positions, .. } = &mut raw.drive {
        *positions =
            [Position::Service, Position::Backwash, Position::FastRinse, Position::Standby].into_iter().collect();
    }
    let mut site = Site::<2>::new(raw);
    site.run_for(5 * MIN);
    site.operate(Action::TakeOut(TankId(0))).unwrap();
    let mut seen = Vec::new();
    while site.duty(1) != DutyKind::Out || site.valves[0].position() != Some(Position::Standby) {
        assert!(site.now < HOUR);
        site.run_for(100);
        let place = site.valves[0].position();
        seen.extend(place.filter(|place| seen.last() != Some(place)));
    }
    assert_eq!(seen, [Position::Service, Position::Standby]);
    assert_eq!(site.valves[1].position(), Some(Position::Service));
}

/// V2: a cam that coasts within its switch is in position; one that coasts past is tried again, and
/// a reversible one comes back to the place just missed.
#[test]
fn v2_coasting_is_tolerated_within_the_switch_and_corrected_beyond() {
    for (name, drive) in every_drive().into_iter().take(4) {
        let mut site = alternating_with(drive);
        site.run_for(10 * MIN);
        for valve in &mut site.valves {
            valve.quirks.coast_milli = 120;
        }
        site.hear();
        site.gulp(10_000);
        site.run_for(3 * HOUR);
        let odd: Vec<_> = site
            .hear()
            .into_iter()
            .filter(|(_, e)| matches!(e, Event::Drive { event, .. } if !matches!(event, DriveEvent::Moving(_) | DriveEvent::Confirmed(_))))
            .collect();
        assert_eq!(odd, [], "{name}");
        assert_eq!(site.duty(1), DutyKind::Ready, "{name}");
    }
    for feedback in [SWITCHES, HOME_AND_STOP] {
        let mut site = Site::<1>::new(with_drive(single(), cam_with(feedback, true)));
        site.valves[0].quirks.coast_milli = 250;
        site.hear();
        site.operate(Action::StartNow(TankId(0))).unwrap();
        site.run_for(13 * SEC);
        site.valves[0].quirks.coast_milli = 50;
        site.run_for(MIN);
        use DriveEvent::{Confirmed, Moving, Retrying};
        let at = Position::Backwash;
        assert_eq!(drive_events(&mut site, 1), [Moving(at), Retrying(at), Moving(at), Confirmed(at)], "{feedback:?}");
        assert_eq!(site.valves[0].position(), Some(Position::Backwash), "{feedback:?}");
        // And the count goes on rightly from there.
        site.run_until_step(1, StepKind::BrineDraw, HOUR);
        assert_eq!(site.valves[0].position(), Some(Position::BrineDraw), "{feedback:?}");
    }
}

/// V2: contacts that chatter at every change neither lose nor gain a position.
#[test]
fn v2_bouncing_switches_mislead_nobody() {
    for (name, drive) in every_drive().into_iter().take(4) {
        let mut site = alternating_with(drive);
        site.run_for(10 * MIN);
        for valve in &mut site.valves {
            valve.quirks.bounces = true;
        }
        site.hear();
        site.gulp(10_000);
        for step in [StepKind::Backwash, StepKind::BrineDraw, StepKind::FastRinse, StepKind::BrineRefill] {
            site.run_until_step(1, step, 2 * HOUR);
            assert_eq!(site.valves[0].position(), Some(position_of(step)), "{name}");
        }
        site.run_until_duty(1, DutyKind::Ready, HOUR);
        let tried_again = |(_, e): &(u64, Event)| {
            matches!(
                e,
                Event::Drive { event: DriveEvent::Retrying(_) | DriveEvent::MovedAway(_) | DriveEvent::Lost, .. }
            )
        };
        assert_eq!(site.hear().iter().filter(|e| tried_again(e)).count(), 0, "{name}");
    }
}

/// V3: stop, rest, retry twice; then the drive is lost, its tank is out, and the motor stays off.
#[test]
fn v3_a_stuck_drive_is_retried_then_lost() {
    let mut site = alternating_with(cam_with(SWITCHES, false));
    site.run_to(HOUR);
    site.valves[1].trouble.stuck = true;
    site.hear();
    site.gulp(10_000);
    site.run_for(DAY);
    let (limit, rest) = (4 * MIN, 2 * SEC);
    let target = Position::Service;
    let asked = HOUR + 1;
    let mut expected = vec![
        (asked, Event::Asked { tank: TankId(0), cause: bedkeeper::demand::Cause::Exhausted }),
        (asked, Event::ChangeoverBegan { from: Some(TankId(0)), to: TankId(1) }),
    ];
    let mut at = asked + rest;
    for again in [true, true, false] {
        expected.push((at, drive(2, DriveEvent::Moving(target))));
        at += limit;
        expected.push((at, drive(2, if again { DriveEvent::Retrying(target) } else { DriveEvent::Lost })));
        at += rest;
    }
    let lost = at - rest;
    expected.push((lost, Event::Duty { tank: TankId(1), duty: DutyKind::Out, reason: Reason::DriveLost }));
    expected.push((lost, Event::AlarmRaised(Alarm::ValveLost)));
    expected.push((lost, Event::AlarmRaised(Alarm::TankOut)));
    let heard: Vec<_> = site
        .hear()
        .into_iter()
        .filter(|(at, e)| !matches!(e, Event::Held { .. } | Event::HourFired) && *at < 13 * HOUR)
        .collect();
    assert_eq!(heard, expected);
    assert_eq!(site.motions(), [Motion::Off, Motion::Off]);
    assert_eq!(site.valves[0].position(), Some(Position::Service), "the other serves on (A7)");
}

/// V3: wherever the cam jams, the drive is lost, the motor is off, and what it may hold open is known.
#[test]
fn v3_a_cam_that_jams_anywhere_is_lost_and_its_motor_stays_off() {
    for (name, drive) in every_drive().into_iter().take(4) {
        for place in 0..14u64 {
            let mut site = alternating_with(drive.clone());
            site.run_for(10 * MIN);
            site.valves[0].quirks.sticks_at_milli = Some(place * 500);
            site.gulp(10_000);
            site.run_for(8 * HOUR);
            if site.duty(1) != DutyKind::Out {
                // A reversible cam need not pass every place, nor need any pass the one it rests in.
                assert_eq!(site.duty(1), DutyKind::Ready, "{name} jammed at {place}/2");
                assert!(site.valves[0].position() == Some(Position::Standby), "{name} jammed at {place}/2");
                continue;
            }
            assert!(site.alarm(Alarm::ValveLost) && site.alarm(Alarm::TankOut), "{name} jammed at {place}/2");
            assert_eq!(site.motions(), [Motion::Off, Motion::Off]);
            assert_eq!(site.duty(2), DutyKind::Serving, "{name} jammed at {place}/2");
            assert_eq!(site.valves[1].position(), Some(Position::Service));
            let truly = site.valves[0].position();
            let tank = &site.controller.tanks()[0];
            if truly.is_none_or(Position::discharges) {
                assert!(tank.drive().may_discharge(), "{name} jammed in {truly:?}");
            }
            if truly.is_none_or(Position::uses_brine_tank) {
                assert!(tank.drive().may_use_brine_tank(), "{name} jammed in {truly:?}");
            }
            site.hear();
            site.run_for(DAY);
            let about_drives = |(_, e): &(u64, Event)| matches!(e, Event::Drive { .. });
            assert_eq!(site.hear().iter().filter(|e| about_drives(e)).count(), 0, "{name}: it stays off");
        }
    }
}

/// V3: a drive that is merely slow arrives on its retry; nothing is lost.
#[test]
fn v3_a_slow_drive_arrives_on_its_retry() {
    for feedback in [SWITCHES, HOME_AND_STOP] {
        let mut site = Site::<1>::new(with_drive(single(), cam_with(feedback, false)));
        site.valves[0].leg_ms = 300_000;
        site.hear();
        site.operate(Action::StartNow(TankId(0))).unwrap();
        site.run_for(6 * MIN);
        use DriveEvent::{Confirmed, Moving, Retrying};
        let at = Position::Backwash;
        assert_eq!(drive_events(&mut site, 1), [Moving(at), Retrying(at), Moving(at), Confirmed(at)], "{feedback:?}");
        assert_eq!(site.valves[0].position(), Some(at));
        assert!(!site.alarm(Alarm::ValveLost));
    }
}

/// V3: a switch that is stuck closed never passes for an arrival, and the valve's true place stays unknown.
#[test]
fn v3_a_switch_stuck_closed_is_no_arrival() {
    for reversible in [false, true] {
        for stuck in 0..7u8 {
            let mut site = alternating_with(cam_with(SWITCHES, reversible));
            site.run_for(10 * MIN);
            // The switch of a place where tank 2 does not stand sticks, and tank 2 is wanted.
            site.valves[1].quirks.stuck_closed = 1 << stuck;
            site.gulp(10_000);
            for _ in 0..(2 * HOUR / SEC) {
                site.run_for(SEC);
                if site.duty(2) == DutyKind::Serving {
                    assert_eq!(site.valves[1].position(), Some(Position::Service), "switch {stuck} stuck");
                }
                let served = site.valves.iter().any(|v| v.position() == Some(Position::Service));
                assert!(served, "switch {stuck} stuck: nobody serves at {}", site.now);
            }
            let lost = site.controller.tanks()[1].drive().is_lost();
            if lost && site.valves[1].position().is_none_or(Position::discharges) {
                assert!(site.controller.tanks()[1].drive().may_discharge(), "switch {stuck} stuck");
            }
        }
    }
}

/// V3: a home switch stuck closed does not turn another stop into home.
#[test]
fn v3_a_home_switch_stuck_closed_is_not_home() {
    for reversible in [false, true] {
        for stuck_in in [StepKind::Backwash, StepKind::BrineDraw, StepKind::FastRinse, StepKind::BrineRefill] {
            let mut site = Site::<1>::new(with_drive(single(), cam_with(HOME_AND_STOP, reversible)));
            site.operate(Action::StartNow(TankId(0))).unwrap();
            site.run_until_step(1, stuck_in, 2 * HOUR);
            // It sticks while the cam turns to the next place.
            while !site.valves[0].is_turning() {
                site.run_for(100);
            }
            site.run_for(5 * SEC);
            site.valves[0].quirks.stuck_closed = 1;
            for _ in 0..(3 * HOUR / SEC) {
                site.run_for(SEC);
                if let Some(position) = site.controller.tanks()[0].drive().position()
                    && position == Position::Service
                {
                    assert_eq!(site.valves[0].position(), Some(Position::Service), "stuck after {stuck_in}");
                }
            }
        }
    }
}

/// V3: a switch that never closes loses the drive; so does a home switch.
#[test]
fn v3_a_dead_switch_loses_the_drive() {
    for (feedback, dead) in [(SWITCHES, 1 << 1), (HOME_AND_STOP, 2)] {
        let mut site = Site::<1>::new(with_drive(single(), cam_with(feedback, false)));
        site.operate(Action::StartNow(TankId(0))).unwrap();
        site.run_for(5 * SEC);
        site.valves[0].quirks.dead = dead;
        site.run_for(20 * MIN);
        assert_eq!(site.duty(1), DutyKind::Out, "{feedback:?}");
        assert!(site.alarm(Alarm::ValveLost));
    }
}

/// V3: put back after repair, a drive that its switch confirms is not moved to be found; one that
/// nothing confirms is sought.
#[test]
fn v3_a_mended_drive_is_sought_unless_its_switch_confirms_it() {
    let mut site = alternating_with(cam_with(SWITCHES, false));
    site.run_to(HOUR);
    site.valves[1].trouble.stuck = true;
    site.gulp(10_000);
    site.run_for(HOUR);
    assert_eq!(site.duty(2), DutyKind::Out);
    site.valves[1].trouble.stuck = false;
    site.hear();
    site.operate(Action::PutBack(TankId(1))).unwrap();
    assert_eq!(drive_events(&mut site, 2)[0], DriveEvent::Confirmed(Position::Standby));

    let mut site = alternating_with(cam_with(SWITCHES, false));
    site.run_to(HOUR);
    site.valves[1].quirks.sticks_at_milli = Some(6_500);
    site.gulp(10_000);
    site.run_for(HOUR);
    assert_eq!(site.duty(2), DutyKind::Out);
    site.run_for(HOUR);
    site.valves[1].quirks.sticks_at_milli = None;
    site.hear();
    site.operate(Action::PutBack(TankId(1))).unwrap();
    site.run_for(2 * MIN);
    let events = drive_events(&mut site, 2);
    assert_eq!(events.first(), Some(&DriveEvent::Moving(Position::Standby)));
    assert!(events.contains(&DriveEvent::Confirmed(Position::Standby)));
    assert!(!site.alarm(Alarm::ValveLost));
}

/// V4: a switch that flickers at rest moves nothing and says nothing.
#[test]
fn v4_a_flicker_at_rest_moves_nothing() {
    for feedback in [SWITCHES, HOME_AND_STOP] {
        let mut site = alternating_with(cam_with(feedback, false));
        site.run_to(HOUR);
        site.hear();
        for _ in 0..20 {
            let before = site.valves[0].switches();
            site.valves[0].quirks.dead = 0xff;
            site.tell_switches();
            assert_eq!(site.motions(), [Motion::Off, Motion::Off]);
            site.run_for(900);
            site.valves[0].quirks.dead = 0;
            site.tell_switches();
            assert_eq!(site.valves[0].switches(), before);
            site.run_for(100);
        }
        assert_eq!(site.hear(), [], "{feedback:?}");
        assert_eq!(site.duty(1), DutyKind::Serving);
    }
}

/// V4: a valve moved by hand raises `valve-moved` a second later and is sought again; the alarm
/// ends when it is back, and nothing else happens.
#[test]
fn v4_a_valve_moved_at_rest_is_brought_back() {
    for feedback in [SWITCHES, HOME_AND_STOP] {
        let mut site = alternating_with(cam_with(feedback, false));
        site.run_to(HOUR);
        site.hear();
        site.valves[1].put_after(Position::Standby);
        site.tell_switches();
        site.run_for(5 * MIN);
        let heard = site.hear();
        let target = Position::Standby;
        let moved = HOUR + SEC;
        assert_eq!(heard[0], (moved, drive(2, DriveEvent::MovedAway(target))));
        let (drives, others): (Vec<_>, Vec<_>) =
            heard[1..].iter().map(|(_, e)| *e).partition(|e| matches!(e, Event::Drive { .. }));
        assert_eq!(drives, [drive(2, DriveEvent::Moving(target)), drive(2, DriveEvent::Confirmed(target))]);
        assert_eq!(others, [Event::AlarmRaised(Alarm::ValveMoved), Event::AlarmCleared(Alarm::ValveMoved)]);
        assert_eq!(site.valves[1].position(), Some(target), "{feedback:?}");
        assert_eq!(site.duty(2), DutyKind::Ready);
    }
}

/// V4: a serving valve moved by hand into another position comes back to service, too.
#[test]
fn v4_a_serving_valve_moved_by_hand_comes_back_to_service() {
    for position in CAM.into_iter().skip(1) {
        let mut site = Site::<1>::new(with_drive(single(), cam_with(SWITCHES, false)));
        site.run_to(HOUR);
        site.valves[0].put(position);
        site.tell_switches();
        site.run_for(1_100);
        assert!(site.alarm(Alarm::ValveMoved), "{position}");
        site.run_for(3 * MIN);
        assert!(!site.alarm(Alarm::ValveMoved), "{position}");
        assert_eq!(site.valves[0].position(), Some(Position::Service), "{position}");
        assert_eq!(site.duty(1), DutyKind::Serving, "{position}");
    }
}

/// V4, S2, S3: while the serving tank's valve is sought, which may take all its tries, the ready one serves, also in a
/// window in which tanks may not change over (C6). The other comes to rest off-line.
#[test]
fn v4_the_ready_tank_serves_while_the_serving_valve_is_sought() {
    let mut raw = with_drive(alternating(), cam_with(SWITCHES, false));
    let window = Window { days: Weekdays::ALL_DAYS, from_minute: 0, to_minute: 720 };
    raw.windows.push(window).unwrap();
    raw.changeover_in_window = false;
    let mut site = Site::<2>::new(raw);
    site.run_to(HOUR);
    site.hear();
    site.valves[0].put_after(Position::Service);
    site.tell_switches();
    site.run_for(1_001);
    assert!(site.alarm(Alarm::ValveMoved));
    site.run_for(5 * MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
    assert_eq!(site.valves[0].position(), Some(Position::Standby));
    assert_eq!(site.valves[1].position(), Some(Position::Service));
    let duties: Vec<_> = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Duty { .. })).collect();
    let duty = |tank, duty, reason| Event::Duty { tank: TankId(tank), duty, reason };
    let expected = [duty(1, DutyKind::Serving, Reason::TookOver), duty(0, DutyKind::Ready, Reason::Relieved)];
    assert_eq!(duties.iter().map(|(_, e)| *e).collect::<Vec<_>>(), expected);
    // A tank does not stand in service before the other has one leg to go: within two minutes it serves.
    assert!(duties[0].0 < HOUR + 2 * MIN, "{duties:?}");
}

/// V4, S2, V3: a serving valve whose switches fall silent is lost in the end, and the other has served meanwhile.
#[test]
fn v4_a_silent_serving_valve_leaves_nobody_without_water() {
    let mut site = alternating_with(cam_with(SWITCHES, false));
    site.run_to(HOUR);
    site.valves[0].quirks.dead = 0xff;
    site.tell_switches();
    site.run_for(2 * MIN);
    assert_eq!(site.duty(2), DutyKind::Serving);
    assert!(!site.alarm(Alarm::ValveLost));
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Serving));
    assert!(site.alarm(Alarm::ValveLost));
}

/// V4: two switches closed at rest contradict each other; the valve is sought, and a switch that
/// lies for good loses the drive rather than naming a place.
#[test]
fn v4_two_switches_closed_at_rest_are_no_position() {
    let mut between = 0;
    for leg_ms in [9_000, 9_500, 10_000, 10_500, 11_000] {
        let mut site = alternating_with(cam_with(SWITCHES, false));
        site.run_to(HOUR);
        site.valves[1].leg_ms = leg_ms;
        site.valves[1].quirks.stuck_closed = 1;
        site.tell_switches();
        site.hear();
        site.run_for(1_100);
        assert_eq!(drive_events(&mut site, 2)[0], DriveEvent::MovedAway(Position::Standby));
        site.run_for(30 * MIN);
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Out));
        let drive = site.controller.tanks()[1].drive();
        assert!(drive.is_lost() && drive.may_discharge() && drive.may_use_brine_tank());
        // Between two places only the switch that lies is closed, and still it is not believed.
        between += u32::from(site.valves[1].position().is_none());
    }
    assert!(between > 0);
}

/// V2: a home switch found closed between places is stuck; no stop passes for home.
#[test]
fn v2_a_home_switch_stuck_at_power_up_finds_no_home() {
    for first in CAM {
        let mut site = powered_up(cam_with(HOME_AND_STOP, false), |i, valve| {
            if i == 0 {
                valve.put_after(first);
                valve.quirks.stuck_closed = 1;
            }
        });
        site.run_for(30 * MIN);
        assert!(site.controller.tanks()[0].drive().is_lost(), "after {first}");
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Serving), "after {first}");
    }
}

/// V2: with the travel limit too short for a whole round, a search still ends: found by its retries or lost.
#[test]
fn v2_a_search_ends_within_its_limits() {
    let mut drive = cam_with(SWITCHES, false);
    if let RawDrive::CamSwitch { travel_limit, .. } = &mut drive {
        *travel_limit = Millis::from_secs(12);
    }
    let settings = with_drive(single(), drive).try_into().unwrap();
    let mut valves = new_valves(&settings, 1);
    valves[0].put_after(Position::Service);
    let mut site = Site::<1>::with_valves(settings, valves);
    site.run_for(2 * MIN);
    assert_eq!(site.duty(1), DutyKind::Out);
    assert!(site.alarm(Alarm::ValveLost) && site.alarm(Alarm::NoTankServing));
    assert_eq!(site.motions(), [Motion::Off]);
}
