//! What is retained, when it is saved, and what a power cut makes of a regeneration (P1, P3–P5, S10, T3).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::as_conversions)]

mod support;

use bedkeeper::calendar::Civil;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::meter::MAX_BATCH;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::retain::{Damaged, MAX_BYTES, Retained, VERSION};
use bedkeeper::sequence::{AfterPower, BrineInBed};
use bedkeeper::settings::{CamFeedback, MeterPlace, RawDrive, RawSettings, StepEnd};
use bedkeeper::units::{Hardness, Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Controller, Input, RestoreRefused, Save, Settings};
use support::*;

const ONE: TankId = TankId(0);

fn in_step(raw: RawSettings, step: StepKind) -> Site<2> {
    let mut site = Site::<2>::new(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, step, 5 * HOUR);
    site.run_for(2 * MIN);
    site.hear();
    site
}

fn outcomes(site: &mut Site<2>) -> Vec<AfterPower> {
    let outcome = |event: &Event| match event {
        Event::AfterPower { outcome, .. } => Some(*outcome),
        _ => None,
    };
    site.hear().iter().filter_map(|(_, event)| outcome(event)).collect()
}

/// P1: what is retained is read back as it was; anything else is refused with what is wrong, and nothing panics.
#[test]
fn p1_bytes_are_read_back_whole_or_refused() {
    let site = in_step(alternating(), StepKind::SlowRinse);
    let retained = site.controller.retained();
    let bytes = retained.encode::<MAX_BYTES>().unwrap();
    println!("two tanks in a regeneration: {} bytes", bytes.len());
    assert!(bytes.len() < 600, "{} bytes", bytes.len());
    assert_eq!(usize::try_from(retained.journal_head()), Ok(site.said.len()));
    assert_eq!(Retained::<2>::decode(&bytes), Ok(retained));
    assert!(site.controller.retained().encode::<32>().is_err());
    assert_eq!(Retained::<2>::decode(&[]), Err(Damaged::Empty));
    for length in 1..bytes.len() {
        assert!(Retained::<2>::decode(&bytes[..length]).is_err(), "{length} bytes");
    }
    let mut longer = bytes.to_vec();
    longer.push(0);
    assert_eq!(Retained::<2>::decode(&longer), Err(Damaged::TrailingBytes));
    let mut other = bytes.to_vec();
    other[0] = VERSION + 1;
    assert_eq!(Retained::<2>::decode(&other), Err(Damaged::OtherVersion { found: VERSION + 1 }));
    assert_eq!(Retained::<1>::decode(&bytes), Err(Damaged::TankCount { found: 2 }));
    let mut fewer = bytes.to_vec();
    fewer[1] = 1;
    assert_eq!(Retained::<2>::decode(&fewer), Err(Damaged::Inconsistent));
    let settings = site.controller.settings();
    for at in 0..bytes.len() {
        for value in [0x00, 0x55, 0x7f, 0xff] {
            let mut damaged = bytes.to_vec();
            damaged[at] = value;
            // What passes is consistent enough to go on from.
            if let Ok(retained) = Retained::<2>::decode(&damaged) {
                let _ = Controller::<2>::restore(t(site.now), settings.clone(), &retained, None);
            }
        }
    }
}

/// P6, W1, S10: at rest the state is saved every hour where a forecast is charged after a cut, and from the first hour of a meter's
/// silence; else it is not.
#[test]
fn p6_at_rest_powered_time_is_saved_every_hour_where_it_counts() {
    let wishes = |raw: RawSettings| {
        let mut site = Site::<1>::new(raw);
        site.run_to(6 * HOUR);
        site.gulp(1);
        site.controller.saved();
        let mut wishes = Vec::new();
        let from = site.now;
        while site.now < from + 5 * HOUR {
            site.run_for(MIN / 2);
            if site.controller.save_wish() == Save::Soon {
                wishes.push(site.now - from);
                site.controller.saved();
            }
        }
        wishes
    };
    let hours: Vec<u64> = (1..=5).map(|hour| hour * HOUR).collect();
    let mut learned = single();
    learned.reserve = bedkeeper::settings::Reserve::Learned(bedkeeper::settings::RawLearned::usual());
    assert_eq!(wishes(learned), hours);
    let mut watched = single();
    watched.watch.silent_after = Millis::from_hours(96);
    assert_eq!(wishes(watched), hours);
    assert_eq!(wishes(single()), []);
}

/// P6, W1: the pulse that ends a silence of a quarter of its limit is saved soon, that of a shorter one is not.
#[test]
fn w1_the_end_of_a_long_silence_is_saved() {
    let mut raw = single();
    raw.watch.silent_after = Millis::from_hours(4);
    for (silence, wish) in [(HOUR, Save::Soon), (HOUR - SEC, Save::NotNeeded)] {
        let mut site = Site::<1>::new(raw.clone());
        site.run_to(6 * HOUR);
        site.gulp(1);
        site.run_to(6 * HOUR + silence - 1);
        site.controller.saved();
        site.run_to(6 * HOUR + silence);
        site.controller.saved();
        site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
        assert_eq!(site.controller.save_wish(), wish, "{silence}");
    }
}

/// P6, T3: what a short cut is charged for is no more than an hour longer than power was off, however long the plant had been at
/// rest before.
#[test]
fn p6_a_blink_after_a_night_is_not_charged_as_a_night() {
    let mut raw = single();
    raw.reserve = bedkeeper::settings::Reserve::Learned(bedkeeper::settings::RawLearned::usual());
    let mut site = Site::<1>::new(raw);
    let mut stored = site.controller.retained();
    let until = 9 * DAY + 10 * HOUR;
    while site.now < until {
        // Two hours of use each morning, 2 L/min.
        if (8 * HOUR..10 * HOUR).contains(&(site.now % DAY)) {
            site.gulp(2);
        }
        site.run_for(MIN - site.now % MIN);
        if site.controller.save_wish() != Save::NotNeeded {
            stored = site.controller.retained();
            site.controller.saved();
        }
    }
    let told = site.controller.accounts().estimated;
    let civil = |now: u64| Civil(Civil::at(MONDAY, 0).0 + now);
    for rest in 1..10 * 60 {
        site.run_for(MIN);
        if site.controller.save_wish() != Save::NotNeeded {
            stored = site.controller.retained();
            site.controller.saved();
        }
        let off_for = stored.off_for(Some(civil(site.now + 5 * SEC)));
        assert!(off_for.unwrap() <= Millis::from_mins(61), "{off_for:?} after {rest} min");
    }
    let off_for = stored.off_for(Some(civil(site.now + 5 * SEC)));
    let settings = site.controller.settings().clone();
    let back = Controller::<1>::restore(t(site.now + 5 * SEC), settings, &stored, off_for).unwrap();
    // A day's use is 240 L; an hour of an even day is 10 L, and 100 L may be lost of what was metered (S10).
    let charged = back.accounts().estimated.0 - told.0;
    assert!(charged <= u128::from(Volume::from_litres(111).0), "{charged} nL");
}

/// S10, P1: the state is to be saved before motors start where something changed, soon where a hundredth of the
/// capacity has been metered, and a step's time once a minute; otherwise not.
#[test]
fn s10_it_says_when_it_must_be_saved() {
    let mut site = Site::<2>::new(alternating());
    site.controller.saved();
    site.run_for(10 * MIN);
    assert_eq!(site.controller.save_wish(), Save::NotNeeded);
    // A hundredth of 10 000 L are 100 L.
    site.gulp(99);
    assert_eq!(site.controller.save_wish(), Save::NotNeeded);
    site.gulp(1);
    assert_eq!(site.controller.outputs().save, Save::Soon);
    site.controller.saved();
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.controller.save_wish(), Save::BeforeMotors);
    site.run_until_step(1, StepKind::SlowRinse, 5 * HOUR);
    site.controller.saved();
    site.run_for(59 * SEC);
    assert_eq!(site.controller.save_wish(), Save::NotNeeded);
    site.run_for(SEC);
    assert_eq!(site.controller.save_wish(), Save::Soon);
}

/// T3: how long power was off comes from the civil clock; unknown or gone back, it is unknown.
#[test]
fn t3_darkness_is_measured_by_the_civil_clock() {
    let mut site = Site::<2>::new(alternating());
    site.put(Input::Tick).unwrap();
    let retained = site.controller.retained();
    let then = Civil::at(MONDAY, 0).0 + site.now;
    assert_eq!(retained.off_for(Some(Civil(then + 7 * HOUR))), Some(Millis::from_hours(7)));
    assert_eq!(retained.off_for(Some(Civil(then - 1))), None);
    assert_eq!(retained.off_for(None), None);
    assert_eq!(retained.resumes_at(Some(Millis(5))), t(site.now + 5));
    assert_eq!(retained.resumes_at(None), t(site.now));
    let clockless = Site::<2>::without_clock(alternating());
    assert_eq!(clockless.controller.retained().off_for(Some(Civil(then))), None);
}

/// P3, V2: back soon, the step goes on with the time it had left, once its position is confirmed; nothing that was
/// done on entering it is done again.
#[test]
fn p3_a_short_cut_resumes_the_step() {
    let mut site = in_step(alternating(), StepKind::SlowRinse);
    let deadline = site.controller.next_deadline().unwrap().as_ticks();
    let left = deadline - site.now;
    let back = site.now + 19 * MIN;
    cut(&mut site, 19 * MIN, true);
    assert_eq!(site.now, back);
    site.run_for(SEC);
    let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
    let resumed = Event::AfterPower { tank: ONE, step: StepKind::SlowRinse, outcome: AfterPower::Resumed };
    assert!(said.contains(&Event::PowerReturned { off: Some(Millis::from_mins(19)) }), "{said:?}");
    assert!(said.contains(&resumed) && !said.iter().any(|e| matches!(e, Event::Started { .. } | Event::Duty { .. })));
    // Half a second for the switches to settle.
    assert_eq!(site.controller.next_deadline(), Some(t(back + left + 500)));
    site.run_until_duty(1, DutyKind::Ready, HOUR);
}

/// P4, T3: a long or unknown cut in the draw or the slow rinse lets the regeneration begin again, in another step that
/// step; after two of them the third gives up, with an alarm, and an operator decides.
#[test]
fn p4_long_cuts_begin_again_and_at_last_give_up() {
    // A saturator, where brine is always ready.
    let plenty = || {
        let mut raw = alternating();
        raw.brine_ready_after = Millis::ZERO;
        raw
    };
    // Where one dose is stored, it is gone: the bed is rinsed, and brine is made first (C8).
    let mut site = in_step(alternating(), StepKind::BrineDraw);
    cut(&mut site, HOUR, true);
    site.run_for(SEC);
    assert_eq!(outcomes(&mut site), [AfterPower::RinsedFirst]);
    site.run_until_duty(1, DutyKind::Refilling, 3 * HOUR);
    site.run_until_duty(1, DutyKind::Ready, 8 * HOUR);
    for (step, off_ms, clock, expected) in [
        (StepKind::BrineDraw, 21 * MIN, true, AfterPower::BeganAgain),
        (StepKind::SlowRinse, MIN, false, AfterPower::BeganAgain),
        (StepKind::FastRinse, 21 * MIN, true, AfterPower::StepAgain),
        (StepKind::Backwash, MIN, false, AfterPower::StepAgain),
    ] {
        let mut site = in_step(plenty(), step);
        cut(&mut site, off_ms, clock);
        site.run_for(SEC);
        assert_eq!(outcomes(&mut site), [expected], "{step}");
        // It goes on to its end without another start.
        site.run_until_duty(1, DutyKind::Ready, 4 * HOUR);
        let said = site.hear();
        assert!(!said.iter().any(|(_, event)| matches!(event, Event::Started { .. })), "{step}: {said:?}");
    }
    let mut site = in_step(plenty(), StepKind::BrineDraw);
    for _ in 0..2 {
        cut(&mut site, HOUR, true);
        site.run_until_step(1, StepKind::BrineDraw, 2 * HOUR);
    }
    assert_eq!(outcomes(&mut site), [AfterPower::BeganAgain; 2]);
    cut(&mut site, HOUR, true);
    site.run_until_duty(1, DutyKind::Spent, 3 * HOUR);
    assert_eq!(outcomes(&mut site), [AfterPower::GaveUp]);
    site.run_for(HOUR);
    assert!(site.alarm(Alarm::Unproven));
    assert_eq!(site.duty(1), DutyKind::Spent);
    site.operate(Action::Release(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Ready, 6 * HOUR);
    assert!(!site.alarm(Alarm::Unproven));
}

/// P5: the refill ran on while dark: known, the time counts; unknown, the refill stops and `brine-uncertain` stands.
#[test]
fn p5_refill_runs_on_while_dark() {
    let mut site = in_step(alternating(), StepKind::BrineRefill);
    cut(&mut site, 5 * MIN, true);
    site.run_for(SEC);
    let said = site.hear();
    let ran = said.iter().find_map(|(_, event)| match event {
        Event::StepEnded { step: StepKind::BrineRefill, ran, .. } => Some(*ran),
        _ => None,
    });
    // Two minutes before and five in the dark are more than the six of the step.
    assert!(ran.unwrap() >= Millis::from_mins(7), "{said:?}");
    assert!(!site.alarm(Alarm::BrineUncertain));

    // An hour would have put in ten doses: no more is believed than may be put in, and somebody must look.
    let mut site = in_step(alternating(), StepKind::BrineRefill);
    cut(&mut site, HOUR, true);
    site.run_for(SEC);
    let dose = site.controller.settings().dose_water().0;
    assert!(site.controller.brine().water().0 <= 3 * dose && site.alarm(Alarm::BrineUncertain));

    // Two minutes before and one in the dark leave three.
    let mut site = in_step(alternating(), StepKind::BrineRefill);
    cut(&mut site, MIN, true);
    site.run_for(2 * MIN);
    assert_eq!((outcomes(&mut site), site.step(1)), (vec![AfterPower::RefillCounted], Some(StepKind::BrineRefill)));
    site.run_for(90 * SEC);
    assert_eq!(site.step(1), None);

    let mut site = in_step(alternating(), StepKind::BrineRefill);
    cut(&mut site, MIN, false);
    site.run_for(SEC);
    assert_eq!((outcomes(&mut site), site.step(1)), (vec![AfterPower::RefillStopped], None));
    assert!(site.alarm(Alarm::BrineUncertain));
    site.run_until_duty(1, DutyKind::Ready, HOUR);

    // What a float ends goes on until the float says so, however long it was dark.
    let mut raw = alternating();
    raw.program[4].end = StepEnd::Contact { longest: Millis::from_mins(30) };
    let mut site = in_step(raw, StepKind::BrineRefill);
    cut(&mut site, MIN, false);
    site.run_for(SEC);
    assert_eq!((outcomes(&mut site), site.step(1)), (vec![AfterPower::Resumed], Some(StepKind::BrineRefill)));
}

/// S12: turned into the draw for long while dark, in a step before its draw or after it, a valve has let brine into the bed:
/// all rinses are owed. In the draw itself, and after a blink, nothing has changed.
#[test]
fn s12_brine_that_came_while_dark_is_rinsed_out() {
    for (step, dark, owed) in [
        (StepKind::Backwash, 5 * MIN, BrineInBed::Undiluted),
        (StepKind::Backwash, 20 * SEC, BrineInBed::None),
        (StepKind::FastRinse, 5 * MIN, BrineInBed::Undiluted),
        (StepKind::FastRinse, 20 * SEC, BrineInBed::Diluted),
    ] {
        let mut site = in_step(with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false)), step);
        site.valves[0].put(Position::BrineDraw);
        cut(&mut site, dark, true);
        site.run_for(SEC);
        let brine = site.controller.tanks()[0].regeneration().map(|regeneration| regeneration.brine());
        assert_eq!(brine, Some(owed), "{step} {dark}");
    }
}

/// P5: power fails while a valve is on its way to its refill. One that does not tell where it stands may have come there: the
/// time counts. Where switches tell, or pilots let go in the dark, it counts only if the valve is seen there.
#[test]
fn p5_a_refill_on_its_way_counts_where_nobody_can_tell() {
    let telling = cam_with(CamFeedback::SwitchPerPosition, false);
    let counting = cam_with(CamFeedback::HomeAndStop, false);
    let kinds = [
        (timed(), AfterPower::RefillCounted),
        (counting, AfterPower::RefillCounted),
        (telling, AfterPower::Resumed),
        (pilots(false), AfterPower::Resumed),
    ];
    for (drive, outcome) in kinds {
        let mut site = Site::<2>::new(with_drive(alternating(), drive.clone()));
        site.run_for(5 * MIN);
        site.operate(Action::StartNow(ONE)).unwrap();
        while site.step(1) != Some(StepKind::BrineRefill) {
            assert!(site.now < 5 * HOUR);
            site.run_for(SEC);
        }
        site.hear();
        cut(&mut site, MIN, true);
        site.run_for(SEC);
        assert_eq!(outcomes(&mut site), [outcome], "{drive:?}");
    }
    // Pilots let go in the midst of it as well, and where none acts for it the water runs on.
    let refill = |pattern: u8| {
        let mut drive = pilots(false);
        let RawDrive::PilotArray { positions, .. } = &mut drive else { panic!("pilots") };
        let swap = |p: &mut (Position, u8)| match p.0 {
            Position::BrineRefill => p.1 = pattern,
            Position::Service => p.1 = 5 - pattern,
            _ => {}
        };
        positions.iter_mut().for_each(swap);
        in_step(with_drive(alternating(), drive), StepKind::BrineRefill)
    };
    for (pattern, outcome) in [(5, AfterPower::Resumed), (0, AfterPower::RefillCounted)] {
        let mut site = refill(pattern);
        cut(&mut site, MIN, true);
        site.run_for(SEC);
        assert_eq!(outcomes(&mut site), [outcome], "{pattern}");
    }
}

/// P5, S6: a valve that shut its tank off is found in the refill position: what ran in while dark is in the brine tank, by
/// the refill's own flow; after longer than a minute somebody must look.
#[test]
fn p5_a_refill_out_of_turn_is_accounted_for() {
    for (dark, uncertain) in [(3 * MIN, true), (30 * SEC, false)] {
        let mut site = Site::<2>::new(alternating());
        site.operate(Action::StartNow(ONE)).unwrap();
        site.run_until_step(1, StepKind::FastRinse, 5 * HOUR);
        let before = site.controller.brine().water();
        // Tank 2 serves; nobody saw how its valve came there.
        site.valves[1].put(Position::BrineRefill);
        cut(&mut site, dark, true);
        site.run_for(SEC);
        let usual = site.controller.settings().dose_water().0;
        let ran_in = site.controller.brine().water().0 - before.0;
        assert!(ran_in.abs_diff(usual * dark / (6 * MIN)) < usual / 100, "{ran_in} of {usual} in {dark} ms");
        assert_eq!(site.alarm(Alarm::BrineUncertain), uncertain);
    }
}

/// S10, W1: a plant that forgot what its beds took up says so until each has been regenerated or vouched for.
#[test]
fn s10_what_was_lost_is_told() {
    let settings = Settings::try_from(alternating()).unwrap();
    let mut site = Site::<2>::new(alternating());
    site.controller = Controller::after_loss(t(site.now), settings).unwrap();
    site.valves.iter_mut().for_each(|valve| valve.told = None);
    site.tell_switches();
    site.set_clock(MONDAY, 0);
    site.run_for(MIN);
    // Its bed counts as spent: the one that does not serve regenerates.
    assert!(site.alarm(Alarm::RetainedLost) && site.duty(2) == DutyKind::Regenerating);
    site.operate(Action::Vouch(ONE)).unwrap();
    let let_go = Action::Alarm(AlarmAction::Reset(Alarm::RetainedLost));
    let _ = site.operate(let_go);
    site.run_for(SEC);
    assert!(site.alarm(Alarm::RetainedLost));
    site.run_until_duty(2, DutyKind::Ready, 4 * HOUR);
    site.operate(let_go).unwrap();
    assert!(!site.alarm(Alarm::RetainedLost));
}

/// S12, S10: what was stored is lost with the valve in the draw, in a rinse or on its way. A drive that tells of service, if of nothing
/// else, tells that it stands elsewhere: its bed is rinsed out before it serves. One found in service serves.
#[test]
fn s12_memory_lost_away_from_service_is_rinsed_out() {
    for drive in
        [cam_with(CamFeedback::HomeAndStop, false), cam_with(CamFeedback::SwitchPerPosition, false), index(false)]
    {
        for step in [StepKind::BrineDraw, StepKind::SlowRinse, StepKind::FastRinse] {
            let mut site = Site::<1>::new(with_drive(single(), drive.clone()));
            site.run_for(5 * MIN);
            site.operate(Action::StartNow(ONE)).unwrap();
            site.run_until_step(1, step, 5 * HOUR);
            site.run_for(2 * MIN);
            let mut again = Site::<1>::with_valves(site.controller.settings().clone(), site.valves.clone());
            again.controller = Controller::after_loss(t(again.now), site.controller.settings().clone()).unwrap();
            again.valves[0].told = None;
            again.tell_switches();
            again.run_for(SEC);
            assert_eq!(again.step(1), Some(StepKind::SlowRinse), "{step} {drive:?}");
            while again.duty(1) != DutyKind::Serving {
                let rested = again.valves[0].position() == Some(Position::Service) && !again.valves[0].is_turning();
                let turned_to = again.controller.tanks()[0].drive().target();
                assert!(!rested || turned_to.is_some() || again.step(1).is_none(), "{step} {drive:?}");
                again.run_for(SEC);
                assert!(again.now < DAY);
            }
            let ended = again.hear().into_iter().filter_map(|(_, e)| match e {
                Event::StepEnded { step, .. } => Some(step),
                _ => None,
            });
            let rinsed: Vec<_> = ended.collect();
            assert!(rinsed.starts_with(&[StepKind::SlowRinse, StepKind::FastRinse]), "{step} {drive:?}: {rinsed:?}");
        }
        let settings = Settings::try_from(with_drive(single(), drive.clone())).unwrap();
        let mut site = Site::<1>::new(with_drive(single(), drive));
        site.controller = Controller::after_loss(t(site.now), settings).unwrap();
        site.valves[0].told = None;
        site.tell_switches();
        site.run_for(SEC);
        assert!(!matches!(site.step(1), Some(StepKind::SlowRinse | StepKind::FastRinse)), "{:?}", site.step(1));
    }
}

/// S10, S11: a state is restored on the same plant only, also with other figures; a spent bed stays spent.
#[test]
fn s10_what_is_retained_fits_its_plant() {
    let mut site = Site::<2>::new(alternating());
    site.gulp(4_000);
    site.put(Input::Tick).unwrap();
    let retained = site.controller.retained();
    let restore = |change: fn(&mut RawSettings), at: u64| {
        let mut raw = alternating();
        change(&mut raw);
        Controller::<2>::restore(t(at), Settings::try_from(raw).unwrap(), &retained, None)
    };
    let refused = |result: Result<Controller<2>, RestoreRefused>| result.err();
    assert_eq!(refused(restore(|_| (), site.now)), None);
    assert_eq!(refused(restore(|_| (), site.now - 1)), Some(RestoreRefused::ClockBehind));
    assert_eq!(refused(restore(|r| r.meter.place = MeterPlace::PerTank, site.now)), Some(RestoreRefused::OtherPlant));
    assert_eq!(refused(restore(|r| *r = single(), site.now)), Some(RestoreRefused::OtherPlant));
    // 4 000 L, the hundredth that may be lost and a quarter of capacity for a day of darkness (P6), at 100 mg/L; at twice
    // the hardness half as much is left.
    let same = restore(|_| (), site.now).unwrap();
    assert_eq!(same.tanks()[0].ledger().remaining(), Volume::from_litres(3_400));
    let harder = |r: &mut RawSettings| {
        r.medium = match softener(5_000) {
            bedkeeper::settings::Medium::Softener { capacity, total, .. } => bedkeeper::settings::Medium::Softener {
                hardness: Hardness(200_000),
                capacity: bedkeeper::units::Exchange(capacity.0 * 2),
                total: bedkeeper::units::Exchange(total.0 * 2),
            },
            other => other,
        };
    };
    let harder = restore(harder, site.now).unwrap();
    assert_eq!(harder.tanks()[0].ledger().remaining(), Volume::from_litres(1_700));
    // Nothing readable: no bed is taken for fresh.
    let lost = Controller::<2>::after_loss(t(0), Settings::try_from(alternating()).unwrap()).unwrap();
    assert!(lost.tanks().iter().all(|tank| tank.ledger().is_empty()));
}

/// M6, S5: twenty years at 200 pulses a second, in batches, overflow nothing, and the sum is exact.
#[test]
fn m6_twenty_years_of_the_fastest_meter() {
    let mut raw = single();
    raw.meter.pulse_nl = 1_000_000_000_000;
    raw.meter.rated_max = bedkeeper::units::Flow(u32::MAX);
    raw.meter.min_closed = Millis::ZERO;
    raw.meter.min_open = Millis::ZERO;
    raw.medium = softener(1_000_000_000);
    let mut site = Site::<1>::new(raw);
    let pulses: u64 = 20 * 365 * 86_400 * 200;
    let step_ms = u64::from(MAX_BATCH) * 1_000 / 200;
    let batches = pulses / u64::from(MAX_BATCH);
    for i in 0..batches {
        site.now += step_ms;
        let at = t(site.now);
        site.controller.handle(at, Input::Pulses { meter: 0, count: MAX_BATCH }).unwrap();
        while site.controller.take_record().is_some() {}
        if i % 10_000 == 0 {
            assert!(site.controller.retained().encode::<MAX_BYTES>().is_ok());
        }
    }
    let accounts = site.controller.accounts();
    let exact = u128::from(batches) * u128::from(MAX_BATCH) * 1_000_000_000_000;
    assert_eq!(accounts.metered.0, exact);
    assert_eq!(accounts.charged.0 + accounts.untreated.0 + accounts.drained.0 + accounts.blended.0, exact);
}
