//! What groups have several of: how many there are, and how one is added or taken away.

use bedkeeper::calendar::{Weekdays, Window};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{RawDrive, RawSettings, RawStep};
use bedkeeper::units::{Flow, Millis};
use bedkeeper::watch::Alarm;
use heapless::Vec;

use super::Group;

const MINUTE_MS: u32 = 60_000;

impl Group {
    /// What a group has several of.
    #[must_use]
    pub const fn parts(self) -> Option<Self> {
        match self {
            Self::Calendar => Some(Self::Window),
            Self::Steps => Some(Self::Step),
            Self::Relays => Some(Self::Relay),
            Self::Alarms => Some(Self::Alarm),
            Self::Plant => Some(Self::Threshold),
            Self::Drive => Some(Self::Position),
            _ => None,
        }
    }

    /// How many parts there are; one, for a group that is no part of another.
    #[must_use]
    pub fn count(self, raw: &RawSettings) -> u8 {
        let count = match self {
            Self::Window => raw.windows.len(),
            Self::Step => raw.program.len(),
            Self::Relay => raw.relays.len(),
            Self::Alarm => Alarm::ALL.len(),
            Self::Threshold => raw.sharing.join_above.len(),
            Self::Position => raw.drive.position_count(),
            _ => 1,
        };
        u8::try_from(count).unwrap_or(u8::MAX)
    }

    /// What adds a part, if parts can be added.
    #[must_use]
    pub const fn add_words(self) -> Option<&'static str> {
        match self {
            Self::Window => Some("add a blackout"),
            Self::Step => Some("add a step"),
            Self::Threshold => Some("add a threshold"),
            Self::Position => Some("add a position"),
            _ => None,
        }
    }

    /// Adds a part at the end; says whether there was room.
    pub fn add_to(self, raw: &mut RawSettings) -> bool {
        match self {
            Self::Window => {
                let window = Window { days: Weekdays::ALL_DAYS, from_minute: 480, to_minute: 1_200 };
                raw.windows.push(window).is_ok()
            }
            Self::Step => {
                let step = RawStep::timed(StepKind::FastRinse, Millis(10 * MINUTE_MS), Flow(8_000));
                raw.program.push(step).is_ok()
            }
            Self::Threshold => {
                let last = raw.sharing.join_above.last().map_or(0, |flow| flow.0);
                raw.sharing.join_above.push(Flow(last.saturating_add(10_000))).is_ok()
            }
            Self::Position => {
                let has = raw.drive.position_set();
                let Some(new) = Position::ALL.iter().copied().find(|position| !has.contains(*position)) else {
                    return false;
                };
                match &mut raw.drive {
                    RawDrive::CamSwitch { positions, .. } => positions.push(new).is_ok(),
                    RawDrive::CamIndex { positions, .. } => {
                        let mark = positions.last().map_or(0, |(_, mark)| mark.saturating_add(8));
                        positions.push((new, mark)).is_ok()
                    }
                    RawDrive::PilotArray { positions, .. } => {
                        let pattern = positions.iter().map(|(_, pattern)| *pattern).max().unwrap_or(0);
                        positions.push((new, pattern.saturating_add(1))).is_ok()
                    }
                    RawDrive::Timed { positions, .. } => {
                        let ran = positions.last().map_or(Millis::ZERO, |(_, ran)| ran.plus(Millis::from_secs(20)));
                        positions.push((new, ran)).is_ok()
                    }
                    // A ball valve has two ends.
                    RawDrive::TwoPosition { .. } => false,
                }
            }
            _ => false,
        }
    }

    /// Takes a part away; says whether it was there and may go.
    pub fn remove_from(self, raw: &mut RawSettings, of: u8) -> bool {
        fn drop_at<T, const N: usize>(all: &mut Vec<T, N>, at: usize) -> bool {
            let there = at < all.len();
            if there {
                let _ = all.remove(at);
            }
            there
        }
        let at = usize::from(of);
        match self {
            Self::Window => drop_at(&mut raw.windows, at),
            Self::Step => drop_at(&mut raw.program, at),
            Self::Threshold => drop_at(&mut raw.sharing.join_above, at),
            Self::Position => match &mut raw.drive {
                RawDrive::CamSwitch { positions, .. } => drop_at(positions, at),
                RawDrive::CamIndex { positions, .. } | RawDrive::PilotArray { positions, .. } => drop_at(positions, at),
                RawDrive::Timed { positions, .. } => drop_at(positions, at),
                RawDrive::TwoPosition { .. } => false,
            },
            _ => false,
        }
    }
}
