//! A log on flash pages (P2): checksums, generations, wear spread over the pages and counted.
//!
//! ```text
//!   page:    mark, erasures, check │ record │ record │ … │ erased
//!   record:  mark, length, generation, check │ bytes │ padding
//! ```
//! A record is written by one call. Whatever part of it a power cut leaves, its check does not fit, and the
//! record before it is the latest. Nothing is ever written where something may have been written before: a
//! page that shows a torn record takes no more, and a page is erased as a whole before it is used again.
//! The oldest page is erased only when the log goes on there, so with two pages the latest record survives.
//!
//! Written by hand rather than on a general map: one kind of record, read as a whole at power-up, needs a
//! fraction of the code, and every byte at which power may fail is tried in the tests.

mod shared;
mod wear;

use crc::{CRC_32_ISO_HDLC, Crc, Table};
use embedded_storage::nor_flash::NorFlash;

pub use shared::{SharedError, SharedFlash};
pub use wear::{NeverFits, pages_for, pages_to_keep, records_per_page};

/// Bytes in front of each record.
const RECORD_HEAD: usize = 12;
/// Bytes in front of each page.
const PAGE_HEAD: usize = 12;
/// A record may be so much longer than the one before, and [`Log::prepare`] still has made room for it.
const LONGER: usize = 32;
/// The first bytes of a page that is in use.
const PAGE_MARK: u32 = 0x6b42_6401;

/// The first bytes of a record: what has been begun never looks erased.
const RECORD_MARK: [u8; 2] = [0x5a, 0x00];

/// Small table: a board has more time than flash.
type Check = Crc<u32, Table<0>>;
const CHECK: Check = Crc::<u32, Table<0>>::new(&CRC_32_ISO_HDLC);

/// Why the store cannot do what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StoreError<E> {
    /// The flash reports an error, or power failed.
    Flash(E),
    /// The record does not fit a page or the buffer.
    TooLong,
    /// The region has fewer than two pages, does not begin at a page, or exceeds the flash.
    BadRegion,
}

impl<E> From<E> for StoreError<E> {
    fn from(error: E) -> Self {
        Self::Flash(error)
    }
}

/// A part of the flash, in whole pages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Region {
    /// Where it begins, bytes from the start of the flash.
    pub start: u32,
    /// How many pages.
    pub pages: u32,
}

/// Where a record lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    page: u32,
    /// Bytes from the start of the page.
    offset: u32,
    length: u16,
    generation: u32,
}

/// A log in a region of a flash; `B` bytes hold the longest record with its head and padding.
#[derive(Debug)]
pub struct Log<F, const B: usize> {
    flash: F,
    region: Region,
    latest: Option<Place>,
    /// Where the next record goes in the page of the latest; `None` = that page takes no more.
    free: Option<(u32, u32)>,
    /// The most times that a page has been erased.
    erasures: u32,
    buffer: [u8; B],
}

/// The size that every read and write is a multiple of.
///
/// At least a word of four bytes: with single bytes a torn write could pass for an erased place.
#[must_use]
pub(crate) fn unit<F: NorFlash>() -> usize {
    F::WRITE_SIZE.max(F::READ_SIZE).max(4)
}

/// `length` rounded up to whole units.
pub(crate) fn padded(length: usize, unit: usize) -> usize {
    length.div_ceil(unit.max(1)).saturating_mul(unit.max(1))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    let end = at.checked_add(4)?;
    bytes.get(at..end)?.try_into().ok().map(u32::from_le_bytes)
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    let end = at.checked_add(2)?;
    bytes.get(at..end)?.try_into().ok().map(u16::from_le_bytes)
}

fn put(bytes: &mut [u8], at: usize, value: &[u8]) {
    let end = at.saturating_add(value.len());
    if let Some(place) = bytes.get_mut(at..end) {
        place.copy_from_slice(value);
    }
}

fn small(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

impl<F: NorFlash, const B: usize> Log<F, B> {
    /// Reads the region and finds the latest record.
    ///
    /// # Errors
    /// The region does not fit the flash, or reading fails.
    pub fn mount(flash: F, region: Region) -> Result<Self, StoreError<F::Error>> {
        let page = small(F::ERASE_SIZE);
        let end = region.pages.checked_mul(page).and_then(|length| region.start.checked_add(length));
        let fits = end.is_some_and(|end| end <= small(flash.capacity()));
        if region.pages < 2 || !fits || region.start.checked_rem(page) != Some(0) || B < unit::<F>().max(RECORD_HEAD) {
            return Err(StoreError::BadRegion);
        }
        let mut log = Self { flash, region, latest: None, free: None, erasures: 0, buffer: [0; B] };
        for page in 0..region.pages {
            log.scan_page(page)?;
        }
        Ok(log)
    }

    /// The latest record; `None` if there is none.
    ///
    /// # Errors
    /// Reading fails.
    pub fn latest(&mut self) -> Result<Option<&[u8]>, StoreError<F::Error>> {
        let Some(place) = self.latest else { return Ok(None) };
        Ok(self.load(place)?.then(|| self.bytes(place.length)))
    }

    /// How many records have been written in the store's life.
    #[must_use]
    pub fn generation(&self) -> u32 {
        self.latest.map_or(0, |place| place.generation)
    }

    /// How often the page erased most has been erased: the wear (P2).
    #[must_use]
    pub fn erasures(&self) -> u32 {
        self.erasures
    }

    /// Gives the flash back.
    pub fn release(self) -> F {
        self.flash
    }

    /// Hands every record that is kept to `visit`, the oldest first.
    ///
    /// # Errors
    /// Reading fails.
    pub fn visit(&mut self, mut visit: impl FnMut(u32, &[u8])) -> Result<(), StoreError<F::Error>> {
        let Some(latest) = self.latest else { return Ok(()) };
        // The page after the latest one is the oldest.
        for step in 1..=self.region.pages {
            let page = latest.page.saturating_add(step).checked_rem(self.region.pages).unwrap_or(0);
            let mut offset = small(padded(PAGE_HEAD, unit::<F>()));
            if self.page_erasures(page)?.is_none() {
                continue;
            }
            while let Some(place) = self.place_at(page, offset)? {
                if !self.load(place)? {
                    break;
                }
                visit(place.generation, self.bytes(place.length));
                offset = self.after(place);
            }
        }
        Ok(())
    }

    /// Adds a record. Once this returns, it is the latest, whatever happens to power.
    ///
    /// # Errors
    /// It is too long, or writing fails. The record before is still readable then.
    pub fn append(&mut self, record: &[u8]) -> Result<(), StoreError<F::Error>> {
        let unit = unit::<F>();
        let length = u16::try_from(record.len()).map_err(|_| StoreError::TooLong)?;
        let whole = padded(RECORD_HEAD.saturating_add(record.len()), unit);
        let room = F::ERASE_SIZE.saturating_sub(padded(PAGE_HEAD, unit));
        if whole > B || whole > room {
            return Err(StoreError::TooLong);
        }
        let fits = |(_, offset): &(u32, u32)| offset.saturating_add(small(whole)) <= small(F::ERASE_SIZE);
        let (page, offset) = match self.free.filter(fits) {
            Some(free) => free,
            None => self.open_next_page()?,
        };
        let generation = self.generation().wrapping_add(1);
        self.fill(record, length, generation, whole);
        // Until it is known how far the write came, nothing more goes into this page.
        self.free = None;
        let at = self.address(page, offset);
        let bytes = self.buffer.get(..whole).ok_or(StoreError::TooLong)?;
        self.flash.write(at, bytes)?;
        let place = Place { page, offset, length, generation };
        self.latest = Some(place);
        self.free = Some((page, self.after(place)));
        Ok(())
    }

    /// Erases the next page ahead where the present one has no room for another record a little longer than the
    /// latest, so that the next [`Log::append`] need not. Call it when an erasure does no harm; says whether it erased.
    ///
    /// # Errors
    /// Erasing or writing the page's head fails. The latest record is still readable then.
    pub fn prepare(&mut self) -> Result<bool, StoreError<F::Error>> {
        let latest = self.latest.map_or(0, |place| usize::from(place.length));
        let wanted = small(padded(RECORD_HEAD.saturating_add(latest).saturating_add(LONGER), unit::<F>()));
        let has_room = |(page, offset): (u32, u32)| {
            // A page that was opened for it is as empty as can be.
            let opened = self.latest.is_none_or(|place| place.page != page);
            opened || offset.saturating_add(wanted) <= small(F::ERASE_SIZE)
        };
        if self.free.is_some_and(has_room) {
            return Ok(false);
        }
        let free = self.open_next_page()?;
        self.free = Some(free);
        Ok(true)
    }

    /// Lays a record with its head and padding into the buffer.
    fn fill(&mut self, record: &[u8], length: u16, generation: u32, whole: usize) {
        if let Some(bytes) = self.buffer.get_mut(..whole) {
            bytes.fill(0);
        }
        put(&mut self.buffer, 0, &RECORD_MARK);
        put(&mut self.buffer, 2, &length.to_le_bytes());
        put(&mut self.buffer, 4, &generation.to_le_bytes());
        put(&mut self.buffer, RECORD_HEAD, record);
        let check = self.check(length);
        put(&mut self.buffer, 8, &check.to_le_bytes());
    }

    /// The check of the record in the buffer: of its length, generation and bytes.
    fn check(&self, length: u16) -> u32 {
        let mut digest = CHECK.digest();
        digest.update(self.buffer.get(..8).unwrap_or_default());
        digest.update(self.bytes(length));
        digest.finalize()
    }

    fn bytes(&self, length: u16) -> &[u8] {
        let end = RECORD_HEAD.saturating_add(usize::from(length));
        self.buffer.get(RECORD_HEAD..end).unwrap_or_default()
    }

    fn address(&self, page: u32, offset: u32) -> u32 {
        let page_start = page.saturating_mul(small(F::ERASE_SIZE));
        self.region.start.saturating_add(page_start).saturating_add(offset)
    }

    /// Where the next record would begin.
    fn after(&self, place: Place) -> u32 {
        let whole = padded(RECORD_HEAD.saturating_add(usize::from(place.length)), unit::<F>());
        place.offset.saturating_add(small(whole))
    }

    fn read(&mut self, page: u32, offset: u32, length: usize) -> Result<(), StoreError<F::Error>> {
        let at = self.address(page, offset);
        let buffer = self.buffer.get_mut(..length).ok_or(StoreError::TooLong)?;
        self.flash.read(at, buffer)?;
        Ok(())
    }

    /// The record that begins at a place, by its head alone; `None` where there is none that could be.
    fn place_at(&mut self, page: u32, offset: u32) -> Result<Option<Place>, StoreError<F::Error>> {
        let head = padded(RECORD_HEAD, unit::<F>());
        let page_end = small(F::ERASE_SIZE);
        if offset.saturating_add(small(head)) > page_end || head > B {
            return Ok(None);
        }
        self.read(page, offset, head)?;
        let marked = self.buffer.starts_with(&RECORD_MARK);
        let Some(length) = u16_at(&self.buffer, 2).filter(|_| marked) else { return Ok(None) };
        let place = Place { page, offset, length, generation: u32_at(&self.buffer, 4).unwrap_or(0) };
        let whole = padded(RECORD_HEAD.saturating_add(usize::from(length)), unit::<F>());
        Ok((whole <= B && self.after(place) <= page_end).then_some(place))
    }

    /// Reads a record into the buffer; says whether its check fits.
    fn load(&mut self, place: Place) -> Result<bool, StoreError<F::Error>> {
        let whole = padded(RECORD_HEAD.saturating_add(usize::from(place.length)), unit::<F>());
        self.read(place.page, place.offset, whole)?;
        let stored = u32_at(&self.buffer, 8);
        Ok(stored == Some(self.check(place.length)))
    }

    /// How often a page has been erased; `None` if it has no sound head.
    fn page_erasures(&mut self, page: u32) -> Result<Option<u32>, StoreError<F::Error>> {
        self.read(page, 0, padded(PAGE_HEAD, unit::<F>()))?;
        let check = CHECK.checksum(self.buffer.get(..8).unwrap_or_default());
        let sound = u32_at(&self.buffer, 0) == Some(PAGE_MARK) && u32_at(&self.buffer, 8) == Some(check);
        Ok(u32_at(&self.buffer, 4).filter(|_| sound))
    }

    /// Looks through a page for the latest record and the place after it.
    fn scan_page(&mut self, page: u32) -> Result<(), StoreError<F::Error>> {
        let Some(erasures) = self.page_erasures(page)? else { return Ok(()) };
        self.erasures = self.erasures.max(erasures);
        let mut offset = small(padded(PAGE_HEAD, unit::<F>()));
        while let Some(place) = self.place_at(page, offset)? {
            if !self.load(place)? {
                break;
            }
            offset = self.after(place);
            let is_later = |latest: Place| place.generation.wrapping_sub(latest.generation).cast_signed() > 0;
            if self.latest.is_none_or(is_later) {
                self.latest = Some(place);
                self.free = None;
            }
        }
        let holds_latest = self.latest.is_none_or(|latest| latest.page == page);
        if holds_latest && self.is_blank(page, offset)? {
            self.free = Some((page, offset));
        }
        Ok(())
    }

    /// Nothing has been written from a place to the end of its page.
    fn is_blank(&mut self, page: u32, from: u32) -> Result<bool, StoreError<F::Error>> {
        let step = small(unit::<F>());
        let mut offset = from;
        while offset.saturating_add(step) <= small(F::ERASE_SIZE) {
            self.read(page, offset, unit::<F>())?;
            if self.buffer.get(..unit::<F>()).unwrap_or_default().iter().any(|byte| *byte != 0xff) {
                return Ok(false);
            }
            offset = offset.saturating_add(step);
        }
        Ok(true)
    }

    /// Erases the page after the latest record's and puts its head there.
    fn open_next_page(&mut self) -> Result<(u32, u32), StoreError<F::Error>> {
        let after = self.latest.map_or(0, |latest| latest.page.saturating_add(1));
        let page = after.checked_rem(self.region.pages).unwrap_or(0);
        let (start, end) = (self.address(page, 0), self.address(page, small(F::ERASE_SIZE)));
        self.free = None;
        // Where its own count is torn or there is none yet, the round that the pages go tells it.
        let erasures = match self.page_erasures(page)? {
            Some(own) => own.saturating_add(1),
            None if page == 0 => self.erasures.saturating_add(1),
            None => self.erasures.max(1),
        };
        self.flash.erase(start, end)?;
        self.erasures = self.erasures.max(erasures);
        let head = padded(PAGE_HEAD, unit::<F>());
        if let Some(bytes) = self.buffer.get_mut(..head) {
            bytes.fill(0);
        }
        put(&mut self.buffer, 0, &PAGE_MARK.to_le_bytes());
        put(&mut self.buffer, 4, &erasures.to_le_bytes());
        let check = CHECK.checksum(self.buffer.get(..8).unwrap_or_default());
        put(&mut self.buffer, 8, &check.to_le_bytes());
        let bytes = self.buffer.get(..head).ok_or(StoreError::TooLong)?;
        self.flash.write(start, bytes)?;
        Ok((page, small(head)))
    }
}
