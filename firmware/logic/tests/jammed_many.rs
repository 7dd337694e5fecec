//! Valves that jam where several tanks serve: the plant goes on or says who must act (S9), with the very
//! conversations in which it once did not.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::program::Position;
use bedkeeper::settings::CamFeedback;
use bedkeeper::units::TankId;
use support::*;

/// S2, S3, S9, A7: two valves jam and are put back at once where only one tank may be away. Of those that
/// serve too few are left for the floor, and none can come before these two have regenerated: the one that stands
/// in service leaves all the same, since it serves nobody.
#[test]
fn s9_two_tanks_put_back_together_do_not_wait_for_each_other() {
    let raw = with_drive(parallel(4), cam_with(CamFeedback::SwitchPerPosition, false));
    let mut site = watched::<8>(raw);
    site.gulp(8_739);
    site.valves[3].trouble.stuck = true;
    site.gulp(1_261);
    site.run_for(4 * MIN);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_for(8 * MIN);
    // The first is given up, the second begins.
    site.run_until_duty(4, DutyKind::Out, HOUR);
    site.valves[0].quirks.sticks_at_milli = Some(101);
    site.run_until_duty(1, DutyKind::Out, HOUR);
    assert_eq!(site.valves[3].position(), Some(Position::Service));
    site.mend();
    site.operate(Action::PutBack(TankId(0))).unwrap();
    site.operate(Action::PutBack(TankId(3))).unwrap();
    site.run_for(2 * MIN);
    assert_eq!((site.duty(1), site.duty(4)), (DutyKind::Regenerating, DutyKind::Spent));
    assert_eq!(site.holds(4), [Hold::OtherRegenerating]);
    assert_eq!(site.valves[3].position(), Some(Position::Standby));
    // A serving tank that is exhausted meanwhile waits, so that no more are missing than the two.
    site.gulp(10_000);
    let mut fewest = 4;
    for _ in 0..6 * 60 {
        let serves = |n: &u8| site.valves[usize::from(*n)].position() == Some(Position::Service);
        fewest = fewest.min((0..4u8).filter(serves).count());
        site.run_for(MIN);
    }
    assert_eq!(fewest, 2);
    site.run_for(DAY);
    for tank in 1..=4 {
        assert_eq!((site.duty(tank), site.causes(tank)), (DutyKind::Serving, vec![]), "tank {tank}");
    }
    assert_eq!(site.alarms(), []);
}
