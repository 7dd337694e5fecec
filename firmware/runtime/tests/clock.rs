//! The hardware clock, byte by byte on its bus.
#![allow(clippy::arithmetic_side_effects)]
#![allow(missing_docs, clippy::unwrap_used, clippy::indexing_slicing)]

use bedkeeper::calendar::Civil;
use bedkeeper_runtime::clock::{NoClock, WallClock};
use bedkeeper_runtime::ds3231::Ds3231;
use embedded_hal::i2c::ErrorKind;
use embedded_hal_mock::eh1::i2c::{Mock, Transaction};

const ADDRESS: u8 = 0x68;
const STATUS: u8 = 0x0f;
/// Bit 7 of the status register: the oscillator has stopped (DS3231 data sheet, status register 0Fh).
const STOPPED: u8 = 0x80;

/// 2027-03-01 06:30:15: 9 921 days after 2000-01-01.
const MORNING: Civil = Civil(9_921 * 86_400_000 + (6 * 3_600 + 30 * 60 + 15) * 1_000);
/// Seconds, minutes, hours, weekday, date, month, year, in BCD (data sheet, timekeeping registers).
const MORNING_BCD: [u8; 7] = [0x15, 0x30, 0x06, 0x01, 0x01, 0x03, 0x27];

fn reads(status: u8, time: [u8; 7]) -> Vec<Transaction> {
    vec![
        Transaction::write_read(ADDRESS, vec![STATUS], vec![status]),
        Transaction::write_read(ADDRESS, vec![0], time.to_vec()),
    ]
}

/// T1, T3: the registers are read as civil time.
#[test]
fn t1_the_clock_is_read() {
    let mut clock = Ds3231::new(Mock::new(&reads(0, MORNING_BCD)));
    assert_eq!(clock.read(), Some(MORNING));
    clock.release().done();
}

/// T3: a clock that has stopped is not believed, and its time is not even read.
#[test]
fn t3_a_stopped_clock_tells_nothing() {
    let mut clock = Ds3231::new(Mock::new(&[Transaction::write_read(ADDRESS, vec![STATUS], vec![STOPPED])]));
    assert_eq!(clock.read(), None);
    clock.release().done();
}

/// T1: a clock that does not answer is no clock.
#[test]
fn t1_a_clock_that_does_not_answer_tells_nothing() {
    let silent = Transaction::write_read(ADDRESS, vec![STATUS], vec![0]).with_error(ErrorKind::Other);
    let mut clock = Ds3231::new(Mock::new(&[silent]));
    assert_eq!(clock.read(), None);
    clock.release().done();
}

/// T1: setting writes the time and forgets that it had stopped.
#[test]
fn t1_the_clock_is_set() {
    let mut time = vec![0];
    time.extend(MORNING_BCD);
    // The weekday is the driver's own count; nothing here reads it.
    time[4] = 0x02;
    // The last write clears the stopped flag alone: a one leaves an alarm flag as it is, and the 32 kHz output on.
    let expected = [Transaction::write(ADDRESS, time), Transaction::write(ADDRESS, vec![STATUS, 0x0b])];
    let mut clock = Ds3231::new(Mock::new(&expected));
    assert!(clock.set(MORNING));
    clock.release().done();
}

/// T1: no clock tells nothing and takes nothing.
#[test]
fn t1_no_clock() {
    assert_eq!(NoClock.read(), None);
    assert!(!NoClock.set(MORNING));
}
