//! Relays as a plant sees them: never on beyond their longest time, least times kept (Y2).

use std::hash::{Hash, Hasher};

use bedkeeper::relay::{RELAYS, RawRelay, RelayProgram};

/// Levels seen, and since when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RelayTimes {
    seen: [(bool, u64); RELAYS],
}

impl RelayTimes {
    /// Power came at `now_ms`: every relay is off.
    pub fn power_up(&mut self, now_ms: u64) {
        self.seen = [(false, now_ms); RELAYS];
    }

    /// Hashes the levels of the relays that are used, with their ages up to just beyond a limit.
    pub(super) fn hash_ages(&self, now_ms: u64, most: u64, used: impl Iterator<Item = bool>, into: &mut impl Hasher) {
        for ((on, since_ms), _) in self.seen.iter().zip(used).filter(|(_, used)| *used) {
            (*on, now_ms.saturating_sub(*since_ms).min(most.saturating_add(1))).hash(into);
        }
    }

    /// Looks at the relays; returns what is wrong with each.
    pub fn see(&mut self, now_ms: u64, on: [bool; RELAYS], relays: &[RawRelay; RELAYS]) -> [Option<String>; RELAYS] {
        let mut wrong = [const { None }; RELAYS];
        let all = wrong.iter_mut().zip(on).zip(relays).zip(&mut self.seen).zip(1..);
        for ((((wrong, on), relay), (was_on, since_ms)), number) in all {
            let lasted_ms = now_ms.saturating_sub(*since_ms);
            let limit_ms = u64::from(relay.longest_on.0);
            let dose_ms = match relay.program {
                RelayProgram::PerVolume { on, .. } => Some(u64::from(on.0)),
                _ => None,
            };
            if *was_on && limit_ms > 0 && (lasted_ms > limit_ms || (on && lasted_ms == limit_ms)) {
                *wrong = Some(format!("relay {number} has been on for {lasted_ms} ms and may be for {limit_ms}"));
            }
            if on == *was_on {
                continue;
            }
            let least_ms = u64::from(if on { relay.min_off.0 } else { relay.min_on.0 });
            let state = if on { "off" } else { "on" };
            if lasted_ms < least_ms || (!on && dose_ms.is_some_and(|dose_ms| dose_ms != lasted_ms)) {
                *wrong = Some(format!("relay {number} was {state} for {lasted_ms} ms"));
            }
            (*was_on, *since_ms) = (on, now_ms);
        }
        wrong
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bedkeeper::units::{Millis, Volume};

    fn seen(relay: RawRelay, levels: &[(u64, bool)]) -> Vec<bool> {
        let mut times = RelayTimes::default();
        let relays = [relay; RELAYS];
        let one = |level| [level, false, false, false];
        levels.iter().map(|(at, level)| times.see(*at, one(*level), &relays)[0].is_some()).collect()
    }

    /// Y2: what is too long or too short is seen, and what is just right is not.
    #[test]
    fn y2_the_checker_sees_times_that_are_not_kept() {
        let relay = RawRelay {
            program: RelayProgram::WhileFlow,
            min_on: Millis(10),
            min_off: Millis(20),
            longest_on: Millis(30),
            ..RawRelay::default()
        };
        assert_eq!(seen(relay, &[(20, true), (30, false), (50, true), (80, false)]), [false; 4]);
        assert_eq!(seen(relay, &[(19, true)]), [true]);
        assert_eq!(seen(relay, &[(20, true), (29, false)]), [false, true]);
        assert_eq!(seen(relay, &[(20, true), (50, true)]), [false, true]);
        assert_eq!(seen(relay, &[(20, true), (51, false)]), [false, true]);
        let dose =
            RawRelay { program: RelayProgram::PerVolume { volume: Volume(1), on: Millis(5) }, ..RawRelay::default() };
        assert_eq!(seen(dose, &[(1, true), (6, false), (7, true), (13, false)]), [false, false, false, true]);
    }
}
