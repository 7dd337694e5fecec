//! Verdicts: for people, as JSON, and as JUnit XML.

use std::time::Duration;

use bedkeeper::journal::Record;
use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};
use serde::Serialize;

use super::Scenario;
use super::expect::Judgement;
use super::time::Days;
use super::timeline::{Reached, Timeline};
use crate::terminal::printable;
use crate::wording;

/// How a scenario fared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The scenario's file.
    pub file: String,
    /// Its title.
    pub title: String,
    /// Each expectation.
    pub judgements: Vec<Judgement>,
    /// What the run reached.
    pub reached: Reached,
}

impl Verdict {
    pub(super) fn new(scenario: &Scenario, judgements: Vec<Judgement>, reached: Reached) -> Self {
        Self { file: scenario.file.clone(), title: scenario.title.clone(), judgements, reached }
    }

    /// Whether every expectation was met.
    #[must_use]
    pub fn is_met(&self) -> bool {
        self.judgements.iter().all(|judgement| judgement.met)
    }

    /// What was missed.
    pub fn missed(&self) -> impl Iterator<Item = &Judgement> {
        self.judgements.iter().filter(|judgement| !judgement.met)
    }
}

impl Judgement {
    /// What was expected, with the line that says so.
    #[must_use]
    pub fn named(&self) -> String {
        if self.line == 0 { self.expected.clone() } else { format!("line {}: {}", self.line, self.expected) }
    }
}

/// A record of the logic as a line for people.
#[must_use]
pub fn journal_line(days: Days, record: &Record) -> String {
    format!("{}  {}", days.show(Timeline::at_ms(record)), wording::sentence(&record.event))
}

/// Verdicts as a text for people; `mark` sets a missed scenario off.
#[must_use]
pub fn readable(verdicts: &[Verdict], mark: impl Fn(&str) -> String) -> String {
    let mut text = String::new();
    for verdict in verdicts.iter().filter(|verdict| !verdict.is_met()) {
        text.push_str(&format!("{} {}\n  {}\n", mark("missed"), printable(&verdict.file), printable(&verdict.title)));
        for miss in verdict.missed() {
            text.push_str(&format!(
                "    expected  {}\n    happened  {}\n",
                printable(&miss.named()),
                printable(&miss.happened)
            ));
            for line in &miss.trace {
                text.push_str(&format!("      {}\n", printable(line)));
            }
        }
        text.push('\n');
    }
    let met = verdicts.iter().filter(|verdict| verdict.is_met()).count();
    let expectations: usize = verdicts.iter().map(|verdict| verdict.judgements.len()).sum();
    let missed: usize = verdicts.iter().map(|verdict| verdict.missed().count()).sum();
    text.push_str(&format!(
        "{met} of {} scenarios met all they expect ({expectations} expectations, {missed} missed)\n",
        verdicts.len()
    ));
    text
}

#[derive(Serialize)]
struct Json<'a> {
    scenarios: usize,
    met: usize,
    missed: Vec<Missed<'a>>,
}

#[derive(Serialize)]
struct Missed<'a> {
    scenario: &'a str,
    expectation: String,
    happened: &'a str,
}

/// Verdicts as JSON: how many scenarios, how many met all they expect, and each expectation that was missed.
#[must_use]
pub fn json(verdicts: &[Verdict]) -> String {
    let missed = verdicts.iter().flat_map(|verdict| {
        verdict.missed().map(|miss| Missed {
            scenario: &verdict.file,
            expectation: miss.named(),
            happened: &miss.happened,
        })
    });
    let value = Json {
        scenarios: verdicts.len(),
        met: verdicts.iter().filter(|verdict| verdict.is_met()).count(),
        missed: missed.collect(),
    };
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(&value).unwrap_or_default() + "\n"
}

/// Verdicts as JUnit XML: a suite for each scenario, a case for each expectation.
///
/// # Errors
/// The text could not be made.
pub fn junit(verdicts: &[Verdict]) -> Result<String, quick_junit::SerializeError> {
    let mut report = Report::new("bedkeeper verify");
    for verdict in verdicts {
        let mut suite = TestSuite::new(verdict.file.as_str());
        for judgement in &verdict.judgements {
            let status = if judgement.met {
                TestCaseStatus::success()
            } else {
                let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
                status.set_message(judgement.happened.as_str());
                status.set_description(judgement.trace.join("\n"));
                status
            };
            let mut case = TestCase::new(judgement.named(), status);
            case.set_classname(verdict.title.as_str()).set_time(Duration::ZERO);
            suite.add_test_case(case);
        }
        report.add_test_suite(suite);
    }
    report.to_string()
}
