//! `bedkeeper learn`: training exercises whose answers are found by running.

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use serde::Serialize;

use super::{Exercise, Outcome, Question, Run, Truth, bundled, run as run_exercise};
use crate::cli::{EXIT_BAD_INPUT, EXIT_NO, Style, print};

/// Training exercises: predict, run, and read the reason
///
/// Without a name the exercises are listed. With one, its situation is shown and its questions are asked; then the plant
/// runs through the real logic, and the answers are compared with what happened. At a question, `?` shows a hint and the
/// names that can be answered, and an empty answer passes. In a script give the answers with --answer, once for each question.
///
/// Examples:
///   bedkeeper learn
///   bedkeeper learn first-night
///   bedkeeper learn first-night --answer "day 2 02:00" --answer until-hour
///   bedkeeper learn first-night --save first-night.toml   # the scenario, to change and `verify`
///   bedkeeper learn --all --json
///
/// Exit code 0: every answer is right. 1: one is not. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct LearnArgs {
    /// Name or number of an exercise
    exercise: Option<String>,
    /// Answers, in the order of the questions, instead of asking
    #[arg(long, value_name = "ANSWER", requires = "exercise")]
    answer: Vec<String>,
    /// Write the exercise's scenario to a file, for `verify`, and ask nothing
    #[arg(long, value_name = "FILE", requires = "exercise", conflicts_with = "answer")]
    save: Option<PathBuf>,
    /// Run every exercise and compare the answers of the handbook with what happens
    #[arg(long, conflicts_with_all = ["exercise", "answer", "save"])]
    all: bool,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &LearnArgs, style: &Style) -> ExitCode {
    match learn(args, style) {
        Ok(code) => code,
        Err(why) => {
            complain!("bedkeeper learn: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

fn learn(args: &LearnArgs, style: &Style) -> Result<ExitCode, String> {
    let exercises = bundled().map_err(|error| error.to_string())?;
    if args.all {
        return check_all(&exercises, args.json);
    }
    let Some(wanted) = &args.exercise else {
        return Ok(print(&if args.json { list_json(&exercises) } else { list(&exercises, style) }));
    };
    let exercise = find(&exercises, wanted)?;
    if let Some(file) = &args.save {
        return save(exercise, file);
    }
    let given = (!args.answer.is_empty()).then_some(args.answer.as_slice());
    if let Some(answers) = given.filter(|answers| answers.len() != exercise.questions.len()) {
        let (asked, given) = (exercise.questions.len(), answers.len());
        return Err(format!("{} asks {asked} questions; --answer was given {given} times", exercise.name));
    }
    if args.json && given.is_none() {
        return Ok(print(&questions_json(exercise)));
    }
    let done = run_exercise(exercise).map_err(|error| error.to_string())?;
    let answered = match given {
        Some(answers) => from_flags(exercise, answers, &done)?,
        None => ask(exercise, &done, style)?,
    };
    if args.json {
        print(&answers_json(exercise, &answered, &done));
    } else if given.is_some() {
        let mut text = String::new();
        for (question, (answer, truth)) in exercise.questions.iter().zip(answered.iter().zip(&done.truths)) {
            text.push_str(&filled(&question.text, ""));
            text.push_str(&told(question, answer, truth, &done, style));
        }
        print(&text);
    }
    let right = answered.iter().all(|answer| answer.outcome == Some(Outcome::Right));
    Ok(if right { ExitCode::SUCCESS } else { ExitCode::from(EXIT_NO) })
}

fn find<'e>(exercises: &'e [Exercise], wanted: &str) -> Result<&'e Exercise, String> {
    let named = exercises.iter().find(|e| e.name == wanted || e.number.to_string() == wanted);
    named.ok_or_else(|| {
        let nearest = exercises.iter().max_by(|a, b| {
            let like = |e: &Exercise| strsim::jaro_winkler(&e.name, wanted);
            like(a).total_cmp(&like(b))
        });
        let guess = nearest.map_or_else(String::new, |e| format!("; did you mean {}?", e.name));
        format!("there is no exercise `{wanted}`{guess} `bedkeeper learn` lists them")
    })
}

fn save(exercise: &Exercise, file: &PathBuf) -> Result<ExitCode, String> {
    let fault = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => crate::cli::output::is_there(file, "choose another name"),
        _ => format!("{}: cannot be written: {error}", file.display()),
    };
    let mut to = std::fs::File::create_new(file).map_err(fault)?;
    to.write_all(exercise.scenario_text.as_bytes()).map_err(fault)?;
    print(&format!("written: {0}\nnext: change it, and bedkeeper verify {0}\n", file.display()));
    Ok(ExitCode::SUCCESS)
}

/// An answer and how it fared; `None` where the question was passed.
struct Answered {
    given: String,
    outcome: Option<Outcome>,
}

fn from_flags(exercise: &Exercise, answers: &[String], done: &Run) -> Result<Vec<Answered>, String> {
    let each = exercise.questions.iter().zip(answers).zip(&done.truths);
    each.map(|((question, given), truth)| {
        let outcome = question.judge(given, truth, done.days).map_err(|error| error.to_string())?;
        Ok(Answered { given: given.clone(), outcome: Some(outcome) })
    })
    .collect()
}

/// Asks at the terminal, one question after the other.
fn ask(exercise: &Exercise, done: &Run, style: &Style) -> Result<Vec<Answered>, String> {
    let stdin = std::io::stdin();
    if !stdin.is_terminal() {
        return Err(format!(
            "{} asks at a terminal; in a script give --answer {} times, or --json to read the questions",
            exercise.name,
            exercise.questions.len()
        ));
    }
    print(&format!("{}\n\n{}", style.bold(&exercise.title), filled(&exercise.situation.replace('\n', " "), "")));
    let mut lines = stdin.lock().lines();
    let mut answered = Vec::new();
    for (question, truth) in exercise.questions.iter().zip(&done.truths) {
        let (wanted, example) = truth.wanted();
        print(&format!(
            "\n{}{}",
            filled(&question.text, ""),
            filled(&format!("({wanted}: {example}; ? for a hint, nothing to pass)"), "")
        ));
        let answer = loop {
            print("> ");
            let Some(line) = lines.next() else { break Answered { given: String::new(), outcome: None } };
            let given = line.map_err(|error| error.to_string())?;
            match given.trim() {
                "" => break Answered { given: String::new(), outcome: None },
                "?" => {
                    print(&hint(question));
                }
                text => match question.judge(text, truth, done.days) {
                    Ok(outcome) => break Answered { given, outcome: Some(outcome) },
                    Err(error) => {
                        print(&filled(&error.to_string(), ""));
                    }
                },
            }
        };
        print(&told(question, &answer, truth, done, style));
        answered.push(answer);
    }
    Ok(answered)
}

/// What happened, why, and what the logic says.
fn told(question: &Question, answer: &Answered, truth: &Truth, done: &Run, style: &Style) -> String {
    let so = truth.show(done.days);
    let fared = match answer.outcome {
        Some(Outcome::Right) => format!("{}: {so}", style.bold("right")),
        Some(Outcome::Wrong) => {
            format!("{}: you said {}, and it is {so}", style.alarm("not so"), answer.given.trim())
        }
        None => format!("passed: it is {so}"),
    };
    let mut text = filled(&fared, "") + &filled(&question.because, "");
    let reasons = question.reasons(truth, done);
    if !reasons.is_empty() {
        text.push_str("what the logic says:\n");
        for line in reasons {
            text.push_str(&filled(&line, "  "));
        }
    }
    text
}

/// Where to look, and every name that can be answered.
fn hint(question: &Question) -> String {
    let mut text = filled(question.hint.as_deref().unwrap_or("there is no hint for this one"), "");
    let names = question.ask.names();
    if !names.is_empty() {
        text.push_str("what can be answered:\n");
        text.push_str(&filled(&names.join(", "), "  "));
    }
    text
}

/// A paragraph with its lines broken between words, as wide as the terminal, at the most as is read with ease; further lines
/// are indented deeper where the first one is indented.
fn filled(text: &str, indent: &str) -> String {
    const WIDEST: usize = 100;
    let deeper = indent.repeat(2);
    let options = textwrap::Options::new(textwrap::termwidth().min(WIDEST)).initial_indent(indent);
    textwrap::fill(text, options.subsequent_indent(&deeper).word_splitter(textwrap::WordSplitter::NoHyphenation)) + "\n"
}

fn list(exercises: &[Exercise], style: &Style) -> String {
    let widest = exercises.iter().map(|e| e.name.len()).max().unwrap_or(0);
    let mut text = String::new();
    for exercise in exercises {
        let name = format!("{:widest$}", exercise.name);
        text.push_str(&format!("{:>3}  {}  {}\n", exercise.number, style.bold(&name), exercise.title));
    }
    text.push_str("\nbedkeeper learn NAME begins one; every plant in them is invented\n");
    text
}

// ---- for programs ------------------------------------------------------------------------------------

fn pretty(value: &impl Serialize) -> String {
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(value).unwrap_or_default() + "\n"
}

#[derive(Serialize)]
struct Listed<'e> {
    number: u32,
    name: &'e str,
    title: &'e str,
    level: u8,
    questions: usize,
}

fn list_json(exercises: &[Exercise]) -> String {
    let listed: Vec<_> = exercises
        .iter()
        .map(|e| Listed {
            number: e.number,
            name: &e.name,
            title: &e.title,
            level: e.level,
            questions: e.questions.len(),
        })
        .collect();
    pretty(&listed)
}

fn questions_json(exercise: &Exercise) -> String {
    #[derive(Serialize)]
    struct Asked<'e> {
        name: &'e str,
        title: &'e str,
        situation: &'e str,
        questions: Vec<&'e str>,
    }
    let questions = exercise.questions.iter().map(|question| question.text.as_str()).collect();
    pretty(&Asked { name: &exercise.name, title: &exercise.title, situation: &exercise.situation, questions })
}

fn answers_json(exercise: &Exercise, answered: &[Answered], done: &Run) -> String {
    #[derive(Serialize)]
    struct Row<'e> {
        question: &'e str,
        given: &'e str,
        right: bool,
        happened: String,
        because: &'e str,
        reasons: Vec<String>,
    }
    let rows: Vec<_> = exercise
        .questions
        .iter()
        .zip(answered)
        .zip(&done.truths)
        .map(|((question, answer), truth)| Row {
            question: &question.text,
            given: &answer.given,
            right: answer.outcome == Some(Outcome::Right),
            happened: truth.show(done.days),
            because: &question.because,
            reasons: question.reasons(truth, done),
        })
        .collect();
    pretty(&rows)
}

#[derive(Serialize)]
struct Checked {
    exercises: usize,
    kept: usize,
    failed: Vec<Failed>,
}

#[derive(Serialize)]
struct Failed {
    exercise: String,
    question: Option<String>,
    happened: String,
}

/// Runs every exercise and compares the handbook's answers with what happens.
fn check_all(exercises: &[Exercise], as_json: bool) -> Result<ExitCode, String> {
    let mut failed = Vec::new();
    let mut kept = 0;
    for exercise in exercises {
        let found = check(exercise);
        kept += usize::from(found.is_empty());
        failed.extend(found);
    }
    let good = failed.is_empty();
    if as_json {
        print(&pretty(&Checked { exercises: exercises.len(), kept, failed }));
    } else {
        let mut text = String::new();
        for miss in &failed {
            let question = miss.question.as_deref().unwrap_or("the exercise as a whole");
            text.push_str(&format!("{}: {question}\n  {}\n", miss.exercise, miss.happened));
        }
        text.push_str(&format!("{kept} of {} exercises are as the handbook says\n", exercises.len()));
        print(&text);
    }
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::from(EXIT_NO) })
}

fn check(exercise: &Exercise) -> Vec<Failed> {
    let failed = |question: Option<&Question>, happened: String| Failed {
        exercise: exercise.name.clone(),
        question: question.map(|question| question.text.clone()),
        happened,
    };
    let done = match run_exercise(exercise) {
        Ok(done) => done,
        Err(error) => return vec![failed(None, error.to_string())],
    };
    let each = exercise.questions.iter().zip(&done.truths);
    each.filter_map(|(question, truth)| match question.judge(&question.answer, truth, done.days) {
        Ok(Outcome::Right) => None,
        Ok(Outcome::Wrong) => Some(failed(
            Some(question),
            format!("the answer says {}, and it is {}", question.answer, truth.show(done.days)),
        )),
        Err(error) => Some(failed(Some(question), error.to_string())),
    })
    .collect()
}
