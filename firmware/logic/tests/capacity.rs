//! Capacity derated by age and by hardness tests; iron and manganese (L1, L2, O6).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod support;

use bedkeeper::calendar::Civil;
use bedkeeper::demand::Cause;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Who};
use bedkeeper::settings::{Medium, RawLearned, Reserve};
use bedkeeper::units::{Exchange, Hardness, Millis, TankId, Volume};
use bedkeeper::{Action, Controller, Input, RawSettings, Refused, Settings};
use support::*;

const ONE: TankId = TankId(0);
/// The limit of the settings, 1 gr/gal, is 17.118 mg/L.
const SOFT: Hardness = Hardness(17_118);
const HARD: Hardness = Hardness(17_119);

fn litres(n: u64) -> Volume {
    Volume::from_litres(n)
}

fn left<const N: usize>(site: &Site<N>) -> Volume {
    site.controller.tanks()[0].ledger().remaining()
}

fn kept<const N: usize>(site: &Site<N>) -> u16 {
    site.controller.capacity_per_mille(&site.controller.tanks()[0])
}

fn test<const N: usize>(site: &mut Site<N>, treated: Hardness) -> Result<(), Refused> {
    site.operate(Action::TestHardness { tank: ONE, treated, feed: None })
}

/// What was told of capacity, and nothing else.
fn told<const N: usize>(site: &mut Site<N>) -> Vec<Event> {
    let said = site.hear().into_iter().map(|(_, event)| event);
    said.filter(|event| matches!(event, Event::CapacityChanged { .. } | Event::HardnessTested { .. })).collect()
}

/// One regeneration, asked for by an operator.
fn regenerate<const N: usize>(site: &mut Site<N>) {
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(4 * HOUR);
    assert_eq!(site.duty(1), DutyKind::Serving);
}

/// L1: iron and manganese load the bed as the site says: at 100 mg/L of hardness, 0.5 mg/L of iron at 100 mg/L for each and
/// 0.2 mg/L of manganese at 50 mg/L make 160 mg/L, so that 10 000 L become 6 250.
#[test]
fn l1_iron_and_manganese_count_as_the_site_says() {
    let mut raw = single();
    assert_eq!(left(&Site::<1>::new(raw.clone())), litres(10_000));
    raw.metals.iron_ug_per_l = 500;
    raw.metals.iron_counts_as = Hardness(100_000);
    raw.metals.manganese_ug_per_l = 200;
    raw.metals.manganese_counts_as = Hardness(50_000);
    assert_eq!(raw.metals.compensated(Hardness(100_000)), Hardness(160_000));
    let mut site = Site::<1>::new(raw.clone());
    assert_eq!(left(&site), litres(6_250));
    site.draw(6_249, 1_000);
    assert_eq!(site.causes(1), []);
    site.draw(1, 1_000);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    // History is not rewritten when the iron is taken out of the water.
    let mut site = Site::<1>::new(raw.clone());
    site.draw(1_000, 1_000);
    raw.metals.iron_ug_per_l = 0;
    site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
    assert_eq!(site.controller.tanks()[0].ledger().prior(), Exchange(160_000 * 1_000));
    assert_eq!(left(&site), Exchange(1_000_000_000 - 160_000_000).volume_at(Hardness(110_000)));
}

/// L1: a filter has no hardness that could be compensated.
#[test]
fn l1_metals_do_not_concern_a_filter() {
    let mut raw = RawSettings::baseline();
    raw.medium = Medium::Filter { capacity: litres(500) };
    raw.metals.iron_ug_per_l = 9_000;
    let faults = Settings::try_from(raw).unwrap_err();
    assert!(faults.listed().iter().all(|fault| !fault.field.starts_with("metals")), "{faults}");
}

/// L2, O6: hard water behind a tank that should have had capacity left takes a tenth off, once in each run, at once and for
/// the runs to come; the test, what it did and who made it stand in the journal.
#[test]
fn l2_a_failed_test_derates() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.draw(1_000, 1_000);
    site.hear();
    test(&mut site, HARD).unwrap();
    let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
    let action = Action::TestHardness { tank: ONE, treated: HARD, feed: None };
    assert_eq!(
        said,
        [
            Event::HardnessTested { tank: ONE, treated: HARD, feed: None, left: litres(9_000) },
            Event::CapacityChanged { tank: ONE, kept_per_mille: 900, by_age_per_mille: 0, by_tests_per_mille: 100 },
            Event::Operator { who: Who::Panel, action, granted: true },
        ]
    );
    assert_eq!((kept(&site), left(&site)), (900, litres(8_000)));
    assert_eq!(site.controller.why(ONE).unwrap().derating.by_tests_per_mille(), 100);
    // The same run, tested again: nothing more is taken off.
    test(&mut site, HARD).unwrap();
    assert_eq!((kept(&site), left(&site)), (900, litres(8_000)));
    regenerate(&mut site);
    assert_eq!((kept(&site), left(&site)), (900, litres(9_000)));
    test(&mut site, HARD).unwrap();
    assert_eq!(kept(&site), 800);
}

/// L2, O6: water that is told to be harder behind a tank than before it, by the test or by the settings, was measured wrongly:
/// it is refused, journalled so, and takes nothing off. A feed that was measured counts, whatever the settings say.
#[test]
fn l2_a_test_harder_than_the_feed_is_refused() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.draw(1_000, 1_000);
    site.hear();
    let set = Hardness(100_000);
    for (treated, feed) in
        [(Hardness(100_001), None), (Hardness(150_001), Some(Hardness(150_000))), (HARD, Some(Hardness(17_118)))]
    {
        let action = Action::TestHardness { tank: ONE, treated, feed };
        let before = site.controller.capacity_per_mille(&site.controller.tanks()[0]);
        assert_eq!(site.operate(action), Err(Refused::HarderThanFeed));
        let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
        assert_eq!(said, [Event::Operator { who: Who::Panel, action, granted: false }]);
        assert_eq!(kept(&site), before);
    }
    for (treated, feed) in [(set, None), (Hardness(150_000), Some(Hardness(150_000)))] {
        site.operate(Action::TestHardness { tank: ONE, treated, feed }).unwrap();
    }
    assert_eq!(kept(&site), 900);
}

/// L2: at the limit water is soft; and hard water behind an exhausted bed says nothing of what it can hold.
#[test]
fn l2_only_a_failure_with_capacity_left_derates() {
    let mut raw = single();
    raw.start = bedkeeper::settings::StartRule::AtHour;
    let mut site = Site::<1>::new(raw);
    site.set_clock(MONDAY, 10 * 60);
    site.run_to(HOUR);
    test(&mut site, SOFT).unwrap();
    assert_eq!(kept(&site), 1_000);
    site.gulp(10_000);
    site.run_for(SEC);
    assert_eq!((left(&site), site.causes(1)), (Volume::ZERO, vec![Cause::Exhausted]));
    told(&mut site);
    test(&mut site, Hardness(90_000)).unwrap();
    let event = Event::HardnessTested { tank: ONE, treated: Hardness(90_000), feed: None, left: Volume::ZERO };
    assert_eq!((told(&mut site), kept(&site)), (vec![event], 1_000));
}

/// L2: what a failed test took off may leave the bed empty: it asks at once.
#[test]
fn l2_a_bed_derated_to_nothing_asks() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.draw(9_500, 1_000);
    assert_eq!(site.causes(1), []);
    test(&mut site, HARD).unwrap();
    site.run_for(SEC);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// L2: a pass gives back as the site says, once in each run, up to the stated limit; a failure after it still counts.
#[test]
fn l2_a_pass_restores_to_the_limit() {
    let mut raw = single();
    raw.derating.failed_test_per_mille = 300;
    raw.derating.passed_test_per_mille = 80;
    raw.derating.restore_to_per_mille = 900;
    let mut site = Site::<1>::new(raw);
    site.run_to(HOUR);
    test(&mut site, HARD).unwrap();
    assert_eq!(kept(&site), 700);
    test(&mut site, SOFT).unwrap();
    assert_eq!(kept(&site), 700, "soft water in the same run does not undo the hard water");
    let mut seen = Vec::new();
    for _ in 0..4 {
        regenerate(&mut site);
        test(&mut site, SOFT).unwrap();
        test(&mut site, SOFT).unwrap();
        seen.push(kept(&site));
    }
    assert_eq!(seen, [780, 860, 900, 900]);
    test(&mut site, HARD).unwrap();
    assert_eq!(kept(&site), 600);
}

/// L2, S11: tests never take a bed below the least that is reckoned with, nor so low that a fixed reserve eats it up, which
/// would have it ask as soon as it is regenerated.
#[test]
fn l2_something_is_always_left() {
    for (reserve, least) in [(Reserve::None, 500), (Reserve::Fixed(litres(7_000)), 771)] {
        let mut raw = single();
        raw.reserve = reserve;
        raw.derating.failed_test_per_mille = 500;
        raw.derating.per_year_per_mille = 200;
        let mut site = Site::<1>::new(raw);
        site.run_to(HOUR);
        test(&mut site, HARD).unwrap();
        regenerate(&mut site);
        test(&mut site, HARD).unwrap();
        assert_eq!(kept(&site), least);
        regenerate(&mut site);
        site.run_for(DAY);
        assert_eq!((site.duty(1), site.causes(1)), (DutyKind::Serving, vec![]), "it does not ask at once");
    }
}

/// L2: only the water behind a tank that serves can be tested, and only resin softens.
#[test]
fn l2_what_cannot_be_tested_is_refused() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(HOUR);
    let second = Action::TestHardness { tank: TankId(1), treated: HARD, feed: None };
    assert_eq!(site.operate(second), Err(Refused::NotServing));
    assert_eq!(site.operate(Action::ReplaceResin(ONE)), Err(Refused::NotOut));
    let all: Vec<_> = site.controller.tanks().iter().map(|t| site.controller.capacity_per_mille(t)).collect();
    assert_eq!(all, [1_000, 1_000]);
}

/// L2: 5 % a year from the date on which the resin was new, reckoned at each regeneration; without a clock the age stays as it
/// was known, and is not taken for powered time.
#[test]
fn l2_age_by_date_derates() {
    let mut raw = single();
    raw.derating.per_year_per_mille = 50;
    raw.derating.resin_new_on = Some(MONDAY - 2 * 365);
    let mut site = Site::<1>::new(raw);
    site.set_clock(MONDAY, 12 * 60);
    site.run_to(HOUR);
    assert_eq!(kept(&site), 1_000);
    site.hear();
    regenerate(&mut site);
    let change =
        Event::CapacityChanged { tank: ONE, kept_per_mille: 900, by_age_per_mille: 100, by_tests_per_mille: 0 };
    assert_eq!((told(&mut site), left(&site)), (vec![change], litres(9_000)));
    site.put(Input::Clock(None)).unwrap();
    regenerate(&mut site);
    assert_eq!((told(&mut site), kept(&site)), (vec![], 900));
    site.put(Input::Clock(Some(Civil::at(MONDAY + 365, 0)))).unwrap();
    regenerate(&mut site);
    assert_eq!(kept(&site), 850);
}

/// L2: without a date the age is powered time; new resin is as good as new, and its age begins then.
#[test]
fn l2_powered_age_derates_until_the_resin_is_replaced() {
    let mut raw = single();
    raw.derating.per_year_per_mille = 100;
    raw.allow_untreated = true;
    let mut site = Site::<1>::new(raw);
    site.run_to(365 * DAY);
    regenerate(&mut site);
    assert_eq!((kept(&site), left(&site)), (900, litres(9_000)));
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.operate(Action::ReplaceResin(ONE)).unwrap();
    assert_eq!(kept(&site), 1_000);
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_for(4 * HOUR);
    assert_eq!((site.duty(1), kept(&site)), (DutyKind::Serving, 1_000));
    site.run_for(DAY + 36 * DAY);
    regenerate(&mut site);
    assert_eq!(kept(&site), 1_000 - 37 * 100 / 365);
}

/// L2, P1, S10: what was taken off outlives a power cut.
#[test]
fn l2_derating_is_retained() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.draw(100, 1_000);
    test(&mut site, HARD).unwrap();
    let bytes = site.controller.retained().encode::<1_536>().unwrap();
    let retained = bedkeeper::retain::Retained::<1>::decode(&bytes).unwrap();
    let settings = site.controller.settings().clone();
    let back = Controller::<1>::restore(t(site.now), settings, &retained, Some(Millis::ZERO)).unwrap();
    let tank = &back.tanks()[0];
    assert_eq!(back.capacity_per_mille(tank), 900);
    // A hundredth of capacity may have been lost unsaved, and is charged.
    assert_eq!(tank.ledger().remaining(), litres(10_000 * 9 / 10 - 100 - 100));
    assert_eq!(tank.derating(), site.controller.tanks()[0].derating());
}

/// L2, R1: a learned reserve is a share of what is left of the bed, so that no floor comes near to all of it: a failed test
/// that halves a fresh bed leaves it a tenth to give, and nothing is asked for at once.
#[test]
fn l2_a_high_floor_leaves_a_derated_bed_something_to_give() {
    let mut raw = single();
    let high = RawLearned { floor_per_mille: 900, ceiling_per_mille: 900, ..RawLearned::usual() };
    raw.reserve = Reserve::Learned(high);
    raw.derating.failed_test_per_mille = 500;
    let mut site = Site::<1>::new(raw);
    assert_eq!(site.controller.reserve_in_force().kept, litres(9_000));
    test(&mut site, HARD).unwrap();
    assert_eq!((kept(&site), left(&site)), (500, litres(5_000)));
    assert_eq!(site.controller.reserve_in_force().kept, litres(4_500));
    site.run_for(DAY);
    assert_eq!((site.causes(1), site.duty(1)), (vec![], DutyKind::Serving));
    site.draw(499, 1_000);
    assert_eq!(site.causes(1), []);
    site.draw(1, 1_000);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}
