//! The figures, one by one.

use bedkeeper::program::StepKind;

use super::inputs::{G_PER_LB, Inputs, L_PER_FT3, M_PER_FT, MG_L_PER_GPG, ML_PER_GAL, PA_PER_PSI};
use crate::physics::hydraulics::{Liquid, PackedBed};

/// How a figure stands to its published limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing limits it.
    NoLimit,
    /// Within its limits.
    Within,
    /// Below the lower one.
    Below,
    /// Above the upper one.
    Above,
}

impl Verdict {
    /// The word in files.
    pub fn slug(self) -> &'static str {
        match self {
            Self::NoLimit => "no-limit",
            Self::Within => "within",
            Self::Below => "below",
            Self::Above => "above",
        }
    }
}

/// One figure of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Its name in files.
    pub id: &'static str,
    /// Its name for people.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
    /// The unit of value and limits.
    pub unit: &'static str,
    /// How it was reckoned, with the numbers.
    pub formula: String,
    /// Where formula and limits come from.
    pub source: &'static str,
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
}

/// Site files keep flows to the mL/min and vessels to the mm: a figure that stands on its limit must not miss it for that.
const ON_THE_LIMIT: f64 = 1e-4;

impl Figure {
    /// How it stands to its limits.
    pub fn verdict(&self) -> Verdict {
        match (self.low, self.high) {
            (None, None) => Verdict::NoLimit,
            (Some(low), _) if self.value * (1.0 + ON_THE_LIMIT) < low => Verdict::Below,
            (_, Some(high)) if self.value * (1.0 - ON_THE_LIMIT) > high => Verdict::Above,
            _ => Verdict::Within,
        }
    }
}

/// Salt in brine, g/L at 20 °C, by weight percent: the published density table.
const BRINE_G_PER_L: [(f64, f64); 7] =
    [(0.0, 0.0), (8.0, 84.47), (10.0, 107.07), (12.0, 130.28), (14.0, 154.13), (20.0, 229.56), (26.0, 311.27)];
/// Salt in saturated brine, lb/gal, from the same table.
pub(super) const SATURATED_LB_PER_GAL: f64 = 2.65;
/// Grains exchanged at the utmost by a pound of salt: 50.0435 g CaCO3 an equivalent, 58.443 g NaCl an equivalent.
pub(super) const STOICHIOMETRIC_GR_PER_LB: f64 = 50.043_5 / 58.443 * 7_000.0;
/// Sodium added for each mg of hardness taken, as CaCO3: 22.990 ÷ 50.0435.
pub(super) const SODIUM_PER_HARDNESS: f64 = 0.459_4;

const CODE: &str = "35 Ill. Adm. Code 604.805";
const DAVIS: &str = "Davis, Water and Wastewater Engineering, p. 8-19";
const UFC: &str = "UFC 3-240-13FN, 2-2.5.1.2";
const DERIVED: &str = "derived from exact definitions";
const TABLE: &str = "derived from the published density table of NaCl brine at 20 °C";

/// Salt in a gallon of brine, lb.
pub(super) fn salt_lb_per_gal(weight_percent: f64) -> f64 {
    let pairs = BRINE_G_PER_L.windows(2);
    let of = |pair: &[(f64, f64)]| match *pair {
        [(from, low), (to, high)] if weight_percent <= to => {
            Some(low + (high - low) * (weight_percent - from) / (to - from))
        }
        _ => None,
    };
    let last = BRINE_G_PER_L.last().map_or(0.0, |(_, g)| *g);
    pairs.into_iter().find_map(of).unwrap_or(last) * ML_PER_GAL / 1_000.0 / G_PER_LB
}

/// Every figure of a site.
pub fn figures(i: &Inputs) -> Vec<Figure> {
    let mut all = Vec::new();
    capacity(i, &mut all);
    brine(i, &mut all);
    bed(i, &mut all);
    rinses(i, &mut all);
    water(i, &mut all);
    a_year(i, &mut all);
    all
}

/// Pushes a figure; limits and source beside it.
fn push(
    all: &mut Vec<Figure>,
    (id, name): (&'static str, &'static str),
    (value, unit): (f64, &'static str),
    formula: String,
    source: &'static str,
    (low, high): (Option<f64>, Option<f64>),
) {
    all.push(Figure { id, name, value, unit, formula, source, low, high });
}

const ANY: (Option<f64>, Option<f64>) = (None, None);

fn between(low: f64, high: f64) -> (Option<f64>, Option<f64>) {
    (Some(low), Some(high))
}

fn at_least(low: f64) -> (Option<f64>, Option<f64>) {
    (Some(low), None)
}

fn at_most(high: f64) -> (Option<f64>, Option<f64>) {
    (None, Some(high))
}

fn capacity(i: &Inputs, all: &mut Vec<Figure>) {
    let per_ft3 = i.capacity_gr / i.resin_ft3;
    let f = format!("{per_ft3:.0} gr/ft3 x {:.2} ft3 of resin", i.resin_ft3);
    push(all, ("capacity_per_tank", "capacity of a tank"), (i.capacity_gr, "gr"), f, "the site's own figure", ANY);
    let f = format!("{:.0} gr / {:.2} ft3", i.capacity_gr, i.resin_ft3);
    push(all, ("capacity_per_volume", "capacity of the resin"), (per_ft3, "gr/ft3"), f, CODE, at_most(20_000.0));
    let f = format!("{:.0} gr / {:.2} gr/gal - {:.0} gal of reserve", i.capacity_gr, i.loaded_gpg, i.reserve_gal);
    let name = ("volume_between_regenerations", "volume between regenerations");
    push(all, name, (i.between_gal(), "gal"), f, DERIVED, ANY);
    let (f, source) = if i.reserve_learned {
        (
            "learned by the weekday: a day and a regeneration of the stated use, besides its deviations, or a share of capacity until seven days are known",
            DERIVED,
        )
    } else {
        ("as the settings keep it back", "the site's own figure")
    };
    push(all, ("reserve", "reserve of a tank"), (i.reserve_gal, "gal"), f.to_owned(), source, ANY);
    let per_lb = i.capacity_gr / i.salt_lb;
    let f = format!("{:.0} gr / {:.2} lb; at the utmost {STOICHIOMETRIC_GR_PER_LB:.0} gr/lb", i.capacity_gr, i.salt_lb);
    let source =
        "NSF/ANSI 44 section 7 (efficiency claim of demand-initiated regeneration), as summarised by basc.pnnl.gov";
    push(all, ("salt_efficiency", "salt efficiency"), (per_lb, "gr/lb"), f, source, at_least(3_350.0));
}

fn brine(i: &Inputs, all: &mut Vec<Figure>) {
    let dose_g_l = i.salt_lb * G_PER_LB / (i.resin_ft3 * L_PER_FT3);
    let f = format!("{:.2} lb/ft3 x {:.2} ft3", i.salt_lb / i.resin_ft3, i.resin_ft3);
    push(all, ("salt_per_regeneration", "salt of a regeneration"), (i.salt_lb, "lb"), f, "the site's own figure", ANY);
    let f = format!("{:.2} lb / {:.1} L of resin", i.salt_lb, i.resin_ft3 * L_PER_FT3);
    push(all, ("salt_dose", "salt dose"), (dose_g_l, "g/L"), f, DAVIS, between(80.0, 320.0));
    let saturated = i.salt_lb / SATURATED_LB_PER_GAL;
    let f = format!("{:.2} lb / {SATURATED_LB_PER_GAL} lb/gal", i.salt_lb);
    push(all, ("saturated_brine_volume", "saturated brine"), (saturated, "gal"), f, TABLE, ANY);
    let per_gal = salt_lb_per_gal(i.brine_percent);
    let dilute = i.salt_lb / per_gal;
    let f = format!("{:.2} lb / {per_gal:.4} lb/gal at {:.1} %", i.salt_lb, i.brine_percent);
    push(all, ("dilute_brine_volume", "brine through the bed"), (dilute, "gal"), f, TABLE, ANY);
    push(
        all,
        ("brine_strength", "brine strength at the bed"),
        (i.brine_percent, "%"),
        "the site's own figure".to_owned(),
        DAVIS,
        between(5.0, 10.0),
    );
    let slow = 0.25 * i.resin_ft3;
    let draw = i.draw_gpm().unwrap_or(slow);
    let f = format!(
        "{dilute:.1} gal / {draw:.2} gpm; limits at 0.40 and 0.25 gpm/ft3 ({:.1} to {slow:.1} gpm). Davis, p. 8-19: 30 to 60 min",
        0.40 * i.resin_ft3
    );
    let limits = between(dilute / (0.40 * i.resin_ft3), dilute / slow);
    let source = "trade press, 2014: 0.25 to 0.40 gpm/ft3 at about 10 %";
    push(all, ("brine_draw_time", "time to draw the brine"), (dilute / draw, "min"), f, source, limits);
    let water = i.salt_lb / i.salt_per_gal_lb;
    let f = format!("{:.2} lb / ({:.2} lb/gal x {:.3} gpm)", i.salt_lb, i.salt_per_gal_lb, i.refill_gpm);
    let minutes = if i.refill_gpm > 0.0 { water / i.refill_gpm } else { 0.0 };
    let source = "derived from the published table of saturated brine; practice: 3 lb a gallon";
    push(all, ("refill_time", "brine refill"), (minutes, "min"), f, source, ANY);
}

fn bed(i: &Inputs, all: &mut Vec<Figure>) {
    let area = i.area_ft2();
    let f = format!("{:.2} ft3 / {area:.3} ft2", i.resin_ft3);
    push(all, ("bed_depth", "depth of the bed"), (i.depth_ft(), "ft"), f, CODE, at_least(3.0));
    let f = "room above the settled bed / its depth".to_owned();
    let freeboard = (i.freeboard_share * 100.0, "%");
    push(all, ("freeboard", "freeboard"), freeboard, f, "UFGS-15559A section 2.23.2.3", at_least(50.0));
    let (low, high) = (6.0 * area, 8.0 * area);
    let f = format!("6 gpm/ft2 x {area:.3} ft2");
    push(all, ("backwash_flow_low", "backwash, at least"), (low, "gpm"), f, CODE, ANY);
    let f = format!("8 gpm/ft2 x {area:.3} ft2");
    push(all, ("backwash_flow_high", "backwash, at most"), (high, "gpm"), f, CODE, ANY);
    if let Some(step) = i.step(StepKind::Backwash) {
        let f = format!("the program's flow to drain; 6 to 8 gpm/ft2 x {area:.3} ft2");
        push(all, ("backwash_flow", "backwash"), (step.drain_gpm, "gpm"), f, CODE, between(low, high));
        let f = "the program's length".to_owned();
        push(all, ("backwash_time", "backwash"), (step.minutes, "min"), f, DAVIS, between(5.0, 15.0));
    }
    let f = format!("7 gpm/ft2 x {area:.3} ft2");
    push(all, ("service_flow_limit", "service flow, at most"), (7.0 * area, "gpm"), f, CODE, ANY);
    let peak = i.peak_of_a_tank_gpm();
    let f = format!("{:.2} gpm / {:.0} serving; limit 7 gpm/ft2", i.peak_gpm * i.treated_share, i.serving());
    push(all, ("service_flow_peak", "largest service flow of a tank"), (peak, "gpm"), f, CODE, at_most(7.0 * area));
    let f = format!("{peak:.2} gpm / {:.2} ft3", i.resin_ft3);
    let source = "trade article, 2004: 1 to 5 gpm/ft3; below 1 the water finds channels";
    push(
        all,
        ("service_flow_per_volume", "largest service flow per resin"),
        (peak / i.resin_ft3, "gpm/ft3"),
        f,
        source,
        between(1.0, 5.0),
    );
    if let Some(bed_psi) = bed_loss_psi(i, peak) {
        let valve_psi = i.valve_psi * (peak / i.rated_gpm).powi(2);
        let f = format!(
            "Ergun over {:.2} ft at {:.1} °C: {bed_psi:.2} psi; valve {valve_psi:.2} psi",
            i.depth_ft(),
            i.temperature_c
        );
        let source = "trade press on NSF/ANSI 44: at most 15 psi at rated flow";
        push(
            all,
            ("pressure_loss", "pressure loss at the largest flow"),
            (bed_psi + valve_psi, "psi"),
            f,
            source,
            at_most(15.0),
        );
    }
}

/// Loss of the clean bed by Ergun's equation, psi.
fn bed_loss_psi(i: &Inputs, flow_gpm: f64) -> Option<f64> {
    let area_m2 = i.area_ft2() * M_PER_FT * M_PER_FT;
    let bed = PackedBed { depth_m: i.depth_ft() * M_PER_FT, area_m2, void_fraction: 0.37, bead_mm: 0.6 };
    let resistance = bed.resistance(&Liquid::water(i.temperature_c).ok()?).ok()?;
    let kpa = resistance.loss_kpa(flow_gpm * ML_PER_GAL / 1e3).ok()?;
    Some(kpa * 1e3 / PA_PER_PSI)
}

fn rinses(i: &Inputs, all: &mut Vec<Figure>) {
    let gal = |per_ft3: f64| per_ft3 * i.resin_ft3;
    let of = |per_ft3: f64| format!("{per_ft3} gal/ft3 x {:.2} ft3", i.resin_ft3);
    push(all, ("slow_rinse_low", "slow rinse, at least"), (gal(7.5), "gal"), of(7.5), UFC, ANY);
    push(all, ("slow_rinse_high", "slow rinse, at most"), (gal(22.5), "gal"), of(22.5), UFC, ANY);
    push(all, ("fast_rinse_low", "fast rinse, at least"), (gal(35.0), "gal"), of(35.0), UFC, ANY);
    push(all, ("fast_rinse_high", "fast rinse, at most"), (gal(100.0), "gal"), of(100.0), UFC, ANY);
    let program = |step: super::inputs::Step| format!("{:.1} min x {:.2} gpm", step.minutes, step.drain_gpm);
    if let Some(step) = i.step(StepKind::SlowRinse) {
        let value = (step.gal(), "gal");
        push(all, ("slow_rinse_volume", "slow rinse"), value, program(step), UFC, between(gal(7.5), gal(22.5)));
    }
    if let Some(step) = i.step(StepKind::FastRinse) {
        let value = (step.gal(), "gal");
        push(all, ("fast_rinse_volume", "fast rinse"), value, program(step), UFC, between(gal(35.0), gal(100.0)));
    }
    let drain = i.drain_gal();
    let f = "every step's flow to drain x its length".to_owned();
    push(all, ("drain_per_regeneration", "water to drain of a regeneration"), (drain, "gal"), f, DERIVED, ANY);
    let per_kgr = drain / (i.capacity_gr / 1_000.0);
    let f = format!("{drain:.0} gal / {:.1} kgr", i.capacity_gr / 1_000.0);
    let source = "NSF/ANSI 44 section 7, as summarised by basc.pnnl.gov: at most 5.0 gal per 1 000 gr";
    push(all, ("drain_per_kilograin", "water to drain per capacity"), (per_kgr, "gal/kgr"), f, source, at_most(5.0));
    let f = "every step, and every move of the valve at its limit".to_owned();
    let value = (i.regeneration_min, "min");
    push(all, ("regeneration_time", "longest regeneration"), value, f, "the site's own figure", ANY);
}

fn water(i: &Inputs, all: &mut Vec<Figure>) {
    let hardness = i.hardness_gpg * MG_L_PER_GPG;
    let needed = i.target_gpg.map(|target| (1.0 - target / i.hardness_gpg).clamp(0.0, 1.0));
    let share = needed.unwrap_or(i.treated_share);
    let f = match i.target_gpg {
        Some(target) => format!(
            "1 - {:.0} mg/L wanted / {hardness:.0} mg/L; at {:.1} gpm that is {:.1} gpm through the resin",
            target * MG_L_PER_GPG,
            i.peak_gpm,
            i.peak_gpm * share
        ),
        None => "what the blending bypass leaves; no hardness is wanted by name".to_owned(),
    };
    push(all, ("blend_treated_share", "share through the resin"), (share, ""), f, DERIVED, ANY);
    let added = SODIUM_PER_HARDNESS * hardness * share;
    let f = format!("{SODIUM_PER_HARDNESS} x {hardness:.1} mg/L x {share:.3}");
    push(all, ("added_sodium", "sodium added"), (added, "mg/L"), f, "stoichiometry", ANY);
    let f = format!("{:.1} mg/L of the feed + {added:.1} mg/L", i.sodium_mg_l);
    let source =
        "EU Directive 2020/2184, from memory: 200 mg/L; US EPA 822-R-03-006: 20 mg/L for people on a 500 mg/day diet";
    push(all, ("sodium", "sodium of the water"), (i.sodium_mg_l + added, "mg/L"), f, source, at_most(200.0));
    let f = "the feed's own".to_owned();
    let source = "35 Ill. Adm. Code 604.805: iron and manganese are removed before, from 1 mg/L on";
    push(all, ("iron", "iron and manganese of the feed"), (i.iron_mg_l, "mg/L"), f, source, at_most(1.0));
}

fn a_year(i: &Inputs, all: &mut Vec<Figure>) {
    let Some((use_gal, runs)) = i.use_gal_day.zip(i.regenerations_a_year()) else { return };
    let days = if runs > 0.0 { 365.25 * f64::from(i.tanks) / runs } else { f64::INFINITY };
    if !days.is_finite() {
        return;
    }
    let f = format!("{use_gal:.0} gal/day x 365.25 x {:.3} treated / {:.0} gal", i.treated_share, i.between_gal());
    push(all, ("regenerations_per_year", "regenerations a year"), (runs, ""), f, DERIVED, ANY);
    let f = format!("365.25 days x {} tanks / {runs:.1}", i.tanks);
    push(all, ("days_between", "days per regeneration of a tank"), (days, "days"), f, DERIVED, ANY);
    let f = format!("{runs:.1} x {:.2} lb", i.salt_lb);
    push(all, ("salt_per_year", "salt a year"), (runs * i.salt_lb, "lb"), f, DERIVED, ANY);
    let f = format!("{runs:.1} x {:.0} gal", i.drain_gal());
    push(all, ("drain_per_year", "water to drain a year"), (runs * i.drain_gal(), "gal"), f, DERIVED, ANY);
    let days = i.salt_storage_lb / (runs * i.salt_lb / 365.25);
    let f = format!("{:.0} lb stored / {:.2} lb a day", i.salt_storage_lb, runs * i.salt_lb / 365.25);
    let source = "Ten States Standards, water works, from memory: at least 30 days";
    push(all, ("salt_storage", "days that the stored salt lasts"), (days, "days"), f, source, at_least(30.0));
}
