//! Water as a scenario gives it: rows, flows, generated use or a recording, turned into pulses as the plant stands.

use std::iter::Peekable;
use std::path::PathBuf;

use bedkeeper::RawSettings;
use bedkeeper::program::Position;
use bedkeeper::settings::MeterPlace;

use super::faulty::{Faulty, Injected};
use crate::demand::{Demand, Draw};
use crate::recording::{COMMON_METER, Entry, Pulses, Recording};
use crate::replay::{ReplayError, World};

/// What a scenario says about water.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Water {
    /// None flows.
    #[default]
    None,
    /// Pulses at stated moments, in order of time.
    Rows(Vec<Pulses>),
    /// Steady flows, in order of their beginning.
    Flows(Vec<Draw>),
    /// Generated use.
    Demand(Demand),
    /// A recording in a file.
    File(PathBuf),
    /// A bundled recording.
    Bundled(&'static str),
    /// A recording made faulty on purpose.
    Faulty(Box<Injected>),
}

/// Gives the pulses one after the other.
pub enum Source {
    /// Pulses at stated moments.
    Rows(std::vec::IntoIter<Pulses>, Option<Pulses>),
    /// From a recording.
    Recording(Box<Recording>, Option<Entry>),
    /// From a recording that is made faulty.
    Faulty(Box<Faulty>, Option<Entry>),
    /// From flows.
    Flow(Flow),
}

/// Pulses of flowing water: whoever's meter the water passes counts it.
pub struct Flow {
    draws: Peekable<Box<dyn Iterator<Item = Draw>>>,
    active: Vec<Draw>,
    at_ms: u64,
    /// One common meter; else one per tank.
    common: bool,
    /// Water since the last pulse, meter by meter, in units of `1/(3·divisor)` nL.
    gathered: Vec<u128>,
    /// The same of one pulse.
    pulse: u128,
    divisor: u128,
}

impl Source {
    /// Opens what the scenario says.
    ///
    /// # Errors
    /// A recording cannot be read, or is of another meter.
    pub fn open(water: &Water, raw: &RawSettings) -> Result<Self, ReplayError> {
        let flow = |draws: Box<dyn Iterator<Item = Draw>>| Self::Flow(Flow::new(draws, raw));
        Ok(match water {
            Water::None => Self::Rows(Vec::new().into_iter(), None),
            Water::Rows(rows) => {
                let mut rows = rows.clone().into_iter();
                let first = rows.next();
                Self::Rows(rows, first)
            }
            Water::Flows(draws) => flow(Box::new(draws.clone().into_iter())),
            Water::Demand(demand) => flow(Box::new(demand.draws())),
            Water::File(path) => Self::recording(Recording::open(path)?, raw)?,
            Water::Bundled(name) => Self::recording(crate::demo::bundled_recording(name)?, raw)?,
            Water::Faulty(injected) => {
                let mut faulty = Faulty::open(injected, raw)?;
                let first = faulty.next_entry()?;
                Self::Faulty(Box::new(faulty), first)
            }
        })
    }

    fn recording(mut recording: Recording, raw: &RawSettings) -> Result<Self, ReplayError> {
        recording.fits(&raw.meter).map_err(ReplayError::Mismatch)?;
        let first = recording.next_entry()?;
        Ok(Self::Recording(Box::new(recording), first))
    }

    /// Whether a contact is told of that the logic has to judge, in place of pulses.
    #[must_use]
    pub fn has_edges(&self) -> bool {
        match self {
            Self::Recording(recording, _) => recording.has_edges(),
            Self::Faulty(_, first) => matches!(first, Some(Entry::Edge(_))),
            Self::Rows(..) | Self::Flow(_) => false,
        }
    }

    /// When water next matters, as the plant stands.
    #[must_use]
    pub fn next_ms(&mut self, world: &World) -> Option<u64> {
        match self {
            Self::Rows(_, next) => next.map(|pulses| pulses.at_ms),
            Self::Recording(_, next) | Self::Faulty(_, next) => next.map(|entry| entry.at_ms()),
            Self::Flow(flow) => flow.next_ms(&open_meters(world)),
        }
    }

    /// Lets water flow until a time as the plant stands.
    pub fn flow_to(&mut self, at_ms: u64, world: &World) {
        if let Self::Flow(flow) = self {
            flow.flow_to(at_ms, &open_meters(world));
        }
    }

    /// Tells the full plant of the next pulses, where only they are known; once, before time goes on to them.
    pub fn announce(&self, world: &mut World) {
        if let Self::Rows(_, Some(pulses))
        | Self::Recording(_, Some(Entry::Pulses(pulses)))
        | Self::Faulty(_, Some(Entry::Pulses(pulses))) = self
        {
            world.expect_water(pulses);
        }
    }

    /// Tells the full plant what the building draws from now on, where that is known.
    pub fn tell(&self, world: &mut World) {
        if let Self::Flow(flow) = self {
            let drawn_ml_min = flow.drawn_ml_min(&open_meters(world));
            if let Some(process) = &mut world.process {
                process.draw_l_min(drawn_ml_min as f64 / 1e3);
            }
        }
    }

    /// The building draws this much by hand from now on, besides what flows anyway; nothing where a recording draws.
    pub(super) fn draw_by_hand(&mut self, ml_per_min: u32) {
        if let Self::Flow(flow) = self {
            flow.active.retain(|draw| draw.to_ms != u64::MAX);
            if ml_per_min > 0 {
                flow.active.push(Draw { from_ms: flow.at_ms, to_ms: u64::MAX, ml_per_min, meter: None });
            }
        }
    }

    /// The next pulses, or edge of a contact, that are due.
    ///
    /// # Errors
    /// The recording cannot be read on.
    pub fn take(&mut self, now_ms: u64) -> Result<Option<Entry>, ReplayError> {
        match self {
            Self::Rows(rows, next) if next.is_some_and(|pulses| pulses.at_ms <= now_ms) => {
                Ok(std::mem::replace(next, rows.next()).map(Entry::Pulses))
            }
            Self::Recording(recording, next) if next.is_some_and(|entry| entry.at_ms() <= now_ms) => {
                let following = recording.next_entry()?;
                Ok(std::mem::replace(next, following))
            }
            Self::Faulty(faulty, next) if next.is_some_and(|entry| entry.at_ms() <= now_ms) => {
                let following = faulty.next_entry()?;
                Ok(std::mem::replace(next, following))
            }
            Self::Flow(flow) => Ok(flow.take(now_ms).map(Entry::Pulses)),
            _ => Ok(None),
        }
    }
}

/// Which tanks' beds water can pass to the building, by the plant.
fn open_meters(world: &World) -> Vec<bool> {
    world.valves().iter().map(|valve| valve.position() == Some(Position::Service)).collect()
}

impl Flow {
    fn new(draws: Box<dyn Iterator<Item = Draw>>, raw: &RawSettings) -> Self {
        let common = raw.meter.place == MeterPlace::Common;
        let meters = if common { 1 } else { usize::from(raw.tanks) };
        let divisor = u128::from(raw.meter.pulse_divisor);
        Self {
            draws: draws.peekable(),
            active: Vec::new(),
            at_ms: 0,
            common,
            gathered: vec![0; meters],
            pulse: u128::from(raw.meter.pulse_nl) * 3,
            divisor,
        }
    }

    /// What each meter gains in a millisecond, in units of `1/(3·divisor)` nL: 1 mL/min is 50/3 nL/ms.
    fn rates(&self, open: &[bool]) -> Vec<u128> {
        let mut rates = vec![0; self.gathered.len()];
        for draw in &self.active {
            let rate = u128::from(draw.ml_per_min) * 50 * self.divisor;
            if self.common {
                rates[0] += rate;
            } else if let Some(meter) = draw.meter {
                if let Some(own) = rates.get_mut(usize::from(meter.saturating_sub(1))) {
                    *own += rate;
                }
            } else {
                // Like tanks share the flow equally; where all are shut nothing flows.
                let sharing = open.iter().filter(|open| **open).count() as u128;
                for (own, _) in rates.iter_mut().zip(open).filter(|(_, open)| **open) {
                    *own += rate / sharing.max(1);
                }
            }
        }
        rates
    }

    /// What the building draws, mL/min. Where each tank has a meter and all are shut, only what some meter is said to see.
    fn drawn_ml_min(&self, open: &[bool]) -> u64 {
        let flows = |draw: &&Draw| self.common || draw.meter.is_some() || open.contains(&true);
        self.active.iter().filter(flows).map(|draw| u64::from(draw.ml_per_min)).sum()
    }

    fn next_ms(&mut self, open: &[bool]) -> Option<u64> {
        let begins = self.draws.peek().map(|draw| draw.from_ms);
        let ends = self.active.iter().map(|draw| draw.to_ms).min();
        let rates = self.rates(open);
        let pulses = self.gathered.iter().zip(&rates).filter_map(|(gathered, rate)| {
            let wait = self.pulse.saturating_sub(*gathered).div_ceil(*rate.max(&1));
            (*rate > 0).then(|| self.at_ms.saturating_add(u64::try_from(wait).unwrap_or(u64::MAX)))
        });
        pulses.chain(begins).chain(ends).min()
    }

    fn flow_to(&mut self, to_ms: u64, open: &[bool]) {
        let passed = u128::from(to_ms.saturating_sub(self.at_ms));
        if passed > 0 && !self.active.is_empty() {
            let rates = self.rates(open);
            for (gathered, rate) in self.gathered.iter_mut().zip(rates) {
                *gathered += rate * passed;
            }
        }
        self.at_ms = self.at_ms.max(to_ms);
        self.active.retain(|draw| draw.to_ms > to_ms);
        while let Some(draw) = self.draws.next_if(|draw| draw.from_ms <= to_ms) {
            if draw.to_ms > to_ms {
                self.active.push(draw);
            }
        }
    }

    fn take(&mut self, now_ms: u64) -> Option<Pulses> {
        for (meter, gathered) in (1u8..).zip(&mut self.gathered) {
            let count = *gathered / self.pulse;
            if count > 0 {
                *gathered %= self.pulse;
                let meter = if self.common { COMMON_METER } else { meter };
                return Some(Pulses { at_ms: now_ms, meter, count: u32::try_from(count).unwrap_or(u32::MAX) });
            }
        }
        None
    }
}
