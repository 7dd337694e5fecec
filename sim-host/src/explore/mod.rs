//! Explicit-state search of the real logic: is there any sequence of water, wishes, contacts, valve faults, power cuts and
//! clock changes that breaks a rule?
//!
//! `acts` says what an adversary may do and when, `node` what a state is, `reduce` which states count as one,
//! `live` whether a plant comes home from each. The search goes breadth first, so that the first counterexample is a
//! shortest one. It keeps its own frontier: states are told apart by a 64-bit mark of a reduced form, while the whole
//! state is needed to go on from it and only as long as it lies on the frontier. Each layer is worked off by all cores;
//! whatever their number, the states and how far the counterexample is are the same. A layer is gone on with where a budget
//! ended it, in the next run as well.

mod acts;
mod growth;
mod live;
mod node;
mod reduce;
mod store;
mod write;

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::hash::{BuildHasherDefault, Hash, Hasher};
use std::panic::resume_unwind;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant as Wall};

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::program::StepKind;
use bedkeeper::watch::Alarm;
use jiff::civil::DateTime;

pub use acts::{Act, Family, Powers};
pub use growth::Place;
pub use node::{Broken, Node, Seen};
pub use write::scenario_of;

use crate::replay::{ReplayError, ValveTimes};
use crate::scenario::Reached;
use crate::site::Site;
use growth::{Fields, Growth};
use reduce::marker;
use store::{Example, Origin};

/// The rules that are looked at: all but S9 after every call, S9 from every state.
pub const WATCHED: &[&str] = &["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9", "S10", "S11", "S12", "Q2", "Y2"];

/// States that are gone on from before those found are sorted out.
const PORTION: usize = 4_096;

/// A search that can be gone on with is stored that often.
const STORED_EVERY: Duration = Duration::from_secs(60);

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
    /// What it may do.
    pub powers: Powers,
    /// Civil time at power-up, if it is known.
    pub start: Option<DateTime>,
}

/// What a search found.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// What the adversary may do.
    pub powers: Powers,
    /// No state is left unexplored.
    pub closed: bool,
    /// How far it got.
    pub progress: Progress,
    /// Steps made, to known states too.
    pub steps: u64,
    /// Time it took, that of earlier parts included.
    pub took: Duration,
    /// For each rule that was broken, a shortest way to it.
    pub counterexamples: Vec<Counterexample>,
    /// What came up at least once.
    pub reached: Reached,
    /// Of the states on the last frontier: fields of their keys, with the share, in thousandths, of the states that would not
    /// be told apart without it; the most first.
    pub growth: Vec<(Place, u32)>,
}

/// Why a search did not begin.
#[derive(Debug, thiserror::Error)]
pub enum ExploreError {
    /// The site is none that the host runs.
    #[error(transparent)]
    World(#[from] ReplayError),
    /// The file of an earlier part.
    #[error("{path}: {why}")]
    File {
        /// Which.
        path: String,
        /// What is wrong with it.
        why: String,
    },
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

/// Searches a site. With a file it goes on from what was stored there, and stores how far it came. It ends when `stop` is set,
/// as if its time were up.
///
/// # Errors
/// A site with more tanks than the host runs, or a file that is damaged, of another search or of another program.
pub fn explore(
    site: &Site,
    powers: Powers,
    budget: Budget,
    file: Option<&Path>,
    stop: &AtomicBool,
    progress: impl FnMut(Progress),
) -> Result<Outcome, ExploreError> {
    Search::begin(site, powers, Node::broken)?.run(budget, file, stop, progress)
}

pub(crate) fn times(site: &Site) -> ValveTimes {
    ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms }
}

/// Civil time at power-up, where the adversary plays with the clock: a Monday, an hour before the usual regeneration hour.
fn start_of(powers: Powers) -> Option<DateTime> {
    (powers.has(Family::Clock) || powers.has(Family::Outages)).then(|| jiff::civil::date(2024, 1, 1).at(1, 0, 0, 0))
}

/// Keys are marks already.
#[derive(Default)]
struct AsIs(u64);

impl Hasher for AsIs {
    fn finish(&self) -> u64 {
        self.0
    }
    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 << 8) | u64::from(*byte);
        }
    }
    fn write_u64(&mut self, key: u64) {
        self.0 = key;
    }
}

type Keys = HashSet<u64, BuildHasherDefault<AsIs>>;

/// A state on the frontier.
struct Open {
    number: u32,
    key: u64,
    node: Node,
}

/// A state that was come to, from which one, and what was seen on the way.
struct Found {
    key: u64,
    node: Node,
    origin: Origin,
}

/// What tells that a rule is broken in a state.
type Judge = fn(&Node) -> Option<Broken>;

struct Search<'s> {
    site: &'s Site,
    powers: Powers,
    judge: Judge,
    start: Option<DateTime>,
    known: Keys,
    /// From these a plant is known to come home.
    calm: Keys,
    keys: Vec<u64>,
    origins: Vec<Origin>,
    /// The states of the layer that is being worked off, but for those that were gone on from.
    layer: VecDeque<Open>,
    /// Those of the next, found so far.
    next: Vec<Open>,
    /// Layers that were worked off.
    depth: usize,
    steps: u64,
    before: Duration,
    reached: Reached,
    /// By their rules, with how they are stored.
    examples: BTreeMap<String, (Counterexample, Example)>,
}

impl<'s> Search<'s> {
    fn begin(site: &'s Site, powers: Powers, judge: Judge) -> Result<Self, ReplayError> {
        let start = start_of(powers);
        let (first, seen) = Node::first(site, powers, start)?;
        let mut search = Self {
            site,
            powers,
            judge,
            start,
            known: Keys::default(),
            calm: Keys::default(),
            keys: Vec::new(),
            origins: Vec::new(),
            layer: VecDeque::new(),
            next: Vec::new(),
            depth: 0,
            steps: 0,
            before: Duration::ZERO,
            reached: Reached::new(),
            examples: BTreeMap::new(),
        };
        hear(&seen.records, &mut search.reached);
        let key = first.key();
        search.keep(Found { key, node: first, origin: Origin { parent: 0, act: 0 } });
        Ok(search)
    }

    fn run(
        mut self,
        budget: Budget,
        file: Option<&Path>,
        stop: &AtomicBool,
        mut progress: impl FnMut(Progress),
    ) -> Result<Outcome, ExploreError> {
        let fault = |path: &Path, why| ExploreError::File { path: path.display().to_string(), why };
        let mut is_new = false;
        if let Some(path) = file {
            is_new = !path.exists();
            if !is_new {
                self.load(path).map_err(|why| fault(path, why))?;
            }
        }
        // What was stored is taken up first, so that each part comes further.
        let began = Wall::now();
        let before = self.before;
        let store = |search: &Self| match file {
            Some(path) => search.store(path, before + began.elapsed()).map_err(|error| fault(path, error.to_string())),
            None => Ok(()),
        };
        // That it cannot be shows before a long search, not after it.
        if is_new {
            store(&self)?;
        }
        let is_over = || began.elapsed() >= budget.time || stop.load(Ordering::Relaxed);
        let mut stored = Wall::now();
        while self.goes_on(budget) && !is_over() {
            self.portion(&is_over);
            progress(self.progress());
            if stored.elapsed() >= STORED_EVERY {
                store(&self)?;
                stored = Wall::now();
            }
        }
        let took = before + began.elapsed();
        store(&self)?;
        let mut growth = Growth::default();
        for open in self.frontier() {
            let mut fields = Fields::default();
            open.node.hash_into(&mut fields);
            growth.see(fields);
        }
        let examples = self.examples.values().map(|(example, _)| write::shortened(self.site, example.clone()));
        Ok(Outcome {
            growth: growth.shares(),
            powers: self.powers,
            closed: self.frontier().next().is_none() && self.examples.is_empty(),
            progress: self.progress(),
            steps: self.steps,
            took,
            counterexamples: examples.collect(),
            reached: self.reached,
        })
    }

    /// What another search's states would not mean anything to.
    fn mark(&self) -> u64 {
        let mut hasher = marker();
        (self.powers, self.site.settings.raw()).hash(&mut hasher);
        (self.site.plant.leg_ms, self.site.plant.coast_ms).hash(&mut hasher);
        hasher.finish()
    }

    fn progress(&self) -> Progress {
        Progress { states: self.known.len(), depth: self.depth, frontier: self.layer.len() + self.next.len() }
    }

    /// States that were not gone on from.
    fn frontier(&self) -> impl Iterator<Item = &Open> {
        self.layer.iter().chain(&self.next)
    }

    /// Whether anything is left that the budget allows. A layer in which a rule was broken is worked off: it may have
    /// a way to another that is no longer.
    fn goes_on(&self, budget: Budget) -> bool {
        self.known.len() < budget.states
            && self.depth < budget.depth
            && (!self.layer.is_empty() || self.examples.is_empty() && !self.next.is_empty())
    }

    /// Goes on from some states of the layer. What `is_over` keeps it from stays on the frontier: nothing is taken
    /// for explored that was not.
    fn portion(&mut self, is_over: &(impl Fn() -> bool + Sync)) {
        if self.layer.is_empty() {
            self.layer = std::mem::take(&mut self.next).into();
        }
        let portion: Vec<_> = self.layer.drain(..self.layer.len().min(PORTION)).collect();
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let length = portion.len().div_ceil(cores).max(1);
        let found: Vec<_> = std::thread::scope(|scope| {
            let (powers, judge, known, calm) = (self.powers, self.judge, &self.known, &self.calm);
            let expand = move |part| Part::of(part, powers, judge, known, calm, is_over);
            let running: Vec<_> = portion.chunks(length).map(|part| scope.spawn(move || expand(part))).collect();
            running.into_iter().map(|thread| thread.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
        });
        let done: Vec<_> = found.iter().map(|part| part.done).collect();
        let is_left = |place: usize| done.get(place / length).is_none_or(|done| place % length >= *done);
        for (place, open) in portion.into_iter().enumerate().rev() {
            if is_left(place) {
                self.layer.push_front(open);
            }
        }
        for part in found {
            self.steps += part.steps;
            self.reached.extend(part.reached);
            self.calm.extend(part.calm);
            for (number, broken, acts) in part.stuck {
                self.blame(broken, None, number, acts);
            }
            for found in part.found {
                self.keep(found);
            }
        }
        self.depth += usize::from(self.layer.is_empty());
    }

    fn keep(&mut self, found: Found) {
        if let Some(broken) = (self.judge)(&found.node) {
            let origin = found.origin;
            return self.blame(broken, Some(origin.act), origin.parent, Vec::new());
        }
        if self.known.insert(found.key) {
            let number = u32::try_from(self.origins.len()).unwrap_or(u32::MAX);
            self.origins.push(found.origin);
            self.keys.push(found.key);
            self.next.push(Open { number, key: found.key, node: found.node });
        }
    }

    /// Keeps the first way to a broken rule: to a state, perhaps an act there, and what was done then.
    fn blame(&mut self, broken: Broken, act: Option<u16>, number: u32, then: Vec<Act>) {
        if self.examples.contains_key(&broken.rule) {
            return;
        }
        let mut places: Vec<_> = act.into_iter().collect();
        let mut at = number;
        while at != 0 {
            let Some(origin) = self.origins.get(at as usize) else { break };
            places.push(origin.act);
            at = origin.parent;
        }
        places.reverse();
        let mut acts = self.gone(&places).map_or_else(Vec::new, |(_, acts)| acts);
        acts.extend(then);
        let way = Example { rule: broken.rule.clone(), places, homing: act.is_none() };
        let example = Counterexample { broken, acts, powers: self.powers, start: self.start };
        self.examples.insert(way.rule.clone(), (example, way));
    }

    /// Where acts lead from power-up on, by their places in the lists of what is allowed.
    fn gone(&self, places: &[u16]) -> Option<(Node, Vec<Act>)> {
        let mut acts = Vec::new();
        let (mut node, _) = Node::first(self.site, self.powers, self.start).ok()?;
        let mut key = node.key();
        for place in places {
            let act = node.acts(self.powers).get(usize::from(*place)).copied()?;
            (node, key) = node.after(act, key, &mut Seen::default());
            acts.push(act);
        }
        Some((node, acts))
    }
}

/// What one core found.
struct Part {
    /// From so many states it went on.
    done: usize,
    found: Vec<Found>,
    steps: u64,
    reached: Reached,
    calm: Vec<u64>,
    /// States from which a plant does not come home.
    stuck: Vec<(u32, Broken, Vec<Act>)>,
}

impl Part {
    fn of(part: &[Open], powers: Powers, judge: Judge, known: &Keys, calm: &Keys, is_over: &impl Fn() -> bool) -> Self {
        let mut result =
            Self { done: 0, found: Vec::new(), steps: 0, reached: Reached::new(), calm: Vec::new(), stuck: Vec::new() };
        let (mut own, mut own_calm) = (Keys::default(), Keys::default());
        for Open { number, key, node } in part {
            if is_over() {
                break;
            }
            reach(node, &mut result.reached);
            let homing = live::come_home(node, |key| calm.contains(&key) || own_calm.contains(&key));
            match homing.broken {
                Some(broken) => result.stuck.push((*number, broken, homing.acts)),
                None => own_calm.extend(homing.way),
            }
            for (place, act) in (0u16..).zip(node.acts(powers)) {
                let mut seen = Seen::default();
                let (next, next_key) = node.after(act, *key, &mut seen);
                result.steps += 1;
                hear(&seen.records, &mut result.reached);
                let is_new = !known.contains(&next_key) && own.insert(next_key);
                if is_new || judge(&next).is_some() {
                    let origin = Origin { parent: *number, act: place };
                    result.found.push(Found { key: next_key, node: next, origin });
                }
            }
            result.done += 1;
        }
        result.calm = own_calm.into_iter().collect();
        result
    }
}

fn reach(node: &Node, reached: &mut Reached) {
    let controller = &node.world().controller;
    for tank in controller.tanks() {
        reached.insert(("duty", tank.duty().kind().slug()));
        reached.extend(tank.demand().causes().iter().map(|cause| ("cause", cause.slug())));
    }
    reached.extend(controller.outputs().alarms.iter().map(|alarm| ("alarm", alarm.slug())));
}

fn hear(records: &[Record], reached: &mut Reached) {
    for record in records {
        match record.event {
            Event::Held { holds, .. } => reached.extend(holds.iter().map(|hold| ("hold", hold.slug()))),
            Event::StepStarted { step, .. } => {
                reached.insert(("step", step.slug()));
            }
            Event::Asked { cause, .. } => {
                reached.insert(("cause", cause.slug()));
            }
            Event::AlarmRaised(alarm) => {
                reached.insert(("alarm", alarm.slug()));
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests;

#[cfg(test)]
mod resume_tests;
