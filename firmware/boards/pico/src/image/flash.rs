//! The flash chip, written by the functions of the boot ROM.
//!
//! While it is written or erased nothing can be read from it, so the core waits in RAM with interrupts off: up to
//! 400 ms for a sector (W25Q16JV data sheet, sector erase time). Meters go on: see `capture`.

use bedkeeper_pico::layout::{FLASH_BYTES, FLASH_START, PAGE_BYTES, SECTOR_BYTES};
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash};
use rp2040_hal::rom_data;

/// The chip's command that erases a sector (W25Q16JV data sheet).
const ERASE_SECTOR: u8 = 0x20;
const PAGE: usize = PAGE_BYTES as usize;

/// Why the flash refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlashError {
    /// Not a multiple of the page or the sector.
    NotAligned,
    /// Beyond its end.
    OutOfBounds,
    /// It reads otherwise than was written.
    NotWritten,
}

impl NorFlashError for FlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::OutOfBounds => NorFlashErrorKind::OutOfBounds,
            Self::NotWritten => NorFlashErrorKind::Other,
        }
    }
}

/// The chip.
pub struct Flash {
    /// A copy of the second boot stage, which makes the chip readable again; it cannot be read while it is needed.
    boot2: [u32; PAGE / 4],
}

impl Flash {
    /// The chip that this image runs from.
    pub fn new() -> Self {
        let mut boot2 = [0; PAGE / 4];
        for (i, word) in boot2.iter_mut().enumerate() {
            // SAFETY: the second boot stage is the first page of flash, aligned and readable.
            *word = unsafe { ((FLASH_START as *const u32).add(i)).read_volatile() };
        }
        Self { boot2 }
    }

    /// Bytes of flash as memory, from its start.
    pub fn bytes(offset: u32, length: u32) -> &'static [u8] {
        let length = length.min(FLASH_BYTES.saturating_sub(offset));
        // SAFETY: flash is mapped there and readable; nobody holds a slice of what is written, the store and the settings,
        // over a write.
        unsafe { core::slice::from_raw_parts((FLASH_START + offset) as *const u8, length as usize) }
    }

    /// Calls the ROM with flash unreadable and interrupts off.
    fn with_rom(&mut self, deed: Deed) {
        let rom = Rom {
            connect: rom_data::connect_internal_flash::ptr(),
            exit_xip: rom_data::flash_exit_xip::ptr(),
            erase: rom_data::flash_range_erase::ptr(),
            program: rom_data::flash_range_program::ptr(),
            flush: rom_data::flash_flush_cache::ptr(),
            // Thumb code: the lowest bit is set.
            enter_xip: self.boot2.as_ptr() as usize + 1,
        };
        // SAFETY: ranges were checked; no interrupt and no other core reads flash meanwhile; code, data and stack of
        // `in_ram` are in RAM.
        critical_section::with(|_| unsafe { in_ram(&rom, &deed) });
    }
}

/// What shall be done to the chip.
enum Deed {
    Erase { offset: u32 },
    Program { offset: u32, bytes: [u8; PAGE] },
}

/// Functions of the boot ROM, looked up before flash becomes unreadable.
struct Rom {
    connect: unsafe extern "C" fn(),
    exit_xip: unsafe extern "C" fn(),
    erase: unsafe extern "C" fn(u32, usize, u32, u8),
    program: unsafe extern "C" fn(u32, *const u8, usize),
    flush: unsafe extern "C" fn(),
    enter_xip: usize,
}

/// Runs from RAM, and calls nothing outside RAM and ROM.
///
/// # Safety
/// Nothing may read flash before it returns; `rom.enter_xip` is the second boot stage in RAM.
#[unsafe(link_section = ".data.ram_func")]
#[inline(never)]
unsafe fn in_ram(rom: &Rom, deed: &Deed) {
    unsafe {
        (rom.connect)();
        (rom.exit_xip)();
        match deed {
            Deed::Erase { offset } => (rom.erase)(*offset, SECTOR_BYTES as usize, SECTOR_BYTES, ERASE_SECTOR),
            Deed::Program { offset, bytes } => (rom.program)(*offset, bytes.as_ptr(), PAGE),
        }
        (rom.flush)();
        let enter: unsafe extern "C" fn() = core::mem::transmute(rom.enter_xip);
        enter();
    }
}

fn check(offset: u32, length: usize, unit: u32) -> Result<u32, FlashError> {
    let length = u32::try_from(length).map_err(|_| FlashError::OutOfBounds)?;
    if !offset.is_multiple_of(unit) || !length.is_multiple_of(unit) {
        return Err(FlashError::NotAligned);
    }
    let end = offset.checked_add(length).ok_or(FlashError::OutOfBounds)?;
    if end > FLASH_BYTES { Err(FlashError::OutOfBounds) } else { Ok(end) }
}

impl ErrorType for Flash {
    type Error = FlashError;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashError> {
        check(offset, bytes.len(), 1)?;
        bytes.copy_from_slice(Self::bytes(offset, bytes.len() as u32));
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES as usize
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = PAGE;
    const ERASE_SIZE: usize = SECTOR_BYTES as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashError> {
        let end = check(from, to.saturating_sub(from) as usize, SECTOR_BYTES)?;
        for offset in (from..end).step_by(SECTOR_BYTES as usize) {
            self.with_rom(Deed::Erase { offset });
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashError> {
        check(offset, bytes.len(), PAGE_BYTES)?;
        for (page, chunk) in bytes.chunks_exact(PAGE).enumerate() {
            let mut copy = [0; PAGE];
            copy.copy_from_slice(chunk);
            self.with_rom(Deed::Program { offset: offset + page as u32 * PAGE_BYTES, bytes: copy });
        }
        if Self::bytes(offset, bytes.len() as u32) == bytes { Ok(()) } else { Err(FlashError::NotWritten) }
    }
}
