//! Lives by the seed: the same each time, written as scenarios that run as they were lived.
#![allow(missing_docs)]

use std::path::Path;
use std::process::Command;

use bedkeeper::duty::DutyKind;
use bedkeeper::units::TankId;
use bedkeeper_sim::scenario;
use bedkeeper_sim::swarm::{Found, Life, Stuck};

/// S1, S2, S5, S6, S8, S9, S12: a few lives of what goes wrong end well, and no rule is seen broken.
#[test]
fn a_few_lives_end_well() {
    let lives: Vec<_> = (0..3).filter_map(Life::invented).collect();
    assert!(!lives.is_empty());
    for life in lives {
        assert_eq!(life.live(), Found::Nothing, "seed {}", life.seed);
    }
}

/// A life is a scenario: what is written is read, and is met where nothing was found.
#[test]
fn a_life_is_a_scenario() {
    let life = Life::invented(1).expect("the site of this seed passes its check");
    let text = life.text(&Found::Nothing);
    assert_eq!(text, Life::invented(1).expect("again").text(&Found::Nothing), "the same seed is the same life");
    assert!(text.contains("[[event]]"), "{text}");
    let scenario =
        scenario::parse(Path::new("seed.toml"), &text).unwrap_or_else(|errors| panic!("{}", errors.render(false)));
    let verdict = scenario::run(&scenario).expect("it runs");
    assert!(verdict.is_met(), "{}", scenario::readable(&[verdict], str::to_owned));
}

/// S9: what is stuck is written as a scenario that is missed as long as it is.
#[test]
fn what_is_stuck_is_written_as_a_scenario_that_is_missed() {
    let life = Life::invented(1).expect("a site");
    let is_met = |text: &str| {
        let scenario =
            scenario::parse(Path::new("seed.toml"), text).unwrap_or_else(|errors| panic!("{}", errors.render(false)));
        scenario::run(&scenario).expect("it runs").is_met()
    };
    let tank = TankId(0);
    // A life of hardly any water, in whose last days nothing is asked for, misses that something started then.
    let text = life.text(&Found::Stuck(Stuck::Waits(tank, "invented".to_owned())));
    let from = text.find("\nper_day = ").expect("its water") + 1;
    let line = text[from..].lines().next().expect("a line");
    assert!(!is_met(&text.replace(line, "per_day = \"1 L\"")));
    // At its end its tank is at work, which is no fault here: it serves, and does not regenerate.
    assert!(!is_met(&life.text(&Found::Stuck(Stuck::Away(tank, DutyKind::Serving)))));
    assert!(is_met(&life.text(&Found::Stuck(Stuck::Endless(tank, DutyKind::Regenerating)))));
    assert!(is_met(&life.text(&Found::Stuck(Stuck::Unserved(3_600_000)))));
}

#[test]
fn the_command_tells_in_json() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    let command = command.args(["swarm", "demo:house", "--seeds", "1", "--json", "--out"]).arg(folder.path());
    let out = command.output().expect("runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let told: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert_eq!((told["seeds"].as_u64(), told["simulated_s"].as_u64()), (Some(1), Some(28 * 86_400)));
    assert_eq!(told["violations"].as_array().map(Vec::len), Some(0));
}

/// Seeds that there are not are refused, and so is nothing at all.
#[test]
fn seeds_that_there_are_not_are_refused() {
    let ran = |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
        let out = command.arg("swarm").args(args).output().expect("runs");
        (out.status.code(), String::from_utf8_lossy(&out.stderr).into_owned())
    };
    let (code, told) = ran(&["--seeds", "5", "--from", "18446744073709551615"]);
    assert!(code == Some(2) && told.contains("give --seeds 1 at the most"), "{told}");
    let (code, told) = ran(&["--seeds", "0"]);
    assert!(code == Some(2) && told.contains("0 is not in 1.."), "{told}");
    let folder = tempfile::tempdir().expect("a folder");
    let last = ["demo:house", "--seeds", "1", "--from", "18446744073709551615", "--out"];
    let (code, told) = ran(&[&last[..], &[&folder.path().display().to_string()]].concat());
    assert_eq!(code, Some(0), "{told}");
}

/// A life at a site of another drive, with windows, is read as it was written.
#[test]
fn a_varied_life_is_a_scenario() {
    let mut windows = 0;
    for seed in 0..16 {
        let text = Life::varied(seed).expect("the site of every seed passes its check").text(&Found::Nothing);
        let read = scenario::parse(Path::new("seed.toml"), &text);
        let scenario = read.unwrap_or_else(|errors| panic!("seed {seed}: {}", errors.render(false)));
        windows += usize::from(!scenario.site.settings.raw().windows.is_empty());
    }
    assert!(windows > 3, "{windows}");
}
