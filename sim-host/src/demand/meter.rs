//! A perfect meter: flows become pulses at the instant at which a whole pulse volume has passed.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::iter::Peekable;

use super::draws::{Draw, Draws};
use crate::quantity::PulseVolume;
use crate::recording::{COMMON_METER, Pulses};

/// The pulses of a common meter that sees all draws, from a register at zero.
#[derive(Clone, Debug)]
pub struct PerfectMeter {
    draws: Peekable<Draws>,
    /// When each draw under way ends, and its flow in mL/min.
    ends: BinaryHeap<Reverse<(u64, u32)>>,
    /// Their sum, mL/min.
    ml_per_min: u64,
    at_ms: u64,
    /// Water since the last pulse, in units of `1/(3·denominator)` nL.
    gathered: u128,
    /// The same of one pulse.
    pulse: u128,
    /// The same of 1 mL/min for 1 ms, which is 50/3 nL.
    unit: u128,
}

impl PerfectMeter {
    /// A meter of this pulse volume behind these draws.
    #[must_use]
    pub fn new(draws: Draws, pulse: PulseVolume) -> Self {
        Self {
            draws: draws.peekable(),
            ends: BinaryHeap::new(),
            ml_per_min: 0,
            at_ms: 0,
            gathered: 0,
            pulse: u128::from(pulse.numerator_nl()) * 3,
            unit: u128::from(pulse.denominator()) * 50,
        }
    }

    /// Lets the flow run on to a time, and takes in what begins and ends then.
    fn advance(&mut self, to_ms: u64) {
        self.gathered += self.unit * u128::from(self.ml_per_min) * u128::from(to_ms - self.at_ms);
        self.at_ms = to_ms;
        while let Some(Reverse((_, flow))) = self.ends.pop_if_due(to_ms) {
            self.ml_per_min -= u64::from(flow);
        }
        while let Some(Draw { to_ms: end_ms, ml_per_min, .. }) = self.draws.next_if(|draw| draw.from_ms <= to_ms) {
            if end_ms > to_ms {
                self.ends.push(Reverse((end_ms, ml_per_min)));
                self.ml_per_min += u64::from(ml_per_min);
            }
        }
    }
}

trait Due {
    fn pop_if_due(&mut self, at_ms: u64) -> Option<Reverse<(u64, u32)>>;
}

impl Due for BinaryHeap<Reverse<(u64, u32)>> {
    fn pop_if_due(&mut self, at_ms: u64) -> Option<Reverse<(u64, u32)>> {
        if self.peek()?.0.0 > at_ms { None } else { self.pop() }
    }
}

impl Iterator for PerfectMeter {
    type Item = Pulses;

    fn next(&mut self) -> Option<Pulses> {
        loop {
            let begins = self.draws.peek().map(|draw| draw.from_ms.max(self.at_ms));
            let ends = self.ends.peek().map(|end| end.0.0);
            let turn = begins.into_iter().chain(ends).min()?;
            let rate = self.unit * u128::from(self.ml_per_min);
            if rate > 0 {
                let wait = self.pulse.saturating_sub(self.gathered).div_ceil(rate);
                let due = u64::try_from(wait).ok().and_then(|wait| self.at_ms.checked_add(wait));
                if let Some(due) = due.filter(|due| *due <= turn) {
                    self.gathered += rate * u128::from(due - self.at_ms);
                    self.at_ms = due;
                    let count = self.gathered / self.pulse;
                    self.gathered %= self.pulse;
                    let count = u32::try_from(count).unwrap_or(u32::MAX);
                    return Some(Pulses { at_ms: due, meter: COMMON_METER, count: count.max(1) });
                }
            }
            self.advance(turn);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Demand, Profile};
    use super::*;
    use crate::quantity::parse_pulse_volume;

    fn demand(profile: Profile, ml_a_day: u64) -> Demand {
        Demand { profile, ml_a_day, seed: 3, leak: None, since_midnight_ms: 0, weekday: 0, until_ms: 7 * 86_400_000 }
    }

    fn pulses(demand: &Demand, pulse: &str) -> Vec<Pulses> {
        PerfectMeter::new(demand.draws(), parse_pulse_volume(pulse).unwrap()).collect()
    }

    /// M1: what is drawn is what is counted, but for the part of a pulse that is left over.
    #[test]
    fn pulses_add_up_to_the_draws() {
        for (profile, ml_a_day) in
            [(Profile::Household, 800_000), (Profile::Hotel, 30_000_000), (Profile::Leak, 360_000)]
        {
            let demand = demand(profile, ml_a_day);
            let drawn: u128 = demand.draws().map(|d| u128::from(d.to_ms - d.from_ms) * u128::from(d.ml_per_min)).sum();
            for (pulse, nl, per) in [("10 L", 10_000_000_000_u128, 1_u128), ("3 pulses/L", 1_000_000_000, 3)] {
                let rows = pulses(&demand, pulse);
                let counted: u128 = rows.iter().map(|row| u128::from(row.count)).sum();
                // 1 mL/min for 1 ms is 50/3 nL.
                assert_eq!(counted, drawn * 50 * per / (3 * nl), "{profile:?} {pulse}");
                assert!(rows.windows(2).all(|two| two[0].at_ms < two[1].at_ms), "one row an instant");
            }
        }
    }

    /// M3: at a steady flow pulses are evenly spaced.
    #[test]
    fn a_steady_flow_pulses_evenly() {
        let rows = pulses(&demand(Profile::Constant, 1_440_000), "1 L");
        assert_eq!(rows.len(), 7 * 1_440);
        assert!(rows.iter().zip(1..).all(|(row, i)| row.at_ms == i * 60_000 && row.count == 1));
    }

    /// A meter too fine for the flow gives several pulses a millisecond, and loses none.
    #[test]
    fn many_pulses_share_an_instant() {
        let draws = demand(Profile::Constant, 1_440_000_000).draws();
        let rows = PerfectMeter::new(draws, parse_pulse_volume("1000 pulses/mL").unwrap());
        let counted: u64 = rows.take(1_000).map(|row| u64::from(row.count)).sum();
        assert_eq!(counted, 1_000 * 16_666 + 666);
    }
}
