//! What each tank has exchanged, what a regeneration restores, and what is kept back (L1–L3, S6, R1, R2).
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

use bedkeeper::demand::Cause;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::ledger::Ledger;
use bedkeeper::program::StepKind;
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{Medium, Reserve, StartRule};
use bedkeeper::units::{Exchange, Hardness, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, RawSettings, Settings};
use proptest::prelude::*;
use support::*;

const ONE: TankId = TankId(0);

fn litres(n: u64) -> Volume {
    Volume::from_litres(n)
}

fn resin(hardness: u32, capacity_l: u64, total_l: u64) -> Medium {
    // Litres at 100 mg/L.
    Medium::Softener {
        hardness: Hardness(hardness),
        capacity: Exchange(capacity_l * 100_000),
        total: Exchange(total_l * 100_000),
    }
}

fn ledger<const N: usize>(site: &Site<N>, tank: usize) -> &Ledger {
    site.controller.tanks()[tank - 1].ledger()
}

// ---- L1 -------------------------------------------------------------------------------------------

/// L1: changing hardness never rewrites history: what passed was charged at the hardness of its time; what is left counts at today's.
#[test]
fn l1_changing_hardness_never_rewrites_history() {
    let mut ledger = Ledger::new(t(0), &resin(100_000, 1_000, 2_000), &Reserve::None);
    ledger.charge(litres(400));
    ledger.resettle(&resin(100_000, 1_000, 2_000), &resin(200_000, 1_000, 2_000), &Reserve::None);
    assert_eq!((ledger.prior(), ledger.remaining()), (Exchange(400 * 100_000), litres(300)));
    ledger.charge(litres(100));
    ledger.resettle(&resin(200_000, 1_000, 2_000), &resin(50_000, 1_000, 2_000), &Reserve::None);
    assert_eq!((ledger.prior(), ledger.remaining()), (Exchange(600 * 100_000), litres(800)));
    assert_eq!(ledger.since_regeneration(), litres(500));
}

proptest! {
    /// L1: any hardnesses and volumes: exchange is Σ volume × hardness, rounded up by less than a µg
    /// a change, and the volume since the last regeneration is untouched by all of it.
    #[test]
    fn l1_exchange_is_the_sum_of_volume_times_hardness(
        steps in proptest::collection::vec((1..900_000u32, 0..3_000_000_000_000u64), 1..30),
    ) {
        let medium = |hardness| resin(hardness, 1_000_000, 2_000_000);
        let mut today = steps[0].0;
        let mut ledger = Ledger::new(t(0), &medium(today), &Reserve::None);
        let (mut exact, mut volume) = (0u128, 0u64);
        for (n, (hardness, nl)) in steps.iter().enumerate() {
            ledger.resettle(&medium(today), &medium(*hardness), &Reserve::None);
            today = *hardness;
            ledger.charge(Volume(*nl));
            exact += u128::from(*nl) * u128::from(*hardness);
            volume += nl;
            let mut folded = ledger.clone();
            folded.resettle(&medium(today), &medium(today), &Reserve::None);
            let floor = exact / 1_000_000_000;
            let told = u128::from(folded.prior().0);
            prop_assert!(told >= floor && told <= floor + n as u128 + 1, "{} {}", told, floor);
            prop_assert_eq!(ledger.since_regeneration(), Volume(volume));
        }
    }
}

/// L1: a filter keeps volume and time instead of an exchange.
#[test]
fn l1_a_filter_keeps_volume() {
    let filter = |capacity| Medium::Filter { capacity: litres(capacity) };
    let mut ledger = Ledger::new(t(5), &filter(1_000), &Reserve::None);
    ledger.charge(litres(700));
    ledger.resettle(&filter(1_000), &filter(900), &Reserve::None);
    assert_eq!((ledger.prior(), ledger.remaining(), ledger.began_at()), (Exchange::ZERO, litres(200), t(5)));
    ledger.charge(litres(300));
    assert_eq!(ledger.overrun(), litres(100));
    ledger.regenerated(t(9), &filter(900), &Reserve::None, 1, 1);
    assert_eq!((ledger.remaining(), ledger.overrun(), ledger.began_at()), (litres(900), Volume::ZERO, t(9)));
    // One of two that began half spent stays half of what it was spent.
    let mut ledger = Ledger::staggered(t(5), &filter(1_000), &Reserve::None, 1, 2);
    ledger.resettle(&filter(1_000), &filter(2_000), &Reserve::None);
    assert_eq!(ledger.remaining(), litres(1_500));
}

/// L1: over the whole controller: new hardness while serving, at the instant it is taken; only what is left changes.
#[test]
fn l1_new_hardness_counts_from_the_moment_it_is_taken() {
    let mut site = Site::<1>::new(single());
    site.run_to(6 * HOUR);
    site.gulp(4_000);
    let mut raw = single();
    raw.medium = resin(200_000, 10_000, 20_000);
    site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
    assert_eq!(ledger(&site, 1).remaining(), litres(3_000));
    site.draw(2_999, 1_000);
    assert_eq!(site.causes(1), []);
    site.draw(1, 1_000);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

// ---- L2 -------------------------------------------------------------------------------------------

/// L2: past zero it keeps counting, and every nanolitre past zero is in the account.
#[test]
fn l2_past_zero_it_keeps_counting() {
    let mut ledger = Ledger::new(t(0), &resin(100_000, 10, 20), &Reserve::None);
    let charged = ledger.charge(Volume(9_999_999_999));
    assert_eq!((charged.crossed, charged.past_zero), (false, Volume::ZERO));
    let charged = ledger.charge(Volume(3));
    assert_eq!((charged.crossed, charged.past_zero, ledger.overrun()), (true, Volume(2), Volume(2)));
    assert_eq!((ledger.charge(litres(5)).past_zero, ledger.overrun()), (litres(5), Volume(5_000_000_002)));
    assert_eq!(ledger.remaining(), Volume::ZERO);
}

/// L2: an overrun is raised with its first drop, also when zero was hit exactly.
#[test]
fn l2_overrun_is_raised_with_its_first_drop() {
    let mut raw = single();
    raw.start = StartRule::AtHour;
    let mut site = Site::<1>::new(raw);
    site.run_to(6 * HOUR);
    site.gulp(9_999);
    site.hear();
    let at = site.now;
    site.draw(1, 999);
    assert!(matches!(site.hear()[..], [(_, Event::Asked { cause: Cause::Exhausted, .. }), (_, Event::Held { .. })]));
    site.draw(1, 999);
    assert_eq!(site.hear(), [(at + 2_000, Event::AlarmRaised(Alarm::Overrun))]);
    site.draw(5, 999);
    assert_eq!(site.hear(), []);
    assert_eq!(site.controller.accounts().past_zero.0, 6_000_000_000);
}

/// L2, L1: a change of hardness forgets no overrun.
#[test]
fn l2_a_change_of_hardness_forgets_no_overrun() {
    let mut raw = single();
    raw.start = StartRule::AtHour;
    let mut site = Site::<1>::new(raw.clone());
    site.run_to(6 * HOUR);
    site.gulp(10_500);
    raw.medium = resin(150_000, 10_000, 20_000);
    site.controller.change_settings(t(site.now), Settings::try_from(raw.clone()).unwrap()).unwrap();
    assert_eq!((ledger(&site, 1).overrun(), ledger(&site, 1).remaining()), (litres(500), Volume::ZERO));
    assert!(site.controller.outputs().alarms.contains(Alarm::Overrun));
    site.gulp(3);
    assert_eq!(ledger(&site, 1).overrun(), litres(503));
    // A larger capacity leaves something after all: past zero no more.
    raw.medium = resin(100_000, 12_000, 20_000);
    site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
    assert_eq!(ledger(&site, 1).overrun(), Volume::ZERO);
    assert!(ledger(&site, 1).remaining() > litres(1_490));
    assert_eq!(site.controller.accounts().past_zero.0, 503_000_000_000);
}

// ---- S6 -------------------------------------------------------------------------------------------

proptest! {
    /// S6: a regeneration restores the capacity of its salt and no more: what the resin took up
    /// beyond it stays as a deficit, what it could not take up is gone with the water.
    #[test]
    fn s6_a_deficit_stays_after_an_overrun(
        capacity in 1..5_000u64, more in 0..5_000u64, passed in 0..20_000u64, hardness in 50_000..400_000u32,
    ) {
        let medium = resin(hardness, capacity, capacity + more);
        let mut ledger = Ledger::new(t(0), &medium, &Reserve::None);
        ledger.charge(litres(passed));
        let taken = (passed * u64::from(hardness)).min((capacity + more) * 100_000);
        let deficit = taken.saturating_sub(capacity * 100_000);
        ledger.regenerated(t(1), &medium, &Reserve::None, 1, 1);
        prop_assert_eq!(ledger.prior(), Exchange(deficit));
        let left = Exchange((capacity * 100_000).saturating_sub(deficit)).volume_at(Hardness(hardness));
        prop_assert_eq!(ledger.remaining(), left);
        // The next one, with nothing passed in between, restores as much again.
        ledger.regenerated(t(2), &medium, &Reserve::None, 1, 1);
        prop_assert_eq!(ledger.prior(), Exchange(deficit.saturating_sub(capacity * 100_000)));
    }
}

/// Runs a single-tank site into its regeneration after so many litres.
fn regenerating(after_l: u32) -> Site<1> {
    let mut raw = single();
    raw.start = StartRule::AtHour;
    let mut site = Site::<1>::new(raw);
    site.run_to(6 * HOUR);
    site.gulp(after_l);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site
}

fn run_to_step(site: &mut Site<1>, step: StepKind) {
    let end = site.now + 4 * HOUR;
    while site.step(1) != Some(step) || site.valves[0].position() != Some(site.controller.settings().position_of(step))
    {
        assert!(site.now < end, "no {step}");
        site.run_for(SEC);
    }
    site.run_for(5 * SEC);
}

fn outcome(site: &mut Site<1>) -> Outcome {
    site.run_until_duty(1, DutyKind::Serving, 6 * HOUR);
    let ended = |(_, e)| if let Event::Ended { outcome, .. } = e { Some(outcome) } else { None };
    let all: Vec<Outcome> = site.hear().into_iter().filter_map(ended).collect();
    assert_eq!(all.len(), 1);
    all[0]
}

/// S6: a large overrun leaves a deficit after a complete regeneration; nothing but its completion restores.
#[test]
fn s6_a_complete_regeneration_restores_what_its_salt_can() {
    let mut site = regenerating(14_000);
    site.run_for(30 * MIN);
    assert_eq!(ledger(&site, 1).remaining(), Volume::ZERO, "not restored on the way");
    assert_eq!(outcome(&mut site), Outcome::Complete);
    assert_eq!((ledger(&site, 1).remaining(), ledger(&site, 1).prior()), (litres(6_000), Exchange(4_000 * 100_000)));
    assert_eq!(ledger(&site, 1).since_regeneration(), Volume::ZERO);
}

/// S6: a brine draw that is cut short, by step forward or abort, restores nothing; the rinses run all the same.
#[test]
fn s6_a_short_dose_restores_nothing() {
    for action in [Action::StepForward(ONE), Action::Abort(ONE)] {
        let mut site = regenerating(3_000);
        run_to_step(&mut site, StepKind::BrineDraw);
        site.operate(action).unwrap();
        assert_eq!(outcome(&mut site), Outcome::Aborted);
        assert_eq!(
            (ledger(&site, 1).remaining(), ledger(&site, 1).since_regeneration()),
            (litres(7_000), litres(3_000))
        );
        assert!(site.controller.tanks()[0].is_unproven());
    }
}

/// S6: cutting short a backwash or a refill of a softener takes nothing from what its brine restores.
#[test]
fn s6_brining_and_rinses_restore_and_nothing_else_does() {
    for step in [StepKind::Backwash, StepKind::BrineRefill] {
        let mut site = regenerating(3_000);
        run_to_step(&mut site, step);
        site.operate(Action::StepForward(ONE)).unwrap();
        assert_eq!(outcome(&mut site), Outcome::Complete);
        assert_eq!(ledger(&site, 1).remaining(), litres(10_000));
    }
}

/// S6: a filter is restored by its backwash and rinse; cut short, by neither.
#[test]
fn s6_a_filter_is_restored_by_backwash_and_rinse() {
    for cut in [None, Some(StepKind::Backwash), Some(StepKind::FastRinse)] {
        let mut raw = single();
        raw.medium = Medium::Filter { capacity: litres(10_000) };
        raw.program.retain(|s| matches!(s.kind, StepKind::Backwash | StepKind::FastRinse));
        let mut site = Site::<1>::new(raw);
        site.run_to(6 * HOUR);
        site.gulp(3_000);
        site.operate(Action::StartNow(ONE)).unwrap();
        if let Some(step) = cut {
            run_to_step(&mut site, step);
            site.operate(Action::StepForward(ONE)).unwrap();
        }
        let restored = outcome(&mut site) == Outcome::Complete;
        assert_eq!(restored, cut.is_none());
        assert_eq!(ledger(&site, 1).remaining(), litres(if restored { 10_000 } else { 7_000 }));
    }
}

// ---- L3 -------------------------------------------------------------------------------------------

/// L3: aborted before brine was drawn, everything is as it was, but for an operator's say; the causes stand.
#[test]
fn l3_aborted_before_the_draw_leaves_the_ledger_as_it_was() {
    let mut site = regenerating(3_000);
    let before = ledger(&site, 1).clone();
    run_to_step(&mut site, StepKind::Backwash);
    site.operate(Action::Abort(ONE)).unwrap();
    assert_eq!(outcome(&mut site), Outcome::Aborted);
    assert_eq!(*ledger(&site, 1), before);
    assert!(!site.controller.tanks()[0].is_unproven());
    assert_eq!(site.causes(1), [Cause::Manual]);
    assert_eq!(site.holds(1), [bedkeeper::demand::Hold::OperatorHold]);
    site.run_for(3 * DAY);
    assert_eq!(site.duty(1), DutyKind::Serving);
}

/// L3: failed by a lost drive before the draw, the ledger stands; after it the tank is unproven besides.
#[test]
fn l3_a_failed_regeneration_restores_nothing() {
    for (after, unproven) in [(None, false), (Some(StepKind::SlowRinse), true)] {
        let mut site = regenerating(3_000);
        if let Some(step) = after {
            run_to_step(&mut site, step);
        }
        site.valves[0].trouble.stuck = true;
        site.run_until_duty(1, DutyKind::Out, 3 * HOUR);
        assert_eq!(ledger(&site, 1).since_regeneration(), litres(3_000));
        assert_eq!(ledger(&site, 1).remaining(), litres(7_000));
        assert_eq!(site.controller.tanks()[0].is_unproven(), unproven);
        let ended =
            site.hear().iter().filter(|(_, e)| matches!(e, Event::Ended { outcome: Outcome::Failed, .. })).count();
        assert_eq!(ended, 1);
    }
}

/// L3: an unproven tank, regenerated whole, is proven again.
#[test]
fn l3_an_unproven_tank_may_regenerate_again() {
    let mut site = regenerating(3_000);
    run_to_step(&mut site, StepKind::BrineDraw);
    site.operate(Action::Abort(ONE)).unwrap();
    assert_eq!(outcome(&mut site), Outcome::Aborted);
    site.operate(Action::Release(ONE)).unwrap();
    // The rinse took what the cut draw had left: brine is made first.
    site.run_until_duty(1, DutyKind::Regenerating, 4 * HOUR);
    assert_eq!(outcome(&mut site), Outcome::Complete);
    assert!(!site.controller.tanks()[0].is_unproven());
    assert_eq!(ledger(&site, 1).remaining(), litres(10_000));
}

// ---- R1, R2 ---------------------------------------------------------------------------------------

/// R1: nothing, a fixed volume, or a share of the capacity is kept back, to the pulse.
#[test]
fn r1_the_reserve_asks_when_only_it_is_left() {
    let cases = [
        (Reserve::None, 10_000, Cause::Exhausted),
        (Reserve::Fixed(litres(1_500)), 8_500, Cause::Reserve),
        (Reserve::Share(250), 7_500, Cause::Reserve),
        (Reserve::Share(999), 10, Cause::Reserve),
    ];
    for (reserve, litres_until, cause) in cases {
        let mut raw = single();
        raw.reserve = reserve;
        raw.start = StartRule::AtHour;
        let mut site = Site::<1>::new(raw);
        site.run_to(6 * HOUR);
        site.gulp(litres_until - 1);
        assert_eq!(site.causes(1), [], "{reserve:?}");
        site.gulp(1);
        assert_eq!(site.causes(1), [cause], "{reserve:?}");
        // Past the reserve it is exhausted as well: both stand.
        site.gulp(10_000 - litres_until);
        let mut all = vec![Cause::Exhausted];
        all.extend((cause == Cause::Reserve).then_some(cause));
        assert_eq!(site.causes(1), all);
    }
}

/// R1: the reserve is a volume at today's hardness: a fixed one stays that volume, a share follows the capacity.
#[test]
fn r1_the_reserve_follows_todays_hardness() {
    for (reserve, until) in [(Reserve::Fixed(litres(1_000)), 4_000), (Reserve::Share(100), 4_500)] {
        let mut raw = single();
        raw.reserve = reserve;
        raw.start = StartRule::AtHour;
        let mut site = Site::<1>::new(raw.clone());
        site.run_to(6 * HOUR);
        raw.medium = resin(200_000, 10_000, 20_000);
        site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
        site.gulp(until - 1);
        assert_eq!(site.causes(1), []);
        site.gulp(1);
        assert_eq!(site.causes(1), [Cause::Reserve]);
    }
}

/// R2: a delayed start waits for the next permitted hour on its reserve; one that is exhausted sooner starts at once if the site says so.
#[test]
fn r2_a_delayed_start_serves_on_its_reserve_until_the_hour() {
    let site = |at_once| -> Site<1> {
        let mut raw: RawSettings = single();
        raw.start = StartRule::AtHour;
        raw.reserve = Reserve::Fixed(litres(1_000));
        raw.exhausted_at_once = at_once;
        let mut site = Site::<1>::new(raw);
        site.run_to(12 * HOUR);
        site.gulp(9_000);
        assert_eq!((site.duty(1), site.causes(1)), (DutyKind::Serving, vec![Cause::Reserve]));
        site
    };
    let mut waits = site(false);
    waits.gulp(1_000);
    waits.run_to(26 * HOUR - 1);
    assert_eq!(waits.duty(1), DutyKind::Serving);
    waits.run_to(26 * HOUR);
    assert_eq!(waits.duty(1), DutyKind::Regenerating);
    let mut at_once = site(true);
    at_once.gulp(999);
    assert_eq!(at_once.duty(1), DutyKind::Serving);
    at_once.gulp(1);
    assert_eq!(at_once.duty(1), DutyKind::Regenerating);
}
