//! Two tanks behind one changeover valve: A6, S2, S3, S9, S12, V2 to V4.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::demand::Hold;
use bedkeeper::drive::{DriveEvent, End, Motion, Switches};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::Problem;
use bedkeeper::units::{Millis, TankId, TankSet};
use bedkeeper::watch::{Alarm, Severity};
use bedkeeper::{Action, Input, Refused, Settings};
use proptest::prelude::*;
use support::lives::{config, quiet_moment};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);

use DutyKind::{Ready, Regenerating, Serving, Spent};

fn plant() -> Site<2> {
    let mut site = Site::<2>::new(behind_one_valve());
    site.run_for(5 * MIN);
    site.hear();
    site
}

fn kinds(site: &Site<2>) -> [DutyKind; 2] {
    [site.duty(1), site.duty(2)]
}

/// The tank whose water the shared valve truly leads, if it stands at an end.
fn led(site: &Site<2>) -> Option<usize> {
    match site.shared.as_ref().unwrap().position()? {
        Position::Service => Some(0),
        _ => Some(1),
    }
}

/// S2, S3: a tank's valve leaves service only while the shared valve stands at the other tank, whose
/// own stands in service; brine never meets the building.
fn look(site: &Site<2>) {
    let at = |tank: usize| site.valves[tank].position();
    for tank in 0..2 {
        let leads_other = led(site) == Some(1 - tank) && at(1 - tank) == Some(Position::Service);
        assert!(
            at(tank) == Some(Position::Service) || leads_other,
            "tank {} is led and away at {}",
            tank + 1,
            site.now
        );
    }
}

fn run(site: &mut Site<2>, ms: u64) {
    for _ in 0..ms / 100 {
        site.run_for(100);
        look(site);
    }
}

/// A6, A2, S3: the valve confirms the other end before the spent tank leaves; then it regenerates.
#[test]
fn a6_the_shared_valve_confirms_first() {
    let mut site = plant();
    site.gulp(10_000);
    assert_eq!((kinds(&site), site.holds(1)), ([Serving, Ready], vec![Hold::ChangingOver]));
    run(&mut site, 4 * HOUR);
    let said: Vec<Event> = site
        .hear()
        .into_iter()
        .map(|(_, e)| e)
        .filter(|e| matches!(e, Event::SharedDrive(_) | Event::Duty { .. } | Event::ChangeoverBegan { .. }))
        .collect();
    let duty = |tank, duty, reason| Event::Duty { tank, duty, reason };
    let expected = [
        Event::ChangeoverBegan { from: Some(ONE), to: TWO },
        Event::SharedDrive(DriveEvent::Moving(End::Second)),
        Event::SharedDrive(DriveEvent::Confirmed(End::Second)),
        duty(TWO, Serving, Reason::TookOver),
        duty(ONE, Spent, Reason::Relieved),
        duty(ONE, Regenerating, Reason::Started),
        duty(ONE, Ready, Reason::Ended(bedkeeper::sequence::Outcome::Complete)),
    ];
    assert_eq!(said, expected);
    assert_eq!((led(&site), site.alarms()), (Some(1), vec![]));
}

/// A6: it goes to and fro for weeks, and no hard water passes.
#[test]
fn a6_tanks_take_turns_behind_it() {
    let mut site = plant();
    for _ in 0..12 {
        site.gulp(5_000);
        run(&mut site, 3 * HOUR);
    }
    assert!(site.said.iter().filter(|r| matches!(r.event, Event::Started { .. })).count() >= 5);
    assert_eq!(site.controller.accounts().past_zero.0, 0);
    assert_eq!(site.controller.accounts().untreated.0, 0);
}

/// A6, V3, S3, S9: the shared valve jams: it is tried again as often as it may, then it is lost; the
/// serving tank serves on, no tank regenerates, and an operator ends it.
#[test]
fn a6_a_lost_shared_valve_leaves_the_tank_serving() {
    let mut site = plant();
    assert_eq!(site.controller.alarm(Alarm::ValveLost).severity, Severity::Warning);
    site.shared.as_mut().unwrap().trouble.stuck = true;
    site.gulp(10_100);
    run(&mut site, HOUR);
    let lost = site.controller.alarm(Alarm::ValveLost);
    assert_eq!((lost.severity, lost.tanks), (Severity::Critical, TankSet::EMPTY), "it may lead hard water");
    assert_eq!(kinds(&site), [Serving, Ready]);
    assert!(site.alarm(Alarm::ValveLost) && site.alarm(Alarm::Overrun) && !site.alarm(Alarm::NoTankServing));
    assert!(site.holds(1).contains(&Hold::DriveFailed));
    let heard = site.hear();
    let count = |event| heard.iter().filter(|(_, e)| *e == Event::SharedDrive(event)).count();
    assert_eq!((count(DriveEvent::Moving(End::Second)), count(DriveEvent::Lost)), (3, 1), "two tries after the first");
    site.operate(Action::StartNow(TWO)).unwrap();
    run(&mut site, DAY);
    assert_eq!(kinds(&site), [Serving, Ready], "the off-line tank may still be led");
    assert_eq!(site.controller.outputs().shared, Motion::Off);
    site.shared.as_mut().unwrap().trouble.stuck = false;
    site.operate(Action::PutBack(ONE)).unwrap();
    run(&mut site, DAY);
    assert_eq!(site.alarms(), []);
    assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
    assert_eq!(site.operate(Action::PutBack(ONE)), Err(Refused::NotOut));
}

/// V4, S2: knocked off its end it is sought again with an alarm; meanwhile no tank leaves.
#[test]
fn v4_a_moved_shared_valve_is_sought_again() {
    let mut site = plant();
    site.shared.as_mut().unwrap().put_after(Position::Service);
    site.tell_switches();
    site.run_for(2 * SEC);
    assert!(site.alarm(Alarm::ValveMoved));
    site.operate(Action::StartNow(TWO)).unwrap();
    assert_eq!((site.duty(2), site.holds(2)[0]), (Ready, Hold::FindingPosition));
    run(&mut site, 5 * MIN);
    assert_eq!((led(&site), site.duty(2)), (Some(0), Regenerating));
    assert!(!site.alarm(Alarm::ValveMoved));
}

/// V2: found at the other end at power-up, it is not moved: the ready tank that it leads serves.
#[test]
fn v2_a_confirmed_end_is_not_moved() {
    let mut site = Site::<2>::without_clock(behind_one_valve());
    site.shared.as_mut().unwrap().put(Position::Standby);
    site.tell_switches();
    run(&mut site, 5 * MIN);
    assert_eq!((kinds(&site), led(&site)), ([Ready, Serving], Some(1)));
    assert!(!site.hear().iter().any(|(_, e)| matches!(e, Event::SharedDrive(DriveEvent::Moving(_)))));
}

/// S12, S1: aborted after its draw a tank is rinsed before its valve comes back to service, though the
/// shared valve cuts it off.
#[test]
fn s12_brine_is_rinsed_out_all_the_same() {
    let mut site = plant();
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    run(&mut site, 5 * MIN);
    site.operate(Action::Abort(TWO)).unwrap();
    assert_eq!(site.step(2), Some(StepKind::SlowRinse));
    run(&mut site, 2 * HOUR);
    assert_eq!((site.duty(2), site.valves[1].position()), (Spent, Some(Position::Service)));
    // Power comes back with a valve in the rinse: the bed may hold brine.
    let mut site = plant();
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::SlowRinse, 2 * HOUR);
    let mut again = Site::<2>::with_valves(site.controller.settings().clone(), site.valves.clone());
    let mut at_rest_in_service = 0;
    while again.duty(2) != Ready {
        again.run_for(100);
        let rests = again.valves[1].position() == Some(Position::Service) && !again.valves[1].is_turning();
        at_rest_in_service = if rests && again.duty(2) != Regenerating { at_rest_in_service + 100 } else { 0 };
        assert!(at_rest_in_service < 5_000 && again.now < DAY, "{}", again.duty(2));
    }
}

/// A6: the valve belongs to alternating sites, which then need no shut-off position; its switches to no other.
#[test]
fn a6_only_alternating_sites_have_it() {
    assert!(Settings::try_from(behind_one_valve()).is_ok());
    let valve = behind_one_valve().sharing.shared_valve;
    let mut raw = parallel(2);
    raw.sharing.shared_valve = valve;
    let faults = Settings::try_from(raw).unwrap_err();
    let found: Vec<_> = faults.listed().iter().map(|f| (f.field, f.problem)).collect();
    assert_eq!(found, [("sharing.shared_valve", Problem::OnlyAlternatingTanksShareValve)]);
    let mut raw = behind_one_valve();
    raw.sharing.shared_valve = valve.map(|v| bedkeeper::settings::RawTwoPosition { travel_limit: Millis(1), ..v });
    assert_eq!(Settings::try_from(raw).unwrap_err().listed()[0].problem, Problem::TravelLimitOutOfRange);
    let mut site = Site::<2>::new(alternating());
    assert_eq!(site.put(Input::SharedSwitches { closed: Switches(1) }), Err(Refused::NoSharedValve));
}

proptest! {
    #![proptest_config(config(25))]

    /// S2, S3: whatever operators ask for, no tank is away while its water is led to the building; and
    /// left alone, two tanks take turns again (S9).
    #[test]
    fn s3_no_tank_is_away_while_it_is_led(moments in proptest::collection::vec(quiet_moment(2), 1..15)) {
        let mut site = plant();
        for (happening, ms) in moments {
            site.live((happening, 0));
            run(&mut site, ms);
        }
        site.run_for(DAY);
        for tank in [ONE, TWO] {
            let _ = site.operate(Action::PutBack(tank));
            let _ = site.operate(Action::Release(tank));
        }
        site.run_for(3 * DAY);
        let mut duties = kinds(&site);
        duties.sort();
        prop_assert_eq!(duties, [Serving, Ready]);
        prop_assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
    }
}
