//! The watchdog is fed only while loop and interrupt both live.
#![allow(clippy::arithmetic_side_effects)]
#![allow(missing_docs)]

use std::cell::Cell;

use bedkeeper_runtime::alive::{Heartbeat, Keeper, Watchdog};

struct Counted<'c>(&'c Cell<u32>);

impl Watchdog for Counted<'_> {
    fn feed(&mut self) {
        self.0.set(self.0.get() + 1);
    }
}

/// S9: without a beat since the last feed a pass feeds nothing; beats without passes feed nothing either.
#[test]
fn s9_both_must_live() {
    let fed = Cell::new(0);
    let heart = Heartbeat::new();
    let mut keeper = Keeper::new(Counted(&fed), &heart);
    assert!(!keeper.pass_over());
    heart.beat();
    heart.beat();
    assert_eq!(fed.get(), 0);
    assert!(keeper.pass_over());
    assert_eq!(fed.get(), 1);
    assert!(!keeper.pass_over());
    assert_eq!(fed.get(), 1);
}
