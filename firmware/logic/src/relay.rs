//! Relays: what each is on for, within its times (Y1, Y2).
//!
//! ```text
//!   Off ── asked for, off long enough ──▶ On ── not asked for, on long enough ──▶ Off
//!                                          │
//!                                          └── on for the longest time ──▶ Limited ── not asked for ──▶ Off
//! ```

use serde::{Deserialize, Serialize};

pub use crate::settings::{RELAYS, RawRelay, RelayProgram};
use crate::units::{Instant, Millis, Volume, elapsed, later};

/// Where a relay is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum State {
    Off,
    On,
    /// Off since it was on for the longest time, and still asked for.
    Limited,
}

/// What a relay owes for volume delivered (`per-volume`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Doses {
    /// Volume since the last request.
    volume: Volume,
    /// Requests not served yet: 4 000 million have room.
    requests: u32,
}

/// One relay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Relay {
    /// Since when it has been on or off.
    since: Instant,
    doses: Doses,
    state: State,
}

impl Relay {
    /// A relay at power-up: off, and for how long before is not known.
    pub(crate) fn new(now: Instant) -> Self {
        Self { since: now, doses: Doses::default(), state: State::Off }
    }

    /// Water was delivered: each whole volume is a request, the rest is kept.
    pub(crate) fn pass(&mut self, passed: Volume, settings: &RawRelay) {
        let RelayProgram::PerVolume { volume, .. } = settings.program else { return };
        let sum = self.doses.volume.plus(passed);
        if sum < volume {
            self.doses.volume = sum;
            return;
        }
        let new = sum.0.checked_div(volume.0).unwrap_or(0);
        self.doses.volume = Volume(sum.0.checked_rem(volume.0).unwrap_or(0));
        self.doses.requests = self.doses.requests.saturating_add(u32::try_from(new).unwrap_or(u32::MAX));
    }

    /// The volume left until the next request; none if it counts none.
    pub(crate) fn volume_left(&self, settings: &RawRelay) -> Volume {
        match settings.program {
            RelayProgram::PerVolume { volume, .. } => volume.minus(self.doses.volume),
            _ => Volume::ZERO,
        }
    }

    /// It is for something else from now on.
    pub(crate) fn forget_requests(&mut self) {
        self.doses = Doses::default();
    }

    /// What it owes.
    pub(crate) fn doses(&self) -> Doses {
        self.doses
    }

    /// It owes what it owed before power failed, if it still is for doses.
    pub(crate) fn owe(&mut self, doses: Doses, settings: &RawRelay) {
        if matches!(settings.program, RelayProgram::PerVolume { .. }) {
            self.doses = doses;
        }
    }

    /// Whether requests wait.
    pub(crate) fn has_requests(&self) -> bool {
        self.doses.requests > 0
    }

    /// Whether it is on.
    pub(crate) fn is_on(&self) -> bool {
        self.state == State::On
    }

    /// Whether it is off since it was on for the longest time.
    pub(crate) fn is_limited(&self) -> bool {
        self.state == State::Limited
    }

    /// Whether it has been off for its least time.
    pub(crate) fn has_rested(&self, now: Instant, settings: &RawRelay) -> bool {
        self.state == State::Off && elapsed(self.since, now) >= Self::least_off(settings)
    }

    /// Acts on whether it is asked for; says whether anything changed.
    pub(crate) fn poll(&mut self, now: Instant, asked: bool, settings: &RawRelay) -> bool {
        let lasted = elapsed(self.since, now);
        let next = match self.state {
            State::On if self.is_at_limit(lasted, settings) => {
                if asked && !self.is_served(lasted, settings) {
                    State::Limited
                } else {
                    State::Off
                }
            }
            State::On if self.may_go_off(lasted, asked, settings) => State::Off,
            State::Off if asked && lasted >= Self::least_off(settings) => State::On,
            State::Limited if !asked => {
                // It went off when it came to its limit.
                self.state = State::Off;
                return true;
            }
            _ => return false,
        };
        if next == State::On {
            self.doses.requests = self.doses.requests.saturating_sub(1);
        }
        self.state = next;
        self.since = now;
        true
    }

    /// Its least time off. Off and on again in one instant, the coil would stay on, and its longest time begin anew.
    fn least_off(settings: &RawRelay) -> Millis {
        settings.min_off.max(Millis(1))
    }

    fn is_at_limit(&self, lasted: Millis, settings: &RawRelay) -> bool {
        settings.longest_on > Millis::ZERO && lasted >= settings.longest_on
    }

    /// The request that it is on for has had its time.
    fn is_served(&self, lasted: Millis, settings: &RawRelay) -> bool {
        matches!(settings.program, RelayProgram::PerVolume { on, .. } if lasted >= on)
    }

    fn may_go_off(&self, lasted: Millis, asked: bool, settings: &RawRelay) -> bool {
        match settings.program {
            RelayProgram::PerVolume { .. } => self.is_served(lasted, settings),
            _ => !asked && lasted >= settings.min_on,
        }
    }

    /// When it next changes if what asks for it stays as it is.
    pub(crate) fn deadlines(&self, asked: bool, settings: &RawRelay, consider: &mut dyn FnMut(Instant)) {
        match (self.state, settings.program) {
            (State::On, RelayProgram::PerVolume { on, .. }) => consider(later(self.since, on)),
            (State::On, _) if !asked => consider(later(self.since, settings.min_on)),
            (State::Off, _) if asked => consider(later(self.since, Self::least_off(settings))),
            _ => {}
        }
        if self.state == State::On && settings.longest_on > Millis::ZERO {
            consider(later(self.since, settings.longest_on));
        }
    }
}
