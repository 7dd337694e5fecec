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
