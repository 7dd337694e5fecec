//! The whole set is checked, and every fault is listed (S11).

use super::check_drive;
use super::fault::{Faults, Problem as P};
use super::raw::{
    Arrangement, Medium, MeterPlace, RawMeter, RawSettings, RawStep, RemoteRole, Reserve, Schedule, StartRule, StepEnd,
};
use super::{derating, relay, sharing, watch};
use crate::blackout::Week;
use crate::program::{Position, PositionSet, StepKind};
use crate::units::{Millis, Volume};

/// No pulse is larger than a cubic metre.
const MAX_PULSE_NL: u64 = 1_000_000_000_000;
const MAX_PULSE_DIVISOR: u32 = 1_000_000;
const MINUTES_A_DAY: u16 = 1_440;

/// Every fault of these settings.
pub(super) fn check(raw: &RawSettings) -> Faults {
    let mut faults = Faults::default();
    sharing::check(raw, &mut faults);
    medium(raw, &mut faults);
    derating::check(raw, &mut faults);
    meter(raw.arrangement, &raw.meter, &mut faults);
    reserve(raw, &mut faults);
    let positions = check_drive::drive(raw, &mut faults);
    program(raw, positions, &mut faults);
    calendar(raw, &mut faults);
    super::brine::check(raw, &mut faults);
    limits(raw, &mut faults);
    watch::check(raw, &mut faults);
    raw.power.check(&mut faults);
    relay::check(raw, &mut faults);
    faults
}

fn medium(raw: &RawSettings, faults: &mut Faults) {
    match raw.medium {
        Medium::Softener { hardness, capacity, total } => {
            if hardness.0 == 0 {
                faults.add("medium.hardness", None, P::Zero);
            }
            if capacity.0 == 0 {
                faults.add("medium.capacity", None, P::Zero);
            }
            if total < capacity {
                faults.add("medium.total", None, P::TotalBelowCapacity);
            }
        }
        Medium::Filter { capacity } => {
            if capacity == Volume::ZERO {
                faults.add("medium.capacity", None, P::Zero);
            }
        }
    }
}

fn meter(arrangement: Arrangement, meter: &RawMeter, faults: &mut Faults) {
    if meter.measures_steps && (arrangement != Arrangement::Single || meter.place == MeterPlace::PerTank) {
        faults.add("meter.measures_steps", None, P::MeterSeesOthers);
    }
    if meter.pulse_divisor == 0 {
        faults.add("meter.pulse_divisor", None, P::Zero);
    } else if meter.pulse_divisor > MAX_PULSE_DIVISOR {
        faults.add("meter.pulse_divisor", None, P::TooLarge);
    }
    match meter.pulse_nl.checked_div(u64::from(meter.pulse_divisor)) {
        Some(0) => faults.add("meter.pulse_nl", None, P::Zero),
        Some(nl) if nl > MAX_PULSE_NL => faults.add("meter.pulse_nl", None, P::TooLarge),
        Some(nl) => {
            let widths = meter.min_closed.plus(meter.min_open);
            if u64::from(widths.0) > meter.rated_max.time_for(Volume(nl)) {
                faults.add("meter.min_closed", None, P::PulseWidthTooLong);
            }
        }
        None => {}
    }
    if meter.rated_max.0 == 0 {
        faults.add("meter.rated_max", None, P::Zero);
    }
    if meter.noisy_per_mille == 0 || meter.noisy_per_mille > 1_000 {
        faults.add("meter.noisy_per_mille", None, P::NoisyOutOfRange);
    }
}

fn reserve(raw: &RawSettings, faults: &mut Faults) {
    let pulse = raw.meter.pulse_nl.checked_div(u64::from(raw.meter.pulse_divisor));
    let none = match raw.medium {
        Medium::Softener { hardness, capacity, .. } => hardness.0 == 0 || capacity.0 == 0,
        Medium::Filter { capacity } => capacity == Volume::ZERO,
    };
    if !none && pulse.is_some_and(|nl| derating::capacity_volume(raw) < Volume(nl)) {
        faults.add("medium.capacity", None, P::CapacityBelowPulse);
    }
    let too_much = match raw.reserve {
        Reserve::None => false,
        Reserve::Share(per_mille) => per_mille >= 1_000,
        Reserve::Fixed(volume) => volume >= derating::capacity_volume(raw),
        Reserve::Learned(learned) => {
            learned.check(faults);
            false
        }
    };
    if too_much {
        faults.add("reserve", None, P::ReserveNotBelowCapacity);
    }
}

fn program(raw: &RawSettings, positions: PositionSet, faults: &mut Faults) {
    let mut draws = 0u8;
    let mut brine = BrineLeft::None;
    let mut backwashed = false;
    let mut rinsed = false;
    for (i, step) in raw.program.iter().enumerate().filter(|(_, s)| s.length.0 > 0) {
        let Some(position) = step.kind.position(positions) else {
            faults.add("program", Some(i), P::NoPositionForStep);
            continue;
        };
        if step.longest().max(step.length) > Millis::from_hours(12) {
            faults.add("program", Some(i), P::StepTooLong);
        }
        step_end(raw, i, step, faults);
        if position == Position::Service && brine != BrineLeft::None {
            faults.add("program", Some(i), P::WaitInServiceAfterDraw);
        }
        match step.kind {
            StepKind::BrineDraw => {
                draws = draws.saturating_add(1);
                brine = BrineLeft::Undiluted;
            }
            StepKind::SlowRinse if brine == BrineLeft::Undiluted => brine = BrineLeft::Diluted,
            StepKind::FastRinse if brine == BrineLeft::Diluted => brine = BrineLeft::None,
            StepKind::Backwash => backwashed = true,
            _ => {}
        }
        rinsed |= step.kind == StepKind::FastRinse && backwashed;
    }
    if brine != BrineLeft::None {
        faults.add("program", None, P::DrawWithoutRinses);
    }
    if draws > 1 {
        faults.add("program", None, P::TwoDraws);
    }
    let empty = !raw.program.iter().any(|s| s.length.0 > 0);
    match raw.medium {
        _ if empty => faults.add("program", None, P::NoSteps),
        Medium::Softener { .. } if draws == 0 => faults.add("program", None, P::SoftenerNeedsDraw),
        Medium::Filter { .. } if draws > 0 => faults.add("program", None, P::FilterWithoutBrine),
        Medium::Filter { .. } if !rinsed => faults.add("program", None, P::FilterNeedsBackwashAndRinse),
        _ => {}
    }
    match (raw.backwash_every, raw.medium) {
        (0, _) => faults.add("backwash_every", None, P::Zero),
        (2.., Medium::Filter { .. }) => faults.add("backwash_every", None, P::FilterBackwashesEachTime),
        _ => {}
    }
    if !(100..=400).contains(&raw.dose_after_backwash_percent) {
        faults.add("dose_after_backwash_percent", None, P::DoseOutOfRange);
    }
}

/// What ends a step must be there to end it (Q2, S11).
fn step_end(raw: &RawSettings, i: usize, step: &RawStep, faults: &mut Faults) {
    if step.longest() < step.length {
        faults.add("program", Some(i), P::LongestBelowLength);
    }
    match step.end {
        StepEnd::Volume { volume, .. } => {
            let still = matches!(step.kind, StepKind::Settle | StepKind::BrineWait);
            if still || (raw.meter.place == MeterPlace::Common && !raw.meter.measures_steps) {
                faults.add("program", Some(i), P::NoMeterForStep);
            }
            if volume == Volume::ZERO {
                faults.add("program", Some(i), P::NoVolumeForStep);
            }
        }
        StepEnd::Contact { .. } => {
            if !matches!(step.kind, StepKind::BrineRefill | StepKind::BrineDraw | StepKind::BrineWait) {
                faults.add("program", Some(i), P::NoContactForStep);
            }
        }
        StepEnd::Time => {}
    }
}

/// How much brine a program has left in the bed so far.
#[derive(Clone, Copy, PartialEq, Eq)]
enum BrineLeft {
    None,
    Undiluted,
    Diluted,
}

fn calendar(raw: &RawSettings, faults: &mut Faults) {
    if raw.hour_minute >= MINUTES_A_DAY {
        faults.add("hour_minute", None, P::NotAMinuteOfDay);
    }
    if !(Millis::from_mins(1)..=Millis::from_hours(12)).contains(&raw.hour_grace) {
        faults.add("hour_grace", None, P::GraceOutOfRange);
    }
    match raw.schedule {
        Schedule::On(days) if days.first().is_none() => faults.add("schedule", None, P::NoDays),
        Schedule::EveryDays(0) => faults.add("schedule", None, P::Zero),
        _ => {}
    }
    let mut sound = true;
    for (i, window) in raw.windows.iter().enumerate() {
        if window.days.first().is_none() {
            faults.add("windows", Some(i), P::NoDays);
            sound = false;
        }
        if window.from_minute >= MINUTES_A_DAY || window.to_minute > MINUTES_A_DAY {
            faults.add("windows", Some(i), P::NotAMinuteOfDay);
            sound = false;
        }
    }
    if sound {
        gaps(raw, faults);
    }
}

/// Windows must leave room for a regeneration; where starts wait for the hour, at some hour (S11).
fn gaps(raw: &RawSettings, faults: &mut Faults) {
    let length_s = raw.longest_regeneration().0.div_ceil(1_000);
    let week = Week::new(&raw.windows);
    let fits = |at| week.fits_in_s(at, length_s, raw.finish_before_window);
    if fits(0).is_none() {
        faults.add("windows", None, P::NoGapLongEnough);
        return;
    }
    if raw.start != StartRule::AtHour && raw.remote != RemoteRole::AtHour {
        return;
    }
    if !raw.permits_some_hour(&week) {
        faults.add("windows", None, P::HourNeverPermitted);
    }
}

fn limits(raw: &RawSettings, faults: &mut Faults) {
    if !(Millis(10)..=Millis::from_mins(1)).contains(&raw.contact_debounce) {
        faults.add("contact_debounce", None, P::DebounceOutOfRange);
    }
    if raw.stale_after == Millis::ZERO {
        faults.add("stale_after", None, P::Zero);
    }
    if raw.purge == Millis::ZERO {
        faults.add("purge", None, P::Zero);
    }
    let limited = raw.discharge_limit > Volume::ZERO;
    if limited && raw.drain_per_regeneration() > raw.discharge_limit {
        faults.add("discharge_limit", None, P::BelowOneRegeneration);
    }
    if !(Millis::from_secs(10)..=Millis::from_hours(24)).contains(&raw.locks.relock_after) {
        faults.add("locks.relock_after", None, P::RelockOutOfRange);
    }
    if raw.overdue_after == Millis::ZERO {
        faults.add("overdue_after", None, P::Zero);
    }
}
