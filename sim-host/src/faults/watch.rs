//! Looks on while a case runs: alarms and when they stood, complete regenerations, and from when on a fault could be noticed.

use std::cell::Cell;
use std::rc::Rc;

use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::RawDrive;
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;

use super::table::Notice;
use crate::plant::WhichValve;
use crate::recording::Pulses;
use crate::replay::{Observer, World, replay_ms};

/// Waits for the moment from which on a fault can be noticed.
#[derive(Clone, Debug)]
pub struct Lookout {
    /// What it waits for.
    pub notice: Notice,
    /// Whose valve, where it is one's.
    pub valve: WhichValve,
    /// The position that the fault is about, if it is about one.
    pub position: Option<Position>,
    /// When the fault comes, ms.
    pub from_ms: u64,
    /// When it could first be noticed, ms.
    pub at_ms: Option<u64>,
}

/// One alarm, from when to when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stood {
    /// Which.
    pub alarm: Alarm,
    /// Raised, ms.
    pub from_ms: u64,
    /// Cleared, ms.
    pub to_ms: Option<u64>,
}

/// What is told of a regeneration that goes as planned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A valve begins to turn, to there.
    Turns(WhichValve, Option<Position>),
    /// It rests, there if it knows.
    Rests(WhichValve, Option<Position>),
    /// A step runs in its position.
    Runs(TankId, StepKind),
    /// The step is over.
    Over(TankId, StepKind),
    /// A regeneration has begun.
    Began(TankId),
    /// It is complete.
    Complete(TankId),
}

/// What is seen of a run.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    /// Alarms as they stood.
    pub alarms: Vec<Stood>,
    /// What went on, in order of time.
    pub marks: Vec<(u64, Mark)>,
    /// Moments at which the logic was called and did something.
    pub calls: Vec<u64>,
    /// What was stored, each time it was.
    pub saves: Vec<Vec<u8>>,
    /// From when on faults could be noticed.
    pub lookouts: Vec<Lookout>,
    /// Whether calls and saves are kept.
    pub keeps_calls: bool,
    /// From then on all is to come to a good end, ms.
    pub mended_ms: u64,
    /// It has.
    pub is_well: Rc<Cell<bool>>,
    /// How often the state had been written.
    pub writes: u64,
    /// Which valves turn, and where the others are.
    pub stood: Vec<(bool, Option<Position>)>,
}

impl Watch {
    /// Whether a tank has completed a regeneration since then.
    #[must_use]
    pub fn completed_since(&self, tank: TankId, since_ms: u64) -> bool {
        self.marks.iter().rev().take_while(|(at_ms, _)| *at_ms >= since_ms).any(|(_, m)| *m == Mark::Complete(tank))
    }

    /// A tank that is not at work, and how.
    #[must_use]
    pub fn amiss(&self, world: &World) -> Option<(TankId, String)> {
        let tanks = || (0u8..).map(TankId).zip(world.controller.tanks());
        for (id, tank) in tanks() {
            let duty = tank.duty().kind();
            if !self.completed_since(id, self.mended_ms) {
                let holds = world.controller.why(id).map(|why| {
                    let holds: Vec<_> = why.holds.iter().map(|standing| standing.hold.slug()).collect();
                    if holds.is_empty() { String::new() } else { format!(", held by {}", holds.join(", ")) }
                });
                return Some((
                    id,
                    format!("has not completed a regeneration; it is {duty}{}", holds.unwrap_or_default()),
                ));
            }
            if !matches!(duty, DutyKind::Serving | DutyKind::Ready | DutyKind::Regenerating | DutyKind::Spent) {
                return Some((id, format!("is {duty}, though nothing is broken any more")));
            }
        }
        let serves = tanks().any(|(_, tank)| tank.duty().kind() == DutyKind::Serving);
        (!serves).then(|| (TankId(0), "no tank serves, though nothing is broken any more".to_owned()))
    }

    fn see_valves(&mut self, world: &World) {
        let own = (0u8..).map(TankId).zip(world.controller.tanks()).map(|(id, tank)| {
            let (target, position) = (tank.drive().target(), tank.drive().position());
            (WhichValve::Tank(id), target.is_some(), target, position)
        });
        let turns = world.controller.shared_motion() != Motion::Off;
        let shared = world.plant.shared().map(|_| (WhichValve::Shared, turns, None, None));
        let now: Vec<_> = own.chain(shared).collect();
        self.stood.resize(now.len(), (true, None));
        for ((valve, turns, target, position), was) in now.into_iter().zip(&mut self.stood) {
            if std::mem::replace(was, (turns, position)) != (turns, position) {
                let mark = if turns { Mark::Turns(valve, target) } else { Mark::Rests(valve, position) };
                self.marks.push((world.now_ms, mark));
            }
        }
    }

    fn look_out(&mut self, world: &World) {
        if world.supply.is_dark() {
            return;
        }
        for lookout in &mut self.lookouts {
            if lookout.at_ms.is_some() || world.now_ms < lookout.from_ms {
                continue;
            }
            let tank = match lookout.valve {
                WhichValve::Tank(id) => world.controller.tanks().get(id.index()),
                WhichValve::Shared => None,
            };
            let motion = tank.map_or_else(|| world.controller.shared_motion(), |tank| tank.drive().motion());
            let target = tank.and_then(|tank| tank.drive().target());
            // Pilots have no motor that turns.
            let by_pilots = matches!(world.controller.settings().raw().drive, RawDrive::PilotArray { .. });
            let moved = motion != Motion::Off || (by_pilots && target.is_some());
            let stands = match lookout.valve {
                WhichValve::Tank(id) => world.valves().get(id.index()).and_then(crate::plant::Valve::position),
                WhichValve::Shared => None,
            };
            let comes = match lookout.notice {
                Notice::AtOnce => true,
                // These are known otherwise.
                Notice::Powered | Notice::Resting => false,
                Notice::Moved => moved,
                Notice::MovedForward => motion == Motion::Forward,
                Notice::MovedBack => motion == Motion::Reverse,
                Notice::Sought => moved && target.is_some() && target == lookout.position,
                Notice::Elsewhere => moved && target.is_some() && target != lookout.position,
                Notice::Leaving => {
                    moved && target.is_some() && target != lookout.position && stands == lookout.position
                }
                Notice::Out => tank.is_some_and(|tank| tank.duty().kind() == DutyKind::Out),
            };
            lookout.at_ms = comes.then(|| world.now_ms.max(lookout.from_ms));
        }
    }

    fn note_call(&mut self, world: &World) {
        if !self.keeps_calls {
            return;
        }
        if self.calls.last() != Some(&world.now_ms) {
            self.calls.push(world.now_ms);
        }
        if let Some(stored) = world.supply.stored().filter(|_| world.supply.writes() != self.writes) {
            self.writes = world.supply.writes();
            self.saves.push(stored.to_vec());
        }
    }
}

impl Observer for Watch {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        let at_ms = replay_ms(record.at);
        match record.event {
            Event::AlarmRaised(alarm) => self.alarms.push(Stood { alarm, from_ms: at_ms, to_ms: None }),
            Event::AlarmCleared(alarm) => {
                let standing = self.alarms.iter_mut().filter(|stood| stood.alarm == alarm && stood.to_ms.is_none());
                standing.for_each(|stood| stood.to_ms = Some(at_ms));
            }
            Event::Started { tank, .. } => self.marks.push((at_ms, Mark::Began(tank))),
            Event::StepStarted { tank, step } => self.marks.push((at_ms, Mark::Runs(tank, step))),
            Event::StepEnded { tank, step, .. } => self.marks.push((at_ms, Mark::Over(tank, step))),
            Event::Ended { tank, outcome: Outcome::Complete, .. } => self.marks.push((at_ms, Mark::Complete(tank))),
            _ => {}
        }
        self.note_call(world);
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        self.note_call(world);
        self.look_out(world);
        if self.keeps_calls {
            self.see_valves(world);
        }
        if world.now_ms > self.mended_ms && !world.supply.is_dark() && !self.is_well.get() {
            self.is_well.set(self.amiss(world).is_none());
        }
        Ok(())
    }

    fn power(&mut self, on: bool, world: &World) -> std::io::Result<()> {
        for lookout in self.lookouts.iter_mut().filter(|lookout| on && lookout.notice == Notice::Powered) {
            if world.now_ms >= lookout.from_ms {
                lookout.at_ms.get_or_insert(world.now_ms);
            }
        }
        Ok(())
    }

    fn pulses(&mut self, _: &Pulses, world: &World) -> std::io::Result<()> {
        self.note_call(world);
        Ok(())
    }
}
