//! The plant's figures, worked out from a site: everything that stays as it is while water runs.

use bedkeeper::program::StepKind;
use bedkeeper::settings::{Medium, RawSettings};

use super::error::ProcessError;
use super::passage::ValveMake;
use crate::bed::{BedSpec, FeedSpec, Kinetics, Resin, Transfer, Water};
use crate::physics::GRAVITY_M_S2;
use crate::physics::brine_props::{brine_density_kg_m3, saturation_weight_percent};
use crate::physics::brine_tank::BrineTankSpec;
use crate::physics::eductor::Eductor;
use crate::physics::hydraulics::{BackwashVessel, Beads, Drain, Liquid, PackedBed, Resistance, Supply};
use crate::physics::water_props::water_density_kg_m3;
use crate::site::{ProcessConfig, ResinFacts, Site};

/// pH of the feed, which sets the carbon dioxide beside the bicarbonate (a choice).
const FEED_PH: f64 = 7.5;
/// Beads of a plant (common practice): diameter, mm, and density when swollen, kg/m³.
pub(super) const BEADS: Beads = Beads { diameter_mm: 0.6, density_kg_m3: 1_280.0 };
/// Height of the eductor above the floor that the brine tank stands on, m (a choice).
const EDUCTOR_HEIGHT_M: f64 = 1.0;
/// Head ratio at which the eductor draws nothing (a choice).
const STALL_HEAD_RATIO: f64 = 0.3;
/// Pressure from which a flow control holds its flow, kPa: about one bar (common practice).
pub(super) const FLOW_CONTROL_FROM_KPA: f64 = 100.0;
/// Height of the brine tank's overflow above its float, m (a choice).
const OVERFLOW_ABOVE_FLOAT_M: f64 = 0.1;
/// Level at which the air check of the brine tank closes, m (a choice).
const AIR_CHECK_M: f64 = 0.03;

/// A plant as it is built.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Tanks.
    pub tanks: usize,
    /// Share of what is drawn that the blending bypass leads past the tanks, 0 to 1.
    pub bypass_share: f64,
    /// The feed at the start.
    pub feed: FeedSpec,
    /// Iron of the feed that stays on the resin, mg per litre treated.
    pub iron_held_mg_l: f64,
    /// Each bed when commissioned.
    pub bed: BedSpec,
    /// Each tank for backwash.
    pub vessel: BackwashVessel,
    /// How far a long backwash mixes the bed, 0 to 1.
    pub backwash_mixing: f64,
    /// What the valves pass.
    pub make: ValveMake,
    /// One valve with its piping, fully open.
    pub valve_path: Resistance,
    /// The supply.
    pub supply: Supply,
    /// The drain.
    pub drain: Drain,
    /// Flow controls: backwash, fast rinse, slow rinse, refill, L/min.
    pub backwash_l_min: f64,
    /// See `backwash_l_min`.
    pub fast_rinse_l_min: f64,
    /// See `backwash_l_min`.
    pub slow_rinse_l_min: f64,
    /// See `backwash_l_min`.
    pub refill_l_min: f64,
    /// The eductor.
    pub eductor: Eductor,
    /// Pressure to lift brine from its floor to the eductor, kPa.
    pub lift_kpa: f64,
    /// Brine goes up through the bed.
    pub brine_upward: bool,
    /// The eductor's water comes from the tanks that serve.
    pub softened_rinse: bool,
    /// The brine tank.
    pub brine_tank: BrineTankSpec,
    /// Salt in the full brine tank, kg.
    pub salt_storage_kg: f64,
    /// Somebody fills it up.
    pub salt_topped_up: bool,
    /// Refill water of one dose, L.
    pub refill_l: f64,
    /// Whether the program refills the brine tank before it draws.
    pub refill_first: bool,
    /// Salt of one dose, kg.
    pub dose_kg: f64,
    /// Strength of the brine at the bed, % by weight.
    pub brine_percent: f64,
    /// Litres between regenerations, by the site's capacity and hardness.
    pub service_l: f64,
    /// Flow that the meter is made for, L/min.
    pub rated_l_min: f64,
    /// Slow rinse at commissioning, L.
    pub slow_rinse_l: f64,
    /// Fast rinse at commissioning, L.
    pub fast_rinse_l: f64,
    /// Outlet hardness above which water counts as hard, mg/L as CaCO3.
    pub hard_above_mg_l: f64,
    /// Outlet pressure below which people notice, kPa.
    pub low_pressure_kpa: f64,
    /// Pressure before the tanks below which the pressure switch closes, kPa.
    pub pressure_switch_kpa: f64,
}

impl Design {
    /// Works out the plant of a site.
    ///
    /// # Errors
    /// As [`Design::of`].
    pub fn of_site(site: &Site) -> Result<Self, ProcessError> {
        let parts = site.process.as_ref().zip(site.resin.as_ref());
        let (config, resin) = parts.ok_or(ProcessError::NoResin)?;
        Self::of(config, site.settings.raw(), resin)
    }

    /// Works out a plant.
    ///
    /// # Errors
    /// [`ProcessError::NoResin`] for a filter; else the figure that no plant has.
    pub fn of(config: &ProcessConfig, raw: &RawSettings, resin: &ResinFacts) -> Result<Self, ProcessError> {
        let Medium::Softener { hardness, capacity, total } = raw.medium else { return Err(ProcessError::NoResin) };
        let share = |ppm: u32| f64::from(ppm) * 1e-6;
        let kpa = |pa: u32| f64::from(pa) * 1e-3;
        let litres = |ml: u32| f64::from(ml) * 1e-3;
        let resin_l = resin.volume.nl() as f64 * 1e-9;
        let area_m2 = std::f64::consts::FRAC_PI_4 * (f64::from(config.vessel_mm) * 1e-3).powi(2);
        let depth_m = resin_l * 1e-3 / area_m2;
        let temperature_c = f64::from(config.temperature_centi_c) * 0.01;
        let hardness_mg_l = f64::from(hardness.0) * 1e-3;
        let feed = FeedSpec {
            hardness_mg_l,
            calcium_share: share(config.calcium_ppm),
            sodium_mg_l: f64::from(config.sodium_ug_l) * 1e-3,
            alkalinity_meq_l: f64::from(config.alkalinity_ug_l) * 1e-3 / crate::bed::CACO3_G_PER_EQ,
            ph: FEED_PH,
            temperature_c,
        };
        let make = Resin {
            capacity_eq_l: total.0 as f64 * 1e-6 / crate::bed::CACO3_G_PER_EQ / resin_l,
            age_years: f64::from(config.resin_age_days) / 365.25,
            ..Resin::default()
        };
        let transfer = match config.mass_transfer {
            true => Transfer::Kinetic(Kinetics { bead_mm: BEADS.diameter_mm, ..Kinetics::default() }),
            false => Transfer::Equilibrium,
        };
        let bed = BedSpec {
            volume_l: resin_l,
            depth_m,
            plates: usize::from(config.plates),
            resin: make,
            transfer,
            temperature_c,
        };
        let vessel = BackwashVessel {
            area_m2,
            height_m: depth_m * (1.0 + share(config.freeboard_ppm)),
            settled_void: make.void_fraction,
            beads: BEADS,
        };
        let rated_l_min = litres(raw.meter.rated_max.0);
        let per_square = 1.0 / (rated_l_min * rated_l_min).max(1e-6);
        let valve_path = Resistance::new(0.0, kpa(config.valve_loss_pa) * per_square)?;
        let droop_kpa = kpa(config.supply_pa) - kpa(config.supply_at_peak_pa);
        let supply = Supply::new(kpa(config.supply_pa), droop_kpa * per_square)?;
        let flow_of = |kind: StepKind| {
            raw.program.iter().filter(|s| s.kind == kind).map(|s| litres(s.drain.0)).fold(0.0, f64::max)
        };
        let length_min =
            |kind: StepKind| raw.program.iter().find(|s| s.kind == kind).map_or(0.0, |s| f64::from(s.length.0) / 6e4);
        let place = |kind: StepKind| raw.program.iter().position(|s| s.kind == kind);
        let brine_percent = share(config.brine_strength_ppm) * 100.0;
        let motive_l_min = litres(config.eductor_motive_ml_min);
        let path = PackedBed { depth_m, area_m2, void_fraction: make.void_fraction, bead_mm: BEADS.diameter_mm }
            .resistance(&Liquid::brine(brine_percent, temperature_c)?)?
            .then(valve_path);
        let lift_kpa = brine_density_kg_m3(26.0, temperature_c)? * GRAVITY_M_S2 * EDUCTOR_HEIGHT_M * 1e-3;
        let eductor = eductor(motive_l_min, brine_percent, supply.static_kpa(), lift_kpa, &path, temperature_c)?;
        let brine_area_m2 = std::f64::consts::FRAC_PI_4 * (f64::from(config.brine_tank_mm) * 1e-3).powi(2);
        let float_m = f64::from(config.float_mm) * 1e-3;
        let slow_rinse_l_min = flow_of(StepKind::SlowRinse);
        let design = Self {
            tanks: usize::from(raw.tanks),
            bypass_share: f64::from(raw.sharing.bypass_per_mille) * 1e-3,
            feed,
            iron_held_mg_l: f64::from(config.iron_ug_l) * 1e-3 * share(config.iron_held_ppm),
            bed,
            vessel,
            backwash_mixing: share(config.backwash_mixing_ppm),
            make: ValveMake {
                passes_untreated: config.untreated_while_regenerating,
                crossing: share(config.passes_between_ppm),
                leak_past: share(config.leak_past_bed_ppm),
                leak_to_drain: share(config.leak_to_drain_ppm),
            },
            valve_path,
            supply,
            drain: Drain::new(litres(config.drain_ml_min))?,
            backwash_l_min: flow_of(StepKind::Backwash),
            fast_rinse_l_min: flow_of(StepKind::FastRinse).max(flow_of(StepKind::ServiceRinse)),
            slow_rinse_l_min,
            refill_l_min: litres(config.refill_ml_min),
            eductor,
            lift_kpa,
            brine_upward: config.brine_upward,
            softened_rinse: config.softened_rinse,
            brine_tank: BrineTankSpec {
                area_m2: brine_area_m2,
                overflow_m: float_m + OVERFLOW_ABOVE_FLOAT_M,
                air_check_m: AIR_CHECK_M,
                float_m: Some(float_m),
                ..BrineTankSpec::default()
            }
            .check()?,
            salt_storage_kg: f64::from(config.salt_storage_g) * 1e-3,
            salt_topped_up: config.salt_topped_up,
            refill_l: resin.refill_water.nl() as f64 * 1e-9,
            refill_first: place(StepKind::BrineRefill) < place(StepKind::BrineDraw),
            dose_kg: f64::from(resin.dose.0) * 1e-6,
            brine_percent,
            service_l: capacity.0 as f64 / f64::from(hardness.0.max(1)),
            rated_l_min,
            slow_rinse_l: slow_rinse_l_min * length_min(StepKind::SlowRinse),
            fast_rinse_l: flow_of(StepKind::FastRinse) * length_min(StepKind::FastRinse),
            hard_above_mg_l: f64::from(config.hard_above_ug_l) * 1e-3,
            low_pressure_kpa: kpa(config.low_pressure_pa),
            pressure_switch_kpa: kpa(config.pressure_switch_pa),
        };
        // What the formulas themselves refuse is refused now, not in the middle of a run.
        Water::from_feed(&design.feed)?;
        crate::bed::Bed::new(design.bed)?;
        crate::physics::hydraulics::BackwashedBed::settled(design.vessel, depth_m)?;
        Ok(design)
    }
}

/// The eductor that gives a strength at the bed from saturated brine, at the static supply pressure.
fn eductor(
    motive_l_min: f64,
    brine_percent: f64,
    supply_kpa: f64,
    lift_kpa: f64,
    path: &Resistance,
    temperature_c: f64,
) -> Result<Eductor, ProcessError> {
    let saturated = saturation_weight_percent(temperature_c)?;
    // Weights: brine × saturated = (brine + water) × strength.
    let drawn_per_motive_kg = brine_percent / (saturated - brine_percent);
    let ratio =
        drawn_per_motive_kg * water_density_kg_m3(temperature_c) / brine_density_kg_m3(saturated, temperature_c)?;
    let back_kpa = path.loss_kpa(motive_l_min * (1.0 + ratio))?;
    let drop_kpa = (supply_kpa - back_kpa).max(1.0);
    let head_ratio = (back_kpa + lift_kpa) / drop_kpa;
    let open_ratio = ratio / (1.0 - head_ratio / STALL_HEAD_RATIO).max(0.05);
    Ok(Eductor {
        rated_motive_l_min: motive_l_min,
        rated_drop_kpa: drop_kpa,
        open_ratio,
        stall_head_ratio: STALL_HEAD_RATIO,
    }
    .check()?)
}
