//! The headline figures and the water account.

use super::{Fact, WaterRow};
use crate::evidence::{Arrangement, Evidence, Outcome};
use crate::report::people::{self, Clock};
use crate::report::words::{counted, sentence};

/// When, how long and with how many tanks: the page's first sentence.
pub fn lead(evidence: &Evidence, clock: &Clock) -> String {
    let tanks = match (evidence.tanks.len(), evidence.arrangement) {
        (1, Arrangement::Single) => "one tank".to_owned(),
        (2, Arrangement::Alternating) => "two tanks that take turns".to_owned(),
        (count, Arrangement::Parallel) => format!("{} that serve together", counted(count, "tank", "tanks")),
        (count, Arrangement::Staged) => {
            format!("{} of which as many serve as the flow wants", counted(count, "tank", "tanks"))
        }
        (count, arrangement) => {
            format!("{} ({})", counted(count, "tank", "tanks"), arrangement.slug())
        }
    };
    format!(
        "{} of recorded water use from {}, replayed through the control logic of a softening plant with {tanks}.",
        sentence(&people::duration(evidence.span_ms)),
        clock.full_moment(0),
    )
}

/// The headline figures, the ones that decide first.
pub fn facts(evidence: &Evidence, clock: &Clock) -> Vec<Fact> {
    let ended = |outcome| evidence.regenerations.iter().filter(|regeneration| regeneration.outcome == outcome).count();
    let (complete, aborted, failed) = (ended(Outcome::Complete), ended(Outcome::Aborted), ended(Outcome::Failed));
    let mut others = Vec::new();
    for (count, what) in
        [(aborted, "aborted"), (failed, "failed"), (ended(Outcome::Running), "still running at the end")]
    {
        if count > 0 {
            others.push(format!("{count}\u{a0}{what}"));
        }
    }
    let standing = evidence.alarms.iter().filter(|alarm| alarm.to_ms.is_none()).count();
    let water_share = |nl| {
        people::share(nl, evidence.water.metered_nl)
            .map_or_else(String::new, |share| format!("{share} of the water metered"))
    };
    // What the physics saw, where there is some; else what the settings make of it.
    let (drained_nl, counted) = match &evidence.plant {
        Some(plant) => ((plant.drain.volume_l * 1e9) as u128, "all that the modelled plant sent there"),
        None => (evidence.drain_water_nl, "of regenerations, estimated from the settings"),
    };
    let next = evidence.next_expected.iter().filter_map(|next| next.at_ms.map(|at_ms| (at_ms, next.tank))).min();
    vec![
        Fact {
            name: "Hard water delivered",
            value: none_or(evidence.hard_water_nl == 0, || people::volume(evidence.hard_water_nl)),
            detail: match &evidence.plant {
                None => "passed untreated, or through a bed already exhausted".into(),
                Some(plant) => format!("harder than {} at the outlet", people::hardness(plant.hard_above_mg_l)),
            },
            tone: if evidence.hard_water_nl == 0 { "good" } else { "bad" },
        },
        Fact {
            name: "Rules broken",
            value: match evidence.violations.len() {
                0 => "none found".into(),
                count => count.to_string(),
            },
            detail: "of the rules that must always hold".into(),
            tone: if evidence.violations.is_empty() { "good" } else { "bad" },
        },
        Fact {
            name: "Alarms",
            value: none_or(evidence.alarms_raised() == 0, || evidence.alarms_raised().to_string()),
            detail: match standing {
                0 => "none standing at the end".into(),
                count => format!("{count} still standing at the end"),
            },
            tone: if standing == 0 { "plain" } else { "bad" },
        },
        Fact {
            name: "Water metered",
            value: people::volume(evidence.water.metered_nl),
            detail: daily(evidence),
            tone: "plain",
        },
        Fact {
            name: "Regenerations",
            value: format!("{complete} complete"),
            detail: others.join(", "),
            tone: if aborted + failed == 0 { "plain" } else { "bad" },
        },
        salt(evidence),
        Fact {
            name: "Water to drain",
            value: people::volume(drained_nl),
            detail: match water_share(drained_nl) {
                share if share.is_empty() => counted.into(),
                share => format!("{counted}; as much as {share}"),
            },
            tone: "plain",
        },
        Fact {
            name: "Next expected",
            value: next.map_or_else(|| "not known".into(), |(at_ms, _)| clock.moment(at_ms)),
            detail: next.map_or_else(String::new, |(_, tank)| format!("tank {tank}")),
            tone: "plain",
        },
    ]
}

/// Salt drawn into beds, as the physics saw it; without physics, what the doses of the settings come to.
fn salt(evidence: &Evidence) -> Fact {
    let (mg, counted) = match &evidence.plant {
        Some(plant) => ((plant.salt.drawn_kg * 1e6) as u64, "drawn into the modelled beds"),
        None => (evidence.salt_mg, "estimated from the settings"),
    };
    let each = u64::try_from(evidence.regenerations.len()).ok().and_then(|count| mg.checked_div(count));
    Fact {
        name: "Salt used",
        value: people::salt(mg),
        detail: each
            .map_or_else(|| counted.into(), |each| format!("{} per regeneration; {counted}", people::salt(each))),
        tone: "plain",
    }
}

/// The word `none`, or else a figure.
pub fn none_or(none: bool, otherwise: impl FnOnce() -> String) -> String {
    if none { "none".into() } else { otherwise() }
}

fn daily(evidence: &Evidence) -> String {
    const DAY_MS: u128 = 86_400_000;
    match evidence.water.metered_nl.checked_mul(DAY_MS) {
        Some(scaled) if evidence.span_ms > 0 => {
            format!("{} a day", people::volume(scaled / u128::from(evidence.span_ms)))
        }
        _ => String::new(),
    }
}

/// The parts of the metered water.
pub fn water_rows(evidence: &Evidence) -> Vec<WaterRow> {
    let water = &evidence.water;
    [
        ("Softened", water.charged_nl, "passed through a resin bed and was charged to it"),
        ("Blended", water.blended_nl, "passed the bed on purpose, through the blending bypass"),
        ("Untreated", water.untreated_nl, "passed hard because no tank could treat it"),
        ("Drained", water.drained_nl, "was metered, but rules sent it to the drain"),
    ]
    .map(|(name, nl, meaning)| WaterRow {
        name,
        volume: people::volume(nl),
        share: people::share(nl, water.metered_nl).unwrap_or_default(),
        meaning,
    })
    .into()
}

/// Whether the account adds up, and by how much it does not.
pub fn water_verdict(evidence: &Evidence) -> String {
    let water = &evidence.water;
    let metered = people::exact_litres(water.metered_nl);
    match water.parts_nl() {
        Some(parts_nl) if parts_nl == water.metered_nl => {
            format!("The account adds up to the nanolitre: {metered}.")
        }
        Some(parts_nl) => format!(
            "The account does not add up: {metered} metered, {} accounted for, {} apart.",
            people::exact_litres(parts_nl),
            people::exact_litres(parts_nl.abs_diff(water.metered_nl)),
        ),
        None => {
            format!("The account does not add up: {metered} metered, its parts beyond counting.")
        }
    }
}
