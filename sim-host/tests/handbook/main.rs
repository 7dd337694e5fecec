//! The handbook is true: what its terminals show is what the program prints, its generated parts are what the code says, and its
//! links lead somewhere. UPDATE_HANDBOOK=1 writes the generated parts anew, TRYCMD=overwrite the terminals.

mod driven;
mod lives;
mod machine;
mod screens;
mod seen;
#[path = "../site_support/mod.rs"]
mod site_support;
mod words;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::program::StepKind;
use bedkeeper::watch::{Alarm, AlarmPhase, AlarmRules};
use pulldown_cmark::{CodeBlockKind, Event as Piece, Parser, Tag};

use machine::Machine;
use screens::Desk;
use seen::Seen;

fn docs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs")
}

/// Compares a generated file with what is kept, or writes it.
fn compare(path: &Path, made: &str) {
    if std::env::var_os("UPDATE_HANDBOOK").is_some() {
        std::fs::write(path, made).unwrap();
    }
    let kept = std::fs::read_to_string(path).unwrap_or_default();
    assert!(kept == made, "{} is not what the code says; UPDATE_HANDBOOK=1 cargo test --test handbook", path.display());
}

#[test]
fn terminals_show_what_the_program_prints() {
    // A chapter's commands are those of somebody who stands in the project's folder.
    std::env::set_current_dir(docs().join("..")).unwrap();
    trycmd::TestCases::new().case(docs().join("book/*.md").display().to_string()).run();
}

/// The words of a page between its marks are made here.
fn fill(page: &str, made: &str) {
    fill_between(page, "<!-- made by a test: -->", made);
}

/// The same where a page has several parts that are made.
fn fill_part(page: &str, part: &str, made: &str) {
    fill_between(page, &format!("<!-- made by a test: {part} -->"), made);
}

fn fill_between(page: &str, mark: &str, made: &str) {
    // Pages are read and written whole, and tests run side by side.
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _one = ONE_AT_A_TIME.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let path = docs().join("book").join(page);
    let text = std::fs::read_to_string(&path).unwrap();
    let (before, rest) = text.split_once(&format!("{mark}\n")).unwrap_or_else(|| panic!("{page} has no {mark}"));
    let (_, after) = rest.split_once("<!-- to here -->").expect("the mark where it ends");
    compare(&path, &format!("{before}{mark}\n{made}<!-- to here -->{after}"));
}

#[test]
fn every_alarm_stands_in_its_chapter_in_the_logics_own_words() {
    let mut table = String::from(
        "| alarm | severity | what happened | what the logic did | what to look at |\n|---|---|---|---|---|\n",
    );
    for alarm in Alarm::ALL {
        let severity = AlarmRules::default().severity(*alarm);
        table.push_str(&format!(
            "| `{alarm}` | {severity} | {} | {} | {} |\n",
            alarm.happened(),
            alarm.done(),
            alarm.look()
        ));
    }
    fill("alarms.md", &table);
}

#[test]
fn every_fault_stands_in_its_chapter() {
    let table = bedkeeper_sim::faults::Table::built_in().unwrap();
    fill("faults.md", &bedkeeper_sim::faults::table_page(&table));
}

#[test]
fn every_hold_stands_in_its_chapter() {
    let text = std::fs::read_to_string(docs().join("book/waiting.md")).unwrap();
    let missing: Vec<_> = Hold::ALL.iter().filter(|hold| !text.contains(&format!("`{hold}`"))).collect();
    assert!(missing.is_empty(), "waiting.md says nothing of {missing:?}");
}

/// A chapter has its picture, and the same in words, as the real logic does it.
fn show(page: &str, part: &str, machine: &Machine) {
    let alt = format!("{part}, drawn from what the logic did; the table tells the same");
    let picture = format!("pictures/states-{}.svg", part.replace(' ', "-"));
    fill_part(page, part, &format!("![{alt}]({picture})\n\n{}", machine.table()));
    compare(&docs().join("book").join(picture), &machine.svg());
}

/// Every state that the code has was seen to come or go.
fn complete(machine: &Machine, states: impl IntoIterator<Item = impl AsRef<str>>) {
    let seen = machine.states();
    for state in states {
        assert!(seen.contains(&state.as_ref()), "nothing leads to or from {}", state.as_ref());
    }
}

#[test]
fn pictures_of_tanks_are_what_the_logic_does() {
    let seen = Seen::all();
    complete(&seen.duties, DutyKind::ALL.iter().map(|duty| format!("`{duty}`")));
    show("duties.md", "duties", &seen.duties);
    show("waiting.md", "from asking to the start", &seen.waiting);
    show("arrangements.md", "a changeover", &seen.changeover);
}

#[test]
fn pictures_of_a_regeneration_are_what_the_logic_does() {
    let seen = Seen::all();
    complete(&seen.steps, StepKind::ALL.iter().map(|step| format!("`{step}`")));
    show("programs.md", "the order of the steps", &seen.steps);
    show("programs.md", "within a step", &seen.phases);
    show("sharing.md", "drain and brine tank", &seen.shares);
    show("brine.md", "the brine account", &seen.brine);
    show("power.md", "after a power cut", &seen.power);
}

#[test]
fn pictures_of_alarms_and_relays_are_what_the_logic_does() {
    let seen = Seen::all();
    complete(&seen.alarms, AlarmPhase::ALL.iter().map(|phase| format!("`{phase}`")));
    show("alarms.md", "an alarm", &seen.alarms);
    show("relays.md", "a relay", &seen.relays);
}

#[test]
fn pictures_of_drives_are_what_the_logic_does_whatever_the_switches_tell() {
    let drives = driven::drives();
    for (kind, machine) in &drives {
        show("drives.md", kind, machine);
    }
    show("drives.md", "two-position", &driven::shared_valve());
}

#[test]
fn pictures_of_locks_and_changes_are_what_the_logic_does() {
    show("people.md", "a lock", &driven::lock());
    show("people.md", "a change of settings", &driven::draft());
}

#[test]
fn screens_of_the_bench_are_what_it_shows() {
    let show = |part: &str, desk: &mut Desk| fill_part("bench.md", part, &desk.screen());
    let mut desk = Desk::new().keys("w").at("20 L/min").enter().right(6);
    show("an hour of water", &mut desk);
    desk = desk.keys("2o").at("start now").enter().keys("nf").at("the motor does not turn [motor-stalled]");
    show("the faults of a valve", &mut desk);
    desk = desk.enter().right(6);
    show("a lost valve", &mut desk);
    desk = desk.keys("f").at("mend it: the motor does not turn [motor-stalled]").enter();
    desk = desk.keys("o").at("put back").enter().right(1);
    show("put back", &mut desk);
    desk = desk.right(18).keys("o").at("acknowledge all alarms").enter();
    show("and ready", &mut desk);
    desk = desk.keys("?");
    show("every key", &mut desk);
    show("the panel of a board", &mut desk.keys(" ").keys("b"));
    desk = Desk::new().keys("w").at("20 L/min").enter().right(6);
    desk = desk.keys("f").at("somebody turns it by hand to backwash [moved-by-hand:backwash]").enter();
    show("a knocked valve", &mut desk.wait_ms(500));
}

/// What people read or write of the code's vocabulary is in the glossary, and the relays' programs are in their chapter.
#[test]
fn every_name_of_the_code_is_in_the_glossary() {
    fill_part("glossary.md", "names", &words::named());
    let read = |page: &str| std::fs::read_to_string(docs().join("book").join(page)).unwrap();
    let terms = words::terms(&read("glossary.md"));
    let vocabulary = words::vocabulary();
    let missing: Vec<_> = vocabulary
        .iter()
        .flat_map(|(kind, names)| names.iter().map(move |name| (kind, name)))
        .filter(|(_, name)| !terms.contains(*name) && !terms.contains(&name.replace('-', " ")))
        .collect();
    assert!(missing.is_empty(), "the glossary lacks {missing:?}");
    let relays = read("relays.md");
    let programs = &vocabulary["program of a relay"];
    assert!(programs.iter().all(|program| relays.contains(&format!("| `{program}` |"))), "{programs:?}");
}

/// Chapters of the book with their names; what others wrote are only pages that include a file.
fn chapters() -> Vec<(String, String)> {
    let files = std::fs::read_dir(docs().join("book")).unwrap().map(|entry| entry.unwrap().path());
    let pages = files.filter(|path| path.extension().is_some_and(|extension| extension == "md"));
    let named = |path: PathBuf| (path.file_name().unwrap().to_string_lossy().into_owned(), path);
    pages.map(named).map(|(name, path)| (name, std::fs::read_to_string(path).unwrap())).collect()
}

/// A command in a sentence is one that exists, with options that it has. Those of the terminals are run.
#[test]
fn commands_in_sentences_exist() {
    let mut helps = BTreeMap::new();
    let mut amiss = Vec::new();
    for (page, text) in chapters() {
        for piece in Parser::new(&text) {
            let Piece::Code(code) = piece else { continue };
            if code.starts_with("bedkeeper ") {
                amiss.extend(words::amiss(&code, &mut helps).map(|why| format!("{page}: {why}")));
            }
        }
    }
    assert!(helps.len() > 10, "few commands were found: {:?}", helps.keys());
    assert!(amiss.is_empty(), "{amiss:#?}");
}

/// No block is typed by hand: terminals are run, screens are captured, files are those of the tests, and the one recipe for the
/// shell is what the other chapters' commands stand for.
#[test]
fn every_block_is_made_or_run() {
    let mut typed = Vec::new();
    for (page, text) in chapters() {
        for (piece, place) in Parser::new(&text).into_offset_iter() {
            let Piece::Start(Tag::CodeBlock(CodeBlockKind::Fenced(kind))) = piece else { continue };
            let block = &text[place.clone()];
            let made = text[..place.start]
                .rfind("<!-- made by a test")
                .is_some_and(|from| !text[from..place.start].contains("<!-- to here -->"));
            let is_so = match &*kind {
                "console" => true,
                "text" => made || block.contains("{{#include ../../sim-host/tests/snapshots/"),
                "toml" => block.contains("{{#include ../../tests/"),
                "sh" => block.trim_end_matches("```").trim_end().ends_with("cargo run --release"),
                _ => false,
            };
            if !is_so {
                typed.push(format!("{page}: {block}"));
            }
        }
    }
    assert!(typed.is_empty(), "typed by hand: {typed:#?}");
}

/// The front pages of the crates for boards tell every feature and the oldest Rust, as their manifests have them, and how
/// versions are counted; the changelog is in the packages.
#[test]
fn front_pages_are_what_the_manifests_say() {
    let root = docs().join("..");
    let read = |path: &str| std::fs::read_to_string(root.join(path)).unwrap();
    let workspace: toml::Table = read("Cargo.toml").parse().unwrap();
    let oldest = workspace["workspace"]["package"]["rust-version"].as_str().unwrap();
    for name in ["logic", "runtime"] {
        let page = read(&format!("firmware/{name}/src/lib.rs"));
        let manifest: toml::Table = read(&format!("firmware/{name}/Cargo.toml")).parse().unwrap();
        let mut features: Vec<_> = manifest["features"].as_table().unwrap().keys().map(String::as_str).collect();
        let rows = page.lines().filter_map(|line| line.strip_prefix("//! | `")?.split('`').next());
        let mut told: Vec<_> = rows.collect();
        features.sort_unstable();
        told.sort_unstable();
        assert_eq!(told, features, "{name}");
        for words in [&*format!("`rust-version` of the package, {oldest}."), "Versions are semantic", "`CHANGELOG.md`"]
        {
            assert!(page.contains(words), "the front page of {name} does not say {words}");
        }
        assert_eq!(read(&format!("firmware/{name}/CHANGELOG.md")), read("docs/CHANGELOG.md"));
    }
}

/// Relative links of every page lead to a file of the book, since no other is carried along, and every page is in the table of
/// contents.
#[test]
fn links_lead_somewhere_and_every_chapter_is_listed() {
    let book = docs().join("book");
    let contents = std::fs::read_to_string(book.join("SUMMARY.md")).unwrap();
    let mut broken = Vec::new();
    for entry in std::fs::read_dir(&book).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "md") {
            continue;
        }
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        assert!(name == "SUMMARY.md" || contents.contains(&format!("({name})")), "{name} is not in SUMMARY.md");
        let text = std::fs::read_to_string(&path).unwrap();
        for piece in Parser::new(&text) {
            let (Piece::Start(Tag::Link { dest_url, .. }) | Piece::Start(Tag::Image { dest_url, .. })) = piece else {
                continue;
            };
            let file = dest_url.split('#').next().unwrap_or_default();
            if !file.is_empty() && !file.contains("://") && (file.contains("..") || !book.join(file).is_file()) {
                broken.push(format!("{name}: {dest_url}"));
            }
        }
    }
    assert!(broken.is_empty(), "{broken:?}");
}
