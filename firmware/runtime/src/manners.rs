//! How a board speaks: its address and speed on the serial line, and the units of its panel (O5). None of it is a setting of
//! the site: another board of the same site has its own.

use bedkeeper::journal::{BoardWish, Who};
use serde::{Deserialize, Serialize};

use crate::baseline::Refused;
use crate::machine::{Board, Machine, PinFault, Records};
use crate::panel::Units;

/// The first and last address of a device on Modbus (Modbus over Serial Line, 2.2).
pub const ADDRESSES: core::ops::RangeInclusive<u8> = 1..=247;

/// Bits a second that a line may have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Speed {
    /// 9 600.
    B9600,
    /// 19 200.
    B19200,
    /// 38 400.
    B38400,
    /// 57 600.
    B57600,
    /// 115 200.
    #[default]
    B115200,
}

/// Every speed, the slowest first.
pub const SPEEDS: [Speed; 5] = [Speed::B9600, Speed::B19200, Speed::B38400, Speed::B57600, Speed::B115200];

impl Speed {
    /// Bits a second.
    #[must_use]
    pub const fn baud(self) -> u32 {
        match self {
            Self::B9600 => 9_600,
            Self::B19200 => 19_200,
            Self::B38400 => 38_400,
            Self::B57600 => 57_600,
            Self::B115200 => 115_200,
        }
    }

    /// The speed of so many bits a second, if a line may have it.
    #[must_use]
    pub fn of(baud: u32) -> Option<Self> {
        SPEEDS.into_iter().find(|speed| speed.baud() == baud)
    }
}

/// How a board speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manners {
    /// Units of the panel.
    pub units: Units,
    /// Its address for Modbus, 1 to 247.
    pub address: u8,
    /// The speed of its line.
    pub speed: Speed,
}

impl Default for Manners {
    fn default() -> Self {
        Self { units: Units::Metric, address: 1, speed: Speed::B115200 }
    }
}

impl Manners {
    /// Whether a board can have them.
    #[must_use]
    pub fn are_possible(&self) -> bool {
        ADDRESSES.contains(&self.address)
    }

    /// What of it is otherwise than before.
    #[must_use]
    pub fn beside(&self, before: Self) -> Speak {
        Speak {
            address: (self.address != before.address).then_some(self.address),
            baud: (self.speed != before.speed).then_some(self.speed.baud()),
            units: (self.units != before.units).then_some(self.units),
        }
    }
}

/// How a board shall speak otherwise; what is left out stays.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Speak {
    /// The address for Modbus.
    pub address: Option<u8>,
    /// Bits a second.
    pub baud: Option<u32>,
    /// The units of the panel.
    pub units: Option<Units>,
}

impl<B: Board, const N: usize, const S: usize> Machine<B, N, S> {
    /// Has the board speak otherwise from the next frame on, and keeps it over power cuts: all of it or nothing (O1). It is
    /// journalled with who asked, granted or not (Q5).
    ///
    /// # Errors
    /// A pin fails; inside, why nothing was changed.
    pub fn speak(&mut self, wanted: Speak, who: Who, uptime_ms: u64) -> Result<Result<(), Refused>, PinFault<B>> {
        let Manners { address, speed, .. } = self.manners();
        let told = self.try_speak(wanted, who, uptime_ms);
        if wanted.address.is_some() || wanted.baud.is_some() {
            let (address, baud) = (wanted.address.unwrap_or(address), wanted.baud.unwrap_or(speed.baud()));
            self.asked_of_board(uptime_ms, who, BoardWish::Line { address, baud }, told.is_ok())?;
        }
        if wanted.units.is_some() {
            self.asked_of_board(uptime_ms, who, BoardWish::Units, told.is_ok())?;
        }
        Ok(told)
    }

    #[allow(clippy::result_large_err, reason = "the reason is that of a baseline")]
    fn try_speak(&mut self, wanted: Speak, who: Who, uptime_ms: u64) -> Result<(), Refused> {
        self.may_write(who, uptime_ms)?;
        let before = self.manners();
        let speed = wanted.baud.map_or(Some(before.speed), Speed::of).ok_or(Refused::NoSuchManners)?;
        let (address, units) = (wanted.address.unwrap_or(before.address), wanted.units.unwrap_or(before.units));
        let manners = Manners { units, address, speed };
        if !manners.are_possible() {
            return Err(Refused::NoSuchManners);
        }
        if !self.parts_mut().records.keep_manners(&manners) {
            return Err(Refused::NotStored);
        }
        self.set_manners(manners);
        Ok(())
    }

    /// Keeps the units in which somebody looks at the plant from its panel: no lock stands before looking. Says whether it did.
    ///
    /// # Errors
    /// A pin fails.
    pub fn keep_units(&mut self, units: Units, uptime_ms: u64) -> Result<bool, PinFault<B>> {
        let manners = Manners { units, ..self.manners() };
        let kept = self.parts_mut().records.keep_manners(&manners);
        if kept {
            self.set_manners(manners);
            self.asked_of_board(uptime_ms, Who::Panel, BoardWish::Units, true)?;
        }
        Ok(kept)
    }
}
