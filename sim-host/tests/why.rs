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

/// What `why` says of a moment that it cannot answer for.
fn refused(folder: &Path, args: &[&str]) -> String {
    let output = bedkeeper(folder, &[&["why"], args].concat());
    assert_eq!(output.status.code(), Some(2), "{args:?}: {output:?}");
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Of every odd time it is said what is wrong, and what would be right in this very recording.
#[test]
fn moments_and_tanks_that_do_not_exist_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut said = String::new();
    for at in [
        "2026-01-01T00:00",
        "day 60 02:00",
        "2027-05-01T00:00",
        "soon",
        "20:00",
        "day 0",
        "day 2 25:00",
        "2027-02-30T10:00",
        "2027-13-01",
        "9.3.2027 20:00",
        "2027-03-09T20:00Z",
        "2027-03-09T20:00+01:00",
        "2027-03-09T8 pm",
        "+36",
        "-5 h",
    ] {
        let told = refused(folder.path(), &["demo:house", "demo:house", &format!("--at={at}")]);
        assert!(told.starts_with(&format!("--at {at}: ")) && told.contains("\n  help: "), "{told}");
        said.push_str(&told);
    }
    insta::assert_snapshot!("odd_times", said);
    // What the help offers is right.
    for at in ["2027-03-01T12:00", "day 1 12:00:00", "+36 h", "2027-03-09", "day 9 20:00:00.500"] {
        json(&bedkeeper(folder.path(), &["why", "demo:house", "demo:house", "--at", at, "--json"]));
    }
    refused(folder.path(), &["demo:house", "demo:house", "--at", "+1 h", "--tank", "2"]);
}

/// A recording that does not say when it starts has no civil times, unless they are given.
#[test]
fn civil_times_need_a_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let rows = "# pulse volume 1 L\nt_s,pulses\n1.000,1\n2.000,1\n";
    std::fs::write(folder.path().join("pulses.csv"), rows).expect("a recording");
    let args = ["why", "demo:house", "pulses.csv", "--at", "2027-03-01T00:00:02"];
    let told = refused(folder.path(), &args[1..]);
    assert!(told.contains("does not say when it starts") && told.contains("--start 2027-03-01T00:00"), "{told}");
    json(&bedkeeper(folder.path(), &[&args[..], &["--start", "2027-03-01T00:00", "--json"]].concat()));
}

/// T4: an hour that the plant's clock shows twice, since it was set back, is asked for by its day's count; one that it
/// never shows is said to be missing.
#[test]
fn a_civil_time_shown_twice_or_never_is_refused() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios/T");
    let told = refused(&here, &["clock_set_back.toml", "--at", "2027-03-02T01:30"]);
    let twice = "shows that 2 times\n  help: ask for \"day 2 01:30:00\" or \"day 2 02:30:00\"";
    assert!(told.contains(twice), "{told}");
    let told = refused(&here, &["an_hour_is_missed.toml", "--at", "2027-03-02T05:30"]);
    let never = "the plant's clock never shows that; from day 2 01:30:00 on it shows 2027-03-02 08:30:00\n  help: ";
    assert!(told.contains(never), "{told}");
    // A time that it shows once is found by the clock, and the answer tells both.
    let found = bedkeeper(&here, &["why", "an_hour_is_missed.toml", "--at", "2027-03-02T09:30"]);
    let found = String::from_utf8_lossy(&found.stdout).into_owned();
    assert!(found.contains("(day 2 02:30:00; its clock shows 2027-03-02 09:30:00)"), "{found}");
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
    let said = String::from_utf8_lossy(&late.stderr).into_owned();
    assert!(
        said.contains("the scenario ends before that, at ") && said.contains("help: ask for a moment from"),
        "{said}"
    );
}

#[test]
fn volumes_are_in_the_units_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let asked = ["why", "demo:apartments", "demo:apartments", "--at", "2027-03-09T20:00", "--units"];
    for (units, word, other) in [("us", " gal left", " L left"), ("metric", " L left", " gal left")] {
        let output = bedkeeper(folder.path(), &[&asked[..], &[units]].concat());
        let shown = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(shown.contains(word) && !shown.contains(other), "{units}: {shown}");
    }
}
