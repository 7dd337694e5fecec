//! What happens to plants besides what the rehearsals tell: lives made up by chance, the same every time, and power cuts in every step.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bedkeeper::program::StepKind;
use bedkeeper::watch::Alarm;
use bedkeeper_sim::scenario::{self, Scenario};

use crate::driven::Chance;

/// How many lives are made up.
const LIVES: u64 = 48;
/// What happens in each.
const EVENTS: usize = 30;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/scenarios/made-up")
}

/// Sites with the tanks that they have.
const SITES: [(&str, usize, &str); 6] = [
    ("pair", 2, ""),
    ("shared", 2, ""),
    ("house", 1, ""),
    ("pair", 3, "[changes.tanks]\narrangement = \"parallel\"\nnumber = 3\n"),
    ("pair", 3, "[changes.tanks]\narrangement = \"parallel\"\nnumber = 3\nmax_regenerating = 2\n"),
    ("explored/four", 4, ""),
];

/// Alarms that latch, and every program of a relay.
const WATCHED: &str = r#"
[[changes.alarm]]
name = "valve-moved"
latching = true
[[changes.alarm]]
name = "valve-lost"
latching = true
[[changes.relay]]
number = 1
program = "after-start"
delay = "1 min"
length = "10 min"
longest_on = "5 min"
[[changes.relay]]
number = 2
program = "while-flow"
longest_on = "4 h"
[[changes.relay]]
number = 3
program = "isolate"
[[changes.relay]]
number = 4
program = "fail-safe"
"#;

/// The lives.
pub fn made_up() -> Vec<Scenario> {
    (0..LIVES).map(|seed| read(&folder().join("life.toml"), &life(seed))).collect()
}

fn read(path: &Path, text: &str) -> Scenario {
    scenario::parse(path, text).unwrap_or_else(|errors| panic!("{}\n{text}", errors.render(false)))
}

fn life(seed: u64) -> String {
    let mut chance = Chance::of(seed);
    let (site, tanks, changes) = SITES[usize::try_from(seed).unwrap() % SITES.len()];
    let mut text = format!(
        "scenario = \"A life\"\nstarts = \"2027-03-01T00:00\"\nlasts = \"4 days\"\nsite = \"../../sites/{site}.toml\"\n{changes}{WATCHED}[[expect]]\ntotal = \"untreated\"\nleast = \"0 L\"\n"
    );
    for day in 1..=3 {
        let rate = [2, 8, 15, 25][chance.below(4)];
        text.push_str(&format!(
            "[[flow]]\nfrom = \"day {day} 05:00\"\nto = \"day {day} 23:00\"\nrate = \"{rate} L/min\"\n"
        ));
    }
    let mut at = 30;
    for _ in 0..EVENTS {
        at += 1 + chance.below(150);
        text.push_str(&format!("[[event]]\nat = \"+{at} min\"\n{}", happens(&mut chance, tanks)));
    }
    text
}

fn happens(chance: &mut Chance, tanks: usize) -> String {
    const OF_TANK: [&str; 11] = [
        "start-now",
        "start-now",
        "start-at-hour",
        "withdraw",
        "step-forward",
        "abort",
        "hold",
        "release",
        "take-out",
        "put-back",
        "vouch",
    ];
    const FAULTS: [&str; 4] =
        ["motor-stalled", "moved-by-hand:brine-draw", "moved-by-hand:between", "jams-in:brine-draw"];
    let tank = 1 + chance.below(tanks);
    match chance.below(20) {
        0..10 => format!("operator = \"{}\"\ntank = {tank}\n", OF_TANK[chance.below(OF_TANK.len())]),
        10 => format!("operator = \"shut-by-hand\"\ntank = {tank}\n"),
        11 => format!("operator = \"{}\"\n", ["brine-ready", "salt-filled"][chance.below(2)]),
        12 | 13 => "operator = \"acknowledge-all\"\n".to_owned(),
        14 => {
            let alarm = [Alarm::ValveMoved, Alarm::ValveLost][chance.below(2)];
            format!("operator = \"reset\"\nalarm = \"{alarm}\"\n")
        }
        15 | 16 => {
            let lasts = [1, 20, 90][chance.below(3)];
            format!("fault = \"{}\"\ntank = {tank}\nlasts = \"{lasts} min\"\n", FAULTS[chance.below(FAULTS.len())])
        }
        17 => format!("contact = \"low-pressure\"\nlasts = \"{} min\"\n", 1 + chance.below(90)),
        18 => {
            let off = [1, 10, 60, 300][chance.below(4)];
            format!("power = {{ off = \"{off} min\", clock_kept = {} }}\n", chance.below(3) > 0)
        }
        _ => format!("operator = \"test-relay\"\nrelay = {}\nfor = \"20 s\"\n", 1 + chance.below(4)),
    }
}

/// Each step of a rehearsal that runs it, cut for a short time, for a long one, and for one that nobody can tell.
pub fn cuts(rehearsals: &BTreeMap<StepKind, PathBuf>) -> Vec<Scenario> {
    let one = |(step, file): (&StepKind, &PathBuf)| {
        ["off = \"5 min\"", "off = \"3 h\"", "off = \"5 min\", clock_kept = false"].map(|cut| {
            let whole = std::fs::read_to_string(file).unwrap();
            read(
                file,
                &format!("{whole}\n[[event]]\non = {{ runs = \"{step}\" }}\nafter = \"30 s\"\npower = {{ {cut} }}\n"),
            )
        })
    };
    rehearsals.iter().flat_map(one).collect()
}
