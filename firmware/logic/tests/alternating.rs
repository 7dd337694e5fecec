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

use bedkeeper::demand::{Cause, Hold, HoldSet};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason};
use bedkeeper::sequence::Outcome;
use bedkeeper::units::{SaltMass, TankId, Volume};
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
