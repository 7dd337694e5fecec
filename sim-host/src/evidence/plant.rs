//! What the plant's physics showed: hardness, salt, drain, pressure, and whether it all adds up.

use super::Curve;

/// What the plant's water, resin, brine and pressure did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlantEvidence {
    /// Hardness at the outlet above which water counts as hard, mg/L as CaCO3.
    pub hard_above_mg_l: f64,
    /// Litres delivered.
    pub delivered_l: f64,
    /// Mean hardness of what was delivered, mg/L as CaCO3; none before any.
    pub outlet_mean_mg_l: Option<f64>,
    /// Highest hardness at the outlet, mg/L as CaCO3.
    pub outlet_highest_mg_l: f64,
    /// Litres that reached the building past a bed.
    pub past_bed_l: f64,
    /// Litres that the blending bypass led past the tanks.
    pub blended_l: f64,
    /// Hard water by the logic's own account, nL: what the headline figure is without the physics.
    pub hard_water_by_logic_nl: u128,
    /// Hardness at the outlet, mg/L as CaCO3.
    pub outlet: Curve,
    /// Pressure at the outlet while water is drawn, kPa.
    pub pressure: Curve,
    /// Tank by tank.
    pub tanks: Vec<PlantTank>,
    /// Salt.
    pub salt: PlantSalt,
    /// What went to the drain.
    pub drain: PlantDrain,
    /// Pressures.
    pub pressures: PlantPressures,
    /// Litres that went into the brine tank.
    pub refilled_l: f64,
    /// What came in, went out and is held.
    pub balance: Vec<PlantBalance>,
}

/// One tank's bed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlantTank {
    /// The tank's number, counted from 1.
    pub number: u8,
    /// Litres treated.
    pub treated_l: f64,
    /// Mean hardness of them, its leakage, mg/L as CaCO3; none before any.
    pub leakage_mg_l: Option<f64>,
    /// Lowest hardness that left it, mg/L as CaCO3; none before any water.
    pub lowest_mg_l: Option<f64>,
    /// Highest hardness that left it, mg/L as CaCO3.
    pub highest_mg_l: f64,
    /// Hardness that left it while it served, mg/L as CaCO3.
    pub effluent: Curve,
    /// Greatest pressure loss of valve and bed, kPa.
    pub highest_loss_kpa: f64,
    /// Resin lost in backwashes, L.
    pub resin_lost_l: f64,
    /// Exchange capacity at the end as a share of that at the start.
    pub capacity_left: f64,
}

/// Salt of the brine tank, kg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlantSalt {
    /// Put in since the start.
    pub added_kg: f64,
    /// Drawn into beds.
    pub drawn_kg: f64,
    /// Lost over the overflow.
    pub overflowed_kg: f64,
    /// In the tank at the end, dissolved or not.
    pub in_tank_kg: f64,
}

/// What went to the drain.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlantDrain {
    /// Litres.
    pub volume_l: f64,
    /// Sodium, kg.
    pub sodium_kg: f64,
    /// Calcium, kg.
    pub calcium_kg: f64,
    /// Magnesium, kg.
    pub magnesium_kg: f64,
    /// Chloride, kg.
    pub chloride_kg: f64,
    /// Highest chloride, mg/L.
    pub highest_chloride_mg_l: f64,
    /// Largest flow, L/min.
    pub highest_flow_l_min: f64,
    /// What the drain carries, L/min.
    pub capacity_l_min: f64,
    /// Litres that ran over.
    pub overflow_l: f64,
}

/// Pressures, kPa.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlantPressures {
    /// Of the supply without flow, at the end.
    pub supply_kpa: f64,
    /// Lowest at the outlet while water was drawn; none before any.
    pub lowest_outlet_kpa: Option<f64>,
    /// Below this people notice.
    pub low_below_kpa: f64,
    /// Time below it with water drawn, s.
    pub low_s: f64,
    /// Litres that the recording shows although the supply's pressure could not have passed them.
    pub beyond_supply_l: f64,
}

/// One line of the balance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlantBalance {
    /// What is balanced.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// What came in.
    pub came: f64,
    /// What went out.
    pub went: f64,
    /// What is held more than at the start.
    pub gained: f64,
    /// What is open, against what came or is held.
    pub relative_error: f64,
}

/// What one regeneration did to its bed. Whole numbers, small enough to be kept for each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct RegenerationWater {
    /// Mean hardness of what the tank treated since the regeneration before, µg/L as CaCO3; none if nothing.
    pub leakage_before_ug_l: Option<u32>,
    /// Salt drawn, mg.
    pub salt_mg: u64,
    /// Water sent to the drain, mL.
    pub drained_ml: u64,
    /// Hardness sent to the drain less what came in for it, mg as CaCO3.
    pub hardness_removed_mg: u64,
    /// Strongest brine at the bed, ppm by weight.
    pub strongest_brine_ppm: u32,
    /// Highest chloride of the water to the drain, mg/L.
    pub highest_chloride_mg_l: u32,
}
