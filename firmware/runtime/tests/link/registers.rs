//! Modbus on the same line.

use bedkeeper::Action;
use bedkeeper::calendar::Civil;
use bedkeeper::journal::{BoardWish, Event, Who};
use bedkeeper::lock::LockRule;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper_runtime::link::message::{Answer, Request};
use bedkeeper_runtime::link::registers::{
    ALARM_INPUTS, MAP_VERSION, PLANT, PLANT_COILS, TANK, TANK_COILS, TANK_COILS_STEP, TANK_INPUTS,
};

use crate::line::{Line, UNIT, modbus};

fn words(said: &[u8]) -> Vec<u16> {
    assert_eq!(modbus(&said[..said.len() - 2]), said, "its CRC fits");
    assert_eq!(usize::from(said[2]), said.len() - 5);
    said[3..said.len() - 2].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

fn read(line: &mut Line, function: u8, address: u16, count: u16) -> Vec<u8> {
    let ([a, b], [c, d]) = (address.to_be_bytes(), count.to_be_bytes());
    line.exchange(&modbus(&[UNIT, function, a, b, c, d]))
}

fn ticket(line: &mut Line) -> [u8; 4] {
    let said = read(line, 4, 2, 2);
    said[3..7].try_into().unwrap()
}

fn write_words(address: u16, data: &[u8]) -> Vec<u8> {
    let ([a, b], count) = (address.to_be_bytes(), u8::try_from(data.len()).unwrap());
    modbus(&[&[UNIT, 16, a, b, 0, count / 2, count], data].concat())
}

fn switch(address: u16, on: bool) -> Vec<u8> {
    let [a, b] = address.to_be_bytes();
    modbus(&[UNIT, 5, a, b, if on { 0xff } else { 0 }, 0])
}

/// The exception code of an answer; none if it is no exception.
fn exception(said: &[u8]) -> Option<u8> {
    (said.len() == 5 && said[1] & 0x80 != 0).then(|| said[2])
}

/// V3, Q5: a person who shut a lost valve by hand says so by a coil; where no valve is lost the logic refuses.
#[test]
fn shut_by_hand_is_a_coil() {
    let mut line = Line::new();
    let place = TANK_COILS.iter().position(|coil| coil.name == "shut-by-hand").unwrap();
    let [a, b, c, d] = ticket(&mut line);
    line.exchange(&write_words(0, &[a, b, c, d]));
    let said = line.exchange(&switch(u16::try_from(place).unwrap(), true));
    assert_eq!(exception(&said), Some(7), "no valve is lost: negative acknowledge");
    let asked = line.bench.borrow().records.last().map(|record| record.event);
    let action = Action::ShutByHand(TankId(0));
    assert_eq!(asked, Some(Event::Operator { who: Who::Serial, action, granted: false }));
}

/// Every register of the table can be read in one go, plant and tank.
#[test]
fn all_registers_are_read() {
    let mut line = Line::new();
    let of_plant: u16 = PLANT.iter().map(|r| r.words).sum();
    let plant = words(&read(&mut line, 4, 0, of_plant));
    assert_eq!(plant[..2], [MAP_VERSION, 1]);
    let of_tank: u16 = TANK.iter().map(|r| r.words).sum();
    let tank = words(&read(&mut line, 4, TANK_INPUTS, of_tank));
    // Serving, in the service position.
    assert_eq!((tank[0], tank[2]), (1, 1));
    let said = read(&mut line, 2, ALARM_INPUTS, u16::try_from(Alarm::ALL.len()).unwrap());
    let place = Alarm::ALL.iter().position(|alarm| *alarm == Alarm::ClockUnset).unwrap();
    assert_eq!(said[3 + place / 8] >> (place % 8) & 1, 1);
    let coils = read(&mut line, 1, 0, 7);
    assert_eq!(coils[3], 0);
    // Past the end, and where there is no tank.
    assert_eq!(exception(&read(&mut line, 4, of_plant, 1)), Some(2));
    assert_eq!(exception(&read(&mut line, 4, TANK_INPUTS + 40, 1)), Some(2));
    assert_eq!(exception(&read(&mut line, 4, 0xffff, 2)), Some(2));
    assert_eq!(exception(&read(&mut line, 4, 0, 0)), Some(3));
    assert_eq!(exception(&read(&mut line, 4, 0, 126)), Some(3));
    assert_eq!(exception(&line.exchange(&modbus(&[UNIT, 43, 14, 1, 0]))), Some(1));
}

/// What is for another address, for everybody, or damaged is not answered.
#[test]
fn others_are_left_alone() {
    let mut line = Line::new();
    assert_eq!(line.exchange(&modbus(&[UNIT + 1, 4, 0, 0, 0, 1])), []);
    assert_eq!(line.exchange(&modbus(&[0, 5, 0, 0, 0xff, 0])), []);
    line.now_us += 600_000;
    let mut damaged = modbus(&[UNIT, 4, 0, 0, 0, 1]);
    damaged[4] ^= 1;
    assert_eq!(line.exchange(&damaged), []);
    for length in 1..8 {
        assert_eq!(line.exchange(&modbus(&[UNIT, 4, 0, 0, 0, 1])[..length]), []);
    }
    // A silence of 3.5 characters tears a frame apart.
    let whole = modbus(&[UNIT, 4, 0, 0, 0, 1]);
    assert_eq!(line.exchange(&whole[..5]), []);
    assert_eq!(line.exchange(&whole[5..]), []);
    assert!(!line.exchange(&whole).is_empty());
}

/// O1: nothing is written without the ticket, and a ticket serves once: a recorded write changes nothing.
#[test]
fn writes_need_a_ticket_each() {
    let mut line = Line::new();
    let hold = switch(2, true);
    assert_eq!(exception(&line.exchange(&hold)), Some(3));
    let bring = write_words(0, &ticket(&mut line));
    assert_eq!(exception(&line.exchange(&bring)), None);
    assert_eq!(exception(&line.exchange(&hold)), None);
    assert!(line.controller().tanks()[0].demand().operator_hold);
    assert_eq!(read(&mut line, 1, 2, 1)[3], 1);

    line.open();
    assert_eq!(line.act(Action::Release(crate::line::TANK)), Answer::Done);
    // Recorded, and sent again: both of them.
    let before = line.bench.borrow().records.len();
    assert_eq!(exception(&line.exchange(&hold)), Some(3));
    assert_eq!(exception(&line.exchange(&bring)), Some(3));
    assert_eq!(exception(&line.exchange(&hold)), Some(3));
    assert!(!line.controller().tanks()[0].demand().operator_hold);
    assert_eq!(line.bench.borrow().records.len(), before);
}

/// A ticket that was brought expires.
#[test]
fn a_ticket_expires() {
    let mut line = Line::new();
    let bring = write_words(0, &ticket(&mut line));
    assert_eq!(exception(&line.exchange(&bring)), None);
    line.run(10_001);
    assert_eq!(exception(&line.exchange(&switch(2, true))), Some(3));
    assert!(!line.controller().tanks()[0].demand().operator_hold);
}

/// O1: writes obey the lock; the key is written with its ticket in one request.
#[test]
fn writes_obey_the_lock() {
    let mut line = Line::with(|raw| raw.locks.serial = LockRule::Code(4_711));
    let hold = |line: &mut Line| {
        let bring = write_words(0, &ticket(line));
        line.exchange(&bring);
        line.exchange(&switch(2, true))
    };
    assert_eq!(exception(&hold(&mut line)), Some(7));
    let key = |line: &mut Line, code: u32| {
        let data = [ticket(line), code.to_be_bytes()].concat();
        line.exchange(&write_words(0, &data))
    };
    let clock = |line: &mut Line| {
        let data = [&ticket(line)[..], &[0, 0], &857_217_600u32.to_be_bytes()].concat();
        let wrong = line.exchange(&write_words(0, &data));
        let bring = write_words(0, &ticket(line));
        line.exchange(&bring);
        (wrong, line.exchange(&write_words(4, &857_217_600u32.to_be_bytes())))
    };
    assert_eq!(exception(&key(&mut line, 4_712)), Some(7));
    assert_eq!(exception(&clock(&mut line).1), Some(7));
    assert_eq!(exception(&key(&mut line, 4_711)), None);
    assert_eq!(exception(&hold(&mut line)), None);
    // Half a value is none.
    let (wrong, right) = clock(&mut line);
    assert_eq!((exception(&wrong), exception(&right)), (Some(3), None));
    assert!(line.controller().clock().is_set());
    // The lock is closed by its coil.
    let bring = write_words(0, &ticket(&mut line));
    line.exchange(&bring);
    assert_eq!(exception(&line.exchange(&switch(PLANT_COILS + 1, true))), None);
    assert_eq!(exception(&hold(&mut line)), Some(7));
    // Wrong keys bar it.
    for _ in 0..3 {
        key(&mut line, 1);
    }
    assert_eq!(exception(&key(&mut line, 4_711)), Some(6));
}

/// T1: a clock beyond 2099 is an illegal value (3), and the clock that was set runs on.
#[test]
fn t1_a_clock_that_cannot_be_held_is_an_illegal_value() {
    let mut line = Line::new();
    let clock = |line: &mut Line, s: u32| {
        let bring = write_words(0, &ticket(line));
        line.exchange(&bring);
        let said = line.exchange(&write_words(4, &s.to_be_bytes()));
        exception(&said)
    };
    let end_s = u32::try_from(Civil::END.0 / 1_000).unwrap();
    assert_eq!(clock(&mut line, 857_217_600), None);
    for s in [end_s, u32::MAX] {
        let before = line.bench.borrow().records.len();
        assert_eq!(clock(&mut line, s), Some(3));
        let wish = BoardWish::Clock(Civil(u64::from(s) * 1_000));
        let said: Vec<_> = line.bench.borrow().records[before..].iter().map(|record| record.event).collect();
        assert_eq!(said, [Event::AskedOfBoard { who: Who::Serial, wish, granted: false }]);
        assert_eq!(line.bench.borrow().civil, Some(Civil(857_217_600_000)));
        assert!(line.controller().clock().is_set());
    }
    assert_eq!(clock(&mut line, end_s - 1), None);
}

/// What is not there is told first (2), without a ticket as with one, and whatever was to be written.
#[test]
fn an_address_that_is_not_there_is_told_first() {
    let mut line = Line::new();
    for address in [TANK_COILS_STEP, 8, PLANT_COILS - 1, PLANT_COILS + 6, 0xffff] {
        for on in [true, false] {
            assert_eq!(exception(&line.exchange(&switch(address, on))), Some(2), "coil {address}");
        }
        let [a, b] = address.to_be_bytes();
        assert_eq!(exception(&line.exchange(&modbus(&[UNIT, 15, a, b, 0, 2, 1, 3]))), Some(2), "coils {address}");
    }
    assert_eq!(exception(&line.exchange(&write_words(6, &[0, 0, 0, 1]))), Some(2));
    // What is there and cannot be so, or has no ticket.
    assert_eq!(exception(&line.exchange(&switch(1, false))), Some(3));
    assert_eq!(exception(&line.exchange(&switch(0, true))), Some(3));
    assert_eq!(line.bench.borrow().records.iter().filter(|r| matches!(r.event, Event::Operator { .. })).count(), 0);
}

/// Both protocols live on one line, in any order.
#[test]
fn both_protocols_share_the_line() {
    let mut line = Line::new();
    for _ in 0..5 {
        let Answer::Identity(_) = line.ask(&Request::Identity) else { panic!() };
        assert_eq!(words(&read(&mut line, 4, 0, 2)), [MAP_VERSION, 1]);
        assert_eq!(words(&read(&mut line, 3, 0, 6)), [0; 6]);
    }
}
