//! Parallel sites: A3, A7, L4, M2, S1 to S3.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{Medium, MeterPlace, RawSettings, RemoteRole, Reserve};
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, Refused};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);
const THREE: TankId = TankId(2);
const COMPLETE: Reason = Reason::Ended(Outcome::Complete);

fn duty(tank: TankId, duty: DutyKind, reason: Reason) -> Event {
    Event::Duty { tank, duty, reason }
}

/// Changes of duty, which tell who did what.
fn duties<const N: usize>(site: &mut Site<N>) -> Vec<Event> {
    site.hear().into_iter().map(|(_, e)| e).filter(|e| matches!(e, Event::Duty { .. })).collect()
}

fn all<const N: usize>(site: &Site<N>, kind: DutyKind) -> usize {
    site.controller.tanks().iter().filter(|t| t.duty().kind() == kind).count()
}

/// A watched site at which at most so many tanks are ever away.
fn plant<const N: usize>(raw: RawSettings) -> Site<N> {
    let most_away = usize::from(raw.max_regenerating);
    let mut site = watched::<N>(raw);
    site.observer.as_mut().unwrap().most_away = Some(most_away);
    site
}

/// A3, S2, S3: all serve; the spent one leaves, regenerates and joins again; nothing else happens.
#[test]
fn a3_one_leaves_and_joins_again() {
    let mut site = plant::<3>(parallel(3));
    assert_eq!(all(&site, DutyKind::Serving), 3);
    // Tank 3 began two thirds spent (L4): a third of 10 000 L each.
    site.gulp(3 * 3_334);
    assert_eq!(site.duty(3), DutyKind::Regenerating);
    site.run_for(3 * HOUR);
    let expected = [
        duty(THREE, DutyKind::Regenerating, Reason::Started),
        duty(THREE, DutyKind::Ready, COMPLETE),
        duty(THREE, DutyKind::Serving, Reason::Joined),
    ];
    assert_eq!(duties(&mut site), expected);
    assert_eq!(site.valves[2].position(), Some(Position::Service));
    assert_eq!(site.alarms(), []);
}

/// A3, S1: of two that ask one goes after the other; both are restored.
#[test]
fn a3_one_at_a_time() {
    let mut site = plant::<3>(parallel(3));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_for(MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    assert_eq!(site.holds(2), [Hold::OtherRegenerating, Hold::NoTankToRelieve]);
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    site.run_for(SEC);
    assert_eq!(site.duty(2), DutyKind::Regenerating);
    site.run_until_duty(2, DutyKind::Serving, 3 * HOUR);
    assert_eq!(all(&site, DutyKind::Serving), 3);
}

/// A3, S8: more flows than the others can carry: the tank serves on until the flow falls, at the
/// predicted instant.
#[test]
fn a3_a_tank_stays_while_the_others_cannot_carry_the_flow() {
    let mut raw = parallel(3);
    raw.sharing.tank_flow = Flow(10_000);
    let mut site = plant::<3>(raw);
    // 24 L/min: three carry it, two do not.
    site.draw(20, 2_500);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::FlowTooHigh]));
    site.draw(20, 2_500);
    assert_eq!(site.duty(1), DutyKind::Serving);
    let falls = site.clears_at(1, Hold::FlowTooHigh).unwrap();
    site.run_to(falls - 1);
    assert_eq!(site.duty(1), DutyKind::Serving);
    site.run_to(falls);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    assert!(site.controller.flow(t(falls)) <= Flow(20_000));
}

/// A3, C7: the longest wait for the flow ends here as well.
#[test]
fn a3_the_longest_wait_for_the_flow_ends() {
    let mut raw = parallel(2);
    raw.sharing.tank_flow = Flow(10_000);
    raw.flow_wait_limit = Millis::from_mins(10);
    let mut site = plant::<2>(raw);
    site.draw(20, 2_500);
    site.operate(Action::StartNow(ONE)).unwrap();
    let asked = site.now;
    while site.duty(1) == DutyKind::Serving {
        assert!(site.now < asked + 11 * MIN);
        site.draw(1, 2_500);
    }
    assert!(site.now >= asked + 10 * MIN, "{}", site.now - asked);
}

/// L3, A3: a tank whose regeneration was cut short is not fit to join: it goes to rest shut off, not by way of service.
#[test]
fn l3_a_tank_cut_short_rests_shut_off() {
    let mut site = plant::<3>(parallel(3));
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, 3 * HOUR);
    site.operate(Action::Abort(TWO)).unwrap();
    let end = site.now + 2 * HOUR;
    while site.now < end {
        site.run_for(100);
        assert_ne!(site.valves[1].position(), Some(Position::Service));
    }
    assert_eq!((site.duty(2), site.valves[1].position()), (DutyKind::Spent, Some(Position::Standby)));
}

/// A3, S2: where untreated water is allowed the last tank leaves at any flow: no other carries it in any case.
#[test]
fn a3_the_last_tank_waits_for_no_flow() {
    let mut raw = parallel(2);
    raw.sharing.tank_flow = Flow(10_000);
    raw.allow_untreated = true;
    let mut site = Site::<2>::new(raw);
    site.run_for(5 * MIN);
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.run_for(5 * MIN);
    site.draw(20, 12_000);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Regenerating, vec![]));
}

/// S3: a tank that began to regenerate stays in place while one that is to serve on is not confirmed.
#[test]
fn s3_those_that_stay_are_confirmed() {
    let mut site = plant::<3>(parallel(3));
    site.observer.as_mut().unwrap().most_away = None;
    site.valves[1].put_after(Position::Service);
    site.tell_switches();
    site.run_for(2 * SEC);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Serving);
    assert_eq!(site.holds(1), [Hold::DrainBusy, Hold::NoTankToRelieve]);
    site.run_for(3 * MIN);
    assert_eq!((site.duty(1), site.valves[1].position()), (DutyKind::Regenerating, Some(Position::Service)));
}

/// A7, S2: one of three out, two are the smaller arrangement; of two, one regenerates while one serves.
#[test]
fn a7_the_rest_is_the_smaller_arrangement() {
    let mut site = plant::<3>(parallel(3));
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.run_for(2 * MIN);
    assert_eq!((site.duty(2), site.valves[1].position()), (DutyKind::Out, Some(Position::Standby)));
    assert_eq!(site.alarms(), [Alarm::TankOut]);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.operate(Action::StartNow(THREE)).unwrap();
    assert_eq!(site.holds(3), [Hold::OtherRegenerating, Hold::NoTankToRelieve]);
    site.run_for(6 * HOUR);
    assert_eq!((all(&site, DutyKind::Serving), site.causes(3)), (2, vec![]));
}

/// A7: two minus one serves on and does not regenerate, unless the site allows untreated water.
#[test]
fn a7_two_minus_one_serves_on() {
    for allow in [false, true] {
        let mut raw = parallel(2);
        raw.allow_untreated = allow;
        let mut site = watched::<2>(raw);
        site.operate(Action::TakeOut(TWO)).unwrap();
        site.run_for(MIN);
        site.gulp(10_100);
        site.run_for(5 * MIN);
        if allow {
            assert_eq!(site.duty(1), DutyKind::Regenerating);
            site.run_for(3 * HOUR);
            assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Serving, Some(Position::Service)));
        } else {
            site.run_for(DAY);
            assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::NoTankToRelieve]));
            assert!(site.alarm(Alarm::Overrun) && site.alarm(Alarm::Overdue) && site.alarm(Alarm::TankOut));
        }
    }
}

/// A7, S2: the last of them is not taken out, and none leaves before the others suffice.
#[test]
fn a7_the_last_tank_stays() {
    let mut site = plant::<2>(parallel(2));
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_for(MIN);
    assert_eq!(site.operate(Action::TakeOut(ONE)), Err(Refused::WouldLeaveNoneServing));
    site.run_until_duty(2, DutyKind::Serving, 3 * HOUR);
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.run_for(MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Serving));
    assert_eq!(site.operate(Action::TakeOut(TWO)), Err(Refused::WouldLeaveNoneServing));
}

/// A7: put back it regenerates before it serves; vouched for it joins as it is.
#[test]
fn a7_put_back_it_regenerates_first_unless_vouched_for() {
    for vouched in [false, true] {
        let mut site = plant::<3>(parallel(3));
        site.operate(Action::TakeOut(TWO)).unwrap();
        site.run_for(HOUR);
        site.hear();
        site.operate(if vouched { Action::Vouch(TWO) } else { Action::PutBack(TWO) }).unwrap();
        site.run_for(3 * HOUR);
        let joined = duty(TWO, DutyKind::Serving, Reason::Joined);
        let expected: Vec<Event> = if vouched {
            vec![duty(TWO, DutyKind::Ready, Reason::Operator), joined]
        } else {
            vec![
                duty(TWO, DutyKind::Spent, Reason::Operator),
                duty(TWO, DutyKind::Regenerating, Reason::Started),
                duty(TWO, DutyKind::Ready, COMPLETE),
                joined,
            ]
        };
        assert_eq!(duties(&mut site), expected);
    }
}

/// A7, V3: a lost drive leaves the rest serving and regenerating.
#[test]
fn a7_a_lost_drive_leaves_the_rest() {
    let mut site = watched::<3>(parallel(3));
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_for(30 * SEC);
    site.valves[1].put(Position::Standby);
    site.valves[1].trouble.stuck = true;
    site.run_for(HOUR);
    assert_eq!((site.duty(2), all(&site, DutyKind::Serving)), (DutyKind::Out, 2));
    assert!(site.alarm(Alarm::ValveLost) && site.alarm(Alarm::TankOut) && !site.alarm(Alarm::NoTankServing));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(3 * HOUR);
    assert_eq!((site.duty(1), site.causes(1)), (DutyKind::Serving, vec![]));
}

/// S3, S2: power fails before a tank that is to regenerate has left service, and the other is turned away in the dark: the
/// first stays until the other is back.
#[test]
fn s3_a_tank_that_is_to_leave_waits_for_the_other_after_a_cut() {
    let mut site = watched::<2>(parallel(2));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(SEC);
    let serves = |site: &Site<2>, tank: usize| site.valves[tank].position() == Some(Position::Service);
    assert!(site.duty(1) == DutyKind::Regenerating && serves(&site, 0));
    site.observer = None;
    site.valves[1].put(Position::Standby);
    cut(&mut site, 5 * SEC, true);
    while serves(&site, 0) {
        assert!(site.now < HOUR);
        site.run_for(100);
        assert!(serves(&site, 0) || serves(&site, 1));
    }
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
}

/// S2, S9: left alone by lost drives, a tank that was to regenerate and stands in service serves on.
#[test]
fn s2_the_last_tank_called_to_regenerate_serves_on() {
    let mut site = watched::<2>(parallel(2));
    // The motor of tank 1 does not turn; while it is tried, tank 2 is knocked out of service and jams.
    site.valves[0].trouble.stuck = true;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(10 * SEC);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.valves[1].put(Position::Standby);
    site.valves[1].trouble.stuck = true;
    site.tell_switches();
    site.run_for(DAY);
    // Tank 1 could not leave either: its drive was lost in service.
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Out));
    assert!(site.alarm(Alarm::NoTankServing));
    site.mend();
    site.operate(Action::PutBack(ONE)).unwrap();
    site.operate(Action::PutBack(TWO)).unwrap();
    site.run_for(DAY);
    assert_eq!((all(&site, DutyKind::Serving), site.alarms()), (2, vec![]));
}

/// L4: tank i of n begins i/n spent, so that they ask one after the other; a filter's too.
#[test]
fn l4_tanks_begin_spent_in_steps() {
    fn spent<const N: usize>(raw: RawSettings) -> Vec<u64> {
        let capacity = Volume::from_litres(10_000).0;
        let site = Site::<N>::new(raw);
        site.controller.tanks().iter().map(|t| capacity - t.ledger().remaining().0).collect()
    }
    let litres = |n: u64| Volume::from_litres(n).0;
    assert_eq!(spent::<4>(parallel(4)), [0, litres(2_500), litres(5_000), litres(7_500)]);
    assert_eq!(spent::<2>(staged(2)), [0, litres(5_000)]);
    assert_eq!(spent::<2>(alternating()), [0, 0]);
    let mut filter = parallel(2);
    filter.medium = Medium::Filter { capacity: Volume::from_litres(10_000) };
    filter.program = filter.program.into_iter().filter(|s| !matches!(s.kind, StepKind::BrineDraw)).collect();
    assert_eq!(spent::<2>(filter), [0, litres(5_000)]);
    // With a reserve the steps divide what is used before a tank asks, so that no fresh bed asks at once.
    let mut raw = parallel(4);
    raw.reserve = Reserve::Share(400);
    assert_eq!(spent::<4>(raw), [0, litres(1_500), litres(3_000), litres(4_500)]);
}

/// L4: in a year of even use the regenerations of four tanks stay apart.
#[test]
fn l4_regenerations_stay_apart() {
    let mut site = plant::<4>(parallel(4));
    let mut starts = Vec::new();
    for _ in 0..400 {
        site.gulp(400);
        site.run_for(HOUR);
        starts.extend(site.hear().into_iter().filter(|(_, e)| matches!(e, Event::Started { .. })).map(|(at, _)| at));
    }
    assert!(starts.len() >= 12, "{}", starts.len());
    let nearest = starts.windows(2).map(|w| w[1] - w[0]).min().unwrap();
    assert!(nearest >= 20 * HOUR, "{nearest}");
}

/// M2: one meter per tank charges its own tank; a tank that regenerates loses its water to the drain.
#[test]
fn m2_each_of_four_tanks_has_its_meter() {
    let mut raw = parallel(4);
    raw.meter.place = MeterPlace::PerTank;
    let mut site = plant::<4>(raw);
    for meter in 0..4u8 {
        site.put(Input::Pulses { meter, count: 10 + u32::from(meter) }).unwrap();
    }
    site.run_for(SEC);
    let charged: Vec<u64> = site.controller.tanks().iter().map(|t| t.ledger().since_regeneration().0).collect();
    assert_eq!(charged, [10, 11, 12, 13].map(|l| Volume::from_litres(l).0));
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::Backwash, HOUR);
    site.put(Input::Pulses { meter: 1, count: 5 }).unwrap();
    assert_eq!(site.controller.accounts().drained.0, u128::from(Volume::from_litres(5).0));
}

/// M2: the common meter's water goes to those that serve, the regenerating one has none of it.
#[test]
fn m2_those_that_serve_share_the_common_meter() {
    let mut site = plant::<3>(parallel(3));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::Backwash, HOUR);
    site.gulp(101);
    let charged: Vec<u64> = site.controller.tanks().iter().map(|t| t.ledger().since_regeneration().0).collect();
    assert_eq!(charged, [0, 50_500_000_000, 50_500_000_000]);
}

/// M5, S5: a bypass takes its share to the nanolitre, the remainder carried; the rest loads the resin.
#[test]
fn m5_the_bypass_takes_its_share_exactly() {
    for tanks in [1, 3] {
        let mut raw = if tanks == 1 { single() } else { parallel(3) };
        raw.sharing.bypass_per_mille = 137;
        raw.meter.pulse_nl = 1_000_000_007;
        raw.meter.pulse_divisor = 3;
        let mut site = Site::<3>::new(raw);
        for n in 1..=1_000u128 {
            site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
            let a = site.controller.accounts();
            let metered = n * 1_000_000_007 / 3;
            assert_eq!((a.metered.0, a.blended.0), (metered, metered * 137 / 1_000), "after {n} pulses");
            assert_eq!(a.metered.0, a.charged.0 + a.blended.0 + a.untreated.0 + a.drained.0);
        }
        let loaded: u128 = site.controller.tanks().iter().map(|t| u128::from(t.ledger().since_regeneration().0)).sum();
        assert_eq!(loaded, site.controller.accounts().charged.0);
    }
}

/// M5: a batch passes the bypass as its single pulses do.
#[test]
fn m5_a_batch_passes_the_bypass_as_its_pulses_do() {
    let mut raw = parallel(2);
    raw.sharing.bypass_per_mille = 333;
    raw.meter.pulse_nl = 100_000_001;
    let mut batch = Site::<2>::new(raw);
    let mut singles = batch.clone();
    batch.put(Input::Pulses { meter: 0, count: 777 }).unwrap();
    (0..777).for_each(|_| singles.put(Input::Pulses { meter: 0, count: 1 }).unwrap());
    assert_eq!(batch.controller, singles.controller);
}

/// C7: leading cause, then the off-line tank before a serving one, then who asked first, among four.
#[test]
fn c7_order_among_four() {
    let mut site = plant::<4>(parallel(4));
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.run_for(MIN);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(MIN);
    // These wait for tank 1: one that serves and asked first, and one that was put back.
    site.operate(Action::StartNow(THREE)).unwrap();
    site.run_for(MIN);
    site.operate(Action::PutBack(TWO)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    site.run_for(MIN);
    assert_eq!((site.duty(2), site.duty(3)), (DutyKind::Regenerating, DutyKind::Serving));
    site.run_until_duty(2, DutyKind::Serving, 3 * HOUR);
    site.run_for(MIN);
    assert_eq!(site.duty(3), DutyKind::Regenerating);
    // While tank 3 has its turn tanks 4, 2 and 1 ask, in this order, by the same cause: who asked first goes first.
    for tank in [TankId(3), TWO, ONE] {
        site.run_for(MIN);
        site.operate(Action::StartNow(tank)).unwrap();
    }
    site.run_until_duty(3, DutyKind::Serving, 3 * HOUR);
    site.run_for(MIN);
    assert_eq!(site.duty(4), DutyKind::Regenerating);
    // A more urgent cause goes before that: the monitor asks for tank 1, which has the least left of those that serve.
    site.contact(Contact::Sensor, false);
    site.run_for(10 * SEC);
    site.gulp(3);
    site.operate(Action::Withdraw(ONE)).unwrap();
    site.contact(Contact::Sensor, true);
    site.run_for(10 * SEC);
    assert_eq!((site.causes(1), site.causes(2)), (vec![Cause::Sensor], vec![Cause::Manual]));
    site.run_until_duty(4, DutyKind::Serving, 3 * HOUR);
    site.run_for(MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
}

/// C4, C1: the remote contact asks for the tank nearest exhaustion, whichever it is, and a hardness monitor for the nearest
/// that serves.
#[test]
fn c4_the_tank_nearest_exhaustion_is_asked_for() {
    let mut raw = parallel(3);
    raw.remote = RemoteRole::Now;
    let mut site = plant::<3>(raw);
    for contact in [Contact::Remote, Contact::Sensor] {
        site.contact(contact, false);
    }
    site.contact(Contact::LowPressure, true);
    site.run_for(10 * SEC);
    // Tank 3 began two thirds spent (L4), tank 2 one third; tank 3 is taken out.
    site.operate(Action::TakeOut(THREE)).unwrap();
    site.run_for(2 * MIN);
    site.contact(Contact::Sensor, true);
    site.run_for(10 * SEC);
    assert_eq!([1, 2, 3].map(|tank| site.causes(tank)), [vec![], vec![Cause::Sensor], vec![]]);
    site.operate(Action::Vouch(THREE)).unwrap();
    site.run_for(2 * MIN);
    site.contact(Contact::Remote, true);
    site.run_for(10 * SEC);
    assert_eq!([1, 2, 3].map(|tank| site.causes(tank)), [vec![], vec![Cause::Sensor], vec![Cause::Remote]]);
}

/// C2: one backup start an hour event, the bed that has stood longest first.
#[test]
fn c2_one_backup_start_an_hour_event() {
    let mut raw = parallel(3);
    raw.backup_days = 4;
    let mut site = plant::<3>(raw);
    site.gulp(30);
    site.run_to(7 * DAY + 12 * HOUR);
    let asked: Vec<(u64, TankId)> = site
        .hear()
        .into_iter()
        .filter_map(|(at, e)| match e {
            Event::Asked { tank, cause: Cause::BackupDay } => Some((at / DAY, tank)),
            _ => None,
        })
        .collect();
    assert_eq!(asked, [(4, ONE), (5, TWO), (6, THREE)]);
}

/// V2: at power-up unknown valves are sought one at a time.
#[test]
fn v2_unknown_valves_are_sought_one_at_a_time() {
    let raw = with_drive(parallel(4), timed());
    let mut site = found::<4>(raw, [Position::Service; 4]);
    for _ in 0..(10 * MIN / 100) {
        site.run_for(100);
        let turning = site.motions().iter().filter(|m| **m != Motion::Off).count();
        assert!(turning <= 1, "{turning} motors at {}", site.now);
    }
    let confirmed =
        site.hear().iter().filter(|(_, e)| matches!(e, Event::Drive { event: DriveEvent::Confirmed(_), .. })).count();
    assert!(confirmed >= 4);
    assert!(site.valves.iter().all(|v| v.position() == Some(Position::Service)));
}
