//! Whether a valve of the plant stands where its step runs, while the logic counts the step's time (S6, Q2).

use std::hash::{Hash, Hasher};

use bedkeeper::drive::Motion;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{CamFeedback, RawDrive};

use super::valves::SEEN_AFTER_MS;
use crate::plant::Valve;
use crate::quantity::show;

/// How a valve stands to its step.
#[derive(Clone, Copy, Default)]
pub(super) struct Place {
    /// Elsewhere since then.
    astray_since_ms: Option<u64>,
    /// It had a fault, or somebody turned it: a drive that counts or times may not know where it stands.
    meddled: bool,
    /// Its motor stood when it was last looked at, in the step's position.
    stood: bool,
}

impl Place {
    /// Hashes what will be found by it: of a drive that sees all it is not asked whether somebody meddled.
    pub(super) fn hash_future(&self, now_ms: u64, drive: &RawDrive, into: &mut impl Hasher) {
        let astray = self.astray_since_ms.map(|since| now_ms.saturating_sub(since).min(SEEN_AFTER_MS + 1));
        (astray, self.stood && !sees_all(drive), self.meddled && !sees_all(drive)).hash(into);
    }

    /// The valve left its place while its motor stood.
    pub(super) const fn moved(&mut self) {
        self.meddled = true;
    }

    /// Something moved or held the valve that its drive does not see: no logic knows where it stands.
    pub(super) fn is_unknown(&self, drive: &RawDrive) -> bool {
        self.meddled && !sees_all(drive)
    }

    /// Looks at a valve while a step's time counts; tells what is wrong with it.
    pub(super) fn see(
        &mut self,
        step: Option<StepKind>,
        valve: &Valve,
        now_ms: u64,
        drive: &RawDrive,
    ) -> Option<String> {
        let faulty = !valve.faults().is_empty();
        self.meddled |= faulty;
        let at = valve.position();
        let Some(step) = step.filter(|step| !is_place_of(*step, at, drive)) else {
            self.astray_since_ms = None;
            self.stood = step.is_some() && valve.motion() == Motion::Off;
            return None;
        };
        self.meddled |= std::mem::take(&mut self.stood);
        let since_ms = *self.astray_since_ms.get_or_insert(now_ms);
        let excused = faulty || self.is_unknown(drive);
        let astray_ms = now_ms.saturating_sub(since_ms);
        (astray_ms > SEEN_AFTER_MS && !excused).then(|| {
            let at = at.map_or("between two positions", Position::slug);
            format!(
                "the time of {step} counts, and its valve has stood elsewhere for {}: {at}",
                show::duration(astray_ms)
            )
        })
    }
}

/// The drive sees whatever moves its valve.
fn sees_all(drive: &RawDrive) -> bool {
    matches!(drive, RawDrive::CamSwitch { feedback: CamFeedback::SwitchPerPosition, .. } | RawDrive::TwoPosition { .. })
}

/// Whether a step runs where the valve stands.
fn is_place_of(step: StepKind, at: Option<Position>, drive: &RawDrive) -> bool {
    let Some(at) = at else { return false };
    match step {
        StepKind::Backwash => at == Position::Backwash,
        StepKind::BrineDraw => at == Position::BrineDraw,
        StepKind::SlowRinse if drive.place(Position::SlowRinse).is_some() => at == Position::SlowRinse,
        // One position draws and rinses.
        StepKind::SlowRinse => at == Position::BrineDraw,
        StepKind::FastRinse | StepKind::ServiceRinse => at == Position::FastRinse,
        StepKind::BrineRefill => at == Position::BrineRefill,
        StepKind::Settle | StepKind::BrineWait => matches!(at, Position::Standby | Position::Service),
    }
}
