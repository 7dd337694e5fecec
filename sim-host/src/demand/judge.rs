//! Edges of bare contacts become pulses, by width and gap (M4). Shares nothing with the logic's own judge.

use std::collections::VecDeque;

use crate::recording::{Edge, MOST_METERS, Pulses};

/// What a sound closure is, µs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sound {
    /// A shorter closure is bounce.
    pub closed_us: u64,
    /// A shorter gap since the last wide closure is bounce.
    pub open_us: u64,
}

/// What the contacts did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Closures {
    /// Closures that ended.
    pub all: u64,
    /// Those too short, or too soon after the one before.
    pub bounces: u64,
    /// The shortest and the longest closure, µs.
    pub widths_us: Option<(u64, u64)>,
}

/// Judges edges in order of time.
#[derive(Clone, Debug)]
pub struct Judge {
    sound: Sound,
    contacts: [Contact; MOST_METERS as usize + 1],
    found: Closures,
    ready: VecDeque<Pulses>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Contact {
    closed_us: Option<u64>,
    wide_until_us: Option<u64>,
}

impl Judge {
    /// With no contact closed.
    #[must_use]
    pub fn new(sound: Sound) -> Self {
        Self { sound, contacts: Default::default(), found: Closures::default(), ready: VecDeque::new() }
    }

    /// What the contacts did so far.
    #[must_use]
    pub fn found(&self) -> Closures {
        self.found
    }

    /// An edge with milliseconds.
    pub fn take(&mut self, edge: &Edge) {
        self.take_us(edge.at_ms.saturating_mul(1_000), edge.meter, edge.closed);
    }

    /// An edge with microseconds; levels that do not change are passed over.
    pub fn take_us(&mut self, at_us: u64, meter: u8, closed: bool) {
        let Some(contact) = self.contacts.get_mut(usize::from(meter)) else { return };
        let since_us = match (closed, contact.closed_us) {
            (true, None) => {
                contact.closed_us = Some(at_us);
                return;
            }
            (false, Some(since_us)) => since_us,
            _ => return,
        };
        contact.closed_us = None;
        let width_us = at_us.saturating_sub(since_us);
        let (least, most) = self.found.widths_us.unwrap_or((width_us, width_us));
        self.found.widths_us = Some((least.min(width_us), most.max(width_us)));
        self.found.all += 1;
        let gap_us = contact.wide_until_us.map_or(u64::MAX, |until| since_us.saturating_sub(until));
        let is_wide = width_us >= self.sound.closed_us;
        if is_wide {
            contact.wide_until_us = Some(at_us);
        }
        if is_wide && gap_us >= self.sound.open_us {
            self.ready.push_back(Pulses { at_ms: at_us / 1_000, meter, count: 1 });
        } else {
            self.found.bounces += 1;
        }
    }

    /// The next pulse that is ready.
    pub fn next_pulse(&mut self) -> Option<Pulses> {
        self.ready.pop_front()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// M4: chatter before, within and after a closure makes no second pulse and loses none.
    #[test]
    fn chatter_around_a_closure_is_one_pulse() {
        let mut judge = Judge::new(Sound { closed_us: 10_000, open_us: 10_000 });
        for (at_ms, closed) in [
            (0, true),
            (2, false),
            (4, true),
            (44, false), // before
            (1_000, true),
            (1_040, false),
            (1_042, true),
            (1_044, false), // after
            (2_000, true),
            (2_020, false),
            (2_025, true),
            (2_045, false), // within
            (3_000, true),
            (3_001, true),
            (3_040, false),
            (3_041, false), // levels told twice
        ] {
            judge.take(&Edge { at_ms, meter: 0, closed });
        }
        let pulses: Vec<u64> = std::iter::from_fn(|| judge.next_pulse()).map(|pulse| pulse.at_ms).collect();
        assert_eq!(pulses, [44, 1_040, 2_020, 3_040]);
        assert_eq!(judge.found(), Closures { all: 7, bounces: 3, widths_us: Some((2_000, 40_000)) });
    }
}
