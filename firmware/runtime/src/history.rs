//! What is kept for long in flash (P7): the regenerations, the days of use, and the alarms and operators' wishes, each in
//! a log of its own, so that many of the one push out none of the other.

use bedkeeper::chronicle::{Entry, Happening, MAX_BYTES, RegenerationRecord};
use bedkeeper::reserve::DayUse;
use embedded_storage::nor_flash::NorFlash;

use crate::store::{Log, NeverFits, Region, StoreError, pages_to_keep};

/// So many regenerations are kept at least.
pub const REGENERATIONS: u32 = 64;
/// So many days of use are kept at least.
pub const DAYS: u32 = 400;
/// So many alarms that came or went and wishes of operators are kept at least.
pub const HAPPENINGS: u32 = 200;
/// Bytes of the longest day.
const DAY_BYTES: u32 = 12;
/// Bytes of the longest of those.
const HAPPENING_BYTES: u32 = 24;
/// Room for the longest record with its head and padding, on a flash that is written by up to 256 bytes at a time.
const BUFFER: usize = (MAX_BYTES + 12).next_multiple_of(256);

/// Where the logs lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// The regenerations.
    pub regenerations: Region,
    /// The days of use.
    pub days: Region,
    /// Alarms that came or went, and what operators asked for.
    pub happenings: Region,
}

impl Layout {
    /// From a place on in a flash with such pages and write size (at least 4), with room for what must be kept.
    ///
    /// # Errors
    /// Not one record fits a page.
    pub fn new(start: u32, page_bytes: u32, unit: u32) -> Result<Self, NeverFits> {
        let longest = u32::try_from(MAX_BYTES).map_err(|_| NeverFits)?;
        let mut next = start;
        let mut region = |records, bytes| {
            let region = Region { start: next, pages: pages_to_keep(records, bytes, page_bytes, unit)? };
            let taken = region.pages.checked_mul(page_bytes).ok_or(NeverFits)?;
            next = next.checked_add(taken).ok_or(NeverFits)?;
            Ok(region)
        };
        Ok(Self {
            regenerations: region(REGENERATIONS, longest)?,
            days: region(DAYS, DAY_BYTES)?,
            happenings: region(HAPPENINGS, HAPPENING_BYTES)?,
        })
    }

    /// How many pages it takes.
    #[must_use]
    pub fn pages(&self) -> u32 {
        self.regenerations.pages.saturating_add(self.days.pages).saturating_add(self.happenings.pages)
    }
}

/// The logs; a flash that all share goes in as a [`SharedFlash`](crate::store::SharedFlash).
#[derive(Debug)]
pub struct History<F> {
    regenerations: Log<F, BUFFER>,
    days: Log<F, BUFFER>,
    happenings: Log<F, BUFFER>,
    lost: u32,
}

impl<F: NorFlash> History<F> {
    /// Reads the logs: of the regenerations, of the days, of the happenings.
    ///
    /// # Errors
    /// A region does not fit its flash, or reading fails.
    pub fn mount(flashes: [F; 3], layout: Layout) -> Result<Self, StoreError<F::Error>> {
        let [regenerations, days, happenings] = flashes;
        Ok(Self {
            regenerations: Log::mount(regenerations, layout.regenerations)?,
            days: Log::mount(days, layout.days)?,
            happenings: Log::mount(happenings, layout.happenings)?,
            lost: 0,
        })
    }

    /// Keeps what the logic made of a record.
    ///
    /// # Errors
    /// Writing fails; the entry is lost, and those before are still readable.
    pub fn keep(&mut self, entry: &Entry) -> Result<(), StoreError<F::Error>> {
        let bytes = entry.encode();
        let log = match entry {
            Entry::Regeneration(_) => &mut self.regenerations,
            Entry::Day(_) => &mut self.days,
            Entry::Happening(_) => &mut self.happenings,
        };
        let kept = log.append(&bytes);
        self.lost = self.lost.saturating_add(u32::from(kept.is_err()));
        kept
    }

    /// How many entries could not be written since power came.
    #[must_use]
    pub fn lost(&self) -> u32 {
        self.lost
    }

    /// How often the page erased most has been erased (P2).
    #[must_use]
    pub fn erasures(&self) -> u32 {
        self.regenerations.erasures().max(self.days.erasures()).max(self.happenings.erasures())
    }

    /// Erases what will be needed next; call it while no valve moves. Says whether it erased.
    ///
    /// # Errors
    /// Erasing or writing a page's head fails.
    pub fn prepare(&mut self) -> Result<bool, StoreError<F::Error>> {
        Ok(self.regenerations.prepare()? || self.days.prepare()? || self.happenings.prepare()?)
    }

    /// Hands over the regenerations from a number on, the oldest first, until `visit` says no. Numbers ascend, and are
    /// kept as long as the record is.
    ///
    /// # Errors
    /// Reading fails.
    pub fn regenerations_from(
        &mut self,
        from: u32,
        visit: &mut dyn FnMut(u32, &RegenerationRecord) -> bool,
    ) -> Result<(), StoreError<F::Error>> {
        visit_from(&mut self.regenerations, from, visit, |entry| match entry {
            Entry::Regeneration(record) => Some(record),
            _ => None,
        })
    }

    /// Hands over the days from a number on, as [`History::regenerations_from`].
    ///
    /// # Errors
    /// Reading fails.
    pub fn days_from(
        &mut self,
        from: u32,
        visit: &mut dyn FnMut(u32, &DayUse) -> bool,
    ) -> Result<(), StoreError<F::Error>> {
        visit_from(&mut self.days, from, visit, |entry| match entry {
            Entry::Day(day) => Some(day),
            _ => None,
        })
    }

    /// Hands over alarms and wishes from a number on, as [`History::regenerations_from`].
    ///
    /// # Errors
    /// Reading fails.
    pub fn happenings_from(
        &mut self,
        from: u32,
        visit: &mut dyn FnMut(u32, &Happening) -> bool,
    ) -> Result<(), StoreError<F::Error>> {
        visit_from(&mut self.happenings, from, visit, |entry| match entry {
            Entry::Happening(happening) => Some(happening),
            _ => None,
        })
    }

    /// Hands over every regeneration that is kept, the oldest first.
    ///
    /// # Errors
    /// Reading fails.
    pub fn regenerations(&mut self, mut visit: impl FnMut(&RegenerationRecord)) -> Result<(), StoreError<F::Error>> {
        self.regenerations.visit(|_, bytes| {
            if let Some(Entry::Regeneration(record)) = Entry::decode(bytes) {
                visit(&record);
            }
        })
    }

    /// Hands over every day that is kept, the oldest first.
    ///
    /// # Errors
    /// Reading fails.
    pub fn days(&mut self, mut visit: impl FnMut(&DayUse)) -> Result<(), StoreError<F::Error>> {
        self.days.visit(|_, bytes| {
            if let Some(Entry::Day(day)) = Entry::decode(bytes) {
                visit(&day);
            }
        })
    }

    /// Hands over every alarm and wish that is kept, the oldest first.
    ///
    /// # Errors
    /// Reading fails.
    pub fn happenings(&mut self, mut visit: impl FnMut(&Happening)) -> Result<(), StoreError<F::Error>> {
        self.happenings.visit(|_, bytes| {
            if let Some(Entry::Happening(happening)) = Entry::decode(bytes) {
                visit(&happening);
            }
        })
    }
}

/// Hands over what a log keeps from a number on, until `visit` says no.
fn visit_from<F: NorFlash, T>(
    log: &mut Log<F, BUFFER>,
    from: u32,
    visit: &mut dyn FnMut(u32, &T) -> bool,
    pick: impl Fn(Entry) -> Option<T>,
) -> Result<(), StoreError<F::Error>> {
    let mut wanted = true;
    log.visit(|number, bytes| {
        if wanted
            && number >= from
            && let Some(item) = Entry::decode(bytes).and_then(&pick)
        {
            wanted = visit(number, &item);
        }
    })
}
