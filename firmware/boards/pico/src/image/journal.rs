//! The journal: the latest records in memory; regenerations, days, alarms and wishes in flash; and a line of JSON for each
//! record on the serial line, until somebody speaks there.

use bedkeeper::chronicle::{Entry, Happening, RegenerationRecord};
use bedkeeper::commission::SignedOff;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::image::Image;
use bedkeeper::journal::Record;
use bedkeeper::reserve::DayUse;
use bedkeeper_pico::BAUD;
use bedkeeper_pico::layout::{DOSSIER_OFFSET, DOSSIER_SECTORS, HISTORY_OFFSET, PAGE_BYTES, SECTOR_BYTES};
use bedkeeper_runtime::archive::{Archive, Kept, Latest, Recent, Visit};
use bedkeeper_runtime::dossier::{self, Dossier};
use bedkeeper_runtime::history::{History, Layout};
use bedkeeper_runtime::machine::Records;
use hal::Clock;
use hal::clocks::PeripheralClock;
use hal::fugit::HertzU32;
use hal::pac;
use hal::uart::{DataBits, Enabled, FifoWatermark, StopBits, UartConfig, UartPeripheral, ValidUartPinout};
use rp2040_hal as hal;

use super::flash::Flash;

/// Records of the journal that are kept in memory.
const RECENT: usize = 128;

/// Keeps records, and writes them to a serial line that nobody has spoken on.
pub struct Journal<P: ValidUartPinout<pac::UART0>> {
    line: UartPeripheral<Enabled, pac::UART0, P>,
    is_silent: bool,
    kept: Kept<Flash, RECENT>,
}

impl<P: ValidUartPinout<pac::UART0>> Journal<P> {
    /// Opens the line; `None` if the baud rate cannot be had.
    pub fn new(uart: pac::UART0, pins: P, resets: &mut pac::RESETS, clock: &PeripheralClock) -> Option<Self> {
        let config = UartConfig::new(HertzU32::Hz(BAUD), DataBits::Eight, None, StopBits::One);
        let mut line = UartPeripheral::new(uart, pins, resets).enable(config, clock.freq()).ok()?;
        line.set_rx_watermark(FifoWatermark::Bytes4);
        line.enable_rx_interrupt();
        Some(Self {
            line,
            is_silent: false,
            kept: Kept { recent: Recent::new(), history: history(), dossier: dossier() },
        })
    }

    /// Somebody has spoken on the line: it is theirs.
    pub fn be_silent(&mut self) {
        self.is_silent = true;
    }

    /// Sends as many bytes as the line takes without waiting; so many.
    pub fn send(&mut self, bytes: &[u8]) -> usize {
        match self.line.write_raw(bytes) {
            Ok(rest) => bytes.len() - rest.len(),
            Err(_) => 0,
        }
    }
}

const _: () = assert!(dossier::Layout::PAGES == DOSSIER_SECTORS);

fn dossier() -> Option<Dossier<Flash>> {
    let layout = dossier::Layout::new(DOSSIER_OFFSET, SECTOR_BYTES, PAGE_BYTES).ok()?;
    Dossier::mount([Flash::new(), Flash::new(), Flash::new()], layout).ok()
}

fn history() -> Option<History<Flash>> {
    let layout = Layout::new(HISTORY_OFFSET, SECTOR_BYTES, PAGE_BYTES).ok()?;
    History::mount([Flash::new(), Flash::new(), Flash::new()], layout).ok()
}

impl<P: ValidUartPinout<pac::UART0>> Records for Journal<P> {
    fn note(&mut self, record: &Record) {
        self.kept.note(record);
        if self.is_silent {
            return;
        }
        let mut line = [0; 512];
        // A record that does not fit is left out: the line is for people, the state is in the store.
        if let Ok(length) = serde_json_core::to_slice(record, &mut line) {
            self.line.write_full_blocking(line.get(..length).unwrap_or_default());
            self.line.write_full_blocking(b"\n");
        }
    }

    fn keep(&mut self, entry: &Entry) {
        self.kept.keep(entry);
    }

    fn keep_signed(&mut self, signed: &SignedOff) -> bool {
        self.kept.keep_signed(signed)
    }

    fn keep_baseline(&mut self, image: &[u8]) -> bool {
        self.kept.keep_baseline(image)
    }

    fn baseline(&mut self) -> Option<Image> {
        self.kept.baseline()
    }

    fn prepare(&mut self) {
        self.kept.prepare();
    }

    fn erasures(&self) -> u32 {
        self.kept.erasures()
    }
}

impl<P: ValidUartPinout<pac::UART0>> Archive for Journal<P> {
    fn records(&mut self, from: u32, visit: &mut Visit<'_, Record>) {
        self.kept.records(from, visit);
    }

    fn regenerations(&mut self, from: u32, visit: &mut Visit<'_, RegenerationRecord>) {
        self.kept.regenerations(from, visit);
    }

    fn days(&mut self, from: u32, visit: &mut Visit<'_, DayUse>) {
        self.kept.days(from, visit);
    }

    fn happenings(&mut self, from: u32, visit: &mut Visit<'_, Happening>) {
        self.kept.happenings(from, visit);
    }

    fn hardness_tests(&self) -> &[HardnessEntry] {
        self.kept.hardness_tests()
    }

    fn signed(&mut self) -> Option<SignedOff> {
        self.kept.signed()
    }
}

impl<P: ValidUartPinout<pac::UART0>> core::fmt::Debug for Journal<P> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Journal")
    }
}

impl<P: ValidUartPinout<pac::UART0>> Latest for Journal<P> {
    fn noted(&self) -> u32 {
        self.kept.recent.noted()
    }

    fn len(&self) -> usize {
        self.kept.recent.len()
    }

    fn back(&self, steps: usize) -> Option<&Record> {
        self.kept.recent.back(steps)
    }
}
