//! A log of hardness tests (O6), kept by whoever keeps the journal: it watches the records that the controller gives.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::calendar::Civil;
use crate::journal::{Event, Record};
use crate::units::{Hardness, Instant, TankId, Volume};

/// The latest tests that are kept.
pub const KEPT: usize = 16;

/// One hardness test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct HardnessEntry {
    /// Behind which tank.
    pub tank: TankId,
    /// Monotonic time.
    pub at: Instant,
    /// Civil time, if known.
    pub civil: Option<Civil>,
    /// Hardness behind the tank.
    pub treated: Hardness,
    /// Hardness of the feed, if measured.
    pub feed: Option<Hardness>,
    /// Volume that the bed should still have treated.
    pub left: Volume,
    /// Share of the set capacity that was reckoned with afterwards, per mille, if the test changed it.
    pub changed_to_per_mille: Option<u16>,
}

/// The latest hardness tests, the oldest first.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct HardnessLog {
    entries: Vec<HardnessEntry, KEPT>,
}

impl HardnessLog {
    /// Sees a record; the oldest test gives way to the newest. Says whether the log has changed.
    pub fn observe(&mut self, record: &Record) -> bool {
        match record.event {
            Event::HardnessTested { tank, treated, feed, left } => {
                if self.entries.is_full() {
                    self.entries.remove(0);
                }
                let (at, civil) = (record.at, record.civil);
                // There is room: the oldest has gone.
                let entry = HardnessEntry { tank, at, civil, treated, feed, left, changed_to_per_mille: None };
                self.entries.push(entry).is_ok()
            }
            Event::CapacityChanged { tank, kept_per_mille, .. } => {
                let test = self.entries.last_mut().filter(|entry| entry.tank == tank && entry.at == record.at);
                test.map(|entry| entry.changed_to_per_mille = Some(kept_per_mille)).is_some()
            }
            _ => false,
        }
    }

    /// The tests, the oldest first.
    #[must_use]
    pub fn entries(&self) -> &[HardnessEntry] {
        &self.entries
    }
}
