//! The bench: keys move a real plant, going back is exact, and what was done runs again as a scenario.

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
        wanted.events.retain(|e| matches!(e.when, scenario::When::At(_)) && !matches!(e.deed, Deed::Settings(_)));
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
        let read = scenario::parse(&path, &text).unwrap_or_else(|e| panic!("{}\n{text}", e.render(false)));
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

// ---- where water truly goes ---------------------------------------------------------------------------

fn tank(app: &App, index: usize) -> TankView {
    View::of(&app.session, 0).tanks[index].clone()
}

fn ways(tank: &TankView) -> Vec<(Way, bool)> {
    tank.ways.iter().map(|open| (open.way, open.runs)).collect()
}

/// V4: a valve that somebody knocks out of service shows its water run to the drain at once, while the logic still takes
/// it to serve; put back, both agree.
#[test]
fn a_knocked_valve_shows_the_plants_water_and_not_the_logics_belief() {
    let mut app = app(false);
    type_keys(&mut app, "w");
    choose(&mut app, "20 L/min");
    app.session.advance(HOUR_MS).unwrap();
    let before = tank(&app, 0);
    assert_eq!((before.goes_to.as_str(), before.logic), ("building", None));
    assert_eq!(ways(&tank(&app, 0)), [(Way::Building, true)]);
    assert_eq!(ways(&tank(&app, 1)), []);

    type_keys(&mut app, "f");
    choose(&mut app, "moved-by-hand:backwash");
    app.session.advance(app.session.now_ms() + 500).unwrap();
    let knocked = tank(&app, 0);
    assert_eq!((knocked.duty, knocked.valve.as_str(), knocked.goes_to.as_str()), ("serving", "backwash", "drain"));
    let logic = knocked.logic.expect("it differs");
    assert!(logic.is_wrong && logic.text == "takes it to stand in service, open to the building", "{logic:?}");
    insta::assert_snapshot!("knocked", screen(&mut app, 80, 24));

    // Within seconds the logic has noticed and turns it back.
    app.session.advance(app.session.now_ms() + 3_000).unwrap();
    assert!(tank(&app, 0).logic.is_some_and(|logic| !logic.is_wrong && logic.text == "turns it to service"));
    app.session.advance(app.session.now_ms() + 10 * 60_000).unwrap();
    assert_eq!(tank(&app, 0).logic, None);
}

/// V3: a valve that jams keeps passing what it passes where it jams, whatever the logic asks of it; halfway between two
/// positions every port is shut, and nobody draws through it.
#[test]
fn a_stuck_valve_shows_what_it_passes_and_one_between_positions_passes_nothing() {
    let mut app = app(false);
    app.session.advance(60_000).unwrap();
    type_keys(&mut app, "2f");
    choose(&mut app, "jams-in:brine-draw");
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    app.session.advance(2 * HOUR_MS).unwrap();
    let stuck = tank(&app, 1);
    assert_eq!((stuck.duty, stuck.valve.as_str(), stuck.goes_to.as_str()), ("out", "brine-draw", "drain, with brine"));
    assert_eq!(ways(&stuck), [(Way::BrineToDrain, true)]);
    assert!(stuck.logic.is_some_and(|logic| logic.is_wrong), "it is lost");

    type_keys(&mut app, "1f");
    choose(&mut app, "moved-by-hand:between");
    app.session.advance(app.session.now_ms() + 500).unwrap();
    let between = tank(&app, 0);
    assert_eq!((between.position, between.goes_to.as_str()), (None, "nowhere"));
    assert!(between.valve.starts_with("between, by "), "{}", between.valve);
    assert!(between.logic.is_some_and(|logic| logic.is_wrong));
}

/// V3: a motor that does not turn stands where it stood, though the logic drives it.
#[test]
fn a_stalled_motor_does_not_look_as_if_it_turned() {
    let mut app = app(false);
    app.session.advance(60_000).unwrap();
    type_keys(&mut app, "2f");
    choose(&mut app, "motor-stalled");
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    app.session.advance(app.session.now_ms() + 5_000).unwrap();
    let stalled = tank(&app, 1);
    assert!(!stalled.turns, "{stalled:?}");
    assert_eq!((stalled.position, stalled.goes_to.as_str()), (Some("standby"), "nowhere"));
    let logic = stalled.logic.expect("it differs");
    assert!(logic.is_wrong && logic.text == "turns it to backwash, and it does not turn", "{logic:?}");
}

/// A single tank's valve passes untreated water to the building while it regenerates, and water drawn by hand runs
/// whether power is on or off.
#[test]
fn untreated_water_and_water_in_the_dark_are_shown() {
    let mut app = App::new(Session::new(plan("demo:house", false)).unwrap(), PathBuf::from("never-written.toml"));
    type_keys(&mut app, "w");
    choose(&mut app, "10 L/min");
    app.session.advance(60_000).unwrap();
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    app.session.advance(app.session.now_ms() + 5 * 60_000).unwrap();
    let open = tank(&app, 0);
    assert_eq!(ways(&open), [(Way::PastBed, true), (Way::Drain, true)], "{open:?}");
    assert_eq!(open.goes_to, "building, untreated + drain");
    type_keys(&mut app, "p");
    choose(&mut app, "off for 6 h");
    assert_eq!(ways(&tank(&app, 0)), [(Way::PastBed, true), (Way::Drain, true)]);
    assert_eq!(tank(&app, 0).logic, None, "nobody believes anything in the dark");
    let feed = View::of(&app.session, 0).feed;
    assert!(feed.ends_with("drawn by hand 10 L/min · nobody meters it"), "{feed}");
}

/// A6: a changeover valve that somebody turns leads neither or the other tank to the building, and is broken and mended
/// at the bench like a tank's own.
#[test]
fn a_knocked_changeover_valve_leads_elsewhere() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/sites/shared.toml");
    let site = site::parse("shared.toml", &std::fs::read_to_string(file).unwrap()).unwrap();
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    let plan = Plan::of_site(site, "shared.toml", start, false, Water::None, None).unwrap();
    let mut app = App::new(Session::new(plan).unwrap(), PathBuf::from("never-written.toml"));
    type_keys(&mut app, "w");
    choose(&mut app, "10 L/min");
    app.session.advance(HOUR_MS).unwrap();
    assert_eq!((tank(&app, 0).goes_to, tank(&app, 0).logic), ("building".to_owned(), None));
    type_keys(&mut app, "f");
    let words = "changeover valve: somebody turns it by hand to tank 2's side [moved-by-hand:standby]";
    choose(&mut app, words);
    app.session.advance(HOUR_MS + 500).unwrap();
    let (first, second) = (tank(&app, 0), tank(&app, 1));
    assert_eq!((first.goes_to.as_str(), second.goes_to.as_str()), ("nowhere", "building"));
    let logic = first.logic.expect("it differs");
    assert!(logic.is_wrong && logic.text == "takes the changeover valve to lead it to the building", "{logic:?}");
}

// ---- nothing is cut off -------------------------------------------------------------------------------

/// A fault fills why, alarms and journal at the smallest size: each pane says how much more it has, and keys and the wheel
/// bring it.
#[test]
fn panes_say_what_is_out_of_view_and_scroll() {
    let mut app = app(false);
    type_keys(&mut app, "2f");
    choose(&mut app, "motor-stalled");
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    app.session.advance(HOUR_MS).unwrap();
    app.message.clear();
    let small = screen(&mut app, 80, 24);
    insta::assert_snapshot!("alarms_small", small);
    insta::assert_snapshot!("alarms_large", screen(&mut app, 132, 43));
    assert!(small.contains("more below: Tab, PgDn") && small.contains("more above: PgUp"), "{small}");

    // The journal is chosen at first and shows its end; page up goes back, page down to the end again.
    screen(&mut app, 80, 24);
    press(&mut app, KeyCode::PageUp);
    let back = screen(&mut app, 80, 24);
    assert!(back.contains("below: PgUp PgDn"), "{back}");
    press(&mut app, KeyCode::PageDown);
    assert_eq!(screen(&mut app, 80, 24), small);

    // Tab goes through the panes; the last row of the alarms is reached, and said to be the last.
    for _ in 0..3 {
        press(&mut app, KeyCode::Tab);
    }
    assert_eq!(app.pane, Pane::Alarms);
    for _ in 0..20 {
        screen(&mut app, 80, 24);
        press(&mut app, KeyCode::PageDown);
    }
    let end = screen(&mut app, 80, 24);
    assert!(end.contains("more above: PgUp") && !end.contains("PgUp PgDn"), "{end}");

    // The wheel scrolls what it is over, chosen or not.
    let (_, journal) = *app.places.panes.iter().find(|(pane, _)| *pane == Pane::Journal).unwrap();
    let wheel = |kind| MouseEvent { kind, column: journal.x + 3, row: journal.y + 2, modifiers: KeyModifiers::NONE };
    app.mouse(wheel(MouseEventKind::ScrollUp));
    assert!(screen(&mut app, 80, 24).contains("19 above, 3 below: Tab, PgUp PgDn"));
    app.mouse(wheel(MouseEventKind::ScrollDown));
    assert_eq!(screen(&mut app, 80, 24), end);
    assert_eq!(app.pane, Pane::Alarms);
}

/// Eight tanks do not fit above the other panes at the smallest size: the chosen one is in view, and the rest is a
/// page key away.
#[test]
fn the_chosen_of_many_tanks_is_in_view() {
    let text = demo::demo_site("demo:apartments").unwrap().unwrap();
    let eight = text.replacen("arrangement = \"alternating\"", "arrangement = \"parallel\"\nnumber = 8", 1);
    let site = site::parse("eight.toml", &eight).unwrap_or_else(|errors| panic!("{}", errors.render(false)));
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    let plan = Plan::of_site(site, "eight.toml", start, false, Water::None, None).unwrap();
    let mut app = App::new(Session::new(plan).unwrap(), PathBuf::from("never-written.toml"));
    app.session.advance(HOUR_MS).unwrap();
    for number in 1..=8 {
        type_keys(&mut app, &number.to_string());
        let seen = screen(&mut app, 80, 24);
        assert!(seen.contains(&format!("│>{number} ")), "tank {number}:\n{seen}");
        assert!(seen.contains("more") && seen.contains("Tab, PgUp") || seen.contains("Tab, PgDn"), "{seen}");
    }
}

/// At every width from that of the smallest terminal down, the foot ends with a whole key, and menus show whole words.
#[test]
fn the_foot_and_menus_are_not_cut_off() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    for width in 40..=132 {
        let seen = screen(&mut app, width, 24);
        let foot = seen.lines().last().unwrap();
        assert!(foot.starts_with("? help  space play"), "{foot}");
        let known = ["help", "play", "next", "time", "water", "operator", "faults", "pane", "speed", "panel", "clock"];
        let known = known.iter().chain(&["power", "contacts", "save", "leave"]);
        assert!(known.into_iter().any(|word| foot.ends_with(word)), "{width}: {foot}");
    }
    for key in ["f", "c", "o", "w", "p", "k"] {
        type_keys(&mut app, key);
        let menu = app.menu.clone().unwrap();
        for (words, _) in &menu.items {
            let place = menu.items.iter().position(|(text, _)| text == words).unwrap();
            app.menu.as_mut().unwrap().cursor = place;
            let seen = screen(&mut app, 80, 24);
            let last = words.split(' ').next_back().unwrap();
            let rows: Vec<_> = seen.lines().filter(|row| row.contains('│')).collect();
            assert!(rows.iter().any(|row| row.contains(last)), "{words}\n{seen}");
        }
        press(&mut app, KeyCode::Esc);
    }
}

/// Faults and contacts are offered in plain words, each with its code beside it that a scenario would use.
#[test]
fn menus_of_faults_and_contacts_speak_plainly() {
    let mut app = app(false);
    type_keys(&mut app, "f");
    let faults = app.menu.take().unwrap();
    assert!(faults.items.iter().any(|(words, _)| words == "it jams once it comes to backwash [jams-in:backwash]"));
    for (words, choice) in &faults.items {
        let (plain, code) = words.trim_end_matches(']').rsplit_once(" [").expect("words and a code");
        assert!(plain.split(' ').count() > 2, "{words}");
        let Choice::Happen(Deed::Fault { valve: WhichValve::Tank(TankId(0)), fault, .. }) = choice else {
            panic!("{choice:?}")
        };
        assert_eq!(code.parse::<Fault>(), Ok(*fault));
    }
    // All kinds that this valve can have are there.
    for spelling in Fault::SPELLINGS {
        let fault: Fault = spelling.parse().unwrap();
        let can_have = app.session.world().unwrap().valves()[0].clone().arm(fault).is_ok();
        let offered = faults.items.iter().any(|(words, _)| words.contains(&format!("[{}", fault.name())));
        assert_eq!(offered, can_have, "{spelling}");
    }
    type_keys(&mut app, "c");
    choose(&mut app, "close the hardness monitor: hard water is seen [sensor]");
    assert!(app.session.is_closed(Contact::Sensor));
    assert!(screen(&mut app, 80, 24).contains("contacts closed: hardness monitor [sensor]"));
    type_keys(&mut app, "c");
    choose(&mut app, "open the hardness monitor again [sensor]");
    assert!(!app.session.is_closed(Contact::Sensor));
}

/// W2, W3: an alarm tells since when it stands, whether it is acknowledged, what happened, what is done and what to look
/// at; acknowledged and over it is gone.
#[test]
fn an_alarm_tells_what_a_panel_tells() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "k");
    choose(&mut app, "it is lost");
    app.session.advance(HOUR_MS + 60_000).unwrap();
    let alarms = View::of(&app.session, 0).alarms;
    let clock = alarms.iter().find(|alarm| alarm.code == "clock-unset").expect("it stands");
    assert_eq!(clock.state, "notice · since day 1 01:00:00 · not acknowledged");
    let texts = (Alarm::ClockUnset.happened(), Alarm::ClockUnset.done(), Alarm::ClockUnset.look());
    assert_eq!((clock.happened, clock.done, clock.look), texts);
    type_keys(&mut app, "o");
    choose(&mut app, "acknowledge: The civil time is unknown. [clock-unset]");
    let state = |app: &App| View::of(&app.session, 0).alarms.first().map(|alarm| alarm.state.clone());
    assert_eq!(state(&app).as_deref(), Some("notice · since day 1 01:00:00 · acknowledged"));
    type_keys(&mut app, "k");
    choose(&mut app, "set it right: 2027-03-01 01:01:00");
    app.session.advance(HOUR_MS + 120_000).unwrap();
    assert_eq!(state(&app), None);
}

/// T1: a clock that is lost is set to a date and time; what is no time is said to be none, with what would be right.
#[test]
fn a_lost_clock_is_set_to_a_date_and_time() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "k");
    choose(&mut app, "it is lost");
    type_keys(&mut app, "k");
    let offered: Vec<_> = app.menu.as_ref().unwrap().items.iter().map(|(words, _)| words.as_str()).collect();
    assert_eq!(offered, ["set it to a date and time", "set it right: 2027-03-01 01:00:00"]);
    choose(&mut app, "set it to a date and time");
    assert_eq!(app.ask.as_ref().map(|ask| ask.text.as_str()), Some("2027-03-01 01:00:00"));
    for (wrong, why) in [
        ("2027-02-30 10:00", "February 2027 has 28 days, and no day 30"),
        ("2027-13-01 10:00", "there is no month 13"),
        ("1999-01-01 10:00", "the year 1999 is not from 2000 to 2099"),
        ("2027-03-01 25:00", "the day goes from 00:00 to 23:59"),
        ("2027-03-01 10:00+01:00", "without a zone"),
        ("now", "`now` is no date"),
        ("", "is no date"),
    ] {
        press(&mut app, KeyCode::Delete);
        type_keys(&mut app, wrong);
        press(&mut app, KeyCode::Enter);
        let seen = screen(&mut app, 80, 24);
        let told: String = app.ask.as_ref().expect("it is still asked").wrong.clone();
        assert!(told.contains(why), "{wrong}: {told}");
        assert!(seen.contains("write it as"), "{seen}");
    }
    press(&mut app, KeyCode::Delete);
    type_keys(&mut app, "2031-12-24 18:30");
    press(&mut app, KeyCode::Enter);
    assert!(app.ask.is_none());
    app.session.advance(HOUR_MS + 60_000).unwrap();
    assert_eq!(View::of(&app.session, 0).civil, "2031-12-24 18:31:00");
    let again = app.session.scenario();
    assert!(again.contains("clock = \"2031-12-24T18:30:00\""), "{again}");
}
