//! What is written to a terminal: errors that nobody may read, and texts that others wrote.

/// Writes a line to standard error. Where nobody reads it, the exit code still tells.
#[cfg(feature = "command")]
macro_rules! complain {
    ($($part:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($part)*);
    }};
}

/// What others wrote, as it may be printed: what would move the cursor, colour the terminal or turn the direction of reading is
/// shown as its code.
#[must_use]
pub fn printable(text: &str) -> String {
    let shown = |c: char| if steers(c) { c.escape_default().to_string() } else { c.to_string() };
    text.chars().map(shown).collect()
}

/// Whether a character does something to a terminal besides being shown.
pub(crate) fn steers(c: char) -> bool {
    let turns = matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    c.is_control() || turns
}
