//! The brine tank: when its brine is ready (C8, the part that time decides).

use serde::{Deserialize, Serialize};

use crate::units::{Instant, Millis, later};

/// One brine tank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Brine {
    refilled_at: Option<Instant>,
}

impl Brine {
    /// Water went in.
    pub fn refilled(&mut self, now: Instant) {
        self.refilled_at = Some(now);
    }

    /// When the brine will be ready; `None` if it is, or was never refilled by this logic.
    #[must_use]
    pub fn ready_at(&self, now: Instant, ready_after: Millis) -> Option<Instant> {
        let ready = later(self.refilled_at?, ready_after);
        (ready > now).then_some(ready)
    }
}
