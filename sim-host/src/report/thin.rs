//! The report of a huge replay shows both ends of it, so that a browser still opens the page.

use super::people::{self, Clock};
use crate::evidence::{DutyInterval, Evidence, RegenerationEvidence, TankEvidence};

/// Regenerations shown at each end of the recording.
const REGENERATIONS_AT_EACH_END: usize = 250;
/// Regenerations, steps and holds shown at each end, all in all; a hold counts twice, since more places show it.
const MARKS_AT_EACH_END: usize = 3_900;
/// Duties of one tank shown at each end.
const DUTIES_AT_EACH_END: usize = 750;

/// Evidence with fewer entries, and the sentence that says so.
pub struct Thinned {
    /// What the tables and marks show. Figures of the whole are not to be taken from it.
    pub shown: Evidence,
    /// What is left out, for the reader.
    pub sentence: String,
}

/// Thins evidence that is too much for a page; `None` if it is not.
pub fn thinned(evidence: &Evidence) -> Option<Thinned> {
    let all = &evidence.regenerations;
    let first = fitting(all.iter());
    let last = fitting(all[first..].iter().rev());
    let left_out = all.len() - first - last;
    // Duties go with the regenerations that are shown.
    let gap = (left_out > 0).then(|| (ended_ms(&all[first - 1]), all[all.len() - last].asked_ms));
    let duties: Vec<_> = evidence.tanks.iter().map(|tank| duties_shown(tank, gap)).collect();
    let duties_left_out =
        evidence.tanks.iter().zip(&duties).map(|(tank, shown)| tank.duties.len() - shown.len()).sum::<usize>();
    if left_out == 0 && duties_left_out == 0 {
        return None;
    }
    let tanks = evidence.tanks.iter().zip(duties).map(|(tank, duties)| TankEvidence {
        number: tank.number,
        duties,
        pending_holds: tank.pending_holds.clone(),
        derating: tank.derating,
        remaining: tank.remaining.clone(),
    });
    let shown = Evidence {
        site: evidence.site.clone(),
        site_note: evidence.site_note.clone(),
        recording: evidence.recording.clone(),
        start: evidence.start.clone(),
        span_ms: evidence.span_ms,
        arrangement: evidence.arrangement,
        water: evidence.water,
        hard_water_nl: evidence.hard_water_nl,
        delivered: evidence.delivered,
        salt_mg: evidence.salt_mg,
        drain_water_nl: evidence.drain_water_nl,
        plant: evidence.plant.clone(),
        tanks: tanks.collect(),
        flow: evidence.flow.clone(),
        regenerations: all[..first].iter().chain(&all[all.len() - last..]).cloned().collect(),
        relays: evidence.relays.clone(),
        brine: evidence.brine.clone(),
        daily_use: evidence.daily_use.clone(),
        lives: evidence.lives.clone(),
        alarms: evidence.alarms.clone(),
        alarms_left_out: evidence.alarms_left_out,
        violations: evidence.violations.clone(),
        next_expected: evidence.next_expected.clone(),
        notes: evidence.notes.clone(),
    };
    let clock = Clock::new(&evidence.start, evidence.span_ms);
    Some(Thinned { shown, sentence: sentence((first, last, left_out), gap, duties_left_out, &clock) })
}

fn sentence(
    (first, last, left_out): (usize, usize, usize),
    gap: Option<(u64, u64)>,
    duties_left_out: usize,
    clock: &Clock,
) -> String {
    let count = |count: usize| people::grouped(count as u128);
    let what = match gap {
        Some((from_ms, to_ms)) => format!(
            "Of {} regenerations this page shows the first {} and the last {}, with their steps, holds and duties. \
             The {} between {} and {} are in no table and have no mark on the time line, nor have {} duties.",
            count(first + last + left_out),
            count(first),
            count(last),
            count(left_out),
            clock.moment(from_ms),
            clock.moment(to_ms),
            count(duties_left_out),
        ),
        None => format!(
            "Of the duties of each tank this page shows the first and the last {}; {} are in no table and have no \
             mark on the time line.",
            count(DUTIES_AT_EACH_END),
            count(duties_left_out),
        ),
    };
    format!("{what} Figures, the water account and curves cover the whole recording.")
}

/// How many entries fit one end of the page: one at least, if there is one.
fn fitting<'a>(mut regenerations: impl Iterator<Item = &'a RegenerationEvidence>) -> usize {
    let mut marks = 0;
    let mut count = 0;
    while let Some(regeneration) = regenerations.next().filter(|_| count < REGENERATIONS_AT_EACH_END) {
        marks += 1 + regeneration.steps.len() + 2 * regeneration.holds_before.len();
        if count > 0 && marks > MARKS_AT_EACH_END {
            break;
        }
        count += 1;
    }
    count
}

fn ended_ms(regeneration: &RegenerationEvidence) -> u64 {
    regeneration.end_ms.unwrap_or(regeneration.start_ms)
}

/// The duties outside of the gap, at each end as many as fit.
fn duties_shown(tank: &TankEvidence, gap: Option<(u64, u64)>) -> Vec<DutyInterval> {
    let outside = |duty: &&DutyInterval| gap.is_none_or(|(from, to)| duty.from_ms <= from || duty.to_ms >= to);
    let kept: Vec<_> = tank.duties.iter().filter(outside).cloned().collect();
    if kept.len() <= 2 * DUTIES_AT_EACH_END {
        return kept;
    }
    [&kept[..DUTIES_AT_EACH_END], &kept[kept.len() - DUTIES_AT_EACH_END..]].concat()
}
