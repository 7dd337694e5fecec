//! `bedkeeper rules`: the rules, with the tests that cite them.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use serde::Serialize;

use super::{EXIT_BAD_INPUT, EXIT_NO, Style, print};
use crate::rules::{self, Citation, Coverage, Rule};

/// Print the rules of behaviour with the tests and scenarios that cite them
///
/// The rules are part of the program; the tests are looked for in the source tree that it was built from, or in the one
/// that --source names.
///
/// Examples:
///   bedkeeper rules
///   bedkeeper rules S4 C5
///   bedkeeper rules --json
///
/// Exit code 0: every rule has its tests. 1: one has too few, or a test cites a rule that does not exist. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct RulesArgs {
    /// Only these rules, such as S4
    #[arg(value_name = "RULE")]
    only: Vec<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
    /// The source tree with the tests
    #[arg(long, value_name = "FOLDER")]
    source: Option<PathBuf>,
}

/// Runs the verb.
pub fn run(args: &RulesArgs, style: &Style) -> ExitCode {
    let tree = args.source.clone().or_else(rules::source_tree);
    let covered = match tree.as_deref().map(|tree| (tree, rules::coverage(tree))) {
        Some((_, Ok(coverage))) => Some(coverage),
        Some((tree, Err(error))) => {
            complain!("{}: no source tree with tests: {error}", tree.display());
            return ExitCode::from(EXIT_BAD_INPUT);
        }
        None => None,
    };
    let has_tests = covered.is_some();
    let all = covered.unwrap_or_else(|| Coverage {
        rules: rules::rules(rules::TEXT).into_iter().map(|rule| (rule, Vec::new())).collect(),
        unknown: Vec::new(),
    });
    let is_asked = |rule: &Rule| args.only.is_empty() || args.only.iter().any(|id| id.eq_ignore_ascii_case(&rule.id));
    if let Some(id) = args.only.iter().find(|id| !all.rules.iter().any(|(rule, _)| rule.id.eq_ignore_ascii_case(id))) {
        complain!("there is no rule `{id}`; `bedkeeper rules` lists them");
        return ExitCode::from(EXIT_BAD_INPUT);
    }
    let coverage =
        Coverage { rules: all.rules.into_iter().filter(|(rule, _)| is_asked(rule)).collect(), unknown: all.unknown };
    let printed = print(&if args.json { json(&coverage) } else { readable(&coverage, has_tests, style) });
    let lacking = has_tests && (coverage.thin().next().is_some() || !coverage.unknown.is_empty());
    if lacking { ExitCode::from(EXIT_NO) } else { printed }
}

fn readable(coverage: &Coverage, has_tests: bool, style: &Style) -> String {
    let mut text = String::new();
    for (rule, tests) in &coverage.rules {
        text.push_str(&format!("{} {}\n", style.bold(&rule.id), rule.text));
        for test in tests {
            text.push_str(&format!("     {}:{} {}\n", test.file, test.line, test.test));
        }
        if has_tests && tests.len() < rule.tests_needed() {
            let lacks = format!("{} of at least {} tests", tests.len(), rule.tests_needed());
            text.push_str(&format!("     {}\n", style.alarm(&lacks)));
        }
    }
    for (id, test) in &coverage.unknown {
        text.push_str(&format!(
            "{}: no such rule, cited at {}:{} {}\n",
            style.alarm(id),
            test.file,
            test.line,
            test.test
        ));
    }
    if has_tests {
        let thin: Vec<_> = coverage.thin().map(|(rule, _)| rule.id.as_str()).collect();
        let enough = coverage.rules.len() - thin.len();
        text.push_str(&format!("{enough} of {} rules have the tests they need\n", coverage.rules.len()));
        if !thin.is_empty() {
            text.push_str(&format!("too few: {}\n", thin.join(", ")));
        }
    } else {
        text.push_str("The tests are not at hand: --source names a source tree.\n");
    }
    text
}

#[derive(Serialize)]
struct Json<'a> {
    rules: Vec<JsonRule<'a>>,
    too_few_tests: Vec<&'a str>,
    unknown: Vec<JsonUnknown<'a>>,
}

#[derive(Serialize)]
struct JsonRule<'a> {
    id: &'a str,
    text: &'a str,
    tests: &'a [Citation],
}

#[derive(Serialize)]
struct JsonUnknown<'a> {
    id: &'a str,
    #[serde(flatten)]
    test: &'a Citation,
}

fn json(coverage: &Coverage) -> String {
    let rules = coverage.rules.iter().map(|(rule, tests)| JsonRule { id: &rule.id, text: &rule.text, tests });
    let value = Json {
        rules: rules.collect(),
        too_few_tests: coverage.thin().map(|(rule, _)| rule.id.as_str()).collect(),
        unknown: coverage.unknown.iter().map(|(id, test)| JsonUnknown { id, test }).collect(),
    };
    // Plain data with text keys always serialises.
    serde_json::to_string_pretty(&value).unwrap_or_default() + "\n"
}
