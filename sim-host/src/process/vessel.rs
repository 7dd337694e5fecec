//! One tank: its resin bed, how high that stands in a backwash, and what age and iron take from it.

use super::account::{Amounts, Crossed};
use super::design::{BEADS, Design};
use super::error::ProcessError;
use super::passage::{Standing, Ways};
use crate::bed::{Bed, Direction, Effluent, Water};
use crate::physics::hydraulics::{BackwashedBed, Liquid, PackedBed, Resistance, velocity_m_s};

/// A backwash mixes the bed to 63 % of what a long one does in this time, s (a choice).
const MIXING_S: f64 = 120.0;
/// Regenerations with which a bed is brought to its steady state before the start.
const COMMISSIONING_CYCLES: usize = 8;
/// Seconds in which a settled bed is back on its floor.
const SETTLING_S: f64 = 600.0;
/// Sites that a gram of iron takes, eq: three for each ion of 55.845 g/mol, an upper bound.
const SITES_EQ_PER_G_IRON: f64 = 3.0 / 55.845;
/// Most of its capacity that a bed loses to age and iron at one time.
const MOST_LOST_AT_ONCE: f64 = 0.5;

/// One tank of a plant.
#[derive(Debug, Clone)]
pub(super) struct Vessel {
    pub(super) bed: Bed,
    backwashed: BackwashedBed,
    pub(super) standing: Standing,
    pub(super) ways: Ways,
    /// How far a shared changeover valve leads it to the building, 0 to 1; 1 without one.
    pub(super) lead: f64,
    /// The settled bed's loss against flow.
    pub(super) bed_path: Resistance,
    /// Time without flow that the bed has not been told of yet, s.
    idle_s: f64,
    /// How long the backwash that runs has run, s.
    backwashed_s: f64,
    /// Litres treated since age and iron were last taken.
    treated_l: f64,
    aged_at_s: f64,
}

impl Vessel {
    /// A tank that has been in work for some time and was then regenerated, and has since treated so many litres.
    pub(super) fn commissioned(
        design: &Design,
        feed: &Water,
        standing: Standing,
        treated_l: f64,
    ) -> Result<Self, ProcessError> {
        let depth_m = design.bed.depth_m;
        let mut vessel = Self {
            bed: Bed::in_equilibrium_with(design.bed, feed)?,
            backwashed: BackwashedBed::settled(design.vessel, depth_m)?,
            standing,
            ways: Ways::of(standing, &design.make),
            lead: 1.0,
            bed_path: Resistance::NONE,
            idle_s: 0.0,
            backwashed_s: 0.0,
            treated_l: 0.0,
            aged_at_s: 0.0,
        };
        let service_s = |litres: f64| (litres / (0.5 * design.rated_l_min).max(1e-3) * 60.0).max(1.0);
        for cycle in 1..=COMMISSIONING_CYCLES {
            vessel.regenerate_as_planned(design, feed)?;
            let litres = if cycle < COMMISSIONING_CYCLES { design.service_l } else { treated_l };
            if litres > 0.0 {
                vessel.bed.advance(feed, litres, service_s(litres), Direction::Down)?;
            }
        }
        vessel.work_out_path(feed.temperature_c)?;
        Ok(vessel)
    }

    /// A regeneration as the site plans it, all at once.
    fn regenerate_as_planned(&mut self, design: &Design, feed: &Water) -> Result<(), ProcessError> {
        let brine = Water::brine(design.brine_percent, feed.temperature_c)?;
        let brine_kg = design.dose_kg * (100.0 / design.brine_percent - 1.0);
        let motive_l_min = design.eductor.rated_motive_l_min;
        let brine_l = brine_kg / brine.kg_per_litre();
        let way = if design.brine_upward { Direction::Up } else { Direction::Down };
        let or_usual =
            |litres: f64, bed_volumes: f64| if litres > 0.0 { litres } else { bed_volumes * design.bed.volume_l };
        let slow_l = or_usual(design.slow_rinse_l, 1.5);
        let fast_l = or_usual(design.fast_rinse_l, 4.0);
        let slow = if design.softened_rinse { feed.softened(7.5) } else { *feed };
        if design.backwash_l_min > 0.0 {
            self.bed.mix(design.backwash_mixing)?;
        }
        self.bed.advance(&brine, brine_l, (brine_l / (1.5 * motive_l_min) * 60.0).max(1.0), way)?;
        self.bed.advance(&slow, slow_l, (slow_l / motive_l_min * 60.0).max(1.0), way)?;
        self.bed.advance(feed, fast_l, 900.0, Direction::Down)?;
        Ok(())
    }

    /// Works out the loss of the settled bed for a temperature.
    pub(super) fn work_out_path(&mut self, temperature_c: f64) -> Result<(), ProcessError> {
        let spec = self.bed.spec();
        let bed = PackedBed {
            depth_m: spec.depth_m,
            area_m2: spec.volume_l * 1e-3 / spec.depth_m,
            void_fraction: spec.resin.void_fraction,
            bead_mm: BEADS.diameter_mm,
        };
        self.bed_path = bed.resistance(&Liquid::water(temperature_c)?)?;
        Ok(())
    }

    /// Time passes without flow through the bed.
    pub(super) fn wait(&mut self, seconds: f64) {
        self.idle_s += seconds;
    }

    /// Passes water through the bed, after telling it how long it stood.
    pub(super) fn pass(
        &mut self,
        inflow: &Water,
        water_kg: f64,
        seconds: f64,
        direction: Direction,
    ) -> Result<Effluent, ProcessError> {
        if self.idle_s > 0.0 {
            self.bed.stand(std::mem::take(&mut self.idle_s))?;
        }
        Ok(self.bed.advance(inflow, water_kg / inflow.kg_per_litre(), seconds.max(1e-3), direction)?)
    }

    /// Counts what the bed treated, for iron.
    pub(super) fn treated(&mut self, litres: f64) {
        self.treated_l += litres;
    }

    /// What the bed does in a backwash beside exchanging: rises, mixes, and loses what reaches the outlet. Returns
    /// the resin lost, L.
    pub(super) fn backwash(
        &mut self,
        flow_l_min: f64,
        seconds: f64,
        temperature_c: f64,
        crossed: &mut Crossed,
    ) -> Result<f64, ProcessError> {
        let velocity = velocity_m_s(flow_l_min, self.bed.spec().volume_l * 1e-3 / self.bed.spec().depth_m);
        let before_l = self.backwashed.resin_l();
        let lost_l = self.backwashed.advance(velocity, &Liquid::water(temperature_c)?, seconds)?;
        self.backwashed_s += seconds;
        if lost_l > 0.0 {
            let carried = self.bed.lose_resin((lost_l / before_l).min(0.9))?;
            crossed.with_resin.add(&Amounts::from(carried), 1.0);
            self.work_out_path(temperature_c)?;
        }
        Ok(lost_l)
    }

    /// Ends a backwash that ran: the bed settles, mixed as far as the time went.
    pub(super) fn settle(&mut self, mixing: f64, temperature_c: f64) -> Result<(), ProcessError> {
        if self.backwashed_s > 0.0 {
            let extent = mixing * (1.0 - (-std::mem::take(&mut self.backwashed_s) / MIXING_S).exp());
            self.bed.mix(extent)?;
            self.backwashed.advance(0.0, &Liquid::water(temperature_c)?, SETTLING_S)?;
        }
        Ok(())
    }

    /// Takes the capacity that age and iron cost since the last time.
    pub(super) fn age(&mut self, now_s: f64, iron_held_mg_l: f64) -> Result<(), ProcessError> {
        let years = (now_s - self.aged_at_s).max(0.0) / (365.25 * 86_400.0);
        self.aged_at_s = now_s;
        let iron_g = std::mem::take(&mut self.treated_l) * iron_held_mg_l * 1e-3;
        let by_age = 1.0 - (1.0 - self.bed.spec().resin.loss_per_year).powf(years);
        let by_iron = iron_g * SITES_EQ_PER_G_IRON / self.bed.capacity_eq();
        let share = (by_age + by_iron).min(MOST_LOST_AT_ONCE);
        if share > 0.0 {
            self.bed.lose_capacity(share)?;
        }
        Ok(())
    }
}
