//! The journal: the latest records in memory; regenerations, days, alarms and wishes in flash; and a line of JSON for each
//! record on the serial line, until somebody speaks there.

use bedkeeper::chronicle::{Entry, Happening, RegenerationRecord};
use bedkeeper::commission::SignedOff;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::image::Image;
use bedkeeper::journal::Record;
use bedkeeper::reserve::DayUse;
use bedkeeper_pico::layout::{DOSSIER_OFFSET, DOSSIER_SECTORS, HISTORY_OFFSET, PAGE_BYTES, SECTOR_BYTES};
use bedkeeper_runtime::archive::{Archive, Kept, Latest, Recent, Visit};
use bedkeeper_runtime::dossier::{self, Dossier};
use bedkeeper_runtime::history::{History, Layout};
use bedkeeper_runtime::machine::Records;
use bedkeeper_runtime::manners::{Manners, Speed};
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
    /// Absent only while its speed is changed.
    line: Option<UartPeripheral<Enabled, pac::UART0, P>>,
    speed: Speed,
    clock: HertzU32,
    is_silent: bool,
    kept: Kept<Flash, RECENT>,
}

impl<P: ValidUartPinout<pac::UART0>> Journal<P> {
    /// Opens the line; `None` if the baud rate cannot be had.
    pub fn new(uart: pac::UART0, pins: P, resets: &mut pac::RESETS, clock: &PeripheralClock) -> Option<Self> {
        let mut kept = Kept { recent: Recent::new(), history: history(), dossier: dossier() };
        let speed = kept.manners().unwrap_or_default().speed;
        let line = UartPeripheral::new(uart, pins, resets).enable(config(speed), clock.freq()).ok().map(listening)?;
        Some(Self { line: Some(line), speed, clock: clock.freq(), is_silent: false, kept })
    }

    /// Gives the line another speed, once the last byte has left.
    pub fn set_speed(&mut self, speed: Speed) {
        if speed == self.speed || self.line.as_ref().is_none_or(UartPeripheral::uart_is_busy) {
            return;
        }
        self.speed = speed;
        // Every speed can be had from this clock: the first was.
        let line = self.line.take().and_then(|line| line.disable().enable(config(speed), self.clock).ok());
        self.line = line.map(listening);
    }

    /// Somebody has spoken on the line: it is theirs.
    pub fn be_silent(&mut self) {
        self.is_silent = true;
    }

    /// Sends as many bytes as the line takes without waiting; so many.
    pub fn send(&mut self, bytes: &[u8]) -> usize {
        match self.line.as_ref().map(|line| line.write_raw(bytes)) {
            Some(Ok(rest)) => bytes.len() - rest.len(),
            _ => 0,
        }
    }
}

fn config(speed: Speed) -> UartConfig {
    UartConfig::new(HertzU32::Hz(speed.baud()), DataBits::Eight, None, StopBits::One)
}

/// The line tells what comes by its interrupt.
fn listening<P: ValidUartPinout<pac::UART0>>(
    mut line: UartPeripheral<Enabled, pac::UART0, P>,
) -> UartPeripheral<Enabled, pac::UART0, P> {
    line.set_rx_watermark(FifoWatermark::Bytes4);
    line.enable_rx_interrupt();
    line
}

const _: () = assert!(dossier::Layout::PAGES == DOSSIER_SECTORS);

fn dossier() -> Option<Dossier<Flash>> {
    let layout = dossier::Layout::new(DOSSIER_OFFSET, SECTOR_BYTES, PAGE_BYTES).ok()?;
    Dossier::mount([Flash::new(), Flash::new(), Flash::new(), Flash::new()], layout).ok()
}

fn history() -> Option<History<Flash>> {
    let layout = Layout::new(HISTORY_OFFSET, SECTOR_BYTES, PAGE_BYTES).ok()?;
    History::mount([Flash::new(), Flash::new(), Flash::new()], layout).ok()
}

impl<P: ValidUartPinout<pac::UART0>> Records for Journal<P> {
    fn note(&mut self, record: &Record) {
        self.kept.note(record);
        // A slower line would keep the loop waiting for longer than the watchdog does.
        let Some(serial) = self.line.as_ref().filter(|_| !self.is_silent && self.speed == Speed::B115200) else {
            return;
        };
        let mut line = [0; 512];
        // A record that does not fit is left out: the line is for people, the state is in the store.
        if let Ok(length) = serde_json_core::to_slice(record, &mut line) {
            serial.write_full_blocking(line.get(..length).unwrap_or_default());
            serial.write_full_blocking(b"\n");
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

    fn keep_manners(&mut self, manners: &Manners) -> bool {
        self.kept.keep_manners(manners)
    }

    fn manners(&mut self) -> Option<Manners> {
        self.kept.manners()
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
