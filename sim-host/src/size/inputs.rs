//! What sizing reckons with: a site's figures as plain numbers in the units of the trade's formulas.

use bedkeeper::program::StepKind;
use bedkeeper::settings::{Arrangement, Medium, RawDrive, RawLearned, RawSettings, Reserve, StartRule};
use bedkeeper::units::Hardness;

use crate::bed::cycle::{CycleSpec, Regeneration};
use crate::bed::{CACO3_G_PER_EQ, FeedSpec};
use crate::site::Site;

/// Millilitres in a US gallon, exactly.
pub(super) const ML_PER_GAL: f64 = 3_785.411_784;
/// Litres in a cubic foot, exactly.
pub(super) const L_PER_FT3: f64 = 28.316_846_592;
/// Milligrams in a grain, exactly.
pub(super) const MG_PER_GR: f64 = 64.798_91;
/// Grams in a pound, exactly.
pub(super) const G_PER_LB: f64 = 453.592_37;
/// Metres in a foot, exactly.
pub(super) const M_PER_FT: f64 = 0.304_8;
/// 1 gr/gal in mg/L, from the definitions above.
pub(super) const MG_L_PER_GPG: f64 = MG_PER_GR / (ML_PER_GAL / 1_000.0);

/// One step of the program.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Its length, min.
    pub minutes: f64,
    /// Its flow to drain, gpm.
    pub drain_gpm: f64,
}

impl Step {
    /// Water to drain, gal.
    pub fn gal(self) -> f64 {
        self.minutes * self.drain_gpm
    }
}

/// A softening site in figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    /// How the tanks share the work.
    pub arrangement: Arrangement,
    /// Tanks.
    pub tanks: u32,
    /// Feed hardness, gr/gal.
    pub hardness_gpg: f64,
    /// What the feed counts as, iron and manganese included (L1), gr/gal.
    pub loaded_gpg: f64,
    /// What a regeneration restores, gr per tank.
    pub capacity_gr: f64,
    /// Resin in a tank, ft³.
    pub resin_ft3: f64,
    /// Inner diameter of a tank, ft.
    pub vessel_ft: f64,
    /// Room above the settled bed, share of its depth.
    pub freeboard_share: f64,
    /// Salt of a regeneration, lb.
    pub salt_lb: f64,
    /// Salt that a gallon of refill water takes up, lb.
    pub salt_per_gal_lb: f64,
    /// Flow into the brine tank, gpm.
    pub refill_gpm: f64,
    /// Brine strength at the bed, % by weight.
    pub brine_percent: f64,
    /// Reserve, gal per tank.
    pub reserve_gal: f64,
    /// The reserve follows use by the weekday.
    pub reserve_learned: bool,
    /// Whether a start waits for the regeneration hour.
    pub at_hour: bool,
    /// Steps of the program by kind, with a length.
    pub steps: Vec<(StepKind, Step)>,
    /// The longest that a regeneration takes, min.
    pub regeneration_min: f64,
    /// Time that brine needs after a refill, min.
    pub brine_ready_min: f64,
    /// Backup days; 0 = off.
    pub backup_days: u32,
    /// The longest gap between blackout windows, min; a whole week without windows.
    pub longest_gap_min: f64,
    /// Water of one pulse, gal.
    pub pulse_gal: f64,
    /// Shortest closure and opening of the meter's contact together, ms.
    pub pulse_width_ms: f64,
    /// The meter's rated flow, gpm.
    pub rated_gpm: f64,
    /// What the drain carries, gpm.
    pub drain_gpm: f64,
    /// Allowed to drain a day, gal; 0 = any.
    pub drain_limit_gal: f64,
    /// Share of the water that passes the resin.
    pub treated_share: f64,
    /// Hardness wanted at the outlet, gr/gal, if blended water is.
    pub target_gpg: Option<f64>,
    /// Water used a day, gal, if known.
    pub use_gal_day: Option<f64>,
    /// The largest flow that is used, gpm: the meter's rated flow if nothing better is known.
    pub peak_gpm: f64,
    /// Iron of the feed, mg/L.
    pub iron_mg_l: f64,
    /// Sodium of the feed, mg/L.
    pub sodium_mg_l: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Loss of a valve and its piping at the meter's rated flow, psi.
    pub valve_psi: f64,
    /// Salt in the full brine tank, lb.
    pub salt_storage_lb: f64,
    /// Whether valves tell nothing of their position.
    pub timed_valves: bool,
}

/// What a person would like to try without editing the site.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct WhatIf {
    /// Feed hardness, gr/gal.
    pub hardness_gpg: Option<f64>,
    /// Salt dose, lb/ft³; the capacity stays as it is.
    pub dose_lb_ft3: Option<f64>,
    /// Capacity, gr/ft³.
    pub capacity_gr_ft3: Option<f64>,
    /// Water used a day, gal.
    pub use_gal_day: Option<f64>,
    /// The largest flow, gpm.
    pub peak_gpm: Option<f64>,
    /// Hardness wanted at the outlet, gr/gal.
    pub target_gpg: Option<f64>,
}

/// A filter has no salt, no capacity in grains and no sodium: there is nothing to size here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NotASoftener;

impl Inputs {
    /// Takes a site's figures, changed by what a person would like to try.
    ///
    /// # Errors
    /// The site is a filter.
    pub fn of(site: &Site, what_if: &WhatIf) -> Result<Self, NotASoftener> {
        let raw = &site.raw;
        let Medium::Softener { hardness, capacity, .. } = raw.medium else { return Err(NotASoftener) };
        let (resin, process) = site.resin.zip(site.process).ok_or(NotASoftener)?;
        let gal = |nl: u64| nl as f64 / 1e6 / ML_PER_GAL;
        let gpm = |ml_min: u32| f64::from(ml_min) / ML_PER_GAL;
        let resin_ft3 = resin.volume.nl() as f64 / 1e9 / L_PER_FT3;
        let hardness_gpg = what_if.hardness_gpg.unwrap_or(f64::from(hardness.0) / 1e3 / MG_L_PER_GPG);
        let capacity_gr =
            what_if.capacity_gr_ft3.map_or(capacity.0 as f64 / 1e3 / MG_PER_GR, |per_ft3| per_ft3 * resin_ft3);
        let salt_lb =
            what_if.dose_lb_ft3.map_or(f64::from(resin.dose.0) / 1e3 / G_PER_LB, |per_ft3| per_ft3 * resin_ft3);
        let metals_gpg = f64::from(raw.metals.compensated(Hardness(0)).0) / 1e3 / MG_L_PER_GPG;
        let loaded_gpg = hardness_gpg + metals_gpg;
        let capacity_gal = capacity_gr / loaded_gpg;
        let refill_min = minutes_of(raw, StepKind::BrineRefill);
        let refill_gpm = match resin.refill_flow {
            Some(flow) => gpm(flow.0),
            None if refill_min > 0.0 => gal(resin.refill_water.nl()) / refill_min,
            None => 0.0,
        };
        let rated_gpm = gpm(raw.meter.rated_max.0);
        let mut inputs = Self {
            arrangement: raw.arrangement,
            tanks: u32::from(raw.tanks),
            hardness_gpg,
            loaded_gpg,
            capacity_gr,
            resin_ft3,
            vessel_ft: f64::from(process.vessel_mm) / 1e3 / M_PER_FT,
            freeboard_share: f64::from(process.freeboard_ppm) / 1e6,
            salt_lb,
            salt_per_gal_lb: resin.salt_per_water_mg_per_l as f64 / 1e3 / G_PER_LB * ML_PER_GAL / 1e3,
            refill_gpm,
            brine_percent: f64::from(process.brine_strength_ppm) / 1e4,
            reserve_gal: match raw.reserve {
                Reserve::Fixed(volume) => gal(volume.nl()),
                Reserve::Share(per_mille) => capacity_gal * f64::from(per_mille) / 1e3,
                _ => 0.0,
            },
            at_hour: raw.start == StartRule::AtHour,
            steps: steps_of(raw),
            regeneration_min: f64::from(raw.longest_regeneration().0) / 6e4,
            brine_ready_min: f64::from(raw.brine_ready_after.0) / 6e4,
            backup_days: u32::from(raw.backup_days),
            longest_gap_min: longest_gap_min(site),
            pulse_gal: gal(raw.meter.pulse_nl) / f64::from(raw.meter.pulse_divisor),
            pulse_width_ms: f64::from(raw.meter.min_closed.0) + f64::from(raw.meter.min_open.0),
            rated_gpm,
            drain_gpm: gpm(process.drain_ml_min),
            drain_limit_gal: gal(raw.discharge_limit.nl()),
            treated_share: 1.0 - f64::from(raw.sharing.bypass_per_mille) / 1e3,
            target_gpg: what_if.target_gpg,
            use_gal_day: what_if.use_gal_day.or(site.water_use.a_day.map(|v| gal(v.nl()))),
            peak_gpm: what_if.peak_gpm.or(site.water_use.peak.map(|f| gpm(f.0))).unwrap_or(rated_gpm),
            iron_mg_l: (f64::from(process.iron_ug_l) + f64::from(raw.metals.manganese_ug_per_l)) / 1e3,
            sodium_mg_l: f64::from(process.sodium_ug_l) / 1e3,
            temperature_c: f64::from(process.temperature_centi_c) / 100.0,
            valve_psi: f64::from(process.valve_loss_pa) / PA_PER_PSI,
            salt_storage_lb: f64::from(process.salt_storage_g) / G_PER_LB,
            timed_valves: matches!(raw.drive, RawDrive::Timed { .. } | RawDrive::PilotArray { contact: false, .. }),
            reserve_learned: matches!(raw.reserve, Reserve::Learned(_)),
        };
        if let Reserve::Learned(learned) = raw.reserve {
            inputs.reserve_gal = inputs.learned_gal(&learned, capacity_gal);
        }
        Ok(inputs)
    }

    /// What a learned reserve comes to, gal: of delayed starts a day and a regeneration of the stated use, without the
    /// deviations that it will add, or what is kept back until seven days are known; little for immediate ones.
    fn learned_gal(&self, learned: &RawLearned, capacity_gal: f64) -> f64 {
        let share = |per_mille: u16| capacity_gal * f64::from(per_mille) / 1e3;
        let day = self
            .use_gal_day
            .map(|gal| gal * self.treated_share * (1.0 + self.regeneration_min / 1_440.0) / self.serving());
        let wanted = match day {
            Some(day) if self.at_hour => day,
            None if self.at_hour => share(learned.until_known_per_mille),
            _ => 0.0,
        };
        wanted.max(share(learned.floor_per_mille)).min(share(learned.ceiling_per_mille))
    }

    /// The step of a kind, if the program has it.
    pub fn step(&self, kind: StepKind) -> Option<Step> {
        self.steps.iter().find(|(k, _)| *k == kind).map(|(_, step)| *step)
    }

    /// Flow of the brine draw, gpm, where the program tells it.
    pub fn draw_gpm(&self) -> Option<f64> {
        self.step(StepKind::BrineDraw).map(|step| step.drain_gpm).filter(|gpm| *gpm > 0.0)
    }

    /// Cross section of a tank, ft².
    pub fn area_ft2(&self) -> f64 {
        std::f64::consts::FRAC_PI_4 * self.vessel_ft * self.vessel_ft
    }

    /// Depth of the settled bed, ft.
    pub fn depth_ft(&self) -> f64 {
        self.resin_ft3 / self.area_ft2()
    }

    /// Tanks that serve while all are well.
    pub fn serving(&self) -> f64 {
        let take_turns = matches!(self.arrangement, Arrangement::Single | Arrangement::Alternating);
        if take_turns { 1.0 } else { f64::from(self.tanks) }
    }

    /// The largest flow through one tank, gpm.
    pub fn peak_of_a_tank_gpm(&self) -> f64 {
        self.peak_gpm * self.treated_share / self.serving()
    }

    /// Water that one tank treats between regenerations, gal: what is left when the reserve is kept.
    pub fn between_gal(&self) -> f64 {
        (self.capacity_gr / self.loaded_gpg - self.reserve_gal).max(0.0)
    }

    /// Water to drain in one regeneration, gal.
    pub fn drain_gal(&self) -> f64 {
        self.steps.iter().map(|(_, step)| step.gal()).sum()
    }

    /// Regenerations a year of all tanks, if the use is known.
    pub fn regenerations_a_year(&self) -> Option<f64> {
        let treated = self.use_gal_day? * self.treated_share * 365.25;
        (self.between_gal() > 0.0).then(|| treated / self.between_gal())
    }
}

/// Pascals in a pound per square inch.
pub(super) const PA_PER_PSI: f64 = 6_894.757_293;

/// The resin bed of a tank with its regeneration, for trying doses.
pub(super) fn cycle_of(site: &Site, i: &Inputs) -> CycleSpec {
    let usual = CycleSpec::default();
    let Some(process) = &site.process else { return usual };
    let share = |ppm: u32| f64::from(ppm) / 1e6;
    let resin_gal = i.resin_ft3 * L_PER_FT3 * 1e3 / ML_PER_GAL;
    let bed_volumes = |kind| i.step(kind).map_or(0.0, |step| step.gal() / resin_gal);
    let alkalinity_meq_l = f64::from(process.alkalinity_ug_l) / 1e3 / CACO3_G_PER_EQ;
    CycleSpec {
        depth_m: i.depth_ft() * M_PER_FT,
        feed: FeedSpec {
            hardness_mg_l: i.hardness_gpg * MG_L_PER_GPG,
            calcium_share: share(process.calcium_ppm),
            sodium_mg_l: i.sodium_mg_l,
            alkalinity_meq_l,
            temperature_c: i.temperature_c,
            ..usual.feed
        },
        plates: usize::from(process.plates),
        brine_percent: i.brine_percent,
        rinse_bv: bed_volumes(StepKind::SlowRinse).max(0.5),
        fast_rinse_bv: bed_volumes(StepKind::FastRinse),
        regeneration: if process.brine_upward { Regeneration::CounterCurrent } else { Regeneration::CoCurrent },
        ..usual
    }
}

fn minutes_of(raw: &RawSettings, kind: StepKind) -> f64 {
    raw.program.iter().filter(|s| s.kind == kind).map(|s| f64::from(s.length.0) / 6e4).sum()
}

fn steps_of(raw: &RawSettings) -> Vec<(StepKind, Step)> {
    let ran = raw.program.iter().filter(|s| s.length.0 > 0);
    let figures = ran.map(|s| {
        let step = Step { minutes: f64::from(s.length.0) / 6e4, drain_gpm: f64::from(s.drain.0) / ML_PER_GAL };
        (s.kind, step)
    });
    figures.collect()
}

/// The longest stretch without a blackout window, min.
fn longest_gap_min(site: &Site) -> f64 {
    let week = site.settings.week();
    let minutes = 7 * 24 * 60;
    if site.raw.windows.is_empty() {
        return f64::from(minutes);
    }
    // Twice round, since a gap may cross the end of the week.
    let mut longest = 0;
    let mut run = 0;
    for minute in 0..2 * minutes {
        let blacked_out = week.left_s((minute % minutes) * 60).is_some();
        run = if blacked_out { 0 } else { run + 1 };
        longest = longest.max(run);
    }
    f64::from(longest.min(minutes))
}
