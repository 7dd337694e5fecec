//! A site with changes laid over it, so that many scenarios can share one site file.
//!
//! Both texts are read as one, the site's first, so that each value still knows where it was written.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use crate::diagnostic::Finding;
use crate::site::Site;
use crate::site::reader::Reader;

/// A site file's text with the text of the file that changes it.
pub struct Layers {
    /// Where the other text begins in both together.
    shift: usize,
    /// Both.
    both: String,
}

/// What reading a changed site found: in the site file, and in the file that changes it.
pub type Found = (Vec<Finding>, Vec<Finding>);

impl Layers {
    /// The two texts.
    pub fn new(below: &str, above: &str) -> Self {
        Self { shift: below.len() + 1, both: format!("{below}\n{above}") }
    }

    /// One text that holds both the site and what changes it.
    pub fn within(text: &str) -> Self {
        Self { shift: 0, both: text.to_owned() }
    }

    /// Reads the site with tables laid over it, the later over the earlier; `from` is the path of the last one.
    ///
    /// # Errors
    /// What is wrong, in each of the files.
    pub fn read(&self, table: &DeTable<'_>, over: &[&DeTable<'_>], from: &str) -> Result<Site, Found> {
        let mut merged = table.clone();
        for above in over {
            lay(&mut merged, above, self.shift);
        }
        let mut reader = Reader::new(&self.both);
        let root = reader.root(&merged);
        let site = crate::site::read_site(&mut reader, root);
        let (mut in_site, mut in_changes) = (Vec::new(), Vec::new());
        for mut finding in reader.into_findings() {
            match finding.span.clone() {
                Some(span) if span.start >= self.shift => {
                    finding.span = Some(span.start - self.shift..span.end - self.shift);
                    finding.field =
                        if finding.field.is_empty() { from.to_owned() } else { format!("{from}.{}", finding.field) };
                    in_changes.push(finding);
                }
                _ => in_site.push(finding),
            }
        }
        match site {
            Some(site) if in_site.is_empty() && in_changes.is_empty() => Ok(site),
            _ => Err((in_site, in_changes)),
        }
    }
}

/// Lays a table over another: sections are merged, all else is replaced.
fn lay<'d>(below: &mut DeTable<'d>, above: &DeTable<'d>, shift: usize) {
    for (key, value) in above {
        let name: &str = key.get_ref();
        let both = match (below.get_mut(name), value.get_ref()) {
            (Some(known), DeValue::Table(above)) => match known.get_mut() {
                DeValue::Table(known) => {
                    lay(known, above, shift);
                    true
                }
                _ => false,
            },
            _ => false,
        };
        if !both {
            below.remove(name);
            let key = Spanned::new(moved(key.span(), shift), key.get_ref().clone());
            below.insert(key, shifted(value, shift));
        }
    }
}

fn moved(span: Range<usize>, shift: usize) -> Range<usize> {
    span.start + shift..span.end + shift
}

/// The same value with its place moved.
fn shifted<'d>(value: &Spanned<DeValue<'d>>, shift: usize) -> Spanned<DeValue<'d>> {
    let inner = match value.get_ref() {
        DeValue::Array(items) => {
            let mut moved = DeArray::new();
            for item in items {
                moved.push(shifted(item, shift));
            }
            DeValue::Array(moved)
        }
        DeValue::Table(table) => {
            let mut moved = DeTable::new();
            lay(&mut moved, table, shift);
            DeValue::Table(moved)
        }
        other => other.clone(),
    };
    Spanned::new(moved(value.span(), shift), inner)
}
