//! Edges that hardware wrote into a ring of memory: reading them as levels with their time.
//!
//! A state machine counts ticks down from all ones and hands over the count at each change of a contact; the first
//! change closes it, the next opens it, and so on. A memory channel writes the counts into the ring, whatever the core
//! does meanwhile.

/// A tick of the state machines, in µs.
pub const TICK_US: u32 = 100;
/// A level is a change only once it has lasted more than so many ticks: half a millisecond, below the resolution of
/// the logic, so that what a contact scratches in less is no closure of its own.
pub const SETTLE_TICKS: u32 = 4;
/// Counts that a ring has room for. At one change each half millisecond, the most that there can be, it lasts half a
/// second: more than the longest erasure of a sector.
pub const RING_WORDS: usize = 1_024;

/// A change of a contact.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// Closed from then on.
    pub closed: bool,
    /// How long ago, in ms.
    pub age_ms: u32,
}

/// How far a ring has been read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reader {
    /// Counts read or given up so far.
    read: u32,
    /// Counts that were written over before they were read.
    pub lost: u32,
    /// The contact is closed by the last that was read.
    closed: bool,
}

impl Reader {
    /// Whether a change waits; `written` counts what the channel has written in all.
    #[must_use]
    pub fn is_behind(&self, written: u32) -> bool {
        written != self.read
    }

    /// The next change, if one has been written; `ticks` counts what the state machine has ticked in all, round the
    /// end of 32 bits. `word` reads the ring.
    pub fn next(&mut self, written: u32, ticks: u32, word: impl FnOnce(usize) -> u32) -> Option<Change> {
        let waiting = written.wrapping_sub(self.read);
        if waiting == 0 {
            return None;
        }
        let room = RING_WORDS as u32;
        if waiting > room {
            // An even number is given up, so that levels stay what they are.
            let given_up = (waiting - room).next_multiple_of(2).min(waiting);
            self.lost = self.lost.saturating_add(given_up);
            self.read = self.read.wrapping_add(given_up);
            if self.read == written {
                return None;
            }
        }
        let count = word(self.read as usize % RING_WORDS);
        self.read = self.read.wrapping_add(1);
        self.closed = !self.closed;
        let at = u32::MAX.wrapping_sub(count);
        let age = ticks.wrapping_sub(at);
        // The two counts are not read at the same instant: what seems to come is now.
        let age = if age > u32::MAX / 2 { 0 } else { age };
        Some(Change { closed: self.closed, age_ms: age / (1_000 / TICK_US) })
    }

    /// The channel begins to count anew; everything written has been read.
    pub fn begin_anew(&mut self) {
        self.read = 0;
    }
}
