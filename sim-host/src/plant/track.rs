//! The way a valve travels: where its positions lie on it, and where its switches are closed.
//!
//! Lengths are in microseconds of travel at the motor's full speed, so that slower motors lose nothing to rounding.

use bedkeeper::drive::{Motion, Switches};
use bedkeeper::program::Position;

/// A stretch of travel, both ends included; on a round track it may lead over the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone {
    pub from_us: u64,
    pub to_us: u64,
}

impl Zone {
    pub fn contains(self, place_us: u64) -> bool {
        if self.from_us <= self.to_us {
            (self.from_us..=self.to_us).contains(&place_us)
        } else {
            place_us >= self.from_us || place_us <= self.to_us
        }
    }
}

/// A way with its positions and switches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Track {
    /// A whole turn, or from stop to stop.
    pub length_us: u64,
    /// It leads round; otherwise there is a stop at each end.
    pub round: bool,
    /// Positions in the order of travel, each with its middle.
    pub positions: Vec<(Position, u64)>,
    /// How far around its middle a position reaches.
    pub reach_us: u64,
    /// Where each switch is closed; one may be closed in several zones.
    pub switches: Vec<(u8, Zone)>,
    /// The switch whose closures are counted, if there is one.
    pub marks: Option<u8>,
}

impl Track {
    pub fn zone(&self, middle_us: u64, reach_us: u64) -> Zone {
        if self.round {
            let length = self.length_us;
            Zone { from_us: (middle_us + length - reach_us) % length, to_us: (middle_us + reach_us) % length }
        } else {
            Zone { from_us: middle_us.saturating_sub(reach_us), to_us: (middle_us + reach_us).min(self.length_us) }
        }
    }

    /// The middle of a position.
    pub fn middle_us(&self, position: Position) -> Option<u64> {
        self.positions.iter().find(|(p, _)| *p == position).map(|(_, middle)| *middle)
    }

    /// The position that a place lies in.
    pub fn position(&self, place_us: u64) -> Option<usize> {
        self.positions.iter().position(|(_, middle)| self.zone(*middle, self.reach_us).contains(place_us))
    }

    /// What the switches would show without fault.
    pub fn closed(&self, place_us: u64) -> Switches {
        let closed = self.switches.iter().filter(|(_, zone)| zone.contains(place_us));
        Switches(closed.fold(0, |bits, (switch, _)| bits | 1 << switch))
    }

    /// Travel from one place to another in a direction; `None` if a stop lies between.
    pub fn distance_us(&self, from_us: u64, to_us: u64, motion: Motion) -> Option<u64> {
        let ahead = match motion {
            Motion::Off => return None,
            Motion::Forward => to_us.checked_sub(from_us),
            Motion::Reverse => from_us.checked_sub(to_us),
        };
        match (ahead, motion) {
            (None, _) if !self.round => None,
            (None, Motion::Reverse) => Some(from_us + self.length_us - to_us),
            (None, _) => Some(to_us + self.length_us - from_us),
            (ahead, _) => ahead,
        }
    }

    /// The place after so much travel; stops hold.
    pub fn travel(&self, place_us: u64, by_us: u64, motion: Motion) -> u64 {
        match (motion, self.round) {
            (Motion::Off, _) => place_us,
            (Motion::Forward, true) => (place_us + by_us) % self.length_us,
            (Motion::Reverse, true) => (place_us + self.length_us - by_us % self.length_us) % self.length_us,
            (Motion::Forward, false) => (place_us + by_us).min(self.length_us),
            (Motion::Reverse, false) => place_us.saturating_sub(by_us),
        }
    }

    /// Travel to where a switch next changes.
    pub fn to_next_edge_us(&self, place_us: u64, motion: Motion) -> Option<u64> {
        let edges = self.switches.iter().flat_map(|(_, zone)| {
            let (enters, leaves) = match motion {
                Motion::Reverse => (zone.to_us, zone.from_us),
                Motion::Forward | Motion::Off => (zone.from_us, zone.to_us),
            };
            let enters = self.distance_us(place_us, enters, motion);
            [enters, self.distance_us(place_us, leaves, motion).map(|distance| distance + 1)]
        });
        // Where it stands right at the beginning of a zone, it has entered already.
        edges.flatten().filter(|distance| *distance > 0).min()
    }

    /// Travel to where a position is next entered; 0 within it.
    pub fn to_position_us(&self, place_us: u64, position: Position, motion: Motion) -> Option<u64> {
        let zone = self.zone(self.middle_us(position)?, self.reach_us);
        if zone.contains(place_us) {
            return Some(0);
        }
        let enters = if motion == Motion::Reverse { zone.to_us } else { zone.from_us };
        self.distance_us(place_us, enters, motion)
    }

    /// The middle of the way from the position at or before a place to the next.
    pub fn between_us(&self, place_us: u64) -> u64 {
        let before = self.positions.iter().rposition(|(_, middle)| *middle <= place_us).unwrap_or(0);
        let (_, from) = self.positions[before];
        match self.positions.get(before + 1) {
            Some((_, next)) => (from + next) / 2,
            None if self.round => (from + self.length_us) / 2 % self.length_us,
            // Behind the last one is the stop, so it is the way before.
            None => self.positions.get(before.wrapping_sub(1)).map_or(from, |(_, last)| (last + from) / 2),
        }
    }

    /// The positions on both sides of a place, each with its distance: the nearer one first.
    pub fn neighbours(&self, place_us: u64) -> Option<[(Position, u64); 2]> {
        let side = |motion| {
            let distances =
                self.positions.iter().filter_map(|(p, at)| Some((*p, self.distance_us(place_us, *at, motion)?)));
            distances.min_by_key(|(_, distance)| *distance)
        };
        let (ahead, behind) = (side(Motion::Forward), side(Motion::Reverse));
        let (ahead, behind) = (ahead.or(behind)?, behind.or(ahead)?);
        Some(if ahead.1 <= behind.1 { [ahead, behind] } else { [behind, ahead] })
    }
}
