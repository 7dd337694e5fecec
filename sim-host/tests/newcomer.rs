//! The newcomer's path: every command of the README's "Five minutes", copied from there and run in an empty folder.
#![allow(missing_docs, clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;

const README: &str = include_str!("../../README.md");
const HEADING: &str = "## Five minutes";

/// The commands of the first block of code below the heading, without their remarks.
fn commands() -> Vec<Vec<String>> {
    let below = README.split(HEADING).nth(1).expect("the README has the heading");
    let block = below.split("```").nth(1).expect("a block of code below it");
    let joined = block.replace("\\\n", " ");
    joined.lines().map(words).filter(|words| !words.is_empty()).collect()
}

/// A line as a shell splits it: quotation marks keep words together, `#` begins a remark.
fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted, mut any) = (Vec::new(), String::new(), false, false);
    for c in line.chars() {
        match c {
            '"' => {
                quoted = !quoted;
                any = true;
            }
            '#' if !quoted && !any => break,
            c if c.is_whitespace() && !quoted => {
                if any {
                    words.push(std::mem::take(&mut word));
                }
                any = false;
            }
            c => {
                word.push(c);
                any = true;
            }
        }
    }
    assert!(!quoted, "a quotation mark is open in {line:?}");
    if any {
        words.push(word);
    }
    words
}

fn read(folder: &Path, name: &str) -> Vec<u8> {
    std::fs::read(folder.join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

#[test]
fn every_command_of_the_path_works_as_it_stands() {
    let folder = tempfile::tempdir().unwrap();
    let commands = commands();
    let verbs: Vec<_> = commands.iter().map(|words| words[1].as_str()).collect();
    assert_eq!(verbs, ["new", "size", "replay", "verify", "sheet", "pack"]);
    let mut said = Vec::new();
    for words in &commands {
        assert_eq!(words[0], "bedkeeper");
        let out =
            Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(&words[1..]).current_dir(&folder).output().unwrap();
        let (text, errors) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
        assert_eq!(out.status.code(), Some(0), "{words:?}\n{text}\n{errors}");
        said.push(text.into_owned());
    }
    let [new, size, replay, verify, sheet, pack] = said.as_slice() else { panic!("six commands") };
    // Each names the next, or what it is for.
    assert!(new.contains("bedkeeper size site.toml") && new.contains("bedkeeper verify site-rehearsal.toml"), "{new}");
    assert!(size.contains("volume between regenerations") && size.contains("certified by nobody"));
    assert!(replay.contains("Regenerations: ") && replay.contains("none seen broken"), "{replay}");
    assert!(verify.contains("met") && sheet.contains("settings hash"), "{verify}{sheet}");
    assert!(String::from_utf8(read(folder.path(), "report.html")).unwrap().trim_end().ends_with("</html>"));
    // The paper and the board speak of the same settings.
    let hash = pack.lines().next().unwrap().split("checksum ").nth(1).unwrap();
    assert!(String::from_utf8(read(folder.path(), "handover.html")).unwrap().contains(hash));
    let image = bedkeeper::image::Image::decode(&read(folder.path(), "settings.bkpr")).unwrap();
    assert!(image.settings().is_ok() && image.name == "House by the mill");
}

#[test]
fn words_are_split_as_a_shell_does() {
    assert_eq!(words("bedkeeper new \"a b\" --x=1  # remark \"c\""), ["bedkeeper", "new", "a b", "--x=1"]);
    assert!(words("   # nothing").is_empty() && words("").is_empty());
}
