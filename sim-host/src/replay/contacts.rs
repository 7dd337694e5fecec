//! Contacts that the plant's own water moves: the pressure switch, and the switches of the brine tank; and those that someone
//! moves from outside.
//!
//! Of the plant's own only those that the site uses are there. They are looked at after every event, and in between while
//! brine or refill water runs; the logic is told what has changed. Those from outside stay as they are while power is off,
//! and at every power-up the logic is told how they stand, as a board tells it.

use bedkeeper::Input;
use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::program::StepKind;
use bedkeeper::settings::{RawSettings, RemoteRole, StepEnd};

use super::{Replay, ReplayError, World};

/// A pressure switch that has closed opens again this much above its point (a choice).
const SWITCH_OPENS_AT: f64 = 1.1;
/// The float's contact closes this close below the level at which the float stops a refill, m.
const FLOAT_REACH_M: f64 = 0.001;
/// The level switch closes this close above the level at which the air check does, m.
const EMPTY_REACH_M: f64 = 0.002;
/// Share of saturation from which a brine sensor tells brine to be ready (a choice: what the usual two hours give).
const READY_AT_SATURATION: f64 = 0.95;
/// How often levels are looked at while brine or refill water runs, ms.
const LOOK_EVERY_MS: u64 = 10_000;
/// How often dissolving salt is looked at, ms.
const READY_EVERY_MS: u64 = 60_000;

/// What the logic was last told of each contact that the plant moves.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct PlantContacts {
    low_pressure: bool,
    brine_full: bool,
    brine_empty: bool,
    brine_ready: bool,
}

impl PlantContacts {
    fn place(&mut self, contact: Contact) -> Option<&mut bool> {
        match contact {
            Contact::LowPressure => Some(&mut self.low_pressure),
            Contact::BrineFull => Some(&mut self.brine_full),
            Contact::BrineEmpty => Some(&mut self.brine_empty),
            Contact::BrineReady => Some(&mut self.brine_ready),
            Contact::Remote | Contact::Sensor => None,
        }
    }
}

/// The contacts that someone moves from outside: which are wired, and which of them are closed, whether the logic hears of it or not.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct OutsideContacts {
    wired: ContactSet,
    closed: ContactSet,
}

impl OutsideContacts {
    fn set(&mut self, contact: Contact, closed: bool) {
        self.wired.insert(contact);
        if closed {
            self.closed.insert(contact);
        } else {
            self.closed.remove(contact);
        }
    }
}

/// The contacts that a site looks at.
pub(crate) fn contacts_of(raw: &RawSettings) -> Vec<Contact> {
    let ends = |contact| {
        let wanted = |end: &StepEnd| matches!(end, StepEnd::Contact { .. }) && contact == Contact::BrineFull;
        raw.program.iter().any(|step| wanted(&step.end))
    };
    let used = |contact: &Contact| match contact {
        Contact::Remote => raw.remote != RemoteRole::Off,
        Contact::Sensor | Contact::LowPressure | Contact::BrineEmpty => true,
        Contact::BrineFull => ends(*contact),
        Contact::BrineReady => raw.brine.ready_by_contact,
    };
    Contact::ALL.iter().copied().filter(used).collect()
}

/// Which of the brine tank's switches the site uses.
#[derive(Clone, Copy)]
struct Wired {
    full: bool,
    empty: bool,
    ready: bool,
}

impl World {
    /// Every contact that the site looks at and that the plant's own water does not move is wired, and open.
    pub(crate) fn wire_contacts(&mut self) {
        let full = self.process.is_some();
        for contact in contacts_of(self.controller.settings().raw()) {
            if !full || self.contacts.place(contact).is_none() {
                self.outside.set(contact, false);
            }
        }
    }

    fn wired(&self) -> Wired {
        let raw = self.controller.settings().raw();
        let by_contact = |kind: StepKind| {
            raw.program.iter().any(|step| step.kind == kind && matches!(step.end, StepEnd::Contact { .. }))
        };
        Wired {
            full: by_contact(StepKind::BrineRefill),
            empty: by_contact(StepKind::BrineDraw),
            ready: raw.brine.ready_by_contact || by_contact(StepKind::BrineWait),
        }
    }

    /// When a switch of the brine tank should next be looked at, ms.
    pub(super) fn next_look_ms(&self) -> Option<u64> {
        let process = self.process.as_ref()?;
        let wired = self.wired();
        let every = |ms: u64| (self.now_ms / ms + 1) * ms;
        if (wired.full || wired.empty) && process.brine_runs() {
            return Some(every(LOOK_EVERY_MS));
        }
        (wired.ready && !self.contacts.brine_ready).then(|| every(READY_EVERY_MS))
    }

    /// How the contacts stand that the plant moves and the site uses.
    fn contacts_now(&mut self) -> Result<Vec<(Contact, bool)>, ReplayError> {
        let wired = self.wired();
        let told = self.contacts;
        let Some(process) = &mut self.process else { return Ok(Vec::new()) };
        let mut now = Vec::new();
        let point_kpa = process.design().pressure_switch_kpa;
        let opens_at = if told.low_pressure { SWITCH_OPENS_AT } else { 1.0 };
        now.push((Contact::LowPressure, process.inlet_kpa()? < point_kpa * opens_at));
        if wired.full || wired.empty || wired.ready {
            let spec = process.design().brine_tank;
            let tank = process.settled_brine_tank()?;
            let level_m = tank.level_m();
            if wired.full {
                now.push((Contact::BrineFull, tank.float_stands_up(FLOAT_REACH_M)));
            }
            let empty = level_m <= spec.air_check_m + EMPTY_REACH_M;
            if wired.empty {
                now.push((Contact::BrineEmpty, empty));
            }
            if wired.ready {
                now.push((Contact::BrineReady, !empty && tank.saturation_share() >= READY_AT_SATURATION));
            }
        }
        Ok(now)
    }
}

impl Replay<'_> {
    /// Someone closes or opens a contact. It stays so while power is off.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn move_contact(&mut self, contact: Contact, closed: bool) -> Result<(), ReplayError> {
        self.world.outside.set(contact, closed);
        self.offer(Input::Contact { contact, closed }, true).map(|_| ())
    }

    /// Tells how every contact stands that is wired.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub(super) fn tell_outside_contacts(&mut self) -> Result<(), ReplayError> {
        let OutsideContacts { wired, closed } = self.world.outside;
        for contact in wired.iter() {
            let _ = self.offer(Input::Contact { contact, closed: closed.contains(contact) }, true)?;
        }
        Ok(())
    }

    /// Tells the logic of contacts that the plant has moved.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub(super) fn tell_plant_contacts(&mut self) -> Result<(), ReplayError> {
        if self.world.process.is_none() || self.world.supply.is_dark() {
            return Ok(());
        }
        for (contact, closed) in self.world.contacts_now()? {
            let changed =
                self.world.contacts.place(contact).is_some_and(|told| std::mem::replace(told, closed) != closed);
            if changed {
                let _ = self.offer(Input::Contact { contact, closed }, true)?;
            }
        }
        Ok(())
    }

    /// Changes the plant's water now, and tells what follows at once.
    ///
    /// # Errors
    /// The plant has no water, or not this; an evidence file could not be written.
    pub fn change_plant(&mut self, change: crate::process::PlantChange) -> Result<(), ReplayError> {
        let Some(process) = &mut self.world.process else {
            return Err(ReplayError::Mismatch("the plant's water is not modelled here".to_owned()));
        };
        process.change(change)?;
        self.tell_plant_contacts()
    }
}
