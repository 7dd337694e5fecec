//! What is drawn is the plant, and beside it what the logic takes of it.

use super::*;

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

/// With the physics, brine is drawn while there is any above the air check; from then on the same position only rinses.
#[test]
fn the_full_plant_shows_brine_only_while_it_is_drawn() {
    let mut app = app(true);
    app.session.advance(60_000).unwrap();
    type_keys(&mut app, "2o");
    choose(&mut app, "start now");
    let mut seen = Vec::new();
    for _ in 0..90 {
        app.session.advance(app.session.now_ms() + 60_000).unwrap();
        let tank = tank(&app, 1);
        if tank.position == Some("brine-draw") && seen.last() != Some(&tank.goes_to) {
            seen.push(tank.goes_to);
        }
    }
    assert_eq!(seen, ["drain, with brine", "drain"]);
}
