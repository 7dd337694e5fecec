//! Invented evidence of two alternating tanks over two weeks, for looking at and testing reports.
//! It imitates the shape of a replay; it is not one.

use bedkeeper_sim::evidence::{
    AlarmEvidence, Arrangement, DutyInterval, Evidence, HoldInterval, NextExpected, Outcome, RegenerationEvidence,
    StepEvidence, TankEvidence,
};

const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 60 * MINUTE_MS;
const DAY_MS: u64 = 24 * HOUR_MS;
const CAPACITY_L: u64 = 12_000;
/// No minute of the sample uses more, so that switching this much early never overruns.
const MOST_L_PER_MINUTE: u64 = 30;
const NL_PER_L: u128 = 1_000_000_000;
const STEPS: [(&str, u64); 5] =
    [("backwash", 10), ("brine-draw", 24), ("slow-rinse", 38), ("fast-rinse", 8), ("brine-refill", 14)];
/// Time a valve takes between two positions.
const TRAVEL_MS: u64 = 20_000;

/// A small generator, so that the sample is the same everywhere.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % bound
    }
}

/// Litres in one minute of the day, with two peaks.
fn demand_l(random: &mut Random, at_ms: u64) -> u64 {
    let (chance_percent, most_l) = match at_ms / HOUR_MS % 24 {
        0..5 => (3, 8),
        5..6 => (24, 16),
        6..9 => (70, 30),
        9..17 => (38, 22),
        17..22 => (56, 28),
        _ => (18, 12),
    };
    if random.below(100) < chance_percent { 1 + random.below(most_l) } else { 0 }
}

fn blackout_ends_ms(at_ms: u64) -> Option<u64> {
    let (day_ms, hour) = (at_ms / DAY_MS * DAY_MS, at_ms / HOUR_MS % 24);
    match hour {
        6..9 => Some(day_ms + 9 * HOUR_MS),
        17..22 => Some(day_ms + 22 * HOUR_MS),
        _ => None,
    }
}

fn duty(tank: &mut TankEvidence, at_ms: u64, duty: &'static str, text: &'static str) {
    if let Some(last) = tank.duties.last_mut() {
        last.to_ms = at_ms;
    }
    tank.duties.push(DutyInterval { from_ms: at_ms, to_ms: at_ms, duty, text });
}

fn steps_from(start_ms: u64) -> Box<[StepEvidence]> {
    let mut at_ms = start_ms;
    STEPS
        .iter()
        .map(|&(step, minutes)| {
            let begun_ms = at_ms + TRAVEL_MS;
            at_ms = begun_ms + minutes * MINUTE_MS;
            StepEvidence { step, start_ms: begun_ms, end_ms: at_ms }
        })
        .collect()
}

/// The evidence.
pub fn evidence() -> Evidence {
    let span_ms = 14 * DAY_MS;
    let mut random = Random(7);
    let mut evidence = Evidence {
        site: "Linden Court (invented)".into(),
        site_note: "Shut-off beside the meter, ground floor; caretaker's bell at the door.".into(),
        recording: "twenty flats, two weeks, 10 L per pulse".into(),
        start: "2026-03-02T00:00:00".into(),
        span_ms,
        arrangement: Arrangement::Alternating,
        notes: vec![
            "The site and its water use are invented for this demonstration.".into(),
            "Valve travel is timed at 20 s per position.".into(),
        ],
        ..Evidence::default()
    };
    let mut tanks = [1, 2].map(|number| TankEvidence { number, ..TankEvidence::default() });
    duty(&mut tanks[0], 0, "serving", "In service since the start.");
    duty(&mut tanks[1], 0, "ready", "Regenerated before the recording began.");
    let mut used_l = [4_300, 0];
    let mut serving = 0;
    let mut pending: Option<(usize, u64)> = None;
    let mut running: Option<usize> = None;
    for tank in &mut tanks {
        tank.remaining.push(0, (CAPACITY_L - used_l[usize::from(tank.number) - 1]) as f64);
    }
    for at_ms in (0..span_ms).step_by(MINUTE_MS as usize) {
        let litres = demand_l(&mut random, at_ms);
        used_l[serving] += litres;
        evidence.water.metered_nl += u128::from(litres) * NL_PER_L;
        evidence.flow.push(at_ms, litres as f64);
        if litres > 0 {
            tanks[serving].remaining.push(at_ms, CAPACITY_L as f64 - used_l[serving] as f64);
        }
        if let Some(index) = running {
            let regeneration = evidence.regenerations.last_mut().expect("one runs");
            let end_ms = regeneration.steps.last().map_or(0, |step| step.end_ms);
            if at_ms >= end_ms {
                running = None;
                regeneration.end_ms = Some(end_ms);
                regeneration.outcome = Outcome::Complete;
                regeneration.salt_mg = 9_600_000;
                regeneration.drain_nl = 412 * NL_PER_L + 500_000_000;
                used_l[index] = 0;
                tanks[index].remaining.push(end_ms, CAPACITY_L as f64);
                duty(&mut tanks[index], end_ms, "ready", "Regeneration complete.");
            }
        }
        if used_l[serving] + MOST_L_PER_MINUTE > CAPACITY_L && pending.is_none() && running.is_none() {
            let off = serving;
            serving = 1 - serving;
            duty(&mut tanks[serving], at_ms, "serving", "Took over from the other tank, which was exhausted.");
            duty(&mut tanks[off], at_ms + 25_000, "spent", "Left service after the other tank had confirmed.");
            pending = Some((off, at_ms));
        }
        let Some((index, asked_ms)) = pending else {
            continue;
        };
        if at_ms == asked_ms || blackout_ends_ms(at_ms).is_some() {
            continue;
        }
        pending = None;
        running = Some(index);
        let tank = &mut tanks[index];
        let window = blackout_ends_ms(asked_ms).map(|ends_ms| HoldInterval {
            from_ms: asked_ms,
            to_ms: at_ms,
            hold: "blackout",
            clears: "until the blackout window ends",
            clears_at_ms: Some(ends_ms),
        });
        let changeover = HoldInterval {
            from_ms: asked_ms,
            to_ms: asked_ms + 25_000,
            hold: "changing-over",
            clears: "until the other tank is confirmed in service, after about 25 s",
            clears_at_ms: None,
        };
        duty(tank, at_ms, "regenerating", "");
        evidence.regenerations.push(RegenerationEvidence {
            tank: tank.number,
            cause: "exhausted",
            other_causes: Box::default(),
            asked_ms,
            start_ms: at_ms,
            end_ms: None,
            volume_since_last_nl: u128::from(used_l[index]) * NL_PER_L,
            overrun_nl: u128::from(used_l[index].saturating_sub(CAPACITY_L)) * NL_PER_L,
            outcome: Outcome::Running,
            steps: steps_from(at_ms),
            holds_before: window.into_iter().chain([changeover]).collect(),
            salt_mg: 0,
            drain_nl: 0,
            reserve: None,
            water: None,
        });
    }
    for tank in &mut tanks {
        if let Some(last) = tank.duties.last_mut() {
            last.to_ms = span_ms;
        }
    }
    if let Some(second) = evidence.regenerations.get_mut(1) {
        second.other_causes = Box::new(["backup-day"]);
    }
    evidence.water.charged_nl = evidence.water.metered_nl;
    evidence.salt_mg = evidence.regenerations.iter().map(|regeneration| regeneration.salt_mg).sum();
    evidence.drain_water_nl = evidence.regenerations.iter().map(|regeneration| regeneration.drain_nl).sum();
    evidence.alarms = vec![AlarmEvidence {
        slug: "meter-noisy",
        from_ms: 5 * DAY_MS + 7 * HOUR_MS,
        to_ms: Some(5 * DAY_MS + 9 * HOUR_MS),
        acknowledged_ms: None,
        text: "More than 2 % of the meter's contacts in an hour were bounces. They were not counted. Look at the meter's cable and contact.",
    }];
    evidence.next_expected = vec![NextExpected {
        tank: tanks[serving].number,
        at_ms: Some(span_ms + 9 * HOUR_MS),
        text: "When the rest of its capacity is used, at the pace of the last days.".into(),
    }];
    evidence.tanks = tanks.into();
    evidence
}
