//! Outputs and inputs tried by hand, one at a time, under guard and with a time-out (O6, M1, Y2).

use serde::{Deserialize, Serialize};

use super::Controller;
use super::deadlines::Earliest;
use crate::commission::MeterCheck;
use crate::contact::ContactSet;
use crate::duty::{Duty, OutReason, Tank};
use crate::journal::Event;
use crate::operator::Refused;
use crate::program::Position;
use crate::relay::RelayProgram;
use crate::units::{Instant, Millis, TankId, Volume, later};

/// A valve that is tried goes back by itself after so long.
const LONGEST: Millis = Millis::from_mins(5);
/// One that fills the brine tank goes back sooner.
const LONGEST_REFILL: Millis = Millis::from_mins(1);
/// A relay that is tried goes off again after so long at the most, but for its least time on.
const LONGEST_RELAY: Millis = Millis::from_mins(1);
/// Contacts are tried for so long.
const LONGEST_INPUTS: Millis = Millis::from_mins(5);
/// Water is caught for so long.
const LONGEST_COUNT: Millis = Millis::from_hours(1);

/// What is being tried, until when.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct Test {
    what: Tried,
    until: Instant,
}

/// What is being tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum Tried {
    /// The valve of a tank that is out stands away from its rest.
    Drive { tank: TankId, position: Position },
    /// A relay is on.
    Relay { place: u8 },
    /// Contacts are watched, and nothing follows from them.
    Contacts { moved: ContactSet },
    /// Pulses of a meter are counted while water is caught.
    Pulses { meter: u8, count: u32 },
}

fn is_out(tank: &Tank) -> bool {
    matches!(tank.duty, Duty::Out { reason: OutReason::Operator })
}

impl<const N: usize> Controller<N> {
    /// Sends the valve of a tank that is out to a position, for a while.
    ///
    /// Service and brine draw are not tried: in the one the building's water would pass, the other belongs to a
    /// regeneration with its rinses (S12).
    pub(super) fn test_drive(&mut self, now: Instant, tank: TankId, position: Position) -> Result<(), Refused> {
        let unit = self.tanks.get(tank.index()).ok_or(Refused::NoSuchTank)?;
        if !is_out(unit) {
            return Err(Refused::NotOut);
        }
        if !self.settings.positions().contains(position) {
            return Err(Refused::NoSuchPosition);
        }
        if matches!(position, Position::Service | Position::BrineDraw) {
            return Err(Refused::NotTried);
        }
        let drain_taken = position.discharges() && self.is_drain_full(Some(tank));
        let brine_taken = position.uses_brine_tank() && self.is_brine_taken(Some(tank));
        let another =
            self.test.is_some_and(|test| !matches!(test.what, Tried::Drive { tank: tried, .. } if tried == tank));
        if drain_taken || brine_taken || another {
            return Err(Refused::InUse);
        }
        let longest = if position.uses_brine_tank() { LONGEST_REFILL } else { LONGEST };
        self.begin_test(now, Tried::Drive { tank, position }, longest);
        Ok(())
    }

    /// Switches a relay on for a while, within its own times (Y2).
    ///
    /// One that protects is left alone: `fail-safe` always, `isolate` unless every tank that it shuts off is out.
    pub(super) fn test_relay(&mut self, now: Instant, place: u8, seconds: u8) -> Result<(), Refused> {
        let at = usize::from(place);
        let (Some(relay), Some(given)) = (self.relays.get(at), self.settings.relays.get(at)) else {
            return Err(Refused::NoSuchRelay);
        };
        let mut longest = Millis::from_secs(u32::from(seconds.max(1))).min(LONGEST_RELAY);
        let protects = match given.program {
            RelayProgram::FailSafe => true,
            RelayProgram::Isolate(tanks) => {
                super::tank_ids(&self.tanks).any(|(id, t)| tanks.contains(id) && !is_out(t))
            }
            RelayProgram::PerVolume { on, .. } => {
                longest = longest.min(on);
                false
            }
            _ => false,
        };
        if protects || given.min_on > LONGEST_RELAY {
            return Err(Refused::RelayNotTried);
        }
        if self.test.is_some() || relay.is_on() || self.relay_asked(now, at, given) {
            return Err(Refused::InUse);
        }
        if !relay.has_rested(now, given) {
            return Err(Refused::MustRest);
        }
        if given.longest_on > Millis::ZERO {
            longest = longest.min(given.longest_on);
        }
        self.begin_test(now, Tried::Relay { place }, longest);
        Ok(())
    }

    /// Lets contacts be moved by hand for a while: they are told, and nothing follows.
    pub(super) fn test_contacts(&mut self, now: Instant) -> Result<(), Refused> {
        if self.test.is_some() || self.regenerates() {
            return Err(Refused::InUse);
        }
        self.begin_test(now, Tried::Contacts { moved: ContactSet::EMPTY }, LONGEST_INPUTS);
        Ok(())
    }

    /// Begins to count the pulses of a meter, while somebody catches its water.
    pub(super) fn count_pulses(&mut self, now: Instant, meter: u8) -> Result<(), Refused> {
        if self.meters.get(usize::from(meter)).is_none() {
            return Err(Refused::NoSuchMeter);
        }
        if self.test.is_some() {
            return Err(Refused::InUse);
        }
        self.begin_test(now, Tried::Pulses { meter, count: 0 }, LONGEST_COUNT);
        Ok(())
    }

    /// So much water was caught: compares it with the pulses (M1). A draft takes what follows.
    pub(super) fn caught(&mut self, caught: Volume) -> Result<(), Refused> {
        let Some(Tried::Pulses { meter, count }) = self.test.map(|test| test.what) else {
            return Err(Refused::NothingTried);
        };
        let check = MeterCheck::new(&self.settings, count, caught).ok_or(Refused::TooFewPulses)?;
        self.test = None;
        self.write(Event::MeterChecked { meter, check });
        Ok(())
    }

    fn begin_test(&mut self, now: Instant, what: Tried, longest: Millis) {
        self.test = Some(Test { what, until: later(now, longest) });
    }

    fn regenerates(&self) -> bool {
        self.tanks.iter().any(|t| t.regeneration().is_some())
    }

    /// Pulses came while somebody may be catching their water.
    pub(super) fn count_caught(&mut self, meter: u8, pulses: u32) {
        if let Some(Test { what: Tried::Pulses { meter: counted, count }, .. }) = &mut self.test
            && *counted == meter
        {
            *count = count.saturating_add(pulses);
        }
    }

    /// Ends what is being tried.
    pub(super) fn end_test(&mut self) -> Result<(), Refused> {
        let test = self.test.take().ok_or(Refused::NothingTried)?;
        if let Tried::Contacts { moved } = test.what {
            self.write(Event::ContactsTested { moved });
        }
        Ok(())
    }

    /// Where a tank that is out should stand: tried or at rest.
    pub(super) fn tried_position(&self, id: TankId) -> Option<Position> {
        match self.test?.what {
            Tried::Drive { tank, position } if tank == id => Some(position),
            _ => None,
        }
    }

    /// Whether a relay is on for a test.
    pub(super) fn is_relay_tried(&self, at: usize) -> bool {
        matches!(self.test, Some(Test { what: Tried::Relay { place }, .. }) if usize::from(place) == at)
    }

    /// Whether contacts are moved by hand, so that nothing follows from them.
    pub(super) fn are_contacts_tried(&self) -> bool {
        matches!(self.test, Some(Test { what: Tried::Contacts { .. }, .. }))
    }

    /// A contact is seen to move, perhaps by hand.
    pub(super) fn note_moved(&mut self, contact: crate::contact::Contact) {
        if let Some(Test { what: Tried::Contacts { moved }, .. }) = &mut self.test {
            moved.insert(contact);
        }
    }

    /// A test ends by itself: a valve's with the tank's being out, that of contacts with a regeneration.
    pub(super) fn poll_test(&mut self, now: Instant) {
        let Some(test) = self.test else { return };
        let (goes_on, event) = match test.what {
            Tried::Drive { tank, .. } => (self.tanks.get(tank.index()).is_some_and(is_out), Event::TestEnded { tank }),
            Tried::Relay { place } => (true, Event::RelayTestEnded { relay: place }),
            Tried::Contacts { moved } => (!self.regenerates(), Event::ContactsTested { moved }),
            Tried::Pulses { meter, .. } => (true, Event::CountGivenUp { meter }),
        };
        if test.until <= now || !goes_on {
            self.test = None;
            self.write(event);
        }
    }

    pub(super) fn test_deadline(&self, next: &mut Earliest) {
        next.consider(self.test.map(|test| test.until));
    }
}
