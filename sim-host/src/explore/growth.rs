//! What makes a search grow: how many of its states would still be told apart without this part of their keys or that.

use std::collections::{BTreeMap, HashSet};
use std::hash::{Hash, Hasher};

use super::reduce::{Marker, Sink, marker};

/// A part of the state and a field of it.
pub type Place = (&'static str, &'static str);

/// Takes the bytes of a key field by field.
pub(super) struct Fields {
    bytes: Marker,
    some: bool,
    pub(super) made: BTreeMap<Place, u64>,
}

impl Default for Fields {
    fn default() -> Self {
        Self { bytes: marker(), some: false, made: BTreeMap::new() }
    }
}

impl Hasher for Fields {
    fn finish(&self) -> u64 {
        self.bytes.finish()
    }
    fn write(&mut self, bytes: &[u8]) {
        self.bytes.write(bytes);
        self.some = true;
    }
}

impl Sink for Fields {
    fn field(&mut self, part: &'static str, field: &'static str) {
        if std::mem::take(&mut self.some) {
            let mark = std::mem::replace(&mut self.bytes, marker()).finish();
            let made = self.made.entry((part, field)).or_default();
            // Of several tanks in their order.
            *made = made.rotate_left(7) ^ mark;
        }
    }
}

/// How many of some states are told apart without a field.
#[derive(Default)]
pub(super) struct Growth {
    states: usize,
    /// How many states have the field, and the marks of those without it.
    without: BTreeMap<Place, (usize, HashSet<u64>)>,
}

impl Growth {
    /// Takes in a state that is told apart from all before.
    pub(super) fn see(&mut self, fields: Fields) {
        let part = |(place, mark): (&Place, &u64)| {
            let mut hasher = marker();
            (place, mark).hash(&mut hasher);
            hasher.finish()
        };
        let whole = fields.made.iter().map(part).fold(0, u64::wrapping_add);
        self.states += 1;
        for field in &fields.made {
            let (have, marks) = self.without.entry(*field.0).or_default();
            *have += 1;
            marks.insert(whole.wrapping_sub(part(field)));
        }
    }

    /// Each field with the share of the states, in thousandths, that would not be told apart without it; the most first.
    pub(super) fn shares(&self) -> Vec<(Place, u32)> {
        let share = |(have, marks): &(usize, HashSet<u64>)| {
            let lost = have.saturating_sub(marks.len());
            u32::try_from(lost * 1_000 / self.states.max(1)).unwrap_or(0)
        };
        let mut shares: Vec<_> = self.without.iter().map(|(place, set)| (*place, share(set))).collect();
        shares.sort_by_key(|(place, share)| (std::cmp::Reverse(*share), *place));
        shares
    }
}
