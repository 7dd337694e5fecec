//! All cases of a site: what is planned, run on all cores, and told row by row.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use bedkeeper::settings::Arrangement;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};
use serde::Serialize;

use super::bytes::tear;
use super::case::{Case, Part, Seen};
use super::instance::{Instance, instances};
use super::stage::{Stage, StageError};
use super::table::{PlantKind, Row, Table};
use crate::scenario::Deed;
use crate::site::Site;

/// Cuts of power: how long, and whether the clock runs on.
const CUTS: [(u64, bool); 4] = [(5_000, true), (240_000, true), (2_700_000, true), (240_000, false)];

/// What is to be tried.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Every single row at every phase.
    pub singles: bool,
    /// At so many moments of each pair of rows; where there are no more, at all of them.
    pub pairs: usize,
    /// Of the moments at which power is cut every so many; 0 = none.
    pub cuts_every: usize,
    /// Only rows whose name or component has this in it.
    pub only: Option<String>,
    /// Nothing more is begun after this.
    pub until: Option<Instant>,
}

/// What was not kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Deviation {
    /// The rows that it is about.
    pub rows: Vec<String>,
    /// When, and of what.
    pub case: String,
    /// Which rule is broken, or "alarm".
    pub rule: String,
    /// What was seen.
    pub text: String,
    /// The scenario that shows it, if one was written.
    pub scenario: Option<String>,
    /// That scenario.
    #[serde(skip)]
    pub source: String,
}

/// What became of a row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RowResult {
    /// Its name.
    pub name: String,
    /// Its component.
    pub component: String,
    /// Its way.
    pub way: String,
    /// Cases that were run.
    pub cases: u64,
    /// Cases in which a promised alarm came.
    pub noticed: u64,
    /// What was not kept.
    pub deviations: u64,
    /// Rules that the row does not promise, and in how many cases each was broken.
    pub spared: BTreeMap<String, u64>,
    /// "kept", "deviation", "told" (nothing can be run), or why the site cannot have it.
    pub verdict: String,
}

/// What was tried.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tried {
    /// Row by row, then pairs, cuts and bytes.
    pub rows: Vec<RowResult>,
    /// Everything that was not kept.
    pub deviations: Vec<Deviation>,
    /// Cases that were run.
    pub cases: u64,
    /// Cases that were to be run.
    pub planned: u64,
}

/// A site, the table, and everything that comes of them.
pub struct Campaign {
    table: Table,
    simple: Stage,
    full: Option<Stage>,
    found: Vec<Result<Vec<Instance>, String>>,
}

/// What came of the cases of a line.
#[derive(Clone, Debug, Default)]
struct Counts {
    cases: u64,
    noticed: u64,
    deviations: u64,
    spared: BTreeMap<String, u64>,
}

/// To which line of the result a case belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Line {
    Row(usize),
    Pairs,
    Cuts,
}

/// Two rows, at so many of the moments that they have together.
struct Pair {
    rows: [usize; 2],
    cases: usize,
    there_are: usize,
}

/// So many numbers are drawn for each case of a pair.
const DRAWN_FOR_A_PAIR: u64 = 4;

/// The cases of a plan; those of pairs are made when they are run, since there may be millions.
struct Cases<'c> {
    campaign: &'c Campaign,
    few: Vec<(Line, Case<'c>)>,
    pairs: Vec<Pair>,
}

impl<'c> Cases<'c> {
    fn len(&self) -> usize {
        self.pairs.iter().fold(self.few.len(), |all, pair| all.saturating_add(pair.cases))
    }

    fn get(&self, place: usize) -> Option<(Line, Case<'c>)> {
        if let Some(case) = self.few.get(place) {
            return Some(case.clone());
        }
        let mut place = place - self.few.len();
        for pair in &self.pairs {
            match place.checked_sub(pair.cases) {
                Some(left) => place = left,
                None => return Some((Line::Pairs, self.campaign.of_pair(pair, place)?)),
            }
        }
        None
    }
}

impl Campaign {
    /// Prepares a site: runs a regeneration with nothing broken, and reads what each row comes to there.
    ///
    /// # Errors
    /// The site cannot be run, or does not regenerate.
    pub fn prepare(site: &Site, name: &str, table: Table) -> Result<Self, StageError> {
        let raw = site.settings.raw();
        let table = Table { rows: table.rows.into_iter().map(|row| row.promised_at(raw)).collect() };
        let simple = Stage::set(site, name, false)?;
        let wants_full = table.rows.iter().any(|row| row.plant == Some(PlantKind::Full));
        let full = if wants_full {
            Stage::set(site, name, true).map_err(|error| error.to_string())
        } else {
            Err(String::new())
        };
        let found = table.rows.iter().map(|row| match (row.runs(), row.plant) {
            (false, _) => Ok(Vec::new()),
            (true, None) => instances(row, &simple),
            (true, Some(PlantKind::Full)) => {
                full.as_ref().map_err(Clone::clone).and_then(|stage| instances(row, stage))
            }
        });
        let found = found.collect();
        Ok(Self { table, full: full.ok(), found, simple })
    }

    /// Scenarios that are written name the site so, from the folder in which they will lie.
    #[must_use]
    pub fn naming_site(mut self, name: &str) -> Self {
        for stage in self.full.iter_mut().chain([&mut self.simple]) {
            stage.site_text = format!("site = {name:?}\n");
        }
        self
    }

    /// The table that is tried.
    #[must_use]
    pub fn table(&self) -> &Table {
        &self.table
    }

    fn stage(&self, row: &Row) -> &Stage {
        self.full.as_ref().filter(|_| row.plant.is_some()).unwrap_or(&self.simple)
    }

    fn is_chosen(&self, row: &Row, plan: &Plan) -> bool {
        plan.only.as_ref().is_none_or(|only| row.name.contains(only) || row.component.contains(only))
    }

    fn found(&self, row: usize) -> &[Instance] {
        self.found.get(row).and_then(|found| found.as_ref().ok()).map_or(&[], Vec::as_slice)
    }

    fn singles(&self, plan: &Plan) -> Vec<(Line, Case<'_>)> {
        let mut cases = Vec::new();
        for (i, row) in self.table.rows.iter().enumerate().filter(|(_, row)| self.is_chosen(row, plan)) {
            let stage = self.stage(row);
            for instance in self.found(i) {
                let parts = stage.phases.iter().map(|phase| Part { row, instance, phase });
                cases.extend(parts.map(|part| (Line::Row(i), Case { stage, parts: vec![part], cut: None })));
            }
        }
        cases
    }

    /// Every two rows, and at how many moments of theirs: as many as are wanted, or all that there are.
    fn pairs(&self, plan: &Plan) -> Vec<Pair> {
        let mut pairs = Vec::new();
        let raw = self.simple.site.settings.raw();
        if raw.tanks != 2 || raw.arrangement == Arrangement::Single {
            return pairs;
        }
        let tried = |row: usize| !self.found(row).is_empty();
        let rows: Vec<_> =
            self.table.rows.iter().enumerate().filter(|(i, row)| tried(*i) && row.plant.is_none()).collect();
        for (place, (a, first)) in rows.iter().enumerate() {
            for (b, second) in rows.iter().skip(place) {
                if self.is_chosen(first, plan) || self.is_chosen(second, plan) {
                    let there_are = self.moments(*a).saturating_mul(self.moments(*b));
                    pairs.push(Pair { rows: [*a, *b], cases: plan.pairs.min(there_are), there_are });
                }
            }
        }
        pairs
    }

    /// At how many moments a row can happen, each of its ways at each phase.
    fn moments(&self, row: usize) -> usize {
        self.found(row).len().saturating_mul(self.simple.phases.len())
    }

    /// A row at one of its moments.
    fn part(&self, row: usize, moment: usize) -> Option<Part<'_>> {
        let phases = self.simple.phases.len();
        let instance = self.found(row).get(moment.checked_div(phases)?)?;
        Some(Part { row: self.table.rows.get(row)?, instance, phase: self.simple.phases.get(moment % phases)? })
    }

    /// A case of a pair: drawn by its place and the pair's in the table, or the next of all.
    fn of_pair(&self, pair: &Pair, place: usize) -> Option<Case<'_>> {
        let [a, b] = pair.rows;
        let [of_a, of_b] = if pair.cases == pair.there_are {
            [place.checked_div(self.moments(b))?, place.checked_rem(self.moments(b))?]
        } else {
            let mut random = Pcg32::seed_from_u64((a as u64) << 32 | b as u64);
            random.advance(place as u64 * DRAWN_FOR_A_PAIR);
            [a, b].map(|row| {
                let instance = random.next_u32() as usize % self.found(row).len().max(1);
                let phases = self.simple.phases.len();
                instance * phases + random.next_u32() as usize % phases.max(1)
            })
        };
        Some(Case { stage: &self.simple, parts: vec![self.part(a, of_a)?, self.part(b, of_b)?], cut: None })
    }

    fn cuts(&self, plan: &Plan) -> Vec<(Line, Case<'_>)> {
        if plan.cuts_every == 0 || plan.only.is_some() {
            return Vec::new();
        }
        let moments = self.simple.calls.iter().flat_map(|at_ms| [*at_ms, at_ms + 1]);
        let cut = |(i, at_ms): (usize, u64)| {
            CUTS.into_iter().enumerate().filter_map(move |(kind, (off_ms, clock_kept))| {
                let deed = Deed::Power { off_ms, clock_kept, memory_kept: true };
                (i * CUTS.len() + kind).is_multiple_of(plan.cuts_every).then_some((at_ms, deed))
            })
        };
        let cuts = moments.enumerate().flat_map(cut);
        cuts.map(|cut| (Line::Cuts, Case { stage: &self.simple, parts: Vec::new(), cut: Some(cut) })).collect()
    }

    /// How many cases a plan has, but for the bytes of the store.
    #[must_use]
    pub fn planned(&self, plan: &Plan) -> usize {
        self.cases(plan).len()
    }

    fn cases(&self, plan: &Plan) -> Cases<'_> {
        let mut few = if plan.singles { self.singles(plan) } else { Vec::new() };
        few.extend(self.cuts(plan));
        Cases { campaign: self, few, pairs: self.pairs(plan) }
    }

    /// Runs a plan on all cores; `done` is called after each case.
    #[must_use]
    pub fn run(&self, plan: &Plan, done: impl Fn() + Sync) -> Tried {
        let cases = self.cases(plan);
        let next = AtomicUsize::new(0);
        let results = Mutex::new(Vec::new());
        std::thread::scope(|scope| {
            for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
                scope.spawn(|| {
                    while plan.until.is_none_or(|until| Instant::now() < until) {
                        let place = next.fetch_add(1, Ordering::Relaxed);
                        let Some((_, case)) = cases.get(place) else { return };
                        let seen = case.run();
                        results.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push((place, seen));
                        done();
                    }
                });
            }
        });
        let mut results = results.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
        results.sort_by_key(|(place, _)| *place);
        self.tell(plan, &cases, &results)
    }

    fn tell(&self, plan: &Plan, cases: &Cases<'_>, results: &[(usize, Seen)]) -> Tried {
        let mut tried = Tried { planned: cases.len() as u64, cases: results.len() as u64, ..Tried::default() };
        let mut lines: BTreeMap<Line, Counts> = BTreeMap::new();
        for (place, seen) in results {
            let Some((line, case)) = cases.get(*place) else { continue };
            let counts = lines.entry(line).or_default();
            counts.cases += 1;
            counts.noticed += u64::from(seen.noticed);
            for rule in &seen.spared {
                *counts.spared.entry(rule.clone()).or_default() += 1;
            }
            let Some(broken) = &seen.broken else { continue };
            counts.deviations += 1;
            tried.deviations.push(Deviation {
                rows: case.parts.iter().map(|part| part.row.name.clone()).collect(),
                case: case.name(),
                rule: broken.rule.clone(),
                text: broken.text.clone(),
                scenario: None,
                source: case.text(broken),
            });
        }
        let row = |name: &str, component: &str, way: &str, counts: &Counts| RowResult {
            name: name.to_owned(),
            component: component.to_owned(),
            way: way.to_owned(),
            cases: counts.cases,
            noticed: counts.noticed,
            deviations: counts.deviations,
            spared: counts.spared.clone(),
            verdict: if counts.deviations == 0 { "kept".to_owned() } else { "deviation".to_owned() },
        };
        for (i, fault) in
            self.table.rows.iter().enumerate().filter(|(_, row)| plan.singles && self.is_chosen(row, plan))
        {
            let counts = lines.get(&Line::Row(i)).cloned().unwrap_or_default();
            let mut result = row(&fault.name, &fault.component, &fault.way, &counts);
            match self.found.get(i) {
                Some(Err(why)) => result.verdict = format!("not at this site: {why}"),
                _ if !fault.runs() => "told".clone_into(&mut result.verdict),
                _ if counts.cases == 0 => "not tried".clone_into(&mut result.verdict),
                _ => {}
            }
            tried.rows.push(result);
        }
        if let Some(counts) = lines.get(&Line::Cuts) {
            let way = "Power is cut just before and just after every call of a regeneration that did something.";
            tried.rows.push(row("cuts", "power", way, counts));
        }
        if plan.cuts_every > 0 && plan.only.is_none() {
            let torn = tear(&self.simple.saves, plan.until);
            let counts = Counts { cases: torn.cuts, deviations: torn.wrong.len() as u64, ..Counts::default() };
            let mut bytes = row("bytes", "store", "Power is cut at every byte of what a regeneration stores.", &counts);
            if torn.cuts == 0 {
                "not tried".clone_into(&mut bytes.verdict);
            }
            tried.rows.push(bytes);
            tried.cases += torn.cuts;
            tried.planned += torn.planned;
            tried.deviations.extend(torn.wrong.into_iter().map(|text| Deviation {
                rows: vec!["bytes".to_owned()],
                case: "power cut at a byte of the store".to_owned(),
                rule: "S10".to_owned(),
                text,
                scenario: None,
                source: String::new(),
            }));
        }
        if let Some(counts) = lines.get(&Line::Pairs) {
            tried.rows.push(row(
                "pairs",
                "two at once",
                "Every two rows together, each at some of their moments.",
                counts,
            ));
        }
        tried
    }
}
