//! What is seen. Nothing is told by colour alone.

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Clear, Paragraph, Wrap};

use super::app::{App, SPEEDS};
use super::board::as_text;
use super::menu::Menu;
use super::view::{TankView, View};

/// Cells of the bar that shows what is left of a capacity.
const BAR: usize = 8;

const HELP: &[(&str, &str)] = &[
    ("space", "time passes, or stands"),
    ("n", "on to the next thing that the logic writes"),
    ("+ -", "faster, slower"),
    ("right, left", "10 min on, 10 min back; page keys: a day; home: the start"),
    ("up, down, 1-8", "choose a tank; a click does, too"),
    ("w", "water that the building draws"),
    ("o", "what an operator asks"),
    ("c", "contacts"),
    ("f", "faults of the tank's valve"),
    ("p", "power"),
    ("k", "clock"),
    ("b", "a board's panel, with its display and buttons"),
    ("m", "what happens to water, salt and pressure (--plant full)"),
    ("s", "save what was done as a scenario, for `bedkeeper verify`"),
    ("q", "leave"),
];

const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);
const MARKED: Style = Style::new().add_modifier(Modifier::REVERSED);

/// Draws the bench.
pub fn draw(frame: &mut Frame<'_>, app: &mut App) {
    let area = frame.area();
    // No more records than rows can be seen.
    let view = View::of(&app.session, usize::from(area.height));
    let tanks = u16::from(app.session.plan().scenario.site.settings.tanks);
    let plant_height = tanks + 4 + u16::from(view.delivered.is_some());
    let [title, plant, middle, journal, footer] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(plant_height),
        Constraint::Fill(3),
        Constraint::Fill(2),
        Constraint::Length(2),
    ])
    .areas(area);
    frame.render_widget(title_line(app, &view), title);
    draw_plant(frame, app, &view, plant);
    let [why, alarms] = Layout::horizontal([Constraint::Percentage(50), Constraint::Percentage(50)]).areas(middle);
    framed(frame, why, format!("why: tank {}", app.tank + 1), why_lines(app, &view));
    framed(frame, alarms, "alarms".to_owned(), alarm_lines(&view));
    draw_journal(frame, &view, journal);
    let keys = "space play  n next  + - speed  ← → time  w water  o operator  f faults  ? help";
    frame.render_widget(Paragraph::new(vec![Line::from(app.message.as_str()).style(BOLD), Line::from(keys)]), footer);
    if app.shows_board {
        draw_board(frame, app, area);
    }
    app.places.menu = None;
    if let Some(menu) = &app.menu {
        app.places.menu = Some(draw_menu(frame, menu, area));
    }
    if app.helps {
        draw_help(frame, area);
    }
}

fn title_line(app: &App, view: &View) -> Line<'static> {
    let plays = if app.plays { "plays" } else { "paused" };
    let speed = SPEEDS.get(app.speed).copied().unwrap_or(1);
    let power = if view.dark { "  POWER IS OFF" } else { "" };
    // What matters most comes first: a narrow terminal cuts off the rest.
    let text = format!("{plays} ×{speed}{power} · {} · {} · {}", view.moment, view.civil, view.site);
    Line::from(text).style(BOLD)
}

fn framed(frame: &mut Frame<'_>, area: Rect, title: String, lines: Vec<Line<'_>>) {
    let block = Block::bordered().title(title);
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }).block(block), area);
}

fn draw_plant(frame: &mut Frame<'_>, app: &mut App, view: &View, area: Rect) {
    let block = Block::bordered().title("plant");
    let inner = block.inner(area);
    frame.render_widget(block, area);
    let mut lines = vec![Line::from(view.feed.as_str())];
    lines.extend(view.tanks.iter().map(|tank| tank_line(tank, tank.number == app.tank + 1)));
    lines.push(Line::from(view.wires.as_str()));
    lines.extend(view.delivered.as_deref().map(Line::from));
    for (row, line) in (inner.y..inner.bottom()).zip(lines) {
        let place = Rect { y: row, height: 1, ..inner };
        frame.render_widget(line, place);
    }
    let first = inner.y + 1;
    let count = u16::try_from(view.tanks.len()).unwrap_or(0);
    app.places.tanks = (first..first + count).map(|y| Rect { y, height: 1, ..inner }).collect();
}

/// One tank: what it does, what is left, where its valve stands, where its water goes.
fn tank_line(tank: &TankView, chosen: bool) -> Line<'static> {
    let filled = usize::from(tank.left_percent) * BAR / 100;
    let bar: String = "█".repeat(filled) + &"░".repeat(BAR.saturating_sub(filled));
    let cursor = if chosen { ">" } else { " " };
    let arrow = if tank.goes_to.is_empty() { "" } else { "→ " };
    let text = format!(
        "{cursor}{} {bar} {:>9}  {:12} {:21} {arrow}{}",
        tank.number, tank.left, tank.duty, tank.valve, tank.goes_to,
    );
    Line::from(text).style(if chosen { MARKED } else { Style::default() })
}

fn why_lines<'a>(app: &App, view: &'a View) -> Vec<Line<'a>> {
    let Some(tank) = view.tanks.get(app.tank) else { return vec![Line::from("the plant has stopped")] };
    let faults = tank.faults.iter().map(|fault| Line::from(format!("(at the bench: {fault})")));
    tank.why.iter().map(|line| Line::from(line.as_str())).chain(faults).collect()
}

fn alarm_lines(view: &View) -> Vec<Line<'_>> {
    let broken = view.violations.iter().map(|text| Line::from(format!("RULE IS BROKEN: {text}")).style(MARKED));
    let standing = view
        .alarms
        .iter()
        .map(|(alarm, look)| Line::from(vec![Span::styled(*alarm, BOLD), Span::raw(format!(": {look}"))]));
    let lines: Vec<_> = broken.chain(standing).collect();
    if lines.is_empty() { vec![Line::from("none")] } else { lines }
}

fn draw_journal(frame: &mut Frame<'_>, view: &View, area: Rect) {
    let rows = usize::from(area.height.saturating_sub(2));
    let from = view.journal.len().saturating_sub(rows);
    let lines: Vec<_> =
        view.journal.iter().skip(from).map(|(when, what)| Line::from(format!("{when}  {what}"))).collect();
    frame.render_widget(Paragraph::new(lines).block(Block::bordered().title("journal")), area);
}

// ---- over it all -------------------------------------------------------------------------------------

fn middle_of(area: Rect, width: u16, height: u16) -> Rect {
    let (width, height) = (width.min(area.width), height.min(area.height));
    Rect { x: area.x + (area.width - width) / 2, y: area.y + (area.height - height) / 2, width, height }
}

/// Draws a menu; where its items stand, and which of them is the first to be seen.
fn draw_menu(frame: &mut Frame<'_>, menu: &Menu, area: Rect) -> (Rect, usize) {
    let widest = menu.items.iter().map(|(words, _)| words.chars().count()).max().unwrap_or(0);
    let width = u16::try_from(widest.max(menu.title.len()) + 6).unwrap_or(area.width);
    let height = u16::try_from(menu.items.len() + 2).unwrap_or(area.height);
    let place = middle_of(area, width, height.min(area.height.saturating_sub(2)));
    let block = Block::bordered().title(menu.title.clone()).title_bottom("enter: do it · esc: leave");
    let inner = block.inner(place);
    let rows = usize::from(inner.height);
    let first = menu.cursor.saturating_sub(rows.saturating_sub(1));
    let lines: Vec<_> = menu
        .items
        .iter()
        .enumerate()
        .skip(first)
        .take(rows)
        .map(|(i, (words, _))| {
            let here = i == menu.cursor;
            let text = format!("{} {words} ", if here { ">" } else { " " });
            Line::from(text).style(if here { MARKED } else { Style::default() })
        })
        .collect();
    frame.render_widget(Clear, place);
    frame.render_widget(Paragraph::new(lines).block(block), place);
    (inner, first)
}

/// The display of a board over the rest, in half blocks where they fit, and which keys are its buttons.
fn draw_board(frame: &mut Frame<'_>, app: &App, area: Rect) {
    let roomy = area.width >= 132 && area.height >= 38;
    let lines: Vec<_> = as_text(&app.board.page(&app.session), roomy).into_iter().map(Line::from).collect();
    let (width, height) = if roomy { (130, 34) } else { (66, 18) };
    let place = middle_of(area, width, height);
    frame.render_widget(Clear, place);
    let block = Block::bordered()
        .title("a board's panel · esc: put it away")
        .title_bottom("↑ ↓  enter  ← back  home: first screen  e: enter, held");
    frame.render_widget(Paragraph::new(lines).block(block), place);
}

fn draw_help(frame: &mut Frame<'_>, area: Rect) {
    let mut lines: Vec<_> = HELP.iter().map(|(key, what)| Line::from(format!("{key:14} {what}"))).collect();
    lines.push(Line::default());
    lines.push(Line::from("This plant is simulated: a real one carries mains voltage, pressure and brine."));
    let place = middle_of(area, 80, u16::try_from(lines.len() + 2).unwrap_or(area.height));
    frame.render_widget(Clear, place);
    let block = Block::bordered().title("help").title_bottom("any key: leave");
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }).block(block), place);
}
