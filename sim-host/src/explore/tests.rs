use super::*;
use crate::scenario;

fn pair() -> Site {
    crate::site::parse("pair.toml", include_str!("../../../tests/sites/pair.toml")).unwrap()
}

const ALL: Powers = Powers { faults: 1, operators: true, contacts: true };

fn budget(states: usize) -> Budget {
    Budget { states, depth: usize::MAX, time: Duration::from_secs(600) }
}

/// S1, S2, S5, S6, S7, S8, S12: nothing that an adversary does in the first thousands of states breaks a rule; and the
/// search is the same every time.
#[test]
fn a_small_search_finds_no_rule_broken_and_repeats() {
    let [first, second] = [(); 2].map(|()| explore(&pair(), ALL, budget(2_500), |_| {}));
    assert_eq!(first.counterexamples, []);
    assert!(first.progress.states >= 2_500 && !first.closed);
    assert_eq!((first.progress, first.steps), (second.progress, second.steps));
    assert!(first.reached.contains(&("duty", "regenerating")) && first.reached.contains(&("duty", "out")));
}

/// What is left out of a key is read by no decision: two plants with different pasts and equal keys answer whatever is
/// done with as many records, the same broken rules and equal keys again.
#[test]
fn states_with_equal_keys_have_equal_futures() {
    use bedkeeper::Action;
    use bedkeeper::contact::Contact;
    use bedkeeper::units::TankId;
    const HOUR: u64 = 3_600_000;
    let site = pair();
    let two = TankId(1);
    // A contact that was closed for a while, sooner or later; and the same while a tank regenerates.
    let past = |closes: u64, regenerates: bool| {
        let mut seen = Seen::default();
        let mut node = Node::<2>::first(&site.settings, times(&site), &mut seen).unwrap();
        node.act(Act::Contact(Contact::BrineFull), &mut seen);
        node.act(Act::Contact(Contact::BrineFull), &mut seen);
        node.wait_until(10_000, &mut seen);
        if regenerates {
            node.act(Act::Operator(Action::StartNow(two)), &mut seen);
        }
        node.wait_until(closes, &mut seen);
        node.act(Act::Contact(Contact::BrineFull), &mut seen);
        node.wait_until(closes + 60_000, &mut seen);
        node.act(Act::Contact(Contact::BrineFull), &mut seen);
        node.wait_until(HOUR, &mut seen);
        node
    };
    let mut steps = 0;
    for regenerates in [false, true] {
        let (mut one, mut other) = (past(60_000, regenerates), past(1_800_000, regenerates));
        assert_ne!(one.controller, other.controller, "the pasts differ");
        assert_eq!(one.key(), other.key());
        for step in 0..150usize {
            let acts = one.acts(ALL);
            assert_eq!(acts, other.acts(ALL));
            // Mostly time passes; else whatever comes next in the list.
            let act = if step % 3 == 0 { acts[step * 7 % acts.len()] } else { Act::Wait };
            let (mut seen_one, mut seen_other) = (Seen::default(), Seen::default());
            one.act(act, &mut seen_one);
            other.act(act, &mut seen_other);
            assert_eq!(one.key(), other.key(), "{act:?}");
            assert_eq!(seen_one.broken, seen_other.broken);
            assert_eq!(seen_one.records.len(), seen_other.records.len(), "{act:?}");
            steps += 1;
        }
        // What does matter is told apart.
        let mut third = past(60_000, !regenerates);
        assert_ne!(third.key(), past(60_000, regenerates).key());
        third.act(Act::Wait, &mut Seen::default());
    }
    assert_eq!(steps, 300);
}

/// A way written as a scenario leads where the search was: the same duties and the same journal.
#[test]
fn a_way_written_as_a_scenario_goes_the_same_way() {
    use bedkeeper::Action;
    use bedkeeper::contact::Contact;
    use bedkeeper::units::TankId;
    let site = pair();
    let two = TankId(1);
    let mut acts = vec![Act::Wait; 4];
    acts.extend([Act::Operator(Action::StartNow(two)), Act::Contact(Contact::LowPressure), Act::Wait, Act::Wait]);
    acts.extend([Act::Water, Act::Wait, Act::Stall(two), Act::Wait, Act::Mend(two), Act::Wait, Act::Water, Act::Wait]);
    let mut seen = Seen::default();
    let mut node = Node::<2>::first(&site.settings, times(&site), &mut seen).unwrap();
    for act in &acts {
        node.act(*act, &mut seen);
    }
    let example = Counterexample { broken: Broken { rule: "S2", text: "nothing".to_owned() }, acts };
    let text = scenario_of(&site, "pair.toml", &example);
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/sites/a.toml");
    let scenario = scenario::parse(&folder, &text).unwrap_or_else(|e| panic!("{}\n{text}", e.render(false)));
    let (verdict, timeline) = scenario::run_whole(&scenario).unwrap();
    assert!(verdict.is_met(), "{:?}", verdict.judgements);
    let told: Vec<_> = timeline.records.iter().filter(|r| r.at.as_ticks() <= node.now_ms).copied().collect();
    assert_eq!(told, seen.records);
    assert!(told.len() > 12, "{}", told.len());
}
