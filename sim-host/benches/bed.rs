//! Benchmarks of the resin bed: `cargo bench -p bedkeeper-sim --bench bed`.
//!
//! The `*_one_cycle` figures stand beside `wall_s ÷ cycles` of
//! `tests/reference/capacity_vs_dose_N20.csv`, the same column and cycle in PHREEQC.

use bedkeeper_sim::bed::cycle::{CycleRun, CycleSpec, Regeneration};
use bedkeeper_sim::bed::{Bed, BedSpec, Direction, Kinetics, Resin, Transfer, Water};

fn main() {
    divan::main();
}

const DOSES_G_L: [f64; 3] = [80.0, 160.0, 240.0];

fn one_cycle(bencher: divan::Bencher<'_, '_>, spec: CycleSpec) {
    let mut run = CycleRun::new(spec).expect("a sound case");
    run.to_steady().expect("a steady state");
    bencher.with_inputs(|| run.clone()).bench_values(|mut run| run.cycle().expect("one more cycle"));
}

/// Brine, rinse and service of a settled bed, 20 plates, true pore volume.
#[divan::bench(args = DOSES_G_L)]
fn co_current_one_cycle(bencher: divan::Bencher<'_, '_>, dose_g_l: f64) {
    one_cycle(bencher, CycleSpec { dose_g_l, ..CycleSpec::default() });
}

/// As above, counter-current.
#[divan::bench(args = DOSES_G_L)]
fn counter_current_one_cycle(bencher: divan::Bencher<'_, '_>, dose_g_l: f64) {
    one_cycle(bencher, CycleSpec { dose_g_l, regeneration: Regeneration::CounterCurrent, ..CycleSpec::default() });
}

/// As above with mass transfer on.
#[divan::bench(args = DOSES_G_L)]
fn counter_current_one_cycle_with_mass_transfer(bencher: divan::Bencher<'_, '_>, dose_g_l: f64) {
    one_cycle(
        bencher,
        CycleSpec {
            dose_g_l,
            regeneration: Regeneration::CounterCurrent,
            transfer: Transfer::Kinetic(Kinetics::default()),
            ..CycleSpec::default()
        },
    );
}

/// One second of service in a plant: 28 L of resin, 16 bed volumes per hour.
#[divan::bench]
fn one_second_of_service(bencher: divan::Bencher<'_, '_>) {
    let feed = Water::from_feed(&CycleSpec::default().feed).expect("a feed");
    let mut bed = Bed::new(BedSpec {
        volume_l: 28.0,
        depth_m: 0.9,
        plates: 20,
        resin: Resin::default(),
        transfer: Transfer::Kinetic(Kinetics::default()),
        temperature_c: 15.0,
    })
    .expect("a bed");
    bencher.bench_local(|| bed.advance(&feed, 0.1244, 1.0, Direction::Down));
}
