//! What is kept for long, on a strict flash that both logs share (P2, P7).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::as_conversions)]
#![allow(clippy::indexing_slicing, reason = "tests may panic")]

use std::cell::RefCell;

use bedkeeper::Action;
use bedkeeper::chronicle::{Entry, Happened, Happening, MAX_BYTES, RegenerationRecord, StepLength};
use bedkeeper::demand::{Cause, CauseSet};
use bedkeeper::journal::Who;
use bedkeeper::program::StepKind;
use bedkeeper::reserve::{DayUse, Lesson};
use bedkeeper::sequence::Outcome;
use bedkeeper::units::{Hardness, SaltMass, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper_runtime::history::{DAYS, HAPPENINGS, History, Layout, REGENERATIONS};
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::store::SharedFlash;

const PAGE: usize = 4_096;
type Flash = MockFlash<4, PAGE>;

/// As long as a record can be: every number at its widest.
fn longest(number: u32) -> RegenerationRecord {
    let mut causes = CauseSet::EMPTY;
    causes.insert(Cause::Reserve);
    RegenerationRecord {
        tank: TankId(7),
        began_minute: Some(u32::MAX - number),
        took_minutes: u16::MAX,
        leading: Cause::Reserve,
        causes,
        outcome: Outcome::Failed,
        volume: Volume(u64::MAX),
        overrun: Volume(u64::MAX),
        salt: SaltMass(u32::MAX),
        drained_ml: u32::MAX,
        steps: StepKind::ALL.iter().map(|kind| StepLength { kind: *kind, ran_s: u16::MAX }).collect(),
    }
}

fn day(number: u16) -> DayUse {
    DayUse { day: number, litres: u32::MAX - u32::from(number), lesson: Lesson::Absence }
}

/// As long as a wish can be.
fn wish(number: u32) -> Happening {
    let hardness = Hardness(u32::MAX);
    let action = Action::TestHardness { tank: TankId(7), treated: hardness, feed: Some(hardness) };
    let what = Happened::Asked { who: Who::Serial, action, granted: true };
    Happening { at_s: Some(u32::MAX - number), what }
}

/// P7: every record fits, is read back as it was, and nothing else is taken for one.
#[test]
fn p7_records_are_read_back() {
    let raised = Happening { at_s: None, what: Happened::Raised(Alarm::ServiceDue) };
    for entry in [
        Entry::Regeneration(longest(0)),
        Entry::Day(day(u16::MAX)),
        Entry::Happening(wish(0)),
        Entry::Happening(raised),
    ] {
        let bytes = entry.encode();
        assert!(!bytes.is_empty() && bytes.len() <= MAX_BYTES);
        assert_eq!(Entry::decode(&bytes), Some(entry));
        assert_eq!(Entry::decode(&bytes[1..]), None);
        assert_eq!(Entry::decode(&bytes[..bytes.len() - 1]), None);
    }
    assert_eq!(Entry::decode(&[]), None);
}

/// P7: through years of busy tanks the last 64 regenerations and 400 days are there, whatever comes between and
/// whenever power fails.
#[test]
fn p7_sixty_four_regenerations_and_four_hundred_days_are_kept() {
    let layout = Layout::new(0, PAGE as u32, 4).unwrap();
    let flash = RefCell::new(Flash::new(layout.pages() as usize));
    let shared = SharedFlash(&flash);
    let mount = || History::mount([shared; 3], layout).unwrap();
    let mut history = mount();
    for number in 0..1_500u16 {
        history.keep(&Entry::Day(day(number))).unwrap();
        for turn in 0..3 {
            history.keep(&Entry::Regeneration(longest(u32::from(number) * 3 + turn))).unwrap();
        }
        let _ = history.prepare().unwrap();
        if number % 97 == 0 {
            history = mount();
        }
        if number % 50 == 49 {
            let (mut days, mut regenerations) = (Vec::new(), Vec::new());
            history.days(|day| days.push(*day)).unwrap();
            history.regenerations(|record| regenerations.push(record.clone())).unwrap();
            let at_least = usize::from(number + 1).min(DAYS as usize);
            assert!(days.len() >= at_least, "{} days at {number}", days.len());
            assert!(regenerations.len() >= REGENERATIONS as usize);
            let first = number + 1 - days.len() as u16;
            assert!(days.iter().zip(first..).all(|(kept, number)| *kept == day(number)));
            let all = (u32::from(number) + 1) * 3;
            let first = all - regenerations.len() as u32;
            assert!(regenerations.iter().zip(first..).all(|(kept, number)| *kept == longest(number)));
        }
    }
    assert_eq!(history.lost(), 0);
    // 20 years of one of each a day wear no page beyond a few hundred erasures.
    assert!(flash.borrow().steps() > 0);
}

/// P7, Q5, W3: the last 200 alarms and wishes are there, after many more and a restart, and none of them is longer than
/// its log reckons with.
#[test]
fn p7_alarms_and_wishes_are_kept() {
    let layout = Layout::new(0, PAGE as u32, 4).unwrap();
    let flash = RefCell::new(Flash::new(layout.pages() as usize));
    let shared = SharedFlash(&flash);
    let mut history = History::mount([shared; 3], layout).unwrap();
    for number in 0..1_000 {
        let bytes = Entry::Happening(wish(number)).encode();
        assert!(bytes.len() <= 24, "{} bytes", bytes.len());
        history.keep(&Entry::Happening(wish(number))).unwrap();
    }
    let mut history = History::mount([shared; 3], layout).unwrap();
    let mut kept = Vec::new();
    history.happenings(|happening| kept.push(*happening)).unwrap();
    assert!(kept.len() >= HAPPENINGS as usize, "{}", kept.len());
    let first = 1_000 - kept.len() as u32;
    assert!(kept.iter().zip(first..).all(|(kept, number)| *kept == wish(number)));
}

/// P2: power that fails in the middle of a write costs that entry alone.
#[test]
fn p2_a_torn_entry_costs_no_other() {
    let layout = Layout::new(0, PAGE as u32, 4).unwrap();
    let flash = RefCell::new(Flash::new(layout.pages() as usize));
    let shared = SharedFlash(&flash);
    let mut history = History::mount([shared; 3], layout).unwrap();
    for number in 0..20 {
        history.keep(&Entry::Day(day(number))).unwrap();
    }
    flash.borrow_mut().fail_in(5);
    assert!(history.keep(&Entry::Day(day(20))).is_err());
    assert_eq!(history.lost(), 1);
    flash.borrow_mut().power_up();
    let mut history = History::mount([shared; 3], layout).unwrap();
    history.keep(&Entry::Day(day(21))).unwrap();
    let mut days = Vec::new();
    history.days(|day| days.push(day.day)).unwrap();
    assert_eq!(days, (0..20).chain([21]).collect::<Vec<_>>());
}
