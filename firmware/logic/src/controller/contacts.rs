//! Contacts are debounced and act: the hardness monitor, the remote contact (C1, C4).

use super::{Controller, tank_ids};
use crate::contact::Contact;
use crate::demand::Cause;
use crate::duty::{Duty, Tank};
use crate::journal::Event;
use crate::settings::RemoteRole;
use crate::units::{Instant, TankId, elapsed};

impl<const N: usize> Controller<N> {
    #[inline(never)]
    pub(super) fn poll_contacts(&mut self, now: Instant) {
        let debounce = self.settings.contact_debounce;
        let before = |c: &crate::contact::Debounced| c.closed_since().is_some();
        for &contact in Contact::ALL {
            if contact == Contact::Remote && self.settings.remote == RemoteRole::Off {
                continue;
            }
            let unit = self.contact_mut(contact);
            let was = before(unit);
            let edge = unit.poll(now, debounce);
            let closed = before(unit);
            if was != closed {
                self.write(Event::Contact { contact, closed });
                self.note_moved(contact);
            }
            // Moved by hand, it means nothing (O6).
            if self.are_contacts_tried() {
                continue;
            }
            // Found closed at power-up it tells as much: nobody saw it close in the dark.
            if closed && !was && contact == Contact::BrineEmpty {
                self.note_brine_empty();
            }
            if edge && contact == Contact::Sensor {
                self.ask_from_sensor(now);
            }
        }
        self.poll_remote(now);
    }

    /// A hardness monitor closed: the serving tank nearest exhaustion is asked for.
    pub(super) fn ask_from_sensor(&mut self, now: Instant) {
        if let Some(id) = self.nearest_exhaustion(|t| matches!(t.duty, Duty::Serving)) {
            self.ask(now, id, Cause::Sensor);
        }
    }

    /// The remote contact asks by its edge, after its minimum closure (C4).
    #[inline(never)]
    pub(super) fn poll_remote(&mut self, now: Instant) {
        let Some(since) = self.remote_pending() else { return };
        if self.are_contacts_tried() {
            self.contacts.remote_served = Some(since);
            return;
        }
        // Open at the pin, it has not been closed so long, even if that is not believed yet.
        if elapsed(since, now) < self.settings.remote_minimum || !self.contacts.remote.is_closed_at_pin() {
            return;
        }
        self.contacts.remote_served = Some(since);
        let Some(id) = self.nearest_exhaustion(|t| !matches!(t.duty, Duty::Out { .. })) else { return };
        let regenerating = self.tanks.get(id.index()).is_some_and(|t| t.regeneration().is_some());
        if regenerating {
            self.write(Event::RemoteIgnored { tank: id });
        } else {
            self.ask(now, id, Cause::Remote);
        }
    }

    /// The closure of the remote contact that still has to be acted on.
    pub(super) fn remote_pending(&self) -> Option<Instant> {
        if !matches!(self.settings.remote, RemoteRole::Now | RemoteRole::AtHour) {
            return None;
        }
        let since = self.contacts.remote.closed_by_edge()?;
        (self.contacts.remote_served != Some(since)).then_some(since)
    }

    pub(super) fn nearest_exhaustion(&self, fits: impl Fn(&Tank) -> bool) -> Option<TankId> {
        tank_ids(&self.tanks).filter(|(_, t)| fits(t)).min_by_key(|(_, t)| t.ledger.remaining()).map(|(id, _)| id)
    }
}
