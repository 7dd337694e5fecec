//! `bedkeeper explore`: what it prints.
#![allow(missing_docs)]

use std::process::{Command, Output, Stdio};

fn explore(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.arg("explore").args(args).stdin(Stdio::null()).output().expect("the command runs")
}

#[test]
fn states_depth_and_properties_are_told() {
    let output =
        explore(&["demo:apartments", "--families", "drives,operators", "--together", "--states", "300", "--json"]);
    assert_eq!(output.status.code(), Some(0));
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(value["site"], "Apartments (invented)");
    assert_eq!(value["closed"], false);
    assert!(value["states"].as_u64() >= Some(300) && value["depth"].as_u64() > Some(1));
    assert!(value["seconds"].is_f64() && value["counterexamples"].as_array().is_some_and(Vec::is_empty));
    let properties = value["properties"].as_array().expect("a list");
    let always = || properties.iter().filter(|p| p["kind"] == "always");
    assert!(always().all(|p| p["holds"] == true) && always().any(|p| p["id"] == "S12"));
    assert!(properties.iter().any(|p| p["id"] == "S9" && p["kind"] == "eventually" && p["holds"] == true));
    assert_eq!(value["searches"][0]["families"], "drives+operators");
    assert!(properties.iter().any(|p| p["id"] == "duty:serving" && p["kind"] == "sometimes" && p["holds"] == true));
    assert!(properties.iter().any(|p| p["kind"] == "sometimes" && p["holds"] == false));
}

/// A search of a certain depth ends there, and is gone on with where it was stored.
#[test]
fn a_search_of_a_certain_depth_ends_there_and_is_gone_on_with() {
    let folder = tempfile::tempdir().expect("a folder");
    let stored = folder.path().display().to_string();
    for depth in ["4", "6"] {
        let output = explore(&["demo:house", "--families", "water", "--depth", depth, "--resume", &stored]);
        let shown = String::from_utf8(output.stdout).expect("UTF-8");
        assert!(shown.contains(&format!(", {depth} acts deep, ")) && shown.contains("not closed: "), "{shown}");
        assert!(shown.contains("always    S1"), "{shown}");
    }
    assert!(folder.path().join("water.explored").exists());
    assert_eq!(explore(&["nowhere.toml"]).status.code(), Some(2));
    assert_eq!(explore(&["demo:house", "--families", "fire"]).status.code(), Some(2));
}

/// The folder for what is found is made before anything is searched, and where it cannot be nothing is.
#[test]
fn the_folder_for_what_is_found_is_made_first() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("a/b").display().to_string();
    let output = explore(&["demo:house", "--families", "water", "--depth", "1", "--out", &out]);
    assert_eq!(output.status.code(), Some(0));
    assert!(std::path::Path::new(&out).is_dir());
    let file = folder.path().join("file");
    std::fs::write(&file, "").expect("written");
    let below = file.join("found").display().to_string();
    let output = explore(&["demo:house", "--families", "water", "--depth", "1", "--out", &below]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    let said = String::from_utf8(output.stderr).expect("UTF-8");
    assert!(said.contains(&below) && said.contains("cannot be made") && said.contains("--out"), "{said}");
}

fn site(name: &str) -> String {
    format!("{}/../tests/sites/explored/{name}.toml", env!("CARGO_MANIFEST_DIR"))
}

/// A rule holds only where no state is left, and one that nothing can break here says why; families named twice are searched
/// once, and with no fault in a life none is told of.
#[test]
fn what_is_said_of_a_rule_is_no_more_than_what_was_seen() {
    let said = |args: &[&str]| String::from_utf8(explore(args).stdout).expect("UTF-8");
    let alone = site("alone");
    let closed = said(&[&alone, "--families", "drives,water,drives", "--faults", "0"]);
    assert!(closed.contains("  always    S7                     holds\n"), "{closed}");
    assert!(closed.contains("  always    S4                     holds: the site has no windows\n"), "{closed}");
    assert_eq!(closed.matches("  drives-0 ").count(), 1, "{closed}");
    assert!(closed.contains("with no fault in a life") && !closed.contains("stalls"), "{closed}");
    let open = said(&[&site("night"), "--families", "water", "--depth", "2"]);
    assert!(open.contains("  always    S4                     not seen broken\n"), "{open}");
    assert!(!open.contains(" holds\n"), "{open}");
}

/// With --resume an interrupted search is stored, and tells what was not begun; without it it ends as usual.
#[cfg(unix)]
#[test]
fn an_interrupted_search_is_stored_and_gone_on_with() {
    use std::os::unix::process::ExitStatusExt;
    use std::time::Duration;

    let folder = tempfile::tempdir().expect("a folder");
    let stored = folder.path().join("operators.explored");
    let pair = site("pair");
    let searched = [pair.as_str(), "--families", "operators,power", "--budget", "10 min", "--out"];
    let interrupted = |resume: bool, signal: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
        command.arg("explore").args(searched).arg(folder.path()).stdin(Stdio::null());
        if resume {
            command.arg("--resume").arg(folder.path());
        }
        let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the command runs");
        // A new search is stored when it begins.
        while resume && !stored.exists() {
            std::thread::sleep(Duration::from_millis(20));
        }
        std::thread::sleep(Duration::from_millis(500));
        let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().expect("kill runs");
        assert!(sent.success());
        child.wait_with_output().expect("it ends")
    };
    let output = interrupted(true, "-INT");
    let said = String::from_utf8(output.stdout).expect("UTF-8");
    assert_eq!(output.status.code(), Some(130), "{said}");
    assert!(said.contains("  power      not begun\n") && said.contains("interrupted; stored in "), "{said}");
    let states = |said: &str| {
        let line = said.lines().find(|line| line.starts_with("  operators ")).map(str::to_owned);
        line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok()).expect("a number of states")
    };
    let resumed = explore(&[
        &pair,
        "--families",
        "operators",
        "--states",
        "1",
        "--resume",
        folder.path().to_str().expect("UTF-8"),
    ]);
    assert!(states(&said) > 1);
    assert_eq!(states(&String::from_utf8(resumed.stdout).expect("UTF-8")), states(&said));
    // Whoever runs this test in the background may ignore the one of Ctrl-C.
    assert_eq!(interrupted(false, "-TERM").status.signal(), Some(15));
}
