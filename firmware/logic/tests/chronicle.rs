//! What is told of each regeneration and each day, and what valves and relays have done in their lives (P7, M6).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::as_conversions)]

mod support;

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::{Entry, Happened, Happening, RegenerationRecord, StepLength};
use bedkeeper::contact::Contact;
use bedkeeper::demand::Cause;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Who};
use bedkeeper::program::StepKind;
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{RawRelay, RelayProgram};
use bedkeeper::units::{TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input};
use support::*;

const ONE: TankId = TankId(0);

/// The last regeneration's record.
fn record<const N: usize>(site: &Site<N>) -> RegenerationRecord {
    let ended = site.said.iter().rfind(|record| matches!(record.event, Event::Ended { .. })).unwrap();
    match site.controller.entry(ended) {
        Some(Entry::Regeneration(record)) => record,
        other => panic!("{other:?}"),
    }
}

/// P7: a regeneration's record tells its tank, cause, time, volume, overrun, steps, salt, water and outcome; other records
/// make none.
#[test]
fn p7_a_regeneration_leaves_its_record() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(DAY);
    site.gulp(10_050);
    let began = site.now;
    site.run_until_duty(1, DutyKind::Ready, 5 * HOUR);
    let told = record(&site);
    let lengths: Vec<(StepKind, u16)> = told.steps.iter().map(|step| (step.kind, step.ran_s)).collect();
    let expected: Vec<(StepKind, u16)> =
        alternating().program.iter().map(|step| (step.kind, (step.length.0 / 1_000) as u16)).collect();
    assert_eq!(lengths, expected);
    assert_eq!((told.tank, told.leading, told.outcome), (ONE, Cause::Exhausted, Outcome::Complete));
    assert_eq!(told.causes.iter().collect::<Vec<_>>(), [Cause::Exhausted]);
    assert_eq!((told.volume, told.overrun), (Volume::from_litres(10_050), Volume::from_litres(50)));
    assert_eq!(told.salt, site.controller.settings().salt);
    let water: u64 = site.controller.settings().drain_per_regeneration().0 / 1_000_000;
    assert!(u64::from(told.drained_ml).abs_diff(water) <= 5);
    let minute = (Civil::at(MONDAY, 0).0 + began) / 60_000;
    assert!(u64::from(told.began_minute.unwrap()).abs_diff(minute) <= 1);
    assert!(u64::from(told.took_minutes).abs_diff((site.now - began) / MIN) <= 1);
    let entries = site.said.iter().filter_map(|record| site.controller.entry(record));
    let long = entries.filter(|entry| !matches!(entry, Entry::Happening(_)));
    let kinds: Vec<bool> = long.map(|entry| matches!(entry, Entry::Day(_))).collect();
    assert_eq!(kinds, [true, false]);
}

/// P7, P2: an entry is read back as it was; of another version, cut or lengthened it is none.
#[test]
fn p7_an_entry_is_read_back_or_refused() {
    let mut site = Site::<2>::new(alternating());
    site.gulp(10_050);
    site.run_until_duty(1, DutyKind::Ready, 5 * HOUR);
    let entry = Entry::Regeneration(record(&site));
    let bytes = entry.encode();
    assert_eq!(Entry::decode(&bytes), Some(entry));
    let mut other = bytes.to_vec();
    other[0] += 1;
    let longer = [&bytes[..], &[0]].concat();
    for bad in [&other, &longer, &bytes[..bytes.len() - 1], &[]] {
        assert_eq!(Entry::decode(bad), None);
    }
}

/// P7, Q5, W2: an alarm that comes and goes and a wish, granted or not, are kept with the second; a hold is not.
#[test]
fn p7_alarms_and_wishes_leave_their_records() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.hear();
    let from = site.said.len();
    let began = site.now;
    site.contact(Contact::LowPressure, true);
    site.run_for(10 * SEC);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StepForward(ONE)).unwrap_err();
    site.contact(Contact::LowPressure, false);
    site.run_for(10 * SEC);
    let kept: Vec<_> = site.said[from..].iter().filter_map(|record| site.controller.entry(record)).collect();
    let at = |ms: u64, what| {
        let at_s = Some(((Civil::at(MONDAY, 0).0 + began + ms) / 1_000) as u32);
        Entry::Happening(Happening { at_s, what })
    };
    let asked = |action, granted| at(10_000, Happened::Asked { who: Who::Panel, action, granted });
    let expected = [
        at(1_000, Happened::Raised(Alarm::LowPressure)),
        asked(Action::StartNow(ONE), true),
        asked(Action::StepForward(ONE), false),
        at(11_000, Happened::Cleared(Alarm::LowPressure)),
    ];
    assert_eq!(kept, expected);
}

/// P7, P3: a power cut in the middle forgets nothing of the record.
#[test]
fn p7_a_record_outlives_a_power_cut() {
    let mut site = Site::<2>::new(alternating());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::SlowRinse, 5 * HOUR);
    site.run_for(2 * MIN);
    site.put(Input::Tick).unwrap();
    let lives = site.controller.lives();
    cut(&mut site, 3 * MIN, true);
    assert_eq!(site.controller.lives(), lives);
    site.run_until_duty(1, DutyKind::Ready, 5 * HOUR);
    let told = record(&site);
    let backwash = StepLength { kind: StepKind::Backwash, ran_s: 600 };
    assert_eq!((told.steps[0], told.steps.len(), told.leading), (backwash, 5, Cause::Manual));
}

/// P7: an aborted regeneration says so, with the steps that ran.
#[test]
fn p7_an_aborted_one_is_told_as_such() {
    let mut site = Site::<2>::new(alternating());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::Backwash, 5 * HOUR);
    site.run_for(2 * MIN);
    site.operate(Action::Abort(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Spent, HOUR);
    let told = record(&site);
    assert_eq!(told.outcome, Outcome::Aborted);
    assert_eq!(told.steps.iter().map(|step| step.kind).collect::<Vec<_>>(), [StepKind::Backwash]);
    assert!(told.steps[0].ran_s >= 120 && told.steps[0].ran_s < 130);
}

/// P7, M6: moves, motor time, regenerations, energisations and hours are counted over the life; twenty years of them fit.
#[test]
fn p7_valves_and_relays_have_lives() {
    let mut raw = alternating();
    raw.relays[1] = RawRelay { program: RelayProgram::FailSafe, ..RawRelay::default() };
    raw.relays[2] = RawRelay { program: RelayProgram::WhileOffline(ONE), inverted: true, ..RawRelay::default() };
    let mut site = Site::<2>::new(raw);
    let before = site.controller.lives();
    assert_eq!(before.relays()[1].energisations, 1);
    site.run_to(HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Ready, 5 * HOUR);
    site.run_to(DAY);
    site.put(Input::Tick).unwrap();
    let lives = site.controller.lives();
    // Out of standby and into it; the other through five positions and to standby.
    let moves: Vec<u32> =
        lives.valves().iter().zip(before.valves()).map(|(now, then)| now.moves - then.moves).collect();
    assert!(moves[0] >= 6 && moves[1] == 1, "{moves:?}");
    assert!(lives.valves()[0].driven_s > 10 && lives.valves()[0].driven_s < 600, "{lives:?}");
    assert_eq!(lives.valves().iter().map(|valve| valve.regenerations).collect::<Vec<_>>(), [1, 0]);
    assert_eq!(lives.shared_valve().moves, 0);
    // Healthy all day: seconds since it first came on, as far as the last decision has looked.
    assert_eq!(lives.relays()[1].energisations, 1);
    assert!(lives.relays()[1].energised_s > 86_000 && lives.relays()[1].energised_s <= 86_400, "{lives:?}");
    // Inverted: energised while the tank serves.
    let off = lives.relays()[2];
    assert!(off.energisations <= 2 && off.energised_s < 86_000, "{off:?}");
    assert_eq!(lives.relays()[0], Default::default());
    assert!(u64::from(u32::MAX) > 20 * 366 * 86_400);
}
