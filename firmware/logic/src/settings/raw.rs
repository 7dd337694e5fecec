//! Settings as a person or a file gives them: anything may be wrong in here.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::derating::{RawDerating, RawMetals};
use super::drive::{CamFeedback, RawDrive};
use super::power::RawPower;
use super::relay::{RELAYS, RawRelay};
use super::reserve::RawLearned;
use super::watch::RawWatch;
use super::{MAX_STEPS, MAX_WINDOWS, RawBrine, RawSharing, scaled};
use crate::blackout::Week;
use crate::calendar::{Weekdays, Window};
use crate::collect;
use crate::lock::RawLocks;
use crate::program::{Position, StepKind};
use crate::units::{Exchange, Flow, Hardness, Millis, SaltMass, Volume};

/// How tanks share the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Arrangement {
    /// One tank; while it regenerates the building gets untreated water.
    Single,
    /// Two tanks; one serves, the other is ready or regenerates.
    Alternating,
    /// All tanks serve; one at a time leaves to regenerate.
    Parallel,
    /// One tank serves always; further tanks join as the flow rises.
    Staged,
}

/// What the tanks hold and what exhausts it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Medium {
    /// A softening resin: hardness taken up counts (L1).
    Softener {
        /// Hardness of the feed.
        hardness: Hardness,
        /// What one regeneration with the set dose restores, per tank.
        capacity: Exchange,
        /// What the resin of one tank can hold at the utmost; overrun beyond it is not taken up.
        total: Exchange,
    },
    /// A filter bed: volume counts (L1).
    Filter {
        /// Volume between regenerations, per tank.
        capacity: Volume,
    },
}

/// Where meters sit (M2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum MeterPlace {
    /// One meter on the common outlet.
    Common,
    /// One meter per tank.
    PerTank,
}

/// The meters, all alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawMeter {
    /// Where meters sit.
    pub place: MeterPlace,
    /// A common meter also counts the water of regeneration steps, and nothing else passes it
    /// meanwhile \[no\]; single tanks only (Q2).
    pub measures_steps: bool,
    /// Volume per pulse in nL is `pulse_nl` ÷ `pulse_divisor` (M1).
    pub pulse_nl: u64,
    /// See `pulse_nl`; 1 where the volume per pulse is whole.
    pub pulse_divisor: u32,
    /// A closure shorter than this is bounce (M4).
    pub min_closed: Millis,
    /// An opening shorter than this is bounce (M4).
    pub min_open: Millis,
    /// The largest flow the meter is made for; more raises `excess-flow`.
    pub rated_max: Flow,
    /// Share of bounces in an hour that raises `meter-noisy`, per mille \[20\].
    pub noisy_per_mille: u16,
}

/// What is kept back of a tank's capacity (R1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Reserve {
    /// Nothing.
    None,
    /// A volume, at today's hardness.
    Fixed(Volume),
    /// A share of capacity, per mille.
    Share(u16),
    /// What use by the weekday leads one to expect.
    Learned(RawLearned),
}

/// When an asked-for regeneration may begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum StartRule {
    /// As soon as nothing holds it.
    Immediate,
    /// At the regeneration hour.
    AtHour,
}

/// Regenerations by the calendar, with or without a meter (C3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Schedule {
    /// None.
    Off,
    /// On these weekdays, at the hour.
    On(Weekdays),
    /// Every so many days, at the hour.
    EveryDays(u8),
}

/// What a window does to an exhausted tank (C6).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum ExhaustedInWindow {
    /// It waits, serving on.
    Wait,
    /// It regenerates all the same.
    Override,
}

/// What windows do while the civil time is unknown (T1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum WhenClockUnset {
    /// Windows rest.
    IgnoreWindows,
    /// Nothing starts until the clock is set.
    HoldAll,
}

/// What the remote contact asks for (C4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum RemoteRole {
    /// Nothing; the contact is not looked at.
    Off,
    /// A start, now.
    Now,
    /// A start at the regeneration hour.
    AtHour,
    /// No starts while it is closed.
    HoldOff,
}

/// What ends a step (Q2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum StepEnd {
    /// Its length.
    #[default]
    Time,
    /// Water counted by the meter while the step is in its position.
    Volume {
        /// So much of it, at the usual dose.
        volume: Volume,
        /// The longest time; reached, it raises `step-too-long`.
        longest: Millis,
    },
    /// The contact that goes with the step: `brine-full` ends a refill, `brine-empty` a draw,
    /// `brine-ready` a wait.
    Contact {
        /// The longest time; reached, it raises `step-too-long`.
        longest: Millis,
    },
}

/// One step of the program as given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawStep {
    /// What the step does.
    pub kind: StepKind,
    /// How long it runs in its position, or usually runs if volume or a contact ends it; zero skips it (Q1).
    pub length: Millis,
    /// Flow to drain while it runs, for the estimate of drain water.
    pub drain: Flow,
    /// What ends it (Q2).
    #[serde(default)]
    pub end: StepEnd,
}

impl RawStep {
    /// A step that ends by time.
    #[must_use]
    pub const fn timed(kind: StepKind, length: Millis, drain: Flow) -> Self {
        Self { kind, length, drain, end: StepEnd::Time }
    }

    /// The longest it may run at the usual dose.
    #[must_use]
    pub const fn longest(&self) -> Millis {
        match self.end {
            StepEnd::Time => self.length,
            StepEnd::Volume { longest, .. } | StepEnd::Contact { longest } => longest,
        }
    }
}

/// All settings of a site, unchecked. Tanks, valves and programs of a site are alike.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawSettings {
    /// How tanks share the work.
    pub arrangement: Arrangement,
    /// How many tanks.
    pub tanks: u8,
    /// What is in them.
    pub medium: Medium,
    /// What loads a bed besides hardness (L1).
    pub metals: RawMetals,
    /// How capacity is derated (L2).
    pub derating: RawDerating,
    /// The meters.
    pub meter: RawMeter,
    /// What is kept back.
    pub reserve: Reserve,
    /// When a regeneration may begin.
    pub start: StartRule,
    /// Minute of the day of the regeneration hour.
    pub hour_minute: u16,
    /// How long after the hour the daily event may still fire [3 h] (T2).
    pub hour_grace: Millis,
    /// Whether an exhausted tank starts at once even where others wait for the hour.
    pub exhausted_at_once: bool,
    /// Backup days; 0 = off (C2).
    pub backup_days: u8,
    /// Backup days while people are away [14; not below `backup_days`] (O7).
    pub absence_backup_days: u8,
    /// Regenerations by the calendar.
    pub schedule: Schedule,
    /// Blackout windows (C5).
    pub windows: Vec<Window, MAX_WINDOWS>,
    /// Whether a start that would run into a window is held, too \[on\].
    pub finish_before_window: bool,
    /// What a window does to an exhausted tank \[wait\].
    pub exhausted_in_window: ExhaustedInWindow,
    /// Whether tanks may change over in a window \[yes\] (C6).
    pub changeover_in_window: bool,
    /// What windows do while civil time is unknown \[ignore-windows\].
    pub when_clock_unset: WhenClockUnset,
    /// What the remote contact asks for.
    pub remote: RemoteRole,
    /// How long the remote contact must stay closed to ask.
    pub remote_minimum: Millis,
    /// How long a hold-off may stay closed before `contact-stuck` [48 h].
    pub hold_off_limit: Millis,
    /// How long a contact must be steady to count [1 s].
    pub contact_debounce: Millis,
    /// No start above this flow; 0 = any flow (C7).
    pub start_flow_limit: Flow,
    /// The longest a start waits for the flow to fall [4 h].
    pub flow_wait_limit: Millis,
    /// Estimated drain water allowed a day; 0 = any.
    pub discharge_limit: Volume,
    /// How many tanks may regenerate at once \[1\] (S1).
    pub max_regenerating: u8,
    /// What tanks share, and when they join.
    pub sharing: RawSharing,
    /// Whether the last tank may leave service, so that untreated water passes \[no\] (S2).
    pub allow_untreated: bool,
    /// A ready tank idle longer than this is purged before it serves [72 h] (A5).
    pub stale_after: Millis,
    /// Length of the purge [2 min].
    pub purge: Millis,
    /// The steps of a regeneration in order.
    pub program: Vec<RawStep, MAX_STEPS>,
    /// Backwash every so many regenerations \[1\] (Q3).
    pub backwash_every: u8,
    /// Dose of a regeneration that backwashes, in percent of the usual [100; counter-current 200] (Q3).
    pub dose_after_backwash_percent: u16,
    /// Salt of one usual regeneration, for the estimate.
    pub salt: SaltMass,
    /// What survives a power cut.
    pub power: RawPower,
    /// The brine tank and how doses follow use.
    pub brine: RawBrine,
    /// How long brine needs after a refill [120 min] (C8).
    pub brine_ready_after: Millis,
    /// A request that has waited this long raises `overdue` [24 h] (W1).
    pub overdue_after: Millis,
    /// What opens the locks before changes (O1).
    pub locks: RawLocks,
    /// What is watched, and how alarms are treated.
    pub watch: RawWatch,
    /// What the relays do.
    pub relays: [RawRelay; RELAYS],
    /// The valve drives.
    pub drive: RawDrive,
}

impl RawSettings {
    /// The longest a drive may take over one move (S7).
    #[must_use]
    pub fn travel_limit(&self) -> Millis {
        self.drive.travel_limit()
    }

    /// The longest a regeneration is planned to take: every step, and every move to its limit.
    #[must_use]
    pub fn longest_regeneration(&self) -> Millis {
        let travel = self.travel_limit();
        self.program.iter().filter(|s| s.length.0 > 0).fold(travel, |sum, step| {
            let percent = match step.kind {
                StepKind::BrineDraw | StepKind::BrineRefill => self.dose_after_backwash_percent.max(100),
                _ => 100,
            };
            sum.plus(scaled(step.longest(), percent)).plus(travel)
        })
    }

    /// Whether the blackout of the week lets the longest regeneration start at some regeneration hour.
    #[must_use]
    pub(super) fn permits_some_hour(&self, week: &Week) -> bool {
        let length_s = self.longest_regeneration().0.div_ceil(1_000);
        week.permits_some_hour(self.hour_minute, self.hour_grace.0 / 1_000, length_s, self.finish_before_window)
    }

    /// The estimated drain water of one usual regeneration.
    #[must_use]
    pub fn drain_per_regeneration(&self) -> Volume {
        self.program.iter().fold(Volume::ZERO, |sum, s| sum.plus(s.drain.over(s.length)))
    }

    /// The built-in baseline: what runs where no good settings were ever given (S11).
    ///
    /// One tank that serves and starts no regeneration by itself: its backup days, schedule and
    /// remote contact are off and its capacity is out of reach. An operator may still start one.
    #[must_use]
    pub fn baseline() -> Self {
        let step = |kind, mins, drain| RawStep::timed(kind, Millis::from_mins(mins), Flow(drain));
        let program = [
            step(StepKind::Backwash, 10, 8_000),
            step(StepKind::BrineDraw, 30, 1_500),
            step(StepKind::SlowRinse, 30, 1_500),
            step(StepKind::FastRinse, 10, 8_000),
            step(StepKind::BrineRefill, 6, 0),
        ];
        let positions =
            [Position::Service, Position::Backwash, Position::BrineDraw, Position::FastRinse, Position::BrineRefill];
        Self {
            arrangement: Arrangement::Single,
            tanks: 1,
            medium: Medium::Softener {
                hardness: Hardness(342_000),
                capacity: Exchange(u64::MAX / 4),
                total: Exchange(u64::MAX / 2),
            },
            metals: RawMetals::usual(),
            derating: RawDerating::usual(),
            meter: RawMeter {
                place: MeterPlace::Common,
                measures_steps: false,
                pulse_nl: 1_000_000_000,
                pulse_divisor: 1,
                min_closed: Millis(10),
                min_open: Millis(10),
                rated_max: Flow(100_000),
                noisy_per_mille: 20,
            },
            reserve: Reserve::None,
            start: StartRule::AtHour,
            hour_minute: 120,
            hour_grace: Millis::from_hours(3),
            exhausted_at_once: false,
            backup_days: 0,
            absence_backup_days: 14,
            schedule: Schedule::Off,
            windows: Vec::new(),
            finish_before_window: true,
            exhausted_in_window: ExhaustedInWindow::Wait,
            changeover_in_window: true,
            when_clock_unset: WhenClockUnset::IgnoreWindows,
            remote: RemoteRole::Off,
            remote_minimum: Millis::from_secs(1),
            hold_off_limit: Millis::from_hours(48),
            contact_debounce: Millis::from_secs(1),
            start_flow_limit: Flow(0),
            flow_wait_limit: Millis::from_hours(4),
            discharge_limit: Volume::ZERO,
            max_regenerating: 1,
            sharing: RawSharing::baseline(),
            allow_untreated: false,
            stale_after: Millis::from_hours(72),
            purge: Millis::from_mins(2),
            program: collect(program),
            backwash_every: 1,
            dose_after_backwash_percent: 100,
            salt: SaltMass(3_000_000),
            power: RawPower::usual(),
            brine: RawBrine::BASELINE,
            brine_ready_after: Millis::from_mins(120),
            overdue_after: Millis::from_hours(24),
            locks: RawLocks::default(),
            watch: RawWatch::default(),
            relays: [RawRelay::default(); RELAYS],
            drive: RawDrive::CamSwitch {
                positions: collect(positions),
                feedback: CamFeedback::SwitchPerPosition,
                reversible: false,
                travel_limit: Millis::from_mins(4),
                rest: Millis::from_secs(2),
                coast: Millis(500),
                retries: 2,
            },
        }
    }
}
