//! The guided walk through a new plant, and the record that it leaves (O6).
//!
//! The walk watches what the controller journals and takes what a person measures. It moves nothing by itself: positions
//! are reached by a regeneration that is stepped through, or by a test of a tank that is out.

use heapless::String;
use serde::{Deserialize, Serialize};

use crate::calendar::Civil;
use crate::drive::DriveEvent;
use crate::journal::{Event, Record};
use crate::program::{Position, PositionSet, StepKind};
use crate::settings::{MAX_TANKS, Settings};
use crate::units::{Hardness, Millis, TankId, Volume, slugs};

slugs! {
    /// A part of the walk, in the order in which it is best done.
    Task as TaskSet(u8) {
        /// Every position of every valve was confirmed.
        Positions = "positions",
        /// Water went into the brine tank.
        FirstBrineFill = "first-brine-fill",
        /// Air was rinsed out of every bed.
        AirPurge = "air-purge",
        /// A caught volume was compared with the meter's pulses.
        MeterCheck = "meter-check",
        /// The hardness before and behind the plant was measured.
        HardnessTest = "hardness-test",
    }
}

/// Air is out of a bed that was rinsed for so long (common practice).
const AIR_PURGE: Millis = Millis::from_mins(2);
/// Fewer pulses say too little of a meter.
const FEWEST_PULSES: u32 = 10;
/// A meter further off than this is calibrated before the walk goes on, per mille.
const LARGEST_METER_ERROR_PER_MILLE: i32 = 50;

/// Initials or a name of who signs.
pub type Name = String<24>;

/// What a meter check found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MeterCheck {
    /// Pulses counted while the water was caught.
    pub pulses: u32,
    /// What was caught.
    pub caught: Volume,
    /// How much the meter showed too much, per mille; less than nothing if too little.
    pub error_per_mille: i32,
}

impl MeterCheck {
    /// Compares pulses with the water that was caught; `None` if there is too little to compare.
    #[must_use]
    pub fn new(settings: &Settings, pulses: u32, caught: Volume) -> Option<Self> {
        let meter = &settings.meter;
        let shown = u128::from(pulses)
            .saturating_mul(u128::from(meter.pulse_nl))
            .checked_div(u128::from(meter.pulse_divisor))
            .filter(|_| pulses >= FEWEST_PULSES)?;
        let ratio = shown.saturating_mul(1_000).checked_div(u128::from(caught.0))?;
        let error = i32::try_from(ratio).unwrap_or(i32::MAX).saturating_sub(1_000);
        Some(Self { pulses, caught, error_per_mille: error })
    }

    /// The meter shows the truth, near enough to serve.
    #[must_use]
    pub fn passes(&self) -> bool {
        self.error_per_mille.saturating_abs() <= LARGEST_METER_ERROR_PER_MILLE
    }
}

/// Hardness before and behind the plant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HardnessTest {
    /// Of the feed.
    pub feed: Hardness,
    /// Of the treated water.
    pub treated: Hardness,
}

/// A walk under way.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Walk {
    tanks: u8,
    /// The positions that every valve has.
    wanted: PositionSet,
    confirmed: [PositionSet; MAX_TANKS],
    purged: u8,
    brine_filled: bool,
    draws_brine: bool,
    meter: Option<MeterCheck>,
    hardness: Option<HardnessTest>,
    skipped: TaskSet,
}

/// The signed record of a walk.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct SignedOff {
    /// By whom.
    pub by: Name,
    /// When, if the clock was set.
    pub at: Option<Civil>,
    /// What the person who signed left out.
    pub skipped: TaskSet,
    /// The meter check, if it was made.
    pub meter: Option<MeterCheck>,
    /// The hardness test, if it was made.
    pub hardness: Option<HardnessTest>,
}

impl Walk {
    /// Begins one.
    #[must_use]
    pub fn begin(settings: &Settings) -> Self {
        Self {
            tanks: settings.tanks,
            wanted: settings.positions(),
            confirmed: [PositionSet::EMPTY; MAX_TANKS],
            purged: 0,
            brine_filled: false,
            draws_brine: settings.draws_brine(),
            meter: None,
            hardness: None,
            skipped: TaskSet::EMPTY,
        }
    }

    /// Sees what the controller journalled.
    pub fn observe(&mut self, record: &Record) {
        match record.event {
            Event::Drive { tank, event: DriveEvent::Confirmed(position) } => self.confirm(tank, position),
            Event::StepEnded { step: StepKind::BrineRefill, ran, .. } if ran > Millis::ZERO => self.brine_filled = true,
            Event::StepEnded { tank, step: StepKind::FastRinse, ran, .. } if ran >= AIR_PURGE => self.purge(tank),
            Event::PurgeEnded { tank, .. } => self.purge(tank),
            Event::MeterChecked { check, .. } => self.meter_checked(check),
            Event::HardnessTested { treated, feed: Some(feed), .. } => {
                self.hardness_tested(HardnessTest { feed, treated });
            }
            _ => {}
        }
    }

    fn confirm(&mut self, tank: TankId, position: Position) {
        if let Some(set) = self.confirmed.get_mut(tank.index()) {
            set.insert(position);
        }
    }

    fn purge(&mut self, tank: TankId) {
        self.purged |= 1u8.checked_shl(u32::from(tank.0)).unwrap_or(0);
    }

    /// Takes a meter check; it counts if the meter passes.
    pub fn meter_checked(&mut self, check: MeterCheck) {
        self.meter = Some(check);
    }

    /// Takes a hardness test; it counts if the treated water is softer than a tenth of the feed.
    pub fn hardness_tested(&mut self, test: HardnessTest) {
        self.hardness = Some(test);
    }

    /// The person leaves a task out and answers for it in the record.
    pub fn skip(&mut self, task: Task) {
        self.skipped.insert(task);
    }

    /// The positions of a tank's valve that still have to be confirmed.
    #[must_use]
    pub fn positions_left(&self, tank: TankId) -> PositionSet {
        let mut left = self.wanted;
        if let Some(seen) = self.confirmed.get(tank.index()) {
            for position in seen.iter() {
                left.remove(position);
            }
        }
        left
    }

    /// Whether a task is done, left out or has no meaning here.
    #[must_use]
    pub fn is_settled(&self, task: Task) -> bool {
        let mut tanks = (0..self.tanks).map(TankId);
        self.skipped.contains(task)
            || match task {
                Task::Positions => tanks.all(|tank| self.positions_left(tank).is_empty()),
                Task::FirstBrineFill => self.brine_filled || !self.draws_brine,
                Task::AirPurge => tanks.all(|tank| self.purged.checked_shr(u32::from(tank.0)).unwrap_or(0) & 1 != 0),
                Task::MeterCheck => self.meter.is_some_and(|check| check.passes()),
                Task::HardnessTest => {
                    let soft = |test: HardnessTest| test.treated.0 < test.feed.0.div_ceil(10);
                    self.hardness.is_some_and(soft) || !self.draws_brine
                }
            }
    }

    /// What is still to do, in order.
    #[must_use]
    pub fn left(&self) -> TaskSet {
        let mut left = TaskSet::EMPTY;
        for task in Task::ALL.iter().filter(|task| !self.is_settled(**task)) {
            left.insert(*task);
        }
        left
    }

    /// Signs the walk off.
    ///
    /// # Errors
    /// What is still to do: it is done, or left out by name.
    pub fn sign(&self, by: Name, at: Option<Civil>) -> Result<SignedOff, TaskSet> {
        let left = self.left();
        if !left.is_empty() {
            return Err(left);
        }
        Ok(SignedOff { by, at, skipped: self.skipped, meter: self.meter, hardness: self.hardness })
    }
}
