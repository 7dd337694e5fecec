//! What happens to the plant at stated moments, apart from water.

use bedkeeper::contact::Contact;
use bedkeeper::journal::Who;
use bedkeeper::lock::Key;
use bedkeeper::watch::StoreWear;
use bedkeeper::{Action, Settings};
use jiff::civil::DateTime;

use super::subject::Subject;
use crate::plant::{Fault, WhichValve};
use crate::process::PlantChange;

/// When something happens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum When {
    /// At a ms of the run.
    At(u64),
    /// So many ms after a subject has come about for the n-th time.
    After {
        /// What is waited for.
        subject: Subject,
        /// How often it must have come.
        nth: u64,
        /// How long after, ms.
        delay_ms: u64,
    },
}

/// What happens.
#[derive(Clone, Debug, PartialEq)]
pub enum Deed {
    /// A contact closes or opens, for so many ms if that is said.
    Contact {
        /// Which.
        contact: Contact,
        /// Closed.
        closed: bool,
        /// After so many ms it goes back.
        lasts_ms: Option<u64>,
    },
    /// The clock is set.
    ClockSet(DateTime),
    /// The clock is moved by so many ms.
    ClockMoved(i64),
    /// The civil time is lost.
    ClockLost,
    /// An operator asks for something.
    Operator(Who, Action),
    /// Someone offers a key to their lock.
    Unlock(Who, Key),
    /// Someone closes their lock.
    Relock(Who),
    /// New settings are offered that pass their check.
    Settings {
        /// Which.
        settings: Box<Settings>,
        /// They are to be refused.
        refused: bool,
    },
    /// Settings are offered that do not pass.
    BadSettings,
    /// Something goes wrong with a valve, for so many ms if that is said.
    Fault {
        /// Which valve's.
        valve: WhichValve,
        /// What.
        fault: Fault,
        /// After so many ms it is mended.
        lasts_ms: Option<u64>,
    },
    /// A fault of a valve is mended.
    Mend {
        /// Which valve's.
        valve: WhichValve,
        /// What.
        fault: Fault,
    },
    /// Power fails.
    Power {
        /// For so many ms.
        off_ms: u64,
        /// The civil clock runs on.
        clock_kept: bool,
        /// What was stored is readable afterwards.
        memory_kept: bool,
    },
    /// The store of what outlives power cuts is worn so far.
    Store(StoreWear),
    /// Something changes in the full plant, for so long if that is said.
    Plant {
        /// What.
        change: PlantChange,
        /// After so many ms it is as it was built.
        lasts_ms: Option<u64>,
    },
    /// A meter's contact closes for a while, again and again.
    MeterContact {
        /// Which meter, from 0.
        meter: u8,
        /// How often it still closes.
        times: u32,
        /// How long it stays closed, ms.
        closed_ms: u64,
        /// From one closing to the next, ms.
        every_ms: u64,
    },
}

impl Deed {
    /// Whether someone asks the controller for it: with power off there is nobody to ask.
    #[must_use]
    pub const fn is_asked(&self) -> bool {
        matches!(
            self,
            Self::Operator(..) | Self::Unlock(..) | Self::Relock(_) | Self::Settings { .. } | Self::BadSettings
        )
    }
}

/// Something that happens at a moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When.
    pub when: When,
    /// What.
    pub deed: Deed,
    /// Line of the file, from 1; 0 for one that no file says.
    pub line: usize,
}
