//! A contact from outside, believed once it has been steady (C4).

use serde::{Deserialize, Serialize};

use crate::units::{Instant, Millis, elapsed, later, slugs};

slugs! {
    /// Contacts of the plant other than meters and valve switches.
    Contact as ContactSet(u8) {
        /// The remote contact; the settings say what it asks for.
        Remote = "remote",
        /// A hardness monitor: closed = hard water seen.
        Sensor = "sensor",
        /// A pressure switch: closed = pressure too low.
        LowPressure = "low-pressure",
        /// A float in the brine tank: closed = the refill has reached its level.
        BrineFull = "brine-full",
        /// A level switch in the brine tank: closed = no brine is left above the draw pipe.
        BrineEmpty = "brine-empty",
        /// A sensor in the brine tank: closed = the brine is strong enough.
        BrineReady = "brine-ready",
    }
}

/// One debounced contact.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Debounced {
    /// Level at the pin, and since when.
    raw: Option<(bool, Instant)>,
    /// Level believed, and since when the pin had it.
    steady: Option<(bool, Instant)>,
    /// No level is believed yet since power-up, and it has been closed.
    closed_unproved: bool,
    /// The closure under way began after an opening was seen: it is an edge, not a level found at power-up.
    edge: bool,
}

impl Debounced {
    /// A new level at the pin.
    pub fn set(&mut self, now: Instant, closed: bool) {
        if self.raw.is_none_or(|(level, _)| level != closed) {
            self.raw = Some((closed, now));
            self.closed_unproved |= closed && self.steady.is_none();
        }
    }

    /// Believes a level that has been steady; says whether it just closed with an edge.
    pub fn poll(&mut self, now: Instant, steady_for: Millis) -> bool {
        let Some((level, since)) = self.raw else { return false };
        if elapsed(since, now) < steady_for || self.steady.is_some_and(|(l, _)| l == level) {
            return false;
        }
        let was_open = self.steady.is_some_and(|(l, _)| !l);
        self.steady = Some((level, since));
        self.closed_unproved = false;
        self.edge = level && was_open;
        self.edge
    }

    /// When the level at the pin will be believed.
    #[must_use]
    pub fn deadline(&self, steady_for: Millis) -> Option<Instant> {
        let (level, since) = self.raw?;
        (self.steady.is_none_or(|(l, _)| l != level)).then(|| later(since, steady_for))
    }

    /// Whether the pin shows it closed, believed or not.
    #[must_use]
    pub fn is_closed_at_pin(&self) -> bool {
        self.raw.is_some_and(|(closed, _)| closed)
    }

    /// It is closed, or may be: as long as no level has been believed since power-up one closure at the pin is enough. What
    /// it holds must not begin in between, for a valve may be found before a contact has been steady.
    #[must_use]
    pub fn may_be_closed(&self) -> bool {
        self.closed_unproved || self.closed_since().is_some()
    }

    /// Since when it has been closed, if it is.
    #[must_use]
    pub fn closed_since(&self) -> Option<Instant> {
        self.steady.and_then(|(level, since)| level.then_some(since))
    }

    /// Since when it has been closed, if that began with an edge.
    #[must_use]
    pub fn closed_by_edge(&self) -> Option<Instant> {
        if self.edge { self.closed_since() } else { None }
    }
}
