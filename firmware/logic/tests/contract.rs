//! The driver contract, as the crate's front page states it, held by random plants on random days.
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

use bedkeeper::demand::{Hold, Standing};
use bedkeeper::drive::Switches;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Journal, Record};
use bedkeeper::units::{Instant, TankId, later_ms};
use bedkeeper::{Controller, Input, RawSettings, Settings};
use proptest::prelude::*;
use support::random::{Op, ops, site};
use support::*;

/// Room for the largest site.
type Plant = Site<8>;
type Call = (u64, Input);

/// What a plant's controller was told on a random day; every deadline was kept.
fn day(raw: RawSettings, ops: &[Op]) -> Plant {
    let mut plant = Plant::without_clock(raw);
    plant.set_clock(MONDAY, 0);
    for op in ops {
        plant.undergo(*op);
    }
    // Pulses that were only counted are booked with the next call that is more than such a pulse.
    plant.put(Input::Tick).unwrap();
    plant
}

fn fresh(raw: RawSettings) -> Controller<8> {
    Controller::new(t(0), Settings::try_from(raw).unwrap()).unwrap()
}

fn drain(controller: &mut Controller<8>) -> Vec<Record> {
    core::iter::from_fn(|| controller.take_record()).collect()
}

/// Makes the same calls; returns the controller and all it said.
fn replay(raw: RawSettings, calls: &[Call]) -> (Controller<8>, Vec<Record>) {
    let mut controller = fresh(raw);
    let mut said = Vec::new();
    for (at, input) in calls {
        let _ = controller.handle(t(*at), *input);
        said.extend(drain(&mut controller));
    }
    (controller, said)
}

/// Everything a driver can see of a controller but the time and the next deadline.
fn visible(c: &Controller<8>) -> impl PartialEq + core::fmt::Debug + use<> {
    (c.outputs(), c.tanks().to_vec(), c.accounts(), c.clock(), c.records_lost())
}

/// The driver's contract: controllers are equal by what they hold, and so are their journals, wherever that stands.
#[test]
fn contract_journals_are_equal_by_what_they_hold() {
    let record = |ms| Record { at: t(ms), civil: None, event: Event::ClockLost };
    let (mut one, mut other) = (Journal::<1>::default(), Journal::<1>::default());
    one.write(record(1));
    assert_ne!(one, other);
    other.write(record(0));
    assert_ne!(one, other);
    other.write(record(1));
    assert_eq!(other.take(), Some(record(0)));
    assert_eq!(one, other);
    for _ in 0..Journal::<1>::CAPACITY {
        one.write(record(2));
    }
    assert_eq!((one.lost(), other.lost()), (1, 0));
    assert_ne!(one, other);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// The next deadline lies ahead after every call, so that a finite number of calls gets past any
    /// instant; records are never lost if they are drained; water is conserved; a waiting tank
    /// is held (S5, S8).
    #[test]
    fn contract_deadlines_lie_ahead_and_nothing_is_lost(raw in site(), ops in ops(40)) {
        let plant = day(raw.clone(), &ops);
        let mut controller = fresh(raw);
        for (at, input) in &plant.given {
            let _ = controller.handle(t(*at), *input);
            drain(&mut controller);
            let next = controller.next_deadline();
            prop_assert!(next.is_none_or(|d| d > t(*at)), "deadline {next:?} at {at}");
            prop_assert_eq!(controller.records_lost(), 0);
            let a = controller.accounts();
            prop_assert_eq!(a.metered.0, a.charged.0 + a.blended.0 + a.untreated.0 + a.drained.0);
            let soon = next == Some(later_ms(t(*at), 1));
            for tank in (0..8).map(TankId) {
                let Some(why) = controller.why(tank) else { continue };
                // One that makes up brine for itself still waits.
                let regenerates = controller.tanks()[tank.index()].duty().kind() == DutyKind::Regenerating;
                if why.causes.is_empty() || regenerates {
                    // A step may wait for what tanks share.
                    let shared = |s: &Standing| matches!(s.hold, Hold::DrainBusy | Hold::BrineBusy);
                    prop_assert!(why.holds.iter().all(|s| shared(s) && controller.tanks().len() > 1));
                    continue;
                }
                prop_assert!(!why.holds.is_empty() || soon, "{tank} waits for nothing at {at}");
                for standing in &why.holds {
                    prop_assert!(standing.clears_at.is_none_or(|c| c > t(*at)), "{standing:?} at {at}");
                    prop_assert!(!standing.hold.cleared_by().is_empty());
                }
            }
        }
    }

    /// Between calls, before the deadline, a tick changes nothing that anybody can see, and the
    /// plant's end is the same with and without such ticks: nothing happens before the deadline.
    #[test]
    fn contract_extra_ticks_change_nothing(raw in site(), ops in ops(40), seed in any::<u64>()) {
        let plant = day(raw.clone(), &ops);
        let (end, said) = replay(raw.clone(), &plant.given);
        prop_assert_eq!(&end, &plant.controller);
        let mut controller = fresh(raw);
        let mut heard = Vec::new();
        let mut random = seed;
        for pair in plant.given.windows(2) {
            let ((at, input), (next, _)) = (pair[0], pair[1]);
            let _ = controller.handle(t(at), input);
            heard.extend(drain(&mut controller));
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // At the very instant, at random in between, and just before the next call.
            for extra in [at, at + (random >> 33) % (next - at + 1), next.max(1) - 1] {
                let due = controller.next_deadline();
                if extra < at || due.is_some_and(|d| d <= t(extra)) {
                    continue;
                }
                let before = visible(&controller);
                prop_assert_eq!(controller.handle(t(extra), Input::Tick), Ok(()));
                prop_assert_eq!(visible(&controller), before);
                prop_assert_eq!(controller.next_deadline(), due);
                prop_assert_eq!(drain(&mut controller), []);
            }
        }
        let (at, input) = *plant.given.last().unwrap();
        let _ = controller.handle(t(at), input);
        heard.extend(drain(&mut controller));
        prop_assert_eq!(&controller, &end);
        prop_assert_eq!(heard, said);
    }

    /// The deadline never lies: before it, an input that says nothing new makes the controller look
    /// at everything and changes nothing that anybody can see.
    #[test]
    fn contract_nothing_is_due_before_the_deadline(raw in site(), ops in ops(40), seed in any::<u64>()) {
        let plant = day(raw.clone(), &ops);
        let mut controller = fresh(raw);
        let mut random = seed;
        let mut switches = None;
        for pair in plant.given.windows(2) {
            let ((at, input), (next, _)) = (pair[0], pair[1]);
            let _ = controller.handle(t(at), input);
            drain(&mut controller);
            if let Input::Switches { tank: TankId(0), .. } = input {
                switches = Some(input);
            }
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            for extra in [at, at + (random >> 33) % (next - at + 1), next.max(1) - 1] {
                let Some(same) = switches else { continue };
                // A millisecond before it, pulses may already be in that are decided upon then.
                let due = controller.next_deadline();
                if extra < at || due.is_some_and(|d| d <= t(extra + 1)) {
                    continue;
                }
                let mut looked = controller.clone();
                prop_assert_eq!(looked.handle(t(extra), same), Ok(()));
                prop_assert_eq!(visible(&looked), visible(&controller), "at {}", extra);
                prop_assert_eq!(drain(&mut looked), [], "at {}", extra);
            }
        }
    }

    /// A tick at the deadline before another input of that instant changes nothing either, and
    /// neither does leaving out every tick that another call of its instant follows.
    #[test]
    fn contract_what_is_due_comes_before_an_input(raw in site(), ops in ops(40)) {
        let plant = day(raw.clone(), &ops);
        let (end, said) = replay(raw.clone(), &plant.given);
        let calls: Vec<Call> = plant.given.iter().flat_map(|(at, input)| [(*at, Input::Tick), (*at, *input)]).collect();
        let (more, heard) = replay(raw.clone(), &calls);
        prop_assert_eq!(&more, &end);
        prop_assert_eq!(&heard, &said);
        let given = &plant.given;
        let followed = |i: usize| given.get(i + 1).is_some_and(|(at, _)| *at == given[i].0);
        let fewer: Vec<Call> =
            given.iter().enumerate().filter(|(i, (_, x))| *x != Input::Tick || !followed(*i)).map(|(_, c)| *c).collect();
        let (less, heard) = replay(raw, &fewer);
        prop_assert_eq!(&less, &end);
        prop_assert_eq!(&heard, &said);
    }

    /// A batch of pulses and the same pulses one by one give an equal controller.
    #[test]
    fn contract_a_batch_equals_its_pulses(raw in site(), ops in ops(40)) {
        let plant = day(raw.clone(), &ops);
        let (end, said) = replay(raw.clone(), &plant.given);
        let mut singles = Vec::new();
        for (at, input) in &plant.given {
            match *input {
                Input::Pulses { meter, count } if (2..4_000).contains(&count) => {
                    singles.extend((0..count).map(|_| (*at, Input::Pulses { meter, count: 1 })));
                }
                _ => singles.push((*at, *input)),
            }
        }
        let (split, heard) = replay(raw, &singles);
        prop_assert_eq!(&split, &end);
        prop_assert_eq!(heard, said);
    }

    /// Written and read at any point, a controller is equal and behaves equally.
    #[test]
    fn contract_a_stored_controller_goes_on_as_it_was(raw in site(), ops in ops(30), cut in 0.0..1.0f64) {
        let plant = day(raw.clone(), &ops);
        let cut = (plant.given.len() as f64 * cut) as usize;
        let (before, after) = plant.given.split_at(cut);
        let mut controller = fresh(raw);
        for (at, input) in before {
            let _ = controller.handle(t(*at), *input);
        }
        // Records that nobody took are kept as well.
        let bytes = postcard::to_allocvec(&controller).unwrap();
        let mut read: Controller<8> = postcard::from_bytes(&bytes).unwrap();
        prop_assert_eq!(&read, &controller);
        for (at, input) in after {
            let results = (read.handle(t(*at), *input), controller.handle(t(*at), *input));
            prop_assert_eq!(results.0, results.1);
            prop_assert_eq!(drain(&mut read), drain(&mut controller));
        }
        prop_assert_eq!(&read, &controller);
    }

    /// An earlier `now` counts as the last one.
    #[test]
    fn contract_earlier_times_count_as_the_last(raw in site(), ops in ops(30), back in 0..DAY) {
        let plant = day(raw.clone(), &ops);
        let (end, said) = replay(raw.clone(), &plant.given);
        let mut last = 0;
        let calls: Vec<Call> = plant.given.iter().map(|(at, input)| {
            let told = if *at == last { at.saturating_sub(back) } else { *at };
            last = *at;
            (told, *input)
        }).collect();
        let (same, heard) = replay(raw, &calls);
        prop_assert_eq!(&same, &end);
        prop_assert_eq!(heard, said);
    }

    /// A driver that misses deadlines, at any times up to the end of the clock: no panic, no water
    /// lost, and the deadline still lies ahead.
    #[test]
    fn contract_a_late_driver_breaks_nothing(raw in site(), ops in ops(40), stride in 2..60usize, scale in 0..40u32) {
        let plant = day(raw.clone(), &ops);
        let mut controller = fresh(raw);
        for (at, input) in plant.given.iter().enumerate().filter(|(i, _)| i % stride != 0).map(|(_, c)| *c) {
            let at = at.saturating_mul(1 << scale);
            let _ = controller.handle(t(at), input);
            drain(&mut controller);
            prop_assert!(controller.next_deadline().is_none_or(|d| d > t(at)));
            let a = controller.accounts();
            prop_assert_eq!(a.metered.0, a.charged.0 + a.blended.0 + a.untreated.0 + a.drained.0);
        }
        let _ = controller.handle(Instant::from_ticks(u64::MAX), Input::Pulses { meter: 0, count: 7 });
    }
}

/// A plant where nothing happens is called a few times a day, whatever its calendar: deadlines are no polling.
#[test]
fn contract_a_quiet_plant_sleeps() {
    for raw in [single(), alternating(), parallel(8), staged(8)] {
        let mut plant = Plant::new(raw);
        plant.given.clear();
        plant.run_for(30 * DAY);
        let calls = plant.given.len();
        assert!(calls <= 30 * 3, "{calls} calls in 30 days");
        assert_eq!(plant.hear().len(), 30, "the daily event and nothing else");
    }
}

/// Two thresholds, the flow limit and an excess crossed within one batch: the decision is the same
/// as for single pulses, and comes one millisecond later.
#[test]
fn contract_a_batch_across_two_thresholds_equals_its_pulses() {
    let mut raw = single();
    raw.reserve = bedkeeper::settings::Reserve::Share(100);
    raw.start_flow_limit = bedkeeper::units::Flow(10_000);
    let mut batch = Plant::new(raw);
    batch.run_to(6 * HOUR);
    batch.draw(8_995, 3 * SEC);
    batch.run_for(SEC);
    let mut singles = batch.clone();
    let deadline = batch.controller.next_deadline();
    batch.put(Input::Pulses { meter: 0, count: 1_100 }).unwrap();
    for _ in 0..1_100 {
        singles.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    }
    assert_eq!(batch.controller, singles.controller);
    assert!(deadline > Some(t(batch.now + 1)));
    assert_eq!(batch.controller.next_deadline(), Some(t(batch.now + 1)));
    assert_eq!((batch.causes(1), singles.said.len()), (vec![], batch.said.len()));
    batch.run_for(1);
    assert_eq!(batch.causes(1), [bedkeeper::demand::Cause::Exhausted]);
}

/// Changed settings let time pass like any other call: water of that instant goes to the tank that
/// serves, and the record bears that instant.
#[test]
fn contract_changed_settings_let_time_pass() {
    let mut site = Plant::new(alternating());
    site.run_to(6 * HOUR);
    site.gulp(10_000);
    site.run_until_duty(1, bedkeeper::duty::DutyKind::Ready, 4 * HOUR);
    site.hear();
    let mut raw = alternating();
    raw.purge = bedkeeper::units::Millis::from_mins(3);
    site.run_for(MIN);
    let at = site.now + 777;
    site.controller.change_settings(t(at), Settings::try_from(raw).unwrap()).unwrap();
    site.controller.handle(t(at), Input::Pulses { meter: 0, count: 5 }).unwrap();
    assert_eq!(site.controller.tanks()[1].ledger().since_regeneration(), bedkeeper::units::Volume::from_litres(5));
    assert_eq!(site.controller.tanks()[0].ledger().since_regeneration(), bedkeeper::units::Volume::ZERO);
    let said: Vec<_> = drain(&mut site.controller).iter().map(|r| (r.at.as_ticks(), r.event)).collect();
    assert_eq!(said, [(at, bedkeeper::journal::Event::SettingsTaken)]);
}

/// The driver's contract: where nothing is due any more no deadline is named. The clock's last millisecond is such an instant.
#[test]
fn contract_no_deadline_where_nothing_is_due() {
    let last = Instant::from_ticks(u64::MAX);
    let start = Instant::from_ticks(u64::MAX - 2 * DAY);
    let mut controller = Controller::<1>::new(start, Settings::try_from(single()).unwrap()).unwrap();
    controller.handle(start, Input::Switches { tank: TankId(0), closed: Switches(1) }).unwrap();
    let mut calls = 0;
    while let Some(due) = controller.next_deadline() {
        assert!(due < last && calls < 100, "{due} after {calls} calls");
        controller.handle(due, Input::Tick).unwrap();
        calls += 1;
    }
    controller.handle(last, Input::Tick).unwrap();
    assert_eq!(controller.next_deadline(), None);
}
