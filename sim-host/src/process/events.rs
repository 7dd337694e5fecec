//! What somebody, or misfortune, does to a plant from outside: a scenario's events.

use super::design::Design;
use super::{Process, ProcessError};
use crate::bed::Water;
use crate::physics::brine_tank::FloatFault;

/// Heaviest filling of salt that a change may bring, kg.
const MOST_SALT_KG: f64 = 100_000.0;

/// One thing that somebody, or misfortune, changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PlantChange {
    /// A salt bridge forms, or is broken.
    SaltBridge(bool),
    /// What is wrong with the brine tank's float.
    Float(FloatFault),
    /// So much salt is put into the brine tank, kg.
    AddSalt(f64),
    /// The supply's pressure without flow, kPa.
    SupplyKpa(f64),
    /// The feed's hardness, mg/L as CaCO3.
    FeedHardnessMgL(f64),
    /// Temperature of feed and brine tank, °C.
    TemperatureC(f64),
    /// Every valve's opening past its bed in every position, 0 to 1: worn seals.
    LeakPastBed(f64),
    /// Every valve's opening to the drain in every position, 0 to 1: worn seals.
    LeakToDrain(f64),
}

impl PlantChange {
    /// Whether a plant of this design can have it.
    ///
    /// # Errors
    /// A figure that no plant has.
    pub fn check(self, design: &Design) -> Result<(), ProcessError> {
        let share = |field, value| crate::physics::within(field, value, 0.0, 1.0, "0 to 100 %").map(|_| ());
        match self {
            Self::SaltBridge(_) | Self::Float(_) => {}
            Self::AddSalt(kg) => {
                let _ = crate::physics::within("salt", kg, 0.0, MOST_SALT_KG, "0 to 100 000 kg")?;
            }
            Self::SupplyKpa(kpa) => {
                let _ = design.supply.with_static_kpa(kpa)?;
            }
            Self::FeedHardnessMgL(mg_l) => {
                let _ = Water::from_feed(&hardened(design, mg_l))?;
            }
            Self::TemperatureC(temperature_c) => {
                let _ = temperature(temperature_c)?;
            }
            Self::LeakPastBed(open) => share("leak past the bed", open)?,
            Self::LeakToDrain(open) => share("leak to the drain", open)?,
        }
        Ok(())
    }

    /// What undoes it in a plant that was built to this design; salt that was put in stays.
    #[must_use]
    pub fn undone(self, design: &Design) -> Option<Self> {
        Some(match self {
            Self::SaltBridge(_) => Self::SaltBridge(false),
            Self::Float(_) => Self::Float(FloatFault::None),
            Self::AddSalt(_) => return None,
            Self::SupplyKpa(_) => Self::SupplyKpa(design.supply.static_kpa()),
            Self::FeedHardnessMgL(_) => Self::FeedHardnessMgL(design.feed.hardness_mg_l),
            Self::TemperatureC(_) => Self::TemperatureC(design.feed.temperature_c),
            Self::LeakPastBed(_) => Self::LeakPastBed(design.make.leak_past),
            Self::LeakToDrain(_) => Self::LeakToDrain(design.make.leak_to_drain),
        })
    }
}

/// The feed with another hardness. Its alkalinity falls to nine tenths of the cations where it would be more.
fn hardened(design: &Design, hardness_mg_l: f64) -> crate::bed::FeedSpec {
    let mut spec = design.feed;
    spec.hardness_mg_l = hardness_mg_l;
    let cations_meq_l = hardness_mg_l / crate::bed::CACO3_G_PER_EQ + spec.sodium_mg_l / crate::bed::NA_G_PER_MOL;
    spec.alkalinity_meq_l = spec.alkalinity_meq_l.min(0.9 * cations_meq_l).max(0.0);
    spec
}

fn temperature(temperature_c: f64) -> Result<f64, ProcessError> {
    Ok(crate::physics::within("temperature", temperature_c, 0.0, 60.0, "0 to 60 °C")?)
}

impl Process {
    /// Makes a change.
    ///
    /// # Errors
    /// As [`PlantChange::check`]. The plant is then as before.
    pub fn change(&mut self, change: PlantChange) -> Result<(), ProcessError> {
        change.check(&self.design)?;
        match change {
            PlantChange::SaltBridge(bridged) => self.set_salt_bridge(bridged),
            PlantChange::Float(fault) => self.set_float(fault),
            PlantChange::AddSalt(kg) => self.add_salt(kg),
            PlantChange::SupplyKpa(kpa) => self.set_supply_kpa(kpa),
            PlantChange::FeedHardnessMgL(mg_l) => self.set_feed_hardness_mg_l(mg_l),
            PlantChange::TemperatureC(temperature_c) => self.set_temperature_c(temperature_c),
            PlantChange::LeakPastBed(open) => {
                self.rebuild(|design| design.make.leak_past = open);
                Ok(())
            }
            PlantChange::LeakToDrain(open) => {
                self.rebuild(|design| design.make.leak_to_drain = open);
                Ok(())
            }
        }
    }

    /// Sets the supply's pressure without flow, kPa; its droop stays.
    ///
    /// # Errors
    /// A pressure that no supply has. The plant is then as before.
    pub fn set_supply_kpa(&mut self, static_kpa: f64) -> Result<(), ProcessError> {
        self.design.supply = self.design.supply.with_static_kpa(static_kpa)?;
        self.flows = None;
        Ok(())
    }

    /// Makes a salt bridge, or breaks it.
    ///
    /// # Errors
    /// As [`Process::advance`].
    pub fn set_salt_bridge(&mut self, bridged: bool) -> Result<(), ProcessError> {
        self.settle_brine()?;
        self.brine.faults_mut().salt_bridge = bridged;
        Ok(())
    }

    /// Sets what is wrong with the brine tank's float.
    ///
    /// # Errors
    /// As [`Process::advance`].
    pub fn set_float(&mut self, fault: FloatFault) -> Result<(), ProcessError> {
        self.settle_brine()?;
        self.brine.set_float(fault);
        Ok(())
    }

    /// Puts salt into the brine tank, kg.
    ///
    /// # Errors
    /// An amount that is negative or no number. The plant is then as before.
    pub fn add_salt(&mut self, kg: f64) -> Result<(), ProcessError> {
        self.settle_brine()?;
        self.brine.add_salt(kg, &mut self.crossed)
    }

    /// Sets the feed's hardness, mg/L as CaCO3. Its alkalinity falls to nine tenths of the cations where it would be
    /// more.
    ///
    /// # Errors
    /// A hardness that no water has. The plant is then as before.
    pub fn set_feed_hardness_mg_l(&mut self, hardness_mg_l: f64) -> Result<(), ProcessError> {
        let spec = hardened(&self.design, hardness_mg_l);
        self.feed = Water::from_feed(&spec)?;
        self.design.feed = spec;
        Ok(())
    }

    /// Sets the temperature of feed and brine tank, °C; the beds follow as water passes them.
    ///
    /// # Errors
    /// A temperature outside 0 to 60 °C. The plant is then as before.
    pub fn set_temperature_c(&mut self, temperature_c: f64) -> Result<(), ProcessError> {
        let temperature_c = temperature(temperature_c)?;
        self.settle_brine()?;
        let spec = crate::bed::FeedSpec { temperature_c, ..self.design.feed };
        self.feed = Water::from_feed(&spec)?;
        self.design.feed = spec;
        self.brine.set_temperature_c(temperature_c)?;
        for vessel in &mut self.vessels {
            vessel.work_out_path(temperature_c)?;
        }
        self.flows = None;
        Ok(())
    }

    /// Changes the plant's build, such as a valve that begins to leak; what is in it stays.
    pub fn rebuild(&mut self, change: impl FnOnce(&mut Design)) {
        change(&mut self.design);
        for vessel in &mut self.vessels {
            vessel.ways = super::Ways::of(vessel.standing, &self.design.make).led(vessel.lead);
        }
        self.flows = None;
    }

    pub(super) fn settle_brine(&mut self) -> Result<(), ProcessError> {
        self.brine.stand_until(self.now_ms as f64 * 1e-3)
    }
}
