//! Use by the day, what the logic expects by it, and what valves and relays have done (R1, P7).

use bedkeeper::lifetime::{RelayLife, ValveLife};
use bedkeeper::reserve::{DayUse, Habit};

/// Days of use kept; of more, the latest.
pub const MAX_DAYS: usize = 400;

/// What was kept back of each tank when a regeneration began.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct ReserveEvidence {
    /// Kept back of a tank, nL.
    pub kept_nl: u64,
    /// What it rested on: `setting`, `too-few-days`, `no-clock` or `forecast`.
    pub basis: &'static str,
    /// The site's use that was expected in the stretch that it covers, nL; nought unless it rests on the forecast.
    pub expected_nl: u64,
    /// The stretch that it covers as the logic's civil time has it, if it is for one.
    pub covers: Option<[String; 2]>,
}

/// Use by the day, and what it led the logic to expect.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UseEvidence {
    /// The days that ended, up to [`MAX_DAYS`] of them, the latest last.
    pub days: Vec<DayUse>,
    /// Days before those.
    pub days_left_out: u64,
    /// What is kept back of each tank at the end, where the reserve is learned.
    pub reserve: Option<ReserveEvidence>,
    /// What is known of each weekday at the end, from Monday on.
    pub habits: Vec<Habit>,
}

impl UseEvidence {
    /// A day is over.
    pub fn note(&mut self, day: DayUse) {
        if self.days.len() >= MAX_DAYS {
            self.days.remove(0);
            self.days_left_out += 1;
        }
        self.days.push(day);
    }
}

/// What valves and relays have done in the replay.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LifeEvidence {
    /// The tanks' valves, in order.
    pub valves: Vec<ValveLife>,
    /// The changeover valve that tanks share, if there is one.
    pub shared_valve: Option<ValveLife>,
    /// The relays, in order.
    pub relays: Vec<RelayLife>,
}
