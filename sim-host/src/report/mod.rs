//! The HTML report: one self-contained file that opens from disk, reads without scripts and prints.
//!
//! [`render`] builds a view (`view`) out of the evidence, in people's words (`words`) and units
//! (`people`), with the plots drawn as SVG (`plot`), and fills the page template with it. Every text goes
//! through the template's escaping; the scripts and styles beside it are the only raw insertions.

mod people;
mod plot;
mod view;
mod words;

use crate::evidence::Evidence;
use askama::Template;

/// Renders the evidence as one HTML page that needs neither network nor other files.
///
/// # Errors
/// Whatever the template engine reports; it writes to memory only, so nothing is expected.
pub fn render(evidence: &Evidence) -> Result<String, askama::Error> {
    view::Page::new(evidence).render()
}
