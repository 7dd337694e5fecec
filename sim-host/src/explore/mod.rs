//! Explicit-state search of the real logic: is there any sequence of water, wishes, contacts and valve faults that breaks
//! a rule?
//!
//! The search goes breadth first, so that the first counterexample is a shortest one. It keeps its own frontier: states
//! are told apart by a 64-bit hash of a reduced form (instants relative to now, sums for people left out), while the
//! whole state is needed to go on from it and only as long as it lies on the frontier. No library checker is used: what
//! is compared and what is stepped are two things here. Each layer is worked off by all cores; whatever the number of
//! cores, the states, their numbers and the counterexample are the same.
//!
//! What is not explored: power cuts, a set clock (calendar rules rest without one), water in other portions than a third
//! of a tank, waiting for less than the next thing that happens by itself.

mod node;
mod reduce;
mod write;

use std::collections::{BTreeMap, HashSet};
use std::panic::resume_unwind;
use std::time::{Duration, Instant as Wall};

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::StepKind;
use bedkeeper::watch::Alarm;

pub use node::{Act, Broken, Node, Powers, Seen};
pub use reduce::OLDEST_MS;

use crate::replay::ValveTimes;
use crate::scenario::Reached;
use crate::site::Site;

/// The rules that are looked at after every call.
pub const WATCHED: &[&str] = &["S1", "S2", "S5", "S6", "S7", "S8", "S12"];

/// How far a search may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// States.
    pub states: usize,
    /// Acts in a row.
    pub depth: usize,
    /// Time.
    pub time: Duration,
}

/// How a search stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// States found.
    pub states: usize,
    /// Acts from the first state to the frontier.
    pub depth: usize,
    /// States on the frontier.
    pub frontier: usize,
}

/// A way to a broken rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counterexample {
    /// What was broken.
    pub broken: Broken,
    /// What the adversary did.
    pub acts: Vec<Act>,
}

/// What a search found.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// No state is left unexplored.
    pub closed: bool,
    /// How far it got.
    pub progress: Progress,
    /// Steps made, to known states too.
    pub steps: u64,
    /// For each rule that was broken, a shortest way to it.
    pub counterexamples: Vec<Counterexample>,
    /// What came up at least once.
    pub reached: Reached,
}

/// Everything that should come up in some search, so that nothing is abstracted away: causes, holds, duties, steps, alarms.
#[must_use]
pub fn reachable() -> Vec<(&'static str, &'static str)> {
    let causes = Cause::ALL.iter().map(|value| ("cause", value.slug()));
    let holds = Hold::ALL.iter().map(|value| ("hold", value.slug()));
    let duties = DutyKind::ALL.iter().map(|value| ("duty", value.slug()));
    let steps = StepKind::ALL.iter().map(|value| ("step", value.slug()));
    let alarms = Alarm::ALL.iter().map(|value| ("alarm", value.slug()));
    causes.chain(holds).chain(duties).chain(steps).chain(alarms).collect()
}

/// Searches a site of up to 8 tanks.
#[must_use]
pub fn explore(site: &Site, powers: Powers, budget: Budget, progress: impl FnMut(Progress)) -> Outcome {
    // Fewer tanks are smaller states.
    match site.settings.tanks {
        0..=2 => search::<2>(site, powers, budget, progress),
        3..=4 => search::<4>(site, powers, budget, progress),
        _ => search::<8>(site, powers, budget, progress),
    }
}

/// The scenario that takes the same way, to be run by `verify`.
#[must_use]
pub fn scenario_of(site: &Site, site_path: &str, example: &Counterexample) -> String {
    match site.settings.tanks {
        0..=2 => write::scenario::<2>(site, site_path, example),
        3..=4 => write::scenario::<4>(site, site_path, example),
        _ => write::scenario::<8>(site, site_path, example),
    }
}

pub(crate) fn times(site: &Site) -> ValveTimes {
    ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms }
}

/// How a state was come by.
#[derive(Clone, Copy)]
struct Origin {
    parent: u32,
    act: Act,
}

/// A state that was come to, from which one, and what was seen on the way.
struct Found<const N: usize> {
    key: u64,
    node: Node<N>,
    origin: Origin,
    broken: Vec<Broken>,
}

struct Search<const N: usize> {
    powers: Powers,
    known: HashSet<u64>,
    origins: Vec<Origin>,
    frontier: Vec<(u32, Node<N>)>,
    steps: u64,
    reached: Reached,
    examples: BTreeMap<&'static str, Counterexample>,
}

fn search<const N: usize>(site: &Site, powers: Powers, budget: Budget, mut progress: impl FnMut(Progress)) -> Outcome {
    let began = Wall::now();
    let mut seen = Seen::default();
    let mut search = Search::<N> {
        powers,
        known: HashSet::new(),
        origins: Vec::new(),
        frontier: Vec::new(),
        steps: 0,
        reached: Reached::new(),
        examples: BTreeMap::new(),
    };
    if let Some(first) = Node::first(&site.settings, times(site), &mut seen) {
        search.known.insert(first.key());
        search.origins.push(Origin { parent: 0, act: Act::Wait });
        search.frontier.push((0, first));
    }
    let mut depth = 0;
    while !search.frontier.is_empty()
        && depth < budget.depth
        && search.known.len() < budget.states
        && began.elapsed() < budget.time
        && search.examples.is_empty()
    {
        search.layer(budget, began);
        depth += 1;
        progress(Progress { states: search.known.len(), depth, frontier: search.frontier.len() });
    }
    Outcome {
        closed: search.frontier.is_empty(),
        progress: Progress { states: search.known.len(), depth, frontier: search.frontier.len() },
        steps: search.steps,
        counterexamples: search.examples.into_values().collect(),
        reached: search.reached,
    }
}

impl<const N: usize> Search<N> {
    /// Goes on from every state of the frontier.
    fn layer(&mut self, budget: Budget, began: Wall) {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let frontier = std::mem::take(&mut self.frontier);
        // In portions, so that a budget of time or states ends a wide layer, too.
        for portion in frontier.chunks(4_096) {
            if began.elapsed() >= budget.time || self.known.len() >= budget.states {
                // What was not gone on from stays on the frontier: nothing is taken for explored that was not.
                self.frontier.extend(portion.iter().cloned());
                continue;
            }
            let parts = portion.chunks(portion.len().div_ceil(cores).max(1));
            let found: Vec<_> = std::thread::scope(|scope| {
                let (powers, known) = (self.powers, &self.known);
                let running: Vec<_> = parts.map(|part| scope.spawn(move || expand(part, powers, known))).collect();
                running.into_iter().map(|thread| thread.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
            });
            for part in found {
                self.steps += part.steps;
                self.reached.extend(part.reached);
                for found in part.found {
                    self.keep(found);
                }
            }
        }
    }

    fn keep(&mut self, found: Found<N>) {
        for broken in found.broken {
            if !self.examples.contains_key(broken.rule) {
                let acts = self.way_to(found.origin);
                self.examples.insert(broken.rule, Counterexample { broken, acts });
            }
        }
        if self.known.insert(found.key) {
            let number = u32::try_from(self.origins.len()).unwrap_or(u32::MAX);
            self.origins.push(found.origin);
            self.frontier.push((number, found.node));
        }
    }

    fn way_to(&self, last: Origin) -> Vec<Act> {
        let mut acts = vec![last.act];
        let mut at = last.parent;
        while at != 0 {
            let Some(origin) = self.origins.get(at as usize) else { break };
            acts.push(origin.act);
            at = origin.parent;
        }
        acts.reverse();
        acts
    }
}

/// What one core found.
struct Part<const N: usize> {
    found: Vec<Found<N>>,
    steps: u64,
    reached: Reached,
}

fn expand<const N: usize>(part: &[(u32, Node<N>)], powers: Powers, known: &HashSet<u64>) -> Part<N> {
    let mut result = Part { found: Vec::new(), steps: 0, reached: Reached::new() };
    let mut own = HashSet::new();
    for (number, node) in part {
        reach(node, &mut result.reached);
        for act in node.acts(powers) {
            let mut next = node.clone();
            let mut seen = Seen::default();
            next.act(act, &mut seen);
            result.steps += 1;
            hear(&seen.records, &mut result.reached);
            let key = next.key();
            let is_new = !known.contains(&key) && own.insert(key);
            if is_new || !seen.broken.is_empty() {
                let origin = Origin { parent: *number, act };
                result.found.push(Found { key, node: next, origin, broken: seen.broken });
            }
        }
    }
    result
}

fn reach<const N: usize>(node: &Node<N>, reached: &mut Reached) {
    for tank in node.controller.tanks() {
        reached.insert(("duty", tank.duty().kind().slug()));
        reached.extend(tank.demand().causes().iter().map(|cause| ("cause", cause.slug())));
    }
    reached.extend(node.controller.outputs().alarms.iter().map(|alarm| ("alarm", alarm.slug())));
}

fn hear(records: &[Record], reached: &mut Reached) {
    for record in records {
        match record.event {
            Event::Held { holds, .. } => reached.extend(holds.iter().map(|hold| ("hold", hold.slug()))),
            Event::StepStarted { step, .. } => {
                reached.insert(("step", step.slug()));
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests;
