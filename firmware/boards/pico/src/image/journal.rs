//! The journal: a line of JSON for each record on the serial line; regenerations, days, alarms and wishes in flash.

use bedkeeper::chronicle::Entry;
use bedkeeper::journal::Record;
use bedkeeper_pico::layout::{HISTORY_OFFSET, PAGE_BYTES, SECTOR_BYTES};
use bedkeeper_runtime::archive::{Latest, Recent};
use bedkeeper_runtime::history::{History, Layout};
use bedkeeper_runtime::machine::Records;
use hal::Clock;
use hal::clocks::PeripheralClock;
use hal::fugit::HertzU32;
use hal::pac;
use hal::uart::{DataBits, Enabled, StopBits, UartConfig, UartPeripheral, ValidUartPinout};
use rp2040_hal as hal;

use super::flash::Flash;

const BAUD: u32 = 115_200;
/// So many records are kept to be read at the panel.
const RECENT: usize = 64;

/// Writes records to a serial line, and what is kept for long to flash.
pub struct Journal<P: ValidUartPinout<pac::UART0>> {
    line: UartPeripheral<Enabled, pac::UART0, P>,
    /// `None` if it cannot be read: the plant runs on without a history.
    history: Option<History<Flash>>,
    recent: Recent<RECENT>,
}

impl<P: ValidUartPinout<pac::UART0>> Journal<P> {
    /// Opens the line; `None` if the baud rate cannot be had.
    pub fn new(uart: pac::UART0, pins: P, resets: &mut pac::RESETS, clock: &PeripheralClock) -> Option<Self> {
        let config = UartConfig::new(HertzU32::Hz(BAUD), DataBits::Eight, None, StopBits::One);
        UartPeripheral::new(uart, pins, resets).enable(config, clock.freq()).ok().map(|line| Self {
            line,
            history: history(),
            recent: Recent::new(),
        })
    }
}

fn history() -> Option<History<Flash>> {
    let layout = Layout::new(HISTORY_OFFSET, SECTOR_BYTES, PAGE_BYTES).ok()?;
    History::mount([Flash::new(), Flash::new(), Flash::new()], layout).ok()
}

impl<P: ValidUartPinout<pac::UART0>> Records for Journal<P> {
    fn note(&mut self, record: &Record) {
        self.recent.note(record);
        let mut line = [0; 512];
        // A record that does not fit is left out: the line is for people, the state is in the store.
        if let Ok(length) = serde_json_core::to_slice(record, &mut line) {
            self.line.write_full_blocking(line.get(..length).unwrap_or_default());
            self.line.write_full_blocking(b"\n");
        }
    }

    fn keep(&mut self, entry: &Entry) {
        if let Some(history) = &mut self.history {
            // What cannot be written is counted there.
            let _ = history.keep(entry);
        }
    }

    fn prepare(&mut self) {
        if let Some(history) = &mut self.history {
            let _ = history.prepare();
        }
    }

    fn erasures(&self) -> u32 {
        self.history.as_ref().map_or(0, History::erasures)
    }
}

impl<P: ValidUartPinout<pac::UART0>> core::fmt::Debug for Journal<P> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Journal")
    }
}

impl<P: ValidUartPinout<pac::UART0>> Latest for Journal<P> {
    fn noted(&self) -> u32 {
        self.recent.noted()
    }

    fn len(&self) -> usize {
        self.recent.len()
    }

    fn back(&self, steps: usize) -> Option<&Record> {
        self.recent.back(steps)
    }
}
