//! The life of an alarm: onset, acknowledgement, return, latching, delays (W2, W3).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions
)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::journal::{Event, Who};
use bedkeeper::operator::AlarmAction;
use bedkeeper::units::{TankId, TankSet};
use bedkeeper::watch::{Alarm, AlarmDelay, AlarmPhase, AlarmSet, Severity};
use bedkeeper::{Action, Input, RawSettings, Refused};
use support::*;

const DEBOUNCE: u64 = SEC;

/// A site of one tank where nobody has anything to acknowledge.
fn quiet(raw: RawSettings) -> Site<1> {
    let mut site = Site::new(raw);
    // Before the clock is told it is unset.
    site.operate(Action::Alarm(AlarmAction::AcknowledgeAll)).unwrap();
    site.hear();
    site
}

fn delayed(onset_s: u16, return_s: u16) -> RawSettings {
    let mut raw = single();
    raw.watch.rules.delays.push(AlarmDelay { alarm: Alarm::LowPressure, onset_s, return_s }).unwrap();
    raw
}

fn phase(site: &Site<1>, alarm: Alarm) -> AlarmPhase {
    site.controller.alarm(alarm).phase
}

fn answer(site: &mut Site<1>, action: AlarmAction) -> Result<(), Refused> {
    site.operate(Action::Alarm(action))
}

/// What was said of alarms; nothing else may have been said but contacts, answers and the hour.
fn alarms(site: &mut Site<1>) -> Vec<(u64, Event)> {
    let said = site.hear();
    let other = |e: &Event| !matches!(e, Event::Contact { .. } | Event::Operator { .. } | Event::HourFired);
    said.into_iter().filter(|(_, e)| other(e)).collect()
}

/// Low pressure from now on, or no more; believed at the instant returned.
fn pressure_low(site: &mut Site<1>, low: bool) -> u64 {
    site.contact(Contact::LowPressure, low);
    site.now + DEBOUNCE
}

/// W2: normal, active unacknowledged, active acknowledged, normal.
#[test]
fn w2_an_acknowledged_alarm_returns_to_normal() {
    let mut site = quiet(single());
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
    assert_eq!(site.controller.alarm(Alarm::LowPressure).since, None);
    let raised = pressure_low(&mut site, true);
    site.run_to(raised - 1);
    assert_eq!(alarms(&mut site), []);
    site.run_to(raised);
    assert_eq!(alarms(&mut site), [(raised, Event::AlarmRaised(Alarm::LowPressure))]);
    let state = site.controller.alarm(Alarm::LowPressure);
    assert_eq!((state.phase, state.is_latched), (AlarmPhase::ActiveUnacknowledged, false));
    assert_eq!((state.since, state.tanks), (Some(t(raised / SEC * SEC)), TankSet::EMPTY));
    assert_eq!(site.controller.outputs().unacknowledged, AlarmSet::only(Alarm::LowPressure));

    site.run_for(5 * MIN);
    assert_eq!(answer(&mut site, AlarmAction::Acknowledge(Alarm::LowPressure)), Ok(()));
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::ActiveAcknowledged);
    assert_eq!(site.controller.outputs().unacknowledged, AlarmSet::EMPTY);
    assert!(site.alarm(Alarm::LowPressure));
    assert_eq!(answer(&mut site, AlarmAction::Acknowledge(Alarm::LowPressure)), Err(Refused::NothingToAcknowledge));

    let cleared = pressure_low(&mut site, false);
    site.run_to(cleared + HOUR);
    assert_eq!(alarms(&mut site), [(cleared, Event::AlarmCleared(Alarm::LowPressure))]);
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
    assert!(site.alarms().is_empty());
}

/// W2: an alarm that returned by itself waits for somebody to know of it; come again, it is active again.
#[test]
fn w2_an_alarm_that_returned_waits_for_acknowledgement() {
    let mut site = quiet(single());
    let raised = pressure_low(&mut site, true);
    site.run_to(raised + MIN);
    let cleared = pressure_low(&mut site, false);
    site.run_to(cleared);
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::ReturnedUnacknowledged);
    assert!(!site.alarm(Alarm::LowPressure));
    assert_eq!(site.controller.alarm(Alarm::LowPressure).since, Some(t(raised / SEC * SEC)));

    site.run_for(MIN);
    let again = pressure_low(&mut site, true);
    site.run_to(again);
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::ActiveUnacknowledged);
    assert_eq!(site.controller.alarm(Alarm::LowPressure).since, Some(t(again / SEC * SEC)));
    let gone = pressure_low(&mut site, false);
    site.run_to(gone);
    let expected = [
        (raised, Event::AlarmRaised(Alarm::LowPressure)),
        (cleared, Event::AlarmCleared(Alarm::LowPressure)),
        (again, Event::AlarmRaised(Alarm::LowPressure)),
        (gone, Event::AlarmCleared(Alarm::LowPressure)),
    ];
    assert_eq!(alarms(&mut site), expected);

    assert_eq!(answer(&mut site, AlarmAction::AcknowledgeAll), Ok(()));
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
    assert_eq!(answer(&mut site, AlarmAction::AcknowledgeAll), Err(Refused::NothingToAcknowledge));
    assert_eq!(alarms(&mut site), []);
}

/// W2: whoever answers is journalled with what he asked, granted or not.
#[test]
fn w2_answers_are_journalled_with_who() {
    let mut site = quiet(single());
    let action = Action::Alarm(AlarmAction::Acknowledge(Alarm::LowPressure));
    let refused = site.put(Input::Operator { who: Who::Serial, action });
    assert_eq!(refused, Err(Refused::NothingToAcknowledge));
    assert_eq!(site.hear(), [(site.now, Event::Operator { who: Who::Serial, action, granted: false })]);
    let raised = pressure_low(&mut site, true);
    site.run_to(raised);
    site.hear();
    assert_eq!(site.put(Input::Operator { who: Who::Panel, action }), Ok(()));
    assert_eq!(site.hear(), [(site.now, Event::Operator { who: Who::Panel, action, granted: true })]);
}

/// W2: onset and return wait for their delays to the millisecond; what comes and goes within is no alarm.
#[test]
fn w2_delays_are_kept_to_the_millisecond() {
    let mut site = quiet(delayed(90, 30));
    // Too short to be an alarm.
    let low = pressure_low(&mut site, true);
    site.run_to(low + 89 * SEC);
    pressure_low(&mut site, false);
    site.run_for(10 * MIN);
    assert_eq!(alarms(&mut site), []);
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
    // Long enough.
    let low = pressure_low(&mut site, true);
    let raised = low + 90 * SEC;
    site.run_to(raised - 1);
    assert!(!site.alarm(Alarm::LowPressure));
    site.run_to(raised);
    assert!(site.alarm(Alarm::LowPressure));
    assert_eq!(site.controller.alarm(Alarm::LowPressure).since, Some(t(raised / SEC * SEC)));
    // Gone too shortly to have returned.
    site.run_for(MIN);
    let high = pressure_low(&mut site, false);
    site.run_to(high + 28 * SEC);
    let low = pressure_low(&mut site, true);
    site.run_to(low + HOUR);
    assert!(site.alarm(Alarm::LowPressure));
    // Gone.
    let high = pressure_low(&mut site, false);
    site.run_to(high + 30 * SEC - 1);
    assert!(site.alarm(Alarm::LowPressure));
    site.run_to(high + HOUR);
    let expected =
        [(raised, Event::AlarmRaised(Alarm::LowPressure)), (high + 30 * SEC, Event::AlarmCleared(Alarm::LowPressure))];
    assert_eq!(alarms(&mut site), expected);
}

/// W2: a latching alarm stands until an operator resets it, and not while its condition stands.
#[test]
fn w2_a_latching_alarm_needs_an_operator() {
    let mut raw = single();
    raw.watch.rules.latching.insert(Alarm::LowPressure);
    let mut site = quiet(raw);
    assert_eq!(answer(&mut site, AlarmAction::Reset(Alarm::LowPressure)), Err(Refused::NothingToReset));
    let raised = pressure_low(&mut site, true);
    site.run_to(raised);
    assert_eq!(answer(&mut site, AlarmAction::Reset(Alarm::LowPressure)), Err(Refused::ConditionStands));
    let gone = pressure_low(&mut site, false);
    site.run_to(gone + 30 * DAY);
    let state = site.controller.alarm(Alarm::LowPressure);
    assert_eq!((state.phase, state.is_latched), (AlarmPhase::ActiveUnacknowledged, true));
    assert_eq!(answer(&mut site, AlarmAction::Acknowledge(Alarm::LowPressure)), Ok(()));
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::ActiveAcknowledged);
    let mut expected =
        vec![(raised, Event::AlarmRaised(Alarm::LowPressure)), (gone, Event::AlarmLatched(Alarm::LowPressure))];
    assert_eq!(alarms(&mut site), expected);
    // It comes again while it is latched: that is no news.
    let again = pressure_low(&mut site, true);
    site.run_to(again);
    assert_eq!(site.controller.alarm(Alarm::LowPressure).phase, AlarmPhase::ActiveAcknowledged);
    assert!(!site.controller.alarm(Alarm::LowPressure).is_latched);
    let gone = pressure_low(&mut site, false);
    site.run_to(gone);
    assert_eq!(answer(&mut site, AlarmAction::Reset(Alarm::LowPressure)), Ok(()));
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
    expected = vec![(gone, Event::AlarmLatched(Alarm::LowPressure)), (gone, Event::AlarmCleared(Alarm::LowPressure))];
    assert_eq!(alarms(&mut site), expected);
}

/// W2: unacknowledged and latched, a reset tells enough: nothing is left to acknowledge.
#[test]
fn w2_a_reset_acknowledges() {
    let mut raw = single();
    raw.watch.rules.latching.insert(Alarm::LowPressure);
    let mut site = quiet(raw);
    let raised = pressure_low(&mut site, true);
    site.run_to(raised);
    let gone = pressure_low(&mut site, false);
    site.run_to(gone);
    assert_eq!(answer(&mut site, AlarmAction::Reset(Alarm::LowPressure)), Ok(()));
    assert_eq!(phase(&site, Alarm::LowPressure), AlarmPhase::Normal);
}

/// W2, W3: an alarm carries its tanks, and a further one is news although the alarm was acknowledged.
#[test]
fn w3_a_further_tank_is_news() {
    let mut site: Site<2> = Site::new(alternating());
    site.operate(Action::TakeOut(TankId(1))).unwrap();
    let out = site.controller.alarm(Alarm::TankOut);
    assert_eq!(out.tanks, TankSet(0b10));
    site.operate(Action::Alarm(AlarmAction::AcknowledgeAll)).unwrap();
    site.hear();
    // The other one's drive is lost as well.
    site.valves[0].trouble.stuck = true;
    site.valves[0].put_after(bedkeeper::program::Position::Backwash);
    site.run_for(30 * MIN);
    let raised: Vec<_> = site.hear().iter().filter(|(_, e)| matches!(e, Event::AlarmRaised(_))).map(|x| x.1).collect();
    assert!(raised.contains(&Event::AlarmRaised(Alarm::TankOut)), "{raised:?}");
    let out = site.controller.alarm(Alarm::TankOut);
    assert_eq!((out.tanks, out.phase), (TankSet(0b11), AlarmPhase::ActiveUnacknowledged));
    assert_eq!(site.controller.alarm(Alarm::ValveLost).tanks, TankSet(0b01));
    // One comes back: the alarm stands for the other, and says nothing.
    site.operate(Action::Alarm(AlarmAction::AcknowledgeAll)).unwrap();
    site.hear();
    site.operate(Action::Vouch(TankId(1))).unwrap();
    let out = site.controller.alarm(Alarm::TankOut);
    assert_eq!((out.tanks, out.phase), (TankSet(0b01), AlarmPhase::ActiveAcknowledged));
    assert!(!site.hear().iter().any(|(_, e)| *e == Event::AlarmRaised(Alarm::TankOut)));
}

/// W2, V3: severities are settings; a valve lost where it may do harm is critical in any case.
#[test]
fn w2_v3_a_valve_lost_open_is_critical() {
    let mut raw = alternating();
    raw.watch.rules.set_severity(Alarm::ValveLost, Severity::Notice);
    raw.watch.rules.set_severity(Alarm::Overrun, Severity::Critical);
    let mut site: Site<2> = Site::new(raw);
    assert_eq!(site.controller.alarm(Alarm::ValveLost).severity, Severity::Notice);
    assert_eq!(site.controller.alarm(Alarm::Overrun).severity, Severity::Critical);
    site.valves[0].trouble.stuck = true;
    site.valves[0].put_after(bedkeeper::program::Position::Backwash);
    site.run_for(30 * MIN);
    assert!(site.alarm(Alarm::ValveLost));
    assert_eq!(site.controller.alarm(Alarm::ValveLost).severity, Severity::Critical);
}

/// W2: two delays that run at once, each to its own instant; a condition seen before settings changed
/// follows the new delay.
#[test]
fn w2_delays_do_not_disturb_each_other() {
    let mut raw = delayed(60, 0);
    raw.watch.rules.delays.push(AlarmDelay { alarm: Alarm::ClockUnset, onset_s: 45, return_s: 7 }).unwrap();
    let mut site = Site::new(raw);
    let low = pressure_low(&mut site, true);
    site.run_to(low + 20 * SEC);
    site.put(Input::Clock(None)).unwrap();
    let unset = site.now;
    site.run_to(low + 65 * SEC);
    let expected = [
        (unset, Event::ClockLost),
        (low + 60 * SEC, Event::AlarmRaised(Alarm::LowPressure)),
        (unset + 45 * SEC, Event::AlarmRaised(Alarm::ClockUnset)),
    ];
    assert_eq!(alarms(&mut site), expected);
    site.set_clock(MONDAY, 600);
    let set = site.now;
    site.run_for(MIN);
    let said: Vec<_> = alarms(&mut site).into_iter().filter(|(_, e)| !matches!(e, Event::ClockSet { .. })).collect();
    assert_eq!(said, [(set + 7 * SEC, Event::AlarmCleared(Alarm::ClockUnset))]);
}

/// W3: every alarm says what happened, what the logic does about it and what a person should look at.
#[test]
fn w3_every_alarm_has_its_words() {
    let mut texts = std::collections::BTreeSet::new();
    for alarm in Alarm::ALL {
        for text in [alarm.happened(), alarm.done(), alarm.look()] {
            assert!(text.ends_with('.') && text.starts_with(char::is_uppercase), "{alarm}: {text}");
        }
        assert!(texts.insert(alarm.happened()), "{alarm} says what another one says");
    }
}
