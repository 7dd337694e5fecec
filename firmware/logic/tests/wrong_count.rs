//! A valve that counts its way from home and is found to have counted wrong: what was done since is in doubt.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::Cause;
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{CamFeedback, Medium, RawDrive};
use bedkeeper::units::{Millis, TankId, Volume};
use bedkeeper::watch::Alarm;
use support::*;

const TWO: TankId = TankId(1);

/// The drives that count.
fn counting() -> [RawDrive; 4] {
    let stops = |reversible| cam_with(CamFeedback::HomeAndStop, reversible);
    [stops(false), stops(true), index(false), index(true)]
}

/// Outcomes of tank 2's regenerations in what was just said.
fn outcomes<const N: usize>(site: &mut Site<N>) -> Vec<Outcome> {
    let ended = |(_, event)| match event {
        Event::Ended { tank: TWO, outcome, .. } => Some(outcome),
        _ => None,
    };
    site.hear().into_iter().filter_map(ended).collect()
}

/// Somebody turns tank 2's valve, too quickly for a switch to tell of it.
fn turn<const N: usize>(site: &mut Site<N>, to: Position) {
    site.valves[1].put(to);
}

fn counted_wrong<const N: usize>(site: &Site<N>) -> usize {
    let miscounted = drive(2, DriveEvent::Miscounted);
    site.said.iter().filter(|record| record.event == miscounted).count()
}

/// S6, S12, V4: turned by hand in whatever step, the valve is believed elsewhere until home tells. The regeneration then
/// restores nothing: the bed is rinsed, the tank is unproven, `valve-moved` and `brine-uncertain` tell of it, and it
/// serves only after a regeneration anew. In the backwash there is still all of it to come.
#[test]
fn s6_a_valve_turned_unseen_restores_nothing() {
    for feedback in counting() {
        for (step, to) in [
            (StepKind::BrineDraw, Position::Backwash),
            (StepKind::SlowRinse, Position::BrineDraw),
            (StepKind::FastRinse, Position::Backwash),
            (StepKind::BrineRefill, Position::BrineDraw),
        ] {
            let mut raw = with_drive(parallel(3), feedback.clone());
            raw.brine_ready_after = Millis::from_mins(60);
            let mut site = Site::<3>::new(raw);
            site.run_for(5 * MIN);
            site.gulp(3_000);
            let spent = site.controller.tanks()[1].ledger().clone();
            site.operate(Action::StartNow(TWO)).unwrap();
            site.run_until_step(2, step, 3 * HOUR);
            site.run_for(30 * SEC);
            turn(&mut site, to);
            site.hear();
            let end = site.now + 6 * HOUR;
            while outcomes(&mut site) != [Outcome::Aborted] {
                assert!(site.now < end, "{feedback:?} {step}: it ends");
                site.run_for(SEC);
                let tank = &site.controller.tanks()[1];
                assert_ne!(tank.duty().kind(), DutyKind::Serving, "{feedback:?} {step}");
            }
            assert_eq!(counted_wrong(&site), 1, "{feedback:?} {step}");
            assert!(site.alarm(Alarm::BrineUncertain));
            let tank = &site.controller.tanks()[1];
            assert!(tank.is_unproven() && tank.demand().causes().contains(Cause::Manual), "{feedback:?} {step}");
            assert_eq!(tank.ledger().since_regeneration(), spent.since_regeneration(), "{feedback:?} {step}");
            assert_eq!(site.duty(2), DutyKind::Spent);
            let raised = site.said.iter().any(|r| r.event == Event::AlarmRaised(Alarm::ValveMoved));
            assert!(raised, "{feedback:?} {step}");
            // Somebody looks at the brine tank; then it goes on by itself.
            site.operate(Action::BrineReady).unwrap();
            site.run_for(6 * HOUR);
            assert_eq!(outcomes(&mut site), [Outcome::Complete], "{feedback:?} {step}");
            assert_eq!(site.duty(2), DutyKind::Serving);
            assert!(!site.controller.tanks()[1].is_unproven() && site.alarms().is_empty(), "{:?}", site.alarms());
        }
    }
}

/// S12, S6: a pair rests shut off, and the count is compared with home only when the tank is to take over: it does not,
/// but is rinsed and regenerated anew.
#[test]
fn s12_a_ready_tank_that_counted_wrong_does_not_take_over() {
    let raw = with_drive(alternating(), cam_with(CamFeedback::HomeAndStop, false));
    let mut site = watched::<2>(raw);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_duty(2, DutyKind::Ready, 6 * HOUR);
    turn(&mut site, Position::BrineDraw);
    site.observer = None;
    site.hear();
    site.gulp(10_500);
    site.run_until_step(2, StepKind::SlowRinse, 10 * MIN);
    assert_eq!((site.duty(1), counted_wrong(&site)), (DutyKind::Serving, 1));
    assert!(site.controller.tanks()[1].is_unproven());
    let was_in_service = |site: &Site<2>| site.valves[1].position() == Some(Position::Service);
    while site.duty(2) == DutyKind::Regenerating {
        site.run_for(SEC);
        let at_rest = site.controller.tanks()[1].drive().position().is_some();
        assert!(!(at_rest && was_in_service(&site)));
    }
    assert_eq!(outcomes(&mut site), [Outcome::Aborted]);
    site.operate(Action::BrineReady).unwrap();
    site.run_for(6 * HOUR);
    assert_eq!(outcomes(&mut site), [Outcome::Complete]);
    assert_eq!(site.duty(2), DutyKind::Serving);
}

/// V4: a stop that opens at rest for a tenth of a second and closes again may be another: the valve has moved, and is
/// sought. At home, which its own switch tells, it stays.
#[test]
fn v4_a_stop_that_opens_and_closes_at_rest_is_another() {
    let raw = with_drive(parallel(3), cam_with(CamFeedback::HomeAndStop, false));
    let mut site = Site::<3>::new(raw);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::SlowRinse, 3 * HOUR);
    site.hear();
    let knock = |site: &mut Site<3>, tank: usize, by: Position, to: Position| {
        site.valves[tank].put_after(by);
        site.tell_switches();
        site.run_for(400);
        site.valves[tank].put(to);
        site.tell_switches();
        site.run_for(2 * SEC);
    };
    knock(&mut site, 1, Position::SlowRinse, Position::FastRinse);
    let said: Vec<_> = site.hear().into_iter().map(|(_, event)| event).collect();
    assert!(said.contains(&drive(2, DriveEvent::MovedAway(Position::SlowRinse))), "{said:?}");
    site.run_for(6 * HOUR);
    assert_eq!(outcomes(&mut site), [Outcome::Complete], "it went on where it was");
    assert_eq!(counted_wrong(&site), 0);
    knock(&mut site, 0, Position::Service, Position::Service);
    assert_eq!(site.hear(), []);
}

/// S9, V3, S12: a valve that counts wrong turn after turn is lost at the third time, shut off and not in service.
#[test]
fn v3_a_valve_that_counts_wrong_each_time_is_lost() {
    for feedback in counting() {
        let mut site = Site::<3>::new(with_drive(parallel(3), feedback.clone()));
        site.run_for(5 * MIN);
        site.operate(Action::StartNow(TWO)).unwrap();
        let end = site.now + 24 * HOUR;
        while site.duty(2) != DutyKind::Out {
            assert!(site.now < end, "{feedback:?}: it ends");
            site.run_until_step(2, StepKind::SlowRinse, 3 * HOUR);
            turn(&mut site, Position::Backwash);
            while matches!(site.step(2), Some(step) if step != StepKind::SlowRinse) {
                site.run_for(SEC);
            }
            let wrong = counted_wrong(&site);
            while counted_wrong(&site) == wrong && site.duty(2) == DutyKind::Regenerating {
                site.run_for(SEC);
            }
            if wrong == 2 {
                site.run_until_duty(2, DutyKind::Out, 10 * MIN);
            }
        }
        assert_eq!(counted_wrong(&site), 3, "{feedback:?}");
        assert!(site.alarm(Alarm::ValveLost) && site.controller.tanks()[1].drive().is_lost());
        assert_eq!(site.valves[1].position(), Some(Position::Standby), "{feedback:?}");
        assert_eq!(site.operate(Action::Vouch(TWO)), Err(bedkeeper::Refused::NothingToVouchFor), "brine may be in it");
    }
}

/// S6, V4: a filter that was shut off and counted wrong is spent: it runs its program before it serves.
#[test]
fn s6_a_filter_that_counted_wrong_does_not_take_over() {
    let mut raw = with_drive(alternating(), cam_with(CamFeedback::HomeAndStop, false));
    raw.medium = Medium::Filter { capacity: Volume::from_litres(1_000) };
    raw.program.retain(|step| matches!(step.kind, StepKind::Backwash | StepKind::FastRinse));
    let mut site = Site::<2>::new(raw);
    site.run_for(5 * MIN);
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::FastRinse, HOUR);
    site.run_until_duty(2, DutyKind::Ready, HOUR);
    site.run_for(5 * MIN);
    turn(&mut site, Position::Backwash);
    site.hear();
    site.gulp(1_000);
    site.run_for(10 * MIN);
    let spent = Event::Duty { tank: TWO, duty: DutyKind::Spent, reason: Reason::PlaceInDoubt };
    assert_eq!(site.said.iter().filter(|record| record.event == spent).count(), 1);
    assert_eq!((counted_wrong(&site), site.duty(1)), (1, DutyKind::Serving));
    site.run_for(6 * HOUR);
    assert_eq!(outcomes(&mut site), [Outcome::Complete]);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
}

/// S6: a filter whose valve counted wrong in its program runs it anew.
#[test]
fn s6_a_filter_that_counted_wrong_runs_its_program_anew() {
    let mut raw = with_drive(single(), cam_with(CamFeedback::HomeAndStop, false));
    raw.medium = Medium::Filter { capacity: Volume::from_litres(1_000) };
    raw.program.retain(|step| matches!(step.kind, StepKind::Backwash | StepKind::FastRinse));
    let mut site = Site::<1>::new(raw);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_until_step(1, StepKind::Backwash, HOUR);
    site.valves[0].put(Position::Standby);
    site.hear();
    site.run_for(12 * HOUR);
    let ended = |(_, event)| match event {
        Event::Ended { outcome, .. } => Some(outcome),
        _ => None,
    };
    let outcomes: Vec<_> = site.hear().into_iter().filter_map(ended).collect();
    assert_eq!(outcomes, [Outcome::Aborted, Outcome::Complete]);
    assert_eq!((site.duty(1), site.alarms()), (DutyKind::Serving, vec![]));
}
