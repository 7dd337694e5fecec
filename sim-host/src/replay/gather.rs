//! Gathers the evidence of a replay: intervals, regenerations, alarms, curves.

use bedkeeper::calendar::Civil;
use bedkeeper::demand::{Cause, CauseSet, HoldSet};
use bedkeeper::journal::{Event, Record};
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::relay::RELAYS;
use bedkeeper::settings::Arrangement as LogicArrangement;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;

mod books;

use super::{Observer, World, replay_ms};
use crate::evidence::{
    self, AlarmEvidence, Arrangement, Curve, DEFAULT_CURVE_CAPACITY, DutyInterval, Evidence, HoldInterval,
    LifeEvidence, Outcome, PlantEvidence, RegenerationEvidence, ReserveEvidence, StepEvidence, TankEvidence,
    WaterAccount,
};
use crate::recording::Pulses;
use crate::wording;
use books::Books;

/// Holds kept for one request; a hold that comes and goes more often is merged into its last stretch.
const MAX_HOLDS_PER_REQUEST: usize = 32;
/// Changes of duty kept of one tank between two starts of its regeneration; of more, the first and the latest.
const MAX_DUTIES_PER_REGENERATION: usize = 16;
/// Alarms kept; of more, the first and the last, and whatever still stands.
const MAX_ALARMS: usize = 1_000;
/// Remaining volume is sampled this often while water flows, ms.
const SAMPLE_MS: u64 = 60_000;

/// Gathers evidence while a replay runs.
pub struct Gatherer {
    evidence: Evidence,
    tanks: Vec<TankState>,
    pulse_l: f64,
    last_pulse_ms: u64,
    sampled_ms: u64,
    duties_left_out: u64,
    holds_merged: u64,
    books: Books,
}

/// What is open on one tank.
#[derive(Clone, Default)]
struct TankState {
    holds: Vec<HoldInterval>,
    open: HoldSet,
    regeneration: Option<RegenerationEvidence>,
    /// The steps of the regeneration so far.
    steps: Vec<StepEvidence>,
    /// Changes of duty since the last regeneration began.
    duties: usize,
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
                LogicArrangement::Parallel => Arrangement::Parallel,
                LogicArrangement::Staged => Arrangement::Staged,
            },
            tanks: (1u8..)
                .zip(tanks)
                .map(|(number, tank)| TankEvidence {
                    number,
                    duties: vec![DutyInterval {
                        from_ms: 0,
                        to_ms: 0,
                        duty: tank.duty().kind().slug(),
                        text: "as the plant was at the start",
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
            duties_left_out: 0,
            holds_merged: 0,
            books: Books::new(world),
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

    fn duty(&mut self, at_ms: u64, tank: TankId, duty: &'static str, text: &'static str) {
        let index = tank.index();
        let (Some(seen), Some(state)) = (self.evidence.tanks.get_mut(index), self.tanks.get_mut(index)) else { return };
        let next = DutyInterval { from_ms: at_ms, to_ms: at_ms, duty, text };
        match seen.duties.last_mut() {
            Some(last) if state.duties >= MAX_DUTIES_PER_REGENERATION => {
                *last = next;
                self.duties_left_out += 1;
                return;
            }
            Some(last) => last.to_ms = at_ms,
            None => {}
        }
        seen.duties.push(next);
        state.duties += 1;
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
            let full = state.holds.len() >= MAX_HOLDS_PER_REQUEST;
            match state.holds.iter_mut().rfind(|h| h.hold == new.slug()) {
                Some(again) if full => {
                    again.to_ms = at_ms;
                    self.holds_merged += 1;
                }
                _ => state.holds.push(HoldInterval {
                    from_ms: at_ms,
                    to_ms: at_ms,
                    hold: new.slug(),
                    clears: wording::hold_text(new),
                    clears_at_ms: why
                        .as_ref()
                        .and_then(|w| w.holds.iter().find(|s| s.hold == new))
                        .and_then(|s| s.clears_at)
                        .map(replay_ms),
                }),
            }
        }
        state.open = holds;
    }

    /// Ends the open holds of a tank and hands over those of this request.
    fn close_holds(&mut self, at_ms: u64, tank: TankId) -> Box<[HoldInterval]> {
        let Some(state) = self.tanks.get_mut(tank.index()) else { return Box::default() };
        for open in state.open.iter() {
            if let Some(hold) = state.holds.iter_mut().rfind(|h| h.hold == open.slug()) {
                hold.to_ms = at_ms;
            }
        }
        state.open = HoldSet::EMPTY;
        let holds = state.holds.as_slice().into();
        state.holds.clear();
        holds
    }

    fn started(&mut self, at_ms: u64, tank: TankId, leading: Cause, causes: CauseSet, asked_ms: u64, world: &World) {
        let holds_before = self.close_holds(at_ms, tank);
        let Some(state) = self.tanks.get_mut(tank.index()) else { return };
        state.duties = 0;
        state.steps.clear();
        state.regeneration = Some(RegenerationEvidence {
            tank: tank.number(),
            cause: leading.slug(),
            other_causes: causes.iter().filter(|cause| *cause != leading).map(Cause::slug).collect(),
            asked_ms,
            start_ms: at_ms,
            holds_before,
            reserve: Some(Box::new(reserve_of(world))),
            ..RegenerationEvidence::default()
        });
    }

    /// Takes a tank's regeneration with its steps, the last of which ends now at the latest.
    fn take_regeneration(&mut self, at_ms: u64, tank: TankId) -> Option<RegenerationEvidence> {
        let state = self.tanks.get_mut(tank.index())?;
        let mut regeneration = state.regeneration.take()?;
        if let Some(last) = state.steps.last_mut().filter(|s| s.end_ms == 0) {
            last.end_ms = at_ms;
        }
        regeneration.steps = state.steps.as_slice().into();
        Some(regeneration)
    }

    fn alarm_raised(&mut self, at_ms: u64, alarm: Alarm) {
        let alarms = &mut self.evidence.alarms;
        if alarms.len() >= MAX_ALARMS {
            let over = (MAX_ALARMS / 2..alarms.len()).find(|i| alarms[*i].to_ms.is_some());
            if let Some(over) = over {
                alarms.remove(over);
                self.evidence.alarms_left_out += 1;
            }
        }
        alarms.push(AlarmEvidence {
            slug: alarm.slug(),
            from_ms: at_ms,
            to_ms: None,
            acknowledged_ms: None,
            text: wording::alarm_help(alarm),
        });
    }

    fn alarm_ended(&mut self, at_ms: u64, alarm: Alarm) {
        for open in self.evidence.alarms.iter_mut().filter(|a| a.to_ms.is_none() && a.slug == alarm.slug()) {
            open.to_ms = Some(at_ms);
        }
    }

    /// Somebody knows of an alarm, or of all.
    fn acknowledged(&mut self, at_ms: u64, answer: AlarmAction) {
        let about = |slug: &str| match answer {
            AlarmAction::Acknowledge(alarm) | AlarmAction::Reset(alarm) => alarm.slug() == slug,
            AlarmAction::AcknowledgeAll => true,
            AlarmAction::Maintained => false,
        };
        for known in self.evidence.alarms.iter_mut().filter(|a| a.acknowledged_ms.is_none() && about(a.slug)) {
            known.acknowledged_ms = Some(at_ms);
        }
    }

    /// Says what was too much to keep.
    fn note_what_is_left_out(&mut self) {
        let alarms = self.evidence.alarms_left_out;
        let all = [
            (
                alarms,
                format!(
                    "{} alarms were raised; the first {} and the last are listed, {alarms} in between only counted.",
                    self.evidence.alarms_raised(),
                    MAX_ALARMS / 2,
                ),
            ),
            (
                self.duties_left_out,
                format!(
                    "{} changes of duty are left out: of each tank at most {MAX_DUTIES_PER_REGENERATION} are kept \
                     between two starts of its regeneration, the first ones and the latest.",
                    self.duties_left_out
                ),
            ),
            (
                self.holds_merged,
                format!(
                    "{} stretches of holds are shown as one with the stretch before: of one request about \
                     {MAX_HOLDS_PER_REQUEST} are kept apart.",
                    self.holds_merged
                ),
            ),
        ];
        self.evidence.notes.extend(all.into_iter().filter(|(count, _)| *count > 0).map(|(_, note)| note));
    }
}

impl Observer for Gatherer {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        let at_ms = replay_ms(record.at);
        self.books.record(&record.event, world);
        match record.event {
            Event::Duty { tank, duty, reason } => {
                self.duty(at_ms, tank, duty.slug(), wording::reason_text(reason));
                self.sample(world);
            }
            Event::Held { tank, holds } => self.held(at_ms, tank, holds, world),
            Event::Started { tank, leading, causes, asked_at } => {
                self.started(at_ms, tank, leading, causes, replay_ms(asked_at), world);
            }
            Event::StepStarted { tank, step } => {
                if let Some(state) = self.tanks.get_mut(tank.index()).filter(|s| s.regeneration.is_some()) {
                    let resumed = state.steps.last().is_some_and(|s| s.step == step.slug() && s.end_ms == 0);
                    if !resumed {
                        state.steps.push(StepEvidence { step: step.slug(), start_ms: at_ms, end_ms: 0 });
                    }
                }
            }
            Event::StepEnded { tank, step, drained, .. } => {
                self.evidence.drain_water_nl += u128::from(drained.nl());
                let Some(state) = self.tanks.get_mut(tank.index()) else { return Ok(()) };
                if let Some(r) = &mut state.regeneration {
                    r.drain_nl += u128::from(drained.nl());
                    if let Some(last) = state.steps.last_mut().filter(|s| s.step == step.slug()) {
                        last.end_ms = at_ms;
                    }
                }
            }
            Event::Ended { tank, outcome, volume, overrun, salt } => {
                self.evidence.salt_mg += u64::from(salt.0);
                if let Some(mut r) = self.take_regeneration(at_ms, tank) {
                    r.end_ms = Some(at_ms);
                    r.volume_since_last_nl = u128::from(volume.nl());
                    r.overrun_nl = u128::from(overrun.nl());
                    r.salt_mg = u64::from(salt.0);
                    let water = world.process.as_ref().and_then(|process| process.regeneration(tank.index()));
                    r.water = water.map(Box::new);
                    r.outcome = match outcome {
                        bedkeeper::sequence::Outcome::Complete => Outcome::Complete,
                        bedkeeper::sequence::Outcome::Aborted => Outcome::Aborted,
                        bedkeeper::sequence::Outcome::Failed => Outcome::Failed,
                    };
                    self.evidence.regenerations.push(r);
                }
            }
            Event::DayEnded(day) => self.evidence.daily_use.note(day),
            Event::PurgeEnded { drained, .. } => self.evidence.drain_water_nl += u128::from(drained.nl()),
            Event::AlarmRaised(alarm) => self.alarm_raised(at_ms, alarm),
            Event::AlarmCleared(alarm) => self.alarm_ended(at_ms, alarm),
            Event::Operator { action: Action::Alarm(answer), granted: true, .. } => self.acknowledged(at_ms, answer),
            _ => {}
        }
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        self.books.see_relays(world.now_ms, world.relays_on);
        Ok(())
    }

    fn power(&mut self, on: bool, world: &World) -> std::io::Result<()> {
        if !on {
            self.books.see_relays(world.now_ms, [false; RELAYS]);
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
        self.evidence.daily_use.habits = world.controller.forecast().habits().to_vec();
        if matches!(world.controller.settings().reserve, bedkeeper::settings::Reserve::Learned(_)) {
            self.evidence.daily_use.reserve = Some(reserve_of(world));
        }
        self.evidence.lives = lives_of(world);
        let accounts = world.controller.accounts();
        self.evidence.water = WaterAccount {
            metered_nl: accounts.metered.0,
            charged_nl: accounts.charged.0,
            blended_nl: accounts.blended.0,
            untreated_nl: accounts.untreated.0,
            drained_nl: accounts.drained.0,
        };
        self.evidence.hard_water_nl = accounts.untreated.0 + accounts.past_zero.0;
        if let Some(process) = &world.process {
            let by_logic = std::mem::replace(&mut self.evidence.hard_water_nl, (process.plant().hard_l * 1e9) as u128);
            let plant = PlantEvidence { hard_water_by_logic_nl: by_logic, ..process.evidence() };
            self.evidence.plant = Some(Box::new(plant));
        }
        for (tank, id) in (0u8..).map(TankId).take(self.tanks.len()).enumerate() {
            self.evidence.tanks[tank].pending_holds = self.close_holds(world.now_ms, id).into();
            if let Some(last) = self.evidence.tanks[tank].duties.last_mut() {
                last.to_ms = world.now_ms;
            }
            let running = self.take_regeneration(world.now_ms, id);
            self.evidence.regenerations.extend(running);
        }
        self.evidence.regenerations.sort_by_key(|r| (r.start_ms, r.tank));
        let mut books = std::mem::take(&mut self.books);
        books.close(world, &mut self.evidence);
        self.note_what_is_left_out();
        let lost = world.controller.records_lost();
        if lost > 0 {
            self.evidence.notes.push(format!("{lost} records of the logic were lost: what is shown is incomplete."));
        }
        Ok(())
    }
}

/// What is kept back of each tank now.
fn reserve_of(world: &World) -> ReserveEvidence {
    let now = world.controller.reserve_in_force();
    let text = |civil: Civil| {
        let minute = civil.0 / 60_000 % 1_440;
        format!(
            "{}T{:02}:{:02}",
            wording::date_text(u16::try_from(civil.day()).unwrap_or(u16::MAX)),
            minute / 60,
            minute % 60
        )
    };
    ReserveEvidence {
        kept_nl: now.kept.nl(),
        basis: now.basis.slug(),
        expected_nl: now.expected.nl(),
        covers: now.covers.map(|(from, until)| [text(from), text(until)]),
    }
}

/// What valves and relays have done so far.
fn lives_of(world: &World) -> LifeEvidence {
    let lives = world.controller.lives();
    let has_shared = world.controller.settings().sharing.shared_valve.is_some();
    LifeEvidence {
        valves: lives.valves().to_vec(),
        shared_valve: has_shared.then(|| *lives.shared_valve()),
        relays: lives.relays().to_vec(),
    }
}

/// A moment of the replay as people write it.
#[must_use]
pub fn moment(world: &World, at_ms: u64) -> String {
    evidence::moment(world.start, at_ms)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::replay::ValveTimes;
    use bedkeeper::demand::Hold;
    use bedkeeper::duty::DutyKind;
    use bedkeeper::journal::Reason;
    use bedkeeper::units::Instant;
    use bedkeeper::{Input, RawSettings, Settings};

    const TANK: TankId = TankId(0);

    fn watched() -> (Gatherer, World) {
        let settings = Settings::try_from(RawSettings::baseline()).expect("sound settings");
        let world = World::new(settings, ValveTimes { leg_ms: 20_000, coast_ms: 300 }, None).expect("a small site");
        (Gatherer::new("test", "", "test", Vec::new(), &world), world)
    }

    fn tell(gatherer: &mut Gatherer, world: &World, at_ms: u64, event: Event) {
        gatherer
            .record(&Record { at: Instant::from_ticks(at_ms), civil: None, event }, world)
            .expect("nothing is written");
    }

    #[test]
    fn records_that_were_lost_are_told() {
        let (mut gatherer, mut world) = watched();
        for at_ms in 0..100 {
            let clock = Input::Clock((at_ms % 2 == 0).then_some(Civil(at_ms)));
            world.controller.handle(Instant::from_ticks(at_ms), clock).expect("not refused");
        }
        let lost = world.controller.records_lost();
        assert!(lost > 0);
        gatherer.end(&world).expect("nothing is written");
        let notes = gatherer.into_evidence().notes;
        assert_eq!(notes, [format!("{lost} records of the logic were lost: what is shown is incomplete.")]);
    }

    #[test]
    fn alarms_without_end_are_counted_and_those_that_stand_are_kept() {
        let (mut gatherer, world) = watched();
        let most = MAX_ALARMS as u64;
        for at_ms in 0..3 * most {
            if at_ms == most {
                tell(&mut gatherer, &world, at_ms, Event::AlarmRaised(Alarm::ValveLost));
            }
            tell(&mut gatherer, &world, at_ms, Event::AlarmRaised(Alarm::ExcessFlow));
            tell(&mut gatherer, &world, at_ms, Event::AlarmCleared(Alarm::ExcessFlow));
        }
        gatherer.end(&world).expect("nothing is written");
        let e = gatherer.into_evidence();
        assert_eq!(e.alarms.len(), MAX_ALARMS);
        assert_eq!(e.alarms_raised(), 3 * most + 1);
        let standing: Vec<_> = e.alarms.iter().filter(|a| a.to_ms.is_none()).map(|a| (a.slug, a.from_ms)).collect();
        assert_eq!(standing, [("valve-lost", most)]);
        assert_eq!(e.alarms[MAX_ALARMS / 2 - 1].from_ms, most / 2 - 1);
        assert_eq!(e.alarms.last().map(|a| a.from_ms), Some(3 * most - 1));
        assert!(e.alarms.is_sorted_by_key(|a| a.from_ms));
        assert_eq!(
            e.notes,
            ["3001 alarms were raised; the first 500 and the last are listed, 2001 in between only counted."]
        );
    }

    #[test]
    fn duties_without_end_keep_the_first_and_the_latest() {
        let (mut gatherer, world) = watched();
        for at_ms in 1..=1_000 {
            let duty = if at_ms % 2 == 0 { DutyKind::Serving } else { DutyKind::Out };
            tell(&mut gatherer, &world, at_ms, Event::Duty { tank: TANK, duty, reason: Reason::Operator });
        }
        gatherer.end(&world).expect("nothing is written");
        let e = gatherer.into_evidence();
        let duties = &e.tanks[0].duties;
        assert_eq!(duties.len(), 1 + MAX_DUTIES_PER_REGENERATION, "the one at the start is no change");
        assert_eq!(duties[1].from_ms, 1);
        assert_eq!(duties.last().map(|d| (d.from_ms, d.duty)), Some((1_000, "serving")));
        assert_eq!(e.notes.len(), 1);
        assert!(e.notes[0].starts_with("984 changes of duty are left out"), "{}", e.notes[0]);
    }

    #[test]
    fn holds_without_end_are_merged_and_counted() {
        let (mut gatherer, world) = watched();
        for at_ms in 0..2_000 {
            let holds = if at_ms % 2 == 0 { HoldSet::only(Hold::FlowTooHigh) } else { HoldSet::EMPTY };
            tell(&mut gatherer, &world, at_ms, Event::Held { tank: TANK, holds });
        }
        gatherer.end(&world).expect("nothing is written");
        let e = gatherer.into_evidence();
        let holds: Vec<_> = e.holds_of(&e.tanks[0]).collect();
        assert_eq!(holds.len(), MAX_HOLDS_PER_REQUEST);
        assert_eq!(holds.last().map(|h| (h.from_ms, h.to_ms)), Some((62, 1_999)));
        assert_eq!(e.notes.len(), 1);
        assert!(e.notes[0].starts_with("968 stretches of holds"), "{}", e.notes[0]);
    }
}
