//! The logic beside a plain reckoning: `cargo run --release -p bedkeeper-tests --example reference -- RECORDINGS`.

use std::process::ExitCode;

use bedkeeper_tests::reference::agree;

fn main() -> ExitCode {
    let Some(seeds) = std::env::args().nth(1).map_or(Some(500), |text| text.parse::<u64>().ok()) else {
        eprintln!("reference: say how many recordings, such as 500");
        return ExitCode::from(2);
    };
    let mut regenerations = 0;
    for seed in 0..seeds {
        match agree(seed) {
            Ok(count) => regenerations += count,
            Err(why) => {
                eprintln!("{why}");
                return ExitCode::FAILURE;
            }
        }
    }
    println!("{seeds} recordings of 28 days: {regenerations} regenerations agree in tank, cause and times");
    ExitCode::SUCCESS
}
