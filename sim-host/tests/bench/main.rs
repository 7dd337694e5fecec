//! The bench: keys move a real plant, going back is exact, and what was done runs again as a scenario.

mod panes;
mod water;

use std::path::{Path, PathBuf};
use std::time::Duration;

use bedkeeper::contact::Contact;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper_sim::bench::{App, Choice, Menu, Pane, Plan, Session, TankView, View, Way, draw};
use bedkeeper_sim::plant::{Fault, WhichValve};
use bedkeeper_sim::scenario::{self, Deed, Water};
use bedkeeper_sim::{demo, site};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers, MouseButton, MouseEvent, MouseEventKind};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

const HOUR_MS: u64 = 3_600_000;

fn plan(name: &str, full: bool) -> Plan {
    let site = site::parse(name, demo::demo_site(name).unwrap().unwrap()).unwrap();
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    Plan::of_site(site, name, start, full, Water::None, None).unwrap()
}

fn app(full: bool) -> App {
    App::new(Session::new(plan("demo:apartments", full)).unwrap(), PathBuf::from("never-written.toml"))
}

fn press(app: &mut App, code: KeyCode) {
    app.key(KeyEvent::new(code, KeyModifiers::NONE));
}

fn type_keys(app: &mut App, keys: &str) {
    for key in keys.chars() {
        press(app, KeyCode::Char(key));
    }
}

/// Chooses the item of the open menu that has these words, or this code beside its words.
fn choose(app: &mut App, words: &str) {
    let menu = app.menu.as_ref().expect("a menu is open");
    let code = format!("[{words}]");
    let named = |(text, _): &(String, Choice)| text == words || text.ends_with(&code);
    let place = menu.items.iter().position(named);
    let place = place.unwrap_or_else(|| panic!("no \"{words}\" in {:?}", menu.items));
    for _ in 0..place {
        press(app, KeyCode::Down);
    }
    press(app, KeyCode::Enter);
    assert!(app.menu.is_none());
}

fn screen(app: &mut App, width: u16, height: u16) -> String {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(frame, app)).unwrap();
    let rows = terminal.backend().to_string();
    // Each row stands in quotes there.
    rows.lines().map(|row| row.trim_matches('"').trim_end()).collect::<Vec<_>>().join("\n")
}

fn duties(app: &App) -> Vec<DutyKind> {
    app.session.state().unwrap().tanks.iter().map(|tank| tank.duty).collect()
}

/// Q5, O4, O6: whatever an operator may ask can be asked at the bench.
#[test]
fn every_action_of_an_operator_is_in_the_menu() {
    let app = app(false);
    // Without a clock an alarm stands, to be acknowledged and reset.
    let mut session = app.session;
    session.happen(Deed::ClockLost).unwrap();
    session.advance(HOUR_MS).unwrap();
    let menu = Menu::operator(&session, TankId(0));
    let offered: Vec<_> = menu
        .items
        .iter()
        .filter_map(|(_, choice)| match choice {
            Choice::Happen(Deed::Operator(_, action)) => Some(action.slug()),
            _ => None,
        })
        .collect();
    let missing: Vec<_> = scenario::action_slugs().into_iter().filter(|slug| !offered.contains(slug)).collect();
    assert_eq!(missing, Vec::<&str>::new());
}

#[test]
fn a_plant_is_seen_at_two_sizes() {
    let mut app = app(false);
    type_keys(&mut app, "w");
    choose(&mut app, "20 L/min");
    app.session.advance(10 * HOUR_MS + 5 * 60_000).unwrap();
    insta::assert_snapshot!("small", screen(&mut app, 80, 24));
    insta::assert_snapshot!("large", screen(&mut app, 120, 40));
    type_keys(&mut app, "?");
    insta::assert_snapshot!("help", screen(&mut app, 80, 24));
    type_keys(&mut app, " o");
    insta::assert_snapshot!("menu", screen(&mut app, 80, 24));
    // Any size draws something and does not stop the program.
    for (width, height) in [(1, 1), (20, 5), (79, 23), (300, 100)] {
        screen(&mut app, width, height);
    }
}

#[test]
fn keys_drive_a_fault_and_back() {
    let mut app = app(false);
    type_keys(&mut app, "w");
    choose(&mut app, "10 L/min");
    press(&mut app, KeyCode::Down);
    assert_eq!(app.tank_id(), TankId(1));
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    type_keys(&mut app, "f");
    choose(&mut app, "motor-stalled");
    app.session.advance(HOUR_MS).unwrap();
    assert_eq!(duties(&app), [DutyKind::Serving, DutyKind::Out]);
    let seen = screen(&mut app, 132, 43);
    assert!(seen.contains("valve-lost") && seen.contains("motor-stalled") && seen.contains("drive-failed"), "{seen}");
    type_keys(&mut app, "f");
    choose(&mut app, "mend it: the motor does not turn [motor-stalled]");
    type_keys(&mut app, "o");
    choose(&mut app, "put back");
    app.session.advance(6 * HOUR_MS).unwrap();
    assert_eq!(duties(&app), [DutyKind::Serving, DutyKind::Ready]);
    assert!(app.session.violations().is_empty());
}

#[test]
fn going_back_is_exact_and_forgets_what_came_after() {
    let mut app = app(false);
    type_keys(&mut app, "w");
    choose(&mut app, "20 L/min");
    app.session.advance(3 * HOUR_MS).unwrap();
    let then = (app.session.state(), app.session.last_records(1_000));
    type_keys(&mut app, "p");
    choose(&mut app, "off for 6 h, and the clock is lost");
    app.session.advance(12 * HOUR_MS).unwrap();
    assert_ne!(app.session.state(), then.0);
    app.session.jump(3 * HOUR_MS).unwrap();
    assert_eq!(app.session.now_ms(), 3 * HOUR_MS);
    assert_eq!((app.session.state(), app.session.last_records(1_000)), then);
    // The water still runs, and the power cut is forgotten.
    assert_eq!(app.session.drawn_ml_min(), 20_000);
    app.session.advance(12 * HOUR_MS).unwrap();
    let mut straight = self::app(false);
    straight.session.draw(20_000);
    straight.session.advance(12 * HOUR_MS).unwrap();
    assert_eq!(app.session.last_records(10_000), straight.session.last_records(10_000));
}

#[test]
fn time_passes_only_while_it_plays_and_no_menu_is_open() {
    let mut app = app(false);
    app.pass(Duration::from_secs(1));
    assert_eq!(app.session.now_ms(), 0);
    type_keys(&mut app, " ");
    app.pass(Duration::from_secs(1));
    assert_eq!(app.session.now_ms(), 60_000, "60 times as fast to begin with");
    type_keys(&mut app, "++++++");
    app.pass(Duration::from_secs(1));
    assert_eq!(app.session.now_ms(), 60_000 + 10_000_000);
    type_keys(&mut app, "c");
    app.pass(Duration::from_secs(1));
    assert_eq!(app.session.now_ms(), 60_000 + 10_000_000);
    press(&mut app, KeyCode::Esc);
    type_keys(&mut app, "-q");
    assert!(app.quits);
}

#[test]
fn the_next_record_stops_there_and_a_contact_is_seen_closed_while_it_is() {
    let mut app = app(false);
    app.session.advance(60_000).unwrap();
    let records = app.session.last_records(1_000).len();
    type_keys(&mut app, "n");
    assert!(app.session.last_records(1_000).len() > records);
    let stopped = app.session.now_ms();
    assert!(stopped < 3 * HOUR_MS, "the regeneration hour comes first");
    type_keys(&mut app, "c");
    choose(&mut app, "close the pressure switch for 5 s [low-pressure]");
    assert!(app.session.is_closed(Contact::LowPressure));
    app.session.advance(stopped + 6_000).unwrap();
    assert!(!app.session.is_closed(Contact::LowPressure));
}

#[test]
fn the_mouse_chooses_a_tank_and_an_item() {
    let mut app = app(false);
    screen(&mut app, 80, 24);
    let click = |column, row| MouseEvent {
        kind: MouseEventKind::Down(MouseButton::Left),
        column,
        row,
        modifiers: KeyModifiers::NONE,
    };
    let second = app.places.tanks[1];
    app.mouse(click(second.x + 2, second.y));
    assert_eq!(app.tank, 1);
    type_keys(&mut app, "w");
    screen(&mut app, 80, 24);
    let (items, rows) = app.places.menu.clone().unwrap();
    assert_eq!(rows, (0..8).collect::<Vec<_>>());
    app.mouse(click(items.x + 1, items.y + 5));
    assert_eq!(app.session.drawn_ml_min(), 20_000);
    type_keys(&mut app, "w");
    screen(&mut app, 80, 24);
    app.mouse(click(0, 0));
    assert!(app.menu.is_none(), "a click beside a menu leaves it");
}

#[test]
fn what_was_done_runs_again_as_a_scenario() {
    let mut app = app(false);
    type_keys(&mut app, "w");
    choose(&mut app, "20 L/min");
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "2o");
    choose(&mut app, "start now");
    app.session.advance(2 * HOUR_MS).unwrap();
    type_keys(&mut app, "p");
    choose(&mut app, "off for 5 min");
    type_keys(&mut app, "w");
    choose(&mut app, "5 L/min");
    app.session.advance(9 * HOUR_MS).unwrap();
    let text = app.session.scenario();
    let scenario =
        scenario::parse(Path::new("bench.toml"), &text).unwrap_or_else(|e| panic!("{}\n{text}", e.render(false)));
    let (verdict, timeline) = scenario::run_whole(&scenario).unwrap();
    let missed: Vec<_> = verdict.missed().collect();
    assert!(missed.is_empty(), "{missed:?}\n{text}");
    assert_eq!(timeline.records, app.session.last_records(100_000));
}

#[test]
fn a_scenario_is_followed_to_its_end_and_added_to() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios/C/would_run_into_a_window.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let scenario = scenario::load(&file).unwrap();
    let end_ms = scenario.lasts_ms;
    let plan = Plan { scenario, text: Some(text), site: String::new(), recording: None };
    let mut app = App::new(Session::new(plan).unwrap(), PathBuf::from("never-written.toml"));
    app.session.advance(9 * HOUR_MS).unwrap();
    type_keys(&mut app, "o");
    choose(&mut app, "hold");
    type_keys(&mut app, " ");
    app.pass(Duration::from_secs(10 * 24 * 3_600));
    assert_eq!(app.session.now_ms(), end_ms);
    assert!(!app.plays);
    let added = app.session.scenario();
    let added = scenario::parse(&file, &added).unwrap_or_else(|e| panic!("{}\n{added}", e.render(false)));
    assert_eq!(added.events.len(), 1);
}

#[test]
fn the_full_plant_shows_its_water_and_takes_what_happens_to_it() {
    let mut app = app(true);
    type_keys(&mut app, "w");
    choose(&mut app, "20 L/min");
    app.session.advance(HOUR_MS).unwrap();
    assert!(screen(&mut app, 80, 24).contains("mg/L of hardness at"));
    type_keys(&mut app, "m");
    choose(&mut app, "a salt bridge forms");
    app.session.advance(2 * HOUR_MS).unwrap();
    app.session.jump(HOUR_MS / 2).unwrap();
    assert!(!app.session.scenario().contains("salt_bridge"));
}

/// Every deed that can be written reads back as it was.
#[test]
fn deeds_are_written_as_they_are_read() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios");
    let mut written = 0;
    for path in scenario::files(&file).unwrap() {
        let mut wanted = scenario::load(&path).unwrap();
        let source = std::fs::read_to_string(&path).unwrap();
        let sections = source.split("\n[[event]]").next().unwrap();
        let expect = source.split("\n[[expect]]").nth(1).map_or("", |rest| rest);
        wanted.events.retain(|e| matches!(e.when, scenario::When::At(_)) && !matches!(e.deed, Deed::Settings { .. }));
        let events: String = wanted
            .events
            .iter()
            .map(|event| match event.when {
                scenario::When::At(at_ms) => format!("\n{}", scenario::event_section(at_ms, &event.deed)),
                scenario::When::After { .. } => unreachable!("taken out above"),
            })
            .collect();
        let top = sections.split("\n[[expect]]").next().unwrap();
        let first = expect.split("\n[[").next().unwrap();
        let text = format!("{top}\n{events}\n[[expect]]{first}\n");
        let mut read = scenario::parse(&path, &text).unwrap_or_else(|e| panic!("{}\n{text}", e.render(false)));
        // Each is found on another line.
        read.events.iter_mut().chain(&mut wanted.events).for_each(|event| event.line = 0);
        assert_eq!(read.events, wanted.events, "{}", path.display());
        written += read.events.len();
    }
    assert!(written > 30, "{written}");
}

/// The board's panel is a key away, its rows as text where there is no room for its dots, and its buttons move the same
/// plant.
#[test]
fn a_boards_panel_is_shown_and_used() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "b");
    insta::assert_snapshot!("board_small", screen(&mut app, 80, 24));
    insta::assert_snapshot!("board_large", screen(&mut app, 140, 44));
    // First tank, what may be asked, regenerate now, and yes.
    for key in [KeyCode::Enter, KeyCode::Enter, KeyCode::Enter, KeyCode::Down, KeyCode::Enter] {
        press(&mut app, key);
    }
    let started = |app: &App| app.session.last_records(20).iter().any(|r| matches!(r.event, Event::Started { .. }));
    app.session.advance(app.session.now_ms() + 600_000).unwrap();
    assert!(started(&app), "{:?}", app.session.last_records(20));
    // A click on a button is a press as well.
    let before = screen(&mut app, 80, 24);
    let (_, back) = app.places.buttons[2];
    app.mouse(MouseEvent {
        kind: MouseEventKind::Down(MouseButton::Left),
        column: back.x,
        row: back.y,
        modifiers: KeyModifiers::NONE,
    });
    assert_ne!(screen(&mut app, 80, 24), before);
    // The bench's own keys go on beneath it, and its own way back tells the same plant.
    type_keys(&mut app, " ");
    assert!(app.plays);
    press(&mut app, KeyCode::Esc);
    assert!(!app.shows_board && !app.quits);
    app.session.jump(HOUR_MS).unwrap();
    assert!(!started(&app));
}

/// O2: settings changed at the panel run.
#[test]
fn a_boards_panel_changes_settings() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "b");
    let before = app.session.world().unwrap().controller.settings().raw().clone();
    let to_menu = [KeyCode::Home, KeyCode::Down, KeyCode::Down, KeyCode::Down, KeyCode::Enter];
    let to_group =
        [KeyCode::Down, KeyCode::Down, KeyCode::Down, KeyCode::Down, KeyCode::Down, KeyCode::Enter, KeyCode::Enter];
    let change = [KeyCode::Down, KeyCode::Enter, KeyCode::Up, KeyCode::Enter, KeyCode::Backspace];
    for key in to_menu.into_iter().chain(to_group).chain(change).chain([KeyCode::Down; 30]) {
        press(&mut app, key);
    }
    for key in [KeyCode::Enter, KeyCode::Enter, KeyCode::Enter] {
        press(&mut app, key);
    }
    let after = app.session.world().unwrap().controller.settings().raw().clone();
    let changed = bedkeeper::settings::difference(&before, &after);
    assert_eq!(changed.changes().iter().map(|change| change.field).collect::<Vec<_>>(), ["medium"]);
}
