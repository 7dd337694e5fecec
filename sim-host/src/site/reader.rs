//! Walks a parsed TOML document: every fault becomes a finding with its place, and reading goes on.
//!
//! Sections are asked for their keys; whatever was never asked for is unknown in the end. A key that is missing while a
//! misspelt one stands beside it counts as one fault, not two.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::diagnostic::Finding;
use crate::quantity::units::nearest_name;

/// A value as it stands in the document.
pub(crate) type Value<'d> = Spanned<DeValue<'d>>;

/// What reading a document has found so far.
pub(crate) struct Reader<'d> {
    source: &'d str,
    findings: Vec<Finding>,
    missing: Vec<Finding>,
    places: BTreeMap<String, Range<usize>>,
    failed: BTreeSet<String>,
    read: Vec<Section<'d>>,
}

/// One table of the document, or the fact that there is none.
pub(crate) struct Section<'d> {
    /// Dotted path, such as `blackout[2]`; empty for the document itself.
    path: String,
    table: Option<&'d DeTable<'d>>,
    /// It stands there but is no table: what is missing in it is no news.
    broken: bool,
    known: Vec<&'static str>,
}

/// A key that is given, with its value.
pub(crate) struct Entry<'d> {
    pub path: String,
    pub value: &'d Value<'d>,
}

impl<'d> Reader<'d> {
    pub fn new(source: &'d str) -> Self {
        Self {
            source,
            findings: Vec::new(),
            missing: Vec::new(),
            places: BTreeMap::new(),
            failed: BTreeSet::new(),
            read: Vec::new(),
        }
    }

    /// The document itself as a section.
    pub fn root(&self, table: &'d DeTable<'d>) -> Section<'d> {
        Section { path: String::new(), table: Some(table), broken: false, known: Vec::new() }
    }

    /// The text that stands at a place.
    pub fn written(&self, span: Range<usize>) -> &'d str {
        self.source.get(span).unwrap_or_default()
    }

    /// Where a path stands, if it is given.
    pub fn place(&self, path: &str) -> Option<Range<usize>> {
        self.places.get(path).cloned()
    }

    /// Whether anything at or below one of these paths could not be read.
    pub fn any_failed(&self, prefixes: &[&str]) -> bool {
        let below = |path: &str, prefix: &str| {
            path.strip_prefix(prefix).is_some_and(|rest| rest.is_empty() || rest.starts_with(['.', '[']))
        };
        let missing = self.missing.iter().map(|finding| finding.field.as_str());
        self.failed.iter().map(String::as_str).chain(missing).any(|path| {
            // A section that could not be read takes its keys with it.
            prefixes.iter().any(|prefix| below(path, prefix) || below(prefix, path))
        })
    }

    /// A fault at a place.
    pub fn fail_at(
        &mut self,
        span: Option<Range<usize>>,
        path: &str,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        self.failed.insert(path.to_owned());
        self.findings.push(Finding { span, field: path.to_owned(), message: message.into(), help: help.into() });
    }

    /// A fault of values that could be read, after which all others are still worth reporting.
    pub fn note(&mut self, span: Option<Range<usize>>, path: &str, message: String, help: String) {
        self.findings.push(Finding { span, field: path.to_owned(), message, help });
    }

    /// A fault of a key's value.
    pub fn fail(&mut self, entry: &Entry<'_>, message: impl Into<String>, help: impl Into<String>) {
        self.fail_at(Some(entry.value.span()), &entry.path, message, help);
    }

    /// A fault of the syntax, which no key is to blame for.
    pub fn fail_syntax(&mut self, span: Option<Range<usize>>, message: String, help: &str) {
        self.findings.push(Finding { span, field: String::new(), message, help: help.to_owned() });
    }

    /// All findings, by line.
    pub fn into_findings(mut self) -> Vec<Finding> {
        self.findings.append(&mut self.missing);
        // Stable, so that two findings at one place keep the order in which they were made.
        self.findings.sort_by_key(|finding| finding.span.as_ref().map_or(usize::MAX, |span| span.start));
        self.findings
            .dedup_by(|later, first| later.span.is_some() && later.span == first.span && first.field.is_empty());
        self.findings
    }

    /// Refuses every key that no one asked for. To be called once, after all sections are read.
    pub fn refuse_unknown(&mut self) {
        let read = std::mem::take(&mut self.read);
        for section in &read {
            let Some(table) = section.table else { continue };
            for key in table.keys() {
                let name: &str = key.get_ref();
                if !section.known.contains(&name) {
                    self.unknown(&read, section, table, name, key.span());
                }
            }
        }
    }

    fn unknown(
        &mut self,
        read: &[Section<'d>],
        section: &Section<'d>,
        table: &DeTable<'_>,
        name: &str,
        span: Range<usize>,
    ) {
        let (kind, message) = if section.path.is_empty() {
            ("sections", format!("unknown section or key `{name}`"))
        } else {
            ("keys", format!("unknown key `{name}`"))
        };
        let valid = format!("the {kind} here are {}", section.known.join(", "));
        let absent = section.known.iter().copied().filter(|known| table.get(*known).is_none());
        let help = if let Some(near) = nearest_name(name, absent) {
            let meant = section.child(near);
            self.missing.retain(|finding| finding.field != meant);
            self.failed.insert(meant);
            format!("did you mean `{near}`? {valid}")
        } else if let Some(near) = nearest_name(name, section.known.iter().copied()) {
            format!("`{near}` is given already, so remove this; {valid}")
        } else if let Some(home) = read.iter().find(|other| other.known.contains(&name) && !other.path.is_empty()) {
            format!("`{name}` belongs in [{}]; {valid}", home.path)
        } else {
            format!("remove it; {valid}")
        };
        let field = section.path.clone();
        self.findings.push(Finding { span: Some(span), field, message, help });
    }
}

impl<'d> Section<'d> {
    fn child(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// Whether the section is given.
    pub fn is_given(&self) -> bool {
        self.table.is_some() || self.broken
    }

    pub fn path(&self) -> &str {
        &self.path
    }

    /// A key, if it is given.
    pub fn optional(&mut self, r: &mut Reader<'d>, key: &'static str) -> Option<Entry<'d>> {
        self.known.push(key);
        let value = self.table?.get(key)?;
        let path = self.child(key);
        r.places.insert(path.clone(), value.span());
        Some(Entry { path, value })
    }

    /// A key that must be given, as in `example`; its section too.
    pub fn required(&mut self, r: &mut Reader<'d>, key: &'static str, example: &str) -> Option<Entry<'d>> {
        let entry = self.optional(r, key);
        if entry.is_none() && !self.broken {
            self.miss(r, key, example);
        }
        entry
    }

    /// Reports a key as missing.
    pub fn miss(&mut self, r: &mut Reader<'d>, key: &str, example: &str) {
        let line = format!("{key} = {example}");
        if self.table.is_some() {
            let field = self.child(key);
            let finding = Finding {
                span: r.place(&self.path),
                field,
                message: format!("`{key}` is missing"),
                help: format!("add `{line}`"),
            };
            r.missing.push(finding);
        } else if let Some(known) = r.missing.iter_mut().find(|finding| finding.field == self.path) {
            known.help.push_str(&format!(", `{line}`"));
        } else {
            r.missing.push(Finding {
                span: None,
                field: self.path.clone(),
                message: format!("the section [{}] is missing", self.path),
                help: format!("add [{}] with `{line}`", self.path),
            });
        }
    }

    /// Refuses a key that means nothing beside the others, if it is given.
    pub fn refuse(&mut self, r: &mut Reader<'d>, key: &'static str, because: &str) {
        if let Some(entry) = self.optional(r, key) {
            r.fail(&entry, format!("`{key}` has no meaning here: {because}"), "remove it");
        }
    }

    /// A table below this one, given or not.
    pub fn section(&mut self, r: &mut Reader<'d>, key: &'static str) -> Section<'d> {
        let entry = self.optional(r, key);
        let path = self.child(key);
        let mut section = Section { path, table: None, broken: false, known: Vec::new() };
        if let Some(entry) = entry {
            match entry.value.get_ref() {
                DeValue::Table(table) => section.table = Some(table),
                _ => {
                    section.broken = true;
                    let help = format!("write [{0}] on a line of its own, once, and its keys below", section.path);
                    r.fail(&entry, "must be a section", help);
                }
            }
        }
        section
    }

    /// The tables of a list below this one.
    pub fn sections(&mut self, r: &mut Reader<'d>, key: &'static str) -> Vec<Section<'d>> {
        let Some(entry) = self.optional(r, key) else { return Vec::new() };
        let help = format!("write [[{}]], with two brackets, above the keys of each", entry.path);
        let DeValue::Array(items) = entry.value.get_ref() else {
            r.fail(&entry, "must be a list of sections", help);
            return Vec::new();
        };
        let mut sections = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let path = format!("{}[{}]", entry.path, index + 1);
            match item.get_ref() {
                DeValue::Table(table) => {
                    r.places.insert(path.clone(), item.span());
                    sections.push(Section { path, table: Some(table), broken: false, known: Vec::new() });
                }
                _ => r.fail_at(Some(item.span()), &path, "must be a section", help.as_str()),
            }
        }
        sections
    }

    /// Ends reading the section.
    pub fn done(self, r: &mut Reader<'d>) {
        r.read.push(self);
    }
}

impl<'d> Entry<'d> {
    /// The value as a table of its own, if it is one.
    pub fn table(&self) -> Option<Section<'d>> {
        match self.value.get_ref() {
            DeValue::Table(table) => {
                Some(Section { path: self.path.clone(), table: Some(table), broken: false, known: Vec::new() })
            }
            _ => None,
        }
    }

    /// The value's items, if it is a list: each with its place in the list, from 1, in its path.
    pub fn items(&self) -> Option<Vec<Entry<'d>>> {
        let DeValue::Array(items) = self.value.get_ref() else { return None };
        let entry = |(index, value)| Entry { path: format!("{}[{}]", self.path, index + 1), value };
        Some(items.iter().enumerate().map(entry).collect())
    }
}
