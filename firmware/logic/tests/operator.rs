//! What operators may ask, in every phase, and that it is journalled with who asked (Q5).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Who};
use bedkeeper::lock::Key;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::settings::{CamFeedback, RawSettings, StartRule};
use bedkeeper::units::TankId;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, Refused};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);

use StepKind::{Backwash, BrineDraw, BrineRefill, FastRinse, SlowRinse};

const STEPS: [StepKind; 5] = [Backwash, BrineDraw, SlowRinse, FastRinse, BrineRefill];

fn single_cam() -> RawSettings {
    with_drive(single(), cam_with(CamFeedback::SwitchPerPosition, false))
}

fn alternating_cam() -> RawSettings {
    with_drive(alternating(), cam_with(CamFeedback::SwitchPerPosition, false))
}

const EVERY_ACTION: [fn(TankId) -> Action; 12] = [
    Action::StartNow,
    Action::StartAtHour,
    Action::Withdraw,
    Action::StepForward,
    Action::Abort,
    Action::Hold,
    Action::Release,
    Action::TakeOut,
    Action::PutBack,
    Action::Vouch,
    |_| Action::BrineReady,
    |_| Action::SaltFilled,
];

/// Q5: every action is journalled with who asked, granted or not; one that is refused changes nothing else.
#[test]
fn q5_every_action_is_journalled_with_who_asked() {
    for who in [Who::Panel, Who::Remote, Who::Serial] {
        for action in EVERY_ACTION {
            let mut site = watched::<2>(alternating_cam());
            let action = action(TWO);
            let before = site.controller.clone();
            let now = site.now;
            let result = site.put(Input::Operator { who, action });
            let heard = site.hear();
            let entry = (now, Event::Operator { who, action, granted: result.is_ok() });
            assert_eq!(heard.iter().filter(|e| **e == entry).count(), 1, "{}", action.slug());
            if result.is_err() {
                assert_eq!(heard, [entry], "{}", action.slug());
                assert_eq!(site.controller.tanks(), before.tanks(), "{}", action.slug());
                assert_eq!(site.controller.outputs(), before.outputs(), "{}", action.slug());
            }
        }
    }
}

/// O1, C4: whoever is behind a remote contact may ask for a start, and nothing else, in whatever state the plant is; no key
/// opens anything to them.
#[test]
fn o1_a_remote_asks_for_starts_and_nothing_else() {
    for step in [None, Some(StepKind::SlowRinse)] {
        for action in EVERY_ACTION {
            let mut site = watched::<2>(alternating_cam());
            if let Some(step) = step {
                site.operate(Action::StartNow(ONE)).unwrap();
                site.run_until_step(1, step, 5 * HOUR);
            }
            let (action, who) = (action(if step.is_some() { ONE } else { TWO }), Who::Remote);
            for key in [Key::Press, Key::Code(0)] {
                assert_eq!(site.put(Input::Unlock { who, key }), Err(Refused::WrongKey));
            }
            let before = site.controller.clone();
            site.hear();
            let result = site.put(Input::Operator { who, action });
            if matches!(action, Action::StartNow(_) | Action::StartAtHour(_)) {
                assert_eq!(result.is_ok(), step.is_none(), "{}", action.slug());
                continue;
            }
            assert_eq!(result, Err(Refused::Locked), "{}", action.slug());
            assert_eq!(site.hear(), [(site.now, Event::Operator { who, action, granted: false })], "{}", action.slug());
            assert_eq!(site.controller.tanks(), before.tanks(), "{}", action.slug());
            assert_eq!(site.controller.outputs().motions, before.outputs().motions, "{}", action.slug());
        }
    }
}

/// Q5: in every step of a regeneration, what is granted and what is refused, and why.
#[test]
fn q5_what_is_granted_in_each_step() {
    for step in STEPS {
        let brine = matches!(step, SlowRinse | FastRinse);
        let expected = [
            Err(Refused::AlreadyRegenerating),                     // start now
            Err(Refused::AlreadyRegenerating),                     // start at the hour
            Err(Refused::AlreadyRegenerating),                     // withdraw
            if brine { Err(Refused::RinseFirst) } else { Ok(()) }, // step forward
            Ok(()),                                                // abort
            Ok(()),                                                // hold
            Ok(()),                                                // release
            Err(Refused::AlreadyRegenerating),                     // take out
            Err(Refused::NotOut),                                  // put back
            Err(Refused::NothingToVouchFor),                       // vouch
        ];
        let mut at_step = watched::<2>(alternating_cam());
        at_step.operate(Action::StartNow(TWO)).unwrap();
        at_step.run_until_step(2, step, 3 * HOUR);
        let mut alone = watched::<1>(single_cam());
        alone.operate(Action::StartNow(ONE)).unwrap();
        alone.run_until_step(1, step, 3 * HOUR);
        for (action, result) in EVERY_ACTION.into_iter().zip(expected) {
            assert_eq!(at_step.clone().operate(action(TWO)), result, "{} in {step}", action(TWO).slug());
            assert_eq!(alone.clone().operate(action(ONE)), result, "{} in {step}", action(ONE).slug());
        }
    }
}

/// Q5: what is granted to a tank in each other duty.
#[test]
fn q5_what_is_granted_in_each_duty() {
    let ready = watched::<2>(alternating_cam());
    let mut out = ready.clone();
    out.operate(Action::TakeOut(TWO)).unwrap();
    let mut raw = alternating_cam();
    raw.windows = [window(bedkeeper::calendar::Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    let mut spent = watched::<2>(raw);
    spent.operate(Action::StartNow(TWO)).unwrap();
    spent.operate(Action::TakeOut(TWO)).unwrap();
    spent.operate(Action::PutBack(TWO)).unwrap();
    spent.run_for(MIN);
    assert_eq!(spent.duty(2), DutyKind::Spent);
    let rows: [(&Site<2>, [Result<(), Refused>; 10]); 3] = [
        (
            &ready,
            [
                Ok(()),
                Ok(()),
                Err(Refused::NothingAsked),
                Err(Refused::NotRegenerating),
                Err(Refused::NotRegenerating),
                Ok(()),
                Ok(()),
                Ok(()),
                Err(Refused::NotOut),
                Err(Refused::NothingToVouchFor),
            ],
        ),
        (
            &out,
            [
                Err(Refused::TankIsOut),
                Err(Refused::TankIsOut),
                Err(Refused::NothingAsked),
                Err(Refused::NotRegenerating),
                Err(Refused::NotRegenerating),
                Ok(()),
                Ok(()),
                Err(Refused::TankIsOut),
                Ok(()),
                Ok(()),
            ],
        ),
        (
            &spent,
            [
                Ok(()),
                Ok(()),
                Err(Refused::MustRegenerate),
                Err(Refused::NotRegenerating),
                Err(Refused::NotRegenerating),
                Ok(()),
                Ok(()),
                Ok(()),
                Err(Refused::NotOut),
                Ok(()),
            ],
        ),
    ];
    for (site, expected) in rows {
        for (action, result) in EVERY_ACTION.into_iter().zip(expected) {
            assert_eq!(site.clone().operate(action(TWO)), result, "{} while {}", action(TWO).slug(), site.duty(2));
        }
    }
    let mut site = ready.clone();
    assert_eq!(site.operate(Action::Hold(TankId(2))), Err(Refused::NoSuchTank));
}

/// Q5, L3, P3: wishes and outcomes have words of their own.
#[test]
fn q5_wishes_and_outcomes_have_words() {
    let wishes = [Action::StartNow(ONE), Action::Abort(ONE), Action::Return].map(Action::slug);
    let outcomes = [Outcome::Complete, Outcome::Aborted, Outcome::Failed].map(Outcome::slug);
    assert_eq!((wishes, outcomes), (["start-now", "abort", "return"], ["complete", "aborted", "failed"]));
    assert_eq!([AfterPower::Resumed, AfterPower::GaveUp].map(AfterPower::slug), ["resumed", "gave-up"]);
}

/// Q5: start now means now, even where the site starts at the hour; start at the hour waits for it.
#[test]
fn q5_an_operator_starts_now_or_at_the_hour() {
    let mut raw = single_cam();
    raw.start = StartRule::AtHour;
    let mut site = watched::<1>(raw.clone());
    site.run_to(6 * HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);

    for start in [StartRule::AtHour, StartRule::Immediate] {
        raw.start = start;
        let mut site = watched::<1>(raw.clone());
        site.run_to(6 * HOUR);
        site.operate(Action::StartAtHour(ONE)).unwrap();
        assert_eq!((site.causes(1), site.holds(1)), (vec![Cause::Manual], vec![Hold::UntilHour]));
        site.run_to(26 * HOUR - 1);
        assert_eq!(site.duty(1), DutyKind::Serving);
        site.run_to(26 * HOUR);
        assert_eq!(site.duty(1), DutyKind::Regenerating);
    }
}

/// Q5: a start asked for the hour may be made one for now, and may be withdrawn.
#[test]
fn q5_a_request_is_hastened_or_withdrawn() {
    let mut site = watched::<1>(single_cam());
    site.run_to(6 * HOUR);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    let mut hastened = site.clone();
    hastened.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(hastened.duty(1), DutyKind::Regenerating);
    site.operate(Action::Withdraw(ONE)).unwrap();
    site.hear();
    site.run_for(2 * DAY);
    assert!(site.hear().iter().all(|(_, e)| matches!(e, Event::HourFired)), "nothing comes of it");
    assert!(site.causes(1).is_empty());
}

/// Q5: stepping forward ends the present step at once and goes to the next; the journal tells how long it ran.
#[test]
fn q5_stepping_forward_ends_the_present_step() {
    let mut site = watched::<1>(single_cam());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, Backwash, HOUR);
    let began = site.said.iter().rev().find(|r| matches!(r.event, Event::StepStarted { .. })).unwrap().at;
    site.run_for(3 * MIN);
    site.hear();
    site.operate(Action::StepForward(ONE)).unwrap();
    let ran = site.now - began.as_ticks();
    let heard = site.hear();
    assert!(
        heard
            .iter()
            .any(|(_, e)| matches!(e, Event::StepEnded { step: Backwash, ran: r, .. } if u64::from(r.0) == ran))
    );
    assert_eq!(site.step(1), Some(BrineDraw));
    // A softener does without its backwash: the rest is served, and the bed is restored.
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert!(!site.controller.tanks()[0].is_unproven() && site.causes(1).is_empty());
}

/// Q5, L3: stepping over the draw leaves a bed that is not restored, and held until an operator decides.
#[test]
fn q5_stepping_over_the_draw_restores_nothing() {
    let mut site = watched::<1>(single_cam());
    site.gulp(4_000);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, BrineDraw, HOUR);
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    let tank = &site.controller.tanks()[0];
    assert!(tank.is_unproven());
    assert_eq!(tank.ledger().since_regeneration(), bedkeeper::units::Volume::from_litres(4_000));
    assert_eq!(site.holds(1), [Hold::OperatorHold]);
    // Vouched for, it serves on as it is; released, it would have regenerated.
    site.operate(Action::Vouch(ONE)).unwrap();
    site.run_for(DAY);
    assert!(!site.controller.tanks()[0].is_unproven() && site.causes(1).is_empty());
    assert_eq!(site.duty(1), DutyKind::Serving);
}

/// Q5: an abort on the way to a step goes no further than it must; a second one is heard out, too.
#[test]
fn q5_an_abort_while_the_valve_travels() {
    let mut site = watched::<1>(single_cam());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(6 * SEC);
    assert_eq!(site.operate(Action::Abort(ONE)), Ok(()));
    assert_eq!(site.operate(Action::Abort(ONE)), Err(Refused::NothingToStep));
    site.run_for(5 * MIN);
    assert_eq!((site.duty(1), site.valves[0].position()), (DutyKind::Serving, Some(Position::Service)));
    assert_eq!(site.holds(1), [Hold::OperatorHold]);
    assert!(!site.controller.tanks()[0].is_unproven(), "no brine was drawn");
}

/// Q5: aborted before the draw, a tank that alternates waits spent, with its causes, for an operator.
#[test]
fn q5_an_aborted_tank_waits_for_an_operator() {
    let mut site = watched::<2>(alternating_cam());
    site.gulp(10_000);
    site.run_until_step(1, Backwash, HOUR);
    site.operate(Action::Abort(ONE)).unwrap();
    site.run_for(25 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Spent, DutyKind::Serving));
    assert_eq!((site.causes(1), site.holds(1)), (vec![Cause::Exhausted], vec![Hold::OperatorHold]));
    assert!(site.alarm(Alarm::Overdue));
    site.operate(Action::Release(ONE)).unwrap();
    site.run_for(4 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
}

/// Q5: a hold keeps every start off the tank and nothing else; it ends no regeneration under way.
#[test]
fn q5_a_hold_stops_starts_only() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::Hold(ONE)).unwrap();
    site.gulp(10_000);
    site.run_for(5 * HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Spent, DutyKind::Serving), "it still changes over");
    assert_eq!(site.holds(1), [Hold::OperatorHold]);
    site.operate(Action::Release(ONE)).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.run_until_step(1, BrineDraw, HOUR);
    site.operate(Action::Hold(ONE)).unwrap();
    site.run_until_duty(1, DutyKind::Ready, 3 * HOUR);
    // The hold outlives the regeneration, and the brine's time.
    site.run_for(3 * HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!((site.duty(1), site.holds(1)), (DutyKind::Ready, vec![Hold::OperatorHold]));
}

/// Q5: a take-out that still waits for the other tank is called off by putting back.
#[test]
fn q5_a_take_out_is_called_off() {
    let mut site = watched::<2>(alternating_cam());
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, Backwash, HOUR);
    assert_eq!(site.operate(Action::TakeOut(ONE)), Err(Refused::WouldLeaveNoneServing), "the other regenerates");
    let mut site = watched::<2>(alternating_cam());
    site.valves[1].trouble.stuck = true;
    site.operate(Action::TakeOut(ONE)).unwrap();
    site.run_for(MIN);
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_for(HOUR);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Serving, DutyKind::Out));
    assert_eq!(site.valves[0].position(), Some(Position::Service));
}

/// Q5, Q1: somebody turns the valve on by hand and steps forward: it stands where the next step wants it, so that the step
/// runs from that instant, and no motor does.
#[test]
fn q5_a_step_forward_to_where_the_valve_was_turned_runs_at_once() {
    let mut site = Site::<1>::new(single_cam());
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_until_step(1, Backwash, HOUR);
    site.valves[0].put(Position::BrineDraw);
    site.tell_switches();
    site.run_for(500);
    site.hear();
    let stepped = site.now;
    site.operate(Action::StepForward(ONE)).unwrap();
    site.run_for(MIN);
    let said: Vec<_> = site.hear();
    let [(_, Event::StepEnded { step: Backwash, .. }), rest @ ..] = said.as_slice() else { panic!("{said:?}") };
    let expected = [
        Event::Operator { who: Who::Panel, action: Action::StepForward(ONE), granted: true },
        drive(1, DriveEvent::Confirmed(Position::BrineDraw)),
        Event::StepStarted { tank: ONE, step: BrineDraw },
    ];
    assert_eq!(rest, expected.map(|event| (stepped, event)));
}
