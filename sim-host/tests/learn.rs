//! Training exercises: the handbook's answers are what the real logic does, and the command asks, compares and explains.

use std::process::{Command, Output};

use bedkeeper_sim::learn::{bundled, handbook_page, run};

fn learn(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).arg("learn").args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

#[test]
fn every_answer_of_the_handbook_is_what_happens() {
    let output = learn(&["--all", "--json"]);
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{shown}");
    let value: serde_json::Value = serde_json::from_str(shown).unwrap();
    assert!(value["exercises"].as_u64().unwrap() >= 16, "{shown}");
    assert_eq!(value["exercises"], value["kept"]);
    assert_eq!(value["failed"].as_array().unwrap().len(), 0);
}

#[test]
fn exercises_are_numbered_without_gaps_and_ask_something_with_a_reason() {
    let exercises = bundled().unwrap();
    for (exercise, number) in exercises.iter().zip(1..) {
        assert_eq!(exercise.number, number, "{}", exercise.name);
        assert!((1..=4).contains(&exercise.level) && !exercise.questions.is_empty(), "{}", exercise.name);
        let done = run(exercise).unwrap();
        for (question, truth) in exercise.questions.iter().zip(&done.truths) {
            assert!(
                question.text.contains('?') && question.because.ends_with('.'),
                "{}: {}",
                exercise.name,
                question.text
            );
            // The logic has something to say wherever the question is about a moment or a tank's state.
            let moment = question.ask.moment(truth, done.days);
            assert_eq!(
                moment.is_some(),
                !question.reasons(truth, &done).is_empty(),
                "{}: {}",
                exercise.name,
                question.text
            );
        }
    }
}

/// The chapter is made from the exercises; with UPDATE_HANDBOOK=1 it is written anew.
#[test]
fn the_chapter_is_the_exercises() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/book/exercises.md");
    let page = handbook_page(&bundled().unwrap());
    if std::env::var_os("UPDATE_HANDBOOK").is_some() {
        std::fs::write(path, &page).unwrap();
    }
    let kept = std::fs::read_to_string(path).unwrap_or_default();
    assert!(
        kept == page,
        "docs/book/exercises.md is not what the exercises are; UPDATE_HANDBOOK=1 cargo test --test learn"
    );
}

#[test]
fn a_wrong_answer_is_told_with_what_happened_and_the_logics_own_reasons() {
    let output = learn(&["first-night", "--answer", "day 1 22:00", "--answer", "exhausted", "--answer", "blackout"]);
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(1), "{shown}");
    assert!(shown.contains("you said day 1 22:00, and it is day 2 02:00:00"), "{shown}");
    assert!(shown.contains("tank 1 held: until-hour"), "{shown}");
    assert!(shown.contains("day 2 02:00:00  tank 1 begins to regenerate: reserve"), "{shown}");
    let right = learn(&["1", "--answer", "+26 h", "--answer", "reserve", "--answer", "until hour", "--json"]);
    assert_eq!(right.status.code(), Some(0));
    let rows: serde_json::Value = serde_json::from_str(text(&right.stdout)).unwrap();
    assert!(rows.as_array().unwrap().iter().all(|row| row["right"] == true));
}

#[test]
fn bad_input_says_what_would_be_right() {
    for (args, says) in [
        (&["first-nigth"][..], "did you mean first-night?"),
        (&["first-night", "--answer", "x"], "asks 3 questions"),
        (&["first-night", "--answer", "soon", "--answer", "x", "--answer", "x"], "cannot be read as a moment"),
        (
            &["first-night", "--answer", "+26 h", "--answer", "reserve", "--answer", "until-huor"],
            "there is no name \"until-huor\" here; did you mean until-hour?; what can be answered: ",
        ),
        (&["first-night"], "in a script give --answer 3 times"),
    ] {
        let output = learn(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(text(&output.stderr).contains(says), "{}", text(&output.stderr));
        assert!(output.stdout.is_empty());
    }
}

/// What the program prints beside others fits a terminal of 80 columns, and no word is broken.
#[test]
fn lines_are_broken_between_words() {
    for exercise in bundled().unwrap() {
        let mut args = vec![exercise.name.as_str()];
        let answers = exercise.questions.iter().flat_map(|question| ["--answer", question.answer.as_str()]);
        args.extend(answers);
        let output = learn(&args);
        let shown = text(&output.stdout);
        assert_eq!(output.status.code(), Some(0), "{shown}");
        let longest = shown.lines().max_by_key(|line| line.chars().count()).unwrap();
        assert!(longest.chars().count() <= 80, "{}: {longest}", exercise.name);
        let words = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        let because: Vec<_> = exercise.questions.iter().map(|question| words(&question.because)).collect();
        let said = words(shown);
        for reason in because {
            assert!(said.windows(reason.len()).any(|part| part == reason), "{}: {reason:?}", exercise.name);
        }
    }
}

/// Whatever the answer of a question is, it is among the names that `?` lists.
#[test]
fn every_answer_is_among_the_names_that_are_listed() {
    for question in bundled().unwrap().iter().flat_map(|exercise| &exercise.questions) {
        let names = question.ask.names();
        let said = question.answer.split(", ");
        assert!(names.is_empty() || said.clone().all(|name| names.contains(&name)), "{}: {names:?}", question.text);
    }
}

#[test]
fn a_saved_scenario_verifies_and_nothing_is_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("night.toml");
    let name = file.to_str().unwrap();
    assert!(learn(&["first-night", "--save", name]).status.success());
    let verified = Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(["verify", name]).output().unwrap();
    assert!(verified.status.success());
    let again = learn(&["how-far", "--save", name]);
    assert_eq!(again.status.code(), Some(2));
    assert!(std::fs::read_to_string(&file).unwrap().contains("waits for the night"), "the first is still there");
}
