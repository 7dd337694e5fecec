//! How tanks share the work: A1, A2, A5, A6 (own shut-offs), A7.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::calendar::Weekdays;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{CamFeedback, RawSettings, StartRule};
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Refused, Settings};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);

fn single_cam() -> RawSettings {
    with_drive(single(), cam_with(CamFeedback::SwitchPerPosition, false))
}

fn alternating_cam() -> RawSettings {
    with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false))
}

/// Changes of duty, changeovers and ends, which tell who did what.
fn duties<const N: usize>(site: &mut Site<N>) -> Vec<Event> {
    let of_duty =
        |e: &Event| matches!(e, Event::Duty { .. } | Event::ChangeoverBegan { .. } | Event::PurgeEnded { .. });
    site.hear().into_iter().map(|(_, e)| e).filter(of_duty).collect()
}

fn duty(tank: TankId, duty: DutyKind, reason: Reason) -> Event {
    Event::Duty { tank, duty, reason }
}

const COMPLETE: Reason = Reason::Ended(bedkeeper::sequence::Outcome::Complete);

/// A1: a single tank regenerates at once where the site says so, and serves again.
#[test]
fn a1_a_single_tank_regenerates_at_once() {
    let mut site = watched::<1>(single_cam());
    site.gulp(9_999);
    site.run_for(HOUR);
    assert_eq!(site.hear(), [], "a litre is left");
    site.gulp(1);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.run_for(3 * HOUR);
    let expected = [duty(ONE, DutyKind::Regenerating, Reason::Started), duty(ONE, DutyKind::Serving, COMPLETE)];
    assert_eq!(duties(&mut site), expected);
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(10_000));
}

/// A1: or at the regeneration hour, serving on past zero until then.
#[test]
fn a1_a_single_tank_regenerates_at_the_hour() {
    let mut raw = single_cam();
    raw.start = StartRule::AtHour;
    let mut site = watched::<1>(raw);
    site.run_to(6 * HOUR);
    site.hear();
    site.gulp(10_001);
    site.run_to(26 * HOUR - SEC);
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::UntilHour]));
    assert!(site.alarm(Alarm::Overrun));
    assert_eq!(site.clears_at(1, Hold::UntilHour), Some(26 * HOUR));
    assert_eq!(duties(&mut site), []);
    site.run_to(26 * HOUR);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.run_for(3 * HOUR);
    assert!(site.duty(1) == DutyKind::Serving && !site.alarm(Alarm::Overrun));
}

/// A2, A6: at the switching point the ready tank takes over by its own shut-off, then the spent one
/// regenerates at once and stands ready; so they take turns, and nothing else happens.
#[test]
fn a2_two_tanks_take_turns() {
    let mut site = watched::<2>(alternating_cam());
    for (serving, other) in [(ONE, TWO), (TWO, ONE), (ONE, TWO)] {
        site.hear();
        site.gulp(10_000);
        site.run_for(4 * HOUR);
        let expected = [
            Event::ChangeoverBegan { from: Some(serving), to: other },
            duty(other, DutyKind::Serving, Reason::TookOver),
            duty(serving, DutyKind::Spent, Reason::Relieved),
            duty(serving, DutyKind::Regenerating, Reason::Started),
            duty(serving, DutyKind::Ready, COMPLETE),
        ];
        assert_eq!(duties(&mut site), expected);
        assert_eq!(site.valves[serving.index()].position(), Some(Position::Standby));
        assert_eq!(site.valves[other.index()].position(), Some(Position::Service));
    }
    assert_eq!(site.alarms(), []);
    assert_eq!(site.controller.accounts().past_zero.0, 0);
}

/// A2: the spent tank regenerates at once unless held; a blackout window holds it, not the changeover.
#[test]
fn a2_a_held_spent_tank_waits_while_the_other_serves() {
    let mut raw = alternating_cam();
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut site = watched::<2>(raw);
    site.gulp(10_000);
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Spent, DutyKind::Serving));
    assert_eq!((site.holds(1), site.clears_at(1, Hold::Blackout)), (vec![Hold::Blackout], Some(12 * HOUR)));
    site.run_to(12 * HOUR - 1);
    assert_eq!(site.duty(1), DutyKind::Spent);
    site.run_to(12 * HOUR);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// A2: the other not ready, the serving tank serves on past zero with `overrun`, and changes over
/// as soon as it is ready.
#[test]
fn a2_the_other_not_ready_the_tank_serves_on() {
    let mut site = watched::<2>(alternating_cam());
    site.gulp(10_000);
    site.run_until_step(1, StepKind::BrineDraw, HOUR);
    site.hear();
    site.gulp(10_250);
    assert!(site.alarm(Alarm::Overrun));
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    assert!(site.holds(2).contains(&Hold::OtherRegenerating));
    assert_eq!(site.controller.tanks()[1].ledger().overrun(), Volume::from_litres(250));
    site.run_for(5 * HOUR);
    let expected = [
        duty(ONE, DutyKind::Ready, COMPLETE),
        Event::ChangeoverBegan { from: Some(TWO), to: ONE },
        duty(ONE, DutyKind::Serving, Reason::TookOver),
        duty(TWO, DutyKind::Spent, Reason::Relieved),
        duty(TWO, DutyKind::Regenerating, Reason::Started),
        duty(TWO, DutyKind::Ready, COMPLETE),
    ];
    assert_eq!(duties(&mut site), expected);
    assert!(!site.alarm(Alarm::Overrun));
}

/// A2: both spent, the off-line one goes first; it relieves the other, which then has its turn.
#[test]
fn a2_both_spent_the_offline_one_goes_first() {
    let mut raw = alternating_cam();
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut site = watched::<2>(raw);
    site.gulp(10_000);
    site.run_for(HOUR);
    // The serving one asks as well, by an urgent cause and for longer.
    site.gulp(10_100);
    site.run_for(MIN);
    assert_eq!((site.causes(1), site.causes(2)), (vec![Cause::Exhausted], vec![Cause::Exhausted]));
    site.run_to(12 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    site.run_for(5 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Ready));
    assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
}

/// A5: a ready tank that stood too long is flushed to drain before it serves, while the other serves
/// on; its drain water is reckoned, and only time in the drain position counts.
#[test]
fn a5_a_stale_tank_is_purged_before_it_serves() {
    let mut site = watched::<2>(alternating_cam());
    site.observer.as_mut().unwrap().always_served = true;
    site.run_to(73 * HOUR);
    site.hear();
    site.gulp(10_000);
    site.run_for(30 * SEC);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Purging));
    site.run_for(4 * HOUR);
    let drained = Flow(8_000).over(Millis::from_mins(2));
    let expected = [
        Event::ChangeoverBegan { from: Some(ONE), to: TWO },
        duty(TWO, DutyKind::Purging, Reason::Stale),
        Event::PurgeEnded { tank: TWO, drained },
        duty(TWO, DutyKind::Ready, Reason::Purged),
        duty(TWO, DutyKind::Serving, Reason::TookOver),
        duty(ONE, DutyKind::Spent, Reason::Relieved),
        duty(ONE, DutyKind::Regenerating, Reason::Started),
        duty(ONE, DutyKind::Ready, COMPLETE),
    ];
    assert_eq!(duties(&mut site), expected);
}

/// A5: one that stood no longer than the limit serves at once; nothing is wasted.
#[test]
fn a5_a_fresh_tank_is_not_purged() {
    let mut site = watched::<2>(alternating_cam());
    site.run_to(72 * HOUR - SEC);
    site.gulp(10_000);
    site.run_for(HOUR);
    assert!(!duties(&mut site).iter().any(|e| matches!(e, Event::PurgeEnded { .. })));
    assert_eq!(site.duty(2), DutyKind::Serving);
}

/// A5: a valve knocked out of the drain position begins its purge again; a drive lost in it leaves
/// the other serving.
#[test]
fn a5_a_disturbed_purge_begins_again() {
    let purging = || {
        let mut site = watched::<2>(alternating_cam());
        site.run_to(73 * HOUR);
        site.gulp(10_000);
        site.run_until_duty(2, DutyKind::Purging, MIN);
        while site.valves[1].position() != Some(Position::FastRinse) {
            site.run_for(SEC);
        }
        site.run_for(MIN);
        site.hear();
        site
    };
    let mut site = purging();
    site.valves[1].put_after(Position::FastRinse);
    site.tell_switches();
    let knocked = site.now;
    site.run_until_duty(2, DutyKind::Serving, HOUR);
    let heard = site.hear();
    let back = heard.iter().find(|(_, e)| *e == drive(2, DriveEvent::Confirmed(Position::FastRinse))).unwrap().0;
    let ended = heard.iter().find(|(_, e)| matches!(e, Event::PurgeEnded { .. })).unwrap().0;
    assert!(back > knocked && ended - back == 2 * MIN, "{knocked} {back} {ended}");

    let mut site = purging();
    site.valves[1].trouble.stuck = true;
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Out));
    assert_eq!(site.valves[0].position(), Some(Position::Service));
}

/// A6: each tank must be able to shut itself off where they alternate.
#[test]
fn a6_tanks_that_alternate_need_their_own_shut_off() {
    let mut raw = alternating();
    raw.drive = single().drive;
    let faults = Settings::try_from(raw).unwrap_err();
    let named: Vec<_> = faults.listed().iter().map(|f| f.field).collect();
    assert_eq!(named, ["drive.positions"]);
}

/// A6: off-line, a tank's valve is shut whatever its duty, so that water passes one bed only.
#[test]
fn a6_an_offline_tank_is_shut_off() {
    let mut raw = alternating_cam();
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut site = watched::<2>(raw);
    assert_eq!(site.valves[1].position(), Some(Position::Standby), "ready");
    site.gulp(10_000);
    site.run_for(5 * MIN);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Spent, Some(Position::Standby)));
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.run_for(5 * MIN);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Out, Some(Position::Standby)));
}

/// A7: an operator takes the ready tank out: the other serves on alone, raises `overrun`, and does not
/// regenerate, unless the site allows untreated water.
#[test]
fn a7_two_minus_one_serves_on() {
    for allow in [false, true] {
        let mut raw = alternating_cam();
        raw.allow_untreated = allow;
        let mut site = watched::<2>(raw);
        site.operate(Action::TakeOut(TWO)).unwrap();
        assert!(site.alarm(Alarm::TankOut));
        site.gulp(10_100);
        site.run_for(5 * MIN);
        if allow {
            assert_eq!(site.duty(1), DutyKind::Regenerating);
            site.run_for(3 * HOUR);
            assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Serving, Some(Position::Service)));
        } else {
            site.run_for(DAY);
            assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::NoTankToRelieve]));
            assert!(site.alarm(Alarm::Overrun) && site.alarm(Alarm::Overdue));
        }
        assert_eq!(site.duty(2), DutyKind::Out);
    }
}

/// A7, S3: a serving tank is taken out only once the other has taken over.
#[test]
fn a7_a_serving_tank_leaves_once_the_other_serves() {
    let mut site = watched::<2>(alternating_cam());
    site.observer.as_mut().unwrap().always_served = true;
    site.operate(Action::TakeOut(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Serving);
    // Whoever asks is told so, until it is out.
    let leaving = |site: &Site<2>| {
        let tanks = site.controller.tanks().iter();
        assert!(tanks.zip([ONE, TWO]).all(|(t, id)| t.is_leaving() == site.controller.why(id).unwrap().leaving));
        [ONE, TWO].map(|id| site.controller.why(id).unwrap().leaving)
    };
    assert_eq!(leaving(&site), [true, false]);
    site.run_for(5 * MIN);
    assert_eq!(leaving(&site), [false, false]);
    let expected = [
        Event::ChangeoverBegan { from: Some(ONE), to: TWO },
        duty(TWO, DutyKind::Serving, Reason::TookOver),
        duty(ONE, DutyKind::Out, Reason::Operator),
    ];
    assert_eq!(duties(&mut site), expected);
    assert_eq!(site.valves[0].position(), Some(Position::Standby));
}

/// A7, S2, S3: the tank that is to relieve one that was taken out is not taken out as well, before or while it takes over: neither
/// could leave, and the first would go much later, when nobody asks for it any more.
#[test]
fn a7_the_tank_that_relieves_stays() {
    for after in [0, 10 * SEC] {
        let mut site = watched::<2>(alternating_cam());
        site.observer.as_mut().unwrap().always_served = true;
        site.operate(Action::TakeOut(ONE)).unwrap();
        site.run_for(after);
        assert_eq!(site.operate(Action::TakeOut(TWO)), Err(Refused::WouldLeaveNoneServing));
        site.run_for(HOUR);
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Out, DutyKind::Serving));
    }
}

/// A7: put back, a tank regenerates first; only then is it ready.
#[test]
fn a7_a_tank_put_back_regenerates_first() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.run_for(HOUR);
    site.hear();
    site.operate(Action::PutBack(TWO)).unwrap();
    assert!(!site.alarm(Alarm::TankOut));
    site.run_for(3 * HOUR);
    let expected = [
        duty(TWO, DutyKind::Spent, Reason::Operator),
        duty(TWO, DutyKind::Regenerating, Reason::Started),
        duty(TWO, DutyKind::Ready, COMPLETE),
    ];
    assert_eq!(duties(&mut site), expected);
}

/// A7: unless the operator vouches for it, while it is out or while it waits.
#[test]
fn a7_a_tank_vouched_for_is_ready_as_it_is() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::TakeOut(TWO)).unwrap();
    site.hear();
    site.operate(Action::Vouch(TWO)).unwrap();
    site.run_for(HOUR);
    assert_eq!(duties(&mut site), [duty(TWO, DutyKind::Ready, Reason::Operator)]);
    // Put back while the other regenerates, it waits, and may still be vouched for.
    let mut site = watched::<2>(alternating_cam());
    site.gulp(10_000);
    site.run_until_step(1, StepKind::BrineDraw, HOUR);
    site.valves[1].put_after(Position::Service);
    site.tell_switches();
    site.valves[1].trouble.stuck = true;
    site.run_until_duty(2, DutyKind::Out, HOUR);
    assert_eq!(site.operate(Action::Vouch(TWO)), Err(Refused::NothingToVouchFor), "its bed may hold brine");
    let mut site = watched::<1>(single_cam());
    assert_eq!(site.operate(Action::Vouch(ONE)), Err(Refused::NothingToVouchFor), "a tank that serves");
}

/// A7, V3: a tank out for its lost drive leaves the other serving with an alarm, and comes back mended.
#[test]
fn a7_a_lost_drive_leaves_the_smaller_arrangement() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::Backwash, HOUR);
    site.valves[1].trouble.stuck = true;
    site.run_for(3 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Out));
    assert!(site.alarm(Alarm::TankOut) && site.alarm(Alarm::ValveLost) && !site.alarm(Alarm::NoTankServing));
    site.mend();
    site.operate(Action::PutBack(TWO)).unwrap();
    site.run_for(8 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Ready));
    assert_eq!(site.alarms(), []);
}

/// A2, S2: a serving tank whose drive is lost is replaced by the ready one at once; by a spent one
/// rather than by nobody.
#[test]
fn a2_a_lost_serving_tank_is_replaced() {
    for spent in [false, true] {
        let mut raw = alternating_cam();
        if spent {
            raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
        }
        let mut site = watched::<2>(raw);
        if spent {
            site.gulp(10_000);
            site.run_for(HOUR);
        }
        let (serving, other, number) = if spent { (1, 0, 1) } else { (0, 1, 2) };
        site.valves[serving].put_after(Position::Service);
        site.tell_switches();
        site.valves[serving].trouble.stuck = true;
        site.run_for(HOUR);
        assert_eq!(site.duty(number), DutyKind::Serving, "spent: {spent}");
        assert_eq!(site.valves[other].position(), Some(Position::Service));
        assert!(!site.alarm(Alarm::NoTankServing));
    }
}
