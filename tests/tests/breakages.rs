//! Every scenario is shown to fail when its rule is broken, and every patch still fits the code. The rules are really
//! broken by a command of its own: `cargo run -p bedkeeper-tests --example breakages`.
#![allow(missing_docs)]

use std::collections::BTreeSet;
use std::path::Path;

use bedkeeper_tests::breakages::{Hunt, hunts, load, scenarios};

fn root() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

#[test]
fn every_scenario_has_a_rule_that_breaks_it() {
    let breakages = load(&root()).expect("the patches");
    let named: BTreeSet<_> = breakages.iter().flat_map(|b| &b.scenarios).cloned().collect();
    let there: BTreeSet<_> = scenarios(&root()).expect("the scenarios").into_iter().collect();
    let missing: Vec<_> = there.difference(&named).collect();
    assert!(missing.is_empty(), "no patch breaks {missing:?}: add one, then run the example `breakages` with --write");
    let gone: Vec<_> = named.difference(&there).collect();
    assert!(gone.is_empty(), "the table names {gone:?}, which are no scenarios");
    assert!(breakages.iter().all(|b| !b.scenarios.is_empty()), "a patch breaks nothing");
}

#[test]
fn every_patch_still_fits_and_says_what_it_breaks() {
    let explored = hunts(&root()).expect("the table of what exploring finds").into_iter().map(|hunt| hunt.breakage);
    for breakage in load(&root()).expect("the patches").into_iter().chain(explored) {
        let path = root().join(&breakage.file);
        let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let broken =
            breakage.applied_to(&text).unwrap_or_else(|why| panic!("{why}: mend the patch for the code as it is"));
        assert_ne!(broken, text, "{} changes nothing", breakage.name);
        let rule = breakage.about.split(':').next().unwrap_or_default();
        let is_rule = |word: &str| word.len() <= 3 && word.starts_with(char::is_uppercase);
        assert!(rule == "Plant" || rule.split(", ").all(is_rule), "{}: begins with its rule", breakage.name);
    }
}

#[test]
fn exploring_finds_every_rule_of_safety_broken() {
    let hunts = hunts(&root()).expect("the table of what exploring finds");
    assert!(hunts.len() >= 20, "{}", hunts.len());
    for number in 1..=12 {
        let rule = format!("S{number}");
        let breaks = |about: &str| about.split(':').next().unwrap_or_default().split(", ").any(|named| named == rule);
        assert!(hunts.iter().any(|hunt| breaks(&hunt.breakage.about)), "nothing breaks {rule}");
    }
    let page = std::fs::read_to_string(root().join("docs/exploration.md")).expect("the page of what exploring found");
    let row = |hunt: &Hunt| page.lines().find(|line| line.starts_with(&format!("| `{}` |", hunt.breakage.name)));
    let mut seen = BTreeSet::new();
    for hunt in hunts {
        assert!(root().join(format!("tests/sites/explored/{}.toml", hunt.site)).exists(), "{}", hunt.site);
        let row =
            row(&hunt).unwrap_or_else(|| panic!("{} is not found: see the example `breakages`", hunt.breakage.name));
        let cells: Vec<_> = row.split(" | ").collect();
        assert_eq!(
            cells[2],
            format!("{}, {}, {}", hunt.site, hunt.family, hunt.faults),
            "{}: anew",
            hunt.breakage.name
        );
        seen.insert(cells[3].to_owned());
    }
    // What was seen broken, not what the patch says.
    let safety: BTreeSet<_> = (1..=12).map(|number| format!("S{number}")).collect();
    assert!(seen.is_superset(&safety), "{seen:?}");
}
