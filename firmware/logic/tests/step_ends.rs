//! Steps that end by a metered volume or a contact, with a longest time (Q2, S11, S12).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{MeterPlace, Problem, RawSettings, RawStep, StepEnd};
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, Refused, Settings};
use support::*;

use StepKind::{Backwash, BrineDraw, BrineRefill, BrineWait, FastRinse, Settle, SlowRinse};

const ONE: TankId = TankId(0);

fn step(kind: StepKind, end: StepEnd) -> RawStep {
    RawStep { kind, length: Millis::from_mins(10), drain: Flow(1_000), end }
}

fn litres(volume: u64, longest_mins: u32) -> StepEnd {
    StepEnd::Volume { volume: Volume::from_litres(volume), longest: Millis::from_mins(longest_mins) }
}

fn contact(longest_mins: u32) -> StepEnd {
    StepEnd::Contact { longest: Millis::from_mins(longest_mins) }
}

/// A single tank with its own meter and a place of its own for every step.
fn metered(ends: &[(StepKind, StepEnd)]) -> RawSettings {
    let mut raw = with_drive(single(), cam_with(bedkeeper::settings::CamFeedback::SwitchPerPosition, false));
    raw.meter.place = MeterPlace::PerTank;
    let kinds = [Backwash, BrineDraw, SlowRinse, FastRinse, BrineRefill];
    let end = |kind| ends.iter().find(|(k, _)| *k == kind).map_or(StepEnd::Time, |(_, end)| *end);
    raw.program = kinds.iter().map(|kind| step(*kind, end(*kind))).collect();
    raw
}

fn ran<const N: usize>(site: &mut Site<N>, wanted: StepKind) -> Option<Millis> {
    site.hear().into_iter().find_map(|(_, e)| match e {
        Event::StepEnded { step, ran, .. } if step == wanted => Some(ran),
        _ => None,
    })
}

fn start(raw: RawSettings, step: StepKind) -> Site<1> {
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, step, 3 * HOUR);
    site.run_for(1);
    site.hear();
    site
}

/// Q2: a step ends at its metered volume, be that before its usual length or after it, and what the
/// meter counted goes to the drain's account.
#[test]
fn q2_a_step_ends_by_metered_volume() {
    for (pause, minutes) in [(30 * SEC, 5), (90 * SEC, 15)] {
        let mut site = start(metered(&[(Backwash, litres(10, 20))]), Backwash);
        let before = site.controller.accounts();
        site.draw(9, pause);
        assert_eq!(site.step(1), Some(Backwash));
        assert!(ran(&mut site, Backwash).is_none());
        site.draw(1, pause);
        let ran = ran(&mut site, Backwash).unwrap();
        assert!(ran.0.abs_diff(minutes * 60_000) < 2_000, "{ran:?}");
        let after = site.controller.accounts();
        assert_eq!(after.drained.0 - before.drained.0, u128::from(Volume::from_litres(10).0));
        assert_eq!((after.charged, after.untreated), (before.charged, before.untreated));
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        assert!(!site.alarm(Alarm::StepTooLong));
    }
}

/// Q2, C8: a refill that ends by its volume put that volume into the brine tank, however long it took.
#[test]
fn q2_a_metered_refill_is_accounted_for_by_its_meter() {
    let mut site = start(metered(&[(BrineRefill, litres(8, 20))]), BrineRefill);
    let before = site.controller.brine().water();
    let mut drawn = 0;
    while site.step(1) == Some(BrineRefill) {
        site.draw(1, 10 * SEC);
        drawn += 1;
    }
    assert!((8..=9).contains(&drawn), "{drawn}");
    assert_eq!(site.controller.brine().water().minus(before), Volume::from_litres(drawn));
}

/// Q2: only what the meter counts in the confirmed position ends a step.
#[test]
fn q2_volume_counts_only_in_the_confirmed_position() {
    let mut site = Site::<1>::new(metered(&[(Backwash, litres(10, 20))]));
    site.operate(Action::StartNow(ONE)).unwrap();
    // On the way to its position.
    site.run_for(3 * SEC);
    assert!(site.valves[0].is_turning());
    site.gulp(50);
    site.run_until_step(1, Backwash, 3 * HOUR);
    site.run_for(1);
    site.gulp(6);
    // Knocked out of place, the rest passes beside it.
    site.valves[0].put_after(Position::Backwash);
    site.tell_switches();
    site.run_for(2 * SEC);
    site.gulp(50);
    assert_eq!(site.step(1), Some(Backwash));
    site.run_until_step(1, Backwash, 3 * HOUR);
    site.run_for(1);
    site.gulp(3);
    assert_eq!(site.step(1), Some(Backwash));
    site.gulp(1);
    assert_ne!(site.step(1), Some(Backwash));
}

/// Q2: a common meter ends a step only where the site says that it counts the water of steps alone.
#[test]
fn q2_a_common_meter_may_count_the_steps_of_a_single_tank() {
    let mut raw = metered(&[(Backwash, litres(10, 20))]);
    raw.meter.place = MeterPlace::Common;
    let faults = Settings::try_from(raw.clone()).unwrap_err();
    assert_eq!(
        faults.listed().iter().map(|f| (f.field, f.index, f.problem)).collect::<Vec<_>>(),
        [("program", Some(0), Problem::NoMeterForStep)]
    );
    raw.meter.measures_steps = true;
    let mut site = start(raw, Backwash);
    let before = site.controller.accounts();
    site.draw(10, 10 * SEC);
    assert_ne!(site.step(1), Some(Backwash));
    let after = site.controller.accounts();
    assert_eq!(after.drained.0 - before.drained.0, u128::from(Volume::from_litres(10).0));
    assert_eq!((after.charged, after.untreated), (before.charged, before.untreated));
}

/// Q2: a refill ends when the float closes and has been believed, a draw when the level switch does,
/// a wait when the brine sensor does; nothing else ends them before their longest time.
#[test]
fn q2_a_step_ends_by_its_contact() {
    let all = [Contact::BrineFull, Contact::BrineEmpty, Contact::BrineReady];
    for (kind, own) in [(BrineRefill, all[0]), (BrineDraw, all[1]), (BrineWait, all[2])] {
        let mut raw = metered(&[]);
        raw.program.clear();
        for step_kind in [BrineRefill, BrineWait, Backwash, BrineDraw, SlowRinse, FastRinse] {
            let end = if step_kind == kind { contact(40) } else { StepEnd::Time };
            raw.program.push(step(step_kind, end)).unwrap();
        }
        let mut site = start(raw, kind);
        for other in all.into_iter().filter(|c| *c != own) {
            site.contact(other, true);
        }
        site.run_for(25 * MIN);
        assert_eq!(site.step(1), Some(kind), "{kind}");
        site.contact(own, true);
        // A blink is not believed.
        site.run_for(900);
        site.contact(own, false);
        site.run_for(5 * SEC);
        assert_eq!(site.step(1), Some(kind), "{kind}");
        site.contact(own, true);
        site.run_for(SEC);
        let ran = ran(&mut site, kind).unwrap();
        assert!(ran.0.abs_diff(25 * 60_000 + 6_900) < 1_500, "{kind} {ran:?}");
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        assert!(!site.alarm(Alarm::StepTooLong), "{kind}");
    }
}

/// Q2, S8: the longest time ends such a step with an alarm, at the instant the deadline names; the
/// alarm goes when a regeneration has ended without it.
#[test]
fn q2_the_longest_time_ends_a_step_with_an_alarm() {
    for (kind, end) in [(Backwash, litres(10, 20)), (BrineDraw, litres(10, 20)), (BrineRefill, contact(20))] {
        let mut raw = metered(&[(kind, end)]);
        raw.brine_ready_after = Millis::from_mins(1);
        let mut site = start(raw, kind);
        site.run_for(19 * MIN);
        assert_eq!((site.step(1), site.alarm(Alarm::StepTooLong)), (Some(kind), false));
        site.run_for(MIN + 2 * SEC);
        assert_eq!(ran(&mut site, kind), Some(Millis::from_mins(20)), "{kind}");
        assert!(site.alarm(Alarm::StepTooLong), "{kind}");
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        site.run_for(5 * MIN);
        assert!(site.alarm(Alarm::StepTooLong), "{kind}: it stands until one goes well");
        site.operate(Action::StartNow(ONE)).unwrap();
        site.run_until_step(1, kind, 3 * HOUR);
        site.run_for(1);
        match end {
            StepEnd::Contact { .. } => site.contact(Contact::BrineFull, true),
            _ => site.gulp(10),
        }
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        assert!(!site.alarm(Alarm::StepTooLong), "{kind}");
    }
}

/// Q2, S12: a rinse that brine waits for does not end at its longest time: it goes on with the alarm
/// until its volume has passed, or until a person steps forward, who may do so only then.
#[test]
fn s12_a_rinse_without_its_water_goes_on() {
    for kind in [SlowRinse, FastRinse] {
        let mut site = start(metered(&[(kind, litres(10, 20))]), kind);
        site.gulp(9);
        assert_eq!(site.operate(Action::StepForward(ONE)), Err(Refused::RinseFirst));
        // From the instant at which it has rinsed for its longest time a person may end it.
        let mut at_once = site.clone();
        while !at_once.alarm(Alarm::StepTooLong) {
            let due = at_once.controller.next_deadline().unwrap().as_ticks();
            at_once.run_to(due);
        }
        at_once.operate(Action::StepForward(ONE)).unwrap();
        site.run_for(2 * HOUR);
        assert_eq!((site.step(1), site.alarm(Alarm::StepTooLong)), (Some(kind), true), "{kind}");
        let mut by_hand = site.clone();
        site.gulp(1);
        assert_ne!(site.step(1), Some(kind), "{kind}");
        by_hand.operate(Action::StepForward(ONE)).unwrap();
        for site in [&mut site, &mut by_hand] {
            site.run_until_duty(1, DutyKind::Serving, 2 * HOUR);
            assert!(!site.controller.tanks()[0].is_unproven(), "{kind}");
        }
    }
}

/// Q2: water on one tank's meter ends no step of the other.
#[test]
fn q2_each_tank_has_its_own_meter() {
    let mut raw = alternating();
    raw.meter.place = MeterPlace::PerTank;
    raw.program[0].end = litres(10, 20);
    let mut site = Site::<2>::new(raw);
    site.put(Input::Pulses { meter: 0, count: 10_000 }).unwrap();
    site.run_until_step(1, Backwash, HOUR);
    site.run_for(1);
    site.put(Input::Pulses { meter: 1, count: 50 }).unwrap();
    site.run_for(1);
    assert_eq!(site.step(1), Some(Backwash));
    site.put(Input::Pulses { meter: 0, count: 10 }).unwrap();
    site.run_for(1);
    assert_eq!(site.step(1), Some(BrineDraw));
}

/// Q2, S4: the longest a regeneration may take counts the longest times.
#[test]
fn q2_the_longest_regeneration_counts_longest_times() {
    let plain = metered(&[]).longest_regeneration();
    let longer = metered(&[(Backwash, litres(10, 25)), (BrineRefill, contact(40))]).longest_regeneration();
    assert_eq!(longer.0 - plain.0, Millis::from_mins(15 + 30).0);
}

/// S11, Q2: a longest time below the usual length, a volume of nothing, a volume that no meter sees
/// and a contact that no step has are faults, each at its step.
#[test]
fn s11_faulty_ends_of_steps_are_refused() {
    let faults = |raw: RawSettings| {
        let faults = Settings::try_from(raw).unwrap_err();
        assert_eq!(faults.count(), 1, "{faults}");
        (faults.listed()[0].index, faults.listed()[0].problem)
    };
    assert_eq!(faults(metered(&[(Backwash, litres(10, 9))])), (Some(0), Problem::LongestBelowLength));
    assert_eq!(faults(metered(&[(BrineRefill, contact(9))])), (Some(4), Problem::LongestBelowLength));
    assert_eq!(faults(metered(&[(Backwash, litres(10, 13 * 60))])), (Some(0), Problem::StepTooLong));
    assert_eq!(faults(metered(&[(SlowRinse, litres(0, 20))])), (Some(2), Problem::NoVolumeForStep));
    assert_eq!(faults(metered(&[(FastRinse, contact(20))])), (Some(3), Problem::NoContactForStep));
    let mut still = metered(&[]);
    still.program.push(step(Settle, litres(1, 20))).unwrap();
    assert_eq!(faults(still), (Some(5), Problem::NoMeterForStep));
    let mut two = alternating();
    two.meter.measures_steps = true;
    assert_eq!(faults(two), (None, Problem::MeterSeesOthers));
}
