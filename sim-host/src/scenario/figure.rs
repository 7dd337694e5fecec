//! Figures of the full plant that a scenario expects something of: hardness, pressure, salt, brine, drain.
//!
//! Each is a whole number in a small unit: hardness in µg/L as CaCO3, pressure in Pa, volume in nL, mass in mg, level in
//! mm, strength in ppm by weight. They are looked at after every event of the run and at the moments that are named.

use super::expect::Span;
use super::time::Days;
use crate::process::{Process, ProcessError};
use crate::quantity::show::{self, UnitSystem};

/// A figure of the plant's water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Figure {
    /// Hardness of what was delivered last.
    OutletHardness,
    /// Hardness of what last left a tank in service.
    TankHardness,
    /// Pressure at the outlet when water was last drawn.
    OutletPressure,
    /// Pressure before the tanks.
    InletPressure,
    /// Greatest loss of a tank's valve and bed so far.
    BedLoss,
    /// Level in the brine tank above its floor.
    BrineLevel,
    /// Strength of what stands in the brine tank.
    BrineStrength,
    /// Salt in the brine tank, dissolved or not.
    SaltInTank,
    /// Salt drawn into beds so far.
    SaltDrawn,
    /// Water that went into the brine tank so far.
    Refilled,
    /// Water delivered so far.
    Delivered,
    /// The part of it above the site's `hard_above`.
    HardDelivered,
    /// The part of it that passed beside the beds.
    PastBeds,
    /// The part of it that the supply could not have given.
    BeyondSupply,
    /// Water to the drain so far; of one tank, or of all.
    Drained,
    /// What ran over at the drain so far.
    DrainOverflow,
    /// Brine that ran over the brine tank's edge so far, a mass.
    BrineOverflow,
    /// Resin that a tank's backwashes carried off so far.
    ResinLost,
}

/// The unit that a figure is kept and written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measure {
    /// µg/L as CaCO3.
    Hardness,
    /// Pa.
    Pressure,
    /// mm.
    Length,
    /// ppm by weight.
    Share,
    /// mg.
    Mass,
    /// nL.
    Volume,
}

impl Figure {
    /// Every figure with the name that files use.
    pub const ALL: [(&'static str, Self); 18] = [
        ("outlet-hardness", Self::OutletHardness),
        ("tank-hardness", Self::TankHardness),
        ("outlet-pressure", Self::OutletPressure),
        ("inlet-pressure", Self::InletPressure),
        ("bed-loss", Self::BedLoss),
        ("brine-level", Self::BrineLevel),
        ("brine-strength", Self::BrineStrength),
        ("salt-in-tank", Self::SaltInTank),
        ("salt-drawn", Self::SaltDrawn),
        ("refilled", Self::Refilled),
        ("delivered", Self::Delivered),
        ("hard-delivered", Self::HardDelivered),
        ("past-beds", Self::PastBeds),
        ("beyond-supply", Self::BeyondSupply),
        ("drained", Self::Drained),
        ("drain-overflow", Self::DrainOverflow),
        ("brine-overflow", Self::BrineOverflow),
        ("resin-lost", Self::ResinLost),
    ];

    /// The name that files use.
    #[must_use]
    pub fn slug(self) -> &'static str {
        Self::ALL.iter().find(|(_, figure)| *figure == self).map_or("", |(slug, _)| *slug)
    }

    /// Its unit.
    #[must_use]
    pub fn measure(self) -> Measure {
        match self {
            Self::OutletHardness | Self::TankHardness => Measure::Hardness,
            Self::OutletPressure | Self::InletPressure | Self::BedLoss => Measure::Pressure,
            Self::BrineLevel => Measure::Length,
            Self::BrineStrength => Measure::Share,
            Self::SaltInTank | Self::SaltDrawn | Self::BrineOverflow => Measure::Mass,
            Self::Refilled
            | Self::Delivered
            | Self::HardDelivered
            | Self::PastBeds
            | Self::BeyondSupply
            | Self::Drained
            | Self::DrainOverflow
            | Self::ResinLost => Measure::Volume,
        }
    }

    /// Whether it is one tank's own.
    #[must_use]
    pub fn is_of_a_tank(self) -> bool {
        matches!(self, Self::TankHardness | Self::BedLoss | Self::ResinLost)
    }

    /// Whether it may be one tank's, or that of all.
    #[must_use]
    pub fn may_be_of_a_tank(self) -> bool {
        self.is_of_a_tank() || self == Self::Drained
    }

    /// The figure now; none before there is one. `tank` is the index of one.
    fn of(self, process: &mut Process, tank: Option<usize>) -> Result<Option<u64>, ProcessError> {
        let of_tank = |process: &Process, value: fn(&crate::process::TankFigures) -> f64| match tank {
            Some(tank) => process.tanks().get(tank).map(value),
            None => Some(process.tanks().iter().map(value).sum()),
        };
        let value = match self {
            Self::OutletHardness => process.plant().last_delivered.map(|(mg_l, _)| mg_l * 1e3),
            Self::TankHardness => {
                process.tanks().get(tank.unwrap_or(0)).and_then(|t| t.last_mg_l).map(|mg_l| mg_l * 1e3)
            }
            Self::OutletPressure => process.plant().last_delivered.map(|(_, kpa)| kpa * 1e3),
            Self::InletPressure => Some(process.inlet_kpa()? * 1e3),
            Self::BedLoss => of_tank(process, |t| t.highest_loss_kpa * 1e3),
            Self::BrineLevel => Some(process.settled_brine_tank()?.level_m() * 1e3),
            Self::BrineStrength => Some(process.settled_brine_tank()?.weight_percent() * 1e4),
            Self::SaltInTank => {
                let tank = process.settled_brine_tank()?;
                Some((tank.solid_kg() + tank.dissolved_kg()) * 1e6)
            }
            Self::SaltDrawn => Some(process.salt().drawn_kg * 1e6),
            Self::Refilled => Some(process.plant().refilled_l * 1e9),
            Self::Delivered => Some(process.plant().delivered_l * 1e9),
            Self::HardDelivered => Some(process.plant().hard_l * 1e9),
            Self::PastBeds => Some(process.plant().past_bed_l * 1e9),
            Self::BeyondSupply => Some(process.plant().beyond_supply_l * 1e9),
            Self::Drained => of_tank(process, |t| t.drained_l * 1e9),
            Self::DrainOverflow => Some(process.plant().drain_overflow_l * 1e9),
            Self::BrineOverflow => Some(process.plant().brine_overflow_kg * 1e6),
            Self::ResinLost => of_tank(process, |t| t.resin_lost_l * 1e9),
        };
        Ok(value.map(|value| value.max(0.0).round() as u64))
    }

    /// A value of it, for people.
    #[must_use]
    pub fn show(self, value: u64) -> String {
        let metric = UnitSystem::Metric;
        match self.measure() {
            Measure::Hardness => show::hardness(value, metric).to_string(),
            Measure::Pressure => format!("{} kPa", value as f64 / 1e3),
            Measure::Length => format!("{value} mm"),
            Measure::Share => show::share(u32::try_from(value).unwrap_or(u32::MAX)).to_string(),
            Measure::Mass => show::mass(value, metric).to_string(),
            Measure::Volume => show::volume(value, metric).to_string(),
        }
    }
}

/// When a figure is expected to lie within its limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum During {
    /// At a moment, ms.
    At(u64),
    /// All the time.
    Always(Span),
    /// At least once.
    Within(Span),
}

impl During {
    fn span(self) -> Span {
        match self {
            Self::At(ms) => Span { from_ms: ms, to_ms: ms },
            Self::Always(span) | Self::Within(span) => span,
        }
    }
}

/// An expectation of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Of what.
    pub figure: Figure,
    /// The index of a tank, where it is one tank's.
    pub tank: Option<usize>,
    /// When.
    pub during: During,
    /// At least.
    pub least: u64,
    /// At most.
    pub most: u64,
}

impl Limits {
    /// What is expected, in words.
    #[must_use]
    pub fn words(&self, days: Days) -> String {
        let when = match self.during {
            During::At(ms) => format!("at {}", days.show(ms)),
            During::Always(span) => format!("from {} to {}, always", days.show(span.from_ms), days.show(span.to_ms)),
            During::Within(span) => {
                format!("from {} to {}, at least once", days.show(span.from_ms), days.show(span.to_ms))
            }
        };
        let limits = match (self.least, self.most) {
            (least, u64::MAX) => format!("at least {}", self.figure.show(least)),
            (0, most) => format!("at most {}", self.figure.show(most)),
            (least, most) => format!("between {} and {}", self.figure.show(least), self.figure.show(most)),
        };
        let of = self.tank.map_or_else(String::new, |tank| format!(" of tank {}", tank + 1));
        format!("{when}: {}{of} {limits}", self.figure.slug())
    }
}

/// What a figure was while it was looked at: its lowest and highest value, each with the ms.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Seen {
    lowest: Option<(u64, u64)>,
    highest: Option<(u64, u64)>,
    met_once: bool,
}

/// The figures that a scenario asks for, as a run shows them.
#[derive(Clone, Debug, Default)]
pub struct Gauges {
    asked: Vec<(Limits, Seen)>,
    /// The worst line of the plant's balance at the end: its name, and by what share of itself it is open.
    balance: Option<(&'static str, f64)>,
}

impl Gauges {
    /// Gauges for these expectations.
    pub fn new(limits: impl Iterator<Item = Limits>) -> Self {
        Self { asked: limits.map(|limits| (limits, Seen::default())).collect(), balance: None }
    }

    /// The next moment after `now_ms` that is named.
    #[must_use]
    pub fn next_ms(&self, now_ms: u64) -> Option<u64> {
        let named = self.asked.iter().flat_map(|(limits, _)| {
            let span = limits.during.span();
            [span.from_ms, span.to_ms]
        });
        named.filter(|ms| *ms > now_ms).min()
    }

    /// Looks at the plant as it is now.
    ///
    /// # Errors
    /// As [`Process::advance`].
    pub fn look(&mut self, process: &mut Process, now_ms: u64) -> Result<(), ProcessError> {
        for (limits, seen) in &mut self.asked {
            let span = limits.during.span();
            if !(span.from_ms..=span.to_ms).contains(&now_ms) {
                continue;
            }
            let Some(value) = limits.figure.of(process, limits.tank)? else { continue };
            seen.met_once |= (limits.least..=limits.most).contains(&value);
            if seen.lowest.is_none_or(|(lowest, _)| value < lowest) {
                seen.lowest = Some((value, now_ms));
            }
            if seen.highest.is_none_or(|(highest, _)| value > highest) {
                seen.highest = Some((value, now_ms));
            }
        }
        Ok(())
    }

    /// Takes note of the plant's balance at the end.
    pub fn weigh(&mut self, process: &Process) {
        let lines = process.balance();
        let worst = lines.iter().max_by(|a, b| a.relative_error().total_cmp(&b.relative_error()));
        self.balance = worst.map(|line| (line.name, line.relative_error()));
    }

    /// The worst line of the balance, and by what share of itself it is open.
    #[must_use]
    pub fn balance(&self) -> Option<(&'static str, f64)> {
        self.balance
    }

    /// Whether limits were kept, what happened, and around which ms.
    #[must_use]
    pub fn judge(&self, limits: &Limits, days: Days) -> (bool, String, u64) {
        let span = limits.during.span();
        let seen = self.asked.iter().find(|(asked, _)| asked == limits).map(|(_, seen)| *seen).unwrap_or_default();
        let (Some((lowest, low_ms)), Some((highest, high_ms))) = (seen.lowest, seen.highest) else {
            return (false, format!("{} had no value yet", limits.figure.slug()), span.to_ms);
        };
        let met = match limits.during {
            During::At(_) | During::Always(_) => lowest >= limits.least && highest <= limits.most,
            During::Within(_) => seen.met_once,
        };
        let show = |value| limits.figure.show(value);
        let happened = if lowest == highest {
            show(lowest)
        } else {
            format!("{} {} to {} {}", show(lowest), days.show(low_ms), show(highest), days.show(high_ms))
        };
        (met, happened, if highest > limits.most { high_ms } else { low_ms })
    }
}
