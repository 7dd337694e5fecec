//! Rules broken on purpose: each patch of `breakages/` breaks one in a copy of the tree, and the scenarios named beside it
//! in `breakages/table.toml` must then miss what they expect.
//!
//! A patch file is a sentence (the rule, and how it is broken), an empty line and a unified diff of one file. Nothing in
//! the code knows of it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// One rule broken.
#[derive(Clone, Debug)]
pub struct Breakage {
    /// Its file's name without `.patch`.
    pub name: String,
    /// The rule, and how it is broken.
    pub about: String,
    /// The file that it changes, from the root of the tree.
    pub file: PathBuf,
    /// The scenarios that must miss what they expect: `A/taking_turns` for `tests/scenarios/A/taking_turns.toml`.
    pub scenarios: Vec<String>,
    diff: String,
}

impl Breakage {
    /// The file's text with the rule broken.
    ///
    /// # Errors
    /// The patch does not fit the text.
    pub fn applied_to(&self, text: &str) -> Result<String, String> {
        let named = |error: &dyn std::fmt::Display| format!("{}.patch: {error}", self.name);
        let patch = diffy::Patch::from_str(&self.diff).map_err(|error| named(&error))?;
        diffy::apply(text, &patch).map_err(|error| named(&error))
    }
}

/// The folder of the patches below the root of a tree.
#[must_use]
pub fn folder(root: &Path) -> PathBuf {
    root.join("tests/breakages")
}

/// A broken rule that exploring is to find.
#[derive(Clone, Debug)]
pub struct Hunt {
    /// The rule broken.
    pub breakage: Breakage,
    /// The site in which it is looked for: `pair` for `tests/sites/explored/pair.toml`.
    pub site: String,
    /// The family of what goes wrong; several that are searched together with `+` between them.
    pub family: String,
    /// So many faults has a life, at the most.
    pub faults: u8,
    /// So many states are looked at, at the most.
    pub states: u64,
}

/// A line of the table of hunts.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct HuntLine {
    site: String,
    family: String,
    faults: u8,
    states: u64,
}

/// Every broken rule that exploring is to find, in order of their names: those of `tests/explored/table.toml`, whose patches
/// lie in that folder or among the breakages.
///
/// # Errors
/// As [`load`].
pub fn hunts(root: &Path) -> Result<Vec<Hunt>, String> {
    let folder = root.join("tests/explored");
    let unreadable = |path: &Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let table_path = folder.join("table.toml");
    let table = std::fs::read_to_string(&table_path).map_err(|error| unreadable(&table_path, &error))?;
    let table: BTreeMap<String, HuntLine> = toml::from_str(&table).map_err(|error| unreadable(&table_path, &error))?;
    let known = load(root)?;
    let own = patches(&folder)?;
    let mut hunts = Vec::new();
    for (name, HuntLine { site, family, faults, states }) in table {
        let found = own.iter().chain(&known).find(|breakage| breakage.name == name).cloned();
        let breakage = found.ok_or_else(|| unreadable(&table_path, &format!("`{name}` has no patch")))?;
        hunts.push(Hunt { breakage, site, family, faults, states });
    }
    match own.iter().find(|breakage| !hunts.iter().any(|hunt| hunt.breakage.name == breakage.name)) {
        Some(unnamed) => Err(unreadable(&table_path, &format!("does not name `{}`", unnamed.name))),
        None => Ok(hunts),
    }
}

/// Every breakage, in order of their names.
///
/// # Errors
/// A patch that cannot be read or is none; a table that names another.
pub fn load(root: &Path) -> Result<Vec<Breakage>, String> {
    let folder = folder(root);
    let unreadable = |path: &Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let table_path = folder.join("table.toml");
    let table = std::fs::read_to_string(&table_path).map_err(|error| unreadable(&table_path, &error))?;
    let mut table: BTreeMap<String, Vec<String>> =
        toml::from_str(&table).map_err(|error| unreadable(&table_path, &error))?;
    let mut all = patches(&folder)?;
    for breakage in &mut all {
        breakage.scenarios = table.remove(&breakage.name).unwrap_or_default();
    }
    if let Some(unknown) = table.keys().next() {
        return Err(unreadable(&table_path, &format!("`{unknown}` has no patch")));
    }
    Ok(all)
}

/// The patches of a folder, in order of their names.
fn patches(folder: &Path) -> Result<Vec<Breakage>, String> {
    let unreadable = |path: &Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let mut all = Vec::new();
    let entries = std::fs::read_dir(folder).map_err(|error| unreadable(folder, &error))?;
    for entry in entries {
        let path = entry.map_err(|error| unreadable(folder, &error))?.path();
        if path.extension().is_none_or(|extension| extension != "patch") {
            continue;
        }
        let name = path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
        let text = std::fs::read_to_string(&path).map_err(|error| unreadable(&path, &error))?;
        let (about, diff) = text.split_once("\n\n").ok_or_else(|| unreadable(&path, &"no sentence before the diff"))?;
        let file = diff
            .lines()
            .find_map(|line| line.strip_prefix("+++ b/"))
            .ok_or_else(|| unreadable(&path, &"no line \"+++ b/FILE\""))?;
        let (about, file, diff) = (about.to_owned(), PathBuf::from(file.trim()), diff.to_owned());
        all.push(Breakage { name, about, file, scenarios: Vec::new(), diff });
    }
    all.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(all)
}

/// The scenarios of a tree by the names that the table uses.
///
/// # Errors
/// The folder cannot be read.
pub fn scenarios(root: &Path) -> Result<Vec<String>, String> {
    let folder = root.join("tests/scenarios");
    let files = bedkeeper_sim::scenario::files(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let name = |file: &PathBuf| {
        let inner = file.strip_prefix(&folder).unwrap_or(file).with_extension("");
        inner.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect::<Vec<_>>().join("/")
    };
    Ok(files.iter().map(name).collect())
}
