//! What a tank's valve lets pass: in each position, and between two of them.

use bedkeeper::program::Position;

use crate::plant::{self, OPEN, OpeningMilli};

/// Where a valve stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// The position that it stands in, or nearest to.
    pub position: Position,
    /// How far that position's ports are open.
    pub milli: OpeningMilli,
}

impl Standing {
    /// Fully in a position.
    #[must_use]
    pub const fn within(position: Position) -> Self {
        Self { position, milli: OPEN }
    }
}

/// How far a changeover valve that two tanks share leads each of them to the building, 0 to 1.
///
/// On its way from one end to the other it opens the one as it closes the other, so that water never stops (a choice:
/// diverting valves are made so).
#[must_use]
pub fn led_by(changeover: Standing) -> [f64; 2] {
    let from_end = f64::from(OPEN - changeover.milli.min(OPEN)) / (2.0 * f64::from(OPEN));
    match changeover.position {
        Position::Service => [1.0 - from_end, from_end],
        _ => [from_end, 1.0 - from_end],
    }
}

/// How far each way through a valve is open, 0 (shut) to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ways {
    /// From the supply down through the bed to the building.
    pub service: f64,
    /// From the supply past the bed to the building.
    pub past_bed: f64,
    /// Up through the bed to the drain.
    pub backwash: f64,
    /// Down through the bed to the drain, at a fast rinse's flow.
    pub fast_rinse: f64,
    /// Through the eductor and the bed to the drain.
    pub eductor: f64,
    /// Through the bed to the drain at a slow rinse's flow, without the eductor.
    pub slow_rinse: f64,
    /// From the supply to the brine tank.
    pub refill: f64,
    /// From the supply straight to the drain.
    pub to_drain: f64,
}

/// What a valve lets pass that it should not, and what it does by its make.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ValveMake {
    /// Whether it passes untreated water to the building in every position but service and standby, as the
    /// valves of single tanks do (common practice).
    pub passes_untreated: bool,
    /// Opening from the supply to the building, and to the drain, midway between two positions.
    pub crossing: f64,
    /// Opening past the bed in every position: a worn seal.
    pub leak_past: f64,
    /// Opening to the drain in every position: a worn seal.
    pub leak_to_drain: f64,
}

impl Ways {
    /// What a valve of this make passes where it stands.
    ///
    /// Ports of a position that is left close evenly; the crossing opens as they do.
    #[must_use]
    pub fn of(standing: Standing, make: &ValveMake) -> Self {
        let opening = f64::from(standing.milli.min(OPEN)) / f64::from(OPEN);
        let mut ways = Self::default();
        // The way that brine runs does not matter here: the bed's side of it is the process's own.
        let ports = plant::Passage::of(standing.position, plant::Direction::Down);
        if ports.serves {
            ways.service = opening;
        }
        if ports.refills {
            ways.refill = opening;
        }
        if ports.draws_brine {
            ways.eductor = opening;
        } else if ports.to_drain.is_some() {
            match standing.position {
                Position::Backwash => ways.backwash = opening,
                Position::SlowRinse => ways.slow_rinse = opening,
                _ => ways.fast_rinse = opening,
            }
        }
        let regenerates = ports.to_drain.is_some() || ports.refills;
        if make.passes_untreated && regenerates {
            ways.past_bed = opening;
        }
        let crossing = make.crossing * (1.0 - opening);
        ways.past_bed = ways.past_bed.max(make.leak_past).max(crossing);
        ways.to_drain = make.leak_to_drain.max(crossing);
        ways
    }

    /// The same behind a changeover valve that leads to the building this much of what it could, 0 to 1.
    #[must_use]
    pub fn led(self, share: f64) -> Self {
        Self { service: self.service * share, past_bed: self.past_bed * share, ..self }
    }

    /// Whether water goes anywhere by itself, without anyone opening a tap.
    #[must_use]
    pub fn runs(&self) -> bool {
        self.backwash + self.fast_rinse + self.eductor + self.slow_rinse + self.refill + self.to_drain > 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIGHT: ValveMake = ValveMake { passes_untreated: false, crossing: 0.1, leak_past: 0.0, leak_to_drain: 0.0 };

    fn list(ways: &Ways) -> [f64; 8] {
        [
            ways.service,
            ways.past_bed,
            ways.backwash,
            ways.fast_rinse,
            ways.eductor,
            ways.slow_rinse,
            ways.refill,
            ways.to_drain,
        ]
    }

    #[test]
    fn each_position_opens_its_own_way_and_no_other() {
        let mut seen = Vec::new();
        for position in Position::ALL {
            let ways = Ways::of(Standing::within(*position), &TIGHT);
            let open: Vec<usize> = (0..8).filter(|i| list(&ways)[*i] > 0.0).collect();
            assert_eq!(open.len(), usize::from(*position != Position::Standby), "{position:?}");
            assert!(list(&ways).iter().all(|way| [0.0, 1.0].contains(way)));
            assert_eq!(ways.runs(), !matches!(position, Position::Service | Position::Standby));
            seen.extend(open);
        }
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen, [0, 2, 3, 4, 5, 6]);
    }

    #[test]
    fn between_positions_water_passes_the_bed_and_reaches_the_drain() {
        let ways = Ways::of(Standing { position: Position::Service, milli: 500 }, &TIGHT);
        assert_eq!(list(&ways), [0.5, 0.05, 0.0, 0.0, 0.0, 0.0, 0.0, 0.05]);
        let shut = Ways::of(Standing { position: Position::Backwash, milli: 0 }, &TIGHT);
        assert_eq!(list(&shut), [0.0, 0.1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.1]);
    }

    #[test]
    fn a_single_tanks_valve_passes_untreated_water_while_it_regenerates() {
        let make = ValveMake { passes_untreated: true, ..TIGHT };
        let past = |position| Ways::of(Standing::within(position), &make).past_bed;
        assert_eq!(past(Position::BrineDraw), 1.0);
        assert_eq!(past(Position::BrineRefill), 1.0);
        assert_eq!(past(Position::Service), 0.0);
        assert_eq!(past(Position::Standby), 0.0);
    }

    #[test]
    fn a_changeover_valve_closes_one_way_as_it_opens_the_other() {
        let stands = |position, milli| led_by(Standing { position, milli });
        assert_eq!(stands(Position::Service, OPEN), [1.0, 0.0]);
        assert_eq!(stands(Position::Service, 500), [0.75, 0.25]);
        assert_eq!(stands(Position::Service, 0), stands(Position::Standby, 0));
        assert_eq!(stands(Position::Standby, 0), [0.5, 0.5]);
        assert_eq!(stands(Position::Standby, OPEN), [0.0, 1.0]);
        let make = ValveMake { leak_past: 0.02, leak_to_drain: 0.01, ..TIGHT };
        let ways = Ways::of(Standing::within(Position::Service), &make);
        // What goes to the drain does not pass it.
        assert_eq!(list(&ways.led(0.0)), [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.01]);
        assert_eq!(list(&ways.led(0.5)), [0.5, 0.01, 0.0, 0.0, 0.0, 0.0, 0.0, 0.01]);
    }

    #[test]
    fn a_worn_seal_passes_in_every_position() {
        let make = ValveMake { leak_past: 0.02, leak_to_drain: 0.01, ..TIGHT };
        for position in Position::ALL {
            let ways = Ways::of(Standing::within(*position), &make);
            assert_eq!((ways.past_bed, ways.to_drain), (0.02, 0.01));
            assert!(ways.runs());
        }
    }
}
