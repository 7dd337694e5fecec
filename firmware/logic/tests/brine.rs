//! The brine tank's account, doses, and what they restore (C8, Q3, Q4, S6).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod support;

use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::*;
use bedkeeper::units::{Exchange, Flow, Instant, Millis, SaltMass, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, RawSettings, Refused, Settings};
use proptest::prelude::*;
use support::lives::{self, any_cam, rough_moment};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);
/// The dose of the test sites: 3 kg of salt, 8.373 315 917 L of refill water at 358.281 g/L.
const DOSE: Volume = Volume(8_373_315_917);

fn water<const N: usize>(site: &Site<N>) -> Volume {
    site.controller.brine().water()
}

fn salt_given<const N: usize>(heard: &[(u64, Event)], _: &Site<N>) -> Vec<(Outcome, SaltMass)> {
    let ended = |(_, e): &(u64, Event)| match e {
        Event::Ended { outcome, salt, .. } => Some((*outcome, *salt)),
        _ => None,
    };
    heard.iter().filter_map(ended).collect()
}

fn ran(heard: &[(u64, Event)], wanted: StepKind) -> Vec<Millis> {
    let ended = |(_, e): &(u64, Event)| match e {
        Event::StepEnded { step, ran, .. } if *step == wanted => Some(*ran),
        _ => None,
    };
    heard.iter().filter_map(ended).collect()
}

/// A regeneration of the one tank that runs to its end.
fn regenerate(site: &mut Site<1>) -> Vec<(u64, Event)> {
    site.hear();
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Regenerating, 6 * HOUR);
    site.run_until_duty(1, DutyKind::Serving, 6 * HOUR);
    site.run_for(SEC);
    site.hear()
}

// ---- C8: the account ------------------------------------------------------------------------------

/// C8: a draw takes its dose, the refill that follows puts it back; nothing else changes the account.
#[test]
fn c8_a_draw_takes_its_dose_and_the_refill_puts_it_back() {
    let mut site = Site::<1>::new(single());
    assert_eq!(water(&site), DOSE, "an installer has filled it");
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::SlowRinse, 2 * HOUR);
    assert_eq!(water(&site), Volume::ZERO);
    site.run_until_step(1, StepKind::BrineRefill, 2 * HOUR);
    assert_eq!(water(&site), Volume::ZERO);
    site.run_until_duty(1, DutyKind::Serving, HOUR);
    assert_eq!(water(&site), DOSE);
    site.gulp(500);
    site.run_for(12 * HOUR);
    assert_eq!(water(&site), DOSE);
}

/// C8, S6, S12: where one position draws and rinses, the rinse after a draw that was cut draws what was left of the dose.
/// No brine is believed in that is gone.
#[test]
fn c8_s6_the_rinse_after_a_cut_draw_takes_the_rest_of_the_dose() {
    let mut site = Site::<1>::new(single());
    assert_eq!(site.controller.settings().position_of(StepKind::SlowRinse), Position::BrineDraw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineDraw, 2 * HOUR);
    site.run_for(5 * MIN);
    assert_eq!(water(&site), DOSE, "reckoned when the step ends");
    site.hear();
    site.operate(Action::Abort(ONE)).unwrap();
    let after_draw = water(&site);
    assert!(after_draw > Volume::ZERO && after_draw < DOSE, "{after_draw:?}");
    site.run_until_step(1, StepKind::FastRinse, 2 * HOUR);
    assert_eq!(water(&site), Volume::ZERO, "the rinse was as long as the rest of the draw");
    let heard = site.hear();
    assert_eq!(salt_given(&heard, &site), [], "nothing ends before the fast rinse");
    site.run_until_duty(1, DutyKind::Serving, 2 * HOUR);
    assert_eq!(water(&site), Volume::ZERO, "an aborted regeneration refills nothing");
}

/// C8, S8: stepping over the refill leaves a deficit, which the next start finds: its hold says when brine
/// will be ready as soon as the make-up refill runs, and the start follows at that very instant.
#[test]
fn c8_a_deficit_is_made_up_before_the_next_start() {
    let mut site = watched::<2>(with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false)));
    site.gulp(10_000);
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    site.run_for(MIN);
    let part = site.now;
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Ready, HOUR);
    let left = water(&site);
    assert!(left > Volume::ZERO && left < Volume(DOSE.0 / 4), "{left:?} after a minute, at {part}");
    site.hear();
    // The other tank is spent: it leaves, and its own valve makes the brine that it needs.
    site.gulp(10_000);
    site.run_until_duty(2, DutyKind::Refilling, HOUR);
    assert_eq!(site.duty(1), DutyKind::Serving, "the fresh tank serves meanwhile");
    assert_eq!((site.holds(2), site.alarm(Alarm::BrineLow)), (vec![Hold::BrineNotReady], true));
    assert_eq!(site.clears_at(2, Hold::BrineNotReady), None, "not known while the valve is on its way");
    site.run_until_step(2, StepKind::BrineRefill, HOUR);
    assert_eq!(site.valves[1].position(), Some(Position::BrineRefill));
    let predicted = site.clears_at(2, Hold::BrineNotReady).unwrap();
    site.run_until_duty(2, DutyKind::Spent, HOUR);
    assert_eq!(site.clears_at(2, Hold::BrineNotReady), Some(predicted));
    assert!(!site.alarm(Alarm::BrineLow));
    assert!(water(&site) >= DOSE && water(&site).minus(DOSE) < Volume(1_000_000), "{:?}", water(&site));
    site.run_until_duty(2, DutyKind::Regenerating, 4 * HOUR);
    let heard = site.hear();
    let at = |wanted: fn(&Event) -> bool| heard.iter().find(|(_, e)| wanted(e)).map(|(at, _)| *at);
    assert_eq!(at(|e| matches!(e, Event::Started { tank: TWO, .. })), Some(predicted));
    assert!(at(|e| *e == Event::Duty { tank: TWO, duty: DutyKind::Refilling, reason: Reason::MakeUp }).is_some());
    assert!(at(|e| *e == Event::Duty { tank: TWO, duty: DutyKind::Spent, reason: Reason::MadeUp }).is_some());
    let refills = ran(&heard, StepKind::BrineRefill);
    assert_eq!(refills.len(), 1, "only what was missing: {refills:?}");
    assert!(refills[0] < Millis::from_mins(6) && refills[0] > Millis::from_mins(4), "{refills:?}");
    site.run_until_duty(2, DutyKind::Ready, 4 * HOUR);
    assert_eq!(salt_given(&site.hear(), &site), [(Outcome::Complete, SaltMass(3_000_000))]);
}

/// C8, S3: a single tank makes up at the hour it waits for, not while the building is awake; an off-line
/// tank need not wait for the hour.
#[test]
fn c8_a_serving_tank_makes_up_at_its_hour() {
    let short = |raw: &mut RawSettings| raw.start = StartRule::AtHour;
    let mut raw = single();
    short(&mut raw);
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_to(10 * HOUR);
    site.gulp(10_000);
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.causes(1)), (DutyKind::Serving, vec![Cause::Exhausted]));
    assert_eq!(site.holds(1), [Hold::BrineNotReady, Hold::UntilHour]);
    // At 02:00 nothing else holds it: refill, ready time, and the regeneration, all in the hour's grace.
    site.run_until_duty(1, DutyKind::Refilling, 16 * HOUR);
    assert!(site.now >= 26 * HOUR && site.now < 26 * HOUR + MIN);
    // Who asks meanwhile is heard.
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.causes(1), [Cause::Exhausted, Cause::Manual]);
    site.run_until_duty(1, DutyKind::Regenerating, 3 * HOUR);
    assert!(site.now < 29 * HOUR);
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(site.causes(1).is_empty());

    let mut raw = alternating();
    short(&mut raw);
    let mut site = Site::<2>::new(raw);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineRefill, 3 * HOUR);
    site.operate(Action::StepForward(TWO)).unwrap();
    site.run_to(10 * HOUR);
    site.gulp(10_000);
    site.run_until_duty(1, DutyKind::Refilling, HOUR);
    site.run_until_duty(1, DutyKind::Spent, HOUR);
    assert_eq!(site.holds(1), [Hold::BrineNotReady, Hold::UntilHour]);
    site.run_until_duty(1, DutyKind::Regenerating, 20 * HOUR);
    assert!(site.now >= 26 * HOUR && site.now < 26 * HOUR + MIN, "the brine is ready by then");
}

/// C8, C5: a window holds the make-up refill of a tank as it holds a start, and an operator's hold does.
#[test]
fn c8_windows_and_operators_hold_a_make_up() {
    let mut raw = single();
    raw.windows = [window(bedkeeper::calendar::Weekdays::ALL_DAYS, 6 * 60, 12 * 60)].into_iter().collect();
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_to(7 * HOUR);
    site.operate(Action::Hold(ONE)).unwrap();
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_to(13 * HOUR);
    assert_eq!(site.holds(1), [Hold::OperatorHold, Hold::BrineNotReady]);
    site.operate(Action::Release(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Refilling);
}

/// C8, S1: while a tank makes up, no other may use the brine tank, and none starts.
#[test]
fn c8_s1_a_make_up_has_the_brine_tank_to_itself() {
    let mut site = watched::<2>(with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false)));
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineRefill, 3 * HOUR);
    site.operate(Action::StepForward(TWO)).unwrap();
    site.run_until_duty(2, DutyKind::Ready, HOUR);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineRefill, HOUR);
    site.gulp(10_000);
    let holds = site.holds(1);
    assert!(holds.contains(&Hold::OtherRegenerating) && holds.contains(&Hold::BrineNotReady), "{holds:?}");
    site.run_for(DAY);
    assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
}

/// C8, Q5: an operator who ends a make-up refill has the tank held; whoever says that the brine is there is
/// believed at once.
#[test]
fn c8_q5_an_operator_ends_a_make_up_or_vouches_for_the_brine() {
    let mut site = Site::<1>::new(single());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineRefill, HOUR);
    site.operate(Action::Abort(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, HOUR);
    site.run_for(DAY);
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::OperatorHold, Hold::BrineNotReady]));
    site.operate(Action::BrineReady).unwrap();
    assert!(!site.alarm(Alarm::BrineLow));
    site.operate(Action::Release(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);

    let mut raw = single();
    raw.program = Preset_refill_first();
    let mut site = Site::<1>::new(raw);
    assert_eq!(site.operate(Action::BrineReady), Err(Refused::NoBrineStored));
}

#[allow(non_snake_case, reason = "reads like the preset it stands for")]
fn Preset_refill_first() -> heapless::Vec<RawStep, MAX_STEPS> {
    use StepKind::{Backwash, BrineDraw, BrineRefill, BrineWait, FastRinse, SlowRinse};
    let step = |kind| RawStep::timed(kind, Millis::from_mins(10), Flow(1_000));
    [BrineRefill, BrineWait, Backwash, BrineDraw, SlowRinse, FastRinse].map(step).into_iter().collect()
}

/// C8, P5: where the refill comes first, a dose that is there already is not put in again: the valve does not even go to the
/// refill.
#[test]
fn c8_a_dose_that_is_there_needs_no_refill() {
    let mut raw = single();
    raw.program = Preset_refill_first();
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineWait, HOUR);
    assert_eq!(water(&site), DOSE);
    site.operate(Action::Abort(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, HOUR);
    site.hear();
    site.operate(Action::Release(ONE)).unwrap();
    assert_eq!((site.step(1), site.motions()), (Some(StepKind::BrineWait), vec![Motion::Off]));
    site.run_until_step(1, StepKind::BrineDraw, HOUR);
    let drives_and_steps = |(_, event): &(u64, Event)| matches!(event, Event::Drive { .. } | Event::StepStarted { .. });
    let said: Vec<Event> = site.hear().into_iter().filter(drives_and_steps).map(|(_, event)| event).collect();
    let runs = |step| Event::StepStarted { tank: ONE, step };
    let goes = |to| [drive(1, DriveEvent::Moving(to)), drive(1, DriveEvent::Confirmed(to))];
    let [to_backwash, to_draw] = [Position::Backwash, Position::BrineDraw].map(goes);
    let mut expected = vec![runs(StepKind::BrineWait)];
    expected.extend(to_backwash.into_iter().chain([runs(StepKind::Backwash)]));
    expected.extend(to_draw.into_iter().chain([runs(StepKind::BrineDraw)]));
    assert_eq!((said, water(&site)), (expected, DOSE));
}

/// C8: where a contact tells that brine is ready, time does not.
#[test]
fn c8_a_contact_tells_that_brine_is_ready() {
    let mut raw = single();
    raw.brine.ready_by_contact = true;
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(DAY);
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::BrineNotReady]));
    assert_eq!(site.clears_at(1, Hold::BrineNotReady), None);
    site.contact(Contact::BrineReady, true);
    site.run_for(SEC);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// C8: a level switch that closes while nothing draws is believed: the account was wrong.
#[test]
fn c8_a_level_switch_corrects_the_account() {
    let mut site = Site::<1>::new(single());
    site.contact(Contact::BrineEmpty, false);
    site.run_for(2 * SEC);
    site.contact(Contact::BrineEmpty, true);
    site.run_for(2 * SEC);
    assert_eq!(water(&site), Volume::ZERO);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!((site.duty(1), site.alarm(Alarm::BrineLow)), (DutyKind::Refilling, true));
    site.run_until_duty(1, DutyKind::Serving, HOUR);
    assert_eq!(water(&site), DOSE);
    // Found closed at power-up, it closed while nobody looked.
    let mut site = Site::<1>::without_clock(single());
    site.contact(Contact::BrineEmpty, true);
    site.run_for(2 * SEC);
    assert_eq!(water(&site), Volume::ZERO);
}

/// C8, P5: refills from the start of one regeneration to that of the next are capped: a level switch that
/// keeps closing floods nothing; what is left is for a person, and an alarm says so.
#[test]
fn c8_p5_refills_are_capped() {
    let mut site = Site::<1>::new(single());
    let mut put_in = 0;
    for _ in 0..8 {
        site.contact(Contact::BrineEmpty, false);
        site.run_for(2 * SEC);
        site.contact(Contact::BrineEmpty, true);
        site.run_for(2 * SEC);
        site.operate(Action::Hold(ONE)).unwrap();
        let _ = site.operate(Action::StartNow(ONE));
        site.operate(Action::Release(ONE)).unwrap();
        while site.duty(1) == DutyKind::Refilling {
            site.run_for(MIN);
        }
        put_in += water(&site).0;
    }
    let cap = DOSE.0 / 100 * 250;
    assert!(put_in.abs_diff(cap) < 1_000_000, "{put_in} nL, the cap is {cap}");
    assert!(site.alarm(Alarm::BrineUncertain) && site.alarm(Alarm::BrineLow));
    site.run_for(2 * DAY);
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::BrineNotReady]));
    assert!(site.alarm(Alarm::Overdue));
    site.operate(Action::BrineReady).unwrap();
    assert_eq!((site.duty(1), site.alarm(Alarm::BrineUncertain)), (DutyKind::Regenerating, false));
}

/// C8, P5, S11: settings that begin to count the brine know nothing of what is in the tank: none is put in until
/// somebody has looked, in a regeneration and between two.
#[test]
fn c8_an_account_that_begins_with_new_settings_asks_somebody_to_look() {
    for regenerating in [false, true] {
        let mut raw = single();
        raw.brine_ready_after = Millis::ZERO;
        let mut site = Site::<1>::new(raw.clone());
        site.operate(Action::StartNow(ONE)).unwrap();
        let before = if regenerating { StepKind::BrineRefill } else { StepKind::FastRinse };
        site.run_until_step(1, before, 3 * HOUR);
        if !regenerating {
            site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        }
        assert!(!site.alarm(Alarm::BrineUncertain));
        raw.brine_ready_after = Millis::from_mins(1);
        site.controller.change_settings(Instant::from_ticks(site.now), Settings::try_from(raw).unwrap()).unwrap();
        assert!(site.alarm(Alarm::BrineUncertain));
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        site.operate(Action::StartNow(ONE)).unwrap();
        site.run_for(HOUR);
        assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::BrineNotReady]));
        assert_eq!(site.valves[0].position(), Some(Position::Service), "nothing is made up");
        site.operate(Action::BrineReady).unwrap();
        assert_eq!((site.duty(1), site.alarm(Alarm::BrineUncertain)), (DutyKind::Regenerating, false));
    }
}

/// C8: the salt store is counted in doses; few left raise `salt-low`, until someone fills it.
#[test]
fn c8_the_salt_store_is_counted_in_doses() {
    let mut raw = single();
    (raw.brine.store_doses, raw.brine.low_doses) = (4, 2);
    raw.brine_ready_after = Millis::from_mins(1);
    let mut site = Site::<1>::new(raw);
    for (n, low) in [(1, false), (2, false), (3, true), (4, true), (5, true)] {
        regenerate(&mut site);
        assert_eq!(site.alarm(Alarm::SaltLow), low, "after {n} refills");
    }
    site.operate(Action::SaltFilled).unwrap();
    assert!(!site.alarm(Alarm::SaltLow));
}

/// C8, W1, S9: draws that give less than half of their dose raise `brine-not-drawn` and restore no more than
/// they gave; after the second in a row an operator must look, so that no salt and water is spent for ever.
#[test]
fn c8_draws_that_draw_nothing_end_with_a_person() {
    let mut raw = single();
    raw.meter.place = MeterPlace::PerTank;
    raw.program[1].end = StepEnd::Volume { volume: Volume::from_litres(40), longest: Millis::from_mins(40) };
    raw.brine_ready_after = Millis::from_mins(1);
    let mut site = Site::<1>::new(raw);
    site.put(Input::Pulses { meter: 0, count: 10_000 }).unwrap();
    site.run_until_step(1, StepKind::SlowRinse, 3 * HOUR);
    assert!(site.alarm(Alarm::BrineNotDrawn) && site.alarm(Alarm::StepTooLong));
    assert_eq!(water(&site), DOSE, "it is still there");
    site.run_for(12 * HOUR);
    let heard = site.hear();
    let kept = heard.iter().filter(|(_, event)| *event == Event::HeldWithoutBrine { tank: ONE }).count();
    assert_eq!(kept, 1, "nobody asked for that hold, so the journal says whose it is");
    let ended = salt_given(&heard, &site);
    assert_eq!(ended, [(Outcome::Complete, SaltMass(0)); 2]);
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Serving, vec![Hold::OperatorHold]));
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::ZERO);
    // Mended, it draws, and all is well.
    site.operate(Action::Release(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineDraw, HOUR);
    site.run_for(1);
    site.put(Input::Pulses { meter: 0, count: 40 }).unwrap();
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(!site.alarm(Alarm::BrineNotDrawn) && !site.alarm(Alarm::StepTooLong));
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(10_000));
}

/// C8, S6: a draw that ends by the level switch has drawn its dose if that took a plausible time; one that ends
/// at once has not, and one whose switch never closes proves nothing.
#[test]
fn s6_a_level_switch_shows_what_was_drawn() {
    for (minutes, per_mille, low) in [(25, 1_000, false), (3, 100, true), (60, 0, true)] {
        let mut raw = single();
        raw.program[1].end = StepEnd::Contact { longest: Millis::from_mins(45) };
        raw.brine_ready_after = Millis::from_mins(1);
        let mut site = Site::<1>::new(raw);
        site.gulp(8_000);
        site.operate(Action::StartNow(ONE)).unwrap();
        site.run_until_step(1, StepKind::BrineDraw, HOUR);
        site.run_for(minutes * MIN);
        site.contact(Contact::BrineEmpty, true);
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        let restored = 10_000 * per_mille / 1_000;
        let left = site.controller.tanks()[0].ledger().remaining();
        let expected = Volume::from_litres((2_000 + restored).min(10_000));
        assert!(left.0.abs_diff(expected.0) < Volume::from_litres(15).0, "{minutes} min: {left:?}, not {expected:?}");
        assert_eq!(site.alarm(Alarm::BrineNotDrawn), low, "{minutes} min");
    }
}

// ---- Q3, Q4, S6: doses -------------------------------------------------------------------------------

/// A refill-first site whose dose follows use.
fn proportional() -> RawSettings {
    let mut raw = single();
    raw.program = Preset_refill_first();
    raw.brine.proportional = RawProportional { on: true, floor_percent: 50, full_every: 10 };
    raw
}

/// Q4: water for a dose is dose ÷ salt per volume of water, and a refill takes that ÷ flow; checked on W1:
/// 240 lb of salt at 2.99 lb/gal are 80.27 gal (derived).
#[test]
fn q4_refill_water_is_dose_over_salt_per_water() {
    let pounds = |lb: u64| SaltMass(u32::try_from(lb * 453_592_370 / 1_000).unwrap());
    let water = bedkeeper::brine::water_for(pounds(240), 358_281);
    let gallons_hundredths = water.0 / 37_854_118;
    assert!(gallons_hundredths.abs_diff(8_027) <= 1, "{gallons_hundredths}");
    // At 4 gpm 20.07 min.
    let ms = Flow(15_142).time_for(water);
    assert!(ms.abs_diff(1_204_000) < 2_000, "{ms} ms");
    assert_eq!(bedkeeper::brine::water_for(SaltMass(3_000_000), 358_281), DOSE);
    let unsalted = Settings::try_from(RawSettings { salt: SaltMass(0), ..single() }).unwrap();
    assert!(!unsalted.makes_brine() && Settings::try_from(single()).unwrap().makes_brine());
    // Six minutes make a dose; a refill of no length before it makes none.
    let mut raw = single();
    let refill = *raw.program.last().unwrap();
    raw.program.insert(0, RawStep { length: Millis::ZERO, ..refill }).unwrap();
    let settings = Settings::try_from(raw).unwrap();
    assert!(!settings.refills_first());
    assert_eq!([0, 3, 6].map(|m| settings.refill_water(Millis::from_mins(m))), [Volume(0), Volume(DOSE.0 / 2), DOSE]);
}

/// P5, S12: the rinses of a bed that brine came into are no regeneration: what it may refill is not counted anew.
#[test]
fn p5_a_rinse_does_not_allow_another_refill() {
    let mut site = Site::<2>::new(alternating());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::BrineRefill, 3 * HOUR);
    site.run_until_duty(2, DutyKind::Ready, HOUR);
    site.run_for(5 * MIN);
    let may_put_in = |site: &Site<2>| site.controller.brine().may_put_in(Volume(DOSE.0 * 3));
    let left = may_put_in(&site);
    assert!(left < Volume(DOSE.0 * 3));
    site.valves[1].put(Position::BrineDraw);
    site.valves[1].trouble.stuck = true;
    site.tell_switches();
    site.run_for(MIN);
    site.valves[1].trouble.stuck = false;
    site.run_until_duty(2, DutyKind::Regenerating, HOUR);
    assert_eq!(may_put_in(&site), left);
}

/// Q4, C8: a refill that makes no brine, since no salt is counted, runs its time all the same.
#[test]
fn c8_a_refill_without_salt_runs_its_time() {
    let mut site = Site::<1>::new(RawSettings { salt: SaltMass(0), ..single() });
    let heard = regenerate(&mut site);
    assert_eq!(ran(&heard, StepKind::BrineRefill), [site.controller.settings().program[4].length]);
}

/// Q4, S6: a proportional dose is what was spent, at least the floor, and every tenth is full; refill and draw
/// shrink with it, salt is counted so, and no capacity is credited beyond it.
#[test]
fn q4_a_proportional_dose_follows_what_was_spent() {
    let mut site = Site::<1>::new(proportional());
    // The first is full: it makes sure of an unknown bed.
    for (n, (litres, percent)) in [(7_000, 100), (7_000, 70), (2_000, 50), (9_999, 100), (6_001, 61)].iter().enumerate()
    {
        site.gulp(*litres);
        let heard = regenerate(&mut site);
        assert_eq!(salt_given(&heard, &site), [(Outcome::Complete, SaltMass(30_000 * percent))], "regeneration {n}");
        let refill = ran(&heard, StepKind::BrineRefill)[0].0;
        assert!(refill.abs_diff(6_000 * percent) <= 1, "regeneration {n}: {refill} ms");
        assert_eq!(ran(&heard, StepKind::BrineDraw), [Millis(6_000 * percent)], "regeneration {n}");
        assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(10_000), "regeneration {n}");
    }
    for n in 5..21 {
        site.gulp(5_000);
        let heard = regenerate(&mut site);
        let percent = if n % 10 == 0 { 100 } else { 50 };
        assert_eq!(salt_given(&heard, &site), [(Outcome::Complete, SaltMass(30_000 * percent))], "regeneration {n}");
    }
}

/// S6: an overrun takes a full dose and no more, and leaves the rest as a deficit.
#[test]
fn s6_a_proportional_dose_after_an_overrun_leaves_a_deficit() {
    let mut site = Site::<1>::new(proportional());
    regenerate(&mut site);
    site.operate(Action::Hold(ONE)).unwrap();
    site.gulp(13_000);
    site.operate(Action::Release(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Regenerating, HOUR);
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert_eq!(salt_given(&site.hear(), &site).last(), Some(&(Outcome::Complete, SaltMass(3_000_000))));
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(7_000));
    assert_eq!(site.controller.tanks()[0].ledger().prior(), Exchange(3_000 * 100_000));
}

/// S11, Q4: a proportional dose needs something that measures it.
#[test]
fn q4_a_proportional_dose_needs_a_measure() {
    let mut raw = single();
    raw.brine.proportional.on = true;
    assert!(Settings::try_from(raw.clone()).is_err());
    raw.meter.place = MeterPlace::PerTank;
    raw.program[1].end = StepEnd::Volume { volume: Volume::from_litres(40), longest: Millis::from_mins(60) };
    let mut site = Site::<1>::new(raw);
    // Metered: the draw ends at a share of its volume, and the refill puts back only that.
    site.operate(Action::StartNow(ONE)).unwrap();
    for (litres, percent) in [(0, 100), (7_000, 70)] {
        site.put(Input::Pulses { meter: 0, count: litres }).unwrap();
        let _ = site.operate(Action::StartNow(ONE));
        site.run_until_step(1, StepKind::BrineDraw, 4 * HOUR);
        site.run_for(1);
        site.put(Input::Pulses { meter: 0, count: 40 * percent / 100 }).unwrap();
        site.run_until_step(1, StepKind::SlowRinse, HOUR);
        let left = DOSE.0 / 100 * u64::from(100 - percent);
        assert!(water(&site).0.abs_diff(left) < 1_000_000, "{:?}", water(&site));
        site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
        assert!(water(&site).0.abs_diff(DOSE.0) < 1_000_000, "{:?}", water(&site));
        let refill = ran(&site.hear(), StepKind::BrineRefill);
        assert!(refill[0].0.abs_diff(3_600 * percent) < 100, "{refill:?}");
    }
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(10_000));
}

/// Q3: where two tanks share the brine and one backwashes next, the refill makes the larger dose for it.
#[test]
fn q3_a_refill_makes_the_largest_dose_that_comes_next() {
    let mut raw = alternating();
    (raw.backwash_every, raw.dose_after_backwash_percent) = (3, 200);
    let mut site = Site::<2>::new(raw);
    assert_eq!(water(&site), Volume(2 * DOSE.0));
    let mut makes_up = 0;
    for _ in 0..14 {
        site.gulp(10_000);
        site.run_for(8 * HOUR);
        makes_up +=
            site.hear().iter().filter(|(_, e)| matches!(e, Event::Duty { duty: DutyKind::Refilling, .. })).count();
        assert!(site.causes(1).is_empty() && site.causes(2).is_empty());
    }
    assert_eq!(makes_up, 0);
}

// ---- properties -----------------------------------------------------------------------------------------

/// Brine as the valve steps tell it, apart from the account: litres in and out by time in position.
#[derive(Default)]
struct Watched {
    refilled_ms: u64,
    drawn_ms: u64,
}

proptest! {
    #![proptest_config(lives::config(100))]

    /// S6, C8: whatever drives and operators do, the account conserves: water in it is what was there at first,
    /// plus refilled, less drawn; capacity credited never exceeds what the salt given restores; and no more
    /// salt is given than was ever in the tank.
    #[test]
    fn s6_c8_salt_credited_never_exceeds_salt_given(
        drive in any_cam(),
        moments in proptest::collection::vec(rough_moment(2), 1..40),
    ) {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        let first = water(&site);
        let mut seen = Watched::default();
        let mut given = 0u64;
        for moment in moments {
            // Enough for a bed to be overrun now and then, whose deficit then shows any salt too much.
            site.gulp(2_500);
            let exchanged = |site: &Site<2>| [0, 1].map(|i| {
                let ledger = site.controller.tanks()[i].ledger();
                ledger.prior().0 + ledger.since_regeneration().0 / 10_000
            });
            // A bed takes up no more than twice its capacity here.
            let before = exchanged(&site).map(|ug| ug.min(2_000_000_000));
            site.live(moment);
            let mut restores_ug = [0u64; 2];
            for (_, event) in site.hear() {
                match event {
                    Event::StepEnded { step: StepKind::BrineRefill, ran, .. } => seen.refilled_ms += u64::from(ran.0),
                    Event::StepEnded { step: StepKind::BrineDraw, ran, .. } => seen.drawn_ms += u64::from(ran.0).min(30 * MIN),
                    Event::Ended { tank, outcome, salt, .. } => {
                        given += u64::from(salt.0);
                        if outcome == Outcome::Complete {
                            // 3 kg of salt restore 10 000 L at 100 mg/L.
                            restores_ug[tank.index()] += (u64::from(salt.0) + 1) * 1_000 / 3;
                        }
                    }
                    _ => {}
                }
            }
            let after = exchanged(&site);
            for i in 0..2 {
                let credited = before[i].saturating_sub(after[i]);
                prop_assert!(credited <= restores_ug[i], "tank {}: {credited} ug where its salt restores {}", i + 1, restores_ug[i]);
            }
        }
        let refilled = DOSE.0 / 360 * seen.refilled_ms / 1_000;
        let most = first.0 + refilled + 10_000_000;
        prop_assert!(water(&site).0 <= most, "{:?} of {most}", water(&site));
        let salt_in = 3_000_000 * (u64::from(first.0 > 0) + refilled / DOSE.0 + 1);
        prop_assert!(given <= salt_in, "{given} mg of {salt_in}");
    }

    /// S9, C8: however brine, rinses and refills were cut, nothing waits for ever: released and left alone,
    /// both tanks regenerate within two days.
    #[test]
    fn c8_nothing_waits_for_brine_for_ever(
        drive in any_cam(),
        moments in proptest::collection::vec(rough_moment(2), 1..30),
    ) {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        for moment in moments {
            site.live(moment);
        }
        site.mend();
        site.run_for(DAY);
        for tank in [ONE, TWO] {
            let _ = site.operate(Action::PutBack(tank));
            let _ = site.operate(Action::Release(tank));
            let _ = site.operate(Action::StartNow(tank));
        }
        site.run_for(2 * DAY);
        prop_assert!(site.causes(1).is_empty() && site.causes(2).is_empty(), "{:?} {:?}", site.holds(1), site.holds(2));
        prop_assert!(!site.alarm(Alarm::BrineLow));
    }
}
