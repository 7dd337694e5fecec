//! What a scenario's run shows: every state of the plant with the time from which it stood, and every record.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::rc::Rc;

use bedkeeper::Controller;
use bedkeeper::demand::{CauseSet, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::RELAYS;
use bedkeeper::units::TankId;
use bedkeeper::watch::AlarmSet;

use super::time::Days;
use super::verdict::journal_line;
use crate::replay::{Observer, World, replay_ms};

/// One tank at a moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TankState {
    /// What it does.
    pub duty: DutyKind,
    /// What is asked of it.
    pub causes: CauseSet,
    /// What holds it, each with the ms at which it clears by itself, if known.
    pub holds: Vec<(Hold, Option<u64>)>,
    /// The step that its regeneration is at.
    pub step: Option<StepKind>,
    /// Where its valve stands, by the plant.
    pub position: Option<Position>,
}

/// The plant at a moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    /// Its tanks, in order.
    pub tanks: Vec<TankState>,
    /// The alarms that stand.
    pub alarms: AlarmSet,
    /// Whether each relay is on, whatever its polarity.
    pub relays: [bool; RELAYS],
}

impl State {
    /// How things stand.
    #[must_use]
    pub fn of(world: &World) -> Self {
        let controller = &world.controller;
        let tanks = (0u8..).map(TankId).zip(controller.tanks()).zip(world.valves());
        Self {
            tanks: tanks.map(|((id, tank), valve)| tank_state(controller, id, tank, valve.position())).collect(),
            alarms: controller.outputs().alarms,
            relays: controller.relays_on(),
        }
    }
}

fn tank_state<const N: usize>(
    controller: &Controller<N>,
    id: TankId,
    tank: &bedkeeper::duty::Tank,
    position: Option<Position>,
) -> TankState {
    let causes = tank.demand().causes();
    let why = if causes.is_empty() { None } else { controller.why(id) };
    let holds = why.map(|why| why.holds.iter().map(|s| (s.hold, s.clears_at.map(replay_ms))).collect());
    TankState {
        duty: tank.duty().kind(),
        causes,
        holds: holds.unwrap_or_default(),
        step: tank.regeneration().and_then(|r| r.step(controller.settings())),
        position,
    }
}

/// What was reached at least once, by kind and slug.
pub type Reached = BTreeSet<(&'static str, &'static str)>;

/// Something that the logic refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// So many records came before.
    pub after: usize,
    /// When, ms.
    pub at_ms: u64,
    /// What was refused, and why.
    pub text: String,
}

/// Everything that a run showed.
#[derive(Clone, Debug, Default)]
pub struct Timeline {
    /// Each state with the ms from which it stood; states that stood for no time are not among them.
    pub states: Vec<(u64, State)>,
    /// What the logic wrote.
    pub records: Vec<Record>,
    /// Why it refused what people asked of it, which its journal has no room for.
    pub refusals: Vec<Refusal>,
    /// What was reached.
    pub reached: Reached,
    /// Estimated water to drain, nL.
    pub to_drain_nl: u128,
    /// Estimated salt, mg.
    pub salt_mg: u64,
    /// Complete regenerations.
    pub complete: u64,
}

impl Timeline {
    /// When a record came, in ms of the run.
    #[must_use]
    pub fn at_ms(record: &Record) -> u64 {
        replay_ms(record.at)
    }

    /// The state at a moment.
    #[must_use]
    pub fn state_at(&self, at_ms: u64) -> Option<&State> {
        let after = self.states.partition_point(|(from, _)| *from <= at_ms);
        self.states.get(after.checked_sub(1)?).map(|(_, state)| state)
    }

    /// The journal from one record up to before another as lines for people, with every refusal's reason.
    #[must_use]
    pub fn told(&self, records: std::ops::Range<usize>, days: Days) -> Vec<String> {
        let mut lines = Vec::new();
        let refused_after = |lines: &mut Vec<String>, count: usize| {
            let here = self.refusals.iter().filter(|refusal| refusal.after == count);
            lines.extend(here.map(|refusal| format!("{}  {}", days.show(refusal.at_ms), refusal.text)));
        };
        if records.start == 0 {
            refused_after(&mut lines, 0);
        }
        for (i, record) in self.records.iter().enumerate().take(records.end).skip(records.start) {
            lines.push(journal_line(days, record));
            refused_after(&mut lines, i + 1);
        }
        lines
    }

    fn see(&mut self, at_ms: u64, state: State) {
        for tank in &state.tanks {
            self.reached.insert(("duty", tank.duty.slug()));
            self.reached.extend(tank.causes.iter().map(|cause| ("cause", cause.slug())));
            self.reached.extend(tank.holds.iter().map(|(hold, _)| ("hold", hold.slug())));
        }
        self.reached.extend(state.alarms.iter().map(|alarm| ("alarm", alarm.slug())));
        match self.states.last_mut() {
            Some((_, last)) if *last == state => {}
            // The last word of an instant counts.
            Some((from, last)) if *from == at_ms => *last = state,
            _ => self.states.push((at_ms, state)),
        }
    }

    fn hear(&mut self, record: &Record) {
        match record.event {
            Event::StepStarted { step, .. } => {
                self.reached.insert(("step", step.slug()));
            }
            Event::StepEnded { drained, .. } | Event::PurgeEnded { drained, .. } => {
                self.to_drain_nl += u128::from(drained.nl());
            }
            Event::Ended { outcome, salt, .. } => {
                self.salt_mg += u64::from(salt.0);
                self.complete += u64::from(outcome == bedkeeper::sequence::Outcome::Complete);
            }
            Event::AlarmRaised(alarm) => {
                self.reached.insert(("alarm", alarm.slug()));
            }
            _ => {}
        }
        self.records.push(*record);
    }
}

/// A timeline that is being written while others look at it.
#[derive(Clone, Debug, Default)]
pub struct Tap(Rc<RefCell<Timeline>>);

impl Tap {
    /// Looks at what there is so far.
    pub fn look<T>(&self, look: impl FnOnce(&Timeline) -> T) -> T {
        look(&self.0.borrow())
    }

    /// Something was refused.
    pub(super) fn refused(&self, at_ms: u64, text: String) {
        let mut timeline = self.0.borrow_mut();
        let after = timeline.records.len();
        timeline.refusals.push(Refusal { after, at_ms, text });
    }

    /// What was written; to be called when no other copy is left.
    #[must_use]
    pub fn into_timeline(self) -> Timeline {
        Rc::try_unwrap(self.0).map_or_else(|shared| shared.borrow().clone(), RefCell::into_inner)
    }
}

impl Observer for Tap {
    fn record(&mut self, record: &Record, _world: &World) -> std::io::Result<()> {
        self.0.borrow_mut().hear(record);
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        self.0.borrow_mut().see(world.now_ms, State::of(world));
        Ok(())
    }

    fn end(&mut self, world: &World) -> std::io::Result<()> {
        self.after(world)
    }
}
