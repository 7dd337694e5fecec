//! The store on a strict flash: power fails at every byte, and again while it comes back.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::arithmetic_side_effects, clippy::as_conversions)]

use bedkeeper_runtime::mock_flash::{MockError, MockFlash};
use bedkeeper_runtime::store::{Log, NeverFits, Region, StoreError, pages_for, pages_to_keep, records_per_page};

const PAGE: usize = 256;
type Flash<const WORD: usize> = MockFlash<WORD, PAGE>;

fn mount<const WORD: usize>(flash: Flash<WORD>, pages: u32) -> Log<Flash<WORD>, 128> {
    Log::mount(flash, Region { start: 0, pages }).expect("mounts")
}

/// A record that tells its number, of a length that varies.
fn record(number: u32) -> Vec<u8> {
    let mut bytes = number.to_le_bytes().to_vec();
    bytes.resize(5 + (number as usize * 7) % 60, number as u8);
    bytes
}

fn number(bytes: &[u8]) -> u32 {
    let number = u32::from_le_bytes(bytes[..4].try_into().unwrap());
    assert_eq!(bytes, record(number), "a record is whole");
    number
}

/// P2: what was written is read back, over many rounds of the pages.
#[test]
fn p2_the_latest_record_is_read_back() {
    let mut log = mount::<4>(Flash::new(3), 3);
    assert_eq!(log.latest(), Ok(None));
    for i in 0..500 {
        log.append(&record(i)).unwrap();
        assert_eq!(log.latest().unwrap().map(number), Some(i));
        log = mount(log.release(), 3);
        assert_eq!(log.latest().unwrap().map(number), Some(i));
        assert_eq!(log.generation(), i + 1);
    }
}

/// P2: power fails at every byte of every write and in every erasure, then again in the first write
/// afterwards: an acknowledged record is never lost, and none is half there.
fn cut_everywhere<const WORD: usize>() -> u64 {
    let mut cuts = 0;
    let pages = 2;
    let mut log = mount::<WORD>(Flash::new(2), pages);
    for i in 0..30 {
        let before = log.release();
        let mut whole = mount(before.clone(), pages);
        whole.append(&record(i)).unwrap();
        let whole = whole.release();
        let steps = whole.steps() - before.steps();
        for first in 0..steps {
            let mut flash = before.clone();
            flash.fail_in(first);
            let mut torn = mount(flash, pages);
            assert_eq!(torn.append(&record(i)), Err(StoreError::Flash(MockError::PowerLost)));
            let mut flash = torn.release();
            flash.power_up();
            let mut back = mount(flash.clone(), pages);
            let kept = back.latest().unwrap().map(number);
            // Nothing was acknowledged: the record before is the latest, unless only padding was missing.
            assert!(kept == i.checked_sub(1) || kept == Some(i), "cut at step {first} of record {i}: {kept:?}");
            cuts += 1;
            let before_again = back.release();
            let mut again = mount(before_again.clone(), pages);
            again.append(&record(i + 1_000)).unwrap();
            let again = again.release().steps() - before_again.steps();
            for second in (first % 13..again).step_by(13) {
                let mut flash = before_again.clone();
                flash.fail_in(second);
                let mut torn = mount(flash, pages);
                assert!(torn.append(&record(i + 1_000)).is_err());
                let mut flash = torn.release();
                flash.power_up();
                let mut back = mount(flash, pages);
                let kept_again = back.latest().unwrap().map(number);
                let whole = kept_again == Some(i + 1_000);
                assert!(kept_again == kept || whole, "cut at {first}, then at {second}: {kept_again:?}");
                back.append(&record(i + 2_000)).unwrap();
                assert_eq!(back.latest().unwrap().map(number), Some(i + 2_000));
                cuts += 1;
            }
        }
        log = mount(whole, pages);
    }
    cuts
}

/// P2: see `cut_everywhere`; with words of one byte, of four and of eight.
#[test]
fn p2_no_cut_loses_an_acknowledged_record() {
    let cuts = [cut_everywhere::<1>(), cut_everywhere::<4>(), cut_everywhere::<8>()];
    println!("{} cuts", cuts.iter().sum::<u64>());
    assert!(cuts.iter().all(|n| *n > 5_000), "{cuts:?}");
}

/// P2: wear is spread to within one erasure, counted, and the count outlives power cuts.
#[test]
fn p2_wear_is_spread_and_counted() {
    let mut log = mount::<4>(Flash::new(5), 5);
    for i in 0..5_000 {
        log.append(&record(i)).unwrap();
    }
    let counted = log.erasures();
    let flash = log.release();
    let (least, most) = (flash.erasures().iter().min().unwrap(), flash.erasures().iter().max().unwrap());
    assert!(most - least <= 1, "{:?}", flash.erasures());
    assert_eq!(counted, *most);
    assert_eq!(mount(flash, 5).erasures(), counted);
}

/// P2: damage to the latest record brings back the one before, and never something in between.
#[test]
fn p2_damage_falls_back_to_the_generation_before() {
    let mut log = mount::<4>(Flash::new(2), 2);
    for i in 0..4 {
        log.append(&record(i)).unwrap();
    }
    let flash = log.release();
    let used = flash.clone().bytes_mut().iter().rposition(|b| *b != 0xff).unwrap();
    let mut seen = std::collections::BTreeSet::new();
    for at in 0..=used {
        for bit in 0..8 {
            let mut flash = flash.clone();
            flash.bytes_mut()[at] ^= 1 << bit;
            let kept = mount(flash, 2).latest().unwrap().map(number);
            seen.insert(kept);
        }
    }
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), [None, Some(0), Some(1), Some(2), Some(3)]);
}

/// P7: a log keeps at least as many records as its pages were reckoned for, in order, whatever was cut.
#[test]
fn p7_a_journal_keeps_what_it_promises() {
    let kept = 64;
    let pages = pages_to_keep(kept, 64, PAGE as u32, 4).unwrap();
    let mut log = mount::<4>(Flash::new(pages as usize), pages);
    for i in 0..1_000u32 {
        log.append(&[i as u8; 64]).unwrap();
        let mut seen = Vec::new();
        log.visit(|generation, bytes| {
            assert_eq!(bytes, [(generation - 1) as u8; 64]);
            seen.push(generation);
        })
        .unwrap();
        assert!(seen.len() as u32 >= kept.min(i + 1), "{} of {i}", seen.len());
        assert!(seen.windows(2).all(|pair| pair[1] == pair[0] + 1), "{seen:?}");
        assert_eq!(seen.last(), Some(&(i + 1)));
    }
}

/// P2: the pages for 20 years at 10 000 cycles, reckoned by hand.
#[test]
fn p2_pages_for_twenty_years() {
    // (4096 − 12) ÷ (12 + 200 → 212) = 19 records; 20 × 365.25 × 400 = 2 922 000 writes; ÷ 19 = 153 790
    // erasures; ÷ 10 000 = 16 pages.
    assert_eq!(records_per_page(200, 4_096, 4), Ok(19));
    assert_eq!(pages_for(20, 400, 10_000, 200, 4_096, 4), Ok(16));
    assert_eq!(pages_for(20, 1, 10_000, 200, 4_096, 4), Ok(2));
    assert_eq!(pages_for(20, 400, 0, 200, 4_096, 4), Err(NeverFits));
    assert_eq!(pages_for(20, 400, 10_000, 4_096, 4_096, 4), Err(NeverFits));
    // 256-byte programming pages: 12 + 200 → 256, and (4096 − 256) ÷ 256 = 15.
    assert_eq!(records_per_page(200, 4_096, 256), Ok(15));
}

/// P2: a region that is no region and a record that fits nowhere are refused.
#[test]
fn p2_what_does_not_fit_is_refused() {
    let bad = [Region { start: 0, pages: 1 }, Region { start: 0, pages: 4 }, Region { start: 4, pages: 2 }];
    for region in bad {
        assert_eq!(Log::<_, 128>::mount(Flash::<4>::new(3), region).err(), Some(StoreError::BadRegion));
    }
    let mut log = mount::<4>(Flash::new(2), 2);
    log.append(&[7; 116]).unwrap();
    assert_eq!(log.append(&[7; 117]), Err(StoreError::TooLong));
    assert_eq!(log.latest().unwrap(), Some(&[7; 116][..]));
}
