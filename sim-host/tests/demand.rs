//! `bedkeeper demand` as people run it: what it writes, prints and refuses.
#![allow(missing_docs)]

use std::path::Path;
use std::process::{Command, Output, Stdio};

use bedkeeper_sim::recording::Recording;

fn bedkeeper(folder: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.current_dir(folder).args(args).stdin(Stdio::null()).output().expect("the command runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// Runs it and wants no complaint.
fn done(folder: &Path, args: &[&str]) -> String {
    let output = bedkeeper(folder, args);
    assert_eq!((output.status.code(), text(&output.stderr).as_str()), (Some(0), ""), "{args:?}");
    text(&output.stdout)
}

fn pulses(path: &Path) -> u64 {
    let mut recording = Recording::open(path).unwrap_or_else(|error| panic!("{error}"));
    let mut pulses = 0;
    while let Some(row) = recording.next().unwrap_or_else(|error| panic!("{error}")) {
        pulses += u64::from(row.count);
    }
    pulses
}

/// FNV-1a: enough to see that bytes are the same on every machine.
fn checksum(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |sum, byte| (sum ^ u64::from(*byte)).wrapping_mul(0x100_0000_01b3))
}

/// The same seed gives the same bytes, another one others; packed and plain hold the same rows.
#[test]
fn a_seed_gives_the_same_bytes_everywhere() {
    let here = tempfile::tempdir().expect("a folder");
    let file = |name: &str| here.path().join(name);
    for (name, seed) in
        [("a.csv", "7"), ("b.csv", "7"), ("c.csv", "8"), ("a.csv.gz", "7"), ("b.csv.gz", "7"), ("a.csv.zst", "7")]
    {
        let args = ["demand", "hotel", "--rooms", "12", "--days", "3", "--seed", seed, "--meter", "10 L", "-o", name];
        let shown = done(here.path(), &args);
        assert!(shown.contains("12 rooms of 250 L a day") && shown.contains(&format!("written: {name}")), "{shown}");
        assert!(shown.lines().all(|line| line.chars().count() <= 90), "{shown}");
    }
    let bytes = |name: &str| std::fs::read(file(name)).expect("written");
    assert!(bytes("a.csv") == bytes("b.csv") && bytes("a.csv") != bytes("c.csv"));
    assert_eq!(bytes("a.csv.gz"), bytes("b.csv.gz"), "no date in a packed file");
    assert_eq!(checksum(&bytes("a.csv")), 18_222_694_178_797_769_171, "the generator or a profile changed");
    assert_eq!(pulses(&file("a.csv")), pulses(&file("a.csv.gz")));
    assert_eq!(pulses(&file("a.csv")), pulses(&file("a.csv.zst")));
    let left: Vec<_> =
        std::fs::read_dir(here.path()).expect("a folder").map(|e| e.expect("an entry").file_name()).collect();
    assert_eq!(left.len(), 6, "nothing else is left behind: {left:?}");
}

/// A file that is there stays, unless a person says otherwise.
#[test]
fn nothing_is_overwritten_silently() {
    let here = tempfile::tempdir().expect("a folder");
    std::fs::write(here.path().join("mine.csv"), "mine").expect("a file");
    let args = ["demand", "household", "--days", "1", "-o", "mine.csv"];
    let refused = bedkeeper(here.path(), &args);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("--force"), "{}", text(&refused.stderr));
    assert_eq!(std::fs::read(here.path().join("mine.csv")).expect("there"), b"mine");
    done(here.path(), &[&args[..], &["--force"]].concat());
    assert!(pulses(&here.path().join("mine.csv")) > 100);
}

/// Standard output holds the recording and nothing else; without -o nothing is written.
#[test]
fn the_recording_may_go_down_a_pipe() {
    let here = tempfile::tempdir().expect("a folder");
    let piped = done(here.path(), &["demand", "school", "--people", "40", "--days", "1", "-o", "-"]);
    let mut recording =
        Recording::from_reader("piped", std::io::Cursor::new(piped.into_bytes()), None).expect("a head");
    let mut rows = 0;
    while recording.next().expect("sound rows").is_some() {
        rows += 1;
    }
    let figures = done(here.path(), &["demand", "school", "--people", "40", "--days", "1", "--json"]);
    let figures: serde_json::Value = serde_json::from_str(&figures).expect("JSON");
    assert_eq!(figures["rows"], rows);
    assert_eq!(figures["litres_per_pulse"], 1.0);
    assert!(figures["share_02_05"].as_f64().expect("a share") < 0.04);
    assert_eq!(std::fs::read_dir(here.path()).expect("a folder").count(), 0);
}

/// What homes use by night stays below the published 4 % (Mayer 1999), whatever the seed.
#[test]
fn nights_are_as_quiet_as_published() {
    let here = tempfile::tempdir().expect("a folder");
    for profile in ["household", "apartments"] {
        for seed in ["1", "2", "3"] {
            let shown = done(here.path(), &["demand", profile, "--days", "60", "--seed", seed, "--meter", "10 L"]);
            assert!(shown.contains("below the 4 % published"), "{profile} {seed}: {shown}");
        }
    }
}

/// Mistakes are told in a sentence with what would be right.
#[test]
fn mistakes_say_what_would_be_right() {
    let here = tempfile::tempdir().expect("a folder");
    for (args, word) in [
        (&["demand", "hotel", "--people", "5"][..], "rooms"),
        (&["demand", "laundry", "--rooms", "5"], "litres a day"),
        (&["demand", "hotel", "--meter", "10"], "--meter"),
        (&["demand", "hotel", "--per-day", "much"], "--per-day"),
        (&["demand", "hotel", "--days", "0"], "1..=36500"),
        (&["demand", "hostel"], "hotel"),
        (&["demand", "hotel", "--meter", "1 mL", "-o", "fast.vcd"], "write CSV"),
        (&["demand", "hotel", "-o", "none/such.csv"], "cannot be written"),
    ] {
        let output = bedkeeper(here.path(), args);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(text(&output.stderr).contains(word), "{args:?}: {}", text(&output.stderr));
        assert_eq!(text(&output.stdout), "", "{args:?}");
    }
    assert_eq!(std::fs::read_dir(here.path()).expect("a folder").count(), 0, "nothing half written stays");
}
