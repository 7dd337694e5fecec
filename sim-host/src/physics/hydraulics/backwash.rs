//! Expansion of a bed in upward flow (Richardson & Zaki 1954), and what it loses over the top.

use super::super::GRAVITY_M_S2;
use super::super::error::{OutOfRange, PhysicsError, within};
use super::{Liquid, velocity};

/// Even round beads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beads {
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Density of a swollen bead, kg/m³ (1 250 to 1 280 for sodium-form gel resin; common practice).
    pub density_kg_m3: f64,
}

impl Beads {
    fn check(&self) -> Result<(), OutOfRange> {
        within("bead diameter", self.diameter_mm, 0.1, 3.0, "0.1 to 3 mm")?;
        within("bead density", self.density_kg_m3, 900.0, 3_000.0, "900 to 3 000 kg/m³")?;
        Ok(())
    }
}

/// Drag coefficient of a smooth sphere at a Reynolds number up to 200 000.
///
/// Barati, Salehi Neyshabouri & Ahmadi (2014), Powder Technology 257, 11.
pub fn sphere_drag(reynolds: f64) -> f64 {
    let inverse = 1.0 / reynolds;
    5.4856e9 * (4.3774e-9 * inverse).tanh() + 0.0709 * (700.6574 * inverse).tanh() + 0.3894 * (74.1539 * inverse).tanh()
        - 0.1198 * (7429.0843 * inverse).tanh()
        + 1.7174 * (9.9851 / (reynolds + 2.3384)).tanh()
        + 0.4744
}

/// Velocity at which a lone bead sinks in a liquid at rest, m/s; zero for one that floats.
///
/// # Errors
/// [`OutOfRange`] for beads or a liquid that cannot be.
pub fn terminal_velocity_m_s(beads: &Beads, liquid: &Liquid) -> Result<f64, OutOfRange> {
    beads.check()?;
    liquid.check()?;
    let heavier = beads.density_kg_m3 - liquid.density_kg_m3;
    if heavier <= 0.0 {
        return Ok(0.0);
    }
    let d = beads.diameter_mm * 1e-3;
    let viscosity = liquid.viscosity_pa_s;
    // Weight against drag: Cd Re² = 4/3 g d³ (ρp − ρ) ρ / μ², which rises with Re.
    let weight = 4.0 / 3.0 * GRAVITY_M_S2 * d.powi(3) * heavier * liquid.density_kg_m3 / (viscosity * viscosity);
    let (mut low, mut high) = (1e-9f64.ln(), 2e5f64.ln());
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        let reynolds = middle.exp();
        if sphere_drag(reynolds) * reynolds * reynolds < weight {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok((0.5 * (low + high)).exp() * viscosity / (liquid.density_kg_m3 * d))
}

/// Exponent of Richardson & Zaki (1954) at a lone bead's Reynolds number, in a tank much
/// wider than a bead.
pub fn richardson_zaki_exponent(reynolds: f64) -> f64 {
    match reynolds {
        r if r < 0.2 => 4.65,
        r if r < 1.0 => 4.35 * r.powf(-0.03),
        r if r < 500.0 => 4.45 * r.powf(-0.1),
        _ => 2.39,
    }
}

/// Beads in a liquid: upward superficial velocity `v = v_t ε^n` at which they hang still.
#[derive(Debug, Clone, Copy)]
struct Hanging {
    terminal_m_s: f64,
    exponent: f64,
}

impl Hanging {
    fn new(beads: &Beads, liquid: &Liquid) -> Result<Self, OutOfRange> {
        let terminal_m_s = terminal_velocity_m_s(beads, liquid)?;
        let reynolds = terminal_m_s * beads.diameter_mm * 1e-3 * liquid.density_kg_m3 / liquid.viscosity_pa_s;
        Ok(Self { terminal_m_s, exponent: richardson_zaki_exponent(reynolds) })
    }

    /// Velocity at which beads with this share of liquid between them hang still.
    fn velocity_at(&self, void: f64) -> f64 {
        self.terminal_m_s * void.powf(self.exponent)
    }
}

/// Growth of a bed in steady upward flow, as a share of its settled depth.
///
/// `ε = (v / v_t)^(1/n)`, growth `(1 − ε0)/(1 − ε) − 1`; none below the velocity that lifts
/// the bed. A balance of Ergun's drag gives 12 to 27 points more for resin beads: reckon
/// with a range.
///
/// # Errors
/// [`PhysicsError::CarriedAway`] when the flow is faster than a bead sinks;
/// [`PhysicsError::OutOfRange`] for a figure that cannot be.
pub fn expansion_share(
    velocity_m_s: f64,
    settled_void: f64,
    beads: &Beads,
    liquid: &Liquid,
) -> Result<f64, PhysicsError> {
    let v = velocity(velocity_m_s)?;
    let settled = within("void fraction", settled_void, 0.2, 0.7, "0.2 to 0.7")?;
    let hanging = Hanging::new(beads, liquid)?;
    if v == 0.0 {
        return Ok(0.0);
    }
    if v >= hanging.terminal_m_s {
        return Err(PhysicsError::CarriedAway { velocity_m_s: v, terminal_m_s: hanging.terminal_m_s });
    }
    let void = (v / hanging.terminal_m_s).powf(1.0 / hanging.exponent);
    if void <= settled {
        return Ok(0.0);
    }
    Ok((1.0 - settled) / (1.0 - void) - 1.0)
}

/// A tank for backwash.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BackwashVessel {
    /// Cross-section, m².
    pub area_m2: f64,
    /// Height from the bottom of the bed to the outlet that backwash leaves by, m.
    pub height_m: f64,
    /// Share of the settled bed between the beads.
    pub settled_void: f64,
    /// The beads.
    pub beads: Beads,
}

/// Share of the time in which a bed settles to a flow that one step takes.
const STEP_SHARE: f64 = 0.05;
/// Shift of the bed, as a share of the beads' sinking velocity, that counts as standing still.
const STILL: f64 = 1e-9;
/// Steps that a call may take: several times what the longest settling needs.
const MOST_STEPS: usize = 100_000;

/// A bed that rises and settles with the flow, and loses what reaches the outlet.
///
/// The expanded bed is taken to be even throughout. Where water moves at `v` and beads with
/// voids ε would hang still at `v_t εⁿ`, beads move at the difference (Richardson & Zaki, with
/// Wallis's drift flux): the bed's surface with them, and once that is at the outlet, beads
/// over it, until the flow no longer lifts those that are left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BackwashedBed {
    vessel: BackwashVessel,
    /// Volume of the beads themselves per area, m.
    solid_m: f64,
    height_m: f64,
}

impl BackwashedBed {
    /// A settled bed of a depth in a vessel.
    ///
    /// # Errors
    /// [`OutOfRange`] for a vessel that cannot be, or a bed deeper than it is.
    pub fn settled(vessel: BackwashVessel, depth_m: f64) -> Result<Self, OutOfRange> {
        within("tank cross-section", vessel.area_m2, 1e-4, 100.0, "0.0001 to 100 m²")?;
        let height = within("tank height above the bed's floor", vessel.height_m, 0.05, 30.0, "0.05 to 30 m")?;
        within("void fraction", vessel.settled_void, 0.2, 0.7, "0.2 to 0.7")?;
        vessel.beads.check()?;
        within("bed depth", depth_m, 0.0, height, "0 to the height of the tank, m")?;
        Ok(Self { vessel, solid_m: (1.0 - vessel.settled_void) * depth_m, height_m: depth_m })
    }

    /// Depth when settled, m.
    pub fn settled_depth_m(&self) -> f64 {
        self.solid_m / (1.0 - self.vessel.settled_void)
    }

    /// Height of the bed's surface now, m.
    pub fn height_m(&self) -> f64 {
        self.height_m
    }

    /// Resin in the tank, litres as settled.
    pub fn resin_l(&self) -> f64 {
        1e3 * self.vessel.area_m2 * self.settled_depth_m()
    }

    /// Growth of the bed now, as a share of its settled depth.
    pub fn expansion_share(&self) -> f64 {
        let settled = self.settled_depth_m();
        if settled > 0.0 { (self.height_m / settled - 1.0).max(0.0) } else { 0.0 }
    }

    /// Lets upward flow act for a time; returns the resin lost, in litres as settled.
    ///
    /// No flow lets the bed settle. A bed that no longer moves costs no work.
    ///
    /// # Errors
    /// [`OutOfRange`] for a velocity, liquid or time that cannot be; the bed is then as before.
    pub fn advance(&mut self, velocity_m_s: f64, liquid: &Liquid, seconds: f64) -> Result<f64, OutOfRange> {
        let v = velocity(velocity_m_s)?;
        let mut left = within("time", seconds, 0.0, 604_800.0, "0 to 604 800 s (a week)")?;
        let hanging = Hanging::new(&self.vessel.beads, liquid)?;
        let before_l = self.resin_l();
        for _ in 0..MOST_STEPS {
            if left <= 0.0 || self.solid_m <= 0.0 {
                break;
            }
            let (ceiling, floor) = (self.vessel.height_m, self.settled_depth_m());
            let void = 1.0 - self.solid_m / self.height_m;
            let rise = v - hanging.velocity_at(void);
            let still = rise.abs() <= STILL * (v + hanging.terminal_m_s);
            if still || (rise < 0.0 && self.height_m <= floor) {
                break;
            }
            let solid = 1.0 - void;
            let haste = solid * hanging.exponent * hanging.terminal_m_s + rise.abs();
            let step = left.min(STEP_SHARE * self.height_m / haste);
            left -= step;
            let mean_rise = self.rise_over(step, rise, v, &hanging);
            if rise > 0.0 && self.height_m >= ceiling {
                // Beads leave: ds/dt = −(1 − ε) (v − v_t εⁿ), with (1 − ε) = s / ceiling.
                self.solid_m *= (-mean_rise * step / ceiling).exp();
            } else {
                let to = self.height_m + mean_rise * step;
                if to > ceiling {
                    // Reached part of the way: give the rest of the step back.
                    left += step * (to - ceiling) / (to - self.height_m);
                }
                self.height_m = to.clamp(floor, ceiling);
            }
        }
        Ok((before_l - self.resin_l()).max(0.0))
    }

    /// Mean of the shift at the start of a step and at its end as first guessed (Heun).
    fn rise_over(&self, step: f64, rise: f64, v: f64, hanging: &Hanging) -> f64 {
        let guess = if rise > 0.0 && self.height_m >= self.vessel.height_m {
            1.0 - self.solid_m * (-rise * step / self.height_m).exp() / self.height_m
        } else {
            1.0 - self.solid_m / (self.height_m + rise * step).max(self.settled_depth_m())
        };
        0.5 * (rise + v - hanging.velocity_at(guess))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BEADS: Beads = Beads { diameter_mm: 0.6, density_kg_m3: 1_250.0 };

    fn vessel(height_m: f64) -> BackwashVessel {
        BackwashVessel { area_m2: 0.05, height_m, settled_void: 0.38, beads: BEADS }
    }

    #[test]
    fn the_drag_of_a_slow_sphere_is_stokes() {
        assert!((sphere_drag(1e-4) * 1e-4 / 24.0 - 1.0).abs() < 0.01);
        // Barati et al., calculated values.
        assert!((sphere_drag(200.0) - 0.768_224).abs() < 1e-5);
    }

    #[test]
    fn a_bed_comes_to_the_steady_expansion_and_settles_again() {
        let water = Liquid::water(15.0).expect("water");
        let v = 12.5 / 3_600.0;
        let mut bed = BackwashedBed::settled(vessel(2.0), 0.9).expect("a bed");
        let lost = bed.advance(v, &water, 3_600.0).expect("a sound flow");
        let steady = expansion_share(v, 0.38, &BEADS, &water).expect("a sound flow");
        assert!((bed.expansion_share() - steady).abs() < 1e-4, "{} {steady}", bed.expansion_share());
        assert_eq!(lost, 0.0);
        assert_eq!(bed.advance(0.0, &water, 3_600.0), Ok(0.0));
        assert!((bed.height_m() - 0.9).abs() < 1e-12);
    }

    #[test]
    fn what_does_not_fit_is_lost_and_no_more() {
        let water = Liquid::water(5.0).expect("water");
        let v = 15.0 / 3_600.0;
        let steady = expansion_share(v, 0.38, &BEADS, &water).expect("a sound flow");
        let mut bed = BackwashedBed::settled(vessel(1.35), 0.9).expect("a bed");
        assert!(0.9 * (1.0 + steady) > 1.35);
        let before = bed.resin_l();
        let lost = bed.advance(v, &water, 20_000.0).expect("a sound flow");
        assert!((bed.settled_depth_m() * (1.0 + steady) - 1.35).abs() < 1e-4);
        assert!((before - lost - bed.resin_l()).abs() < 1e-12 * before);
        assert!(bed.advance(v, &water, 20_000.0).expect("a sound flow") < 1e-3);
    }

    #[test]
    fn steps_of_any_length_agree() {
        let water = Liquid::water(5.0).expect("water");
        let v = 20.0 / 3_600.0;
        let mut whole = BackwashedBed::settled(vessel(1.35), 0.9).expect("a bed");
        let mut parts = whole;
        let lost = whole.advance(v, &water, 300.0).expect("a sound flow");
        let sum: f64 = (0..3_000).map(|_| parts.advance(v, &water, 0.1).expect("a sound flow")).sum();
        assert!(lost > 1.0);
        assert!((sum / lost - 1.0).abs() < 2e-3, "{sum} {lost}");
    }

    #[test]
    fn a_flow_faster_than_beads_sink_carries_all_away() {
        let water = Liquid::water(15.0).expect("water");
        let error = expansion_share(0.03, 0.38, &BEADS, &water).expect_err("too fast");
        assert!(matches!(error, PhysicsError::CarriedAway { .. }), "{error}");
        let mut bed = BackwashedBed::settled(vessel(1.35), 0.9).expect("a bed");
        let lost = bed.advance(0.03, &water, 86_400.0).expect("a sound flow");
        assert!((lost - 45.0).abs() < 1e-3, "{lost}");
        assert!(bed.resin_l() >= 0.0);
    }

    #[test]
    fn beads_that_float_are_lost_too() {
        let brine = Liquid::brine(26.0, 15.0).expect("brine");
        let light = Beads { density_kg_m3: 1_100.0, ..BEADS };
        assert_eq!(terminal_velocity_m_s(&light, &brine), Ok(0.0));
        assert!(expansion_share(1e-4, 0.38, &light, &brine).is_err());
        assert_eq!(expansion_share(0.0, 0.38, &light, &brine), Ok(0.0));
    }

    #[test]
    fn absurd_figures_are_refused_and_change_nothing() {
        let water = Liquid::water(15.0).expect("water");
        let mut bed = BackwashedBed::settled(vessel(1.35), 0.9).expect("a bed");
        let before = bed;
        for bad in [f64::NAN, -1.0, f64::INFINITY] {
            assert!(bed.advance(bad, &water, 1.0).is_err());
            assert!(bed.advance(0.001, &water, bad).is_err());
            assert!(BackwashedBed::settled(vessel(bad), 0.9).is_err());
            assert!(BackwashedBed::settled(vessel(1.0), bad).is_err());
            assert!(expansion_share(bad, 0.38, &BEADS, &water).is_err());
            assert!(expansion_share(0.001, bad, &BEADS, &water).is_err());
        }
        assert!(BackwashedBed::settled(vessel(0.8), 0.9).is_err());
        assert_eq!(bed, before);
        let mut empty = BackwashedBed::settled(vessel(1.0), 0.0).expect("an empty tank");
        assert_eq!(empty.advance(0.01, &water, 600.0), Ok(0.0));
    }
}
