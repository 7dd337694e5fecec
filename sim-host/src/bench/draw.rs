//! What is seen. Nothing is told by colour alone.

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::Paragraph;

use super::app::App;
use super::over::{draw_ask, draw_board, draw_help, draw_menu};
use super::pane::{FIXED_BLANK, Pane, draw_pane, styled, wrapped};
use super::session::SPEEDS;
use super::view::{TankView, View};

/// Cells of the bar that shows what is left of a capacity.
const BAR: usize = 8;
/// Rows of a message at the foot, at most.
const MESSAGE_ROWS: usize = 3;
/// Rows beside the plant's pane that the others need.
const OTHER_ROWS: u16 = 13;

/// Records of the journal that can be scrolled through.
const RECORDS: usize = 1_000;

/// Keys for the foot, what matters most first: a narrow terminal shows fewer of them.
const KEYS: &[&str] = &[
    "? help",
    "space play",
    "n next",
    "← → time",
    "w water",
    "o operator",
    "f faults",
    "Tab pane",
    "+ - speed",
    "b panel",
    "k clock",
    "p power",
    "c contacts",
    "s save",
    "q leave",
];

pub(super) const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);
pub(super) const MARKED: Style = Style::new().add_modifier(Modifier::REVERSED);

/// Draws the bench.
pub fn draw(frame: &mut Frame<'_>, app: &mut App) {
    let area = frame.area();
    let inside = area.width.saturating_sub(2);
    let view = View::of(&app.session, RECORDS);
    let (plant_lines, tank_rows) = plant_lines(app, &view, inside);
    let foot = foot(app, area.width);
    let wanted = u16::try_from(plant_lines.len() + 2).unwrap_or(area.height);
    let most = area.height.saturating_sub(OTHER_ROWS).max(6);
    let [title, plant, middle, journal, footer] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(wanted.min(most)),
        Constraint::Fill(3),
        Constraint::Fill(2),
        Constraint::Length(u16::try_from(foot.len()).unwrap_or(2)),
    ])
    .areas(area);
    frame.render_widget(title_line(app, &view, area.width), title);
    app.places.panes.clear();
    draw_plant(frame, app, plant_lines, &tank_rows, plant);
    let [why, alarms] = Layout::horizontal([Constraint::Percentage(50), Constraint::Percentage(50)]).areas(middle);
    let lines = why_lines(app, &view, why.width.saturating_sub(2));
    pane(frame, app, Pane::Why, why, format!("why: tank {}", app.tank + 1), lines, 0);
    let lines = alarm_lines(&view, alarms.width.saturating_sub(2));
    let standing = match view.alarms.len() {
        0 => "alarms".to_owned(),
        count => format!("alarms: {count}"),
    };
    pane(frame, app, Pane::Alarms, alarms, standing, lines, 0);
    draw_journal(frame, app, &view, journal);
    frame.render_widget(Paragraph::new(foot), footer);
    app.places.buttons.clear();
    if app.shows_board {
        app.places.buttons = draw_board(frame, app, area);
    }
    app.places.menu = None;
    if let Some(menu) = &app.menu {
        app.places.menu = Some(draw_menu(frame, menu, area));
    }
    if let Some(ask) = &app.ask {
        draw_ask(frame, ask, area);
    }
    if app.helps {
        draw_help(frame, area, &mut app.help_scroll);
    }
}

/// Draws a pane, and notes where it is.
fn pane(
    frame: &mut Frame<'_>,
    app: &mut App,
    pane: Pane,
    area: Rect,
    title: String,
    lines: Vec<Line<'static>>,
    begin: usize,
) -> usize {
    app.places.panes.push((pane, area));
    draw_pane(frame, area, title, lines, (begin, app.pane == pane), app.scrolls.of_mut(pane))
}

/// Cut at a width, with a mark where something is missing.
fn fitted(text: &str, width: u16) -> String {
    let width = usize::from(width);
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

fn title_line(app: &App, view: &View, width: u16) -> Line<'static> {
    let plays = if app.plays { "plays" } else { "paused" };
    let speed = SPEEDS.get(app.speed).copied().unwrap_or(1);
    let power = if view.dark { "  POWER IS OFF" } else { "" };
    // What matters most comes first: a narrow terminal cuts off the rest.
    let text = format!("{plays} ×{speed}{power} · {} · {} · {}", view.moment, view.civil, view.site);
    Line::from(fitted(&text, width)).style(BOLD)
}

/// What the bench itself has to say, and keys: as many as fit.
fn foot(app: &App, width: u16) -> Vec<Line<'static>> {
    let mut message = wrapped(&app.message, width, "  ");
    let is_cut = message.len() > MESSAGE_ROWS;
    message.truncate(MESSAGE_ROWS);
    if let Some(last) = message.last_mut().filter(|_| is_cut) {
        *last = fitted(&format!("{last} …"), width);
    }
    if message.is_empty() {
        message.push(String::new());
    }
    let mut keys = String::new();
    for key in KEYS {
        let gap = if keys.is_empty() { "" } else { "  " };
        if keys.chars().count() + gap.len() + key.chars().count() > usize::from(width) {
            break;
        }
        keys = keys + gap + key;
    }
    message.into_iter().map(|line| Line::from(line).style(BOLD)).chain([Line::from(keys)]).collect()
}

/// The rows of the plant, and which of them are of which tank.
fn plant_lines(app: &App, view: &View, width: u16) -> (Vec<Line<'static>>, Vec<std::ops::Range<usize>>) {
    let mut lines = styled(&view.feed, width, "  ", Style::new());
    let mut tanks = Vec::new();
    for tank in &view.tanks {
        let from = lines.len();
        let chosen = tank.number == app.tank + 1;
        let style = if chosen { MARKED } else { Style::new() };
        for text in tank_texts(tank, chosen) {
            lines.extend(styled(&text, width, "      ", style));
        }
        tanks.push(from..lines.len());
    }
    for text in [Some(&view.wires), view.delivered.as_ref()].into_iter().flatten() {
        lines.extend(styled(text, width, "  ", Style::new()));
    }
    (lines, tanks)
}

/// One tank: what is left, what it does, where its valve stands, where its water goes; below, its step and what the logic
/// takes of the valve.
fn tank_texts(tank: &TankView, chosen: bool) -> Vec<String> {
    let filled = usize::from(tank.left_percent) * BAR / 100;
    let bar: String = "█".repeat(filled) + &"░".repeat(BAR.saturating_sub(filled));
    let cursor = if chosen { ">" } else { " " };
    let runs = tank.ways.iter().any(|open| open.runs);
    let arrow = if runs { "→" } else { "·" };
    let mut texts = vec![format!(
        "{cursor}{} {bar} {:>9} {:12} {:21} {arrow}{FIXED_BLANK}{}",
        tank.number, tank.left, tank.duty, tank.valve, tank.goes_to,
    )];
    let step = Some(&tank.step).filter(|step| !step.is_empty()).map(|step| format!("step: {step}"));
    let logic = tank.logic.as_ref().map(|logic| (logic.is_wrong, format!("the logic {}", logic.text)));
    let mark = if logic.as_ref().is_some_and(|(wrong, _)| *wrong) { "!" } else { " " };
    let below: Vec<_> = logic.map(|(_, text)| text).into_iter().chain(step).collect();
    if !below.is_empty() {
        texts.push(format!("  {mark} {}", below.join(" · ")));
    }
    texts
}

fn draw_plant(
    frame: &mut Frame<'_>,
    app: &mut App,
    lines: Vec<Line<'static>>,
    tanks: &[std::ops::Range<usize>],
    area: Rect,
) {
    let seen = usize::from(area.height.saturating_sub(2));
    // The chosen tank is in view.
    let begin = tanks.get(app.tank).map_or(0, |rows| rows.end.saturating_sub(seen));
    let first = pane(frame, app, Pane::Plant, area, "plant".to_owned(), lines, begin);
    let (left, top) = (area.x + 1, area.y + 1);
    let place = |rows: &std::ops::Range<usize>| {
        let (from, to) = (rows.start.clamp(first, first + seen), rows.end.clamp(first, first + seen));
        let cells = |count: usize| u16::try_from(count).unwrap_or(0);
        Rect { x: left, y: top + cells(from - first), width: area.width.saturating_sub(2), height: cells(to - from) }
    };
    app.places.tanks = tanks.iter().map(place).collect();
}

fn why_lines(app: &App, view: &View, width: u16) -> Vec<Line<'static>> {
    let Some(tank) = view.tanks.get(app.tank) else { return vec![Line::from("the plant has stopped")] };
    let faults = tank.faults.iter().map(|fault| format!("at the bench: {fault}"));
    tank.why.iter().cloned().chain(faults).flat_map(|text| styled(&text, width, "  ", Style::new())).collect()
}

fn alarm_lines(view: &View, width: u16) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    for text in &view.violations {
        lines.extend(styled(&format!("RULE IS BROKEN: {text}"), width, "  ", MARKED));
    }
    for alarm in &view.alarms {
        lines.extend(styled(&format!("{} · {}", alarm.code, alarm.state), width, "  ", BOLD));
        let means = format!("  {} {}", alarm.happened, alarm.done);
        lines.extend(styled(&means, width, "  ", Style::new()));
        lines.extend(styled(&format!("  > {}", alarm.look), width, "    ", Style::new()));
    }
    if lines.is_empty() { vec![Line::from("none")] } else { lines }
}

fn draw_journal(frame: &mut Frame<'_>, app: &mut App, view: &View, area: Rect) {
    let width = area.width.saturating_sub(2);
    let rows = |(when, what): &(String, String)| styled(&format!("{when}  {what}"), width, "    ", Style::new());
    let lines: Vec<_> = view.journal.iter().flat_map(rows).collect();
    let end = lines.len();
    let title = match view.earlier {
        0 => "journal".to_owned(),
        earlier => format!("journal · {earlier} records before these"),
    };
    pane(frame, app, Pane::Journal, area, title, lines, end);
}
