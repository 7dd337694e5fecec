//! A page erased ahead of need.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::arithmetic_side_effects)]
#![allow(clippy::as_conversions, clippy::indexing_slicing)]

use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::store::{Log, Region};

type Flash = MockFlash<4, 256>;

fn mount(flash: Flash, pages: u32) -> Log<Flash, 128> {
    Log::mount(flash, Region { start: 0, pages }).expect("mounts")
}

fn record(number: u32) -> Vec<u8> {
    let mut bytes = number.to_le_bytes().to_vec();
    bytes.resize(40, number as u8);
    bytes
}

/// P2: once prepared, a write erases nothing; and nothing is erased more often than it would have been.
#[test]
fn p2_a_prepared_write_erases_nothing() {
    let mut log = mount(Flash::new(3), 3);
    let mut plain = mount(Flash::new(3), 3);
    for i in 0..100 {
        log.prepare().unwrap();
        assert_eq!(log.prepare(), Ok(false), "it is prepared once");
        let flash = log.release();
        let before: u32 = flash.erasures().iter().sum();
        log = mount(flash.clone(), 3);
        // A board that lost power forgets that the page was prepared: it goes on all the same.
        log.append(&record(i)).unwrap();
        let forgot = log.release();
        log = mount(flash, 3);
        log.prepare().unwrap();
        log.append(&record(i)).unwrap();
        assert_eq!(log.latest().unwrap(), Some(record(i).as_slice()));
        assert!(forgot.erasures().iter().sum::<u32>() <= before + 1);
        plain.append(&record(i)).unwrap();
    }
    // The same, never mounted anew.
    let mut steady = mount(Flash::new(3), 3);
    for i in 0..100 {
        steady.prepare().unwrap();
        let written = steady.erasures();
        steady.append(&record(i)).unwrap();
        assert_eq!(steady.erasures(), written);
    }
    let total = |log: Log<Flash, 128>| log.release().erasures().iter().sum::<u32>();
    let (steady, plain) = (total(steady), total(plain));
    // With records that come close to the end of a page it may open the next one a record early.
    assert!(steady <= plain + plain / 3, "{steady} erasures, and {plain} without");
}

/// P2, S10: power fails at every step of preparing: the latest record is still there, and the log goes on.
#[test]
fn p2_power_fails_while_preparing() {
    let mut cuts = 0;
    for records in 1..24 {
        let mut log = mount(Flash::new(2), 2);
        for i in 0..records {
            log.append(&record(i)).unwrap();
        }
        let before = log.release();
        let mut whole = mount(before.clone(), 2);
        if !whole.prepare().unwrap() {
            continue;
        }
        let steps = whole.release().steps() - before.steps();
        for cut in 0..steps {
            let mut flash = before.clone();
            flash.fail_in(cut);
            let mut torn = mount(flash, 2);
            torn.prepare().unwrap_err();
            let mut flash = torn.release();
            flash.power_up();
            let mut log = mount(flash, 2);
            assert_eq!(log.latest().unwrap(), Some(record(records - 1).as_slice()), "cut {cut}");
            log.prepare().unwrap();
            log.append(&record(records)).unwrap();
            assert_eq!(mount(log.release(), 2).latest().unwrap(), Some(record(records).as_slice()));
            cuts += 1;
        }
    }
    assert!(cuts > 50, "{cuts}");
}
