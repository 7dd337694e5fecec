//! What the plant's physics showed, in people's words and units.

use crate::evidence::{PlantEvidence, PlantTank};
use crate::report::people;

/// The section about the plant's physics.
pub struct PlantView {
    /// Name, figure, meaning.
    pub figures: Vec<[String; 3]>,
    pub tanks: Vec<TankRow>,
    pub balance: Vec<BalanceRow>,
    pub balances: bool,
    pub verdict: String,
}

pub struct TankRow {
    pub number: u8,
    pub treated: String,
    pub leakage: String,
    pub range: String,
    pub loss: String,
    pub resin: String,
}

pub struct BalanceRow {
    pub name: &'static str,
    pub came: String,
    pub went: String,
    pub gained: String,
    pub error: String,
}

/// A balance that is open by more than this share is wrong.
const BALANCED_WITHIN: f64 = 1e-9;

impl PlantView {
    pub fn new(plant: &PlantEvidence) -> Self {
        let worst = plant.balance.iter().map(|line| line.relative_error).fold(0.0, f64::max);
        let balances = worst <= BALANCED_WITHIN;
        Self {
            figures: figures(plant),
            tanks: plant.tanks.iter().map(tank_row).collect(),
            balance: plant
                .balance
                .iter()
                .map(|line| BalanceRow {
                    name: line.name,
                    came: amount(line.came, line.unit),
                    went: amount(line.went, line.unit),
                    gained: amount(line.gained, line.unit),
                    error: format!("{:.0e}", line.relative_error),
                })
                .collect(),
            balances,
            verdict: if balances {
                format!("Everything adds up: the worst line is open by {worst:.0e} of itself.")
            } else {
                format!("The balance does not add up: the worst line is open by {worst:.1e} of itself.")
            },
        }
    }
}

fn figures(plant: &PlantEvidence) -> Vec<[String; 3]> {
    let litres = people::litres;
    let pressures = &plant.pressures;
    let drain = &plant.drain;
    let or_none = |value: Option<f64>, show: fn(f64) -> String| value.map_or_else(|| "none".into(), show);
    let row = |name: &str, figure: String, meaning: String| [name.to_owned(), figure, meaning];
    vec![
        row(
            "Leakage at the outlet",
            or_none(plant.outlet_mean_mg_l, people::hardness),
            format!(
                "mean hardness of all water delivered; at the highest {}",
                people::hardness(plant.outlet_highest_mg_l)
            ),
        ),
        row("Past the beds", litres(plant.past_bed_l), "untreated water that valves passed to the building".into()),
        row(
            "Hard water by the logic's account",
            people::volume(plant.hard_water_by_logic_nl),
            "what the controller, which sees no hardness, believes".into(),
        ),
        row(
            "Salt drawn",
            people::mass_kg(plant.salt.drawn_kg),
            format!(
                "into the beds; {} put in, {} left in the brine tank",
                people::mass_kg(plant.salt.added_kg),
                people::mass_kg(plant.salt.in_tank_kg)
            ),
        ),
        row("To the drain", litres(drain.volume_l), format!("at most {}", people::flow(drain.highest_flow_l_min))),
        row(
            "In it",
            format!("{} of chloride", people::mass_kg(drain.chloride_kg)),
            format!(
                "with {} of sodium, {} of calcium, {} of magnesium; at most {} of chloride",
                people::mass_kg(drain.sodium_kg),
                people::mass_kg(drain.calcium_kg),
                people::mass_kg(drain.magnesium_kg),
                people::grams_per_litre(drain.highest_chloride_mg_l),
            ),
        ),
        row(
            "Drain over its capacity",
            litres(drain.overflow_l),
            format!("ran over; the drain carries {}", people::flow(drain.capacity_l_min)),
        ),
        row(
            "Lowest pressure",
            or_none(pressures.lowest_outlet_kpa, people::pressure),
            format!(
                "at the outlet while water was drawn; below {} for {}",
                people::pressure(pressures.low_below_kpa),
                people::duration((pressures.low_s * 1e3) as u64)
            ),
        ),
        row(
            "Beyond the supply",
            litres(pressures.beyond_supply_l),
            "the recording shows it although this supply could not have passed it".into(),
        ),
    ]
}

fn tank_row(tank: &PlantTank) -> TankRow {
    TankRow {
        number: tank.number,
        treated: people::litres(tank.treated_l),
        leakage: tank.leakage_mg_l.map_or_else(|| "none".into(), people::hardness),
        range: match tank.lowest_mg_l {
            Some(lowest) => format!("{} to {}", people::hardness(lowest), people::hardness(tank.highest_mg_l)),
            None => "none".into(),
        },
        loss: people::pressure(tank.highest_loss_kpa),
        resin: match tank.resin_lost_l {
            0.0 => "none".into(),
            lost => people::litres(lost),
        },
    }
}

fn amount(value: f64, unit: &str) -> String {
    let size = value.abs();
    let number = if size >= 100.0 { format!("{value:.0}") } else { format!("{value:.3}") };
    format!("{number}\u{a0}{unit}").replace('-', "\u{2212}")
}
