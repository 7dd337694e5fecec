//! Framed lists of rows that may be longer than they have room for: each says how much more there is, and can be scrolled.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, BorderType, Paragraph};

/// A blank at which no line is broken.
pub(super) const FIXED_BLANK: char = '\u{a0}';

/// A pane of the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pane {
    /// Tanks, water, relays.
    Plant,
    /// What is asked of the chosen tank, and what holds that.
    Why,
    /// Alarms.
    Alarms,
    /// The journal.
    Journal,
}

impl Pane {
    /// In the order in which they are gone through.
    pub const ALL: [Self; 4] = [Self::Plant, Self::Why, Self::Alarms, Self::Journal];

    fn place(self) -> usize {
        Self::ALL.iter().position(|pane| *pane == self).unwrap_or(0)
    }

    /// The next one, or the one before.
    #[must_use]
    pub fn next(self, forward: bool) -> Self {
        let count = Self::ALL.len();
        let step = if forward { 1 } else { count - 1 };
        Self::ALL.get((self.place() + step) % count).copied().unwrap_or(self)
    }
}

/// How far a list is scrolled.
#[derive(Clone, Copy, Debug, Default)]
pub struct Scroll {
    /// The first row in view, as someone chose it; else the list shows what matters most.
    chosen: Option<usize>,
    /// The first row that was in view when it was drawn last, how many were, and how many there are.
    first: usize,
    seen: usize,
    rows: usize,
    /// Where it begins unless someone has scrolled.
    begin: usize,
}

impl Scroll {
    /// What is left to see above and below, in rows.
    #[must_use]
    pub fn more(&self) -> (usize, usize) {
        (self.first, self.rows.saturating_sub(self.first + self.seen))
    }

    /// Up or down by so many rows.
    pub fn by(&mut self, rows: usize, down: bool) {
        let first = if down { self.first.saturating_add(rows) } else { self.first.saturating_sub(rows) };
        let last = self.rows.saturating_sub(self.seen);
        self.first = first.min(last);
        // Who scrolls back to what matters most follows that again.
        self.chosen = (self.first != self.begin).then_some(self.first);
    }

    /// Up or down by what is seen at a time.
    pub fn by_page(&mut self, down: bool) {
        self.by(self.seen.saturating_sub(1).max(1), down);
    }

    /// Back to what matters most.
    pub fn forget(&mut self) {
        self.chosen = None;
    }

    /// Takes note of what there is, and where to begin unless someone has scrolled; the first row to be seen.
    pub(super) fn lay(&mut self, rows: usize, seen: usize, begin: usize) -> usize {
        let last = rows.saturating_sub(seen);
        let first = self.chosen.unwrap_or(begin).min(last);
        (self.first, self.seen, self.rows, self.begin) = (first, seen, rows, begin.min(last));
        first
    }

    /// Rows that are out of view, and the keys that bring them after `first`; nothing where there are none.
    fn mark(&self, first: &str) -> Option<String> {
        Some(match self.more() {
            (0, 0) => return None,
            (0, below) => format!("{below} more below: {first}PgDn"),
            (above, 0) => format!("{above} more above: {first}PgUp"),
            (above, below) => format!("{above} above, {below} below: {first}PgUp PgDn"),
        })
    }
}

/// Where each pane's scrolling stands.
#[derive(Clone, Copy, Debug, Default)]
pub struct Scrolls([Scroll; Pane::ALL.len()]);

impl Scrolls {
    /// Of one pane.
    #[must_use]
    pub fn of(&self, pane: Pane) -> &Scroll {
        // Every pane has its place.
        self.0.get(pane.place()).unwrap_or(&self.0[0])
    }

    /// The same, to be moved.
    pub fn of_mut(&mut self, pane: Pane) -> &mut Scroll {
        let place = pane.place().min(self.0.len() - 1);
        &mut self.0[place]
    }
}

/// A text in lines of a width, all but the first set in.
pub(super) fn wrapped(text: &str, width: u16, set_in: &'static str) -> Vec<String> {
    let options = textwrap::Options::new(usize::from(width).max(8))
        .subsequent_indent(set_in)
        .word_splitter(textwrap::WordSplitter::NoHyphenation);
    textwrap::wrap(text, options).into_iter().map(|line| line.replace(FIXED_BLANK, " ")).collect()
}

/// The same as lines of one style.
pub(super) fn styled(text: &str, width: u16, set_in: &'static str, style: Style) -> Vec<Line<'static>> {
    wrapped(text, width, set_in).into_iter().map(|line| Line::from(Span::styled(line, style))).collect()
}

/// Draws rows in a frame: from row `begin` on unless someone has scrolled. The first row in view.
pub(super) fn draw_pane(
    frame: &mut Frame<'_>,
    area: Rect,
    title: String,
    lines: Vec<Line<'static>>,
    (begin, chosen): (usize, bool),
    scroll: &mut Scroll,
) -> usize {
    let mut block = Block::bordered().title(title);
    if chosen {
        block = block.border_type(BorderType::Double).title_style(Style::new().add_modifier(Modifier::BOLD));
    }
    let inner = block.inner(area);
    let first = scroll.lay(lines.len(), usize::from(inner.height), begin);
    if let Some(mark) = scroll.mark(if chosen { "" } else { "Tab, " }) {
        block = block.title_bottom(mark);
    }
    let seen: Vec<_> = lines.into_iter().skip(first).take(usize::from(inner.height)).collect();
    frame.render_widget(Paragraph::new(seen).block(block), area);
    first
}
