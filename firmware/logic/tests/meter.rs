//! Meters: exact volume, flow, bounce, and who is charged (M1–M4, M6, S5).
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

use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::meter::{MAX_BATCH, Meter};
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Input, RawSettings, Refused, Settings};
use proptest::prelude::*;
use support::*;

/// Meter settings of so many nL ÷ divisor a pulse, rated at so much.
fn settings(pulse_nl: u64, pulse_divisor: u32, rated: u32) -> Settings {
    let mut raw = RawSettings::baseline();
    raw.meter.pulse_nl = pulse_nl;
    raw.meter.pulse_divisor = pulse_divisor;
    raw.meter.rated_max = Flow(rated);
    raw.meter.min_closed = Millis(0);
    raw.meter.min_open = Millis(0);
    Settings::try_from(raw).unwrap()
}

const GALLON_NL: u64 = 3_785_411_784;

// ---- M1 -------------------------------------------------------------------------------------------

/// M1: millions of pulses of an awkward rational (73 pulses a US gallon) sum up to the floor of the exact volume, at every pulse.
#[test]
fn m1_millions_of_pulses_keep_the_remainder() {
    let settings = settings(GALLON_NL, 73, 100_000);
    let mut meter = Meter::default();
    let mut sum: u128 = 0;
    for n in 1..=3_000_000u64 {
        sum += u128::from(meter.pulses(t(n), 1, settings.meter_settings()).0);
        if n % 997 == 0 || n < 100 {
            assert_eq!(sum, u128::from(n) * u128::from(GALLON_NL) / 73, "{n}");
        }
    }
    assert_eq!(sum, 3_000_000 * u128::from(GALLON_NL) / 73);
}

/// M1: a calibration is a rational: 1 234 pulses counted for 20 L caught are 20 L after every 1 234 pulses.
#[test]
fn m1_a_caught_volume_calibrates_the_pulse() {
    let settings = settings(20_000_000_000, 1_234, 100_000);
    let mut meter = Meter::default();
    for _ in 0..50 {
        let run: u64 = (0..1_234).map(|n| meter.pulses(t(n), 1, settings.meter_settings()).0).sum();
        assert_eq!(run, 20_000_000_000);
    }
}

proptest! {
    /// M1: any rational, any batches: the volume is the floor of the exact one, and batches equal their pulses.
    #[test]
    fn m1_batches_are_exact(
        pulse_nl in 1_000_000..4_000_000_000u64,
        divisor in 1..1_000_000u32,
        batches in proptest::collection::vec(prop_oneof![1..5u32, 1..MAX_BATCH + 1], 1..40),
    ) {
        prop_assume!(pulse_nl >= u64::from(divisor));
        let settings = settings(pulse_nl, divisor, 1);
        let mut meter = Meter::default();
        let mut singles = Meter::default();
        let (mut pulses, mut sum) = (0u128, 0u128);
        for (i, count) in batches.into_iter().enumerate() {
            let at = t(i as u64 * 1_000);
            let volume = meter.pulses(at, count, settings.meter_settings());
            pulses += u128::from(count);
            sum += u128::from(volume.0);
            prop_assert_eq!(sum, pulses * u128::from(pulse_nl) / u128::from(divisor));
            if count < 5 {
                let one_by_one: u64 = (0..count).map(|_| singles.pulses(at, 1, settings.meter_settings()).0).sum();
                prop_assert_eq!(one_by_one, volume.0);
            } else {
                singles = meter.clone();
            }
            prop_assert_eq!(&singles, &meter);
        }
    }
}

/// M1: what a pulse is may change; the carried part of a nanolitre is scaled, and batches equal their pulses after it.
#[test]
fn m1_a_changed_pulse_keeps_batches_exact() {
    let mut raw = single();
    raw.meter.min_closed = Millis(0);
    raw.meter.min_open = Millis(0);
    raw.meter.pulse_nl = 1_999_999;
    raw.meter.pulse_divisor = 1_000_000;
    raw.meter.rated_max = Flow(1);
    let mut site = Site::<1>::new(raw.clone());
    site.gulp(1);
    raw.meter.pulse_nl = 10;
    raw.meter.pulse_divisor = 3;
    site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
    let mut batch = site.clone();
    site.run_for(1_000);
    batch.run_for(1_000);
    let before = site.controller.accounts().metered.0;
    for _ in 0..9 {
        site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    }
    batch.put(Input::Pulses { meter: 0, count: 9 }).unwrap();
    assert_eq!(site.controller, batch.controller);
    // Nine pulses of 10/3 nL and the old 0.999999 nL carried, of which two thirds can be kept.
    assert_eq!(site.controller.accounts().metered.0 - before, 30);
}

/// M6: 20 years at the highest rate (a million pulses of a cubic metre every second) overflow no account.
#[test]
fn m6_twenty_years_at_the_highest_rate_overflow_nothing() {
    let mut raw = single();
    raw.meter.pulse_nl = 1_000_000_000_000;
    raw.meter.rated_max = Flow(u32::MAX);
    raw.meter.min_closed = Millis(0);
    raw.meter.min_open = Millis(0);
    raw.medium = bedkeeper::settings::Medium::Filter { capacity: Volume(u64::MAX) };
    let draw = |kind| bedkeeper::settings::RawStep::timed(kind, Millis::from_mins(5), Flow(1));
    use bedkeeper::program::StepKind as K;
    raw.program = [draw(K::Backwash), draw(K::FastRinse)].into_iter().collect();
    let mut site = Site::<1>::new(raw);
    let batches = 1_000u64;
    for i in 0..batches {
        // The rate is kept; twenty years are reached by strides of 7.3 days.
        site.now += 20 * 365 * DAY / batches;
        site.put(Input::Pulses { meter: 0, count: MAX_BATCH }).unwrap();
        let metered = u128::from(MAX_BATCH) * 1_000_000_000_000 * u128::from(i + 1);
        let a = site.controller.accounts();
        assert_eq!((a.metered.0, a.charged.0 + a.untreated.0), (metered, metered));
    }
    // The account itself has room for the whole of it: 6.3 × 10^8 such batches.
    assert!(u128::MAX / (u128::from(MAX_BATCH) * 1_000_000_000_000) > 20 * 365 * 86_400);
}

/// M1, M6: a batch larger than the limit is refused and changes nothing; an unknown meter as well; no pulses are no pulses.
#[test]
fn m6_too_large_a_batch_is_refused() {
    let mut site = Site::<1>::new(single());
    site.run_to(6 * HOUR);
    site.put(Input::Tick).unwrap();
    let before = site.controller.clone();
    assert_eq!(site.put(Input::Pulses { meter: 0, count: MAX_BATCH + 1 }), Err(Refused::BatchTooLarge));
    assert_eq!(site.put(Input::Pulses { meter: 1, count: 1 }), Err(Refused::NoSuchMeter));
    assert_eq!(site.put(Input::MeterContact { meter: 1, closed: true }), Err(Refused::NoSuchMeter));
    assert_eq!(site.put(Input::Pulses { meter: 0, count: 0 }), Ok(()));
    assert_eq!(site.controller, before);
    assert_eq!(site.put(Input::Pulses { meter: 0, count: MAX_BATCH }), Ok(()));
}

// ---- M2, S5 -----------------------------------------------------------------------------------------

/// M2: a common meter's water goes to the tank that serves; flow while none serves passed untreated.
#[test]
fn m2_a_common_meter_charges_who_serves() {
    let mut site = Site::<1>::new(single());
    site.draw(100, SEC);
    site.operate(bedkeeper::Action::StartNow(TankId(0))).unwrap();
    site.run_for(20 * SEC);
    site.draw(7, SEC);
    let a = site.controller.accounts();
    let litres = |n: u64| u128::from(n) * 1_000_000_000;
    assert_eq!((a.metered.0, a.charged.0, a.untreated.0), (litres(107), litres(100), litres(7)));
    assert_eq!((a.blended.0, a.drained.0, a.past_zero.0), (0, 0, 0));
}

/// M2: a pulse at the very instant of a changeover tells of water that the old tank treated; the next is the new one's.
#[test]
fn m2_a_pulse_tells_of_water_that_has_passed() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(6 * HOUR);
    site.gulp(10_000);
    while site.duty(2) != DutyKind::Serving {
        site.run_for(1);
    }
    site.put(Input::Pulses { meter: 0, count: 2 }).unwrap();
    site.run_for(1);
    site.put(Input::Pulses { meter: 0, count: 3 }).unwrap();
    let since = |i: usize| site.controller.tanks()[i].ledger().since_regeneration();
    assert_eq!((since(0), since(1)), (Volume::from_litres(10_002), Volume::from_litres(3)));
}

fn per_tank() -> RawSettings {
    let mut raw = alternating();
    raw.meter.place = MeterPlace::PerTank;
    raw
}

/// M2: flow on the meter of a closed tank raises `flow-while-closed` for ten minutes and loads its bed; nothing else happens.
#[test]
fn m2_flow_on_a_closed_tanks_meter_raises_an_alarm() {
    let mut site = Site::<2>::new(per_tank());
    site.run_to(6 * HOUR);
    site.hear();
    let at = site.now;
    site.put(Input::Pulses { meter: 1, count: 4 }).unwrap();
    site.put(Input::Pulses { meter: 0, count: 9 }).unwrap();
    site.run_for(HOUR);
    assert_eq!(
        site.hear(),
        [
            (at + 1, Event::AlarmRaised(Alarm::FlowWhileClosed)),
            (at + 10 * MIN, Event::AlarmCleared(Alarm::FlowWhileClosed)),
        ]
    );
    let since = |i: usize| site.controller.tanks()[i].ledger().since_regeneration();
    assert_eq!((since(0), since(1)), (Volume::from_litres(9), Volume::from_litres(4)));
    let a = site.controller.accounts();
    assert_eq!(a.metered.0, a.charged.0);
}

/// M2: while its valve is still on its way out of service a tank is not closed; water on a regenerating tank's meter is drained.
#[test]
fn m2_a_tank_on_its_way_out_is_not_closed_yet() {
    let mut site = Site::<2>::new(per_tank());
    site.run_to(6 * HOUR);
    site.gulp(10_000);
    site.run_until_duty(2, DutyKind::Serving, HOUR);
    assert_eq!(site.duty(1), DutyKind::Spent);
    site.gulp(1);
    assert!(!site.controller.outputs().alarms.contains(Alarm::FlowWhileClosed));
    site.run_until_duty(1, DutyKind::Regenerating, HOUR);
    site.gulp(2);
    assert!(!site.controller.outputs().alarms.contains(Alarm::FlowWhileClosed));
    let a = site.controller.accounts();
    assert_eq!((a.charged.0, a.drained.0), (10_001_000_000_000, 2_000_000_000));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// S5: whatever happens, metered = charged + blended + untreated + drained to the nL, what is
    /// charged is what the ledgers took, and what is metered is the exact volume of the pulses.
    #[test]
    fn s5_water_is_conserved_to_the_nanolitre(raw in support::random::site(), ops in support::random::ops(40)) {
        let (divisor, pulse_nl) = (u128::from(raw.meter.pulse_divisor), u128::from(raw.meter.pulse_nl));
        let per_tank = raw.meter.place == MeterPlace::PerTank;
        let mut site = Site::<8>::without_clock(raw);
        site.set_clock(MONDAY, 0);
        let mut given = 0;
        let (mut judged, mut by_contact) = ([0u128; 8], false);
        let mut charged_to_tanks: u128 = 0;
        let mut last = [0u128; 8];
        for op in ops {
            site.undergo(op);
            for (_, input) in &site.given[given..] {
                match *input {
                    Input::Pulses { meter, count } if count <= MAX_BATCH && (meter == 0 || per_tank) => {
                        if let Some(sum) = judged.get_mut(usize::from(meter)).filter(|_| site.controller.tanks().len() > usize::from(meter)) {
                            *sum += u128::from(count);
                        }
                    }
                    Input::MeterContact { .. } => by_contact = true,
                    _ => {}
                }
            }
            given = site.given.len();
            // What each ledger took, and what complete regenerations settled.
            for (_, event) in site.hear() {
                if let Event::Ended { outcome: bedkeeper::sequence::Outcome::Complete, volume, .. } = event {
                    charged_to_tanks += u128::from(volume.0);
                }
            }
            for (i, tank) in site.controller.tanks().iter().enumerate() {
                last[i] = u128::from(tank.ledger().since_regeneration().0);
            }
            let a = site.controller.accounts();
            prop_assert_eq!(a.metered.0, a.charged.0 + a.blended.0 + a.untreated.0 + a.drained.0);
            prop_assert!(a.past_zero.0 <= a.charged.0);
            prop_assert_eq!(a.charged.0, charged_to_tanks + last.iter().sum::<u128>());
            if !by_contact {
                let exact: u128 = judged.iter().map(|n| n * pulse_nl / divisor).sum();
                prop_assert_eq!(a.metered.0, exact);
            }
        }
    }
}

// ---- M3 --------------------------------------------------------------------------------------------

/// M3: flow comes from the spacing of several pulses; one alone says nothing.
#[test]
fn m3_flow_comes_from_the_spacing_of_pulses() {
    let settings = settings(1_000_000_000, 1, 100_000);
    let s = settings.meter_settings();
    let mut meter = Meter::default();
    assert_eq!(meter.flow(t(0), s), Flow(0));
    meter.pulses(t(10_000), 1, s);
    assert_eq!((meter.flow(t(10_000), s), meter.flow(t(10_001), s)), (Flow(0), Flow(0)));
    for (at, flow) in [(16_000, 10_000), (18_000, 15_000), (20_000, 18_000), (22_000, 30_000), (24_000, 30_000)] {
        meter.pulses(t(at), 1, s);
        assert_eq!(meter.flow(t(at), s), Flow(flow), "at {at}");
    }
    // Pulses of one instant share their place: 3 L in the 2 s since the last.
    meter.pulses(t(26_000), 3, s);
    assert_eq!(meter.flow(t(26_000), s), Flow(5 * 60_000 / 6));
}

proptest! {
    /// M3: flow never rises in silence and never exceeds one pulse ÷ the time since the last; it
    /// falls to a limit at the millisecond it was said to, and not before.
    #[test]
    fn m3_flow_falls_as_silence_grows(
        gaps in proptest::collection::vec(1..20_000u64, 1..8),
        pulse_ml in 1..2_000u64,
        limit in 1..200_000u32,
        silences in proptest::collection::vec(0..400_000u64, 1..30),
    ) {
        let settings = settings(pulse_ml * 1_000_000, 1, 1);
        let s = settings.meter_settings();
        let mut meter = Meter::default();
        let mut now = 0;
        for gap in gaps {
            now += gap;
            meter.pulses(t(now), 1, s);
        }
        let mut flow = meter.flow(t(now), s);
        let mut silences = silences;
        silences.sort_unstable();
        for silence in silences {
            let later = meter.flow(t(now + silence), s);
            prop_assert!(later <= flow);
            // One mL/min for `silence` ms is 50/3 nL/ms.
            prop_assert!(u128::from(later.0) * 50 * u128::from(silence) <= 3 * u128::from(pulse_ml) * 1_000_000);
            flow = later;
        }
        if meter.flow(t(now), s) > Flow(limit) {
            let falls = meter.falls_to(Flow(limit), s).as_ticks();
            prop_assert!(meter.flow(t(falls), s) <= Flow(limit));
            prop_assert!(meter.flow(t(falls - 1), s) > Flow(limit));
        }
    }
}

// ---- M4 --------------------------------------------------------------------------------------------

/// One closure of the contact; returns how many pulses came of it.
fn close(meter: &mut Meter, at: &mut u64, width: u64, gap: u64, s: &bedkeeper::meter::MeterSettings) -> u32 {
    *at += gap;
    let counted = meter.contact(t(*at), true, s);
    assert_eq!(counted, 0, "a closure counts when it opens");
    *at += width;
    meter.contact(t(*at), false, s)
}

fn contact_settings() -> Settings {
    let mut raw = RawSettings::baseline();
    raw.meter.min_closed = Millis(20);
    raw.meter.min_open = Millis(30);
    Settings::try_from(raw).unwrap()
}

/// M4: width and gap are judged to the millisecond; what is rejected is tallied and not counted.
#[test]
fn m4_bounce_is_judged_by_width_and_gap() {
    let settings = contact_settings();
    let s = settings.meter_settings();
    for (gap, width, counted) in [(30, 20, 1), (29, 20, 0), (30, 19, 0), (1_000, 1_000, 1), (0, 20, 0)] {
        let (mut meter, mut at) = (Meter::default(), 1_000);
        assert_eq!(close(&mut meter, &mut at, 20, 0, s), 1, "the first, whatever came before it");
        assert_eq!(close(&mut meter, &mut at, width, gap, s), counted, "{gap} {width}");
        assert_eq!(meter.bounced(), 1 - counted);
    }
    // The level it already has is no news.
    let mut meter = Meter::default();
    assert_eq!(meter.contact(t(5), false, s), 0);
    assert_eq!(meter.contact(t(6), true, s) + meter.contact(t(40), true, s), 0);
    assert_eq!(meter.contact(t(41), false, s), 1);
    assert_eq!(meter.bounced(), 0);
}

/// M4: a contact that bounces as it closes, or as it opens, is one pulse each time, however regular the water.
#[test]
fn m4_a_pulse_with_bounce_around_it_counts_once() {
    let settings = contact_settings();
    let s = settings.meter_settings();
    let (mut meter, mut at) = (Meter::default(), 1_000);
    let mut counted = 0;
    for _ in 0..100 {
        counted += close(&mut meter, &mut at, 2, 100, s);
        counted += close(&mut meter, &mut at, 60, 3, s);
        counted += close(&mut meter, &mut at, 1, 4, s);
    }
    assert_eq!((counted, meter.bounced()), (100, 200));
}

/// M4: a sustained regular rate above the rated one is water: every pulse of it counts, with those held back at first.
#[test]
fn m4_sustained_fast_water_is_counted_whole() {
    let settings = contact_settings();
    let s = settings.meter_settings();
    for (width, gap) in [(10, 15), (40, 10), (5, 200)] {
        let (mut meter, mut at) = (Meter::default(), 1_000);
        let mut counted = 0;
        for n in 1..=200u32 {
            counted += close(&mut meter, &mut at, width, gap, s);
            assert!(counted == n || n < 12, "{counted} of {n} at {width}/{gap} ms");
        }
        assert_eq!((counted, meter.bounced()), (200, 0));
        // It breaks off: one irregular closure is bounce again.
        assert_eq!(close(&mut meter, &mut at, width, gap * 7, s), u32::from(width >= 20));
    }
}

/// M4: bounce that is not regular is never counted, however long it lasts.
#[test]
fn m4_irregular_bounce_is_never_counted() {
    let settings = contact_settings();
    let s = settings.meter_settings();
    let (mut meter, mut at) = (Meter::default(), 1_000);
    let counted: u32 = (0..500).map(|n| close(&mut meter, &mut at, 2, [3, 40, 9][n % 3], s)).sum();
    assert_eq!((counted, meter.bounced()), (0, 500));
}

/// M4: more than 2 % of an hour's closures raises `meter-noisy` when the hour since its first closure is over; exactly 2 % does not.
#[test]
fn m4_a_noisy_hour_raises_meter_noisy() {
    for (bounces, noisy) in [(2, false), (3, true)] {
        let mut raw = single();
        raw.meter.min_closed = Millis(20);
        let mut site = Site::<1>::new(raw);
        site.run_to(6 * HOUR);
        site.hear();
        let began = site.now + 5;
        for n in 0..100u32 {
            let width = if n < bounces { 5 } else { 50 };
            site.put(Input::MeterContact { meter: 0, closed: true }).unwrap();
            site.run_for(width);
            site.put(Input::MeterContact { meter: 0, closed: false }).unwrap();
            // Irregular, so that no run of bounces looks like water.
            site.run_for(2_000 + u64::from(n * n));
        }
        assert_eq!(site.controller.bounces(), bounces);
        assert_eq!(site.hear(), []);
        assert_eq!(site.controller.accounts().metered.0, u128::from(100 - bounces) * 1_000_000_000);
        site.run_to(began + HOUR + MIN);
        let raised = if noisy { vec![(began + HOUR, Event::AlarmRaised(Alarm::MeterNoisy))] } else { vec![] };
        assert_eq!(site.hear(), raised);
        assert_eq!(site.controller.bounces(), 0);
    }
}

/// M4: flow above the rated maximum raises `excess-flow` and counts every pulse; at the rated flow
/// it does not, and silence ends it.
#[test]
fn m4_excess_flow_is_counted_and_raised() {
    for (spacing, excess) in [(600, false), (599, true)] {
        let mut site = Site::<1>::new(single());
        site.run_to(6 * HOUR);
        site.hear();
        site.draw(20, spacing);
        let last = site.now - 1;
        site.run_for(MIN);
        let expected = if excess {
            vec![
                (6 * HOUR + 4 * spacing + 1, Event::AlarmRaised(Alarm::ExcessFlow)),
                (last + 2_400, Event::AlarmCleared(Alarm::ExcessFlow)),
            ]
        } else {
            vec![]
        };
        assert_eq!(site.hear(), expected);
        assert_eq!(site.controller.accounts().metered.0, 20_000_000_000);
    }
    // A fast meter at its rated flow: 1 mL pulses at 90 L/min come 0.67 ms apart.
    let settings = settings(1_000_000, 1, 90_000);
    let mut meter = Meter::default();
    for n in 1..=3_000u64 {
        meter.pulses(t(n * 2 / 3), 1, settings.meter_settings());
    }
    assert!(!meter.is_excessive(t(2_000), settings.meter_settings()));
}

/// M4: a contact chatters before a closure, within it and after it: each time one pulse, the rest is bounce.
#[test]
fn m4_chatter_on_either_side_of_a_closure_is_one_pulse() {
    let (settings, mut meter) = (contact_settings(), Meter::default());
    let mut pulses = 0;
    for (ms, closed) in [
        // Before: 2 ms, a gap of 3 ms, then 40 ms.
        (100, true),
        (102, false),
        (105, true),
        (145, false),
        // After: 40 ms, then 2 ms.
        (1_000, true),
        (1_040, false),
        (1_043, true),
        (1_045, false),
        // Within: 20 ms, a gap of 4 ms, 20 ms.
        (2_000, true),
        (2_020, false),
        (2_024, true),
        (2_044, false),
    ] {
        pulses += meter.contact(t(ms), closed, settings.meter_settings());
    }
    assert_eq!((pulses, meter.bounced()), (3, 3));
}
