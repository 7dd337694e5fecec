//! The settings that can be changed at the panel, as one table: what each is called, what it is measured in, and where it
//! stands in the settings. What is not here is looked at, and changed by a settings image.

use core::fmt;

use bedkeeper::settings::{
    Effect, ExhaustedInWindow, Medium, RawSettings, RemoteRole, Reserve, Schedule, StartRule, StepEnd, WhenClockUnset,
};
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};

use super::show::{GALLON_NL, Lasts, Units, count, percent};
use super::words::step_name;

/// A group of settings.
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
    /// Power cuts and the lock.
    Power,
}

/// Every group, in the order shown, with its name.
pub const GROUPS: [(Group, &str); 11] = [
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
    (Group::Power, "power and lock"),
];

/// What a setting is measured in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A volume, nL.
    Volume,
    /// The volume of a pulse, nL: finer steps.
    Pulse,
    /// A flow, mL/min.
    Flow,
    /// Hardness, µg/L.
    Hardness,
    /// A small concentration, µg/L.
    Trace,
    /// Exchange, µg.
    Exchange,
    /// Salt, mg.
    Salt,
    /// A time in ms that goes by this many of them.
    Time(u32),
    /// Minute of the day.
    Clock,
    /// Per mille, shown in per cent.
    PerMille,
    /// Per cent.
    Percent,
    /// Whole days; nought is off.
    Days,
    /// A plain number.
    Number,
    /// One of these, by its place.
    Choice(&'static [&'static str]),
}

const YES_NO: Kind = Kind::Choice(&["no", "yes"]);
const MS: Kind = Kind::Time(1);
const SECONDS: Kind = Kind::Time(1_000);
const MINUTES: Kind = Kind::Time(60_000);
const HOURS: Kind = Kind::Time(3_600_000);

/// One setting.
#[derive(Clone, Copy, Debug)]
pub struct Field {
    /// Its group.
    pub group: Group,
    /// What people call it.
    pub name: &'static str,
    /// Where it stands in [`RawSettings`], as differences and faults name it.
    pub path: &'static str,
    /// What it is measured in.
    pub kind: Kind,
    get: fn(&RawSettings) -> Option<u64>,
    set: fn(&mut RawSettings, u64),
}

fn narrow<T: TryFrom<u64>>(value: u64, most: T) -> T {
    T::try_from(value).unwrap_or(most)
}

/// A field that is always there and whose figure is the value itself.
macro_rules! plain {
    ($group:ident, $name:literal, $path:literal, $kind:expr, $($part:ident).+ : $type:ident) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: $kind,
            get: |raw| Some(u64::from(raw.$($part).+)),
            set: |raw, value| raw.$($part).+ = narrow(value, $type::MAX),
        }
    };
    ($group:ident, $name:literal, $path:literal, $kind:expr, $($part:ident).+ => $wrap:ident($type:ident)) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: $kind,
            get: |raw| Some(u64::from(raw.$($part).+.0)),
            set: |raw, value| raw.$($part).+ = $wrap(narrow(value, $type::MAX)),
        }
    };
    ($group:ident, $name:literal, $path:literal, $($part:ident).+ : bool) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: YES_NO,
            get: |raw| Some(u64::from(raw.$($part).+)),
            set: |raw, value| raw.$($part).+ = value != 0,
        }
    };
}

/// A field that is a choice between values without data.
macro_rules! choice {
    ($group:ident, $name:literal, $path:literal, $part:ident, { $($words:literal = $value:path),+ }) => {
        Field {
            group: Group::$group,
            name: $name,
            path: $path,
            kind: Kind::Choice(&[$($words),+]),
            get: |raw| [$($value),+].iter().position(|value| *value == raw.$part).and_then(|at| u64::try_from(at).ok()),
            set: |raw, value| {
                let at = usize::try_from(value).unwrap_or(usize::MAX);
                if let Some(value) = [$($value),+].get(at) {
                    raw.$part = *value;
                }
            },
        }
    };
}

const FIELDS: &[Field] = &[
    Field {
        group: Group::Water,
        name: "hardness of the feed",
        path: "medium.hardness",
        kind: Kind::Hardness,
        get: |raw| match raw.medium {
            Medium::Softener { hardness, .. } => Some(u64::from(hardness.0)),
            Medium::Filter { .. } => None,
        },
        set: |raw, value| {
            if let Medium::Softener { hardness, .. } = &mut raw.medium {
                *hardness = Hardness(narrow(value, u32::MAX));
            }
        },
    },
    Field {
        group: Group::Water,
        name: "a regeneration restores",
        path: "medium.capacity",
        kind: Kind::Exchange,
        get: |raw| match raw.medium {
            Medium::Softener { capacity, .. } => Some(capacity.0),
            Medium::Filter { .. } => None,
        },
        set: |raw, value| {
            if let Medium::Softener { capacity, .. } = &mut raw.medium {
                *capacity = Exchange(value);
            }
        },
    },
    Field {
        group: Group::Water,
        name: "the resin can hold",
        path: "medium.total",
        kind: Kind::Exchange,
        get: |raw| match raw.medium {
            Medium::Softener { total, .. } => Some(total.0),
            Medium::Filter { .. } => None,
        },
        set: |raw, value| {
            if let Medium::Softener { total, .. } = &mut raw.medium {
                *total = Exchange(value);
            }
        },
    },
    Field {
        group: Group::Water,
        name: "water between backwashes",
        path: "medium.capacity",
        kind: Kind::Volume,
        get: |raw| match raw.medium {
            Medium::Filter { capacity } => Some(capacity.0),
            Medium::Softener { .. } => None,
        },
        set: |raw, value| {
            if let Medium::Filter { capacity } = &mut raw.medium {
                *capacity = Volume(value);
            }
        },
    },
    plain!(Water, "iron", "metals.iron_ug_per_l", Kind::Trace, metals.iron_ug_per_l: u32),
    plain!(Water, "manganese", "metals.manganese_ug_per_l", Kind::Trace, metals.manganese_ug_per_l: u32),
    plain!(Water, "blending past the tanks", "sharing.bypass_per_mille", Kind::PerMille, sharing.bypass_per_mille: u16),
    plain!(Water, "resin: less in a year", "derating.per_year_per_mille", Kind::PerMille, derating.per_year_per_mille: u16),
    Field {
        group: Group::Meter,
        name: "water for a pulse",
        path: "meter.pulse_nl",
        kind: Kind::Pulse,
        get: |raw| (raw.meter.pulse_divisor == 1).then_some(raw.meter.pulse_nl),
        set: |raw, value| raw.meter.pulse_nl = value,
    },
    plain!(Meter, "largest flow", "meter.rated_max", Kind::Flow, meter.rated_max => Flow(u32)),
    plain!(Meter, "least closure", "meter.min_closed", MS, meter.min_closed => Millis(u32)),
    plain!(Meter, "least opening", "meter.min_open", MS, meter.min_open => Millis(u32)),
    plain!(Meter, "bounce for an alarm", "meter.noisy_per_mille", Kind::PerMille, meter.noisy_per_mille: u16),
    Field {
        group: Group::Reserve,
        name: "kept back",
        path: "reserve",
        kind: Kind::Volume,
        get: |raw| match raw.reserve {
            Reserve::Fixed(volume) => Some(volume.0),
            _ => None,
        },
        set: |raw, value| raw.reserve = Reserve::Fixed(Volume(value)),
    },
    Field {
        group: Group::Reserve,
        name: "kept back",
        path: "reserve",
        kind: Kind::PerMille,
        get: |raw| match raw.reserve {
            Reserve::Share(share) => Some(u64::from(share)),
            _ => None,
        },
        set: |raw, value| raw.reserve = Reserve::Share(narrow(value, u16::MAX)),
    },
    Field {
        group: Group::Reserve,
        name: "floor of what is learned",
        path: "reserve",
        kind: Kind::PerMille,
        get: |raw| match raw.reserve {
            Reserve::Learned(learned) => Some(u64::from(learned.floor_per_mille)),
            _ => None,
        },
        set: |raw, value| {
            if let Reserve::Learned(learned) = &mut raw.reserve {
                learned.floor_per_mille = narrow(value, u16::MAX);
            }
        },
    },
    Field {
        group: Group::Reserve,
        name: "ceiling of what is learned",
        path: "reserve",
        kind: Kind::PerMille,
        get: |raw| match raw.reserve {
            Reserve::Learned(learned) => Some(u64::from(learned.ceiling_per_mille)),
            _ => None,
        },
        set: |raw, value| {
            if let Reserve::Learned(learned) = &mut raw.reserve {
                learned.ceiling_per_mille = narrow(value, u16::MAX);
            }
        },
    },
    choice!(Start, "regenerations begin", "start", start, { "at once" = StartRule::Immediate, "at the hour" = StartRule::AtHour }),
    plain!(Start, "regeneration hour", "hour_minute", Kind::Clock, hour_minute: u16),
    plain!(Start, "grace after the hour", "hour_grace", MINUTES, hour_grace => Millis(u32)),
    plain!(Start, "spent tanks do not wait", "exhausted_at_once", exhausted_at_once: bool),
    plain!(Calendar, "backup after", "backup_days", Kind::Days, backup_days: u8),
    plain!(Calendar, "backup while away", "absence_backup_days", Kind::Days, absence_backup_days: u8),
    Field {
        group: Group::Calendar,
        name: "regenerate every",
        path: "schedule",
        kind: Kind::Days,
        get: |raw| match raw.schedule {
            Schedule::Off => Some(0),
            Schedule::EveryDays(days) => Some(u64::from(days)),
            Schedule::On(_) => None,
        },
        set: |raw, value| {
            raw.schedule = if value == 0 { Schedule::Off } else { Schedule::EveryDays(narrow(value, u8::MAX)) };
        },
    },
    plain!(Calendar, "end before a blackout", "finish_before_window", finish_before_window: bool),
    choice!(Calendar, "spent in a blackout", "exhausted_in_window", exhausted_in_window,
        { "wait" = ExhaustedInWindow::Wait, "regenerate" = ExhaustedInWindow::Override }),
    plain!(Calendar, "change over in a blackout", "changeover_in_window", changeover_in_window: bool),
    choice!(Calendar, "without a clock", "when_clock_unset", when_clock_unset,
        { "blackouts rest" = WhenClockUnset::IgnoreWindows, "hold all" = WhenClockUnset::HoldAll }),
    plain!(Steps, "backwash every", "backwash_every", Kind::Number, backwash_every: u8),
    plain!(Salt, "salt for a regeneration", "salt", Kind::Salt, salt => SaltMass(u32)),
    plain!(Salt, "dose after a backwash", "dose_after_backwash_percent", Kind::Percent, dose_after_backwash_percent: u16),
    plain!(Salt, "flow of the refill", "brine.refill_flow", Kind::Flow, brine.refill_flow => Flow(u32)),
    plain!(Salt, "brine is ready after", "brine_ready_after", MINUTES, brine_ready_after => Millis(u32)),
    plain!(Salt, "doses in a full store", "brine.store_doses", Kind::Number, brine.store_doses: u16),
    plain!(Salt, "few doses left", "brine.low_doses", Kind::Number, brine.low_doses: u16),
    plain!(Limits, "no start above", "start_flow_limit", Kind::Flow, start_flow_limit => Flow(u32)),
    plain!(Limits, "wait for less flow", "flow_wait_limit", MINUTES, flow_wait_limit => Millis(u32)),
    plain!(Limits, "drain water in a day", "discharge_limit", Kind::Volume, discharge_limit => Volume(u64)),
    plain!(Limits, "regenerate together", "max_regenerating", Kind::Number, max_regenerating: u8),
    plain!(Limits, "flush after standing", "stale_after", HOURS, stale_after => Millis(u32)),
    plain!(Limits, "length of the flush", "purge", SECONDS, purge => Millis(u32)),
    plain!(Limits, "overdue after", "overdue_after", HOURS, overdue_after => Millis(u32)),
    plain!(Limits, "none may have to serve", "allow_untreated", allow_untreated: bool),
    choice!(Contacts, "remote contact", "remote", remote,
        { "not used" = RemoteRole::Off, "start now" = RemoteRole::Now, "start at hour" = RemoteRole::AtHour, "hold off" = RemoteRole::HoldOff }),
    plain!(Contacts, "closed at least", "remote_minimum", MS, remote_minimum => Millis(u32)),
    plain!(Contacts, "hold-off at most", "hold_off_limit", HOURS, hold_off_limit => Millis(u32)),
    plain!(Contacts, "steady for", "contact_debounce", MS, contact_debounce => Millis(u32)),
    plain!(Watch, "less is no flow", "watch.small_flow", Kind::Flow, watch.small_flow => Flow(u32)),
    plain!(Watch, "flow without a pause", "watch.unbroken_after", MINUTES, watch.unbroken_after => Millis(u32)),
    plain!(Watch, "a pause lasts", "watch.unbroken_pause", SECONDS, watch.unbroken_pause => Millis(u32)),
    plain!(Watch, "meter silent for", "watch.silent_after", HOURS, watch.silent_after => Millis(u32)),
    plain!(Watch, "maintenance after", "watch.service_volume", Kind::Volume, watch.service_volume => Volume(u64)),
    plain!(Watch, "or after regenerations", "watch.service_regenerations", Kind::Number, watch.service_regenerations: u16),
    plain!(Watch, "or after", "watch.service_days", Kind::Days, watch.service_days: u16),
    plain!(Power, "a step goes on within", "power.resume_within", MINUTES, power.resume_within => Millis(u32)),
    plain!(Power, "restarts at most", "power.max_restarts", Kind::Number, power.max_restarts: u8),
    plain!(Power, "use that is kept", "power.retain_per_mille", Kind::PerMille, power.retain_per_mille: u16),
    plain!(Power, "lock closes after", "locks.relock_after", SECONDS, locks.relock_after => Millis(u32)),
];

/// Which setting: of the table, or the length of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FieldId {
    /// By its place in the table.
    Listed(u8),
    /// The length of a step of the program, by its place.
    Step(u8),
}

impl FieldId {
    fn listed(self) -> Option<&'static Field> {
        match self {
            Self::Listed(at) => FIELDS.get(usize::from(at)),
            Self::Step(_) => None,
        }
    }

    /// Every setting of a group that these settings have, in order.
    pub fn of(group: Group, raw: &RawSettings) -> impl Iterator<Item = Self> + use<'_> {
        let listed = FIELDS.iter().zip(0u8..).filter(move |(field, _)| field.group == group);
        let listed = listed.filter(|(field, _)| (field.get)(raw).is_some()).map(|(_, at)| Self::Listed(at));
        let steps = raw.program.iter().zip(0u8..).filter(move |_| group == Group::Steps);
        listed.chain(steps.map(|(_, at)| Self::Step(at)))
    }

    /// Every setting that these settings have.
    pub fn all(raw: &RawSettings) -> impl Iterator<Item = Self> + use<'_> {
        GROUPS.iter().flat_map(move |(group, _)| Self::of(*group, raw))
    }

    /// The path of its field, as differences and faults name it.
    #[must_use]
    pub fn path(self) -> &'static str {
        self.listed().map_or("program", |field| field.path)
    }

    /// What it is measured in.
    #[must_use]
    pub fn kind(self) -> Kind {
        self.listed().map_or(SECONDS, |field| field.kind)
    }

    /// Its figure, if these settings have it.
    #[must_use]
    pub fn get(self, raw: &RawSettings) -> Option<u64> {
        match self {
            Self::Step(at) => raw.program.get(usize::from(at)).map(|step| u64::from(step.length.0)),
            Self::Listed(_) => self.listed().and_then(|field| (field.get)(raw)),
        }
    }

    /// Gives it another figure.
    pub fn set(self, raw: &mut RawSettings, value: u64) {
        match self {
            Self::Listed(_) => {
                if let Some(field) = self.listed() {
                    (field.set)(raw, value);
                }
            }
            Self::Step(at) => {
                if let Some(step) = raw.program.get_mut(usize::from(at)) {
                    let (before, length) = (step.length.0, narrow(value, u32::MAX));
                    step.length = Millis(length);
                    // One that a volume or a contact ends may last as much longer than before.
                    if let StepEnd::Volume { longest, .. } | StepEnd::Contact { longest } = &mut step.end {
                        longest.0 = longest.0.saturating_sub(before).saturating_add(length);
                    }
                }
            }
        }
    }

    /// What people call it.
    #[must_use]
    pub fn name(self, raw: &RawSettings) -> Name {
        match self {
            Self::Listed(_) => Name { number: 0, text: self.listed().map_or("", |field| field.name) },
            Self::Step(at) => {
                let kind = raw.program.get(usize::from(at)).map(|step| step.kind);
                Name { number: at.saturating_add(1), text: kind.map_or("", step_name) }
            }
        }
    }
}

/// The name of a setting; a step's begins with its number.
#[derive(Clone, Copy, Debug)]
pub struct Name {
    number: u8,
    text: &'static str,
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.number > 0 { write!(f, "{}. {}", self.number, self.text) } else { f.write_str(self.text) }
    }
}

impl Kind {
    /// How far one press goes, in base units.
    fn step(self, units: Units) -> u64 {
        let us = units == Units::Us;
        match self {
            Self::Volume if us => GALLON_NL,
            Self::Volume => 1_000_000_000,
            Self::Pulse if us => GALLON_NL / 100,
            Self::Pulse => 10_000_000,
            Self::Flow if us => 379,
            Self::Flow => 100,
            // Half a grain a US gallon; 5 mg/L.
            Self::Hardness if us => 8_559,
            Self::Hardness => 5_000,
            Self::Trace => 50,
            Self::Exchange if us => 6_479_891,
            Self::Exchange => 10_000_000,
            Self::Salt if us => 45_359,
            Self::Salt => 50_000,
            Self::Time(1) => 10,
            Self::Time(step) => u64::from(step),
            Self::Clock => 5,
            Self::PerMille => 5,
            Self::Percent => 5,
            Self::Days | Self::Number | Self::Choice(_) => 1,
        }
    }

    /// The most that can be given here; the settings' own check says the rest.
    fn most(self) -> u64 {
        match self {
            Self::Volume | Self::Pulse => 1_000_000_000_000_000,
            Self::Flow => 10_000_000,
            Self::Hardness => 5_000_000,
            Self::Trace => 100_000,
            Self::Exchange => 1_000_000_000_000,
            Self::Salt => 1_000_000_000,
            Self::Time(_) => 30 * 86_400_000,
            Self::Clock => 1_439,
            Self::PerMille => 1_000,
            Self::Percent => 1_000,
            Self::Days => 999,
            Self::Number => 9_999,
            Self::Choice(words) => u64::try_from(words.len()).unwrap_or(1).saturating_sub(1),
        }
    }

    /// The next figure up or down: a multiple of the step, further the longer a button is held.
    #[must_use]
    pub fn next(self, units: Units, value: u64, up: bool, held: u16) -> u64 {
        let most = self.most();
        if matches!(self, Self::Choice(_)) {
            return if up { value.saturating_add(1).min(most) } else { value.saturating_sub(1) };
        }
        let faster = match held {
            0..8 => 1,
            8..24 => 10,
            _ => 100,
        };
        let step = self.step(units).saturating_mul(if self == Self::Clock { u64::min(faster, 10) } else { faster });
        let places = if up {
            value.checked_div(step).unwrap_or(0).saturating_add(1)
        } else {
            value.div_ceil(step).saturating_sub(1)
        };
        places.saturating_mul(step).min(most)
    }

    /// A figure in people's units.
    #[must_use]
    pub fn shown(self, units: Units, value: u64) -> Shown {
        Shown { kind: self, units, value }
    }
}

/// A figure of a setting, to be printed.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    kind: Kind,
    units: Units,
    value: u64,
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (units, value) = (self.units, self.value);
        let low = u32::try_from(value).unwrap_or(u32::MAX);
        match self.kind {
            Kind::Volume | Kind::Pulse => units.volume(Volume(value)).fmt(f),
            Kind::Flow => units.flow(Flow(low)).fmt(f),
            Kind::Hardness => units.hardness(Hardness(low)).fmt(f),
            Kind::Trace => Units::Metric.hardness(Hardness(low)).fmt(f),
            Kind::Exchange => units.exchange(Exchange(value)).fmt(f),
            Kind::Salt => units.salt(SaltMass(low)).fmt(f),
            Kind::Time(1) if value < 10_000 => write!(f, "{value} ms"),
            Kind::Time(_) => write!(f, "{:#}", Lasts(value)),
            Kind::Clock => write!(f, "{:02}:{:02}", value / 60, value % 60),
            Kind::PerMille => percent(narrow(value, u16::MAX)).fmt(f),
            Kind::Percent => write!(f, "{value} %"),
            Kind::Days if value == 0 => f.write_str("off"),
            Kind::Days if value == 1 => f.write_str("1 day"),
            Kind::Days => write!(f, "{value} days"),
            Kind::Number => count(value).fmt(f),
            Kind::Choice(words) => {
                let at = usize::try_from(value).unwrap_or(usize::MAX);
                f.write_str(words.get(at).copied().unwrap_or("?"))
            }
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
