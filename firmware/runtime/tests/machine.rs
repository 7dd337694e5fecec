//! The control loop on a bench: the order of pins and store, power-up, and what happens when something fails.
#![allow(clippy::arithmetic_side_effects)]
#![allow(clippy::result_large_err)]
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

mod common;

use bedkeeper::calendar::Civil;
use bedkeeper::image::{Image, MAX_BYTES, SiteName, SiteNote};
use bedkeeper::journal::{Event, Who};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::settings::{RawDrive, RawSettings, RemoteRole, Settings};
use bedkeeper::units::{Millis, TankId};
use bedkeeper::watch::{Alarm, Severity};
use bedkeeper::{Action, Input};
use bedkeeper_runtime::machine::{Machine, RETRY_MS};
use bedkeeper_runtime::meters::Edge;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::plant::NotWired;
use bedkeeper_runtime::power_up::{self, Chosen, Rejected};
use bedkeeper_runtime::store::{Log, Region};
use common::{BUFFER, Bench, Deed, OnBench, RELAYS, parts, plant};

type Loop = Machine<OnBench, 2, BUFFER>;

const MONDAY_NOON: Civil = Civil(9_921 * 86_400_000 + 43_200_000);

fn raw() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.remote = RemoteRole::Now;
    raw
}

fn settings(change: impl FnOnce(&mut RawSettings)) -> Settings {
    let mut raw = raw();
    change(&mut raw);
    Settings::try_from(raw).expect("valid")
}

fn start(bench: &Bench, flash: MockFlash<4, 4096>, settings: Settings) -> Loop {
    let chosen = Chosen { settings, rejected: None };
    Machine::power_up(parts(bench, flash), chosen, 0).expect("pins work").expect("fits")
}

/// Runs until an uptime, pass by pass as the loop asks for.
fn run(machine: &mut Loop, from_ms: u64, until_ms: u64) {
    let mut now = from_ms;
    while now < until_ms {
        let next = machine.pass(now).unwrap().unwrap_or(until_ms);
        assert!(next > now, "the loop asks for the past");
        now = next.min(until_ms);
    }
}

/// In service: the first switch is closed.
fn at_home(bench: &Bench) {
    bench.borrow_mut().closed.insert("switch-1", true);
}

fn deeds(bench: &Bench) -> Vec<Deed> {
    std::mem::take(&mut bench.borrow_mut().deeds)
}

fn goes_high(deeds: &[Deed]) -> Option<usize> {
    deeds.iter().position(|deed| matches!(deed, Deed::High(_)))
}

/// S7: every output is put off by the first things that happen to any pin, before flash or clock is looked at, and
/// nothing comes on in the half second in which contacts settle.
#[test]
fn s7_power_up_puts_every_output_off_first() {
    let bench = Bench::default();
    let _ = plant(&bench);
    let names = ["forward-1", "reverse-1", "forward-2", "reverse-2"].into_iter().chain(RELAYS);
    let off = deeds(&bench);
    assert!(names.clone().all(|name| off.contains(&Deed::Low(name))), "{off:?}");
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    let done = deeds(&bench);
    let first: Vec<_> = done.iter().take(12).collect();
    for name in names {
        assert!(first.contains(&&Deed::Low(name)), "{name} is not among {first:?}");
    }
    assert_eq!(goes_high(&done), None);
    run(&mut machine, 0, 499);
    assert_eq!(goes_high(&deeds(&bench)), None);
}

/// P1, S10: the start of a regeneration is in the store before the motor runs; relays and store know nothing of each
/// other's order, and the motor's other output stays low.
#[test]
fn p1_the_store_comes_before_the_motor() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    deeds(&bench);
    machine.call(5_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    run(&mut machine, 5_000, 8_000);
    let done = deeds(&bench);
    let runs = done.iter().position(|deed| *deed == Deed::High("forward-1")).expect("the motor runs");
    let stored = done.iter().position(|deed| *deed == Deed::Written).expect("it is stored");
    assert!(stored < runs, "{done:?}");
    let highs = done.iter().filter(|deed| matches!(deed, Deed::High(_))).count();
    assert_eq!(highs, 1, "nothing else comes on: {done:?}");
}

/// P1: a step that ends and the motor that starts with it are one call: the end of the step is stored first.
#[test]
fn p1_within_one_call_the_store_comes_first() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    machine.call(5_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    run(&mut machine, 5_000, 9_000);
    bench.borrow_mut().closed.clear();
    run(&mut machine, 9_000, 12_000);
    bench.borrow_mut().closed.insert("switch-2", true);
    run(&mut machine, 12_000, 20_000);
    assert!(!bench.borrow().on["forward-1"], "it backwashes");
    // Ten minutes, with nothing in between but the marks of the step's time.
    let mut now = 20_000;
    while !bench.borrow().on["forward-1"] {
        deeds(&bench);
        now = machine.pass(now).unwrap().expect("it is not over").max(now);
        machine.pass(now).unwrap();
        assert!(now < 700_000);
    }
    let done = deeds(&bench);
    let runs = done.iter().position(|deed| *deed == Deed::High("forward-1")).expect("the motor runs");
    assert!(done[..runs].contains(&Deed::Written), "{done:?}");
}

/// P1, V3: while the store fails no motor starts; it starts as soon as the store works, within its retry.
#[test]
fn p1_no_motor_without_the_store() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    bench.borrow_mut().flash_fails = true;
    machine.call(5_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    deeds(&bench);
    run(&mut machine, 5_000, 30_000);
    assert_eq!(goes_high(&deeds(&bench)), None);
    bench.borrow_mut().flash_fails = false;
    run(&mut machine, 30_000, 30_000 + RETRY_MS + 1);
    assert!(deeds(&bench).contains(&Deed::High("forward-1")));
}

/// S11: bad settings never run: the baseline does, with its alarm, whatever is wrong with them.
#[test]
fn s11_bad_settings_run_the_baseline() {
    let image = |raw: RawSettings| {
        let image = Image { name: SiteName::new(), note: SiteNote::new(), raw };
        let mut place = [0xff; MAX_BYTES];
        image.encode(&mut place).unwrap();
        place
    };
    let read = |place: &[u8]| {
        let bench = Bench::default();
        let mut plant = plant(&bench);
        power_up::settings(place, |settings| plant.divide(settings))
    };
    assert_eq!(read(&image(raw())), Ok(settings(|_| ())));
    let mut damaged = image(raw());
    damaged[20] ^= 1;
    assert!(matches!(read(&damaged), Err(Rejected::Image(_))));
    assert_eq!(read(&[0xff; MAX_BYTES]), Err(Rejected::Blank));
    let mut faulty = raw();
    faulty.program.clear();
    assert!(matches!(read(&image(faulty)), Err(Rejected::Settings(_))));
    // Two tanks have four switches each here, and a cam with a switch per position needs six.
    let mut large = raw();
    large.tanks = 2;
    large.arrangement = bedkeeper::settings::Arrangement::Alternating;
    if let RawDrive::CamSwitch { positions, .. } = &mut large.drive {
        positions.push(Position::Standby).unwrap();
    }
    assert_eq!(read(&image(large)), Err(Rejected::NotWired(NotWired::Switches)));

    let bench = Bench::default();
    let chosen = Chosen { settings: Settings::baseline(), rejected: Some(Rejected::Blank) };
    let mut machine: Loop = Machine::power_up(parts(&bench, MockFlash::new(3)), chosen, 0).unwrap().unwrap();
    run(&mut machine, 0, 2_000);
    assert_eq!(machine.controller().settings(), &Settings::baseline());
    assert!(machine.controller().outputs().alarms.contains(Alarm::SettingsRejected));
}

/// S11: where what is given does not run, the last set that did runs, and what ran is written once.
#[test]
fn s11_the_last_good_set_is_kept() {
    let image = |raw: &RawSettings| {
        let image = Image { name: SiteName::new(), note: SiteNote::new(), raw: raw.clone() };
        let mut place = [0xff; MAX_BYTES];
        image.encode(&mut place).unwrap();
        place
    };
    let mut kept: Log<MockFlash<4, 4096>, { MAX_BYTES + 16 }> =
        Log::mount(MockFlash::new(2), Region { start: 0, pages: 2 }).unwrap();
    let mut choose = |place: &[u8]| {
        let bench = Bench::default();
        let mut plant = plant(&bench);
        let chosen = power_up::choose(place, &mut kept, |settings| plant.divide(settings));
        (chosen, kept.generation())
    };
    let damaged = [0x55; MAX_BYTES];
    let (chosen, written) = choose(&damaged);
    assert_eq!((&chosen.settings, written), (&Settings::baseline(), 0));
    assert!(matches!(chosen.rejected, Some(Rejected::Image(_))));
    // Given and good: it runs and is kept, once.
    for _ in 0..3 {
        let expected = Chosen { settings: settings(|_| ()), rejected: None };
        assert_eq!(choose(&image(&raw())), (expected, 1));
    }
    let mut faulty = raw();
    faulty.program.clear();
    for bad in [damaged, image(&faulty), [0xff; MAX_BYTES]] {
        let (chosen, written) = choose(&bad);
        assert_eq!((&chosen.settings, written), (&settings(|_| ()), 1));
        assert!(chosen.rejected.is_some());
    }
    // Another good one takes its place.
    let mut other = raw();
    other.backup_days = 9;
    assert_eq!(choose(&image(&other)).1, 2);
    assert_eq!(choose(&damaged).0.settings.raw(), &other);
}

/// W1, P2: from nine tenths of the erasures that its pages are rated for the store is worn, and says so; also at the next
/// power-up.
#[test]
fn w1_a_worn_store_is_told() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    let is_told = |machine: &Loop| machine.controller().outputs().alarms.contains(Alarm::StoreWorn);
    let latest = machine.parts_mut().store.latest().unwrap().map(<[u8]>::to_vec).unwrap();
    let mut now = 5_000;
    let mut wear = |machine: &mut Loop, erasures: u32| {
        while machine.parts_mut().store.erasures() < erasures {
            machine.parts_mut().store.append(&latest).unwrap();
        }
        run(machine, now, now + 2_000);
        now += 2_000;
    };
    wear(&mut machine, 179);
    assert!(!is_told(&machine));
    wear(&mut machine, 180);
    assert!(is_told(&machine));
    let flash = machine.release(20_000).unwrap().store.release().0;
    let machine = start(&bench, flash, settings(|_| ()));
    assert!(is_told(&machine));
}

/// W1, P2: a flash that takes nothing is told of at the third try; the alarm goes when it takes something again.
#[test]
fn w1_a_store_that_fails_is_told() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    let is_told = |machine: &Loop| machine.controller().outputs().alarms.contains(Alarm::StoreWorn);
    bench.borrow_mut().flash_fails = true;
    machine.call(5_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    let second = 5_000 + RETRY_MS;
    run(&mut machine, 5_000, second + RETRY_MS - 1);
    assert!(!is_told(&machine), "two writes have failed");
    run(&mut machine, second + RETRY_MS - 1, second + RETRY_MS + 10);
    assert!(is_told(&machine));
    bench.borrow_mut().flash_fails = false;
    run(&mut machine, second + RETRY_MS + 10, second + 3 * RETRY_MS);
    assert!(!is_told(&machine));
}

/// P3, S10, T3: power fails in a brine draw and is back within a minute by the clock: the board finds its valve where
/// it stands, without moving it, and the step goes on.
#[test]
fn p3_a_board_comes_back_from_its_flash() {
    let bench = Bench::default();
    at_home(&bench);
    bench.borrow_mut().civil = Some(MONDAY_NOON);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    machine.call(5_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    let mut now = 5_000;
    // The cam passes a position every 4 s, until it stands in the brine draw.
    for place in ["switch-2", "switch-3"] {
        while !bench.borrow().on.get("forward-1").copied().unwrap_or(false) {
            run(&mut machine, now, now + 1_000);
            now += 1_000;
        }
        bench.borrow_mut().closed.clear();
        run(&mut machine, now, now + 4_000);
        now += 4_000;
        bench.borrow_mut().closed.insert(place, true);
        run(&mut machine, now, now + 2_000);
        now += 2_000;
    }
    let step = |machine: &Loop| {
        let controller = machine.controller();
        controller.tanks()[0].regeneration().and_then(|running| running.step(controller.settings()))
    };
    let draws = |machine: &Loop| step(machine) == Some(StepKind::BrineDraw);
    assert!(draws(&machine));
    run(&mut machine, now, now + 300_000);
    assert!(draws(&machine));

    // Dark: the flash alone is kept.
    let flash = machine.release(now).unwrap().store.release().0;
    deeds(&bench);
    bench.borrow_mut().civil = Some(Civil(MONDAY_NOON.0 + now + 300_000 + 60_000));
    let mut machine = start(&bench, flash, settings(|_| ()));
    run(&mut machine, 0, 60_000);
    assert_eq!(goes_high(&deeds(&bench)), None, "the valve is where it belongs");
    assert!(draws(&machine));
    let back = |event: &Event| matches!(event, Event::PowerReturned { off: Some(off) } if off.0 <= 125_000);
    assert!(bench.borrow().records.iter().any(|record| back(&record.event)));
}

/// S10: on another plant's state, or on one that cannot be read, every bed counts as spent.
#[test]
fn s10_a_state_of_another_plant_is_not_taken_up() {
    let bench = Bench::default();
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    run(&mut machine, 0, 5_000);
    let flash = machine.release(5_000).unwrap().store.release().0;
    let other = settings(|raw| {
        if let RawDrive::CamSwitch { travel_limit, .. } = &mut raw.drive {
            *travel_limit = Millis::from_mins(3);
        }
    });
    let mut machine = start(&bench, flash, other);
    run(&mut machine, 0, 5_000);
    assert!(machine.controller().outputs().alarms.contains(Alarm::RetainedLost));
}

/// C4, M4, Y1: contacts, edges of meters and relays come through as they are.
#[test]
fn y1_contacts_pulses_and_relays_come_through() {
    let bench = Bench::default();
    at_home(&bench);
    let set = settings(|raw| {
        let program = RelayProgram::WhileFlow;
        raw.relays[2] = RawRelay { program, ..RawRelay::default() };
        raw.remote = RemoteRole::HoldOff;
    });
    let mut machine = start(&bench, MockFlash::new(3), set);
    run(&mut machine, 0, 5_000);
    bench.borrow_mut().closed.insert("remote", true);
    let meters = machine.parts_mut().meters.clone();
    for pulse in 0..4 {
        // A pulse of 1 L every second, each with a bounce of a millisecond before it.
        let at = 5_000 + pulse * 1_000;
        for (closed, at_ms) in [(true, at), (false, at + 1), (true, at + 20), (false, at + 70)] {
            meters.push(Edge { meter: 0, closed, at_ms });
        }
        run(&mut machine, at + 80, at + 1_000);
    }
    assert_eq!(machine.controller().accounts().metered.0, 4_000_000_000);
    assert_eq!(machine.controller().bounces(), 4);
    assert!(bench.borrow().on["relay-3"]);
    run(&mut machine, 9_000, 3_600_000);
    assert!(!bench.borrow().on["relay-3"]);
    let contact = |event: &Event| matches!(event, Event::Contact { .. });
    assert!(bench.borrow().records.iter().any(|record| contact(&record.event)));
    assert_eq!(meters.lost(), 0);
}

/// T1: a hardware clock that has drifted apart corrects the logic's; the logic's stands while it agrees.
#[test]
fn t1_the_hardware_clock_is_right() {
    let bench = Bench::default();
    bench.borrow_mut().civil = Some(MONDAY_NOON);
    at_home(&bench);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    let sets =
        |bench: &Bench| bench.borrow().records.iter().filter(|r| matches!(r.event, Event::ClockSet { .. })).count();
    assert_eq!(sets(&bench), 1);
    let hour = 3_600_000;
    bench.borrow_mut().civil = Some(Civil(MONDAY_NOON.0 + hour + 1_500));
    run(&mut machine, 0, hour + 10);
    assert_eq!(sets(&bench), 1);
    bench.borrow_mut().civil = Some(Civil(MONDAY_NOON.0 + 2 * hour + 5_000));
    run(&mut machine, hour + 10, 2 * hour + 100);
    assert_eq!(sets(&bench), 2);
}

/// W2: an alarm's relay follows it.
#[test]
fn w2_an_alarm_closes_its_relay() {
    let bench = Bench::default();
    at_home(&bench);
    let set = settings(|raw| {
        raw.relays[0] = RawRelay { program: RelayProgram::OnAlarm(Severity::Notice), ..RawRelay::default() };
    });
    let mut machine = start(&bench, MockFlash::new(3), set);
    run(&mut machine, 0, 120_000);
    assert!(machine.controller().outputs().alarms.contains(Alarm::ClockUnset));
    assert!(bench.borrow().on["relay-1"]);
}

/// T1: the board's crystal and the hardware clock are held against each other each hour: where they run apart one of them is
/// wrong, and that is told. A clock that was set, or did not answer, begins anew.
#[test]
fn t1_clocks_that_run_apart_are_told() {
    let bench = Bench::default();
    at_home(&bench);
    bench.borrow_mut().civil = Some(MONDAY_NOON);
    let mut machine = start(&bench, MockFlash::new(3), settings(|_| ()));
    let hour = 3_600_000;
    let mut from = 0;
    let mut after_hour = |machine: &mut Loop, number: u64, civil: Option<u64>| {
        run(machine, from, number * hour - 10);
        bench.borrow_mut().civil = civil.map(|ms| Civil(MONDAY_NOON.0 + ms));
        from = number * hour + 10;
        run(machine, number * hour - 10, from);
        machine.keeps_pace()
    };
    assert_eq!(machine.keeps_pace(), None);
    assert_eq!(after_hour(&mut machine, 1, Some(hour + 1_500)), Some(true));
    assert_eq!(after_hour(&mut machine, 2, Some(2 * hour + 1_500 + 5_100)), Some(false));
    // Set: it begins anew.
    let set = Civil(MONDAY_NOON.0 + 50 * hour);
    assert_eq!(machine.set_clock(2 * hour + 10, set, Who::Panel).unwrap(), Ok(true));
    assert_eq!(after_hour(&mut machine, 3, Some(51 * hour)), Some(true));
    // Silent: what was found stands, and the pause is not judged.
    assert_eq!(after_hour(&mut machine, 4, None), Some(true));
    assert_eq!(after_hour(&mut machine, 5, Some(70 * hour)), Some(true));
    assert_eq!(after_hour(&mut machine, 6, Some(69 * hour)), Some(false), "backwards");
}

/// T1: a board that takes its time to start tells the clock at the instant of power-up all the same: nobody is told that it
/// is unset.
#[test]
fn t1_a_slow_start_is_no_unset_clock() {
    let bench = Bench::default();
    at_home(&bench);
    bench.borrow_mut().civil = Some(MONDAY_NOON);
    let chosen = Chosen { settings: settings(|_| ()), rejected: None };
    let mut machine: Loop =
        Machine::power_up(parts(&bench, MockFlash::new(3)), chosen, 411).expect("pins work").expect("fits");
    run(&mut machine, 411, 5_000);
    let raised: Vec<_> =
        bench.borrow().records.iter().filter(|r| matches!(r.event, Event::AlarmRaised(_))).map(|r| r.event).collect();
    assert!(raised.is_empty(), "{raised:?}");
    assert_eq!(machine.instant(411).as_ticks(), 0, "the logic's time begins with the power-up");
    assert_eq!(machine.instant(400).as_ticks(), 0, "an edge from before counts as at the power-up");
}
