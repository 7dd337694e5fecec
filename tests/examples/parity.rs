//! Writes down every call that the scenarios of the repository and the bundled recordings make of the logic, for a
//! board to make them again, and prints what the logic said:
//!
//! ```text
//! cargo run --release -p bedkeeper-tests --example parity -- FILE
//! ```
//!
//! Each line has a run's name, the number of calls, and the digests of answers and of records. `.ci/figures` holds it
//! against what the emulated board says of the same file.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use bedkeeper_sim::demo::DEMOS;
use bedkeeper_sim::scenario;
use bedkeeper_tests::parity::{Failure, Run, Writer};

fn main() -> ExitCode {
    let Some(file) = std::env::args_os().nth(1).map(PathBuf::from) else {
        eprintln!("parity: name the file that the calls go to");
        return ExitCode::from(2);
    };
    match write(&file) {
        Ok(runs) if runs.iter().all(Run::agrees) => ExitCode::SUCCESS,
        Ok(runs) => {
            let differ = runs.iter().filter(|run| !run.agrees()).map(Run::line).collect::<Vec<_>>().join("\n");
            eprintln!("parity: made again on this machine, these say something else:\n{differ}");
            ExitCode::FAILURE
        }
        Err(failure) => {
            eprintln!("parity: {failure}");
            ExitCode::from(2)
        }
    }
}

fn write(file: &Path) -> Result<Vec<Run>, Failure> {
    let folder = Path::new("tests/scenarios");
    let writer = Writer::to(file)?;
    let mut runs = Vec::new();
    for path in scenario::files(folder)? {
        let scenario = scenario::load(&path).map_err(|errors| errors.render(false))?;
        runs.push(writer.scenario(&scenario)?);
    }
    for demo in DEMOS {
        runs.push(writer.recording(demo.name)?);
    }
    for run in &runs {
        println!("{}", run.line());
    }
    writer.end()?;
    Ok(runs)
}
