//! Byte soup: whatever comes, nothing panics and nothing changes.

use bedkeeper::Action;
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{Change, Request, Wish};
use proptest::collection::vec;
use proptest::prelude::*;

use crate::line::{Line, TANK, modbus};

/// Pieces that a line may bring: noise, zeros, frames with one byte wrong, frames of Modbus, silence.
fn piece() -> impl Strategy<Value = (Vec<u8>, u64)> {
    let framed =
        vec(any::<u8>(), 0..1_017).prop_map(|message| frame::wrap(frame::VERSION, 1, &message).unwrap().to_vec());
    let bytes = prop_oneof![
        vec(any::<u8>(), 0..1_500),
        vec(prop_oneof![Just(0u8), Just(1), Just(17), Just(255)], 0..40),
        framed,
        vec(any::<u8>(), 1..20).prop_map(|content| modbus(&[&[17], &content[..]].concat())),
    ];
    (bytes, prop_oneof![Just(0u64), 0u64..3_000, 400_000u64..700_000])
}

/// The checksum of nothing is 0, so that four zeros fit theirs: they are no frame, and keep none from being heard.
#[test]
fn zeros_are_no_frame() {
    let mut line = Line::new();
    let framed = line.framed(&Request::Identity);
    line.hear(&[0, 1, 1, 1, 1, 1]);
    assert!(!line.exchange(&framed).is_empty());
    // As the fuzzer found it.
    crate::soup::drink(&[
        0xf5, 0x01, 0x00, 0x00, 0x00, 0x01, 0x00, 0x01, 0x01, 0x01, 0x01, 0x01, 0xfe, 0x31, 0x00, 0x00, 0xff, 0x01,
        0x01, 0x01, 0x01, 0x01, 0x56, 0x01, 0x01, 0xff, 0x07, 0x81,
    ]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// O1: noise on the line, whole frames of it included, changes nothing: not the logic, not the pins, not the store.
    #[test]
    fn noise_changes_nothing(pieces in vec(piece(), 1..12)) {
        let mut line = Line::new();
        line.open();
        let before = line.controller().clone();
        line.bench.borrow_mut().deeds.clear();
        let saves = line.machine.saves();
        for (bytes, pause_us) in &pieces {
            line.hear(bytes);
            line.now_us += pause_us;
            line.poll();
            line.heard();
        }
        prop_assert_eq!(line.controller(), &before);
        prop_assert!(line.bench.borrow().deeds.is_empty());
        prop_assert_eq!(line.machine.saves(), saves);
        prop_assert!(line.shelf.images.is_empty());
        // The line still works.
        line.now_us += 600_000;
        let framed = line.framed(&Request::Identity);
        prop_assert!(!line.exchange(&framed).is_empty());
    }

    /// O1: what a line may bring in any order, real changes among it: only they change anything.
    #[test]
    fn soup_changes_nothing(soup in vec(any::<u8>(), 0..1_200)) {
        crate::soup::drink(&soup);
    }

    /// O1: a change with any bytes of it wrong, and one of any other session or turn, changes nothing.
    #[test]
    fn a_damaged_or_strange_change_changes_nothing(
        flips in vec((any::<prop::sample::Index>(), 1u8..), 0..4),
        session in any::<u64>(),
        turn in any::<u32>(),
    ) {
        let mut line = Line::new();
        line.open();
        let before = line.controller().clone();
        let change = Change { session, turn, wish: Wish::Act(Action::Hold(TANK)) };
        let strange = line.framed(&Request::Change(change));
        let mut damaged = line.next_change(Wish::Act(Action::Hold(TANK)));
        let whole = damaged.clone();
        for (place, mask) in &flips {
            let place = place.index(damaged.len());
            damaged[place] ^= mask;
        }
        line.exchange(&strange);
        prop_assert_eq!(line.controller(), &before);
        if damaged != whole {
            line.now_us += 600_000;
            line.exchange(&damaged);
            prop_assert_eq!(line.controller(), &before);
        }
    }
}
