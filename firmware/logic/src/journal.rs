//! What happened, in order: every transition with its cause, for people and for files.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::calendar::Civil;
use crate::contact::Contact;
use crate::demand::{Cause, CauseSet, HoldSet};
use crate::drive::{DriveEvent, End};
use crate::duty::DutyKind;
use crate::program::StepKind;
use crate::reserve::DayUse;
use crate::sequence::{AfterPower, Outcome};
use crate::units::{Hardness, Instant, Millis, SaltMass, TankId, Volume};
use crate::watch::Alarm;

/// Records kept until the driver takes them, and so many more for each tank; what is too much pushes
/// the oldest out, and that is counted.
const FEW: usize = 16;
/// See [`FEW`].
const FOR_EACH_TANK: usize = 4;

/// Who asked for something.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    /// Someone at the panel.
    Panel,
    /// The remote contact.
    Remote,
    /// Someone on the serial line.
    Serial,
}

/// What somebody wants of the board itself, whatever the plant is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum BoardWish {
    /// This civil time (T1).
    Clock(Civil),
    /// Another address or speed on the serial line: what it would have then.
    Line {
        /// The address for Modbus.
        address: u8,
        /// Bits a second.
        baud: u32,
    },
    /// Other units at the panel (O5).
    Units,
    /// Other settings, which were refused: what is taken has a record of its own (O2).
    Settings,
    /// To store the settings that run as the site's baseline, which was refused: what is stored has a record of its own (O3).
    Baseline,
}

/// Why a duty changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Its valve confirmed the service position after a changeover.
    TookOver,
    /// Another tank took over.
    Relieved,
    /// Its valve confirmed the service position, where others serve as well.
    Joined,
    /// The flow fell so low that fewer tanks suffice.
    FlowFell,
    /// It is not flushed: a lost valve may keep the drain occupied.
    DrainTaken,
    /// A regeneration started.
    Started,
    /// A regeneration ended so.
    Ended(Outcome),
    /// The brine is too little: its valve refills the brine tank first.
    MakeUp,
    /// That refill is over.
    MadeUp,
    /// It had stood too long.
    Stale,
    /// The purge is over.
    Purged,
    /// An operator took it out, put it back or released it.
    Operator,
    /// Its drive is lost.
    DriveLost,
    /// No tank served.
    NoneServing,
    /// Its valve stood where brine may have reached the bed.
    BrineInBed,
    /// Home contradicted the count of its valve: what was done since it was last there does not count.
    PlaceInDoubt,
    /// It waited for what another tank keeps until that one is rinsed out, which only its turn ends.
    GaveWay,
}

/// Something that happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// A tank's duty changed.
    Duty {
        /// Which tank.
        tank: TankId,
        /// Its duty now.
        duty: DutyKind,
        /// Why.
        reason: Reason,
    },
    /// A cause latched.
    Asked {
        /// For which tank.
        tank: TankId,
        /// Which.
        cause: Cause,
    },
    /// The holds on a waiting tank changed.
    Held {
        /// Which tank.
        tank: TankId,
        /// What holds it now.
        holds: HoldSet,
    },
    /// A regeneration started.
    Started {
        /// Of which tank.
        tank: TankId,
        /// The cause that led.
        leading: Cause,
        /// Every cause that stood.
        causes: CauseSet,
        /// When it was first asked for.
        asked_at: Instant,
    },
    /// A step runs in its position.
    StepStarted {
        /// Of which tank.
        tank: TankId,
        /// Which.
        step: StepKind,
    },
    /// A step's time stands still: the valve left its position.
    StepInterrupted {
        /// Of which tank.
        tank: TankId,
        /// Which.
        step: StepKind,
    },
    /// A step is over.
    StepEnded {
        /// Of which tank.
        tank: TankId,
        /// Which.
        step: StepKind,
        /// Time in position.
        ran: Millis,
        /// Estimated water to drain.
        drained: Volume,
    },
    /// A regeneration ended.
    Ended {
        /// Of which tank.
        tank: TankId,
        /// How.
        outcome: Outcome,
        /// Charged to the tank since its last complete regeneration.
        volume: Volume,
        /// How much of it past zero.
        overrun: Volume,
        /// Estimated salt.
        salt: SaltMass,
    },
    /// An operator measured the water behind a tank (O6).
    HardnessTested {
        /// Which tank.
        tank: TankId,
        /// Of its water.
        treated: Hardness,
        /// Of the feed, if that was measured too.
        feed: Option<Hardness>,
        /// Volume that the bed should still have treated.
        left: Volume,
    },
    /// What is reckoned with of a bed's set capacity changed (L2).
    CapacityChanged {
        /// Which tank.
        tank: TankId,
        /// What is reckoned with, per mille of the set capacity.
        kept_per_mille: u16,
        /// Taken off by age, per mille.
        by_age_per_mille: u16,
        /// Taken off by hardness tests, per mille.
        by_tests_per_mille: u16,
    },
    /// A changeover began.
    ChangeoverBegan {
        /// The tank that is to leave service, if one served.
        from: Option<TankId>,
        /// The tank that takes over.
        to: TankId,
    },
    /// A purge ended.
    PurgeEnded {
        /// Of which tank.
        tank: TankId,
        /// Estimated water to drain.
        drained: Volume,
    },
    /// A drive reports.
    Drive {
        /// Of which tank.
        tank: TankId,
        /// What.
        event: DriveEvent,
    },
    /// The drive of the shared changeover valve reports (A6).
    SharedDrive(DriveEvent<End>),
    /// An alarm came to stand, or concerns a further tank.
    AlarmRaised(Alarm),
    /// An alarm's condition has gone; it stands until an operator resets it (W2).
    AlarmLatched(Alarm),
    /// An alarm ceased.
    AlarmCleared(Alarm),
    /// The daily event fired.
    HourFired,
    /// An hour passed without the daily event, since the clock was changed or power was off.
    HourMissed,
    /// A day of use is over (R1).
    DayEnded(DayUse),
    /// Civil time was set; it moved by so many seconds if it was known before.
    ClockSet {
        /// Seconds it moved, within the range of the type.
        moved_s: Option<i64>,
    },
    /// Civil time became unknown.
    ClockLost,
    /// A contact is believed to be closed or open.
    Contact {
        /// Which.
        contact: Contact,
        /// Closed.
        closed: bool,
    },
    /// The remote contact asked, but its tank regenerates already (C4).
    RemoteIgnored {
        /// Which tank.
        tank: TankId,
    },
    /// Someone used their lock.
    Lock {
        /// Who.
        who: Who,
        /// What came of it.
        event: crate::lock::LockEvent,
    },
    /// An absence is over.
    AbsenceEnded,
    /// A valve that was tried goes back.
    TestEnded {
        /// Of which tank.
        tank: TankId,
    },
    /// A relay that was tried is asked for no more.
    RelayTestEnded {
        /// Which, from 0.
        relay: u8,
    },
    /// Contacts were tried by hand.
    ContactsTested {
        /// Those that were seen to open or close.
        moved: crate::contact::ContactSet,
    },
    /// A meter was compared with water that was caught (M1).
    MeterChecked {
        /// Which, from 0.
        meter: u8,
        /// What was found.
        check: crate::commission::MeterCheck,
    },
    /// Nobody told how much water was caught.
    CountGivenUp {
        /// Of which meter, from 0.
        meter: u8,
    },
    /// An operator did something.
    Operator {
        /// Who.
        who: Who,
        /// What.
        action: crate::operator::Action,
        /// Whether it was granted.
        granted: bool,
    },
    /// Power is back; how long it was off at the most, if known (T3).
    PowerReturned {
        /// Since the state was last saved.
        off: Option<Millis>,
    },
    /// What a power cut made of a regeneration (P3–P5).
    AfterPower {
        /// Of which tank.
        tank: TankId,
        /// In which step.
        step: StepKind,
        /// What.
        outcome: AfterPower,
    },
    /// Nothing readable was retained: what the beds have taken up is unknown.
    RetainedLost,
    /// New settings run.
    SettingsTaken,
    /// Someone had them taken.
    SettingsChanged {
        /// Who.
        who: Who,
    },
    /// Settings were refused; those that ran run on.
    SettingsRefused,
    /// Someone had the settings that run stored as the site's own baseline (O3).
    BaselineStored {
        /// Who.
        who: Who,
    },
    /// Settings of another plant were kept for someone: they run once the board restarts (O2).
    SettingsAwaitRestart {
        /// Who.
        who: Who,
    },
    /// Draw after draw took no brine: the tank is held until an operator releases it (C8).
    HeldWithoutBrine {
        /// Which tank.
        tank: TankId,
    },
    /// Someone wanted something of the board itself (Q5).
    AskedOfBoard {
        /// Who.
        who: Who,
        /// What.
        wish: BoardWish,
        /// Whether it was granted.
        granted: bool,
    },
}

/// An event with its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Record {
    /// Monotonic time.
    pub at: Instant,
    /// Civil time, if known.
    pub civil: Option<Civil>,
    /// What happened.
    pub event: Event,
}

/// Records not yet taken, of a site with up to `N` tanks.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Journal<const N: usize> {
    few: [Option<Record>; FEW],
    more: Vec<[Option<Record>; FOR_EACH_TANK], N>,
    /// Place of the oldest, and how many there are.
    first: usize,
    count: usize,
    lost: u16,
}

impl<const N: usize> Default for Journal<N> {
    fn default() -> Self {
        let more = crate::collect((0..N).map(|_| [None; FOR_EACH_TANK]));
        Self { few: [None; FEW], more, first: 0, count: 0, lost: 0 }
    }
}

/// Equal by what it holds, wherever that stands.
impl<const N: usize> PartialEq for Journal<N> {
    fn eq(&self, other: &Self) -> bool {
        self.lost == other.lost && self.records().eq(other.records())
    }
}

impl<const N: usize> Eq for Journal<N> {}

impl<const N: usize> core::hash::Hash for Journal<N> {
    fn hash<H: core::hash::Hasher>(&self, state: &mut H) {
        self.records().for_each(|record| record.hash(state));
        self.lost.hash(state);
    }
}

impl<const N: usize> Journal<N> {
    /// How many records it keeps.
    pub const CAPACITY: usize = FEW.saturating_add(FOR_EACH_TANK.saturating_mul(N));

    /// Writes a record.
    pub fn write(&mut self, record: Record) {
        #[cfg(feature = "defmt")]
        defmt::info!("{}", record);
        if self.count == Self::CAPACITY {
            let _ = self.take();
            self.lost = self.lost.saturating_add(1);
        }
        if let Some(place) = self.place_mut(self.first.saturating_add(self.count)) {
            *place = Some(record);
        }
        self.count = self.count.saturating_add(1);
    }

    /// Takes the oldest record.
    pub fn take(&mut self) -> Option<Record> {
        let record = self.place_mut(self.first)?.take()?;
        let next = self.first.saturating_add(1);
        self.first = if next == Self::CAPACITY { 0 } else { next };
        self.count = self.count.saturating_sub(1);
        Some(record)
    }

    /// How many records were pushed out before they were taken.
    #[must_use]
    pub fn lost(&self) -> u16 {
        self.lost
    }

    fn place_mut(&mut self, i: usize) -> Option<&mut Option<Record>> {
        let i = i.checked_sub(Self::CAPACITY).unwrap_or(i);
        match i.checked_sub(FEW) {
            None => self.few.get_mut(i),
            Some(i) => self.more.get_mut(i / FOR_EACH_TANK)?.get_mut(i % FOR_EACH_TANK),
        }
    }

    /// The records from the oldest on.
    fn records(&self) -> impl Iterator<Item = &Record> {
        let places = || self.few.iter().chain(self.more.iter().flatten());
        places().skip(self.first).chain(places().take(self.first)).flatten()
    }
}
