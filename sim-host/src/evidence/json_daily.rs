//! The JSON form of use by the day, of the forecast, and of lifetime counters.

use bedkeeper::calendar::Weekday;
use bedkeeper::lifetime::ValveLife;
use serde::Serialize;

use super::json::{Fixed, litres};
use super::{LifeEvidence, ReserveEvidence, UseEvidence};
use crate::wording::date_text;

#[derive(Serialize)]
pub(super) struct Reserve {
    kept_l: Fixed,
    basis: &'static str,
    expected_l: Fixed,
    #[serde(skip_serializing_if = "Option::is_none")]
    covers: Option<[String; 2]>,
}

impl From<&ReserveEvidence> for Reserve {
    fn from(reserve: &ReserveEvidence) -> Self {
        Self {
            kept_l: litres(reserve.kept_nl.into()),
            basis: reserve.basis,
            expected_l: litres(reserve.expected_nl.into()),
            covers: reserve.covers.clone(),
        }
    }
}

#[derive(Serialize)]
struct Day {
    began: String,
    litres: u32,
    lesson: &'static str,
}

#[derive(Serialize)]
struct Expected {
    weekday: &'static str,
    mean_l: u32,
    deviation_l: u32,
    days: u8,
    last_day: String,
}

/// Days of use and the forecast that they led to.
#[derive(Serialize)]
pub(super) struct Use {
    days: Vec<Day>,
    days_left_out: u64,
    forecast: Vec<Expected>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reserve: Option<Reserve>,
}

impl Use {
    /// `None` if no day ended.
    pub fn of(seen: &UseEvidence) -> Option<Self> {
        let day = |day: &bedkeeper::reserve::DayUse| Day {
            began: date_text(day.day),
            litres: day.litres,
            lesson: day.lesson.slug(),
        };
        let known = Weekday::ALL.iter().zip(&seen.habits).filter(|(_, habit)| habit.days > 0);
        let expected = known.map(|(weekday, habit)| Expected {
            weekday: weekday.slug(),
            mean_l: habit.mean_l,
            deviation_l: habit.deviation_l,
            days: habit.days,
            last_day: date_text(habit.last_day),
        });
        (!seen.days.is_empty()).then(|| Self {
            days: seen.days.iter().map(day).collect(),
            days_left_out: seen.days_left_out,
            forecast: expected.collect(),
            reserve: seen.reserve.as_ref().map(Reserve::from),
        })
    }
}

#[derive(Serialize)]
struct Valve {
    #[serde(skip_serializing_if = "Option::is_none")]
    tank: Option<usize>,
    moves: u32,
    driven_s: u32,
    regenerations: u32,
}

impl Valve {
    fn of(tank: Option<usize>, life: &ValveLife) -> Self {
        Self { tank, moves: life.moves, driven_s: life.driven_s, regenerations: life.regenerations }
    }
}

#[derive(Serialize)]
struct Relay {
    relay: usize,
    energisations: u32,
    energised_s: u32,
}

/// What valves and relays have done.
#[derive(Serialize)]
pub(super) struct Counters {
    valves: Vec<Valve>,
    relays: Vec<Relay>,
}

impl Counters {
    /// `None` if nothing was counted.
    pub fn of(seen: &LifeEvidence) -> Option<Self> {
        let tanks = seen.valves.iter().enumerate().map(|(i, life)| Valve::of(Some(i + 1), life));
        let shared = seen.shared_valve.iter().map(|life| Valve::of(None, life));
        let relays = seen.relays.iter().enumerate();
        (!seen.valves.is_empty()).then(|| Self {
            valves: tanks.chain(shared).collect(),
            relays: relays
                .map(|(i, life)| Relay {
                    relay: i + 1,
                    energisations: life.energisations,
                    energised_s: life.energised_s,
                })
                .collect(),
        })
    }
}
