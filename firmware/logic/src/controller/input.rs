//! What a driver tells the controller.

use serde::{Deserialize, Serialize};

use crate::calendar::Civil;
use crate::contact::Contact;
use crate::drive::Switches;
use crate::journal::Who;
use crate::lock::Key;
use crate::operator::Action;
use crate::units::TankId;
use crate::watch::StoreWear;

/// What a driver tells the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Input {
    /// Nothing but time passed.
    Tick,
    /// Pulses that the driver has judged by width and gap itself; meter 0 is the common one or tank 1's.
    Pulses {
        /// Which meter, from 0.
        meter: u8,
        /// How many.
        count: u32,
    },
    /// A meter's contact changed its level; the controller judges bounce (M4).
    MeterContact {
        /// Which meter, from 0.
        meter: u8,
        /// Closed.
        closed: bool,
    },
    /// The position switches of a tank's valve, as they are.
    Switches {
        /// Which tank.
        tank: TankId,
        /// Their levels.
        closed: Switches,
    },
    /// The end switches of the shared changeover valve, as they are; bit 0 is tank 1's end (A6).
    SharedSwitches {
        /// Their levels.
        closed: Switches,
    },
    /// A contact's level, as it is.
    Contact {
        /// Which.
        contact: Contact,
        /// Closed.
        closed: bool,
    },
    /// Civil time now, or `None` if it became unknown.
    Clock(Option<Civil>),
    /// How worn the store of what outlives a power cut is, as it is (P2).
    Store(StoreWear),
    /// Someone offers a key to their lock (O1).
    Unlock {
        /// Who.
        who: Who,
        /// What they offer.
        key: Key,
    },
    /// Someone closes their lock.
    Relock {
        /// Who.
        who: Who,
    },
    /// An operator's wish.
    Operator {
        /// Who asks.
        who: Who,
        /// For what.
        action: Action,
    },
}
