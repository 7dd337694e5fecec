//! The `bedkeeper` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    bedkeeper_sim::cli::main()
}
