//! Relays and contacts tried by hand, meters and flows measured, settings corrected, tests logged (O6, M1, O2, Q5).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod support;

use bedkeeper::commission::{Task, Walk};
use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::demand::Hold;
use bedkeeper::draft::Draft;
use bedkeeper::duty::DutyKind;
use bedkeeper::hardness_log::{HardnessLog, KEPT};
use bedkeeper::journal::{Event, Who};
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::measured::{Measured, NotMeasured};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::settings::{MeterPlace, RemoteRole, StepEnd};
use bedkeeper::units::{Flow, Hardness, Millis, SaltMass, TankId, TankSet, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, RawSettings, Refused, Settings};
use support::*;

const ONE: TankId = TankId(0);

fn litres(n: u64) -> Volume {
    Volume::from_litres(n)
}

fn with_relay(place: usize, relay: RawRelay) -> RawSettings {
    let mut raw = single();
    raw.relays[place] = relay;
    raw
}

fn try_relay(relay: u8, seconds: u8) -> Action {
    Action::TestRelay { relay, seconds }
}

/// When any relay changed in a stretch of time, to the second.
fn changes(site: &mut Site<1>, seconds: u64) -> Vec<(u64, [bool; 4])> {
    let began = site.now;
    let mut seen = vec![(0, site.controller.relays_on())];
    for second in 1..=seconds {
        site.run_to(began + second * SEC);
        let on = site.controller.relays_on();
        if seen.last().unwrap().1 != on {
            seen.push((second, on));
        }
    }
    seen
}

const OFF: [bool; 4] = [false; 4];
const SECOND: [bool; 4] = [false, true, false, false];

/// O6, Q5: a relay that is tried comes on alone, at once, and goes off by itself when its time is over, at most a minute;
/// who asked stands in the journal, and nothing else has happened.
#[test]
fn o6_a_relay_is_tried_for_a_while() {
    for (asked, lasts) in [(1, 1), (20, 20), (60, 60), (255, 60)] {
        let mut site = Site::<1>::new(single());
        site.run_to(HOUR);
        site.hear();
        site.operate(try_relay(1, asked)).unwrap();
        assert_eq!(changes(&mut site, 100), [(0, SECOND), (lasts, OFF)], "{asked} s");
        let granted = Event::Operator { who: Who::Panel, action: try_relay(1, asked), granted: true };
        let said = [(HOUR, granted), (HOUR + lasts * SEC, Event::RelayTestEnded { relay: 1 })];
        assert_eq!(site.hear(), said);
        assert_eq!(site.alarms(), []);
    }
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    assert_eq!(site.operate(try_relay(4, 5)), Err(Refused::NoSuchRelay));
    site.operate(try_relay(1, 60)).unwrap();
    site.run_for(5 * SEC);
    assert_eq!(site.operate(try_relay(2, 5)), Err(Refused::InUse), "one at a time");
    site.operate(Action::EndTest).unwrap();
    assert_eq!(changes(&mut site, 5), [(0, OFF)]);
}

/// O6, O1: behind a closed lock no relay is tried, and the refusal is journalled with who asked.
#[test]
fn o6_a_relay_is_tried_behind_the_lock() {
    let mut raw = single();
    raw.locks.panel = LockRule::Press;
    let mut site = Site::<1>::new(raw);
    site.run_to(HOUR);
    site.hear();
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::Locked));
    let refused = Event::Operator { who: Who::Panel, action: try_relay(1, 5), granted: false };
    assert_eq!((site.hear(), site.controller.relays_on()), (vec![(HOUR, refused)], OFF));
    site.put(Input::Unlock { who: Who::Panel, key: Key::Press }).unwrap();
    site.operate(try_relay(1, 5)).unwrap();
    assert_eq!(site.controller.relays_on(), SECOND);
}

/// O6, Y2: a test keeps the relay's own times: it ends at the longest one without an alarm, lasts for the least one, waits
/// for no rest but is refused, and is not begun where the least time is beyond a minute.
#[test]
fn o6_a_test_keeps_the_times_of_the_relay() {
    let timed = |min_on, min_off, longest_on| {
        let times = (Millis::from_secs(min_on), Millis::from_secs(min_off), Millis::from_secs(longest_on));
        let program = RelayProgram::OnAlarm(bedkeeper::watch::Severity::Critical);
        let relay = RawRelay { program, min_on: times.0, min_off: times.1, longest_on: times.2, ..RawRelay::default() };
        let mut site = Site::<1>::new(with_relay(1, relay));
        site.run_to(HOUR);
        site
    };
    let mut site = timed(0, 0, 10);
    site.operate(try_relay(1, 30)).unwrap();
    assert_eq!((changes(&mut site, 60), site.alarms()), (vec![(0, SECOND), (10, OFF)], vec![]));
    let mut site = timed(15, 0, 0);
    site.operate(try_relay(1, 5)).unwrap();
    assert_eq!(changes(&mut site, 60), [(0, SECOND), (15, OFF)]);
    let mut site = timed(0, 40, 0);
    site.operate(try_relay(1, 5)).unwrap();
    site.run_for(20 * SEC);
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::MustRest));
    site.run_for(25 * SEC);
    site.operate(try_relay(1, 5)).unwrap();
    let mut site = timed(61, 0, 0);
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::RelayNotTried));
}

/// O6, V3: what protects the plant is not tried: `fail-safe` never, `isolate` only with its tanks out; what is asked for
/// anyhow is not either.
#[test]
fn o6_relays_that_protect_are_left_alone() {
    let one = |program| RawRelay { program, ..RawRelay::default() };
    let mut site = Site::<1>::new(with_relay(1, one(RelayProgram::FailSafe)));
    site.run_to(HOUR);
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::RelayNotTried));
    let mut tanks = TankSet::EMPTY;
    tanks.insert(ONE);
    let mut raw = with_relay(1, one(RelayProgram::Isolate(tanks)));
    raw.allow_untreated = true;
    let mut site = Site::<1>::new(raw);
    site.run_to(HOUR);
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::RelayNotTried));
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.run_for(MIN);
    site.operate(try_relay(1, 5)).unwrap();
    let mut site = Site::<1>::new(with_relay(1, one(RelayProgram::WhileFlow)));
    site.run_to(HOUR);
    site.draw(60, 500);
    assert_eq!(site.controller.relays_on(), SECOND);
    assert_eq!(site.operate(try_relay(1, 5)), Err(Refused::InUse));
}

/// O6, Y1: a dosing relay is tried for one dose at the most, and owes afterwards what it owed.
#[test]
fn o6_a_dosing_relay_is_tried_for_one_dose() {
    let program = RelayProgram::PerVolume { volume: litres(100), on: Millis::from_secs(4) };
    let mut site =
        Site::<1>::new(with_relay(1, RawRelay { program, min_off: Millis::from_secs(1), ..RawRelay::default() }));
    site.run_to(HOUR);
    site.operate(try_relay(1, 30)).unwrap();
    assert_eq!(changes(&mut site, 60), [(0, SECOND), (4, OFF)]);
    site.draw(99, 100);
    assert_eq!(site.controller.relays_on(), OFF);
    site.draw(1, 100);
    assert_eq!(site.controller.relays_on(), SECOND);
}

/// O6, P3: a power cut ends a test: a relay is off when power comes back.
#[test]
fn o6_a_power_cut_ends_a_relay_test() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    site.operate(try_relay(1, 60)).unwrap();
    let retained = site.controller.retained();
    let settings = site.controller.settings().clone();
    let back = bedkeeper::Controller::<1>::restore(t(site.now), settings, &retained, None).unwrap();
    assert_eq!(back.outputs().relays, OFF);
}

/// O6, C4: contacts that are tried are told and mean nothing: no start, not by the remote contact nor by the hardness
/// monitor, also not when the test is over while they are still closed. Afterwards they mean what they meant.
#[test]
fn o6_contacts_are_tried_without_consequence() {
    let mut raw = alternating();
    raw.remote = RemoteRole::Now;
    let mut site = Site::<2>::new(raw);
    for contact in Contact::ALL {
        site.contact(*contact, false);
    }
    site.run_to(HOUR);
    site.hear();
    site.operate(Action::TestContacts).unwrap();
    assert_eq!(site.operate(Action::TestContacts), Err(Refused::InUse));
    for contact in [Contact::Sensor, Contact::BrineEmpty, Contact::Remote] {
        site.run_for(10 * SEC);
        site.contact(contact, true);
    }
    let brine = *site.controller.brine();
    site.run_for(10 * MIN);
    let mut moved = ContactSet::EMPTY;
    for contact in [Contact::Sensor, Contact::BrineEmpty, Contact::Remote] {
        moved.insert(contact);
    }
    let said = site.hear();
    assert_eq!(said.last(), Some(&(HOUR + 5 * MIN, Event::ContactsTested { moved })));
    let told = said.iter().filter(|(_, e)| matches!(e, Event::Contact { closed: true, .. })).count();
    assert_eq!((told, said.len()), (3, 6), "{said:?}");
    assert_eq!((site.causes(1), site.causes(2), site.controller.brine()), (vec![], vec![], &brine));
    // Opened and closed once more, the monitor asks.
    site.contact(Contact::Sensor, false);
    site.run_for(10 * SEC);
    site.contact(Contact::Sensor, true);
    site.run_for(10 * SEC);
    assert_eq!(site.duty(1), DutyKind::Serving);
    assert!(!site.causes(1).is_empty());
}

/// O6, S8, C8: while contacts are tried brine is not taken to be ready, and a start that it held follows when the test is
/// over; while a tank regenerates, whose steps contacts end, they are not tried.
#[test]
fn o6_contacts_are_not_tried_while_they_matter() {
    let mut raw = alternating();
    raw.brine.ready_by_contact = true;
    let mut site = Site::<2>::new(raw);
    site.contact(Contact::BrineReady, false);
    site.run_to(HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(10 * MIN);
    assert_eq!(site.holds(1), [Hold::BrineNotReady]);
    site.operate(Action::TestContacts).unwrap();
    site.contact(Contact::BrineReady, true);
    site.run_for(4 * MIN);
    assert_eq!(site.holds(1), [Hold::BrineNotReady]);
    site.run_for(3 * MIN);
    assert!(site.controller.tanks().iter().any(|t| t.duty().kind() == DutyKind::Regenerating));
    assert_eq!(site.operate(Action::TestContacts), Err(Refused::InUse));
}

/// O6, A7: tests stand in each other's way: while a valve is tried no relay is, and the other way round.
#[test]
fn o6_one_thing_is_tried_at_a_time() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(HOUR);
    site.operate(Action::TakeOut(TankId(1))).unwrap();
    let valve = Action::TestDrive { tank: TankId(1), position: Position::Backwash };
    site.operate(try_relay(0, 30)).unwrap();
    assert_eq!(site.operate(valve), Err(Refused::InUse));
    site.operate(Action::EndTest).unwrap();
    site.operate(valve).unwrap();
    for other in [try_relay(0, 30), Action::TestContacts, Action::CountPulses { meter: 0 }] {
        assert_eq!(site.operate(other), Err(Refused::InUse), "{other:?}");
    }
    assert_eq!(site.controller.relays_on(), OFF);
}

/// M1, O6, O2: pulses counted for a caught volume calibrate the meter: told and journalled, shown as a difference, taken whole
/// by whom the journal names, and exact from then on.
#[test]
fn m1_a_calibration_corrects_the_settings() {
    let mut site = Site::<1>::new(single());
    site.run_to(HOUR);
    let mut walk = Walk::begin(site.controller.settings());
    assert_eq!(site.operate(Action::Caught { volume: litres(10) }), Err(Refused::NothingTried));
    assert_eq!(site.operate(Action::CountPulses { meter: 1 }), Err(Refused::NoSuchMeter));
    site.draw(7, 1_000);
    site.operate(Action::CountPulses { meter: 0 }).unwrap();
    site.draw(9, 1_000);
    assert_eq!(site.operate(Action::Caught { volume: litres(9) }), Err(Refused::TooFewPulses));
    site.draw(91, 1_000);
    site.hear();
    site.operate(Action::Caught { volume: litres(103) }).unwrap();
    let Some((_, Event::MeterChecked { meter: 0, check })) = site.hear().into_iter().next() else { panic!("no check") };
    assert_eq!((check.pulses, check.caught, check.error_per_mille), (100, litres(103), -30));
    site.said.iter().for_each(|record| walk.observe(record));
    assert!(walk.is_settled(Task::MeterCheck));

    let before = site.controller.settings().raw().clone();
    let mut draft = Draft::begin(site.controller.settings());
    draft.correct(Measured::Pulses { pulses: check.pulses, caught: check.caught }).unwrap();
    let changed: Vec<_> = draft.difference().changes().iter().map(|change| change.field).collect();
    assert_eq!(changed, ["meter.pulse_nl", "meter.pulse_divisor"]);
    assert_eq!(site.controller.settings().raw(), &before, "nothing runs before it is taken");
    let metered = site.controller.accounts().metered.0;
    draft.take(&mut site.controller, t(site.now), Who::Serial).unwrap();
    let last = std::iter::from_fn(|| site.controller.take_record()).map(|r| r.event).last();
    assert_eq!(last, Some(Event::SettingsChanged { who: Who::Serial }));
    site.draw(100, 1_000);
    assert_eq!(site.controller.accounts().metered.0 - metered, 103_000_000_000);
}

/// M1, M2: of several meters the pulses of the one whose water is caught count; a count that nobody ends is given up.
#[test]
fn m1_one_meter_is_counted_and_not_for_ever() {
    let mut raw = alternating();
    raw.meter.place = MeterPlace::PerTank;
    let mut site = Site::<2>::new(raw);
    site.run_to(HOUR);
    site.operate(Action::CountPulses { meter: 0 }).unwrap();
    site.draw(20, 1_000);
    site.put(Input::Pulses { meter: 1, count: 50 }).unwrap();
    site.hear();
    site.operate(Action::Caught { volume: litres(20) }).unwrap();
    let checks =
        site.hear().into_iter().filter(|(_, e)| matches!(e, Event::MeterChecked { check, .. } if check.pulses == 20));
    assert_eq!(checks.count(), 1);
    site.operate(Action::CountPulses { meter: 1 }).unwrap();
    let began = site.now;
    site.run_for(2 * HOUR);
    let said = site.hear();
    assert!(said.contains(&(began + HOUR, Event::CountGivenUp { meter: 1 })), "{said:?}");
    assert_eq!(site.operate(Action::Caught { volume: litres(20) }), Err(Refused::NothingTried));
}

/// A draft of a site whose dose is 3.0 kg, with a measurement put in; its changes.
fn corrected(raw: &RawSettings, measured: Measured) -> (RawSettings, Vec<&'static str>) {
    let settings = Settings::try_from(raw.clone()).unwrap();
    let mut draft = Draft::begin(&settings);
    draft.correct(measured).unwrap();
    draft.check().unwrap();
    (draft.raw.clone(), draft.difference().changes().iter().map(|change| change.field).collect())
}

/// O6, O2, Q4: what was measured of drain, draw and refill becomes a draft: the flow of that step alone, and lengths that
/// make and take the dose. 3 kg of salt take 3 ÷ 0.358281 = 8.374 L of water (2.99 lb/gal) and make 3 ÷ 0.317545 = 9.448 L
/// of saturated brine (2.65 lb/gal; both derived from a published table).
#[test]
fn o6_measured_flows_correct_a_draft() {
    let mut raw = single();
    raw.salt = SaltMass(3_000_000);
    raw.brine.salt_per_water_mg_per_l = 358_281;
    let of = |raw: &RawSettings, kind| *raw.program.iter().find(|step| step.kind == kind).unwrap();

    let drain = Measured::Drain { step: StepKind::Backwash, caught: litres(20), time: Millis::from_mins(2) };
    let (after, changed) = corrected(&raw, drain);
    assert_eq!((of(&after, StepKind::Backwash).drain, changed), (Flow(10_000), vec!["program"]));
    assert_eq!(of(&after, StepKind::FastRinse), of(&raw, StepKind::FastRinse));

    // 5 L in 10 min: 8.374 L take 1 004.8 s.
    let (after, changed) = corrected(&raw, Measured::Refill { water: litres(5), time: Millis::from_mins(10) });
    assert_eq!(of(&after, StepKind::BrineRefill).length, Millis::from_secs(1_005));
    assert_eq!((after.brine.refill_flow, changed), (Flow(500), vec!["program", "brine"]));

    // 4 L in 10 min: 9.448 L take 1 417.1 s.
    let draw = Measured::Draw { brine: litres(4), time: Millis::from_mins(10) };
    let (after, changed) = corrected(&raw, draw);
    assert_eq!((of(&after, StepKind::BrineDraw).length, changed), (Millis::from_secs(1_418), vec!["program"]));

    // One that a contact ends may last as much longer than before.
    let place = raw.program.iter().position(|step| step.kind == StepKind::BrineDraw).unwrap();
    raw.program[place].length = Millis::from_mins(20);
    raw.program[place].end = StepEnd::Contact { longest: Millis::from_mins(30) };
    let (after, _) = corrected(&raw, draw);
    let longest = Millis::from_secs(30 * 60 + 1_418 - 20 * 60);
    assert_eq!(of(&after, StepKind::BrineDraw).end, StepEnd::Contact { longest });
}

/// O6: what says nothing leaves the draft as it was.
#[test]
fn o6_nothing_measured_corrects_nothing() {
    let mut draft = Draft::begin(&Settings::try_from(single()).unwrap());
    let (none, time) = (Volume::ZERO, Millis::from_mins(1));
    let nothing = [
        Measured::Pulses { pulses: 0, caught: litres(1) },
        Measured::Pulses { pulses: 10, caught: none },
        Measured::Drain { step: StepKind::Backwash, caught: none, time },
        Measured::Drain { step: StepKind::Backwash, caught: litres(1), time: Millis::ZERO },
        Measured::Draw { brine: none, time },
        Measured::Refill { water: none, time },
    ];
    for measured in nothing {
        assert_eq!(draft.correct(measured), Err(NotMeasured::Nothing), "{measured:?}");
    }
    let absent = Measured::Drain { step: StepKind::ServiceRinse, caught: litres(1), time };
    assert_eq!(draft.correct(absent), Err(NotMeasured::NoSuchStep));
    assert!(draft.difference().is_empty());
}

/// O6, L2: the log of hardness tests keeps the latest, each with what it changed, and nothing else.
#[test]
fn o6_hardness_tests_are_logged() {
    let mut site = Site::<1>::new(single());
    let mut log = HardnessLog::default();
    site.run_to(HOUR);
    let test = |treated| Action::TestHardness { tank: ONE, treated, feed: Some(Hardness(100_000)) };
    site.operate(test(Hardness(90_000))).unwrap();
    for n in 0..20 {
        site.run_for(MIN);
        site.operate(test(Hardness(n))).unwrap();
    }
    let mut seen = 0;
    for record in &site.said {
        log.observe(record);
        seen += usize::from(matches!(record.event, Event::HardnessTested { .. }));
        if seen == 1 {
            assert!(log.entries().len() == 1);
        }
    }
    assert_eq!((seen, log.entries().len()), (21, KEPT));
    let treated: Vec<_> = log.entries().iter().map(|entry| entry.treated).collect();
    assert_eq!(treated, (4..20).map(Hardness).collect::<Vec<_>>());
    assert!(log.entries().iter().all(|entry| entry.changed_to_per_mille.is_none() && entry.civil.is_some()));
    let mut first = HardnessLog::default();
    for record in site.said.iter().take_while(|record| record.at <= t(HOUR)) {
        first.observe(record);
    }
    assert_eq!(first.entries()[0].changed_to_per_mille, Some(900));
    let mut walk = Walk::begin(site.controller.settings());
    site.said.iter().for_each(|record| walk.observe(record));
    assert!(walk.is_settled(Task::HardnessTest));
    assert!(!site.alarm(Alarm::RelayLimit));
}
