//! The eductor: water through a nozzle draws brine and mixes with it on the way to the bed.

use super::brine_props::brine_density_kg_m3;
use super::error::{OutOfRange, within};
use super::hydraulics::{Resistance, pressure};
use super::water_props::water_density_kg_m3;

/// An eductor by what it does at one pressure, and where it stalls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Eductor {
    /// Flow through the nozzle at the rated drop, L/min.
    pub rated_motive_l_min: f64,
    /// Pressure from supply to outlet at which that flow passes, kPa.
    pub rated_drop_kpa: f64,
    /// Brine drawn per motive water, by volume, with nothing to lift and no pressure behind.
    pub open_ratio: f64,
    /// Head ratio (rise of the brine's pressure ÷ drop of the motive water's) at which it draws
    /// nothing.
    pub stall_head_ratio: f64,
}

impl Default for Eductor {
    /// For a bed of some 28 L (invented): draws saturated brine down to about 10 % at 300 kPa.
    fn default() -> Self {
        Self { rated_motive_l_min: 1.2, rated_drop_kpa: 250.0, open_ratio: 0.7, stall_head_ratio: 0.3 }
    }
}

/// Where an eductor works.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EductorFlow {
    /// Water through the nozzle, L/min.
    pub motive_l_min: f64,
    /// Brine drawn, L/min.
    pub drawn_l_min: f64,
    /// Pressure behind it, kPa.
    pub back_kpa: f64,
}

/// What reaches the bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixture {
    /// Strength, per cent by weight.
    pub weight_percent: f64,
    /// Flow, L/min of the mixture.
    pub flow_l_min: f64,
}

impl Eductor {
    /// Checks every figure.
    ///
    /// # Errors
    /// [`OutOfRange`] names the first that cannot be.
    pub fn check(self) -> Result<Self, OutOfRange> {
        within("rated motive flow", self.rated_motive_l_min, 1e-3, 1e4, "0.001 to 10 000 L/min")?;
        within("rated drop", self.rated_drop_kpa, 1.0, 10_000.0, "1 to 10 000 kPa")?;
        within("open ratio", self.open_ratio, 0.0, 10.0, "0 to 10 litres drawn per litre")?;
        within("stall head ratio", self.stall_head_ratio, 0.01, 10.0, "0.01 to 10")?;
        Ok(self)
    }

    /// Flows with a pressure before and one behind it, and a lift from the brine's surface,
    /// all kPa. `(motive, drawn)`, L/min.
    ///
    /// The drawn ratio falls in a straight line with the head ratio `(back + lift) / (motive −
    /// back)`, as jet pumps do nearly (Gosline & O'Brien 1934, from memory); the nozzle passes
    /// water by the square root of its drop, here to the outlet.
    fn flows(&self, motive_kpa: f64, back_kpa: f64, lift_kpa: f64) -> (f64, f64) {
        let drop = motive_kpa - back_kpa;
        if drop <= 0.0 {
            return (0.0, 0.0);
        }
        let motive = self.rated_motive_l_min * (drop / self.rated_drop_kpa).sqrt();
        let head_ratio = ((back_kpa + lift_kpa) / drop).max(0.0);
        let ratio = self.open_ratio * (1.0 - head_ratio / self.stall_head_ratio);
        (motive, motive * ratio.max(0.0))
    }

    /// Where it works with a supply pressure, a path behind it that ends at a pressure, and a
    /// lift from the brine's surface. With the air check closed (`brine` false) it only rinses.
    ///
    /// # Errors
    /// [`OutOfRange`] for an eductor or a pressure that cannot be.
    pub fn operate(
        &self,
        motive_kpa: f64,
        lift_kpa: f64,
        path: &Resistance,
        end_kpa: f64,
        brine: bool,
    ) -> Result<EductorFlow, OutOfRange> {
        self.check()?;
        pressure("supply pressure", motive_kpa)?;
        pressure("lift", lift_kpa)?;
        pressure("pressure at the end", end_kpa)?;
        let flows = |back_kpa: f64| {
            let (motive, drawn) = self.flows(motive_kpa, back_kpa, lift_kpa);
            (motive, if brine { drawn } else { 0.0 })
        };
        // Flow falls with the pressure behind, and that pressure rises with flow.
        let (mut low, mut high) = (end_kpa, motive_kpa.max(end_kpa));
        for _ in 0..80 {
            let back = 0.5 * (low + high);
            let (motive, drawn) = flows(back);
            if back < end_kpa + path.loss(motive + drawn) {
                low = back;
            } else {
                high = back;
            }
        }
        let (motive_l_min, drawn_l_min) = if path.is_shut() { (0.0, 0.0) } else { flows(high) };
        Ok(EductorFlow { motive_l_min, drawn_l_min, back_kpa: high })
    }
}

impl EductorFlow {
    /// Strength and flow at the bed when brine of a strength is drawn; both liquids at a
    /// temperature. Weights add, volumes contract by what the brine's density says.
    ///
    /// # Errors
    /// [`OutOfRange`] for a brine or temperature that cannot be.
    pub fn at_the_bed(&self, brine_weight_percent: f64, temperature_c: f64) -> Result<Mixture, OutOfRange> {
        let brine_kg = self.drawn_l_min * 1e-3 * brine_density_kg_m3(brine_weight_percent, temperature_c)?;
        let water_kg = self.motive_l_min * 1e-3 * water_density_kg_m3(temperature_c);
        let total = brine_kg + water_kg;
        if total <= 0.0 {
            return Ok(Mixture { weight_percent: 0.0, flow_l_min: 0.0 });
        }
        let weight_percent = brine_kg * brine_weight_percent / total;
        Ok(Mixture { weight_percent, flow_l_min: 1e3 * total / brine_density_kg_m3(weight_percent, temperature_c)? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bed() -> Resistance {
        Resistance::new(3.0, 0.2).expect("a path")
    }

    #[test]
    fn the_path_behind_loses_what_stands_behind() {
        let flow = Eductor::default().operate(300.0, 5.0, &bed(), 10.0, true).expect("sound pressures");
        let lost = bed().loss(flow.motive_l_min + flow.drawn_l_min);
        assert!((flow.back_kpa - 10.0 - lost).abs() < 1e-9);
        assert!(flow.drawn_l_min > 0.0);
    }

    #[test]
    fn weak_supply_draws_weak_brine_and_then_none() {
        let mut last = (f64::INFINITY, f64::INFINITY);
        for motive_kpa in [500.0, 400.0, 300.0, 200.0, 150.0, 100.0, 60.0] {
            let flow = Eductor::default().operate(motive_kpa, 10.0, &bed(), 30.0, true).expect("sound pressures");
            let mixture = flow.at_the_bed(26.0, 15.0).expect("brine");
            assert!(mixture.weight_percent <= last.0 && flow.motive_l_min < last.1);
            last = (mixture.weight_percent, flow.motive_l_min);
        }
        assert_eq!(last.0, 0.0);
        assert!(last.1 > 0.0);
    }

    #[test]
    fn a_closed_air_check_leaves_the_rinse() {
        let rinse = Eductor::default().operate(300.0, 5.0, &bed(), 0.0, false).expect("sound pressures");
        assert_eq!(rinse.drawn_l_min, 0.0);
        assert!(rinse.motive_l_min > 1.0);
        assert_eq!(rinse.at_the_bed(26.0, 15.0).expect("water").weight_percent, 0.0);
    }

    #[test]
    fn nothing_flows_into_a_shut_path_or_against_pressure() {
        for (path, end_kpa) in [(Resistance::SHUT, 0.0), (bed(), 300.0), (bed(), 400.0)] {
            let flow = Eductor::default().operate(300.0, 5.0, &path, end_kpa, true).expect("sound pressures");
            assert!(flow.motive_l_min.abs() < 1e-9 && flow.drawn_l_min == 0.0, "{flow:?}");
            assert_eq!(flow.at_the_bed(26.0, 15.0).expect("none").weight_percent, 0.0);
        }
    }

    #[test]
    fn absurd_figures_are_refused() {
        let eductor = Eductor::default();
        for bad in [f64::NAN, -1.0, f64::INFINITY] {
            assert!(eductor.operate(bad, 0.0, &bed(), 0.0, true).is_err());
            assert!(eductor.operate(300.0, bad, &bed(), 0.0, true).is_err());
            assert!(eductor.operate(300.0, 0.0, &bed(), bad, true).is_err());
            let odd = Eductor { rated_motive_l_min: bad, ..eductor };
            assert!(odd.operate(300.0, 0.0, &bed(), 0.0, true).is_err());
            let flow = eductor.operate(300.0, 0.0, &bed(), 0.0, true).expect("sound pressures");
            assert!(flow.at_the_bed(bad, 15.0).is_err());
        }
    }
}
