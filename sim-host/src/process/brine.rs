//! The brine tank with what hard refill water brings into it, and its clock.

use super::account::{Amounts, Crossed};
use super::design::Design;
use super::error::ProcessError;
use crate::bed::Water;
use crate::physics::brine_tank::{BrineTank, BrineTankFaults, FloatFault};

/// Share of the full store at which somebody fills up the salt.
const TOP_UP_AT: f64 = 0.25;

/// Litres of water in a litre of saturated brine: 0.736 of 1.20 kg.
const WATER_L_PER_BRINE_L: f64 = 0.883;

/// A brine tank in a plant.
#[derive(Debug, Clone)]
pub(super) struct BrineSide {
    tank: BrineTank,
    /// What the refill water brought beside itself: its ions, mixed throughout the liquid.
    brought: Amounts,
    /// Up to when the tank has stood, s since the start.
    at_s: f64,
    salt_storage_kg: f64,
    topped_up: bool,
    /// Kilograms of salt: put in (with the first filling), drawn, run over.
    pub(super) salt: SaltMoves,
}

/// Kilograms of salt that moved.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SaltMoves {
    /// Put into the tank since the start, kg.
    pub added_kg: f64,
    /// Drawn by the eductor, kg.
    pub drawn_kg: f64,
    /// Lost over the overflow, kg.
    pub overflowed_kg: f64,
}

/// What a draw took out.
pub(super) struct Taken {
    /// Salt and water with all that is dissolved.
    pub amounts: Amounts,
    /// Salt alone, kg.
    pub salt_kg: f64,
    /// Whether the air check has closed.
    pub air_check_closed: bool,
}

impl BrineSide {
    /// A full tank that has stood with the water of one dose, unless the program refills first.
    pub(super) fn commissioned(design: &Design, feed: &Water) -> Result<Self, ProcessError> {
        let tank = BrineTank::with_salt(design.brine_tank, design.salt_storage_kg, feed.temperature_c)?;
        let mut side = Self {
            tank,
            brought: Amounts::default(),
            at_s: 0.0,
            salt_storage_kg: design.salt_storage_kg,
            topped_up: design.salt_topped_up,
            salt: SaltMoves::default(),
        };
        if !design.refill_first {
            // What stands below the air check is never drawn.
            let spec = &design.brine_tank;
            let below_l = 1e3 * spec.area_m2 * spec.air_check_m * spec.pile_void;
            let minutes = (design.refill_l + below_l * WATER_L_PER_BRINE_L) / design.refill_l_min;
            side.refill(design.refill_l_min, minutes * 60.0, feed, &mut Crossed::default())?;
            side.tank.stand(48.0 * 3_600.0)?;
        }
        side.at_s = 0.0;
        side.salt = SaltMoves::default();
        Ok(side)
    }

    /// Lets the tank stand up to a time.
    pub(super) fn stand_until(&mut self, at_s: f64) -> Result<(), ProcessError> {
        if at_s > self.at_s {
            self.tank.stand(at_s - self.at_s)?;
            self.at_s = at_s;
        }
        Ok(())
    }

    /// Lets refill water in; returns the flow that went in, kg, and what ran over, kg of brine.
    pub(super) fn refill(
        &mut self,
        flow_l_min: f64,
        seconds: f64,
        feed: &Water,
        crossed: &mut Crossed,
    ) -> Result<(f64, f64), ProcessError> {
        let done = self.tank.refill(flow_l_min, seconds)?;
        self.at_s += seconds;
        let came = Amounts::of(feed, done.water_in_kg);
        crossed.supplied.add(&came, 1.0);
        self.brought.add(&came, 1.0);
        let mut over = Amounts::of_salt(done.overflow.salt_kg);
        over.add(&self.give(done.overflow.water_kg), 1.0);
        crossed.overflowed.add(&over, 1.0);
        self.salt.overflowed_kg += done.overflow.salt_kg;
        Ok((done.water_in_kg, done.overflow.water_kg + done.overflow.salt_kg))
    }

    /// Draws brine.
    pub(super) fn draw(&mut self, flow_l_min: f64, seconds: f64) -> Result<Taken, ProcessError> {
        let done = self.tank.draw(flow_l_min, seconds)?;
        self.at_s += seconds;
        let mut amounts = Amounts::of_salt(done.taken.salt_kg);
        amounts.add(&self.give(done.taken.water_kg), 1.0);
        self.salt.drawn_kg += done.taken.salt_kg;
        Ok(Taken { amounts, salt_kg: done.taken.salt_kg, air_check_closed: done.air_check_closed })
    }

    /// Takes so much water out of what was brought, with its part of the ions.
    fn give(&mut self, water_kg: f64) -> Amounts {
        if water_kg <= 0.0 {
            return Amounts::default();
        }
        let given = self.brought.times((water_kg / self.brought.water_kg).min(1.0));
        self.brought.add(&given, -1.0);
        given
    }

    /// Fills up the salt if the store runs low and somebody looks after it.
    pub(super) fn top_up(&mut self, crossed: &mut Crossed) -> Result<(), ProcessError> {
        if self.topped_up && self.tank.solid_kg() < TOP_UP_AT * self.salt_storage_kg {
            self.add_salt(self.salt_storage_kg - self.tank.solid_kg(), crossed)?;
        }
        Ok(())
    }

    /// Puts salt in.
    pub(super) fn add_salt(&mut self, kg: f64, crossed: &mut Crossed) -> Result<(), ProcessError> {
        self.tank.add_salt(kg)?;
        self.salt.added_kg += kg;
        crossed.salt_added_kg += kg;
        Ok(())
    }

    pub(super) fn set_temperature_c(&mut self, temperature_c: f64) -> Result<(), ProcessError> {
        Ok(self.tank.set_temperature_c(temperature_c)?)
    }

    pub(super) fn faults_mut(&mut self) -> &mut BrineTankFaults {
        &mut self.tank.faults
    }

    pub(super) fn set_float(&mut self, fault: FloatFault) {
        self.tank.faults.float = fault;
    }

    /// Everything in the tank.
    pub(super) fn held(&self) -> Amounts {
        let mut held = Amounts::of_salt(self.salt_kg());
        held.add(&self.brought, 1.0);
        held
    }

    /// Salt in the tank, dissolved or not, kg.
    pub(super) fn salt_kg(&self) -> f64 {
        self.tank.solid_kg() + self.tank.dissolved_kg()
    }

    /// The tank itself.
    pub(super) fn tank(&self) -> &BrineTank {
        &self.tank
    }
}
