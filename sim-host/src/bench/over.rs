//! What lies over the bench for a while: menus, help, a question, the panel of a board.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Clear, Paragraph};

use super::app::App;
use super::ask::Ask;
use super::draw::{BOLD, MARKED};
use super::menu::Menu;
use super::pane::{Scroll, draw_pane, styled, wrapped};
use super::panel::{HEIGHT, PanelRow, PanelView, WIDTH};
use bedkeeper_runtime::panel::page::COLUMNS;
use bedkeeper_runtime::panel::{BUTTONS, Button, Press};

/// Cells of a bar on the panel as text.
const PANEL_BAR: usize = 8;
/// From this size on the panel's dots are drawn, two to a cell.
const ROOMY: (u16, u16) = (132, 40);

const HELP: &[(&str, &str)] = &[
    ("space", "time passes, or stands"),
    ("n", "on to the next thing that the logic writes"),
    ("+ -", "faster, slower"),
    ("right, left", "10 min on, 10 min back; > and < a day; home: the start"),
    ("up, down, 1-8", "choose a tank; a click does, too"),
    ("tab", "choose a pane; page up and page down, or the wheel, scroll it"),
    ("w", "water that the building draws"),
    ("o", "what an operator asks"),
    ("c", "contacts"),
    ("f", "faults of the tank's valve"),
    ("p", "power"),
    ("k", "clock: set it, move it, lose it"),
    ("b", "a board's panel, with its display and buttons"),
    ("m", "what happens to water, salt and pressure (--plant full)"),
    ("s", "save what was done as a scenario, for `bedkeeper verify`"),
    ("q", "leave"),
];
/// What the picture of the plant means.
const READING: &str = "Each tank: what its bed can still soften, its duty, where its valve truly stands and where its \
                       water truly goes. A line below tells what the logic takes of the valve; \"!\" where that is wrong.";
const CAUTION: &str = "This plant is simulated: a real one carries mains voltage, pressure and brine.";

fn middle_of(area: Rect, width: u16, height: u16) -> Rect {
    let (width, height) = (width.min(area.width), height.min(area.height));
    Rect { x: area.x + (area.width - width) / 2, y: area.y + (area.height - height) / 2, width, height }
}

/// Draws a menu; where its items stand, and which item each of its rows belongs to.
pub(super) fn draw_menu(frame: &mut Frame<'_>, menu: &Menu, area: Rect) -> (Rect, Vec<usize>) {
    let widest =
        menu.items.iter().map(|(words, _)| words.chars().count()).chain([menu.title.chars().count(), 40]).max();
    let width = u16::try_from(widest.unwrap_or(0) + 5).unwrap_or(area.width).min(area.width);
    let rows: Vec<(usize, String)> = menu
        .items
        .iter()
        .enumerate()
        .flat_map(|(i, (words, _))| {
            let cursor = if i == menu.cursor { ">" } else { " " };
            wrapped(&format!("{cursor} {words}"), width.saturating_sub(2), "    ").into_iter().map(move |row| (i, row))
        })
        .collect();
    let height = u16::try_from(rows.len() + 2).unwrap_or(area.height).min(area.height.saturating_sub(2));
    let place = middle_of(area, width, height);
    let seen = usize::from(height.saturating_sub(2));
    // The last row of the item at the cursor is in view.
    let end = rows.iter().rposition(|(i, _)| *i == menu.cursor).map_or(0, |row| row + 1);
    let mut scroll = Scroll::default();
    let first = scroll.lay(rows.len(), seen, end.saturating_sub(seen));
    let mark = match scroll.more() {
        (0, 0) => String::new(),
        (0, below) => format!(" · {below} more below"),
        (above, 0) => format!(" · {above} more above"),
        (above, below) => format!(" · {above} above, {below} below"),
    };
    let block = Block::bordered().title(menu.title.clone()).title_bottom(format!("enter: do it · esc: leave{mark}"));
    let inner = block.inner(place);
    let (items, lines): (Vec<_>, Vec<_>) = rows
        .into_iter()
        .skip(first)
        .take(seen)
        .map(|(i, row)| (i, Line::from(Span::styled(row, if i == menu.cursor { MARKED } else { Style::new() }))))
        .unzip();
    frame.render_widget(Clear, place);
    frame.render_widget(Paragraph::new(lines).block(block), place);
    (inner, items)
}

/// Draws the question for a date and time.
pub(super) fn draw_ask(frame: &mut Frame<'_>, ask: &Ask, area: Rect) {
    let width = 60.min(area.width);
    let mut lines = vec![Line::from(format!("> {}_", ask.text)).style(BOLD)];
    let help = if ask.wrong.is_empty() { "" } else { "; " };
    let help = format!("{}{help}write it as \"2027-03-01 06:30\"", ask.wrong);
    lines.extend(styled(&help, width.saturating_sub(2), "", Style::new()));
    let place = middle_of(area, width, u16::try_from(lines.len() + 2).unwrap_or(area.height));
    frame.render_widget(Clear, place);
    let block = Block::bordered().title("the clock is set to").title_bottom("enter: set it · del: empty · esc: leave");
    frame.render_widget(Paragraph::new(lines).block(block), place);
}

pub(super) fn draw_help(frame: &mut Frame<'_>, area: Rect, scroll: &mut Scroll) {
    let width = 80.min(area.width);
    let inside = width.saturating_sub(2);
    let keys = HELP
        .iter()
        .flat_map(|(key, what)| styled(&format!("{key:14} {what}"), inside, "               ", Style::new()));
    let mut lines: Vec<_> = keys.collect();
    for text in [READING, CAUTION] {
        lines.push(Line::default());
        lines.extend(styled(text, inside, "", Style::new()));
    }
    let place = middle_of(area, width, u16::try_from(lines.len() + 2).unwrap_or(area.height));
    frame.render_widget(Clear, place);
    draw_pane(frame, place, "help · any other key: leave".to_owned(), lines, (0, true), scroll);
}

/// What a button is called, and its key.
const fn label(button: Button) -> &'static str {
    match button {
        Button::Up => "[up ↑]",
        Button::Down => "[down ↓]",
        Button::Back => "[back ←]",
        Button::Enter => "[enter]",
    }
}

/// The display of a board over the rest and its buttons: in dots where these can be read, else its rows as text. Where
/// the buttons stand.
pub(super) fn draw_board(frame: &mut Frame<'_>, app: &App, area: Rect) -> Vec<(Press, Rect)> {
    let view = app.board.view(&app.session);
    let roomy = area.width >= ROOMY.0 && area.height >= ROOMY.1;
    let mut lines = if roomy { dots(&view) } else { rows(&view) };
    let width = u16::try_from(if roomy { WIDTH + 2 } else { 66 }).unwrap_or(area.width);
    lines.push(Line::default());
    let height = u16::try_from(lines.len() + 4).unwrap_or(area.height);
    let place = middle_of(area, width, height);
    let part =
        view.part.map_or_else(String::new, |(first, of)| format!("rows {first} to {} of {of} · ", (first + 6).min(of)));
    let block = Block::bordered()
        .title("a board's panel · esc: put it away")
        .title_bottom(format!("{part}home: first screen · e: enter, held"));
    let inner = block.inner(place);
    let mut buttons = Vec::new();
    let mut text = String::new();
    let y = inner.y + u16::try_from(lines.len()).unwrap_or(0);
    for button in BUTTONS {
        let x = inner.x + u16::try_from(text.chars().count()).unwrap_or(0);
        let label = label(button);
        let width = u16::try_from(label.chars().count()).unwrap_or(0);
        buttons.push((Press::Short(button), Rect { x, y, width, height: 1 }));
        text.push_str(label);
        text.push_str("  ");
    }
    lines.push(Line::from(text));
    frame.render_widget(Clear, place);
    frame.render_widget(Paragraph::new(lines).block(block), place);
    buttons
}

/// The rows of the display as text: the title in bold and underlined, a mark before the row of the cursor.
fn rows(view: &PanelView) -> Vec<Line<'static>> {
    let row = |row: &PanelRow| {
        let text = match row.percent {
            Some(percent) => {
                let filled = usize::from(percent) * PANEL_BAR / 100;
                format!("{}{} {}", "█".repeat(filled), "░".repeat(PANEL_BAR - filled), row.text)
            }
            None => row.text.clone(),
        };
        let (cursor, style) = match row.look {
            "marked" => (">", MARKED),
            "title" => (" ", BOLD.add_modifier(Modifier::UNDERLINED)),
            _ => (" ", Style::new()),
        };
        Line::from(vec![Span::raw(format!("  {cursor} ")), Span::styled(format!("{text:COLUMNS$}"), style)])
    };
    view.rows.iter().map(row).collect()
}

/// The dots of the display, half a block for each.
fn dots(view: &PanelView) -> Vec<Line<'static>> {
    let block = |x, y| match (view.is_lit(x, y), view.is_lit(x, y + 1)) {
        (true, true) => '█',
        (true, false) => '▀',
        (false, true) => '▄',
        (false, false) => ' ',
    };
    let line = |y| Line::from((0..WIDTH).map(|x| block(x, y)).collect::<String>());
    (0..HEIGHT).step_by(2).map(line).collect()
}
