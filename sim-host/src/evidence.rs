//! What a replay leaves behind: plain data, enough to print, plot or audit what the logic did.
//!
//! Times are milliseconds from the start of the recording, volumes nanolitres, salt milligrams; only the
//! curves, which are for the eye, hold floating-point numbers. Things are named by the slugs that the logic
//! uses (`exhausted`, `brine-draw`, `valve-lost`), and carry their readable text with them.
//!
//! Memory does not grow with the recording, but for one small record per regeneration: slugs and texts are
//! static, what a regeneration waited for is kept with it alone, and whatever could come and go without a
//! regeneration is kept up to a stated number and counted beyond.

mod books;
mod curve;
mod daily;
mod json;
mod json_daily;
mod json_plant;
mod plant;

pub use books::{BrineEvidence, DeliveredHardness, DeratingEvidence, RelayEvidence};
pub use curve::{Bucket, Curve, DEFAULT_CURVE_CAPACITY};
pub use daily::{LifeEvidence, MAX_DAYS, ReserveEvidence, UseEvidence};
pub use json::{json, write_json};
pub use plant::{PlantBalance, PlantDrain, PlantEvidence, PlantPressures, PlantSalt, PlantTank, RegenerationWater};

use std::borrow::Cow;

use jiff::SignedDuration;
use jiff::civil::DateTime;

use crate::quantity::show;

/// Everything that one replay shows about one site under one recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// The site's name.
    pub site: String,
    /// The site's note: whom to call, where the shut-off is. May be empty.
    pub site_note: String,
    /// What the recording calls itself.
    pub recording: String,
    /// Civil time at the recording's start, local standard time, ISO 8601 without an offset
    /// (`2026-03-02T00:00:00`). Empty if unknown: reports then show days and hours since the start.
    pub start: String,
    /// Length of the recording in ms.
    pub span_ms: u64,
    /// How the tanks share the work.
    pub arrangement: Arrangement,
    /// Where the metered water went.
    pub water: WaterAccount,
    /// Hard water delivered, nL: passed untreated, or charged past zero. Where the plant's physics is modelled: what
    /// left the outlet harder than the site's end point.
    pub hard_water_nl: u128,
    /// How hard the delivered water was, by the logic's books (M5).
    pub delivered: DeliveredHardness,
    /// Salt used, mg.
    pub salt_mg: u64,
    /// Water that regenerations sent to the drain, nL.
    pub drain_water_nl: u128,
    /// What the plant's physics showed, where it is modelled.
    pub plant: Option<Box<PlantEvidence>>,
    /// The tanks, in order of their number.
    pub tanks: Vec<TankEvidence>,
    /// Metered flow, L/min.
    pub flow: Curve,
    /// The regenerations, in order of their start.
    pub regenerations: Vec<RegenerationEvidence>,
    /// What the relays did that are for something or came on.
    pub relays: Vec<RelayEvidence>,
    /// The brine tanks whose account is kept, at the end.
    pub brine: Vec<BrineEvidence>,
    /// Use by the day, and the forecast that it led to.
    pub daily_use: UseEvidence,
    /// What valves and relays have done.
    pub lives: LifeEvidence,
    /// The alarms, in order of their onset.
    pub alarms: Vec<AlarmEvidence>,
    /// Alarms that were raised and returned but are not among `alarms`, because there were too many.
    pub alarms_left_out: u64,
    /// Rules seen broken, in order of time. Empty is what it should be.
    pub violations: Vec<Violation>,
    /// What the logic expects to do next, after the end of the recording.
    pub next_expected: Vec<NextExpected>,
    /// Remarks for the reader, such as that the data is invented.
    pub notes: Vec<String>,
}

impl Evidence {
    /// Civil time at the recording's start; `None` if unknown.
    #[must_use]
    pub fn start_time(&self) -> Option<DateTime> {
        self.start.parse().ok()
    }

    /// What kept a tank waiting, in order of the regenerations that it waited for; holds may overlap.
    pub fn holds_of<'a>(&'a self, tank: &'a TankEvidence) -> impl Iterator<Item = &'a HoldInterval> + Clone {
        self.regenerations
            .iter()
            .filter(|regeneration| regeneration.tank == tank.number)
            .flat_map(|regeneration| &regeneration.holds_before)
            .chain(&tank.pending_holds)
    }

    /// How many alarms were raised, listed or not.
    #[must_use]
    pub fn alarms_raised(&self) -> u64 {
        self.alarms.len() as u64 + self.alarms_left_out
    }
}

/// A moment of a replay as people write it: civil time, or the time since the start where that is unknown.
#[must_use]
pub fn moment(start: Option<DateTime>, at_ms: u64) -> String {
    let elapsed = i64::try_from(at_ms).ok().map(SignedDuration::from_millis);
    match start.zip(elapsed).and_then(|(start, elapsed)| start.checked_add(elapsed).ok()) {
        Some(civil) => civil.strftime("%Y-%m-%d %H:%M:%S").to_string(),
        None => format!("{} after the start", show::duration_brief(at_ms)),
    }
}

/// How tanks share the work.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Arrangement {
    /// One tank.
    #[default]
    Single,
    /// One tank serves while the other is ready or regenerates.
    Alternating,
    /// All tanks serve; they regenerate in turn.
    Parallel,
    /// One tank serves always; others join as the flow rises.
    Staged,
}

impl Arrangement {
    /// The slug that files and JSON use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Single => "single",
            Self::Alternating => "alternating",
            Self::Parallel => "parallel",
            Self::Staged => "staged",
        }
    }
}

/// Where the metered water went. All in nL; `metered` equals the sum of the other four.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct WaterAccount {
    /// Counted by the meter.
    pub metered_nl: u128,
    /// Passed through a resin bed and charged to it.
    pub charged_nl: u128,
    /// Passed by the blending bypass, as the site wants it.
    pub blended_nl: u128,
    /// Passed hard because no tank could treat it.
    pub untreated_nl: u128,
    /// Metered water that the rules sent to the drain.
    pub drained_nl: u128,
}

impl WaterAccount {
    /// The sum of the four parts, nL. `None` if it does not fit, which no real plant reaches.
    #[must_use]
    pub fn parts_nl(&self) -> Option<u128> {
        self.charged_nl.checked_add(self.blended_nl)?.checked_add(self.untreated_nl)?.checked_add(self.drained_nl)
    }

    /// Whether the parts make up the metered volume, to the nanolitre.
    #[must_use]
    pub fn balances(&self) -> bool {
        self.parts_nl() == Some(self.metered_nl)
    }
}

/// What one tank did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TankEvidence {
    /// The tank's number, counted from 1.
    pub number: u8,
    /// Its duties, one after the other, from the recording's start to its end. Where too many changes came
    /// between two regenerations a gap stands for those left out, and a note says so.
    pub duties: Vec<DutyInterval>,
    /// What kept it waiting for a regeneration that had not begun when the recording ended.
    /// [`Evidence::holds_of`] has all its holds.
    pub pending_holds: Vec<HoldInterval>,
    /// What has been taken off its capacity at the end; `None` of a tank without resin.
    pub derating: Option<DeratingEvidence>,
    /// Volume remaining before it is exhausted, L; negative past zero.
    pub remaining: Curve,
}

/// A tank's duty over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct DutyInterval {
    /// When it began, ms.
    pub from_ms: u64,
    /// When it ended, ms; the recording's end if it had not.
    pub to_ms: u64,
    /// `serving`, `ready`, `spent`, `regenerating`, `purging`, `refilling` or `out`.
    pub duty: &'static str,
    /// A sentence about it, such as why it began. May be empty.
    pub text: &'static str,
}

/// A hold on a waiting tank over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct HoldInterval {
    /// When it began, ms.
    pub from_ms: u64,
    /// When it cleared, ms; the recording's end if it had not.
    pub to_ms: u64,
    /// The hold's slug, such as `blackout`.
    pub hold: &'static str,
    /// What clears it.
    pub clears: &'static str,
    /// When that will be, ms, if the logic knew it when the hold began.
    pub clears_at_ms: Option<u64>,
}

impl HoldInterval {
    /// What clears it and, if known, when; `start` is the civil time at the recording's start.
    #[must_use]
    pub fn text(&self, start: Option<DateTime>) -> Cow<'static, str> {
        match self.clears_at_ms {
            None => Cow::Borrowed(self.clears),
            Some(at_ms) => Cow::Owned(format!("{}, at {}", self.clears, moment(start, at_ms))),
        }
    }
}

/// One regeneration, from being asked for to its end.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct RegenerationEvidence {
    /// The tank's number, counted from 1.
    pub tank: u8,
    /// The leading cause's slug, such as `exhausted`.
    pub cause: &'static str,
    /// The other causes that stood, the most urgent first.
    pub other_causes: Box<[&'static str]>,
    /// When it was first asked for, ms.
    pub asked_ms: u64,
    /// When it began, ms.
    pub start_ms: u64,
    /// When it ended, ms; `None` if it still ran when the recording ended.
    pub end_ms: Option<u64>,
    /// Volume charged to the tank since its last complete regeneration, nL.
    pub volume_since_last_nl: u128,
    /// How much of that came after the tank was exhausted, nL.
    pub overrun_nl: u128,
    /// How it ended.
    pub outcome: Outcome,
    /// The steps that ran, in order.
    pub steps: Box<[StepEvidence]>,
    /// What held it up between being asked for and its start.
    pub holds_before: Box<[HoldInterval]>,
    /// Salt used, mg.
    pub salt_mg: u64,
    /// Water sent to the drain, nL.
    pub drain_nl: u128,
    /// What was kept back of each tank when it began.
    pub reserve: Option<Box<ReserveEvidence>>,
    /// What it did to the bed, where the plant's physics is modelled.
    pub water: Option<Box<RegenerationWater>>,
}

impl RegenerationEvidence {
    /// Every cause that stood, the leading one first.
    pub fn causes(&self) -> impl Iterator<Item = &'static str> {
        std::iter::once(self.cause).chain(self.other_causes.iter().copied())
    }
}

/// How a regeneration ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Outcome {
    /// Every step that counts was completed: the capacity is restored.
    Complete,
    /// An operator, or a rule, ended it early.
    Aborted,
    /// It could not go on.
    Failed,
    /// It had not ended when the recording did.
    #[default]
    Running,
}

impl Outcome {
    /// The slug that files and JSON use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Aborted => "aborted",
            Self::Failed => "failed",
            Self::Running => "running",
        }
    }
}

/// One step of a regeneration.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct StepEvidence {
    /// The step's slug, such as `slow-rinse`.
    pub step: &'static str,
    /// When it began, ms.
    pub start_ms: u64,
    /// When it ended, ms; the recording's end if it still ran.
    pub end_ms: u64,
}

/// One alarm, from its onset to its return.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct AlarmEvidence {
    /// The alarm's slug, such as `overrun`.
    pub slug: &'static str,
    /// When it was raised, ms.
    pub from_ms: u64,
    /// When it returned to normal, ms; `None` while it stands.
    pub to_ms: Option<u64>,
    /// When somebody said that he knew, ms, before or after it returned; `None` if nobody did.
    pub acknowledged_ms: Option<u64>,
    /// What happened, what the logic did about it, what a person should look at.
    pub text: &'static str,
}

impl AlarmEvidence {
    /// Where it is in its life at the end of the recording (W2).
    #[must_use]
    pub const fn state(&self) -> &'static str {
        match (self.to_ms, self.acknowledged_ms) {
            (None, None) => "active-unacknowledged",
            (None, Some(_)) => "active-acknowledged",
            (Some(_), None) => "returned-unacknowledged",
            (Some(_), Some(_)) => "normal",
        }
    }
}

/// A rule seen broken.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Violation {
    /// The rule's name, such as `S2`.
    pub rule: String,
    /// When, ms.
    pub at_ms: u64,
    /// What was seen.
    pub text: String,
}

/// Something the logic expects to do next.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct NextExpected {
    /// The tank's number, counted from 1.
    pub tank: u8,
    /// When, ms from the recording's start; `None` if that cannot be told.
    pub at_ms: Option<u64>,
    /// What, and on what it depends.
    pub text: String,
}
