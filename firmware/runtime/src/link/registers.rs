//! The register map of Modbus: one table, which the board answers by and the handbook shows.
//!
//! Values wider than a register stand in several, the highest word first. Names of duties, steps, positions and alarms are
//! numbered from 1 in the order of the logic; 0 = none, or unknown.

use bedkeeper::Action;
use bedkeeper::duty::DutyKind;
use bedkeeper::lifetime::ValveLife;
use bedkeeper::operator::AlarmAction;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::units::{TankId, Volume};
use bedkeeper::watch::Alarm;

use crate::manners::Manners;

use super::message::{Counters, Status, TankStatus};

/// The version of this map; it grows with every change that is more than an addition.
pub const MAP_VERSION: u16 = 1;
/// Input registers of tank 1 begin here.
pub const TANK_INPUTS: u16 = 100;
/// And so many further on those of the next.
pub const TANK_INPUTS_STEP: u16 = 40;
/// Coils of tank 1 begin here, and so many further on those of the next.
pub const TANK_COILS_STEP: u16 = 16;
/// Coils of the plant begin here.
pub const PLANT_COILS: u16 = 256;
/// Discrete inputs of alarms begin here, in their order.
pub const ALARM_INPUTS: u16 = 32;

/// What registers are read from.
#[derive(Debug)]
pub struct Reading {
    /// What the plant does.
    pub status: Status,
    /// What valves have done.
    pub counters: Counters,
    /// How the board speaks.
    pub manners: Manners,
    /// What a write must bring.
    pub ticket: u32,
    /// Checksum of the settings that run.
    pub settings: u32,
    /// Time since power came, s.
    pub uptime_s: u32,
}

/// One value.
#[derive(Clone, Copy, Debug)]
pub struct Register<V> {
    /// How many registers it takes.
    pub words: u16,
    /// Its name.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// What it means.
    pub text: &'static str,
    /// Its value.
    pub value: V,
}

/// Value of the plant.
pub type OfPlant = fn(&Reading) -> u64;
/// Value of a tank.
pub type OfTank = fn(&Reading, &TankStatus, &ValveLife) -> u64;

const fn value<V>(words: u16, name: &'static str, unit: &'static str, text: &'static str, value: V) -> Register<V> {
    Register { words, name, unit, text, value }
}

/// The place of a value in its list, from 1.
fn place<T: PartialEq>(all: &[T], wanted: Option<T>) -> u64 {
    let found = wanted.and_then(|wanted| all.iter().position(|value| *value == wanted));
    found.and_then(|at| u64::try_from(at).ok()).map_or(0, |at| at.saturating_add(1))
}

fn litres(volume: Volume) -> u64 {
    (volume.0 / 1_000_000_000).min(u64::from(u32::MAX))
}

/// Litres of an account, round the end of 32 bits.
fn total(volume: u128) -> u64 {
    u64::try_from((volume / 1_000_000_000) & u128::from(u32::MAX)).unwrap_or(0)
}

fn seconds_until(reading: &Reading, at: Option<bedkeeper::units::Instant>) -> u64 {
    let now = reading.status.moment.at.as_ticks();
    at.map_or(u64::from(u32::MAX), |at| at.as_ticks().saturating_sub(now) / 1_000).min(u64::from(u32::MAX))
}

/// Input registers of the plant, from 0 on.
pub const PLANT: &[Register<OfPlant>] = &[
    value(1, "map-version", "", "version of this map", |_| u64::from(MAP_VERSION)),
    value(1, "tanks", "", "tanks of the site", |r| u64::try_from(r.status.tanks.len()).unwrap_or(0)),
    value(2, "ticket", "", "what the next write must bring; another after each write", |r| u64::from(r.ticket)),
    value(2, "settings", "", "checksum of the settings that run, codes left out", |r| u64::from(r.settings)),
    value(2, "clock", "s", "civil time since 2000-01-01 00:00; 0 = not set", |r| {
        r.status.moment.civil.map_or(0, |civil| civil.0 / 1_000)
    }),
    value(2, "uptime", "s", "since power came", |r| u64::from(r.uptime_s)),
    value(2, "flow", "mL/min", "by the meters", |r| u64::from(r.status.flow.0)),
    value(2, "metered", "L", "counted by the meters", |r| total(r.status.accounts.metered.0)),
    value(2, "untreated", "L", "past the tanks because none served", |r| total(r.status.accounts.untreated.0)),
    value(2, "blended", "L", "through the blending bypass", |r| total(r.status.accounts.blended.0)),
    value(2, "past-zero", "L", "through tanks with nothing left", |r| total(r.status.accounts.past_zero.0)),
    value(2, "used-today", "L", "since the last regeneration hour", |r| litres(r.status.used_today)),
    value(2, "next-deadline", "s", "until the logic acts by itself; all ones = not at all", |r| {
        seconds_until(r, r.status.next)
    }),
    value(1, "standing-alarms", "", "how many alarms stand", |r| {
        u64::try_from(r.status.alarms.iter().count()).unwrap_or(0)
    }),
    value(1, "records-lost", "", "records of the journal that were pushed out", |r| u64::from(r.status.records_lost)),
    value(2, "store-erasures", "", "of the store's page erased most", |r| u64::from(r.counters.erasures)),
    value(1, "address", "", "of this board on Modbus", |r| u64::from(r.manners.address)),
    value(2, "speed", "bit/s", "of the serial line", |r| u64::from(r.manners.speed.baud())),
];

/// Input registers of a tank, from [`TANK_INPUTS`] on, and so on each [`TANK_INPUTS_STEP`] further.
pub const TANK: &[Register<OfTank>] = &[
    value(1, "duty", "", "what it does", |_, t, _| place(DutyKind::ALL, Some(t.duty))),
    value(1, "step", "", "step of its regeneration", |_, t, _| place(StepKind::ALL, t.step)),
    value(1, "position", "", "where its valve is confirmed to stand", |_, t, _| place(Position::ALL, t.position)),
    value(1, "target", "", "where its valve goes", |_, t, _| place(Position::ALL, t.target)),
    value(1, "valve-lost", "", "1 = all tries to move it failed", |_, t, _| u64::from(t.is_lost)),
    value(1, "unproven", "", "1 = brine was drawn and the regeneration not completed", |_, t, _| {
        u64::from(t.is_unproven)
    }),
    value(1, "spent", "%", "of its capacity", |_, t, _| u64::from(t.spent_percent)),
    value(2, "left", "L", "left of its capacity", |_, t, _| litres(t.left)),
    value(2, "asks-in", "L", "left before it asks to regenerate", |_, t, _| litres(t.asks_in)),
    value(2, "since-regeneration", "L", "passed since its last regeneration", |_, t, _| litres(t.since_regeneration)),
    value(2, "overrun", "L", "passed since nothing was left", |_, t, _| litres(t.overrun)),
    value(1, "causes", "", "what is asked of it: bit 0 is the first cause", |_, t, _| {
        t.causes.iter().fold(0, |bits, cause| bits | bit(place(bedkeeper::demand::Cause::ALL, Some(cause))))
    }),
    value(2, "holds", "", "what holds it: bit 0 of the lower word is the first hold", |_, t, _| {
        t.holds.iter().fold(0, |bits, hold| bits | bit(place(bedkeeper::demand::Hold::ALL, Some(hold))))
    }),
    value(2, "step-left", "s", "until its step ends; all ones = not by time", |r, t, _| seconds_until(r, t.step_ends)),
    value(2, "regenerations", "", "completed in its life", |_, _, v| u64::from(v.regenerations)),
    value(2, "valve-moves", "", "starts of its motor in its life", |_, _, v| u64::from(v.moves)),
    value(2, "valve-driven", "s", "run time of its motor in its life", |_, _, v| u64::from(v.driven_s)),
];

/// The bit of a place from 1 on.
fn bit(place: u64) -> u64 {
    let shift = place.checked_sub(1).and_then(|shift| u32::try_from(shift).ok());
    shift.and_then(|shift| 1u64.checked_shl(shift)).unwrap_or(0)
}

/// Registers that are written. Each is written whole, by one request that begins at its first register, or at the ticket
/// with the ticket in front.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// The ticket that input register 2 shows: it allows the next write, once, within ten seconds.
    Ticket,
    /// The code of the lock; 0 = the deliberate step of a lock without a code.
    Key,
    /// Civil time, s since 2000-01-01 00:00.
    Clock,
}

/// Holding registers, from 0 on; they read as 0.
pub const HOLDING: &[Register<Written>] = &[
    value(
        2,
        "ticket",
        "",
        "input register 2 as it was read: it allows the next write, once, within 10 s",
        Written::Ticket,
    ),
    value(2, "key", "", "opens the lock: its code, or 0 where a deliberate step is enough", Written::Key),
    value(2, "clock", "s", "sets civil time, since 2000-01-01 00:00", Written::Clock),
];

/// Whether a tank's coil reads as on.
pub type IsOn = fn(&TankStatus) -> bool;
/// What a tank's coil asks for.
pub type ForTank = fn(TankId) -> Action;

/// A coil of a tank.
#[derive(Clone, Copy, Debug)]
pub struct TankCoil {
    /// Its name.
    pub name: &'static str,
    /// What it means.
    pub text: &'static str,
    /// What switching it on asks for.
    pub on: ForTank,
    /// What switching it off asks for.
    pub off: Option<ForTank>,
    /// How it reads.
    pub reads: IsOn,
}

/// Coils of a tank, from 0 on for tank 1 and each [`TANK_COILS_STEP`] further for the next.
pub const TANK_COILS: &[TankCoil] = &[
    TankCoil {
        name: "start-now",
        text: "on: regenerate as soon as nothing holds it; off: withdraw; reads as on while something is asked",
        on: Action::StartNow,
        off: Some(Action::Withdraw),
        reads: |t| !t.causes.is_empty(),
    },
    TankCoil {
        name: "start-at-hour",
        text: "on: regenerate at the regeneration hour",
        on: Action::StartAtHour,
        off: None,
        reads: |_| false,
    },
    TankCoil {
        name: "hold",
        text: "on: start nothing; off: release",
        on: Action::Hold,
        off: Some(Action::Release),
        reads: |t| t.is_held,
    },
    TankCoil {
        name: "out",
        text: "on: take it out; off: put it back",
        on: Action::TakeOut,
        off: Some(Action::PutBack),
        reads: |t| t.duty == DutyKind::Out,
    },
    TankCoil {
        name: "step-forward",
        text: "on: go on to the next step",
        on: Action::StepForward,
        off: None,
        reads: |_| false,
    },
    TankCoil { name: "abort", text: "on: end its regeneration", on: Action::Abort, off: None, reads: |_| false },
    TankCoil {
        name: "vouch",
        text: "on: declare it fit to serve as it is",
        on: Action::Vouch,
        off: None,
        reads: |_| false,
    },
    TankCoil {
        name: "shut-by-hand",
        text: "on: its valve is lost, and a person has shut it: others may use drain and brine",
        on: Action::ShutByHand,
        off: None,
        reads: |_| false,
    },
];

/// A coil of the plant.
#[derive(Clone, Copy, Debug)]
pub struct PlantCoil {
    /// Its name.
    pub name: &'static str,
    /// What it means.
    pub text: &'static str,
    /// What switching it on does.
    pub on: Deed,
    /// What switching it off does.
    pub off: Option<Deed>,
    /// How it reads.
    pub reads: fn(&Status) -> bool,
}

/// What a coil of the plant does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Deed {
    /// An operator's action.
    Act(Action),
    /// The lock is closed.
    Relock,
}

/// Coils of the plant, from [`PLANT_COILS`] on.
pub const PLANT_COIL: &[PlantCoil] = &[
    PlantCoil {
        name: "acknowledge-all",
        text: "on: every alarm is known; reads as on while one is not",
        on: Deed::Act(Action::Alarm(AlarmAction::AcknowledgeAll)),
        off: None,
        reads: |s| !s.unacknowledged.is_empty(),
    },
    PlantCoil {
        name: "close-lock",
        text: "on: close the lock of the serial line; reads as on while it is closed",
        on: Deed::Relock,
        off: None,
        reads: |s| !s.unlocked,
    },
    PlantCoil {
        name: "away",
        text: "on: people are away until they return; off: they are back",
        on: Deed::Act(Action::Leave { days: 0 }),
        off: Some(Deed::Act(Action::Return)),
        reads: |s| s.away,
    },
    PlantCoil {
        name: "brine-ready",
        text: "on: the brine tank holds its dose, ready to be drawn",
        on: Deed::Act(Action::BrineReady),
        off: None,
        reads: |_| false,
    },
    PlantCoil {
        name: "salt-filled",
        text: "on: the salt store is full again",
        on: Deed::Act(Action::SaltFilled),
        off: None,
        reads: |_| false,
    },
    PlantCoil {
        name: "maintained",
        text: "on: the plant was maintained",
        on: Deed::Act(Action::Alarm(AlarmAction::Maintained)),
        off: None,
        reads: |_| false,
    },
];

/// Finds the register of a list that holds a word, counted from the list's start: the register, and which of its words.
fn find<V>(list: &[Register<V>], word: u16) -> Option<(&Register<V>, u16)> {
    let mut from = 0u16;
    for register in list {
        let into = word.checked_sub(from)?;
        if into < register.words {
            return Some((register, into));
        }
        from = from.saturating_add(register.words);
    }
    None
}

/// One word of a value, the highest first.
fn word(value: u64, words: u16, into: u16) -> u16 {
    let below = words.saturating_sub(into).saturating_sub(1);
    let shifted = value.checked_shr(u32::from(below).saturating_mul(16)).unwrap_or(0);
    u16::try_from(shifted & 0xffff).unwrap_or(0)
}

/// An input register; `None` if there is none at this address.
#[must_use]
pub fn input(reading: &Reading, address: u16) -> Option<u16> {
    let Some(above) = address.checked_sub(TANK_INPUTS) else {
        let (register, into) = find(PLANT, address)?;
        return Some(word((register.value)(reading), register.words, into));
    };
    let index = usize::from(above / TANK_INPUTS_STEP);
    let (tank, valve) = (reading.status.tanks.get(index)?, reading.counters.valves.get(index)?);
    let (register, into) = find(TANK, above % TANK_INPUTS_STEP)?;
    Some(word((register.value)(reading, tank, valve), register.words, into))
}

/// Whether a discrete input is on; `None` if there is none at this address.
#[must_use]
pub fn discrete(reading: &Reading, address: u16) -> Option<bool> {
    match address.checked_sub(ALARM_INPUTS) {
        None => reading.status.relays.get(usize::from(address)).copied(),
        Some(alarm) => Alarm::ALL.get(usize::from(alarm)).map(|alarm| reading.status.alarms.contains(*alarm)),
    }
}

/// Whether a holding register is there; all read as 0.
#[must_use]
pub fn holding(address: u16) -> Option<u16> {
    find(HOLDING, address).map(|_| 0)
}

/// What writing to a holding register means: `None` unless the address is its first and it is written whole.
#[must_use]
pub fn written(address: u16, words: u16) -> Option<Written> {
    find(HOLDING, address).filter(|(register, into)| *into == 0 && register.words == words).map(|(r, _)| r.value)
}

/// How a coil reads; `None` if there is none at this address.
#[must_use]
pub fn coil(reading: &Reading, address: u16) -> Option<bool> {
    if let Some(above) = address.checked_sub(PLANT_COILS) {
        return PLANT_COIL.get(usize::from(above)).map(|coil| (coil.reads)(&reading.status));
    }
    let tank = reading.status.tanks.get(usize::from(address / TANK_COILS_STEP))?;
    TANK_COILS.get(usize::from(address % TANK_COILS_STEP)).map(|coil| (coil.reads)(tank))
}

/// What switching a coil does at a site with so many tanks: the outer `None` if there is none at this address, the inner if it
/// cannot be switched so.
#[must_use]
pub fn switched(address: u16, on: bool, tanks: u8) -> Option<Option<Deed>> {
    if let Some(above) = address.checked_sub(PLANT_COILS) {
        return PLANT_COIL.get(usize::from(above)).map(|coil| if on { Some(coil.on) } else { coil.off });
    }
    let tank = TankId(u8::try_from(address / TANK_COILS_STEP).ok().filter(|tank| *tank < tanks)?);
    let coil = TANK_COILS.get(usize::from(address % TANK_COILS_STEP))?;
    let asks = if on { Some(coil.on) } else { coil.off };
    Some(asks.map(|asks| Deed::Act(asks(tank))))
}
