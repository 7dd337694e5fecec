//! What a board would keep of a session in flash, told from its journal (P7).

use bedkeeper::chronicle::{RegenerationRecord, StepLength};
use bedkeeper::demand::{Cause, CauseSet};
use bedkeeper::hardness_log::HardnessLog;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::StepKind;
use bedkeeper::reserve::DayUse;
use bedkeeper::units::{Millis, SaltMass, Volume};
use bedkeeper_runtime::archive::{Archive, Visit};

/// Regenerations, days and hardness tests.
#[derive(Debug, Default)]
pub struct Kept {
    regenerations: Vec<RegenerationRecord>,
    days: Vec<DayUse>,
    /// The latest hardness tests (O6).
    pub hardness: HardnessLog,
}

impl Kept {
    /// From the records of a session, the oldest first.
    #[must_use]
    pub fn of(records: &[Record]) -> Self {
        let mut kept = Self::default();
        // Regenerations under way, by their tanks.
        let mut running: Vec<(u64, RegenerationRecord)> = Vec::new();
        for record in records {
            kept.hardness.observe(record);
            match record.event {
                Event::DayEnded(day) => kept.days.push(day),
                // One that begins again after a power cut goes on with the same record.
                Event::Started { tank, leading, causes, .. } if !running.iter().any(|(_, run)| run.tank == tank) => {
                    let began_minute = record.civil.map(|at| u32::try_from(at.0 / 60_000).unwrap_or(u32::MAX));
                    running.push((record.at.as_ticks(), begun(tank, began_minute, leading, causes)));
                }
                Event::StepEnded { tank, step, ran, drained } => {
                    if let Some((_, run)) = running.iter_mut().find(|(_, run)| run.tank == tank) {
                        add(run, step, ran, drained);
                    }
                }
                Event::Ended { tank, outcome, volume, overrun, salt } => {
                    if let Some(at) = running.iter().position(|(_, run)| run.tank == tank) {
                        let (began_ms, run) = running.remove(at);
                        let took_minutes = (record.at.as_ticks() - began_ms) / 60_000;
                        kept.regenerations.push(RegenerationRecord {
                            took_minutes: u16::try_from(took_minutes).unwrap_or(u16::MAX),
                            outcome,
                            volume,
                            overrun,
                            salt,
                            ..run
                        });
                    }
                }
                _ => {}
            }
        }
        kept
    }
}

fn begun(
    tank: bedkeeper::units::TankId,
    began_minute: Option<u32>,
    leading: Cause,
    causes: CauseSet,
) -> RegenerationRecord {
    RegenerationRecord {
        tank,
        began_minute,
        took_minutes: 0,
        leading,
        causes,
        outcome: bedkeeper::sequence::Outcome::Complete,
        volume: Volume::ZERO,
        overrun: Volume::ZERO,
        salt: SaltMass(0),
        drained_ml: 0,
        steps: heapless::Vec::new(),
    }
}

fn add(run: &mut RegenerationRecord, kind: StepKind, ran: Millis, drained: Volume) {
    let ran_s = u16::try_from(ran.0.div_ceil(1_000)).unwrap_or(u16::MAX);
    match run.steps.iter_mut().find(|step| step.kind == kind) {
        Some(step) => step.ran_s = step.ran_s.saturating_add(ran_s),
        // There is room for every kind.
        None => {
            let _ = run.steps.push(StepLength { kind, ran_s });
        }
    }
    run.drained_ml = run.drained_ml.saturating_add(u32::try_from(drained.0 / 1_000_000).unwrap_or(u32::MAX));
}

impl Archive for Kept {
    fn regenerations(&mut self, from: u32, visit: &mut Visit<'_, RegenerationRecord>) {
        let _ = (0..).zip(&self.regenerations).skip_while(|(n, _)| *n < from).all(|(n, record)| visit(n, record));
    }

    fn days(&mut self, from: u32, visit: &mut Visit<'_, DayUse>) {
        let _ = (0..).zip(&self.days).skip_while(|(n, _)| *n < from).all(|(n, day)| visit(n, day));
    }
}
