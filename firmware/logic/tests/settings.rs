//! Bad settings never run: the whole set is checked, every fault is listed by field, and the last good set runs on (S11).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod support;

use bedkeeper::blackout::Week;
use bedkeeper::calendar::Weekdays;
use bedkeeper::journal::Event;
use bedkeeper::program::{Position, StepKind, StepSet};
use bedkeeper::settings::RelayProgram as R;
use bedkeeper::settings::*;
use bedkeeper::units::{Exchange, Flow, Hardness, Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, AlarmDelay};
use bedkeeper::{Action, Controller, RawSettings, Settings, SettingsRefused};
use proptest::prelude::*;
use support::*;

/// A single change to settings.
type Change = fn(&mut RawSettings);
/// Makes settings with several faults at once.
type Make = fn() -> RawSettings;

fn faults(raw: &RawSettings) -> Vec<(&'static str, Option<u8>, Problem)> {
    match Settings::try_from(raw.clone()) {
        Ok(_) => vec![],
        Err(faults) => {
            assert_eq!(usize::from(faults.count()), faults.listed().len() + usize::from(faults.more()));
            faults.listed().iter().map(|f| (f.field, f.index, f.problem)).collect()
        }
    }
}

fn softener_of(raw: &mut RawSettings) -> (&mut Hardness, &mut Exchange, &mut Exchange) {
    match &mut raw.medium {
        Medium::Softener { hardness, capacity, total } => (hardness, capacity, total),
        Medium::Filter { .. } => panic!("a softener"),
    }
}

fn step(kind: StepKind, mins: u32) -> RawStep {
    RawStep::timed(kind, Millis::from_mins(mins), Flow(1_000))
}

fn filter(raw: &mut RawSettings) {
    raw.medium = Medium::Filter { capacity: Volume::from_litres(1_000) };
    raw.program = [step(StepKind::Backwash, 5), step(StepKind::FastRinse, 5)].into_iter().collect();
}

/// A reserve that follows use, with one thing changed.
fn learned(raw: &mut RawSettings, change: impl Fn(&mut RawLearned)) {
    let mut learned = RawLearned::usual();
    change(&mut learned);
    raw.reserve = Reserve::Learned(learned);
}

fn cam_of(raw: &mut RawSettings, change: impl FnOnce(&mut Millis, &mut Millis, &mut Millis, &mut u8)) {
    match &mut raw.drive {
        RawDrive::CamSwitch { travel_limit, rest, coast, retries, .. } => change(travel_limit, rest, coast, retries),
        _ => panic!("a cam"),
    }
}

fn timed(offsets: &[u32], margin: Millis) -> RawDrive {
    let places =
        [Position::Service, Position::Backwash, Position::BrineDraw, Position::FastRinse, Position::BrineRefill];
    RawDrive::Timed {
        positions: places.into_iter().zip(offsets.iter().map(|s| Millis::from_secs(*s))).collect(),
        margin,
        rest: Millis::from_secs(2),
    }
}

/// A cam with the five positions at these marks, two marks of tolerance each way.
fn index(places: &[u8], marks: u8) -> RawDrive {
    RawDrive::CamIndex {
        positions: single().drive.positions().zip(places.iter().copied()).collect(),
        marks,
        slip_marks: 1,
        coast_marks: 2,
        reversible: false,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    }
}

/// Pilots with these patterns for the five positions, and no contact.
fn pilots(patterns: &[u8], settle: Millis) -> RawDrive {
    RawDrive::PilotArray {
        positions: single().drive.positions().zip(patterns.iter().copied()).collect(),
        contact: false,
        settle,
        margin: Millis::from_secs(2),
        travel_limit: Millis::from_secs(30),
        rest: Millis::from_secs(1),
        retries: 2,
    }
}

/// A timed drive that comes to the fast rinse before it comes to the draw.
fn rinse_first() -> RawDrive {
    let RawDrive::Timed { mut positions, margin, rest } = timed(&[0, 10, 20, 30, 40], Millis(0)) else {
        panic!("a timed drive")
    };
    (positions[2].0, positions[3].0) = (positions[3].0, positions[2].0);
    RawDrive::Timed { positions, margin, rest }
}

/// Gives the third relay a program; it rests a second.
fn relay_of(raw: &mut RawSettings, program: RelayProgram) -> &mut RawRelay {
    raw.relays[2] = RawRelay { program, min_off: Millis::from_secs(1), ..RawRelay::default() };
    &mut raw.relays[2]
}

fn give_relay(raw: &mut RawSettings, program: RelayProgram) {
    relay_of(raw, program);
}

const ISOLATE: R = R::Isolate(TankSet(1));

fn during(step: StepKind, tanks: u8) -> RelayProgram {
    R::During { steps: StepSet::only(step), tanks: TankSet(tanks) }
}

fn after(delay: u32, length: u32) -> RelayProgram {
    R::AfterStart { delay: Millis(delay), length: Millis(length) }
}

fn dose(litres: u64, on: u32) -> RelayProgram {
    R::PerVolume { volume: Volume::from_litres(litres), on: Millis(on) }
}

fn all_day(from: u16, to: u16) -> bedkeeper::calendar::Window {
    window(Weekdays::ALL_DAYS, from, to)
}

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
    let others: Vec<(RawSettings, Change, &str, Option<u8>, P)> = vec![
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
        |r| r.reserve = Reserve::Fixed(Volume(Volume::from_litres(10_000).0 - 1)),
        |r| softener_of(r).1.0 = 100_000,
        |r| softener_of(r).2.0 = 1_000_000_000,
        |r| cam_of(r, |travel, _, coast, _| (*travel, *coast) = (Millis(1_000), Millis(100))),
        |r| r.drive = index(&[0, 7, 14, 21, 28], 35),
        |r| r.drive = pilots(&[0, 1, 2, 3, 255], Millis(600_000)),
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

/// S11: the built-in baseline passes its own check and says the same as settings made from it.
#[test]
fn s11_the_baseline_passes_its_own_check() {
    assert_eq!(Settings::try_from(RawSettings::baseline()), Ok(Settings::baseline()));
}

/// S11: on the baseline the controller serves, starts nothing by itself for months of water, and the alarm stands.
#[test]
fn s11_the_baseline_serves_and_starts_nothing() {
    let mut controller = Controller::<1>::on_baseline(t(0)).unwrap();
    let here = bedkeeper::Input::Switches { tank: TankId(0), closed: bedkeeper::drive::Switches(1) };
    controller.handle(t(0), here).unwrap();
    let mut started = 0;
    for hour in 1..5_000u64 {
        let _ = controller.handle(t(hour * HOUR), bedkeeper::Input::Pulses { meter: 0, count: 1_000 });
        while let Some(record) = controller.take_record() {
            started += u32::from(matches!(record.event, Event::Started { .. } | Event::Asked { .. }));
        }
    }
    assert_eq!(started, 0);
    assert!(controller.outputs().alarms.contains(Alarm::SettingsRejected));
    assert!(Controller::<0>::on_baseline(t(0)).is_err());
}

/// S11: settings that do not pass are refused with an alarm and the last good ones run on; good ones clear it.
#[test]
fn s11_the_last_good_settings_run_on() {
    let mut site = Site::<1>::new(single());
    site.run_to(6 * HOUR);
    site.hear();
    let before = site.controller.settings().clone();
    site.controller.reject_settings(t(site.now));
    assert_eq!(site.controller.settings(), &before);
    site.put(bedkeeper::Input::Tick).unwrap();
    let at = site.now;
    assert_eq!(site.hear(), [(at, Event::SettingsRefused), (at, Event::AlarmRaised(Alarm::SettingsRejected))]);
    site.run_for(DAY);
    assert!(site.controller.outputs().alarms.contains(Alarm::SettingsRejected));
    let mut raw = single();
    raw.hour_minute = 300;
    site.hear();
    let good = Settings::try_from(raw).unwrap();
    site.controller.change_settings(t(site.now), good.clone()).unwrap();
    site.put(bedkeeper::Input::Tick).unwrap();
    let at = site.now;
    assert_eq!(site.hear(), [(at, Event::SettingsTaken), (at, Event::AlarmCleared(Alarm::SettingsRejected))]);
    assert_eq!(site.controller.settings(), &good);
}

/// S11, O2: settings are taken whole or not at all: not those that shape a regeneration while one runs, and not those of
/// another plant.
#[test]
fn s11_settings_are_taken_whole_or_not_at_all() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(6 * HOUR);
    site.put(bedkeeper::Input::Tick).unwrap();
    let before = site.controller.clone();
    let others: &[Change] = &[
        |r| *r = single(),
        |r| r.meter.place = MeterPlace::PerTank,
        |r| cam_of(r, |travel, _, _, _| *travel = Millis::from_mins(5)),
    ];
    for change in others {
        let mut raw = alternating();
        change(&mut raw);
        let refused = site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap());
        assert_eq!(refused, Err(SettingsRefused::NeedsRestart));
        assert_eq!(site.controller, before);
    }
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_until_duty(1, bedkeeper::duty::DutyKind::Regenerating, HOUR);
    let mut raw = alternating();
    raw.program[0].length = Millis::from_mins(9);
    let other = Settings::try_from(raw).unwrap();
    let before = site.controller.settings().clone();
    assert_eq!(site.controller.change_settings(t(site.now), other.clone()), Err(SettingsRefused::Regenerating));
    assert_eq!(site.controller.settings(), &before);
    site.run_until_duty(1, bedkeeper::duty::DutyKind::Ready, 4 * HOUR);
    assert_eq!(site.controller.change_settings(t(site.now), other), Ok(()));
}

// ---- random settings ----------------------------------------------------------------------------------

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
