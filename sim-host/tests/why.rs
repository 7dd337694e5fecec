//! `bedkeeper why`: one answer, the same in the report and in the journal.
#![allow(missing_docs)]

use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn bedkeeper(folder: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.current_dir(folder).args(args).stdin(Stdio::null()).output().expect("the command runs")
}

fn json(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

/// The holds on a tank as `why` tells them.
fn why(folder: &Path, demo: &str, at_s: f64, tank: u64) -> Vec<(String, Option<f64>)> {
    let at = format!("+{} ms", (at_s * 1_000.0).round());
    let answer = json(&bedkeeper(folder, &["why", demo, demo, "--at", &at, "--tank", &tank.to_string(), "--json"]));
    let holds = answer["tanks"][0]["holds"].as_array().expect("a list");
    assert_eq!(answer["tanks"].as_array().map(Vec::len), Some(1));
    holds.iter().map(|h| (h["hold"].as_str().expect("a slug").to_owned(), h["clears_s"].as_f64())).collect()
}

/// The holds on a tank as the last line of the journal before a moment tells them.
fn journalled(journal: &str, at_s: f64, tank: u64) -> Vec<String> {
    let mut holds = Vec::new();
    for line in journal.lines().filter(|line| !line.starts_with('#')) {
        let mut fields = line.split('\t');
        let (at, text) = (fields.nth(1).expect("seconds"), fields.next().expect("a sentence"));
        if at.parse::<f64>().expect("seconds") > at_s {
            break;
        }
        if let Some(list) = text.strip_prefix(&format!("tank {tank} waits: ")) {
            holds = list.split(", ").map(str::to_owned).collect();
        } else if text.starts_with(&format!("tank {tank} begins to regenerate")) {
            holds.clear();
        }
    }
    holds.sort();
    holds
}

/// S8: at the middle of every hold that the report shows, `why` and the journal name exactly the holds that the report
/// shows there; and what `why` says of when a hold clears comes true.
#[test]
fn report_journal_and_why_give_the_same_answer() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut moments = 0;
    for demo in ["demo:apartments", "demo:house"] {
        let report = json(&bedkeeper(folder.path(), &["replay", demo, demo, "--json"]));
        bedkeeper(folder.path(), &["replay", demo, demo, "--journal", "journal.txt"]);
        let journal = std::fs::read_to_string(folder.path().join("journal.txt")).expect("a journal");
        for r in report["regenerations"].as_array().expect("a list") {
            let tank = r["tank"].as_u64().expect("a number");
            let holds = r["holds"].as_array().expect("a list");
            for hold in holds {
                let (from, to) = (hold["from_s"].as_f64().expect("s"), hold["to_s"].as_f64().expect("s"));
                let middle = ((from + to) / 2.0).floor();
                if middle <= from || middle >= to {
                    continue;
                }
                let stands = |h: &&Value| h["from_s"].as_f64() <= Some(middle) && h["to_s"].as_f64() > Some(middle);
                let mut reported: Vec<_> =
                    holds.iter().filter(stands).map(|h| h["hold"].as_str().expect("a slug").to_owned()).collect();
                reported.sort();
                let said = why(folder.path(), demo, middle, tank);
                let mut names: Vec<_> = said.iter().map(|(name, _)| name.clone()).collect();
                names.sort();
                assert_eq!(names, reported, "{demo} {middle}");
                assert_eq!(names, journalled(&journal, middle, tank), "{demo} {middle}");
                let own = said.iter().find(|(name, _)| hold["hold"] == *name).expect("it stands");
                assert!(
                    own.1.is_none_or(|clears| (clears - to).abs() < 0.01),
                    "{demo} {middle}: {own:?}, cleared {to}"
                );
                moments += 1;
            }
        }
    }
    assert!(moments >= 8, "{moments}");
}

#[test]
fn a_person_reads_what_holds_a_tank_and_what_led_there() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = bedkeeper(folder.path(), &["why", "demo:apartments", "demo:apartments", "--at", "2027-03-09T20:00"]);
    let shown = String::from_utf8(output.stdout).expect("UTF-8");
    for words in [
        "Apartments (invented) · apartments20_14d_10L.csv.gz · 2027-03-09 20:00:00 (day 9 20:00:00)",
        "tank 2: spent, ",
        "asked for: reserve, since 2027-03-09 17:27:39",
        "held: blackout: until the window ends, at 2027-03-09 22:00:00",
        "2027-03-09 17:28:52  tank 2 waits: blackout",
        "tank 1: serving, ",
        "nothing is asked of it",
    ] {
        assert!(shown.contains(words), "no {words:?} in:\n{shown}");
    }
}

#[test]
fn moments_and_tanks_that_do_not_exist_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    for (args, words) in [
        (["--at", "day 60 02:00"], "the recording ends"),
        (["--at", "2026-01-01T00:00"], "before the recording's start"),
        (["--at", "soon"], "--at soon"),
    ] {
        let output = bedkeeper(folder.path(), &[&["why", "demo:house", "demo:house"], &args[..]].concat());
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(words), "{output:?}");
    }
    let output = bedkeeper(folder.path(), &["why", "demo:house", "demo:house", "--at", "+1 h", "--tank", "2"]);
    assert_eq!(output.status.code(), Some(2));
}

/// A scenario stands alone: what happens in it has happened, and its journal can be read whole.
#[test]
fn a_scenario_is_asked_why_and_tells_its_journal() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios/C");
    let file = "window_holds_the_spent_tank.toml";
    let answer = json(&bedkeeper(&here, &["why", file, "--at", "day 1 09:00", "--tank", "1", "--json"]));
    let holds: Vec<_> = answer["tanks"][0]["holds"].as_array().expect("a list").iter().map(|h| &h["hold"]).collect();
    assert_eq!(holds, ["blackout"], "{answer}");
    let told = bedkeeper(&here, &["verify", file, "--journal"]);
    let told = String::from_utf8_lossy(&told.stdout);
    assert!(told.lines().next().is_some_and(|line| line.ends_with(file)), "{told}");
    assert!(
        told.contains("  day 1 11:00:00  tank 1 begins to regenerate: exhausted")
            && told.contains("1 of 1 scenarios met"),
        "{told}"
    );
}

/// What cannot be answered is said with what would be right.
#[test]
fn a_site_alone_and_a_moment_after_the_end_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let site = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/sites/pair.toml");
    for site in ["demo:house", site] {
        let refused = bedkeeper(folder.path(), &["why", site, "--at", "day 2"]);
        assert_eq!(refused.status.code(), Some(2));
        let said = String::from_utf8_lossy(&refused.stderr).into_owned();
        let help = format!("help: bedkeeper why {site} ");
        assert!(said.contains("needs a RECORDING") && said.contains(&help), "{said}");
    }
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios/C");
    let late = bedkeeper(&here, &["why", "window_holds_the_spent_tank.toml", "--at", "day 900"]);
    assert_eq!(late.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&late.stderr).contains("the scenario ends before that"));
}
