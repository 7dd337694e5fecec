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

/// A family's fortnight, sound and made faulty; what a replay of the bundled house makes of it.
fn replayed(folder: &Path, inject: &[&str]) -> (serde_json::Value, serde_json::Value) {
    let args =
        ["demand", "household", "--people", "3", "--days", "6", "--seed", "5", "-o", "use.csv", "--force", "--json"];
    let figures = done(folder, &[&args[..], inject].concat());
    let output = bedkeeper(folder, &["replay", "demo:house", "use.csv", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let read = |text: &str| serde_json::from_str(text).expect("JSON");
    (read(&figures), read(&text(&output.stdout)))
}

fn metered(evidence: &serde_json::Value) -> String {
    evidence["water_l"]["metered"].to_string()
}

/// M4: what bounces is tallied and not counted: the metered volume is that of the sound recording, to the nanolitre.
#[test]
fn m4_an_injected_bounce_is_tallied_and_not_counted() {
    let here = tempfile::tempdir().expect("a folder");
    let (_, sound) = replayed(here.path(), &[]);
    let (figures, bounced) = replayed(here.path(), &["--inject", "bounce=20%"]);
    assert_eq!(metered(&bounced), metered(&sound));
    let pulses = figures["pulses"].as_u64().expect("a number");
    let bounces = figures["injected"]["bounces"].as_u64().expect("a number");
    assert!(bounces > pulses / 5, "{bounces} bounces at {pulses} pulses");
    let note =
        format!("closed {} times: {pulses} were counted as pulses, {bounces} tallied as bounce", pulses + bounces);
    assert!(bounced["notes"].to_string().contains(&note), "{note} in {}", bounced["notes"]);
    assert!(bounced["alarms"].to_string().contains("meter-noisy"), "{}", bounced["alarms"]);
    assert!(!sound["alarms"].to_string().contains("meter-noisy"));
    // The host's own judge, which shares nothing with the logic's, finds the same pulses.
    let described = done(here.path(), &["demand", "--describe", "use.csv", "--json"]);
    let described: serde_json::Value = serde_json::from_str(&described).expect("JSON");
    assert_eq!(
        (&described["pulses"], &described["contact"]["bounces"]),
        (&figures["pulses"], &figures["injected"]["bounces"])
    );
}

/// W1: a leak raises `unbroken-flow`, and only the leak does.
#[test]
fn w1_an_injected_leak_raises_unbroken_flow() {
    let here = tempfile::tempdir().expect("a folder");
    let (_, sound) = replayed(here.path(), &[]);
    let (figures, leaking) = replayed(here.path(), &["--inject", "leak=0.8 L/min"]);
    assert!(leaking["alarms"].to_string().contains("unbroken-flow"), "{}", leaking["alarms"]);
    assert!(!sound["alarms"].to_string().contains("unbroken-flow"));
    assert_eq!(figures["injected"]["leak_pulses"], 5 * 1_152, "five days of 0.8 L/min");
    assert!(figures["suspicious"].to_string().contains("without a pause"));
}

/// M1, S5: a gap in the record is not water: what was recorded is metered, and nothing is made up for the rest.
#[test]
fn m1_a_gap_is_not_water() {
    let here = tempfile::tempdir().expect("a folder");
    let (whole, _) = replayed(here.path(), &[]);
    let (figures, gappy) = replayed(here.path(), &["--inject", "gaps=25%"]);
    let number = |value: &serde_json::Value| value.as_u64().expect("a number");
    let lost = number(&figures["injected"]["lost_pulses"]);
    assert!(lost > number(&whole["pulses"]) / 10, "{lost}");
    assert_eq!(number(&figures["pulses"]) + lost, number(&whole["pulses"]));
    assert!(
        metered(&gappy).trim_matches('"').starts_with(&format!("{}", number(&figures["pulses"]))),
        "{}",
        metered(&gappy)
    );
    let figures = figures["longest_silence"]["lasts_s"].as_f64().expect("a length");
    assert!(figures >= 3_600.0);
}

/// What is told of a recording, at 80 columns.
#[test]
fn a_recording_is_described() {
    let here = tempfile::tempdir().expect("a folder");
    done(here.path(), &["demand", "school", "--days", "14", "--meter", "10 L", "-o", "school.csv.zst"]);
    let shown = done(here.path(), &["demand", "--describe", "school.csv.zst"]);
    for words in ["14 d from 2027-03-01 00:00", "by hour of the day", "by weekday", "02:00 to 05:00", "longest silence"]
    {
        assert!(shown.contains(words), "{words} in\n{shown}");
    }
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    assert!(!shown.contains("written"));
}

/// M1: a foreign log becomes a recording that a replay takes; what it does not say is asked for, nothing is written.
#[test]
fn a_foreign_log_becomes_a_recording() {
    let here = tempfile::tempdir().expect("a folder");
    let log = "When,Total\n01/03/2027 06:00,100.5\n01/03/2027 06:10,130.5\n01/03/2027 07:00,190.5\n";
    std::fs::write(here.path().join("log.csv"), log).expect("a file");
    let asked = bedkeeper(here.path(), &["demand", "--from", "log.csv", "-o", "out.csv"]);
    assert_eq!(asked.status.code(), Some(2));
    assert!(text(&asked.stderr).contains("--time-as") && text(&asked.stderr).contains("`When`, `Total`"));
    assert!(!here.path().join("out.csv").exists());
    let args = ["demand", "--from", "log.csv", "--time", "when", "--time-as", "%d/%m/%Y %H:%M", "--value", "total"];
    let more = ["--value-as", "total L", "--meter", "10 L", "-o", "out.csv"];
    done(here.path(), &[&args[..], &more].concat());
    let written = std::fs::read_to_string(here.path().join("out.csv")).expect("written");
    assert!(written.contains("# t_s = seconds since 2027-03-01 06:00:00"), "{written}");
    assert!(written.ends_with("t_s,pulses\n200.000,1\n400.000,1\n600.000,1\n1100.000,1\n1600.000,1\n2100.000,1\n2600.000,1\n3100.000,1\n3600.000,1\n"), "{written}");
    // A dump that was written reads back as the same pulses.
    done(here.path(), &["demand", "--from", "out.csv", "-o", "out.vcd.gz"]);
    done(here.path(), &["demand", "--from", "out.vcd.gz", "--meter", "10 L", "-o", "back.csv"]);
    assert_eq!(pulses(&here.path().join("back.csv")), 9);
}

/// A description can be a page of its own; never over the recording itself.
#[test]
fn a_description_can_be_a_page() {
    let here = tempfile::tempdir().expect("a folder");
    done(here.path(), &["demand", "hotel", "--rooms", "8", "--days", "15", "--meter", "10 L", "-o", "hotel.csv"]);
    let shown = bedkeeper(here.path(), &["demand", "--describe", "hotel.csv", "--html", "hotel.html"]);
    assert_eq!((shown.status.code(), text(&shown.stderr).as_str()), (Some(0), "written: hotel.html\n"));
    let page = std::fs::read_to_string(here.path().join("hotel.html")).expect("written");
    // Each figure that is printed stands on the page.
    for line in text(&shown.stdout).lines().skip(1).take_while(|line| line.starts_with("  ")) {
        let figure = line.get(19..).expect("a label and a figure");
        assert!(page.contains(figure), "{figure}");
    }
    for part in ["hour of the day", "through the week", "of each day", "Mon 15 Mar"] {
        assert!(page.contains(part), "{part}");
    }
    let before = std::fs::read(here.path().join("hotel.csv")).expect("there");
    let refused = bedkeeper(here.path(), &["demand", "--describe", "hotel.csv", "--html", "./hotel.csv"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("would overwrite the recording"), "{}", text(&refused.stderr));
    assert_eq!(std::fs::read(here.path().join("hotel.csv")).expect("there"), before);
    let both = ["demand", "hotel", "--rooms", "8", "-o", "one", "--html", "./one"];
    assert!(text(&bedkeeper(here.path(), &both).stderr).contains("both write"));
    let us = done(here.path(), &["demand", "--describe", "hotel.csv", "--units", "us"]);
    assert!(us.contains(" of 2.64 gal\n") && us.contains("gal a day by hour"), "{us}");
    // What a profile would give can be looked at before it is written.
    assert_eq!(bedkeeper(here.path(), &["demand", "hotel", "--rooms", "8", "--html", "x.html"]).status.code(), Some(0));
    assert!(std::fs::read_to_string(here.path().join("x.html")).expect("written").contains("through the week"));
}

/// M4: a value change dump is a recording: replayed, verified and described as it is, it gives the water of the CSV that
/// it was made of; its comments tell the start and the meter.
#[test]
fn a_dump_is_replayed_verified_and_described_as_it_is() {
    let here = tempfile::tempdir().expect("a folder");
    let made = ["demand", "household", "--people", "3", "--days", "3", "--seed", "5"];
    done(here.path(), &[&made[..], &["-o", "use.csv"]].concat());
    for name in ["use.vcd", "use.vcd.gz", "use.vcd.zst"] {
        done(here.path(), &["demand", "--from", "use.csv", "-o", name]);
    }
    let used = pulses(&here.path().join("use.csv"));
    for name in ["use.vcd", "use.vcd.gz", "use.vcd.zst"] {
        let found = done(here.path(), &["demand", "--describe", name, "--json"]);
        let found: serde_json::Value = serde_json::from_str(&found).expect("JSON");
        assert_eq!((&found["pulses"], &found["litres_per_pulse"]), (&used.into(), &1.0.into()), "{name}");
        assert_eq!(found["start"], "2027-03-01T00:00");
        let replayed = done(here.path(), &["replay", "demo:house", name, "--json", "--quiet"]);
        let replayed: serde_json::Value = serde_json::from_str(&replayed).expect("JSON");
        let notes = replayed["notes"].to_string();
        assert!(notes.contains(&format!("{used} were counted as pulses, 0 tallied as bounce")), "{notes}");
    }
    let scenario = format!(
        "scenario = \"a dump\"\nstarts = \"2027-03-01T00:00\"\nlasts = \"3 days\"\nsite = \"demo:house\"\n\
         recording = \"use.vcd.gz\"\n[[expect]]\ntotal = \"metered\"\nis = \"{used} L\"\n"
    );
    std::fs::write(here.path().join("dump.toml"), &scenario).expect("a file");
    done(here.path(), &["verify", "dump.toml"]);
    // A full plant has to know of pulses before they come: told, with the command that makes some.
    let full = scenario.replace("lasts", "plant = \"full\"\nlasts");
    std::fs::write(here.path().join("full.toml"), &full).expect("a file");
    for args in [&["verify", "full.toml"][..], &["replay", "demo:house", "use.vcd", "--plant", "full"]] {
        let refused = bedkeeper(here.path(), args);
        assert_eq!(refused.status.code(), Some(2), "{args:?}");
        assert!(text(&refused.stderr).contains("bedkeeper demand --from FILE -o NEW.csv"), "{}", text(&refused.stderr));
    }
}
