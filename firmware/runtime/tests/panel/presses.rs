//! What presses do: buttons, the lock, changes, trials, and any presses in any order.

use bedkeeper::calendar::Civil;
use bedkeeper::contact::Contact;
use bedkeeper::draft::NotTaken;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Who};
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::program::Position;
use bedkeeper::settings::Medium;
use bedkeeper::units::{Hardness, Millis, TankId};
use bedkeeper::{Action, Input, Refused};
use bedkeeper_runtime::archive::Latest;
use bedkeeper_runtime::panel::{BUTTONS, Button, Buttons, IDLE_MS, Knob, Press, Screen, Told, Units};
use proptest::prelude::*;

use super::picture::{Dots, HEIGHT};
use super::scene::{DAY, HOUR, MIN, SEC, Scene, alternating};

fn hardness(scene: &Scene) -> Hardness {
    match scene.controller.settings().medium {
        Medium::Softener { hardness, .. } => hardness,
        Medium::Filter { .. } => panic!("a softener"),
    }
}

/// Levels of the four buttons in turn, each for so long, polled every 5 ms.
fn fingers(levels: &[([bool; 4], u64)]) -> Vec<(u64, Press)> {
    let (mut buttons, mut now, mut found) = (Buttons::new(), 0, Vec::new());
    for (level, lasts) in levels {
        for _ in 0..lasts / 5 {
            now += 5;
            found.extend(buttons.poll(now, *level).map(|press| (now, press)));
        }
    }
    found
}

const NONE: [bool; 4] = [false; 4];
const UP: [bool; 4] = [true, false, false, false];
const ENTER: [bool; 4] = [false, false, false, true];

#[test]
fn a_button_that_bounces_is_one_press() {
    let bounce = [(UP, 5), (NONE, 5), (UP, 10), (NONE, 5), (UP, 100), (NONE, 5), (UP, 5), (NONE, 100)];
    let found = fingers(&bounce);
    assert_eq!(found.iter().map(|(_, press)| *press).collect::<Vec<_>>(), [Press::Short(Button::Up)]);
    assert!(fingers(&[(NONE, 50), (UP, 20), (NONE, 100)]).is_empty(), "too short to be meant");
}

#[test]
fn held_up_repeats_and_held_enter_is_meant() {
    let presses: Vec<_> = fingers(&[(UP, 1_000), (NONE, 100)]).into_iter().map(|(_, press)| press).collect();
    let held = |n| Press::Held(Button::Up, n);
    assert_eq!(presses, [Press::Short(Button::Up), held(1), held(2), held(3)]);
    let presses: Vec<_> = fingers(&[(ENTER, 2_000), (NONE, 100), (ENTER, 300), (NONE, 100)]).into_iter().collect();
    assert_eq!(
        presses.iter().map(|p| p.1).collect::<Vec<_>>(),
        [Press::Long(Button::Enter), Press::Short(Button::Enter)]
    );
    assert!((1_495..=1_505).contains(&presses[0].0), "{presses:?}");
}

#[test]
fn a_knob_turns_and_is_pressed() {
    let mut knob = Knob::new();
    let mut now = 0;
    let mut turn = |levels: &[(bool, bool, bool)]| {
        let mut found = Vec::new();
        for (a, b, push) in levels {
            for _ in 0..10 {
                now += 5;
                found.extend(knob.poll(now, *a, *b, *push));
            }
        }
        found
    };
    let right = [(true, false, false), (true, true, false), (false, true, false), (false, false, false)];
    let left = [(false, true, false), (true, true, false), (true, false, false), (false, false, false)];
    let bounce = [(true, false, false), (false, false, false), (true, false, false), (false, false, false)];
    assert_eq!(turn(&right), [Press::Short(Button::Down)]);
    assert_eq!(turn(&left), [Press::Short(Button::Up)]);
    assert!(turn(&bounce).is_empty());
    assert_eq!(turn(&[(false, false, true), (false, false, false)]), [Press::Short(Button::Enter)]);
}

/// O1: looking is free; what changes anything comes to the lock first, wrong codes bar it, and the right one opens it.
#[test]
fn o1_the_lock_stands_before_changes() {
    let mut raw = alternating();
    raw.locks.panel = LockRule::Code(4_711);
    let mut scene = Scene::new(raw);
    scene.walk_to(&["1 serving"]);
    scene.short(Button::Enter);
    scene.choose("regenerate now");
    scene.choose("yes");
    assert!(matches!(scene.panel.screen(), Screen::Lock(_)), "{:?}", scene.text());
    assert!(scene.asked.is_empty(), "nothing is asked before it is open");
    for _ in 0..3 {
        scene.press(Press::Long(Button::Enter));
        scene.short(Button::Back);
    }
    assert_eq!(scene.asked.last().map(|(input, _)| *input), Some(Input::Unlock { who: Who::Panel, key: Key::Code(0) }));
    // The third wrong one bars for a minute, the right one too.
    let dial = |scene: &mut Scene| {
        for (place, turns) in [4, 7, 1, 1].into_iter().enumerate() {
            for _ in 0..turns {
                scene.short(Button::Up);
            }
            if place < 3 {
                scene.short(Button::Enter);
            }
        }
        scene.press(Press::Long(Button::Enter));
    };
    dial(&mut scene);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Refused(Refused::Barred), at: 0 });
    scene.short(Button::Back);
    scene.advance(MIN + SEC);
    dial(&mut scene);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Opened, at: 0 });
    scene.short(Button::Enter);
    scene.choose("yes");
    assert_eq!(
        scene.asked.last(),
        Some(&(Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }, true))
    );
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Granted, at: 0 });
}

/// O1: settings are looked at with the lock closed; to change one needs it open.
#[test]
fn o1_settings_are_looked_at_freely() {
    let mut raw = alternating();
    raw.locks.panel = LockRule::Press;
    let mut scene = Scene::new(raw);
    scene.walk_to(&["menu", "settings", "water and resin"]);
    assert!(scene.text().iter().any(|row| row.contains("300 mg/L")));
    scene.choose("hardness");
    assert!(matches!(scene.panel.screen(), Screen::Lock(_)));
    assert!(scene.panel.draft().is_none());
    scene.press(Press::Long(Button::Enter));
    scene.short(Button::Enter);
    scene.choose("hardness");
    assert!(matches!(scene.panel.screen(), Screen::Edit { .. }));
}

/// O2: a change runs only once the difference has been seen and taken.
#[test]
fn o2_changes_are_seen_before_they_are_taken() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "settings", "water and resin", "hardness"]);
    scene.short(Button::Up);
    scene.short(Button::Up);
    scene.short(Button::Down);
    scene.short(Button::Enter);
    assert_eq!(hardness(&scene), Hardness(300_000), "nothing runs yet");
    scene.short(Button::Back);
    scene.choose("see changes");
    let seen = scene.text();
    assert_eq!(seen[1..4], ["hardness of the feed", "  from           300 mg/L", "  to             305 mg/L"]);
    scene.short(Button::Enter);
    scene.choose("take them all");
    assert_eq!(hardness(&scene), Hardness(305_000));
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Taken, at: 0 });
    assert!(scene.panel.draft().is_none());
    let said: Vec<_> = (0..2).filter_map(|back| scene.recent.back(back)).map(|record| record.event).collect();
    assert!(said.contains(&Event::SettingsChanged { who: Who::Panel }), "{said:?}");
}

/// O2: what is noted and put back as it was is no change, and what is left with back is not noted.
#[test]
fn o2_back_leaves_a_setting_as_it_was() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "settings", "water and resin", "hardness"]);
    scene.short(Button::Up);
    scene.short(Button::Back);
    scene.short(Button::Back);
    assert!(scene.panel.draft().is_none_or(|draft| draft.difference().is_empty()));
    scene.choose("water");
    scene.choose("hardness");
    scene.short(Button::Up);
    scene.short(Button::Enter);
    scene.choose("* hardness");
    scene.short(Button::Down);
    scene.short(Button::Enter);
    assert!(scene.panel.draft().unwrap().difference().is_empty());
}

/// O2: what shapes a regeneration waits for the one that runs, and the draft is kept meanwhile.
#[test]
fn o2_a_regeneration_is_not_disturbed() {
    let mut raw = alternating();
    raw.program.iter_mut().for_each(|step| step.length = Millis::from_mins(1));
    let mut scene = Scene::new(raw);
    scene.ask(Action::StartNow(TankId(0)));
    scene.advance(MIN);
    scene.walk_to(&["menu", "settings", "salt and brine", "salt"]);
    scene.short(Button::Up);
    scene.short(Button::Enter);
    scene.short(Button::Back);
    scene.choose("see changes");
    scene.short(Button::Enter);
    scene.choose("take them all");
    assert_eq!(scene.panel.verdict(), Some(&NotTaken::Regenerating));
    assert!(scene.panel.draft().is_some(), "it can be offered again");
    scene.advance(9 * MIN);
    scene.short(Button::Back);
    scene.choose("take them all");
    assert_eq!(scene.panel.verdict(), None);
    assert_eq!(scene.controller.settings().salt.0, 3_050_000);
}

/// O6: an output is tried with the drive's guard in force: only the valve of a tank that is out, and it goes back.
#[test]
fn o6_the_guard_stands_over_trials() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "try outputs", "tank 1: backwash", "yes"]);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Refused(Refused::NotOut), at: 0 });
    scene.ask(Action::TakeOut(TankId(1)));
    scene.walk_to(&["menu", "try outputs", "tank 2: backwash", "yes"]);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Granted, at: 0 });
    scene.advance(MIN);
    let position = |scene: &Scene| scene.controller.tanks()[1].drive().position();
    assert_eq!(position(&scene), Some(Position::Backwash));
    scene.advance(6 * MIN);
    assert_eq!(position(&scene), Some(Position::Standby));
    assert_eq!(scene.controller.tanks()[0].duty().kind(), DutyKind::Serving);
    // A relay that protects is not tried.
    scene.walk_to(&["menu", "try outputs", "relay 2", "yes"]);
    assert_eq!(*scene.panel.screen(), Screen::Told { told: Told::Refused(Refused::RelayNotTried), at: 0 });
}

/// O6: the walk sees what happens at the plant, whoever brings it about.
#[test]
fn o6_the_walk_follows_the_plant() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "first start", "begin it"]);
    scene.ask(Action::StartNow(TankId(0)));
    for _ in 0..300 {
        scene.advance(MIN);
        let mut panel = scene.panel.clone();
        panel.look(&scene.sight(), scene.now.min(IDLE_MS - 1));
        scene.panel = panel;
    }
    let walk = scene.panel.walk().unwrap();
    // The other tank serves now: only this one was not seen to come back.
    assert_eq!(walk.positions_left(TankId(0)).iter().collect::<Vec<_>>(), [Position::Service]);
    assert!(walk.is_settled(bedkeeper::commission::Task::FirstBrineFill));
    assert!(!walk.is_settled(bedkeeper::commission::Task::MeterCheck));
}

/// An editor that goes away leaves nothing behind.
#[test]
fn a_panel_that_nobody_uses_goes_home_and_drops_its_draft() {
    let mut scene = Scene::new(alternating());
    scene.walk_to(&["menu", "settings", "water and resin", "hardness"]);
    scene.short(Button::Up);
    scene.short(Button::Enter);
    scene.advance(IDLE_MS + SEC);
    let mut panel = scene.panel.clone();
    panel.look(&scene.sight(), scene.now);
    assert_eq!(*panel.screen(), Screen::Home { at: 0 });
    assert!(panel.draft().is_none() && panel.is_idle(scene.now));
}

/// R1: once the days of the week are known the next one is expected when its use has come, at the hour after that.
#[test]
fn r1_the_next_one_is_expected_by_use() {
    let mut raw = alternating();
    raw.backup_days = 0;
    let mut scene = Scene::new(raw);
    let next = |scene: &Scene| scene.text().into_iter().find(|row| row.starts_with("next"));
    scene.draw(120, 60);
    assert_eq!(next(&scene), None, "nothing is known of the days yet");
    scene.advance(DAY - HOUR);
    for _ in 0..8 {
        scene.draw(120, 60);
        scene.advance(DAY - HOUR);
    }
    // Nine days of 120 L leave 720 L of 1 800: six more days, and the hour after them.
    assert_eq!(next(&scene).as_deref(), Some("next     Tue 16 Mar 02:00"));
    for _ in 0..6 {
        scene.draw(120, 60);
        scene.advance(DAY - HOUR);
    }
    let started = (0..scene.recent.len()).filter_map(|back| scene.recent.back(back));
    let started = started.filter(|record| matches!(record.event, Event::Started { .. })).map(|record| record.civil);
    // 9 936 = 2027-03-16, in days since 2000-01-01.
    assert_eq!(started.collect::<Vec<_>>(), [Some(Civil::at(9_936, 120))], "and so it was");
}

/// W3: an alarm comes with its advice, and is acknowledged from there.
#[test]
fn w3_an_alarm_has_its_advice() {
    let mut scene = Scene::new(alternating());
    scene.tell(Input::Contact { contact: Contact::LowPressure, closed: true });
    scene.advance(5 * SEC);
    scene.walk_to(&["!", "low pressure"]);
    let text = scene.text().join(" ");
    for words in ["Supply pressure is low.", "No regeneration starts.", "> Look at the supply."] {
        assert!(text.contains(words), "{text}");
    }
    scene.short(Button::Enter);
    scene.choose("acknowledge it");
    assert!(scene.controller.outputs().unacknowledged.is_empty());
}

fn any_press() -> impl Strategy<Value = Press> {
    let button = prop::sample::select(BUTTONS.to_vec());
    prop_oneof![
        6 => button.clone().prop_map(Press::Short),
        2 => (button.clone(), 0u16..60).prop_map(|(button, n)| Press::Held(button, n)),
        1 => Just(Press::Long(Button::Enter)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Whatever is pressed in whatever order: what is seen fits, and nothing is asked that was not confirmed.
    #[test]
    fn any_presses_in_any_order(presses in prop::collection::vec(any_press(), 1..100), us in any::<bool>()) {
        let mut scene = Scene::new(alternating());
        if us {
            scene.panel.units = Units::Us;
        }
        for press in presses {
            let before = scene.panel.screen().clone();
            let asked = scene.asked.len();
            scene.press(press);
            scene.advance(200);
            let mut dots = Dots::new(HEIGHT);
            scene.page().draw(&mut dots).unwrap();
            prop_assert!(!dots.beside);
            if let Some((Input::Operator { action, .. }, _)) = scene.asked.get(asked) {
                let confirmed = matches!(&before, Screen::Sure { action: meant, at: 1 } if meant == action);
                let harmless = matches!(action, Action::EndTest | Action::Alarm(_));
                let measured = matches!(before, Screen::Amount { .. });
                prop_assert!(confirmed || harmless || measured, "{before:?} asked for {action:?}");
            }
        }
    }
}

/// T4, O1: the clock is moved by an hour in one go, on and back, from wherever it stands, a midnight too; through a closed
/// lock not, and a clock that is not set is not moved.
#[test]
fn t4_the_clock_is_moved_by_an_hour() {
    let mut scene = Scene::new(alternating());
    let civil = |scene: &Scene| scene.controller.clock().civil(scene.sight().now).map(|civil| civil.0);
    let midnight = Civil::at(9_921, 0);
    scene.tell(Input::Clock(Some(midnight)));
    scene.walk_to(&["menu", "clock an hour back"]);
    assert_eq!(civil(&scene), Some(midnight.0 - 3_600_000));
    scene.walk_to(&["menu", "clock an hour on"]);
    assert_eq!(civil(&scene), Some(midnight.0));
    scene.tell(Input::Clock(None));
    scene.walk_to(&["menu"]);
    assert!(!(0..20).any(|_| {
        scene.short(Button::Down);
        scene.text().iter().any(|row| row.contains("clock an hour"))
    }));
    let mut raw = alternating();
    raw.locks.panel = LockRule::Press;
    let mut locked = Scene::new(raw);
    let before = civil(&locked);
    locked.walk_to(&["menu", "clock an hour on"]);
    assert!(matches!(locked.panel.screen(), Screen::Lock(_)));
    assert_eq!(civil(&locked), before);
}

/// O6, O1: a walk is signed behind the lock, since its record takes the place of the one that was kept before.
#[test]
fn o6_to_sign_needs_the_lock() {
    let mut raw = alternating();
    raw.locks.panel = LockRule::Press;
    let mut scene = Scene::new(raw);
    scene.walk_to(&["menu", "first start", "begin it"]);
    scene.press(Press::Long(Button::Enter));
    scene.walk_to(&["menu", "first start", "begin it"]);
    for task in ["valve positions", "first brine", "air out", "check the meter", "test the hardness"] {
        scene.walk_to(&["menu", "first start", task, "leave it out"]);
    }
    scene.walk_to(&["menu", "lock"]);
    scene.walk_to(&["menu", "first start", "sign it"]);
    assert!(matches!(scene.panel.screen(), Screen::Lock(_)), "{:?}", scene.panel.screen());
    scene.press(Press::Long(Button::Enter));
    scene.walk_to(&["menu", "first start", "sign it"]);
    assert!(matches!(scene.panel.screen(), Screen::Sign(_)), "{:?}", scene.panel.screen());
}
