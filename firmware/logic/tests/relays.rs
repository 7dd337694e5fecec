//! Relays: each program to the millisecond, and their times whatever happens (Y1, Y2).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions
)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::{Position, StepKind, StepSet};
use bedkeeper::relay::{RELAYS, RawRelay, RelayProgram};
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::{Flow, Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, Severity};
use bedkeeper::{Action, Controller, Input, RawSettings, Refused, Settings};
use proptest::prelude::*;
use support::random::{Op, ops, site};
use support::*;

fn relay(program: RelayProgram) -> RawRelay {
    RawRelay { program, ..RawRelay::default() }
}

/// A site whose first relay does this.
fn with_relay(mut raw: RawSettings, relay: RawRelay) -> RawSettings {
    raw.relays[0] = relay;
    raw
}

/// Lets time pass and tells when the first relay's level changed: (ms, level).
fn levels<const N: usize>(site: &mut Site<N>, until: u64) -> Vec<(u64, bool)> {
    let mut changes = Vec::new();
    let mut level = site.controller.outputs().relays[0];
    while site.now < until {
        let due = site.controller.next_deadline().map_or(until, |d| d.as_ticks());
        // Switches change at steps of 100 ms while a valve turns.
        let turning = site.valves.iter().any(|v| v.is_turning() || v.told != Some(v.switches()));
        let next = if turning { due.min(site.now + 100) } else { due };
        site.run_to(next.min(until));
        let now = site.controller.outputs().relays[0];
        if now != level {
            changes.push((site.now, now));
            level = now;
        }
    }
    // Nothing but the first relay does anything.
    assert_eq!(site.controller.outputs().relays[1..], [false; RELAYS - 1]);
    changes
}

fn on<const N: usize>(site: &Site<N>) -> bool {
    site.controller.outputs().relays[0]
}

/// Y1: power-up leaves every pin low until the first decision, whatever the polarity.
#[test]
fn y1_relays_are_low_until_the_first_decision() {
    let mut raw = single();
    for (relay, inverted) in raw.relays.iter_mut().zip([false, true, false, true]) {
        *relay = RawRelay { program: RelayProgram::FailSafe, inverted, ..RawRelay::default() };
    }
    raw.relays[3].program = RelayProgram::Unused;
    let mut controller: Controller<1> = Controller::new(t(0), Settings::try_from(raw).unwrap()).unwrap();
    assert_eq!(controller.outputs().relays, [false; RELAYS]);
    controller.handle(t(0), Input::Tick).unwrap();
    assert_eq!(controller.outputs().relays, [false; RELAYS]);
    controller.handle(t(1), Input::Tick).unwrap();
    // Healthy: on, and for the inverted one its coil is off; an unused one is never energised.
    assert_eq!(controller.outputs().relays, [true, false, true, false]);
}

/// Y1: `unused` is never on.
#[test]
fn y1_unused_is_never_on() {
    let mut site: Site<2> = Site::new(alternating());
    site.operate(Action::StartNow(TankId(1))).unwrap();
    assert_eq!(levels(&mut site, 3 * HOUR), []);
}

/// Y1, W2: `on-alarm` follows alarms that are grave enough, acknowledged or not, and no others.
#[test]
fn y1_on_alarm_follows_severity() {
    let mut raw = with_relay(single(), relay(RelayProgram::OnAlarm(Severity::Warning)));
    raw.watch.rules.set_severity(Alarm::ClockUnset, Severity::Notice);
    let mut site: Site<1> = Site::new(raw);
    site.put(Input::Clock(None)).unwrap();
    assert!(site.alarm(Alarm::ClockUnset) && !on(&site));
    site.contact(Contact::LowPressure, true);
    let raised = site.now + SEC;
    assert_eq!(levels(&mut site, raised + HOUR), [(raised, true)]);
    site.operate(Action::Alarm(AlarmAction::AcknowledgeAll)).unwrap();
    assert!(on(&site));
    site.contact(Contact::LowPressure, false);
    let cleared = site.now + SEC;
    assert_eq!(levels(&mut site, cleared + HOUR), [(cleared, false)]);
}

/// Y1, Q2: `during` is on in the chosen steps of the chosen tanks, while the valve is confirmed in position.
#[test]
fn y1_during_follows_steps_in_position() {
    let mut steps = StepSet::only(StepKind::Backwash);
    steps.insert(StepKind::FastRinse);
    let during = |tanks| with_relay(alternating(), relay(RelayProgram::During { steps, tanks: TankSet(tanks) }));
    for (tanks, seen) in [(0b10, true), (0b01, false), (0b11, true)] {
        let mut site: Site<2> = Site::new(during(tanks));
        site.run_to(HOUR);
        site.hear();
        site.operate(Action::StartNow(TankId(1))).unwrap();
        let changes = levels(&mut site, 4 * HOUR);
        let mut expected = Vec::new();
        for (at, event) in site.hear() {
            match event {
                Event::StepStarted { step, .. } if steps.contains(step) => expected.push((at, true)),
                Event::StepEnded { step, .. } if steps.contains(step) => expected.push((at, false)),
                _ => {}
            }
        }
        assert_eq!(expected.len(), 4);
        assert_eq!(changes, if seen { expected } else { vec![] }, "{tanks:b}");
    }
}

/// Y1: `after-start` is on from its delay for its length, and ends with the regeneration.
#[test]
fn y1_after_start_keeps_delay_and_length() {
    let program = RelayProgram::AfterStart { delay: Millis(754_321), length: Millis(600_007) };
    let mut site: Site<2> = Site::new(with_relay(alternating(), relay(program)));
    site.run_to(HOUR);
    site.operate(Action::StartNow(TankId(1))).unwrap();
    let started = site.now;
    assert_eq!(site.duty(2), DutyKind::Regenerating);
    let expected = [(started + 754_321, true), (started + 754_321 + 600_007, false)];
    assert_eq!(levels(&mut site, started + 6 * HOUR), expected);
    // Aborted before the brine draw: over at once.
    site.operate(Action::StartNow(TankId(1))).unwrap();
    let started = site.now;
    assert_eq!(levels(&mut site, started + 754_321 + MIN), [(started + 754_321, true)]);
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    site.operate(Action::Abort(TankId(1))).unwrap();
    site.run_until_duty(2, DutyKind::Spent, 2 * HOUR);
    assert!(!on(&site));
}

/// Y1, C8: a refill for want of brine is no regeneration: `after-start` waits for that.
#[test]
fn y1_after_start_waits_for_a_regeneration() {
    let program = RelayProgram::AfterStart { delay: Millis(10_000), length: Millis(20_000) };
    let mut site: Site<2> = Site::new(with_relay(alternating(), relay(program)));
    site.contact(Contact::BrineEmpty, false);
    site.run_for(2 * SEC);
    site.contact(Contact::BrineEmpty, true);
    site.run_for(2 * SEC);
    site.operate(Action::StartNow(TankId(1))).unwrap();
    assert_eq!(site.duty(2), DutyKind::Refilling);
    let until = site.now + 6 * HOUR;
    let changes = levels(&mut site, until);
    let started = site.said.iter().find(|r| matches!(r.event, Event::Started { .. })).unwrap().at.as_ticks();
    assert_eq!(changes, [(started + 10_000, true), (started + 30_000, false)]);
}

fn dosing(volume: Volume, on: u32, off: u32) -> RawSettings {
    let mut raw = single();
    raw.medium = softener(10_000_000);
    let program = RelayProgram::PerVolume { volume, on: Millis(on) };
    with_relay(raw, RawRelay { min_off: Millis(off), ..relay(program) })
}

/// Y1: `per-volume` is on once for each volume, from the pulse that completes it, for exactly its time.
#[test]
fn y1_per_volume_is_on_for_each_volume() {
    let mut site: Site<1> = Site::new(dosing(Volume(2_500_000_000), 700, 300));
    site.run_to(HOUR);
    let mut changes = Vec::new();
    for _ in 0..10 {
        let until = site.now + 10 * SEC;
        changes.extend(levels(&mut site, until));
        site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    }
    let until = site.now + HOUR;
    changes.extend(levels(&mut site, until));
    // 2.5 L: after the 3rd, 5th, 8th and 10th litre.
    let expected: Vec<_> = [3, 5, 8, 10]
        .into_iter()
        .flat_map(|litre| {
            let at = HOUR + litre * 10 * SEC + 1;
            [(at, true), (at + 700, false)]
        })
        .collect();
    assert_eq!(changes, expected);
}

/// Y1: requests that come faster than they are served queue: none overlaps, none is lost.
#[test]
fn y1_requests_queue_and_never_vanish() {
    let mut site: Site<1> = Site::new(dosing(Volume::from_litres(2), 700, 300));
    site.run_to(HOUR);
    site.put(Input::Pulses { meter: 0, count: 101 }).unwrap();
    let at = site.now + 1;
    let changes = levels(&mut site, at + HOUR);
    let expected: Vec<_> = (0..50).flat_map(|n| [(at + n * 1_000, true), (at + n * 1_000 + 700, false)]).collect();
    assert_eq!(changes, expected);
    // The odd litre is kept.
    site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    let at = site.now + 1;
    assert_eq!(levels(&mut site, at + HOUR), [(at, true), (at + 700, false)]);
}

/// Y1, P1: what has flowed towards the next dose outlives a power cut.
#[test]
fn y1_a_part_of_a_volume_is_retained() {
    let mut site: Site<1> = Site::new(dosing(Volume::from_litres(9), 2_000, 300));
    site.run_to(HOUR);
    site.gulp(7);
    cut(&mut site, 5 * SEC, true);
    site.run_for(MIN);
    site.gulp(1);
    assert!(!on(&site));
    site.gulp(1);
    assert!(on(&site));
}

/// Y1, M1: a year of an odd pulse and an odd volume: as many doses as the volume contains, to the last.
#[test]
fn y1_a_year_of_doses_is_exact() {
    let volume = Volume(37_854_117_840);
    let mut raw = dosing(volume, 700, 300);
    (raw.meter.pulse_nl, raw.meter.pulse_divisor) = (100_000_000_000, 1_523);
    raw.meter.rated_max = Flow(20_000);
    raw.meter.min_closed = Millis(10);
    let mut site: Site<1> = Site::new(raw);
    let mut random = 7u64;
    let mut doses = 0u128;
    let mut was_on = false;
    for _ in 0..365 * 24 {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        site.put(Input::Pulses { meter: 0, count: 1 + (random >> 54) as u32 }).unwrap();
        let end = site.now + HOUR;
        while site.now < end {
            let due = site.controller.next_deadline().map_or(end, |d| d.as_ticks()).min(end);
            site.run_to(due);
            doses += u128::from(on(&site) && !was_on);
            was_on = on(&site);
        }
    }
    let metered = site.controller.accounts().metered.0;
    assert!(doses > 7_000, "{doses}");
    assert_eq!(doses, metered / u128::from(volume.0));
}

/// Y1: water that a regeneration sends to drain past a tank's own meter is not dosed.
#[test]
fn y1_drain_water_is_not_dosed() {
    let mut raw = dosing(Volume::from_litres(4), 700, 300);
    raw.arrangement = alternating().arrangement;
    raw.tanks = 2;
    raw.drive = alternating().drive;
    raw.meter.place = MeterPlace::PerTank;
    let mut site: Site<2> = Site::new(raw);
    site.run_to(HOUR);
    site.operate(Action::StartNow(TankId(1))).unwrap();
    site.run_until_step(2, StepKind::Backwash, HOUR);
    site.put(Input::Pulses { meter: 1, count: 50 }).unwrap();
    let until = site.now + MIN;
    assert_eq!(levels(&mut site, until), []);
    site.put(Input::Pulses { meter: 0, count: 4 }).unwrap();
    let at = site.now + 1;
    assert_eq!(levels(&mut site, at + MIN), [(at, true), (at + 700, false)]);
}

/// Y1: `while-offline` follows one tank, or that none serves.
#[test]
fn y1_while_offline_follows_the_tank() {
    let mut site: Site<2> = Site::new(with_relay(alternating(), relay(RelayProgram::WhileOffline(TankId(0)))));
    site.run_to(HOUR);
    assert!(!on(&site));
    site.hear();
    site.operate(Action::TakeOut(TankId(0))).unwrap();
    let changes = levels(&mut site, 2 * HOUR);
    let out = site.hear().iter().find(|(_, e)| matches!(e, Event::Duty { tank: TankId(0), .. })).unwrap().0;
    assert_eq!(changes, [(out, true)]);

    let mut site: Site<1> = Site::new(with_relay(single(), relay(RelayProgram::WhileNoneServing)));
    site.run_to(HOUR);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    let started = site.now;
    assert!(on(&site));
    let changes = levels(&mut site, started + 4 * HOUR);
    let serves = site.said.iter().rev().find(|r| matches!(r.event, Event::Duty { .. })).unwrap().at.as_ticks();
    assert_eq!(changes, [(serves, false)]);
}

/// Y1, M3: `while-flow` is on from the first pulse that came close upon another, until silence says that less passes.
#[test]
fn y1_while_flow_follows_the_flow() {
    let mut site: Site<1> = Site::new(with_relay(single(), relay(RelayProgram::WhileFlow)));
    site.run_to(HOUR);
    let mut changes = Vec::new();
    // At half a litre a minute, a litre takes two minutes.
    for gap in [0, 2 * MIN, 2 * MIN - 1, 30 * SEC, MIN] {
        let until = site.now + gap;
        changes.extend(levels(&mut site, until));
        site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    }
    let last = site.now;
    changes.extend(levels(&mut site, last + HOUR));
    let close = HOUR + 2 * MIN + 2 * MIN - 1;
    assert_eq!(changes, [(close + 1, true), (last + 2 * MIN, false)]);
}

/// Y1, V3: `isolate` is on while a lost drive may discharge, draw or pass hard water, for the tanks chosen.
#[test]
fn y1_v3_isolate_follows_lost_drives() {
    for (tanks, isolates) in [(0b01, true), (0b10, false)] {
        let program = RelayProgram::Isolate(TankSet(tanks));
        let mut site: Site<2> = Site::new(with_relay(alternating(), relay(program)));
        site.run_to(HOUR);
        site.hear();
        site.valves[0].trouble.stuck = true;
        site.valves[0].put_after(Position::Backwash);
        let changes = levels(&mut site, 2 * HOUR);
        let raised = site.hear().into_iter().find(|(_, e)| *e == Event::AlarmRaised(Alarm::ValveLost)).unwrap().0;
        assert_eq!(changes, if isolates { vec![(raised, true)] } else { vec![] });
        // Mended and put back, its supply opens at once: nothing is lost any more.
        site.valves[0].trouble.stuck = false;
        site.operate(Action::PutBack(TankId(0))).unwrap();
        assert!(!on(&site));
    }
}

/// Y1, W2: `fail-safe` is on but while a critical alarm stands.
#[test]
fn y1_fail_safe_is_on_while_healthy() {
    let mut raw = with_relay(single(), relay(RelayProgram::FailSafe));
    raw.watch.rules.set_severity(Alarm::LowPressure, Severity::Critical);
    let mut site: Site<1> = Site::new(raw);
    assert!(on(&site));
    site.put(Input::Clock(None)).unwrap();
    assert!(on(&site), "a notice is no illness");
    site.contact(Contact::LowPressure, true);
    let raised = site.now + SEC;
    site.run_to(raised + HOUR);
    site.contact(Contact::LowPressure, false);
    assert!(!on(&site));
    let cleared = site.now + SEC;
    assert_eq!(levels(&mut site, cleared + HOUR), [(cleared, true)]);
}

/// A relay that follows low pressure, with these times in seconds.
fn timed_relay(min_on: u32, min_off: u32, longest_on: u32) -> Site<1> {
    let times = RawRelay {
        min_on: Millis::from_secs(min_on),
        min_off: Millis::from_secs(min_off),
        longest_on: Millis::from_secs(longest_on),
        ..relay(RelayProgram::OnAlarm(Severity::Warning))
    };
    let mut raw = with_relay(single(), times);
    raw.contact_debounce = Millis(10);
    let mut site = Site::new(raw);
    site.run_to(HOUR);
    site
}

/// Low pressure or no more, believed at the instant returned.
fn pressure_low(site: &mut Site<1>, low: bool) -> u64 {
    site.contact(Contact::LowPressure, low);
    site.now + 10
}

/// Y2: once on, it stays on for its least time; once off, off.
#[test]
fn y2_least_times_are_kept() {
    let mut site = timed_relay(60, 40, 0);
    let low = pressure_low(&mut site, true);
    let mut changes = levels(&mut site, low + 5 * SEC);
    pressure_low(&mut site, false);
    changes.extend(levels(&mut site, low + 70 * SEC));
    let again = pressure_low(&mut site, true);
    changes.extend(levels(&mut site, low + 5 * MIN));
    let gone = pressure_low(&mut site, false);
    changes.extend(levels(&mut site, gone + HOUR));
    assert!(again < low + 100 * SEC);
    let expected = [(low, true), (low + 60 * SEC, false), (low + 100 * SEC, true), (gone, false)];
    assert_eq!(changes, expected);
}

/// Y2, O6: one that stays on only for its least time is not tried.
#[test]
fn y2_a_relay_that_is_still_on_is_not_tried() {
    let mut site = timed_relay(60, 0, 0);
    let low = pressure_low(&mut site, true);
    site.run_to(low + 5 * SEC);
    let gone = pressure_low(&mut site, false);
    site.run_to(gone + 5 * SEC);
    let try_it = |site: &mut Site<1>| site.operate(Action::TestRelay { relay: 0, seconds: 5 });
    assert_eq!((site.alarms(), on(&site), try_it(&mut site)), (vec![], true, Err(Refused::InUse)));
    site.run_to(low + 61 * SEC);
    assert_eq!((on(&site), try_it(&mut site)), (false, Ok(())));
}

/// Y2: power-up counts as having gone off.
#[test]
fn y2_power_up_waits_the_least_time_off() {
    let times = RawRelay { min_off: Millis::from_secs(90), ..relay(RelayProgram::FailSafe) };
    let mut site: Site<1> = Site::without_clock(with_relay(single(), times));
    assert_eq!(levels(&mut site, HOUR), [(90 * SEC, true)]);
}

/// Y2: at its longest time it goes off and says so, until what asked for it has ceased; the alarm latches.
#[test]
fn y2_the_longest_time_wins() {
    let mut site = timed_relay(10, 10, 120);
    site.hear();
    let low = pressure_low(&mut site, true);
    let changes = levels(&mut site, low + HOUR);
    let limit = low + 120 * SEC;
    assert_eq!(changes, [(low, true), (limit, false)]);
    let raised: Vec<_> = site.hear().into_iter().filter(|(_, e)| matches!(e, Event::AlarmRaised(_))).collect();
    let expected = [(low, Event::AlarmRaised(Alarm::LowPressure)), (limit, Event::AlarmRaised(Alarm::RelayLimit))];
    assert_eq!(raised, expected);
    // Its own alarm does not ask for it.
    let gone = pressure_low(&mut site, false);
    assert_eq!(levels(&mut site, gone + HOUR), []);
    assert!(site.hear().contains(&(gone, Event::AlarmLatched(Alarm::RelayLimit))));
    assert!(site.alarm(Alarm::RelayLimit));
    site.operate(Action::Alarm(AlarmAction::Reset(Alarm::RelayLimit))).unwrap();
    assert!(!site.alarm(Alarm::RelayLimit));
    // Asked for again, it is on again.
    let low = pressure_low(&mut site, true);
    assert_eq!(levels(&mut site, low + MIN), [(low, true)]);
}

/// Y2: another relay tells of the limit at the same instant.
#[test]
fn y2_a_limit_is_told_by_another_relay() {
    let mut raw = single();
    raw.relays[0] = RawRelay { longest_on: Millis::from_secs(60), ..relay(RelayProgram::WhileNoneServing) };
    raw.relays[1] = relay(RelayProgram::OnAlarm(Severity::Warning));
    let mut site: Site<1> = Site::new(raw);
    site.run_to(HOUR);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    let started = site.now;
    assert_eq!(site.controller.outputs().relays[..2], [true, false]);
    site.run_to(started + MIN - 1);
    assert_eq!(site.controller.outputs().relays[..2], [true, false]);
    site.run_to(started + MIN);
    assert_eq!(site.controller.outputs().relays[..2], [false, true]);
}

/// Y2: asked for again in the instant in which its least time on is over, it goes off for a moment all the same: the
/// coil would else stay on while its longest time began anew.
#[test]
fn y2_the_longest_time_is_not_begun_anew_without_a_pause() {
    let mut raw = single();
    raw.relays[0] = RawRelay {
        min_on: Millis(500),
        longest_on: Millis::from_secs(60),
        ..relay(RelayProgram::OnAlarm(Severity::Notice))
    };
    let mut site: Site<1> = Site::new(raw);
    site.run_to(HOUR);
    site.put(Input::Clock(None)).unwrap();
    site.set_clock(MONDAY, 60);
    assert!(on(&site), "asked for no more, its least time on is not over");
    site.run_to(HOUR + 499);
    // The call that ends the least time brings the alarm back.
    site.now = HOUR + 500;
    site.put(Input::Clock(None)).unwrap();
    assert!(!on(&site));
    assert_eq!(levels(&mut site, 2 * HOUR), [(HOUR + 501, true), (HOUR + 501 + MIN, false)]);
}

/// Y2: polarity turns the pin, not the program.
#[test]
fn y2_polarity_turns_the_level() {
    let relay = RawRelay { inverted: true, ..relay(RelayProgram::WhileNoneServing) };
    let mut site: Site<1> = Site::new(with_relay(single(), relay));
    site.run_to(HOUR);
    assert!(on(&site) && !site.controller.relays_on()[0]);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    assert!(!on(&site) && site.controller.relays_on()[0]);
}

/// S11, Y1: new settings take effect at once; requests of another program are forgotten, those of the same kept.
#[test]
fn y1_changed_settings_keep_or_forget_requests() {
    let mut site: Site<1> = Site::new(dosing(Volume::from_litres(2), 700, 300));
    site.run_to(HOUR);
    site.put(Input::Pulses { meter: 0, count: 21 }).unwrap();
    site.run_for(1);
    let mut slower = dosing(Volume::from_litres(2), 700, 300);
    slower.relays[0].min_off = Millis(500);
    let mut kept = site.clone();
    kept.controller.change_settings(t(kept.now), Settings::try_from(slower).unwrap()).unwrap();
    let until = kept.now + MIN;
    assert_eq!(levels(&mut kept, until).iter().filter(|(_, on)| *on).count(), 9);
    let other = dosing(Volume::from_litres(4), 700, 300);
    site.controller.change_settings(t(site.now), Settings::try_from(other).unwrap()).unwrap();
    let until = site.now + MIN;
    // The dose under way ends in its time.
    let at = HOUR + 1;
    assert_eq!(levels(&mut site, until), [(at + 700, false)]);
}

/// What the relays may do, watched from outside: levels and settings alone.
struct Watcher {
    relays: [RawRelay; RELAYS],
    /// Level and since when.
    seen: [(bool, u64); RELAYS],
}

impl Watcher {
    fn see(&mut self, now: u64, levels: [bool; RELAYS]) {
        for ((level, relay), (was, since)) in levels.into_iter().zip(&self.relays).zip(&mut self.seen) {
            let on = level != (relay.inverted && relay.program != RelayProgram::Unused);
            let lasted = now - *since;
            let limit = u64::from(relay.longest_on.0);
            assert!(!*was || limit == 0 || lasted < limit || (!on && lasted == limit), "Y2: on for {lasted} ms");
            if on == *was {
                continue;
            }
            let dose = match relay.program {
                RelayProgram::PerVolume { on, .. } => Some(u64::from(on.0)),
                _ => None,
            };
            if on {
                assert!(lasted >= u64::from(relay.min_off.0), "Y2: off for {lasted} ms at {now}");
                assert_ne!(relay.program, RelayProgram::Unused, "Y1");
            } else {
                assert!(lasted >= u64::from(relay.min_on.0), "Y2: on for {lasted} ms at {now}");
                assert!(dose.is_none_or(|dose| dose == lasted), "Y1: a dose of {lasted} ms at {now}");
            }
            (*was, *since) = (on, now);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// Y2: on random days no relay is on beyond its longest time, or on or off for less than its least ones;
    /// a dose is as long as it should be; a limited relay is an alarm (Y1).
    #[test]
    fn y2_times_hold_on_random_days(raw in site(), ops in ops(40)) {
        let mut plant = Site::<8>::without_clock(raw.clone());
        plant.set_clock(MONDAY, 0);
        for op in &ops {
            plant.undergo(*op);
        }
        let mut controller: Controller<8> = Controller::new(t(0), Settings::try_from(raw.clone()).unwrap()).unwrap();
        let mut watcher = Watcher { relays: raw.relays, seen: [(false, 0); RELAYS] };
        for (at, input) in &plant.given {
            // Before the first decision every pin is low, whatever that means.
            let _ = controller.handle(t(*at), *input);
            while controller.take_record().is_some() {}
            if *at > 0 {
                watcher.see(*at, controller.outputs().relays);
            } else {
                for (seen, on) in watcher.seen.iter_mut().zip(controller.relays_on()) {
                    *seen = (on, 0);
                }
            }
        }
    }

    /// Y1: as many doses as the volume contains, whatever else happens, once there was time for them.
    #[test]
    fn y1_no_request_is_lost(raw in site(), ops in ops(30), litres in 1..9u64) {
        let mut raw = raw;
        let program = RelayProgram::PerVolume { volume: Volume(litres * 700_000_000), on: Millis(50) };
        raw.relays[0] = RawRelay { min_off: Millis(50), ..relay(program) };
        prop_assume!(Settings::try_from(raw.clone()).is_ok());
        let mut plant = Site::<8>::without_clock(raw.clone());
        plant.set_clock(MONDAY, 0);
        // Batches of a million pulses would take days to serve.
        for op in ops.iter().filter(|op| !matches!(op, Op::Pulses { count: 5_000.., .. })) {
            plant.undergo(*op);
        }
        plant.run_for(4 * HOUR);
        let mut controller: Controller<8> = Controller::new(t(0), Settings::try_from(raw).unwrap()).unwrap();
        let (mut doses, mut was_on) = (0, false);
        for (at, input) in &plant.given {
            let _ = controller.handle(t(*at), *input);
            while controller.take_record().is_some() {}
            doses += u128::from(controller.relays_on()[0] && !was_on);
            was_on = controller.relays_on()[0];
        }
        let accounts = controller.accounts();
        prop_assert_eq!(doses, (accounts.metered.0 - accounts.drained.0) / u128::from(litres * 700_000_000));
    }
}
