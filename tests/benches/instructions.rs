//! Instructions of calls on this computer, counted by callgrind:
//! cargo bench -p bedkeeper-tests --bench instructions
//!
//! Each figure is the difference of two counts, with many calls and with none, divided by the
//! calls; it includes what a driver does after a call. Without valgrind it says so and counts nothing.

use std::io::{self, Error};
use std::process::{Command, ExitCode};

use bedkeeper::Input;

#[path = "support/site.rs"]
mod site;

const CALLS: u64 = 10_000;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, verb, subject, calls] = arguments.as_slice()
        && verb == "--count"
    {
        repeat(subject, calls.parse().expect("a number of calls"));
        return ExitCode::SUCCESS;
    }
    if Command::new("valgrind").arg("--version").output().is_err() {
        println!("instructions: not counted, since valgrind is not installed");
        return ExitCode::SUCCESS;
    }
    for subject in ["quiet-pulse", "decision"] {
        match count(subject, CALLS).and_then(|with| Ok(with.saturating_sub(count(subject, 0)?))) {
            Ok(instructions) => println!("{subject:<14} {:>8} instructions a call", instructions / CALLS),
            Err(error) => {
                eprintln!("instructions: {subject}: {error}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}

/// Makes so many calls; the part that callgrind watches.
fn repeat(subject: &str, calls: u64) {
    let mut site = site::serving();
    let input = match subject {
        "quiet-pulse" => Input::Pulses { meter: 0, count: 1 },
        _ => Input::Contact { contact: bedkeeper::contact::Contact::LowPressure, closed: false },
    };
    for _ in 0..calls {
        site.after(3_000, input);
    }
}

/// Instructions of a whole run of this program with so many calls.
fn count(subject: &str, calls: u64) -> io::Result<u64> {
    let valgrind = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(std::env::current_exe()?)
        .args(["--count", subject, &calls.to_string()])
        .output()?;
    let said = String::from_utf8_lossy(&valgrind.stderr);
    let collected = said.lines().find_map(|line| line.split_once("Collected : "));
    let number = collected.and_then(|(_, number)| number.trim().parse().ok());
    match number {
        Some(number) if valgrind.status.success() => Ok(number),
        _ => Err(Error::other(format!("valgrind said:\n{said}"))),
    }
}
