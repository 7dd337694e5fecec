//! Everything wrong with a site file.

use std::fmt;
use std::str::Utf8Error;

use super::LONGEST_SITE_BYTES;
use super::reader::Reader;
use crate::diagnostic::{Finding, render};

/// The most findings listed; more are counted.
const MOST_FINDINGS: usize = 50;

/// The faults of a site file, by line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SiteErrors {
    file: String,
    source: String,
    findings: Vec<Finding>,
}

impl SiteErrors {
    pub(crate) fn new(file: &str, source: &str, mut findings: Vec<Finding>) -> Self {
        let more = findings.len().saturating_sub(MOST_FINDINGS);
        if more > 0 {
            findings.truncate(MOST_FINDINGS);
            findings.push(whole_file(format!("and {more} more"), "mend these first".to_owned()));
        }
        Self { file: file.to_owned(), source: source.to_owned(), findings }
    }

    pub(crate) fn too_long(file: &str) -> Self {
        let message = format!("is longer than {} KiB", LONGEST_SITE_BYTES / 1024);
        Self::new(
            file,
            "",
            vec![whole_file(message, "a site file is a few KiB of TOML: is this another file?".to_owned())],
        )
    }

    pub(crate) fn unreadable(file: &str, error: &std::io::Error) -> Self {
        Self::unreadable_as(file, error, "give the path of a site file, or - for standard input")
    }

    /// The same of a file that is no site.
    pub(crate) fn unreadable_as(file: &str, error: &std::io::Error, help: &str) -> Self {
        Self::new(file, "", vec![whole_file(format!("cannot be read: {error}"), help.to_owned())])
    }

    pub(crate) fn no_text(file: &str, bytes: &[u8], error: Utf8Error) -> Self {
        let at = error.valid_up_to();
        let source = String::from_utf8_lossy(bytes.get(..at).unwrap_or_default()).into_owned() + "\u{fffd}";
        let help = "save the file as UTF-8 text".to_owned();
        let finding = Finding {
            span: Some(at..source.len()),
            field: String::new(),
            message: "is no UTF-8 text".to_owned(),
            help,
        };
        Self::new(file, &source, vec![finding])
    }

    /// The file as it was named.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// The faults, by line; those of no line last.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// The report that a person reads: each fault with line, caret and what would be right.
    pub fn render(&self, colour: bool) -> String {
        render(&self.file, &self.source, &self.findings, colour)
    }
}

impl fmt::Display for SiteErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for SiteErrors {}

fn whole_file(message: String, help: String) -> Finding {
    Finding { span: None, field: String::new(), message, help }
}

/// Reports a fault of the syntax; says whether the rest of the document can be trusted all the same.
///
/// A value without quotes is taken as if it had them, and of a key given twice one is taken; neither moves another key.
pub(crate) fn syntax(r: &mut Reader<'_>, source: &str, error: &toml::de::Error) -> bool {
    let message = error.message();
    let span = error.span();
    let before = span.as_ref().and_then(|span| source.get(..span.start)).unwrap_or_default();
    if message.starts_with("string values must be quoted") {
        let written: String = r.written(span.clone().unwrap_or_default()).chars().take(60).collect();
        r.fail_syntax(span, "a text without quotes".to_owned(), &format!("write \"{written}\""));
        return true;
    }
    if message == "duplicate key" {
        let heads_a_section = before.rsplit('\n').next().is_some_and(|line| line.trim_start().starts_with('['));
        let written = r.written(span.clone().unwrap_or_default());
        let name = if heads_a_section { format!("the section [{written}]") } else { format!("`{written}`") };
        r.fail_syntax(span, format!("{name} is given twice"), "keep one of the two");
        return !heads_a_section;
    }
    r.fail_syntax(
        span,
        format!("TOML syntax: {message}"),
        "mend this first; other faults show when the text can be read",
    );
    false
}
