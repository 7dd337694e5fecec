//! What chapters name exists: commands with their options, files, and every name of the code's vocabulary in the glossary.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{Arrangement, RelayProgram};
use bedkeeper::units::{Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, AlarmPhase, Severity};

/// A name as files have it.
fn name(of: impl serde::Serialize) -> String {
    crate::machine::variant(&serde_json::to_value(of).unwrap())
}

/// Every name of the code that people read or write, by what it is.
pub fn vocabulary() -> BTreeMap<&'static str, Vec<String>> {
    fn all<T: std::fmt::Display>(names: &[T]) -> Vec<String> {
        names.iter().map(ToString::to_string).collect()
    }
    let arrangements =
        [Arrangement::Single, Arrangement::Alternating, Arrangement::Parallel, Arrangement::Staged].map(name);
    BTreeMap::from([
        ("cause", all(Cause::ALL)),
        ("hold", all(Hold::ALL)),
        ("duty", all(DutyKind::ALL)),
        ("step", all(StepKind::ALL)),
        ("position", all(Position::ALL)),
        ("alarm", all(Alarm::ALL)),
        ("state of an alarm", all(AlarmPhase::ALL)),
        ("arrangement", arrangements.to_vec()),
        ("program of a relay", relay_programs()),
    ])
}

/// The programs of relays; a new one does not compile until it is here.
fn relay_programs() -> Vec<String> {
    use RelayProgram as P;
    let every = [
        P::Unused,
        P::OnAlarm(Severity::Warning),
        P::During { steps: bedkeeper::program::StepSet::EMPTY, tanks: TankSet::EMPTY },
        P::AfterStart { delay: Millis::ZERO, length: Millis::ZERO },
        P::PerVolume { volume: Volume::ZERO, on: Millis::ZERO },
        P::WhileOffline(TankId(0)),
        P::WhileNoneServing,
        P::WhileFlow,
        P::Isolate(TankSet::EMPTY),
        P::FailSafe,
    ];
    let place = |program: &P| match program {
        P::Unused => 0,
        P::OnAlarm(_) => 1,
        P::During { .. } => 2,
        P::AfterStart { .. } => 3,
        P::PerVolume { .. } => 4,
        P::WhileOffline(_) => 5,
        P::WhileNoneServing => 6,
        P::WhileFlow => 7,
        P::Isolate(_) => 8,
        P::FailSafe => 9,
    };
    assert!(every.iter().enumerate().all(|(i, program)| place(program) == i));
    // In site files the tank that is "none-serving" makes one program of two.
    every.iter().map(name).filter(|name| name != "while-none-serving").collect()
}

/// The names of holds and alarms with what the logic itself says of them.
pub fn named() -> String {
    let mut table = String::from("| name | what | meaning |\n|---|---|---|\n");
    for hold in Hold::ALL {
        table.push_str(&format!("| `{hold}` | hold | a start waits until {} |\n", hold.cleared_by()));
    }
    for alarm in Alarm::ALL {
        table.push_str(&format!("| `{alarm}` | alarm | {} |\n", alarm.happened()));
    }
    table
}

/// Names that a glossary's first column has: parted by commas.
pub fn terms(glossary: &str) -> BTreeSet<String> {
    let rows = glossary.lines().filter_map(|line| line.strip_prefix("| ")?.split(" | ").next());
    rows.flat_map(|cell| cell.split(", ")).map(|term| term.replace('`', "").trim().to_owned()).collect()
}

/// A command that a chapter names does not exist as it is named; `None` if it does.
pub fn amiss(command: &str, helps: &mut BTreeMap<String, Option<String>>) -> Option<String> {
    let mut words = command.split_whitespace().skip(1);
    let verb = words.next()?;
    if verb.starts_with('-') || verb.chars().any(|c| c.is_uppercase()) {
        return None;
    }
    let plain = |word: &&str| word.chars().all(|c| c.is_lowercase() || c == '-') && !word.starts_with('-');
    // After the line's name come verbs of its own, one or two; what follows them may be a value.
    let under = command.split_whitespace().skip(3).take_while(plain);
    let under: Vec<_> = if verb == "link" { under.take(2).collect() } else { Vec::new() };
    let help = helps.entry(format!("{verb} {}", under.join(" "))).or_insert_with(|| {
        let ask = |under: &[&str]| {
            let line = if verb == "link" && !under.is_empty() { vec!["PORT"] } else { Vec::new() };
            let args = [verb].into_iter().chain(line).chain(under.iter().copied()).chain(["--help"]);
            let output = Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(args).output().unwrap();
            output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
        };
        (0..=under.len()).rev().find_map(|depth| ask(&under[..depth]))
    });
    let Some(help) = help else { return Some(format!("`{command}`: there is no such verb")) };
    let known: BTreeSet<&str> = help.split(|c: char| c.is_whitespace() || "[],=<>".contains(c)).collect();
    let options = command.split_whitespace().filter(|word| word.starts_with("--"));
    let options = options.map(|word| word.split('=').next().unwrap_or(word));
    let unknown: Vec<_> = options.filter(|option| !known.contains(option)).collect();
    (!unknown.is_empty()).then(|| format!("`{command}`: no {unknown:?}"))
}
