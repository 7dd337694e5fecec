//! What is stored is never misread: its shape goes with a version, and its settings with a mark (P1, P2, S11).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod support;

use bedkeeper::controller::RestoreRefused;
use bedkeeper::journal::Event;
use bedkeeper::retain::{Damaged, MAX_BYTES, Retained, VERSION};
use bedkeeper::settings::{RawLearned, Reserve};
use bedkeeper::units::{TankId, Volume};
use bedkeeper::{Action, Controller, RawSettings, Settings};
use support::*;

/// A fixed day of two tanks, ending in the middle of a regeneration.
fn day(raw: RawSettings) -> Site<2> {
    let mut site = Site::<2>::new(raw);
    site.run_to(HOUR);
    site.gulp(1_234);
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_for(30 * MIN);
    site
}

fn bytes(site: &Site<2>) -> Vec<u8> {
    site.controller.retained().encode::<1_536>().unwrap().to_vec()
}

/// P1, P2: the layout of the stored bytes belongs to a version. If this fails, what is retained or how it is written has
/// changed: raise `retain::VERSION` and put the new length and sum here, so that no older record is misread.
#[test]
fn p1_another_shape_needs_another_version() {
    let stored = bytes(&day(alternating()));
    let sum = stored.iter().fold(0u32, |sum, byte| sum.rotate_left(5) ^ u32::from(*byte));
    assert_eq!((VERSION, stored.len(), sum), LAYOUT);
}

/// Version, length and sum of the stored day.
const LAYOUT: (u8, usize, u32) = (7, 403, 2_129_506_522);

/// P2, S10: a record of another version, another number of tanks, or with a byte more or less is refused with its reason.
#[test]
fn p2_another_version_is_refused_with_the_reason() {
    let stored = bytes(&day(alternating()));
    assert!(Retained::<2>::decode(&stored).is_ok());
    for version in (0..=u8::MAX).filter(|version| *version != VERSION) {
        let mut other = stored.clone();
        other[0] = version;
        let refused = Retained::<2>::decode(&other).unwrap_err();
        assert_eq!(refused, Damaged::OtherVersion { found: version });
        assert!(refused.to_string().contains(&format!("layout {version} ")), "{refused}");
    }
    assert_eq!(Retained::<2>::decode(&[]), Err(Damaged::Empty));
    assert_eq!(Retained::<1>::decode(&stored), Err(Damaged::TankCount { found: 2 }));
    for cut in 2..stored.len() {
        assert!(Retained::<2>::decode(&stored[..cut]).is_err(), "cut at {cut}");
    }
}

/// S10, S11: a record of another plant is refused with its reason; with another capacity, reserve or derating it is taken up
/// and reckoned anew; nothing of it is read as if it were of the present settings.
#[test]
fn s11_a_record_of_other_settings_is_refused_or_reckoned_anew() {
    let site = day(alternating());
    let retained = Retained::<2>::decode(&bytes(&site)).unwrap();
    let restore = |change: fn(&mut RawSettings)| {
        let mut raw = alternating();
        change(&mut raw);
        Controller::<2>::restore(t(site.now), Settings::try_from(raw).unwrap(), &retained, None)
    };
    let other_plants: [fn(&mut RawSettings); 4] = [
        |raw| *raw = parallel(2),
        |raw| *raw = single(),
        |raw| raw.meter.place = bedkeeper::settings::MeterPlace::PerTank,
        |raw| raw.drive = index(false),
    ];
    for change in other_plants {
        let refused = restore(change).map(|_| ()).unwrap_err();
        assert_eq!(refused, RestoreRefused::OtherPlant);
        assert!(refused.to_string().contains("other tanks, arrangement, drives or meters"), "{refused}");
    }
    let left = |controller: &Controller<2>| controller.tanks()[0].ledger().remaining();
    let same = left(&restore(|_| ()).unwrap());
    let smaller = left(&restore(|raw| raw.medium = softener(9_000)).unwrap());
    let reckoned = same.minus(Volume::from_litres(1_000));
    assert!(smaller <= reckoned.plus(Volume::from_litres(200)) && smaller < same, "{smaller:?} {same:?}");
}

/// The bytes of a site at the most, looked at every quarter of an hour.
fn most_bytes(site: &mut Site<8>, hours: u64) -> usize {
    let length = |site: &Site<8>| site.controller.retained().encode::<MAX_BYTES>().map(|bytes| bytes.len());
    (0..4 * hours).fold(0, |most, _| {
        site.run_for(15 * MIN);
        most.max(length(site).unwrap())
    })
}

/// P1: eight tanks at work, forty years on and after 25 000 cubic metres in ten days, fit
/// the bytes that are set aside, with room for numbers that are longer still.
#[test]
fn p1_eight_busy_tanks_late_in_life_fit() {
    let mut raw = parallel(8);
    raw.reserve = Reserve::Learned(RawLearned::usual());
    raw.max_regenerating = 4;
    raw.brine.store_doses = 60_000;
    let mut site = Site::<8>::new(raw);
    let young = most_bytes(&mut site, 24);
    let retained = Retained::<8>::decode(&site.controller.retained().encode::<MAX_BYTES>().unwrap()).unwrap();
    let settings = site.controller.settings().clone();
    site.valves.iter_mut().for_each(|valve| valve.told = None);
    site.now += 40 * 365 * DAY;
    site.controller = Controller::restore(t(site.now), settings, &retained, None).unwrap();
    site.tell_switches();
    site.set_clock(MONDAY + 40 * 365, 0);
    let mut most = 0;
    for _ in 0..10 {
        (0..50).for_each(|_| site.gulp(50_000));
        for tank in 0..8 {
            let _ = site.operate(Action::StartNow(TankId(tank)));
        }
        most = most.max(most_bytes(&mut site, 24));
    }
    assert!(site.said.iter().any(|record| matches!(record.event, Event::Ended { .. })), "they were busy");
    assert!(most > young + 100, "{most} late, {young} young");
    assert!(most + MAX_BYTES / 10 <= MAX_BYTES, "{most} bytes");
}
