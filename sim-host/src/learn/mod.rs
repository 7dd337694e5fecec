//! Training exercises: a plant in a situation, questions about it, and answers that are found by running.
//!
//! An exercise is two files of `sim-host/learn`: `NN-name.scenario.toml`, an ordinary scenario that `verify` runs as
//! well, and `NN-name.toml`:
//!
//! | key | what |
//! |---|---|
//! | `title`, `situation` | what people read first |
//! | `level` | 1 (the first hour) to 4 |
//! | `[[question]]` `text` | what is asked |
//! | `ask` | what the run is asked for, such as `{ started = { tank = 1 } }`: see [`Ask`] |
//! | `tolerance` | how near an answer must come: "5 min" for a moment, "5 %" for a quantity; these are the defaults |
//! | `answer` | the answer that the handbook hides; a test compares it with the run |
//! | `hint`, `because` | before and after |

mod answer;
mod ask;
pub mod cli;
mod page;

pub use answer::{AnswerError, Outcome};
pub use ask::{Ask, Truth};
pub use page::handbook_page;

use std::path::Path;

use bedkeeper::demand::Standing;
use bedkeeper::units::Instant;
use include_dir::{Dir, include_dir};
use serde::Deserialize;

use crate::scenario::{self, Days, Scenario, Timeline};
use crate::wording;

static FILES: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/learn");

/// Ending of the scenario that belongs to an exercise.
const SCENARIO: &str = ".scenario.toml";
/// Records shown with an answer, at most.
const SHOWN: usize = 12;

/// An exercise, ready to be done.
#[derive(Clone, Debug)]
pub struct Exercise {
    /// Its place in the course, from 1.
    pub number: u32,
    /// Its name on the command line.
    pub name: String,
    /// What people call it.
    pub title: String,
    /// 1 for the first hour, 4 for the last.
    pub level: u8,
    /// The situation in words.
    pub situation: String,
    /// What is asked.
    pub questions: Vec<Question>,
    /// The plant and what happens to it.
    pub scenario: Scenario,
    /// The scenario's file as text, to be kept and changed.
    pub scenario_text: &'static str,
}

/// One question of an exercise.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// What is asked.
    pub text: String,
    /// What the run is asked for.
    pub ask: Ask,
    /// How near an answer must come.
    pub tolerance: Option<String>,
    /// The answer that the handbook hides.
    pub answer: String,
    /// Where to look.
    pub hint: Option<String>,
    /// Why it is so, in words.
    pub because: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    level: u8,
    situation: String,
    #[serde(rename = "question")]
    questions: Vec<Question>,
}

/// An exercise that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {why}")]
pub struct ExerciseError {
    /// Which file.
    pub file: String,
    /// What is wrong with it.
    pub why: String,
}

/// Every bundled exercise, in the order of the course.
///
/// # Errors
/// A file that does not read, which a test of the bundled ones would show.
pub fn bundled() -> Result<Vec<Exercise>, ExerciseError> {
    let mut exercises = Vec::new();
    for file in FILES.files() {
        let name = file.path().display().to_string();
        if name.ends_with(".toml") && !name.ends_with(SCENARIO) {
            let whole = |why: String| ExerciseError { file: name.clone(), why };
            let text = file.contents_utf8().ok_or_else(|| whole("is not UTF-8".into()))?;
            let twin = name.replace(".toml", SCENARIO);
            let scenario = FILES.get_file(&twin).and_then(include_dir::File::contents_utf8);
            let scenario = scenario.ok_or_else(|| whole(format!("has no {twin} beside it")))?;
            exercises.push(read(&name, text, scenario)?);
        }
    }
    exercises.sort_by_key(|exercise| exercise.number);
    Ok(exercises)
}

/// Reads an exercise; `file` is the name of its own file, such as `03-too-late.toml`.
fn read(file: &str, text: &str, scenario_text: &'static str) -> Result<Exercise, ExerciseError> {
    let whole = |why: String| ExerciseError { file: file.to_owned(), why };
    let stem = file.trim_end_matches(".toml");
    let numbered = stem.split_once('-').and_then(|(number, name)| Some((number.parse().ok()?, name.to_owned())));
    let (number, name) = numbered.ok_or_else(|| whole("is not named like 03-too-late.toml".into()))?;
    let parts: File = toml::from_str(text).map_err(|error| whole(error.to_string()))?;
    let twin = file.replace(".toml", SCENARIO);
    let scenario = scenario::parse(Path::new(&twin), scenario_text)
        .map_err(|errors| ExerciseError { file: twin.clone(), why: errors.render(false) })?;
    Ok(Exercise {
        number,
        name,
        title: parts.title,
        level: parts.level,
        situation: parts.situation.trim().to_owned(),
        questions: parts.questions,
        scenario,
        scenario_text,
    })
}

/// What a run of an exercise showed.
pub struct Run {
    /// Its states and records.
    pub timeline: Timeline,
    /// What is true of each question, in order.
    pub truths: Vec<Truth>,
    /// Its calendar.
    pub days: Days,
}

/// Runs an exercise's plant and finds what is true.
///
/// # Errors
/// The scenario could not be run, missed what it expects itself, or does not show what a question is about.
pub fn run(exercise: &Exercise) -> Result<Run, ExerciseError> {
    let fault = |why: String| ExerciseError { file: exercise.name.clone(), why };
    let find = |shown: &scenario::Shown<'_>| {
        let truth = |question: &Question| {
            question.ask.truth(shown).ok_or_else(|| fault(format!("the run shows nothing of: {}", question.text)))
        };
        exercise.questions.iter().map(truth).collect::<Result<Vec<_>, _>>()
    };
    let (verdict, timeline, truths) =
        scenario::run_and(&exercise.scenario, find).map_err(|error| fault(error.to_string()))?;
    if let Some(miss) = verdict.missed().next() {
        return Err(fault(format!("its scenario expects {}, and {}", miss.named(), miss.happened)));
    }
    Ok(Run { timeline, truths: truths?, days: Days::of(exercise.scenario.start) })
}

impl Question {
    /// How an answer fares against what is true.
    ///
    /// # Errors
    /// An answer that cannot be read as one, with what would be right.
    pub fn judge(&self, given: &str, truth: &Truth, days: Days) -> Result<Outcome, AnswerError> {
        answer::judge(given, truth, &self.ask.names(), self.tolerance.as_deref(), days)
    }

    /// What the logic itself says about it: the reasons that stood, and the records that led there.
    #[must_use]
    pub fn reasons(&self, truth: &Truth, run: &Run) -> Vec<String> {
        let mut lines = Vec::new();
        let (tank, at_ms) = (self.ask.tank(), self.ask.moment(truth, run.days));
        let Some(at_ms) = at_ms else { return lines };
        let show = |ms: u64| run.days.show(ms);
        // What stood just before a moment is what was waited for; at a moment that is asked for, what stands then.
        let looked_at = if matches!(truth, Truth::Moment(_)) { at_ms.saturating_sub(1) } else { at_ms };
        let state = tank.and_then(|tank| run.timeline.state_at(looked_at)?.tanks.get(tank).map(|state| (tank, state)));
        for (tank, (hold, clears)) in state.iter().flat_map(|(tank, state)| state.holds.iter().map(move |h| (tank, h)))
        {
            let standing = Standing { hold: *hold, clears_at: clears.map(Instant::from_ticks) };
            let text = wording::standing_text(&standing, |ms| format!("at {}", show(ms)));
            lines.push(format!("{}  tank {} held: {text}", show(looked_at), tank + 1));
        }
        let concerns = |event: &bedkeeper::journal::Event| {
            let whose = wording::tank_of(event);
            let quiet = matches!(event, bedkeeper::journal::Event::Drive { .. });
            !quiet && (whose.is_none() || tank.is_none() || whose.map(|id| id.index()) == tank)
        };
        let until = run.timeline.records.iter().filter(|r| Timeline::at_ms(r) <= at_ms && concerns(&r.event));
        let mut last: Vec<_> = until.rev().take(SHOWN).collect();
        last.reverse();
        lines.extend(last.iter().map(|r| format!("{}  {}", show(Timeline::at_ms(r)), wording::sentence(&r.event))));
        lines
    }
}
