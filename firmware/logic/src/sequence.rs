//! One regeneration: its steps in order, each counted only in its confirmed position (Q1, Q2, Q6, S12).
//!
//! ```text
//!   Travelling ── position confirmed ──▶ Running ── end reached ──▶ Travelling (next step) … Finishing
//!        ▲                                  │
//!        └───────── position lost ──────────┘
//! ```

mod after_power;

use serde::{Deserialize, Serialize};

pub use after_power::AfterPower;

use crate::program::{Position, StepKind};
use crate::settings::{RawStep, Settings, StepEnd, Uses, scaled, scaled_volume};
use crate::units::{Instant, Millis, Volume, elapsed, later, share};

/// How much brine is left in the bed (S12).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BrineInBed {
    /// None was drawn.
    #[default]
    None,
    /// Drawn and not rinsed.
    Undiluted,
    /// The slow rinse is complete.
    Diluted,
    /// The fast rinse is complete as well.
    Rinsed,
}

impl BrineInBed {
    /// The tank may not rest in service.
    #[must_use]
    pub fn must_rinse(self) -> bool {
        matches!(self, Self::Undiluted | Self::Diluted)
    }

    /// Whether any was drawn.
    #[must_use]
    pub fn was_drawn(self) -> bool {
        self != Self::None
    }
}

/// Where a regeneration is within its step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Phase {
    /// The valve is on its way; time already served in this step is kept.
    Travelling {
        /// Time served.
        served: Millis,
    },
    /// In position since then, with time served before.
    Running {
        /// Time served before.
        served: Millis,
        /// Since when the position is confirmed.
        since: Instant,
    },
    /// Every step is done; the valve goes to where the tank rests.
    Finishing,
}

/// How a regeneration ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Every step that restores the bed was served.
    Complete,
    /// An operator cut it short.
    Aborted,
    /// The drive was lost.
    Failed,
}

impl Outcome {
    /// The name files use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Aborted => "aborted",
            Self::Failed => "failed",
        }
    }
}

/// A regeneration under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Regeneration {
    started_at: Instant,
    /// Place in the program; past its end while finishing.
    step: u8,
    phase: Phase,
    /// Counted by the meter in the step under way.
    metered: Volume,
    /// Some step has run for its longest time without reaching its end (Q2).
    overlong: bool,
    brine: BrineInBed,
    backwashes: bool,
    /// Dose in percent of the usual.
    dose_percent: u16,
    /// Water that its refill is to put in.
    refill: Volume,
    /// Brine drawn, as the refill water that made it.
    drawn: Volume,
    /// Only a refill, since the brine was too little (C8); the tank served before, or not.
    make_up: Option<MakeUp>,
    cut_short: bool,
    /// An operator cut it short, who also decides what comes next.
    by_operator: bool,
}

/// What a make-up refill keeps of the tank that makes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum MakeUp {
    FromService,
    OffLine,
}

/// A step that is over, or was cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StepRun {
    /// Which.
    pub kind: StepKind,
    /// Time in position.
    pub ran: Millis,
    /// Water that a refill put in, or that made the brine which a draw should have drawn.
    pub water: Volume,
    /// Water that makes the dose which a draw was to draw.
    pub dose: Volume,
    /// The step's contact ended it: the brine tank is full, or empty.
    pub by_contact: bool,
    /// A draw that nobody cut: it shows whether brine is drawn.
    pub is_judged: bool,
}

/// What a regeneration did when time or the valve moved on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SequenceEvent {
    /// A step's position is confirmed and its time runs.
    Started(StepKind),
    /// A step is over.
    Ended(StepRun),
    /// The valve left the position; time stands still.
    Interrupted(StepKind),
    /// The valve rests: the regeneration is over.
    Finished(Outcome),
}

/// An operator's wish that a regeneration cannot grant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepRefused {
    /// The rinses after a brine draw are not skipped (S12).
    RinseFirst,
    /// Every step is over already.
    NothingToStep,
}

impl Regeneration {
    /// Begins one; `count` regenerations of this tank went before. Its dose is `dose_percent` of the usual,
    /// and a refill that comes first puts `refill` in.
    #[must_use]
    pub fn begin(now: Instant, count: u16, dose_percent: u16, refill: Volume, settings: &Settings) -> Self {
        let mut regeneration = Self::blank(now);
        regeneration.backwashes = settings.backwashes(count);
        regeneration.dose_percent = dose_percent;
        regeneration.refill = refill;
        regeneration.enter_from(0, settings);
        regeneration
    }

    /// Only the rinses, for a bed that was left with brine in it (S12); restores nothing.
    #[must_use]
    pub fn rinse_out(now: Instant, settings: &Settings) -> Self {
        let mut regeneration = Self::blank(now);
        regeneration.brine = BrineInBed::Undiluted;
        regeneration.cut_short = true;
        regeneration.enter_from(0, settings);
        regeneration
    }

    /// Only a refill of so much water, for want of brine (C8); restores nothing.
    #[must_use]
    pub fn make_up(now: Instant, refill: Volume, from_service: bool, settings: &Settings) -> Self {
        let mut regeneration = Self::blank(now);
        regeneration.refill = refill;
        regeneration.make_up = Some(if from_service { MakeUp::FromService } else { MakeUp::OffLine });
        regeneration.enter_from(0, settings);
        regeneration
    }

    fn blank(now: Instant) -> Self {
        Self {
            started_at: now,
            step: 0,
            phase: Phase::Finishing,
            metered: Volume::ZERO,
            overlong: false,
            brine: BrineInBed::None,
            backwashes: false,
            dose_percent: 100,
            refill: Volume::ZERO,
            drawn: Volume::ZERO,
            make_up: None,
            cut_short: false,
            by_operator: false,
        }
    }

    /// When it began.
    #[must_use]
    pub fn started_at(&self) -> Instant {
        self.started_at
    }

    /// Brine left in the bed.
    #[must_use]
    pub fn brine(&self) -> BrineInBed {
        self.brine
    }

    /// Where it is within its step.
    #[must_use]
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// The step under way or travelled to; `None` while finishing.
    #[must_use]
    pub fn step(&self, settings: &Settings) -> Option<StepKind> {
        self.entry(settings).map(|s| s.kind)
    }

    /// Whether it was cut short.
    #[must_use]
    pub fn is_cut_short(&self) -> bool {
        self.cut_short
    }

    /// Whether an operator cut it short.
    #[must_use]
    pub fn is_cut_by_operator(&self) -> bool {
        self.by_operator
    }

    /// Whether it is only a refill for want of brine (C8).
    #[must_use]
    pub fn is_make_up(&self) -> bool {
        self.make_up.is_some()
    }

    /// Whether the tank of a make-up refill served before.
    #[must_use]
    pub fn came_from_service(&self) -> bool {
        self.make_up == Some(MakeUp::FromService)
    }

    /// Brine drawn so far, as the refill water that made it.
    #[must_use]
    pub fn drawn(&self) -> Volume {
        self.drawn
    }

    /// Brine was drawn, as the refill water that made it.
    pub fn note_drawn(&mut self, water: Volume) {
        self.drawn = self.drawn.plus(water);
    }

    /// Its refill is to put in so much.
    pub fn set_refill(&mut self, water: Volume) {
        self.refill = water;
    }

    /// Brine got into the bed out of turn: it is rinsed out, and the bed counts as not restored (S12).
    pub fn rinse_again(&mut self, settings: &Settings) {
        self.brine = BrineInBed::Undiluted;
        self.cut_short = true;
        self.make_up = None;
        self.enter_from(0, settings);
    }

    /// Dose of this regeneration in percent of the usual.
    #[must_use]
    pub fn dose_percent(&self) -> u16 {
        self.dose_percent
    }

    /// Where the valve should be: the step's position, or `None` while finishing.
    #[must_use]
    pub fn wanted(&self, settings: &Settings) -> Option<Position> {
        self.step(settings).map(|kind| settings.position_of(kind))
    }

    /// What it needs of what tanks share (S1): what its step's position uses, and the brine tank from
    /// first to last where that makes one dose at a time.
    pub(crate) fn uses(&self, settings: &Settings) -> Uses {
        let Some(position) = self.wanted(settings) else { return Uses::default() };
        let uses = Uses::of(position);
        Uses { brine: uses.brine || (settings.has_one_dose() && self.is_brine_ahead(settings)), ..uses }
    }

    /// A step that uses the brine tank is under way or still to come.
    fn is_brine_ahead(&self, settings: &Settings) -> bool {
        settings.program.iter().skip(usize::from(self.step)).any(|entry| {
            matches!(entry.kind, StepKind::BrineDraw | StepKind::BrineRefill)
                && entry.length.0 > 0
                && self.runs(entry, settings)
        })
    }

    /// When the running step is over, or has run for its longest time.
    #[must_use]
    pub fn deadline(&self, settings: &Settings) -> Option<Instant> {
        match self.phase {
            Phase::Running { served, since } => {
                let longest = self.longest(settings);
                Some(later(since, Millis(longest.0.saturating_sub(served.0))))
            }
            _ => None,
        }
    }

    /// Some step has run for its longest time without reaching its end (Q2).
    #[must_use]
    pub fn is_overlong(&self) -> bool {
        self.overlong
    }

    /// Water passed the meter: it counts for the step that has been in its position since before `now`.
    /// Says whether a volume that ends the step is reached (Q2).
    pub fn meter(&mut self, now: Instant, volume: Volume, settings: &Settings) -> bool {
        if !matches!(self.phase, Phase::Running { since, .. } if since < now) {
            return false;
        }
        self.metered = self.metered.plus(volume);
        self.volume_reached(settings)
    }

    /// Whether a volume that ends the step under way is reached.
    fn volume_reached(&self, settings: &Settings) -> bool {
        match self.entry(settings).map(|entry| (entry.kind, entry.end)) {
            Some((StepKind::BrineRefill, StepEnd::Volume { .. })) => self.metered >= self.refill,
            Some((StepKind::BrineDraw, StepEnd::Volume { volume, .. })) => {
                self.metered >= scaled_volume(volume, self.dose_percent)
            }
            Some((_, StepEnd::Volume { volume, .. })) => self.metered >= volume,
            _ => false,
        }
    }

    /// Moves on: at most one event a call, so call until there is none.
    ///
    /// `at` is the confirmed position of the valve, `rests_at` where the tank rests afterwards, and
    /// `contact` whether the contact that may end the step is closed.
    pub fn poll(
        &mut self,
        now: Instant,
        at: Option<Position>,
        rests_at: Position,
        contact: bool,
        settings: &Settings,
    ) -> Option<SequenceEvent> {
        let Some(entry) = self.entry(settings) else {
            return (at == Some(rests_at)).then(|| SequenceEvent::Finished(self.outcome()));
        };
        let in_position = at == Some(settings.position_of(entry.kind));
        match self.phase {
            Phase::Travelling { served } if in_position => {
                self.phase = Phase::Running { served, since: now };
                Some(SequenceEvent::Started(entry.kind))
            }
            Phase::Running { served, since } => {
                let total = served.plus(elapsed(since, now));
                if !in_position {
                    self.phase = Phase::Travelling { served: total };
                    return Some(SequenceEvent::Interrupted(entry.kind));
                }
                if !self.is_over(entry, total, contact, settings) {
                    return None;
                }
                let run = self.run_of(entry, total, contact, true, settings);
                self.step_served(entry.kind);
                self.enter_from(self.step.saturating_add(1), settings);
                Some(SequenceEvent::Ended(run))
            }
            _ => None,
        }
    }

    /// Whether a step that has run for `total` is over.
    fn is_over(&mut self, entry: &RawStep, total: Millis, contact: bool, settings: &Settings) -> bool {
        let reached = match entry.end {
            StepEnd::Time => return total >= self.longest(settings),
            StepEnd::Volume { .. } => self.volume_reached(settings),
            StepEnd::Contact { .. } => contact,
        };
        if reached {
            return true;
        }
        let overlong = total >= self.longest(settings);
        self.overlong |= overlong;
        // A rinse that brine waits for goes on: its time has shown nothing (S12).
        overlong && !self.owes(entry.kind)
    }

    /// Whether brine in the bed waits for this kind of step (S12).
    fn owes(&self, kind: StepKind) -> bool {
        match self.brine {
            BrineInBed::Undiluted => matches!(kind, StepKind::SlowRinse | StepKind::FastRinse),
            BrineInBed::Diluted => kind == StepKind::FastRinse,
            BrineInBed::None | BrineInBed::Rinsed => false,
        }
    }

    /// What a step has done for the brine tank after `ran` in its position. `whole`: nobody cuts it.
    fn run_of(&self, entry: &RawStep, ran: Millis, contact: bool, whole: bool, settings: &Settings) -> StepRun {
        let usual = settings.dose_water();
        let dose = scaled_volume(usual, self.dose_percent);
        let length = u64::from(scaled(entry.length, self.dose_percent).0);
        let by_time = |of: Volume, length: u64| Volume(share(of.0, u64::from(ran.0).min(length), length));
        let ended_by_contact = contact && whole && matches!(entry.end, StepEnd::Contact { .. });
        let mut run = StepRun {
            kind: entry.kind,
            ran,
            water: Volume::ZERO,
            dose,
            by_contact: ended_by_contact,
            is_judged: entry.kind == StepKind::BrineDraw && whole,
        };
        run.water = match (entry.kind, entry.end) {
            (StepKind::BrineRefill, StepEnd::Volume { .. }) => self.metered,
            (StepKind::BrineRefill, _) => Volume(share(usual.0, u64::from(ran.0), u64::from(entry.length.0))),
            (StepKind::BrineDraw, StepEnd::Volume { volume, .. }) => {
                let target = scaled_volume(volume, self.dose_percent);
                Volume(share(dose.0, self.metered.min(target).0, target.0))
            }
            // Empty after a plausible time, or at least half of the usual one: the dose is drawn.
            (StepKind::BrineDraw, StepEnd::Contact { .. }) if ended_by_contact && u64::from(ran.0) >= length / 2 => {
                dose
            }
            // Brine is left after the longest time: nobody knows how much was drawn.
            (StepKind::BrineDraw, StepEnd::Contact { .. }) if whole && !contact => Volume::ZERO,
            (StepKind::BrineDraw, _) => by_time(dose, length),
            // Where one position draws and rinses, the rinse after a draw that was cut draws on.
            (StepKind::SlowRinse, _) if self.cut_short => settings.drawn_by_rinse(ran),
            _ => Volume::ZERO,
        };
        run
    }

    /// What the step under way has done so far, as if it were cut now.
    #[must_use]
    pub fn cut(&self, now: Instant, settings: &Settings) -> Option<StepRun> {
        let entry = self.entry(settings)?;
        Some(self.run_of(entry, self.ran(now), false, false, settings))
    }

    /// An operator steps forward; returns the step that was cut (Q5, S12).
    pub fn step_forward(&mut self, now: Instant, settings: &Settings) -> Result<StepRun, StepRefused> {
        let Some(entry) = self.entry(settings) else { return Err(StepRefused::NothingToStep) };
        let ran = self.ran(now);
        if self.brine.must_rinse() && matches!(entry.kind, StepKind::SlowRinse | StepKind::FastRinse) {
            // One that waits for a volume has rinsed for its longest time at least: a person has looked.
            if entry.end == StepEnd::Time || ran < self.longest(settings) {
                return Err(StepRefused::RinseFirst);
            }
            self.step_served(entry.kind);
        }
        let restores = match entry.kind {
            StepKind::BrineDraw => true,
            StepKind::Backwash | StepKind::FastRinse => !settings.draws_brine(),
            // The dose of this very regeneration would be short (S6).
            StepKind::BrineRefill | StepKind::BrineWait => settings.refills_first() && !self.brine.was_drawn(),
            _ => false,
        };
        self.cut_short |= restores;
        self.by_operator |= restores || self.is_make_up();
        let run = self.run_of(entry, ran, false, false, settings);
        self.enter_from(self.step.saturating_add(1), settings);
        Ok(run)
    }

    /// An operator aborts: brine that was drawn is rinsed out first (S12). Returns the step that was
    /// cut, unless that step is a rinse that goes on.
    pub fn abort(&mut self, now: Instant, settings: &Settings) -> Option<StepRun> {
        let entry = self.entry(settings)?;
        self.cut_short = true;
        self.by_operator = true;
        let goes_on = match self.brine {
            BrineInBed::Undiluted => entry.kind == StepKind::SlowRinse,
            BrineInBed::Diluted => entry.kind == StepKind::FastRinse,
            BrineInBed::None | BrineInBed::Rinsed => false,
        };
        if goes_on {
            return None;
        }
        let run = self.run_of(entry, self.ran(now), false, false, settings);
        self.enter_from(self.step.saturating_add(1), settings);
        Some(run)
    }

    fn ran(&self, now: Instant) -> Millis {
        match self.phase {
            Phase::Running { served, since } => served.plus(elapsed(since, now)),
            Phase::Travelling { served } => served,
            Phase::Finishing => Millis::ZERO,
        }
    }

    fn entry<'s>(&self, settings: &'s Settings) -> Option<&'s RawStep> {
        match self.phase {
            Phase::Finishing => None,
            _ => settings.program.get(usize::from(self.step)),
        }
    }

    /// Enters the first step from a place on that runs, or finishes.
    fn enter_from(&mut self, place: u8, settings: &Settings) {
        let next = settings
            .program
            .iter()
            .enumerate()
            .skip(usize::from(place))
            .find(|(_, entry)| entry.length.0 > 0 && self.runs(entry, settings));
        let Some((place, entry)) = next else {
            self.phase = Phase::Finishing;
            return;
        };
        self.step = u8::try_from(place).unwrap_or(u8::MAX);
        self.phase = Phase::Travelling { served: Millis::ZERO };
        self.metered = Volume::ZERO;
        if entry.kind == StepKind::BrineDraw {
            // From here on the valve may be open to the brine.
            self.brine = BrineInBed::Undiluted;
        }
    }

    /// Whether this regeneration runs a step of this kind.
    fn runs(&self, entry: &RawStep, settings: &Settings) -> bool {
        let kind = entry.kind;
        if self.cut_short {
            return self.owes(kind);
        }
        if self.is_make_up() {
            return kind == StepKind::BrineRefill;
        }
        match kind {
            StepKind::Backwash => self.backwashes,
            // What is in the brine tank already is not put in again (C8, P5).
            StepKind::BrineRefill => match entry.end {
                StepEnd::Contact { .. } => entry.longest() > Millis::ZERO,
                _ if settings.makes_brine() => self.refill > Volume::ZERO,
                _ => entry.longest() > Millis::ZERO,
            },
            _ => true,
        }
    }

    fn step_served(&mut self, kind: StepKind) {
        self.brine = match (self.brine, kind) {
            (BrineInBed::Undiluted, StepKind::SlowRinse) => BrineInBed::Diluted,
            (BrineInBed::Diluted, StepKind::FastRinse) => BrineInBed::Rinsed,
            (brine, _) => brine,
        };
    }

    /// The longest that the step under way may run.
    fn longest(&self, settings: &Settings) -> Millis {
        self.entry(settings).map_or(Millis::ZERO, |entry| self.longest_of(entry, settings))
    }

    fn longest_of(&self, entry: &RawStep, settings: &Settings) -> Millis {
        let longest = entry.longest();
        match (entry.kind, entry.end) {
            (StepKind::BrineDraw, _) => scaled(longest, self.dose_percent),
            // Refilled without a measure, it may take its time.
            (StepKind::BrineRefill, StepEnd::Contact { .. }) => longest,
            (StepKind::BrineRefill, _) if settings.makes_brine() => self.refill_time(longest, settings),
            _ => longest,
        }
    }

    /// Time for this regeneration's refill, where the usual one takes `usual`; rounded up.
    fn refill_time(&self, usual: Millis, settings: &Settings) -> Millis {
        let dose = settings.dose_water().0;
        let ms = share(u64::from(usual.0), self.refill.0, dose);
        let exact = share(dose, ms, u64::from(usual.0)) >= self.refill.0;
        Millis(u32::try_from(ms).unwrap_or(u32::MAX).saturating_add(u32::from(!exact)))
    }

    fn outcome(&self) -> Outcome {
        if self.cut_short { Outcome::Aborted } else { Outcome::Complete }
    }
}
