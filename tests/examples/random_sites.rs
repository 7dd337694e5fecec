//! Invented sites through sizing and a replay: `cargo run --release -p bedkeeper-tests --example random_sites -- SITES`.

use std::sync::atomic::{AtomicU64, Ordering};

use bedkeeper_tests::random_sites::{Outcomes, live};

fn main() -> Result<(), String> {
    let sites =
        std::env::args().nth(1).map_or(Ok(1_000), |arg| arg.parse::<u64>()).map_err(|error| error.to_string())?;
    let began = std::time::Instant::now();
    let next = AtomicU64::new(0);
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let outcomes: Vec<_> = std::thread::scope(|scope| {
        let work = || {
            let mut outcomes = Vec::new();
            loop {
                let seed = next.fetch_add(1, Ordering::Relaxed);
                if seed >= sites {
                    return outcomes;
                }
                outcomes.push(live(seed));
            }
        };
        let running: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
        running.into_iter().filter_map(|thread| thread.join().ok()).flatten().collect()
    });
    let mut refused = 0;
    let mut compared = std::collections::BTreeMap::<_, (usize, usize, f64)>::new();
    let mut faults = Vec::new();
    for outcome in &outcomes {
        match outcome {
            Ok(Outcomes::Refused) => refused += 1,
            Ok(Outcomes::Compared { arrangement, at_hour, regenerations, off }) => {
                let entry = compared.entry((*arrangement, *at_hour)).or_default();
                *entry = (entry.0 + 1, entry.1 + regenerations, entry.2.max(off.abs()));
            }
            Err(why) => faults.push(why),
        }
    }
    println!("{} sites in {:.1} s; {refused} refused with findings", outcomes.len(), began.elapsed().as_secs_f64());
    for ((arrangement, at_hour), (sites, regenerations, off)) in compared {
        let when = if at_hour { "at the hour" } else { "immediate" };
        println!(
            "{arrangement:<12} {when:<12} {sites:>4} sites, {regenerations:>5} regenerations compared; a mean is off by {:.2} % at most",
            off * 100.0
        );
    }
    for fault in faults.iter().take(3) {
        println!("{fault}");
    }
    if outcomes.len() as u64 != sites || !faults.is_empty() {
        return Err(format!("{} sites at fault, {} not finished", faults.len(), sites - outcomes.len() as u64));
    }
    Ok(())
}
