//! A display with an SSD1306 or its like, 128×64 dots, and four buttons on a port expander, on one I²C bus.
//!
//! The expander is of the kind whose input register is number 0 (PCA9554 and its many likes); a pressed button pulls its
//! input low. Pins of the controller are so left for the plant.

use embedded_hal::i2c::I2c;
use ssd1306::command::AddrMode;
use ssd1306::mode::BasicMode;
use ssd1306::prelude::{DisplayRotation, I2CInterface};
use ssd1306::size::DisplaySize128x64;
use ssd1306::{I2CDisplayInterface, Ssd1306};

use crate::front::{Face, Strip};

/// The address of the expander with its three address pins low.
pub const EXPANDER: u8 = 0x20;
/// Its register of input levels.
const INPUTS: u8 = 0;

/// A display and a port expander.
pub struct I2cFace<D, E> {
    display: Ssd1306<I2CInterface<D>, DisplaySize128x64, BasicMode>,
    expander: E,
}

impl<D: I2c, E: I2c> I2cFace<D, E> {
    /// On these ends of a bus; nothing is sent yet.
    pub fn new(display: D, expander: E) -> Self {
        let display = Ssd1306::new(I2CDisplayInterface::new(display), DisplaySize128x64, DisplayRotation::Rotate0);
        Self { display, expander }
    }
}

impl<D: I2c, E: I2c> Face for I2cFace<D, E> {
    fn begin(&mut self) -> bool {
        self.display.init_with_addr_mode(AddrMode::Horizontal).is_ok()
    }

    fn show(&mut self, row: u8, dots: &Strip) -> bool {
        let top = row.saturating_mul(8);
        self.display.set_draw_area((0, top), (128, top.saturating_add(8))).is_ok() && self.display.draw(&dots.0).is_ok()
    }

    fn buttons(&mut self) -> Option<[bool; 4]> {
        let mut levels = [0xff];
        self.expander.write_read(EXPANDER, &[INPUTS], &mut levels).ok()?;
        let [levels] = levels;
        Some([1u8, 2, 4, 8].map(|bit| levels & bit == 0))
    }
}
