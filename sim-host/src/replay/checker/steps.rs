//! Follows the steps of a regeneration by the moments at which the logic says that they run and stop, by the pulses and
//! by the contacts: whether each was served to its end (S6, S12, Q2).

use std::hash::{Hash, Hasher};
use std::sync::Arc;

use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::program::StepKind;
use bedkeeper::settings::{Medium, MeterPlace, RawSettings, RawStep, StepEnd};

/// A step that is over by its time ends at that very instant; a rehearsal may look a little later.
const LATE_MS: u64 = 1_000;

/// What was seen of the steps of one kind in a regeneration.
#[derive(Clone, Copy, Debug, Hash)]
struct Seen {
    kind: StepKind,
    /// Time in position, ms.
    ms: u64,
    /// What the meter counted meanwhile, nL, rounded up for each batch of pulses.
    nl: u128,
    /// It was over while its contact was closed.
    by_contact: bool,
    /// An operator stepped forward from it.
    by_operator: bool,
    /// It is over: if it runs once more, it begins anew.
    over: bool,
}

impl Seen {
    /// Nothing yet.
    const fn none(kind: StepKind) -> Self {
        Self { kind, ms: 0, nl: 0, by_contact: false, by_operator: false, over: false }
    }
}

/// The steps of a regeneration under way, and the settings with which it began.
#[derive(Clone, Debug)]
pub(super) struct Steps {
    /// What it is judged by: no later settings change it.
    raw: Arc<RawSettings>,
    seen: Vec<Seen>,
    /// The step in its position, and since when.
    running: Option<(StepKind, u64)>,
    /// The step that was over last.
    ended: Option<StepKind>,
}

impl Steps {
    /// The steps that must be served in full for a regeneration to restore anything.
    pub(super) fn restoring(raw: &RawSettings) -> &'static [StepKind] {
        match raw.medium {
            Medium::Filter { .. } => &[StepKind::Backwash, StepKind::FastRinse],
            Medium::Softener { .. } => &[StepKind::BrineDraw, StepKind::SlowRinse, StepKind::FastRinse],
        }
    }

    /// Hashes what is to be judged, with times counted from now: what was served beyond what must be does not matter, nor
    /// does what was served of a step that need not be, nor how much a step lacks that is over.
    pub(super) fn hash_future(&self, now: u64, into: &mut impl Hasher) {
        self.running.map(|(kind, since)| (kind, now.saturating_sub(since))).hash(into);
        self.ended.hash(into);
        for kind in Self::restoring(&self.raw) {
            let Some(step) = self.raw.program.iter().find(|step| step.kind == *kind && step.length.0 > 0) else {
                continue;
            };
            let most = u64::from(step.longest().max(step.length).0);
            let seen = self.seen.iter().find(|seen| seen.kind == *kind);
            if let Some(over) = seen.filter(|seen| seen.over) {
                // Whether an operator ended it may be told later.
                let by_operator = Seen { by_operator: true, ..*over };
                (self.is_enough(step, over), self.is_enough(step, &by_operator)).hash(into);
                continue;
            }
            // Of a step that ends by time no water is asked.
            let counts = step.end != StepEnd::Time;
            let seen = seen.map(|seen| Seen { ms: seen.ms.min(most), nl: if counts { seen.nl } else { 0 }, ..*seen });
            seen.hash(into);
        }
    }

    pub(super) fn begin(raw: &Arc<RawSettings>) -> Self {
        Self { raw: Arc::clone(raw), seen: Vec::new(), running: None, ended: None }
    }

    fn seen(&mut self, kind: StepKind) -> &mut Seen {
        let place = self.seen.iter().position(|seen| seen.kind == kind).unwrap_or(self.seen.len());
        if place == self.seen.len() {
            self.seen.push(Seen::none(kind));
        }
        &mut self.seen[place]
    }

    /// The step whose time counts.
    pub(super) fn running(&self) -> Option<StepKind> {
        self.running.map(|(kind, _)| kind)
    }

    /// The step has been in its position.
    pub(super) fn has_run(&self, kind: StepKind) -> bool {
        self.running() == Some(kind) || self.seen.iter().any(|seen| seen.kind == kind)
    }

    /// The step is in its position.
    pub(super) fn run(&mut self, kind: StepKind, now: u64) {
        self.stop(now);
        self.seen.retain(|seen| seen.kind != kind || !seen.over);
        self.running = Some((kind, now));
    }

    /// Its valve left the position, or power failed.
    pub(super) fn stop(&mut self, now: u64) {
        if let Some((kind, since)) = self.running.take() {
            self.seen(kind).ms += now.saturating_sub(since);
        }
    }

    /// The step is over, while these contacts are closed. Tells whether it ran for longer than it ever does (Q2).
    pub(super) fn end(&mut self, kind: StepKind, now: u64, closed: ContactSet) -> Option<String> {
        let ran_ms = self.running.filter(|(running, _)| *running == kind).map(|(_, since)| now.saturating_sub(since));
        self.stop(now);
        let contact = match kind {
            StepKind::BrineRefill => Contact::BrineFull,
            StepKind::BrineDraw => Contact::BrineEmpty,
            _ => Contact::BrineReady,
        };
        let seen = self.seen(kind);
        seen.by_contact |= closed.contains(contact);
        seen.over = true;
        self.ended = Some(kind);
        // What goes with a dose may be longer where the dose is reckoned anew each time.
        let varies = self.raw.brine.proportional.on && matches!(kind, StepKind::BrineDraw | StepKind::BrineRefill);
        let step = self.raw.program.iter().find(|step| step.kind == kind && step.length.0 > 0 && !varies)?;
        let most_ms = u64::from(step.longest().0);
        let ran_ms = ran_ms.filter(|ran_ms| *ran_ms > most_ms + LATE_MS)?;
        Some(format!("{kind} ran for {ran_ms} ms, and {most_ms} ms are its longest"))
    }

    /// An operator stepped forward: the record tells it before or after the step's end.
    pub(super) fn step_forward(&mut self) {
        if let Some(kind) = self.running.map(|(kind, _)| kind).or(self.ended) {
            self.seen(kind).by_operator = true;
        }
    }

    /// The step begins again, and what it was served before is void (P4).
    pub(super) fn forget(&mut self, kind: StepKind) {
        self.seen.retain(|seen| seen.kind != kind);
    }

    /// Pulses came that may have passed this bed.
    pub(super) fn meter(&mut self, pulses: u32, now: u64) {
        let meter = &self.raw.meter;
        let nl = (u128::from(pulses) * u128::from(meter.pulse_nl)).div_ceil(u128::from(meter.pulse_divisor).max(1));
        let past = u128::from(if meter.place == MeterPlace::Common { self.raw.sharing.bypass_per_mille } else { 0 });
        // Water of the very instant in which the step began has passed before.
        if let Some((kind, _)) = self.running.filter(|(_, since)| *since < now) {
            self.seen(kind).nl += (nl * (1_000 - past.min(1_000))).div_ceil(1_000);
        }
    }

    /// Why a step that must be served was not; `None` if it was.
    pub(super) fn lacks(&self, kind: StepKind) -> Option<String> {
        let step = self.raw.program.iter().find(|step| step.kind == kind && step.length.0 > 0)?;
        let seen = self.seen.iter().find(|seen| seen.kind == kind).copied().unwrap_or(Seen::none(kind));
        (!self.is_enough(step, &seen)).then(|| told(step, &seen, self.least_percent(kind)))
    }

    /// Whether a step was served to its end.
    fn is_enough(&self, step: &RawStep, seen: &Seen) -> bool {
        let least = self.least_percent(step.kind);
        let of_ms = |ms: u32| u64::from(ms) * least / 100;
        match step.end {
            StepEnd::Time => seen.ms >= of_ms(step.length.0),
            StepEnd::Volume { volume, longest } => {
                seen.nl * 100 >= u128::from(volume.nl()) * u128::from(least)
                    || self.may_end_late(seen) && seen.ms >= of_ms(longest.0)
            }
            StepEnd::Contact { longest } => seen.by_contact || self.may_end_late(seen) && seen.ms >= of_ms(longest.0),
        }
    }

    /// Whether a step that a volume or a contact ends is over; `None` of one that ends by time.
    pub(super) fn is_over(&self, kind: StepKind) -> Option<bool> {
        let ends = |step: &&RawStep| step.kind == kind && step.length.0 > 0 && step.end != StepEnd::Time;
        self.raw.program.iter().find(ends).map(|_| self.ended.is_some() && self.lacks(kind).is_none())
    }

    /// A brine draw follows the dose.
    fn least_percent(&self, kind: StepKind) -> u64 {
        let doses = &self.raw.brine.proportional;
        if kind == StepKind::BrineDraw && doses.on { u64::from(doses.floor_percent) } else { 100 }
    }

    /// A rinse that brine waits for is not over by its longest time alone: a person must have looked (S12).
    fn may_end_late(&self, seen: &Seen) -> bool {
        let draws = self.raw.program.iter().any(|step| step.kind == StepKind::BrineDraw && step.length.0 > 0);
        let rinses = matches!(seen.kind, StepKind::SlowRinse | StepKind::FastRinse);
        !(draws && rinses) || seen.by_operator
    }
}

/// What a step was served, of what.
fn told(step: &RawStep, seen: &Seen, least: u64) -> String {
    let served = format!("{} was served {} ms", step.kind, seen.ms);
    match step.end {
        StepEnd::Time => format!("{served} of {}", u64::from(step.length.0) * least / 100),
        StepEnd::Volume { volume, .. } => {
            format!("{served} and {} nL of {}", seen.nl, u128::from(volume.nl()) * u128::from(least) / 100)
        }
        StepEnd::Contact { .. } => format!("{served}, and its contact was open"),
    }
}
