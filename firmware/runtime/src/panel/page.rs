//! What is seen, as rows of text: 25 columns by 8 rows of a 5×8 font, and a bar for how far a text goes on.
//!
//! Everything fits by construction. A [`Body`] breaks every text into lines between words, puts a pair of texts that are too
//! long for one row on two, and keeps those rows that are in view: nothing is cut off and nothing lies over anything else.
//! A row is a page of the usual display controllers, so that one can be sent without the others.

use core::fmt::{self, Write};

use embedded_graphics::Drawable;
use embedded_graphics::draw_target::{DrawTarget, DrawTargetExt};
use embedded_graphics::geometry::{Point, Size};
use embedded_graphics::mono_font::MonoTextStyle;
use embedded_graphics::mono_font::iso_8859_1::FONT_5X8;
use embedded_graphics::pixelcolor::BinaryColor;
use embedded_graphics::primitives::{PrimitiveStyle, PrimitiveStyleBuilder, Rectangle, StyledDrawable};
use embedded_graphics::text::{Baseline, Text};
use heapless::{String, Vec};

/// Characters in a row.
pub const COLUMNS: usize = 25;
/// Rows.
pub const ROWS: usize = 8;
/// Rows below the title.
pub const BODY_ROWS: usize = ROWS - 1;
/// Dots across.
pub const WIDTH: u32 = 128;
/// Dots down.
pub const HEIGHT: u32 = 64;
/// Dots of a row.
pub const ROW_HEIGHT: u32 = 8;

/// The text of a row; a character of the font takes up to two bytes.
pub type Line = String<{ 2 * COLUMNS }>;
/// A text before it is broken into rows.
type Long = String<480>;

/// How a row looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// Light on dark.
    #[default]
    Plain,
    /// Dark on light, from edge to edge.
    Title,
    /// Dark on light below a dark line: what the cursor is on.
    Marked,
    /// A bar that is full to so many per cent, with a text behind it.
    Gauge(u8),
}

/// One row.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Row {
    /// Its text, at most [`COLUMNS`] characters.
    pub text: Line,
    /// How it looks.
    pub look: Look,
}

/// Which part of a longer text is in view.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct View {
    /// Rows above it.
    pub above: u16,
    /// Rows of the whole.
    pub of: u16,
}

/// The whole display.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Page {
    /// The title and the rows below it.
    pub rows: [Row; ROWS],
    /// What is in view of what is longer.
    pub view: View,
}

impl Page {
    /// Draws all of it.
    ///
    /// # Errors
    /// The target's.
    pub fn draw<D: DrawTarget<Color = BinaryColor>>(&self, target: &mut D) -> Result<(), D::Error> {
        for at in 0..ROWS {
            let top = i32::try_from(at).unwrap_or(0).saturating_mul(8);
            let area = Rectangle::new(Point::new(0, top), Size::new(WIDTH, ROW_HEIGHT));
            self.draw_row(at, &mut target.cropped(&area))?;
        }
        Ok(())
    }

    /// Draws one row on a target of 128×8 dots.
    ///
    /// # Errors
    /// The target's.
    pub fn draw_row<D: DrawTarget<Color = BinaryColor>>(&self, at: usize, target: &mut D) -> Result<(), D::Error> {
        let Some(row) = self.rows.get(at) else { return Ok(()) };
        target.clear(if row.look == Look::Title { BinaryColor::On } else { BinaryColor::Off })?;
        if row.look == Look::Marked {
            let ground = PrimitiveStyle::with_fill(BinaryColor::On);
            Rectangle::new(Point::new(0, 1), Size::new(WIDTH, ROW_HEIGHT.saturating_sub(1)))
                .draw_styled(&ground, target)?;
        }
        let mut left = 1;
        if let Look::Gauge(percent) = row.look {
            left = 48;
            let frame = PrimitiveStyleBuilder::new().stroke_color(BinaryColor::On).stroke_width(1).build();
            Rectangle::new(Point::new(1, 1), Size::new(42, 6)).draw_styled(&frame, target)?;
            let full = u32::from(percent.min(100)).saturating_mul(40) / 100;
            let fill = PrimitiveStyle::with_fill(BinaryColor::On);
            Rectangle::new(Point::new(2, 2), Size::new(full, 4)).draw_styled(&fill, target)?;
        }
        let ink = if matches!(row.look, Look::Title | Look::Marked) { BinaryColor::Off } else { BinaryColor::On };
        let style = MonoTextStyle::new(&FONT_5X8, ink);
        Text::with_baseline(&row.text, Point::new(left, 0), style, Baseline::Top).draw(target)?;
        if self.scroll_dots(at) {
            let style = PrimitiveStyle::with_fill(BinaryColor::On);
            Rectangle::new(Point::new(126, 0), Size::new(2, ROW_HEIGHT)).draw_styled(&style, target)?;
        }
        Ok(())
    }

    /// Whether the bar at the edge of this row is lit: where in the whole the rows in view lie.
    fn scroll_dots(&self, at: usize) -> bool {
        let (above, of, seen) = (usize::from(self.view.above), usize::from(self.view.of), BODY_ROWS);
        let Some(place) = at.checked_sub(1).filter(|_| of > seen) else { return false };
        let first = above.saturating_mul(seen).checked_div(of).unwrap_or(0);
        let last = above.saturating_add(seen).saturating_mul(seen).div_ceil(of.max(1));
        (first..last).contains(&place)
    }

    /// Which rows differ from another page, bit i = row i.
    #[must_use]
    pub fn changed_rows(&self, other: &Self) -> u8 {
        let mut changed = 0;
        let mut bit = 1u8;
        for (at, (own, before)) in self.rows.iter().zip(&other.rows).enumerate() {
            if own != before || self.scroll_dots(at) != other.scroll_dots(at) {
                changed |= bit;
            }
            bit = bit.wrapping_shl(1);
        }
        changed
    }
}

/// What stands below the title, row by row; the rows in view are kept and the others counted.
#[derive(Debug, Default)]
pub struct Body {
    first: usize,
    cursor: Option<usize>,
    rows: Vec<Row, BODY_ROWS>,
    count: usize,
    items: usize,
    /// Rows of the item that the cursor is on.
    marked: Option<(usize, usize)>,
    /// A text was longer than there is room to break it into lines.
    cut: bool,
}

impl Body {
    /// Nothing yet; rows from `first` on are in view, and the item of this number is marked.
    #[must_use]
    pub fn new(first: usize, cursor: Option<usize>) -> Self {
        Self { first, cursor, ..Self::default() }
    }

    /// The rows in view.
    #[must_use]
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// How many rows there are, in view or not.
    #[must_use]
    pub fn count(&self) -> usize {
        self.count
    }

    /// How many items to choose from there are.
    #[must_use]
    pub fn items(&self) -> usize {
        self.items
    }

    /// Whether some text was cut off; never so.
    #[must_use]
    pub fn is_cut(&self) -> bool {
        self.cut
    }

    /// The first row to be seen so that the marked item is in view, near the middle of what is longer.
    #[must_use]
    pub fn first_for_cursor(&self) -> usize {
        let Some((from, to)) = self.marked else { return 0 };
        let middle = from.midpoint(to);
        let last = self.count.saturating_sub(BODY_ROWS);
        middle.saturating_sub(BODY_ROWS / 2).min(last).min(from)
    }

    fn push(&mut self, text: Line, look: Look) {
        if self.count >= self.first && self.rows.len() < BODY_ROWS {
            let _ = self.rows.push(Row { text, look });
        }
        self.count = self.count.saturating_add(1);
    }

    /// A text, broken into rows between its words.
    pub fn text(&mut self, text: fmt::Arguments<'_>) {
        self.wrapped(text, Look::Plain);
    }

    fn wrapped(&mut self, text: fmt::Arguments<'_>, look: Look) {
        let mut wrap = Wrap { body: self, line: Line::new(), word: Line::new(), look };
        let written = wrap.write_fmt(text);
        wrap.end_line();
        self.cut |= written.is_err();
    }

    /// A text on the left and one on the right: on one row if they fit, else on two or more.
    pub fn pair(&mut self, left: fmt::Arguments<'_>, right: fmt::Arguments<'_>) {
        self.pair_as(left, right, Look::Plain);
    }

    fn pair_as(&mut self, left: fmt::Arguments<'_>, right: fmt::Arguments<'_>, look: Look) {
        let (mut l, mut r) = (Long::new(), Long::new());
        self.cut |= l.write_fmt(left).is_err() || r.write_fmt(right).is_err();
        let (left_len, right_len) = (l.chars().count(), r.chars().count());
        let gap = usize::from(right_len > 0);
        if left_len.saturating_add(gap).saturating_add(right_len) <= COLUMNS {
            let blanks = COLUMNS.saturating_sub(left_len).saturating_sub(right_len);
            self.push(row_of(&l, if right_len > 0 { blanks } else { 0 }, &r), look);
            return;
        }
        self.wrapped(format_args!("{l}"), look);
        if right_len <= COLUMNS {
            self.push(row_of("", COLUMNS.saturating_sub(right_len), &r), look);
        } else {
            self.wrapped(format_args!("{r}"), look);
        }
    }

    /// Something to choose, with what goes with it on the right.
    pub fn item(&mut self, left: fmt::Arguments<'_>, right: fmt::Arguments<'_>) {
        let here = self.cursor == Some(self.items);
        let from = self.count;
        self.pair_as(left, right, if here { Look::Marked } else { Look::Plain });
        if here {
            self.marked = Some((from, self.count.saturating_sub(1)));
        }
        self.items = self.items.saturating_add(1);
    }

    /// A bar, full to so many per cent.
    pub fn gauge(&mut self, percent: u8, text: fmt::Arguments<'_>) {
        let mut line = Line::new();
        // So many characters fit behind the bar.
        self.cut |= line.write_fmt(text).is_err() || line.chars().count() > 15;
        self.push(line, Look::Gauge(percent));
    }

    /// An empty row.
    pub fn gap(&mut self) {
        self.push(Line::new(), Look::Plain);
    }
}

/// Two texts with blanks between; they fit, as whoever calls has made sure.
fn row_of(left: &str, blanks: usize, right: &str) -> Line {
    let mut line = Line::new();
    let _ = line.push_str(left);
    for _ in 0..blanks {
        let _ = line.push(' ');
    }
    let _ = line.push_str(right);
    line
}

/// The title: a text, and one on the right that gives way where both do not fit.
#[must_use]
pub fn title(left: fmt::Arguments<'_>, right: fmt::Arguments<'_>) -> Row {
    let (mut l, mut r) = (Line::new(), Line::new());
    let _ = l.write_fmt(left);
    let _ = r.write_fmt(right);
    let (left_len, right_len) = (l.chars().count(), r.chars().count());
    let text = match COLUMNS.checked_sub(left_len.saturating_add(right_len)) {
        Some(blanks) if blanks > 0 => row_of(&l, blanks, &r),
        _ => l,
    };
    Row { text, look: Look::Title }
}

/// Breaks what is written into rows.
struct Wrap<'b> {
    body: &'b mut Body,
    line: Line,
    word: Line,
    look: Look,
}

impl Wrap<'_> {
    fn end_word(&mut self) {
        let word = core::mem::take(&mut self.word);
        if word.is_empty() {
            return;
        }
        let (line_len, word_len) = (self.line.chars().count(), word.chars().count());
        if line_len > 0 && line_len.saturating_add(1).saturating_add(word_len) <= COLUMNS {
            let _ = self.line.push(' ');
        } else if line_len > 0 {
            self.body.push(core::mem::take(&mut self.line), self.look);
        }
        let _ = self.line.push_str(&word);
    }

    fn end_line(&mut self) {
        self.end_word();
        self.body.push(core::mem::take(&mut self.line), self.look);
    }
}

impl fmt::Write for Wrap<'_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for c in text.chars() {
            match c {
                '\n' => self.end_line(),
                ' ' => self.end_word(),
                // The font has no other characters.
                c => {
                    let c = if u32::from(c) <= 0xff && !c.is_control() { c } else { '?' };
                    if self.word.chars().count() == COLUMNS {
                        self.end_word();
                    }
                    self.word.push(c).map_err(|_| fmt::Error)?;
                }
            }
        }
        Ok(())
    }
}
