//! Texts that people write: site files and scenarios.

use std::path::Path;

use bedkeeper::image::{Image, MAX_BYTES};
use bedkeeper::units::Instant;
use bedkeeper::{Controller, Input, Settings};
use bedkeeper_sim::diagnostic::Finding;
use bedkeeper_sim::scenario::{self, Scenario, Water};
use bedkeeper_sim::site;

/// A scenario that would run longer is only read.
const LONGEST_RUN_MS: u64 = 3_600_000;
/// The same of one with more pulses.
const MOST_PULSES: u128 = 5_000;

/// A site file: every fault is told with a place in the text; what passes runs, and goes into an image and out again.
///
/// # Panics
/// It does not.
pub fn site(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match site::parse("fuzz.toml", text) {
        Err(errors) => {
            told(errors.findings().iter(), text);
            assert!(errors.render(false).contains("finding"), "nothing is reported");
            errors.render(true);
        }
        Ok(site) => {
            assert_eq!(Settings::try_from(site.raw.clone()).as_ref(), Ok(&site.settings), "checked twice, told twice");
            let name = site.name.chars().take(12).collect::<String>();
            let image = Image {
                name: name.as_str().try_into().unwrap_or_default(),
                note: Default::default(),
                raw: site.raw.clone(),
            };
            let mut buffer = [0; MAX_BYTES];
            let written = image.encode(&mut buffer).expect("settings that pass fit an image");
            assert_eq!(Image::decode(written).as_ref(), Ok(&image));
            runs(site.settings);
        }
    }
}

/// A controller on settings that passed their check gets past a few deadlines.
pub(super) fn runs(settings: Settings) {
    let mut at = Instant::from_ticks(0);
    let mut controller = Controller::<8>::new(at, settings).expect("there is room for every number of tanks");
    for _ in 0..40 {
        assert_eq!(controller.handle(at, Input::Pulses { meter: 0, count: 1_000 }), Ok(()));
        while controller.take_record().is_some() {}
        let Some(next) = controller.next_deadline() else { break };
        assert!(next > at, "the deadline {next:?} at {at:?} is no later");
        at = next;
    }
}

/// A scenario: every fault is told; a short one that can be read also runs, and runs the same again.
///
/// # Panics
/// It does not.
pub fn scenario(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    // Paths in it lead to the sites of the repository.
    let place = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/C/fuzz.toml"));
    let said = |verdict| scenario::readable(&[verdict], str::to_owned);
    match scenario::parse(place, text) {
        Err(errors) => {
            assert!(errors.findings().next().is_some(), "refused without a finding");
            assert!(errors.render(false).contains("finding"), "nothing is reported");
        }
        Ok(scenario) if is_quick(&scenario) => {
            if let Ok(verdict) = scenario::run(&scenario) {
                let again = scenario::run(&scenario).expect("it has run before");
                assert_eq!(said(verdict), said(again));
            }
        }
        Ok(_) => {}
    }
}

/// Whether a run takes little of a fuzzer's time.
fn is_quick(scenario: &Scenario) -> bool {
    let pulse_nl =
        u128::from(scenario.site.raw.meter.pulse_nl) / u128::from(scenario.site.raw.meter.pulse_divisor.max(1));
    let water = match &scenario.water {
        Water::None => 0,
        Water::Rows(rows) => rows.iter().map(|row| u128::from(row.count)).sum(),
        Water::Flows(draws) => {
            let nl = |ms: u64, ml_per_min: u32| u128::from(ms) * u128::from(ml_per_min) * 1_000_000 / 60_000;
            let all: u128 = draws.iter().map(|draw| nl(draw.to_ms.saturating_sub(draw.from_ms), draw.ml_per_min)).sum();
            all / pulse_nl.max(1)
        }
        _ => return false,
    };
    scenario.lasts_ms <= LONGEST_RUN_MS
        && scenario.design.is_none()
        && scenario.events.len() < 50
        && water <= MOST_PULSES
}

/// Each fault says what it is about, at a place that the text has.
fn told<'f>(findings: impl Iterator<Item = &'f Finding>, text: &str) {
    let mut any = false;
    for finding in findings {
        any = true;
        assert!(!finding.message.is_empty(), "a finding says nothing");
        if let Some(span) = &finding.span {
            assert!(span.start <= span.end && span.end <= text.len() + 1, "{span:?} is not in the text: {finding:?}");
        }
    }
    assert!(any, "refused without a finding");
}
