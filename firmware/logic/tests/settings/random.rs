//! Random settings and spoilt bytes: faulty or sound, never a panic.

use super::*;

fn any_positions() -> impl Strategy<Value = Vec<Position>> {
    proptest::collection::vec(proptest::sample::select(Position::ALL), 0..8)
}

fn any_drive() -> impl Strategy<Value = RawDrive> {
    let cam = (any_positions(), any::<[bool; 2]>(), any::<[u32; 3]>(), any::<u8>()).prop_map(|(p, on, ms, retries)| {
        RawDrive::CamSwitch {
            positions: p.into_iter().collect(),
            feedback: if on[0] { CamFeedback::HomeAndStop } else { CamFeedback::SwitchPerPosition },
            reversible: on[1],
            travel_limit: Millis(ms[0]),
            rest: Millis(ms[1]),
            coast: Millis(ms[2]),
            retries,
        }
    });
    let timed = (any_positions(), any::<[u32; 8]>(), any::<[u32; 2]>()).prop_map(|(p, at, ms)| RawDrive::Timed {
        positions: p.into_iter().zip(at.map(Millis)).collect(),
        margin: Millis(ms[0]),
        rest: Millis(ms[1]),
    });
    let index =
        (any_positions(), any::<[u8; 12]>(), any::<[u32; 3]>(), any::<bool>()).prop_map(|(p, at, ms, reversible)| {
            RawDrive::CamIndex {
                positions: p.into_iter().zip(at).collect(),
                marks: at[8],
                slip_marks: at[9],
                coast_marks: at[10],
                reversible,
                travel_limit: Millis(ms[0]),
                rest: Millis(ms[1]),
                coast: Millis(ms[2]),
                retries: at[11],
            }
        });
    let pilots = (any_positions(), any::<[u8; 8]>(), any::<[u32; 4]>(), any::<bool>(), any::<u8>()).prop_map(
        |(p, at, ms, contact, retries)| RawDrive::PilotArray {
            positions: p.into_iter().zip(at).collect(),
            contact,
            settle: Millis(ms[0]),
            margin: Millis(ms[1]),
            travel_limit: Millis(ms[2]),
            rest: Millis(ms[3]),
            retries,
        },
    );
    let ends = (proptest::sample::select(Position::ALL), any::<[u32; 2]>(), any::<u8>()).prop_map(
        |(position, ms, retries)| RawDrive::TwoPosition {
            positions: [Position::Service, position],
            valve: RawTwoPosition { travel_limit: Millis(ms[0]), rest: Millis(ms[1]), retries },
        },
    );
    prop_oneof![cam, timed, index, pilots, ends]
}

/// Settings of which each part is good or anything at all.
fn any_raw() -> impl Strategy<Value = RawSettings> {
    let step = (proptest::sample::select(StepKind::ALL), 0..4u32, any::<u32>())
        .prop_map(|(kind, hours, drain)| RawStep::timed(kind, Millis::from_hours(hours), Flow(drain)));
    let windows = proptest::collection::vec(
        (0..128u8, 0..1_500u16, 0..1_500u16).prop_map(|(days, from, to)| {
            let days = postcard::from_bytes::<Weekdays>(&[days]).unwrap();
            window(days, from, to)
        }),
        0..8,
    );
    let parts = (any::<[bool; 12]>(), any::<[u64; 4]>(), any::<[u32; 8]>(), any::<[u16; 4]>(), any::<[u8; 4]>());
    (site_of_any_kind(), parts, windows, proptest::collection::vec(step, 0..12), any_drive()).prop_map(
        |(mut raw, (on, big, mid, small, tiny), windows, program, drive)| {
            if on[0] {
                raw.medium = Medium::Softener {
                    hardness: Hardness(mid[0]),
                    capacity: Exchange(big[0]),
                    total: Exchange(big[1]),
                };
            } else if on[1] {
                raw.medium = Medium::Filter { capacity: Volume(big[0]) };
            }
            if on[2] {
                raw.meter.pulse_nl = big[2];
                raw.meter.pulse_divisor = mid[1];
                raw.meter.rated_max = Flow(mid[2]);
            }
            if on[3] {
                raw.reserve = if on[4] { Reserve::Fixed(Volume(big[3])) } else { Reserve::Share(small[0]) };
            }
            if on[5] {
                (raw.hour_minute, raw.hour_grace) = (small[1], Millis(mid[3]));
                raw.schedule = Schedule::EveryDays(tiny[0]);
            }
            if on[6] {
                raw.windows = windows.into_iter().collect();
            }
            if on[7] {
                raw.program = program.into_iter().collect();
            }
            if on[8] {
                raw.drive = drive;
            }
            if on[9] {
                (raw.tanks, raw.max_regenerating, raw.backwash_every) = (tiny[1], tiny[2], tiny[3]);
            }
            if on[10] {
                (raw.dose_after_backwash_percent, raw.purge, raw.stale_after) =
                    (small[2], Millis(mid[4]), Millis(mid[5]));
                raw.discharge_limit = Volume(big[3]);
            }
            raw
        },
    )
}

fn site_of_any_kind() -> impl Strategy<Value = RawSettings> {
    prop_oneof![Just(single()), Just(alternating()), (2..=8u8).prop_map(parallel), (2..=8u8).prop_map(staged)]
}

/// What every valid set of settings gives the rest of the logic to build on.
fn assert_sound(settings: &Settings) {
    match settings.arrangement {
        Arrangement::Single => assert_eq!((settings.tanks, settings.max_regenerating), (1, 1)),
        Arrangement::Alternating => assert_eq!((settings.tanks, settings.max_regenerating), (2, 1)),
        Arrangement::Parallel | Arrangement::Staged => {
            assert!((2..=8).contains(&settings.tanks) && (1..settings.tanks).contains(&settings.max_regenerating));
            assert!(settings.positions().contains(Position::Standby));
        }
    }
    let positions = settings.positions();
    assert!(positions.contains(Position::Service));
    let runs = || settings.program.iter().filter(|s| s.length.0 > 0);
    assert!(runs().count() > 0);
    for step in runs() {
        let position = step.kind.position(positions).unwrap();
        assert_eq!(settings.position_of(step.kind), position);
        assert!(step.length <= Millis::from_hours(12));
    }
    let place = |kind| runs().position(|s| s.kind == kind);
    if let Medium::Softener { hardness, capacity, total } = settings.medium {
        assert!(hardness.0 > 0 && capacity.0 > 0 && total >= capacity);
        let draw = place(StepKind::BrineDraw).unwrap();
        let slow = runs().skip(draw).position(|s| s.kind == StepKind::SlowRinse).unwrap() + draw;
        assert!(runs().skip(slow).any(|s| s.kind == StepKind::FastRinse));
    } else {
        assert_eq!((place(StepKind::BrineDraw), settings.backwash_every), (None, 1));
        assert!(place(StepKind::Backwash).is_some());
    }
    assert!(settings.meter_settings().pulse() > Volume::ZERO);
    assert!((1_000..=1_800_000).contains(&settings.travel_limit().0));
    let length_s = settings.longest_regeneration().0.div_ceil(1_000);
    assert!(Week::new(&settings.windows).fits_in_s(0, length_s, settings.finish_before_window).is_some());
    assert!(settings.windows.iter().all(|w| w.days.first().is_some()));
    let limit = settings.discharge_limit;
    assert!(limit == Volume::ZERO || settings.drain_per_regeneration() <= limit);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1_500, ..ProptestConfig::default() })]

    /// S11: any settings at all are either faulty, at named fields, or sound; a controller runs on the sound ones.
    #[test]
    fn s11_random_settings_are_faulty_or_sound(raw in any_raw()) {
        match Settings::try_from(raw.clone()) {
            Err(faults) => {
                prop_assert!(!faults.is_empty() && faults.count() > 0);
                prop_assert!(faults.listed().iter().all(|f| !f.field.is_empty() && !f.problem.slug().is_empty()));
            }
            Ok(settings) => {
                prop_assert_eq!(settings.raw(), &raw);
                assert_sound(&settings);
                let mut controller = Controller::<8>::new(t(0), settings).unwrap();
                for n in 1..200u64 {
                    let at = controller.next_deadline().unwrap_or(t(n * HOUR)).max(t(n));
                    let taken = controller.handle(at, bedkeeper::Input::Pulses { meter: 0, count: 1_000 });
                    prop_assert!(taken.is_ok());
                    while controller.take_record().is_some() {}
                    prop_assert!(controller.next_deadline().is_none_or(|d| d > at));
                }
            }
        }
    }

    /// S11: whatever bytes are read as settings, nothing panics and nothing unsound comes out.
    #[test]
    fn s11_arbitrary_bytes_never_yield_bad_settings(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(raw) = postcard::from_bytes::<RawSettings>(&bytes) {
            let _ = Settings::try_from(raw);
        }
        if let Ok(settings) = postcard::from_bytes::<Settings>(&bytes) {
            assert_sound(&settings);
        }
    }

    /// S11: stored settings with a byte or two spoilt are refused or sound, and agree with their own check.
    #[test]
    fn s11_spoilt_bytes_never_yield_bad_settings(
        raw in support::random::site(),
        spoils in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let settings = Settings::try_from(raw).unwrap();
        let mut bytes = postcard::to_allocvec(&settings).unwrap();
        prop_assert_eq!(&postcard::from_bytes::<Settings>(&bytes).unwrap(), &settings);
        for (place, value) in spoils {
            let at = place.index(bytes.len());
            bytes[at] = value;
        }
        if let Ok(read) = postcard::from_bytes::<Settings>(&bytes) {
            assert_sound(&read);
            // What is derived is derived again, whatever was stored beside it.
            prop_assert_eq!(&Settings::try_from(read.raw().clone()).unwrap(), &read);
        }
    }
}
