//! The rules, and which test stands behind which.
//!
//! The rules' text is part of the program. A test cites rules in the doc comment above it, `/// S4, C5: what it shows`,
//! a scenario at the beginning of what it is about, `about = "S4, C5: what it shows"`; they are looked for in the
//! source tree.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Serialize;

/// The text of `docs/rules.md` as it was when this program was built.
pub const TEXT: &str = include_str!("../../docs/rules.md");
/// How many tests a safety rule needs, so that it is seen from several sides.
pub const TESTS_OF_A_SAFETY_RULE: usize = 3;

/// One rule of `docs/rules.md`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Rule {
    /// Its number, such as `S4`.
    pub id: String,
    /// What it says.
    pub text: String,
}

/// A test that cites a rule.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
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

impl Rule {
    /// How many tests it needs at least.
    #[must_use]
    pub fn tests_needed(&self) -> usize {
        if self.id.starts_with('S') { TESTS_OF_A_SAFETY_RULE } else { 1 }
    }
}

impl Coverage {
    /// Rules with fewer tests than they need.
    pub fn thin(&self) -> impl Iterator<Item = &(Rule, Vec<Citation>)> {
        self.rules.iter().filter(|(rule, tests)| tests.len() < rule.tests_needed())
    }
}

/// The folders whose tests count.
const FOLDERS: &[&str] = &["firmware", "sim-host", "tests"];

/// The source tree that this program was built from, if it is still there.
#[must_use]
pub fn source_tree() -> Option<PathBuf> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent()?.to_path_buf();
    top.join("docs/rules.md").is_file().then_some(top)
}

/// The rules with every citation of them in a source tree.
///
/// # Errors
/// A file of the tree cannot be read.
pub fn coverage(top: &Path) -> std::io::Result<Coverage> {
    let mut cited: BTreeMap<String, Vec<Citation>> = BTreeMap::new();
    for folder in FOLDERS {
        let mut files = Vec::new();
        sources(&top.join(folder), &mut files)?;
        files.sort();
        for file in files {
            let name = file.strip_prefix(top).unwrap_or(&file).display().to_string();
            let text = std::fs::read_to_string(&file)?;
            let is_scenario = file.extension().is_some_and(|e| e == "toml");
            let found = if is_scenario { scenario_citations(&name, &text) } else { citations(&name, &text) };
            for (id, citation) in found {
                cited.entry(id).or_default().push(citation);
            }
        }
    }
    let mut coverage = Coverage::default();
    for rule in rules(TEXT) {
        let tests = cited.remove(&rule.id).unwrap_or_default();
        coverage.rules.push((rule, tests));
    }
    for (id, tests) in cited {
        coverage.unknown.extend(tests.into_iter().map(|test| (id.clone(), test)));
    }
    Ok(coverage)
}

/// The rules in a text: list items that begin with a number such as `S4`, with the lines that go on with them.
#[must_use]
pub fn rules(text: &str) -> Vec<Rule> {
    let mut rules: Vec<Rule> = Vec::new();
    let mut goes_on = false;
    for line in text.lines() {
        if let Some(more) = line.strip_prefix("  ").filter(|_| goes_on) {
            if let Some(rule) = rules.last_mut() {
                rule.text.push(' ');
                rule.text.push_str(more.trim());
            }
            continue;
        }
        let item = line.strip_prefix("- ").and_then(|item| item.split_once(' '));
        let rule = item.filter(|(id, _)| is_id(id));
        goes_on = rule.is_some();
        rules.extend(rule.map(|(id, text)| Rule { id: id.to_owned(), text: text.to_owned() }));
    }
    rules
}

/// A capital letter and a number.
fn is_id(text: &str) -> bool {
    let mut letters = text.chars();
    letters.next().is_some_and(|c| c.is_ascii_uppercase()) && text.len() > 1 && letters.all(|c| c.is_ascii_digit())
}

/// The numbers at the beginning of a sentence such as "S4, C5: what it shows".
fn cited(sentence: &str) -> impl Iterator<Item = &str> {
    let head = sentence.trim().split_once(':').map_or("", |(head, _)| head);
    head.split([',', ' ']).filter(|word| is_id(word))
}

/// Every citation in a scenario file.
#[must_use]
pub fn scenario_citations(file: &str, text: &str) -> Vec<(String, Citation)> {
    let field = |name: &str| {
        let mut lines = (1..).zip(text.lines());
        lines.find_map(|(number, line)| {
            let value = line.strip_prefix(name)?.trim_start().strip_prefix('=')?.trim();
            Some((number, value.trim_matches('"').to_owned()))
        })
    };
    let (Some((_, title)), Some((line, about))) = (field("scenario"), field("about")) else { return Vec::new() };
    let citation = Citation { file: file.to_owned(), line, test: title };
    cited(&about).map(|id| (id.to_owned(), citation.clone())).collect()
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
            ids.extend(cited(comment).map(str::to_owned));
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

/// Rust sources, and scenarios.
fn sources(folder: &Path, files: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            if path.file_name().is_some_and(|name| name != "target") {
                sources(&path, files)?;
            }
        } else if path.extension().is_some_and(|e| e == "rs" || e == "toml") {
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
        let found = rules("# Title\n- S1 At most\n  one.\n\n- not a rule\n  of ours\n- T12 Late.\n");
        let found: Vec<_> = found.iter().map(|r| (r.id.as_str(), r.text.as_str())).collect();
        assert_eq!(found, [("S1", "At most one."), ("T12", "Late.")]);
    }

    #[test]
    fn a_scenario_cites_in_what_it_is_about() {
        let text = "# A note\nscenario = \"A night\"\nabout = \"S4, C5: quiet: in the evening\"\n";
        let found: Vec<_> =
            scenario_citations("a.toml", text).into_iter().map(|(id, c)| (id, c.test, c.line)).collect();
        assert_eq!(found, [("S4".to_owned(), "A night".to_owned(), 3), ("C5".to_owned(), "A night".to_owned(), 3)]);
        assert_eq!(scenario_citations("site.toml", "about = \"S4: a site\"\n"), []);
    }
}
