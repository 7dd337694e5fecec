//! What the checker sees of a world in which something is wrong. Since the logic does nothing wrong, it is spoilt first.

use bedkeeper::calendar::{Weekdays, Window};
use bedkeeper::demand::{Cause, CauseSet};
use bedkeeper::journal::Who;
use bedkeeper::units::{Instant, SaltMass, TankId, Volume};
use bedkeeper::{Action, Input, Settings};

use super::*;
use crate::replay::{Replay, ValveTimes};

const TANK: TankId = TankId(0);
const MINUTE_MS: u64 = 60_000;

/// A single tank, powered up, from Monday 2027-03-01 00:00 on.
fn site() -> World {
    let settings = Settings::try_from(RawSettings::baseline()).expect("sound settings");
    let times = ValveTimes { leg_ms: 10_000, coast_ms: 200 };
    let world = World::new(settings, times, Some(jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0))).expect("a small site");
    later(world, None, MINUTE_MS)
}

/// The same site later, told something before.
fn later(world: World, input: Option<Input>, at_ms: u64) -> World {
    let fresh = world.now_ms == 0;
    let mut replay = Replay::new(world, Vec::new());
    if fresh {
        replay.power_up().expect("nothing is written");
    }
    if let Some(input) = input {
        replay.offer(input, true).expect("nothing is written").expect("not refused");
    }
    replay.run_to(at_ms).expect("nothing is written");
    replay.into_world()
}

fn water(world: World, count: u32) -> World {
    let at_ms = world.now_ms + MINUTE_MS;
    later(world, Some(Input::Pulses { meter: 0, count }), at_ms)
}

/// One that regenerates: its valve stands in backwash.
fn regenerating() -> World {
    let now = Input::Operator { who: Who::Panel, action: Action::StartNow(TANK) };
    let world = later(site(), Some(now), 5 * MINUTE_MS);
    assert_eq!(world.valves()[0].position(), Some(Position::Backwash));
    world
}

/// The world with something else in the controller's state.
fn spoilt(mut world: World, spoil: impl FnOnce(&mut serde_json::Value)) -> World {
    let mut state = serde_json::to_value(&world.controller).expect("state is plain data");
    spoil(&mut state);
    world.controller = serde_json::from_value(state).expect("still a state");
    world
}

fn look(checker: &mut Checker, world: &World) {
    checker.after(world).expect("nothing is written");
}

fn found(checker: Checker) -> Vec<(String, String)> {
    checker.into_violations().into_iter().map(|v| (v.rule, v.text)).collect()
}

fn tell(checker: &mut Checker, world: &World, event: Event) {
    let record = Record { at: Instant::from_ticks(world.now_ms), civil: None, event };
    checker.record(&record, world).expect("nothing is written");
}

/// What is not listed stays with the rule that was broken, and is counted.
#[test]
fn violations_beyond_the_list_keep_their_rule() {
    let mut checker = Checker::new(RawSettings::baseline());
    let most = MAX_KEPT as u64 + 3;
    for at_ms in 0..most {
        checker.expect(false, "S2", 0, at_ms, String::new);
        checker.expect(true, "S2", 0, at_ms, String::new);
    }
    let found = checker.into_violations();
    assert_eq!(found.len(), MAX_KEPT + 1);
    assert!(found.iter().all(|v| v.rule == "S2"));
    assert_eq!(found.last().map(|v| v.text.as_str()), Some("and 3 more, not listed"));
}

/// S5: water that the account says was charged is in a tank's ledger.
#[test]
fn s5_a_ledger_that_lost_water_is_seen() {
    let mut checker = Checker::new(RawSettings::baseline());
    let world = site();
    look(&mut checker, &world);
    let world = water(world, 4);
    checker.pulses = 4;
    look(&mut checker, &world);
    assert_eq!(checker.found, Vec::new());
    let world = spoilt(world, |state| {
        let volume = &mut state["tanks"][0]["ledger"]["volume"];
        *volume = (volume.as_u64().expect("nanolitres") / 2).into();
    });
    look(&mut checker, &world);
    let found = found(checker);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].0 == "S5" && found[0].1.contains("said to be charged"), "{found:?}");
}

/// S5: water that passed while a single tank regenerated is not treated.
#[test]
fn s5_water_booked_to_a_tank_that_stood_in_backwash_is_seen() {
    let mut checker = Checker::new(RawSettings::baseline());
    let mut world = regenerating();
    look(&mut checker, &world);
    world.now_ms += MINUTE_MS;
    let passed = water(world, 2);
    checker.pulses = 2;
    look(&mut checker, &passed);
    assert_eq!(checker.found, Vec::new(), "water that passes untreated is no fault");

    let served = water(site(), 2).controller;
    let (charged, volume) = (served.accounts().charged, served.tanks()[0].ledger().since_regeneration());
    let world = spoilt(passed, |state| {
        state["accounts"]["charged"] = serde_json::to_value(charged).expect("a volume");
        state["accounts"]["untreated"] = state["accounts"]["drained"].clone();
        state["tanks"][0]["ledger"]["volume"] = volume.nl().into();
    });
    look(&mut checker, &world);
    let found = found(checker);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].0 == "S5" && found[0].1.contains("no tank stood in service"), "{found:?}");
}

/// S4: a start outside all windows that runs on into one is judged by how long it really took.
#[test]
fn s4_a_regeneration_that_ran_on_into_a_window_is_seen() {
    let mut raw = RawSettings::baseline();
    let day = Weekdays::ALL_DAYS;
    let window = Window { days: day, from_minute: 600, to_minute: 660 };
    raw.windows.push(window).expect("room");
    let planned: u64 = raw.program.iter().map(|s| u64::from(s.length.0)).sum();
    let mut causes = CauseSet::EMPTY;
    causes.insert(Cause::Reserve);
    let runs = |raw: &RawSettings, late: bool, lasts_ms: u64| {
        let mut checker = Checker::new(raw.clone());
        let mut world = site();
        world.now_ms = 600 * MINUTE_MS - planned;
        let asked_at = Instant::from_ticks(0);
        tell(&mut checker, &world, Event::Started { tank: TANK, leading: Cause::Reserve, causes, asked_at });
        if late {
            let event = DriveEvent::Retrying(Position::Backwash);
            tell(&mut checker, &world, Event::Drive { tank: TANK, event });
        }
        world.now_ms += lasts_ms;
        let (volume, overrun, salt) = (Volume::ZERO, Volume::ZERO, SaltMass(0));
        tell(&mut checker, &world, Event::Ended { tank: TANK, outcome: Outcome::Aborted, volume, overrun, salt });
        found(checker)
    };
    assert!(runs(&raw, false, planned).is_empty());
    let ran_on = ("S4".to_owned(), "tank 1 regenerated on into a blackout window".to_owned());
    assert_eq!(runs(&raw, false, planned + 2 * MINUTE_MS), [ran_on]);
    assert!(
        runs(&raw, true, planned + 2 * MINUTE_MS).is_empty(),
        "a valve that failed to come is no fault of the plan"
    );
    raw.finish_before_window = false;
    assert!(runs(&raw, false, planned + 2 * MINUTE_MS).is_empty());
}
