//! What the plant around the bed costs: `cargo bench -p bedkeeper-sim --bench physics`.

use bedkeeper_sim::physics::brine_tank::{BrineTank, BrineTankSpec};
use bedkeeper_sim::physics::eductor::Eductor;
use bedkeeper_sim::physics::hydraulics::{
    BackwashVessel, BackwashedBed, Beads, Branch, Liquid, PackedBed, Resistance, Supply, share, split,
};
use divan::{Bencher, black_box};

fn main() {
    divan::main();
}

fn path() -> Resistance {
    let bed = PackedBed { depth_m: 0.9, area_m2: 0.05, void_fraction: 0.38, bead_mm: 0.6 };
    bed.resistance(&Liquid::water(15.0).expect("water")).expect("a bed")
}

fn filled() -> BrineTank {
    let mut tank = BrineTank::with_salt(BrineTankSpec::default(), 60.0, 15.0).expect("a tank");
    tank.refill(2.0, 300.0).expect("a refill");
    tank
}

/// The resistance of a bed, worked out anew for a temperature.
#[divan::bench]
fn bed_resistance(bencher: Bencher<'_, '_>) {
    let bed = PackedBed { depth_m: 0.9, area_m2: 0.05, void_fraction: 0.38, bead_mm: 0.6 };
    bencher.bench(|| bed.resistance(&Liquid::water(black_box(15.0)).expect("water")));
}

/// Two tanks' flow.
#[divan::bench]
fn split_of_two(bencher: Bencher<'_, '_>) {
    let paths = [path(), path().then(path())];
    bencher.bench(|| split(black_box(40.0), &paths));
}

/// Taps of two tanks and a backwash on one supply.
#[divan::bench]
fn share_of_three(bencher: Bencher<'_, '_>) {
    let supply = Supply::new(400.0, 0.1).expect("a supply");
    let branches =
        [30.0, 25.0, f64::INFINITY].map(|limit_l_min| Branch { resistance: path(), end_kpa: 0.0, limit_l_min });
    bencher.bench(|| share(&supply, black_box(&branches)));
}

/// Taps of two tanks that get all they ask for.
#[divan::bench]
fn share_of_two_met(bencher: Bencher<'_, '_>) {
    let supply = Supply::new(400.0, 0.1).expect("a supply");
    let branches = [20.0, 15.0].map(|limit_l_min| Branch { resistance: path(), end_kpa: 0.0, limit_l_min });
    bencher.bench(|| share(&supply, black_box(&branches)));
}

/// Where the eductor works.
#[divan::bench]
fn eductor(bencher: Bencher<'_, '_>) {
    let path = path();
    bencher.bench(|| Eductor::default().operate(black_box(300.0), 5.0, &path, 0.0, true));
}

/// A fresh brine tank standing for two hours.
#[divan::bench]
fn brine_tank_two_hours(bencher: Bencher<'_, '_>) {
    let tank = filled();
    bencher.with_inputs(|| tank).bench_values(|mut tank| tank.stand(7_200.0).map(|()| tank));
}

/// A saturated one standing for a year.
#[divan::bench]
fn brine_tank_at_rest(bencher: Bencher<'_, '_>) {
    let mut tank = filled();
    tank.stand(1e8).expect("a stand");
    bencher.with_inputs(|| tank).bench_values(|mut tank| tank.stand(3.2e7).map(|()| tank));
}

/// A refill of ten minutes.
#[divan::bench]
fn brine_tank_refill(bencher: Bencher<'_, '_>) {
    let tank = filled();
    bencher.with_inputs(|| tank).bench_values(|mut tank| tank.refill(2.0, 600.0));
}

/// A backwash of ten minutes.
#[divan::bench]
fn backwash(bencher: Bencher<'_, '_>) {
    let beads = Beads { diameter_mm: 0.6, density_kg_m3: 1_280.0 };
    let vessel = BackwashVessel { area_m2: 0.05, height_m: 1.4, settled_void: 0.38, beads };
    let bed = BackwashedBed::settled(vessel, 0.9).expect("a bed");
    let water = Liquid::water(15.0).expect("water");
    bencher.with_inputs(|| bed).bench_values(|mut bed| bed.advance(black_box(0.004), &water, 600.0));
}
