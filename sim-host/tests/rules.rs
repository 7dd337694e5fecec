//! `bedkeeper rules`: the rules with their tests, and what is wrong with them.
#![allow(missing_docs)]

use std::path::Path;
use std::process::{Command, Output, Stdio};

fn bedkeeper(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
    command.args(args).stdin(Stdio::null()).output().expect("the command runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// A tree with one test that cites S7 and one scenario that cites C5.
fn tree(extra: &str) -> tempfile::TempDir {
    let tree = tempfile::tempdir().expect("a folder");
    for folder in ["firmware", "sim-host", "tests/scenarios"] {
        std::fs::create_dir_all(tree.path().join(folder)).expect("a folder");
    }
    let write = |name: &str, text: String| std::fs::write(tree.path().join(name), text).expect("a file");
    write("firmware/t.rs", format!("/// S7: rests.\n#[test]\nfn s7_rests() {{}}\n{extra}"));
    write("tests/scenarios/a.toml", "scenario = \"A night\"\nabout = \"C5: quiet.\"\n".to_owned());
    tree
}

fn rules(tree: &Path, args: &[&str]) -> (Option<i32>, String) {
    let source = tree.display().to_string();
    let output = bedkeeper(&[&["rules", "--source", &source], args].concat());
    (output.status.code(), text(&output.stdout))
}

#[test]
fn a_rule_is_shown_whole_with_its_tests_and_what_it_lacks() {
    let tree = tree("");
    let (code, shown) = rules(tree.path(), &["s7", "C5"]);
    assert_eq!(code, Some(1), "a safety rule needs three tests");
    for words in [
        "S7 A drive is never told two directions at once",
        "firmware/t.rs:3 s7_rests",
        "1 of at least 3 tests",
        "C5 Blackout windows: up to 8",
        "is not a new start.",
        "tests/scenarios/a.toml:2 A night",
        "1 of 2 rules have the tests they need",
    ] {
        assert!(shown.contains(words), "no {words:?} in:\n{shown}");
    }
    assert_eq!(rules(tree.path(), &["C5"]).0, Some(0));
}

#[test]
fn a_citation_of_no_rule_is_told() {
    let tree = tree("/// Z9: a rule of its own.\n#[test]\nfn z9() {}\n");
    let (code, shown) = rules(tree.path(), &["C5"]);
    assert_eq!(code, Some(1));
    assert!(shown.contains("Z9: no such rule, cited at firmware/t.rs:6 z9"), "{shown}");
    let (_, json) = rules(tree.path(), &["C5", "--json"]);
    let value: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(value["unknown"][0]["id"], "Z9");
    assert_eq!(value["rules"][0]["tests"][0]["test"], "A night");
}

#[test]
fn what_does_not_exist_is_refused() {
    let unknown = bedkeeper(&["rules", "S99"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(text(&unknown.stderr).contains("S99"));
    assert_eq!(bedkeeper(&["rules", "--source", "/nowhere/at/all"]).status.code(), Some(2));
}
