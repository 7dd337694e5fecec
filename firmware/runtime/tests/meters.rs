//! Meters: edges from an interrupt, counts that hardware judged, a contact that is looked at.
#![allow(clippy::arithmetic_side_effects)]
#![allow(missing_docs)]

use bedkeeper::Input;
use bedkeeper_runtime::meters::{Edge, EdgeQueue, Meters, PolledMeter, PulseCounts};
use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

/// M4: edges come out in order, each with its own time; what finds no room is counted.
#[test]
fn m4_edges_keep_their_time() {
    let queue: EdgeQueue<2> = EdgeQueue::new();
    for (at_ms, closed) in [(10, true), (13, false), (20, true)] {
        queue.push(Edge { meter: 1, closed, at_ms });
    }
    let mut meters = &queue;
    assert_eq!(meters.take(50), Some((10, Input::MeterContact { meter: 1, closed: true })));
    assert_eq!(meters.take(50), Some((13, Input::MeterContact { meter: 1, closed: false })));
    assert_eq!(meters.take(50), None);
    assert_eq!(queue.lost(), 1);
}

/// M1: counts are handed on once, meter by meter, in batches that the logic takes.
#[test]
fn m1_counts_are_told_once() {
    let counts: PulseCounts<2> = PulseCounts::new();
    counts.add(1, 3);
    counts.add(0, 1_500_000);
    counts.add(2, 9);
    let mut meters = &counts;
    assert_eq!(meters.take(7), Some((7, Input::Pulses { meter: 0, count: 1_000_000 })));
    assert_eq!(meters.take(7), Some((7, Input::Pulses { meter: 0, count: 500_000 })));
    assert_eq!(meters.take(7), Some((7, Input::Pulses { meter: 1, count: 3 })));
    assert_eq!(meters.take(7), None);
}

/// M4: a contact that is looked at tells its level when it changes.
#[test]
fn m4_a_polled_contact_tells_changes() {
    let levels = [State::High, State::High, State::Low, State::Low, State::High];
    let mut pin = Mock::new(&levels.map(Transaction::get));
    let mut meter = PolledMeter::new(0, pin.clone());
    let open = |at| Some((at, Input::MeterContact { meter: 0, closed: false }));
    assert_eq!(meter.take(0), open(0));
    assert_eq!(meter.take(1), None);
    assert_eq!(meter.take(2), Some((2, Input::MeterContact { meter: 0, closed: true })));
    assert_eq!(meter.take(3), None);
    assert_eq!(meter.take(4), open(4));
    pin.done();
}
