//! Which test stands behind which rule.
//!
//! A test cites rules in the doc comment above it: `/// S4, C5: what it shows`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// One rule of `docs/rules.md`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rule {
    /// Its number, such as `S4`.
    pub id: String,
    /// Its first words.
    pub text: String,
}

/// A test that cites a rule.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Citation {
    /// File of the test, from the workspace's top.
    pub file: String,
    /// Line of the test's name.
    pub line: usize,
    /// Name of the test.
    pub test: String,
}

/// Rules with the tests that cite them, and citations of rules that do not exist.
#[derive(Clone, Debug, Default)]
pub struct Coverage {
    /// Every rule, in order, with its tests.
    pub rules: Vec<(Rule, Vec<Citation>)>,
    /// Citations of numbers that are no rule.
    pub unknown: Vec<(String, Citation)>,
}

/// The folders whose tests count.
const FOLDERS: &[&str] = &["firmware", "sim-host", "tests"];

/// The top of the workspace.
#[must_use]
pub fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map_or_else(PathBuf::new, Path::to_path_buf)
}

/// Reads the rules and every citation of them.
///
/// # Errors
/// A file of the workspace cannot be read.
pub fn coverage() -> std::io::Result<Coverage> {
    let top = top();
    let rules = rules(&std::fs::read_to_string(top.join("docs/rules.md"))?);
    let mut cited: BTreeMap<String, Vec<Citation>> = BTreeMap::new();
    for folder in FOLDERS {
        let mut files = Vec::new();
        rust_files(&top.join(folder), &mut files)?;
        files.sort();
        for file in files {
            let name = file.strip_prefix(&top).unwrap_or(&file).display().to_string();
            for (id, citation) in citations(&name, &std::fs::read_to_string(&file)?) {
                cited.entry(id).or_default().push(citation);
            }
        }
    }
    let mut coverage = Coverage::default();
    for rule in rules {
        let tests = cited.remove(&rule.id).unwrap_or_default();
        coverage.rules.push((rule, tests));
    }
    for (id, tests) in cited {
        coverage.unknown.extend(tests.into_iter().map(|test| (id.clone(), test)));
    }
    Ok(coverage)
}

/// The rules in a text: list items that begin with a number such as `S4`.
#[must_use]
pub fn rules(text: &str) -> Vec<Rule> {
    text.lines()
        .filter_map(|line| {
            let (id, rest) = line.strip_prefix("- ")?.split_once(' ')?;
            is_id(id).then(|| Rule { id: id.to_owned(), text: rest.to_owned() })
        })
        .collect()
}

/// A capital letter and a number.
fn is_id(text: &str) -> bool {
    let mut letters = text.chars();
    letters.next().is_some_and(|c| c.is_ascii_uppercase()) && text.len() > 1 && letters.all(|c| c.is_ascii_digit())
}

/// Every citation in a source text.
#[must_use]
pub fn citations(file: &str, source: &str) -> Vec<(String, Citation)> {
    let mut found = Vec::new();
    let mut ids: Vec<String> = Vec::new();
    let mut is_test = false;
    for (number, line) in source.lines().enumerate() {
        let line = line.trim();
        if let Some(comment) = line.strip_prefix("///") {
            if let Some((head, _)) = comment.trim().split_once(':') {
                ids.extend(head.split([',', ' ']).filter(|w| is_id(w)).map(str::to_owned));
            }
        } else if line.starts_with("#[") {
            is_test |= line.starts_with("#[test]");
        } else if let Some(rest) = line.strip_prefix("fn ") {
            let test = rest.split(['(', '<']).next().unwrap_or_default().to_owned();
            for id in ids.drain(..).filter(|_| is_test) {
                found.push((id, Citation { file: file.to_owned(), line: number + 1, test: test.clone() }));
            }
            is_test = false;
        } else if !line.is_empty() && !line.starts_with("//") {
            ids.clear();
            is_test = false;
        }
    }
    found
}

fn rust_files(folder: &Path, files: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            if path.file_name().is_some_and(|name| name != "target") {
                rust_files(&path, files)?;
            }
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn citations_are_found_above_tests_only() {
        let source = "/// S4, C5: holds.\n#[test]\nfn s4_holds() {}\n/// S1: no test\nfn helper() {}\n\
                      /// A plain sentence: nothing cited.\n#[test]\nfn other() {}\n";
        let found: Vec<_> = citations("f.rs", source).into_iter().map(|(id, c)| (id, c.test, c.line)).collect();
        assert_eq!(found, [("S4".to_owned(), "s4_holds".to_owned(), 3), ("C5".to_owned(), "s4_holds".to_owned(), 3)]);
    }

    #[test]
    fn rules_are_list_items_with_a_number() {
        let found = rules("# Title\n- S1 At most one.\n- not a rule\n- T12 Late.\n");
        let ids: Vec<_> = found.iter().map(|r| r.id.as_str()).collect();
        assert_eq!(ids, ["S1", "T12"]);
    }
}
