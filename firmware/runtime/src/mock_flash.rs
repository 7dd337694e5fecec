//! A strict flash memory for tests: bits only clear, a word is written once, power fails at any byte.
#![allow(clippy::indexing_slicing, clippy::arithmetic_side_effects, reason = "a tool of tests, on a host")]

use std::vec;
use std::vec::Vec;

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};

/// Why the flash refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MockError {
    /// Not a multiple of the word or the page.
    NotAligned,
    /// Beyond its end.
    OutOfBounds,
    /// A word is written that is not erased.
    NotErased,
    /// Power has failed, and has not come back.
    PowerLost,
}

impl NorFlashError for MockError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::NotErased | Self::PowerLost => NorFlashErrorKind::Other,
        }
    }
}

/// An erasure takes as many steps as this, at each of which power may fail.
const ERASE_STEPS: u64 = 8;

/// A flash with words of `WORD` bytes and pages of `PAGE` bytes.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct MockFlash<const WORD: usize, const PAGE: usize> {
    bytes: Vec<u8>,
    written: Vec<bool>,
    erasures: Vec<u32>,
    steps: u64,
    /// Power fails after so many steps from now.
    fails_in: Option<u64>,
    dark: bool,
}

impl<const WORD: usize, const PAGE: usize> MockFlash<WORD, PAGE> {
    /// An erased flash of so many pages.
    #[must_use]
    pub fn new(pages: usize) -> Self {
        let size = pages * PAGE;
        Self {
            bytes: vec![0xff; size],
            written: vec![false; size / WORD],
            erasures: vec![0; pages],
            steps: 0,
            fails_in: None,
            dark: false,
        }
    }

    /// Lets power fail after so many steps from now: a byte written is a step, an erasure is several.
    pub fn fail_in(&mut self, steps: u64) {
        self.fails_in = Some(steps);
    }

    /// Power is back, and does not fail again by itself.
    pub fn power_up(&mut self) {
        self.dark = false;
        self.fails_in = None;
    }

    /// Whether power has failed.
    #[must_use]
    pub fn is_dark(&self) -> bool {
        self.dark
    }

    /// Steps so far.
    #[must_use]
    pub fn steps(&self) -> u64 {
        self.steps
    }

    /// How often each page has been erased.
    #[must_use]
    pub fn erasures(&self) -> &[u32] {
        &self.erasures
    }

    /// Its contents, to damage them.
    pub fn bytes_mut(&mut self) -> &mut [u8] {
        &mut self.bytes
    }

    /// Lets bytes stand at a place as if they had been written there; a word of theirs that is not blank is erased no more.
    pub fn put(&mut self, at: usize, bytes: &[u8]) {
        for (i, byte) in bytes.iter().enumerate().filter(|(_, byte)| **byte != 0xff) {
            self.bytes[at + i] = *byte;
            self.written[(at + i) / WORD] = true;
        }
    }

    /// One step; says whether power held.
    fn step(&mut self) -> bool {
        if let Some(left) = &mut self.fails_in {
            if *left == 0 {
                self.dark = true;
                return false;
            }
            *left -= 1;
        }
        self.steps += 1;
        true
    }

    fn check(&self, offset: u32, length: usize, unit: usize) -> Result<(usize, usize), MockError> {
        if self.dark {
            return Err(MockError::PowerLost);
        }
        let start = usize::try_from(offset).map_err(|_| MockError::OutOfBounds)?;
        if !start.is_multiple_of(unit) || !length.is_multiple_of(unit) {
            return Err(MockError::NotAligned);
        }
        let end = start.checked_add(length).filter(|end| *end <= self.bytes.len()).ok_or(MockError::OutOfBounds)?;
        Ok((start, end))
    }

    /// What an erasure that broke off leaves: some bytes erased, some as they were, some in between.
    fn half_erase(&mut self, start: usize, done: u64) {
        let reach = PAGE * usize::try_from(done).unwrap_or(0) / usize::try_from(ERASE_STEPS).unwrap_or(1);
        for (i, byte) in self.bytes[start..start + PAGE].iter_mut().enumerate() {
            let mix = i.wrapping_mul(2_654_435_761) >> 7;
            *byte |= match (i < reach, mix % 3) {
                (true, _) => 0xff,
                (false, 0) => u8::try_from(mix % 251).unwrap_or(0),
                (false, _) => 0,
            };
        }
        // Nobody may take what is left for erased.
        self.written[start / WORD..(start + PAGE) / WORD].fill(true);
    }
}

impl<const WORD: usize, const PAGE: usize> ErrorType for MockFlash<WORD, PAGE> {
    type Error = MockError;
}

impl<const WORD: usize, const PAGE: usize> ReadNorFlash for MockFlash<WORD, PAGE> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), MockError> {
        let (start, end) = self.check(offset, bytes.len(), 1)?;
        bytes.copy_from_slice(&self.bytes[start..end]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl<const WORD: usize, const PAGE: usize> NorFlash for MockFlash<WORD, PAGE> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), MockError> {
        let length = usize::try_from(to.saturating_sub(from)).map_err(|_| MockError::OutOfBounds)?;
        let (start, end) = self.check(from, length, PAGE)?;
        for page in (start..end).step_by(PAGE) {
            self.erasures[page / PAGE] += 1;
            for done in 0..ERASE_STEPS {
                if !self.step() {
                    self.half_erase(page, done);
                    return Err(MockError::PowerLost);
                }
            }
            self.bytes[page..page + PAGE].fill(0xff);
            self.written[page / WORD..(page + PAGE) / WORD].fill(false);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), MockError> {
        let (start, _) = self.check(offset, bytes.len(), WORD)?;
        let words = start / WORD..(start + bytes.len()) / WORD;
        if self.written[words.clone()].iter().any(|written| *written) {
            return Err(MockError::NotErased);
        }
        for (i, byte) in bytes.iter().enumerate() {
            if !self.step() {
                return Err(MockError::PowerLost);
            }
            // A word that has been begun is not erased any more.
            self.written[(start + i) / WORD] = true;
            // Bits only clear.
            self.bytes[start + i] &= byte;
        }
        Ok(())
    }
}
