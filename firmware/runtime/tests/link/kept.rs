//! What a board keeps of its site for good, over the line: its baseline, its signed walk, its hardness tests.

use bedkeeper::calendar::Civil;
use bedkeeper::commission::{SignedOff, TaskSet};
use bedkeeper::hardness_log::{HardnessEntry, KEPT};
use bedkeeper::image::Image;
use bedkeeper::journal::{BoardWish, Event, Who};
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::settings::{RawDrive, RawSettings};
use bedkeeper::units::{Hardness, Instant, TankId, Volume};
use bedkeeper_runtime::baseline::Baseline;
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{Answer, Refusal, Request, Taken, Wish};
use bedkeeper_runtime::link::registers::PLANT;
use bedkeeper_runtime::manners::{Manners, Speed};
use bedkeeper_runtime::panel::Units;

use crate::line::{Line, UNIT, answer, image, modbus, raw, refusal};

const SITE: Wish = Wish::ResetTo { baseline: Baseline::Site, may_restart: false };

fn stored(line: &Line) -> usize {
    let records = &line.bench.borrow().records;
    records.iter().filter(|record| record.event == Event::BaselineStored { who: Who::Serial }).count()
}

/// O3, O1: the settings that run are stored as the baseline, once however often the frame comes, and returned to.
#[test]
fn a_baseline_is_stored_and_returned_to() {
    let mut line = Line::new();
    line.open();
    assert_eq!(refusal(line.change(SITE)), Refusal::NoBaseline);
    let store = line.next_change(Wish::StoreBaseline);
    let first = line.exchange(&store);
    assert_eq!(answer(&first).map(|(_, answer)| answer), Some(Answer::Done));
    assert_eq!(line.exchange(&store), first);
    assert_eq!(stored(&line), 1, "sent twice, stored once");
    let kept = line.bench.borrow().baseline.clone().expect("stored");
    assert_eq!((kept.raw, kept.name.as_str()), (raw(), "Bench (invented)"));
    assert_eq!(refusal(line.change(SITE)), Refusal::NothingChanged);

    let mut other = raw();
    other.hour_minute = 90;
    line.push(&image(&other), |_| {});
    assert_eq!(line.controller().settings().hour_minute, 90);
    line.open();
    let reset = line.next_change(SITE);
    let told = line.exchange(&reset);
    assert_eq!(answer(&told).unwrap().1, Answer::Taken(Taken { restarts: false, is_stored: true }));
    assert_eq!(*line.controller().settings().raw(), raw());
    assert_eq!(Image::decode(line.shelf.images.last().unwrap()).unwrap().raw, raw());
    // Recorded, and sent again when others run.
    line.push(&image(&other), |_| {});
    line.exchange(&reset);
    line.exchange(&store);
    assert_eq!((line.controller().settings().hour_minute, stored(&line)), (90, 1));
}

/// O1, Q5: behind a closed lock no baseline is stored or returned to; who tried to is journalled, and nothing is kept.
#[test]
fn a_baseline_is_behind_the_lock() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    line.open();
    let records = line.bench.borrow().records.len();
    for wish in [Wish::StoreBaseline, SITE, Wish::ResetTo { baseline: Baseline::BuiltIn, may_restart: true }] {
        assert_eq!(refusal(line.change(wish)), Refusal::Locked);
    }
    let tried = |wish| Event::AskedOfBoard { who: Who::Serial, wish, granted: false };
    let said: Vec<_> = line.bench.borrow().records[records..].iter().map(|record| record.event).collect();
    assert_eq!(said, [tried(BoardWish::Baseline), tried(BoardWish::Settings), tried(BoardWish::Settings)]);
    assert_eq!(line.shelf.images.len(), 0);
    assert_eq!(line.bench.borrow().baseline, None);
    assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
    assert_eq!(line.change(Wish::StoreBaseline), Answer::Done);
}

/// O3, O2: the built-in baseline of another plant is taken by a restart, and only where that was allowed.
#[test]
fn the_built_in_baseline_may_need_a_restart() {
    let mut line = Line::with(|raw| {
        let RawDrive::CamSwitch { travel_limit, .. } = &mut raw.drive else { panic!() };
        travel_limit.0 += 1_000;
    });
    line.open();
    let reset = |may_restart| Wish::ResetTo { baseline: Baseline::BuiltIn, may_restart };
    assert_eq!(refusal(line.change(reset(false))), Refusal::NeedsRestart);
    assert!(line.shelf.images.is_empty() && !line.link.wants_restart());
    assert_eq!(line.change(reset(true)), Answer::Taken(Taken { restarts: true, is_stored: true }));
    assert!(line.link.wants_restart());
    assert_eq!(Image::decode(line.shelf.images.last().unwrap()).unwrap().raw, RawSettings::baseline());
    let said = line.bench.borrow().records.last().map(|record| record.event);
    assert_eq!(said, Some(Event::SettingsAwaitRestart { who: Who::Serial }));
}

/// O1, O5: address, speed and units are told to anybody, and changed behind the lock: the answer comes as it was asked for,
/// and from the next frame on the board speaks otherwise, after a power cut too. What no board can have changes nothing.
#[test]
fn the_board_learns_to_speak_otherwise() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    let before = Manners { address: UNIT, ..Manners::default() };
    assert_eq!(line.ask(&Request::Manners), Answer::Manners(before));
    line.open();
    let speak = |address, baud| Wish::Speak { address, baud, units: Some(Units::Us) };
    assert_eq!(refusal(line.change(speak(Some(7), None))), Refusal::Locked);
    assert_eq!(line.change(Wish::Unlock(Key::Code(4_711))), Answer::Done);
    for (address, baud) in [(Some(0), None), (Some(248), None), (None, Some(0)), (Some(7), Some(115_201))] {
        assert_eq!(refusal(line.change(speak(address, baud))), Refusal::NoSuchManners);
    }
    assert_eq!((line.machine.manners(), line.bench.borrow().manners), (before, Some(before)));
    // Each was journalled with who asked, the refused ones too (Q5).
    let asked = |line: &Line| -> Vec<_> {
        let of_board = |event| match event {
            Event::AskedOfBoard { who: Who::Serial, wish, granted } => Some((wish, granted)),
            _ => None,
        };
        line.bench.borrow().records.iter().filter_map(|record| of_board(record.event)).collect()
    };
    let wishes = |address, baud, granted| [(BoardWish::Line { address, baud }, granted), (BoardWish::Units, granted)];
    let refused = [(7, 115_200), (0, 115_200), (248, 115_200), (UNIT, 0), (7, 115_201)];
    let refused: Vec<_> = refused.into_iter().flat_map(|(address, baud)| wishes(address, baud, false)).collect();
    assert_eq!(asked(&line), refused);
    let change = line.next_change(speak(Some(7), Some(9_600)));
    assert_eq!(answer(&line.exchange(&change)).unwrap().1, Answer::Done);
    assert_eq!(asked(&line)[refused.len()..], wishes(7, 9_600, true));
    assert_eq!(line.link.speed(), Speed::B115200, "the answer went as it was asked for");
    let manners = Manners { units: Units::Us, address: 7, speed: Speed::B9600 };
    assert_eq!(line.ask(&Request::Manners), Answer::Manners(manners));
    assert_eq!((line.link.speed(), line.bench.borrow().manners), (Speed::B9600, Some(manners)));
    assert!(line.exchange(&modbus(&[UNIT, 4, 0, 0, 0, 2])).is_empty(), "nobody has that address any more");
    let of_plant: u16 = PLANT.iter().map(|register| register.words).sum();
    let said = line.exchange(&modbus(&[7, 4, 0, u8::try_from(of_plant - 3).unwrap(), 0, 3]));
    assert_eq!(said[3..9], [0, 7, 0, 0, 0x25, 0x80], "{said:02x?}");
    // Within a request a pause of 3 ms is none at 9 600 baud.
    let whole = modbus(&[7, 4, 0, 0, 0, 2]);
    line.now_us += 5_000;
    line.hear(&whole[..4]);
    line.now_us += 3_000;
    line.poll();
    assert!(!line.exchange_at_once(&whole[4..]).is_empty());
}

/// O6, O1: the signed record is read by anybody; there may be none.
#[test]
fn the_signed_record_is_read() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    assert_eq!(line.ask(&Request::Signed), Answer::Signed(None));
    let record = SignedOff {
        by: "N. N.".try_into().unwrap(),
        at: Some(Civil(9_921 * 86_400_000)),
        skipped: TaskSet::EMPTY,
        meter: None,
        hardness: None,
    };
    line.bench.borrow_mut().signed = Some(record.clone());
    assert_eq!(line.ask(&Request::Signed), Answer::Signed(Some(record)));
}

/// O6: the hardness tests are read by anybody, and as many as are kept fit a frame, whatever they say.
#[test]
fn hardness_tests_are_read() {
    let entry = HardnessEntry {
        tank: TankId(u8::MAX),
        at: Instant::from_ticks(u64::MAX),
        civil: Some(Civil(u64::MAX)),
        treated: Hardness(u32::MAX),
        feed: Some(Hardness(u32::MAX)),
        left: Volume(u64::MAX),
        changed_to_per_mille: Some(u16::MAX),
    };
    let mut line = Line::new();
    assert_eq!(line.ask(&Request::HardnessTests), Answer::HardnessTests(heapless::Vec::new()));
    let full = Answer::HardnessTests([entry; KEPT].into_iter().collect());
    assert!(frame::pack(1, &full).is_some());
}
