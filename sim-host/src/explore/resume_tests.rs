//! Searches that are stored: nothing that was found is lost, and nothing is taken up that is not what it was.

use std::fs;
use std::path::PathBuf;
use std::sync::atomic::AtomicUsize;

use tempfile::TempDir;

use super::store::{Stored, parse, sealed};
use super::*;

static NEVER: AtomicBool = AtomicBool::new(false);

fn pair() -> Site {
    crate::site::parse("pair.toml", include_str!("../../../tests/sites/explored/pair.toml")).unwrap()
}

fn operators() -> Powers {
    Powers::of(Family::Operators)
}

fn to_depth(depth: usize) -> Budget {
    Budget { states: 100_000, depth, time: Duration::from_secs(600) }
}

/// A folder, and a search of some acts stored in a file there.
fn stored(depth: usize) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("operators.explored");
    explore(&pair(), operators(), to_depth(depth), Some(&file), &NEVER, |_| {}).unwrap();
    (folder, file)
}

/// Why a file is not taken up.
fn refused(file: &Path, powers: Powers) -> String {
    let outcome = explore(&pair(), powers, to_depth(5), Some(file), &NEVER, |_| {});
    outcome.expect_err("it is refused").to_string()
}

/// For these tests a second tank that does not stand ready is a broken rule, which takes a few acts.
fn invented(node: &Node) -> Option<Broken> {
    let busy = node.world().controller.tanks().iter().any(|tank| tank.regeneration().is_some());
    busy.then(|| Broken { rule: "S1".to_owned(), text: "a tank regenerates".to_owned() })
}

fn run(judge: Judge, budget: Budget, file: Option<&Path>, stop: &AtomicBool) -> Result<Outcome, ExploreError> {
    Search::begin(&pair(), operators(), judge).unwrap().run(budget, file, stop, |_| {})
}

/// A search that is stored and gone on with comes to the same states as one in a single run.
#[test]
fn a_stored_search_goes_on_where_it_was() {
    let site = pair();
    let powers = operators();
    let whole = explore(&site, powers, to_depth(5), None, &NEVER, |_| {}).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("operators.explored");
    for depth in [3, 5] {
        let part = explore(&site, powers, to_depth(depth), Some(&file), &NEVER, |_| {}).unwrap();
        assert_eq!(part.progress.depth, depth);
        if depth == 5 {
            assert_eq!((part.progress, part.steps), (whole.progress, whole.steps));
            assert_eq!(part.reached, whole.reached);
        }
    }
}

/// A rule that was seen broken is told again, with the same way, however often the search is gone on with; a file that
/// tells of one that does not come about is refused.
#[test]
fn a_broken_rule_is_told_again() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("operators.explored");
    let first = run(invented, to_depth(50), Some(&file), &NEVER).unwrap();
    assert!(!first.closed && first.counterexamples.len() == 1, "{:?}", first.counterexamples);
    for _ in 0..2 {
        let again = run(invented, to_depth(50), Some(&file), &NEVER).unwrap();
        assert_eq!((again.counterexamples, again.closed), (first.counterexamples.clone(), false));
        assert_eq!((again.progress, again.steps), (first.progress, first.steps));
    }
    let why = run(Node::broken, to_depth(50), Some(&file), &NEVER).unwrap_err().to_string();
    assert!(why.contains("does not lead where it did; delete it"), "{why}");
}

/// A way that is found is as short as any, and the states are the same, where budgets ended layers in the middle.
#[test]
fn a_layer_is_gone_on_with_where_a_budget_ended_it() {
    let (site, budget, powers) = (pair(), to_depth(50), Powers::of(Family::Settings));
    let whole = Search::begin(&site, powers, invented).unwrap().run(budget, None, &NEVER, |_| {}).unwrap();
    let shortest = whole.counterexamples.first().unwrap().acts.len();
    assert!(shortest > 4, "{shortest}");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("settings.explored");
    let mut search = Search::begin(&site, powers, invented).unwrap();
    let mut in_the_middle = 0;
    while search.goes_on(budget) {
        let looked = AtomicUsize::new(0);
        search.portion(&|| looked.fetch_add(1, Ordering::Relaxed) >= 23);
        search.store(&file, Duration::ZERO).unwrap();
        in_the_middle += usize::from(!search.layer.is_empty());
        search = Search::begin(&site, powers, invented).unwrap();
        search.load(&file).unwrap();
    }
    assert!(in_the_middle > 3, "{in_the_middle}");
    assert_eq!((search.progress(), search.steps), (whole.progress, whole.steps));
    assert_eq!(search.examples.values().next().unwrap().0.acts.len(), shortest);
}

/// A search that is to stop does so at once, and is stored and gone on with.
#[test]
fn a_search_that_is_stopped_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("operators.explored");
    let stopped = run(Node::broken, to_depth(5), Some(&file), &AtomicBool::new(true)).unwrap();
    assert_eq!((stopped.progress.states, stopped.closed), (1, false));
    let whole = run(Node::broken, to_depth(5), None, &NEVER).unwrap();
    let rest = run(Node::broken, to_depth(5), Some(&file), &NEVER).unwrap();
    assert_eq!((rest.progress, rest.steps), (whole.progress, whole.steps));
}

/// A file that is damaged anywhere is refused: nothing is said to be closed of what is not there.
#[test]
fn a_damaged_file_is_refused() {
    let (_folder, file) = stored(3);
    let whole = fs::read(&file).unwrap();
    let text = String::from_utf8_lossy(&whole).into_owned();
    let at = text.find("\"frontier\":").unwrap() + "\"frontier\":".len();
    let mut damaged = whole.clone();
    damaged[at..].first_mut().unwrap().clone_from(&b'0');
    let mut flipped = whole.clone();
    flipped[whole.len() / 2] ^= 1;
    for bytes in [damaged, flipped, whole[..whole.len() - 9].to_vec(), Vec::new(), b"{}\n".to_vec()] {
        fs::write(&file, bytes).unwrap();
        let why = refused(&file, operators());
        assert!(why.contains("is damaged") && why.contains("delete it"), "{why}");
    }
}

/// Numbers that are of no state are refused, even where the check sum fits.
#[test]
fn numbers_out_of_range_are_refused() {
    let (_folder, file) = stored(3);
    let whole = parse(&fs::read(&file).unwrap()).unwrap();
    let changed = |change: &dyn Fn(&mut Stored)| {
        let mut stored = whole.clone();
        change(&mut stored);
        sealed(&stored).unwrap()
    };
    assert_eq!(parse(&changed(&|_| {})), Some(whole.clone()));
    let beyond = u32::try_from(whole.keys.len()).unwrap();
    let changes: [&dyn Fn(&mut Stored); 6] = [
        &|stored| *stored.frontier.last_mut().unwrap() = beyond,
        &|stored| *stored.frontier.last_mut().unwrap() = stored.frontier[0],
        &|stored| stored.origins.last_mut().unwrap().parent = beyond,
        &|stored| stored.head.layer = stored.frontier.len() + 1,
        &|stored| stored.head.frontier -= 1,
        &|stored| stored.head.states += 1,
    ];
    for (number, change) in changes.into_iter().enumerate() {
        assert_eq!(parse(&changed(change)), None, "change {number}");
    }
    // An act that is not allowed there.
    let number = *whole.frontier.last().unwrap() as usize;
    fs::write(&file, changed(&|stored| stored.origins[number].act = 999)).unwrap();
    assert!(refused(&file, operators()).contains("does not lead where it did"));
}

/// A search that another build made, or of another adversary, is refused, each with what to do.
#[test]
fn what_another_program_stored_is_refused() {
    let (_folder, file) = stored(2);
    assert!(refused(&file, Powers::of(Family::Drives)).contains("another adversary; give another folder"));
    let mut other = parse(&fs::read(&file).unwrap()).unwrap();
    other.head.program ^= 1;
    fs::write(&file, sealed(&other).unwrap()).unwrap();
    let why = refused(&file, operators());
    assert!(why.contains("another build of this program") && why.contains("delete it"), "{why}");
}
