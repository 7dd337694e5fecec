//! What came of each change: a table that is kept, and a page that is made of it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::SAMPLE;
use crate::tree::Mutant;
use bedkeeper_tests::files::{put, put_between};

/// What came of one.
#[derive(Clone, Debug, Default)]
pub struct Row {
    pub outcome: String,
    pub seconds: f64,
    pub remark: String,
}

type Rows = BTreeMap<String, Row>;

/// What came of those that have gone through, and where it is kept.
pub struct Kept {
    pub root: PathBuf,
    pub rows: Rows,
}

impl Kept {
    fn path(root: &Path) -> PathBuf {
        root.join("tests/mutants/outcomes.tsv")
    }

    pub fn read(root: &Path) -> Result<Self, String> {
        let path = Self::path(root);
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        let mut rows = Rows::new();
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let mut parts = line.split('\t');
            let (Some(outcome), Some(seconds), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
                return Err(format!("{}: `{line}` has not its columns", path.display()));
            };
            let seconds = seconds.parse().map_err(|_| format!("{}: `{seconds}` is no number", path.display()))?;
            let remark = parts.next().unwrap_or_default().to_owned();
            rows.insert(key.to_owned(), Row { outcome: outcome.to_owned(), seconds, remark });
        }
        Ok(Self { root: root.to_owned(), rows })
    }

    pub fn note(&mut self, key: &str, outcome: &str, seconds: f64) -> Result<(), String> {
        let row = self.rows.entry(key.to_owned()).or_default();
        row.outcome = outcome.to_owned();
        row.seconds = seconds;
        if outcome != "missed" {
            row.remark.clear();
        }
        let mut text = "# outcome, seconds, change, remark\n".to_owned();
        for (key, row) in &self.rows {
            let _ = writeln!(text, "{}\t{:.1}\t{key}\t{}", row.outcome, row.seconds, row.remark);
        }
        put(&Self::path(&self.root), text.as_bytes())
    }

    /// What has been seen so far, as a page: the sample, which was drawn by chance, and all.
    pub fn page(&self, all: &[Mutant]) -> Result<(), String> {
        let sample = &all[..SAMPLE.min(all.len())];
        let mut made =
            "| | changes | gone through | do not build | build | noticed | of them stopped | not noticed |\n"
                .to_owned();
        made.push_str("|---|---|---|---|---|---|---|---|\n");
        let mut missed = Vec::new();
        for (name, mutants) in [("the sample", sample), ("all", all)] {
            let seen: Vec<_> = mutants.iter().filter_map(|mutant| self.rows.get_key_value(&mutant.key)).collect();
            let count = |outcome: &str| seen.iter().filter(|(_, row)| row.outcome == outcome).count();
            let noticed = count("caught") + count("timeout");
            let viable = noticed + count("missed");
            let share = noticed as f64 * 100.0 / viable.max(1) as f64;
            let _ = writeln!(
                made,
                "| {name} | {} | {} | {} | {viable} | {noticed} (**{share:.1} %**) | {} | {} |",
                mutants.len(),
                seen.len(),
                count("unviable"),
                count("timeout"),
                count("missed")
            );
            missed = seen.into_iter().filter(|(_, row)| row.outcome == "missed").collect();
        }
        missed.sort_by_key(|(key, _)| *key);
        made.push_str("\n| not noticed | why |\n|---|---|\n");
        for (key, row) in missed {
            let why = if row.remark.is_empty() { "not looked at yet" } else { &row.remark };
            let _ = writeln!(made, "| `{}` | {why} |", key.replace('|', "\\|"));
        }
        put_between(&self.root.join("docs/mutants.md"), "outcomes", |_| made)
    }
}
