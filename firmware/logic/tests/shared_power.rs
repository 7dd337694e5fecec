//! What tanks share over a power cut: drain and brine, and their changeover valve: S1, A6, V3, S7, S10.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::calendar::Civil;
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::CamFeedback;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Controller, Input};
use support::*;

/// Power is off for so long; the valves stay where they are.
fn cut<const N: usize>(site: &mut Site<N>, off_ms: u64) {
    let bytes = site.controller.retained().encode::<MAX_BYTES>().unwrap();
    let retained = Retained::<N>::decode(&bytes).unwrap();
    let settings = site.controller.settings().clone();
    for valve in site.valves.iter_mut().chain(&mut site.shared) {
        valve.drive(Motion::Off);
        valve.told = None;
    }
    site.now += off_ms;
    let now = site.now;
    for valve in site.valves.iter_mut().chain(&mut site.shared) {
        valve.advance(now);
    }
    let civil = Some(Civil(Civil::at(MONDAY, 0).0 + now));
    site.controller = Controller::restore(t(now), settings, &retained, retained.off_for(civil)).unwrap();
    site.put(Input::Clock(civil)).unwrap();
    site.tell_switches();
}

/// V3, S10, S9: a shared valve that was given up stays off after a cut, with its alarm, until an operator asks; its
/// motor is not started anew by every cut.
#[test]
fn s10_a_lost_shared_valve_stays_lost_over_a_cut() {
    for off_ms in [SEC, 3 * HOUR] {
        let mut site = Site::<2>::new(behind_one_valve());
        site.run_for(5 * MIN);
        site.shared.as_mut().unwrap().trouble.stuck = true;
        site.gulp(10_100);
        site.run_for(HOUR);
        assert!(site.alarm(Alarm::ValveLost));
        cut(&mut site, off_ms);
        for _ in 0..600 {
            site.run_for(SEC);
            assert_eq!(site.controller.outputs().shared, Motion::Off);
        }
        assert!(site.alarm(Alarm::ValveLost));
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Ready));
        site.shared.as_mut().unwrap().trouble.stuck = false;
        site.operate(Action::PutBack(TankId(0))).unwrap();
        site.run_for(DAY);
        assert_eq!(site.alarms(), []);
        assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
    }
}

/// V2, S3, S10: cut while it turns, it is found again and the change over goes on; no tank leaves service before it
/// has confirmed.
#[test]
fn s10_a_cut_while_the_shared_valve_turns() {
    for after_ms in (0..14 * SEC).step_by(500) {
        let mut site = Site::<2>::new(behind_one_valve());
        site.run_for(5 * MIN);
        site.gulp(10_000);
        site.run_for(after_ms);
        cut(&mut site, MIN);
        for _ in 0..3_000 {
            site.run_for(100);
            let led = match site.shared.as_ref().unwrap().position() {
                Some(Position::Service) => Some(0),
                Some(_) => Some(1),
                None => None,
            };
            for tank in 0..2usize {
                let away = site.valves[tank].position() != Some(Position::Service);
                assert!(!away || led == Some(1 - tank), "tank {} is led and away, cut after {after_ms} ms", tank + 1);
            }
        }
        assert!(site.duty(1) == DutyKind::Regenerating || site.duty(2) == DutyKind::Regenerating, "{after_ms}");
        assert_eq!(site.alarms(), [], "{after_ms}");
    }
}

/// S1, V2: drain and brine are given anew after a cut. The tank that drew is homed and does not go on drawing while the
/// valve of another may stand open, since nobody has found it yet.
#[test]
fn s1_a_draw_goes_on_after_every_valve_is_found() {
    let mut site = Site::<3>::new(with_drive(staged(3), cam_with(CamFeedback::HomeAndStop, false)));
    site.operate(Action::StartNow(TankId(1))).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    site.run_for(MIN);
    cut(&mut site, MIN);
    let found = |site: &Site<3>, tank: usize| site.controller.tanks()[tank].drive().position();
    while found(&site, 1).is_none() {
        site.run_for(100);
    }
    assert_eq!(found(&site, 2), None, "tank 2 is found first");
    while found(&site, 0).is_none() || found(&site, 2).is_none() {
        assert_ne!(found(&site, 1), Some(Position::BrineDraw));
        site.run_for(100);
    }
    site.run_until_step(2, StepKind::BrineDraw, 5 * MIN);
    site.run_until_duty(2, DutyKind::Ready, 6 * HOUR);
}

/// S9, S1, S12: somebody turns the valve of the tank that served to where brine or rinse water flows while power is off. With brine in its bed
/// and nothing that shuts it off it waits where it stands, and keeps the drain, the brine tank or both. The regeneration that waits for
/// them gives its turn up, and both tanks come back to work.
#[test]
fn s9_who_waits_for_a_tank_over_brine_gives_way() {
    use StepKind::{Backwash, BrineDraw, BrineRefill, FastRinse, SlowRinse};
    let mut gave_way = 0;
    for step in [Backwash, BrineDraw, SlowRinse, FastRinse, BrineRefill] {
        for place in [Position::BrineDraw, Position::FastRinse] {
            let name = format!("{step}, {place}");
            let mut site = Site::<2>::new(behind_one_valve());
            site.run_for(5 * MIN);
            site.gulp(9_000);
            site.operate(Action::StartNow(TankId(0))).unwrap();
            site.run_until_step(1, step, 3 * HOUR);
            site.run_for(MIN);
            // Nobody is told: it is found so as power returns.
            site.valves[1].put(place);
            cut(&mut site, MIN);
            site.hear();
            for _ in 0..2 * DAY / MIN {
                site.run_for(MIN);
                let regenerating = |tank| site.duty(tank) == DutyKind::Regenerating;
                assert!(!(regenerating(1) && regenerating(2)), "{name}");
            }
            let said = site.hear();
            gave_way += usize::from(
                said.iter().any(|(_, e)| matches!(e, Event::Duty { tank: TankId(0), reason: Reason::GaveWay, .. })),
            );
            let ended = |id| {
                said.iter().filter(
                    move |(_, e)| matches!(e, Event::Ended { tank, outcome: Outcome::Complete, .. } if *tank == id),
                )
            };
            assert!((1..=2).contains(&ended(TankId(0)).count()), "{name}: {said:?}");
            assert_eq!(ended(TankId(1)).count(), 1, "{name}");
            let mut duties = [site.duty(1), site.duty(2)];
            duties.sort();
            assert_eq!(duties, [DutyKind::Serving, DutyKind::Ready], "{name}");
            assert!(site.causes(1).is_empty() && site.causes(2).is_empty(), "{name}");
            assert_eq!(site.alarms(), [], "{name}");
        }
    }
    assert!(gave_way >= 2, "{gave_way}");
}
