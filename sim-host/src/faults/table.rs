//! The table of faults as data: what can fail, what is promised, and whether a site can have it.

use std::str::FromStr;

use bedkeeper::settings::{CamFeedback, MeterPlace, RawDrive, RawSettings, RemoteRole, StepEnd};
use bedkeeper::units::Millis;
use bedkeeper::watch::Alarm;
use serde::Deserialize;

use crate::quantity::parse_duration_ms;

/// The table that is built in.
const BUILT_IN: &str = include_str!("table.toml");
/// What a drive may take besides its tries: to come to rest, and to be told.
const TRIES_AND_MS: u64 = 60_000;
/// A bounce of the table's is closed for so long.
const BOUNCE: Millis = Millis(2);

/// Every way in which something fails.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Table {
    /// The rows, in the order of the file.
    #[serde(rename = "fault")]
    pub rows: Vec<Row>,
}

/// One way in which something fails.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// One word for it.
    pub name: String,
    /// What fails.
    pub component: String,
    /// How it fails.
    pub way: String,
    /// What happens, as sections of a scenario.
    #[serde(default)]
    pub event: Vec<String>,
    /// What happens to the water.
    #[serde(default)]
    pub water: Option<WaterFault>,
    /// With water, resin, brine and pressure.
    #[serde(default)]
    pub plant: Option<PlantKind>,
    /// What the site must have for it.
    #[serde(default)]
    pub needs: Option<Need>,
    /// How long it lasts, if not until both tanks have regenerated.
    #[serde(default)]
    pub stands: Option<Span>,
    /// From when on it can be noticed.
    #[serde(default)]
    pub notices: Option<Notice>,
    /// One of these is raised.
    #[serde(default)]
    pub alarms: Vec<AlarmName>,
    /// Within so long.
    #[serde(default)]
    pub within: Option<Within>,
    /// Why no alarm is promised, and who notices.
    #[serde(default)]
    pub silent: Option<String>,
    /// The rules that promise it.
    pub rules: Vec<String>,
    /// What the controller does.
    pub promise: String,
    /// What to do about it.
    pub look: String,
    /// Rules that are not promised meanwhile.
    #[serde(default)]
    pub spared: Vec<String>,
    /// Why not.
    #[serde(default)]
    pub because: Option<String>,
    /// What is promised less of where a drive tells less.
    #[serde(default, rename = "where")]
    pub less: Vec<Less>,
}

/// What is not promised where valves are driven so.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Less {
    /// By which drives.
    pub drive: Telling,
    /// Why no alarm is promised, and who notices.
    #[serde(default)]
    pub silent: Option<String>,
    /// Rules that are not promised meanwhile.
    #[serde(default)]
    pub spared: Vec<String>,
    /// Why not.
    #[serde(default)]
    pub because: Option<String>,
}

/// How much a drive tells of where its valve stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Telling {
    /// Home, and how many stops or marks have passed.
    Counts,
    /// Nothing, once power was off.
    Nothing,
}

impl Telling {
    /// Whether a site's drives tell so much.
    fn is_of(self, drive: &RawDrive) -> bool {
        match self {
            Self::Counts => counts_position(drive),
            Self::Nothing => matches!(drive, RawDrive::Timed { .. } | RawDrive::PilotArray { .. }),
        }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Counts => "a drive that counts from home",
            Self::Nothing => "a timed drive, or pilots",
        }
    }
}

/// What happens to the water.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WaterFault {
    /// It flows, and no pulse comes.
    Silent,
    /// Far more flows than the meter is rated for.
    Burst,
    /// A little flows on for ever.
    Leak,
    /// A closed tank's own meter turns.
    Passes,
}

/// Which plant it takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlantKind {
    /// With water, resin, brine and pressure.
    Full,
}

/// What a site must have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Need {
    /// A remote contact that holds off.
    HoldOff,
    /// A watch for a meter that is silent.
    SilenceWatch,
    /// A watch for flow without a pause.
    LeakWatch,
    /// A meter contact whose short closures are not counted.
    BounceFilter,
    /// A meter for each tank.
    PerTankMeters,
    /// A contact that ends the draw.
    BrineEmpty,
    /// No such contact.
    NoBrineEmpty,
    /// A drive that tells of every position.
    SeesPosition,
    /// A drive that tells of home, and of others by the count.
    CountsPosition,
    /// A contact that tells whether a valve follows its pilots.
    PilotContact,
    /// Pilots without one.
    NoPilotContact,
}

/// From when on something can be noticed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Notice {
    /// As soon as it happens.
    AtOnce,
    /// Once the valve is to be moved.
    Moved,
    /// Once it is to be moved forward.
    MovedForward,
    /// Once it is to be moved back.
    MovedBack,
    /// Once it is to be moved to the position of the switch.
    Sought,
    /// Once it is to be moved elsewhere than there.
    Elsewhere,
    /// Once it is to leave the position.
    Leaving,
    /// Where it rests when it happens.
    Resting,
    /// Once power is back.
    Powered,
    /// Once the tank is out.
    Out,
}

/// An alarm by its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct AlarmName(pub Alarm);

impl TryFrom<String> for AlarmName {
    type Error = String;

    fn try_from(name: String) -> Result<Self, String> {
        let found = Alarm::ALL.iter().copied().find(|alarm| alarm.slug() == name);
        found.map(Self).ok_or_else(|| format!("there is no alarm `{name}`"))
    }
}

/// A length of time, ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Span(pub u64);

impl TryFrom<String> for Span {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        parse_duration_ms(&text).map(Self).map_err(|error| error.to_string())
    }
}

/// Within what time an alarm is promised.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum Within {
    /// So many ms.
    Ms(u64),
    /// All tries of the drive.
    Tries,
    /// What the site says of a silent meter, and an hour.
    Silence,
    /// What the site says of flow without a pause, and an hour.
    Leak,
    /// What the site says of the hold-off contact, and a minute.
    HoldOff,
}

impl TryFrom<String> for Within {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Ok(match text.as_str() {
            "tries" => Self::Tries,
            "silence" => Self::Silence,
            "leak" => Self::Leak,
            "hold-off" => Self::HoldOff,
            other => Self::Ms(Span::try_from(other.to_owned())?.0),
        })
    }
}

impl Within {
    /// In ms at a site.
    #[must_use]
    pub fn ms(self, raw: &RawSettings) -> u64 {
        let ms = |time: Millis| u64::from(time.0);
        match self {
            Self::Ms(ms) => ms,
            Self::Tries => {
                let (limit, rest) = (raw.travel_limit().max(shared_limit(raw)), raw.drive.rest());
                (ms(limit) + ms(rest)) * (u64::from(retries(raw)) + 1) + TRIES_AND_MS
            }
            Self::Silence => ms(raw.watch.silent_after) + 3_600_000,
            Self::Leak => ms(raw.watch.unbroken_after) + 3_600_000,
            Self::HoldOff => ms(raw.hold_off_limit) + 60_000,
        }
    }

    /// In words, whatever the site.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Ms(ms) => format!("within {}", crate::quantity::show::duration(ms)),
            Self::Tries => "once the drive's tries are over".to_owned(),
            Self::Silence => "after the site's `silent_after`".to_owned(),
            Self::Leak => "after the site's `unbroken_after`".to_owned(),
            Self::HoldOff => "after the site's `hold_off_limit`".to_owned(),
        }
    }
}

fn shared_limit(raw: &RawSettings) -> Millis {
    raw.sharing.shared_valve.map_or(Millis::ZERO, |valve| valve.travel_limit)
}

fn retries(raw: &RawSettings) -> u8 {
    let own = match &raw.drive {
        RawDrive::CamSwitch { retries, .. } | RawDrive::CamIndex { retries, .. } => *retries,
        RawDrive::TwoPosition { valve, .. } => valve.retries,
        RawDrive::PilotArray { retries, .. } => *retries,
        RawDrive::Timed { .. } => 0,
    };
    own.max(raw.sharing.shared_valve.map_or(0, |valve| valve.retries))
}

/// Why a text is no table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TableError {
    /// It is not written as a table is.
    #[error("{0}")]
    Syntax(String),
    /// A row contradicts itself.
    #[error("fault `{name}`: {why}")]
    Row {
        /// Which.
        name: String,
        /// How.
        why: &'static str,
    },
}

impl Table {
    /// The table that is built in.
    ///
    /// # Errors
    /// None: a test reads it.
    pub fn built_in() -> Result<Self, TableError> {
        BUILT_IN.parse()
    }
}

impl FromStr for Table {
    type Err = TableError;

    fn from_str(text: &str) -> Result<Self, TableError> {
        let table: Self = toml::from_str(text).map_err(|error| TableError::Syntax(error.to_string()))?;
        for (i, row) in table.rows.iter().enumerate() {
            let refuse = |why| Err(TableError::Row { name: row.name.clone(), why });
            if table.rows.iter().take(i).any(|other| other.name == row.name) {
                return refuse("the name stands twice");
            }
            let told = (row.notices.is_some(), !row.alarms.is_empty(), row.within.is_some());
            match (told, row.silent.is_some()) {
                ((true, true, true), false) | ((false, false, false), true) => {}
                ((_, _, _), _) => return refuse("either `notices`, `alarms` and `within`, or `silent`"),
            }
            if row.spared.is_empty() != row.because.is_none() {
                return refuse("`spared` and `because` go together");
            }
            if row.less.iter().any(|less| less.spared.is_empty() != less.because.is_none()) {
                return refuse("`spared` and `because` go together");
            }
            if row.less.iter().any(|less| less.silent.is_none() && less.spared.is_empty()) {
                return refuse("`where` needs `silent`, or `spared` and `because`");
            }
            if row.water.is_some() && !row.event.is_empty() {
                return refuse("one of `event` and `water`");
            }
            if row.rules.is_empty() {
                return refuse("needs rules that promise it");
            }
        }
        Ok(table)
    }
}

impl Row {
    /// What it promises at a site.
    #[must_use]
    pub fn promised_at(mut self, raw: &RawSettings) -> Self {
        let less: Vec<_> = self.less.iter().filter(|less| less.drive.is_of(&raw.drive)).cloned().collect();
        for less in less {
            if less.silent.is_some() {
                (self.silent, self.notices, self.within) = (less.silent, None, None);
                self.alarms.clear();
            }
            self.spared.extend(less.spared);
            self.because = less.because.or(self.because);
        }
        self
    }

    /// Whether anything happens that can be run.
    #[must_use]
    pub fn runs(&self) -> bool {
        !self.event.is_empty() || self.water.is_some()
    }

    /// Why a site cannot have it; what its valves cannot have is not looked at here.
    #[must_use]
    pub fn misses(&self, raw: &RawSettings) -> Option<&'static str> {
        let ends_by_contact = |kind| {
            let contact = |step: &bedkeeper::settings::RawStep| matches!(step.end, StepEnd::Contact { .. });
            raw.program.iter().any(|step| step.kind == kind && contact(step))
        };
        let brine_empty = ends_by_contact(bedkeeper::program::StepKind::BrineDraw);
        let (has, misses) = match self.needs? {
            Need::HoldOff => (raw.remote == RemoteRole::HoldOff, "no hold-off contact"),
            Need::SilenceWatch => (raw.watch.silent_after > Millis::ZERO, "no watch for silence"),
            Need::LeakWatch => (raw.watch.unbroken_after > Millis::ZERO, "no watch for leaks"),
            Need::BounceFilter => (raw.meter.min_closed > BOUNCE, "counts every closure"),
            Need::PerTankMeters => (raw.meter.place == MeterPlace::PerTank, "one meter for all"),
            Need::BrineEmpty => (brine_empty, "no level contact in the brine tank"),
            Need::NoBrineEmpty => (!brine_empty, "a level contact tells"),
            Need::SeesPosition => (sees_position(raw), "the drive does not see its position"),
            Need::CountsPosition => (counts_position(&raw.drive), "the drive does not count"),
            Need::PilotContact => (pilot_contact(raw) == Some(true), "no pilots with a contact"),
            Need::NoPilotContact => (pilot_contact(raw) == Some(false), "no pilots without a contact"),
        };
        (!has).then_some(misses)
    }
}

/// Whether a contact tells that a valve follows its pilots; none where it has no pilots.
fn pilot_contact(raw: &RawSettings) -> Option<bool> {
    match raw.drive {
        RawDrive::PilotArray { contact, .. } => Some(contact),
        _ => None,
    }
}

/// The drive tells of every position.
fn sees_position(raw: &RawSettings) -> bool {
    matches!(
        raw.drive,
        RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. }
    )
}

/// The drive tells of home, and of every other position by the count.
fn counts_position(drive: &RawDrive) -> bool {
    matches!(drive, RawDrive::CamSwitch { feedback: CamFeedback::HomeAndStop, .. } | RawDrive::CamIndex { .. })
}
