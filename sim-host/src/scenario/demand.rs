//! Seeded water use: draws at random moments, denser at the hours at which people use water.
//!
//! The shapes of a day are invented for rehearsal and say so; nothing here is measured. All arithmetic is in whole
//! numbers and the generator is a fixed one (PCG), so that a seed gives the same draws on every machine.

use std::collections::VecDeque;

use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use super::water::Draw;

const DAY_MS: u64 = 86_400_000;
const HOUR_MS: u64 = 3_600_000;
/// In each stretch of so many ms at most one draw begins.
const SLOT_MS: u64 = 20_000;

/// How a day's use is spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Profile {
    /// One family: morning and evening, little at night.
    Household,
    /// Many families: flatter.
    Apartments,
    /// The same flow all the time.
    Constant,
}

impl Profile {
    /// Every profile with the name that files use.
    pub const ALL: [(&'static str, Self); 3] =
        [("household", Self::Household), ("apartments", Self::Apartments), ("constant", Self::Constant)];

    /// Parts of a day's use hour by hour, in per mille (invented).
    const fn hours(self) -> [u64; 24] {
        match self {
            Self::Household => {
                [6, 3, 3, 3, 6, 25, 90, 110, 75, 50, 40, 40, 45, 40, 30, 30, 40, 60, 85, 80, 60, 45, 24, 10]
            }
            Self::Apartments => {
                [18, 10, 7, 7, 12, 30, 65, 80, 70, 55, 45, 42, 45, 42, 38, 40, 46, 58, 70, 68, 55, 45, 32, 20]
            }
            Self::Constant => [0; 24],
        }
    }
}

/// What a draw takes: how often in a hundred, mL/min, ms (invented).
const KINDS: [(u64, u32, u64); 5] =
    [(50, 5_000, 20_000), (25, 8_000, 45_000), (14, 9_000, 300_000), (8, 11_000, 240_000), (3, 14_000, 480_000)];

/// Water use to be generated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Demand {
    /// How a day's use is spread.
    pub profile: Profile,
    /// Mean use of a day, mL.
    pub ml_a_day: u64,
    /// The same seed gives the same draws.
    pub seed: u64,
    /// A leak that runs from this ms on with so many mL/min.
    pub leak: Option<(u64, u32)>,
    /// From midnight to the start, ms, so that hours are hours of the day.
    pub since_midnight_ms: u64,
    /// No draws from this ms on.
    pub until_ms: u64,
}

impl Demand {
    /// The draws, in order of their beginning.
    #[must_use]
    pub fn draws(&self) -> Draws {
        let mut ready = VecDeque::new();
        if self.profile == Profile::Constant {
            let flow = u32::try_from(self.ml_a_day / 1_440).unwrap_or(u32::MAX);
            ready.push_back(Draw { from_ms: 0, to_ms: self.until_ms, ml_per_min: flow, meter: None });
        }
        let leak =
            self.leak.map(|(from_ms, ml_per_min)| Draw { from_ms, to_ms: self.until_ms, ml_per_min, meter: None });
        Draws {
            demand: self.clone(),
            random: Pcg32::seed_from_u64(self.seed),
            slot_ms: 0,
            today_percent: 100,
            ready,
            leak,
        }
    }
}

/// Draws as they come.
#[derive(Clone, Debug)]
pub struct Draws {
    demand: Demand,
    random: Pcg32,
    slot_ms: u64,
    /// How much of the mean is used today.
    today_percent: u64,
    ready: VecDeque<Draw>,
    leak: Option<Draw>,
}

impl Iterator for Draws {
    type Item = Draw;

    fn next(&mut self) -> Option<Draw> {
        while self.ready.is_empty() && self.demand.profile != Profile::Constant && self.slot_ms < self.demand.until_ms {
            self.slot();
        }
        let next_ms = self.ready.front().map_or(u64::MAX, |draw| draw.from_ms);
        if self.leak.as_ref().is_some_and(|leak| leak.from_ms <= next_ms) {
            return self.leak.take();
        }
        self.ready.pop_front()
    }
}

impl Draws {
    /// Decides about one slot.
    fn slot(&mut self) {
        let at_ms = self.slot_ms;
        self.slot_ms += SLOT_MS;
        let of_day = (at_ms + self.demand.since_midnight_ms) % DAY_MS;
        if of_day < SLOT_MS {
            // Some days see more use than others.
            self.today_percent = 70 + u64::from(self.random.next_u32()) % 61;
        }
        let share = self.demand.profile.hours()[usize::try_from(of_day / HOUR_MS).unwrap_or(0)];
        let sum: u64 = self.demand.profile.hours().iter().sum();
        // Mean volume of a draw, in hundredths of a millilitre.
        let mean: u64 = KINDS.iter().map(|(weight, flow, ms)| weight * u64::from(*flow) * ms / 60_000).sum();
        let wanted = self.demand.ml_a_day * share * self.today_percent;
        let slots = HOUR_MS / SLOT_MS;
        // Chance of a draw in this slot, in parts of 2³².
        let chance = (u128::from(wanted) << 32) / u128::from(mean * sum * slots);
        let dice = u128::from(self.random.next_u32());
        let place = u64::from(self.random.next_u32()) % SLOT_MS;
        let mut kind = u64::from(self.random.next_u32()) % 100;
        if dice >= chance {
            return;
        }
        for (weight, ml_per_min, ms) in KINDS {
            if kind < weight {
                let from_ms = at_ms + place;
                let to_ms = (from_ms + ms).min(self.demand.until_ms.max(from_ms));
                self.ready.push_back(Draw { from_ms, to_ms, ml_per_min, meter: None });
                return;
            }
            kind -= weight;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn litres(demand: &Demand) -> u64 {
        demand.draws().map(|d| (d.to_ms - d.from_ms) * u64::from(d.ml_per_min) / 60_000).sum::<u64>() / 1_000
    }

    /// The mean comes out, the order is kept, nights are quiet, a seed gives the same draws and another does not.
    #[test]
    fn draws_are_as_the_profile_says() {
        let demand = Demand {
            profile: Profile::Household,
            ml_a_day: 400_000,
            seed: 7,
            leak: None,
            since_midnight_ms: 0,
            until_ms: 200 * DAY_MS,
        };
        let a_day = litres(&demand) / 200;
        assert!((360..440).contains(&a_day), "{a_day} L a day");
        let draws: Vec<_> = demand.draws().collect();
        assert!(draws.windows(2).all(|two| two[0].from_ms <= two[1].from_ms));
        assert!(draws == demand.draws().collect::<Vec<_>>());
        assert!(draws != Demand { seed: 8, ..demand.clone() }.draws().collect::<Vec<_>>());
        let at_night = draws.iter().filter(|d| (1..5).contains(&(d.from_ms % DAY_MS / HOUR_MS))).count();
        assert!(at_night * 20 < draws.len() && at_night > 0, "{at_night} of {}", draws.len());
    }

    #[test]
    fn a_leak_and_a_constant_flow_run_without_a_pause() {
        let demand = Demand {
            profile: Profile::Constant,
            ml_a_day: 1_440_000,
            seed: 0,
            leak: Some((DAY_MS, 500)),
            since_midnight_ms: 0,
            until_ms: 3 * DAY_MS,
        };
        assert_eq!(litres(&demand), 3 * 1_440 + 2 * 720);
        assert_eq!(demand.draws().count(), 2);
    }
}
