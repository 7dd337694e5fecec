//! The plant's physics against its budgets, side by side with PHREEQC's own times:
//!   cargo bench -p bedkeeper-tests --bench plant

use std::fmt::Write as _;
use std::hint::black_box;
use std::io::Cursor;
use std::time::{Duration, Instant};

use bedkeeper_sim::bed::cycle::{CycleRun, CycleSpec, Regeneration};
use bedkeeper_sim::process::{Design, Standing};
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Observer, Replay, ValveTimes, World};
use bedkeeper_sim::site::{self, Site};

const APARTMENTS: &str = include_str!("../../sim-host/demo/apartments.toml");
const FORTNIGHT: &[u8] = include_bytes!("../../sim-host/demo/apartments20_14d_10L.csv.gz");
/// PHREEQC on the same columns and cycles, with its own times (provenance in the README beside it).
const PHREEQC: &str = include_str!("../../sim-host/tests/reference/capacity_vs_dose_N20.csv");
const DAY_MS: u64 = 86_400_000;
/// Runs of each case; the quickest counts, as the one least disturbed by other work on the machine.
const RUNS: usize = 15;

fn main() {
    cycles_beside_phreeqc();
    year();
    cruise();
}

fn quickest(run: impl Fn()) -> Duration {
    let timed = |_| {
        let began = Instant::now();
        run();
        began.elapsed()
    };
    (0..RUNS).map(timed).min().unwrap_or_default()
}

/// Every case of the reference with the true pore volume: one cycle of a settled bed.
fn cycles_beside_phreeqc() {
    println!(
        "one cycle of the reference column, 20 plates, mass transfer off (budget: 1 000 x at the true pore volume)"
    );
    let mut lines = PHREEQC.lines();
    let head: Vec<&str> = lines.next().expect("a heading").split(',').collect();
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let field = |name: &str| {
            let at = head.iter().position(|column| *column == name).unwrap_or_else(|| panic!("no column {name}"));
            fields[at]
        };
        let number = |name: &str| field(name).parse::<f64>().expect("a number");
        if field("case") != "base_phreeqc.dat" || number("F") != 1.0 {
            continue;
        }
        let regeneration = if field("flow") == "co" { Regeneration::CoCurrent } else { Regeneration::CounterCurrent };
        let spec = CycleSpec { dose_g_l: number("dose_actual_gL"), regeneration, ..CycleSpec::default() };
        let mut steady = CycleRun::new(spec).expect("a sound case");
        steady.to_steady().expect("a steady state");
        let took = quickest(|| {
            black_box(steady.clone().cycle().expect("one more cycle"));
        });
        let theirs_s = number("wall_s") / number("cycles");
        println!(
            "  {:8} {:6.1} g/L: {:8.3} ms against PHREEQC's {:6.2} s a cycle: {:7.0} x",
            field("flow"),
            number("dose_actual_gL"),
            took.as_secs_f64() * 1e3,
            theirs_s,
            theirs_s / took.as_secs_f64()
        );
    }
}

fn bundled() -> Site {
    site::parse("apartments.toml", APARTMENTS).expect("the bundled site")
}

fn world(site: &Site, recording: &Recording) -> World {
    let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
    let mut world = World::new(site.settings.clone(), times, recording.header().start).expect("a small site");
    world.fill(Design::of_site(site).expect("a softener")).expect("a sound plant");
    world
}

/// A year of the busy two-tank site: the bundled fortnight again and again.
fn year() {
    let mut text = String::from("# t_s = seconds since 2027-03-01 00:00 local standard time\nt_s,pulses\n");
    let mut rows = 0u64;
    'year: for round in 0.. {
        let mut recording = Recording::from_reader("bundled", Cursor::new(FORTNIGHT), None).expect("bundled");
        while let Some(pulses) = recording.next().expect("sound") {
            let at_ms = pulses.at_ms + round * 14 * DAY_MS;
            if at_ms > 365 * DAY_MS {
                break 'year;
            }
            rows += 1;
            writeln!(text, "{}.{:03},{}", at_ms / 1_000, at_ms % 1_000, pulses.count).expect("memory");
        }
    }
    let site = bundled();
    let began = Instant::now();
    let mut recording = Recording::from_reader("year", Cursor::new(text.into_bytes()), None).expect("made here");
    let mut gatherer = Gatherer::new("bench", "", "bench", Vec::new(), &world(&site, &recording));
    let mut checker = Checker::new(site.settings.raw().clone());
    let observers: Vec<&mut dyn Observer> = vec![&mut gatherer, &mut checker];
    let world = world(&site, &recording);
    let world = Replay::new(world, observers).run(&mut recording, |_| {}).expect("a sound recording");
    let took = began.elapsed().as_secs_f64();
    let process = world.process.as_ref().expect("filled");
    let worst = process.balance().iter().map(|line| line.relative_error()).fold(0.0, f64::max);
    println!(
        "a year of the busy two-tank site, full physics: {rows} rows, {:.0} m3, {} regenerations in {took:.2} s (budget 10 s): {:.0} x real time; balance open by {worst:.0e}",
        process.plant().delivered_l / 1e3,
        gatherer.into_evidence().regenerations.len(),
        365.0 * 86_400.0 / took
    );
}

/// Steady draw through one tank, told every second.
fn cruise() {
    let site = bundled();
    let recording = Recording::from_reader("bundled", Cursor::new(FORTNIGHT), None).expect("bundled");
    let filled = world(&site, &recording).process.expect("filled");
    let stands = [bedkeeper::program::Position::Service, bedkeeper::program::Position::Standby].map(Standing::within);
    let seconds = 3_600u64;
    let took = quickest(|| {
        let mut process = filled.clone();
        process.draw_l_min(40.0);
        for second in 1..=seconds {
            process.advance(second * 1_000, stands.into_iter()).expect("water");
        }
        black_box(process.plant().delivered_l);
    });
    println!(
        "cruise at 40 L/min, a call a second: {:.1} us a simulated second, {:.0} x faster than the water (budget 1 000 x)",
        took.as_secs_f64() * 1e6 / seconds as f64,
        seconds as f64 / took.as_secs_f64()
    );
}
