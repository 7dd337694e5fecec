//! What valves and relays have done in their lives (P7). Nothing that the logic decides depends on it.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::relay::RELAYS;
use crate::units::Instant;

/// What a valve has done. Twenty years of a move a minute, or of a motor that never stops, overflow nothing (M6).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ValveLife {
    /// How often its motor has started, or its pilots have been energised.
    pub moves: u32,
    /// How long its motor has run, or its pilots have been energised, s.
    pub driven_s: u32,
    /// Regenerations that it completed.
    pub regenerations: u32,
}

/// What a relay has done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct RelayLife {
    /// How often its coil was energised.
    pub energisations: u32,
    /// How long its coil has been energised, s.
    pub energised_s: u32,
}

/// Time that something has been on, in whole seconds with the rest carried: twenty years of seconds fit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct OnTime {
    /// Since when it has been on, in the lower 32 bits of the clock; `None` = off.
    since_ms: Option<u32>,
    /// Milliseconds that do not make a second yet.
    rest_ms: u16,
}

impl OnTime {
    /// It is on or off now; adds what it was on for to `seconds`, and says whether it came on.
    fn follow(&mut self, now: Instant, on: bool, seconds: &mut u32) -> bool {
        let now_ms = u32::try_from(now.as_ticks() & u64::from(u32::MAX)).unwrap_or(0);
        let came_on = on && self.since_ms.is_none();
        if let Some(since_ms) = self.since_ms {
            // Looked at far more often than every 49 days.
            let ran_ms = now_ms.wrapping_sub(since_ms).saturating_add(u32::from(self.rest_ms));
            *seconds = seconds.saturating_add(ran_ms / 1_000);
            self.rest_ms = u16::try_from(ran_ms % 1_000).unwrap_or(0);
        }
        self.since_ms = on.then_some(now_ms);
        came_on
    }
}

/// The lives of all valves and relays of a site with up to `N` tanks.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Lives<const N: usize> {
    valves: Vec<ValveLife, N>,
    /// The changeover valve that tanks share.
    shared: ValveLife,
    relays: [RelayLife; RELAYS],
}

impl<const N: usize> Lives<N> {
    /// Of so many tanks, all new.
    pub(crate) fn new(tanks: usize) -> Self {
        let valves = crate::collect((0..tanks).map(|_| ValveLife::default()));
        Self { valves, shared: ValveLife::default(), relays: [RelayLife::default(); RELAYS] }
    }

    /// The tanks' valves, in order.
    #[must_use]
    pub fn valves(&self) -> &[ValveLife] {
        &self.valves
    }

    /// The changeover valve that tanks share; all nought where there is none.
    #[must_use]
    pub fn shared_valve(&self) -> &ValveLife {
        &self.shared
    }

    /// The relays, in order.
    #[must_use]
    pub fn relays(&self) -> &[RelayLife; RELAYS] {
        &self.relays
    }

    /// A tank completed a regeneration.
    pub(crate) fn regenerated(&mut self, place: usize) {
        if let Some(valve) = self.valves.get_mut(place) {
            valve.regenerations = valve.regenerations.saturating_add(1);
        }
    }
}

/// What is on just now, and since when: lost with power, as the time in the dark is.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct OnNow<const N: usize> {
    valves: Vec<OnTime, N>,
    shared: OnTime,
    relays: [OnTime; RELAYS],
}

impl<const N: usize> OnNow<N> {
    pub(crate) fn new(tanks: usize) -> Self {
        let valves = crate::collect((0..tanks).map(|_| OnTime::default()));
        Self { valves, shared: OnTime::default(), relays: [OnTime::default(); RELAYS] }
    }

    /// Follows what is driven and energised now.
    pub(crate) fn follow(
        &mut self,
        now: Instant,
        lives: &mut Lives<N>,
        driven: impl Iterator<Item = bool>,
        shared: bool,
        energised: [bool; RELAYS],
    ) {
        for ((on, life), driven) in self.valves.iter_mut().zip(&mut lives.valves).zip(driven) {
            if on.follow(now, driven, &mut life.driven_s) {
                life.moves = life.moves.saturating_add(1);
            }
        }
        if self.shared.follow(now, shared, &mut lives.shared.driven_s) {
            lives.shared.moves = lives.shared.moves.saturating_add(1);
        }
        for ((on, life), energised) in self.relays.iter_mut().zip(&mut lives.relays).zip(energised) {
            if on.follow(now, energised, &mut life.energised_s) {
                life.energisations = life.energisations.saturating_add(1);
            }
        }
    }
}
