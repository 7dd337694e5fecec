//! What a set of scenarios reaches: every cause, hold, duty, step and alarm should come up at least once.

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::program::StepKind;
use bedkeeper::watch::Alarm;

use super::verdict::Verdict;

/// One thing that can be reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reach<'a> {
    /// `cause`, `hold`, `duty`, `step` or `alarm`.
    pub kind: &'static str,
    /// Its name.
    pub slug: &'static str,
    /// How many scenarios reach it.
    pub scenarios: usize,
    /// The file of the first that does.
    pub first: Option<&'a str>,
}

/// Everything that can be reached, and what reached it.
#[must_use]
pub fn coverage(verdicts: &[Verdict]) -> Vec<Reach<'_>> {
    let causes = Cause::ALL.iter().map(|value| ("cause", value.slug()));
    let holds = Hold::ALL.iter().map(|value| ("hold", value.slug()));
    let duties = DutyKind::ALL.iter().map(|value| ("duty", value.slug()));
    let steps = StepKind::ALL.iter().map(|value| ("step", value.slug()));
    let alarms = Alarm::ALL.iter().map(|value| ("alarm", value.slug()));
    let all = causes.chain(holds).chain(duties).chain(steps).chain(alarms);
    all.map(|(kind, slug)| {
        let mut reaching = verdicts.iter().filter(|verdict| verdict.reached.contains(&(kind, slug)));
        let first = reaching.next();
        Reach {
            kind,
            slug,
            scenarios: usize::from(first.is_some()) + reaching.count(),
            first: first.map(|verdict| verdict.file.as_str()),
        }
    })
    .collect()
}

/// The same as a table for people.
#[must_use]
pub fn coverage_table(verdicts: &[Verdict]) -> String {
    let reaches = coverage(verdicts);
    let mut text = String::from("\nkind   reached                scenarios  such as\n");
    for reach in &reaches {
        let first = reach.first.unwrap_or("NOT REACHED");
        text.push_str(&format!("{:<6} {:<22} {:>9}  {first}\n", reach.kind, reach.slug, reach.scenarios));
    }
    let reached = reaches.iter().filter(|reach| reach.scenarios > 0).count();
    text.push_str(&format!("{reached} of {} reached\n", reaches.len()));
    text
}
