//! The I²C bus of clock, display and buttons, which none of them may bring the board down by.
//!
//! The chip's controller waits for ever where a line is held low. So the lines are looked at first, and what is spoken
//! over a bus that is not free fails at once: a display with a torn cable is a display that does not answer.

use bedkeeper_pico::pins::{Role, gpio};
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation, SevenBitAddress};
use hal::gpio::bank0::{Gpio4, Gpio5};
use hal::gpio::{FunctionI2C, Pin, PullUp};
use hal::{I2C, pac};
use rp2040_hal as hal;

/// Both lines.
const LINES: u32 = 1 << gpio(Role::BusData) | 1 << gpio(Role::BusClock);

/// The pins of the bus.
pub type Pins = (Pin<Gpio4, FunctionI2C, PullUp>, Pin<Gpio5, FunctionI2C, PullUp>);

/// The bus.
pub struct Bus(pub I2C<pac::I2C0, Pins>);

/// Why nothing was said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusError {
    /// A line is held low.
    NotFree,
    /// Nobody answered, or the chip gave up.
    Failed,
}

impl embedded_hal::i2c::Error for BusError {
    fn kind(&self) -> ErrorKind {
        match self {
            Self::NotFree => ErrorKind::Bus,
            Self::Failed => ErrorKind::NoAcknowledge(NoAcknowledgeSource::Unknown),
        }
    }
}

impl ErrorType for Bus {
    type Error = BusError;
}

impl I2c<SevenBitAddress> for Bus {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        // SAFETY: reading the levels of the pins changes nothing.
        let levels = unsafe { &*pac::SIO::ptr() }.gpio_in().read().bits();
        if levels & LINES != LINES {
            return Err(BusError::NotFree);
        }
        self.0.transaction(address, operations).map_err(|_| BusError::Failed)
    }
}

/// Whoever was cut off in the middle of a byte may hold the data line low until it has been clocked out: nine clocks do, by
/// the bus's specification (NXP UM10204, bus clear).
pub fn free(clock: Pin<Gpio5, hal::gpio::FunctionSio<hal::gpio::SioInput>, PullUp>) -> Pin<Gpio5, FunctionI2C, PullUp> {
    // SAFETY: reading the levels of the pins changes nothing.
    let data_is_high = || unsafe { &*pac::SIO::ptr() }.gpio_in().read().bits() & (1 << gpio(Role::BusData)) != 0;
    let mut clock = clock;
    for _ in 0..9 {
        if data_is_high() {
            break;
        }
        // 12 MHz or less before the clocks run: each half lasts 50 µs or more.
        let low = clock.into_function::<hal::gpio::FunctionSio<hal::gpio::SioOutput>>();
        cortex_m::asm::delay(600);
        clock = low.into_function::<hal::gpio::FunctionSio<hal::gpio::SioInput>>();
        cortex_m::asm::delay(600);
    }
    clock.into_function()
}
