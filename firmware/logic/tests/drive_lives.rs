//! The smallest lives in which random ones once went wrong: drives that jam or stick while operators ask.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::Hold;
use bedkeeper::drive::Pilots;
use bedkeeper::duty::DutyKind;
use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawSettings};
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use support::lives::{Happening, Moment};
use support::*;

const ONE: TankId = TankId(0);

fn ask(action: fn(TankId) -> Action) -> Happening {
    Happening::Operator(action(ONE))
}

fn lived(raw: RawSettings, moments: impl IntoIterator<Item = Moment>) -> Site<1> {
    let mut site = watched(raw);
    for moment in moments {
        site.live(moment);
    }
    site
}

/// S9, P7: so many alarms return at once where a lost tank is put back that the journal must hold twelve records.
#[test]
fn s9_no_record_is_lost_where_a_lost_tank_is_put_back() {
    let raw = with_drive(single(), cam_with(CamFeedback::SwitchPerPosition, false));
    let jam = (Happening::Jam(0, Some(3_900)), 5_567_000);
    let mut site = lived(raw, [(Happening::Water(4_281), 0), (Happening::Water(5_719), 0), jam]);
    site.live((ask(Action::Withdraw), 0));
    site.mend();
    site.run_for(2 * DAY);
    assert_eq!(site.duty(1), DutyKind::Out);
    site.hear();
    site.operate(Action::PutBack(ONE)).unwrap();
    assert_eq!(site.hear().len(), 12);
    site.run_for(2 * DAY);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Serving, Some(Position::Service)));
}

/// S12, V3: a piloted valve that stays in the draw against its pilots opens its contact: it is lost, and no rinse
/// counts that was never run.
#[test]
fn s12_a_piloted_valve_that_stays_in_the_draw_is_lost() {
    let moments = [
        (ask(Action::StartNow), 0),
        (ask(Action::StepForward), 10_000),
        (Happening::Stuck(0, true), 7_500),
        (ask(Action::StepForward), 5 * MIN),
    ];
    let mut site = lived(with_drive(single(), pilots(true)), moments);
    assert_eq!(site.duty(1), DutyKind::Out);
    assert!(site.observer.as_ref().unwrap().is_salted(1));
    site.mend();
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(!site.observer.as_ref().unwrap().is_salted(1));
}

/// S12: lost in the draw, it comes free by itself: its pilots close it and do not let it fall back into service.
#[test]
fn s12_a_lost_piloted_valve_that_comes_free_does_not_serve_brine() {
    let moments = [
        (Happening::Water(10_000), 0),
        (ask(Action::StepForward), 10_000),
        (Happening::Stuck(0, true), 1_892_900),
        (Happening::Stuck(0, false), 10 * MIN),
    ];
    let mut site = lived(with_drive(single(), pilots(true)), moments);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Out, Some(Position::Standby)));
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(!site.observer.as_ref().unwrap().is_salted(1));
}

/// V3: a contact that fails while a tank serves leaves its valve in service, where no pilot acts.
#[test]
fn v3_a_contact_that_fails_in_service_does_not_close_the_valve() {
    let mut site = watched::<1>(with_drive(single(), pilots(true)));
    site.valves[0].quirks.dead = 1;
    site.tell_switches();
    site.run_for(HOUR);
    assert_eq!(site.duty(1), DutyKind::Out);
    assert_eq!(site.controller.outputs().pilots.first(), Some(&Pilots(0)));
    assert_eq!(site.valves[0].position(), Some(Position::Service));
}

/// V2, S8: at power-up nothing starts while any valve of the plant is sought, not even a tank whose own is found; a
/// valve that cannot be found is waited for until it is lost, and no longer.
#[test]
fn v2_every_valve_is_found_before_anything_starts() {
    for lost in [false, true] {
        let raw = with_drive(parallel(3), cam_with(CamFeedback::SwitchPerPosition, false));
        let mut site = found::<3>(raw, [Position::Service; 3]);
        site.valves[2].put_after(Position::Backwash);
        site.valves[2].trouble.stuck = lost;
        site.run_for(SEC);
        site.operate(Action::StartNow(ONE)).unwrap();
        assert!(site.controller.tanks()[0].drive().position().is_some());
        let mut found_at = None;
        let mut started_at = None;
        while started_at.is_none() && site.now < HOUR {
            let drive = site.controller.tanks()[2].drive();
            if drive.position().is_some() || drive.is_lost() {
                found_at.get_or_insert(site.now);
            } else {
                assert!(site.holds(1).contains(&Hold::FindingPosition), "at {}", site.now);
            }
            if site.duty(1) == DutyKind::Regenerating {
                started_at = Some(site.now);
            }
            site.run_for(100);
        }
        assert!(found_at.is_some(), "lost: {lost}");
        if !lost {
            assert_eq!(started_at, found_at, "at the instant at which the last valve is found");
        }
        assert!(!site.holds(1).contains(&Hold::FindingPosition), "lost: {lost}: {:?}", site.holds(1));
    }
}

/// S7, S12, V3: a cam comes free in its last try, and the travel limit stops it as it passes service: the limit goes
/// first, an alarm stands, nobody vouches for the bed, and put back it is rinsed out before it serves.
#[test]
fn s12_a_limit_that_runs_out_in_service_is_an_alarm_and_the_bed_is_rinsed_first() {
    let moments = [
        (Happening::Jam(0, Some(2_553)), 0),
        (ask(Action::StartNow), 3_146_000),
        (ask(Action::PutBack), 679_000),
        (Happening::Jam(0, None), 2 * HOUR),
    ];
    let mut site = lived(with_drive(single(), cam_with(CamFeedback::HomeAndStop, false)), moments);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Out, Some(Position::Service)));
    assert!(site.alarm(Alarm::ValveLost) && site.observer.as_ref().unwrap().is_salted(1));
    assert!(site.operate(Action::Vouch(ONE)).is_err());
    site.operate(Action::PutBack(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(!site.observer.as_ref().unwrap().is_salted(1));
}
