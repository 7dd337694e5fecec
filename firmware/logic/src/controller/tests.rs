//! What sites of one or two tanks cannot show: water shared among tanks that serve together (M2, S5),
//! and the order among many that could start (C7). The tanks are put in by hand.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::arithmetic_side_effects)]

use proptest::prelude::*;
use std::vec::Vec as List;

use super::*;
use crate::demand::Demand;
use crate::drive::Switches;
use crate::duty::Duty;
use crate::settings::RawSettings;
use crate::units::Flow;

const TANKS: usize = 8;

/// Eight tanks behind one meter whose pulse is a third of an odd number of nanolitres.
fn eight() -> Controller<TANKS> {
    let mut raw = RawSettings::baseline();
    raw.meter.pulse_nl = 10_000_001;
    raw.meter.pulse_divisor = 3;
    raw.meter.min_closed = crate::units::Millis(0);
    raw.meter.min_open = crate::units::Millis(0);
    raw.meter.rated_max = Flow(1);
    let settings = Settings::try_from(raw).unwrap();
    let mut controller: Controller<TANKS> = Controller::new(Instant::from_ticks(0), settings).unwrap();
    let tank = Tank { demand: Demand::default(), ..controller.tanks[0].clone() };
    while controller.tanks.push(tank.clone()).is_ok() {}
    controller
}

/// S8: a decision that has written half of what the journal has room for, less what one tank may add, goes on later; that
/// of one or two tanks never has to.
#[test]
fn s8_a_decision_ends_before_its_records_are_lost() {
    let mut many = eight();
    let limit = Journal::<TANKS>::CAPACITY / 2 - 5;
    for (written, room) in [(0, true), (limit - 1, true), (limit, false), (limit + 1, false)] {
        many.written = written.try_into().unwrap();
        assert_eq!(many.has_room(), room, "{written}");
    }
    let mut two: Controller<2> = Controller::new(Instant::from_ticks(0), Settings::baseline()).unwrap();
    two.written = limit.try_into().unwrap();
    assert!(two.has_room());
}

/// S1, Q1: what a regeneration needs first is what its first step needs that has a length.
#[test]
fn s1_a_step_of_no_length_needs_nothing() {
    let mut raw = RawSettings::baseline();
    raw.brine_ready_after = crate::units::Millis::ZERO;
    let needs = |raw: &RawSettings| Settings::try_from(raw.clone()).unwrap().first_uses();
    assert!(needs(&raw).drain && !needs(&raw).brine);
    raw.program[0].length = crate::units::Millis::ZERO;
    assert!(needs(&raw).drain && needs(&raw).brine);
}

/// S10: a changeover to or from a tank that there is not is none.
#[test]
fn s10_a_changeover_is_between_tanks_that_there_are() {
    let among =
        |from: Option<u8>, to: u8| Changeover { from: from.map(TankId), to: TankId(to), relieved: false }.is_among(2);
    assert!(among(None, 0) && among(Some(0), 1) && among(Some(1), 0));
    assert!(!among(None, 2) && !among(Some(0), 2) && !among(Some(2), 0));
}

proptest! {
    /// M2, S5: shares are equal to a nanolitre, remainders are carried, nothing is lost, and batches
    /// equal their pulses, whatever sets of tanks serve.
    #[test]
    fn m2_s5_serving_tanks_share_to_the_nanolitre(
        batches in proptest::collection::vec((any::<u8>(), 1..50u32), 1..40),
    ) {
        let mut batch = eight();
        let mut singles = eight();
        for (i, (set, count)) in batches.iter().enumerate() {
            let before: List<u64> = batch.tanks.iter().map(|t| t.ledger.since_regeneration().0).collect();
            let now = Instant::from_ticks(u64::try_from(i).unwrap() + 1);
            batch.charging = TankSet(*set);
            singles.charging = TankSet(*set);
            let taken = batch.take_pulses(now, 0, *count);
            prop_assert!(taken.is_ok());
            for _ in 0..*count {
                prop_assert!(singles.take_pulses(now, 0, 1).is_ok());
            }
            prop_assert_eq!(&batch, &singles);
            let shares: List<u64> =
                batch.tanks.iter().zip(&before).map(|(t, b)| t.ledger.since_regeneration().0 - b).collect();
            let served: List<u64> = (0..8u8).filter(|i| set >> i & 1 == 1).map(|i| shares[usize::from(i)]).collect();
            let rest: u64 = (0..8u8).filter(|i| set >> i & 1 == 0).map(|i| shares[usize::from(i)]).sum();
            prop_assert_eq!(rest, 0);
            if let (Some(least), Some(most)) = (served.iter().min(), served.iter().max()) {
                prop_assert!(most - least <= 1);
            }
            let a = batch.accounts;
            let charged: u128 = batch.tanks.iter().map(|t| u128::from(t.ledger.since_regeneration().0)).sum();
            prop_assert_eq!(a.charged.0, charged);
            prop_assert_eq!(a.metered.0, a.charged.0 + a.untreated.0);
        }
    }

    /// M2: over many single pulses the carried remainders favour no tank: shares stay within a nanolitre.
    #[test]
    fn m2_remainders_go_round(set in 1..=255u8, pulses in 1..400u64) {
        let mut site = eight();
        site.charging = TankSet(set);
        for n in 0..pulses {
            prop_assert!(site.take_pulses(Instant::from_ticks(n), 0, 1).is_ok());
        }
        let shares: List<u64> = (0..8usize).filter(|i| set >> i & 1 == 1).map(|i| site.tanks[i].ledger.since_regeneration().0).collect();
        prop_assert!(shares.iter().max().unwrap() - shares.iter().min().unwrap() <= 1, "{:?}", shares);
    }
}

/// Looks and starts, as a decision does.
fn start_waiting(site: &mut Controller<TANKS>, now: Instant) -> bool {
    let survey = site.survey(now, &mut None);
    site.start_waiting(now, &survey)
}

proptest! {
    /// C7: among waiting tanks that nothing holds: leading cause, then off-line before serving, then
    /// who asked first; one that an operator holds blocks nobody.
    #[test]
    fn c7_order_among_waiting_tanks(
        wishes in proptest::collection::vec((0..3usize, any::<bool>(), 0..4u64, any::<bool>()), 1..TANKS),
    ) {
        let settings = Settings::baseline();
        let mut site: Controller<TANKS> = Controller::new(Instant::from_ticks(0), settings).unwrap();
        let here = Input::Switches { tank: TankId(0), closed: Switches(1) };
        prop_assert!(site.handle(Instant::from_ticks(1), here).is_ok());
        let now = Instant::from_ticks(5_000);
        prop_assert!(site.handle(now, Input::Tick).is_ok());
        let model = site.tanks[0].clone();
        site.tanks.clear();
        for (cause, serves, asked_at, held) in &wishes {
            let mut tank = model.clone();
            tank.duty = if *serves { Duty::Serving } else { Duty::Spent };
            let cause = [crate::demand::Cause::Sensor, crate::demand::Cause::Manual, crate::demand::Cause::Reserve][*cause];
            tank.demand.ask(Instant::from_ticks(*asked_at), cause, true);
            tank.demand.operator_hold = *held;
            prop_assert!(site.tanks.push(tank).is_ok());
        }
        // A plain search for a tank that no other goes before.
        let goes_before = |a: &(usize, bool, u64, bool), b: &(usize, bool, u64, bool)| {
            a.0 < b.0 || (a.0 == b.0 && ((!a.1 && b.1) || (a.1 == b.1 && a.2 < b.2)))
        };
        let free: List<usize> = (0..wishes.len()).filter(|i| !wishes[*i].3).collect();
        let first = free.iter().find(|i| !free.iter().any(|j| goes_before(&wishes[*j], &wishes[**i])));
        prop_assert_eq!(start_waiting(&mut site, now), first.is_some());
        let started: List<usize> = (0..wishes.len()).filter(|i| site.tanks[*i].regeneration().is_some()).collect();
        prop_assert_eq!(started, first.into_iter().copied().collect::<List<usize>>());
        // One at a time (S1): the rest waits for it.
        prop_assert!(!start_waiting(&mut site, now));
    }
}
