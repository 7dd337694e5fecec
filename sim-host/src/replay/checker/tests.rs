//! What the checker sees of a world in which something is wrong. Since the logic does nothing wrong, it is spoilt first.

use bedkeeper::calendar::{Weekdays, Window};
use bedkeeper::demand::{Cause, CauseSet};
use bedkeeper::journal::Who;
use bedkeeper::units::{Instant, SaltMass, TankId, Volume};
use bedkeeper::{Action, Input, Settings};

use super::valves::Travel;
use super::*;
use crate::replay::{PowerCut, Replay, ValveTimes};

const TANK: TankId = TankId(0);
const MINUTE_MS: u64 = 60_000;

/// A single tank before it is powered up, from Monday 2027-03-01 00:00 on.
fn unpowered() -> World {
    let settings = Settings::try_from(RawSettings::baseline()).expect("sound settings");
    let times = ValveTimes { leg_ms: 10_000, coast_ms: 200 };
    World::new(settings, times, Some(jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0))).expect("a small site")
}

/// The same, powered up.
fn site() -> World {
    later(unpowered(), None, MINUTE_MS)
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
    let mut state = serde_json::to_value(&*world.controller).expect("state is plain data");
    spoil(&mut state);
    let altered: crate::replay::HostController = serde_json::from_value(state).expect("still a state");
    world.controller = altered.into();
    world
}

fn look(checker: &mut Checker, world: &World) {
    checker.after(world).expect("nothing is written");
}

/// The first valve stands in one place after the other, in each for so many ms.
fn stand(checker: &mut Checker, stays: impl IntoIterator<Item = (Option<Position>, u64)>) {
    let mut now = 0;
    for (position, stays_ms) in stays {
        checker.check_position(0, position, Travel::default(), now);
        now += stays_ms;
    }
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
    // Its bed has more left than before as well.
    assert_eq!(found.iter().map(|(rule, _)| rule.as_str()).collect::<Vec<_>>(), ["S5", "S6"], "{found:?}");
    assert!(found[0].0 == "S5" && found[0].1.contains("said to be charged"), "{found:?}");
}

/// S10: after a power cut no bed has more left than before it.
#[test]
fn s10_a_bed_that_is_fresh_after_a_cut_is_seen() {
    let mut checker = Checker::new(RawSettings::baseline());
    let mut world = unpowered();
    world.supply.announce(PowerCut { at_ms: u64::MAX, off_ms: 1, clock_kept: true, retained_kept: true });
    let world = later(world, None, MINUTE_MS);
    look(&mut checker, &world);
    let world = water(world, 4);
    assert!(world.supply.has_stored());
    checker.pulses = 4;
    look(&mut checker, &world);
    checker.power(true, &world).expect("nothing is written");
    assert_eq!(checker.found, Vec::new());
    look(&mut checker, &world);
    let world = spoilt(world, |state| state["tanks"][0]["ledger"]["volume"] = 0.into());
    checker.power(true, &world).expect("nothing is written");
    let found = found(checker);
    assert!(matches!(&found[..], [(rule, text)] if rule == "S10" && text.contains("after it")), "{found:?}");
}

/// S8: a logic that is not called when it said that the last hold clears is seen.
#[test]
fn s8_a_hold_that_was_to_clear_is_seen() {
    let mut checker = Checker::new(RawSettings::baseline());
    let at_hour = Input::Operator { who: Who::Panel, action: Action::StartAtHour(TANK) };
    let mut world = later(site(), Some(at_hour), 2 * MINUTE_MS);
    look(&mut checker, &world);
    // The hour is 02:00.
    world.now_ms = 120 * MINUTE_MS + TOLD_WITHIN_MS;
    let mut in_time = checker.clone();
    look(&mut in_time, &world);
    assert_eq!(in_time.found, Vec::new());
    world.now_ms += 1;
    look(&mut checker, &world);
    let found = found(checker);
    assert!(matches!(&found[..], [(rule, text)] if rule == "S8" && text.contains("was to clear")), "{found:?}");
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
    let retried = Event::Drive { tank: TANK, event: DriveEvent::Retrying(Position::Backwash) };
    let lost = Event::Drive { tank: TankId(1), event: DriveEvent::Lost };
    let runs = |raw: &RawSettings, late: Option<Event>, lasts_ms: u64| {
        let mut checker = Checker::new(raw.clone());
        let mut world = site();
        world.now_ms = 600 * MINUTE_MS - planned;
        let asked_at = Instant::from_ticks(0);
        tell(&mut checker, &world, Event::Started { tank: TANK, leading: Cause::Reserve, causes, asked_at });
        if let Some(event) = late {
            tell(&mut checker, &world, event);
        }
        world.now_ms += lasts_ms;
        let (volume, overrun, salt) = (Volume::ZERO, Volume::ZERO, SaltMass(0));
        tell(&mut checker, &world, Event::Ended { tank: TANK, outcome: Outcome::Aborted, volume, overrun, salt });
        found(checker)
    };
    assert!(runs(&raw, None, planned).is_empty());
    let ran_on = ("S4".to_owned(), "tank 1 regenerated on into a blackout window".to_owned());
    assert_eq!(runs(&raw, None, planned + 2 * MINUTE_MS), [ran_on]);
    for no_fault_of_the_plan in [retried, lost] {
        assert!(runs(&raw, Some(no_fault_of_the_plan), planned + 2 * MINUTE_MS).is_empty());
    }
    raw.finish_before_window = false;
    assert!(runs(&raw, None, planned + 2 * MINUTE_MS).is_empty());
}

/// S4, O2: a regeneration is judged by the windows with which it began, not by those that were set while it ran.
#[test]
fn s4_later_windows_do_not_judge_a_regeneration_that_runs() {
    let window = Window { days: Weekdays::ALL_DAYS, from_minute: 600, to_minute: 660 };
    let mut windowed = RawSettings::baseline();
    windowed.windows.push(window).expect("room");
    let planned: u64 = windowed.program.iter().map(|s| u64::from(s.length.0)).sum();
    let runs_on = |at_first: &RawSettings, later: &RawSettings| {
        let mut checker = Checker::new(at_first.clone());
        let mut world = site();
        world.now_ms = 600 * MINUTE_MS - planned;
        let (leading, causes, asked_at) = (Cause::Reserve, CauseSet::only(Cause::Reserve), Instant::from_ticks(0));
        tell(&mut checker, &world, Event::Started { tank: TANK, leading, causes, asked_at });
        let now = Instant::from_ticks(world.now_ms);
        world.controller.change_settings(now, Settings::try_from(later.clone()).expect("sound")).expect("taken");
        tell(&mut checker, &world, Event::SettingsTaken);
        world.now_ms += planned + 2 * MINUTE_MS;
        let (volume, overrun, salt) = (Volume::ZERO, Volume::ZERO, SaltMass(0));
        tell(&mut checker, &world, Event::Ended { tank: TANK, outcome: Outcome::Aborted, volume, overrun, salt });
        found(checker).len()
    };
    assert_eq!(runs_on(&windowed, &RawSettings::baseline()), 1);
    assert_eq!(runs_on(&RawSettings::baseline(), &windowed), 0);
}

/// S6, Q2: a step whose time counts while its valve stands elsewhere is seen, though a moment is no fault.
#[test]
fn s6_time_that_counts_out_of_place_is_seen() {
    let counts = |step: StepKind, lasts_ms: u64| {
        let mut checker = Checker::new(RawSettings::baseline());
        // Its valve stands in backwash.
        let mut world = regenerating();
        let causes = CauseSet::only(Cause::Manual);
        let asked_at = Instant::from_ticks(world.now_ms);
        tell(&mut checker, &world, Event::Started { tank: TANK, leading: Cause::Manual, causes, asked_at });
        tell(&mut checker, &world, Event::StepStarted { tank: TANK, step });
        look(&mut checker, &world);
        world.now_ms += lasts_ms;
        look(&mut checker, &world);
        found(checker)
    };
    assert!(counts(StepKind::Backwash, MINUTE_MS).is_empty());
    assert!(counts(StepKind::SlowRinse, 1_000).is_empty());
    let seen = counts(StepKind::SlowRinse, MINUTE_MS);
    assert_eq!(seen.len(), 1, "{seen:?}");
    assert!(seen[0].0 == "S6" && seen[0].1.contains("slow-rinse counts") && seen[0].1.contains("backwash"), "{seen:?}");
}

mod served {
    use bedkeeper::contact::{Contact, ContactSet};
    use bedkeeper::settings::StepEnd;
    use bedkeeper::units::Millis;

    use super::*;

    const MINUTE: Millis = Millis::from_mins(1);

    /// The baseline, in which a step ends so; its meter gives a pulse a litre.
    fn with(kind: StepKind, end: StepEnd) -> RawSettings {
        let mut raw = RawSettings::baseline();
        raw.meter.pulse_nl = 1_000_000_000;
        raw.meter.pulse_divisor = 1;
        raw.program.iter_mut().find(|step| step.kind == kind).expect("in the program").end = end;
        raw
    }

    /// A step that ran for so long from 1 000 ms on while so many litres passed, its contact closed at its end or not.
    fn ran(raw: &RawSettings, kind: StepKind, ms: u64, litres: u32, closed: bool) -> Steps {
        let mut steps = Steps::begin(&Arc::new(raw.clone()));
        steps.run(kind, 1_000);
        steps.meter(litres, 1_000 + ms);
        let contact = if kind == StepKind::BrineDraw { Contact::BrineEmpty } else { Contact::BrineReady };
        let contacts = if closed { ContactSet::only(contact) } else { ContactSet::EMPTY };
        steps.end(kind, 1_000 + ms, contacts);
        steps
    }

    fn is_served(steps: &Steps, kind: StepKind) -> bool {
        steps.lacks(kind).is_none()
    }

    /// S6: a step of a stated length is served to the millisecond, in stretches or whole, and no time counts in which its
    /// valve was elsewhere.
    #[test]
    fn s6_time_counts_in_position_alone() {
        let raw = RawSettings::baseline();
        let kind = StepKind::SlowRinse;
        let length = raw.program.iter().find(|step| step.kind == kind).map_or(0, |step| u64::from(step.length.0));
        assert!(is_served(&ran(&raw, kind, length, 0, false), kind));
        let short = ran(&raw, kind, length - 1, 0, false);
        assert!(short.lacks(kind).is_some_and(|why| why.contains(&format!("{} ms of {length}", length - 1))));
        let mut steps = Steps::begin(&Arc::new(raw.clone()));
        steps.run(kind, 0);
        steps.stop(length / 2);
        steps.run(kind, 5 * length);
        steps.end(kind, 5 * length + length - length / 2, ContactSet::EMPTY);
        assert!(is_served(&steps, kind));
        steps.forget(kind);
        assert!(!is_served(&steps, kind), "what begins again is served anew");
    }

    /// Q2: a step that goes on beyond its time is seen, however it is to end.
    #[test]
    fn q2_a_step_is_over_when_its_time_is() {
        let kind = StepKind::FastRinse;
        let by_contact = with(kind, StepEnd::Contact { longest: MINUTE });
        let length = RawSettings::baseline().program.iter().find(|step| step.kind == kind).map_or(0, |s| s.length.0);
        for (raw, longest_ms) in [(RawSettings::baseline(), length), (by_contact, MINUTE.0)] {
            let ended = |ms: u64| {
                let mut steps = Steps::begin(&Arc::new(raw.clone()));
                steps.run(kind, 0);
                steps.stop(1_000_000);
                steps.run(kind, 2_000_000);
                steps.end(kind, 2_000_000 + ms, ContactSet::EMPTY)
            };
            assert_eq!(ended(u64::from(longest_ms)), None, "what came before does not count: it was interrupted");
            assert!(ended(u64::from(longest_ms) + 2_000).is_some_and(|late| late.contains("fast-rinse ran for")));
        }
    }

    /// S6, Q2: what a volume ends has seen that volume. A draw may end by its longest time; a rinse that brine waits for may
    /// not, unless an operator stepped forward from it (S12).
    #[test]
    fn s6_a_volume_is_really_metered() {
        let volume = Volume::from_litres(50);
        let end = StepEnd::Volume { volume, longest: MINUTE };
        let longest_ms = u64::from(MINUTE.0);
        for kind in [StepKind::BrineDraw, StepKind::SlowRinse] {
            let raw = with(kind, end);
            assert!(is_served(&ran(&raw, kind, 5_000, 50, false), kind), "{kind}");
            assert!(!is_served(&ran(&raw, kind, 5_000, 49, true), kind), "{kind}");
            let by_limit = is_served(&ran(&raw, kind, longest_ms, 49, false), kind);
            assert_eq!(by_limit, kind == StepKind::BrineDraw, "{kind}");
        }
        let raw = with(StepKind::SlowRinse, end);
        let mut looked_at = ran(&raw, StepKind::SlowRinse, longest_ms, 49, false);
        looked_at.step_forward();
        assert!(is_served(&looked_at, StepKind::SlowRinse));
        // Water of the instant in which it began has passed before.
        let mut steps = Steps::begin(&Arc::new(raw.clone()));
        steps.run(StepKind::SlowRinse, 1_000);
        steps.meter(50, 1_000);
        steps.end(StepKind::SlowRinse, 2_000, ContactSet::EMPTY);
        assert!(!is_served(&steps, StepKind::SlowRinse));
    }

    /// S6, Q2: what a contact ends has seen it closed, or has run for its longest time.
    #[test]
    fn s6_a_contact_is_really_seen() {
        let kind = StepKind::BrineDraw;
        let raw = with(kind, StepEnd::Contact { longest: MINUTE });
        let longest_ms = u64::from(MINUTE.0);
        assert!(is_served(&ran(&raw, kind, 5_000, 0, true), kind));
        assert!(!is_served(&ran(&raw, kind, longest_ms - 1, 0, false), kind));
        assert!(is_served(&ran(&raw, kind, longest_ms, 0, false), kind));
    }
}

/// S12, P3: a fast rinse that a power cut or a turned valve parts in two is whole with both parts, and not with one.
#[test]
fn s12_a_rinse_in_two_parts_is_counted_together() {
    let ends_with = |second_part: bool| {
        let mut checker = Checker::new(RawSettings::baseline());
        let (draw, slow) = (checker.length_ms(StepKind::BrineDraw), checker.length_ms(StepKind::SlowRinse));
        let half = checker.length_ms(StepKind::FastRinse).div_ceil(2);
        let stays = [
            (Some(Position::BrineDraw), draw),
            (Some(Position::SlowRinse), slow),
            (Some(Position::FastRinse), half),
            (None, MINUTE_MS),
            (Some(Position::FastRinse), if second_part { half } else { 0 }),
            (Some(Position::Service), 0),
        ];
        stand(&mut checker, stays);
        found(checker).into_iter().map(|(rule, _)| rule).collect::<Vec<_>>()
    };
    assert_eq!(ends_with(true), Vec::<String>::new());
    assert_eq!(ends_with(false), ["S12"]);
}

/// S4, T1: a controller that lost its clock with the power has no windows to keep; one that kept it has.
#[test]
fn s4_without_a_clock_no_window_is_kept() {
    let starts = |clock_kept: bool| {
        let mut raw = RawSettings::baseline();
        let window = Window { days: Weekdays::ALL_DAYS, from_minute: 0, to_minute: 60 };
        raw.windows.push(window).expect("room");
        let mut checker = Checker::new(raw);
        let mut replay = Replay::new(site(), Vec::new());
        let (at_ms, off_ms) = (2 * MINUTE_MS, 1_000);
        replay.schedule_power_cut(crate::replay::PowerCut { at_ms, off_ms, clock_kept, retained_kept: true });
        replay.run_to(5 * MINUTE_MS).expect("nothing is written");
        let mut world = replay.into_world();
        let (leading, causes, asked_at) = (Cause::Manual, CauseSet::EMPTY, Instant::from_ticks(0));
        tell(&mut checker, &world, Event::Started { tank: TANK, leading, causes, asked_at });
        world.now_ms += 5 * MINUTE_MS;
        let (volume, overrun, salt) = (Volume::ZERO, Volume::ZERO, SaltMass(0));
        tell(&mut checker, &world, Event::Ended { tank: TANK, outcome: Outcome::Aborted, volume, overrun, salt });
        found(checker).into_iter().map(|(rule, _)| rule).collect::<Vec<_>>()
    };
    assert_eq!(starts(false), Vec::<String>::new());
    assert_eq!(starts(true), ["S4"]);
}

/// S12, P3: the same of a slow rinse in the draw position; turned there again after it, brine is owed again.
#[test]
fn s12_a_slow_rinse_in_the_draw_position_is_counted_together() {
    let ends_with = |second_part: bool, turned_back: bool| {
        let mut checker = Checker::new(RawSettings::baseline());
        assert!(!checker.tank_has(Position::SlowRinse));
        let (draw, slow) = (checker.length_ms(StepKind::BrineDraw), checker.length_ms(StepKind::SlowRinse));
        let fast = checker.length_ms(StepKind::FastRinse);
        checker.tanks[0].draw_ended_ms = Some(draw);
        let half = slow.div_ceil(2);
        let stays = [
            (Some(Position::BrineDraw), draw + half),
            (None, MINUTE_MS),
            (Some(Position::BrineDraw), if second_part { half } else { MINUTE_MS }),
            (Some(Position::FastRinse), fast),
            (Some(Position::BrineDraw), if turned_back { MINUTE_MS } else { 0 }),
            (Some(Position::Service), 0),
        ];
        stand(&mut checker, stays);
        found(checker).into_iter().map(|(rule, _)| rule).collect::<Vec<_>>()
    };
    assert_eq!(ends_with(true, false), Vec::<String>::new());
    assert_eq!(ends_with(false, false), ["S12"]);
    assert_eq!(ends_with(true, true), ["S12"]);
}

/// S12: rinsed to the end in the dark, which the logic does not count, a slow rinse that is knocked away and goes on owes nothing.
#[test]
fn s12_a_slow_rinse_that_went_on_in_the_dark_owes_nothing_when_it_goes_on() {
    let mut checker = Checker::new(RawSettings::baseline());
    let (draw, slow) = (checker.length_ms(StepKind::BrineDraw), checker.length_ms(StepKind::SlowRinse));
    let fast = checker.length_ms(StepKind::FastRinse);
    checker.tanks[0].draw_ended_ms = Some(draw);
    let stays = [
        (Some(Position::BrineDraw), draw + slow + MINUTE_MS),
        (None, 5_000),
        (Some(Position::BrineDraw), MINUTE_MS),
        (Some(Position::FastRinse), fast),
        (Some(Position::Service), 0),
    ];
    stand(&mut checker, stays);
    assert_eq!(found(checker), []);
}

/// S12: a valve that its own fault held in service over brine stands there when it is mended, until its motor runs.
#[test]
fn s12_a_valve_that_was_held_stands_there_until_it_is_told_to_move() {
    let mut checker = Checker::new(RawSettings::baseline());
    checker.tanks[0].brine = Brine::Owed { slow_ms: 0, fast_ms: MINUTE_MS };
    checker.tanks[0].held = true;
    let world = site();
    let valve = &world.valves()[0];
    checker.see_held(0, valve);
    checker.check_position(0, Some(Position::Service), checker.travel(0, valve, 0), 0);
    checker.tanks[0].held = false;
    checker.check_position(0, Some(Position::Service), checker.travel(0, valve, 1), 1);
    assert_eq!(found(checker).into_iter().map(|(rule, _)| rule).collect::<Vec<_>>(), ["S12"]);
}

/// S1: what no logic can prevent is not held against it: a valve turned by hand to where it discharges, as another does, is
/// excused until it could be seen; one that comes to discharge after that is not.
#[test]
fn s1_a_valve_that_nobody_sent_is_held_against_those_that_come_later() {
    let mut raw = RawSettings::baseline();
    raw.tanks = 2;
    let at = |checker: &mut Checker, places: [(Position, bool); 2], now_ms: u64| {
        for (i, (position, astray)) in places.into_iter().enumerate() {
            let left = checker.tanks[i].position != Some(position);
            checker.note_astray(i, left, astray, now_ms);
            checker.tanks[i].position = Some(position);
        }
    };
    let (rinse, wash, serve) = (Position::FastRinse, Position::Backwash, Position::Service);
    let mut checker = Checker::new(raw.clone());
    // One rinses; the other is turned by hand: nobody could know.
    at(&mut checker, [(rinse, false), (serve, false)], 1_000);
    at(&mut checker, [(rinse, false), (wash, true)], 2_000);
    assert_eq!(checker.met(&[0, 1]), 1);
    // The first goes on to wash a minute later, while the other stands there still.
    at(&mut checker, [(serve, false), (wash, true)], 50_000);
    at(&mut checker, [(wash, false), (wash, true)], 60_000);
    assert_eq!(checker.met(&[0, 1]), 2);
    // Two that were sent there are never excused.
    let mut checker = Checker::new(raw);
    at(&mut checker, [(rinse, false), (serve, false)], 1_000);
    at(&mut checker, [(rinse, false), (wash, false)], 2_000);
    assert_eq!(checker.met(&[0, 1]), 2);
}

/// S12: a slow cam that passes the draw draws nothing, one that stands there has, and so has one that takes half a minute.
#[test]
fn s12_a_slow_cam_that_passes_the_draw_draws_nothing() {
    let serves = |turns_ms: u64, stands_ms: u64| {
        let mut checker = Checker::new(RawSettings::baseline());
        let turning = Travel { told: true, turns: true, held: false };
        checker.check_position(0, Some(Position::BrineDraw), turning, 1_000);
        checker.check_position(0, Some(Position::BrineDraw), Travel::default(), 1_000 + turns_ms);
        checker.check_position(0, None, turning, 1_000 + turns_ms + stands_ms);
        checker.check_position(0, Some(Position::Service), Travel::default(), 100_000);
        found(checker).is_empty()
    };
    assert!(serves(20_000, 0) && serves(1_000, 15_000));
    assert!(!serves(1_000, 15_001) && !serves(31_001, 0));
}

/// S12, V2: a valve that power left in service on its way over brine is held against nobody until it could be found and sent on.
/// One that stands there longer is, and so is one that was not on its way as power failed.
#[test]
fn s12_a_valve_that_power_left_in_service_must_leave_it_again() {
    let rests = |on_its_way: bool, for_ms: u64| {
        let world = later(site(), None, MINUTE_MS + for_ms);
        let mut checker = Checker::new(RawSettings::baseline());
        checker.tanks[0].brine = Brine::Owed { slow_ms: 0, fast_ms: MINUTE_MS };
        checker.tanks[0].motion = if on_its_way { Motion::Forward } else { Motion::Off };
        checker.power(false, &world).expect("nothing is written");
        checker.tanks[0].motion = Motion::Off;
        checker.see_cut(0, &world.valves()[0], &world);
        checker.check_position(0, Some(Position::Service), Travel::default(), world.now_ms);
        found(checker).iter().any(|(rule, _)| rule == "S12")
    };
    let limit_ms = Checker::new(RawSettings::baseline()).joining_limit_ms();
    assert!(!rests(true, 0) && rests(true, limit_ms) && rests(false, 0));
}
