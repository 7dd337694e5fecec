//! Random lives of sites where several tanks serve: S1, S2, S3, S5, S7, S9, S12 with 2, 3, 4 and 8 tanks.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::Action;
use bedkeeper::demand::Hold;
use bedkeeper::duty::DutyKind;
use bedkeeper::settings::{RawDrive, RawSettings};
use bedkeeper::units::{Flow, Millis, TankId};
use bedkeeper::watch::Alarm;
use proptest::prelude::*;
use support::lives::{any_cam, any_drive, config, quiet_moment, rough_moment};
use support::*;

/// A parallel or staged site of 2, 3, 4 or 8 tanks that share what they share in some way.
fn any_site(drive: impl Strategy<Value = RawDrive>) -> impl Strategy<Value = RawSettings> {
    let tanks = proptest::sample::select(vec![2u8, 3, 4, 8]);
    let brine = proptest::sample::select(vec![0u32, 30]);
    (drive, tanks, any::<bool>(), 0..8u8, 1..3u8, brine, any::<bool>()).prop_map(
        |(drive, tanks, is_staged, most, draining, brine, carries)| {
            let raw = if is_staged { staged(tanks) } else { parallel(tanks) };
            let mut raw = with_drive(raw, drive);
            raw.max_regenerating = 1 + most % (tanks - 1);
            raw.sharing.draining_together = draining;
            raw.brine_ready_after = Millis::from_mins(brine);
            raw.sharing.tank_flow = if carries { Flow(30_000) } else { Flow(0) };
            raw
        },
    )
}

fn plant(raw: RawSettings) -> Site<8> {
    let is_staged = raw.arrangement == bedkeeper::settings::Arrangement::Staged;
    let most_away = usize::from(if is_staged { raw.tanks } else { raw.max_regenerating });
    let mut site = watched::<8>(raw);
    site.run_for(5 * MIN);
    site.observer.as_mut().unwrap().most_away = Some(most_away);
    site
}

fn tanks(site: &Site<8>) -> impl Iterator<Item = u8> + use<> {
    1..=u8::try_from(site.controller.tanks().len()).unwrap()
}

proptest! {
    #![proptest_config(config(40))]

    /// S1, S2, S3, S5, S7, S12, A3, A4: with working drives the floor holds at every instant by the
    /// plant's own valves, whatever operators ask for and however much water flows; no more discharge
    /// or use the brine tank together than may.
    #[test]
    fn s2_the_floor_holds_at_every_instant(
        raw in any_site(any_drive()),
        moments in proptest::collection::vec(quiet_moment(8), 1..25),
    ) {
        let mut site = plant(raw);
        for moment in moments {
            site.live(moment);
            let a = site.controller.accounts();
            prop_assert_eq!(a.metered.0, a.charged.0 + a.untreated.0 + a.drained.0);
        }
    }

    /// S9: once drives work and nobody asks for anything, the plant is back to normal duty within
    /// some days, or an alarm that stands or an operator's hold says why an operator is needed; and
    /// an operator can end it.
    #[test]
    fn s9_the_plant_comes_back_or_says_who_must_act(
        raw in any_site(any_cam()),
        moments in proptest::collection::vec(rough_moment(8), 1..30),
    ) {
        let mut site = plant(raw);
        site.observer.as_mut().unwrap().most_away = None;
        for moment in moments {
            site.live(moment);
        }
        site.mend();
        site.run_for(5 * DAY);
        let alarms = site.alarms();
        for tank in tanks(&site) {
            let holds = site.holds(tank);
            let held = holds.contains(&Hold::OperatorHold);
            let explained = match site.duty(tank) {
                DutyKind::Serving | DutyKind::Ready => {
                    site.causes(tank).is_empty() || held || holds.contains(&Hold::NoTankToRelieve)
                        || alarms.contains(&Alarm::ValveLost)
                }
                DutyKind::Out => alarms.contains(&Alarm::TankOut),
                DutyKind::Spent => held || (!holds.is_empty() && alarms.contains(&Alarm::ValveLost)),
                DutyKind::Regenerating => !holds.is_empty() && alarms.contains(&Alarm::ValveLost),
                DutyKind::Purging | DutyKind::Refilling => false,
            };
            prop_assert!(
                explained,
                "tank {} is {} with holds {:?}, causes {:?}, alarms {:?}",
                tank, site.duty(tank), holds, site.causes(tank), alarms
            );
        }
        let serving = tanks(&site).filter(|n| site.duty(*n) == DutyKind::Serving).count();
        prop_assert!(serving >= 1 || alarms.contains(&Alarm::NoTankServing));
        for tank in tanks(&site) {
            let _ = site.operate(Action::PutBack(TankId(tank - 1)));
            let _ = site.operate(Action::Release(TankId(tank - 1)));
        }
        site.run_for(6 * DAY);
        for tank in tanks(&site) {
            prop_assert!(matches!(site.duty(tank), DutyKind::Serving | DutyKind::Ready), "{}", site.duty(tank));
            prop_assert!(site.causes(tank).is_empty());
        }
        prop_assert_eq!(site.alarms(), [Alarm::ClockUnset; 0]);
    }
}

/// S1, V3: two lost valves are put back at once: until the second is found, which may stand open to the
/// drain, no other tank starts.
#[test]
fn s1_a_valve_that_is_not_found_yet_may_be_open() {
    use bedkeeper::program::Position;
    let raw = with_drive(staged(4), cam_with(bedkeeper::settings::CamFeedback::HomeAndStop, false));
    let mut site = plant(raw);
    site.observer.as_mut().unwrap().most_away = None;
    site.valves[0].quirks.sticks_at_milli = Some(101);
    site.operate(Action::StartNow(TankId(2))).unwrap();
    site.run_until_step(3, bedkeeper::program::StepKind::Backwash, HOUR);
    site.valves[2].trouble.stuck = true;
    site.gulp(12_500);
    site.run_for(DAY);
    assert_eq!((site.duty(1), site.duty(3)), (DutyKind::Out, DutyKind::Out));
    site.mend();
    site.operate(Action::PutBack(TankId(0))).unwrap();
    site.operate(Action::PutBack(TankId(2))).unwrap();
    assert_eq!(site.valves[2].position(), Some(Position::Backwash));
    site.operate(Action::StartNow(TankId(1))).unwrap();
    site.operate(Action::StartNow(TankId(3))).unwrap();
    // The observer looks whether two discharge.
    site.run_for(5 * DAY);
    assert!(tanks(&site).all(|n| site.causes(n).is_empty()));
}
