//! What the evidence tells of delivered hardness, relays, the brine tank and the life of alarms.
#![allow(missing_docs)]

mod two_tanks;

use std::io::Cursor;

use bedkeeper::calendar::Civil;
use bedkeeper::journal::Who;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::{StepKind, StepSet};
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::units::TankSet;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, RawSettings, Settings};
use bedkeeper_sim::evidence::{Evidence, Outcome, json};
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Gatherer, Replay, ValveTimes, World};

const APARTMENTS: &[u8] = include_bytes!("../demo/apartments20_14d_10L.csv.gz");
const HOUR_MS: u64 = 3_600_000;

fn world(raw: RawSettings, recording: Option<&Recording>) -> World {
    let times = ValveTimes { leg_ms: 20_000, coast_ms: 300 };
    World::new(Settings::try_from(raw).unwrap(), times, recording.and_then(|r| r.header().start)).unwrap()
}

fn apartments(raw: RawSettings) -> Evidence {
    let mut recording = Recording::from_reader("test", Cursor::new(APARTMENTS), None).unwrap();
    let world = world(raw, Some(&recording));
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    Replay::new(world, vec![&mut gatherer]).run(&mut recording, |_| {}).unwrap();
    gatherer.into_evidence()
}

/// M5: a quarter of the water past the tanks leaves a quarter of the hardness, to the µg/L; without a bypass nothing.
#[test]
fn m5_delivered_hardness_is_the_mean_of_the_blend() {
    let mut raw = two_tanks::settings();
    raw.sharing.bypass_per_mille = 250;
    let e = apartments(raw);
    assert_eq!((e.delivered.feed_ug_l, e.delivered.bypass_per_mille), (342_000, 250));
    assert_eq!(e.delivered.mean_ug_l, Some(342_000 / 4));
    let e = apartments(two_tanks::settings());
    assert_eq!(e.delivered.mean_ug_l, Some(0));
}

/// M5: water that no tank treated, and water past zero, is as hard as the feed.
#[test]
fn m5_untreated_water_is_as_hard_as_the_feed() {
    let mut raw = two_tanks::settings();
    raw.arrangement = bedkeeper::settings::Arrangement::Single;
    raw.tanks = 1;
    let e = apartments(raw);
    assert!(e.hard_water_nl > 0);
    let expected = e.hard_water_nl * 342_000 / (e.water.charged_nl + e.water.untreated_nl);
    assert_eq!(e.delivered.mean_ug_l.map(u128::from), Some(expected));
}

/// Y1, C8: a relay that is on during refills came on as often as tanks refilled; the brine account says what is left.
#[test]
fn y1_c8_relays_and_the_brine_account_are_told() {
    let mut raw = two_tanks::settings();
    let mut tanks = TankSet::EMPTY;
    (0..2).map(bedkeeper::units::TankId).for_each(|tank| tanks.insert(tank));
    let program = RelayProgram::During { steps: StepSet::only(StepKind::BrineRefill), tanks };
    raw.relays[2] = RawRelay { program, ..RawRelay::default() };
    raw.brine.store_doses = 40;
    let dose = Settings::try_from(raw.clone()).unwrap().dose_water();
    let e = apartments(raw);
    let complete = e.regenerations.iter().filter(|r| r.outcome == Outcome::Complete).count() as u64;
    let [relay] = e.relays.as_slice() else { panic!("{:?}", e.relays) };
    assert_eq!((relay.number, relay.program, relay.times), (3, "during", complete));
    let refills = e.regenerations.iter().flat_map(|r| &r.steps).filter(|s| s.step == "brine-refill");
    let refilled: Vec<_> = refills.map(|s| (s.start_ms, s.end_ms)).collect();
    assert_eq!(relay.on, refilled);
    assert_eq!(relay.on_ms, refilled.iter().map(|(from, to)| to - from).sum::<u64>());
    let [brine] = e.brine.as_slice() else { panic!("{:?}", e.brine) };
    assert_eq!((brine.refills, brine.water_nl), (complete, dose.nl()));
    assert_eq!(brine.doses_left.map(u64::from), Some(40 - complete));
    let text = json(&e).unwrap();
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(value["relays"][0]["times_on"], complete);
    assert_eq!(value["brine_tanks"][0]["refills"], complete);
}

/// The alarm that the clock is not set, of a plant where this is done at these hours.
fn clock_alarm(deeds: &[(u64, Input)]) -> (Option<u64>, Option<u64>, &'static str) {
    let world = world(two_tanks::settings(), None);
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut replay = Replay::new(world, vec![&mut gatherer]);
    replay.power_up().unwrap();
    for (hour, input) in deeds {
        replay.run_to(hour * HOUR_MS).unwrap();
        replay.offer(*input, true).unwrap().unwrap();
    }
    replay.run_to(12 * HOUR_MS).unwrap();
    replay.stop().unwrap();
    let e = gatherer.into_evidence();
    let alarm = e.alarms.iter().find(|alarm| alarm.slug == "clock-unset").expect("raised");
    (alarm.acknowledged_ms, alarm.to_ms, alarm.state())
}

/// W2: onset, acknowledgement and return are told in any order, and where that leaves the alarm.
#[test]
fn w2_the_life_of_an_alarm_is_told() {
    let ask = |action| Input::Operator { who: Who::Panel, action: Action::Alarm(action) };
    let one = ask(AlarmAction::Acknowledge(Alarm::ClockUnset));
    let all = ask(AlarmAction::AcknowledgeAll);
    let set = Input::Clock(Some(Civil::at(9_000, 0)));
    let h = HOUR_MS;
    assert_eq!(clock_alarm(&[]), (None, None, "active-unacknowledged"));
    assert_eq!(clock_alarm(&[(1, one)]), (Some(h), None, "active-acknowledged"));
    assert_eq!(clock_alarm(&[(1, all), (2, set)]), (Some(h), Some(2 * h), "normal"));
    assert_eq!(clock_alarm(&[(2, set)]), (None, Some(2 * h), "returned-unacknowledged"));
    assert_eq!(clock_alarm(&[(2, set), (3, all)]), (Some(3 * h), Some(2 * h), "normal"));
}

/// Y1: of very many doses those close together are told as one, and each is counted.
#[test]
fn y1_many_doses_are_joined_and_counted() {
    let mut raw = two_tanks::settings();
    let volume = bedkeeper::units::Volume::from_litres(20);
    let (on, min_off) = (bedkeeper::units::Millis::from_secs(2), bedkeeper::units::Millis::from_secs(1));
    raw.relays[0] = RawRelay { program: RelayProgram::PerVolume { volume, on }, min_off, ..RawRelay::default() };
    let e = apartments(raw);
    let [relay] = e.relays.as_slice() else { panic!("{:?}", e.relays) };
    assert_eq!((relay.times, relay.on_ms), (7_283 / 2, 2_000 * (7_283 / 2)));
    assert!(relay.on.len() <= 1_000 && relay.joined_within_ms >= 1_000, "{}", relay.on.len());
    assert!(relay.on.windows(2).all(|pair| pair[1].0 - pair[0].1 > relay.joined_within_ms));
    let last = relay.on.last().map_or(0, |time| time.1);
    assert!(last > e.span_ms - 24 * HOUR_MS, "the end is told as well as the beginning: {last}");
}

/// L2: a failed hardness test is told with the tank's capacity, in the JSON and in the report; the other tank keeps all of it.
#[test]
fn l2_derating_is_told() {
    let world = world(two_tanks::settings(), None);
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut replay = Replay::new(world, vec![&mut gatherer]);
    replay.power_up().unwrap();
    replay.run_to(HOUR_MS).unwrap();
    let (tank, treated) = (bedkeeper::units::TankId(0), bedkeeper::units::Hardness(200_000));
    let test = Input::Operator { who: Who::Panel, action: Action::TestHardness { tank, treated, feed: None } };
    replay.offer(test, true).unwrap().unwrap();
    replay.stop().unwrap();
    let e = gatherer.into_evidence();
    let told: Vec<_> = e.tanks.iter().map(|tank| tank.derating.unwrap()).collect();
    assert_eq!((told[0].kept_per_mille, told[0].by_age_per_mille, told[0].by_tests_per_mille), (900, 0, 100));
    assert_eq!(told[1].kept_per_mille, 1_000);
    let json: serde_json::Value = serde_json::from_str(&json(&e).unwrap()).unwrap();
    let capacity = &json["tanks"][0]["capacity"];
    assert_eq!((capacity["kept_share"].as_f64(), capacity["less_by_tests_share"].as_f64()), (Some(0.9), Some(0.1)));
}
