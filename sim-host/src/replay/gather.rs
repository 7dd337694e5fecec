//! Gathers the evidence of a replay: intervals, regenerations, alarms, curves.

use bedkeeper::demand::HoldSet;
use bedkeeper::journal::{Event, Record};
use bedkeeper::settings::Arrangement as LogicArrangement;
use bedkeeper::units::TankId;

use super::{Observer, World, replay_ms};
use crate::evidence::{
    AlarmEvidence, Arrangement, Curve, DEFAULT_CURVE_CAPACITY, DutyInterval, Evidence, HoldInterval, NextExpected,
    Outcome, RegenerationEvidence, StepEvidence, TankEvidence, WaterAccount,
};
use crate::quantity::show;
use crate::recording::Pulses;
use crate::wording;

/// Holds kept for one request; a hold that comes and goes more often is merged into its last stretch.
const MAX_HOLDS_PER_REQUEST: usize = 32;
/// Remaining volume is sampled this often while water flows, ms.
const SAMPLE_MS: u64 = 60_000;

/// Gathers evidence while a replay runs.
pub struct Gatherer {
    evidence: Evidence,
    tanks: Vec<TankState>,
    pulse_l: f64,
    last_pulse_ms: u64,
    sampled_ms: u64,
    alarms_open: Vec<usize>,
}

/// What is open on one tank.
#[derive(Clone, Default)]
struct TankState {
    holds: Vec<HoldInterval>,
    open: HoldSet,
    regeneration: Option<RegenerationEvidence>,
}

impl Gatherer {
    /// Starts with the facts that do not come from the logic.
    #[must_use]
    pub fn new(site: &str, site_note: &str, recording: &str, notes: Vec<String>, world: &World) -> Self {
        let settings = world.controller.settings();
        let tanks = world.controller.tanks();
        let evidence = Evidence {
            site: site.to_owned(),
            site_note: site_note.to_owned(),
            recording: recording.to_owned(),
            start: world.start.map(|s| s.to_string()).unwrap_or_default(),
            arrangement: match settings.arrangement {
                LogicArrangement::Single => Arrangement::Single,
                LogicArrangement::Alternating => Arrangement::Alternating,
            },
            tanks: (1u8..)
                .zip(tanks)
                .map(|(number, tank)| TankEvidence {
                    number,
                    duties: vec![DutyInterval {
                        from_ms: 0,
                        to_ms: 0,
                        duty: tank.duty().kind().slug().to_owned(),
                        text: "as the plant was at the start".to_owned(),
                    }],
                    remaining: Curve::new(DEFAULT_CURVE_CAPACITY),
                    ..TankEvidence::default()
                })
                .collect(),
            flow: Curve::new(DEFAULT_CURVE_CAPACITY),
            notes,
            ..Evidence::default()
        };
        let meter = settings.meter;
        Self {
            evidence,
            tanks: vec![TankState::default(); tanks.len()],
            pulse_l: meter.pulse_nl as f64 / f64::from(meter.pulse_divisor) / 1e9,
            last_pulse_ms: 0,
            sampled_ms: 0,
            alarms_open: Vec::new(),
        }
    }

    /// The evidence, once the replay is over.
    #[must_use]
    pub fn into_evidence(self) -> Evidence {
        self.evidence
    }

    fn sample(&mut self, world: &World) {
        self.sampled_ms = world.now_ms;
        for (tank, seen) in world.controller.tanks().iter().zip(&mut self.evidence.tanks) {
            let ledger = tank.ledger();
            let litres = ledger.remaining().nl() as f64 / 1e9 - ledger.overrun().nl() as f64 / 1e9;
            seen.remaining.push(world.now_ms, litres);
        }
    }

    fn duty(&mut self, at_ms: u64, tank: TankId, duty: &str, text: String) {
        let Some(seen) = self.evidence.tanks.get_mut(tank.index()) else { return };
        if let Some(last) = seen.duties.last_mut() {
            last.to_ms = at_ms;
        }
        seen.duties.push(DutyInterval { from_ms: at_ms, to_ms: at_ms, duty: duty.to_owned(), text });
    }

    /// Holds that came or went on a waiting tank, with what clears them as the logic itself says.
    fn held(&mut self, at_ms: u64, tank: TankId, holds: HoldSet, world: &World) {
        let Some(state) = self.tanks.get_mut(tank.index()) else { return };
        for gone in state.open.iter().filter(|h| !holds.contains(*h)) {
            if let Some(open) = state.holds.iter_mut().rfind(|h| h.hold == gone.slug()) {
                open.to_ms = at_ms;
            }
        }
        let why = world.controller.why(tank);
        for new in holds.iter().filter(|h| !state.open.contains(*h)) {
            let clears_at = why
                .as_ref()
                .and_then(|w| w.holds.iter().find(|s| s.hold == new))
                .and_then(|s| s.clears_at)
                .map(|at| format!(", at {}", moment(world, replay_ms(at))))
                .unwrap_or_default();
            let text = format!("until {}{clears_at}", new.cleared_by());
            let full = state.holds.len() >= MAX_HOLDS_PER_REQUEST;
            match state.holds.iter_mut().rfind(|h| h.hold == new.slug()) {
                Some(again) if full => again.to_ms = at_ms,
                _ => state.holds.push(HoldInterval { from_ms: at_ms, to_ms: at_ms, hold: new.slug().to_owned(), text }),
            }
        }
        state.open = holds;
    }

    /// Ends the open holds of a tank and hands over those of this request.
    fn close_holds(&mut self, at_ms: u64, tank: TankId) -> Vec<HoldInterval> {
        let Some(state) = self.tanks.get_mut(tank.index()) else { return Vec::new() };
        for open in state.open.iter() {
            if let Some(hold) = state.holds.iter_mut().rfind(|h| h.hold == open.slug()) {
                hold.to_ms = at_ms;
            }
        }
        state.open = HoldSet::EMPTY;
        let holds = std::mem::take(&mut state.holds);
        if let Some(seen) = self.evidence.tanks.get_mut(tank.index()) {
            seen.holds.extend(holds.iter().cloned());
        }
        holds
    }

    fn regeneration(&mut self, tank: TankId) -> Option<&mut RegenerationEvidence> {
        self.tanks.get_mut(tank.index())?.regeneration.as_mut()
    }

    fn alarm_ended(&mut self, at_ms: u64, slug: &str) {
        let alarms = &mut self.evidence.alarms;
        self.alarms_open.retain(|&i| {
            let ends = alarms[i].slug == slug;
            if ends {
                alarms[i].to_ms = Some(at_ms);
            }
            !ends
        });
    }

    /// What the plant will do after the end, from what is left and the mean use of the recording.
    fn expect(&mut self, world: &World) {
        let days = self.evidence.span_ms as f64 / 86_400_000.0;
        let metered_l = self.evidence.water.metered_nl as f64 / 1e9;
        let per_day = if days > 0.0 { metered_l / days } else { 0.0 };
        for (number, tank) in (1u8..).zip(world.controller.tanks()) {
            let id = TankId(number - 1);
            let Some(why) = world.controller.why(id) else { continue };
            if !why.causes.is_empty() && tank.regeneration().is_none() {
                let known = why.holds.iter().map(|h| h.clears_at).collect::<Option<Vec<_>>>();
                let at_ms = known.and_then(|all| all.into_iter().max()).map(replay_ms);
                let held = wording::why_lines(&why, |ms| format!("at {}", moment(world, ms))).join("; ");
                self.evidence.next_expected.push(NextExpected {
                    tank: number,
                    at_ms,
                    text: format!("waits already: {held}"),
                });
                continue;
            }
            if tank.duty().kind() != bedkeeper::duty::DutyKind::Serving {
                continue;
            }
            let left_l = tank.ledger().asks_in().nl() as f64 / 1e9;
            let (at_ms, text) = if per_day > 0.0 {
                let ms = (left_l / per_day * 86_400_000.0) as u64;
                (
                    Some(self.evidence.span_ms + ms),
                    format!(
                        "asks after another {left_l:.0} L: at the mean use of this recording, {per_day:.0} L a day, in {}",
                        show::duration_brief(ms)
                    ),
                )
            } else {
                (None, format!("asks after another {left_l:.0} L"))
            };
            self.evidence.next_expected.push(NextExpected { tank: number, at_ms, text });
        }
    }
}

impl Observer for Gatherer {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        let at_ms = replay_ms(record.at);
        match record.event {
            Event::Duty { tank, duty, reason } => {
                self.duty(at_ms, tank, duty.slug(), wording::reason_text(reason));
                self.sample(world);
            }
            Event::Held { tank, holds } => self.held(at_ms, tank, holds, world),
            Event::Started { tank, leading, causes, asked_at } => {
                let holds_before = self.close_holds(at_ms, tank);
                if let Some(state) = self.tanks.get_mut(tank.index()) {
                    state.regeneration = Some(RegenerationEvidence {
                        tank: tank.number(),
                        cause: leading.slug().to_owned(),
                        all_causes: causes.iter().map(|c| c.slug().to_owned()).collect(),
                        asked_ms: replay_ms(asked_at),
                        start_ms: at_ms,
                        holds_before,
                        ..RegenerationEvidence::default()
                    });
                }
            }
            Event::StepStarted { tank, step } => {
                if let Some(r) = self.regeneration(tank) {
                    let resumed = r.steps.last().is_some_and(|s| s.step == step.slug() && s.end_ms == 0);
                    if !resumed {
                        r.steps.push(StepEvidence { step: step.slug().to_owned(), start_ms: at_ms, end_ms: 0 });
                    }
                }
            }
            Event::StepEnded { tank, step, drained, .. } => {
                self.evidence.drain_water_nl += u128::from(drained.nl());
                if let Some(r) = self.regeneration(tank) {
                    r.drain_nl += u128::from(drained.nl());
                    if let Some(last) = r.steps.last_mut().filter(|s| s.step == step.slug()) {
                        last.end_ms = at_ms;
                    }
                }
            }
            Event::Ended { tank, outcome, volume, overrun, salt } => {
                self.evidence.salt_mg += u64::from(salt.0);
                let ended = self.tanks.get_mut(tank.index()).and_then(|s| s.regeneration.take());
                if let Some(mut r) = ended {
                    r.end_ms = Some(at_ms);
                    r.volume_since_last_nl = u128::from(volume.nl());
                    r.overrun_nl = u128::from(overrun.nl());
                    r.salt_mg = u64::from(salt.0);
                    r.outcome = match outcome {
                        bedkeeper::sequence::Outcome::Complete => Outcome::Complete,
                        bedkeeper::sequence::Outcome::Aborted => Outcome::Aborted,
                        bedkeeper::sequence::Outcome::Failed => Outcome::Failed,
                    };
                    if let Some(last) = r.steps.last_mut().filter(|s| s.end_ms == 0) {
                        last.end_ms = at_ms;
                    }
                    self.evidence.regenerations.push(r);
                }
            }
            Event::PurgeEnded { drained, .. } => self.evidence.drain_water_nl += u128::from(drained.nl()),
            Event::AlarmRaised(alarm) => {
                self.alarms_open.push(self.evidence.alarms.len());
                self.evidence.alarms.push(AlarmEvidence {
                    slug: alarm.slug().to_owned(),
                    from_ms: at_ms,
                    to_ms: None,
                    text: wording::alarm_help(alarm).to_owned(),
                });
            }
            Event::AlarmCleared(alarm) => self.alarm_ended(at_ms, alarm.slug()),
            _ => {}
        }
        Ok(())
    }

    fn pulses(&mut self, pulses: &Pulses, world: &World) -> std::io::Result<()> {
        // Mean flow since the last pulse: what passed in that time, for the eye.
        let dt_min = world.now_ms.saturating_sub(self.last_pulse_ms) as f64 / 60_000.0;
        if dt_min > 0.0 {
            self.evidence.flow.push(world.now_ms, f64::from(pulses.count) * self.pulse_l / dt_min);
            self.last_pulse_ms = world.now_ms;
        }
        if world.now_ms >= self.sampled_ms + SAMPLE_MS {
            self.sample(world);
        }
        Ok(())
    }

    fn end(&mut self, world: &World) -> std::io::Result<()> {
        self.sample(world);
        self.evidence.span_ms = world.span_ms;
        let accounts = world.controller.accounts();
        self.evidence.water = WaterAccount {
            metered_nl: accounts.metered.0,
            charged_nl: accounts.charged.0,
            blended_nl: accounts.blended.0,
            untreated_nl: accounts.untreated.0,
            drained_nl: accounts.drained.0,
        };
        self.evidence.hard_water_nl = accounts.untreated.0 + accounts.past_zero.0;
        for (tank, id) in (0u8..).map(TankId).take(self.tanks.len()).enumerate() {
            self.close_holds(world.now_ms, id);
            if let Some(last) = self.evidence.tanks[tank].duties.last_mut() {
                last.to_ms = world.now_ms;
            }
            if let Some(mut running) = self.tanks[tank].regeneration.take() {
                if let Some(step) = running.steps.last_mut().filter(|s| s.end_ms == 0) {
                    step.end_ms = world.now_ms;
                }
                self.evidence.regenerations.push(running);
            }
        }
        self.evidence.regenerations.sort_by_key(|r| (r.start_ms, r.tank));
        self.expect(world);
        Ok(())
    }
}

/// A moment of the replay as people write it.
#[must_use]
pub fn moment(world: &World, at_ms: u64) -> String {
    match world.start.and_then(|s| s.checked_add(jiff::SignedDuration::from_millis(at_ms.try_into().ok()?)).ok()) {
        Some(civil) => civil.strftime("%Y-%m-%d %H:%M:%S").to_string(),
        None => format!("{} after the start", show::duration_brief(at_ms)),
    }
}
