//! Why a regeneration is asked for, and who goes first (C1, C4, C6, C7).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::float_arithmetic,
    clippy::panic
)]

mod support;

use bedkeeper::calendar::Weekdays;
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::settings::{ExhaustedInWindow, RemoteRole, Reserve, Schedule, StartRule};
use bedkeeper::units::{Millis, TankId};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, RawSettings};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);

fn delayed(mut raw: RawSettings) -> RawSettings {
    raw.start = StartRule::AtHour;
    raw
}

fn started<const N: usize>(site: &mut Site<N>) -> Vec<(u64, TankId, Cause, Vec<Cause>)> {
    let of = |(at, e)| match e {
        Event::Started { tank, leading, causes, .. } => Some((at, tank, leading, causes.iter().collect())),
        _ => None,
    };
    site.hear().into_iter().filter_map(of).collect()
}

// ---- C1 -------------------------------------------------------------------------------------------

/// C1: the order of urgency.
#[test]
fn c1_causes_have_an_order_of_urgency() {
    let slugs: Vec<&str> = Cause::ALL.iter().map(|c| c.slug()).collect();
    assert_eq!(slugs, ["exhausted", "sensor", "manual", "remote", "reserve", "backup-day", "scheduled"]);
}

/// C1: several causes may stand; each latches, all are recorded, the most urgent leads; serving settles them all.
#[test]
fn c1_all_seven_causes_stand_and_the_first_leads() {
    let mut raw = delayed(single());
    raw.reserve = Reserve::Share(500);
    raw.backup_days = 1;
    raw.schedule = Schedule::EveryDays(1);
    raw.remote = RemoteRole::AtHour;
    raw.hour_minute = 12 * 60;
    // Everything waits for pressure.
    let mut site = Site::<1>::new(raw);
    for contact in [Contact::Remote, Contact::Sensor] {
        site.contact(contact, false);
    }
    site.contact(Contact::LowPressure, true);
    site.run_to(HOUR);
    site.gulp(1);
    let mut expected = vec![];
    let mut now_also = |site: &mut Site<1>, cause: Cause| {
        expected.insert(0, cause);
        assert_eq!(site.causes(1), expected);
    };
    // The least urgent first: today's hour, then tomorrow's for the bed of yesterday.
    site.run_to(12 * HOUR);
    now_also(&mut site, Cause::Scheduled);
    site.run_to(36 * HOUR);
    now_also(&mut site, Cause::BackupDay);
    site.gulp(4_999);
    now_also(&mut site, Cause::Reserve);
    site.contact(Contact::Remote, true);
    site.run_for(SEC);
    now_also(&mut site, Cause::Remote);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    now_also(&mut site, Cause::Manual);
    site.contact(Contact::Sensor, true);
    site.run_for(SEC);
    now_also(&mut site, Cause::Sensor);
    site.gulp(5_000);
    now_also(&mut site, Cause::Exhausted);
    // What asked may cease; the causes stay.
    site.contact(Contact::Sensor, false);
    site.contact(Contact::Remote, false);
    site.run_for(HOUR);
    assert_eq!(site.causes(1), Cause::ALL);
    site.contact(Contact::LowPressure, false);
    site.run_for(SEC);
    assert_eq!(started(&mut site), [(site.now, ONE, Cause::Exhausted, Cause::ALL.to_vec())]);
    site.run_until_duty(1, DutyKind::Serving, 4 * HOUR);
    assert_eq!(site.causes(1), []);
}

/// C1: an operator withdraws what was asked; what still holds true asks anew, the rest stays away.
#[test]
fn c1_withdrawn_by_an_operator() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(6 * HOUR);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    assert_eq!(site.causes(1), [Cause::Manual]);
    site.operate(Action::Withdraw(ONE)).unwrap();
    assert_eq!((site.causes(1), site.holds(1)), (vec![], vec![]));
    site.run_for(2 * DAY);
    assert_eq!(started(&mut site), []);
    // What is left of the bed has not changed.
    site.gulp(10_000);
    assert_eq!(site.causes(1), [Cause::Exhausted]);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    site.hear();
    site.operate(Action::Withdraw(ONE)).unwrap();
    assert_eq!(site.causes(1), [Cause::Exhausted]);
    assert!(site.hear().iter().any(|(_, e)| *e == Event::Asked { tank: ONE, cause: Cause::Exhausted }));
}

/// C1: a hardness monitor asks by its edge for the tank that serves; found closed at power-up it is no edge.
#[test]
fn c1_the_sensor_asks_for_the_serving_tank() {
    let mut site = Site::<2>::new(delayed(alternating()));
    site.contact(Contact::Sensor, false);
    site.run_to(6 * HOUR);
    site.contact(Contact::Sensor, true);
    site.run_for(SEC - 1);
    assert_eq!(site.causes(1), []);
    site.run_for(1);
    assert_eq!((site.causes(1), site.causes(2)), (vec![Cause::Sensor], vec![]));
    let mut site = Site::<2>::new(delayed(alternating()));
    site.contact(Contact::Sensor, true);
    site.run_for(DAY);
    assert_eq!(site.controller.asked().first(), None);
}

// ---- C4 -------------------------------------------------------------------------------------------

/// A single-tank site with this remote role, its contact known open, at 06:00 with 100 L served.
fn remote(role: RemoteRole, minimum: Millis) -> Site<1> {
    let mut raw = delayed(single());
    raw.remote = role;
    raw.remote_minimum = minimum;
    let mut site = Site::<1>::new(raw);
    site.contact(Contact::Remote, false);
    site.run_to(6 * HOUR);
    site.gulp(100);
    site.hear();
    site
}

/// C4: off: the contact is not looked at.
#[test]
fn c4_off_the_contact_is_not_looked_at() {
    let mut site = remote(RemoteRole::Off, Millis::from_secs(1));
    site.contact(Contact::Remote, true);
    site.run_for(3 * HOUR);
    assert_eq!(site.hear(), []);
}

/// C4: `now` starts at once, `at-hour` at the regeneration hour; both are journalled.
#[test]
fn c4_now_and_at_hour() {
    let mut site = remote(RemoteRole::Now, Millis::from_secs(1));
    site.contact(Contact::Remote, true);
    let at = site.now + SEC;
    site.run_for(2 * SEC);
    let said = site.hear();
    assert_eq!(said[0], (at, Event::Contact { contact: Contact::Remote, closed: true }));
    assert_eq!(said[1], (at, Event::Asked { tank: ONE, cause: Cause::Remote }));
    assert!(matches!(said[2], (s, Event::Started { leading: Cause::Remote, .. }) if s == at));
    let mut site = remote(RemoteRole::AtHour, Millis::from_secs(1));
    site.contact(Contact::Remote, true);
    site.run_for(SEC);
    assert_eq!((site.causes(1), site.holds(1)), (vec![Cause::Remote], vec![Hold::UntilHour]));
    site.run_to(2 * DAY);
    assert_eq!(started(&mut site), [(26 * HOUR, ONE, Cause::Remote, vec![Cause::Remote])]);
}

/// C4: debounced: shorter closures, and a chatter of them, are nothing.
#[test]
fn c4_debounced() {
    let mut site = remote(RemoteRole::Now, Millis::ZERO);
    for _ in 0..20 {
        site.contact(Contact::Remote, true);
        site.run_for(SEC - 1);
        site.contact(Contact::Remote, false);
        site.run_for(100);
    }
    site.run_for(HOUR);
    assert_eq!(site.hear(), []);
}

/// C4: a minimum closure, to the millisecond, as the pin had it; the closure is edge-triggered: one start each.
#[test]
fn c4_a_minimum_closure() {
    for (closed_ms, asks) in [(4_999, false), (4_500, false), (5_000, true), (60_000, true)] {
        let mut site = remote(RemoteRole::AtHour, Millis::from_secs(5));
        site.contact(Contact::Remote, true);
        site.run_for(closed_ms);
        site.contact(Contact::Remote, false);
        site.run_for(MIN);
        assert_eq!(site.causes(1).len(), usize::from(asks), "{closed_ms}");
    }
    // A flicker shorter than the debounce does not end it.
    let mut site = remote(RemoteRole::AtHour, Millis::from_secs(5));
    let from = site.now;
    site.contact(Contact::Remote, true);
    site.run_for(4_000);
    site.contact(Contact::Remote, false);
    site.run_for(500);
    site.contact(Contact::Remote, true);
    site.run_to(from + 4_999);
    assert_eq!(site.causes(1), []);
    site.run_for(1);
    assert_eq!(site.causes(1), [Cause::Remote]);
}

/// C4: edge-triggered: closed at power-up is no edge, nor is staying closed after it was served.
#[test]
fn c4_closed_at_power_up_is_no_edge() {
    let mut raw = single();
    raw.remote = RemoteRole::Now;
    let mut site = Site::<1>::new(raw);
    site.contact(Contact::Remote, true);
    site.run_for(DAY);
    assert_eq!(started(&mut site), []);
    site.contact(Contact::Remote, false);
    site.run_for(MIN);
    site.contact(Contact::Remote, true);
    site.run_for(DAY);
    assert_eq!(started(&mut site).len(), 1);
}

/// C4: asks for the tank nearest exhaustion; ignored and journalled during that tank's regeneration, and never made up for.
#[test]
fn c4_ignored_while_its_tank_regenerates() {
    let mut raw = alternating();
    raw.remote = RemoteRole::Now;
    let mut site = Site::<2>::new(raw);
    site.contact(Contact::Remote, false);
    site.run_to(6 * HOUR);
    site.gulp(10);
    site.contact(Contact::Remote, true);
    site.run_for(SEC);
    assert_eq!((site.causes(1), site.causes(2)), (vec![Cause::Remote], vec![]));
    site.run_until_duty(1, DutyKind::Regenerating, HOUR);
    site.contact(Contact::Remote, false);
    site.run_for(MIN);
    site.hear();
    site.contact(Contact::Remote, true);
    site.run_for(SEC);
    assert_eq!(
        site.hear().into_iter().filter(|(_, e)| !matches!(e, Event::Drive { .. })).map(|(_, e)| e).collect::<Vec<_>>(),
        [Event::Contact { contact: Contact::Remote, closed: true }, Event::RemoteIgnored { tank: ONE }]
    );
    site.run_for(DAY);
    assert_eq!(started(&mut site), []);
}

/// C4: hold-off is a level: closed = no start, also when found so at power-up; open again, the start follows.
#[test]
fn c4_hold_off_is_a_level() {
    let mut raw = single();
    raw.remote = RemoteRole::HoldOff;
    let mut site = Site::<1>::new(raw);
    site.contact(Contact::Remote, true);
    site.run_to(6 * HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.holds(1), [Hold::HoldOff]);
    assert_eq!(site.clears_at(1, Hold::HoldOff), None);
    site.contact(Contact::Remote, false);
    site.run_for(SEC - 1);
    assert_eq!(site.duty(1), DutyKind::Serving);
    site.run_for(1);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    // It stops starts, never a regeneration under way.
    site.contact(Contact::Remote, true);
    site.run_until_duty(1, DutyKind::Serving, 4 * HOUR);
}

/// C4: a hold-off closed for its limit raises `contact-stuck`, to the millisecond; opening clears it.
#[test]
fn c4_a_stuck_hold_off_is_raised() {
    let mut site = remote(RemoteRole::HoldOff, Millis::ZERO);
    let from = site.now;
    site.contact(Contact::Remote, true);
    site.run_to(from + 48 * HOUR + HOUR);
    site.contact(Contact::Remote, false);
    site.run_for(SEC);
    let alarms: Vec<_> =
        site.hear().into_iter().filter(|(_, e)| matches!(e, Event::AlarmRaised(_) | Event::AlarmCleared(_))).collect();
    assert_eq!(
        alarms,
        [
            (from + 48 * HOUR, Event::AlarmRaised(Alarm::ContactStuck)),
            (site.now, Event::AlarmCleared(Alarm::ContactStuck))
        ]
    );
    // The other roles have no such limit.
    let mut site = remote(RemoteRole::AtHour, Millis::ZERO);
    site.contact(Contact::Remote, true);
    site.run_for(5 * DAY);
    assert!(!site.said.iter().any(|r| r.event == Event::AlarmRaised(Alarm::ContactStuck)));
}

// ---- C6 -------------------------------------------------------------------------------------------

fn window_all_day(rule: ExhaustedInWindow) -> RawSettings {
    let mut raw = single();
    raw.windows = [window(Weekdays::ALL_DAYS, 6 * 60, 22 * 60)].into_iter().collect();
    raw.exhausted_in_window = rule;
    raw
}

/// C6: exhausted in a window: `wait` serves on, raising `overrun`; `override` starts.
#[test]
fn c6_exhausted_in_a_window_waits_or_overrides() {
    let mut waits = Site::<1>::new(window_all_day(ExhaustedInWindow::Wait));
    waits.run_to(12 * HOUR);
    waits.gulp(10_001);
    assert_eq!((waits.duty(1), waits.holds(1)), (DutyKind::Serving, vec![Hold::Blackout]));
    assert!(waits.controller.outputs().alarms.contains(Alarm::Overrun));
    waits.run_to(22 * HOUR - 1);
    assert_eq!(waits.duty(1), DutyKind::Serving);
    waits.run_to(22 * HOUR);
    assert_eq!(waits.duty(1), DutyKind::Regenerating);
    let mut overrides = Site::<1>::new(window_all_day(ExhaustedInWindow::Override));
    overrides.run_to(12 * HOUR);
    overrides.gulp(10_001);
    assert_eq!(overrides.duty(1), DutyKind::Regenerating);
    // Only exhaustion overrides, and before a window as well as in it.
    for (at, hold) in [(12 * HOUR, Hold::Blackout), (5 * HOUR, Hold::WouldEnterBlackout)] {
        let mut site = Site::<1>::new(window_all_day(ExhaustedInWindow::Override));
        site.run_to(at);
        site.operate(Action::StartNow(ONE)).unwrap();
        assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![hold]));
        site.gulp(10_000);
        assert_eq!(site.duty(1), DutyKind::Regenerating);
    }
}

/// C6: changing over to a fresh tank in a window is allowed, and the spent one waits; not allowed, the old one serves on to the window's end.
#[test]
fn c6_changing_over_in_a_window() {
    for allowed in [true, false] {
        let mut raw = alternating();
        raw.windows = [window(Weekdays::ALL_DAYS, 6 * 60, 22 * 60)].into_iter().collect();
        raw.changeover_in_window = allowed;
        let mut site = Site::<2>::new(raw);
        site.run_to(12 * HOUR);
        site.gulp(10_000);
        site.run_for(10 * MIN);
        if allowed {
            assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Spent, DutyKind::Serving));
            assert_eq!(site.holds(1), [Hold::Blackout]);
            assert_eq!(site.clears_at(1, Hold::Blackout), Some(22 * HOUR));
        } else {
            assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Ready));
            assert_eq!(site.holds(1), [Hold::NoTankToRelieve, Hold::Blackout]);
            assert_eq!(site.clears_at(1, Hold::NoTankToRelieve), Some(22 * HOUR));
        }
        site.run_to(22 * HOUR - 1);
        site.hear();
        site.run_to(22 * HOUR + 10 * MIN);
        let began =
            site.hear().into_iter().find(|(_, e)| matches!(e, Event::ChangeoverBegan { .. } | Event::Started { .. }));
        assert_eq!(began.map(|(at, _)| at), Some(22 * HOUR));
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    }
}

// ---- C7 -------------------------------------------------------------------------------------------

/// Two tanks of which tank 1 waits spent and tank 2 serves, in a window until 22:00.
fn one_spent() -> Site<2> {
    let mut raw = alternating();
    raw.windows = [window(Weekdays::ALL_DAYS, 6 * 60, 22 * 60)].into_iter().collect();
    let mut site = Site::<2>::new(raw);
    site.run_to(12 * HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(10 * MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Spent, DutyKind::Serving));
    site
}

/// C7: a serving tank with the more urgent cause that cannot start blocks nobody: the off-line one goes.
#[test]
fn c7_the_off_line_tank_goes_before_a_serving_one() {
    let mut site = one_spent();
    // Tank 2 is exhausted, a more urgent cause, but it serves and has nobody to relieve it.
    site.gulp(10_000);
    assert_eq!((site.causes(1), site.causes(2)), (vec![Cause::Manual], vec![Cause::Exhausted]));
    assert_eq!(site.holds(2), [Hold::NoTankToRelieve, Hold::Blackout]);
    site.run_to(23 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    site.run_for(6 * HOUR);
    let order: Vec<TankId> = started(&mut site).into_iter().map(|(_, tank, ..)| tank).collect();
    assert_eq!(order[..1], [ONE]);
}

/// C7: a tank that an operator holds blocks nobody else: the other starts.
#[test]
fn c7_a_held_tank_blocks_nobody() {
    let mut site = one_spent();
    site.operate(Action::Vouch(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Ready);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::Hold(ONE)).unwrap();
    site.run_to(22 * HOUR + MIN);
    assert_eq!(site.holds(1), [Hold::OperatorHold]);
    assert_eq!(site.duty(2), DutyKind::Serving);
    site.operate(Action::Withdraw(ONE)).unwrap();
    // Held but asking for nothing it can relieve the other.
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_for(10 * MIN);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Regenerating));
}
