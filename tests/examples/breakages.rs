//! Breaks rules on purpose, each in a copy of the tree, and demands that its scenarios miss what they expect:
//!
//! ```text
//! cargo run -p bedkeeper-tests --example breakages                     every patch
//! cargo run -p bedkeeper-tests --example breakages -- V3-no-second-try C5-windows-hold-nothing
//! cargo run -p bedkeeper-tests --example breakages -- --sample 3 7     three of them, by the seed 7
//! cargo run -p bedkeeper-tests --example breakages -- --write          every patch; keeps docs/breakages.md
//! cargo run -p bedkeeper-tests --example breakages -- --explore        those of tests/explored, for `explore` to find
//! cargo run -p bedkeeper-tests --example breakages -- --explore --write S7-the-travel-limit-is-doubled
//! ```
//! `--write` may stand before names too, and after `--explore`, whose table is in docs/exploration.md. A row is written as
//! soon as its patch has been seen, so that a run that is stopped loses nothing, and the page says how many are still to be
//! seen.
//!
//! The copy lies in `target/breakages` with a target folder that all patches share, so that each costs one incremental
//! build of two crates. Exit code 1: a rule was broken and one of its scenarios did not miss, or `explore` did not find it.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use bedkeeper_tests::breakages::{Breakage, Hunt, hunts, load};
use bedkeeper_tests::files::{put, put_between};
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

/// A broken rule may make a run endless; a sound one takes seconds.
const LONGEST_RUN: Duration = Duration::from_secs(60);
/// So long is each broken rule looked for at the most; how many states, the table says.
const HUNT: &str = "10 min";

fn main() -> ExitCode {
    match run(&std::env::args().skip(1).collect::<Vec<_>>()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(why) => {
            eprintln!("breakages: {why}");
            ExitCode::from(2)
        }
    }
}

fn run(args: &[String]) -> Result<bool, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().map_err(|error| error.to_string())?;
    let (is_hunt, args) = flag("--explore", args);
    let (write, args) = flag("--write", args);
    if is_hunt {
        return explore(&root, write, args);
    }
    let all = load(&root)?;
    let chosen = choose(all.clone(), args)?;
    let tree = Tree::copy(&root, 0)?;
    tree.build()?;
    let scenarios: BTreeSet<_> = chosen.iter().flat_map(|breakage| &breakage.scenarios).cloned().collect();
    let missed = tree.missed(&scenarios.into_iter().collect::<Vec<_>>())?;
    if !missed.is_empty() {
        return Err(format!("with no rule broken these miss already: {missed:?}"));
    }
    let mut good = true;
    for (i, breakage) in chosen.iter().enumerate() {
        let began = Instant::now();
        let missed = tree.with(breakage, || tree.missed(&breakage.scenarios))?;
        let unmoved: Vec<_> = breakage.scenarios.iter().filter(|name| !missed.contains(*name)).collect();
        let shown = if missed.is_empty() { "NOTHING".to_owned() } else { names(&missed) };
        println!("{:>3}/{} {:4} s  {}: {shown}", i + 1, chosen.len(), began.elapsed().as_secs(), breakage.name);
        if !unmoved.is_empty() {
            println!("        SHOULD HAVE MISSED: {unmoved:?}");
        }
        let seen = !missed.is_empty() && unmoved.is_empty();
        good &= seen;
        if write {
            write_row(&root, &all, breakage, seen.then_some(&missed))?;
        }
    }
    Ok(good)
}

/// Whether the arguments begin with a flag, and what follows it.
fn flag<'a>(name: &str, args: &'a [String]) -> (bool, &'a [String]) {
    match args.split_first() {
        Some((first, rest)) if first == name => (true, rest),
        _ => (false, args),
    }
}

/// Breaks rules for `bedkeeper explore` to find, and demands that `verify` sees them broken on the way that it wrote. With
/// `--write`, what was found goes into the table of docs/exploration.md, beside what was found before.
fn explore(root: &Path, write: bool, names: &[String]) -> Result<bool, String> {
    let all = hunts(root)?;
    if let Some(unknown) = names.iter().find(|name| !all.iter().any(|hunt| hunt.breakage.name == **name)) {
        return Err(format!("tests/explored/table.toml does not name {unknown}"));
    }
    let chosen: Vec<_> = all.iter().filter(|hunt| names.is_empty() || names.contains(&hunt.breakage.name)).collect();
    let tree = Tree::copy(root, 1)?;
    let mut good = true;
    for (i, hunt) in chosen.iter().enumerate() {
        let began = Instant::now();
        let row = tree.with(&hunt.breakage, || tree.hunt(hunt))?;
        let name = &hunt.breakage.name;
        let shown = row.as_ref().map_or_else(|why| format!("NOT FOUND: {why}"), Clone::clone);
        println!("{:>3}/{} {:4} s  {name}: {shown}", i + 1, chosen.len(), began.elapsed().as_secs());
        good &= row.is_ok();
        if write {
            enter(root, &all, hunt, row.as_deref().ok())?;
        }
    }
    Ok(good)
}

/// Enters a row into the table of docs/exploration.md, in the order of the hunts; takes it out where nothing was found.
fn enter(root: &Path, all: &[Hunt], hunt: &Hunt, row: Option<&str>) -> Result<(), String> {
    let of = |name: &str| format!("| `{name}` |");
    put_between(&root.join("docs/exploration.md"), "rules broken", |table| {
        let mut made = "| patch | what it breaks | site, family, faults | rule seen broken | states | acts | s |\n\
                        |---|---|---|---|---|---|---|\n"
            .to_owned();
        for one in all {
            let name = of(&one.breakage.name);
            let line = if one.breakage.name == hunt.breakage.name {
                row.map(|row| {
                    format!("{name} {} | {}, {}, {} | {row} |", one.breakage.about, one.site, one.family, one.faults)
                })
            } else {
                table.lines().find(|line| line.starts_with(&name)).map(str::to_owned)
            };
            if let Some(line) = line {
                made.push_str(&line);
                made.push('\n');
            }
        }
        made
    })
}

/// Those that the arguments want.
fn choose(all: Vec<Breakage>, args: &[String]) -> Result<Vec<Breakage>, String> {
    let number = |arg: Option<&String>| arg.and_then(|text| text.parse::<u64>().ok()).ok_or("--sample COUNT SEED");
    match args.first().map(String::as_str) {
        None => Ok(all),
        Some("--sample") => {
            let (count, seed) = (number(args.get(1))?, number(args.get(2))?);
            let mut random = Pcg32::seed_from_u64(seed);
            let mut left = all;
            let mut chosen = Vec::new();
            while chosen.len() < usize::try_from(count).unwrap_or(0) && !left.is_empty() {
                let place = random.next_u32() as usize % left.len();
                chosen.push(left.swap_remove(place));
            }
            Ok(chosen)
        }
        Some(_) => args
            .iter()
            .map(|name| {
                all.iter().find(|b| b.name == *name).cloned().ok_or_else(|| format!("there is no {name}.patch"))
            })
            .collect(),
    }
}

fn names(missed: &BTreeSet<String>) -> String {
    missed.iter().map(String::as_str).collect::<Vec<_>>().join(", ")
}

/// A copy of the tree, and where it is built.
struct Tree {
    copy: PathBuf,
    target: PathBuf,
    /// How far what is built anew is optimised; the rest is not.
    optimised: u8,
}

impl Tree {
    /// Copies what git knows of the tree. Files that have not changed keep their time, so that little is built anew.
    fn copy(root: &Path, optimised: u8) -> Result<Self, String> {
        // A target folder of its own: nobody is to find a broken program where the sound one was.
        let place = root.join("target/breakages");
        let tree = Self { copy: place.join("tree"), target: place.join("target"), optimised };
        let listed = Command::new("git")
            .args(["ls-files", "-z", "--cached", "--others", "--exclude-standard"])
            .current_dir(root)
            .output()
            .map_err(|error| format!("git: {error}"))?;
        let mut wanted = BTreeSet::new();
        for name in String::from_utf8_lossy(&listed.stdout).split('\0').filter(|name| !name.is_empty()) {
            let (from, to) = (root.join(name), tree.copy.join(name));
            let Ok(bytes) = std::fs::read(&from) else { continue };
            put(&to, &bytes)?;
            wanted.insert(to);
        }
        // What an earlier copy had and the tree has no more would be built all the same.
        remove_others(&tree.copy, &wanted).map_err(|error| format!("{}: {error}", tree.copy.display()))?;
        Ok(tree)
    }

    fn program(&self) -> PathBuf {
        self.target.join("debug/bedkeeper")
    }

    fn build(&self) -> Result<(), String> {
        let built = Command::new(env!("CARGO"))
            .args(["build", "--quiet", "--locked", "-p", "bedkeeper-sim", "--bin", "bedkeeper"])
            .args(["bedkeeper", "bedkeeper-sim"].iter().flat_map(|name| {
                ["--config".to_owned(), format!("profile.dev.package.{name}.opt-level={}", self.optimised)]
            }))
            .env("CARGO_INCREMENTAL", "1")
            .arg("--target-dir")
            .arg(&self.target)
            .current_dir(&self.copy)
            .output()
            .map_err(|error| format!("cargo: {error}"))?;
        if built.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&built.stderr).into_owned()) }
    }

    /// The scenarios that miss something, or that do not come to an end.
    fn missed(&self, all: &[String]) -> Result<BTreeSet<String>, String> {
        let Some(json) = self.verify(all)? else {
            // Something stopped the whole run: one at a time then.
            let mut missed = BTreeSet::new();
            for name in all {
                if self.verify(std::slice::from_ref(name))?.is_none_or(|json| json.contains("\"expectation\"")) {
                    missed.insert(name.clone());
                }
            }
            return Ok(missed);
        };
        let value: serde_json::Value = serde_json::from_str(&json).map_err(|error| format!("verify: {error}"))?;
        let files = value["missed"].as_array().map_or(&[][..], Vec::as_slice);
        let named = files.iter().filter_map(|miss| miss["scenario"].as_str());
        Ok(named.filter_map(|file| all.iter().find(|name| file.ends_with(&format!("/{name}.toml")))).cloned().collect())
    }

    /// What `bedkeeper verify --json` says; nothing if it was stopped by a panic, or by us after a long time.
    fn verify(&self, names: &[String]) -> Result<Option<String>, String> {
        let mut child = Command::new(self.program())
            .args(["verify", "--json"])
            .args(names.iter().map(|name| format!("tests/scenarios/{name}.toml")))
            .current_dir(&self.copy)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("bedkeeper: {error}"))?;
        let began = Instant::now();
        let Some(mut pipe) = child.stdout.take() else { return Ok(None) };
        let reader = std::thread::spawn(move || {
            let mut text = String::new();
            std::io::Read::read_to_string(&mut pipe, &mut text).map(|_| text)
        });
        let status = loop {
            if let Some(status) = child.try_wait().map_err(|error| error.to_string())? {
                break Some(status);
            }
            if began.elapsed() > LONGEST_RUN {
                let _ = child.kill();
                let _ = child.wait();
                break None;
            }
            std::thread::sleep(Duration::from_millis(50));
        };
        let text = reader.join().map_err(|_| "the reader stopped")?.map_err(|error| error.to_string())?;
        Ok(status.filter(|status| matches!(status.code(), Some(0 | 1))).map(|_| text))
    }

    /// Explores with a rule broken: what was found, as cells of a table. `Err` says how it was not found, or that `verify` does
    /// not see it on the way that was written.
    fn hunt(&self, hunt: &Hunt) -> Result<Result<String, String>, String> {
        let out = self.target.join("explored").join(&hunt.breakage.name);
        let site = format!("tests/sites/explored/{}.toml", hunt.site);
        let (states, faults) = (hunt.states.to_string(), hunt.faults.to_string());
        let families = hunt.family.replace('+', ",");
        let output = Command::new(self.program())
            .args(["explore", &site, "--families", &families, "--together", "--faults", &faults, "--budget", HUNT])
            .args(["--states", &states, "--json", "--out"])
            .arg(&out)
            .current_dir(&self.copy)
            .output()
            .map_err(|error| format!("bedkeeper: {error}"))?;
        let value: serde_json::Value = serde_json::from_slice(&output.stdout).map_err(|error| {
            format!("{}: explore: {error}: {}", hunt.breakage.name, String::from_utf8_lossy(&output.stderr))
        })?;
        let seconds = value["seconds"].as_f64().unwrap_or_default();
        let went = format!("{} states, {} acts deep, {seconds:.1} s", value["states"], value["depth"]);
        let Some(path) = value["counterexamples"].as_array().and_then(|all| all.first()?.as_str()) else {
            return Ok(Err(format!("no rule is seen broken in {went}")));
        };
        let verified = Command::new(self.program()).args(["verify", path]).current_dir(&self.copy).output();
        let verified = verified.map_err(|error| format!("bedkeeper: {error}"))?;
        let rule = path.trim_end_matches(".toml").rsplit('-').next().unwrap_or_default();
        // In a scenario of S9 duties are missed that it expects; the others say which rule was broken.
        let said = String::from_utf8_lossy(&verified.stdout);
        if verified.status.code() != Some(1) || (rule != "S9" && !said.contains(rule)) {
            return Ok(Err(format!("`verify {path}` does not see {rule} broken")));
        }
        let written = std::fs::read_to_string(self.copy.join(path)).unwrap_or_default();
        let acts = written.lines().filter(|line| line.starts_with("# +")).count();
        Ok(Ok(format!("{rule} | {} | {acts} | {seconds:.1}", value["states"])))
    }

    /// What is seen while a rule is broken; mends it again.
    fn with<T>(&self, breakage: &Breakage, see: impl FnOnce() -> Result<T, String>) -> Result<T, String> {
        let path = self.copy.join(&breakage.file);
        let sound = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        put(&path, breakage.applied_to(&sound)?.as_bytes())?;
        let seen = self.build().map_err(|why| format!("{}: {why}", breakage.name)).and_then(|()| see());
        put(&path, sound.as_bytes())?;
        seen
    }
}

/// Removes every file below a folder that is not wanted.
fn remove_others(folder: &Path, wanted: &BTreeSet<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            remove_others(&path, wanted)?;
        } else if !wanted.contains(&path) {
            std::fs::remove_file(&path)?;
        }
    }
    Ok(())
}

/// Keeps the page of what was seen, for people: one patch's row anew, or none if its scenarios did not miss.
fn write_row(root: &Path, all: &[Breakage], new: &Breakage, missed: Option<&BTreeSet<String>>) -> Result<(), String> {
    let path = root.join("docs/breakages.md");
    let old = std::fs::read_to_string(&path).unwrap_or_default();
    let row = |breakage: &Breakage| {
        if breakage.name == new.name {
            return missed.map(|missed| format!("| {} | `{}` | {} |", new.about, new.name, names(missed)));
        }
        let named = format!("| `{}` |", breakage.name);
        old.lines().find(|line| line.contains(&named)).map(str::to_owned)
    };
    let rows: Vec<String> = all.iter().filter_map(row).collect();
    let mut page = "# Rules broken on purpose\nEach patch of `tests/breakages` breaks a rule in a copy of the tree. Each of the \
                    scenarios beside it was then seen to\nmiss what it expects. Written by `cargo run -p bedkeeper-tests \
                    --example breakages -- --write`.\n\n"
        .to_owned();
    // Writing to a string cannot fail.
    let _ = match all.len() - rows.len() {
        0 => writeln!(page, "All {} have been seen.\n", all.len()),
        left => writeln!(page, "{} of {} have been seen; {left} are still to be.\n", rows.len(), all.len()),
    };
    page += "| broken | patch | scenarios that missed |\n|---|---|---|\n";
    for row in rows {
        let _ = writeln!(page, "{row}");
    }
    put(&path, page.as_bytes())
}
