//! What somebody, or misfortune, does to a plant from outside: a scenario's events.

use super::design::Design;
use super::{Process, ProcessError};
use crate::bed::Water;
use crate::physics::brine_tank::FloatFault;

impl Process {
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
        let mut spec = self.design.feed;
        spec.hardness_mg_l = hardness_mg_l;
        let cations_meq_l = hardness_mg_l / crate::bed::CACO3_G_PER_EQ + spec.sodium_mg_l / crate::bed::NA_G_PER_MOL;
        spec.alkalinity_meq_l = spec.alkalinity_meq_l.min(0.9 * cations_meq_l).max(0.0);
        self.feed = Water::from_feed(&spec)?;
        self.design.feed = spec;
        Ok(())
    }

    /// Sets the temperature of feed and brine tank, °C; the beds follow as water passes them.
    ///
    /// # Errors
    /// A temperature outside 0 to 60 °C. The plant is then as before.
    pub fn set_temperature_c(&mut self, temperature_c: f64) -> Result<(), ProcessError> {
        let temperature_c = crate::physics::within("temperature", temperature_c, 0.0, 60.0, "0 to 60 °C")?;
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
            vessel.ways = super::Ways::of(vessel.standing, &self.design.make);
        }
        self.flows = None;
    }

    fn settle_brine(&mut self) -> Result<(), ProcessError> {
        self.brine.stand_until(self.now_ms as f64 * 1e-3)
    }
}
