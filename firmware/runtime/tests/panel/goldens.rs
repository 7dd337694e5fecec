//! A picture of every screen, as the handbook shows them.

use bedkeeper::Action;
use bedkeeper::Input;
use bedkeeper::calendar::Civil;
use bedkeeper::commission::Task;
use bedkeeper::contact::Contact;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::lock::LockRule;
use bedkeeper::units::{Hardness, Instant, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper_runtime::panel::{Button, Press, Screen, Told, Units};
use bedkeeper_runtime::self_test::{Check, Finding};

use super::picture::{Dots, HEIGHT, compare};
use super::scene::{DAY, HOUR, MIN, MONDAY, SEC, Scene, alternating, parallel};

fn shoot(name: &str, scene: &Scene) {
    let mut dots = Dots::new(HEIGHT);
    scene.page().draw(&mut dots).unwrap();
    compare(name, &dots);
}

/// A morning on which both tanks are well and somebody showers.
fn morning() -> Scene {
    let mut scene = Scene::new(alternating());
    scene.draw(120, 10);
    scene
}

#[test]
fn first_screens() {
    let mut scene = morning();
    shoot("home", &scene);
    scene.panel.units = Units::Us;
    shoot("home-us", &scene);
    scene.panel.units = Units::Metric;
    scene.walk_to(&["menu"]);
    shoot("menu", &scene);
    for _ in 0..30 {
        scene.short(Button::Down);
    }
    shoot("menu-end", &scene);
    scene.walk_to(&["menu", "water"]);
    shoot("water", &scene);
    scene.walk_to(&["menu", "site and note"]);
    shoot("note", &scene);
    scene.walk_to(&["1 serving"]);
    shoot("tank-serving", &scene);
    scene.short(Button::Enter);
    shoot("tank-deeds", &scene);
    scene.choose("take it out");
    shoot("sure", &scene);
    let eight = Scene::new(parallel(8));
    shoot("home-eight", &eight);
}

/// Why it waits, and what it does while it regenerates.
#[test]
fn a_regeneration() {
    let mut scene = morning();
    scene.ask(Action::StartAtHour(TankId(0)));
    scene.advance(SEC);
    shoot("home-waits", &scene);
    scene.walk_to(&["1 serving"]);
    shoot("tank-waits", &scene);
    scene.ask(Action::StartNow(TankId(0)));
    scene.advance(5 * MIN);
    shoot("tank-regenerates", &scene);
    scene.panel.open(Screen::Home { at: 0 });
    shoot("home-regenerates", &scene);
    scene.walk_to(&["menu", "journal"]);
    shoot("journal", &scene);
}

#[test]
fn alarms() {
    let mut scene = morning();
    scene.ask(Action::TakeOut(TankId(1)));
    scene.tell(Input::Contact { contact: Contact::LowPressure, closed: true });
    scene.advance(5 * SEC);
    shoot("home-alarms", &scene);
    scene.walk_to(&["!"]);
    shoot("alarms", &scene);
    scene.choose("low pressure");
    shoot("alarm", &scene);
    scene.short(Button::Enter);
    shoot("alarm-deeds", &scene);
    scene.choose("acknowledge it");
    shoot("told-granted", &scene);
    scene.walk_to(&["menu", "ask of the plant"]);
    shoot("plant-deeds", &scene);
}

#[test]
fn settings() {
    let mut scene = morning();
    scene.walk_to(&["menu", "settings"]);
    shoot("groups", &scene);
    scene.choose("water and resin");
    shoot("fields", &scene);
    scene.choose("hardness");
    for _ in 0..3 {
        scene.short(Button::Up);
    }
    shoot("edit", &scene);
    scene.short(Button::Enter);
    shoot("fields-changed", &scene);
    scene.short(Button::Back);
    scene.choose("see changes");
    shoot("review", &scene);
    scene.short(Button::Enter);
    shoot("review-deeds", &scene);
    scene.choose("take them all");
    shoot("told-taken", &scene);
    scene.walk_to(&["menu", "settings", "steps"]);
    shoot("fields-steps", &scene);
}

/// O2: blackouts, relays, alarms, tanks, drives and locks are changed as anything else is.
#[test]
fn parts_of_the_settings() {
    let mut scene = morning();
    scene.walk_to(&["menu", "settings", "days and blackouts", "add a blackout"]);
    shoot("window", &scene);
    scene.choose("* begins on");
    for _ in 0..5 {
        scene.short(Button::Enter);
        scene.short(Button::Down);
    }
    shoot("edit-set", &scene);
    scene.choose("note it");
    scene.walk_to(&["menu", "settings", "relays"]);
    shoot("relays", &scene);
    scene.choose("relay 1");
    shoot("relay", &scene);
    scene.choose("it is on");
    scene.short(Button::Down);
    scene.short(Button::Enter);
    scene.walk_to(&["menu", "settings", "see changes"]);
    shoot("review-parts", &scene);
    scene.walk_to(&["menu", "settings", "steps", "2. brine draw"]);
    shoot("step", &scene);
    scene.walk_to(&["menu", "settings", "how grave", "low pressure"]);
    shoot("alarm-rules", &scene);
    scene.walk_to(&["menu", "settings", "tanks"]);
    shoot("plant", &scene);
    scene.walk_to(&["menu", "settings", "valve drives"]);
    shoot("drive", &scene);
    scene.walk_to(&["menu", "settings", "locks"]);
    shoot("locks", &scene);
    scene.choose("panel lock");
    scene.short(Button::Up);
    scene.short(Button::Up);
    scene.short(Button::Enter);
    scene.short(Button::Up);
    shoot("set-code", &scene);
}

/// O3, O1: baselines are behind the lock, and each is asked once more.
#[test]
fn baselines() {
    let mut raw = alternating();
    raw.locks.panel = LockRule::Press;
    let mut scene = Scene::new(raw);
    scene.walk_to(&["menu", "settings", "baselines"]);
    shoot("baselines", &scene);
    scene.choose("keep what runs");
    shoot("sure-baseline", &scene);
    scene.choose("yes");
    assert!(matches!(scene.panel.screen(), Screen::Lock(_)), "the lock stands before it");
    scene.press(Press::Long(Button::Enter));
    scene.walk_to(&["menu", "settings", "baselines", "keep what runs", "yes"]);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::BaselineStored, at: 0 });
    let mut site = alternating();
    site.backup_days = 7;
    scene.baseline = Some(site);
    scene.walk_to(&["menu", "settings", "baselines", "back to the site"]);
    shoot("review-baseline", &scene);
    scene.walk_to(&["menu", "settings", "baselines", "back to the built-in"]);
    for _ in 0..30 {
        scene.short(Button::Down);
    }
    shoot("review-built-in", &scene);
    scene.short(Button::Enter);
    scene.choose("take them all");
    shoot("told-at-restart", &scene);
}

/// P7: what is kept for long: regenerations, the use of days, what valves and relays have done.
#[test]
fn what_is_kept_for_long() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "regenerations"]);
    assert!(scene.text().iter().any(|row| row.contains("No regeneration")), "{:?}", scene.text());
    scene.walk_to(&["menu", "daily use"]);
    assert!(scene.text().iter().any(|row| row.contains("No day")), "{:?}", scene.text());
    for day in 0..17 {
        scene.draw(200 + 10 * day, 60);
        scene.advance(DAY - HOUR);
    }
    assert!(scene.kept.regenerations.len() > 1 && scene.kept.days.len() > 14);
    scene.walk_to(&["menu", "regenerations"]);
    shoot("regenerations", &scene);
    let newest = scene.text();
    scene.short(Button::Down);
    assert_ne!(scene.text(), newest, "an older one");
    for _ in 0..90 {
        scene.short(Button::Up);
    }
    assert_eq!(scene.text(), newest);
    scene.short(Button::Enter);
    shoot("regeneration", &scene);
    scene.walk_to(&["menu", "daily use"]);
    shoot("days", &scene);
    for _ in 0..90 {
        scene.short(Button::Down);
    }
    shoot("days-oldest", &scene);
    scene.walk_to(&["menu", "lifetime counters"]);
    shoot("counters", &scene);
    scene.walk_to(&["menu", "settings", "serial line"]);
    shoot("line", &scene);
    scene.choose("address");
    shoot("edit-line", &scene);
}

/// O6: the hardness tests that are kept, the newest first.
#[test]
fn hardness_tests() {
    let mut scene = morning();
    for (tank, treated, changed) in [(0, 1_500, None), (1, 21_000, Some(912))] {
        scene.tests.push(HardnessEntry {
            tank: TankId(tank),
            at: Instant::from_ticks(0),
            civil: Some(Civil(u64::from(MONDAY) * DAY + u64::from(tank) * HOUR + 9 * HOUR)),
            treated: Hardness(treated),
            feed: Some(Hardness(300_000)),
            left: Volume(0),
            changed_to_per_mille: changed,
        });
    }
    scene.walk_to(&["menu", "hardness tests"]);
    shoot("tests", &scene);
}

/// S11, O2: what does not pass is listed, and nothing runs.
#[test]
fn faults() {
    let mut scene = morning();
    scene.walk_to(&["menu", "settings", "water and resin", "the resin"]);
    for _ in 0..40 {
        scene.press(Press::Held(Button::Down, 30));
    }
    scene.short(Button::Enter);
    scene.short(Button::Back);
    scene.choose("see changes");
    scene.short(Button::Enter);
    scene.choose("take them all");
    shoot("told-faulty", &scene);
}

#[test]
fn locks() {
    let mut raw = alternating();
    raw.locks.panel = LockRule::Code(4711);
    let mut scene = Scene::new(raw);
    scene.walk_to(&["menu", "lock"]);
    for _ in 0..4 {
        scene.short(Button::Up);
    }
    scene.short(Button::Enter);
    shoot("lock-code", &scene);
    scene.press(Press::Long(Button::Enter));
    shoot("told-refused", &scene);
    let mut raw = alternating();
    raw.locks.panel = LockRule::Press;
    let mut scene = Scene::new(raw);
    scene.walk_to(&["menu", "lock"]);
    shoot("lock-press", &scene);
    scene.press(Press::Long(Button::Enter));
    shoot("told-opened", &scene);
}

#[test]
fn trials() {
    let mut scene = morning();
    scene.ask(Action::TakeOut(TankId(1)));
    scene.walk_to(&["menu", "try outputs"]);
    shoot("trials", &scene);
    scene.choose("tank 2: backwash");
    shoot("sure-valve", &scene);
    scene.choose("yes");
    scene.short(Button::Back);
    scene.advance(2 * SEC);
    shoot("trials-moving", &scene);
    scene.walk_to(&["menu", "inputs"]);
    shoot("inputs", &scene);
}

#[test]
fn first_start() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "first start"]);
    shoot("walk-begin", &scene);
    scene.choose("begin it");
    shoot("walk", &scene);
    scene.choose("valve positions");
    shoot("task-positions", &scene);
    for (name, task) in [
        ("task-brine", Task::FirstBrineFill),
        ("task-air", Task::AirPurge),
        ("task-meter", Task::MeterCheck),
        ("task-hardness", Task::HardnessTest),
    ] {
        scene.open(Screen::Task { task, at: 0 });
        shoot(name, &scene);
        scene.short(Button::Back);
    }
    scene.walk_to(&["menu", "first start", "check the meter", "count meter 1", "yes"]);
    scene.draw(12, 2);
    scene.walk_to(&["menu", "first start", "check the meter", "tell what"]);
    for _ in 0..11 {
        scene.press(Press::Held(Button::Up, 30));
    }
    shoot("amount", &scene);
    scene.short(Button::Enter);
    scene.short(Button::Back);
    scene.walk_to(&["menu", "first start", "check the meter"]);
    shoot("task-meter-checked", &scene);
    scene.choose("correct the meter");
    shoot("review-meter", &scene);
    scene.walk_to(&["menu", "first start", "test the hardness", "tank 1"]);
    for _ in 0..60 {
        scene.short(Button::Up);
    }
    shoot("amount-feed", &scene);
    scene.short(Button::Enter);
    for _ in 0..30 {
        scene.short(Button::Up);
    }
    shoot("amount-treated", &scene);
    scene.short(Button::Enter);
    for task in ["valve positions", "first brine", "air out", "check the meter"] {
        scene.walk_to(&["menu", "first start", task, "leave it out"]);
    }
    scene.walk_to(&["menu", "first start", "sign it"]);
    for turns in [10, 15, 0, 0, 0, 0, 0, 0] {
        for _ in 0..turns {
            scene.short(Button::Up);
        }
        if turns == 15 {
            shoot("sign", &scene);
        }
        scene.short(Button::Enter);
    }
    shoot("signed", &scene);
}

#[test]
fn clock_and_self_test() {
    let mut scene = morning();
    scene.walk_to(&["menu", "set the clock"]);
    scene.short(Button::Enter);
    scene.short(Button::Up);
    shoot("clock", &scene);
    for _ in 0..4 {
        scene.short(Button::Enter);
    }
    shoot("told-clock", &scene);
    scene.findings.note(Check::Clock, Finding::Failed);
    scene.walk_to(&[]);
    shoot("home-fails", &scene);
    scene.walk_to(&["menu", "self-test"]);
    shoot("checks", &scene);
}

/// What was learned of the weekdays tells when the next one is due.
#[test]
fn next_expected() {
    let mut scene = Scene::new(alternating());
    for _ in 0..9 {
        scene.draw(120, 60);
        scene.advance(DAY - HOUR);
    }
    scene.walk_to(&[]);
    shoot("home-learned", &scene);
    scene.open(Screen::Alarm { alarm: Alarm::ValveLost, at: 0 });
    assert!(scene.text().iter().any(|row| row.contains("does not stand")));
}

/// The handbook shows every picture, and no other.
#[test]
fn the_handbook_shows_every_picture() {
    let docs = std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../docs/book");
    let page = std::fs::read_to_string(docs.join("panel.md")).unwrap();
    for file in std::fs::read_dir(docs.join("pictures/panel")).unwrap() {
        let name = file.unwrap().file_name().into_string().unwrap();
        assert!(page.contains(&format!("(pictures/panel/{name})")), "{name} is not in panel.md");
        let source = include_str!("goldens.rs");
        let stem = name.trim_end_matches(".png");
        assert!(source.contains(&format!("\"{stem}\"")), "{name}: no test makes it any more");
    }
}
