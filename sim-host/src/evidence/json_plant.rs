//! The stable JSON form of what the plant's physics showed. Keys are added, never renamed.

use serde::Serialize;

use super::json::{Fixed, kilograms, litres};
use super::plant::{PlantBalance, PlantDrain, PlantEvidence, PlantPressures, PlantSalt, PlantTank, RegenerationWater};

#[derive(Serialize)]
pub(super) struct Plant<'a> {
    hard_above_mg_l: f64,
    hard_water_by_logic_l: Fixed,
    outlet: Outlet,
    tanks: Vec<Tank>,
    salt_kg: Salt,
    refilled_l: f64,
    drain: Drain,
    pressure_kpa: Pressure,
    balance: Vec<Balance<'a>>,
}

#[derive(Serialize)]
struct Outlet {
    delivered_l: f64,
    hardness_mean_mg_l: Option<f64>,
    hardness_max_mg_l: f64,
    past_bed_l: f64,
    blended_l: f64,
}

#[derive(Serialize)]
struct Tank {
    tank: u8,
    treated_l: f64,
    leakage_mean_mg_l: Option<f64>,
    leakage_min_mg_l: Option<f64>,
    leakage_max_mg_l: f64,
    pressure_loss_max_kpa: f64,
    resin_lost_l: f64,
    capacity_left: f64,
}

#[derive(Serialize)]
struct Salt {
    added: f64,
    drawn: f64,
    overflowed: f64,
    in_tank: f64,
}

#[derive(Serialize)]
struct Drain {
    volume_l: f64,
    sodium_kg: f64,
    calcium_kg: f64,
    magnesium_kg: f64,
    chloride_kg: f64,
    chloride_max_mg_l: f64,
    flow_max_l_min: f64,
    capacity_l_min: f64,
    overflow_l: f64,
}

#[derive(Serialize)]
struct Pressure {
    supply: f64,
    outlet_min: Option<f64>,
    low_below: f64,
    low_s: f64,
    beyond_supply_l: f64,
}

#[derive(Serialize)]
struct Balance<'a> {
    what: &'a str,
    unit: &'a str,
    came: f64,
    went: f64,
    gained: f64,
    relative_error: f64,
}

/// What one regeneration did to its bed.
#[derive(Serialize)]
pub(super) struct RegenerationPlant {
    salt_kg: Fixed,
    drain_water_l: Fixed,
    hardness_removed_kg: Fixed,
    brine_max_percent: f64,
    chloride_max_mg_l: u32,
    leakage_before_mg_l: Option<f64>,
}

impl<'a> From<&'a PlantEvidence> for Plant<'a> {
    fn from(e: &'a PlantEvidence) -> Self {
        Self {
            hard_above_mg_l: e.hard_above_mg_l,
            hard_water_by_logic_l: litres(e.hard_water_by_logic_nl),
            outlet: Outlet {
                delivered_l: e.delivered_l,
                hardness_mean_mg_l: e.outlet_mean_mg_l,
                hardness_max_mg_l: e.outlet_highest_mg_l,
                past_bed_l: e.past_bed_l,
                blended_l: e.blended_l,
            },
            tanks: e.tanks.iter().map(Tank::from).collect(),
            salt_kg: Salt::from(&e.salt),
            refilled_l: e.refilled_l,
            drain: Drain::from(&e.drain),
            pressure_kpa: Pressure::from(&e.pressures),
            balance: e.balance.iter().map(Balance::from).collect(),
        }
    }
}

impl From<&PlantTank> for Tank {
    fn from(t: &PlantTank) -> Self {
        Self {
            tank: t.number,
            treated_l: t.treated_l,
            leakage_mean_mg_l: t.leakage_mg_l,
            leakage_min_mg_l: t.lowest_mg_l,
            leakage_max_mg_l: t.highest_mg_l,
            pressure_loss_max_kpa: t.highest_loss_kpa,
            resin_lost_l: t.resin_lost_l,
            capacity_left: t.capacity_left,
        }
    }
}

impl From<&PlantSalt> for Salt {
    fn from(s: &PlantSalt) -> Self {
        Self { added: s.added_kg, drawn: s.drawn_kg, overflowed: s.overflowed_kg, in_tank: s.in_tank_kg }
    }
}

impl From<&PlantDrain> for Drain {
    fn from(d: &PlantDrain) -> Self {
        Self {
            volume_l: d.volume_l,
            sodium_kg: d.sodium_kg,
            calcium_kg: d.calcium_kg,
            magnesium_kg: d.magnesium_kg,
            chloride_kg: d.chloride_kg,
            chloride_max_mg_l: d.highest_chloride_mg_l,
            flow_max_l_min: d.highest_flow_l_min,
            capacity_l_min: d.capacity_l_min,
            overflow_l: d.overflow_l,
        }
    }
}

impl From<&PlantPressures> for Pressure {
    fn from(p: &PlantPressures) -> Self {
        Self {
            supply: p.supply_kpa,
            outlet_min: p.lowest_outlet_kpa,
            low_below: p.low_below_kpa,
            low_s: p.low_s,
            beyond_supply_l: p.beyond_supply_l,
        }
    }
}

impl<'a> From<&'a PlantBalance> for Balance<'a> {
    fn from(b: &'a PlantBalance) -> Self {
        Self {
            what: b.name,
            unit: b.unit,
            came: b.came,
            went: b.went,
            gained: b.gained,
            relative_error: b.relative_error,
        }
    }
}

impl From<&RegenerationWater> for RegenerationPlant {
    fn from(r: &RegenerationWater) -> Self {
        Self {
            salt_kg: kilograms(r.salt_mg),
            drain_water_l: litres(u128::from(r.drained_ml) * 1_000_000),
            hardness_removed_kg: kilograms(r.hardness_removed_mg),
            brine_max_percent: f64::from(r.strongest_brine_ppm) / 1e4,
            chloride_max_mg_l: r.highest_chloride_mg_l,
            leakage_before_mg_l: r.leakage_before_ug_l.map(|ug_l| f64::from(ug_l) / 1e3),
        }
    }
}
