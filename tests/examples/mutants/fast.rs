//! All changes in one copy, each behind its switch, built once.

use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use bedkeeper_tests::switched::{self, Change};
use serde_json::Value;

use crate::tree::{Mutant, SOURCES, Tree, manner};
use bedkeeper_tests::files::{files, get, put};

/// Seconds of a core, some five times what each program takes with nothing changed: quick tests, unit tests, slow
/// tests. Tests that take longer are stopped, and the change counts as noticed: a board's watchdog would bite.
const CPU_SECONDS: [u32; 3] = [6, 4, 20];
/// Tests that take longer come after all others.
const SLOW_TEST_S: f64 = 0.01;
/// What a program of tests may take of memory: a list that grows without end ends too.
const MEMORY_BYTES: u64 = 4 << 30;

/// A program of tests with its arguments, and what of a core it may take.
struct Stage {
    program: PathBuf,
    args: Vec<String>,
    cpu_s: u32,
}

/// The copy in which all changes stand behind switches.
pub struct Fast {
    tree: Tree,
    /// What cannot be switched.
    without: BTreeSet<u32>,
    /// What is in functions that the compiler may reckon with.
    constant: BTreeSet<u32>,
    /// Programs of tests with their arguments, one after the other.
    stages: Vec<Stage>,
}

impl Fast {
    pub fn build(root: &Path, all: &[Mutant]) -> Result<Self, String> {
        let began = Instant::now();
        let tree = Tree::copy(root, "switched", false)?;
        let mut fast = Self { tree, without: BTreeSet::new(), constant: BTreeSet::new(), stages: Vec::new() };
        // What was refused before, so that the same sources are not built anew. One too many only takes longer.
        let known = root.join("target/mutants/refused");
        let names = std::fs::read_to_string(&known).unwrap_or_default();
        let names: BTreeSet<&str> = names.lines().collect();
        let refused = all.iter().filter(|mutant| names.contains(&mutant.name[..]));
        fast.without.extend(refused.map(|mutant| mutant.change.id));
        let mut rounds = 1;
        loop {
            let texts = fast.write(root, all)?;
            let Some(refused) = fast.refused(&texts)? else { break };
            fast.without.extend(refused);
            rounds += 1;
        }
        let names = all.iter().filter(|mutant| !fast.can(mutant)).map(|mutant| format!("{}\n", mutant.name));
        put(&known, names.collect::<String>().as_bytes())?;
        let together = fast.program(&["-p", "together", "--test=together"])?;
        let unit = fast.program(&["-p", "bedkeeper", "--lib"])?;
        let slow = fast.slow_tests(&together)?;
        let exact = |args: Vec<String>| std::iter::once("--exact".to_owned()).chain(args).collect::<Vec<_>>();
        let skip = slow.iter().flat_map(|name| ["--skip".to_owned(), name.clone()]).collect();
        let only = std::iter::once("a_first".to_owned()).chain(slow.iter().cloned()).collect();
        let programs = [together.clone(), unit, together];
        let args = [exact(skip), Vec::new(), exact(only)];
        let stages = programs.into_iter().zip(args).zip(CPU_SECONDS);
        fast.stages = stages.map(|((program, args), cpu_s)| Stage { program, args, cpu_s }).collect();
        for stage in &fast.stages {
            let (outcome, seconds) = fast.run(stage, 0)?;
            if outcome != "missed" {
                return Err(format!("{} does not pass with nothing changed", stage.program.display()));
            }
            println!("nothing changed: passes in {seconds:.1} s");
        }
        let (built_s, switched) = (began.elapsed().as_secs_f64(), all.len() - fast.without.len());
        println!(
            "{switched} of {} changes behind switches, built in {built_s:.0} s, {rounds} times checked",
            all.len()
        );
        Ok(fast)
    }

    /// Writes the sources with all switches but those that are not to be; the texts, by file.
    fn write(&mut self, root: &Path, all: &[Mutant]) -> Result<BTreeMap<String, String>, String> {
        let mut by_file: BTreeMap<String, Vec<Change>> = BTreeMap::new();
        for file in files(&root.join(SOURCES))? {
            by_file.insert(file, Vec::new());
        }
        for mutant in all.iter().filter(|mutant| self.can(mutant)) {
            by_file.entry(mutant.file.clone()).or_default().push(mutant.change.clone());
        }
        let mut texts = BTreeMap::new();
        let sources = self.tree.copy.join(SOURCES);
        for (file, mut changes) in by_file {
            changes.sort_by_key(|change| change.id);
            let source = String::from_utf8_lossy(&get(&root.join(SOURCES).join(&file))?).into_owned();
            let switched = switched::switch(&source, &changes).map_err(|why| format!("{file}: {why}"))?;
            self.without.extend(switched.left_out);
            self.constant.extend(switched.constant);
            let mut text = switched.text;
            if file == "lib.rs" {
                let module = format!("#![no_std]\n{}", switched::CRATE_MODULE);
                text = format!("{}{}", switched::CRATE_HEAD, text.replacen("#![no_std]\n", &module, 1));
            }
            put(&sources.join(&file), text.as_bytes())?;
            texts.insert(file, text);
        }
        put(&sources.join("changed.rs"), switched::CHANGED.as_bytes())?;
        Ok(texts)
    }

    fn cargo(&self, args: &[&str]) -> Result<(bool, Vec<Value>, String), String> {
        let mut cargo = Command::new("cargo");
        cargo.args(args).args(["--profile", "mutants", "--message-format", "json"]).current_dir(&self.tree.copy);
        // The switches read a variable where the compiler does not reckon itself.
        cargo.env("RUSTC_BOOTSTRAP", "bedkeeper").env("CARGO_TARGET_DIR", &self.tree.target).stdin(Stdio::null());
        let done = cargo.output().map_err(|error| format!("cargo: {error}"))?;
        let text = String::from_utf8_lossy(&done.stdout).into_owned();
        let messages = text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();
        Ok((done.status.success(), messages, String::from_utf8_lossy(&done.stderr).into_owned()))
    }

    /// Whose pieces the compiler refuses; none when it takes all.
    fn refused(&self, texts: &BTreeMap<String, String>) -> Result<Option<BTreeSet<u32>>, String> {
        let (done, messages, said) = self.cargo(&["check", "-p", "bedkeeper"])?;
        if done {
            return Ok(None);
        }
        let mut refused = BTreeSet::new();
        for message in messages.iter().map(|message| &message["message"]).filter(|it| it["level"] == "error") {
            let mut theirs = BTreeSet::new();
            let list = |of: &'_ Value| of.as_array().cloned().unwrap_or_default();
            let parts = std::iter::once(message.clone()).chain(list(&message["children"]));
            for span in parts.flat_map(|part| list(&part["spans"])) {
                // What a macro of the logic made has its place where it is called.
                let mut span = &span;
                while span["expansion"].is_object() {
                    span = &span["expansion"]["span"];
                }
                let file = span["file_name"].as_str().unwrap_or_default().trim_start_matches(SOURCES);
                let (Some(text), Some(place)) = (texts.get(file), span["byte_start"].as_u64()) else { continue };
                theirs.extend(switched::whose(text, usize::try_from(place).unwrap_or(0)));
            }
            let codeless = message["code"].is_null() && message["spans"].as_array().is_none_or(Vec::is_empty);
            if theirs.is_empty() && !codeless {
                return Err(format!("the compiler refuses what is no switch: {}", message["rendered"]));
            }
            refused.extend(theirs);
        }
        if refused.is_empty() { Err(format!("the copy does not build: {said}")) } else { Ok(Some(refused)) }
    }

    fn program(&self, args: &[&str]) -> Result<PathBuf, String> {
        let (done, messages, said) = self.cargo(&[&["test", "--no-run"], args].concat())?;
        let program = messages.iter().rev().find_map(|message| message["executable"].as_str());
        program.filter(|_| done).map(PathBuf::from).ok_or_else(|| format!("the tests do not build: {said}"))
    }

    /// Which tests take long, with nothing changed.
    fn slow_tests(&self, program: &Path) -> Result<Vec<String>, String> {
        let mut run = Command::new(program);
        run.args(["-Zunstable-options", "--report-time"]).env("RUSTC_BOOTSTRAP", "1");
        run.envs(manner());
        run.current_dir(self.tree.copy.join("together")).stdin(Stdio::null());
        let said = run.output().map_err(|error| format!("{}: {error}", program.display()))?;
        let text = String::from_utf8_lossy(&said.stdout).into_owned();
        // `test of_drives::v1_… ... ok <0.012s>`
        let slow = text.lines().filter_map(|line| {
            let (name, took) = line.strip_prefix("test ")?.split_once(" ... ok <")?;
            (took.trim_end_matches("s>").parse::<f64>().ok()? > SLOW_TEST_S).then(|| name.to_owned())
        });
        Ok(slow.collect())
    }

    fn run(&self, stage: &Stage, id: u32) -> Result<(&'static str, f64), String> {
        let began = Instant::now();
        let mut run = Command::new("prlimit");
        run.args([format!("--cpu={}", stage.cpu_s), format!("--as={MEMORY_BYTES}")]);
        run.arg(&stage.program).args(&stage.args);
        run.current_dir(self.tree.copy.join("together")).env("CHANGED", id.to_string());
        run.envs(manner());
        let status = run.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status();
        let status = status.map_err(|error| format!("prlimit: {error}"))?;
        const SIGKILL: i32 = 9;
        const SIGXCPU: i32 = 24;
        let outcome = match (status.success(), status.signal()) {
            (true, _) => "missed",
            (false, Some(SIGKILL | SIGXCPU)) => "timeout",
            (false, _) => "caught",
        };
        Ok((outcome, began.elapsed().as_secs_f64()))
    }

    pub fn can(&self, mutant: &Mutant) -> bool {
        !self.without.contains(&mutant.change.id)
    }

    /// Lets a change go through the tests.
    pub fn tried(&self, mutant: &Mutant) -> Result<(&'static str, f64), String> {
        let mut all_s = 0.0;
        for stage in &self.stages {
            let (outcome, seconds) = self.run(stage, mutant.change.id)?;
            all_s += seconds;
            if outcome != "missed" {
                return Ok((outcome, all_s));
            }
        }
        Ok(("missed", all_s))
    }

    /// The same; none if it has to go through cargo-mutants.
    pub fn through(&self, mutant: &Mutant) -> Result<Option<(&'static str, f64)>, String> {
        if !self.can(mutant) {
            return Ok(None);
        }
        let tried = self.tried(mutant)?;
        Ok((tried.0 != "missed" || !self.constant.contains(&mutant.change.id)).then_some(tried))
    }
}
