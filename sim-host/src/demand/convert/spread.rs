//! Water of an interval, as evenly spaced pulses.

use crate::recording::{COMMON_METER, MOST_PULSES_PER_ROW, Pulses};

/// Water that passed in a stretch of time.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Spread {
    from_us: u64,
    lasts_us: u64,
    /// Water before the stretch since the last pulse, in it, and of a pulse, in one unit.
    before: u128,
    amount: u128,
    pulse: u128,
    given: u128,
    pulses: u128,
}

impl Spread {
    /// Evenly over a stretch; also what is left over for the next.
    pub fn new(from_us: u64, to_us: u64, before: u128, amount: u128, pulse: u128) -> (Self, u128) {
        let all = before.saturating_add(amount);
        let pulse = pulse.max(1);
        let lasts_us = to_us.saturating_sub(from_us);
        (Self { from_us, lasts_us, before, amount, pulse, given: 0, pulses: all / pulse }, all % pulse)
    }
}

impl Iterator for Spread {
    type Item = Pulses;

    fn next(&mut self) -> Option<Pulses> {
        if self.given >= self.pulses {
            return None;
        }
        if self.lasts_us < 1_000 {
            // All at once, in rows that are not too large.
            let count = u32::try_from(self.pulses - self.given).unwrap_or(u32::MAX).min(MOST_PULSES_PER_ROW);
            self.given += u128::from(count);
            return Some(Pulses { at_ms: (self.from_us + self.lasts_us) / 1_000, meter: COMMON_METER, count });
        }
        self.given += 1;
        let needed = self.given * self.pulse - self.before.min(self.given * self.pulse);
        // Far below 128 bits: 2⁶⁴ nL · 2⁵⁴ µs.
        let share = needed.saturating_mul(u128::from(self.lasts_us)) / self.amount.max(1);
        let at_us = self.from_us + u64::try_from(share).unwrap_or(self.lasts_us).min(self.lasts_us);
        Some(Pulses { at_ms: at_us / 1_000, meter: COMMON_METER, count: 1 })
    }
}
