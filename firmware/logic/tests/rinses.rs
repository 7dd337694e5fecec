//! Brine never rests in service (S12): seen at the plant, not at the controller.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{CamFeedback, RawDrive};
use bedkeeper::units::TankId;
use bedkeeper::{Action, Refused};
use proptest::prelude::*;
use support::lives::{self, Happening, any_cam, any_drive, rough_moment};
use support::*;

const ONE: TankId = TankId(0);

fn cam_drive() -> RawDrive {
    cam_with(CamFeedback::SwitchPerPosition, false)
}

proptest! {
    #![proptest_config(lives::config(200))]

    /// S1, S7, S12: whatever drives jam, come free, coast or chatter, and whatever operators ask:
    /// no bed with brine in it rests in service, no two tanks share drain or brine, no motor
    /// reverses without rest or outlasts its limit. Seen at the plant, not at the controller.
    #[test]
    fn s12_brine_never_rests_in_service(
        drive in any_cam(),
        moments in proptest::collection::vec(rough_moment(2), 1..40),
    ) {
        let mut site = watched::<2>(with_drive(alternating(), drive));
        for moment in moments {
            site.live(moment);
        }
    }

    /// S7, S12: the same of a single tank, which has no other place to rest than in service.
    #[test]
    fn s12_brine_never_rests_in_service_of_a_single_tank(
        drive in any_drive(),
        moments in proptest::collection::vec(rough_moment(1), 1..40),
    ) {
        let timed = matches!(drive, RawDrive::Timed { .. } | RawDrive::PilotArray { contact: false, .. });
        let mut site = watched::<1>(with_drive(single(), drive));
        for moment in moments {
            // Nobody sees a timed drive jam (S3 says that it is the weaker kind).
            if !timed || !matches!(moment.0, Happening::Jam(..) | Happening::Stuck(..)) {
                site.live(moment);
            }
        }
    }
}

/// S12: aborted in any step, brine that was drawn is rinsed out before the tank rests; in front of
/// the draw it rests at once.
#[test]
fn s12_an_abort_rinses_out_whatever_was_drawn() {
    use StepKind::{Backwash, BrineDraw, BrineRefill, FastRinse, SlowRinse};
    let after: [(StepKind, &[StepKind]); 5] = [
        (Backwash, &[]),
        (BrineDraw, &[SlowRinse, FastRinse]),
        (SlowRinse, &[FastRinse]),
        (FastRinse, &[]),
        (BrineRefill, &[]),
    ];
    for (step, then) in after {
        let mut single = watched::<1>(with_drive(single(), cam_drive()));
        single.operate(Action::StartNow(ONE)).unwrap();
        single.run_until_step(1, step, 3 * HOUR);
        single.run_for(SEC);
        single.hear();
        single.operate(Action::Abort(ONE)).unwrap();
        single.run_until_duty(1, DutyKind::Serving, 2 * HOUR);
        let heard = single.hear();
        let started: Vec<_> = heard
            .iter()
            .filter_map(|(_, e)| match e {
                Event::StepStarted { step, .. } => Some(*step),
                _ => None,
            })
            .collect();
        assert_eq!(started, then, "after an abort in {step}");
        assert!(!single.observer.as_ref().unwrap().is_salted(1), "{step}");
        let last = heard.last().map(|(_, e)| *e);
        let end = Event::Duty { tank: ONE, duty: DutyKind::Serving, reason: Reason::Ended(Outcome::Aborted) };
        assert!(heard.iter().any(|(_, e)| *e == end), "{step}: {last:?}");
        // A rinse that an abort finds running runs its whole length.
        let length = single.controller.settings().program.iter().find(|s| s.kind == step).unwrap().length;
        if matches!(step, SlowRinse | FastRinse) {
            let whole = heard
                .iter()
                .any(|(_, e)| matches!(e, Event::StepEnded { step: s, ran, .. } if *s == step && *ran >= length));
            assert!(whole, "{step}");
        }
    }
}

/// S12: an operator steps forward through every step, but not through the rinses after the draw.
#[test]
fn s12_rinses_after_a_draw_are_not_stepped_over() {
    let mut site = watched::<1>(with_drive(single(), cam_drive()));
    site.operate(Action::StartNow(ONE)).unwrap();
    for step in [StepKind::Backwash, StepKind::BrineDraw] {
        site.run_until_step(1, step, HOUR);
        site.run_for(MIN);
        site.operate(Action::StepForward(ONE)).unwrap();
    }
    let mut refused = 0;
    while site.duty(1) == DutyKind::Regenerating {
        if matches!(site.step(1), Some(StepKind::SlowRinse | StepKind::FastRinse)) {
            assert_eq!(site.operate(Action::StepForward(ONE)), Err(Refused::RinseFirst));
            refused += 1;
        }
        site.run_for(10 * SEC);
        assert!(site.now < 5 * HOUR);
    }
    assert!(refused > 30 * 6, "refused throughout the slow rinse and the fast rinse");
    assert!(site.observer.as_ref().unwrap().salted_ms > 0, "brine was in the bed");
    assert_eq!(site.valves[0].position(), Some(Position::Service));
}

/// S12: power fails in each position of a regeneration; a fresh controller that finds the valve
/// where brine may be in the bed rinses it out before it serves.
#[test]
fn s12_a_valve_found_in_the_brine_is_rinsed_out_before_it_serves() {
    for position in [Position::BrineDraw, Position::SlowRinse, Position::FastRinse] {
        for drive in [cam_drive(), cam_with(CamFeedback::SwitchPerPosition, true)] {
            let mut site = found::<1>(with_drive(single(), drive.clone()), [position]);
            let mut rinsed = Vec::new();
            while site.now < 6 * HOUR {
                site.run_for(SEC);
                for (_, event) in site.hear() {
                    if let Event::StepEnded { step, .. } = event {
                        rinsed.push(step);
                    }
                }
                let serves = site.valves[0].position() == Some(Position::Service) && !site.valves[0].is_turning();
                assert!(!serves || rinsed.len() >= 2, "{position}");
            }
            // Half regenerated is not regenerated: rinsed out, it begins again (L3).
            use StepKind::{Backwash, BrineDraw, BrineRefill, FastRinse, SlowRinse};
            let steps = [SlowRinse, FastRinse, Backwash, BrineDraw, SlowRinse, FastRinse, BrineRefill];
            assert_eq!(rinsed, steps, "{position}");
            assert!(!site.controller.tanks()[0].is_unproven() && site.duty(1) == DutyKind::Serving);

            let mut site = found(with_drive(alternating(), drive), [position, Position::Standby]);
            site.run_for(2 * MIN);
            assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving), "{position}");
            site.run_for(6 * HOUR);
            assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving), "{position}");
        }
    }
    // A filter knows no brine.
    let mut raw = with_drive(single(), cam_drive());
    raw.medium = bedkeeper::settings::Medium::Filter { capacity: bedkeeper::units::Volume::from_litres(1_000) };
    raw.program.retain(|s| matches!(s.kind, StepKind::Backwash | StepKind::FastRinse));
    let mut site = found(raw, [Position::FastRinse]);
    site.run_for(2 * MIN);
    assert_eq!(site.duty(1), DutyKind::Serving);
}

/// S12, C5: a single tank whose valve was turned into the draw is rinsed out at once, also in a window: it has no other place
/// to wait than in service.
#[test]
fn s12_a_single_tank_with_brine_in_its_bed_waits_for_no_window() {
    let mut raw = with_drive(single(), cam_drive());
    raw.windows = [window(bedkeeper::calendar::Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut site = Site::<1>::new(raw);
    site.run_to(HOUR);
    site.valves[0].put(Position::BrineDraw);
    site.valves[0].trouble.stuck = true;
    site.tell_switches();
    site.run_for(MIN);
    site.valves[0].trouble.stuck = false;
    site.run_for(5 * MIN);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    let brine = site.controller.tanks()[0].regeneration().unwrap().brine();
    assert_eq!(brine, bedkeeper::sequence::BrineInBed::Undiluted);
}

/// S12: a valve that passes service on its way, with brine in its bed, is journalled when it comes there and when it has
/// left; one that can turn the other way does not pass, and without brine nothing is said.
#[test]
fn s12_passing_service_with_brine_is_journalled() {
    let service = Position::Service;
    let passings = |site: &Site<1>| -> Vec<(u64, DriveEvent)> {
        let passing = |r: &bedkeeper::journal::Record| match r.event {
            Event::Drive { event: event @ (DriveEvent::Passing(_) | DriveEvent::Passed(_)), .. } => {
                Some((r.at.as_ticks(), event))
            }
            _ => None,
        };
        site.said.iter().filter_map(passing).collect()
    };
    for (reversible, passes) in [(false, true), (true, false)] {
        let drive = cam_with(CamFeedback::SwitchPerPosition, reversible);
        // Found behind its slow rinse: a cam that turns one way comes to it by way of service.
        let mut site = found::<1>(with_drive(single(), drive), [Position::FastRinse]);
        let mut stood = Vec::new();
        while site.step(1) != Some(StepKind::FastRinse) {
            site.run_for(100);
            if site.valves[0].position() == Some(service) {
                stood.push(site.now);
            }
            assert!(site.now < 2 * HOUR);
        }
        let seen = passings(&site);
        if !passes {
            assert_eq!((seen, stood), (vec![], vec![]));
            continue;
        }
        let events: Vec<_> = seen.iter().map(|(_, event)| *event).collect();
        assert_eq!(events, [DriveEvent::Passing(service), DriveEvent::Passed(service)]);
        let (came, left) = (seen[0].0, seen[1].0);
        assert!(
            came.abs_diff(stood[0]) <= 100 && left.abs_diff(*stood.last().unwrap()) <= 200,
            "{came} {left} {stood:?}"
        );
        // Rinsed out, it may come to service; and a bed without brine may pass it.
        site.run_until_duty(1, DutyKind::Serving, 6 * HOUR);
        site.valves[0].put_after(service);
        site.tell_switches();
        site.run_for(5 * MIN);
        assert_eq!(passings(&site).len(), 2);
    }
}

/// S12: a drive lost in or near the brine position leaves a bed that is rinsed before anything else.
#[test]
fn s12_a_bed_whose_drive_was_lost_near_the_brine_is_rinsed_first() {
    for place in [2_000, 2_500] {
        let mut site = watched::<1>(with_drive(single(), cam_drive()));
        // Nothing regenerates: the valve is knocked out of place, and jams on its way back.
        site.valves[0].put_after(Position::Backwash);
        site.valves[0].quirks.sticks_at_milli = Some(place);
        site.tell_switches();
        site.run_for(3 * HOUR);
        assert_eq!(site.duty(1), DutyKind::Out);
        assert_eq!(site.operate(Action::Vouch(ONE)), Err(Refused::NothingToVouchFor));
        site.mend();
        site.hear();
        site.operate(Action::PutBack(ONE)).unwrap();
        site.run_for(90 * MIN);
        let first = site.hear().into_iter().find_map(|(_, e)| match e {
            Event::StepStarted { step, .. } => Some(step),
            _ => None,
        });
        assert_eq!(first, Some(StepKind::SlowRinse));
    }
}

/// S12: a valve that jams in the brine position on its way elsewhere, and comes free by itself, has
/// drawn brine; it is rinsed out, and that is journalled.
#[test]
fn s12_a_valve_that_stood_in_the_brine_on_its_way_is_rinsed_out() {
    // The last jams between two marks, where no switch tells of it.
    for (drive_kind, jams_at) in [(cam_drive(), 2_000), (index(false), 2_000), (index(false), 1_960)] {
        let mut site = watched::<2>(with_drive(alternating(), drive_kind));
        site.valves[0].quirks.sticks_at_milli = Some(jams_at);
        site.gulp(10_000);
        site.run_for(2 * MIN);
        assert_eq!(site.valves[0].position(), Some(Position::BrineDraw));
        site.valves[0].quirks.sticks_at_milli = None;
        site.run_for(90 * MIN);
        let heard = site.hear();
        let place = |event: Event| heard.iter().position(|(_, e)| *e == event);
        let stood = place(drive(1, DriveEvent::StoodInBrine)).unwrap();
        let rinsed = place(Event::StepStarted { tank: ONE, step: StepKind::SlowRinse }).unwrap();
        assert!(stood < rinsed);
        assert_eq!(place(Event::StepStarted { tank: ONE, step: StepKind::Backwash }).filter(|p| *p < rinsed), None);
        site.run_for(4 * HOUR);
        assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
    }
}

/// S12: within a regeneration, too: brine that got in after the rinses is rinsed out again.
#[test]
fn s12_brine_that_came_in_after_the_rinses_is_rinsed_out_again() {
    let mut site = watched::<1>(with_drive(single(), cam_drive()));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    // Knocked out of place just past the refill, it must go round, and jams in the brine for a while.
    site.valves[0].put_after(Position::BrineRefill);
    site.valves[0].quirks.sticks_at_milli = Some(2_000);
    site.tell_switches();
    site.run_for(2 * MIN);
    site.valves[0].quirks.sticks_at_milli = None;
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    let ended = site.hear().into_iter().find_map(|(_, e)| match e {
        Event::Ended { outcome, .. } => Some(outcome),
        _ => None,
    });
    assert_eq!(ended, Some(Outcome::Aborted), "half a dose is not a dose");
    assert!(!site.observer.as_ref().unwrap().is_salted(1));
}

/// S12: a tank lost in its slow rinse, where its switch rules out the draw, still has brine in it: nobody
/// vouches for it, and put back while a hold stands it does not come to rest in service.
#[test]
fn s12_a_tank_lost_in_its_rinse_still_holds_brine() {
    let mut raw = with_drive(single(), cam_drive());
    raw.windows = [window(bedkeeper::calendar::Weekdays::ALL_DAYS, 3 * 60, 12 * 60)].into_iter().collect();
    let mut site = watched::<1>(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, StepKind::SlowRinse, HOUR);
    site.run_for(MIN);
    // The slow rinse is served, but the motor does not turn on to the fast rinse.
    site.valves[0].trouble.stuck = true;
    site.run_until_duty(1, DutyKind::Out, HOUR);
    assert!(!site.controller.tanks()[0].drive().may_draw_brine());
    site.mend();
    assert_eq!(site.operate(Action::Vouch(ONE)), Err(Refused::NothingToVouchFor));
    site.run_to(4 * HOUR);
    assert!(site.observer.as_ref().unwrap().is_salted(1));
    site.operate(Action::PutBack(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating, "rinses are no new start");
    site.run_until_duty(1, DutyKind::Serving, 2 * HOUR);
    assert!(!site.observer.as_ref().unwrap().is_salted(1));
    // Its dose was drawn and never refilled.
    assert_eq!(site.holds(1), [bedkeeper::demand::Hold::BrineNotReady, bedkeeper::demand::Hold::Blackout]);
}
