//! What tanks share is given by the step: S1 with several regenerations at once.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{RawSettings, RawStep, StepEnd};
use bedkeeper::units::{Flow, Millis, TankId};
use support::*;

const ONE: TankId = TankId(0);
const TWO: TankId = TankId(1);
const THREE: TankId = TankId(2);

fn plant<const N: usize>(raw: RawSettings) -> Site<N> {
    let most_away = usize::from(raw.max_regenerating);
    let mut site = watched::<N>(raw);
    site.observer.as_mut().unwrap().most_away = Some(most_away);
    site
}

fn at_once(tanks: u8, most: u8, draining: u8) -> RawSettings {
    let mut raw = parallel(tanks);
    raw.max_regenerating = most;
    raw.sharing.draining_together = draining;
    raw
}

fn regenerating<const N: usize>(site: &Site<N>) -> usize {
    site.controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Regenerating).count()
}

/// S1: two may regenerate at once but not discharge together: the second begins when the first gives
/// the drain back, for its refill, and what it waits for then is shown.
#[test]
fn s1_the_drain_is_shared_by_the_step() {
    let mut site = plant::<4>(at_once(4, 2, 1));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Regenerating, DutyKind::Serving));
    assert_eq!(site.holds(2), [Hold::DrainBusy]);
    site.run_until_step(1, StepKind::BrineRefill, 3 * HOUR);
    assert_eq!(site.duty(2), DutyKind::Regenerating);
    assert_eq!(regenerating(&site), 2);
    site.run_for(5 * HOUR);
    assert!(site.controller.tanks().iter().all(|t| t.duty().kind() == DutyKind::Serving));
    let complete = site.said.iter().filter(|r| matches!(r.event, Event::Ended { .. })).count();
    assert_eq!(complete, 2);
}

/// S1: the drain takes two, the brine tank one: the second waits before its draw, shut off, until the
/// first has left the brine position; `why` says so, and its time stands still.
#[test]
fn s1_a_step_waits_for_the_brine_in_a_safe_position() {
    let mut site = plant::<4>(at_once(4, 2, 2));
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    assert_eq!(regenerating(&site), 2);
    site.run_until_step(1, StepKind::BrineDraw, HOUR);
    site.run_for(10 * MIN);
    assert_eq!((site.step(2), site.holds(2)), (Some(StepKind::BrineDraw), vec![Hold::BrineBusy]));
    assert_eq!(site.valves[1].position(), Some(Position::Standby));
    let left =
        |r: &bedkeeper::journal::Record| matches!(r.event, Event::StepStarted { tank: ONE, step: StepKind::SlowRinse });
    while !site.said.iter().any(left) {
        assert_eq!(site.valves[1].position(), Some(Position::Standby), "at {}", site.now);
        site.run_for(SEC);
    }
    let freed = site.now;
    site.run_until_step(2, StepKind::BrineDraw, HOUR);
    assert!(site.now > freed && site.now < freed + 2 * MIN);
    assert_eq!(site.holds(2), []);
    site.run_for(5 * HOUR);
    let ran: Vec<Millis> = site
        .said
        .iter()
        .filter_map(|r| match r.event {
            Event::StepEnded { tank: TWO, step: StepKind::BrineDraw, ran, .. } => Some(ran),
            _ => None,
        })
        .collect();
    assert_eq!(ran, [Millis::from_mins(30)]);
    assert!(site.controller.tanks().iter().all(|t| t.duty().kind() == DutyKind::Serving));
}

/// S1, C8: where the brine tank makes one dose at a time, it is one regeneration's from first to last:
/// another is not started only to stand off-line and wait.
#[test]
fn s1_one_dose_is_for_one_regeneration() {
    let mut raw = at_once(4, 2, 2);
    raw.brine_ready_after = Millis::from_mins(60);
    let mut site = plant::<4>(raw);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    assert_eq!((site.duty(2), site.holds(2)), (DutyKind::Serving, vec![Hold::BrineBusy]));
    site.run_until_duty(1, DutyKind::Serving, 3 * HOUR);
    assert_eq!(site.holds(2), [Hold::BrineNotReady]);
    site.run_for(61 * MIN);
    assert_eq!(site.duty(2), DutyKind::Regenerating);
}

/// S1, Q3: made first, the brine is kept for the one that made it until it has drawn it, also while
/// it waits for the drain; nobody waits in a circle.
#[test]
fn s1_brine_made_first_is_kept_for_who_made_it() {
    let mut raw = at_once(3, 2, 1);
    let step =
        |kind, mins, drain| RawStep { kind, length: Millis::from_mins(mins), end: StepEnd::Time, drain: Flow(drain) };
    raw.program = [
        step(StepKind::BrineRefill, 6, 0),
        step(StepKind::BrineWait, 60, 0),
        step(StepKind::Backwash, 10, 8_000),
        step(StepKind::BrineDraw, 30, 1_500),
        step(StepKind::SlowRinse, 30, 1_500),
        step(StepKind::FastRinse, 10, 8_000),
    ]
    .into_iter()
    .collect();
    let mut site = plant::<3>(raw);
    for tank in [ONE, TWO, THREE] {
        site.operate(Action::StartNow(tank)).unwrap();
    }
    assert_eq!((regenerating(&site), site.holds(2)), (1, vec![Hold::BrineBusy]));
    site.run_until_step(1, StepKind::SlowRinse, 3 * HOUR);
    site.run_for(SEC);
    assert_eq!((regenerating(&site), site.step(2)), (2, Some(StepKind::BrineRefill)));
    site.run_for(12 * HOUR);
    assert!(
        site.controller.tanks().iter().all(|t| t.duty().kind() == DutyKind::Serving && t.demand().causes().is_empty())
    );
}

/// S1, V3: a drive lost where it discharges keeps the drain until an operator has put it right; the
/// other regeneration waits, and then goes on where it stood.
#[test]
fn s1_a_lost_drive_keeps_the_drain() {
    let mut site = plant::<4>(at_once(4, 2, 1));
    site.observer.as_mut().unwrap().most_away = None;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(1, StepKind::FastRinse, 3 * HOUR);
    site.valves[0].quirks.sticks_at_milli = Some(4_000);
    site.run_until_duty(1, DutyKind::Out, HOUR);
    assert_eq!((site.duty(2), site.holds(2)), (DutyKind::Serving, vec![Hold::DrainBusy]));
    site.run_for(DAY);
    assert_eq!(site.duty(2), DutyKind::Serving);
    site.mend();
    site.operate(Action::PutBack(ONE)).unwrap();
    site.run_for(8 * HOUR);
    assert!(
        site.controller.tanks().iter().all(|t| t.duty().kind() == DutyKind::Serving && t.demand().causes().is_empty())
    );
}

/// S1, V3: the drain takes two, and two have it; a third valve that is then lost may be open to it as well: the one that began
/// last gives way, shut off, and `why` says so.
#[test]
fn s1_a_lost_drive_takes_the_place_of_another() {
    let mut raw = at_once(4, 3, 2);
    raw.program[0].length = Millis::from_mins(90);
    let mut site = plant::<4>(raw);
    site.observer = None;
    site.operate(Action::StartNow(ONE)).unwrap();
    site.operate(Action::StartNow(TWO)).unwrap();
    site.run_until_step(2, StepKind::Backwash, HOUR);
    let discharges =
        |site: &Site<4>, tank: usize| site.valves[tank].position().is_some_and(|position| position.discharges());
    assert!(discharges(&site, 0) && discharges(&site, 1));
    site.valves[2].put_after(Position::Service);
    site.valves[2].trouble.stuck = true;
    site.tell_switches();
    site.run_until_duty(3, DutyKind::Out, HOUR);
    site.run_for(5 * MIN);
    assert!(discharges(&site, 0) && !discharges(&site, 1));
    assert_eq!((site.holds(1), site.holds(2)), (vec![], vec![Hold::DrainBusy]));
}

/// S1, S2: up to n - 1 at once: seven of eight, one serves; three may discharge together.
#[test]
fn s1_seven_of_eight_at_once() {
    let mut raw = at_once(8, 7, 3);
    raw.medium = softener(10_000);
    let mut site = plant::<8>(raw);
    (0..8).for_each(|i| site.operate(Action::StartNow(TankId(i))).unwrap());
    assert_eq!(regenerating(&site), 3, "three can backwash together, and the rest serves on meanwhile");
    let mut most = 0;
    for _ in 0..48 * 6 {
        site.run_for(10 * MIN);
        most = most.max(regenerating(&site));
    }
    assert!((4..=7).contains(&most), "{most}");
    assert!(
        site.controller.tanks().iter().all(|t| t.duty().kind() == DutyKind::Serving && t.demand().causes().is_empty())
    );
    let salted = site.observer.as_ref().unwrap().salted_ms;
    assert!(salted > 0);
}
