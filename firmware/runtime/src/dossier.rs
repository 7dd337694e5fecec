//! What a board keeps of its site for good: the site's own baseline (O3), the signed record of the walk through the new
//! plant and the latest hardness tests (O6), and how the board speaks, each in a small log of its own.
//!
//! Of each the latest whole record counts: a cut in the middle of a write leaves the one before (P2).

use bedkeeper::commission::SignedOff;
use bedkeeper::hardness_log::HardnessLog;
use bedkeeper::image::{self, Image};
use bedkeeper::journal::Record;
use embedded_storage::nor_flash::NorFlash;
use serde::{Serialize, de::DeserializeOwned};

use crate::manners::Manners;
use crate::store::{Log, NeverFits, Region, StoreError, records_per_page};

/// The layout of the bytes of signature and tests; it changes with every change of either.
const VERSION: u8 = 1;
/// Room for the bytes of the signed record.
pub const SIGNED_BYTES: usize = 96;
/// Room for the bytes of how the board speaks.
pub const MANNERS_BYTES: usize = 8;
/// Room for the bytes of the hardness tests.
pub const TESTS_BYTES: usize = 880;
/// The longest record with its head and padding, on a flash that is written by up to 256 bytes at a time.
const IMAGE_BUFFER: usize = (image::MAX_BYTES + 12).next_multiple_of(256);
const SIGNED_BUFFER: usize = (SIGNED_BYTES + 12).next_multiple_of(256);
const MANNERS_BUFFER: usize = (MANNERS_BYTES + 12).next_multiple_of(256);
const TESTS_BUFFER: usize = (TESTS_BYTES + 12).next_multiple_of(256);
/// Pages of each log: while one is erased the other keeps the record.
const PAGES_EACH: u32 = 2;

/// Where the logs lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// The site's own baseline.
    pub baseline: Region,
    /// The signed record of the walk.
    pub signed: Region,
    /// The hardness tests.
    pub tests: Region,
    /// How the board speaks.
    pub manners: Region,
}

impl Layout {
    /// Pages of all of it.
    pub const PAGES: u32 = 4 * PAGES_EACH;

    /// From a place on in a flash with such pages and write size (at least 4).
    ///
    /// # Errors
    /// A record does not fit a page.
    pub fn new(start: u32, page_bytes: u32, unit: u32) -> Result<Self, NeverFits> {
        let each = page_bytes.checked_mul(PAGES_EACH).ok_or(NeverFits)?;
        let region = |place: u32, longest: usize| {
            records_per_page(u32::try_from(longest).map_err(|_| NeverFits)?, page_bytes, unit)?;
            let start = each.checked_mul(place).and_then(|offset| start.checked_add(offset)).ok_or(NeverFits)?;
            Ok(Region { start, pages: PAGES_EACH })
        };
        Ok(Self {
            baseline: region(0, image::MAX_BYTES)?,
            signed: region(1, SIGNED_BYTES)?,
            tests: region(2, TESTS_BYTES)?,
            manners: region(3, MANNERS_BYTES)?,
        })
    }
}

/// The logs; a flash that all share goes in as a [`SharedFlash`](crate::store::SharedFlash).
#[derive(Debug)]
pub struct Dossier<F> {
    baseline: Log<F, IMAGE_BUFFER>,
    signed: Log<F, SIGNED_BUFFER>,
    tests: Log<F, TESTS_BUFFER>,
    manners: Log<F, MANNERS_BUFFER>,
    hardness: HardnessLog,
    /// The tests are not all in flash yet.
    owed: bool,
}

impl<F: NorFlash> Dossier<F> {
    /// Reads what is kept, at power-up: of the baseline, of the signature, of the tests, of the manners.
    ///
    /// # Errors
    /// A region does not fit its flash, or reading fails.
    pub fn mount(flashes: [F; 4], layout: Layout) -> Result<Self, StoreError<F::Error>> {
        let [baseline, signed, tests, manners] = flashes;
        let mut tests = Log::mount(tests, layout.tests)?;
        let hardness = tests.latest()?.and_then(decode).unwrap_or_default();
        Ok(Self {
            baseline: Log::mount(baseline, layout.baseline)?,
            signed: Log::mount(signed, layout.signed)?,
            tests,
            manners: Log::mount(manners, layout.manners)?,
            hardness,
            owed: false,
        })
    }

    /// Sees a record of the journal; a hardness test is kept (O6). What cannot be written now is, with the next record.
    ///
    /// # Errors
    /// Writing fails; what was kept before is still readable.
    pub fn note(&mut self, record: &Record) -> Result<(), StoreError<F::Error>> {
        self.owed |= self.hardness.observe(record);
        if !self.owed {
            return Ok(());
        }
        let mut bytes = [0; TESTS_BYTES];
        let bytes = encode(&self.hardness, &mut bytes).ok_or(StoreError::TooLong)?;
        self.tests.append(bytes)?;
        self.owed = false;
        Ok(())
    }

    /// The latest hardness tests.
    #[must_use]
    pub fn hardness(&self) -> &HardnessLog {
        &self.hardness
    }

    /// Keeps the record of a walk that was signed off; one that was kept before gives way.
    ///
    /// # Errors
    /// Writing fails; the one before is still there.
    pub fn keep_signed(&mut self, signed: &SignedOff) -> Result<(), StoreError<F::Error>> {
        let mut bytes = [0; SIGNED_BYTES];
        self.signed.append(encode(signed, &mut bytes).ok_or(StoreError::TooLong)?)
    }

    /// The record of the walk; `None` if none was signed.
    ///
    /// # Errors
    /// Reading fails.
    pub fn signed(&mut self) -> Result<Option<SignedOff>, StoreError<F::Error>> {
        Ok(self.signed.latest()?.and_then(decode))
    }

    /// Keeps a settings image as the site's own baseline (O3); the one before gives way.
    ///
    /// # Errors
    /// Writing fails; the one before is still there.
    pub fn keep_baseline(&mut self, image: &[u8]) -> Result<(), StoreError<F::Error>> {
        self.baseline.append(image)
    }

    /// The site's own baseline; `None` if none was stored, or none that this software can read.
    ///
    /// # Errors
    /// Reading fails.
    pub fn baseline(&mut self) -> Result<Option<Image>, StoreError<F::Error>> {
        Ok(self.baseline.latest()?.and_then(|bytes| Image::decode(bytes).ok()))
    }

    /// Keeps how the board speaks.
    ///
    /// # Errors
    /// Writing fails; what was kept before is still there.
    pub fn keep_manners(&mut self, manners: &Manners) -> Result<(), StoreError<F::Error>> {
        let mut bytes = [0; MANNERS_BYTES];
        self.manners.append(encode(manners, &mut bytes).ok_or(StoreError::TooLong)?)
    }

    /// How the board speaks; `None` if nothing was kept, or nothing that a board can do.
    ///
    /// # Errors
    /// Reading fails.
    pub fn manners(&mut self) -> Result<Option<Manners>, StoreError<F::Error>> {
        Ok(self.manners.latest()?.and_then(decode).filter(Manners::are_possible))
    }

    /// How often the page erased most has been erased (P2).
    #[must_use]
    pub fn erasures(&self) -> u32 {
        self.baseline.erasures().max(self.signed.erasures()).max(self.tests.erasures()).max(self.manners.erasures())
    }

    /// Erases what will be needed next; call it while no valve moves. Says whether it erased.
    ///
    /// # Errors
    /// Erasing or writing a page's head fails.
    pub fn prepare(&mut self) -> Result<bool, StoreError<F::Error>> {
        // Baseline and signature are written while people wait and nothing moves.
        self.tests.prepare()
    }
}

fn encode<'b>(what: &impl Serialize, bytes: &'b mut [u8]) -> Option<&'b [u8]> {
    let (version, body) = bytes.split_first_mut()?;
    *version = VERSION;
    let used = postcard::to_slice(what, body).ok()?.len().checked_add(1)?;
    bytes.get(..used)
}

fn decode<T: DeserializeOwned>(bytes: &[u8]) -> Option<T> {
    let (_, body) = bytes.split_first().filter(|(version, _)| **version == VERSION)?;
    match postcard::take_from_bytes(body) {
        Ok((whole, [])) => Some(whole),
        _ => None,
    }
}
