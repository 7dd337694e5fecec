//! What is just good, and what has several faults at once.

use super::*;

/// S11: values at the ends of their ranges are good.
#[test]
fn s11_the_ends_of_ranges_are_good() {
    let good: &[Change] = &[
        |r| (r.meter.pulse_nl, r.meter.pulse_divisor) = (1_000_000_000_000_000, 1_000_000),
        |r| r.meter.min_closed = Millis(590),
        |r| r.meter.noisy_per_mille = 1,
        |r| (r.watch.small_flow, r.watch.unbroken_after) = (Flow(1), Millis(60_000_001)),
        |r| relay_of(r, R::WhileFlow).longest_on = Millis(1),
        |r| relay_of(r, R::WhileFlow).min_on = Millis::from_hours(24),
        |r| give_relay(r, after(6_599_999, 1)),
        |r| give_relay(r, dose(10, 5_000)),
        |r| {
            let relay = relay_of(r, dose(10, 5_000));
            (relay.min_on, relay.longest_on) = (Millis(5_000), Millis(5_000));
        },
        |r| r.meter.noisy_per_mille = 1_000,
        |r| r.reserve = Reserve::Share(999),
        |r| learned(r, |l| (l.deviations, l.absence_percent) = (10, 50)),
        |r| learned(r, |l| (l.floor_per_mille, l.ceiling_per_mille, l.until_known_per_mille) = (999, 999, 999)),
        |r| learned(r, |l| l.ceiling_per_mille = 1),
        |r| r.reserve = Reserve::Fixed(Volume(Volume::from_litres(10_000).0 - 1)),
        |r| softener_of(r).1.0 = 100_000,
        |r| softener_of(r).2.0 = 1_000_000_000,
        |r| cam_of(r, |travel, _, coast, _| (*travel, *coast) = (Millis(1_000), Millis(100))),
        |r| r.drive = index(&[0, 7, 14, 21, 28], 35),
        |r| r.drive = pilots(&[0, 1, 2, 3, 255], Millis(600_000)),
        |r| r.drive = pilots_that_tell(Millis::from_secs(5), Millis::ZERO),
        |r| r.drive = pilots_that_tell(Millis::from_mins(30), Millis::ZERO),
        |r| cam_of(r, |travel, _, _, _| *travel = Millis(1_800_000)),
        |r| cam_of(r, |_, rest, coast, retries| (*rest, *coast, *retries) = (Millis(100), Millis(24_000), 10)),
        |r| r.drive = timed(&[0, 10, 20, 30, 40], Millis(0)),
        |r| r.program[2].length = Millis(43_200_000),
        |r| r.dose_after_backwash_percent = 400,
        |r| r.hour_minute = 1_439,
        |r| (r.hour_grace, r.contact_debounce) = (Millis(43_200_000), Millis(10)),
        |r| r.windows.push(all_day(1_439, 0)).unwrap(),
        |r| r.windows.push(all_day(0, 1_440 - 110)).unwrap(),
        |r| r.discharge_limit = Volume::from_litres(250),
        |r| (r.power.resume_within, r.power.max_restarts) = (Millis(43_200_000), 10),
        |r| (r.power.resume_within, r.power.max_restarts) = (Millis::ZERO, 0),
        |r| (r.derating.per_year_per_mille, r.derating.least_per_mille) = (200, 200),
        |r| (r.derating.failed_test_per_mille, r.derating.passed_test_per_mille) = (500, 500),
        |r| (r.derating.least_per_mille, r.derating.restore_to_per_mille) = (1_000, 1_000),
        |r| (r.metals.iron_ug_per_l, r.metals.manganese_ug_per_l) = (50_000, 50_000),
        |r| (r.metals.iron_counts_as, r.metals.manganese_counts_as) = (Hardness(500_000), Hardness(500_000)),
        |r| r.power.retain_per_mille = 1,
        |r| r.power.retain_per_mille = 100,
        |r| r.windows = (0..8).map(|i| all_day(i, i + 1)).collect(),
    ];
    for (i, change) in good.iter().enumerate() {
        let mut raw = single();
        change(&mut raw);
        assert_eq!(faults(&raw), [], "change {i}");
    }
}

/// S11: a valve with one position is none; with two it is one, whatever else it lacks.
#[test]
fn s11_a_valve_has_two_positions() {
    let too_few = |positions: &[Position]| {
        let raw = RawSettings { drive: cam(positions), ..single() };
        faults(&raw).contains(&("drive.positions", None, Problem::PositionsNotDistinct))
    };
    assert!(too_few(&[]) && too_few(&[Position::Service]));
    assert!(!too_few(&[Position::Service, Position::Backwash]));
    assert!(too_few(&[Position::Service, Position::Backwash, Position::Service]));
}

/// S11: what is amiss is said once: one tank that is to share has no other that must serve on, and a filter of nothing is no
/// filter that a pulse is too much for.
#[test]
fn s11_one_fault_is_not_told_as_two() {
    let raw = RawSettings { tanks: 1, ..parallel(2) };
    let problems: Vec<_> = faults(&raw).into_iter().map(|(_, _, problem)| problem).collect();
    assert!(problems.contains(&Problem::SharingNeedsSeveralTanks) && !problems.contains(&Problem::OneMustServe));
    let mut raw = single();
    filter(&mut raw);
    raw.medium = Medium::Filter { capacity: Volume::ZERO };
    assert_eq!(faults(&raw), [("medium.capacity", None, Problem::Zero)]);
}

/// S11: the whole set is checked: every fault is listed at once, and more than fit are counted.
#[test]
fn s11_every_fault_is_listed_at_once() {
    let mut raw = single();
    raw.program.clear();
    raw.backwash_every = 0;
    raw.dose_after_backwash_percent = 0;
    raw.hour_minute = 5_000;
    raw.purge = Millis::ZERO;
    let found: Vec<&str> = faults(&raw).iter().map(|f| f.0).collect();
    assert_eq!(found, ["program", "backwash_every", "dose_after_backwash_percent", "hour_minute", "purge"]);
    raw.windows = (0..8).map(|_| window(Weekdays::EMPTY, 2_000, 2_000)).collect();
    raw.meter = RawMeter { pulse_divisor: 0, rated_max: Flow(0), noisy_per_mille: 0, ..raw.meter };
    raw.drive = cam(&[]);
    raw.tanks = 7;
    raw.max_regenerating = 7;
    let faults = Settings::try_from(raw).unwrap_err();
    assert_eq!((faults.listed().len(), faults.more()), (24, faults.count() - 24));
    assert!(faults.count() >= 27);
    let text = faults.to_string();
    assert_eq!(text.lines().count(), 25);
    assert!(text.contains("windows[0]: must name at least one weekday"), "{text}");
    assert!(text.ends_with(&format!("and {} more\n", faults.more())));
}
