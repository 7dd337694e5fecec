//! Every fault that settings can have, each at its field.

use super::*;

/// S11: every fault there is, each by exactly one change to good settings, at its field.
#[test]
fn s11_every_problem_is_found_at_its_field() {
    use Problem as P;
    let single_site: &[(Change, &str, Option<u8>, P)] = &[
        (|r| r.tanks = 2, "tanks", None, P::SingleNeedsOneTank),
        (|r| r.tanks = 0, "tanks", None, P::SingleNeedsOneTank),
        (|r| r.max_regenerating = 0, "max_regenerating", None, P::OneAtATime),
        (|r| r.max_regenerating = 2, "max_regenerating", None, P::OneAtATime),
        (|r| softener_of(r).0.0 = 0, "medium.hardness", None, P::Zero),
        (|r| softener_of(r).1.0 = 0, "medium.capacity", None, P::Zero),
        (|r| softener_of(r).2.0 = 999_999_999, "medium.total", None, P::TotalBelowCapacity),
        (|r| softener_of(r).1.0 = 99_999, "medium.capacity", None, P::CapacityBelowPulse),
        (|r| r.meter.pulse_divisor = 0, "meter.pulse_divisor", None, P::Zero),
        (
            |r| (r.meter.pulse_nl, r.meter.pulse_divisor) = (1_000_001_000_000_000, 1_000_001),
            "meter.pulse_divisor",
            None,
            P::TooLarge,
        ),
        (|r| r.meter.pulse_nl = 0, "meter.pulse_nl", None, P::Zero),
        (|r| r.meter.rated_max = Flow(0), "meter.rated_max", None, P::Zero),
        (|r| r.meter.min_closed = Millis(591), "meter.min_closed", None, P::PulseWidthTooLong),
        (|r| r.meter.min_open = Millis(u32::MAX), "meter.min_closed", None, P::PulseWidthTooLong),
        (|r| r.meter.noisy_per_mille = 0, "meter.noisy_per_mille", None, P::NoisyOutOfRange),
        (|r| r.meter.noisy_per_mille = 1_001, "meter.noisy_per_mille", None, P::NoisyOutOfRange),
        (|r| r.reserve = Reserve::Share(1_000), "reserve", None, P::ReserveNotBelowCapacity),
        (|r| r.reserve = Reserve::Fixed(Volume::from_litres(10_000)), "reserve", None, P::ReserveNotBelowCapacity),
        (|r| learned(r, |l| l.deviations = 11), "reserve.deviations", None, P::DeviationsOutOfRange),
        (|r| learned(r, |l| l.ceiling_per_mille = 0), "reserve.ceiling_per_mille", None, P::ReserveBoundsOutOfRange),
        (
            |r| learned(r, |l| l.ceiling_per_mille = 1_000),
            "reserve.ceiling_per_mille",
            None,
            P::ReserveBoundsOutOfRange,
        ),
        (|r| learned(r, |l| l.floor_per_mille = 801), "reserve.ceiling_per_mille", None, P::ReserveBoundsOutOfRange),
        (
            |r| learned(r, |l| l.until_known_per_mille = 1_000),
            "reserve.until_known_per_mille",
            None,
            P::ReserveNotBelowCapacity,
        ),
        (|r| learned(r, |l| l.absence_percent = 51), "reserve.absence_percent", None, P::AbsenceOutOfRange),
        (|r| cam_of(r, |travel, _, _, _| *travel = Millis(999)), "drive.travel_limit", None, P::TravelLimitOutOfRange),
        (
            |r| cam_of(r, |travel, _, _, _| *travel = Millis(1_800_001)),
            "drive.travel_limit",
            None,
            P::TravelLimitOutOfRange,
        ),
        (|r| cam_of(r, |_, rest, _, _| *rest = Millis(99)), "drive.rest", None, P::RestOutOfRange),
        (|r| cam_of(r, |_, rest, _, _| *rest = Millis(600_001)), "drive.rest", None, P::RestOutOfRange),
        (|r| cam_of(r, |_, _, coast, _| *coast = Millis(60_001)), "drive.coast", None, P::CoastOutOfRange),
        (|r| cam_of(r, |_, _, coast, _| *coast = Millis(24_001)), "drive.coast", None, P::CoastPastLeg),
        (|r| cam_of(r, |_, _, _, retries| *retries = 11), "drive.retries", None, P::TooManyRetries),
        (|r| r.drive = index(&[0, 10, 20, 30, 40], 45), "drive.positions", None, P::MarksTooClose),
        (|r| r.drive = index(&[0, 10, 15, 30, 40], 50), "drive.positions", None, P::MarksTooClose),
        (|r| r.drive = index(&[0, 10, 10, 30, 40], 50), "drive.positions", None, P::OffsetsNotAscending),
        (|r| r.drive = index(&[0, 10, 20, 30, 40], 40), "drive.positions", None, P::OffsetsNotAscending),
        (|r| r.drive = index(&[1, 10, 20, 30, 40], 50), "drive.positions", None, P::OffsetsNotAscending),
        (|r| r.drive = pilots(&[0, 1, 2, 1, 5], Millis(5_000)), "drive.positions", None, P::PatternsNotDistinct),
        (|r| r.drive = pilots(&[0, 1, 2, 3, 5], Millis(99)), "drive.settle", None, P::SettleOutOfRange),
        (
            |r| r.drive = pilots_that_tell(Millis(4_999), Millis::ZERO),
            "drive.travel_limit",
            None,
            P::TravelLimitOutOfRange,
        ),
        (|r| r.drive = pilots_that_tell(Millis::from_secs(5), Millis(99)), "drive.rest", None, P::RestOutOfRange),
        (|r| r.drive = rinse_first(), "drive.positions", None, P::RinsesBehindDraw),
        (|r| r.drive = timed(&[1, 10, 20, 30, 40], Millis(0)), "drive.positions", None, P::OffsetsNotAscending),
        (|r| r.drive = timed(&[0, 10, 10, 30, 40], Millis(0)), "drive.positions", None, P::OffsetsNotAscending),
        (
            |r| r.drive = timed(&[0, 10, 20, 30, 40], Millis::from_mins(30)),
            "drive.margin",
            None,
            P::TravelLimitOutOfRange,
        ),
        (|r| r.program.clear(), "program", None, P::NoSteps),
        (|r| r.program.iter_mut().for_each(|s| s.length = Millis::ZERO), "program", None, P::NoSteps),
        (|r| r.program[0].kind = StepKind::Settle, "program", Some(0), P::NoPositionForStep),
        (|r| r.program[2].length = Millis(43_200_001), "program", Some(2), P::StepTooLong),
        (|r| r.program[2].length = Millis::ZERO, "program", None, P::DrawWithoutRinses),
        (|r| r.program[3].length = Millis::ZERO, "program", None, P::DrawWithoutRinses),
        (|r| r.program.swap(2, 3), "program", None, P::DrawWithoutRinses),
        (|r| r.program.swap(1, 3), "program", None, P::DrawWithoutRinses),
        (|r| r.program.insert(1, step(StepKind::BrineDraw, 5)).unwrap(), "program", None, P::TwoDraws),
        (|r| r.program[1].length = Millis::ZERO, "program", None, P::SoftenerNeedsDraw),
        (|r| r.program.insert(2, step(StepKind::BrineWait, 5)).unwrap(), "program", Some(2), P::WaitInServiceAfterDraw),
        (|r| r.program.insert(3, step(StepKind::BrineWait, 5)).unwrap(), "program", Some(3), P::WaitInServiceAfterDraw),
        (
            |r| r.program[4].end = StepEnd::Contact { longest: Millis::from_mins(5) },
            "program",
            Some(4),
            P::LongestBelowLength,
        ),
        (
            |r| r.program[0].end = StepEnd::Contact { longest: Millis::from_mins(20) },
            "program",
            Some(0),
            P::NoContactForStep,
        ),
        (
            |r| {
                let volume = Volume::from_litres(1);
                r.program[0].end = StepEnd::Volume { volume, longest: Millis::from_mins(20) };
            },
            "program",
            Some(0),
            P::NoMeterForStep,
        ),
        (
            |r| {
                r.meter.place = MeterPlace::PerTank;
                r.program[0].end = StepEnd::Volume { volume: Volume::ZERO, longest: Millis::from_mins(20) };
            },
            "program",
            Some(0),
            P::NoVolumeForStep,
        ),
        (
            |r| (r.meter.place, r.meter.measures_steps) = (MeterPlace::PerTank, true),
            "meter.measures_steps",
            None,
            P::MeterSeesOthers,
        ),
        (|r| r.brine.salt_per_water_mg_per_l = 0, "brine.salt_per_water_mg_per_l", None, P::Zero),
        (|r| r.brine.refill_cap_percent = 99, "brine.refill_cap_percent", None, P::RefillCapOutOfRange),
        (|r| r.brine.refill_cap_percent = 1_001, "brine.refill_cap_percent", None, P::RefillCapOutOfRange),
        // The rinse that counts is the fast one after the slow one, which lies behind.
        (
            |r| {
                r.drive = super::support::timed();
                r.program.insert(2, step(StepKind::FastRinse, 5)).unwrap();
            },
            "drive.positions",
            None,
            P::RinsesBehindDraw,
        ),
        (
            |r| {
                r.meter.place = MeterPlace::PerTank;
                r.program[4].end = StepEnd::Volume { volume: Volume::from_litres(5), longest: Millis::from_mins(20) };
            },
            "program",
            Some(4),
            P::RefillNotTheDose,
        ),
        // 3 kg ÷ 358.281 g/L = 8.37 L in 6 min: 1.40 L/min.
        (|r| r.brine.refill_flow = Flow(1_320), "program", Some(4), P::RefillNotTheDose),
        (|r| r.brine.refill_flow = Flow(1_470), "program", Some(4), P::RefillNotTheDose),
        (|r| (r.brine.store_doses, r.brine.low_doses) = (5, 5), "brine.low_doses", None, P::LowNotBelowStore),
        (|r| r.brine.proportional.on = true, "brine.proportional.on", None, P::ProportionalNeedsMeasure),
        (|r| r.brine.proportional.floor_percent = 9, "brine.proportional.floor_percent", None, P::FloorOutOfRange),
        (|r| r.brine.proportional.floor_percent = 101, "brine.proportional.floor_percent", None, P::FloorOutOfRange),
        (|r| r.brine.proportional.full_every = 0, "brine.proportional.full_every", None, P::Zero),
        (|r| r.backwash_every = 0, "backwash_every", None, P::Zero),
        (|r| r.dose_after_backwash_percent = 99, "dose_after_backwash_percent", None, P::DoseOutOfRange),
        (|r| r.dose_after_backwash_percent = 401, "dose_after_backwash_percent", None, P::DoseOutOfRange),
        (|r| r.hour_minute = 1_440, "hour_minute", None, P::NotAMinuteOfDay),
        (|r| r.hour_grace = Millis(59_999), "hour_grace", None, P::GraceOutOfRange),
        (|r| r.hour_grace = Millis(43_200_001), "hour_grace", None, P::GraceOutOfRange),
        (|r| r.schedule = Schedule::On(Weekdays::EMPTY), "schedule", None, P::NoDays),
        (|r| r.schedule = Schedule::EveryDays(0), "schedule", None, P::Zero),
        (|r| r.windows.push(window(Weekdays::EMPTY, 1, 2)).unwrap(), "windows", Some(0), P::NoDays),
        (|r| r.windows.push(all_day(1_440, 2)).unwrap(), "windows", Some(0), P::NotAMinuteOfDay),
        (|r| r.windows.push(all_day(1, 1_441)).unwrap(), "windows", Some(0), P::NotAMinuteOfDay),
        (|r| r.windows.push(all_day(0, 1_440)).unwrap(), "windows", None, P::NoGapLongEnough),
        // The longest regeneration takes 110 min; the gap is one minute short.
        (|r| r.windows.push(all_day(0, 1_440 - 109)).unwrap(), "windows", None, P::NoGapLongEnough),
        (|r| r.locks.relock_after = Millis(9_999), "locks.relock_after", None, P::RelockOutOfRange),
        (|r| r.locks.relock_after = Millis(86_400_001), "locks.relock_after", None, P::RelockOutOfRange),
        (|r| r.contact_debounce = Millis(9), "contact_debounce", None, P::DebounceOutOfRange),
        (|r| r.contact_debounce = Millis(60_001), "contact_debounce", None, P::DebounceOutOfRange),
        (|r| r.stale_after = Millis::ZERO, "stale_after", None, P::Zero),
        (|r| r.purge = Millis::ZERO, "purge", None, P::Zero),
        (|r| r.discharge_limit = Volume::from_litres(249), "discharge_limit", None, P::BelowOneRegeneration),
        (|r| r.overdue_after = Millis::ZERO, "overdue_after", None, P::Zero),
        (
            |r| {
                let delay = AlarmDelay { alarm: Alarm::Overrun, onset_s: 1, return_s: 0 };
                r.watch.rules.delays.extend([delay, AlarmDelay { onset_s: 2, ..delay }]);
            },
            "watch.rules.delays",
            Some(1),
            P::AlarmTwice,
        ),
        (|r| r.derating.per_year_per_mille = 201, "derating.per_year_per_mille", None, P::AgingOutOfRange),
        (|r| r.derating.test_limit = Hardness(0), "derating.test_limit", None, P::Zero),
        (|r| r.derating.failed_test_per_mille = 501, "derating.failed_test_per_mille", None, P::TestStepOutOfRange),
        (|r| r.derating.passed_test_per_mille = 501, "derating.passed_test_per_mille", None, P::TestStepOutOfRange),
        (|r| r.derating.least_per_mille = 199, "derating.least_per_mille", None, P::LeastKeptOutOfRange),
        (|r| r.derating.least_per_mille = 1_001, "derating.least_per_mille", None, P::LeastKeptOutOfRange),
        (|r| r.derating.restore_to_per_mille = 499, "derating.restore_to_per_mille", None, P::RestoreBelowLeast),
        (|r| r.derating.restore_to_per_mille = 1_001, "derating.restore_to_per_mille", None, P::RestoreBelowLeast),
        (|r| r.metals.iron_ug_per_l = 50_001, "metals.iron_ug_per_l", None, P::MetalOutOfRange),
        (|r| r.metals.manganese_ug_per_l = 50_001, "metals.manganese_ug_per_l", None, P::MetalOutOfRange),
        (|r| r.metals.iron_counts_as = Hardness(500_001), "metals.iron_counts_as", None, P::CountsAsOutOfRange),
        (
            |r| r.metals.manganese_counts_as = Hardness(500_001),
            "metals.manganese_counts_as",
            None,
            P::CountsAsOutOfRange,
        ),
        (|r| r.power.resume_within = Millis(43_200_001), "power.resume_within", None, P::ResumeTooLong),
        (|r| r.power.max_restarts = 11, "power.max_restarts", None, P::TooManyRestarts),
        (|r| r.power.retain_per_mille = 0, "power.retain_per_mille", None, P::RetainOutOfRange),
        (|r| r.power.retain_per_mille = 101, "power.retain_per_mille", None, P::RetainOutOfRange),
        (|r| r.watch.small_flow = Flow(0), "watch.small_flow", None, P::Zero),
        (|r| r.watch.unbroken_pause = Millis::ZERO, "watch.unbroken_pause", None, P::Zero),
        // A litre at 1 mL/min takes 16 h 40 min.
        (
            |r| (r.watch.small_flow, r.watch.unbroken_after) = (Flow(1), Millis::from_hours(16)),
            "watch.small_flow",
            None,
            P::PulseTooCoarse,
        ),
        (|r| relay_of(r, R::FailSafe).longest_on = Millis(1), "relays.longest_on", Some(2), P::ProtectionLimited),
        (|r| relay_of(r, ISOLATE).longest_on = Millis(1), "relays.longest_on", Some(2), P::ProtectionLimited),
        (
            |r| {
                let relay = relay_of(r, R::WhileFlow);
                (relay.min_on, relay.longest_on) = (Millis(1_001), Millis(1_000));
            },
            "relays.longest_on",
            Some(2),
            P::LongestOnBelowMinimum,
        ),
        (|r| relay_of(r, R::WhileFlow).min_on = Millis(86_400_001), "relays.min_on", Some(2), P::RelayTimeOutOfRange),
        (|r| relay_of(r, R::WhileFlow).min_off = Millis(86_400_001), "relays.min_off", Some(2), P::RelayTimeOutOfRange),
        (|r| give_relay(r, R::Isolate(TankSet(0))), "relays.program", Some(2), P::NoSuchTank),
        (|r| give_relay(r, R::Isolate(TankSet(2))), "relays.program", Some(2), P::NoSuchTank),
        (|r| give_relay(r, R::WhileOffline(TankId(1))), "relays.program", Some(2), P::NoSuchTank),
        (|r| give_relay(r, during(StepKind::FastRinse, 3)), "relays.program", Some(2), P::NoSuchTank),
        (|r| give_relay(r, during(StepKind::Settle, 1)), "relays.program", Some(2), P::NoSuchStep),
        (
            |r| {
                r.program[0].length = Millis::ZERO;
                give_relay(r, during(StepKind::Backwash, 1));
            },
            "relays.program",
            Some(2),
            P::NoSuchStep,
        ),
        (|r| give_relay(r, after(0, 0)), "relays.program", Some(2), P::Zero),
        // The longest regeneration takes 110 min.
        (|r| give_relay(r, after(6_600_000, 1)), "relays.program", Some(2), P::AfterRegeneration),
        (|r| give_relay(r, dose(0, 100)), "relays.program", Some(2), P::Zero),
        (|r| give_relay(r, dose(9, 0)), "relays.program", Some(2), P::Zero),
        (|r| relay_of(r, dose(9, 100)).min_off = Millis::ZERO, "relays.program", Some(2), P::NoPauseBetween),
        (|r| relay_of(r, dose(9, 100)).min_on = Millis(101), "relays.program", Some(2), P::OnBelowMinimum),
        (|r| relay_of(r, dose(9, 100)).longest_on = Millis(99), "relays.program", Some(2), P::OnAboveLongest),
        // 10 L at 100 L/min take 6 s, of which 1 s is off.
        (|r| give_relay(r, dose(10, 5_001)), "relays.program", Some(2), P::CannotKeepUp),
    ];
    let hourly = |r: &mut RawSettings| {
        r.start = StartRule::AtHour;
        r.windows.push(all_day(60, 600)).unwrap();
    };
    let with_remote = |r: &mut RawSettings| {
        r.remote = RemoteRole::AtHour;
        r.windows.push(all_day(60, 600)).unwrap();
    };
    let filtering = || {
        let mut raw = single();
        filter(&mut raw);
        raw
    };
    let others: Vec<(RawSettings, Change, &str, Option<u8>, P)> = vec![
        (
            filtering(),
            |r| r.medium = Medium::Filter { capacity: Volume(999_999_999) },
            "medium.capacity",
            None,
            P::CapacityBelowPulse,
        ),
        (alternating(), |r| r.tanks = 1, "tanks", None, P::AlternatingNeedsTwoTanks),
        (parallel(2), |r| r.tanks = 1, "tanks", None, P::SharingNeedsSeveralTanks),
        (staged(2), |r| r.tanks = 9, "tanks", None, P::SharingNeedsSeveralTanks),
        (parallel(3), |r| r.max_regenerating = 3, "max_regenerating", None, P::OneMustServe),
        (staged(3), |r| r.max_regenerating = 0, "max_regenerating", None, P::OneMustServe),
        (
            parallel(3),
            |r| r.sharing.draining_together = 0,
            "sharing.draining_together",
            None,
            P::DrainingTogetherOutOfRange,
        ),
        (
            single(),
            |r| r.sharing.draining_together = 9,
            "sharing.draining_together",
            None,
            P::DrainingTogetherOutOfRange,
        ),
        (
            parallel(2),
            |r| r.sharing.join_above.push(Flow(1)).unwrap(),
            "sharing.join_above",
            None,
            P::OnlyStagedTanksJoin,
        ),
        (
            staged(3),
            |r| r.sharing.join_above.truncate(1),
            "sharing.join_above",
            None,
            P::OneThresholdForEachFurtherTank,
        ),
        (staged(3), |r| r.sharing.join_above.swap(0, 1), "sharing.join_above", None, P::ThresholdsNotAscending),
        (
            staged(3),
            |r| r.sharing.join_hysteresis = Flow(20_000),
            "sharing.join_hysteresis",
            None,
            P::HysteresisNotBelowThreshold,
        ),
        (
            parallel(2),
            |r| r.sharing.shared_valve = behind_one_valve().sharing.shared_valve,
            "sharing.shared_valve",
            None,
            P::OnlyAlternatingTanksShareValve,
        ),
        (staged(3), |r| r.sharing.join_dwell = Millis(999), "sharing.join_dwell", None, P::DwellOutOfRange),
        (staged(3), |r| r.sharing.join_dwell = Millis(3_600_001), "sharing.join_dwell", None, P::DwellOutOfRange),
        (single(), |r| r.sharing.bypass_per_mille = 1_000, "sharing.bypass_per_mille", None, P::BypassOutOfRange),
        (
            parallel(2),
            |r| (r.meter.place, r.sharing.bypass_per_mille) = (MeterPlace::PerTank, 1),
            "sharing.bypass_per_mille",
            None,
            P::BypassNeedsCommonMeter,
        ),
        // Two meters of 100 L/min each ask for 10 L within 3 s, of which 1 s is off.
        (
            parallel(2),
            |r| {
                r.meter.place = MeterPlace::PerTank;
                give_relay(r, dose(10, 2_001));
            },
            "relays.program",
            Some(2),
            P::CannotKeepUp,
        ),
        (parallel(2), |r| r.drive = single().drive, "drive.positions", None, P::NoStandbyPosition),
        (alternating(), |r| r.drive = single().drive, "drive.positions", None, P::NoStandbyPosition),
        (
            {
                let mut raw = alternating();
                filter(&mut raw);
                raw
            },
            |r| {
                r.drive = cam(&[Position::Service, Position::Standby, Position::Backwash]);
                r.program[1].kind = StepKind::Backwash;
            },
            "drive.positions",
            None,
            P::NoPurgePosition,
        ),
    ];
    let mut seen = ProblemSet::EMPTY;
    for (i, (change, field, index, problem)) in single_site.iter().enumerate() {
        let mut raw = single();
        assert_eq!(faults(&raw), []);
        change(&mut raw);
        assert_eq!(faults(&raw), [(*field, *index, *problem)], "change {i}");
        seen.insert(*problem);
    }
    for (mut raw, change, field, index, problem) in others {
        assert_eq!(faults(&raw), []);
        change(&mut raw);
        assert!(faults(&raw).contains(&(field, index, problem)), "{:?}", faults(&raw));
        seen.insert(problem);
    }
    // Faults that cannot come alone, or only to sites of their kind.
    let together: &[(Make, &str, P)] = &[
        (
            || {
                let mut raw = single();
                filter(&mut raw);
                raw.program = single().program;
                raw
            },
            "program",
            P::FilterWithoutBrine,
        ),
        (
            || {
                let mut raw = single();
                filter(&mut raw);
                raw.program.swap(0, 1);
                raw
            },
            "program",
            P::FilterNeedsBackwashAndRinse,
        ),
        (
            || {
                let mut raw = single();
                filter(&mut raw);
                raw.backwash_every = 2;
                raw
            },
            "backwash_every",
            P::FilterBackwashesEachTime,
        ),
        (
            || {
                let mut raw = single();
                raw.meter.pulse_nl = 1_000_000_000_001;
                *softener_of(&mut raw).1 = Exchange(u64::MAX / 4);
                *softener_of(&mut raw).2 = Exchange(u64::MAX / 4);
                raw
            },
            "meter.pulse_nl",
            P::TooLarge,
        ),
        (
            || {
                let mut raw = single();
                raw.drive = cam(&[Position::Service, Position::Service, Position::Backwash]);
                raw
            },
            "drive.positions",
            P::PositionsNotDistinct,
        ),
        (
            || {
                let mut raw = single();
                raw.drive = cam(&[Position::Standby]);
                raw
            },
            "drive.positions",
            P::NoServicePosition,
        ),
    ];
    for (make, field, problem) in together {
        let found = faults(&make());
        assert!(found.contains(&(*field, None, *problem)), "{found:?}");
        seen.insert(*problem);
    }
    for make in [hourly, with_remote] {
        let mut raw = single();
        make(&mut raw);
        assert_eq!(faults(&raw), [("windows", None, P::HourNeverPermitted)]);
        raw.hour_minute = 600;
        assert_eq!(faults(&raw), []);
        seen.insert(P::HourNeverPermitted);
    }
    let missing: Vec<&Problem> = P::ALL.iter().filter(|p| !seen.contains(**p)).collect();
    assert!(missing.is_empty(), "{missing:?}");
}
