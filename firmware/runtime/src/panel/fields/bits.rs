//! Places in lists, and sets as bits.

use bedkeeper::calendar::{Weekday, Weekdays};

use super::kind::bit;

pub(super) fn place<T: PartialEq>(all: &[T], value: T) -> Option<u64> {
    all.iter().position(|one| *one == value).and_then(|at| u64::try_from(at).ok())
}

pub(super) fn pick<T: Copy>(all: &[T], at: u64) -> Option<T> {
    usize::try_from(at).ok().and_then(|at| all.get(at)).copied()
}

pub(super) fn to_bits<T: Copy>(all: &[T], has: impl Fn(T) -> bool) -> u64 {
    all.iter().zip(0u8..).filter(|(one, _)| has(**one)).fold(0, |bits, (_, at)| bits | bit(at))
}

pub(super) fn of_bits<T: Copy>(all: &[T], bits: u64, insert: impl FnMut(T)) {
    all.iter().zip(0u8..).filter(|(_, at)| bits & bit(*at) != 0).map(|(one, _)| *one).for_each(insert);
}

/// Weekdays as bits, Monday the lowest.
pub(super) fn days_to_bits(days: Weekdays) -> u64 {
    to_bits(Weekday::ALL, |day| days.contains(day))
}

/// The weekdays of bits.
pub(super) fn days_of_bits(bits: u64) -> Weekdays {
    let mut days = Weekdays::EMPTY;
    of_bits(Weekday::ALL, bits, |day| {
        days.insert(day);
    });
    days
}
