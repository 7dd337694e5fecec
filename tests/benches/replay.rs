//! Replay against a bare loop that reads the same recording and decrements a counter, side by side in one
//! run:  cargo bench -p bedkeeper-tests --bench replay

#[path = "../../sim-host/tests/two_tanks/mod.rs"]
mod two_tanks;

use std::hint::black_box;
use std::io::Cursor;
use std::time::{Duration, Instant};

use bedkeeper::Settings;
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Observer, Replay, ValveTimes, World};

const APARTMENTS: &[u8] = include_bytes!("../../sim-host/demo/apartments20_14d_10L.csv.gz");
/// Pairs of runs; the median of the ratios is printed.
const PAIRS: usize = 15;

fn main() {
    println!("replay against a bare loop over the same recording (median of {PAIRS} pairs)");
    let busy = busy_recording(1_000_000);
    compare("bundled apartments, gzip", || {
        Recording::from_reader("a", Cursor::new(APARTMENTS), None).expect("bundled")
    });
    compare("a million pulses of 10 L, plain", || {
        Recording::from_reader("b", Cursor::new(busy.clone()), None).expect("made here")
    });
}

fn compare(name: &str, open: impl Fn() -> Recording) {
    let mut rows = 0;
    let (mut bare, mut logic, mut full) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..PAIRS {
        bare.push(time(|| rows = bare_loop(open())));
        logic.push(time(|| replay(open(), false)));
        full.push(time(|| replay(open(), true)));
    }
    let [bare, logic, full] = [bare, logic, full].map(median);
    let per_row = |t: Duration| t.as_secs_f64() * 1e9 / rows as f64;
    let ratio = |t: Duration| t.as_secs_f64() / bare.as_secs_f64();
    println!("{name}: {rows} rows");
    println!("  bare loop                     {:>8.1} ns a row", per_row(bare));
    println!("  replay, logic and valves      {:>8.1} ns a row  {:>6.2} x bare", per_row(logic), ratio(logic));
    println!(
        "  replay, evidence and checker  {:>8.1} ns a row  {:>6.2} x bare  (budget 3 x)",
        per_row(full),
        ratio(full)
    );
}

fn time(run: impl FnOnce()) -> Duration {
    let began = Instant::now();
    run();
    began.elapsed()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

/// Reads a recording and decrements a counter that is set again when it runs out.
fn bare_loop(mut recording: Recording) -> u64 {
    let mut left = 580i64;
    let mut rows = 0;
    while let Some(pulses) = recording.next().expect("a sound recording") {
        left -= i64::from(pulses.count);
        if left <= 0 {
            left = 580;
        }
        rows += 1;
    }
    black_box(left);
    rows
}

fn replay(mut recording: Recording, evidence: bool) {
    let raw = two_tanks::settings();
    let checked = Settings::try_from(raw.clone()).expect("sound settings");
    let times = ValveTimes { leg_ms: 20_000, coast_ms: 300 };
    let world = World::new(checked, times, recording.header().start).expect("a small site");
    let mut gatherer = Gatherer::new("bench", "", "bench", Vec::new(), &world);
    let mut checker = Checker::new(raw);
    let observers: Vec<&mut dyn Observer> = if evidence { vec![&mut gatherer, &mut checker] } else { Vec::new() };
    let world = Replay::new(world, observers).run(&mut recording, |_| {}).expect("a sound recording");
    black_box(world.controller.accounts().metered);
}

/// A pulse every 40 s on average, in an uneven rhythm.
fn busy_recording(rows: u64) -> Vec<u8> {
    use std::io::Write as _;
    let mut text = b"# t_s = seconds since 2027-03-01 00:00 local standard time\nt_s,pulses\n".to_vec();
    let mut at_ms = 0u64;
    for row in 0..rows {
        at_ms += 20_000 + (row * 7_919) % 40_000;
        writeln!(text, "{}.{:03},1", at_ms / 1_000, at_ms % 1_000).expect("memory");
    }
    text
}
