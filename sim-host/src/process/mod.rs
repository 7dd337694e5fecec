//! The whole plant's water: beds, brine tank, eductor and pressure, coupled to the valves of a replay.
//!
//! [`Process`] is told how the valves stand and how much water the building draws, and lets both work until a
//! time. Nothing is stepped while nothing flows; while water flows a step is as long as a valve stands still, cut
//! only where a bed would take more than half its volume, or brine runs. Every amount that crosses the plant's
//! border is written down ([`Crossed`]), so that [`Process::balance`] can hold it against what the plant holds.
//!
//! Equations, sources and choices are in `docs/physics.md`. It shares no code with the logic's ledger.

mod account;
mod brine;
mod design;
mod error;
mod events;
mod figures;
mod flows;
mod passage;
mod report;
mod serve;
mod vessel;

pub use account::{Amounts, BalanceLine, Crossed};
pub use brine::SaltMoves;
pub use design::Design;
pub use error::ProcessError;
pub use events::PlantChange;
pub use figures::{CURVE_POINTS, PlantFigures, RegenerationFigures, TankFigures};
pub use passage::{Standing, ValveMake, Ways, led_by};

use crate::bed::{Bed, Water};
use crate::physics::brine_tank::BrineTank;
use brine::BrineSide;
use flows::Flows;
use vessel::Vessel;

/// Water of one pulse passed within this time before it, ms; before that the taps were shut (a choice: a pulse says
/// how much, not when).
pub const LONGEST_PULSE_MS: u64 = 600_000;

/// A building's draw: so much, evenly, in a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Draw {
    from_ms: u64,
    to_ms: u64,
    l_min: f64,
}

/// The water, resin, brine and pressure of a plant.
#[derive(Clone, Debug)]
pub struct Process {
    design: Design,
    feed: Water,
    vessels: Vec<Vessel>,
    brine: BrineSide,
    draw: Draw,
    /// Drawn at one instant with the pulse before, L: passes with the next.
    carried_over_l: f64,
    now_ms: u64,
    /// Worked out anew when a valve or the supply has changed.
    flows: Option<Flows>,
    crossed: Crossed,
    at_start: Amounts,
    salt_at_start_kg: f64,
    capacity_at_start_eq: f64,
    tanks: Vec<TankFigures>,
    plant: PlantFigures,
}

impl Process {
    /// A plant that has been in work and was then regenerated: tank by tank, where its valve stands and how many
    /// litres it has treated since.
    ///
    /// # Errors
    /// A figure of the design that no plant has.
    pub fn commissioned(design: Design, tanks: &[(Standing, f64)]) -> Result<Self, ProcessError> {
        let feed = Water::from_feed(&design.feed)?;
        let mut vessels: Vec<Vessel> = Vec::with_capacity(tanks.len());
        for &(standing, treated_l) in tanks {
            vessels.push(Vessel::commissioned(&design, &feed, standing, treated_l)?);
        }
        let brine = BrineSide::commissioned(&design, &feed)?;
        let mut process = Self {
            feed,
            tanks: vec![TankFigures::default(); vessels.len()],
            vessels,
            capacity_at_start_eq: design.bed.resin.usable_eq_l() * design.bed.volume_l,
            salt_at_start_kg: brine.salt_kg(),
            brine,
            draw: Draw::default(),
            carried_over_l: 0.0,
            now_ms: 0,
            flows: None,
            crossed: Crossed::default(),
            at_start: Amounts::default(),
            plant: PlantFigures::default(),
            design,
        };
        process.at_start = process.held();
        Ok(process)
    }

    /// Says that the building will have drawn so many litres up to a time: what a meter's pulse tells.
    pub fn expect(&mut self, litres: f64, at_ms: u64) {
        let litres = litres + std::mem::take(&mut self.carried_over_l);
        if at_ms <= self.now_ms {
            self.carried_over_l = litres;
            return;
        }
        let from_ms = self.now_ms.max(at_ms.saturating_sub(LONGEST_PULSE_MS));
        self.draw = Draw { from_ms, to_ms: at_ms, l_min: litres / ((at_ms - from_ms) as f64 / 60_000.0) };
    }

    /// Says that the building draws this much from now on, until something else is said: where the flow itself is
    /// known, not only a meter's pulses.
    pub fn draw_l_min(&mut self, l_min: f64) {
        if (self.draw.to_ms, self.draw.l_min) == (u64::MAX, l_min) {
            return;
        }
        self.draw = Draw { from_ms: self.now_ms, to_ms: u64::MAX, l_min };
        self.flows = None;
    }

    /// Lets the plant work up to a time, the valves standing as they do.
    ///
    /// # Errors
    /// A figure out of the range in which a formula is sound. It does not come up in a design that was accepted.
    pub fn advance(&mut self, to_ms: u64, standings: impl Iterator<Item = Standing>) -> Result<(), ProcessError> {
        self.place(standings)?;
        while self.now_ms < to_ms {
            let draw = self.draw;
            let (until_ms, l_min) = if self.now_ms < draw.from_ms {
                (to_ms.min(draw.from_ms), 0.0)
            } else if self.now_ms < draw.to_ms {
                (to_ms.min(draw.to_ms), draw.l_min)
            } else {
                (to_ms, 0.0)
            };
            self.run(until_ms, l_min)?;
        }
        Ok(())
    }

    /// Says where the changeover valve stands that two tanks share; to be said whenever it has moved.
    pub fn set_changeover(&mut self, changeover: Standing) {
        for (vessel, lead) in self.vessels.iter_mut().zip(led_by(changeover)) {
            if vessel.lead != lead {
                vessel.lead = lead;
                vessel.ways = Ways::of(vessel.standing, &self.design.make).led(lead);
                self.flows = None;
            }
        }
    }

    /// Pressure where the tanks part from the supply, kPa, with the valves and the draw as they are.
    ///
    /// # Errors
    /// As [`Process::advance`].
    pub fn inlet_kpa(&mut self) -> Result<f64, ProcessError> {
        if let Some(flows) = &self.flows {
            return Ok(flows.supply_kpa);
        }
        let drawn = self.draw.from_ms <= self.now_ms && self.now_ms < self.draw.to_ms;
        let flows = self.flows(if drawn { self.draw.l_min } else { 0.0 })?;
        let kpa = flows.supply_kpa;
        self.flows = Some(flows);
        Ok(kpa)
    }

    /// Whether brine or refill water may run as the valves stand.
    #[must_use]
    pub fn brine_runs(&self) -> bool {
        self.vessels.iter().any(|vessel| vessel.ways.refill + vessel.ways.eductor > 0.0)
    }

    /// The brine tank as it stands now.
    ///
    /// # Errors
    /// As [`Process::advance`].
    pub fn settled_brine_tank(&mut self) -> Result<&BrineTank, ProcessError> {
        self.settle_brine()?;
        Ok(self.brine.tank())
    }

    /// Takes note of where the valves stand.
    fn place(&mut self, standings: impl Iterator<Item = Standing>) -> Result<(), ProcessError> {
        for ((vessel, figures), standing) in self.vessels.iter_mut().zip(&mut self.tanks).zip(standings) {
            if vessel.standing == standing {
                continue;
            }
            let before = Ways::of(vessel.standing, &self.design.make);
            let ways = Ways::of(standing, &self.design.make);
            vessel.standing = standing;
            vessel.ways = ways.led(vessel.lead);
            self.flows = None;
            if before.service > 0.0 && ways.service == 0.0 {
                figures.leaves_service();
            }
            if before.backwash > 0.0 && vessel.ways.backwash == 0.0 {
                vessel.settle(self.design.backwash_mixing, self.feed.temperature_c)?;
            }
            if before.eductor == 0.0 && vessel.ways.eductor > 0.0 {
                vessel.age(self.now_ms as f64 * 1e-3, self.design.iron_held_mg_l)?;
                self.brine.top_up(&mut self.crossed)?;
            }
        }
        Ok(())
    }

    /// Everything that the plant holds: resin, water between the beads, brine tank.
    #[must_use]
    pub fn held(&self) -> Amounts {
        let mut held = self.brine.held();
        for vessel in &self.vessels {
            held.add(&Amounts::from(vessel.bed.inventory()), 1.0);
        }
        held
    }

    /// What came in, went out and is held: sodium, calcium, magnesium, chloride, alkalinity, charge, water, salt.
    #[must_use]
    pub fn balance(&self) -> [BalanceLine; 8] {
        let salt = self.brine.salt;
        let salt = [salt.added_kg, salt.drawn_kg + salt.overflowed_kg, self.brine.salt_kg(), self.salt_at_start_kg];
        account::balance(&self.crossed, &self.at_start, &self.held(), salt)
    }

    /// Everything that crossed the plant's border.
    #[must_use]
    pub fn crossed(&self) -> &Crossed {
        &self.crossed
    }

    /// Salt put into the brine tank, drawn from it and run over.
    #[must_use]
    pub fn salt(&self) -> SaltMoves {
        self.brine.salt
    }

    /// Figures of the plant.
    #[must_use]
    pub fn plant(&self) -> &PlantFigures {
        &self.plant
    }

    /// Figures of each tank.
    #[must_use]
    pub fn tanks(&self) -> &[TankFigures] {
        &self.tanks
    }

    /// The beds, tank by tank.
    pub fn beds(&self) -> impl Iterator<Item = &Bed> {
        self.vessels.iter().map(|vessel| &vessel.bed)
    }

    /// The brine tank.
    #[must_use]
    pub fn brine_tank(&self) -> &BrineTank {
        self.brine.tank()
    }

    /// The plant as it is built.
    #[must_use]
    pub fn design(&self) -> &Design {
        &self.design
    }

    /// The feed as it is now.
    #[must_use]
    pub fn feed(&self) -> &Water {
        &self.feed
    }

    /// Up to when the plant has worked, ms.
    #[must_use]
    pub fn now_ms(&self) -> u64 {
        self.now_ms
    }
}
