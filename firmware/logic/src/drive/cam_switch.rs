//! `cam-switch`: a switch for each position, or one for home and one for every stop (V1).

use super::{HOME, STOP, Switches};

/// The one switch of `count` that is closed. Two at once contradict each other: that is no position.
pub(super) fn single(switches: Switches, count: usize) -> Option<u8> {
    let index = u8::try_from(switches.0.trailing_zeros()).ok()?;
    (switches.0.count_ones() == 1 && usize::from(index) < count).then_some(index)
}

/// The stop where a home and a stop switch say it stands; all but home by the count so far.
pub(super) fn at_stop(switches: Switches, counted: Option<u8>) -> Option<u8> {
    match (switches.0 & HOME != 0, switches.0 & STOP != 0) {
        (true, true) => Some(0),
        (false, true) => counted.filter(|stop| *stop != 0),
        _ => None,
    }
}
