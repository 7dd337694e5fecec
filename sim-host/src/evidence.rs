//! What a replay leaves behind: plain data, enough to print, plot or audit what the logic did.
//!
//! Times are milliseconds from the start of the recording, volumes nanolitres, salt milligrams; only the
//! curves, which are for the eye, hold floating-point numbers. Things are named by the slugs that the logic
//! uses (`exhausted`, `brine-draw`, `valve-lost`), and carry their readable text with them.

mod curve;
mod json;

pub use curve::{Bucket, Curve, DEFAULT_CURVE_CAPACITY};
pub use json::json;

use serde::{Deserialize, Serialize};

/// Everything that one replay shows about one site under one recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
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
    /// Hard water delivered, nL: passed untreated, or charged past zero.
    pub hard_water_nl: u128,
    /// Salt used, mg.
    pub salt_mg: u64,
    /// Water that regenerations sent to the drain, nL.
    pub drain_water_nl: u128,
    /// The tanks, in order of their number.
    pub tanks: Vec<TankEvidence>,
    /// Metered flow, L/min.
    pub flow: Curve,
    /// The regenerations, in order of their start.
    pub regenerations: Vec<RegenerationEvidence>,
    /// The alarms, in order of their onset.
    pub alarms: Vec<AlarmEvidence>,
    /// Rules seen broken, in order of time. Empty is what it should be.
    pub violations: Vec<Violation>,
    /// What the logic expects to do next, after the end of the recording.
    pub next_expected: Vec<NextExpected>,
    /// Remarks for the reader, such as that the data is invented.
    pub notes: Vec<String>,
}

/// How tanks share the work.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Arrangement {
    /// One tank.
    #[default]
    Single,
    /// One tank serves while the other is ready or regenerates.
    Alternating,
}

impl Arrangement {
    /// The slug that files and JSON use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Single => "single",
            Self::Alternating => "alternating",
        }
    }
}

/// Where the metered water went. All in nL; `metered` equals the sum of the other four.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
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
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TankEvidence {
    /// The tank's number, counted from 1.
    pub number: u8,
    /// Its duties, one after the other, from the recording's start to its end.
    pub duties: Vec<DutyInterval>,
    /// What kept it waiting, when it waited. Holds may overlap.
    pub holds: Vec<HoldInterval>,
    /// Volume remaining before it is exhausted, L; negative past zero.
    pub remaining: Curve,
}

/// A tank's duty over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct DutyInterval {
    /// When it began, ms.
    pub from_ms: u64,
    /// When it ended, ms; the recording's end if it had not.
    pub to_ms: u64,
    /// `serving`, `ready`, `spent`, `regenerating`, `purging` or `out`.
    pub duty: String,
    /// A sentence about it, such as why it began. May be empty.
    pub text: String,
}

/// A hold on a waiting tank over a stretch of time.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct HoldInterval {
    /// When it began, ms.
    pub from_ms: u64,
    /// When it cleared, ms; the recording's end if it had not.
    pub to_ms: u64,
    /// The hold's slug, such as `blackout`.
    pub hold: String,
    /// What clears it and, if known, when.
    pub text: String,
}

/// One regeneration, from being asked for to its end.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct RegenerationEvidence {
    /// The tank's number, counted from 1.
    pub tank: u8,
    /// The leading cause's slug, such as `exhausted`.
    pub cause: String,
    /// Every cause that stood, the leading one first.
    pub all_causes: Vec<String>,
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
    pub steps: Vec<StepEvidence>,
    /// What held it up between being asked for and its start.
    pub holds_before: Vec<HoldInterval>,
    /// Salt used, mg.
    pub salt_mg: u64,
    /// Water sent to the drain, nL.
    pub drain_nl: u128,
}

/// How a regeneration ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
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
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct StepEvidence {
    /// The step's slug, such as `slow-rinse`.
    pub step: String,
    /// When it began, ms.
    pub start_ms: u64,
    /// When it ended, ms; the recording's end if it still ran.
    pub end_ms: u64,
}

/// One alarm, from its onset to its return.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct AlarmEvidence {
    /// The alarm's slug, such as `overrun`.
    pub slug: String,
    /// When it was raised, ms.
    pub from_ms: u64,
    /// When it returned to normal, ms; `None` while it stands.
    pub to_ms: Option<u64>,
    /// What happened, what the logic did about it, what a person should look at.
    pub text: String,
}

/// A rule seen broken.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Violation {
    /// The rule's name, such as `S2`.
    pub rule: String,
    /// When, ms.
    pub at_ms: u64,
    /// What was seen.
    pub text: String,
}

/// Something the logic expects to do next.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct NextExpected {
    /// The tank's number, counted from 1.
    pub tank: u8,
    /// When, ms from the recording's start; `None` if that cannot be told.
    pub at_ms: Option<u64>,
    /// What, and on what it depends.
    pub text: String,
}
