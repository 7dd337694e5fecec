//! Lives of plants with stacks of holds: `cargo run --release -p bedkeeper-tests --example stacks -- SEEDS YEARS`.

use bedkeeper_tests::stacks::{Kind, live};

fn main() -> Result<(), String> {
    let mut args = std::env::args().skip(1).map(|arg| arg.parse::<u64>().map_err(|e| format!("{arg}: {e}")));
    let seeds = args.next().transpose()?.unwrap_or(20);
    let years = args.next().transpose()?.unwrap_or(10);
    for (kind, seed) in Kind::ALL.into_iter().flat_map(|kind| (0..seeds).map(move |seed| (kind, seed))) {
        let began = std::time::Instant::now();
        let report = live(kind, seed, years * 365)?;
        println!(
            "{kind:?}, seed {seed}: {years} years in {:.1} s; {} requests, {} starts at the named instant, {} with the last \
             clearance, {} as the plant allowed; {} times newly held; {} clock corrections",
            began.elapsed().as_secs_f64(),
            report.requests,
            report.at_named_instant,
            report.at_last_clearance,
            report.by_plant,
            report.newly_held,
            report.corrections,
        );
        println!("  heights {:?}\n  holds {:?}", report.heights, report.holds);
    }
    Ok(())
}
