//! The plant's figures as evidence.

use super::serve::CL_G_PER_MOL;
use super::{Process, TankFigures};
use crate::bed::{CA_G_PER_MOL, MG_G_PER_MOL, NA_G_PER_MOL};
use crate::evidence::{
    PlantBalance, PlantDrain, PlantEvidence, PlantPressures, PlantSalt, PlantTank, RegenerationWater,
};

impl Process {
    /// What the plant showed so far. Hard water by the logic's account is left for the caller to fill in.
    #[must_use]
    pub fn evidence(&self) -> PlantEvidence {
        let plant = &self.plant;
        let drained = &self.crossed.drained;
        let salt = self.salt();
        PlantEvidence {
            hard_above_mg_l: self.design.hard_above_mg_l,
            delivered_l: plant.delivered_l,
            outlet_mean_mg_l: (plant.delivered_l > 0.0).then(|| plant.delivered_mg / plant.delivered_l),
            outlet_highest_mg_l: plant.highest_mg_l,
            past_bed_l: plant.past_bed_l,
            blended_l: plant.blended_l,
            hard_water_by_logic_nl: 0,
            outlet: plant.outlet.clone(),
            pressure: plant.pressure.clone(),
            tanks: (1u8..)
                .zip(&self.tanks)
                .zip(self.beds())
                .map(|((number, t), bed)| self.tank_evidence(number, t, bed.capacity_eq()))
                .collect(),
            salt: PlantSalt {
                added_kg: salt.added_kg,
                drawn_kg: salt.drawn_kg,
                overflowed_kg: salt.overflowed_kg,
                in_tank_kg: self.brine.salt_kg(),
            },
            drain: PlantDrain {
                volume_l: self.tanks.iter().map(|t| t.drained_l).sum(),
                sodium_kg: drained.na * NA_G_PER_MOL * 1e-3,
                calcium_kg: drained.ca * CA_G_PER_MOL * 1e-3,
                magnesium_kg: drained.mg * MG_G_PER_MOL * 1e-3,
                chloride_kg: drained.cl * CL_G_PER_MOL * 1e-3,
                highest_chloride_mg_l: self.tanks.iter().map(|t| t.highest_chloride_mg_l).fold(0.0, f64::max),
                highest_flow_l_min: plant.highest_drain_l_min,
                capacity_l_min: self.design.drain.capacity_l_min(),
                overflow_l: plant.drain_overflow_l,
            },
            pressures: PlantPressures {
                supply_kpa: self.design.supply.static_kpa(),
                lowest_outlet_kpa: plant.lowest_outlet_kpa.is_finite().then_some(plant.lowest_outlet_kpa),
                low_below_kpa: self.design.low_pressure_kpa,
                low_s: plant.low_pressure_s,
                beyond_supply_l: plant.beyond_supply_l,
            },
            refilled_l: plant.refilled_l,
            balance: self
                .balance()
                .iter()
                .map(|line| PlantBalance {
                    name: line.name,
                    unit: line.unit,
                    came: line.came,
                    went: line.went,
                    gained: line.held - line.held_at_start,
                    relative_error: line.relative_error(),
                })
                .collect(),
        }
    }

    fn tank_evidence(&self, number: u8, t: &TankFigures, capacity_eq: f64) -> PlantTank {
        PlantTank {
            number,
            treated_l: t.treated_l,
            leakage_mg_l: t.leakage_mg_l(),
            lowest_mg_l: t.lowest_mg_l.is_finite().then_some(t.lowest_mg_l),
            highest_mg_l: t.highest_mg_l,
            effluent: t.effluent.clone(),
            highest_loss_kpa: t.highest_loss_kpa,
            resin_lost_l: t.resin_lost_l,
            capacity_left: capacity_eq / self.capacity_at_start_eq,
        }
    }

    /// What a tank's regeneration under way, or its last one, has done so far.
    #[must_use]
    pub fn regeneration(&self, tank: usize) -> Option<RegenerationWater> {
        let now = self.tanks.get(tank)?.regeneration;
        let whole = |value: f64| value.max(0.0).round();
        Some(RegenerationWater {
            leakage_before_ug_l: now.leakage_before_mg_l.map(|mg_l| whole(mg_l * 1e3) as u32),
            salt_mg: whole(now.salt_kg * 1e6) as u64,
            drained_ml: whole(now.drained_l * 1e3) as u64,
            hardness_removed_mg: whole(now.hardness_removed_g * 1e3) as u64,
            strongest_brine_ppm: whole(now.strongest_brine_percent * 1e4) as u32,
            highest_chloride_mg_l: whole(now.highest_chloride_mg_l) as u32,
        })
    }
}
