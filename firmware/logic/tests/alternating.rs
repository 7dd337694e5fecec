//! Two tanks take turns.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::float_arithmetic,
    clippy::panic
)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::{Cause, Hold, HoldSet};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::RawDrive;
use bedkeeper::units::{Millis, SaltMass, TankId, Volume};
use bedkeeper::watch::Alarm;
use support::*;

/// A2, S3: at the switching point the other tank takes over, then the spent one regenerates at once; nothing else happens.
#[test]
fn a2_two_tanks_take_turns() {
    let (one, two) = (TankId(0), TankId(1));
    let mut site = Site::<2>::new(alternating());
    site.run_to(6 * HOUR);
    site.hear();
    site.draw(9_999, 1_000);
    assert_eq!(site.hear(), []);
    site.draw(1, 999);
    let spent = site.now;
    site.run_for(3 * HOUR);
    let said = site.hear_duties();
    let holds = |list: &[Hold]| {
        let mut set = HoldSet::EMPTY;
        for hold in list {
            set.insert(*hold);
        }
        set
    };
    let events: Vec<Event> = said.iter().map(|(_, e)| *e).collect();
    let mut causes = bedkeeper::demand::CauseSet::EMPTY;
    causes.insert(Cause::Exhausted);
    assert_eq!(
        events,
        [
            Event::Asked { tank: one, cause: Cause::Exhausted },
            Event::ChangeoverBegan { from: Some(one), to: two },
            Event::Held { tank: one, holds: holds(&[Hold::ChangingOver]) },
            Event::Duty { tank: two, duty: DutyKind::Serving, reason: Reason::TookOver },
            Event::Duty { tank: one, duty: DutyKind::Spent, reason: Reason::Relieved },
            Event::Started { tank: one, leading: Cause::Exhausted, causes, asked_at: t(spent) },
            Event::Duty { tank: one, duty: DutyKind::Regenerating, reason: Reason::Started },
            Event::Ended {
                tank: one,
                outcome: Outcome::Complete,
                volume: Volume::from_litres(10_000),
                overrun: Volume::ZERO,
                salt: SaltMass(3_000_000),
            },
            Event::Duty { tank: one, duty: DutyKind::Ready, reason: Reason::Ended(Outcome::Complete) },
        ]
    );
    assert_eq!(said[0].0, spent);
    assert_eq!((site.duty(1), site.duty(2)), (DutyKind::Ready, DutyKind::Serving));
    assert_eq!(site.controller.tanks()[0].ledger().remaining(), Volume::from_litres(10_000));
}

/// S3, S2: a tank that regenerates is turned into service by hand while the other, which alone is to serve, is on its way
/// there: it stays until that one has confirmed.
#[test]
fn s3_a_valve_found_in_service_waits_for_the_tank_that_comes() {
    let (one, two) = (TankId(0), TankId(1));
    let mut raw = alternating();
    if let RawDrive::CamSwitch { travel_limit, retries, .. } = &mut raw.drive {
        (*travel_limit, *retries) = (Millis::from_secs(90), 0);
    }
    let mut site = Site::<2>::new(raw);
    site.operate(Action::StartNow(one)).unwrap();
    site.run_until_step(1, StepKind::Backwash, HOUR);
    // The other is lost, and comes back by a person's word.
    site.valves[1].put(Position::Standby);
    site.valves[1].trouble.stuck = true;
    site.tell_switches();
    site.run_until_duty(2, DutyKind::Out, 5 * MIN);
    site.valves[1].trouble.stuck = false;
    site.operate(Action::Vouch(two)).unwrap();
    site.run_for(SEC);
    site.valves[0].put(Position::Service);
    site.tell_switches();
    site.hear();
    let turned = site.now;
    site.run_for(MIN);
    let (moved, back) = (turned + SEC, turned + 8_500 + 9_500);
    let took_over = turned + 8_500;
    let expected = [
        (moved, drive(1, DriveEvent::MovedAway(Position::Backwash))),
        (moved, Event::StepInterrupted { tank: one, step: StepKind::Backwash }),
        (moved, Event::AlarmRaised(Alarm::ValveMoved)),
        (took_over, drive(2, DriveEvent::Confirmed(Position::Service))),
        (took_over, Event::Duty { tank: two, duty: DutyKind::Serving, reason: Reason::TookOver }),
        (took_over, drive(1, DriveEvent::Moving(Position::Backwash))),
        (took_over, Event::AlarmCleared(Alarm::NoTankServing)),
        (back, drive(1, DriveEvent::Confirmed(Position::Backwash))),
        (back, Event::StepStarted { tank: one, step: StepKind::Backwash }),
        (back, Event::AlarmCleared(Alarm::ValveMoved)),
    ];
    assert_eq!(site.hear(), expected);
}
