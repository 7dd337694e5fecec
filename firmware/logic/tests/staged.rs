//! Staged sites: A4, A5, A7, C6, S1 to S3, S8.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::calendar::Weekdays;
use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::Position;
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{RawSettings, Reserve};
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);
const THREE: TankId = TankId(2);
const COMPLETE: Reason = Reason::Ended(Outcome::Complete);

fn duty(tank: TankId, duty: DutyKind, reason: Reason) -> Event {
    Event::Duty { tank, duty, reason }
}

fn duties<const N: usize>(site: &mut Site<N>) -> Vec<Event> {
    site.hear()
        .into_iter()
        .map(|(_, e)| e)
        .filter(|e| matches!(e, Event::Duty { .. } | Event::PurgeEnded { .. }))
        .collect()
}

fn kinds<const N: usize>(site: &Site<N>) -> Vec<DutyKind> {
    site.controller.tanks().iter().map(|t| t.duty().kind()).collect()
}

fn target<const N: usize>(site: &Site<N>, tank: usize) -> Option<Position> {
    site.controller.tanks()[tank].drive().target()
}

fn plant<const N: usize>(raw: RawSettings) -> Site<N> {
    let mut site = watched::<N>(raw);
    site.observer.as_mut().unwrap().always_served = true;
    site
}

use DutyKind::{Out, Purging, Ready, Regenerating, Serving, Spent};

/// A4: the second joins once the flow has stayed above its threshold for the dwell, the third above
/// its own; they leave below them less the hysteresis, after the dwell, and the lead stays.
#[test]
fn a4_tanks_join_and_leave_by_the_flow() {
    let mut site = plant::<3>(staged(3));
    assert_eq!(kinds(&site), [Serving, Ready, Ready]);
    // 30 L/min: above 20, below 40. The flow is known with the second pulse.
    site.draw(2, 2_000);
    let known = site.now;
    site.draw(29, 2_000);
    assert_eq!(duties(&mut site), [], "{} ms", site.now - known);
    site.run_to(known + MIN - 1);
    assert_eq!(kinds(&site), [Serving, Ready, Ready]);
    assert_eq!(target(&site, 2), None);
    site.run_to(known + MIN);
    // Of those that are ready the one nearest exhaustion joins: tank 3 began two thirds spent (L4).
    assert_eq!((target(&site, 1), target(&site, 2)), (None, Some(Position::Service)));
    site.draw(30, 2_000);
    assert_eq!(duties(&mut site), [duty(THREE, Serving, Reason::Joined)]);
    // 60 L/min.
    site.draw(120, 1_000);
    assert_eq!(duties(&mut site), [duty(TWO, Serving, Reason::Joined)]);
    // 36 L/min is below 40, but not by the hysteresis of 5.
    site.draw(120, 1_666);
    assert_eq!(duties(&mut site), []);
    // 30 L/min is: the freshest leaves, the one nearest exhaustion leads on.
    site.draw(60, 2_000);
    assert_eq!(duties(&mut site), [duty(ONE, Ready, Reason::FlowFell)]);
    // Silence: the next leaves.
    site.run_for(5 * MIN);
    assert_eq!(duties(&mut site), [duty(TWO, Ready, Reason::FlowFell)]);
    assert_eq!(kinds(&site), [Ready, Ready, Serving]);
    assert_eq!(site.alarms(), []);
}

/// A4, C1: a tank for which somebody has asked does not join, although it is nearest exhaustion and its bed good for more.
#[test]
fn a4_a_tank_that_is_asked_for_does_not_join() {
    let mut site = plant::<3>(staged(3));
    site.operate(Action::Hold(THREE)).unwrap();
    site.operate(Action::StartNow(THREE)).unwrap();
    site.hear();
    site.draw(62, 2_000);
    assert_eq!(duties(&mut site), [duty(TWO, Serving, Reason::Joined)]);
    assert_eq!(kinds(&site), [Serving, Serving, Ready]);
}

/// A7, A4: a tank that is taken out is replaced by one, not by two, and leaves then.
#[test]
fn a7_one_tank_replaces_one() {
    let mut site = plant::<4>(staged(4));
    site.draw(62, 2_000);
    assert_eq!(kinds(&site).iter().filter(|kind| **kind == Serving).count(), 2);
    site.hear();
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.draw(150, 2_000);
    let joined = |event: &&Event| matches!(event, Event::Duty { reason: Reason::Joined, .. });
    let said = duties(&mut site);
    assert_eq!(said.iter().filter(joined).count(), 1, "{said:?}");
    assert!(said.contains(&duty(ONE, Out, Reason::Operator)));
    assert_eq!(kinds(&site).iter().filter(|kind| **kind == Serving).count(), 2);
}

/// A4: a flow that stays for less than the dwell moves no valve, either way.
#[test]
fn a4_a_short_peak_moves_nothing() {
    let mut site = plant::<3>(staged(3));
    site.draw(28, 2_000);
    site.run_for(HOUR);
    assert_eq!((duties(&mut site), kinds(&site)), (vec![], vec![Serving, Ready, Ready]));
    site.draw(60, 2_000);
    assert_eq!(kinds(&site), [Serving, Ready, Serving]);
    site.hear();
    // A pause of half a minute, then on.
    site.run_for(30 * SEC);
    site.draw(30, 2_000);
    assert_eq!(duties(&mut site), []);
}

/// A4: a threshold is crossed upward by more than it only, and downward by less than it less the hysteresis.
#[test]
fn a4_thresholds_are_exact() {
    for (spacing_ms, joins) in [(3_000, false), (2_999, true)] {
        let mut site = plant::<2>(staged(2));
        site.draw(60, spacing_ms);
        assert_eq!(kinds(&site)[1] == Serving, joins, "{spacing_ms}");
    }
    for (spacing_ms, leaves) in [(4_000, false), (4_001, true)] {
        let mut site = plant::<2>(staged(2));
        site.draw(80, 2_000);
        assert_eq!(kinds(&site), [Serving, Serving]);
        site.draw(60, spacing_ms);
        assert_eq!(kinds(&site).contains(&Ready), leaves, "{spacing_ms}");
    }
}

/// A4, S3: the lead asks: another confirms in service before it leaves, regenerates and is ready.
#[test]
fn a4_s3_the_lead_is_replaced_before_it_leaves() {
    let mut site = plant::<3>(staged(3));
    site.gulp(10_000);
    assert_eq!((site.duty(1), site.holds(1)), (Serving, vec![Hold::ChangingOver]));
    site.run_for(4 * HOUR);
    let expected = [
        duty(THREE, Serving, Reason::Joined),
        duty(ONE, Spent, Reason::Relieved),
        duty(ONE, Regenerating, Reason::Started),
        duty(ONE, Ready, COMPLETE),
    ];
    assert_eq!(duties(&mut site), expected);
    assert_eq!(kinds(&site), [Ready, Ready, Serving]);
    assert_eq!(site.valves[0].position(), Some(Position::Standby));
}

/// A4, S3: a replacement that cannot come leaves the lead serving past zero, and the next one comes.
#[test]
fn a4_s3_a_stuck_replacement_leaves_the_lead_serving() {
    let mut site = plant::<3>(staged(3));
    site.valves[2].trouble.stuck = true;
    site.gulp(10_000);
    site.run_for(DAY);
    assert_eq!(kinds(&site)[1..], [Serving, Out]);
    // Its drive may be open to the drain, as far as anybody knows.
    let mut raw = staged(2);
    raw.sharing.join_above = [Flow(20_000)].into_iter().collect();
    let mut site = plant::<2>(raw);
    site.valves[1].trouble.stuck = true;
    site.gulp(10_100);
    site.run_for(DAY);
    assert_eq!(kinds(&site), [Serving, Out]);
    assert!(site.alarm(Alarm::Overrun) && site.alarm(Alarm::ValveLost));
    assert!(site.holds(1).contains(&Hold::NoTankToRelieve));
}

/// A4, S2: two serve by the flow and one of them asks: it leaves without a replacement if the other
/// can carry the flow, else it waits for that.
#[test]
fn a4_without_a_replacement_the_flow_decides() {
    let mut raw = staged(2);
    raw.sharing.tank_flow = Flow(25_000);
    let mut site = plant::<2>(raw);
    site.draw(60, 2_000);
    assert_eq!(kinds(&site), [Serving, Serving]);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.draw(30, 2_000);
    assert_eq!((site.duty(1), site.holds(1)), (Serving, vec![Hold::FlowTooHigh]));
    let falls = site.clears_at(1, Hold::FlowTooHigh).unwrap();
    site.run_to(falls);
    assert_eq!(kinds(&site), [Regenerating, Serving]);
}

/// C6: in a window in which tanks may not change over the lead serves on, and is replaced at its end.
#[test]
fn c6_no_changeover_in_a_window() {
    let mut raw = staged(2);
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    raw.changeover_in_window = false;
    let mut site = plant::<2>(raw);
    site.gulp(10_000);
    site.run_to(12 * HOUR - 1);
    assert_eq!(kinds(&site), [Serving, Ready]);
    assert!(site.holds(1).contains(&Hold::Blackout));
    site.run_for(5 * MIN);
    assert_eq!(kinds(&site), [Regenerating, Serving]);
}

/// A5: tanks that stood too long purge one at a time while others serve, and then join.
#[test]
fn a5_stale_tanks_purge_one_at_a_time() {
    let mut site = plant::<3>(staged(3));
    site.run_to(80 * HOUR);
    site.hear();
    // 60 L/min want all three.
    let mut purging = 0;
    for _ in 0..600 {
        site.draw(1, 1_000);
        purging = purging.max(kinds(&site).iter().filter(|k| **k == Purging).count());
    }
    let drained = Flow(8_000).over(Millis::from_mins(2));
    let expected = [
        duty(THREE, Purging, Reason::Stale),
        Event::PurgeEnded { tank: THREE, drained },
        duty(THREE, Ready, Reason::Purged),
        duty(THREE, Serving, Reason::Joined),
        duty(TWO, Purging, Reason::Stale),
        Event::PurgeEnded { tank: TWO, drained },
        duty(TWO, Ready, Reason::Purged),
        duty(TWO, Serving, Reason::Joined),
    ];
    let mut said = duties(&mut site);
    // Tank 2 may begin before tank 3 has travelled back; each tank's own order holds.
    said.sort_by_key(|e| match e {
        Event::Duty { tank, .. } | Event::PurgeEnded { tank, .. } => u8::MAX - tank.0,
        _ => 0,
    });
    assert_eq!(said, expected);
    assert_eq!(purging, 1);
}

/// A5, V3, S9: a purge that a lost valve keeps from the drain is given up, and the tank serves.
#[test]
fn a5_a_drain_taken_for_good_ends_the_wait_for_it() {
    let mut site = plant::<3>(staged(3));
    site.run_to(80 * HOUR);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, bedkeeper::program::StepKind::Backwash, HOUR);
    site.draw(70, 2_000);
    assert_eq!(kinds(&site), [Serving, Regenerating, Purging]);
    assert_eq!(site.valves[2].position(), Some(Position::Standby), "it waits for the drain");
    site.valves[1].trouble.stuck = true;
    site.draw(1_500, 2_000);
    assert_eq!(kinds(&site), [Serving, Out, Serving]);
    assert!(duties(&mut site).contains(&duty(THREE, Ready, Reason::DrainTaken)));
}

/// A7: taken out, the lead leaves once another serves; the last one stays.
#[test]
fn a7_the_lead_is_taken_out_once_replaced() {
    let mut site = plant::<2>(staged(2));
    site.operate(Action::TakeOut(ONE)).unwrap();
    assert_eq!(kinds(&site), [Serving, Ready]);
    site.run_for(3 * MIN);
    assert_eq!(duties(&mut site), [duty(TWO, Serving, Reason::Joined), duty(ONE, Out, Reason::Operator)]);
    assert!(site.operate(Action::TakeOut(TWO)).is_err());
    assert_eq!(site.alarms(), [Alarm::TankOut]);
    site.gulp(6_000);
    site.run_for(5 * MIN);
    assert_eq!((site.duty(2), site.holds(2)), (Serving, vec![Hold::NoTankToRelieve]));
}

/// A4, S2: the serving tank's drive is lost: a ready one takes its place, a spent one if there is no other.
#[test]
fn s2_a_lost_lead_is_replaced() {
    let mut site = watched::<2>(staged(2));
    site.valves[0].put_after(Position::Service);
    site.valves[0].trouble.stuck = true;
    site.tell_switches();
    site.run_for(HOUR);
    assert_eq!(kinds(&site), [Out, Serving]);
    let mut raw = staged(2);
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut site = watched::<2>(raw);
    site.gulp(10_000);
    site.run_for(5 * MIN);
    assert_eq!(kinds(&site), [Spent, Serving]);
    site.valves[1].put_after(Position::Service);
    site.valves[1].trouble.stuck = true;
    site.tell_switches();
    site.run_for(HOUR);
    assert_eq!(kinds(&site), [Serving, Out]);
    assert!(!site.alarm(Alarm::NoTankServing));
}

/// A4: over weeks of uneven use every tank has its turn and no hard water passes.
#[test]
fn a4_every_tank_has_its_turn() {
    let mut raw = staged(3);
    raw.reserve = Reserve::Fixed(Volume::from_litres(300));
    let mut site = plant::<3>(raw);
    for day in 0..30u64 {
        site.draw(200, 2_000);
        site.run_to((day + 1) * DAY);
        for _ in 0..20 {
            site.gulp(100);
            site.run_for(10 * MIN);
        }
        site.draw(300, 1_000);
    }
    let regenerated: Vec<usize> = [ONE, TWO, THREE]
        .map(|id| site.said.iter().filter(|r| matches!(r.event, Event::Started { tank, .. } if tank == id)).count())
        .to_vec();
    assert!(regenerated.iter().all(|n| *n >= 1), "{regenerated:?}");
    assert_eq!(site.controller.accounts().past_zero.0, 0);
    assert_eq!(site.controller.accounts().untreated, bedkeeper::units::TotalVolume(0));
    let charged: u64 = 30 * 2_500;
    assert_eq!(site.controller.accounts().charged.0, u128::from(Volume::from_litres(charged).0));
}
