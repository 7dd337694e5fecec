//! Watches: flow without a pause, silent meters, maintenance, beds unproven (W1).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions
)]

mod support;

use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::StepKind;
use bedkeeper::settings::{MeterPlace, RawWatch, StartRule};
use bedkeeper::units::{Flow, Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, AlarmPhase, StoreWear};
use bedkeeper::{Action, Input, RawSettings};
use support::*;

/// One tank that no use exhausts, and watches as they are by default: more than 0.5 L/min for 6 h
/// without a minute's pause, 1 L pulses, so 120 s from pulse to pulse at the small flow.
fn watched() -> RawSettings {
    let mut raw = single();
    raw.medium = softener(10_000_000);
    raw.watch = RawWatch::default();
    raw
}

/// What was said of alarms; nothing else but the hour may have been said.
fn alarms<const N: usize>(site: &mut Site<N>) -> Vec<(u64, Event)> {
    site.hear().into_iter().filter(|(_, e)| *e != Event::HourFired).collect()
}

/// One pulse now; what follows from it is decided a millisecond later.
fn pulse<const N: usize>(site: &mut Site<N>, meter: u8) {
    site.put(Input::Pulses { meter, count: 1 }).unwrap();
}

/// W1, P2: the store tells its wear: from nine tenths of what its pages are rated for, or while it takes nothing. To repeat
/// a level changes nothing, and where the rating is not known wear alone says nothing.
#[test]
fn w1_the_wear_of_the_store_is_told() {
    let mut site: Site<1> = Site::new(watched());
    site.run_to(HOUR);
    site.hear();
    let mut told = |erasures, rated, fails| {
        site.put(Input::Store(StoreWear { erasures, rated, fails })).unwrap();
        alarms(&mut site).into_iter().map(|(_, event)| event).collect::<Vec<_>>()
    };
    assert_eq!(told(8_999, 10_000, false), []);
    assert_eq!(told(9_000, 10_000, false), [Event::AlarmRaised(Alarm::StoreWorn)]);
    assert_eq!(told(9_000, 10_000, false), []);
    assert_eq!(told(u32::MAX, u32::MAX, true), []);
    assert_eq!(told(u32::MAX, 0, false), [Event::AlarmCleared(Alarm::StoreWorn)]);
    assert_eq!(told(0, 0, true), [Event::AlarmRaised(Alarm::StoreWorn)]);
}

/// W1, M3: raised six hours after the pulse from which the flow has been above the small one, and cleared when
/// no pulse has come for as long as the small flow takes for one.
#[test]
fn w1_unbroken_flow_is_raised_and_cleared_to_the_millisecond() {
    let mut site: Site<1> = Site::new(watched());
    site.run_to(HOUR);
    let began = site.now;
    pulse(&mut site, 0);
    while site.now < began + 8 * HOUR {
        site.run_for(119_999);
        pulse(&mut site, 0);
    }
    let last = site.now;
    site.run_for(DAY);
    let expected = [
        (began + 6 * HOUR, Event::AlarmRaised(Alarm::UnbrokenFlow)),
        (last + 120_000, Event::AlarmCleared(Alarm::UnbrokenFlow)),
    ];
    assert_eq!(alarms(&mut site), expected);
    assert_eq!(site.controller.alarm(Alarm::UnbrokenFlow).phase, AlarmPhase::ReturnedUnacknowledged);
}

/// W1: a stretch that begins with a quiet pulse is an alarm in time, though nothing else is due until then.
#[test]
fn w1_a_quiet_pulse_brings_the_deadline_forward() {
    let mut raw = watched();
    raw.watch.silent_after = Millis::ZERO;
    let mut site: Site<1> = Site::new(raw);
    // The hour is over, and the next is a day away.
    site.run_to(3 * HOUR);
    let began = site.now;
    pulse(&mut site, 0);
    site.run_for(MIN);
    pulse(&mut site, 0);
    assert_eq!(site.controller.next_deadline(), Some(t(began + 6 * HOUR)));
    while site.now < began + 6 * HOUR - MIN {
        site.run_for(MIN);
        pulse(&mut site, 0);
    }
    site.run_for(MIN);
    let raised = (began + 6 * HOUR, Event::AlarmRaised(Alarm::UnbrokenFlow));
    assert_eq!(alarms(&mut site), [raised]);
}

/// W1: a pause begins the six hours anew; a flow that is no more than the small one is a pause.
#[test]
fn w1_a_pause_begins_the_hours_anew() {
    let mut site: Site<1> = Site::new(watched());
    site.run_to(HOUR);
    pulse(&mut site, 0);
    for _ in 0..3 {
        for _ in 0..170 {
            site.run_for(2 * MIN - 1);
            pulse(&mut site, 0);
        }
        // Exactly the small flow, once: two minutes at half a litre a minute are a pause.
        site.run_for(2 * MIN);
        pulse(&mut site, 0);
    }
    site.run_for(HOUR);
    assert_eq!(alarms(&mut site), []);
}

/// W1: with a fine meter a minute's pause is seen as such, though pulses of the small flow come seconds apart; less is none.
#[test]
fn w1_a_short_pause_is_none() {
    let mut raw = watched();
    raw.meter.pulse_nl = 100_000_000;
    raw.meter.rated_max = Flow(50_000);
    let mut site: Site<1> = Site::new(raw);
    site.run_to(HOUR);
    // A tenth of a litre in 12 s is the small flow.
    let burst = |site: &mut Site<1>, rest: u64| {
        for _ in 0..30 {
            site.run_for(10 * SEC);
            pulse(site, 0);
        }
        site.run_for(rest);
    };
    pulse(&mut site, 0);
    // Fifty seconds between the last pulse of a burst and the first of the next, which is too far apart
    // to be close: the pause ends where the first close pulse's water began.
    while site.now < 8 * HOUR {
        burst(&mut site, 49_999);
    }
    assert!(site.alarm(Alarm::UnbrokenFlow));
    let (mut longer, mut exact): (Site<1>, Site<1>) = (site.clone(), site.clone());
    burst(&mut site, 0);
    let close = site.now;
    assert!(site.alarm(Alarm::UnbrokenFlow));
    site.run_to(close + MIN - 1);
    assert!(site.alarm(Alarm::UnbrokenFlow));
    site.run_to(close + MIN);
    assert!(!site.alarm(Alarm::UnbrokenFlow));
    // A drip below the small flow does not bridge it.
    burst(&mut longer, 0);
    let close = longer.now;
    for _ in 0..3 {
        longer.run_for(19_500);
        pulse(&mut longer, 0);
    }
    // The flow after the last drip may be more, until it has been silent for 12 s.
    longer.run_to(close + 58_500 + 12_000 - 1);
    assert!(longer.alarm(Alarm::UnbrokenFlow));
    longer.run_to(close + 58_500 + 12_000);
    assert!(!longer.alarm(Alarm::UnbrokenFlow));
    // One that comes a minute after the last close pulse belongs to the next stretch.
    burst(&mut exact, 0);
    for _ in 0..3 {
        exact.run_for(20 * SEC);
        pulse(&mut exact, 0);
    }
    exact.run_for(1);
    assert!(!exact.alarm(Alarm::UnbrokenFlow));
}

/// W1: a pause that is just long enough ends a stretch, though a drip comes at its last millisecond: the six hours begin with
/// that drip.
#[test]
fn w1_a_drip_at_the_end_of_a_pause_begins_the_hours_anew() {
    let mut raw = watched();
    raw.meter.pulse_nl = 100_000_000;
    raw.meter.rated_max = Flow(50_000);
    let mut site: Site<1> = Site::new(raw);
    site.run_to(HOUR);
    let flow = |site: &mut Site<1>, until: u64| {
        while site.now < until {
            site.run_for(10 * SEC);
            pulse(site, 0);
        }
    };
    pulse(&mut site, 0);
    flow(&mut site, 6 * HOUR);
    // Three drips of less than the small flow, the third a minute after the last close pulse.
    for _ in 0..3 {
        site.run_for(20 * SEC);
        pulse(&mut site, 0);
    }
    let drip = site.now;
    flow(&mut site, drip + 6 * HOUR + HOUR);
    assert_eq!(alarms(&mut site), [(drip + 6 * HOUR, Event::AlarmRaised(Alarm::UnbrokenFlow))]);
}

/// W1: several meters are one flow.
#[test]
fn w1_unbroken_flow_may_pass_by_turns() {
    let mut raw = parallel(2);
    raw.meter.place = MeterPlace::PerTank;
    raw.medium = softener(10_000_000);
    raw.watch = RawWatch { silent_after: Millis::ZERO, ..RawWatch::default() };
    let mut site: Site<2> = Site::new(raw);
    site.run_to(HOUR);
    // Each alone tells of no more than the small flow: a litre in two minutes.
    let mut alone = site.clone();
    for _ in 0..4 * 60 {
        pulse(&mut alone, 0);
        alone.run_for(2 * MIN);
    }
    assert_eq!(alarms(&mut alone), []);
    let began = site.now;
    for _ in 0..4 * 60 {
        for meter in [0, 1] {
            pulse(&mut site, meter);
            site.run_for(MIN);
        }
    }
    assert_eq!(alarms(&mut site), [(began + 6 * HOUR, Event::AlarmRaised(Alarm::UnbrokenFlow))]);
}

/// W1: four days without a pulse while serving, from the last pulse; the next pulse clears it.
#[test]
fn w1_a_meter_is_silent_after_four_days() {
    let mut site: Site<1> = Site::new(watched());
    site.run_to(5 * HOUR);
    pulse(&mut site, 0);
    let last = site.now;
    site.run_to(last + 5 * DAY);
    pulse(&mut site, 0);
    let spoke = site.now;
    site.run_for(HOUR);
    let expected = [
        (last + 4 * DAY, Event::AlarmRaised(Alarm::MeterSilent)),
        (spoke + 1, Event::AlarmCleared(Alarm::MeterSilent)),
    ];
    assert_eq!(alarms(&mut site), expected);
}

/// W1: a meter that never spoke is silent from power-up on; one whose tank does not serve is not.
#[test]
fn w1_only_meters_of_serving_tanks_are_silent() {
    let mut raw = alternating();
    raw.meter.place = MeterPlace::PerTank;
    raw.watch = RawWatch::default();
    let mut site: Site<2> = Site::new(raw);
    site.run_to(3 * DAY);
    // Tank 2 takes over; tank 1 stood silent for three of four days.
    site.operate(Action::TakeOut(TankId(0))).unwrap();
    site.run_until_duty(2, bedkeeper::duty::DutyKind::Serving, HOUR);
    let took_over = site.hear().iter().rev().find(|(_, e)| matches!(e, Event::Duty { .. })).unwrap().0;
    site.run_to(took_over + 4 * DAY + HOUR);
    let said: Vec<_> = alarms(&mut site).into_iter().filter(|(_, e)| !matches!(e, Event::Drive { .. })).collect();
    assert_eq!(said, [(took_over + 4 * DAY, Event::AlarmRaised(Alarm::MeterSilent))]);
    assert_eq!(site.controller.alarm(Alarm::MeterSilent).tanks, TankSet(0b10));
    // Without the changeover it would have been tank 1, a day earlier.
    let mut raw = alternating();
    raw.watch = RawWatch::default();
    let mut site: Site<2> = Site::new(raw);
    site.run_to(4 * DAY + HOUR);
    assert_eq!(alarms(&mut site), [(4 * DAY, Event::AlarmRaised(Alarm::MeterSilent))]);
    assert_eq!(site.controller.alarm(Alarm::MeterSilent).tanks, TankSet::EMPTY);
}

/// W1: maintenance is due by volume at the very pulse, and no more once it was done.
#[test]
fn w1_service_is_due_by_volume() {
    let mut raw = watched();
    raw.watch.service_volume = Volume(500_500_000_000);
    let mut site: Site<1> = Site::new(raw);
    site.run_to(6 * HOUR);
    site.gulp(500);
    assert_eq!(alarms(&mut site), []);
    site.run_for(MIN);
    pulse(&mut site, 0);
    let due = site.now + 1;
    site.run_for(MIN);
    assert_eq!(alarms(&mut site), [(due, Event::AlarmRaised(Alarm::ServiceDue))]);
    site.operate(Action::Alarm(AlarmAction::Maintained)).unwrap();
    let done = site.now;
    assert_eq!(site.controller.service().volume(), Volume::ZERO);
    let said = site.hear();
    assert!(said.contains(&(done, Event::AlarmCleared(Alarm::ServiceDue))), "{said:?}");
    // From the maintenance on it is counted anew.
    site.gulp(500);
    assert!(!site.alarm(Alarm::ServiceDue));
    site.gulp(1);
    assert!(site.alarm(Alarm::ServiceDue));
}

/// W1: maintenance is due by complete regenerations and by days of 24 h.
#[test]
fn w1_service_is_due_by_regenerations_and_days() {
    let mut raw = watched();
    raw.watch.service_regenerations = 2;
    let mut site: Site<1> = Site::new(raw);
    for round in 0..2 {
        assert!(!site.alarm(Alarm::ServiceDue), "after {round}");
        site.run_for(HOUR);
        site.operate(Action::StartNow(TankId(0))).unwrap();
        // The brine of the last one has its time first.
        site.run_until_duty(1, bedkeeper::duty::DutyKind::Regenerating, 3 * HOUR);
        site.run_until_duty(1, bedkeeper::duty::DutyKind::Serving, 4 * HOUR);
    }
    let ended = site.hear().iter().rev().find(|(_, e)| matches!(e, Event::Ended { .. })).unwrap().0;
    assert!(site.said.iter().any(|r| r.event == Event::AlarmRaised(Alarm::ServiceDue) && r.at == t(ended)));

    let mut raw = watched();
    raw.watch.service_days = 3;
    raw.watch.silent_after = Millis::ZERO;
    let mut site: Site<1> = Site::new(raw);
    site.run_to(4 * DAY);
    assert_eq!(alarms(&mut site), [(3 * DAY, Event::AlarmRaised(Alarm::ServiceDue))]);
    site.operate(Action::Alarm(AlarmAction::Maintained)).unwrap();
    site.hear();
    site.run_to(8 * DAY);
    assert_eq!(alarms(&mut site), [(7 * DAY, Event::AlarmRaised(Alarm::ServiceDue))]);
}

/// W1, L3: a bed that drew brine and did not complete is an alarm with its tank, until it regenerated or somebody vouched.
#[test]
fn w1_l3_an_unproven_bed_is_an_alarm() {
    let mut site: Site<2> = Site::new(alternating());
    site.run_to(HOUR);
    site.operate(Action::StartNow(TankId(1))).unwrap();
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    site.run_for(MIN);
    site.hear();
    site.operate(Action::Abort(TankId(1))).unwrap();
    assert!(!site.alarm(Alarm::Unproven), "its rinses still run");
    site.run_until_duty(2, bedkeeper::duty::DutyKind::Spent, 2 * HOUR);
    let said = site.hear();
    let ended = said.iter().find(|(_, e)| matches!(e, Event::Ended { .. })).unwrap().0;
    let raised: Vec<_> = said.into_iter().filter(|(_, e)| matches!(e, Event::AlarmRaised(_))).collect();
    // Its rinse, in the position that draws, took the rest of the dose.
    assert_eq!(raised, [Alarm::Unproven, Alarm::BrineLow].map(|alarm| (ended, Event::AlarmRaised(alarm))));
    assert_eq!(site.controller.alarm(Alarm::Unproven).tanks, TankSet(0b10));
    // A refill of its own, for want of brine, proves nothing.
    let mut refilling = site.clone();
    refilling.operate(Action::Release(TankId(1))).unwrap();
    refilling.run_until_duty(2, DutyKind::Refilling, HOUR);
    assert!(refilling.alarm(Alarm::Unproven));
    site.operate(Action::Vouch(TankId(1))).unwrap();
    assert!(!site.alarm(Alarm::Unproven));
}

/// W1: watches that are off raise nothing, however long water flows or rests.
#[test]
fn w1_watches_that_are_off_raise_nothing() {
    let mut raw = watched();
    raw.watch = calm();
    let mut site: Site<1> = Site::new(raw);
    site.draw(1_000, 30 * SEC);
    site.run_for(30 * DAY);
    assert_eq!(alarms(&mut site), []);
}

// ---- meter-silent over regenerations and cuts ------------------------------------------------------------

/// W1: neither regenerations nor power cuts begin a silence anew; time in which the tank does not serve does not count. A pulse
/// does, also one that comes while nothing is expected.
#[test]
fn w1_only_a_pulse_ends_a_silence() {
    let mut raw = single();
    raw.watch.silent_after = Millis::from_hours(96);
    raw.start = StartRule::AtHour;
    raw.backup_days = 1;
    let mut site = Site::<1>::new(raw);
    // Minutes in which it served; each night it regenerates, and each noon power blinks.
    let silent_for = |site: &mut Site<1>| {
        let mut served = 0;
        for minute in 0..10 * 24 * 60 {
            site.run_for(MIN);
            served += u64::from(site.duty(1) == DutyKind::Serving);
            if minute % (24 * 60) == 12 * 60 {
                cut(site, 5 * SEC, true);
            }
            if site.alarm(Alarm::MeterSilent) {
                return Some(served);
            }
        }
        None
    };
    let first = silent_for(&mut site).unwrap();
    assert!(first.abs_diff(96 * 60) <= 15, "{first} min");
    assert!(site.said.iter().filter(|r| matches!(r.event, Event::Started { .. })).count() >= 4);
    // A pulse ends it, and the next silence is as long.
    site.gulp(1);
    site.run_for(SEC);
    assert!(!site.alarm(Alarm::MeterSilent));
    let second = silent_for(&mut site).unwrap();
    assert!(second.abs_diff(96 * 60) <= 15, "{second} min");
    // A long silence that a pulse ends is saved as ended.
    site.controller.saved();
    site.gulp(1);
    assert_ne!(site.controller.save_wish(), bedkeeper::Save::NotNeeded);
    // In a regeneration a pulse is one, too.
    site.run_for(3 * DAY);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_for(HOUR / 2);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.gulp(1);
    let third = silent_for(&mut site).unwrap();
    assert!(third.abs_diff(96 * 60) <= 15, "{third} min");
}
