//! One stretch of time in which nothing changes but the water: who gets what, and what it takes along.

use super::account::Amounts;
use super::flows::Flows;
use super::{Process, ProcessError};
use crate::bed::Direction;
use crate::physics::brine_props::weight_percent_of;

/// Longest step while brine may run, s.
const BRINING_STEP_S: f64 = 60.0;
/// Most of a bed's volume that passes it in one step, so that its effluent's curve is a curve.
const MOST_BED_VOLUMES_A_STEP: f64 = 0.5;
/// Grams in a mole of chloride (IUPAC abridged 2021).
pub(super) const CL_G_PER_MOL: f64 = 35.45;
/// Milligrams of hardness as CaCO3 in a mole of calcium and magnesium.
const MG_CACO3_PER_MOL: f64 = crate::bed::CACO3_G_PER_MOL * 1e3;

impl Process {
    /// Lets everything flow up to a time while the building draws evenly.
    pub(super) fn run(&mut self, until_ms: u64, drawn_l_min: f64) -> Result<(), ProcessError> {
        let seconds = (until_ms - self.now_ms) as f64 * 1e-3;
        let flows = self.flows(drawn_l_min)?;
        if !flows.any {
            for vessel in &mut self.vessels {
                vessel.wait(seconds);
            }
            self.now_ms = until_ms;
            self.flows = Some(flows);
            return Ok(());
        }
        let bed_l = self.design.bed.volume_l;
        let most_l_min = flows
            .tanks
            .iter()
            .map(|t| t.service.max(t.backwash).max(t.fast_rinse).max(t.slow_rinse))
            .fold(0.0, f64::max);
        let by_volume = most_l_min * seconds / 60.0 / (MOST_BED_VOLUMES_A_STEP * bed_l);
        let by_brine = if flows.brining { seconds / BRINING_STEP_S } else { 0.0 };
        let steps = by_volume.max(by_brine).ceil().max(1.0);
        let dt = seconds / steps;
        let from_ms = self.now_ms;
        for step in 1..=steps as u64 {
            let at_ms = from_ms + (step as f64 * dt * 1e3) as u64;
            self.step(&flows, dt, at_ms.min(until_ms))?;
        }
        self.now_ms = until_ms;
        // Lost resin has changed the beds' resistance by so little that the next change of a valve is soon enough.
        self.flows = Some(flows);
        Ok(())
    }

    fn step(&mut self, flows: &Flows, dt: f64, at_ms: u64) -> Result<(), ProcessError> {
        let minutes = dt / 60.0;
        let outlet = self.deliver(flows, minutes, dt, at_ms)?;
        let mut to_drain_l_min = 0.0;
        for i in 0..self.vessels.len() {
            to_drain_l_min += self.regenerate(i, flows, dt, outlet)?;
        }
        if to_drain_l_min > 0.0 {
            let load = self.design.drain.take(to_drain_l_min)?;
            self.plant.drain_overflow_l += load.overflow_l_min * minutes;
            self.plant.highest_drain_l_min = self.plant.highest_drain_l_min.max(to_drain_l_min);
        }
        Ok(())
    }

    /// Passes water to the building. Returns what an eductor on softened water gets.
    fn deliver(&mut self, flows: &Flows, minutes: f64, dt: f64, at_ms: u64) -> Result<Option<Amounts>, ProcessError> {
        let total_l_min = flows.through_tanks_l_min();
        let feed_kg_l = self.feed.kg_per_litre();
        let mut line = Amounts::default();
        let mut past_l = flows.unexplained_l_min * minutes;
        for (i, tank) in flows.tanks.iter().enumerate() {
            past_l += tank.past_bed * minutes;
            let (vessel, figures) = (&mut self.vessels[i], &mut self.tanks[i]);
            let litres = tank.service * minutes;
            if litres <= 0.0 {
                let busy = tank.backwash + tank.fast_rinse + tank.slow_rinse + tank.eductor > 0.0;
                if !busy {
                    vessel.wait(dt);
                }
                continue;
            }
            let kg = litres * feed_kg_l;
            let out = vessel.pass(&self.feed, kg, dt, Direction::Down)?;
            vessel.treated(litres);
            self.crossed.supplied.add(&Amounts::of(&self.feed, out.water_kg), 1.0);
            line.add(&Amounts::of(&out.water, out.water_kg), 1.0);
            let hardness = out.water.hardness_mg_l();
            figures.treated_l += litres;
            figures.leaked_mg += hardness * litres;
            figures.lowest_mg_l = figures.lowest_mg_l.min(hardness);
            figures.highest_mg_l = figures.highest_mg_l.max(hardness);
            figures.highest_loss_kpa = figures.highest_loss_kpa.max(tank.loss_kpa);
            figures.effluent.push(at_ms, hardness);
            figures.last_mg_l = Some(hardness);
        }
        if past_l > 0.0 {
            let past = Amounts::of(&self.feed, past_l * feed_kg_l);
            self.crossed.supplied.add(&past, 1.0);
            line.add(&past, 1.0);
        }
        let rest_share = if total_l_min > 0.0 { 1.0 - flows.softened_motive_l_min / total_l_min } else { 0.0 };
        let mut delivered = line.times(rest_share);
        let softened = (flows.softened_motive_l_min > 0.0).then(|| {
            let mut rest = line;
            rest.add(&delivered, -1.0);
            rest
        });
        if flows.blended_l_min > 0.0 {
            let blended = Amounts::of(&self.feed, flows.blended_l_min * minutes * feed_kg_l);
            self.crossed.supplied.add(&blended, 1.0);
            delivered.add(&blended, 1.0);
        }
        if flows.drawn_l_min > 0.0 && delivered.water_kg > 0.0 {
            self.crossed.delivered.add(&delivered, 1.0);
            let litres = flows.drawn_l_min * minutes;
            let hardness = (delivered.ca + delivered.mg) / delivered.water_kg * MG_CACO3_PER_MOL;
            let plant = &mut self.plant;
            plant.delivered_l += litres;
            plant.delivered_mg += hardness * litres;
            plant.past_bed_l += past_l * rest_share;
            plant.blended_l += flows.blended_l_min * minutes;
            plant.highest_mg_l = plant.highest_mg_l.max(hardness);
            if hardness > self.design.hard_above_mg_l {
                plant.hard_l += litres;
            }
            plant.outlet.push(at_ms, hardness);
            plant.pressure.push(at_ms, flows.outlet_kpa);
            plant.last_delivered = Some((hardness, flows.outlet_kpa));
            plant.lowest_outlet_kpa = plant.lowest_outlet_kpa.min(flows.outlet_kpa);
            if flows.outlet_kpa < self.design.low_pressure_kpa {
                plant.low_pressure_s += dt;
            }
            plant.beyond_supply_l += flows.beyond_supply_l_min * minutes;
        }
        Ok(softened)
    }

    /// What a tank's valve passes to its drain and to the brine tank. Returns the flow to the drain, L/min.
    fn regenerate(&mut self, i: usize, flows: &Flows, dt: f64, softened: Option<Amounts>) -> Result<f64, ProcessError> {
        let Some(tank) = flows.tanks.get(i).copied() else { return Ok(0.0) };
        let minutes = dt / 60.0;
        let feed = self.feed;
        let kg_l = feed.kg_per_litre();
        let brine_way = if self.design.brine_upward { Direction::Up } else { Direction::Down };
        let mut to_drain_l_min = 0.0;
        if tank.backwash > 0.0 {
            self.rinse(i, tank.backwash * minutes * kg_l, dt, Direction::Up)?;
            let lost_l = self.vessels[i].backwash(tank.backwash, dt, feed.temperature_c, &mut self.crossed)?;
            self.tanks[i].resin_lost_l += lost_l;
            to_drain_l_min += tank.backwash;
        }
        if tank.slow_rinse > 0.0 {
            self.rinse(i, tank.slow_rinse * minutes * kg_l, dt, brine_way)?;
            to_drain_l_min += tank.slow_rinse;
        }
        if tank.fast_rinse > 0.0 {
            self.rinse(i, tank.fast_rinse * minutes * kg_l, dt, Direction::Down)?;
            to_drain_l_min += tank.fast_rinse;
        }
        if tank.eductor > 0.0 {
            to_drain_l_min += self.brine_through(i, flows, tank.eductor, dt, softened, brine_way)?;
        }
        if tank.to_drain > 0.0 {
            let straight = Amounts::of(&feed, tank.to_drain * minutes * kg_l);
            self.crossed.supplied.add(&straight, 1.0);
            self.crossed.drained.add(&straight, 1.0);
            self.tanks[i].drained_l += tank.to_drain * minutes;
            to_drain_l_min += tank.to_drain;
        }
        if tank.refill > 0.0 {
            self.brine.stand_until(self.now_ms as f64 * 1e-3)?;
            let (kg, over_kg) = self.brine.refill(tank.refill, dt, &feed, &mut self.crossed)?;
            self.plant.refilled_l += kg / kg_l;
            self.plant.brine_overflow_kg += over_kg;
        }
        Ok(to_drain_l_min)
    }

    /// Feed through a bed to the drain.
    fn rinse(&mut self, i: usize, kg: f64, dt: f64, direction: Direction) -> Result<(), ProcessError> {
        let feed = self.feed;
        let out = self.vessels[i].pass(&feed, kg, dt, direction)?;
        let came = Amounts::of(&feed, out.water_kg);
        self.crossed.supplied.add(&came, 1.0);
        self.drained(i, &came, &Amounts::of(&out.water, out.water_kg), out.volume_l);
        Ok(())
    }

    /// Brine and water from the eductor through a bed to the drain. Returns the flow, L/min.
    fn brine_through(
        &mut self,
        i: usize,
        flows: &Flows,
        opening: f64,
        dt: f64,
        softened: Option<Amounts>,
        direction: Direction,
    ) -> Result<f64, ProcessError> {
        let design = &self.design;
        let path = design.valve_path.then(self.vessels[i].bed_path);
        let level_kpa = design.lift_kpa * (1.0 - self.brine.tank().level_m()).clamp(0.0, 1.0);
        let at = design.eductor.operate(flows.supply_kpa, level_kpa, &path, 0.0, true)?;
        self.brine.stand_until(self.now_ms as f64 * 1e-3)?;
        let taken = self.brine.draw(at.drawn_l_min * opening, dt)?;
        // With the air check closed the eductor only rinses.
        let motive_l_min = if taken.air_check_closed {
            design.eductor.operate(flows.supply_kpa, level_kpa, &path, 0.0, false)?.motive_l_min
        } else {
            at.motive_l_min
        } * opening;
        let mut mixed = match softened {
            // As much as the line gave for all eductors alike.
            Some(line) => line.times(opening / flows.tanks.iter().map(|t| t.eductor).sum::<f64>()),
            None => {
                let motive = Amounts::of(&self.feed, motive_l_min * dt / 60.0 * self.feed.kg_per_litre());
                self.crossed.supplied.add(&motive, 1.0);
                motive
            }
        };
        mixed.add(&taken.amounts, 1.0);
        if mixed.water_kg <= 0.0 {
            self.vessels[i].wait(dt);
            return Ok(0.0);
        }
        let water = mixed.water(self.feed.temperature_c);
        let out = self.vessels[i].pass(&water, mixed.water_kg, dt, direction)?;
        let now = &mut self.tanks[i].regeneration;
        now.salt_kg += taken.salt_kg;
        now.strongest_brine_percent =
            now.strongest_brine_percent.max(weight_percent_of(taken.salt_kg / mixed.water_kg));
        self.drained(i, &mixed, &Amounts::of(&out.water, out.water_kg), out.volume_l);
        Ok(out.volume_l / dt * 60.0)
    }

    /// Books what a bed sent to the drain, and what came in for it.
    fn drained(&mut self, i: usize, came: &Amounts, went: &Amounts, litres: f64) {
        self.crossed.drained.add(went, 1.0);
        let figures = &mut self.tanks[i];
        figures.drained_l += litres;
        let now = &mut figures.regeneration;
        now.drained_l += litres;
        now.hardness_removed_g += (went.ca + went.mg - came.ca - came.mg) * MG_CACO3_PER_MOL * 1e-3;
        if litres > 0.0 {
            let chloride_mg_l = went.cl * CL_G_PER_MOL * 1e3 / litres;
            now.highest_chloride_mg_l = now.highest_chloride_mg_l.max(chloride_mg_l);
            figures.highest_chloride_mg_l = figures.highest_chloride_mg_l.max(chloride_mg_l);
        }
    }
}
