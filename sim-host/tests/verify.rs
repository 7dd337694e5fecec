//! `bedkeeper verify`: what it prints, what it refuses, what its exit code says.
#![allow(missing_docs)]

use std::path::Path;
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

const NIGHT: &str = r#"
scenario = "A night in the house"
starts = "2027-03-01T00:00"
lasts = "2 days"
site = "demo:house"

[[event]]
at = "day 1 20:00"
operator = "start-at-hour"

[[expect]]
at = "day 2 02:00"
tolerance = "0 s"
started = "manual"

[[expect]]
at = "day 1 23:00"
holds = ["until-hour"]
"#;

fn bedkeeper(folder: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.current_dir(folder).args(args).stdin(Stdio::null()).output().expect("the command runs")
}

fn verify(files: &[(&str, &str)], args: &[&str]) -> (Option<i32>, String, String, TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).expect("a file");
    }
    let output = bedkeeper(folder.path(), &[&["verify"], args].concat());
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr), folder)
}

/// Q5, S8: a scenario that is met says so, and nothing else.
#[test]
fn what_is_met_is_told_in_a_line() {
    let (code, shown, errors, _folder) = verify(&[("night.toml", NIGHT)], &["night.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""));
    assert_eq!(shown, "1 of 1 scenarios met all they expect (3 expectations, 0 missed)\n");
}

#[test]
fn a_miss_says_what_was_expected_what_happened_and_what_led_there() {
    let wrong = NIGHT.replace("day 2 02:00", "day 2 03:00").replace("[\"until-hour\"]", "[\"blackout\"]");
    let (code, shown, _, folder) = verify(&[("night.toml", &wrong), ("other.toml", NIGHT)], &["."]);
    assert_eq!(code, Some(1));
    for words in [
        "missed ./night.toml\n  A night in the house\n",
        "expected  line 11: at day 2 03:00:00: a tank starts to regenerate (manual)\n",
        "happened  it came day 2 02:00:00\n",
        "expected  line 16: at day 1 23:00:00: tank 1 held by blackout alone\n",
        "happened  tank 1: held by until-hour\n",
        "      day 1 20:00:00  tank 1 waits: until-hour\n",
        "1 of 2 scenarios met all they expect (6 expectations, 2 missed)\n",
    ] {
        assert!(shown.contains(words), "no {words:?} in:\n{shown}");
    }
    let output = bedkeeper(folder.path(), &["verify", "night.toml", "other.toml", "--json", "--junit", "out.xml"]);
    assert_eq!(output.status.code(), Some(1));
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!((value["scenarios"].as_u64(), value["met"].as_u64()), (Some(2), Some(1)));
    let missed = value["missed"].as_array().expect("a list");
    assert_eq!(missed.len(), 2);
    assert_eq!(missed[0]["scenario"], "night.toml");
    assert_eq!(missed[0]["happened"], "it came day 2 02:00:00");
    assert!(missed[0]["expectation"].as_str().is_some_and(|e| e.starts_with("line 11: ")));
    let xml = std::fs::read_to_string(folder.path().join("out.xml")).expect("a file");
    assert!(
        xml.contains("tests=\"6\" skipped=\"0\" failures=\"2\"") && xml.contains("it came day 2 02:00:00"),
        "{xml}"
    );
}

/// Each fault has its line and caret, also those of what is laid over the site, and all come at once.
#[test]
fn every_fault_of_a_scenario_is_shown_where_it_stands() {
    let bad = NIGHT
        .replace("lasts = \"2 days\"", "lasts = \"2 dayz\"")
        .replace("start-at-hour", "start-at-our")
        .replace("tolerance", "tolerence")
        .replace("day 1 23:00", "day 1 25:00")
        + "[[expect]]\nnever = true\n[[expect]]\nduty = \"serving\"\n[changes.water]\nhardness = \"20 gpm\"\n";
    let (code, shown, errors, _folder) = verify(&[("bad.toml", &bad)], &["bad.toml"]);
    assert_eq!((code, shown.as_str()), (Some(2), ""));
    for words in [
        "did you mean \"start-at-hour\"",
        "did you mean `tolerance`",
        "`day 1 25:00`",
        "says not what it is about",
        "must say when, once",
        "changes.water.hardness",
        "bad.toml: 7 findings",
    ] {
        assert!(errors.contains(words), "no {words:?} in:\n{errors}");
    }
    assert_eq!(errors.matches("--> bad.toml:").count(), 7, "{errors}");
}

#[test]
fn faults_of_a_site_file_are_shown_in_it_and_those_of_a_whole_where_the_change_stands() {
    let site = include_str!("../demo/house.toml").replace("pulse = \"1 L\"", "pulse = \"1 pint of ale\"");
    let scenario = NIGHT.replace("demo:house", "site.toml");
    let (code, _, errors, _folder) = verify(&[("a.toml", &scenario), ("site.toml", &site)], &["a.toml"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("--> site.toml:") && !errors.contains("--> a.toml:"), "{errors}");
    let over = format!("{NIGHT}[changes.reserve]\nkeep = \"9000 L\"\n");
    let (code, _, errors, _folder) = verify(&[("a.toml", &over)], &["a.toml"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("changes.reserve.keep") && errors.contains("--> a.toml:"), "{errors}");
}

#[test]
fn what_cannot_be_read_or_run_ends_clearly() {
    let (code, _, errors, folder) = verify(&[], &["nowhere.toml"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("nowhere.toml") && errors.contains("the path of a scenario file"), "{errors}");
    assert_eq!(bedkeeper(folder.path(), &["verify", "."]).status.code(), Some(2));
    let metered = NIGHT.replace("lasts", "recording = [[\"day 1 06:00\", 1, 1]]\nlasts");
    let (code, _, errors, _folder) = verify(&[("a.toml", &metered)], &["a.toml"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("a.toml") && errors.contains("common outlet"), "{errors}");
    // A recording of another meter would make every figure wrong.
    let other = NIGHT.replace("lasts", "recording = \"demo:apartments\"\nlasts");
    let (code, _, errors, _folder) = verify(&[("b.toml", &other)], &["b.toml"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("one pulse is 10 L, the site's meter says 1 L"), "{errors}");
}

const FAULTY: &str = r#"
scenario = "A faulty recording"
starts = "2027-03-01T00:00"
lasts = "3 days"
site = "demo:house"
inject = "bounce=3%"
recording = [["day 1 06:00", 3]]

[[expect]]
total = "metered"
is = "3 L"
"#;

/// M4: faults are made in a recording that is given, and where that cannot be it is told at the key.
#[test]
fn faults_are_injected_into_recordings_alone() {
    let (code, shown, errors, _folder) = verify(&[("a.toml", FAULTY)], &["a.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
    let row = "recording = [[\"day 1 06:00\", 3]]\n";
    for (from, to, words) in [
        ("bounce=3%", "noise=3%", "there are bounce=3%, gaps=2%"),
        ("\"bounce=3%\"", "{ faults = \"gaps=2%\", sead = 3 }", "did you mean `seed`"),
        (row, "", "faults need a recording"),
        (row, "[[flow]]\nfrom = \"day 1 06:00\"\nrate = \"9 L/min\"\n", "faults need a recording"),
        ("lasts", "plant = \"full\"\nlasts", "leave bounce out"),
    ] {
        let bad = FAULTY.replace(from, to);
        let (code, _, errors, _folder) = verify(&[("bad.toml", &bad)], &["bad.toml"]);
        assert_eq!(code, Some(2), "{to}: {errors}");
        assert!(errors.contains(words), "no {words:?} in:\n{errors}");
    }
}

const HELD: &str = r#"
scenario = "Supply pressure stays low while power is off"
starts = "2027-03-01T00:00"
lasts = "2 days"
site = "demo:house"

[[event]]
at = "day 1 20:00"
contact = "low-pressure"

[[event]]
at = "day 1 21:00"
power = { off = "5 s" }

[[event]]
at = "day 1 22:00"
operator = "start-now"

[[event]]
at = "day 2 06:00"
power = { off = "1 h" }

[[event]]
at = "day 2 06:30"
contact = "low-pressure"
closed = false

[[expect]]
at = "day 1 23:00"
holds = ["low-pressure"]

[[expect]]
never = ["day 1 00:00", "day 2 05:59"]
started = "any"

[[expect]]
within = ["day 2 07:00", "day 2 08:00"]
started = "manual"

[[expect]]
count = 2
says = "contact low-pressure is closed"
"#;

/// C7, P2: a contact stays as it is while power is off, and every power-up tells how it stands, also if it moved in the dark.
#[test]
fn contacts_stand_while_power_is_off() {
    let (code, shown, errors, _folder) = verify(&[("held.toml", HELD)], &["held.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
    // Closing in the dark is the same.
    let dark = HELD.replace("day 1 20:00", "day 1 21:00:02").replace("count = 2", "count = 1");
    let (code, shown, errors, _folder) = verify(&[("held.toml", &dark)], &["held.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
}

/// C1, C4: contacts are told open at power-up, so that their first closure asks; found closed they ask for nothing.
#[test]
fn the_first_closure_of_a_contact_asks() {
    let sensor = NIGHT
        .replace("operator = \"start-at-hour\"", "contact = \"sensor\"\nlasts = \"1 min\"")
        .replace("started = \"manual\"", "started = \"sensor\"");
    let (code, shown, errors, _folder) = verify(&[("first.toml", &sensor)], &["first.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
    let found = "[[event]]\nat = \"+0 s\"\ncontact = \"sensor\"\n[[expect]]\nnever = true\nasked = \"any\"\n[[expect]]\n\
                 count = 1\nsays = \"contact sensor is closed\"\n";
    let head: String = NIGHT.split_inclusive('\n').take(5).collect();
    let (code, shown, errors, _folder) = verify(&[("found.toml", &(head + found))], &["found.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
}

/// O2: what a scenario says and what did not happen is a miss, and the journal tells why something was refused.
#[test]
fn what_did_not_happen_is_missed() {
    let settings = "[[event]]\nat = \"day 2 02:30\"\nsettings = { brine = { dose = \"100 g/L\" } }\n";
    let in_the_dark = "[[event]]\nat = \"day 1 10:00\"\npower = { off = \"1 h\" }\n[[event]]\nat = \"day 1 10:30\"\n\
                       operator = \"start-now\"\n";
    for (more, words) in [
        (
            in_the_dark,
            "it happens: operator = \"start-now\", who = \"panel\", tank = 1\n    happened  never: power was off day 1 10:30:00",
        ),
        (
            "[[event]]\non = { asked = \"sensor\" }\nclock = \"lost\"\n",
            "it happens: clock = \"lost\"\n    happened  never: what it waits for came 0 of 1 times",
        ),
        (
            "[[event]]\non = { started = \"manual\" }\nafter = \"23 h\"\nclock = \"lost\"\n",
            "happened  never: it would come after the end",
        ),
        (settings, "line 19: these settings are taken\n    happened  refused day 2 02:30:00: a regeneration runs"),
        (
            "[[event]]\nat = \"day 1 03:00\"\nsettings = { brine = { dose = \"100 g/L\" } }\nrefused = true\n",
            "these settings are refused\n    happened  they were taken day 1 03:00:00",
        ),
    ] {
        let (code, shown, errors, _folder) = verify(&[("a.toml", &format!("{NIGHT}{more}"))], &["a.toml"]);
        assert_eq!((code, errors.as_str()), (Some(1), ""), "{more}\n{shown}");
        assert!(shown.contains(words) && shown.contains(" 1 missed"), "no {words:?} in:\n{shown}");
    }
    let told = format!("{NIGHT}{settings}refused = true\n[[event]]\nat = \"day 2 02:40\"\noperator = \"put-back\"\n");
    let (code, shown, errors, _folder) = verify(&[("a.toml", &told)], &["a.toml", "--journal"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""), "{shown}");
    for words in [
        "day 2 02:30:00  the settings of line 19 are refused: a regeneration runs",
        "day 2 02:40:00  refused (operator = \"put-back\", who = \"panel\", tank = 1): the tank is not out\n",
    ] {
        assert!(shown.contains(words), "no {words:?} in:\n{shown}");
    }
}

/// What can never be so is told when a scenario is read.
#[test]
fn what_can_never_be_is_refused() {
    for (more, words) in [
        ("[[event]]\nat = \"day 2 23:00\"\nafter = \"5 h\"\nclock = \"lost\"\n", "day 3 04:00:00 lies after the end"),
        (
            "[[event]]\non = { started = \"any\" }\nafter = \"3 days\"\nclock = \"lost\"\n",
            "is longer than the scenario",
        ),
        ("[[expect]]\nnever = true\nviolation = \"S99\"\n", "did you mean \"S12\"?"),
        ("[[expect]]\nnever = true\nviolation = \"the weather\"\n", "`bedkeeper rules` lists them all"),
        ("[[expect]]\ncount = { least = 3, most = 1 }\nstarted = \"any\"\n", "`least` no greater than `most`"),
        ("[[expect]]\ntotal = \"salt\"\nleast = \"3 kg\"\nmost = \"1 kg\"\n", "`least` no greater than `most`"),
        ("[[event]]\nat = \"day 1 03:00\"\nclock = \"lost\"\nrefused = true\n", "it goes with settings"),
    ] {
        let (code, _, errors, _folder) = verify(&[("bad.toml", &format!("{NIGHT}{more}"))], &["bad.toml"]);
        assert_eq!(code, Some(2), "{more}: {errors}");
        assert!(errors.contains(words) && errors.contains("bad.toml: 1 finding"), "no {words:?} in:\n{errors}");
    }
}
