//! What settings are measured in: how far a press goes, how much there may be, and how it is shown.

use core::fmt;

use bedkeeper::program::StepKind;
use bedkeeper::settings::RawSettings;
use bedkeeper::units::{Exchange, Flow, Hardness, SaltMass, Volume};

use super::narrow;
use crate::panel::show::{GALLON_NL, Lasts, Units, count, date, percent, weekday};
use crate::panel::words::step_name;

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
    /// How strong brine is, mg/L.
    Brine,
    /// Exchange, µg.
    Exchange,
    /// Salt, mg.
    Salt,
    /// A time in ms that goes by this many of them.
    Time(u32),
    /// Minute of the day.
    Clock,
    /// A day since 2000-01-01, from 1; nought is unknown.
    Date,
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
    /// Some of these, bit by bit.
    Set(Members),
    /// A code, which is never shown.
    Code,
}

/// What may be in a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Members {
    /// Weekdays, from Monday.
    Weekdays,
    /// Tanks.
    Tanks,
    /// What steps do.
    Steps,
    /// Pilots.
    Pilots,
}

impl Members {
    /// How many there are at a site.
    #[must_use]
    pub fn count(self, raw: &RawSettings) -> u8 {
        match self {
            Self::Weekdays => 7,
            Self::Tanks => raw.tanks.min(8),
            Self::Steps | Self::Pilots => 8,
        }
    }

    /// One of them.
    #[must_use]
    pub const fn member(self, at: u8) -> Member {
        Member { of: self, at }
    }
}

const EVERY_DAY: u64 = 0x7f;
const EVERY_STEP: u64 = 0xff;

/// The bit of a member.
#[must_use]
pub fn bit(at: u8) -> u64 {
    1u64.checked_shl(u32::from(at)).unwrap_or(0)
}

/// One of a set, to be printed.
#[derive(Clone, Copy, Debug)]
pub struct Member {
    of: Members,
    at: u8,
}

impl fmt::Display for Member {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.of {
            Members::Weekdays => f.write_str(weekday(self.at)),
            Members::Tanks | Members::Pilots => write!(f, "{}", self.at.saturating_add(1)),
            Members::Steps => f.write_str(StepKind::ALL.get(usize::from(self.at)).map_or("?", |kind| step_name(*kind))),
        }
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
            Self::Brine => 1_000,
            Self::Exchange if us => 6_479_891,
            Self::Exchange => 10_000_000,
            Self::Salt if us => 45_359,
            Self::Salt => 50_000,
            Self::Time(1) => 10,
            Self::Time(step) => u64::from(step),
            Self::Clock => 5,
            Self::PerMille => 5,
            Self::Percent => 5,
            Self::Days | Self::Number | Self::Date | Self::Choice(_) | Self::Set(_) | Self::Code => 1,
        }
    }

    /// The most that can be given here; the settings' own check says the rest.
    fn most(self) -> u64 {
        match self {
            Self::Volume | Self::Pulse => 1_000_000_000_000_000,
            Self::Flow => 10_000_000,
            Self::Hardness => 5_000_000,
            Self::Trace => 100_000,
            Self::Brine => 400_000,
            Self::Exchange => 1_000_000_000_000,
            Self::Salt => 1_000_000_000,
            Self::Time(_) => 30 * 86_400_000,
            Self::Clock => 1_439,
            Self::PerMille => 1_000,
            Self::Percent => 1_000,
            Self::Days => 999,
            Self::Number => 9_999,
            Self::Date => 36_525,
            Self::Set(_) => 0xff,
            Self::Code => u64::from(u32::MAX),
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
            Kind::Brine => write!(f, "{}.{} g/L", value / 1_000, value % 1_000 / 100),
            Kind::Exchange => units.exchange(Exchange(value)).fmt(f),
            Kind::Salt => units.salt(SaltMass(low)).fmt(f),
            Kind::Time(1) if value < 10_000 => write!(f, "{value} ms"),
            Kind::Time(_) => write!(f, "{:#}", Lasts(value)),
            Kind::Clock => write!(f, "{:02}:{:02}", value / 60, value % 60),
            Kind::Date if value == 0 => f.write_str("not known"),
            Kind::Date => {
                let (year, month, day) = date(low.saturating_sub(1));
                write!(f, "{year}-{month:02}-{day:02}")
            }
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
            Kind::Set(_) if value == 0 => f.write_str("none"),
            Kind::Set(Members::Weekdays) if value == EVERY_DAY => f.write_str("every day"),
            Kind::Set(Members::Steps) if value == EVERY_STEP => f.write_str("all"),
            Kind::Set(members) => {
                let mut gap = "";
                (0..8).filter(|at| value & bit(*at) != 0).try_for_each(|at| {
                    write!(f, "{gap}{}", members.member(at))?;
                    gap = ", ";
                    Ok(())
                })
            }
            Kind::Code => f.write_str("****"),
        }
    }
}
