//! What any softening bed does, whatever its figures.

use super::cycle::{CycleRun, CycleSpec, Outcome, Regeneration};
use super::{Bed, BedError, BedSpec, Direction, FeedSpec, Inventory, Kinetics, Resin, Transfer, Water};

fn spec(transfer: Transfer) -> BedSpec {
    BedSpec { volume_l: 28.3, depth_m: 0.9, plates: 17, resin: Resin::default(), transfer, temperature_c: 15.0 }
}

fn feed() -> Water {
    Water::from_feed(&CycleSpec::default().feed).expect("the reference feed")
}

fn kinetic() -> Transfer {
    Transfer::Kinetic(Kinetics::default())
}

fn steady(spec: CycleSpec) -> Outcome {
    let outcome = CycleRun::new(spec).and_then(|mut run| run.to_steady()).expect("a sound case");
    assert!(outcome.converged);
    outcome
}

/// A repeatable spread of numbers between 0 and 1 (linear congruence).
struct Spread(u64);

impl Spread {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn add(total: &mut [f64; 7], water: &Water, kg: f64) {
    let figures = [water.na, water.ca, water.mg, water.cl, water.alkalinity, water.carbon, 1.0];
    for (t, figure) in total.iter_mut().zip(figures) {
        *t += kg * figure;
    }
}

fn list(i: &Inventory) -> [f64; 7] {
    [i.na, i.ca, i.mg, i.cl, i.alkalinity, i.carbon, i.water_kg]
}

#[test]
fn everything_that_comes_in_stays_or_leaves() {
    for transfer in [Transfer::Equilibrium, kinetic()] {
        let mut bed = Bed::in_equilibrium_with(spec(transfer), &feed()).expect("a bed");
        let start = list(&bed.inventory());
        let brine = Water::brine(10.0, 12.0).expect("brine");
        let (mut came, mut went) = ([0.0; 7], [0.0; 7]);
        let mut spread = Spread(7);
        for round in 0..400 {
            let inflow = if spread.next() < 0.3 { brine } else { feed() };
            let direction = if spread.next() < 0.5 { Direction::Down } else { Direction::Up };
            let volume_l = if round % 7 == 0 { 0.0 } else { 30.0 * spread.next() };
            let out = bed.advance(&inflow, volume_l, 300.0 * spread.next() + 1.0, direction).expect("a sound step");
            add(&mut came, &inflow, volume_l * inflow.kg_per_litre());
            add(&mut went, &out.water, out.water_kg);
            match round {
                100 => bed.mix(0.4).expect("mixing"),
                200 => bed.lose_capacity(0.05).expect("ageing"),
                300 => bed.stand(86_400.0).expect("a stand"),
                _ => {}
            }
            let charge = out.water.na + 2.0 * (out.water.ca + out.water.mg) - out.water.cl - out.water.alkalinity;
            assert!(charge.abs() < 1e-12 * out.water.equivalents());
        }
        let end = list(&bed.inventory());
        for i in 0..7 {
            let open = (came[i] - went[i] - (end[i] - start[i])) / came[i];
            assert!(open.abs() < 1e-9, "figure {i} open by {open:e}");
        }
        for plate in bed.plates() {
            assert!(plate.sodium_fraction >= 0.0 && plate.sodium_fraction <= 1.0);
            assert!(plate.calcium_fraction >= 0.0 && plate.magnesium_fraction >= 0.0);
        }
    }
}

#[test]
fn how_water_is_cut_into_calls_does_not_matter() {
    let brine = Water::brine(10.0, 15.0).expect("brine");
    let mut whole = Bed::in_equilibrium_with(spec(Transfer::Equilibrium), &feed()).expect("a bed");
    let mut cut = whole.clone();
    let litres = 40.0;
    let once = whole.advance(&brine, litres, 900.0, Direction::Up).expect("a step");
    let mut spread = Spread(3);
    let mut left = litres;
    let mut calcium = 0.0;
    while left > 0.0 {
        let piece = (0.9 * spread.next()).min(left);
        let out = cut.advance(&brine, piece, 10.0, Direction::Up).expect("a step");
        calcium += out.water.ca * out.water_kg;
        left -= piece;
    }
    assert!((calcium / (once.water.ca * once.water_kg) - 1.0).abs() < 1e-9);
    for (a, b) in whole.plates().zip(cut.plates()) {
        assert!((a.calcium_fraction - b.calcium_fraction).abs() < 1e-9);
    }
}

#[test]
fn chloride_passes_as_a_plug() {
    let mut bed = Bed::new(spec(Transfer::Equilibrium)).expect("a bed");
    let brine = Water::brine(10.0, 15.0).expect("brine");
    let pores_l = bed.pore_water_kg() / brine.kg_per_litre();
    let first = bed.advance(&brine, 0.99 * pores_l, 600.0, Direction::Down).expect("a step");
    assert!(first.water.cl < 1.1e-3);
    bed.advance(&brine, 0.1 * pores_l, 60.0, Direction::Down).expect("a step");
    assert!((bed.outlet(Direction::Down).cl - brine.cl).abs() < 1e-9);
}

#[test]
fn nothing_moves_while_nothing_flows() {
    let mut bed = Bed::in_equilibrium_with(spec(Transfer::Equilibrium), &feed()).expect("a bed");
    let before = bed.clone();
    let out = bed.advance(&feed(), 0.0, 0.0, Direction::Down).expect("a step");
    assert_eq!(out.water_kg, 0.0);
    assert_eq!(out.volume_l, 0.0);
    assert_eq!(bed, before);
}

#[test]
fn unsound_requests_change_nothing() {
    let mut bed = Bed::in_equilibrium_with(spec(kinetic()), &feed()).expect("a bed");
    let before = bed.clone();
    let mut poisoned = feed();
    poisoned.mg = f64::NAN;
    let tries = [
        bed.advance(&poisoned, 1.0, 1.0, Direction::Down),
        bed.advance(&feed(), f64::NAN, 1.0, Direction::Down),
        bed.advance(&feed(), -1.0, 1.0, Direction::Down),
        bed.advance(&feed(), 1.0, f64::INFINITY, Direction::Down),
        bed.advance(&feed(), 1.0, 0.0, Direction::Down),
        bed.advance(&feed(), 1e300, 1.0, Direction::Down),
    ];
    assert!(tries.iter().all(Result::is_err), "{tries:?}");
    assert!(bed.stand(f64::NAN).is_err());
    assert!(bed.mix(1.5).is_err());
    assert!(bed.lose_capacity(1.0).is_err());
    assert_eq!(bed, before);
}

#[test]
fn beds_that_cannot_be_are_refused_by_name() {
    let named = |bad: BedSpec| match Bed::new(bad) {
        Err(BedError::OutOfRange { field, .. }) => field,
        other => panic!("{other:?}"),
    };
    let good = spec(Transfer::Equilibrium);
    assert_eq!(named(BedSpec { plates: 0, ..good }), "plates");
    assert_eq!(named(BedSpec { plates: 10_000, ..good }), "plates");
    assert_eq!(named(BedSpec { volume_l: f64::NAN, ..good }), "bed volume");
    assert_eq!(named(BedSpec { temperature_c: -5.0, ..good }), "temperature");
}

#[test]
fn cases_that_cannot_be_are_refused() {
    let base = CycleSpec::default();
    let refused = |bad: CycleSpec| CycleRun::new(bad).err();
    assert!(matches!(refused(CycleSpec { dose_g_l: 0.0, ..base }), Some(BedError::OutOfRange { field: "dose", .. })));
    let mut no_flow = base;
    no_flow.flows.service_bv_h = 0.0;
    assert!(matches!(refused(no_flow), Some(BedError::OutOfRange { field: "service flow", .. })));
    let sodium_only = FeedSpec { hardness_mg_l: 0.0, sodium_mg_l: 200.0, ..base.feed };
    assert!(matches!(refused(CycleSpec { feed: sodium_only, ..base }), Some(BedError::SoftFeed { .. })));
    let absurd = FeedSpec { hardness_mg_l: 1e6, ..base.feed };
    assert!(matches!(
        refused(CycleSpec { feed: absurd, ..base }),
        Some(BedError::OutOfRange { field: "hardness", .. })
    ));
    let faint = FeedSpec { hardness_mg_l: 0.02, sodium_mg_l: 200.0, ..base.feed };
    assert!(matches!(refused(CycleSpec { feed: faint, until_mg_l: 0.01, ..base }), Some(BedError::TooLong { .. })));
}

#[test]
fn extremes_give_sound_answers() {
    let base = CycleSpec { plates: 6, ..CycleSpec::default() };
    let mut cases = vec![];
    for temperature_c in [0.0, 60.0] {
        let mut case = base;
        case.feed.temperature_c = temperature_c;
        cases.push(case);
        cases.push(CycleSpec { transfer: kinetic(), ..case });
    }
    cases.push(CycleSpec { plates: 1, ..base });
    let mut hard = base;
    hard.feed.hardness_mg_l = 20_000.0;
    cases.push(hard);
    let mut no_sodium = base;
    no_sodium.feed.sodium_mg_l = 0.0;
    cases.push(no_sodium);
    for regeneration in [Regeneration::CoCurrent, Regeneration::CounterCurrent] {
        for case in &cases {
            let outcome = CycleRun::new(CycleSpec { regeneration, ..*case })
                .and_then(|mut run| run.to_steady())
                .expect("an answer");
            let efficiency = outcome.salt_efficiency.expect("salt was given");
            assert!(outcome.capacity_g_l > 0.0 && outcome.capacity_g_l < 101.0);
            assert!(outcome.leakage_mean_mg_l >= outcome.leakage_min_mg_l);
            assert!(outcome.leakage_min_mg_l >= 0.0);
            assert!(efficiency > 0.0 && efficiency < 1.0);
            assert!(outcome.balance_error.abs() < 0.01);
        }
    }
}

/// Brine comes in whole plates, so the doses are those that were given: 39.06 g/L for 40, for instance.
#[test]
fn less_salt_gives_more_for_each_gram() {
    for regeneration in [Regeneration::CoCurrent, Regeneration::CounterCurrent] {
        let asked = [240.0, 160.0, 120.0, 80.0, 60.0, 40.0];
        let runs = asked.map(|dose_g_l| steady(CycleSpec { dose_g_l, regeneration, ..CycleSpec::default() }));
        for pair in runs.windows(2) {
            let [more, less] = pair else { unreachable!("pairs") };
            let (salt, capacity) = (less.dose_g_l / more.dose_g_l, less.capacity_g_l / more.capacity_g_l);
            println!(
                "{:6.2} -> {:6.2} g/L: {salt:.4} of the salt, {capacity:.4} of the capacity",
                more.dose_g_l, less.dose_g_l
            );
            assert!(capacity > salt, "{regeneration:?} {more:?} {less:?}");
        }
    }
}

#[test]
fn half_the_salt_gives_more_than_half_the_capacity() {
    for regeneration in [Regeneration::CoCurrent, Regeneration::CounterCurrent] {
        let at = |dose_g_l| steady(CycleSpec { dose_g_l, regeneration, plates: 10, ..CycleSpec::default() });
        let (half, full) = (at(80.0), at(160.0));
        assert!(half.capacity_g_l > 0.5 * full.capacity_g_l);
        assert!(half.salt_efficiency > full.salt_efficiency);
        assert!(half.leakage_mean_mg_l > full.leakage_mean_mg_l);
    }
}

#[test]
fn counter_current_leaks_less() {
    let with = |regeneration| {
        steady(CycleSpec { regeneration, plates: 10, dose_g_l: 100.0, ..CycleSpec::default() }).leakage_mean_mg_l
    };
    assert!(with(Regeneration::CounterCurrent) < 0.2 * with(Regeneration::CoCurrent));
}

#[test]
fn a_bed_run_past_exhaustion_leaks_magnesium_first() {
    let mut run = CycleRun::virgin(CycleSpec::default()).expect("a virgin bed");
    let mut points = Vec::new();
    run.exhaust(0.97 * 342.0, |p| points.push(p)).expect("a curve");
    let feed_magnesium = feed().mg * super::MG_G_PER_MOL * 1e3;
    let passes = |calcium: bool, level: f64| {
        points.iter().find(|p| if calcium { p.ca_mg_l } else { p.mg_mg_l } > level).expect("a breakthrough").bv
    };
    // Although the feed holds three times as much calcium by weight.
    assert!(passes(false, 5.0) < passes(true, 5.0));
    // Calcium drives magnesium out before it: more leaves than comes in.
    let crest = points.iter().map(|p| p.mg_mg_l).fold(0.0, f64::max);
    assert!(crest > 1.1 * feed_magnesium, "{crest} {feed_magnesium}");
}

#[test]
fn an_idle_counter_current_bed_leaks_more_on_the_first_litres() {
    for transfer in [Transfer::Equilibrium, kinetic()] {
        let mut run =
            CycleRun::new(CycleSpec { regeneration: Regeneration::CounterCurrent, transfer, ..CycleSpec::default() })
                .expect("a sound case");
        run.to_steady().expect("a steady state");
        run.regenerate(|_| ());
        let mut fresh = run.bed().clone();
        let mut idle = fresh.clone();
        // Let both come to rest first, so that only the idle time differs.
        fresh.stand(3_600.0).expect("a stand");
        idle.stand(3_600.0 * 24.0 * 14.0).expect("a stand");
        let litres = 0.2;
        let first =
            |bed: &mut Bed| bed.advance(&feed(), litres, 45.0, Direction::Down).expect("service").water.hardness_mg_l();
        let (soon, late) = (first(&mut fresh), first(&mut idle));
        println!("first {litres} L: {soon:.2e} mg/L after an hour, {late:.2e} mg/L after two weeks");
        assert!(late > soon);
    }
}

#[test]
fn mass_transfer_costs_capacity_with_flow_and_cold() {
    let at = |bv_h: f64, temperature_c: f64, transfer| {
        let mut case = CycleSpec { transfer, plates: 10, ..CycleSpec::default() };
        case.flows.service_bv_h = bv_h;
        case.feed.temperature_c = temperature_c;
        steady(case)
    };
    let ideal = at(16.0, 15.0, Transfer::Equilibrium);
    let slow = at(8.0, 15.0, kinetic());
    let fast = at(40.0, 15.0, kinetic());
    let cold = at(40.0, 5.0, kinetic());
    assert!(ideal.capacity_g_l > slow.capacity_g_l);
    assert!(slow.capacity_g_l > fast.capacity_g_l);
    assert!(fast.capacity_g_l > cold.capacity_g_l);
    assert!(fast.leakage_mean_mg_l > slow.leakage_mean_mg_l);
    // Fine beads and slow flow come back to equilibrium.
    let mut fine = CycleSpec {
        transfer: Transfer::Kinetic(Kinetics { bead_mm: 0.1, ..Kinetics::default() }),
        plates: 10,
        ..CycleSpec::default()
    };
    fine.flows.service_bv_h = 1.0;
    fine.flows.brine_bv_h = 0.2;
    let near = steady(fine);
    assert!((near.capacity_g_l / ideal.capacity_g_l - 1.0).abs() < 0.01);
}

#[test]
fn old_and_fouled_resin_holds_less() {
    let of = |age_years, iron_g_l| {
        let mut case = CycleSpec { plates: 10, ..CycleSpec::default() };
        case.resin.age_years = age_years;
        case.resin.iron_g_l = iron_g_l;
        steady(case).capacity_g_l
    };
    let new = of(0.0, 0.0);
    assert!(of(5.0, 0.0) < new);
    assert!(of(5.0, 5.0) < of(5.0, 0.0));
}

#[test]
fn layers_last_until_they_are_mixed() {
    let mut run = CycleRun::new(CycleSpec::default()).expect("a sound case");
    run.regenerate(|_| ());
    let layers = |bed: &Bed| {
        let hardness: Vec<f64> = bed.plates().map(|p| p.calcium_fraction + p.magnesium_fraction).collect();
        hardness.iter().copied().fold(0.0, f64::max) - hardness.iter().copied().fold(1.0, f64::min)
    };
    let mut bed = run.bed().clone();
    let sharp = layers(&bed);
    bed.stand(3_600.0).expect("a stand");
    assert!(layers(&bed) > 0.99 * sharp);
    bed.mix(0.5).expect("mixing");
    assert!(layers(&bed) < 0.6 * sharp);
    bed.mix(1.0).expect("mixing");
    assert!(layers(&bed) < 1e-6);
}
