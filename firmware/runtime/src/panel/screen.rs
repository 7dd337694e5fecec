//! Every screen as a value, with what it needs inside it, and what a choice on one does.

use bedkeeper::Refused;
use bedkeeper::calendar::Civil;
use bedkeeper::commission::Task;
use bedkeeper::operator::Action;
use bedkeeper::units::{Hardness, TankId};
use bedkeeper::watch::Alarm;

use super::fields::{FieldId, Group, Kind};
use super::show::{date, day_of, days_in_month, minute_of_day};
use crate::baseline::Baseline;
use crate::manners::{ADDRESSES, Manners, SPEEDS};

/// Digits of the longest code.
pub const DIGITS: usize = 10;
/// Letters of a signature.
pub const LETTERS: usize = 8;

/// What is seen. `at` is where the cursor stands, or the first row in view of a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Screen {
    /// Every tank, the flow, the alarms.
    Home {
        /// The cursor.
        at: u8,
    },
    /// Everything else.
    Menu {
        /// The cursor.
        at: u8,
    },
    /// What a tank does, and why it waits.
    Tank {
        /// Which.
        tank: TankId,
        /// The first row.
        at: u8,
    },
    /// What may be asked of a tank.
    TankDeeds {
        /// Which.
        tank: TankId,
        /// The cursor.
        at: u8,
    },
    /// What may be asked of the plant.
    PlantDeeds {
        /// The cursor.
        at: u8,
    },
    /// Whether it is really meant.
    Sure {
        /// What is asked.
        action: Action,
        /// The cursor: no, then yes.
        at: u8,
    },
    /// What may be done about baselines.
    Baselines {
        /// The cursor.
        at: u8,
    },
    /// Whether a baseline is really to be stored.
    SureOfBaseline {
        /// The cursor: no, then yes.
        at: u8,
    },
    /// The latest hardness tests, the newest first.
    Tests {
        /// The first row.
        at: u8,
    },
    /// The alarms that stand or were not acknowledged.
    Alarms {
        /// The cursor.
        at: u8,
    },
    /// One alarm with its advice.
    Alarm {
        /// Which.
        alarm: Alarm,
        /// The first row.
        at: u8,
    },
    /// What may be done about an alarm.
    AlarmDeeds {
        /// Which.
        alarm: Alarm,
        /// The cursor.
        at: u8,
    },
    /// Volumes and flow.
    Water {
        /// The first row.
        at: u8,
    },
    /// The journal, the newest first.
    Journal {
        /// Which record.
        at: u8,
    },
    /// The regenerations that are kept, the newest first; enter shows one whole.
    Regenerations {
        /// Which.
        at: u8,
    },
    /// One of them with its steps.
    Regeneration {
        /// Which, from the newest.
        back: u8,
        /// The first row.
        at: u8,
    },
    /// The use of days, a week at a time.
    Days {
        /// Which week, from the newest.
        at: u8,
    },
    /// What valves and relays have done in their lives.
    Counters {
        /// The first row.
        at: u8,
    },
    /// The groups of settings.
    Groups {
        /// The cursor.
        at: u8,
    },
    /// The settings of a group, or of a part of one.
    Fields {
        /// Which.
        group: Group,
        /// The place of the part; nought for a group that is no part.
        of: u8,
        /// The cursor.
        at: u8,
    },
    /// A setting that is being changed.
    Edit {
        /// Which.
        field: FieldId,
        /// Its figure so far.
        value: u64,
    },
    /// A setting that is some of several, such as weekdays.
    EditSet {
        /// Which.
        field: FieldId,
        /// What is in it so far, bit by bit.
        value: u64,
        /// The cursor.
        at: u8,
    },
    /// The code of a lock is being set.
    SetCode {
        /// Which.
        field: FieldId,
        /// Its digits so far.
        entry: Entry<DIGITS>,
    },
    /// How the board speaks on its line.
    Line {
        /// The cursor.
        at: u8,
    },
    /// Its address or speed is being changed.
    EditLine {
        /// Which.
        field: LineField,
        /// The address, or the place of the speed, so far.
        value: u64,
    },
    /// Everything that is to be changed, before it is taken.
    Review {
        /// The first row.
        at: u8,
    },
    /// What may be done with what is to be changed.
    ReviewDeeds {
        /// The cursor.
        at: u8,
    },
    /// The lock.
    Lock(Entry<DIGITS>),
    /// The site's name and note.
    Note {
        /// The first row.
        at: u8,
    },
    /// Outputs and inputs to try.
    Trials {
        /// The cursor.
        at: u8,
    },
    /// Inputs as they are.
    Inputs {
        /// The first row.
        at: u8,
    },
    /// The walk through a new plant.
    Walk {
        /// The cursor.
        at: u8,
    },
    /// One task of it.
    Task {
        /// Which.
        task: Task,
        /// The cursor.
        at: u8,
    },
    /// A figure that a person measured.
    Amount {
        /// Of what.
        of: Amount,
        /// So far.
        value: u64,
    },
    /// The signature of whoever made the walk.
    Sign(Entry<LETTERS>),
    /// The record of the walk.
    Signed {
        /// The first row.
        at: u8,
    },
    /// The clock is being set.
    SetClock(Moments),
    /// What the board found out about itself.
    Checks {
        /// The first row.
        at: u8,
    },
    /// What came of what was asked.
    Told {
        /// What.
        told: Told,
        /// The first row.
        at: u8,
    },
}

/// What a board has of its own on its line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineField {
    /// Its address for Modbus.
    Address,
    /// Its speed.
    Speed,
}

impl LineField {
    /// What people call it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Address => "address on Modbus",
            Self::Speed => "bits a second",
        }
    }

    /// What it is measured in.
    #[must_use]
    pub const fn kind(self) -> Kind {
        match self {
            Self::Address => Kind::Number,
            Self::Speed => Kind::Choice(&["9 600", "19 200", "38 400", "57 600", "115 200"]),
        }
    }

    /// Its figure.
    #[must_use]
    pub fn get(self, manners: &Manners) -> u64 {
        match self {
            Self::Address => u64::from(manners.address),
            Self::Speed => {
                let at = SPEEDS.iter().position(|speed| *speed == manners.speed);
                at.and_then(|at| u64::try_from(at).ok()).unwrap_or(0)
            }
        }
    }

    /// With another figure; an address that nobody can have becomes the nearest.
    #[must_use]
    pub fn with(self, manners: Manners, value: u64) -> Manners {
        let low = u8::try_from(value).unwrap_or(u8::MAX);
        match self {
            Self::Address => Manners { address: low.clamp(*ADDRESSES.start(), *ADDRESSES.end()), ..manners },
            Self::Speed => {
                let speed = SPEEDS.get(usize::from(low)).copied().unwrap_or(manners.speed);
                Manners { speed, ..manners }
            }
        }
    }
}

/// What a person measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Amount {
    /// Water that was caught behind a meter.
    Caught,
    /// Hardness of the feed, before a tank is tested.
    Feed {
        /// The tank.
        tank: TankId,
    },
    /// Hardness behind a tank.
    Treated {
        /// The tank.
        tank: TankId,
        /// That of the feed.
        feed: Hardness,
    },
}

/// Characters that are set one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry<const L: usize> {
    /// The characters, by number.
    pub places: [u8; L],
    /// Which is being set.
    pub at: u8,
}

impl<const L: usize> Entry<L> {
    /// All of them at their first value.
    #[must_use]
    pub const fn new() -> Self {
        Self { places: [0; L], at: 0 }
    }

    /// Another value for the character that is being set, around its end.
    pub fn turn(&mut self, up: bool, of: u8) {
        if let Some(place) = self.places.get_mut(usize::from(self.at)) {
            let next = if up { place.checked_add(1).filter(|next| *next < of) } else { place.checked_sub(1) };
            *place = next.unwrap_or(if up { 0 } else { of.saturating_sub(1) });
        }
    }

    /// Goes on to the next character; says whether there is none.
    pub fn go_on(&mut self) -> bool {
        let last = u8::try_from(L).unwrap_or(u8::MAX).saturating_sub(1);
        if self.at >= last {
            return true;
        }
        self.at = self.at.saturating_add(1);
        false
    }

    /// Goes back one character; says whether there is none.
    pub fn back(&mut self) -> bool {
        let first = self.at == 0;
        self.at = self.at.saturating_sub(1);
        first
    }
}

impl<const L: usize> Default for Entry<L> {
    fn default() -> Self {
        Self::new()
    }
}

/// Year, month, day, hour and minute, set one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moments {
    /// The five figures.
    pub parts: [u32; 5],
    /// Which is being set.
    pub at: u8,
}

impl Moments {
    /// From a civil time, or from a date of some use.
    #[must_use]
    pub fn begin(civil: Option<Civil>) -> Self {
        let civil = civil.unwrap_or_else(|| Civil::at(day_of(2_026, 1, 1), 0));
        let (year, month, day) = date(civil.day());
        let minute = u32::from(minute_of_day(civil));
        Self { parts: [year, month, day, minute / 60, minute % 60], at: 0 }
    }

    /// The time that is set.
    #[must_use]
    pub fn civil(&self) -> Civil {
        let [year, month, day, hour, minute] = self.parts;
        let minutes = hour.saturating_mul(60).saturating_add(minute);
        Civil::at(day_of(year, month, day), u16::try_from(minutes).unwrap_or(0))
    }

    fn bounds(&self) -> (u32, u32) {
        let [year, month, ..] = self.parts;
        match self.at {
            0 => (2_000, 2_098),
            1 => (1, 12),
            2 => (1, days_in_month(year, month)),
            3 => (0, 23),
            _ => (0, 59),
        }
    }

    /// Another value for what is being set, around its end; so much further the longer a button is held.
    pub fn turn(&mut self, up: bool) {
        let (first, last) = self.bounds();
        if let Some(part) = self.parts.get_mut(usize::from(self.at)) {
            *part = match up {
                true if *part >= last => first,
                true => part.saturating_add(1),
                false if *part <= first => last,
                false => part.saturating_sub(1),
            };
        }
        let [year, month, day, ..] = &mut self.parts;
        *day = (*day).min(days_in_month(*year, *month));
    }

    /// Goes on to the next part; says whether there is none.
    pub fn go_on(&mut self) -> bool {
        let over = self.at >= 4;
        self.at = self.at.saturating_add(1).min(4);
        over
    }

    /// Goes back one part; says whether there is none.
    pub fn back(&mut self) -> bool {
        let first = self.at == 0;
        self.at = self.at.saturating_sub(1);
        first
    }
}

/// What came of what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// It was granted.
    Granted,
    /// The lock is open.
    Opened,
    /// It was refused.
    Refused(Refused),
    /// The changes run, and are kept.
    Taken,
    /// The changes run, but could not be kept for the next power-up.
    TakenNotKept,
    /// The changes were not taken; the panel has the reason.
    NotTaken,
    /// A valve moves: changes can be taken when it stands.
    ValveMoves,
    /// The clock is set.
    ClockSet,
    /// The clock is set until power fails: no hardware clock took it.
    ClockNotKept,
    /// What was measured says too little.
    NotMeasured,
    /// The settings that run are the site's baseline.
    BaselineStored,
    /// No baseline of the site was stored.
    NoBaseline,
    /// There is no room for more of it.
    NoRoom,
    /// The board speaks so from now on.
    LineSet,
    /// It could not be stored, and nothing has changed.
    NotStored,
    /// The board has not what those settings need.
    NotWired,
    /// Those settings are kept, and run from the next power-up on.
    AtRestart,
}

/// What enter does on what the cursor is on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Choice {
    /// Nothing.
    Nothing,
    /// Another screen.
    Open(Screen),
    /// Something is asked, once it is known to be meant.
    Mean(Action),
    /// Something is asked at once.
    Ask(Action),
    /// Back out.
    Leave,
    /// A setting is to be changed.
    Change(FieldId),
    /// The changes are offered.
    Take,
    /// The board's address or speed is to be changed.
    ChangeLine(LineField),
    /// One is put into a set that is being changed, or taken out of it.
    Toggle(u8),
    /// The set is noted as it is.
    Note,
    /// A part of the settings is added.
    Add(Group),
    /// A part of the settings is taken away.
    Remove(Group, u8),
    /// The settings that run are stored as the site's own baseline.
    StoreBaseline,
    /// The changes become those that lead back to a baseline.
    Recall(Baseline),
    /// The changes are dropped.
    Drop,
    /// The meter's figure is corrected by what was caught.
    CorrectMeter,
    /// The other units.
    SwapUnits,
    /// The lock is opened, or closed.
    Lock,
    /// The clock is set.
    SetClock,
    /// The clock is moved by an hour (T4).
    MoveClock {
        /// On, or back.
        on: bool,
    },
    /// The walk begins.
    BeginWalk,
    /// A task is left out.
    Skip(Task),
    /// The walk is signed.
    Sign,
}
