//! Benchmarks of the resin bed.

use bedkeeper_sim::bed::cycle::{CycleRun, CycleSpec, Regeneration};

fn main() {
    divan::main();
}

/// One converged case of the reference column; times are per whole case.
#[divan::bench(args = [80.0, 160.0, 240.0])]
fn co_current_to_steady(bencher: divan::Bencher<'_, '_>, dose_g_l: f64) {
    let run = CycleRun::new(CycleSpec {
        dose_g_l,
        ..CycleSpec::default()
    })
    .expect("a sound case");
    bencher
        .with_inputs(|| run.clone())
        .bench_values(|mut run| run.to_steady());
}

/// As above, counter-current.
#[divan::bench(args = [80.0, 160.0, 240.0])]
fn counter_current_to_steady(bencher: divan::Bencher<'_, '_>, dose_g_l: f64) {
    let run = CycleRun::new(CycleSpec {
        dose_g_l,
        regeneration: Regeneration::CounterCurrent,
        ..CycleSpec::default()
    })
    .expect("a sound case");
    bencher
        .with_inputs(|| run.clone())
        .bench_values(|mut run| run.to_steady());
}
