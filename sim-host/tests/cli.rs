//! The command as people run it: what it prints, writes and refuses.
#![allow(missing_docs)]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use flate2::{Compression, write::GzEncoder};
use tempfile::TempDir;

/// Runs the command in a folder of its own.
fn bedkeeper(folder: &Path, args: &[&str]) -> Output {
    command(folder, args).output().expect("the command runs")
}

fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.current_dir(folder).args(args).stdin(Stdio::null());
    command
}

fn with_input(folder: &Path, args: &[&str], input: &[u8]) -> Output {
    let mut child = command(folder, args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command runs");
    // It may stop reading early: a broken pipe is its answer, not our failure.
    let _ = child.stdin.take().expect("a pipe").write_all(input);
    child.wait_with_output().expect("it ends")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder")
}

/// Bad input: exit code 2, nothing on standard output, these words on standard error.
fn refused(output: &Output, words: &[&str]) {
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert_eq!(text(&output.stdout), "");
    for word in words {
        assert!(errors.contains(word), "no {word:?} in:\n{errors}");
    }
}

/// A2, S2, S5: the first run of a newcomer: two tanks alternate, nobody gets hard water, the parts add up.
#[test]
fn without_arguments_the_bundled_site_is_replayed_and_the_report_named() {
    let here = folder();
    let output = bedkeeper(here.path(), &[]);
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert_eq!(text(&output.stderr), "", "silence in a pipe");
    for words in
        ["Apartments (invented)", "the parts add up to the nanolitre", "Rules: none seen broken", "Alarms: none"]
    {
        assert!(shown.contains(words), "no {words:?} in:\n{shown}");
    }
    assert!(shown.lines().any(|l| l.contains("hard water delivered") && l.ends_with("none")), "{shown}");
    let report = here.path().join("bedkeeper-report.html");
    assert!(shown.contains(&format!("report written to {}", report.display())), "{shown}");
    let page = std::fs::read_to_string(report).expect("the report");
    assert!(page.contains("Apartments (invented)") && page.trim_end().ends_with("</html>"));
    assert!(!shown.contains('\u{1b}'), "no colour in a pipe");
}

#[test]
fn the_same_inputs_give_the_same_bytes_for_both_recordings() {
    let here = folder();
    for demo in ["demo:apartments", "demo:house"] {
        let [first, second] = [(); 2].map(|()| bedkeeper(here.path(), &["replay", demo, demo, "--json"]));
        assert_eq!(first.status.code(), Some(0));
        assert!(!first.stdout.is_empty());
        assert_eq!(first.stdout, second.stdout, "{demo}");
        let value: serde_json::Value = serde_json::from_slice(&first.stdout).expect("JSON");
        let keys = ["site", "recording", "span_s", "water_l", "hard_water_l", "salt_kg", "drain_water_l"];
        for key in keys.iter().chain(&["regenerations", "alarms", "violations"]) {
            assert!(value.get(key).is_some(), "{demo}: no {key}");
        }
        let regenerations = value["regenerations"].as_array().expect("a list");
        assert!(regenerations.len() >= 4);
        for r in regenerations {
            for key in ["tank", "cause", "asked_s", "start_s", "end_s", "volume_since_last_l", "overrun_l", "outcome"] {
                assert!(r.get(key).is_some_and(|v| !v.is_null()), "{demo}: no {key}");
            }
            assert!(r["steps"].as_array().is_some_and(|s| s.len() == 5 && s.iter().all(|s| s["end_s"].is_f64())));
        }
        assert_eq!(value["violations"].as_array().map(Vec::len), Some(0));
    }
}

#[test]
fn five_mistakes_in_a_site_file_are_five_findings_with_line_and_caret() {
    let here = folder();
    let good = include_str!("../demo/apartments.toml");
    let bad = good
        .replace("hardness = \"20 gpg\"", "hardness = \"20 gpm\"")
        .replace("volume = \"85 L\"", "volumne = \"85 L\"")
        .replace("keep = \"300 L\"", "keep = \"120 %\"")
        .replace("to = \"22:00\"", "to = \"25:00\"")
        .replace("when = \"immediate\"", "when = 3");
    std::fs::write(here.path().join("bad.toml"), bad).expect("a file");
    let output = bedkeeper(here.path(), &["replay", "bad.toml", "demo:apartments"]);
    refused(&output, &["bad.toml:", "gpm", "volumne", "120 %", "25:00", "help"]);
    let errors = text(&output.stderr);
    assert!(errors.matches('^').count() >= 5, "{errors}");
    assert!(errors.matches("help").count() >= 5, "{errors}");
}

#[test]
fn broken_recordings_end_clearly() {
    let here = folder();
    let csv = "# pulse volume 10 L\nt_s,pulses\n1,1\n2,1\n3,1\n";
    let cases: &[(&str, Vec<u8>, &[&str])] = &[
        ("empty.csv", Vec::new(), &["empty.csv", "empty"]),
        ("back.csv", b"t_s,pulses\n10,1\n9,1\n".to_vec(), &["back.csv:3", "9", "10"]),
        ("column.csv", b"time,pulses\n1,1\n".to_vec(), &["column.csv", "t_s"]),
        ("cut.csv.gz", truncated(csv.repeat(500).as_bytes()), &["cut.csv.gz"]),
        ("other.csv", b"# pulse volume 1 L\nt_s,pulses\n1,1\n".to_vec(), &["1 L", "10 L", "[meter]"]),
        ("meter.csv", b"t_s,pulses,meter\n1,1,1\n".to_vec(), &["tank 1", "common outlet"]),
    ];
    for (name, bytes, words) in cases {
        std::fs::write(here.path().join(name), bytes).expect("a file");
        let output = bedkeeper(here.path(), &["replay", "demo:apartments", name]);
        refused(&output, words);
        let errors = text(&output.stderr);
        assert!(errors.lines().count() <= 4, "{name}: {errors}");
        if let Some(help) = errors.split("help: ").nth(1) {
            assert_eq!(errors.matches(help.trim()).count(), 1, "what would be right is said once: {errors}");
        }
    }
    refused(&bedkeeper(here.path(), &["replay", "demo:apartments", "nowhere.csv"]), &["nowhere.csv"]);
    refused(&bedkeeper(here.path(), &["replay", "demo:castle", "demo:house"]), &["demo:apartments", "demo:house"]);
    refused(&bedkeeper(here.path(), &["replay", "-", "-"]), &["standard input"]);
    refused(&bedkeeper(here.path(), &["replya"]), &["replay"]);
}

fn truncated(bytes: &[u8]) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(bytes).expect("memory");
    let packed = packer.finish().expect("memory");
    packed[..packed.len() / 2].to_vec()
}

#[test]
fn site_and_recording_come_from_standard_input() {
    let here = folder();
    let csv = b"# t_s = seconds since 2027-03-01 00:00 local standard time\nt_s,pulses\n60,1\n120,1\n";
    let output = with_input(here.path(), &["replay", "demo:apartments", "-", "--json"], csv);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("\"metered\": 20.000000000"));
    let site = include_bytes!("../demo/house.toml");
    let output = with_input(here.path(), &["replay", "-", "demo:house", "--json"], site);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("\"metered\": 10507.000000000"));
}

/// T1: a recording without a date leaves civil time unknown: the alarm stands, and a note says how to set it.
#[test]
fn a_recording_without_a_date_leaves_the_clock_unset() {
    let here = folder();
    let csv = b"t_s,pulses\n60,1\n";
    let output = with_input(here.path(), &["replay", "demo:apartments", "-"], csv);
    let shown = text(&output.stdout);
    assert!(shown.contains("clock-unset") && shown.contains("--start"), "{shown}");
    let dated = ["replay", "demo:apartments", "-", "--start", "2027-03-01T00:00"];
    let shown = text(&with_input(here.path(), &dated, csv).stdout);
    assert!(shown.contains("Alarms: none"), "{shown}");
}

#[test]
fn every_evidence_file_is_written_and_named() {
    let here = folder();
    let output = bedkeeper(
        here.path(),
        &[
            "replay",
            "demo:house",
            "demo:house",
            "--html",
            "r.html",
            "--csv",
            "r.csv",
            "--vcd",
            "r.vcd",
            "--journal",
            "r.txt",
        ],
    );
    let shown = text(&output.stdout);
    for (what, file) in [("report", "r.html"), ("table", "r.csv"), ("waveforms", "r.vcd"), ("journal", "r.txt")] {
        assert!(shown.contains(&format!("{what} written to")), "{shown}");
        assert!(std::fs::metadata(here.path().join(file)).is_ok_and(|m| m.len() > 0), "{file}");
    }
    let table = std::fs::read_to_string(here.path().join("r.csv")).expect("the table");
    let json = bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--json"]).stdout;
    let value: serde_json::Value = serde_json::from_slice(&json).expect("JSON");
    assert_eq!(table.lines().count(), 1 + value["regenerations"].as_array().map_or(0, Vec::len));
    let journal = std::fs::read_to_string(here.path().join("r.txt")).expect("the journal");
    assert!(journal.contains("tank 1 begins to regenerate: reserve"), "{journal}");
    refused(
        &bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--csv", "no/such/folder.csv"]),
        &["no/such/folder.csv", "cannot be written"],
    );
}

#[test]
fn no_output_overwrites_an_input_or_another_output() {
    let here = folder();
    let (site, csv) = (include_str!("../demo/house.toml"), "# pulse volume 1 L\nt_s,pulses\n60,1\n");
    std::fs::create_dir(here.path().join("sub")).expect("a folder");
    let untouched = || {
        std::fs::write(here.path().join("site.toml"), site).expect("a file");
        std::fs::write(here.path().join("pulses.csv"), csv).expect("a file");
    };
    untouched();
    let cases: &[(&[&str], &[&str])] = &[
        (&["--journal", "pulses.csv"], &["--journal", "overwrite the recording"]),
        (&["--csv", "sub/../site.toml"], &["--csv", "overwrite the site"]),
        (&["--csv", "one", "--vcd", "./one"], &["--csv and --vcd both write ./one"]),
        (&["--json", "--html", "-"], &["--json and --html both write standard output"]),
        (&["--journal", "-", "--vcd", "-"], &["standard output"]),
    ];
    for (options, words) in cases {
        let args = [&["replay", "site.toml", "pulses.csv"][..], options].concat();
        refused(&bedkeeper(here.path(), &args), words);
        let read = |name: &str| std::fs::read_to_string(here.path().join(name)).expect("a file");
        assert!(read("site.toml") == site && read("pulses.csv") == csv, "{options:?}");
        assert!(!here.path().join("one").exists(), "{options:?}");
    }
}

/// A run that fails leaves what an earlier one wrote, and one that succeeds leaves none of it.
#[test]
fn an_earlier_report_stays_until_there_is_a_new_one() {
    let here = folder();
    let long = "x".repeat(1_000_000);
    let page = here.path().join("r.html");
    std::fs::write(&page, &long).expect("a file");
    std::fs::write(here.path().join("back.csv"), "t_s,pulses\n10,1\n9,1\n").expect("a file");
    refused(&bedkeeper(here.path(), &["replay", "demo:house", "back.csv", "--html", "r.html"]), &["back.csv:3"]);
    assert_eq!(std::fs::read_to_string(&page).expect("the old one"), long);
    let output = bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--html", "r.html"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let new = std::fs::read_to_string(&page).expect("the new one");
    assert!(!new.contains("xxx") && new.trim_end().ends_with("</html>"));
}

#[test]
fn an_output_can_be_standard_output_alone() {
    let here = folder();
    let output = bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--csv", "-"]);
    let shown = text(&output.stdout);
    assert!(shown.starts_with("tank,cause,") && !shown.contains("Regenerations"), "{shown}");
    assert_eq!(shown.lines().count(), 5);

    // Whoever closes the pipe has seen enough.
    let mut child = command(here.path(), &["replay", "demo:house", "demo:house", "--vcd", "-"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command runs");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!((output.status.code(), text(&output.stderr).as_str()), (Some(0), ""));
}

/// T1: a date that the logic would not believe is refused, so that no run without a clock looks like one with it.
#[test]
fn a_start_that_no_clock_shows_is_refused() {
    let here = folder();
    for start in ["1999-12-31T23:59", "2100-01-01T00:00"] {
        let output = bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--start", start]);
        refused(&output, &[&start[..4], "2000 to 2099", "--start"]);
    }
    for start in ["2000-01-01T00:00", "2099-01-01T00:00"] {
        let output = bedkeeper(here.path(), &["replay", "demo:house", "demo:house", "--start", start]);
        assert!(text(&output.stdout).contains("Alarms: none"), "{start}");
    }
}

/// A1, C2: what is expected next is a start, as the hour and the backup day have it, not only a request.
#[test]
fn the_next_regeneration_is_the_one_that_the_logic_would_begin() {
    let here = folder();
    let shown = text(&bedkeeper(here.path(), &["replay", "demo:house", "demo:house"]).stdout);
    let next = shown.lines().find(|line| line.contains("asks after another")).expect("what comes next");
    assert!(next.contains("begins to regenerate") && next.ends_with("2027-04-01 02:00:00"), "{next}");
    // In the blackout from 17:00 on it waits until 22:00.
    let shown = text(&bedkeeper(here.path(), &["replay", "demo:apartments", "demo:apartments"]).stdout);
    let next = shown.lines().find(|line| line.contains("asks after another")).expect("what comes next");
    assert!(next.contains("tank 1") && next.ends_with("2027-03-15 22:00:00"), "{next}");
}

#[test]
fn the_last_pulses_are_decided_on() {
    let here = folder();
    // 30 000 L at once: past all that a tank can treat.
    let csv = b"# t_s = seconds since 2027-03-01 00:00\nt_s,pulses\n600,3000\n";
    let shown = text(&with_input(here.path(), &["replay", "demo:apartments", "-"], csv).stdout);
    assert!(shown.contains("overrun") && shown.contains("waits already"), "{shown}");
}

#[test]
fn names_do_not_steer_the_terminal() {
    let here = folder();
    let site = include_str!("../demo/house.toml").replace("House (invented)", "House \\u001b[31m(invented)");
    std::fs::write(here.path().join("site.toml"), site).expect("a file");
    let shown = text(&bedkeeper(here.path(), &["replay", "site.toml", "demo:house"]).stdout);
    assert!(!shown.contains('\u{1b}') && shown.contains("(invented)"), "{shown}");
    // A direction of reading steers it too, and a scenario's title; also where the file is at fault.
    let name = "House \\u001b[31m\u{202e}(invented)";
    let site = include_str!("../demo/house.toml").replace("House (invented)", name);
    std::fs::write(here.path().join("site.toml"), &site).expect("a file");
    std::fs::write(here.path().join("bad.toml"), site.replace("volume = \"25 L\"", "volume = \"\u{202e}25 L\""))
        .expect("a file");
    let missed = "scenario = \"\u{202e}A \\u001b[31mtitle\"\nlasts = \"1 day\"\nsite = \"site.toml\"\n[[expect]]\ncount = 9\nstarted = \"any\"\n";
    std::fs::write(here.path().join("missed.toml"), missed).expect("a file");
    for args in [
        &["replay", "site.toml", "demo:house"][..],
        &["size", "site.toml"],
        &["size", "bad.toml"],
        &["why", "site.toml", "demo:house", "--at", "day 2 03:00"],
        &["verify", "missed.toml"],
        &["explore", "site.toml", "--families", "water", "--states", "10"],
    ] {
        let output = bedkeeper(here.path(), args);
        let shown = text(&output.stdout) + &text(&output.stderr);
        assert!(
            shown.contains("(invented)") || shown.contains("title") || shown.contains("???25 L"),
            "{args:?}: {shown}"
        );
        assert!(!shown.chars().any(|c| (c.is_control() && c != '\n') || c == '\u{202e}'), "{args:?}: {shown:?}");
    }
}

/// Whoever closes standard error still gets the exit code.
#[cfg(unix)]
#[test]
fn errors_that_nobody_reads_are_errors() {
    let here = folder();
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    for args in [&["size", "nowhere.toml"][..], &["verify", "nowhere.toml"], &["replay", "nowhere.toml", "demo:house"]]
    {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
        command.current_dir(here.path()).args(args).stderr(writer.try_clone().expect("a pipe"));
        assert_eq!(command.status().expect("the command runs").code(), Some(2), "{args:?}");
    }
}

#[test]
fn a_search_of_nothing_is_refused() {
    let here = folder();
    for (option, value, right) in [
        ("--depth", "0", "give 1 or more"),
        ("--states", "0", "give 1 or more"),
        ("--budget", "0s", "such as \"60 s\""),
    ] {
        let output = bedkeeper(here.path(), &["explore", "demo:house", option, value]);
        assert_eq!(output.status.code(), Some(2), "{option}");
        assert!(text(&output.stderr).contains(right), "{option}: {}", text(&output.stderr));
    }
}

#[test]
fn volumes_beyond_64_bits_are_not_cut() {
    let here = folder();
    let rows: String = (0..30).map(|day| format!("{},10000000\n", day * 86_400)).collect();
    let site = include_str!("../demo/apartments.toml").replace("pulse = \"10 L\"", "pulse = \"1 m3\"");
    std::fs::write(here.path().join("site.toml"), site).expect("a file");
    let csv = format!("# t_s = seconds since 2027-03-01 00:00\nt_s,pulses\n{rows}");
    let shown = text(&with_input(here.path(), &["replay", "site.toml", "-"], csv.as_bytes()).stdout);
    let hard = shown.lines().find(|line| line.contains("hard water delivered")).expect("hard water");
    let m3: u64 = hard.split_whitespace().nth(3).and_then(|m3| m3.parse().ok()).expect("a volume");
    assert!(hard.ends_with(" m3") && (299_999_000..300_000_000).contains(&m3), "{hard}");
}

#[test]
fn quiet_and_colour_do_as_they_say() {
    let here = folder();
    let args = ["replay", "demo:house", "demo:house", "--html", "r.html"];
    let quiet = text(&bedkeeper(here.path(), &[&args[..], &["--quiet"]].concat()).stdout);
    assert!(!quiet.contains("written to"), "{quiet}");
    let coloured = text(&bedkeeper(here.path(), &[&args[..], &["--color", "always"]].concat()).stdout);
    assert!(coloured.contains("\u{1b}[1m"));
    let us = text(&bedkeeper(here.path(), &[&args[..], &["--units", "us"]].concat()).stdout);
    assert!(us.contains(" gal") && us.contains(" lb"), "{us}");
    assert!(us.lines().any(|l| l.contains("metered") && l.contains("10507.000000000 L  (2776 gal)")), "{us}");
}

#[test]
fn completions_are_printed_for_every_shell() {
    let here = folder();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let output = bedkeeper(here.path(), &["completions", shell]);
        assert_eq!(output.status.code(), Some(0));
        assert!(text(&output.stdout).contains("replay"), "{shell}");
    }
}

#[test]
fn help_shows_examples_and_cautions() {
    let here = folder();
    let general = text(&bedkeeper(here.path(), &["--help"]).stdout);
    assert!(general.contains("mains voltage") && general.contains("licensed"), "{general}");
    let replay = text(&bedkeeper(here.path(), &["replay", "--help"]).stdout);
    assert!(replay.contains("bedkeeper replay site.toml"), "{replay}");
}

/// The bed alone answers with the keys that other tools read.
#[test]
fn the_bed_alone_answers_in_json() {
    let here = folder();
    let args = ["bed", "--plates", "5", "--dose", "160g/L", "--direction", "co", "--equilibrium", "--json"];
    let output = bedkeeper(here.path(), &args);
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    for key in ["direction", "plates", "dose_g_per_l", "cycles", "converged", "capacity_g_caco3_per_l", "bed_volumes"] {
        assert!(value.get(key).is_some(), "no {key}");
    }
    refused(&bedkeeper(here.path(), &["bed", "--dose", "nothing"]), &["dose"]);
}
