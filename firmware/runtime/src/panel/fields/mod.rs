//! The settings that are changed at the panel, as tables: what each is called, what it is measured in, and where it stands
//! in the settings. A setting that there are several of, as of steps or windows, is a field with the place of its part.

/// A field of a part that may not be there.
macro_rules! part {
    ($group:ident, $name:literal, $path:literal, $kind:expr, $get:expr, $set:expr) => {
        Field { group: Group::$group, name: $name, path: $path, kind: $kind, get: $get, set: $set }
    };
}

mod bits;
mod drives;
mod kind;
mod outputs;
mod parts;
mod plant;
mod program;
mod table;

use core::fmt;

use bedkeeper::settings::{Effect, RawSettings};

pub use kind::{Kind, Member, Members, Shown, bit};

use super::words::{Plain, step_name};

/// A group of settings. Those from [`Group::Window`] on are parts of others, and there may be several of each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Group {
    /// What is in the water and in the tanks.
    Water,
    /// The meters.
    Meter,
    /// What is kept back.
    Reserve,
    /// When regenerations start.
    Start,
    /// Days and blackout windows.
    Calendar,
    /// The steps.
    Steps,
    /// Salt and brine.
    Salt,
    /// What is not to be exceeded.
    Limits,
    /// Contacts.
    Contacts,
    /// What is watched.
    Watch,
    /// How alarms are treated.
    Alarms,
    /// Relays.
    Relays,
    /// Tanks, and what they share.
    Plant,
    /// The valve drives.
    Drive,
    /// Power cuts.
    Power,
    /// The locks.
    Locks,
    /// A blackout window.
    Window,
    /// A step.
    Step,
    /// A relay.
    Relay,
    /// An alarm.
    Alarm,
    /// The flow above which a further tank joins.
    Threshold,
    /// A position of the drives.
    Position,
}

/// Every group that is no part of another, in the order shown, with its name.
pub const GROUPS: [(Group, &str); 16] = [
    (Group::Water, "water and resin"),
    (Group::Meter, "meter"),
    (Group::Reserve, "reserve"),
    (Group::Start, "start"),
    (Group::Calendar, "days and blackouts"),
    (Group::Steps, "steps"),
    (Group::Salt, "salt and brine"),
    (Group::Limits, "limits"),
    (Group::Contacts, "contacts"),
    (Group::Watch, "watch, maintenance"),
    (Group::Alarms, "how grave alarms are"),
    (Group::Relays, "relays"),
    (Group::Plant, "tanks"),
    (Group::Drive, "valve drives"),
    (Group::Power, "power cuts"),
    (Group::Locks, "locks"),
];

const YES_NO: Kind = Kind::Choice(&["no", "yes"]);
const MS: Kind = Kind::Time(1);
const SECONDS: Kind = Kind::Time(1_000);
const MINUTES: Kind = Kind::Time(60_000);
const HOURS: Kind = Kind::Time(3_600_000);

/// One setting, or the like of each part.
#[derive(Clone, Copy, Debug)]
struct Field {
    group: Group,
    /// What people call it.
    name: &'static str,
    /// Where it stands in [`RawSettings`], as differences and faults name it.
    path: &'static str,
    kind: Kind,
    /// Its figure, if these settings have it; the second argument is the place of the part.
    get: fn(&RawSettings, usize) -> Option<u64>,
    set: fn(&mut RawSettings, usize, u64),
}

fn narrow<T: TryFrom<u64>>(value: u64, most: T) -> T {
    T::try_from(value).unwrap_or(most)
}

const TABLES: [&[Field]; 5] = [table::FIELDS, program::FIELDS, outputs::FIELDS, plant::FIELDS, drives::FIELDS];

fn listed() -> impl Iterator<Item = &'static Field> {
    TABLES.into_iter().flatten()
}

/// Which setting: by its place in the tables, and of which part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FieldId {
    at: u8,
    of: u8,
}

impl FieldId {
    fn listed(self) -> Option<&'static Field> {
        let mut at = usize::from(self.at);
        for table in TABLES {
            if let Some(field) = table.get(at) {
                return Some(field);
            }
            at = at.checked_sub(table.len())?;
        }
        None
    }

    /// Every setting of a group, or of a part of it, that these settings have, in order.
    pub fn of(group: Group, of: u8, raw: &RawSettings) -> impl Iterator<Item = Self> + use<'_> {
        let mine = listed().zip(0u8..).filter(move |(field, _)| field.group == group);
        let there = mine.filter(move |(field, _)| (field.get)(raw, usize::from(of)).is_some());
        there.map(move |(_, at)| Self { at, of })
    }

    /// Every setting that these settings have.
    pub fn all(raw: &RawSettings) -> impl Iterator<Item = Self> + use<'_> {
        GROUPS.iter().flat_map(move |(group, _)| {
            let parts = group.parts().into_iter();
            let parts = parts.flat_map(move |part| (0..part.count(raw)).flat_map(move |of| Self::of(part, of, raw)));
            Self::of(*group, 0, raw).chain(parts)
        })
    }

    /// The place of the part it is of.
    #[must_use]
    pub const fn part(self) -> u8 {
        self.of
    }

    /// Its group.
    #[must_use]
    pub fn group(self) -> Group {
        self.listed().map_or(Group::Water, |field| field.group)
    }

    /// The path of its field, as differences and faults name it.
    #[must_use]
    pub fn path(self) -> &'static str {
        self.listed().map_or("", |field| field.path)
    }

    /// What it is measured in.
    #[must_use]
    pub fn kind(self) -> Kind {
        self.listed().map_or(Kind::Number, |field| field.kind)
    }

    /// Its figure, if these settings have it.
    #[must_use]
    pub fn get(self, raw: &RawSettings) -> Option<u64> {
        self.listed().and_then(|field| (field.get)(raw, usize::from(self.of)))
    }

    /// Gives it another figure; says whether it has it then.
    pub fn set(self, raw: &mut RawSettings, value: u64) -> bool {
        // A figure that is shown rounded stays as it is until it is given another.
        if self.get(raw) != Some(value)
            && let Some(field) = self.listed()
        {
            (field.set)(raw, usize::from(self.of), value);
        }
        self.get(raw) == Some(value)
    }

    /// The code that a lock needs from now on, if this is what opens it and a code is wanted.
    #[must_use]
    pub fn code(self, raw: &RawSettings) -> Option<Self> {
        let mut codes = Self::of(Group::Locks, 0, raw).filter(|other| other.kind() == Kind::Code);
        codes.find(|code| *code != self && code.path() == self.path())
    }

    /// What people call it.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.listed().map_or("", |field| field.name)
    }
}

/// Whether some setting here is what a difference or a fault names, which may be a whole part of the settings.
#[must_use]
pub fn is_known(named: &str) -> bool {
    let covers = |path: &str| path == named || path.strip_prefix(named).is_some_and(|rest| rest.starts_with('.'));
    listed().any(|field| covers(field.path))
}

/// What a part is called.
#[derive(Clone, Copy, Debug)]
pub struct PartName<'s> {
    /// Of which kind.
    pub group: Group,
    /// Its place.
    pub of: u8,
    /// The settings it is in.
    pub raw: &'s RawSettings,
}

impl fmt::Display for PartName<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (at, number) = (usize::from(self.of), self.of.saturating_add(1));
        match self.group {
            Group::Window => write!(f, "blackout {number}"),
            Group::Step => {
                let kind = self.raw.program.get(at).map_or("step", |step| step_name(step.kind));
                write!(f, "{number}. {kind}")
            }
            Group::Relay => write!(f, "relay {number}"),
            Group::Alarm => match outputs::alarm(at) {
                Some(alarm) => Plain(alarm.slug()).fmt(f),
                None => f.write_str("alarm"),
            },
            Group::Threshold => write!(f, "tank {}", number.saturating_add(1)),
            Group::Position => write!(f, "position {number}"),
            group => f.write_str(GROUPS.iter().find(|(of, _)| *of == group).map_or("", |(_, name)| *name)),
        }
    }
}

/// When a change can take effect, in few words.
#[must_use]
pub const fn effect(effect: Effect) -> &'static str {
    match effect {
        Effect::AtOnce => "at once",
        Effect::BetweenRegenerations => "when none regenerates",
        Effect::Restart => "only at a restart",
    }
}
