//! One flash for several logs, each in a region of its own.

use core::cell::RefCell;

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};

/// Why a shared flash refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SharedError<E> {
    /// The flash reports an error.
    Flash(E),
    /// Another log is using it, which cannot be where one thing is done at a time.
    InUse,
}

impl<E: NorFlashError> NorFlashError for SharedError<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Flash(error) => error.kind(),
            Self::InUse => NorFlashErrorKind::Other,
        }
    }
}

/// A flash that several logs use in turn.
#[derive(Debug)]
pub struct SharedFlash<'f, F>(pub &'f RefCell<F>);

impl<F> Clone for SharedFlash<'_, F> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<F> Copy for SharedFlash<'_, F> {}

impl<F> SharedFlash<'_, F> {
    fn using<T, E>(&self, act: impl FnOnce(&mut F) -> Result<T, E>) -> Result<T, SharedError<E>> {
        let mut flash = self.0.try_borrow_mut().map_err(|_| SharedError::InUse)?;
        act(&mut flash).map_err(SharedError::Flash)
    }
}

impl<F: ErrorType> ErrorType for SharedFlash<'_, F> {
    type Error = SharedError<F::Error>;
}

impl<F: ReadNorFlash> ReadNorFlash for SharedFlash<'_, F> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.using(|flash| flash.read(offset, bytes))
    }

    fn capacity(&self) -> usize {
        self.0.try_borrow().map_or(0, |flash| flash.capacity())
    }
}

impl<F: NorFlash> NorFlash for SharedFlash<'_, F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.using(|flash| flash.erase(from, to))
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        self.using(|flash| flash.write(offset, bytes))
    }
}
