//! The changeover valve that two tanks share over a power cut: A6, V3, S7, S10.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::calendar::Civil;
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Controller, Input};
use support::*;

/// Power is off for so long; the valves stay where they are.
fn cut(site: &mut Site<2>, off_ms: u64) {
    let bytes = site.controller.retained().encode::<MAX_BYTES>().unwrap();
    let retained = Retained::<2>::decode(&bytes).unwrap();
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
                Some(bedkeeper::program::Position::Service) => Some(0),
                Some(_) => Some(1),
                None => None,
            };
            for tank in 0..2usize {
                let away = site.valves[tank].position() != Some(bedkeeper::program::Position::Service);
                assert!(!away || led == Some(1 - tank), "tank {} is led and away, cut after {after_ms} ms", tank + 1);
            }
        }
        assert!(site.duty(1) == DutyKind::Regenerating || site.duty(2) == DutyKind::Regenerating, "{after_ms}");
        assert_eq!(site.alarms(), [], "{after_ms}");
    }
}
