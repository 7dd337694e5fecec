//! A board that lives for twenty years at the fastest meter: nothing overflows, and no page of its flash wears out.
//!
//! The whole control loop runs, with its store and its history on one strict flash that counts every erasure. Nothing
//! is extrapolated: every save and every regeneration of the twenty years is made. Only pulses come in batches, since
//! 126 000 000 000 single ones are as many calls; what a call does with one pulse and with many is the same sum.
//!
//! `cargo test` lives some weeks; all of it: `cargo test --release -p bedkeeper-runtime --test twenty_years -- --ignored
//! --nocapture`.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::arithmetic_side_effects, clippy::as_conversions)]

use std::cell::{Cell, RefCell};
use std::convert::Infallible;
use std::rc::Rc;

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::Entry;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::Position;
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{Arrangement, Medium, RawDrive, RawSettings, Settings, StartRule};
use bedkeeper::units::{Exchange, Flow, Hardness, Instant, Millis, Volume};
use bedkeeper::{Controller, Input};
use bedkeeper_runtime::clock::WallClock;
use bedkeeper_runtime::history::{DAYS, History, Layout, REGENERATIONS};
use bedkeeper_runtime::machine::{Board, Machine, Parts, Records};
use bedkeeper_runtime::meters::NoMeters;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::motor::Motor;
use bedkeeper_runtime::plant::Plant;
use bedkeeper_runtime::power_up::Chosen;
use bedkeeper_runtime::store::{Log, Region, SharedFlash, pages_for};
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};

const DAY_MS: u64 = 86_400_000;
/// 20 years with their 5 leap days.
const TWENTY_YEARS_DAYS: u64 = 7_305;
/// The fastest meter.
const PULSES_PER_S: u64 = 200;
/// 100 pulses are a litre: 200 a second are 7.2 m³/h, day and night.
const PULSE_NL: u64 = 10_000_000;
/// Pulses are told once a minute.
const BATCH_MS: u64 = 60_000;
const BATCH: u32 = (PULSES_PER_S * BATCH_MS / 1_000) as u32;
/// Softened by a tank before it is spent, L.
const CAPACITY_L: u64 = 50_000;
/// Erasures that a page bears (P2).
const CYCLES: u32 = 10_000;
const PAGE: usize = 4_096;
/// Bytes that are written at a time.
const WORD: usize = 4;
const BUFFER: usize = MAX_BYTES + 16;
/// A Monday noon.
const CIVIL_START: u64 = 9_921 * DAY_MS + 43_200_000;
const MOTORS: usize = 4;
const RELAY: usize = MOTORS;

type Mock = MockFlash<WORD, PAGE>;
type Flash = SharedFlash<'static, Mock>;

/// Counts what happens to the pins, apart from the logic's own counters.
#[derive(Debug, Default)]
struct Counts {
    now_ms: u64,
    high_since: [Option<u64>; RELAY + 1],
    starts: [u64; RELAY + 1],
    high_ms: [u64; RELAY + 1],
    completed: [u64; 2],
}

type Seen = Rc<RefCell<Counts>>;

/// An output that is counted, if it has a place.
#[derive(Clone, Debug)]
struct Output(Option<usize>, Seen);

impl ErrorType for Output {
    type Error = Infallible;
}

impl OutputPin for Output {
    fn set_low(&mut self) -> Result<(), Infallible> {
        if let Some(place) = self.0 {
            let mut seen = self.1.borrow_mut();
            let now = seen.now_ms;
            if let Some(since) = seen.high_since[place].take() {
                seen.high_ms[place] += now - since;
            }
        }
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        if let Some(place) = self.0 {
            let mut seen = self.1.borrow_mut();
            let now = seen.now_ms;
            if seen.high_since[place].is_none() {
                seen.high_since[place] = Some(now);
                seen.starts[place] += 1;
            }
        }
        Ok(())
    }
}

/// An input that nothing is wired to.
#[derive(Debug)]
struct Open;

impl ErrorType for Open {
    type Error = Infallible;
}

impl InputPin for Open {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(false)
    }
}

struct Clock(Rc<Cell<u64>>);

impl WallClock for Clock {
    fn read(&mut self) -> Option<Civil> {
        Some(Civil(self.0.get()))
    }

    fn set(&mut self, civil: Civil) -> bool {
        self.0.set(civil.0);
        true
    }
}

/// Keeps regenerations and days where a board keeps them.
struct Kept {
    history: History<Flash>,
    regenerations: u64,
    days: u64,
    seen: Seen,
}

impl Records for Kept {
    fn note(&mut self, record: &Record) {
        if let Event::Ended { tank, outcome, .. } = record.event {
            assert_eq!(outcome, Outcome::Complete, "{record:?}");
            self.seen.borrow_mut().completed[tank.index()] += 1;
        }
    }

    fn keep(&mut self, entry: &Entry) {
        self.history.keep(entry).expect("the flash works");
        match entry {
            Entry::Regeneration(_) => self.regenerations += 1,
            Entry::Day(_) => self.days += 1,
            Entry::Happening(_) => {}
        }
    }

    fn prepare(&mut self) {
        self.history.prepare().expect("the flash works");
    }

    fn erasures(&self) -> u32 {
        self.history.erasures()
    }
}

struct Lasting;

impl Board for Lasting {
    type Output = Output;
    type Input = Open;
    type Meters = NoMeters;
    type Clock = Clock;
    type Flash = Flash;
    type Records = Kept;
}

/// Two tanks that take turns, behind timed valves.
fn settings() -> Settings {
    let mut raw = RawSettings::baseline();
    raw.arrangement = Arrangement::Alternating;
    raw.tanks = 2;
    raw.start = StartRule::Immediate;
    raw.meter.pulse_nl = PULSE_NL;
    raw.meter.rated_max = Flow(200_000);
    raw.meter.min_closed = Millis::ZERO;
    raw.meter.min_open = Millis::ZERO;
    let capacity = CAPACITY_L;
    raw.medium = Medium::Softener {
        hardness: Hardness(100_000),
        capacity: Exchange(capacity * 100_000),
        total: Exchange(capacity * 2 * 100_000),
    };
    let places = [
        Position::Service,
        Position::Backwash,
        Position::BrineDraw,
        Position::FastRinse,
        Position::BrineRefill,
        Position::Standby,
    ];
    raw.drive = RawDrive::Timed {
        positions: places.iter().zip(0u32..).map(|(p, i)| (*p, Millis(i * 6_000))).collect(),
        margin: Millis(1_000),
        rest: Millis::from_secs(1),
    };
    let program = RelayProgram::PerVolume { volume: Volume::from_litres(1_000), on: Millis::from_secs(30) };
    raw.relays[0] = RawRelay { program, min_off: Millis::from_secs(1), ..RawRelay::default() };
    Settings::try_from(raw).expect("valid")
}

/// Saves of a day: by water, by regenerations with every minute of theirs (as `pack` reckons them), and some besides.
fn writes_a_day(settings: &Settings) -> u32 {
    let a_day_nl = PULSES_PER_S * 86_400 * PULSE_NL;
    let steps = settings.raw().program.iter().filter(|step| step.length.0 > 0).count() as u64;
    let regenerations = a_day_nl.div_ceil(CAPACITY_L * 1_000_000_000) + 2;
    let minutes = settings.raw().program.iter().map(|step| u64::from(step.length.0)).sum::<u64>().div_ceil(60_000);
    let of_each = 4 * steps + minutes + 12;
    let writes = a_day_nl.div_ceil(settings.retain_volume().nl()) + regenerations * of_each + 24;
    u32::try_from(writes).unwrap()
}

/// Lives so many days, with as many pages as twenty years ask for, and looks at what is left.
fn live(days: u64) {
    let settings = settings();
    let a_day = writes_a_day(&settings);
    // A state that has run for years is longer than a fresh one; three times is what `pack` reckons with.
    let fresh = Controller::<2>::new(Instant::from_ticks(0), settings.clone()).unwrap();
    let reckoned = fresh.retained().encode::<MAX_BYTES>().unwrap().len().saturating_mul(3).min(MAX_BYTES);
    let pages = pages_for(20, a_day, CYCLES, reckoned as u32, PAGE as u32, WORD as u32).unwrap();
    let region = Region { start: 0, pages };
    let layout = Layout::new(pages * PAGE as u32, PAGE as u32, WORD as u32).unwrap();
    let cell: &'static RefCell<Mock> = Box::leak(Box::new(RefCell::new(Mock::new((pages + layout.pages()) as usize))));
    let flash = SharedFlash(cell);

    let seen = Seen::default();
    let civil = Rc::new(Cell::new(CIVIL_START));
    let pin = |place: usize| Output(Some(place), seen.clone());
    let spare = || Output(None, seen.clone());
    let motors = [Motor::new(pin(0), pin(1)).unwrap(), Motor::new(pin(2), pin(3)).unwrap()];
    let plant = Plant::new(motors, [pin(RELAY), spare(), spare(), spare()], 1).unwrap();
    let history = History::mount([flash; 3], layout).unwrap();
    let parts = Parts {
        plant,
        meters: NoMeters,
        clock: Clock(civil.clone()),
        store: Log::<Flash, BUFFER>::mount(flash, region).unwrap(),
        records: Kept { history, regenerations: 0, days: 0, seen: seen.clone() },
    };
    let chosen = Chosen { settings: settings.clone(), rejected: None };
    let Ok(Some(mut machine)) = Machine::<Lasting, 2, BUFFER>::power_up(parts, chosen, 0) else {
        panic!("the board does not come up");
    };

    let (mut now, mut batch_at, mut batches) = (0, BATCH_MS, 0_u64);
    let set_time = |now: u64| {
        seen.borrow_mut().now_ms = now;
        civil.set(CIVIL_START + now);
    };
    while now < days * DAY_MS {
        let next = machine.pass(now).unwrap().unwrap_or(batch_at).min(batch_at);
        assert!(next > now, "the loop asks for the past");
        now = next;
        set_time(now);
        if now == batch_at {
            machine.call(now, Input::Pulses { meter: 0, count: BATCH }).unwrap();
            batches += 1;
            batch_at += BATCH_MS;
        }
    }

    check_counters(machine.controller(), batches, &seen);
    let (before, alarms) = (machine.controller().accounts(), machine.controller().outputs().alarms);
    assert!(alarms.is_empty(), "{alarms:?} stand");
    let mut parts = machine.release(now).unwrap();
    check_history(&mut parts.records, days);

    // What is stored is the state, but for what may be lost by a cut.
    let writes = u64::from(parts.store.generation());
    let mut store = Log::<Flash, BUFFER>::mount(parts.store.release(), region).unwrap();
    let bytes = store.latest().unwrap().expect("stored");
    let (stored, length) = (Retained::<2>::decode(bytes).expect("whole"), bytes.len());
    assert!(length <= reckoned, "{length} bytes, and {reckoned} were reckoned with");
    let back =
        Controller::<2>::restore(stored.resumes_at(Some(Millis::ZERO)), settings.clone(), &stored, Some(Millis::ZERO))
            .unwrap();
    let lost = before.metered.0 - back.accounts().metered.0;
    assert!(lost <= u128::from(settings.retain_volume().nl()), "{lost} nL are lost");

    let flash = cell.borrow();
    let (worn, rest) = flash.erasures().split_at(pages as usize);
    let (least, most) = (*worn.iter().min().unwrap(), *worn.iter().max().unwrap());
    let kept_most = *rest.iter().max().unwrap();
    println!(
        "{days} days: {writes} writes of the store, {length} bytes long, on {pages} pages, each erased {least} to {most} times; history on {} \
         pages, erased {kept_most} times at the most",
        rest.len()
    );
    // P2: no more is written than was reckoned with, wear is spread evenly, and no page bears more than it can.
    assert!(writes > days && writes <= u64::from(a_day) * days.max(1), "{writes} writes, reckoned with {a_day} a day");
    assert!(most - least <= 1, "{worn:?}");
    assert!(u64::from(most) * TWENTY_YEARS_DAYS <= u64::from(CYCLES) * days + TWENTY_YEARS_DAYS, "{worn:?}");
    assert!(u64::from(kept_most) * TWENTY_YEARS_DAYS <= u64::from(CYCLES) * days + TWENTY_YEARS_DAYS, "{rest:?}");
    // What the store says of its own wear is what the flash counted.
    assert_eq!(store.erasures(), most);
}

/// M6, S5, P7: the accounts are exact, and the lifetime counters are what the pins saw.
fn check_counters(controller: &Controller<2>, batches: u64, seen: &Seen) {
    let seen = seen.borrow();
    let accounts = controller.accounts();
    assert_eq!(accounts.metered.0, u128::from(batches) * u128::from(BATCH) * u128::from(PULSE_NL));
    assert_eq!(accounts.metered.0, accounts.charged.0 + accounts.blended.0 + accounts.untreated.0 + accounts.drained.0);
    // A tank stands ready whenever the other is spent: nothing passes untreated.
    assert_eq!((accounts.untreated.0, accounts.estimated.0), (0, 0));
    let lives = controller.lives();
    for (i, valve) in lives.valves().iter().enumerate() {
        let pins = 2 * i..2 * i + 2;
        let starts: u64 = seen.starts[pins.clone()].iter().sum();
        let high_ms: u64 = seen.high_ms[pins].iter().sum();
        println!("valve {}: {valve:?}", i + 1);
        assert_eq!(u64::from(valve.moves), starts, "starts of motor {}", i + 1);
        assert!(u64::from(valve.driven_s).abs_diff(high_ms / 1_000) <= 60, "{valve:?}, and the pins {high_ms} ms");
        assert_eq!(u64::from(valve.regenerations), seen.completed[i]);
    }
    let relay = lives.relays()[0];
    println!("relay 1: {relay:?}");
    assert_eq!(u64::from(relay.energisations), seen.starts[RELAY]);
    assert!(relay.energisations > 0);
}

/// P7: the last regenerations and days are there, however many came before.
fn check_history(records: &mut Kept, days: u64) {
    assert_eq!(records.history.lost(), 0);
    let (mut regenerations, mut kept_days) = (0, 0);
    records.history.regenerations(|_| regenerations += 1).unwrap();
    records.history.days(|_| kept_days += 1).unwrap();
    println!(
        "{} regenerations, {} days of use; kept: {regenerations}, {kept_days}",
        records.regenerations, records.days
    );
    assert!(regenerations >= u64::from(REGENERATIONS).min(records.regenerations));
    assert!(kept_days >= u64::from(DAYS).min(records.days));
    assert!(records.days + 2 >= days, "{} days of {days}", records.days);
    assert!(records.regenerations >= days * 2, "{} regenerations", records.regenerations);
}

/// M6, P2, P7: two weeks at the fastest meter.
#[test]
fn m6_two_weeks_of_the_fastest_meter() {
    live(14);
}

/// M6, P2, P7: twenty years at the fastest meter overflow no counter and wear out no page.
#[test]
#[ignore = "up to a minute; CI runs it in release"]
fn m6_p2_twenty_years_of_the_fastest_meter() {
    live(TWENTY_YEARS_DAYS);
}
