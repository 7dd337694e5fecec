//! The report as text: what it must say, and what must not get into it.

mod sample;

use bedkeeper_sim::evidence::{Evidence, NextExpected, Outcome, Violation};
use bedkeeper_sim::report::render;
use serde_json::Value;

/// The page with its spaces made plain, so that expectations can be read.
fn page(evidence: &Evidence) -> String {
    render(evidence).expect("renders").replace(['\u{202f}', '\u{a0}'], " ")
}

/// Asserts that the page holds each of these, and tells which one it does not.
fn assert_says(page: &str, parts: &[&str]) {
    for part in parts {
        assert!(page.contains(part), "the page does not say {part:?}");
    }
}

#[test]
fn the_sample_is_worth_looking_at() {
    let evidence = sample::evidence();
    assert!((6..=12).contains(&evidence.regenerations.len()));
    assert!(evidence.water.balances());
    for tank in &evidence.tanks {
        assert_eq!(tank.duties.first().map(|interval| interval.from_ms), Some(0));
        assert_eq!(tank.duties.last().map(|interval| interval.to_ms), Some(evidence.span_ms));
        for pair in tank.duties.windows(2) {
            assert_eq!(pair[0].to_ms, pair[1].from_ms);
        }
    }
}

#[test]
fn a_quiet_fortnight_says_so() {
    let page = page(&sample::evidence());
    assert_says(
        &page,
        &[
            "<h1>Linden Court (invented)</h1>",
            "class=\"invented\" role=\"note\">The site and its water use are invented",
            "14 days of recorded water use from Monday 2 March 2026, 00:00",
            "two tanks that take turns",
            "<dt>Hard water delivered</dt><dd>none</dd>",
            "<strong>None found.</strong>",
            "94 914 L (25 074 gal)",
            "The account adds up to the nanolitre: 94 914.000000000 L.",
            "8 complete",
            "Clears at 09:00, when the blackout window ends.",
            "not certified",
            "added sodium",
        ],
    );
    assert!(!page.contains("class=\"verdict bad\""));
}

#[test]
fn broken_rules_and_hard_water_stand_out() {
    let mut evidence = sample::evidence();
    evidence.hard_water_nl = 1;
    evidence.water.untreated_nl = 1;
    evidence.violations.push(Violation { rule: "S2".into(), at_ms: 90_000_000, text: "No tank was serving.".into() });
    evidence.regenerations[0].outcome = Outcome::Failed;
    let page = page(&evidence);
    assert_says(
        &page,
        &[
            "<strong>1 found.</strong>",
            "No tank was serving.",
            "Rule S2 broken",
            "<div class=\"fact bad\"><dt>Hard water delivered</dt><dd>under 0.1 L",
            "The account does not add up",
            "0.000000001 L apart",
            "7 complete",
            "1 failed",
        ],
    );
    assert!(!page.contains("None found."));
}

#[test]
fn what_never_was_is_said_in_words() {
    let page = page(&Evidence {
        next_expected: vec![NextExpected { tank: 1, at_ms: None, text: "No flow yet.".into() }],
        ..Evidence::default()
    });
    assert_says(
        &page,
        &["None started.", "No tank had to wait.", "None was raised.", "cannot be told yet", "day 1, 00:00"],
    );
}

/// Appends `addition` to every text within, whatever its field. Returns how many there were.
fn append_everywhere(value: &mut Value, addition: &str) -> usize {
    match value {
        Value::String(text) => {
            text.push_str(addition);
            1
        }
        Value::Array(values) => values.iter_mut().map(|value| append_everywhere(value, addition)).sum(),
        Value::Object(fields) => fields
            .iter_mut()
            .filter(|(name, _)| !["arrangement", "outcome"].contains(&name.as_str()))
            .map(|(_, value)| append_everywhere(value, addition))
            .sum(),
        _ => 0,
    }
}

#[test]
fn every_text_is_escaped() {
    let attack = "<script>'\"&</script>";
    let mut evidence = sample::evidence();
    evidence.violations.push(Violation { rule: "S2".into(), at_ms: 0, text: "Seen.".into() });
    let mut value = serde_json::to_value(&evidence).expect("serialises");
    let texts = append_everywhere(&mut value, attack);
    let page = page(&serde_json::from_value(value).expect("reads back"));
    assert!(!page.contains(attack));
    assert!(!page.contains("<script>'"));
    assert!(page.matches("&#60;script&#62;").count() > texts / 2, "most texts are shown");
}

#[test]
fn nothing_is_fetched_from_elsewhere() {
    let page = page(&sample::evidence());
    // The one address is the name of the SVG vocabulary, which nobody fetches.
    let page = page.replace("http://www.w3.org/2000/svg", "");
    for address in ["http:", "https:", "//www", "src=", "@import", "url(http", "<link"] {
        assert!(!page.contains(address), "{address}");
    }
}

#[test]
fn equal_evidence_gives_the_same_page() {
    let evidence = sample::evidence();
    assert_eq!(page(&evidence), page(&evidence.clone()));
}

#[test]
fn times_that_make_no_sense_do_not_stop_the_report() {
    let mut evidence = sample::evidence();
    evidence.span_ms = 0;
    evidence.start = "2026-02-30T00:00:00".into();
    evidence.regenerations[0].start_ms = u64::MAX;
    evidence.regenerations[1].end_ms = Some(0);
    evidence.tanks[0].duties[0].to_ms = u64::MAX;
    evidence.tanks[1].holds[0].from_ms = u64::MAX;
    evidence.flow.push(u64::MAX, -1.0);
    assert_says(&page(&evidence), &["Linden Court"]);
    evidence.span_ms = u64::MAX;
    evidence.water.metered_nl = u128::MAX;
    evidence.water.charged_nl = u128::MAX;
    evidence.water.drained_nl = u128::MAX;
    assert_says(&page(&evidence), &["beyond counting"]);
}
