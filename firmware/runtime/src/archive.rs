//! What a board remembers for people to read: the latest records, the regenerations and the days (P7).

use bedkeeper::chronicle::{Entry, Happening, RegenerationRecord};
use bedkeeper::commission::SignedOff;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::image::Image;
use bedkeeper::journal::Record;
use bedkeeper::reserve::DayUse;
use embedded_storage::nor_flash::NorFlash;
use heapless::Deque;

use crate::dossier::Dossier;
use crate::history::History;
use crate::machine::{NoRecords, Records};
use crate::manners::Manners;

/// Takes what is handed over with its number; `false` = no more.
pub type Visit<'v, T> = dyn FnMut(u32, &T) -> bool + 'v;

/// What can be read back, page by page. Numbers ascend; what has been pushed out is left out.
pub trait Archive {
    /// The records of the journal from a number on.
    fn records(&mut self, _from: u32, _visit: &mut Visit<'_, Record>) {}

    /// The regenerations from a number on.
    fn regenerations(&mut self, _from: u32, _visit: &mut Visit<'_, RegenerationRecord>) {}

    /// The days of use from a number on.
    fn days(&mut self, _from: u32, _visit: &mut Visit<'_, DayUse>) {}

    /// The alarms that came and went, and what operators asked for, from a number on.
    fn happenings(&mut self, _from: u32, _visit: &mut Visit<'_, Happening>) {}

    /// The latest hardness tests, the oldest first (O6).
    fn hardness_tests(&self) -> &[HardnessEntry] {
        &[]
    }

    /// The signed record of the walk through the plant; `None` if none was signed (O6).
    fn signed(&mut self) -> Option<SignedOff> {
        None
    }
}

impl Archive for NoRecords {}

/// The latest `R` records of the journal, numbered from 0 since power came.
#[derive(Clone, Debug, Default)]
pub struct Recent<const R: usize> {
    records: Deque<Record, R>,
    next: u32,
}

impl<const R: usize> Recent<R> {
    /// None so far.
    #[must_use]
    pub const fn new() -> Self {
        Self { records: Deque::new(), next: 0 }
    }

    /// Something happened; the oldest goes if there is no room.
    pub fn note(&mut self, record: &Record) {
        if self.records.is_full() {
            let _ = self.records.pop_front();
        }
        if self.records.push_back(*record).is_ok() {
            self.next = self.next.wrapping_add(1);
        }
    }

    /// Hands over those from a number on.
    pub fn visit(&self, from: u32, visit: &mut Visit<'_, Record>) {
        let count = u32::try_from(self.records.len()).unwrap_or(0);
        let first = self.next.wrapping_sub(count);
        for (step, record) in (0u32..).zip(&self.records) {
            let number = first.wrapping_add(step);
            if number >= from && !visit(number, record) {
                return;
            }
        }
    }
}

/// The latest records, for whoever shows them one by one.
pub trait Latest: core::fmt::Debug {
    /// How many records there have been since power came.
    fn noted(&self) -> u32;

    /// How many of them are at hand.
    fn len(&self) -> usize;

    /// Whether none is.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// One of them, from 0 for the newest.
    fn back(&self, steps: usize) -> Option<&Record>;
}

impl<const R: usize> Latest for Recent<R> {
    fn noted(&self) -> u32 {
        self.next
    }

    fn len(&self) -> usize {
        self.records.len()
    }

    fn back(&self, steps: usize) -> Option<&Record> {
        self.records.iter().rev().nth(steps)
    }
}

/// Records in the order in which they came: all that there have been.
impl Latest for &[Record] {
    fn noted(&self) -> u32 {
        u32::try_from(<[Record]>::len(self)).unwrap_or(u32::MAX)
    }

    fn len(&self) -> usize {
        <[Record]>::len(self)
    }

    fn back(&self, steps: usize) -> Option<&Record> {
        self.iter().rev().nth(steps)
    }
}

/// What a board keeps: the latest records in memory; regenerations, days, alarms and wishes in flash, and what it keeps of
/// its site for good.
#[derive(Debug)]
pub struct Kept<F, const R: usize> {
    /// The latest records.
    pub recent: Recent<R>,
    /// `None` if it cannot be read: the plant runs on without a history.
    pub history: Option<History<F>>,
    /// `None` if there is no room for it, or it cannot be read.
    pub dossier: Option<Dossier<F>>,
}

impl<F: NorFlash, const R: usize> Records for Kept<F, R> {
    fn note(&mut self, record: &Record) {
        self.recent.note(record);
        if let Some(dossier) = &mut self.dossier {
            // What cannot be written is tried again with the next record.
            let _ = dossier.note(record);
        }
    }

    fn keep_signed(&mut self, signed: &SignedOff) -> bool {
        self.dossier.as_mut().is_some_and(|dossier| dossier.keep_signed(signed).is_ok())
    }

    fn keep_baseline(&mut self, image: &[u8]) -> bool {
        self.dossier.as_mut().is_some_and(|dossier| dossier.keep_baseline(image).is_ok())
    }

    fn baseline(&mut self) -> Option<Image> {
        self.dossier.as_mut()?.baseline().ok().flatten()
    }

    fn keep_manners(&mut self, manners: &Manners) -> bool {
        self.dossier.as_mut().is_some_and(|dossier| dossier.keep_manners(manners).is_ok())
    }

    fn manners(&mut self) -> Option<Manners> {
        self.dossier.as_mut()?.manners().ok().flatten()
    }

    fn keep(&mut self, entry: &Entry) {
        if let Some(history) = &mut self.history {
            // What cannot be written is counted there.
            let _ = history.keep(entry);
        }
    }

    fn prepare(&mut self) {
        if let Some(history) = &mut self.history {
            let _ = history.prepare();
        }
        if let Some(dossier) = &mut self.dossier {
            let _ = dossier.prepare();
        }
    }

    fn erasures(&self) -> u32 {
        let history = self.history.as_ref().map_or(0, History::erasures);
        history.max(self.dossier.as_ref().map_or(0, Dossier::erasures))
    }
}

impl<F: NorFlash, const R: usize> Archive for Kept<F, R> {
    fn records(&mut self, from: u32, visit: &mut Visit<'_, Record>) {
        self.recent.visit(from, visit);
    }

    fn regenerations(&mut self, from: u32, visit: &mut Visit<'_, RegenerationRecord>) {
        if let Some(history) = &mut self.history {
            // What cannot be read tells nothing.
            let _ = history.regenerations_from(from, visit);
        }
    }

    fn days(&mut self, from: u32, visit: &mut Visit<'_, DayUse>) {
        if let Some(history) = &mut self.history {
            let _ = history.days_from(from, visit);
        }
    }

    fn happenings(&mut self, from: u32, visit: &mut Visit<'_, Happening>) {
        if let Some(history) = &mut self.history {
            let _ = history.happenings_from(from, visit);
        }
    }

    fn hardness_tests(&self) -> &[HardnessEntry] {
        self.dossier.as_ref().map_or(&[], |dossier| dossier.hardness().entries())
    }

    fn signed(&mut self) -> Option<SignedOff> {
        self.dossier.as_mut()?.signed().ok().flatten()
    }
}
