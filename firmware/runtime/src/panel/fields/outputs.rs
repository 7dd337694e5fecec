//! What the relays do, and how alarms are treated.

use bedkeeper::program::{StepKind, StepSet};
use bedkeeper::settings::{RawRelay, RawSettings, RelayProgram};
use bedkeeper::units::{Millis, TankId, TankSet, Volume};
use bedkeeper::watch::{Alarm, AlarmDelay, AlarmRules, Severity};

use super::bits::{of_bits, pick, place, to_bits};
use super::{Field, Group, Kind, Members, SECONDS, YES_NO, narrow};

const SEVERITIES: Kind = Kind::Choice(&["a notice", "a warning", "critical"]);

pub(super) const FIELDS: &[Field] = &[
    part!(
        Relay,
        "it is on",
        "relays.program",
        Kind::Choice(&[
            "never",
            "on an alarm",
            "in steps",
            "after a start",
            "for each volume",
            "tank is off-line",
            "none serves",
            "while water flows",
            "to isolate",
            "plant is healthy",
        ]),
        |raw, at| relay(raw, at).map(|r| match r.program {
            RelayProgram::Unused => 0,
            RelayProgram::OnAlarm(_) => 1,
            RelayProgram::During { .. } => 2,
            RelayProgram::AfterStart { .. } => 3,
            RelayProgram::PerVolume { .. } => 4,
            RelayProgram::WhileOffline(_) => 5,
            RelayProgram::WhileNoneServing => 6,
            RelayProgram::WhileFlow => 7,
            RelayProgram::Isolate(_) => 8,
            RelayProgram::FailSafe => 9,
        }),
        |raw, at, value| {
            let tanks = all_tanks(raw);
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.program = match (relay.program, value) {
                    (RelayProgram::OnAlarm(_), 1)
                    | (RelayProgram::During { .. }, 2)
                    | (RelayProgram::AfterStart { .. }, 3)
                    | (RelayProgram::PerVolume { .. }, 4)
                    | (RelayProgram::WhileOffline(_), 5)
                    | (RelayProgram::Isolate(_), 8) => return,
                    (_, 0) => RelayProgram::Unused,
                    (_, 1) => RelayProgram::OnAlarm(Severity::Warning),
                    (_, 2) => RelayProgram::During { steps: StepSet::only(StepKind::BrineDraw), tanks },
                    (_, 3) => RelayProgram::AfterStart { delay: Millis::ZERO, length: Millis::from_mins(1) },
                    (_, 4) => RelayProgram::PerVolume { volume: Volume::from_litres(100), on: Millis::from_secs(1) },
                    (_, 5) => RelayProgram::WhileOffline(TankId(0)),
                    (_, 6) => RelayProgram::WhileNoneServing,
                    (_, 7) => RelayProgram::WhileFlow,
                    (_, 8) => RelayProgram::Isolate(tanks),
                    _ => RelayProgram::FailSafe,
                };
            }
        }
    ),
    part!(
        Relay,
        "from alarms that are",
        "relays.program",
        SEVERITIES,
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::OnAlarm(grave) => place(Severity::ALL, grave),
            _ => None,
        },
        |raw, at, value| {
            if let (Some(relay), Some(grave)) = (raw.relays.get_mut(at), pick(Severity::ALL, value)) {
                relay.program = RelayProgram::OnAlarm(grave);
            }
        }
    ),
    part!(
        Relay,
        "in these steps",
        "relays.program",
        Kind::Set(Members::Steps),
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::During { steps, .. } => Some(to_bits(StepKind::ALL, |step| steps.contains(step))),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawRelay { program: RelayProgram::During { steps, .. }, .. }) = raw.relays.get_mut(at) {
                *steps = StepSet::EMPTY;
                of_bits(StepKind::ALL, value, |step| {
                    steps.insert(step);
                });
            }
        }
    ),
    part!(
        Relay,
        "of these tanks",
        "relays.program",
        Kind::Set(Members::Tanks),
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::During { tanks, .. } | RelayProgram::Isolate(tanks) => Some(u64::from(tanks.0)),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawRelay {
                program: RelayProgram::During { tanks, .. } | RelayProgram::Isolate(tanks), ..
            }) = raw.relays.get_mut(at)
            {
                *tanks = TankSet(narrow(value, u8::MAX));
            }
        }
    ),
    part!(
        Relay,
        "which tank",
        "relays.program",
        Kind::Choice(&["tank 1", "tank 2", "tank 3", "tank 4", "tank 5", "tank 6", "tank 7", "tank 8"]),
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::WhileOffline(tank) => Some(u64::from(tank.0)),
            _ => None,
        },
        |raw, at, value| {
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.program = RelayProgram::WhileOffline(TankId(narrow(value, u8::MAX)));
            }
        }
    ),
    part!(
        Relay,
        "after its start by",
        "relays.program",
        SECONDS,
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::AfterStart { delay, .. } => Some(u64::from(delay.0)),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawRelay { program: RelayProgram::AfterStart { delay, .. }, .. }) = raw.relays.get_mut(at) {
                *delay = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Relay,
        "for each",
        "relays.program",
        Kind::Volume,
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::PerVolume { volume, .. } => Some(volume.0),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawRelay { program: RelayProgram::PerVolume { volume, .. }, .. }) = raw.relays.get_mut(at) {
                *volume = Volume(value);
            }
        }
    ),
    part!(
        Relay,
        "for so long",
        "relays.program",
        SECONDS,
        |raw, at| match relay(raw, at)?.program {
            RelayProgram::AfterStart { length: on, .. } | RelayProgram::PerVolume { on, .. } => Some(u64::from(on.0)),
            _ => None,
        },
        |raw, at, value| {
            if let Some(RawRelay {
                program: RelayProgram::AfterStart { length: on, .. } | RelayProgram::PerVolume { on, .. },
                ..
            }) = raw.relays.get_mut(at)
            {
                *on = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Relay,
        "on means coil off",
        "relays.inverted",
        YES_NO,
        |raw, at| relay(raw, at).map(|r| u64::from(r.inverted)),
        |raw, at, value| {
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.inverted = value != 0;
            }
        }
    ),
    part!(
        Relay,
        "on at least",
        "relays.min_on",
        SECONDS,
        |raw, at| relay(raw, at).map(|r| u64::from(r.min_on.0)),
        |raw, at, value| {
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.min_on = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Relay,
        "off at least",
        "relays.min_off",
        SECONDS,
        |raw, at| relay(raw, at).map(|r| u64::from(r.min_off.0)),
        |raw, at, value| {
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.min_off = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Relay,
        "on at most, 0: ever",
        "relays.longest_on",
        SECONDS,
        |raw, at| relay(raw, at).map(|r| u64::from(r.longest_on.0)),
        |raw, at, value| {
            if let Some(relay) = raw.relays.get_mut(at) {
                relay.longest_on = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Alarm,
        "it is",
        "watch.rules",
        SEVERITIES,
        |raw, at| { alarm(at).and_then(|alarm| place(Severity::ALL, raw.watch.rules.severity(alarm))) },
        |raw, at, value| {
            if let (Some(alarm), Some(grave)) = (alarm(at), pick(Severity::ALL, value)) {
                raw.watch.rules.set_severity(alarm, grave);
            }
        }
    ),
    part!(
        Alarm,
        "stands until reset",
        "watch.rules",
        YES_NO,
        |raw, at| { alarm(at).map(|alarm| u64::from(raw.watch.rules.latching.contains(alarm))) },
        |raw, at, value| {
            if let Some(alarm) = alarm(at) {
                let latching = &mut raw.watch.rules.latching;
                let _ = if value == 0 { latching.remove(alarm) } else { latching.insert(alarm) };
            }
        }
    ),
    part!(
        Alarm,
        "comes after",
        "watch.rules",
        SECONDS,
        |raw, at| alarm(at).map(|alarm| delay(&raw.watch.rules, alarm, true)),
        |raw, at, value| {
            set_delay(&mut raw.watch.rules, at, true, value);
        }
    ),
    part!(
        Alarm,
        "goes after",
        "watch.rules",
        SECONDS,
        |raw, at| alarm(at).map(|alarm| delay(&raw.watch.rules, alarm, false)),
        |raw, at, value| {
            set_delay(&mut raw.watch.rules, at, false, value);
        }
    ),
];

fn relay(raw: &RawSettings, at: usize) -> Option<&RawRelay> {
    raw.relays.get(at)
}

/// The alarm of a place.
pub(super) fn alarm(at: usize) -> Option<Alarm> {
    Alarm::ALL.get(at).copied()
}

fn all_tanks(raw: &RawSettings) -> TankSet {
    TankSet(u8::MAX.checked_shr(8u32.saturating_sub(u32::from(raw.tanks))).unwrap_or(0))
}

/// The delay of an alarm in ms.
fn delay(rules: &AlarmRules, alarm: Alarm, onset: bool) -> u64 {
    let found = rules.delays.iter().find(|delay| delay.alarm == alarm);
    found.map_or(0, |delay| u64::from(if onset { delay.onset_s } else { delay.return_s }).saturating_mul(1_000))
}

/// There is room for a few delays; where there is none nothing changes.
fn set_delay(rules: &mut AlarmRules, at: usize, onset: bool, value: u64) {
    let Some(alarm) = alarm(at) else { return };
    let seconds = narrow(value / 1_000, u16::MAX);
    if !rules.delays.iter().any(|delay| delay.alarm == alarm) {
        let _ = rules.delays.push(AlarmDelay { alarm, onset_s: 0, return_s: 0 });
    }
    if let Some(delay) = rules.delays.iter_mut().find(|delay| delay.alarm == alarm) {
        *(if onset { &mut delay.onset_s } else { &mut delay.return_s }) = seconds;
    }
    rules.delays.retain(|delay| delay.onset_s > 0 || delay.return_s > 0);
}
