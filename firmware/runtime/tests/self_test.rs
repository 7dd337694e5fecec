//! What a board finds out about itself: each check is seen to fail.
#![allow(missing_docs, clippy::unwrap_used, clippy::indexing_slicing)]

use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::drive::Switches;
use bedkeeper::settings::{CamFeedback, MAX_TANKS, RawDrive, RawSettings, Settings};
use bedkeeper_runtime::self_test::{CHECKS, Check, Finding, Findings, plausible_contacts, plausible_switches};

fn told(levels: u8) -> [Option<Switches>; MAX_TANKS] {
    let mut all = [None; MAX_TANKS];
    all[0] = Some(Switches(levels));
    all
}

/// V1: of a cam with a switch for each position one is closed, or none on the way; two are a fault of a switch or a wire.
#[test]
fn v1_two_position_switches_at_once_are_found() {
    let settings = Settings::baseline();
    assert_eq!(plausible_switches(&settings, &told(0b0_0001)), Finding::Passed);
    assert_eq!(plausible_switches(&settings, &told(0)), Finding::Passed);
    assert_eq!(plausible_switches(&settings, &told(0b1_0001)), Finding::Failed);
    assert_eq!(plausible_switches(&settings, &[None; MAX_TANKS]), Finding::NotThere);
    let mut raw = RawSettings::baseline();
    if let RawDrive::CamSwitch { feedback, .. } = &mut raw.drive {
        *feedback = CamFeedback::HomeAndStop;
    }
    let homed = Settings::try_from(raw).unwrap();
    assert_eq!(plausible_switches(&homed, &told(0b11)), Finding::NotThere, "home and stop close together at home");
}

#[test]
fn a_brine_tank_that_is_full_and_empty_is_found() {
    let (mut wired, mut closed) = (ContactSet::EMPTY, ContactSet::EMPTY);
    assert_eq!(plausible_contacts(wired, closed), Finding::NotThere);
    wired.insert(Contact::BrineFull);
    wired.insert(Contact::BrineEmpty);
    closed.insert(Contact::BrineFull);
    assert_eq!(plausible_contacts(wired, closed), Finding::Passed);
    closed.insert(Contact::BrineEmpty);
    assert_eq!(plausible_contacts(wired, closed), Finding::Failed);
}

#[test]
fn a_later_finding_takes_the_place_of_an_earlier_one() {
    let mut findings = Findings::new();
    assert!(findings.all_well());
    for check in CHECKS {
        findings.note(check, Finding::Failed);
        assert!(!findings.all_well());
        findings.note(check, Finding::Passed);
        assert!(findings.all_well() && findings.of(check) == Finding::Passed);
    }
    findings.note_passed(Check::Store, false);
    assert_eq!(findings.of(Check::Store), Finding::Failed);
}
