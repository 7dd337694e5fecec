//! Where the settings image lies in flash, and the second place where the last good one is kept.

use bedkeeper_pico::layout::{PAGE_BYTES, SECTOR_BYTES, SETTINGS_OFFSET};
use bedkeeper_runtime::link::Place;
use bedkeeper_runtime::store::Log;
use embedded_storage::nor_flash::NorFlash;

use super::KEPT_BUFFER;
use super::flash::Flash;

const PAGE: usize = PAGE_BYTES as usize;

/// The settings of the board.
pub struct Settings {
    /// The last good one.
    pub kept: Log<Flash, KEPT_BUFFER>,
}

impl Place for Settings {
    /// Erases and writes: nothing may move meanwhile.
    ///
    /// The second place first: if power fails between the two, the first is blank or half written, and what is in the
    /// second runs (S11).
    fn keep(&mut self, image: &[u8]) -> bool {
        let kept = self.kept.append(image).is_ok();
        let mut flash = Flash::new();
        let erased = flash.erase(SETTINGS_OFFSET, SETTINGS_OFFSET + SECTOR_BYTES).is_ok();
        let mut at = SETTINGS_OFFSET;
        let mut written = erased;
        for part in image.chunks(PAGE) {
            let mut page = [0xff; PAGE];
            for (to, from) in page.iter_mut().zip(part) {
                *to = *from;
            }
            written = written && flash.write(at, &page).is_ok();
            at += PAGE_BYTES;
        }
        kept && written
    }
}
