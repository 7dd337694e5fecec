use std::collections::{BTreeSet, HashMap};
use std::mem::discriminant;

use bedkeeper::Action;
use bedkeeper::calendar::DAY_MS;
use bedkeeper::units::TankId;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

use super::*;
use crate::scenario;

static NEVER: AtomicBool = AtomicBool::new(false);

fn pair() -> Site {
    crate::site::parse("pair.toml", include_str!("../../../tests/sites/explored/pair.toml")).unwrap()
}

/// All sites that are explored, by their names.
fn explored() -> Vec<(String, Site)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/sites/explored");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let site = |path: std::path::PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let site = crate::site::parse(&name, &std::fs::read_to_string(path).unwrap()).unwrap();
        (name, site)
    };
    files.into_iter().map(site).collect()
}

fn budget(states: usize, depth: usize) -> Budget {
    Budget { states, depth, time: Duration::from_secs(600) }
}

/// S1, S2, S3, S5, S6, S7, S8, S9, S10, S11, S12: nothing that an adversary of any family does in its first hundreds of
/// states breaks a rule; and a search is the same every time.
#[test]
fn small_searches_find_no_rule_broken_and_repeat() {
    for family in Family::ALL {
        let [first, second] =
            [(); 2].map(|()| explore(&pair(), Powers::of(family), budget(400, 1_000), None, &NEVER, |_| {}).unwrap());
        assert_eq!(first.counterexamples, [], "{family:?}");
        assert!(first.progress.states >= 400 && !first.closed);
        assert_eq!((first.progress, first.steps), (second.progress, second.steps));
        assert!(first.reached.contains(&("duty", "serving")));
    }
}

/// What people and the plant see of a state; `None` for what time alone has told apart.
fn face(node: &Node) -> String {
    let world = node.world();
    let outputs = world.controller.outputs();
    let tanks: Vec<_> = world
        .controller
        .tanks()
        .iter()
        .zip(world.valves())
        .map(|(t, valve)| {
            let step = t.regeneration().and_then(|r| r.step(world.controller.settings()));
            let left = t.ledger().remaining();
            (t.duty().kind(), step, t.demand().causes(), t.demand().held_by, t.is_unproven(), left, valve.position())
        })
        .collect();
    format!("{tanks:?} {:?} {:?} {:?}", outputs.motions, outputs.alarms, world.supply.is_dark())
}

/// What is left out of a key is read by no decision: two states with equal keys that are not equal answer whatever is done
/// with the same outputs, as many records of the same kinds, and equal keys again.
#[test]
fn states_with_equal_keys_have_equal_futures() {
    assert!(compared(&pair(), 20_270_301) > 200);
}

/// The same at every site that is explored, by many seeds: `SEEDS=1-20 cargo test … -- --ignored equal_futures`.
#[test]
#[ignore = "takes minutes"]
fn states_with_equal_keys_have_equal_futures_at_every_site() {
    let seeds = std::env::var("SEEDS").unwrap_or_else(|_| "1-3".to_owned());
    let (from, to) = seeds.split_once('-').unwrap();
    for seed in from.parse::<u64>().unwrap()..=to.parse().unwrap() {
        for (name, site) in explored() {
            println!("{name}, seed {seed}: {} pairs of states", compared(&site, seed));
        }
    }
}

/// How many pairs of states with equal keys were run on, of each family.
fn compared(site: &Site, seed: u64) -> usize {
    let mut random = Pcg32::seed_from_u64(seed);
    let mut compared = 0;
    let endless = Family::ALL.map(Powers::of);
    // When the last fault has come, less is read.
    for powers in endless.into_iter().chain(endless.map(|powers| powers.at_most(1))) {
        let (first, _) = Node::first(site, powers, start_of(powers)).unwrap();
        let mut kept: HashMap<u64, Node> = HashMap::from([(first.key(), first.clone())]);
        // Walks at random meet again where a search would.
        for _ in 0..90 {
            let (mut node, mut key) = (first.clone(), first.key());
            for _ in 0..60 {
                let acts = node.acts(powers);
                let place =
                    if random.next_u32().is_multiple_of(2) { 0 } else { random.next_u32() as usize % acts.len() };
                (node, key) = node.after(acts[place], key, &mut Seen::default());
                // Of a limit of thirty days or more a key says only whether it has passed.
                if node.world().now_ms > 8 * DAY_MS {
                    break;
                }
                let Some(other) = kept.get(&key).filter(|other| other.whole_mark() != node.whole_mark()) else {
                    kept.insert(key, node.clone());
                    continue;
                };
                if !random.next_u32().is_multiple_of(8) {
                    continue;
                }
                compared += 1;
                same_futures((node.clone(), other.clone()), key, powers, &mut random);
            }
        }
    }
    compared
}

/// The fields of their keys in which two states differ.
fn told_apart_by(one: &Node, other: &Node) -> Vec<Place> {
    let fields = |node: &Node| {
        let mut fields = Fields::default();
        node.hash_into(&mut fields);
        fields.made
    };
    let (one, other) = (fields(one), fields(other));
    one.keys().chain(other.keys()).filter(|place| one.get(*place) != other.get(*place)).copied().collect()
}

fn same_futures((mut one, mut other): (Node, Node), key: u64, powers: Powers, random: &mut Pcg32) {
    let (mut one_key, mut other_key) = (key, key);
    for _ in 0..12 {
        if one.world().now_ms.max(other.world().now_ms) > 29 * DAY_MS {
            return;
        }
        assert_eq!(face(&one), face(&other));
        let acts = one.acts(powers);
        assert_eq!(acts, other.acts(powers));
        let act = acts[random.next_u32() as usize % acts.len()];
        let (mut one_seen, mut other_seen) = (Seen::default(), Seen::default());
        let (one_before, other_before) = (one.world().now_ms, other.world().now_ms);
        (one, one_key) = one.after(act, one_key, &mut one_seen);
        (other, other_key) = other.after(act, other_key, &mut other_seen);
        // Where no rule reads the calendar the daily event comes sooner or later in the two; it decides nothing, but it is
        // waited for, if only to find that it has come already, and what it tells is stored.
        let daily = |r: &&Record| matches!(r.event, Event::HourFired | Event::HourMissed | Event::DayEnded(_));
        let records: Vec<_> = one_seen.records.iter().chain(&other_seen.records).collect();
        let is_daily = records.iter().any(daily);
        let waited = [(&one, one_before), (&other, other_before)].map(|(node, before)| node.world().now_ms - before);
        let is_hidden = waited[0] != waited[1] && !one.limits().reads.calendar && (is_daily || records.is_empty());
        if is_hidden || (powers.cuts() && is_daily) {
            return;
        }
        let kinds =
            |seen: &Seen| seen.records.iter().filter(|r| !daily(r)).map(|r| discriminant(&r.event)).collect::<Vec<_>>();
        assert_eq!(kinds(&one_seen), kinds(&other_seen), "{act:?}");
        assert_eq!(one_key, other_key, "{act:?} {:?}", told_apart_by(&one, &other));
        assert_eq!(one.broken(), other.broken());
    }
}

/// Every face that a search without any reduction comes to within some acts, a reduced one comes to as well.
#[test]
fn a_reduced_search_sees_what_an_unreduced_one_sees() {
    let endless = Family::ALL.map(Powers::of);
    for powers in endless.into_iter().chain(endless.map(|powers| powers.at_most(1))) {
        let (first, _) = Node::first(&pair(), powers, start_of(powers)).unwrap();
        let faces = |mark: fn(&Node) -> u64| {
            let mut known = BTreeSet::from([mark(&first)]);
            let mut faces = BTreeSet::from([face(&first)]);
            let mut layer = vec![(first.clone(), first.key())];
            for _ in 0..5 {
                let mut next = Vec::new();
                for (node, key) in &layer {
                    for act in node.acts(powers) {
                        let (after, after_key) = node.after(act, *key, &mut Seen::default());
                        if known.insert(mark(&after)) {
                            faces.insert(face(&after));
                            next.push((after, after_key));
                        }
                    }
                }
                layer = next;
            }
            (faces, known.len())
        };
        let (reduced, few) = faces(Node::key);
        let (unreduced, many) = faces(Node::whole_mark);
        assert_eq!(reduced, unreduced, "{powers:?}");
        assert!(few <= many && few > 5, "{powers:?}: {few} of {many}");
    }
}

/// With a bound on faults a search ends of itself, and each life has no more: here one contact closes once.
#[test]
fn a_bound_on_faults_bounds_every_life() {
    let powers = Powers::of(Family::Contacts).at_most(1);
    let mut random = Pcg32::seed_from_u64(11);
    for _ in 0..20 {
        let (mut node, _) = Node::first(&pair(), powers, None).unwrap();
        let (mut key, mut faults) = (node.key(), 0);
        for _ in 0..60 {
            let acts = node.acts(powers);
            let act = acts[random.next_u32() as usize % acts.len()];
            faults += usize::from(node.is_fault(act));
            (node, key) = node.after(act, key, &mut Seen::default());
        }
        assert!(faults <= 1, "{faults}");
    }
    assert_eq!(powers.slug(), "contacts-1");
    assert!(Powers::of(Family::Drives).at_most(0) != Powers::of(Family::Drives));
}

/// Goes on with acts from power-up.
fn gone(powers: Powers, acts: &[Act]) -> (Node, Seen) {
    let (mut node, mut seen) = Node::first(&pair(), powers, start_of(powers)).unwrap();
    let mut key = node.key();
    for act in acts {
        assert!(node.acts(powers).contains(act), "{act:?} of {:?}", node.acts(powers));
        (node, key) = node.after(*act, key, &mut seen);
    }
    (node, seen)
}

/// What undoes a fault is none; what keeps the plant from what it asks for by itself is one, or every life had wishes without
/// end.
#[test]
fn what_undoes_a_wish_is_no_fault_and_what_hinders_the_plant_is_one() {
    let tank = TankId(0);
    let powers = Powers::of(Family::Operators).at_most(1).in_portions(1);
    let withdraw = Act::Operator(Action::Withdraw(tank));
    let asked = gone(powers, &[Act::Wait, Act::Operator(Action::StartNow(tank))]).0;
    assert!(!asked.may_fail() && !asked.is_fault(withdraw));
    let exhausted = gone(powers, &[Act::Wait, Act::Water]).0;
    let causes = exhausted.world().controller.tanks().first().unwrap().demand().causes();
    assert_eq!(causes.iter().next(), Some(Cause::Exhausted));
    assert!(exhausted.acts(powers).contains(&withdraw) && exhausted.is_fault(withdraw));
}

/// S10: water that is not stored yet flows only to be lost: power fails next, with nothing in between.
#[test]
fn water_that_is_not_stored_is_lost_by_a_cut() {
    let powers = Powers::of(Family::Power).at_most(1);
    let node = gone(powers, &[Act::Wait, Act::Sip]).0;
    let acts = node.acts(powers);
    assert!(acts.len() == 2 && acts.iter().all(|act| matches!(act, Act::Cut { .. })), "{acts:?}");
    let (node, seen) = gone(powers, &[Act::Wait, Act::Sip, acts[0], Act::Wait]);
    let returned = |r: &Record| r.event == Event::PowerReturned { off: None };
    assert!(seen.records.iter().any(returned) && node.broken().is_none());
}

/// P1: where the clock runs on, a cut seems to have lasted a minute or two hours, whenever the state was stored.
#[test]
fn an_outage_is_as_long_as_it_seems_to_the_logic() {
    let powers = Powers::of(Family::Outages).at_most(1);
    for minutes in [1, 120] {
        let cut = Act::Cut { minutes, clock_kept: true, memory_kept: true };
        // Until some time has passed since the state was stored.
        let mut way = vec![Act::Wait, Act::Water, Act::Water, Act::Water, Act::Water];
        let whole_ms = u64::from(minutes) * 60_000;
        while !(1..whole_ms).contains(&gone(powers, &way).0.off_ms(minutes, true)) {
            way.push(Act::Wait);
            assert!(way.len() < 40);
        }
        way.push(cut);
        while gone(powers, &way).0.world().supply.is_dark() {
            way.push(Act::Wait);
        }
        let seen = gone(powers, &way).1;
        let off = seen.records.iter().find_map(|r| match r.event {
            Event::PowerReturned { off } => off,
            _ => None,
        });
        assert_eq!(off.map(|off| off.0), Some(u32::from(minutes) * 60_000));
    }
}

/// A search tells which parts of its states make them so many: the water of the beds among them.
#[test]
fn what_makes_states_many_is_told() {
    let outcome = explore(&pair(), Powers::of(Family::Water), budget(2_000, 1_000), None, &NEVER, |_| {}).unwrap();
    let share = |field: &str| outcome.growth.iter().find(|((_, name), _)| *name == field).map(|(_, share)| *share);
    assert!(share("volume").is_some_and(|share| share > 100), "{:?}", outcome.growth);
    assert!(outcome.growth.iter().all(|(_, share)| *share < 1_000));
}

/// A way written as a scenario breaks no rule; what it tells until the way's end.
fn told_by_a_scenario(site: &Site, name: &str, acts: Vec<Act>, powers: Powers, end: &Node) -> Vec<Record> {
    let broken = Broken { rule: "S2".to_owned(), text: "nothing".to_owned() };
    let example = Counterexample { broken, acts, powers, start: None };
    let text = scenario_of(site, &format!("explored/{name}"), &example);
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/sites/a.toml");
    let scenario = scenario::parse(&folder, &text).unwrap_or_else(|e| panic!("{}\n{text}", e.render(false)));
    let (verdict, timeline) = scenario::run_whole(&scenario).unwrap();
    assert!(verdict.is_met(), "{:?}\n{text}", verdict.judgements);
    let now_ms = end.world().now_ms;
    timeline.records.iter().filter(|r| r.at.as_ticks() <= now_ms).copied().collect()
}

/// A way written as a scenario leads where the search was: the same journal, with power cuts, faults and wishes.
#[test]
fn a_way_written_as_a_scenario_goes_the_same_way() {
    let site = pair();
    let mut random = Pcg32::seed_from_u64(7);
    for powers in [Powers::of(Family::Power), Powers::all_of(&[Family::Drives, Family::Operators, Family::Contacts])] {
        for _ in 0..4 {
            let (mut node, mut seen) = Node::first(&site, powers, None).unwrap();
            let (mut key, mut acts) = (node.key(), Vec::new());
            for _ in 0..50 {
                let all = node.acts(powers);
                let act = all[random.next_u32() as usize % all.len()];
                acts.push(act);
                (node, key) = node.after(act, key, &mut seen);
            }
            let told = told_by_a_scenario(&site, "pair.toml", acts, powers, &node);
            assert_eq!(told, seen.records);
            assert!(told.len() > 12, "{}", told.len());
        }
    }
}

/// M4: a bounce comes to the logic as a contact does, raises `meter-noisy` and is no water; its way is a scenario.
#[test]
fn a_bouncing_contact_is_noise_and_no_water() {
    let site = crate::site::parse("flow.toml", include_str!("../../../tests/sites/explored/flow.toml")).unwrap();
    let powers = Powers::of(Family::Noise);
    let (mut node, mut seen) = Node::first(&site, powers, None).unwrap();
    let (mut key, mut acts) = (node.key(), Vec::new());
    let noisy = |node: &Node| node.world().controller.outputs().alarms.contains(Alarm::MeterNoisy);
    while !noisy(&node) {
        let all = node.acts(powers);
        let act = if all.contains(&Act::Bounce) { Act::Bounce } else { Act::Wait };
        acts.push(act);
        (node, key) = node.after(act, key, &mut seen);
        assert!(acts.len() < 100);
    }
    assert_eq!(acts.iter().filter(|act| **act == Act::Bounce).count(), 1);
    assert_eq!(node.world().controller.accounts().metered.0, 0);
    assert!(!node.acts(powers).contains(&Act::Bounce));
    assert_eq!(told_by_a_scenario(&site, "flow.toml", acts, powers, &node), seen.records);
    // Where every closure counts there is no bounce.
    assert!(!Node::first(&pair(), powers, None).unwrap().0.acts(powers).contains(&Act::Bounce));
}

/// A counterexample keeps no act that the broken rule does not need.
#[test]
fn what_a_broken_rule_does_not_need_is_left_out() {
    let site = pair();
    let powers = Powers::of(Family::Water);
    // No rule can be broken here: nothing is left out then, and nothing found.
    let broken = Broken { rule: "S9".to_owned(), text: String::new() };
    let example = Counterexample { broken, acts: vec![Act::Wait, Act::Water], powers, start: None };
    assert_eq!(write::shortened(&site, example.clone()), example);
}
