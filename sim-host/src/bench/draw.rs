//! What is seen. Nothing is told by colour alone.

use bedkeeper::duty::DutyKind;
use bedkeeper::settings::Medium;
use bedkeeper::units::{Instant, TankId};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Clear, Paragraph, Wrap};

use super::app::{App, SPEEDS};
use super::menu::Menu;
use crate::evidence::moment;
use crate::plant::Valve;
use crate::quantity::UnitSystem;
use crate::quantity::show;
use crate::replay::World;
use crate::wording;

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
    ("m", "what happens to water, salt and pressure (--plant full)"),
    ("s", "save what was done as a scenario, for `bedkeeper verify`"),
    ("q", "leave"),
];

const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);
const MARKED: Style = Style::new().add_modifier(Modifier::REVERSED);

/// Draws the bench.
pub fn draw(frame: &mut Frame<'_>, app: &mut App) {
    let area = frame.area();
    let tanks = u16::from(app.session.plan().scenario.site.settings.tanks);
    let full = app.session.world().is_some_and(|world| world.process.is_some());
    let plant_height = tanks + 4 + u16::from(full);
    let [title, plant, middle, journal, footer] = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(plant_height),
        Constraint::Fill(3),
        Constraint::Fill(2),
        Constraint::Length(2),
    ])
    .areas(area);
    frame.render_widget(title_line(app), title);
    draw_plant(frame, app, plant);
    let [why, alarms] = Layout::horizontal([Constraint::Percentage(50), Constraint::Percentage(50)]).areas(middle);
    framed(frame, why, format!("why: tank {}", app.tank + 1), why_lines(app));
    framed(frame, alarms, "alarms".to_owned(), alarm_lines(app));
    draw_journal(frame, app, journal);
    let keys = "space play  n next  + - speed  ← → time  w water  o operator  f faults  ? help";
    frame.render_widget(Paragraph::new(vec![Line::from(app.message.as_str()).style(BOLD), Line::from(keys)]), footer);
    app.places.menu = None;
    if let Some(menu) = &app.menu {
        app.places.menu = Some(draw_menu(frame, menu, area));
    }
    if app.helps {
        draw_help(frame, area);
    }
}

fn title_line(app: &App) -> Line<'static> {
    let session = &app.session;
    let now = session.now_ms();
    let dark = session.world().is_some_and(|world| world.supply.is_dark());
    let plays = if app.plays { "plays" } else { "paused" };
    let speed = SPEEDS.get(app.speed).copied().unwrap_or(1);
    let clock = session.world().and_then(|world| world.start);
    let civil = clock.map_or_else(|| "clock unset".to_owned(), |_| moment(clock, now));
    let power = if dark { "  POWER IS OFF" } else { "" };
    let name = &session.plan().scenario.site.name;
    // What matters most comes first: a narrow terminal cuts off the rest.
    let text = format!("{plays} ×{speed}{power} · {} · {civil} · {name}", session.days().show(now));
    Line::from(text).style(BOLD)
}

fn framed(frame: &mut Frame<'_>, area: Rect, title: String, lines: Vec<Line<'static>>) {
    let block = Block::bordered().title(title);
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }).block(block), area);
}

fn units(app: &App) -> UnitSystem {
    app.session.plan().scenario.site.units
}

// ---- the plant ---------------------------------------------------------------------------------------

fn draw_plant(frame: &mut Frame<'_>, app: &mut App, area: Rect) {
    let block = Block::bordered().title("plant");
    let inner = block.inner(area);
    frame.render_widget(block, area);
    app.places.tanks.clear();
    let Some(world) = app.session.world() else { return };
    let mut lines = vec![feed_line(app, world)];
    for i in 0..world.valves().len() {
        lines.push(tank_line(app, world, i));
    }
    lines.push(wires_line(app, world));
    if let Some(process) = &world.process {
        let outlet = process.plant().last_delivered;
        let told = outlet.map_or_else(
            || "nothing was delivered yet".to_owned(),
            |(mg_l, kpa)| format!("last delivered: {mg_l:.1} mg/L of hardness at {kpa:.0} kPa"),
        );
        lines.push(Line::from(told));
    }
    for (row, line) in (inner.y..inner.bottom()).zip(lines) {
        let place = Rect { y: row, height: 1, ..inner };
        frame.render_widget(line, place);
    }
    let first = inner.y + 1;
    let count = u16::try_from(world.valves().len()).unwrap_or(0);
    app.places.tanks = (first..first + count).map(|y| Rect { y, height: 1, ..inner }).collect();
}

fn feed_line(app: &App, world: &World) -> Line<'static> {
    let now = Instant::from_ticks(world.now_ms);
    let flow = world.controller.flow(now);
    let by_hand = app.session.drawn_ml_min();
    let drawn = if app.session.draws_by_hand() {
        format!("drawn by hand {}", show::flow(u64::from(by_hand), units(app)))
    } else {
        "a recording draws the water".to_owned()
    };
    let hardness = match world.controller.settings().medium {
        Medium::Softener { hardness, .. } => format!(" {}", show::hardness(u64::from(hardness.0), units(app))),
        Medium::Filter { .. } => String::new(),
    };
    Line::from(format!("feed{hardness} · {drawn} · the meter tells {}", show::flow(u64::from(flow.0), units(app))))
}

/// One tank: what it does, what is left, where its valve stands, where its water goes.
fn tank_line(app: &App, world: &World, index: usize) -> Line<'static> {
    let (Some(tank), Some(valve)) = (world.controller.tanks().get(index), world.valves().get(index)) else {
        return Line::default();
    };
    let settings = world.controller.settings();
    let remaining = tank.ledger().remaining().nl();
    let spent = usize::from(tank.ledger().spent_percent(&settings.medium)).min(100);
    let filled = (100 - spent) * BAR / 100;
    let bar: String = "█".repeat(filled) + &"░".repeat(BAR - filled);
    let duty = tank.duty().kind();
    let left = show::volume(remaining, units(app)).to_string();
    let cursor = if index == app.tank { ">" } else { " " };
    let text = format!(
        "{cursor}{} {bar} {left:>9}  {:12} {:21} {}",
        index + 1,
        duty.slug(),
        valve_text(valve, tank),
        water_text(world, index),
    );
    Line::from(text).style(if index == app.tank { MARKED } else { Style::default() })
}

fn valve_text(valve: &Valve, tank: &bedkeeper::duty::Tank) -> String {
    let turns = valve.motion() != bedkeeper::drive::Motion::Off;
    match (valve.position(), tank.drive().target()) {
        (Some(at), _) if !turns => at.slug().to_owned(),
        (_, Some(to)) if turns => format!("turns to {to}"),
        (Some(at), _) => format!("{at}, turns"),
        (None, _) if turns => "turns".to_owned(),
        (None, _) => "between positions".to_owned(),
    }
}

/// Where a tank's water goes, as the logic has it; a step with the time that it still has.
fn water_text(world: &World, index: usize) -> String {
    let Some(tank) = world.controller.tanks().get(index) else { return String::new() };
    let settings = world.controller.settings();
    if let Some(regeneration) = tank.regeneration() {
        let Some(step) = regeneration.step(settings) else { return String::new() };
        let left = regeneration.deadline(settings).map(|at| at.as_ticks().saturating_sub(world.now_ms));
        // Whole minutes, but for the last two.
        let brief = |ms: u64| show::duration_brief(if ms > 120_000 { ms / 60_000 * 60_000 } else { ms });
        let left = left.map_or_else(String::new, |ms| format!(", {}", brief(ms)));
        return format!("→ {step}{left}");
    }
    match tank.duty().kind() {
        DutyKind::Serving => "→ building".to_owned(),
        DutyKind::Purging => "→ drain".to_owned(),
        _ => String::new(),
    }
}

fn wires_line(app: &App, world: &World) -> Line<'static> {
    let relays: Vec<_> =
        (1..).zip(world.relays_on).map(|(number, on)| format!("{number} {}", if on { "ON" } else { "off" })).collect();
    let closed: Vec<_> = bedkeeper::contact::Contact::ALL
        .iter()
        .filter(|contact| app.session.is_closed(**contact))
        .map(|contact| contact.slug())
        .collect();
    let closed = if closed.is_empty() { "none".to_owned() } else { closed.join(", ") };
    Line::from(format!("relays {} · contacts closed: {closed}", relays.join(", ")))
}

// ---- reasons -----------------------------------------------------------------------------------------

fn why_lines(app: &App) -> Vec<Line<'static>> {
    let session = &app.session;
    let Some(world) = session.world() else { return vec![Line::from("the plant has stopped")] };
    if world.supply.is_dark() {
        return vec![Line::from("power is off: nobody decides anything")];
    }
    let id = app.tank_id();
    let Some(why) = world.controller.why(id) else { return vec![Line::from("nothing is asked of it")] };
    let causes: Vec<_> = why.causes.iter().map(|cause| cause.slug()).collect();
    if causes.is_empty() {
        return vec![Line::from("nothing is asked of it")];
    }
    let regenerates = world.controller.tanks().get(app.tank).is_some_and(|tank| tank.regeneration().is_some());
    if regenerates {
        return vec![Line::from(format!("it regenerates, asked for: {}", causes.join(", ")))];
    }
    let mut lines = vec![Line::from(format!("asked for: {}", causes.join(", ")))];
    let holds = wording::why_lines(&why, |ms| session.days().show(ms));
    if holds.is_empty() {
        lines.push(Line::from("nothing holds it"));
    }
    lines.extend(holds.into_iter().map(|hold| Line::from(format!("held: {hold}"))));
    for fault in session.faults(TankId(id.0)) {
        lines.push(Line::from(format!("(at the bench: {fault})")));
    }
    lines
}

fn alarm_lines(app: &App) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    for violation in app.session.violations() {
        let text = format!("RULE {} IS BROKEN: {}", violation.rule, violation.text);
        lines.push(Line::from(text).style(MARKED));
    }
    let standing = app.session.state().map(|state| state.alarms).unwrap_or_default();
    for alarm in standing.iter() {
        lines.push(Line::from(vec![Span::styled(alarm.slug(), BOLD), Span::raw(format!(": {}", alarm.look()))]));
    }
    if lines.is_empty() {
        lines.push(Line::from("none"));
    }
    lines
}

fn draw_journal(frame: &mut Frame<'_>, app: &App, area: Rect) {
    let rows = usize::from(area.height.saturating_sub(2));
    let records = app.session.last_records(rows);
    let lines = records
        .iter()
        .map(|record| Line::from(format!("{}  {}", app.session.moment_of(record), wording::sentence(&record.event))))
        .collect();
    let block = Block::bordered().title("journal");
    let text: Vec<Line<'_>> = lines;
    frame.render_widget(Paragraph::new(text).block(block), area);
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

fn draw_help(frame: &mut Frame<'_>, area: Rect) {
    let mut lines: Vec<_> = HELP.iter().map(|(key, what)| Line::from(format!("{key:14} {what}"))).collect();
    lines.push(Line::default());
    lines.push(Line::from("This plant is simulated: a real one carries mains voltage, pressure and brine."));
    let place = middle_of(area, 80, u16::try_from(lines.len() + 2).unwrap_or(area.height));
    frame.render_widget(Clear, place);
    let block = Block::bordered().title("help").title_bottom("any key: leave");
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: false }).block(block), place);
}
