//! A copy of the logic with its tests gathered, and changes that go through cargo-mutants.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use bedkeeper_tests::switched::{Change, Kind};
use serde_json::Value;

use crate::SEED;
use bedkeeper_tests::files::{copy_folder, get, put};

/// A core's time for all tests of what goes through cargo-mutants.
const CPU_SECONDS: u32 = 240;
const HOST: &str = "x86_64-unknown-linux-gnu";
/// Where the logic lies.
pub const SOURCES: &str = "firmware/logic/src/";
/// Of both copies: checked as tests are, with no debug information to be written. What is built once is optimised.
const PROFILE: &str = "\n[profile.mutants]\ninherits = \"dev\"\ndebug = false\n";
const OPTIMISED: &str = "opt-level = 2\n";

/// A small change of the logic.
#[derive(Clone, Debug)]
pub struct Mutant {
    /// As the tool calls it here and now: with line and column.
    pub name: String,
    /// The same without them, so that it stays when lines move; numbered where several are called the same.
    pub key: String,
    /// Its place in the tool's list, from 0, and how many there are.
    pub place: usize,
    pub of: usize,
    /// Below the sources.
    pub file: String,
    /// The same for the switches.
    pub change: Change,
}

/// A copy of the logic, for changes to be made in.
pub struct Tree {
    pub copy: PathBuf,
    pub target: PathBuf,
}

impl Tree {
    /// Copies the logic and writes the program of all its integration tests beside it.
    pub fn copy(root: &Path, name: &str, sources: bool) -> Result<Self, String> {
        let place = root.join("target/mutants").join(name);
        let tree = Self { copy: place.join("copy"), target: place.join("target") };
        for folder in std::iter::once("firmware/logic/tests").chain(sources.then_some(SOURCES)) {
            copy_folder(&root.join(folder), &tree.copy.join(folder))?;
        }
        let manifest = "firmware/logic/Cargo.toml";
        put(&tree.copy.join(manifest), &get(&root.join(manifest))?)?;
        put(&tree.copy.join("Cargo.lock"), &get(&root.join("Cargo.lock"))?)?;
        let manifest = String::from_utf8_lossy(&get(&root.join("Cargo.toml"))?).into_owned();
        let mut whole = String::new();
        for line in manifest.lines().filter(|line| !line.starts_with("default-members")) {
            let members = line.starts_with("members");
            whole.push_str(if members { MEMBERS } else { line });
            whole.push('\n');
        }
        whole.push_str(PROFILE);
        whole.push_str(if sources { "" } else { OPTIMISED });
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
    pub fn list(&self) -> Result<Vec<Mutant>, String> {
        let listed =
            self.tool().args(["--list", "--json"]).output().map_err(|error| format!("cargo mutants: {error}"))?;
        if !listed.status.success() {
            return Err(format!("cargo mutants --list: {}", String::from_utf8_lossy(&listed.stderr)));
        }
        let list: Vec<Value> = serde_json::from_slice(&listed.stdout).map_err(|error| format!("the list: {error}"))?;
        let mut seen: BTreeMap<String, u32> = BTreeMap::new();
        let mutant = |(place, of): (usize, &Value)| {
            let text = |key: &str| of[key].as_str().map(str::to_owned);
            let spot = |end: &str| {
                let part = |key: &str| usize::try_from(of["span"][end][key].as_u64()?).ok();
                Some((part("line")?, part("column")?))
            };
            let name = text("name")?;
            let file = text("file")?.trim_start_matches(SOURCES).to_owned();
            // FILE:LINE:COLUMN: what is changed.
            let mut key = format!("{file}:{}", name.splitn(4, ':').nth(3)?);
            let times = seen.entry(key.clone()).or_insert(0);
            *times += 1;
            if *times > 1 {
                let _ = write!(key, " ({times})");
            }
            let kind = match of["genre"].as_str()? {
                "FnValue" => Kind::Body,
                "BinaryOperator" => Kind::Binary,
                "UnaryOperator" => Kind::Unary,
                "MatchArmGuard" => Kind::Guard,
                "MatchArm" => Kind::Arm,
                "StructField" => Kind::Field,
                _ => return None,
            };
            let id = u32::try_from(place + 1).ok()?;
            let change = Change { id, kind, from: spot("start")?, to: spot("end")?, text: text("replacement")? };
            Some(Mutant { name, key, place, of: list.len(), file, change })
        };
        list.iter()
            .enumerate()
            .map(mutant)
            .collect::<Option<_>>()
            .ok_or_else(|| "the tool's list is unknown".to_owned())
    }

    /// Lets a change go through the tests, if it builds at all; what came of it, and how long it took.
    pub fn through(&self, mutant: &Mutant) -> Result<(&'static str, f64), String> {
        let mut all_s = 0.0;
        for tests in [
            // Refused much sooner than the tests are built.
            &["--check", "--test-package", "together", "--cargo-arg=--test=together"][..],
            &["--test-package", "together", "--cargo-arg=--test=together"],
            &["--test-package", "bedkeeper", "--cargo-arg=--lib"],
        ] {
            let (outcome, seconds) = self.tried(mutant, tests)?;
            all_s += seconds;
            if outcome != "missed" {
                return Ok((outcome, all_s));
            }
        }
        Ok(("missed", all_s))
    }

    fn tried(&self, mutant: &Mutant, tests: &[&str]) -> Result<(&'static str, f64), String> {
        let mut tool = self.tool();
        tool.args(["--in-place", "--baseline", "skip", "--timeout", "3000", "--profile", "mutants", "--no-times"]);
        // By its place in the tool's own list: a pattern of its name would let others through.
        tool.args(["--no-shuffle", "--sharding", "round-robin", "--shard", &format!("{}/{}", mutant.place, mutant.of)]);
        tool.args(tests);
        // Of a core's time, so that other work on the machine stops nothing.
        let runner = format!("CARGO_TARGET_{}_RUNNER", HOST.to_uppercase().replace('-', "_"));
        tool.env(runner, format!("prlimit --cpu={CPU_SECONDS}"));
        tool.envs(manner()).env("CARGO_INCREMENTAL", "1");
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
            Some("MissedMutant" | "Success") => "missed",
            Some("Unviable") => "unviable",
            Some("Timeout") => "timeout",
            other => return Err(format!("{}: {other:?}", mutant.name)),
        };
        let phases = outcome["phase_results"].as_array().into_iter().flatten();
        let seconds: f64 = phases.filter_map(|phase| phase["duration"].as_f64()).sum();
        Ok((said, seconds))
    }
}

/// How tests run: random ones take the same path every time, and nobody wants the smallest failure.
pub fn manner() -> [(&'static str, String); 3] {
    let text = |number: u64| number.to_string();
    [("PROPTEST_RNG_SEED", text(SEED)), ("PROPTEST_MAX_SHRINK_ITERS", text(0)), ("RUST_TEST_THREADS", text(1))]
}

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

const MEMBERS: &str = r#"members = ["firmware/logic", "together"]"#;

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
