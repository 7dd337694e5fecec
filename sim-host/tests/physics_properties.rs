//! What the plant physics never breaks, whatever the figures: water and salt conserved, more
//! never less where more is due, no answer that is not a number.

use bedkeeper_sim::physics::brine_props::{
    brine_density_kg_m3, brine_viscosity_pa_s, salt_g_per_l, saturation_weight_percent,
};
use bedkeeper_sim::physics::brine_tank::{BrineTank, BrineTankSpec, FloatFault};
use bedkeeper_sim::physics::eductor::Eductor;
use bedkeeper_sim::physics::hydraulics::{
    BackwashVessel, BackwashedBed, Beads, Branch, Drain, Liquid, PackedBed, Resistance, Supply, expansion_share, share,
    split, terminal_velocity_m_s,
};
use proptest::prelude::*;

/// What a brine tank is put through.
#[derive(Debug, Clone, Copy)]
enum Act {
    Refill(f64, f64),
    Draw(f64, f64),
    Stand(f64),
    Salt(f64),
    Warm(f64),
    Bridge(bool),
    Float(FloatFault),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        4 => (0.0..30.0, 0.0..3_000.0).prop_map(|(flow, s)| Act::Refill(flow, s)),
        4 => (0.0..10.0, 0.0..3_000.0).prop_map(|(flow, s)| Act::Draw(flow, s)),
        4 => (0.0..1e6).prop_map(Act::Stand),
        1 => (0.0..50.0).prop_map(Act::Salt),
        2 => (0.0..80.0).prop_map(Act::Warm),
        1 => any::<bool>().prop_map(Act::Bridge),
        1 => prop_oneof![Just(FloatFault::None), Just(FloatFault::StuckOpen), Just(FloatFault::StuckShut)]
            .prop_map(Act::Float),
    ]
}

fn spec() -> impl Strategy<Value = BrineTankSpec> {
    (0.05..1.0, 0.4..1.5, 0.0..0.2, 0.3..0.6, 0.0..0.1, prop::option::of(0.2..1.0), 1e-5..1e-2).prop_map(
        |(area_m2, overflow_m, grid_m, pile_void, air_check_m, float, dissolving_per_s)| BrineTankSpec {
            area_m2,
            overflow_m,
            grid_m,
            pile_void,
            air_check_m,
            float_m: float.map(|share| share * overflow_m),
            dissolving_per_s,
        },
    )
}

fn path() -> impl Strategy<Value = Resistance> {
    prop_oneof![
        8 => (0.0..10.0, 1e-6..1.0).prop_map(|(a, b)| Resistance::new(a, b).expect("a path")),
        1 => Just(Resistance::SHUT),
    ]
}

proptest! {
    // A failing case is printed whole: it needs no file beside the tests.
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn brine_is_monotone_in_salt_and_cold(w in 0.0..26.0f64, t in 0.0..78.0f64, more in 0.1..2.0f64) {
        let density = |w, t| brine_density_kg_m3(w, t).expect("brine");
        let viscosity = |w, t| brine_viscosity_pa_s(w, t).expect("brine");
        prop_assert!(density(w + more, t) > density(w, t));
        prop_assert!(salt_g_per_l(w + more, t).expect("brine") > salt_g_per_l(w, t).expect("brine"));
        prop_assert!(viscosity(w, t + more) < viscosity(w, t));
        prop_assert!(saturation_weight_percent(t + more).expect("brine") > saturation_weight_percent(t).expect("brine"));
    }

    #[test]
    fn a_brine_tank_makes_and_loses_nothing(spec in spec(), salt_kg in 0.0..200.0f64, acts in prop::collection::vec(act(), 1..40)) {
        let mut tank = BrineTank::with_salt(spec, salt_kg, 15.0).expect("a tank");
        let (mut water_in, mut water_out, mut salt_in, mut salt_out) = (0.0, 0.0, salt_kg, 0.0);
        for act in acts {
            match act {
                Act::Refill(flow, s) => {
                    let done = tank.refill(flow, s).expect("a refill");
                    water_in += done.water_in_kg;
                    water_out += done.overflow.water_kg;
                    salt_out += done.overflow.salt_kg;
                    prop_assert!(done.flowing_s >= 0.0 && done.flowing_s <= s * (1.0 + 1e-12));
                }
                Act::Draw(flow, s) => {
                    let done = tank.draw(flow, s).expect("a draw");
                    water_out += done.taken.water_kg;
                    salt_out += done.taken.salt_kg;
                    prop_assert!(done.flowing_s >= 0.0 && done.flowing_s <= s * (1.0 + 1e-12));
                    prop_assert!(done.air_check_closed || done.flowing_s >= s * (1.0 - 1e-12) || flow == 0.0);
                }
                Act::Stand(s) => tank.stand(s).expect("a stand"),
                Act::Salt(kg) => {
                    tank.add_salt(kg).expect("salt");
                    salt_in += kg;
                }
                Act::Warm(t) => tank.set_temperature_c(t).expect("a temperature"),
                Act::Bridge(stands) => tank.faults.salt_bridge = stands,
                Act::Float(fault) => tank.faults.float = fault,
            }
            prop_assert!(tank.water_kg() >= 0.0 && tank.solid_kg() >= 0.0 && tank.dissolved_kg() >= 0.0);
            prop_assert!((0.0..=1.0).contains(&tank.contact_share()));
            prop_assert!(tank.level_m().is_finite() && tank.weight_percent() < 28.0);
            let water_open = water_in - water_out - tank.water_kg();
            let salt_open = salt_in - salt_out - tank.solid_kg() - tank.dissolved_kg();
            prop_assert!(water_open.abs() <= 1e-9 * water_in.max(1e-3), "water open by {water_open:e} of {water_in}");
            prop_assert!(salt_open.abs() <= 1e-9 * salt_in.max(1e-3), "salt open by {salt_open:e} of {salt_in}");
        }
    }

    #[test]
    fn standing_longer_brings_brine_nearer_to_saturation(salt_kg in 1.0..200.0f64, litres in 1.0..60.0f64, s in 1.0..1e5f64, t in 0.0..80.0f64) {
        let mut tank = BrineTank::with_salt(BrineTankSpec::default(), salt_kg, t).expect("a tank");
        tank.refill(litres, 60.0).expect("a refill");
        let mut parts = tank;
        let before = tank.saturation_share();
        tank.stand(s).expect("a stand");
        prop_assert!(tank.saturation_share() >= before && tank.saturation_share() <= 1.0 + 1e-9);
        parts.stand(0.3 * s).expect("a stand");
        parts.stand(0.7 * s).expect("a stand");
        // Steps fall elsewhere, within which the share among salt is kept.
        prop_assert!((parts.saturation_share() - tank.saturation_share()).abs() < 0.02);
    }

    #[test]
    fn a_path_gives_back_the_flow_whose_loss_it_is(path in path(), q in 0.0..500.0f64) {
        prop_assume!(!path.is_shut());
        let back = path.flow_l_min(path.loss_kpa(q).expect("a flow"));
        prop_assert!((back - q).abs() <= 1e-9 * q.max(1e-9), "{back} {q}");
    }

    #[test]
    fn loss_rises_with_flow_and_cold(v in 0.1..90.0f64, more in 1.01..2.0f64, t in 0.0..70.0f64, void in 0.3..0.45f64) {
        let loss = |q, t, void| {
            let bed = PackedBed { depth_m: 0.8, area_m2: 0.05, void_fraction: void, bead_mm: 0.6 };
            bed.resistance(&Liquid::water(t).expect("water")).and_then(|path| path.loss_kpa(q)).expect("a bed")
        };
        prop_assert!(loss(v * more, t, void) > loss(v, t, void) * more * (1.0 - 1e-12));
        prop_assert!(loss(v, t + 5.0, void) < loss(v, t, void));
        prop_assert!(loss(v, t, void + 0.02) < loss(v, t, void));
    }

    #[test]
    fn a_split_loses_no_water_and_is_even(paths in prop::collection::vec(path(), 1..9), q in 0.0..500.0f64) {
        match split(q, &paths) {
            Err(_) => prop_assert!(q > 0.0 && paths.iter().all(Resistance::is_shut)),
            Ok(answer) => {
                prop_assert!((answer.flows_l_min.iter().sum::<f64>() - q).abs() <= 1e-12 * q);
                for (path, flow) in paths.iter().zip(&answer.flows_l_min) {
                    if path.is_shut() {
                        prop_assert_eq!(*flow, 0.0);
                    } else {
                        let loss = path.loss_kpa(*flow).expect("a flow");
                        prop_assert!((loss - answer.loss_kpa).abs() <= 1e-9 * answer.loss_kpa);
                    }
                }
            }
        }
    }

    #[test]
    fn a_shared_supply_gives_what_is_taken(
        static_kpa in 0.0..800.0f64,
        droop in 1e-4..1.0f64,
        branches in prop::collection::vec((path(), 0.0..400.0f64, prop_oneof![Just(f64::INFINITY), 0.0..100.0f64]), 0..8),
    ) {
        let supply = Supply::new(static_kpa, droop).expect("a supply");
        let branches: Vec<Branch> = branches
            .into_iter()
            .map(|(resistance, end_kpa, limit_l_min)| Branch { resistance, end_kpa, limit_l_min })
            .collect();
        let answer = share(&supply, &branches).expect("sound branches");
        let taken: f64 = answer.flows_l_min.iter().sum();
        let given = supply.pressure_kpa(taken).expect("a flow");
        prop_assert!((given - answer.supply_kpa).abs() <= 1e-6 * static_kpa.max(1.0), "{given} {answer:?}");
        for (branch, flow) in branches.iter().zip(&answer.flows_l_min) {
            prop_assert!(*flow >= 0.0 && *flow <= branch.limit_l_min);
            prop_assert!(*flow == 0.0 || branch.end_kpa < answer.supply_kpa);
        }
        // One more way never raises the pressure.
        let more: Vec<Branch> = branches.iter().chain(branches.first()).copied().collect();
        let busier = share(&supply, &more).expect("sound branches");
        prop_assert!(busier.supply_kpa <= answer.supply_kpa + 1e-9 * static_kpa);
    }

    #[test]
    fn a_drain_loses_no_water(capacity in 0.0..100.0f64, q in 0.0..500.0f64) {
        let load = Drain::new(capacity).and_then(|drain| drain.take(q)).expect("a flow");
        prop_assert!(load.overflow_l_min >= 0.0 && load.carried_l_min <= capacity);
        prop_assert!((load.carried_l_min + load.overflow_l_min - q).abs() <= 1e-12 * q);
    }

    #[test]
    fn expansion_rises_with_flow_and_cold(metres_per_h in 1.0..25.0f64, more in 1.0..2.0f64, t in 0.0..70.0f64, density in 1_200.0..1_350.0f64) {
        let beads = Beads { diameter_mm: 0.6, density_kg_m3: density };
        let growth = |m_h: f64, t| {
            expansion_share(m_h / 3_600.0, 0.38, &beads, &Liquid::water(t).expect("water")).expect("a slow flow")
        };
        prop_assert!(growth(metres_per_h * more, t) >= growth(metres_per_h, t));
        prop_assert!(growth(metres_per_h, t) >= growth(metres_per_h, t + 5.0));
    }

    #[test]
    fn resin_is_lost_only_over_the_top(
        flows in prop::collection::vec((0.0..60.0f64, 0.0..3_000.0f64, 0.0..60.0f64), 1..8),
        freeboard in 0.0..1.5f64,
        depth_m in 0.0..1.2f64,
    ) {
        let beads = Beads { diameter_mm: 0.6, density_kg_m3: 1_260.0 };
        let height_m = (depth_m * (1.0 + freeboard)).max(0.05);
        let vessel = BackwashVessel { area_m2: 0.07, height_m, settled_void: 0.38, beads };
        let mut bed = BackwashedBed::settled(vessel, depth_m).expect("a bed");
        let start = bed.resin_l();
        let mut lost = 0.0;
        for (metres_per_h, seconds, t) in flows {
            let water = Liquid::water(t).expect("water");
            let v = metres_per_h / 3_600.0;
            let before = bed;
            let gone = bed.advance(v, &water, seconds).expect("a sound flow");
            lost += gone;
            prop_assert!(gone >= 0.0 && bed.resin_l() >= 0.0);
            prop_assert!(bed.height_m() <= height_m && bed.height_m() >= bed.settled_depth_m() - 1e-12);
            // Whatever fits at this flow stays, whether the bed was lower or higher before.
            if v < terminal_velocity_m_s(&beads, &water).expect("beads") {
                let growth = expansion_share(v, 0.38, &beads, &water).expect("a slow flow");
                if before.settled_depth_m() * (1.0 + growth) < height_m {
                    prop_assert!(gone == 0.0, "{gone}");
                } else {
                    prop_assert!(bed.settled_depth_m() * (1.0 + growth) >= height_m * (1.0 - 1e-6));
                }
            }
        }
        prop_assert!((start - lost - bed.resin_l()).abs() <= 1e-9 * start);
    }

    #[test]
    fn an_eductor_draws_less_against_more(
        motive_kpa in 0.0..800.0f64,
        less in 0.5..1.0f64,
        lift_kpa in 0.0..20.0f64,
        end_kpa in 0.0..100.0f64,
        path in path(),
        w in 0.0..27.0f64,
    ) {
        let eductor = Eductor::default();
        let at = |kpa, end| eductor.operate(kpa, lift_kpa, &path, end, true).expect("sound pressures");
        let (flow, weaker, blocked) = (at(motive_kpa, end_kpa), at(motive_kpa * less, end_kpa), at(motive_kpa, end_kpa + 20.0));
        for one in [flow, weaker, blocked] {
            prop_assert!(one.motive_l_min >= 0.0 && one.drawn_l_min >= 0.0);
            prop_assert!(one.back_kpa.is_finite());
        }
        let tolerance = 1e-9 * (1.0 + flow.drawn_l_min);
        prop_assert!(weaker.drawn_l_min <= flow.drawn_l_min + tolerance);
        prop_assert!(blocked.drawn_l_min <= flow.drawn_l_min + tolerance);
        let mixture = flow.at_the_bed(w, 15.0).expect("brine");
        prop_assert!(mixture.weight_percent <= w + 1e-12 && mixture.flow_l_min >= 0.0);
        // Salt in the mixture is the salt that was drawn.
        let drawn_g = flow.drawn_l_min * salt_g_per_l(w, 15.0).expect("brine");
        let mixed_g = mixture.flow_l_min * salt_g_per_l(mixture.weight_percent, 15.0).expect("brine");
        prop_assert!((drawn_g - mixed_g).abs() <= 1e-9 * drawn_g.max(1e-9));
    }
}
