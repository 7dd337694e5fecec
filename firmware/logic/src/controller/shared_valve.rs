//! One changeover valve that two alternating tanks share, in place of a shut-off of their own (A6).
//!
//! Its first end leads tank 1's water to the building, its second tank 2's. The tank it does not lead
//! is cut off wherever its own valve stands.

use serde::{Deserialize, Serialize};

use super::{Controller, tank_ids};
use crate::demand::Hold;
use crate::drive::{DriveEvent, End, Motion, Switches, TwoWay};
use crate::duty::{Duty, Tank};
use crate::journal::{Event, Reason};
use crate::program::Position;
use crate::units::{Instant, TankId};

/// The valve, and whether it left its end by itself and has not come back yet (V4).
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct SharedValve {
    pub valve: TwoWay,
    pub moved: bool,
}

/// The end that leads a tank's water to the building.
fn end_of(id: TankId) -> End {
    if id.0 == 0 { End::First } else { End::Second }
}

impl<const N: usize> Controller<N> {
    /// The path from a tank to the building is confirmed, as far as a shared valve has a say in it.
    pub(super) fn is_led(&self, id: TankId) -> bool {
        self.shared.as_ref().is_none_or(|shared| shared.valve.end() == Some(end_of(id)))
    }

    /// What the shared valve holds up, whichever tank asks.
    pub(super) fn shared_valve_hold(&self) -> Option<Hold> {
        let valve = &self.shared.as_ref()?.valve;
        match (valve.is_lost(), valve.is_unknown() || valve.is_seeking()) {
            (true, _) => Some(Hold::DriveFailed),
            (_, true) => Some(Hold::FindingPosition),
            _ => None,
        }
    }

    /// New levels of the two switches.
    pub(super) fn set_shared_switches(&mut self, now: Instant, switches: Switches) {
        let (Some(shared), Some(settings)) = (&mut self.shared, &self.settings.sharing.shared_valve) else { return };
        let event = shared.valve.set_switches(now, switches, settings);
        self.note_shared(now, event, false);
    }

    /// What the motor of the shared changeover valve is told, as [`super::Outputs::shared`] says (A6).
    #[must_use]
    pub fn shared_motion(&self) -> Motion {
        self.shared.as_ref().map_or(Motion::Off, |shared| shared.valve.motion())
    }

    /// An operator says that a lost shared valve may be tried again; says whether it was lost.
    pub(super) fn forgive_shared(&mut self, now: Instant) -> bool {
        let (Some(shared), Some(settings)) = (&mut self.shared, &self.settings.sharing.shared_valve) else {
            return false;
        };
        if !shared.valve.is_lost() {
            return false;
        }
        let event = shared.valve.forgive(now, settings);
        self.note_shared(now, event, false);
        true
    }

    /// Lets its time pass.
    #[inline(never)]
    pub(super) fn poll_shared(&mut self, now: Instant) -> bool {
        let (Some(shared), Some(settings)) = (&mut self.shared, &self.settings.sharing.shared_valve) else {
            return false;
        };
        let before = shared.valve.deadline();
        let found = shared.valve.is_unknown();
        let event = shared.valve.poll(now, settings);
        let stirred = event.is_some() || shared.valve.deadline() != before;
        self.note_shared(now, event, found);
        stirred
    }

    /// Journals what it reports, and acts on it.
    fn note_shared(&mut self, now: Instant, event: Option<DriveEvent<End>>, found: bool) {
        let (Some(event), Some(shared)) = (event, &mut self.shared) else { return };
        match event {
            DriveEvent::MovedAway(_) => shared.moved = true,
            DriveEvent::Confirmed(_) | DriveEvent::Lost => shared.moved = false,
            _ => {}
        }
        self.write(Event::SharedDrive(event));
        match event {
            // Nobody changes over by a lost valve; who serves by duty goes on.
            DriveEvent::Lost => self.changeover = None,
            DriveEvent::Confirmed(end) if found => self.follow_shared(now, end),
            _ => {}
        }
    }

    /// Found where it leads another tank than the one believed to serve, it is not moved if that tank
    /// is ready (V2): that one serves.
    fn follow_shared(&mut self, now: Instant, end: End) {
        let serving = tank_ids(&self.tanks).find(|(_, t)| matches!(t.duty, Duty::Serving)).map(|(id, _)| id);
        let led = tank_ids(&self.tanks).find(|(id, t)| end_of(*id) == end && matches!(t.duty, Duty::Ready { .. }));
        let Some((id, _)) = led.filter(|_| self.changeover.is_none()) else { return };
        self.set_duty(id, Duty::Serving, Reason::TookOver);
        if let Some(before) = serving {
            self.set_duty(before, Duty::Ready { since: now }, Reason::Relieved);
        }
    }

    /// The tank whose water it is to lead: the one that takes over once its own valve has confirmed,
    /// else the one that serves.
    fn to_be_led(&self) -> Option<TankId> {
        let ready = |id: &TankId| {
            let tank = self.tanks.get(id.index());
            tank.is_some_and(|t| {
                !matches!(t.duty, Duty::Purging { .. }) && t.drive.position() == Some(Position::Service)
            })
        };
        let taking_over = self.changeover.filter(|c| !c.relieved).map(|c| c.to).filter(ready);
        let serving = || tank_ids(&self.tanks).find(|(_, t)| matches!(t.duty, Duty::Serving)).map(|(id, _)| id);
        taking_over.or_else(serving)
    }

    /// Sends it where it is to stand; it is sought after the tanks' valves, since it serves (V2).
    #[inline(never)]
    pub(super) fn send_shared(&mut self, now: Instant) -> bool {
        let Some(end) = self.shared.as_ref().and_then(|_| self.to_be_led()).map(end_of) else { return false };
        let found = |t: &Tank| !(t.drive.is_powering_up() || t.drive.is_unknown() || t.drive.is_seeking());
        let all_found = self.tanks.iter().all(found);
        let (Some(shared), Some(settings)) = (&mut self.shared, &self.settings.sharing.shared_valve) else {
            return false;
        };
        if shared.valve.end() == Some(end) || (shared.valve.is_unknown() && !all_found) {
            return false;
        }
        let target = shared.valve.target();
        let event = shared.valve.go(now, end, settings);
        let sent = event.is_some() || shared.valve.target() != target;
        self.note_shared(now, event, false);
        sent
    }
}
