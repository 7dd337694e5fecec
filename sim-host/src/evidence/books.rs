//! What the logic's own books say at the end of a replay: delivered hardness, relays, the brine tank.

use serde::Serialize;

use super::json::{Each, Fixed, kilograms, litres, micrograms_as_mg, seconds};

/// Hardness of the delivered water by the logic's books: blended, untreated and overrun water is as hard as the feed,
/// the rest soft (M5).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct DeliveredHardness {
    /// Of the feed at the end, µg/L as CaCO3.
    pub feed_ug_l: u32,
    /// Share of the water that the blending bypass leads past the tanks, per mille.
    pub bypass_per_mille: u16,
    /// Mean over all water delivered, µg/L as CaCO3; `None` if there was none, or at a filter site.
    pub mean_ug_l: Option<u32>,
}

/// What has been taken off the set capacity of a tank (L2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct DeratingEvidence {
    /// What is left of it, per mille.
    pub kept_per_mille: u16,
    /// Taken off by the resin's age, per mille.
    pub by_age_per_mille: u16,
    /// Taken off by hardness tests that failed, per mille.
    pub by_tests_per_mille: u16,
}

/// What one relay did.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct RelayEvidence {
    /// Its number, counted from 1.
    pub number: u8,
    /// The slug of its program.
    pub program: &'static str,
    /// Times for which it was on, ms: from, to.
    pub on: Vec<(u64, u64)>,
    /// Times that lie no further apart than this are told as one, ms; 0 = every one is told by itself.
    pub joined_within_ms: u64,
    /// How often it came on.
    pub times: u64,
    /// How long it was on in all, ms.
    pub on_ms: u64,
}

/// The account of a brine tank at the end, as the logic keeps it (C8).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct BrineEvidence {
    /// Its number, counted from 1.
    pub number: u8,
    /// Refill water in it that has not been drawn, nL.
    pub water_nl: u64,
    /// Salt that this water takes up, mg.
    pub salt_mg: u64,
    /// When its brine will be ready, ms; `None` if it is.
    pub ready_ms: Option<u64>,
    /// Refills that put water in.
    pub refills: u64,
    /// Doses left in the salt store, where they are counted.
    pub doses_left: Option<u16>,
}

#[derive(Serialize)]
pub(super) struct Delivered {
    feed_mg_l: Fixed,
    bypass_share: Fixed,
    mean_mg_l: Option<Fixed>,
}

impl From<&DeliveredHardness> for Delivered {
    fn from(hardness: &DeliveredHardness) -> Self {
        Self {
            feed_mg_l: micrograms_as_mg(hardness.feed_ug_l),
            bypass_share: Fixed { units: hardness.bypass_per_mille.into(), decimals: 3 },
            mean_mg_l: hardness.mean_ug_l.map(micrograms_as_mg),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Capacity {
    kept_share: Fixed,
    less_by_age_share: Fixed,
    less_by_tests_share: Fixed,
}

impl From<&DeratingEvidence> for Capacity {
    fn from(derating: &DeratingEvidence) -> Self {
        let share = |per_mille: u16| Fixed { units: per_mille.into(), decimals: 3 };
        Self {
            kept_share: share(derating.kept_per_mille),
            less_by_age_share: share(derating.by_age_per_mille),
            less_by_tests_share: share(derating.by_tests_per_mille),
        }
    }
}

#[derive(Serialize)]
pub(super) struct Relay<'a> {
    relay: u8,
    program: &'static str,
    times_on: u64,
    on_s: Fixed,
    joined_within_s: Fixed,
    intervals: Each<'a, Interval>,
}

#[derive(Serialize)]
struct Interval {
    from_s: Fixed,
    to_s: Fixed,
}

impl<'a> From<&'a RelayEvidence> for Relay<'a> {
    fn from(relay: &'a RelayEvidence) -> Self {
        let interval = |&(from_ms, to_ms): &(u64, u64)| Interval { from_s: seconds(from_ms), to_s: seconds(to_ms) };
        Self {
            relay: relay.number,
            program: relay.program,
            times_on: relay.times,
            on_s: seconds(relay.on_ms),
            joined_within_s: seconds(relay.joined_within_ms),
            intervals: Each::of(relay.on.iter().map(interval)),
        }
    }
}

#[derive(Serialize)]
pub(super) struct BrineTank {
    brine_tank: u8,
    water_l: Fixed,
    salt_kg: Fixed,
    ready_s: Option<Fixed>,
    refills: u64,
    doses_left: Option<u16>,
}

impl From<&BrineEvidence> for BrineTank {
    fn from(brine: &BrineEvidence) -> Self {
        Self {
            brine_tank: brine.number,
            water_l: litres(brine.water_nl.into()),
            salt_kg: kilograms(brine.salt_mg),
            ready_s: brine.ready_ms.map(seconds),
            refills: brine.refills,
            doses_left: brine.doses_left,
        }
    }
}
