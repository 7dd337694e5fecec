//! Draws at random moments, denser at the hours at which water is used.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use rand_pcg::Pcg32;
use rand_pcg::rand_core::SeedableRng;

use super::chance::{between, exponential};
use super::profile::{Profile, Shape, Use};

const DAY_MS: u64 = 86_400_000;
const HOUR_MS: u64 = 3_600_000;

/// The most use of a day, mL: 100 000 m³.
pub const MOST_ML_A_DAY: u64 = 100_000_000_000;

/// A steady flow for a while.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Draw {
    /// When it begins, ms.
    pub from_ms: u64,
    /// When it ends, ms.
    pub to_ms: u64,
    /// How much flows, mL/min.
    pub ml_per_min: u32,
    /// The tank whose meter sees it, whatever the valves say; `None` shares it among the tanks that stand open.
    pub meter: Option<u8>,
}

/// Water use to be generated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Demand {
    /// How a day's use is spread.
    pub profile: Profile,
    /// Mean use of a day over a week, mL; more than [`MOST_ML_A_DAY`] is taken for that.
    pub ml_a_day: u64,
    /// The same seed gives the same draws.
    pub seed: u64,
    /// A leak that runs from this ms on with so many mL/min.
    pub leak: Option<(u64, u32)>,
    /// From midnight to the start, ms, so that hours are hours of the day.
    pub since_midnight_ms: u64,
    /// The weekday of the start: 0 is Monday.
    pub weekday: u8,
    /// Nothing flows from this ms on.
    pub until_ms: u64,
}

impl Demand {
    /// The draws, in order of their beginning.
    #[must_use]
    pub fn draws(&self) -> Draws {
        let shape = self.profile.shape();
        let mut ready = VecDeque::new();
        if shape.uses.is_empty() {
            let flow = u32::try_from(self.ml_a_day / 1_440).unwrap_or(u32::MAX);
            ready.push_back(Draw { from_ms: 0, to_ms: self.until_ms, ml_per_min: flow, meter: None });
        }
        let leak = self.leak.filter(|(from_ms, _)| *from_ms < self.until_ms).map(|(from_ms, ml_per_min)| Draw {
            from_ms,
            to_ms: self.until_ms,
            ml_per_min,
            meter: None,
        });
        let mut draws = Draws {
            demand: Self { ml_a_day: self.ml_a_day.min(MOST_ML_A_DAY), ..self.clone() },
            shape,
            random: Pcg32::seed_from_u64(self.seed),
            at_ms: 0,
            today: None,
            wait: 0,
            ended: shape.uses.is_empty(),
            ready,
            later: BinaryHeap::new(),
            leak,
        };
        draws.wait = exponential(&mut draws.random);
        draws
    }
}

/// Draws as they come.
#[derive(Clone, Debug)]
pub struct Draws {
    demand: Demand,
    shape: Shape,
    random: Pcg32,
    at_ms: u64,
    /// The day under way, and how much of its mean is used on it, per cent.
    today: Option<(u64, u64)>,
    /// What is left of the wait for the next start, in mean waits of 2⁻³².
    wait: u64,
    /// No further start comes.
    ended: bool,
    ready: VecDeque<Draw>,
    /// Further draws of groups that have begun.
    later: BinaryHeap<Reverse<(u64, u64, u32)>>,
    leak: Option<Draw>,
}

impl Iterator for Draws {
    type Item = Draw;

    fn next(&mut self) -> Option<Draw> {
        while !self.ended && self.ready.is_empty() && self.later.peek().is_none_or(|later| later.0.0 > self.at_ms) {
            self.proceed();
        }
        let ready_ms = self.ready.front().map_or(u64::MAX, |draw| draw.from_ms);
        let later_ms = self.later.peek().map_or(u64::MAX, |later| later.0.0);
        if self.leak.as_ref().is_some_and(|leak| leak.from_ms <= ready_ms.min(later_ms)) {
            return self.leak.take();
        }
        if later_ms < ready_ms {
            let Reverse((from_ms, to_ms, ml_per_min)) = self.later.pop()?;
            return Some(Draw { from_ms, to_ms, ml_per_min, meter: None });
        }
        self.ready.pop_front()
    }
}

impl Draws {
    /// Goes on to the next start, or to the end of the hour if none comes in it.
    fn proceed(&mut self) {
        if self.at_ms >= self.demand.until_ms {
            self.ended = true;
            return;
        }
        let of_calendar = self.at_ms.saturating_add(self.demand.since_midnight_ms);
        let starts_an_hour = self.starts_an_hour(of_calendar);
        let left_ms = HOUR_MS - of_calendar % HOUR_MS;
        let passing = starts_an_hour * u128::from(left_ms) / u128::from(HOUR_MS);
        if u128::from(self.wait) > passing || starts_an_hour == 0 {
            // Not more than the wait, which is 64 bits wide.
            self.wait -= u64::try_from(passing).unwrap_or(self.wait);
            self.at_ms += left_ms;
            return;
        }
        let waits_ms = u128::from(self.wait) * u128::from(HOUR_MS) / starts_an_hour;
        self.at_ms += u64::try_from(waits_ms).unwrap_or(left_ms).min(left_ms);
        self.wait = exponential(&mut self.random);
        if self.at_ms < self.demand.until_ms {
            self.start();
        }
    }

    /// Mean number of starts in an hour at this moment, as a multiple of 2⁻³².
    fn starts_an_hour(&mut self, of_calendar: u64) -> u128 {
        let day = of_calendar / DAY_MS;
        if self.today.is_none_or(|(today, _)| today != day) {
            // Some days see more use than others.
            let spread = self.shape.spread_percent;
            let percent = between(&mut self.random, (100 - spread, 100 + spread));
            self.today = Some((day, u64::from(percent)));
        }
        let percent = self.today.map_or(100, |(_, percent)| percent);
        let weekday = ((day + u64::from(self.demand.weekday)) % 7) as usize;
        let hours = if weekday >= 5 { &self.shape.weekend } else { &self.shape.working_day };
        let hour = (of_calendar % DAY_MS / HOUR_MS) as usize;
        let sum = |parts: &[u32]| parts.iter().map(|part| u128::from(*part)).sum::<u128>();
        // The means of flow and length are half of these sums, so that their product is a quarter.
        let per_start = |u: &Use| {
            let flow = u128::from(u.ml_per_min.0) + u128::from(u.ml_per_min.1);
            let length = u128::from(u.lasts_ms.0) + u128::from(u.lasts_ms.1);
            u128::from(u.weight) * u128::from(u.times) * flow * length
        };
        let weights: u128 = self.shape.uses.iter().map(|u| u128::from(u.weight)).sum();
        let wanted = u128::from(self.demand.ml_a_day)
            * u128::from(hours[hour])
            * u128::from(self.shape.days[weekday])
            * 7
            * u128::from(percent);
        let shares = sum(hours) * sum(&self.shape.days) * 100;
        let volumes: u128 = self.shape.uses.iter().map(per_start).sum();
        // At most 10¹¹ · 130 · 140 · 7 · 130 · 2³² · 4 · 60 000 · 100, some 10³⁶: far from 128 bits.
        ((wanted * 4 * 60_000 * weights) << 32) / (shares * volumes).max(1)
    }

    /// A draw, or a group of them, begins now.
    fn start(&mut self) {
        let weights: u32 = self.shape.uses.iter().map(|u| u.weight).sum();
        let mut dice = between(&mut self.random, (0, weights.saturating_sub(1)));
        for u in self.shape.uses {
            if dice >= u.weight {
                dice -= u.weight;
                continue;
            }
            for i in 0..u.times {
                let from_ms = self.at_ms + u64::from(i) * u64::from(u.every_ms);
                let ml_per_min = between(&mut self.random, u.ml_per_min);
                let to_ms = (from_ms + u64::from(between(&mut self.random, u.lasts_ms))).min(self.demand.until_ms);
                if i == 0 {
                    self.ready.push_back(Draw { from_ms, to_ms, ml_per_min, meter: None });
                } else if from_ms < self.demand.until_ms {
                    self.later.push(Reverse((from_ms, to_ms, ml_per_min)));
                }
            }
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn litres(demand: &Demand) -> u64 {
        demand.draws().map(|d| (d.to_ms - d.from_ms) * u64::from(d.ml_per_min) / 60_000).sum::<u64>() / 1_000
    }

    fn demand(profile: Profile, ml_a_day: u64, days: u64) -> Demand {
        Demand { profile, ml_a_day, seed: 7, leak: None, since_midnight_ms: 0, weekday: 0, until_ms: days * DAY_MS }
    }

    /// The mean comes out of every profile, the order is kept, a seed gives the same draws and another does not.
    #[test]
    fn draws_are_as_the_profile_says() {
        for (name, profile) in Profile::ALL {
            let demand = demand(profile, profile.usual_ml_a_day(), 210);
            let wanted = profile.usual_ml_a_day() / 1_000;
            let a_day = litres(&demand) / 210;
            assert!((wanted * 94 / 100..=wanted * 106 / 100).contains(&a_day), "{name}: {a_day} of {wanted} L a day");
            let draws: Vec<_> = demand.draws().collect();
            assert!(draws.windows(2).all(|two| two[0].from_ms <= two[1].from_ms), "{name}");
            assert!(draws.iter().all(|d| d.from_ms <= d.to_ms && d.to_ms <= demand.until_ms), "{name}");
            assert!(draws == demand.draws().collect::<Vec<_>>(), "{name}");
            let other = Demand { seed: 8, ..demand.clone() }.draws().collect::<Vec<_>>();
            assert_eq!(draws == other, profile.shape().uses.is_empty(), "{name}");
        }
    }

    /// Use follows the hours and the week: a laundry rests on Sundays, a household at night.
    #[test]
    fn draws_follow_the_clock_and_the_week() {
        // A Thursday, 18:00.
        let shifted =
            Demand { weekday: 3, since_midnight_ms: 18 * HOUR_MS, ..demand(Profile::Laundry, 12_000_000, 70) };
        let weekdays: Vec<u64> =
            shifted.draws().map(|d| ((d.from_ms + shifted.since_midnight_ms) / DAY_MS + 3) % 7).collect();
        // The last machines of a Saturday may still fill; none starts anew.
        assert!(weekdays.iter().all(|day| *day != 6));
        assert!(weekdays.contains(&0) && weekdays.contains(&5));
        let home = demand(Profile::Household, 400_000, 200);
        let draws: Vec<_> = home.draws().collect();
        let at_night = draws.iter().filter(|d| (1..5).contains(&(d.from_ms % DAY_MS / HOUR_MS))).count();
        assert!(at_night * 20 < draws.len() && at_night > 0, "{at_night} of {}", draws.len());
    }

    #[test]
    fn a_leak_and_a_constant_flow_run_without_a_pause() {
        let steady = Demand { leak: Some((DAY_MS, 500)), ..demand(Profile::Constant, 1_440_000, 3) };
        assert_eq!(litres(&steady), 3 * 1_440 + 2 * 720);
        assert_eq!(steady.draws().count(), 2);
        let never = Demand { leak: Some((9 * DAY_MS, 500)), ..steady };
        assert_eq!(never.draws().count(), 1);
    }

    /// The rarest and the most frequent use that can be asked for.
    #[test]
    fn extremes_neither_panic_nor_hang() {
        assert!(demand(Profile::Household, 0, 1_000).draws().next().is_none());
        assert!(demand(Profile::Hotel, 1, 1_000).draws().count() < 100);
        let busy = Demand { until_ms: 2_000, since_midnight_ms: 7 * HOUR_MS, ..demand(Profile::Hotel, u64::MAX, 1) };
        assert!(busy.draws().count() > 50);
    }
}
