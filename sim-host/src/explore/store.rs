//! A search on disk, to be gone on with.
//!
//! A line of JSON about the search, then each state's key, its parent and the number of the act that led to it, then the
//! numbers of the states on the frontier, and a check sum of all that. The frontier's states, and the ways to broken rules, are
//! made anew by going every way that leads to them once.

use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::sync::OnceLock;
use std::time::Duration;

use crc::{CRC_64_XZ, Crc, Table};
use serde::{Deserialize, Serialize};

use super::{Counterexample, Node, Open, Search, Seen, live, reachable};

static SUM: Crc<u64, Table<16>> = Crc::<u64, Table<16>>::new(&CRC_64_XZ);
const SUM_BYTES: usize = 8;
/// A key, a parent and an act.
const STATE_BYTES: usize = 8 + 4 + 2;
const NUMBER_BYTES: usize = 4;

/// How a state was come by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Origin {
    pub parent: u32,
    /// The place of the act in the list of those that the parent allows.
    pub act: u16,
}

/// What is kept of a search.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Stored {
    pub head: Head,
    pub keys: Vec<u64>,
    pub origins: Vec<Origin>,
    pub frontier: Vec<u32>,
}

/// About a search.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Head {
    /// Of the program that made it: another logic's states mean nothing.
    pub program: u64,
    /// Of the site and what the adversary may do: another search's states mean nothing either.
    pub mark: u64,
    pub depth: usize,
    pub steps: u64,
    pub milliseconds: u64,
    pub states: usize,
    pub frontier: usize,
    /// So many on the frontier, the first ones, are of a layer that was begun.
    pub layer: usize,
    pub reached: Vec<(String, String)>,
    pub examples: Vec<Example>,
}

/// A way to a broken rule: the places of its acts in the lists of what was allowed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Example {
    pub rule: String,
    pub places: Vec<u16>,
    /// It broke when faults had stopped, at the end of this way.
    pub homing: bool,
}

/// A mark of the program that runs: its logic is in it.
pub(super) fn program() -> io::Result<u64> {
    static MARK: OnceLock<u64> = OnceLock::new();
    if let Some(mark) = MARK.get() {
        return Ok(*mark);
    }
    let bytes = std::fs::read(std::env::current_exe()?)?;
    Ok(*MARK.get_or_init(|| SUM.checksum(&bytes)))
}

/// A search as bytes, with their check sum.
pub(super) fn sealed(stored: &Stored) -> io::Result<Vec<u8>> {
    let mut bytes = serde_json::to_vec(&stored.head)?;
    bytes.push(b'\n');
    for (key, origin) in stored.keys.iter().zip(&stored.origins) {
        bytes.extend(key.to_le_bytes());
        bytes.extend(origin.parent.to_le_bytes());
        bytes.extend(origin.act.to_le_bytes());
    }
    bytes.extend(stored.frontier.iter().flat_map(|number| number.to_le_bytes()));
    let sum = SUM.checksum(&bytes);
    bytes.extend(sum.to_le_bytes());
    Ok(bytes)
}

/// Reads a file whole; `None` if it is damaged.
pub(super) fn parse(bytes: &[u8]) -> Option<Stored> {
    let (content, sum) = bytes.split_last_chunk::<SUM_BYTES>()?;
    if SUM.checksum(content) != u64::from_le_bytes(*sum) {
        return None;
    }
    let end = memchr::memchr(b'\n', content)?;
    let head: Head = serde_json::from_slice(content.get(..end)?).ok()?;
    let body = content.get(end + 1..)?;
    let (states, frontier) = body.split_at_checked(head.states.checked_mul(STATE_BYTES)?)?;
    if frontier.len() != head.frontier.checked_mul(NUMBER_BYTES)? {
        return None;
    }
    let (mut keys, mut origins) = (Vec::with_capacity(head.states), Vec::with_capacity(head.states));
    for [k0, k1, k2, k3, k4, k5, k6, k7, p0, p1, p2, p3, a0, a1] in states.as_chunks::<STATE_BYTES>().0 {
        keys.push(u64::from_le_bytes([*k0, *k1, *k2, *k3, *k4, *k5, *k6, *k7]));
        let parent = u32::from_le_bytes([*p0, *p1, *p2, *p3]);
        origins.push(Origin { parent, act: u16::from_le_bytes([*a0, *a1]) });
    }
    let frontier = frontier.as_chunks::<NUMBER_BYTES>().0.iter().map(|number| u32::from_le_bytes(*number)).collect();
    let stored = Stored { head, keys, origins, frontier };
    stored.is_whole().then_some(stored)
}

impl Stored {
    /// Every number is one of a state: each comes after its parent, and none is on the frontier twice.
    fn is_whole(&self) -> bool {
        let count = self.origins.len();
        let in_order = (0..).zip(&self.origins).all(|(number, origin): (u32, _)| origin.parent < number.max(1));
        let distinct = self.frontier.iter().collect::<HashSet<_>>().len();
        count > 0
            && in_order
            && distinct == self.frontier.len()
            && self.frontier.iter().all(|number| (*number as usize) < count)
            && self.head.layer <= self.frontier.len()
    }
}

const LEADS_ELSEWHERE: &str = "does not lead where it did; delete it, and the search begins anew";

impl Search<'_> {
    /// Stores how far the search came.
    pub(super) fn store(&self, path: &Path, took: Duration) -> io::Result<()> {
        let reached = self.reached.iter().map(|(kind, slug)| ((*kind).to_owned(), (*slug).to_owned())).collect();
        let head = Head {
            program: program()?,
            mark: self.mark(),
            depth: self.depth,
            steps: self.steps,
            milliseconds: u64::try_from(took.as_millis()).unwrap_or(u64::MAX),
            states: self.keys.len(),
            frontier: self.frontier().count(),
            layer: self.layer.len(),
            reached,
            examples: self.examples.values().map(|(_, way)| way.clone()).collect(),
        };
        let frontier = self.frontier().map(|open| open.number).collect();
        let stored = Stored { head, keys: self.keys.clone(), origins: self.origins.clone(), frontier };
        let partial = path.with_extension("partial");
        let mut file = File::create(&partial)?;
        file.write_all(&sealed(&stored)?)?;
        file.sync_all()?;
        std::fs::rename(partial, path)
    }

    /// Goes on where a search was stored.
    pub(super) fn load(&mut self, path: &Path) -> Result<(), String> {
        let bytes = std::fs::read(path).map_err(|error| error.to_string())?;
        let stored = parse(&bytes).ok_or("is damaged, or no stored search; delete it, and the search begins anew")?;
        if stored.head.program != program().map_err(|error| error.to_string())? {
            let why = "was stored by another build of this program, whose logic may be another";
            return Err(format!("{why}; delete it, and the search begins anew"));
        }
        if stored.head.mark != self.mark() {
            return Err("is of another site or another adversary; give another folder".to_owned());
        }
        self.take_up(stored)
    }

    /// Every way that leads to the frontier is gone once, and every way to a broken rule.
    fn take_up(&mut self, stored: Stored) -> Result<(), String> {
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
            let key = stored.keys.get(number as usize).copied().ok_or(LEADS_ELSEWHERE)?;
            if node.key() != key {
                return Err(LEADS_ELSEWHERE.to_owned());
            }
            for child in next.remove(&number).unwrap_or_default() {
                let place = stored.origins[child as usize].act;
                let act = node.acts(self.powers).get(usize::from(place)).copied().ok_or(LEADS_ELSEWHERE)?;
                stack.push((child, node.after(act, key, &mut Seen::default()).0));
            }
            if open.contains(&number) {
                made.insert(number, Open { number, key, node });
            }
        }
        let frontier: Option<Vec<_>> = stored.frontier.iter().map(|number| made.remove(number)).collect();
        let mut frontier = frontier.ok_or(LEADS_ELSEWHERE)?;
        self.next = frontier.split_off(stored.head.layer);
        self.layer = frontier.into();
        for way in stored.head.examples {
            let example = self.broken_again(&way).ok_or(LEADS_ELSEWHERE)?;
            self.examples.insert(way.rule.clone(), (example, way));
        }
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

    /// Goes a way to a broken rule once more; `None` if it leads to none.
    fn broken_again(&self, way: &Example) -> Option<Counterexample> {
        let (node, mut acts) = self.gone(&way.places)?;
        let broken = if way.homing {
            let homing = live::come_home(&node, |_| false);
            acts.extend(homing.acts);
            homing.broken
        } else {
            (self.judge)(&node)
        };
        let broken = broken.filter(|broken| broken.rule == way.rule)?;
        Some(Counterexample { broken, acts, powers: self.powers, start: self.start })
    }
}
