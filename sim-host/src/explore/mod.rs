//! Explicit-state search of the real logic: is there any sequence of water, wishes, contacts, valve faults, power cuts and
//! clock changes that breaks a rule?
//!
//! `acts` says what an adversary may do and when, `node` what a state is, `reduce` which states count as one,
//! `live` whether a plant comes home from each. The search goes breadth first, so that the first counterexample is a
//! shortest one. It keeps its own frontier: states are told apart by a 64-bit mark of a reduced form, while the whole
//! state is needed to go on from it and only as long as it lies on the frontier. Each layer is worked off by all cores;
//! whatever their number, the states and the counterexample are the same.

mod acts;
mod growth;
mod live;
mod node;
mod reduce;
mod store;
mod write;

use std::collections::{BTreeMap, HashSet};
use std::hash::{BuildHasherDefault, DefaultHasher, Hash, Hasher};
use std::panic::resume_unwind;
use std::path::Path;
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
use store::{Head, Origin, Stored};

/// The rules that are looked at: all but S9 after every call, S9 from every state.
pub const WATCHED: &[&str] = &["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9", "S10", "S11", "S12"];

/// States that are gone on from before those found are sorted out.
const PORTION: usize = 4_096;

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

/// Searches a site. With a file it goes on from what was stored there, and stores how far it came.
///
/// # Errors
/// A site with more tanks than the host runs, or a file that is of another search.
pub fn explore(
    site: &Site,
    powers: Powers,
    budget: Budget,
    file: Option<&Path>,
    mut progress: impl FnMut(Progress),
) -> Result<Outcome, ExploreError> {
    let began = Wall::now();
    let mut search = Search::begin(site, powers)?;
    if let Some(path) = file.filter(|path| path.exists()) {
        let fault = |why: String| ExploreError::File { path: path.display().to_string(), why };
        let stored = store::load(path).map_err(|error| fault(error.to_string()))?;
        search.take_up(stored).map_err(fault)?;
    }
    let before = search.before;
    while !search.frontier.is_empty()
        && search.depth < budget.depth
        && search.known.len() < budget.states
        && began.elapsed() < budget.time
        && search.examples.is_empty()
    {
        search.layer(budget, began, &mut progress);
    }
    let took = before + began.elapsed();
    if let Some(path) = file {
        let fault =
            |error: std::io::Error| ExploreError::File { path: path.display().to_string(), why: error.to_string() };
        store::save(path, &search.stored(took)).map_err(fault)?;
    }
    let examples: Vec<_> = search.examples.values().cloned().collect();
    let mut growth = Growth::default();
    for open in &search.frontier {
        let mut fields = Fields::default();
        open.node.hash_into(&mut fields);
        growth.see(fields);
    }
    Ok(Outcome {
        growth: growth.shares(),
        powers,
        closed: search.frontier.is_empty() && examples.is_empty(),
        progress: search.progress(),
        steps: search.steps,
        took,
        counterexamples: examples.into_iter().map(|example| write::shortened(site, example)).collect(),
        reached: search.reached,
    })
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

struct Search<'s> {
    site: &'s Site,
    powers: Powers,
    start: Option<DateTime>,
    known: Keys,
    /// From these a plant is known to come home.
    calm: Keys,
    keys: Vec<u64>,
    origins: Vec<Origin>,
    frontier: Vec<Open>,
    depth: usize,
    steps: u64,
    before: Duration,
    reached: Reached,
    examples: BTreeMap<String, Counterexample>,
}

impl<'s> Search<'s> {
    fn begin(site: &'s Site, powers: Powers) -> Result<Self, ReplayError> {
        let start = start_of(powers);
        let (first, seen) = Node::first(site, powers, start)?;
        let mut search = Self {
            site,
            powers,
            start,
            known: Keys::default(),
            calm: Keys::default(),
            keys: Vec::new(),
            origins: Vec::new(),
            frontier: Vec::new(),
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

    /// What another search's states would not mean anything to.
    fn mark(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        (env!("CARGO_PKG_VERSION"), self.powers, self.site.settings.raw()).hash(&mut hasher);
        (self.site.plant.leg_ms, self.site.plant.coast_ms).hash(&mut hasher);
        hasher.finish()
    }

    fn progress(&self) -> Progress {
        Progress { states: self.known.len(), depth: self.depth, frontier: self.frontier.len() }
    }

    /// Goes on from every state of the frontier.
    fn layer(&mut self, budget: Budget, began: Wall, progress: &mut impl FnMut(Progress)) {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut layer = std::mem::take(&mut self.frontier).into_iter();
        // In portions, so that a budget of time or states ends a wide layer, too.
        loop {
            if began.elapsed() >= budget.time || self.known.len() >= budget.states {
                // What was not gone on from stays on the frontier: nothing is taken for explored that was not.
                self.frontier.extend(layer);
                return;
            }
            let portion: Vec<_> = layer.by_ref().take(PORTION).collect();
            if portion.is_empty() {
                break;
            }
            let parts = portion.chunks(portion.len().div_ceil(cores).max(1));
            let found: Vec<_> = std::thread::scope(|scope| {
                let (powers, known, calm) = (self.powers, &self.known, &self.calm);
                let running: Vec<_> =
                    parts.map(|part| scope.spawn(move || expand(part, powers, known, calm))).collect();
                running.into_iter().map(|thread| thread.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
            });
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
            progress(self.progress());
        }
        self.depth += 1;
    }

    fn keep(&mut self, found: Found) {
        if let Some(broken) = found.node.broken() {
            let origin = found.origin;
            return self.blame(broken, Some(origin.act), origin.parent, Vec::new());
        }
        if self.known.insert(found.key) {
            let number = u32::try_from(self.origins.len()).unwrap_or(u32::MAX);
            self.origins.push(found.origin);
            self.keys.push(found.key);
            self.frontier.push(Open { number, key: found.key, node: found.node });
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
        let mut acts = self.acts_at(places.into_iter().rev());
        acts.extend(then);
        let example = Counterexample { broken, acts, powers: self.powers, start: self.start };
        self.examples.insert(example.broken.rule.clone(), example);
    }

    /// The acts by their places in the lists of what is allowed, from power-up on.
    fn acts_at(&self, places: impl Iterator<Item = u16>) -> Vec<Act> {
        let mut acts = Vec::new();
        let Ok((mut node, _)) = Node::first(self.site, self.powers, self.start) else { return acts };
        let mut key = node.key();
        for place in places {
            let Some(act) = node.acts(self.powers).get(usize::from(place)).copied() else { break };
            (node, key) = node.after(act, key, &mut Seen::default());
            acts.push(act);
        }
        acts
    }

    fn stored(&self, took: Duration) -> Stored {
        let reached = self.reached.iter().map(|(kind, slug)| ((*kind).to_owned(), (*slug).to_owned())).collect();
        Stored {
            head: Head {
                mark: self.mark(),
                depth: self.depth,
                steps: self.steps,
                milliseconds: u64::try_from(took.as_millis()).unwrap_or(u64::MAX),
                states: self.keys.len(),
                frontier: self.frontier.len(),
                reached,
            },
            keys: self.keys.clone(),
            origins: self.origins.clone(),
            frontier: self.frontier.iter().map(|open| open.number).collect(),
        }
    }

    /// Goes on where a search was stored: every way that leads to its frontier is gone once.
    fn take_up(&mut self, stored: Stored) -> Result<(), String> {
        if stored.head.mark != self.mark() {
            return Err("is of another site, another program or another adversary; give another file".to_owned());
        }
        let count = stored.origins.len();
        // Which states lie on a way to the frontier, and what comes after each.
        let mut wanted = vec![false; count];
        for number in &stored.frontier {
            let mut at = *number as usize;
            while let Some(place) = wanted.get_mut(at).filter(|place| !**place) {
                *place = true;
                at = stored.origins[at].parent as usize;
            }
        }
        let mut next: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for (number, origin) in (0u32..).zip(&stored.origins).skip(1).filter(|(n, _)| wanted[*n as usize]) {
            next.entry(origin.parent).or_default().push(number);
        }
        let open: HashSet<u32> = stored.frontier.iter().copied().collect();
        let mut made = BTreeMap::new();
        let (first, _) = Node::first(self.site, self.powers, self.start).map_err(|error| error.to_string())?;
        let mut stack = vec![(0u32, first)];
        while let Some((number, node)) = stack.pop() {
            let key = stored.keys.get(number as usize).copied().unwrap_or_default();
            if node.key() != key {
                return Err("does not lead where it did; it is of another program".to_owned());
            }
            for child in next.remove(&number).unwrap_or_default() {
                let place = stored.origins[child as usize].act;
                let act = node.acts(self.powers).get(usize::from(place)).copied();
                let act = act.ok_or("does not lead where it did; it is of another program")?;
                stack.push((child, node.after(act, key, &mut Seen::default()).0));
            }
            if open.contains(&number) {
                made.insert(number, Open { number, key, node });
            }
        }
        self.frontier = stored.frontier.iter().filter_map(|number| made.remove(number)).collect();
        self.known = stored.keys.iter().copied().collect();
        self.keys = stored.keys;
        self.origins = stored.origins;
        self.depth = stored.head.depth;
        self.steps = stored.head.steps;
        self.before = Duration::from_millis(stored.head.milliseconds);
        let came = |(kind, slug): &(&'static str, &'static str)| {
            stored.head.reached.iter().any(|(k, s)| k == kind && s == slug)
        };
        self.reached.extend(reachable().into_iter().filter(came));
        Ok(())
    }
}

/// What one core found.
struct Part {
    found: Vec<Found>,
    steps: u64,
    reached: Reached,
    calm: Vec<u64>,
    /// States from which a plant does not come home.
    stuck: Vec<(u32, Broken, Vec<Act>)>,
}

fn expand(part: &[Open], powers: Powers, known: &Keys, calm: &Keys) -> Part {
    let mut result = Part { found: Vec::new(), steps: 0, reached: Reached::new(), calm: Vec::new(), stuck: Vec::new() };
    let (mut own, mut own_calm) = (Keys::default(), Keys::default());
    for Open { number, key, node } in part {
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
            if is_new || next.broken().is_some() {
                result.found.push(Found { key: next_key, node: next, origin: Origin { parent: *number, act: place } });
            }
        }
    }
    result.calm = own_calm.into_iter().collect();
    result
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
