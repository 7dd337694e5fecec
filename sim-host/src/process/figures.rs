//! What the plant's physics leaves for people: hardness, pressure, salt, drain.

use crate::evidence::Curve;

/// Points that each curve of the plant is thinned to: one a pixel on a wide screen.
pub const CURVE_POINTS: usize = 2048;

/// Figures of one tank since the start. Regenerations take differences of them.
#[derive(Clone, Debug, PartialEq)]
pub struct TankFigures {
    /// Litres treated.
    pub treated_l: f64,
    /// Hardness that left with them, mg as CaCO3.
    pub leaked_mg: f64,
    /// Litres treated, and hardness that left with them in mg as CaCO3, when it last left service.
    pub at_last_regeneration: (f64, f64),
    /// Lowest hardness of the effluent, mg/L as CaCO3; infinite before any.
    pub lowest_mg_l: f64,
    /// Highest hardness of the effluent, mg/L as CaCO3.
    pub highest_mg_l: f64,
    /// Hardness of the effluent while it serves, mg/L as CaCO3.
    pub effluent: Curve,
    /// Hardness of what left it last, mg/L as CaCO3.
    pub last_mg_l: Option<f64>,
    /// Greatest loss of valve and bed together, kPa.
    pub highest_loss_kpa: f64,
    /// Litres that its regenerations sent to the drain.
    pub drained_l: f64,
    /// What its regeneration under way, or its last one, has done so far.
    pub regeneration: RegenerationFigures,
    /// Highest chloride of the water to the drain, mg/L.
    pub highest_chloride_mg_l: f64,
    /// Resin lost in backwashes, L.
    pub resin_lost_l: f64,
}

/// Figures of one tank from leaving service to serving again.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RegenerationFigures {
    /// Mean hardness of what the tank treated since the regeneration before, mg/L as CaCO3; none if nothing.
    pub leakage_before_mg_l: Option<f64>,
    /// Salt drawn into the bed, kg.
    pub salt_kg: f64,
    /// Litres to the drain.
    pub drained_l: f64,
    /// Hardness sent to the drain less what came in for it, g as CaCO3.
    pub hardness_removed_g: f64,
    /// Strongest brine that reached the bed, % by weight.
    pub strongest_brine_percent: f64,
    /// Highest chloride of the water to the drain, mg/L.
    pub highest_chloride_mg_l: f64,
}

impl Default for TankFigures {
    fn default() -> Self {
        Self {
            treated_l: 0.0,
            leaked_mg: 0.0,
            at_last_regeneration: (0.0, 0.0),
            lowest_mg_l: f64::INFINITY,
            highest_mg_l: 0.0,
            effluent: Curve::new(CURVE_POINTS),
            last_mg_l: None,
            highest_loss_kpa: 0.0,
            drained_l: 0.0,
            regeneration: RegenerationFigures::default(),
            highest_chloride_mg_l: 0.0,
            resin_lost_l: 0.0,
        }
    }
}

impl TankFigures {
    /// A regeneration may begin: its figures begin anew.
    pub(super) fn leaves_service(&mut self) {
        let (litres, mg) = std::mem::replace(&mut self.at_last_regeneration, (self.treated_l, self.leaked_mg));
        let run_l = self.treated_l - litres;
        let leakage_before_mg_l = (run_l > 0.0).then(|| (self.leaked_mg - mg) / run_l);
        self.regeneration = RegenerationFigures { leakage_before_mg_l, ..RegenerationFigures::default() };
    }

    /// Mean hardness of what it treated, mg/L as CaCO3; none before any.
    #[must_use]
    pub fn leakage_mg_l(&self) -> Option<f64> {
        (self.treated_l > 0.0).then(|| self.leaked_mg / self.treated_l)
    }
}

/// Figures of the whole plant since the start.
#[derive(Clone, Debug, PartialEq)]
pub struct PlantFigures {
    /// Litres delivered.
    pub delivered_l: f64,
    /// Hardness delivered, mg as CaCO3.
    pub delivered_mg: f64,
    /// Litres delivered above the site's end point.
    pub hard_l: f64,
    /// Highest hardness at the outlet, mg/L as CaCO3.
    pub highest_mg_l: f64,
    /// Litres that went to the building past a bed.
    pub past_bed_l: f64,
    /// Litres that the blending bypass led past the tanks.
    pub blended_l: f64,
    /// Hardness at the outlet, mg/L as CaCO3.
    pub outlet: Curve,
    /// Hardness of what was delivered last, mg/L as CaCO3, and the pressure at the outlet then, kPa.
    pub last_delivered: Option<(f64, f64)>,
    /// Pressure at the outlet, kPa.
    pub pressure: Curve,
    /// Lowest pressure at the outlet while water was drawn, kPa; infinite before any.
    pub lowest_outlet_kpa: f64,
    /// Time with water drawn at less than the site's low pressure, s.
    pub low_pressure_s: f64,
    /// Litres that the recording shows but the supply's pressure could not have passed.
    pub beyond_supply_l: f64,
    /// Litres that ran over at the drain.
    pub drain_overflow_l: f64,
    /// Largest flow to the drain, L/min.
    pub highest_drain_l_min: f64,
    /// Brine that ran over at the brine tank, kg.
    pub brine_overflow_kg: f64,
    /// Litres that went into the brine tank.
    pub refilled_l: f64,
}

impl Default for PlantFigures {
    fn default() -> Self {
        Self {
            delivered_l: 0.0,
            delivered_mg: 0.0,
            hard_l: 0.0,
            highest_mg_l: 0.0,
            past_bed_l: 0.0,
            blended_l: 0.0,
            outlet: Curve::new(CURVE_POINTS),
            last_delivered: None,
            pressure: Curve::new(CURVE_POINTS),
            lowest_outlet_kpa: f64::INFINITY,
            low_pressure_s: 0.0,
            beyond_supply_l: 0.0,
            drain_overflow_l: 0.0,
            highest_drain_l_min: 0.0,
            brine_overflow_kg: 0.0,
            refilled_l: 0.0,
        }
    }
}
