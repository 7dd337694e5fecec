//! Settings: raw ones from a person or a file become valid ones once, and nothing checks again (S11).

mod brine;
mod check;
mod check_drive;
mod derating;
mod difference;
mod drive;
mod fault;
mod power;
mod raw;
mod relay;
mod reserve;
mod sharing;
mod watch;

use core::ops::Deref;

use serde::{Deserialize, Serialize};

pub use brine::{RawBrine, RawProportional};
pub(crate) use derating::derated;
pub use derating::{RawDerating, RawMetals};
pub use difference::{Change, Difference, Effect, EffectSet, MAX_CHANGES, difference};
pub use drive::{CamFeedback, RawDrive, RawTwoPosition};
pub use fault::{Fault, Faults, Problem, ProblemSet};
pub use power::RawPower;
pub use raw::{
    Arrangement, ExhaustedInWindow, Medium, MeterPlace, RawMeter, RawSettings, RawStep, RemoteRole, Reserve, Schedule,
    StartRule, StepEnd, WhenClockUnset,
};

pub use relay::{RELAYS, RawRelay, RelayProgram};
pub use reserve::RawLearned;
pub use sharing::{MAX_STAGES, RawSharing};
pub use watch::RawWatch;

use crate::blackout::Week;
use crate::meter::MeterSettings;
use crate::program::{Position, PositionSet, StepKind};
use crate::units::{Flow, Millis, Volume, share};
use crate::watch::FlowGaps;

/// The most tanks a site can have.
pub const MAX_TANKS: usize = 8;
/// The most steps a program can have (Q1).
pub const MAX_STEPS: usize = 12;
/// The most blackout windows (C5).
pub const MAX_WINDOWS: usize = 8;
/// The most positions a drive can have.
pub const MAX_DRIVE_POSITIONS: usize = 8;

/// Settings that have been checked whole: every field is usable as it stands.
///
/// What is reckoned from them again and again is reckoned once, when they are taken.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize)]
pub struct Settings {
    raw: RawSettings,
    #[serde(skip_serializing)]
    loaded_medium: Medium,
    #[serde(skip_serializing)]
    least_kept_per_mille: u16,
    #[serde(skip_serializing)]
    positions: PositionSet,
    #[serde(skip_serializing)]
    meter: MeterSettings,
    #[serde(skip_serializing)]
    flow_gaps: FlowGaps,
    #[serde(skip_serializing)]
    week: Week,
    #[serde(skip_serializing)]
    some_hour: bool,
    #[serde(skip_serializing)]
    longest_regeneration: Millis,
    #[serde(skip_serializing)]
    drain_per_regeneration: Volume,
    #[serde(skip_serializing)]
    retain_volume: Volume,
    #[serde(skip_serializing)]
    draws_brine: bool,
    #[serde(skip_serializing)]
    refills_first: bool,
    #[serde(skip_serializing)]
    first_uses: Uses,
    #[serde(skip_serializing)]
    makes_brine: bool,
    #[serde(skip_serializing)]
    dose_water: Volume,
    #[serde(skip_serializing)]
    largest_dose_water: Volume,
    #[serde(skip_serializing)]
    refill_cap: Volume,
}

impl Deref for Settings {
    type Target = RawSettings;

    fn deref(&self) -> &RawSettings {
        &self.raw
    }
}

/// Settings are checked on the way in, so that nothing stored or sent can slip past (S11).
impl<'de> Deserialize<'de> for Settings {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        struct Stored {
            raw: RawSettings,
        }
        let stored = Stored::deserialize(deserializer)?;
        Self::try_from(stored.raw).map_err(|_| serde::de::Error::custom("settings do not pass their check"))
    }
}

impl TryFrom<RawSettings> for Settings {
    type Error = Faults;

    fn try_from(raw: RawSettings) -> Result<Self, Faults> {
        let faults = check::check(&raw);
        if !faults.is_empty() {
            return Err(faults);
        }
        Ok(Self::derive(raw))
    }
}

fn has_step(raw: &RawSettings, kind: StepKind) -> bool {
    raw.program.iter().any(|s| s.kind == kind && s.length.0 > 0)
}

fn refills_first(raw: &RawSettings) -> bool {
    let place = |kind| raw.program.iter().position(|s| s.kind == kind && s.length.0 > 0);
    match (place(StepKind::BrineRefill), place(StepKind::BrineDraw)) {
        (Some(refill), Some(draw)) => refill < draw,
        _ => false,
    }
}

/// What tanks share and a step may need (S1).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Uses {
    /// It discharges.
    pub drain: bool,
    /// It is open to the brine tank, or the tank's only dose is kept for it.
    pub brine: bool,
}

impl Uses {
    /// What a position needs.
    pub fn of(position: Position) -> Self {
        Self { drain: position.discharges(), brine: position.uses_brine_tank() }
    }
}

/// The brine tank makes one dose at a time, so that one regeneration has it from its first step
/// to its last that uses it.
fn has_one_dose(raw: &RawSettings) -> bool {
    refills_first(raw) || raw.brine_ready_after > Millis::ZERO
}

/// What the first step of a regeneration needs.
fn first_uses(raw: &RawSettings) -> Uses {
    let positions = raw.drive.position_set();
    let first = raw.program.iter().find(|s| s.length.0 > 0).and_then(|s| s.kind.position(positions));
    let uses = first.map_or_else(Uses::default, Uses::of);
    let brine = has_step(raw, StepKind::BrineDraw) && has_one_dose(raw);
    Uses { brine: uses.brine || brine, ..uses }
}

impl Settings {
    /// The built-in baseline (S11). It passes its own check, which a test holds it to.
    #[must_use]
    pub fn baseline() -> Self {
        Self::derive(RawSettings::baseline())
    }

    /// Reckons what follows from settings that have been checked.
    fn derive(raw: RawSettings) -> Self {
        let meter = MeterSettings::new(&raw.meter);
        let follows_flow = raw.relays.iter().any(|relay| relay.program == RelayProgram::WhileFlow);
        let dose_water = crate::brine::water_for(raw.salt, raw.brine.salt_per_water_mg_per_l);
        let largest_dose_water = scaled_volume(dose_water, raw.dose_after_backwash_percent);
        Self {
            loaded_medium: derating::loaded(&raw),
            least_kept_per_mille: derating::least_kept(&raw),
            positions: raw.drive.position_set(),
            flow_gaps: FlowGaps::new(&raw.watch, &meter, follows_flow),
            meter,
            some_hour: raw.permits_some_hour(&Week::new(&raw.windows)),
            week: Week::new(&raw.windows),
            longest_regeneration: raw.longest_regeneration(),
            drain_per_regeneration: raw.drain_per_regeneration(),
            retain_volume: raw.power.retain_volume(&derating::loaded(&raw)),
            draws_brine: has_step(&raw, StepKind::BrineDraw),
            refills_first: refills_first(&raw),
            first_uses: first_uses(&raw),
            makes_brine: raw.salt.0 > 0 && has_step(&raw, StepKind::BrineDraw) && has_step(&raw, StepKind::BrineRefill),
            dose_water,
            largest_dose_water,
            refill_cap: scaled_volume(largest_dose_water, raw.brine.refill_cap_percent),
            raw,
        }
    }

    /// The settings as they were given.
    #[must_use]
    pub fn raw(&self) -> &RawSettings {
        &self.raw
    }

    /// The medium as a fresh bed has it, the hardness compensated for iron and manganese (L1).
    #[must_use]
    pub fn loaded_medium(&self) -> &Medium {
        &self.loaded_medium
    }

    /// The least share of the set capacity that is reckoned with, per mille (L2).
    #[must_use]
    pub fn least_kept_per_mille(&self) -> u16 {
        self.least_kept_per_mille
    }

    /// What the meters need to know.
    #[must_use]
    pub fn meter_settings(&self) -> &MeterSettings {
        &self.meter
    }

    /// What the flow watch needs to know.
    pub(crate) fn flow_gaps(&self) -> &FlowGaps {
        &self.flow_gaps
    }

    /// The blackout of a week.
    #[must_use]
    pub fn week(&self) -> &Week {
        &self.week
    }

    /// The windows let something start at some regeneration hour of the week. Where they do not nothing
    /// waits for the hour, or it would wait for ever (S9).
    #[must_use]
    pub fn permits_some_hour(&self) -> bool {
        self.some_hour
    }

    /// As [`RawSettings::longest_regeneration`].
    #[must_use]
    pub fn longest_regeneration(&self) -> Millis {
        self.longest_regeneration
    }

    /// As [`RawSettings::drain_per_regeneration`].
    #[must_use]
    pub fn drain_per_regeneration(&self) -> Volume {
        self.drain_per_regeneration
    }

    /// Metered volume after which the state is saved: the most that one power cut loses (S10).
    #[must_use]
    pub fn retain_volume(&self) -> Volume {
        self.retain_volume
    }

    /// Volume that a tank treats between regenerations, at today's hardness.
    #[must_use]
    pub fn tank_volume(&self) -> Volume {
        derating::capacity_volume(&self.raw)
    }

    /// The positions the valves can reach.
    #[must_use]
    pub fn positions(&self) -> PositionSet {
        self.positions
    }

    /// The position a step runs in.
    #[must_use]
    pub fn position_of(&self, step: StepKind) -> Position {
        step.position(self.positions).unwrap_or(Position::Service)
    }

    /// Where a tank rests that does not serve: shut off if its valve can.
    #[must_use]
    pub fn rest_position(&self) -> Position {
        if self.positions.contains(Position::Standby) { Position::Standby } else { Position::Service }
    }

    /// Whether a regeneration draws brine.
    #[must_use]
    pub fn draws_brine(&self) -> bool {
        self.draws_brine
    }

    /// What the first step of a regeneration needs.
    pub(crate) fn first_uses(&self) -> Uses {
        self.first_uses
    }

    /// The brine tank makes one dose at a time, for one regeneration at a time.
    pub(crate) fn has_one_dose(&self) -> bool {
        self.refills_first || self.brine_ready_after > Millis::ZERO
    }

    /// Whether the brine is made within the same regeneration, before its draw.
    #[must_use]
    pub fn refills_first(&self) -> bool {
        self.refills_first
    }

    /// Whether the program's refill makes the brine that its draw draws.
    #[must_use]
    pub fn makes_brine(&self) -> bool {
        self.makes_brine
    }

    /// Whether the brine tank's account is kept (C8): brine that needs no time is always there.
    #[must_use]
    pub fn keeps_account(&self) -> bool {
        self.makes_brine && self.has_one_dose()
    }

    /// Whether brine is kept from one regeneration for the next.
    #[must_use]
    pub fn stores_brine(&self) -> bool {
        self.keeps_account() && !self.refills_first
    }

    /// Refill water that an installer put into the brine tank: the largest dose, unless each
    /// regeneration makes its own.
    #[must_use]
    pub(crate) fn first_brine(&self) -> Volume {
        if self.stores_brine() { self.largest_dose_water } else { Volume::ZERO }
    }

    /// The most that may be refilled from the start of one regeneration to that of the next (P5).
    pub(crate) fn refill_cap(&self) -> Volume {
        self.refill_cap
    }

    /// Refill water that makes so many percent of the usual dose; the common ones need no division (M6).
    pub(crate) fn water_of_dose(&self, percent: u16) -> Volume {
        if percent == self.dose_after_backwash_percent {
            return self.largest_dose_water;
        }
        scaled_volume(self.dose_water, percent)
    }

    /// Refill water that makes the usual dose (Q4).
    #[must_use]
    pub fn dose_water(&self) -> Volume {
        self.dose_water
    }

    /// Brine that a slow rinse of so long draws at the most, as the refill water that made it: none, unless it has no position
    /// but the draw's.
    #[must_use]
    pub fn drawn_by_rinse(&self, ran: Millis) -> Volume {
        let draw = self.program.iter().find(|s| s.kind == StepKind::BrineDraw).map_or(0, |s| u64::from(s.length.0));
        if self.position_of(StepKind::SlowRinse) != Position::BrineDraw || draw == 0 {
            return Volume::ZERO;
        }
        Volume(share(self.dose_water.0, u64::from(ran.0).min(draw), draw))
    }

    /// Water that a refill puts in so long: its usual length makes the usual dose (Q4).
    #[must_use]
    pub fn refill_water(&self, ran: Millis) -> Volume {
        let refill = self.program.iter().find(|s| s.kind == StepKind::BrineRefill && s.length.0 > 0);
        let length = refill.map_or(0, |s| s.length.0);
        Volume(share(self.dose_water.0, u64::from(ran.0), u64::from(length)))
    }

    /// Whether a tank's regeneration backwashes after so many before it (Q3).
    #[must_use]
    pub fn backwashes(&self, count: u16) -> bool {
        count.checked_rem(u16::from(self.backwash_every)).is_none_or(|rest| rest == 0)
    }

    /// Dose of a tank's regeneration after so many before it, in percent of the usual, if it is a full one (Q3).
    #[must_use]
    pub fn full_dose_percent(&self, count: u16) -> u16 {
        if self.backwashes(count) { self.dose_after_backwash_percent } else { 100 }
    }

    /// Whether the program has such a step with a length.
    #[must_use]
    pub fn has_step(&self, kind: StepKind) -> bool {
        has_step(&self.raw, kind)
    }

    /// Drain flow of a step kind, for the estimate of a purge.
    #[must_use]
    pub fn drain_flow(&self, kind: StepKind) -> Flow {
        self.program.iter().find(|s| s.kind == kind).map_or(Flow(0), |s| s.drain)
    }
}

/// A length scaled by percent, saturating.
#[must_use]
pub(crate) fn scaled(length: Millis, percent: u16) -> Millis {
    if percent == 100 {
        return length;
    }
    let ms = u64::from(length.0).saturating_mul(u64::from(percent)) / 100;
    Millis(u32::try_from(ms).unwrap_or(u32::MAX))
}

/// A volume scaled by percent, rounded up.
#[must_use]
pub(crate) fn scaled_volume(volume: Volume, percent: u16) -> Volume {
    if percent == 100 {
        return volume;
    }
    let down = share(volume.0, u64::from(percent), 100);
    let exact = share(down, 100, u64::from(percent)) >= volume.0;
    Volume(down.saturating_add(u64::from(!exact && percent > 0)))
}
