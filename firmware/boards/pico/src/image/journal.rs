//! The journal on the serial line: a line of JSON for each record.

use bedkeeper::journal::Record;
use bedkeeper_runtime::machine::Records;
use hal::Clock;
use hal::clocks::PeripheralClock;
use hal::fugit::HertzU32;
use hal::pac;
use hal::uart::{DataBits, Enabled, StopBits, UartConfig, UartPeripheral, ValidUartPinout};
use rp2040_hal as hal;

const BAUD: u32 = 115_200;

/// Writes records to a serial line.
pub struct Journal<P: ValidUartPinout<pac::UART0>>(UartPeripheral<Enabled, pac::UART0, P>);

impl<P: ValidUartPinout<pac::UART0>> Journal<P> {
    /// Opens the line; `None` if the baud rate cannot be had.
    pub fn new(uart: pac::UART0, pins: P, resets: &mut pac::RESETS, clock: &PeripheralClock) -> Option<Self> {
        let config = UartConfig::new(HertzU32::Hz(BAUD), DataBits::Eight, None, StopBits::One);
        UartPeripheral::new(uart, pins, resets).enable(config, clock.freq()).ok().map(Self)
    }
}

impl<P: ValidUartPinout<pac::UART0>> Records for Journal<P> {
    fn note(&mut self, record: &Record) {
        let mut line = [0; 512];
        // A record that does not fit is left out: the line is for people, the state is in the store.
        if let Ok(length) = serde_json_core::to_slice(record, &mut line) {
            self.0.write_full_blocking(line.get(..length).unwrap_or_default());
            self.0.write_full_blocking(b"\n");
        }
    }
}
