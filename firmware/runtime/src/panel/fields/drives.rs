//! The valve drives and their positions.

use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, MAX_DRIVE_POSITIONS, RawDrive, RawTwoPosition};
use bedkeeper::units::Millis;
use heapless::Vec;

use super::bits::{pick, place};
use super::plant::TWO_POSITION;
use super::{Field, Group, Kind, MS, Members, SECONDS, YES_NO, narrow};

const POSITIONS: Kind =
    Kind::Choice(&["service", "standby", "backwash", "brine draw", "slow rinse", "fast rinse", "brine refill"]);

pub(super) const FIELDS: &[Field] = &[
    part!(
        Drive,
        "drive",
        "drive",
        Kind::Choice(&["cam and switches", "cam and marks", "ball valve", "timed", "pilots"]),
        |raw, _| Some(drive_place(&raw.drive)),
        |raw, _, value| {
            if drive_place(&raw.drive) != value {
                raw.drive = drive_like(&raw.drive, value);
            }
        }
    ),
    part!(
        Drive,
        "switches",
        "drive",
        Kind::Choice(&["each position", "home and stop"]),
        |raw, _| match raw.drive {
            RawDrive::CamSwitch { feedback, .. } => Some(u64::from(feedback == CamFeedback::HomeAndStop)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamSwitch { feedback, .. } = &mut raw.drive {
                *feedback = if value == 0 { CamFeedback::SwitchPerPosition } else { CamFeedback::HomeAndStop };
            }
        }
    ),
    part!(
        Drive,
        "marks in a turn",
        "drive",
        Kind::Number,
        |raw, _| match raw.drive {
            RawDrive::CamIndex { marks, .. } => Some(u64::from(marks)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamIndex { marks, .. } = &mut raw.drive {
                *marks = narrow(value, u8::MAX);
            }
        }
    ),
    part!(
        Drive,
        "miscounts at most",
        "drive",
        Kind::Number,
        |raw, _| match raw.drive {
            RawDrive::CamIndex { slip_marks, .. } => Some(u64::from(slip_marks)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamIndex { slip_marks, .. } = &mut raw.drive {
                *slip_marks = narrow(value, u8::MAX);
            }
        }
    ),
    part!(
        Drive,
        "coasts marks at most",
        "drive",
        Kind::Number,
        |raw, _| match raw.drive {
            RawDrive::CamIndex { coast_marks, .. } => Some(u64::from(coast_marks)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamIndex { coast_marks, .. } = &mut raw.drive {
                *coast_marks = narrow(value, u8::MAX);
            }
        }
    ),
    part!(
        Drive,
        "motor runs both ways",
        "drive",
        YES_NO,
        |raw, _| match raw.drive {
            RawDrive::CamSwitch { reversible, .. } | RawDrive::CamIndex { reversible, .. } =>
                Some(u64::from(reversible)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamSwitch { reversible, .. } | RawDrive::CamIndex { reversible, .. } = &mut raw.drive {
                *reversible = value != 0;
            }
        }
    ),
    part!(
        Drive,
        "there is a contact",
        "drive",
        YES_NO,
        |raw, _| match raw.drive {
            RawDrive::PilotArray { contact, .. } => Some(u64::from(contact)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::PilotArray { contact, .. } = &mut raw.drive {
                *contact = value != 0;
            }
        }
    ),
    part!(
        Drive,
        "motor runs at most",
        "drive",
        SECONDS,
        |raw, _| match &raw.drive {
            RawDrive::Timed { .. } => None,
            RawDrive::PilotArray { travel_limit, .. }
            | RawDrive::CamSwitch { travel_limit, .. }
            | RawDrive::CamIndex { travel_limit, .. }
            | RawDrive::TwoPosition { valve: RawTwoPosition { travel_limit, .. }, .. } =>
                Some(u64::from(travel_limit.0)),
        },
        |raw, _, value| match &mut raw.drive {
            RawDrive::Timed { .. } => {}
            RawDrive::PilotArray { travel_limit, .. }
            | RawDrive::CamSwitch { travel_limit, .. }
            | RawDrive::CamIndex { travel_limit, .. }
            | RawDrive::TwoPosition { valve: RawTwoPosition { travel_limit, .. }, .. } => {
                *travel_limit = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(Drive, "it rests", "drive", MS, |raw, _| Some(u64::from(raw.drive.rest().0)), |raw, _, value| match &mut raw
        .drive
    {
        RawDrive::CamSwitch { rest, .. }
        | RawDrive::CamIndex { rest, .. }
        | RawDrive::Timed { rest, .. }
        | RawDrive::PilotArray { rest, .. }
        | RawDrive::TwoPosition { valve: RawTwoPosition { rest, .. }, .. } => *rest = Millis(narrow(value, u32::MAX)),
    }),
    part!(
        Drive,
        "it coasts at most",
        "drive",
        MS,
        |raw, _| match raw.drive {
            RawDrive::CamSwitch { coast, .. } | RawDrive::CamIndex { coast, .. } => Some(u64::from(coast.0)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::CamSwitch { coast, .. } | RawDrive::CamIndex { coast, .. } = &mut raw.drive {
                *coast = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Drive,
        "pilots settle in",
        "drive",
        MS,
        |raw, _| match raw.drive {
            RawDrive::PilotArray { settle, .. } => Some(u64::from(settle.0)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::PilotArray { settle, .. } = &mut raw.drive {
                *settle = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Drive,
        "margin",
        "drive",
        MS,
        |raw, _| match raw.drive {
            RawDrive::Timed { margin, .. } | RawDrive::PilotArray { margin, .. } => Some(u64::from(margin.0)),
            _ => None,
        },
        |raw, _, value| {
            if let RawDrive::Timed { margin, .. } | RawDrive::PilotArray { margin, .. } = &mut raw.drive {
                *margin = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Drive,
        "it tries again",
        "drive",
        Kind::Number,
        |raw, _| match &raw.drive {
            RawDrive::Timed { .. } => None,
            RawDrive::CamSwitch { retries, .. }
            | RawDrive::CamIndex { retries, .. }
            | RawDrive::PilotArray { retries, .. }
            | RawDrive::TwoPosition { valve: RawTwoPosition { retries, .. }, .. } => Some(u64::from(*retries)),
        },
        |raw, _, value| match &mut raw.drive {
            RawDrive::Timed { .. } => {}
            RawDrive::CamSwitch { retries, .. }
            | RawDrive::CamIndex { retries, .. }
            | RawDrive::PilotArray { retries, .. }
            | RawDrive::TwoPosition { valve: RawTwoPosition { retries, .. }, .. } => *retries = narrow(value, u8::MAX),
        }
    ),
    part!(
        Position,
        "it is",
        "drive.positions",
        POSITIONS,
        |raw, at| { raw.drive.positions().nth(at).and_then(|position| place(Position::ALL, position)) },
        |raw, at, value| {
            let Some(position) = pick(Position::ALL, value) else { return };
            let old = match &mut raw.drive {
                RawDrive::CamSwitch { positions, .. } => positions.get_mut(at),
                RawDrive::CamIndex { positions, .. } | RawDrive::PilotArray { positions, .. } => {
                    positions.get_mut(at).map(|(old, _)| old)
                }
                RawDrive::TwoPosition { positions, .. } => positions.get_mut(at),
                RawDrive::Timed { positions, .. } => positions.get_mut(at).map(|(old, _)| old),
            };
            if let Some(old) = old {
                *old = position;
            }
        }
    ),
    part!(
        Position,
        "at mark",
        "drive.positions",
        Kind::Number,
        |raw, at| match &raw.drive {
            RawDrive::CamIndex { positions, .. } => positions.get(at).map(|(_, mark)| u64::from(*mark)),
            _ => None,
        },
        |raw, at, value| {
            if let RawDrive::CamIndex { positions, .. } = &mut raw.drive
                && let Some((_, mark)) = positions.get_mut(at)
            {
                *mark = narrow(value, u8::MAX);
            }
        }
    ),
    part!(
        Position,
        "motor runs for",
        "drive.positions",
        MS,
        |raw, at| match &raw.drive {
            RawDrive::Timed { positions, .. } => positions.get(at).map(|(_, ran)| u64::from(ran.0)),
            _ => None,
        },
        |raw, at, value| {
            if let RawDrive::Timed { positions, .. } = &mut raw.drive
                && let Some((_, ran)) = positions.get_mut(at)
            {
                *ran = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Position,
        "pilots that act",
        "drive.positions",
        Kind::Set(Members::Pilots),
        |raw, at| match &raw.drive {
            RawDrive::PilotArray { positions, .. } => positions.get(at).map(|(_, pattern)| u64::from(*pattern)),
            _ => None,
        },
        |raw, at, value| {
            if let RawDrive::PilotArray { positions, .. } = &mut raw.drive
                && let Some((_, pattern)) = positions.get_mut(at)
            {
                *pattern = narrow(value, u8::MAX);
            }
        }
    ),
];

const fn drive_place(drive: &RawDrive) -> u64 {
    match drive {
        RawDrive::CamSwitch { .. } => 0,
        RawDrive::CamIndex { .. } => 1,
        RawDrive::TwoPosition { .. } => 2,
        RawDrive::Timed { .. } => 3,
        RawDrive::PilotArray { .. } => 4,
    }
}

/// Another drive with the same positions, as far as it can have them; its own figures are to be set.
fn drive_like(old: &RawDrive, kind: u64) -> RawDrive {
    let mut places: Vec<Position, MAX_DRIVE_POSITIONS> = Vec::new();
    for position in old.positions() {
        // No drive has more.
        let _ = places.push(position);
    }
    let numbered = |each: u8| {
        let mut all: Vec<(Position, u8), MAX_DRIVE_POSITIONS> = Vec::new();
        for (position, at) in places.iter().zip(0u8..) {
            let _ = all.push((*position, at.saturating_mul(each)));
        }
        all
    };
    let travel_limit = if old.travel_limit() == Millis::ZERO { Millis::from_mins(4) } else { old.travel_limit() };
    let rest = Millis::from_secs(2);
    match kind {
        0 => RawDrive::CamSwitch {
            positions: places,
            feedback: CamFeedback::SwitchPerPosition,
            reversible: false,
            travel_limit,
            rest,
            coast: Millis(500),
            retries: 2,
        },
        1 => RawDrive::CamIndex {
            positions: numbered(8),
            marks: u8::try_from(places.len()).unwrap_or(0).saturating_mul(8),
            slip_marks: 1,
            coast_marks: 1,
            reversible: false,
            travel_limit,
            rest,
            coast: Millis(500),
            retries: 2,
        },
        2 => {
            let mut two = places.iter().copied();
            let first = two.next().unwrap_or(Position::Service);
            RawDrive::TwoPosition { positions: [first, two.next().unwrap_or(Position::Backwash)], valve: TWO_POSITION }
        }
        3 => {
            let mut positions: Vec<(Position, Millis), MAX_DRIVE_POSITIONS> = Vec::new();
            for (position, at) in places.iter().zip(0u32..) {
                let _ = positions.push((*position, Millis::from_secs(at.saturating_mul(20))));
            }
            RawDrive::Timed { positions, margin: Millis::from_secs(5), rest }
        }
        _ => RawDrive::PilotArray {
            positions: numbered(1),
            contact: false,
            settle: Millis::from_secs(10),
            margin: Millis::from_secs(5),
            travel_limit: Millis::from_mins(1),
            rest,
            retries: 2,
        },
    }
}
