//! How long a meter has been silent while its tanks served (W1).

use serde::{Deserialize, Serialize};

use crate::units::{Instant, Millis, elapsed};

/// The silence of one meter. Time in which no pulse is expected of it does not count, and only a pulse ends it: neither a
/// regeneration nor a power cut does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) enum Silence {
    /// Pulses are expected as if they had been since then, if none has come.
    Expected(Instant),
    /// None are expected; silence lasted so long before.
    Paused(Millis),
}

impl Default for Silence {
    fn default() -> Self {
        Self::Paused(Millis::ZERO)
    }
}

impl Silence {
    /// It goes on after a power cut.
    pub(crate) fn after(lasted: Millis) -> Self {
        Self::Paused(lasted)
    }

    /// Whether pulses are expected from now on; the last one came then.
    pub(crate) fn expect(&mut self, now: Instant, is_expected: bool, last: Option<Instant>) {
        match (*self, is_expected) {
            (Self::Expected(_), false) => *self = Self::Paused(self.lasted(now, last)),
            (Self::Paused(lasted), true) => *self = Self::Expected(earlier(now, lasted)),
            _ => {}
        }
    }

    /// A pulse came although none was expected.
    pub(crate) fn heard(&mut self) {
        if let Self::Paused(lasted) = self {
            *lasted = Millis::ZERO;
        }
    }

    /// Since when it has lasted, if pulses are expected.
    pub(crate) fn since(&self, last: Option<Instant>) -> Option<Instant> {
        match self {
            Self::Expected(since) => Some(last.map_or(*since, |last| last.max(*since))),
            Self::Paused(_) => None,
        }
    }

    /// How long it has lasted.
    pub(crate) fn lasted(&self, now: Instant, last: Option<Instant>) -> Millis {
        match self {
            Self::Paused(lasted) => *lasted,
            Self::Expected(_) => self.since(last).map_or(Millis::ZERO, |since| elapsed(since, now)),
        }
    }
}

fn earlier(now: Instant, by: Millis) -> Instant {
    Instant::from_ticks(now.as_ticks().saturating_sub(u64::from(by.0)))
}
