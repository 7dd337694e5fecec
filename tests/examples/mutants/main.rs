//! Changes the logic in small ways, one at a time, and sees whether its tests notice:
//!
//! ```text
//! cargo run -p bedkeeper-tests --example mutants -- 1000           a thousand further ones, those of the sample first
//! cargo run -p bedkeeper-tests --example mutants -- --again        those again that nothing noticed
//! cargo run -p bedkeeper-tests --example mutants -- --compare 20   so many of the sample both ways: must come to the same
//! cargo run -p bedkeeper-tests --example mutants -- --page         nothing but the page, from what was kept
//! ```
//! It needs cargo-mutants (`cargo install cargo-mutants --locked`), which says what the changes are. All of them are written
//! into one copy of the logic behind switches (`bedkeeper_tests::switched`), which is built once, optimised and with all
//! checks; its tests then run once for each change. What cannot be switched goes through cargo-mutants itself, as does what
//! nothing noticed of a function that the compiler may reckon with.
//!
//! The sample is 1 000 of all, by a seed. What came of each is kept in `tests/mutants/outcomes.tsv` at once, so that a run that is
//! stopped loses nothing and the next goes on; docs/mutants.md is made of it. A remark that somebody writes into the last
//! column stays there.
//!
//! The copies lie in `target/mutants`: the logic, and its integration tests gathered in one program that ends with the first
//! failure. What that does not notice goes through the logic's unit tests too.

mod fast;
mod kept;
mod tree;

use std::path::Path;
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::Instant;

use fast::Fast;
use kept::Kept;
use tree::{Mutant, Tree};

/// Of the sample, and of random tests.
const SEED: u64 = 20_270_301;
/// So many are the sample.
const SAMPLE: usize = 1_000;
/// So many programs of tests run at a time.
const WORKERS: usize = 2;

fn main() -> ExitCode {
    match run(&std::env::args().skip(1).collect::<Vec<_>>()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(why) => {
            eprintln!("mutants: {why}");
            ExitCode::from(2)
        }
    }
}

fn run(args: &[String]) -> Result<bool, String> {
    let usage = "say how many, --again, --compare and how many, or --page";
    let number = |at: usize| args.get(at).and_then(|count| count.parse::<usize>().ok()).ok_or(usage);
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().map_err(|error| error.to_string())?;
    let kept = Kept::read(&root)?;
    let tree = Tree::copy(&root, "tree", true)?;
    let all = sampled(tree.list()?);
    let row = |mutant: &Mutant| kept.rows.get(&mutant.key);
    let chosen: Vec<&Mutant> = match args.first().map(String::as_str) {
        Some("--page") => {
            kept.page(&all)?;
            return Ok(true);
        }
        Some("--compare") => return compare(&tree, &kept, &all, number(1)?),
        Some("--again") => all.iter().filter(|mutant| row(mutant).is_some_and(|row| row.outcome == "missed")).collect(),
        _ => all.iter().filter(|mutant| row(mutant).is_none()).take(number(0)?).collect(),
    };
    let fast = Fast::build(&root, &all)?;
    let began = Instant::now();
    let shared = Mutex::new((kept, chosen.iter().copied(), Vec::new(), 0));
    let note = |mutant: &Mutant, outcome: &str, seconds: f64| {
        let mut shared = shared.lock().map_err(|error| error.to_string())?;
        shared.3 += 1;
        println!("{:5}/{} {outcome:8} {seconds:6.1} s  {}", shared.3, chosen.len(), mutant.key);
        shared.0.note(&mutant.key, outcome, seconds)
    };
    std::thread::scope(|scope| {
        let work = || loop {
            let Some(mutant) = shared.lock().map_err(|error| error.to_string())?.1.next() else { return Ok(()) };
            match fast.through(mutant)? {
                Some((outcome, seconds)) => note(mutant, outcome, seconds)?,
                None => shared.lock().map_err(|error| error.to_string())?.2.push(mutant),
            }
        };
        let workers: Vec<_> = (0..WORKERS).map(|_| scope.spawn(work)).collect();
        let ended = workers.into_iter().map(|worker| worker.join().map_err(|_| "a worker panicked".to_owned())?);
        ended.collect::<Result<Vec<()>, String>>()
    })?;
    let slowly = std::mem::take(&mut shared.lock().map_err(|error| error.to_string())?.2);
    println!("{:.0} s; {} go through cargo-mutants itself", began.elapsed().as_secs_f64(), slowly.len());
    for mutant in slowly {
        let (outcome, seconds) = tree.through(mutant)?;
        note(mutant, outcome, seconds)?;
    }
    println!("{:.0} s in all", began.elapsed().as_secs_f64());
    shared.lock().map_err(|error| error.to_string())?.0.page(&all)?;
    Ok(true)
}

/// Some in both ways, half of them such as nothing noticed; whether they agree.
fn compare(tree: &Tree, kept: &Kept, all: &[Mutant], count: usize) -> Result<bool, String> {
    let fast = Fast::build(&kept.root, all)?;
    let switched: Vec<&Mutant> = all.iter().filter(|mutant| fast.can(mutant)).collect();
    let (missed, others): (Vec<&Mutant>, Vec<&Mutant>) =
        switched.iter().partition(|mutant| kept.rows.get(&mutant.key).is_some_and(|row| row.outcome == "missed"));
    let half = missed.len().min(count / 2);
    let mut same = true;
    for mutant in missed.into_iter().take(half).chain(others.into_iter().take(count - half)) {
        let (one, one_s) = fast.tried(mutant)?;
        let (other, other_s) = tree.through(mutant)?;
        let agree = one == other;
        same &= agree;
        let mark = if agree { "  " } else { "! " };
        println!("{mark}switched {one:8} {one_s:6.1} s, cargo-mutants {other:8} {other_s:6.1} s  {}", mutant.key);
    }
    Ok(same)
}

/// All in the order in which they go through, the sample first: those whose names hash lowest, so that a change that comes or goes
/// with the logic moves no other one in or out of its place.
fn sampled(mut all: Vec<Mutant>) -> Vec<Mutant> {
    all.sort_by_key(|mutant| {
        let seeded = SEED.to_le_bytes().into_iter().chain(mutant.key.bytes());
        // FNV-1a; the turn of its halves lets the last letters count as much as the first.
        let hash = seeded
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3));
        (hash.rotate_left(32), mutant.key.clone())
    });
    all
}
