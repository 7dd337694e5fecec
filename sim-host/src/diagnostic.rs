//! Findings in a text file, shown with line, caret and what would be right.
//!
//! Drawn by `annotate-snippets`, the crate that draws the Rust compiler's own reports: it takes plain strings and byte
//! spans, and asks neither for an error trait (as `miette` does) nor for a file database and a writer (as
//! `codespan-reporting` does).

use std::ops::Range;

use crate::terminal::steers;
use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};

/// Something wrong in a text file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Where in the source, in bytes; none when the finding is about something that is not there.
    pub span: Option<Range<usize>>,
    /// The field it is about, such as `tank.resin`; may be empty.
    pub field: String,
    /// What is wrong.
    pub message: String,
    /// What would be right; may be empty.
    pub help: String,
}

/// All findings as one readable text, in the order given, ending with how many there are.
///
/// `file` is the name to show, `source` the text that the spans point into; a span that does not fit the text is
/// moved to the nearest place that does. Colours (ANSI escapes) only if `colour` is set. No findings give an empty text.
pub fn render(file: &str, source: &str, findings: &[Finding], colour: bool) -> String {
    if findings.is_empty() {
        return String::new();
    }
    let source = one_byte_controls(source);
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut report = String::new();
    for finding in findings {
        report.push_str(&renderer.render(&[group(file, &source, finding)]));
        report.push_str("\n\n");
    }
    let plural = if findings.len() == 1 { "" } else { "s" };
    report.push_str(&format!("{file}: {} finding{plural}\n", findings.len()));
    report
}

fn group<'a>(file: &'a str, source: &'a str, finding: &'a Finding) -> Group<'a> {
    let title = if finding.field.is_empty() {
        finding.message.clone()
    } else {
        format!("{}: {}", finding.field, finding.message)
    };
    let title = Level::ERROR.primary_title(one_byte_controls(&title));
    let group = match &finding.span {
        Some(span) => title
            .element(Snippet::source(source).path(file).annotation(AnnotationKind::Primary.span(fitted(source, span)))),
        None => title.element(Origin::path(file)),
    };
    if finding.help.is_empty() { group } else { group.element(Level::HELP.message(one_byte_controls(&finding.help))) }
}

/// The span moved inside the text, on character boundaries, and not reaching past the end of its first line.
fn fitted(source: &str, span: &Range<usize>) -> Range<usize> {
    let start = source.floor_char_boundary(span.start.min(source.len()));
    let end = source.ceil_char_boundary(span.end.clamp(start, source.len()));
    let line_end = source.as_bytes()[start..]
        .iter()
        .position(|&byte| byte == b'\n' || byte == b'\r')
        .map_or(source.len(), |length| start + length);
    start..end.min(line_end)
}

/// What would steer the terminal becomes a `?` for each of its bytes, so that byte spans stay true.
fn one_byte_controls(source: &str) -> String {
    let mut shown = String::with_capacity(source.len());
    for c in source.chars() {
        if steers(c) && !matches!(c, '\n' | '\r' | '\t') {
            shown.extend(std::iter::repeat_n('?', c.len_utf8()));
        } else {
            shown.push(c);
        }
    }
    shown
}
