//! What is not known yet when power comes, and holds all the same: contacts, flow (C4, C7, M3, S8, S10).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::settings::RemoteRole;
use bedkeeper::units::{Flow, TankId};
use bedkeeper::{Action, Input, RawSettings};
use support::*;

const ONE: TankId = TankId(0);

/// Starts and what was asked since last heard.
fn starts<const N: usize>(site: &mut Site<N>) -> Vec<(u64, Event)> {
    let of_starts = |e: &Event| matches!(e, Event::Started { .. } | Event::Asked { .. });
    site.hear().into_iter().filter(|(_, e)| of_starts(e)).collect()
}

/// C4, C7, S10: a contact that holds starts and is still closed after a blink of power holds from the first moment, although
/// the valves are found before a contact is believed to be steady; open again, the start follows after its debounce.
#[test]
fn c4_a_hold_outlives_a_blink_of_power() {
    for (contact, hold) in [(Contact::Remote, Hold::HoldOff), (Contact::LowPressure, Hold::LowPressure)] {
        let mut raw = single();
        raw.remote = RemoteRole::HoldOff;
        let mut site = Site::<1>::new(raw);
        site.contact(contact, true);
        site.run_to(6 * HOUR);
        site.operate(Action::StartNow(ONE)).unwrap();
        assert_eq!(site.holds(1), [hold]);
        cut(&mut site, 5 * SEC, true);
        // The inputs of the power-up instant, in any order.
        site.contact(contact, true);
        site.hear();
        site.run_for(HOUR);
        assert_eq!((site.duty(1), site.holds(1), starts(&mut site)), (DutyKind::Serving, vec![hold], vec![]));
        site.contact(contact, false);
        site.run_for(10);
        site.contact(contact, true);
        site.run_for(HOUR);
        assert_eq!(site.duty(1), DutyKind::Serving, "a bounce clears nothing");
        site.contact(contact, false);
        site.run_for(SEC - 1);
        assert_eq!(site.duty(1), DutyKind::Serving);
        site.run_for(1);
        assert_eq!(site.duty(1), DutyKind::Regenerating);
    }
}

/// C4: closed at power-up is still no edge, and what acts by its edge is debounced as ever.
#[test]
fn c4_closed_at_power_up_is_no_edge() {
    let mut raw = single();
    raw.remote = RemoteRole::Now;
    let mut site = Site::<1>::without_clock(raw);
    site.contact(Contact::Remote, true);
    site.contact(Contact::Sensor, true);
    site.hear();
    site.run_for(DAY / 2);
    assert_eq!(starts(&mut site), []);
    site.contact(Contact::Sensor, false);
    site.run_for(MIN);
    site.contact(Contact::Sensor, true);
    let closed = site.now;
    site.run_for(SEC - 1);
    assert_eq!(starts(&mut site), []);
    site.run_for(1);
    assert_eq!(starts(&mut site)[0], (closed + SEC, Event::Asked { tank: ONE, cause: Cause::Sensor }));
}

/// One tank that starts below 2 L/min only, with pulses of a litre.
fn limited() -> RawSettings {
    let mut raw = single();
    raw.start_flow_limit = Flow(2_000);
    raw
}

/// C7, M3, S8: after power-up nobody knows the flow: a start waits until silence alone shows that it is low enough, to the
/// predicted millisecond.
#[test]
fn c7_after_power_up_a_start_waits_until_silence_tells_the_flow() {
    let mut site = Site::<1>::new(limited());
    site.run_to(6 * HOUR);
    cut(&mut site, 5 * SEC, true);
    let back = site.now;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(SEC);
    assert_eq!(site.holds(1), [Hold::FlowTooHigh]);
    // 1 L ÷ 2 001 mL/min = 29 985.007 ms.
    let falls = back + 29_986;
    assert_eq!(site.clears_at(1, Hold::FlowTooHigh), Some(falls));
    site.run_to(falls - 1);
    assert_eq!(site.duty(1), DutyKind::Serving);
    site.run_to(falls);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// A3, C7, M3: what was held for the flow does not begin after a blink of power while as much flows: neither before the first
/// pulse nor between it and the second.
#[test]
fn a3_a_blink_of_power_at_full_flow_starts_nothing() {
    let mut sharing = parallel(3);
    // Two tanks carry 40 L/min.
    sharing.sharing.tank_flow = Flow(20_000);
    held_through_a_blink::<3>(sharing, 1_100);
    held_through_a_blink::<1>(limited(), 6_000);
}

fn held_through_a_blink<const N: usize>(raw: RawSettings, spacing: u64) {
    let mut site = Site::<N>::new(raw);
    site.run_to(6 * HOUR);
    site.draw(20, spacing);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(10);
    assert_eq!(site.holds(1), [Hold::FlowTooHigh]);
    cut(&mut site, 2 * SEC, true);
    site.hear();
    site.draw(200, spacing);
    assert_eq!((site.holds(1), starts(&mut site)), (vec![Hold::FlowTooHigh], vec![]));
    // The flow ceases, and the start follows.
    let falls = site.clears_at(1, Hold::FlowTooHigh).unwrap();
    site.run_to(falls - 1);
    assert_eq!(starts(&mut site), []);
    site.run_to(falls);
    assert_eq!(starts(&mut site).len(), 1);
}

/// C7, M3: several pulses of one instant have no spacing: they tell no flow, and the most that may flow is one pulse divided by
/// the time since.
#[test]
fn m3_pulses_without_a_spacing_tell_no_flow() {
    let mut site = Site::<1>::without_clock(limited());
    site.run_to(HOUR);
    site.put(Input::Pulses { meter: 0, count: 3 }).unwrap();
    let at = site.now;
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.clears_at(1, Hold::FlowTooHigh), Some(at + 29_986));
    site.run_to(at + 29_986);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}
