//! A DS3231 on an I²C bus as the civil clock.

use bedkeeper::calendar::Civil;
use ds323x::ic::DS3231;
use ds323x::interface::I2cInterface;
use ds323x::{DateTimeAccess, Datelike, Ds323x, NaiveDate, NaiveDateTime, NaiveTime, Timelike};
use embedded_hal::i2c::I2c;

use crate::clock::WallClock;

/// The clock; it is believed only if its oscillator has never stopped since it was set.
pub struct Ds3231<B>(Ds323x<I2cInterface<B>, DS3231>);

impl<B: I2c> Ds3231<B> {
    /// On this bus; nothing is sent yet.
    pub fn new(bus: B) -> Self {
        Self(Ds323x::new_ds3231(bus))
    }

    /// Gives the bus back.
    pub fn release(self) -> B {
        self.0.destroy_ds3231()
    }
}

/// Days from the beginning of the common era to 2000-01-01, from which civil time counts.
const EPOCH_DAY: i32 = 730_120;
const DAY_MS: u64 = 86_400_000;

/// A date and time as civil time.
fn civil_of(told: NaiveDateTime) -> Option<Civil> {
    let days = u64::try_from(told.num_days_from_ce().checked_sub(EPOCH_DAY)?).ok()?;
    let ms = u64::from(told.num_seconds_from_midnight()).checked_mul(1_000)?;
    let civil = Civil(days.checked_mul(DAY_MS)?.checked_add(ms)?);
    (civil < Civil::END).then_some(civil)
}

/// Civil time as a date and time, in whole seconds.
fn date_of(civil: Civil) -> Option<NaiveDateTime> {
    let days = i32::try_from(civil.day()).ok()?.checked_add(EPOCH_DAY)?;
    let seconds = u32::try_from(civil.0.checked_rem(DAY_MS)? / 1_000).ok()?;
    let time = NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0)?;
    Some(NaiveDateTime::new(NaiveDate::from_num_days_from_ce_opt(days)?, time))
}

impl<B: I2c> WallClock for Ds3231<B> {
    fn read(&mut self) -> Option<Civil> {
        if self.0.has_been_stopped().ok()? {
            return None;
        }
        civil_of(self.0.datetime().ok()?)
    }

    fn set(&mut self, civil: Civil) -> bool {
        let Some(told) = date_of(civil) else { return false };
        self.0.set_datetime(&told).is_ok() && self.0.clear_has_been_stopped_flag().is_ok()
    }
}
