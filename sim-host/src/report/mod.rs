//! The HTML report: one self-contained file that opens from disk, reads without scripts and prints.
//!
//! [`render`] builds a view (`view`) out of the evidence, in people's words (`words`) and units
//! (`people`), with the plots drawn as SVG (`plot`), and fills the page template with it; evidence that
//! would make the page too big is thinned first (`thin`). Every text goes
//! through the template's escaping; the scripts and styles beside it are the only raw insertions.

mod people;
mod plot;
mod thin;
mod view;
pub(crate) mod words;

use crate::evidence::Evidence;
use askama::Template;
use std::io::Write;

/// Renders the evidence as one HTML page that needs neither network nor other files.
///
/// The page of a huge replay shows the first and last 250 regenerations and says so; its totals are exact.
///
/// # Errors
/// Whatever the template engine reports; it writes to memory only, so nothing is expected.
pub fn render(evidence: &Evidence) -> Result<String, askama::Error> {
    with_page(evidence, |page| page.render())
}

/// Writes the page that [`render`] makes, piece by piece.
///
/// # Errors
/// `out` could not be written.
pub fn write(evidence: &Evidence, out: &mut impl Write) -> std::io::Result<()> {
    with_page(evidence, |page| page.write_into(out))
}

fn with_page<T>(evidence: &Evidence, make: impl FnOnce(&view::Page<'_>) -> T) -> T {
    match thin::thinned(evidence) {
        None => make(&view::Page::new(evidence, evidence, None)),
        Some(thinned) => make(&view::Page::new(evidence, &thinned.shown, Some(thinned.sentence))),
    }
}
