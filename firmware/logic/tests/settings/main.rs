//! Bad settings never run: the whole set is checked, every fault is listed by field, and the last good set runs on (S11).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::panic
)]

mod faults;
mod random;
mod ranges;
mod running;
#[path = "../support/mod.rs"]
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

/// Pilots that settle within 5 s, with a contact that may come so late.
fn pilots_that_tell(travel_limit: Millis, rest: Millis) -> RawDrive {
    let mut drive = pilots(&[0, 1, 2, 3, 5], Millis::from_secs(5));
    if let RawDrive::PilotArray { contact, travel_limit: limit, rest: given, .. } = &mut drive {
        (*contact, *limit, *given) = (true, travel_limit, rest);
    }
    drive
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
