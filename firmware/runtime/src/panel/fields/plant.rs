//! How many tanks there are, and what they share.

use bedkeeper::settings::{Arrangement, RawTwoPosition};
use bedkeeper::units::{Flow, Millis};

use super::{Field, Group, Kind, MS, SECONDS, YES_NO, narrow};

/// A valve with two ends, until somebody says otherwise.
pub(super) const TWO_POSITION: RawTwoPosition =
    RawTwoPosition { travel_limit: Millis::from_secs(60), rest: Millis::from_secs(2), retries: 2 };

pub(super) const FIELDS: &[Field] = &[
    part!(Plant, "tanks", "tanks", Kind::Number, |raw, _| Some(u64::from(raw.tanks)), |raw, _, value| raw.tanks =
        narrow(value, u8::MAX)),
    part!(
        Plant,
        "they are",
        "arrangement",
        Kind::Choice(&["single", "alternating", "parallel", "staged"]),
        |raw, _| Some(match raw.arrangement {
            Arrangement::Single => 0,
            Arrangement::Alternating => 1,
            Arrangement::Parallel => 2,
            Arrangement::Staged => 3,
        }),
        |raw, _, value| {
            raw.arrangement = match value {
                0 => Arrangement::Single,
                1 => Arrangement::Alternating,
                2 => Arrangement::Parallel,
                _ => Arrangement::Staged,
            };
        }
    ),
    part!(
        Plant,
        "a tank can carry",
        "sharing.tank_flow",
        Kind::Flow,
        |raw, _| Some(u64::from(raw.sharing.tank_flow.0)),
        |raw, _, value| {
            raw.sharing.tank_flow = Flow(narrow(value, u32::MAX));
        }
    ),
    part!(
        Plant,
        "leaves so far below",
        "sharing.join_hysteresis",
        Kind::Flow,
        |raw, _| Some(u64::from(raw.sharing.join_hysteresis.0)),
        |raw, _, value| {
            raw.sharing.join_hysteresis = Flow(narrow(value, u32::MAX));
        }
    ),
    part!(
        Plant,
        "joins or leaves after",
        "sharing.join_dwell",
        SECONDS,
        |raw, _| Some(u64::from(raw.sharing.join_dwell.0)),
        |raw, _, value| {
            raw.sharing.join_dwell = Millis(narrow(value, u32::MAX));
        }
    ),
    part!(
        Threshold,
        "joins above",
        "sharing.join_above",
        Kind::Flow,
        |raw, at| raw.sharing.join_above.get(at).map(|flow| u64::from(flow.0)),
        |raw, at, value| {
            if let Some(flow) = raw.sharing.join_above.get_mut(at) {
                *flow = Flow(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Plant,
        "shared valve",
        "sharing.shared_valve",
        YES_NO,
        |raw, _| Some(u64::from(raw.sharing.shared_valve.is_some())),
        |raw, _, value| {
            if (value != 0) != raw.sharing.shared_valve.is_some() {
                raw.sharing.shared_valve = (value != 0).then_some(TWO_POSITION);
            }
        }
    ),
    part!(
        Plant,
        "it moves at most",
        "sharing.shared_valve",
        SECONDS,
        |raw, _| raw.sharing.shared_valve.map(|v| u64::from(v.travel_limit.0)),
        |raw, _, value| {
            if let Some(valve) = &mut raw.sharing.shared_valve {
                valve.travel_limit = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Plant,
        "it rests",
        "sharing.shared_valve",
        MS,
        |raw, _| raw.sharing.shared_valve.map(|v| u64::from(v.rest.0)),
        |raw, _, value| {
            if let Some(valve) = &mut raw.sharing.shared_valve {
                valve.rest = Millis(narrow(value, u32::MAX));
            }
        }
    ),
    part!(
        Plant,
        "it tries again",
        "sharing.shared_valve",
        Kind::Number,
        |raw, _| raw.sharing.shared_valve.map(|v| u64::from(v.retries)),
        |raw, _, value| {
            if let Some(valve) = &mut raw.sharing.shared_valve {
                valve.retries = narrow(value, u8::MAX);
            }
        }
    ),
];
