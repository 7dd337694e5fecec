//! Changes the logic in small ways, one at a time, and sees whether its tests notice:
//!
//! ```text
//! cargo run -p bedkeeper-tests --example mutants -- 50             fifty further ones of the sample
//! cargo run -p bedkeeper-tests --example mutants -- --again        those again that nothing noticed
//! cargo run -p bedkeeper-tests --example mutants -- --page         nothing but the page, from what was kept
//! ```
//! It needs cargo-mutants (`cargo install cargo-mutants --locked`), which makes the changes and runs the tests. The sample
//! is 1 000 of all, by a seed. What came of each is kept in `tests/mutants/outcomes.tsv` at once, so that a run that is stopped
//! loses nothing and the next goes on; docs/mutants.md is made of it. A remark that somebody
//! writes into the last column stays there.
//!
//! The copy lies in `target/mutants`: the logic, and its integration tests gathered in one program that ends with the first
//! failure. What that does not notice goes through the logic's unit tests too.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

use serde_json::Value;

const SEED: u64 = 20_270_301;
const SAMPLE: usize = 1_000;
/// Tests that take longer are stopped, and the change counts as noticed: a board's watchdog would bite.
const CPU_SECONDS: u32 = 240;

/// A small change of the logic.
#[derive(Clone, Debug)]
struct Mutant {
    /// As the tool calls it here and now: with line and column.
    name: String,
    /// The same without them, so that it stays when lines move; numbered where several are called the same.
    key: String,
    /// Its place in the tool's list, from 0, and how many there are.
    place: usize,
    of: usize,
}

/// What came of one.
#[derive(Clone, Debug)]
struct Row {
    outcome: String,
    seconds: u64,
    remark: String,
}

type Rows = BTreeMap<String, Row>;

fn main() -> ExitCode {
    match run(&std::env::args().skip(1).collect::<Vec<_>>()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("mutants: {why}");
            ExitCode::from(2)
        }
    }
}

fn run(args: &[String]) -> Result<(), String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().map_err(|error| error.to_string())?;
    let kept = root.join("tests/mutants/outcomes.tsv");
    let mut rows = read(&kept)?;
    let tree = Tree::copy(&root)?;
    let all = tree.list()?;
    let total = all.len();
    let sample = sampled(all);
    let page = |rows: &Rows| write_page(&root, total, &sample, rows);
    let chosen: Vec<&Mutant> = match args.first().map(String::as_str) {
        Some("--page") => return page(&rows),
        Some("--again") => {
            let missed = |mutant: &&Mutant| rows.get(&mutant.key).is_some_and(|row| row.outcome == "missed");
            sample.iter().filter(missed).collect()
        }
        Some(count) => {
            let count = count.parse::<usize>().map_err(|_| "say how many, --again or --page")?;
            sample.iter().filter(|mutant| !rows.contains_key(&mutant.key)).take(count).collect()
        }
        None => return Err("say how many, --again or --page".to_owned()),
    };
    for mutant in chosen {
        let (outcome, seconds) = tree.through(mutant)?;
        println!("{outcome:9} {seconds:5} s  {}", mutant.key);
        let remark = rows.get(&mutant.key).map(|row| row.remark.clone()).unwrap_or_default();
        rows.insert(mutant.key.clone(), Row { outcome, seconds, remark });
        write(&kept, &rows)?;
        page(&rows)?;
    }
    Ok(())
}

/// The sample, in the order in which it goes through: those whose names hash lowest, so that a change that comes or goes
/// with the logic moves no other one in or out of its place.
fn sampled(mut all: Vec<Mutant>) -> Vec<Mutant> {
    all.sort_by_key(|mutant| {
        let seeded = SEED.to_le_bytes().into_iter().chain(mutant.key.bytes());
        // FNV-1a; the turn of its halves lets the last letters count as much as the first.
        let hash = seeded
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3));
        (hash.rotate_left(32), mutant.key.clone())
    });
    all.truncate(SAMPLE);
    all
}

fn read(path: &Path) -> Result<Rows, String> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let mut rows = Rows::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let mut parts = line.split('\t');
        let (Some(outcome), Some(seconds), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(format!("{}: `{line}` has not its columns", path.display()));
        };
        let seconds = seconds.parse().map_err(|_| format!("{}: `{seconds}` is no number", path.display()))?;
        let remark = parts.next().unwrap_or_default().to_owned();
        rows.insert(key.to_owned(), Row { outcome: outcome.to_owned(), seconds, remark });
    }
    Ok(rows)
}

fn write(path: &Path, rows: &Rows) -> Result<(), String> {
    let mut text = "# outcome, seconds, change, remark\n".to_owned();
    for (key, row) in rows {
        let _ = writeln!(text, "{}\t{}\t{key}\t{}", row.outcome, row.seconds, row.remark);
    }
    put(path, text.as_bytes())
}

/// What has been seen so far, as a page; of the sample only, since what lies outside it was not drawn by chance.
fn write_page(root: &Path, total: usize, sample: &[Mutant], rows: &Rows) -> Result<(), String> {
    const FROM: &str = "<!-- outcomes: -->\n";
    const TO: &str = "<!-- to here -->";
    let path = root.join("docs/mutants.md");
    let page = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    let (before, rest) = page.split_once(FROM).ok_or("docs/mutants.md has no mark where its outcomes begin")?;
    let (_, after) = rest.split_once(TO).ok_or("docs/mutants.md has no mark where its outcomes end")?;
    let seen: Vec<_> = sample.iter().filter_map(|mutant| rows.get_key_value(&mutant.key)).collect();
    let count = |outcome: &str| seen.iter().filter(|(_, row)| row.outcome == outcome).count();
    let (caught, stopped, missed) = (count("caught"), count("timeout"), count("missed"));
    let viable = caught + stopped + missed;
    let share = (caught + stopped) as f64 * 100.0 / viable.max(1) as f64;
    let mut made = format!(
        "Of the {total} changes that the tool knows {} are the sample, and {} of it have gone through: {} do not build, and of the \
         {viable} that do **{} were noticed ({share:.1} %)**, {stopped} of them since the tests would not end.\n\n",
        sample.len(),
        seen.len(),
        count("unviable"),
        caught + stopped,
    );
    made.push_str("| not noticed | why |\n|---|---|\n");
    for (key, row) in seen.iter().filter(|(_, row)| row.outcome == "missed") {
        let why = if row.remark.is_empty() { "not looked at yet" } else { &row.remark };
        let _ = writeln!(made, "| `{}` | {why} |", key.replace('|', "\\|"));
    }
    put(&path, format!("{before}{FROM}{made}{TO}{after}").as_bytes())
}

/// The copy in which the logic is changed.
struct Tree {
    copy: PathBuf,
    target: PathBuf,
}

impl Tree {
    /// Copies the logic and writes the program of all its integration tests beside it.
    fn copy(root: &Path) -> Result<Self, String> {
        let place = root.join("target/mutants");
        let tree = Self { copy: place.join("tree"), target: place.join("target") };
        copy_folder(&root.join("firmware/logic"), &tree.copy.join("firmware/logic"))?;
        put(&tree.copy.join("Cargo.lock"), &get(&root.join("Cargo.lock"))?)?;
        let manifest = String::from_utf8_lossy(&get(&root.join("Cargo.toml"))?).into_owned();
        let mut whole = String::new();
        for line in manifest.lines().filter(|line| !line.starts_with("default-members")) {
            let members = line.starts_with("members");
            whole.push_str(if members { r#"members = ["firmware/logic", "together"]"# } else { line });
            whole.push('\n');
        }
        // No debug information: less to write for each change.
        whole.push_str("\n[profile.mutants]\ninherits = \"dev\"\ndebug = false\n");
        put(&tree.copy.join("Cargo.toml"), whole.as_bytes())?;
        put(&tree.copy.join("together/Cargo.toml"), TOGETHER.as_bytes())?;
        put(&tree.copy.join("together/src/lib.rs"), b"")?;
        let mut program = FIRST.to_owned();
        let tests = root.join("firmware/logic/tests");
        let mut names: Vec<_> = std::fs::read_dir(&tests)
            .map_err(|error| format!("{}: {error}", tests.display()))?
            .filter_map(|file| file.ok()?.file_name().into_string().ok())
            .collect();
        names.sort();
        for name in names {
            let main = format!("{name}/main.rs");
            let (module, file) = match name.strip_suffix(".rs") {
                Some(module) => (module.to_owned(), name),
                None if tests.join(&main).is_file() => (name, main),
                None => continue,
            };
            let _ = writeln!(program, "#[path = \"../../firmware/logic/tests/{file}\"]\nmod of_{module};");
        }
        put(&tree.copy.join("together/tests/together.rs"), program.as_bytes())?;
        Ok(tree)
    }

    fn tool(&self) -> Command {
        let mut tool = Command::new("cargo");
        tool.args(["mutants", "--package", "bedkeeper", "--colors", "never"]).current_dir(&self.copy);
        tool.env("CARGO_TARGET_DIR", &self.target).stdin(Stdio::null());
        tool
    }

    /// Every change that the tool knows.
    fn list(&self) -> Result<Vec<Mutant>, String> {
        let listed = self.tool().args(["--list"]).output().map_err(|error| format!("cargo mutants: {error}"))?;
        if !listed.status.success() {
            return Err(format!("cargo mutants --list: {}", String::from_utf8_lossy(&listed.stderr)));
        }
        let mut seen: BTreeMap<String, u32> = BTreeMap::new();
        let names = String::from_utf8_lossy(&listed.stdout).into_owned();
        let of = names.lines().count();
        let mutants = names.lines().enumerate().map(|(place, name)| {
            // FILE:LINE:COLUMN: what is changed.
            let mut parts = name.splitn(4, ':');
            let file = parts.next().unwrap_or_default();
            let what = parts.nth(2).unwrap_or_default();
            let mut key = format!("{}:{what}", file.trim_start_matches("firmware/logic/src/"));
            let times = seen.entry(key.clone()).or_insert(0);
            *times += 1;
            if *times > 1 {
                let _ = write!(key, " ({times})");
            }
            Mutant { name: name.to_owned(), key, place, of }
        });
        Ok(mutants.collect())
    }

    /// Lets a change go through the tests; what came of it, and how long it took.
    fn through(&self, mutant: &Mutant) -> Result<(String, u64), String> {
        let (outcome, seconds) = self.tried(mutant, &["--test-package", "together", "--cargo-arg=--test=together"])?;
        if outcome != "missed" {
            return Ok((outcome, seconds));
        }
        let (outcome, more) = self.tried(mutant, &["--test-package", "bedkeeper", "--cargo-arg=--lib"])?;
        Ok((outcome, seconds + more))
    }

    fn tried(&self, mutant: &Mutant, tests: &[&str]) -> Result<(String, u64), String> {
        let mut tool = self.tool();
        tool.args(["--in-place", "--baseline", "skip", "--timeout", "3000", "--profile", "mutants", "--no-times"]);
        // By its place in the tool's own list: a pattern of its name would let others through.
        tool.args(["--no-shuffle", "--sharding", "round-robin", "--shard", &format!("{}/{}", mutant.place, mutant.of)]);
        tool.args(tests);
        // Of a core's time, so that other work on the machine stops nothing.
        let runner = format!("CARGO_TARGET_{}_RUNNER", HOST.to_uppercase().replace('-', "_"));
        tool.env(runner, format!("prlimit --cpu={CPU_SECONDS}"));
        // The same path every time.
        tool.env("PROPTEST_RNG_SEED", SEED.to_string()).env("RUST_TEST_THREADS", "1").env("CARGO_INCREMENTAL", "1");
        let done = tool.output().map_err(|error| format!("cargo mutants: {error}"))?;
        let text = get(&self.copy.join("mutants.out/outcomes.json"))
            .map_err(|why| format!("{why}\n{}", String::from_utf8_lossy(&done.stderr)))?;
        let outcomes: Value = serde_json::from_slice(&text).map_err(|error| format!("outcomes.json: {error}"))?;
        let outcome = &outcomes["outcomes"][0];
        if outcome["scenario"]["Mutant"]["name"].as_str() != Some(&mutant.name) {
            return Err(format!("the tool ran another change than {}: {outcome}", mutant.name));
        }
        let log = outcome["log_path"].as_str().map(|path| self.copy.join("mutants.out").join(path));
        let stopped =
            log.and_then(|path| std::fs::read_to_string(path).ok()).is_some_and(|log| log.contains("SIGXCPU"));
        let said = match outcome["summary"].as_str() {
            Some("CaughtMutant") if stopped => "timeout",
            Some("CaughtMutant") => "caught",
            Some("MissedMutant") => "missed",
            Some("Unviable") => "unviable",
            Some("Timeout") => "timeout",
            other => return Err(format!("{}: {other:?}", mutant.name)),
        };
        let phases = outcome["phase_results"].as_array().into_iter().flatten();
        let seconds: f64 = phases.filter_map(|phase| phase["duration"].as_f64()).sum();
        Ok((said.to_owned(), seconds.round() as u64))
    }
}

const HOST: &str = "x86_64-unknown-linux-gnu";

const TOGETHER: &str = r#"[package]
name = "together"
version = "0.0.0"
edition = "2024"

[dev-dependencies]
bedkeeper = { path = "../firmware/logic" }
heapless.workspace = true
postcard = { version = "1", default-features = false, features = ["alloc"] }
proptest = "1"
serde.workspace = true
"#;

/// The first test by name: from then on the first failure ends the program.
const FIRST: &str = "#[test]
fn a_first() {
    let told = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        told(info);
        std::process::exit(101);
    }));
}
";

/// Makes one folder like another; what is the same is left alone.
fn copy_folder(from: &Path, to: &Path) -> Result<(), String> {
    for old in std::fs::read_dir(to).into_iter().flatten().flatten().filter(|old| !from.join(old.file_name()).exists())
    {
        let path = old.path();
        let gone = if path.is_dir() { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
        gone.map_err(|error| format!("{}: {error}", path.display()))?;
    }
    for entry in std::fs::read_dir(from).map_err(|error| format!("{}: {error}", from.display()))? {
        let entry = entry.map_err(|error| error.to_string())?;
        let (path, place) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy_folder(&path, &place)?;
        } else {
            put(&place, &get(&path)?)?;
        }
    }
    Ok(())
}

fn get(path: &Path) -> Result<Vec<u8>, String> {
    std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))
}

/// Writes a file unless it is as wanted, so that nothing is built that has not changed.
fn put(path: &Path, bytes: &[u8]) -> Result<(), String> {
    if std::fs::read(path).is_ok_and(|old| old == bytes) {
        return Ok(());
    }
    let written = path.parent().map_or(Ok(()), std::fs::create_dir_all).and_then(|()| std::fs::write(path, bytes));
    written.map_err(|error| format!("{}: {error}", path.display()))
}
