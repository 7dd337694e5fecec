//! The board as data.
#![allow(missing_docs, clippy::unwrap_used)]

use bedkeeper_pico::layout::{DOSSIER_OFFSET, FLASH_BYTES, HISTORY_OFFSET, PAGE_BYTES, SECTOR_BYTES};
use bedkeeper_pico::pins::{ACTUATORS, PINS, Role, gpio};
use bedkeeper_pico::ring::{Change, RING_WORDS, Reader};
use bedkeeper_runtime::{dossier, history};

/// P2, P7: the logs of the history end before what is kept for good begins, and all of it is within the flash.
#[test]
fn p2_no_log_lies_over_another() {
    let history = history::Layout::new(HISTORY_OFFSET, SECTOR_BYTES, PAGE_BYTES).unwrap();
    assert!(HISTORY_OFFSET + history.pages() * SECTOR_BYTES <= DOSSIER_OFFSET, "{} pages", history.pages());
    let dossier = dossier::Layout::new(DOSSIER_OFFSET, SECTOR_BYTES, PAGE_BYTES).unwrap();
    assert!(dossier.tests.start + dossier.tests.pages * SECTOR_BYTES <= FLASH_BYTES);
}

/// Each pin has one use, each actuator a pin, and GPIO numbers are on the edge where the board's drawing has them.
#[test]
fn each_pin_has_one_use() {
    for (i, a) in PINS.iter().enumerate() {
        for b in &PINS[i + 1..] {
            assert!(a.gpio != b.gpio && a.role != b.role && (a.edge != b.edge), "{a:?} and {b:?}");
        }
        assert_eq!(gpio(a.role), a.gpio);
        // Ground is on every fifth pin of the edge from 3 on; 30 and 33 to 40 are supply, reset and reference.
        if let Some(edge) = a.edge {
            assert!(edge % 5 != 3 && edge != 30 && (edge < 35), "{a:?}");
        }
    }
    assert_eq!(ACTUATORS.count_ones(), 8);
    assert!(PINS.iter().all(|pin| !(pin.role.is_actuator() && pin.role.is_contact())));
}

/// The handbook's table of pins is the one that the image wires by.
#[test]
fn the_handbook_has_the_same_pins() {
    let page = include_str!("../../../../docs/book/board.md");
    let rows: Vec<_> = page.lines().filter(|line| line.starts_with("| GP")).collect();
    let expected: Vec<_> = PINS
        .iter()
        .map(|pin| {
            let edge = pin.edge.map_or("-".to_owned(), |edge| edge.to_string());
            let kind = match pin.role {
                role if role.is_actuator() => "output, pull-down outside",
                role if role.is_contact() => "contact to ground",
                Role::Lamp => "output",
                _ => "bus",
            };
            format!("| GP{} | {edge} | {kind} | {} |", pin.gpio, pin.text)
        })
        .collect();
    assert_eq!(rows, expected, "docs/book/board.md should have:\n{}", expected.join("\n"));
}

/// M4: changes come out as levels in turn, each with its age, over the end of the count.
#[test]
fn m4_changes_have_their_age() {
    let mut reader = Reader::default();
    let mut words = [0; RING_WORDS];
    // Ticks 50, 150 and 160 of a count that began 20 before its end.
    let starts = 0u32.wrapping_sub(20);
    for (i, tick) in [50u32, 150, 160].into_iter().enumerate() {
        words[i] = u32::MAX.wrapping_sub(starts.wrapping_add(tick));
    }
    let now = starts.wrapping_add(200);
    let mut next = |written| reader.next(written, now, |i| words[i]);
    assert_eq!(next(0), None);
    assert_eq!(next(2), Some(Change { closed: true, age_ms: 15 }));
    assert_eq!(next(2), Some(Change { closed: false, age_ms: 5 }));
    assert_eq!(next(2), None);
    assert_eq!(next(3), Some(Change { closed: true, age_ms: 4 }));
    assert_eq!(next(3), None);
}

/// M4: what is written over before it is read is counted, in pairs, so that a closed contact stays closed.
#[test]
fn m4_an_overrun_keeps_levels() {
    let mut reader = Reader::default();
    let written = RING_WORDS as u32 + 5;
    let mut last = None;
    let mut read = 0u32;
    while let Some(change) = reader.next(written, 0, |_| u32::MAX) {
        last = Some(change.closed);
        read += 1;
    }
    assert_eq!((reader.lost, read), (6, RING_WORDS as u32 - 1));
    assert_eq!(last, Some(true), "an odd number of changes leaves it closed");
}
