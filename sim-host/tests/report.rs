//! The report as text: what it must say, and what must not get into it.

mod sample;

use bedkeeper_sim::evidence::{Evidence, NextExpected, Outcome, PlantEvidence, RegenerationEvidence, Violation};
use bedkeeper_sim::report::render;

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
            "until the blackout window ends, at 2026-03-",
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

#[test]
fn every_text_is_escaped() {
    /// Appended to every text, whatever its field.
    const ATTACK: &str = "<script>'\"&</script>";
    let mut texts = 0;
    let mut owned = |text: &mut String| {
        text.push_str(ATTACK);
        texts += 1;
    };
    let mut evidence = sample::evidence();
    evidence.violations.push(Violation { rule: "S2".into(), at_ms: 0, text: "Seen.".into() });
    owned(&mut evidence.site);
    owned(&mut evidence.site_note);
    owned(&mut evidence.recording);
    owned(&mut evidence.start);
    evidence.notes.iter_mut().for_each(&mut owned);
    evidence.next_expected.iter_mut().for_each(|next| owned(&mut next.text));
    for violation in &mut evidence.violations {
        owned(&mut violation.rule);
        owned(&mut violation.text);
    }
    let mut fixed = |text: &mut &'static str| {
        *text = format!("{text}{ATTACK}").leak();
        texts += 1;
    };
    for alarm in &mut evidence.alarms {
        fixed(&mut alarm.slug);
        fixed(&mut alarm.text);
    }
    for duty in evidence.tanks.iter_mut().flat_map(|tank| &mut tank.duties) {
        fixed(&mut duty.duty);
        fixed(&mut duty.text);
    }
    for regeneration in &mut evidence.regenerations {
        fixed(&mut regeneration.cause);
        regeneration.other_causes.iter_mut().for_each(&mut fixed);
        regeneration.steps.iter_mut().for_each(|step| fixed(&mut step.step));
        for hold in &mut regeneration.holds_before {
            fixed(&mut hold.hold);
            fixed(&mut hold.clears);
        }
    }
    let page = page(&evidence);
    assert!(!page.contains(ATTACK));
    assert!(!page.contains("<script>'"));
    assert!(page.matches("&#60;script&#62;").count() > texts / 2, "most texts are shown");
}

/// The sample's regenerations and duties over and over, one round after the other.
fn long(rounds: u64) -> Evidence {
    let mut evidence = sample::evidence();
    let (once, span_ms) = (evidence.regenerations.clone(), evidence.span_ms);
    let duties: Vec<_> = evidence.tanks.iter().map(|tank| tank.duties.clone()).collect();
    evidence.span_ms = span_ms * rounds;
    for by_ms in (1..rounds).map(|round| round * span_ms) {
        evidence.regenerations.extend(once.iter().cloned().map(|mut r| {
            r.asked_ms += by_ms;
            r.start_ms += by_ms;
            r.end_ms = r.end_ms.map(|end_ms| end_ms + by_ms);
            for step in &mut r.steps {
                step.start_ms += by_ms;
                step.end_ms += by_ms;
            }
            for hold in &mut r.holds_before {
                hold.from_ms += by_ms;
                hold.to_ms += by_ms;
            }
            r
        }));
        for (tank, once) in evidence.tanks.iter_mut().zip(&duties) {
            tank.duties.extend(once.iter().cloned().map(|mut duty| {
                duty.from_ms += by_ms;
                duty.to_ms += by_ms;
                duty
            }));
        }
    }
    evidence
}

#[test]
fn a_huge_replay_shows_its_ends_and_says_so() {
    let evidence = long(1_000);
    let count = evidence.regenerations.len();
    let html = render(&evidence).expect("renders");
    assert!(html.len() < 10_000_000, "{} bytes", html.len());
    let page = page(&evidence);
    let thousands = |n: usize| format!("{} {:03}", n / 1_000, n % 1_000);
    let said = format!(
        "Of {} regenerations this page shows the first 250 and the last 250, with their steps, holds and duties. \
         The {} between ",
        thousands(count),
        thousands(count - 500)
    );
    assert_eq!(page.matches(&said).count(), 2, "at the head and at the table");
    assert_eq!(page.matches("this regeneration on the time line").count(), 500);
    // What the page does not list it counts.
    let complete = evidence.regenerations.iter().filter(|r| r.outcome == Outcome::Complete).count();
    assert_says(&page, &[&format!("<dd>{complete} complete</dd>")]);
    let show = |r: &RegenerationEvidence| {
        format!("data-show-from=\"{}\" data-show-to=\"{}\"", r.start_ms, r.end_ms.unwrap_or(evidence.span_ms))
    };
    for (index, shown) in [(0, true), (249, true), (250, false), (count - 251, false), (count - 250, true)] {
        assert_eq!(page.contains(&show(&evidence.regenerations[index])), shown, "regeneration {index}");
    }
}

#[test]
fn a_replay_that_fits_is_shown_whole() {
    let page = page(&long(50));
    assert!(!page.contains("this page shows the first"));
    assert_says(&page, &["Every change of duty"]);
}

#[test]
fn countless_duties_and_holds_leave_the_page_small() {
    let mut evidence = long(100);
    let (duty, hold) = (evidence.tanks[0].duties[0].clone(), evidence.regenerations[0].holds_before[0].clone());
    evidence.tanks[0].duties = vec![duty; 100_000];
    for regeneration in &mut evidence.regenerations {
        regeneration.holds_before = vec![hold.clone(); 50].into();
    }
    let html = render(&evidence).expect("renders");
    assert!(html.len() < 10_000_000, "{} bytes", html.len());
    assert!(html.contains("Figures, the water account and curves cover the whole recording."));
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
    evidence.regenerations[0].holds_before[0].from_ms = u64::MAX;
    evidence.flow.push(u64::MAX, -1.0);
    assert_says(&page(&evidence), &["Linden Court"]);
    evidence.span_ms = u64::MAX;
    evidence.water.metered_nl = u128::MAX;
    evidence.water.charged_nl = u128::MAX;
    evidence.water.drained_nl = u128::MAX;
    assert_says(&page(&evidence), &["beyond counting"]);
}

/// Salt and drain are the physics' own where there is some, and are called estimates where there is none; what counts as
/// hard is marked where the hardness comes so high.
#[test]
fn cards_and_curves_say_whose_figures_they_are() {
    let mut evidence = sample::evidence();
    let simple = page(&evidence);
    assert_says(
        &simple,
        &["per regeneration; estimated from the settings", "of regenerations, estimated from the settings"],
    );
    assert!(!simple.contains("class=\"limit\""));
    let mut plant = PlantEvidence { hard_above_mg_l: 17.0, ..PlantEvidence::default() };
    (plant.salt.drawn_kg, plant.drain.volume_l) = (12.5, 4_321.0);
    plant.outlet.push(0, 2.0);
    plant.outlet.push(3_600_000, 10.0);
    evidence.plant = Some(Box::new(plant.clone()));
    let soft = page(&evidence);
    assert_says(
        &soft,
        &["<dd>12.5 kg", "drawn into the modelled beds", "<dd>4 321 L", "all that the modelled plant sent there"],
    );
    assert!(!soft.contains("class=\"limit\""), "nothing comes so high");
    plant.outlet.push(7_200_000, 34.0);
    evidence.plant = Some(Box::new(plant));
    // Half way up.
    assert_says(&page(&evidence), &["y1=\"50%\" y2=\"50%\"><title>hard above 17.0 mg/L"]);
}
