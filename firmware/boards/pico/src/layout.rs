//! What lies where in flash; `memory.x` has the same figures for the linker.

/// Where flash begins in the address space.
pub const FLASH_START: u32 = 0x1000_0000;
/// The smallest flash of such a board.
pub const FLASH_BYTES: u32 = 2 * 1024 * 1024;
/// Room for the image, from the start of flash.
pub const IMAGE_BYTES: u32 = 1024 * 1024;
/// Bytes that are erased together (sector of the flash chip).
pub const SECTOR_BYTES: u32 = 4_096;
/// Bytes that are programmed together (page of the flash chip).
pub const PAGE_BYTES: u32 = 256;

/// The settings image lies here, bytes from the start of flash: address 0x1010_0000.
pub const SETTINGS_OFFSET: u32 = IMAGE_BYTES;
/// Room for the settings image.
pub const SETTINGS_BYTES: u32 = SECTOR_BYTES;

/// The last settings that ran are kept here, bytes from the start of flash (S11).
pub const KEPT_OFFSET: u32 = 0x10_8000;
/// Sectors for them.
pub const KEPT_SECTORS: u32 = 2;

/// The store of what outlives power cuts, bytes from the start of flash: address 0x1011_0000.
pub const STORE_OFFSET: u32 = 0x11_0000;
/// Sectors of the store.
pub const STORE_SECTORS: u32 = 64;

/// The history of regenerations and days, bytes from the start of flash: address 0x1015_0000, to the end of flash at most.
pub const HISTORY_OFFSET: u32 = STORE_OFFSET + STORE_SECTORS * SECTOR_BYTES;

/// What the board keeps of its site for good: baseline, signed record, hardness tests, how it speaks, bytes from the start of flash.
pub const DOSSIER_OFFSET: u32 = 0x1e_0000;
/// Sectors for it.
pub const DOSSIER_SECTORS: u32 = 8;

const _: () = {
    assert!(SETTINGS_OFFSET >= IMAGE_BYTES && SETTINGS_OFFSET.is_multiple_of(SECTOR_BYTES));
    assert!(KEPT_OFFSET >= SETTINGS_OFFSET + SETTINGS_BYTES && KEPT_OFFSET.is_multiple_of(SECTOR_BYTES));
    assert!(STORE_OFFSET >= KEPT_OFFSET + KEPT_SECTORS * SECTOR_BYTES && STORE_OFFSET.is_multiple_of(SECTOR_BYTES));
    assert!(HISTORY_OFFSET < DOSSIER_OFFSET && DOSSIER_OFFSET.is_multiple_of(SECTOR_BYTES));
    assert!(DOSSIER_OFFSET + DOSSIER_SECTORS * SECTOR_BYTES <= FLASH_BYTES);
    assert!(bedkeeper::image::MAX_BYTES <= SETTINGS_BYTES as usize);
};
