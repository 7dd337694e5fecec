//! The brine tank: salt that dissolves in time, refill, float, salt bridge, draw.
//!
//! Salt stands as a pile on a grid; water stands below the grid, between the salt and above
//! it. The liquid is taken to be mixed throughout. Water and salt (solid and dissolved) are
//! kept by weight and every change is an equal and opposite one, so nothing is made or lost.

use super::brine_props::{
    HALITE_KG_M3, STRONGEST_WEIGHT_PERCENT, brine_density_kg_m3, salt_per_water, saturation_weight_percent,
    weight_percent_of,
};
use super::error::{OutOfRange, temperature, within};
use super::water_props::{water_density_kg_m3, water_viscosity_pa_s};

/// Longest step in which a moving tank is reckoned as standing still, s.
const STEP_S: f64 = 5.0;
/// Largest part of the way to saturation that one step goes.
const STEP_SHARE: f64 = 0.1;
/// Distance to saturation, kg of salt per kg of water, that counts as saturated.
const SATURATED_WITHIN: f64 = 1e-12;
/// Steps in which any salt comes to rest: `ln 10¹² / STEP_SHARE`, tenfold.
const MOST_STANDING_STEPS: usize = 3_000;
/// Shift of a level that counts as none, m.
const LEVEL_WITHIN_M: f64 = 1e-12;

/// Makes and sizes of a brine tank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrineTankSpec {
    /// Cross-section, m².
    pub area_m2: f64,
    /// Height of the overflow above the floor, m.
    pub overflow_m: f64,
    /// Height of the grid that the salt stands on, m; 0 for salt on the floor.
    pub grid_m: f64,
    /// Share of the pile between the grains (about 0.4; common practice).
    pub pile_void: f64,
    /// Level at which the air check of the pick-up closes, m.
    pub air_check_m: f64,
    /// Level at which the float stops a refill, m; none without a float.
    pub float_m: Option<f64>,
    /// Rate at which liquid wholly among salt at 20 °C comes to saturation, 1/s.
    pub dissolving_per_s: f64,
}

/// Default rate of dissolving: 99 % of saturation after 3 h among salt at 20 °C, the longest
/// that a trade article (2004) gives ("brine up to 3 h to saturate"). A still tank is held
/// back by its layers, not by the grains, which alone would be several times faster.
pub const DISSOLVING_PER_S: f64 = 4.605_170_185_988_091 / 10_800.0;

impl Default for BrineTankSpec {
    /// A round tank 0.46 m across with the salt on its floor, for one household tank (invented).
    fn default() -> Self {
        Self {
            area_m2: 0.166,
            overflow_m: 0.8,
            grid_m: 0.0,
            pile_void: 0.4,
            air_check_m: 0.03,
            float_m: Some(0.6),
            dissolving_per_s: DISSOLVING_PER_S,
        }
    }
}

impl BrineTankSpec {
    /// Checks every figure.
    ///
    /// # Errors
    /// [`OutOfRange`] names the first that cannot be.
    pub fn check(self) -> Result<Self, OutOfRange> {
        within("brine tank cross-section", self.area_m2, 1e-4, 1_000.0, "0.0001 to 1 000 m²")?;
        let top = within("brine tank overflow", self.overflow_m, 0.01, 20.0, "0.01 to 20 m")?;
        within("salt grid", self.grid_m, 0.0, top, "0 m to the overflow")?;
        within("void of the salt pile", self.pile_void, 0.05, 0.95, "0.05 to 0.95")?;
        within("air check", self.air_check_m, 0.0, top, "0 m to the overflow")?;
        if let Some(level) = self.float_m {
            within("float", level, 0.0, top, "0 m to the overflow")?;
        }
        within("rate of dissolving", self.dissolving_per_s, 0.0, 10.0, "0 to 10 per second")?;
        Ok(self)
    }
}

/// What can be wrong with the float.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FloatFault {
    /// Nothing.
    #[default]
    None,
    /// It never stops a refill.
    StuckOpen,
    /// It lets no refill in.
    StuckShut,
}

/// What is wrong with the tank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BrineTankFaults {
    /// The salt hangs in a crust above the water and does not touch it.
    pub salt_bridge: bool,
    /// The float.
    pub float: FloatFault,
}

/// Water and salt that moved, kg.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Moved {
    /// Water, kg.
    pub water_kg: f64,
    /// Dissolved salt, kg.
    pub salt_kg: f64,
}

/// What a refill did.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Refilled {
    /// Water that came in, kg.
    pub water_in_kg: f64,
    /// How long water came in, s. The rest of the time the float held it back.
    pub flowing_s: f64,
    /// What ran out at the overflow.
    pub overflow: Moved,
}

/// What a draw took.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Drawn {
    /// What was taken.
    pub taken: Moved,
    /// How long the draw lasted until the air check closed, s; all the time if it did not.
    pub flowing_s: f64,
    /// Whether the air check is closed at the end.
    pub air_check_closed: bool,
}

impl Drawn {
    /// Strength of what was taken, per cent by weight; none if nothing was.
    pub fn weight_percent(&self) -> Option<f64> {
        (self.taken.water_kg > 0.0).then(|| weight_percent_of(self.taken.salt_kg / self.taken.water_kg))
    }
}

/// A brine tank and what is in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrineTank {
    spec: BrineTankSpec,
    water_kg: f64,
    dissolved_kg: f64,
    solid_kg: f64,
    temperature_c: f64,
    /// What is wrong with it.
    pub faults: BrineTankFaults,
}

impl BrineTank {
    /// A tank with dry salt in it, at a temperature.
    ///
    /// # Errors
    /// [`OutOfRange`] for a tank, an amount of salt or a temperature that cannot be.
    pub fn with_salt(spec: BrineTankSpec, salt_kg: f64, temperature_c: f64) -> Result<Self, OutOfRange> {
        let spec = spec.check()?;
        Ok(Self {
            spec,
            water_kg: 0.0,
            dissolved_kg: 0.0,
            solid_kg: within("salt", salt_kg, 0.0, 1e6, "0 to 1 000 000 kg")?,
            temperature_c: temperature(temperature_c)?,
            faults: BrineTankFaults::default(),
        })
    }

    /// Water in the tank, kg.
    pub fn water_kg(&self) -> f64 {
        self.water_kg
    }

    /// Salt in solution, kg.
    pub fn dissolved_kg(&self) -> f64 {
        self.dissolved_kg
    }

    /// Salt not dissolved, kg.
    pub fn solid_kg(&self) -> f64 {
        self.solid_kg
    }

    /// Temperature of the tank, °C.
    pub fn temperature_c(&self) -> f64 {
        self.temperature_c
    }

    /// Sets the temperature of the tank. Heat of solution (saturating cools water by about 5 °C)
    /// is left to the room that the tank stands in.
    ///
    /// # Errors
    /// [`OutOfRange`] outside 0 to 80 °C.
    pub fn set_temperature_c(&mut self, temperature_c: f64) -> Result<(), OutOfRange> {
        self.temperature_c = temperature(temperature_c)?;
        Ok(())
    }

    /// Puts salt in.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing amount, or more than a million kilograms in all.
    pub fn add_salt(&mut self, salt_kg: f64) -> Result<(), OutOfRange> {
        within("salt", salt_kg, 0.0, 1e6 - self.solid_kg, "0 kg or more, up to 1 000 000 kg in the tank")?;
        self.solid_kg += salt_kg;
        Ok(())
    }

    /// Strength of the brine, per cent by weight; 0 in an empty tank.
    pub fn weight_percent(&self) -> f64 {
        if self.water_kg > 0.0 { weight_percent_of(self.dissolved_kg / self.water_kg) } else { 0.0 }
    }

    /// Strength as a share of saturation at this temperature.
    pub fn saturation_share(&self) -> f64 {
        if self.water_kg > 0.0 { self.dissolved_kg / (self.water_kg * self.saturated()) } else { 0.0 }
    }

    /// Whether the float stands up, to within `reach_m` of the level at which it stops a refill; one that is stuck
    /// stands as it is stuck. Without a float: no.
    pub fn float_stands_up(&self, reach_m: f64) -> bool {
        match self.faults.float {
            FloatFault::StuckOpen => false,
            FloatFault::StuckShut => true,
            FloatFault::None => self.spec.float_m.is_some_and(|float_m| self.level_m() >= float_m - reach_m),
        }
    }

    /// Volume of the brine, L.
    pub fn brine_l(&self) -> f64 {
        1e3 * self.volume_m3(self.water_kg)
    }

    /// Level of the brine above the floor, m.
    pub fn level_m(&self) -> f64 {
        self.level_of(self.volume_m3(self.water_kg))
    }

    /// Share of the brine that stands among salt.
    pub fn contact_share(&self) -> f64 {
        let volume = self.volume_m3(self.water_kg);
        if volume <= 0.0 {
            return 0.0;
        }
        let above_grid = volume - self.spec.area_m2 * self.spec.grid_m;
        above_grid.clamp(0.0, self.pile_void_m3()) / volume
    }

    /// Lets the tank stand.
    ///
    /// Salt dissolves by `ds/dt = k φ (s_sat − s)` in kg of salt per kg of water, with φ the share
    /// of the brine among salt and *k* in proportion to T/μ, as diffusion is. What is too much after
    /// cooling comes out again.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing time; the tank is then as before.
    pub fn stand(&mut self, seconds: f64) -> Result<(), OutOfRange> {
        self.dissolve(time(seconds)?);
        Ok(())
    }

    /// Lets refill water in for a time, while the float allows it.
    ///
    /// # Errors
    /// [`OutOfRange`] for a flow or time that cannot be; the tank is then as before.
    pub fn refill(&mut self, flow_l_min: f64, seconds: f64) -> Result<Refilled, OutOfRange> {
        let flow = tank_flow(flow_l_min)?;
        let mut left = time(seconds)?;
        let kg_per_s = flow / 60.0 * water_density_kg_m3(self.temperature_c) * 1e-3;
        let mut done = Refilled::default();
        if kg_per_s == 0.0 || self.faults.float == FloatFault::StuckShut {
            self.dissolve(left);
            return Ok(done);
        }
        let stop_m = if self.faults.float == FloatFault::StuckOpen { None } else { self.spec.float_m };
        while left > 0.0 {
            let step = left.min(STEP_S);
            let wanted = kg_per_s * step;
            let taken = stop_m.map_or(wanted, |level| self.room_kg(level, wanted));
            if taken <= 0.0 && self.at_rest() {
                break;
            }
            self.water_kg += taken;
            done.water_in_kg += taken;
            done.flowing_s += taken / kg_per_s;
            let over = self.spill();
            done.overflow.water_kg += over.water_kg;
            done.overflow.salt_kg += over.salt_kg;
            self.dissolve(step);
            left -= step;
        }
        Ok(done)
    }

    /// Draws brine for a time, or until the air check closes.
    ///
    /// # Errors
    /// [`OutOfRange`] for a flow or time that cannot be; the tank is then as before.
    pub fn draw(&mut self, flow_l_min: f64, seconds: f64) -> Result<Drawn, OutOfRange> {
        let flow = tank_flow(flow_l_min)?;
        let mut left = time(seconds)?;
        let m3_per_s = flow / 60_000.0;
        let mut done = Drawn { air_check_closed: self.usable_m3() <= 0.0, ..Drawn::default() };
        while left > 0.0 && m3_per_s > 0.0 && !done.air_check_closed {
            let step = left.min(STEP_S);
            let (wanted, usable) = (m3_per_s * step, self.usable_m3());
            let taken = self.remove(wanted.min(usable), self.volume_m3(self.water_kg));
            done.taken.water_kg += taken.water_kg;
            done.taken.salt_kg += taken.salt_kg;
            // Once closed it stays so: what dissolves later in this call does not open it.
            done.air_check_closed = usable <= wanted;
            let drew = if done.air_check_closed { step * usable / wanted } else { step };
            done.flowing_s += drew;
            left -= drew;
            self.dissolve(drew);
        }
        self.dissolve(left);
        Ok(done)
    }

    /// Whether any brine stands above the air check.
    pub fn has_usable_brine(&self) -> bool {
        self.usable_m3() > 0.0
    }

    /// Brine above the air check.
    fn usable_m3(&self) -> f64 {
        let above = self.volume_m3(self.water_kg) - self.volume_below_m3(self.spec.air_check_m);
        if above > self.spec.area_m2 * LEVEL_WITHIN_M { above } else { 0.0 }
    }

    fn saturated(&self) -> f64 {
        let weight_percent = saturation_weight_percent(self.temperature_c).unwrap_or(STRONGEST_WEIGHT_PERCENT);
        salt_per_water(weight_percent)
    }

    /// Volume of the brine were there so much water.
    fn volume_m3(&self, water_kg: f64) -> f64 {
        if water_kg <= 0.0 {
            return 0.0;
        }
        let weight_percent = weight_percent_of(self.dissolved_kg / water_kg).min(STRONGEST_WEIGHT_PERCENT);
        let water_only = water_density_kg_m3(self.temperature_c);
        (water_kg + self.dissolved_kg) / brine_density_kg_m3(weight_percent, self.temperature_c).unwrap_or(water_only)
    }

    /// Volume between the grains of the pile; none where a bridge holds it up.
    fn pile_void_m3(&self) -> f64 {
        if self.faults.salt_bridge {
            return 0.0;
        }
        self.solid_kg / HALITE_KG_M3 * self.spec.pile_void / (1.0 - self.spec.pile_void)
    }

    fn level_of(&self, volume_m3: f64) -> f64 {
        let spec = &self.spec;
        let below = spec.area_m2 * spec.grid_m;
        if volume_m3 <= below {
            return volume_m3 / spec.area_m2;
        }
        let rest = volume_m3 - below;
        let void = self.pile_void_m3();
        if rest <= void {
            spec.grid_m + rest / (spec.pile_void * spec.area_m2)
        } else {
            spec.grid_m + (rest - void + void / spec.pile_void) / spec.area_m2
        }
    }

    /// Volume of brine up to a level.
    fn volume_below_m3(&self, level_m: f64) -> f64 {
        let spec = &self.spec;
        let above_grid = spec.area_m2 * (level_m - spec.grid_m);
        if above_grid <= 0.0 {
            return spec.area_m2 * level_m;
        }
        let pile = self.pile_void_m3() / spec.pile_void;
        let among = above_grid.min(pile);
        spec.area_m2 * spec.grid_m + spec.pile_void * among + (above_grid - among)
    }

    /// Water that may come in, of so much wanted, until a level is reached.
    fn room_kg(&self, level_m: f64, wanted_kg: f64) -> f64 {
        let limit = self.volume_below_m3(level_m);
        if self.volume_m3(self.water_kg + wanted_kg) <= limit {
            return wanted_kg;
        }
        if self.volume_m3(self.water_kg) >= limit - self.spec.area_m2 * LEVEL_WITHIN_M {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, wanted_kg);
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if self.volume_m3(self.water_kg + middle) <= limit {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    /// Lets what stands above the overflow run out.
    fn spill(&mut self) -> Moved {
        let volume = self.volume_m3(self.water_kg);
        let over = volume - self.volume_below_m3(self.spec.overflow_m);
        if over > 0.0 { self.remove(over, volume) } else { Moved::default() }
    }

    /// Takes brine out of a volume of it.
    fn remove(&mut self, part_m3: f64, volume_m3: f64) -> Moved {
        let share = (part_m3 / volume_m3).min(1.0);
        let moved = Moved { water_kg: share * self.water_kg, salt_kg: share * self.dissolved_kg };
        self.water_kg -= moved.water_kg;
        self.dissolved_kg -= moved.salt_kg;
        moved
    }

    /// Rate at which the brine as it stands nears saturation, 1/s.
    fn dissolving_per_s(&self) -> f64 {
        let t = self.temperature_c;
        let warmth = (t + 273.15) / 293.15 * water_viscosity_pa_s(20.0) / water_viscosity_pa_s(t);
        let over = self.dissolved_kg > self.water_kg * self.saturated();
        // Crystals grow on whatever there is; dissolving needs salt in the brine.
        let share = if over { 1.0 } else { self.contact_share() };
        self.spec.dissolving_per_s * warmth * share
    }

    /// Whether standing changes nothing.
    fn at_rest(&self) -> bool {
        let away = self.water_kg * self.saturated() - self.dissolved_kg;
        let done = away.abs() <= SATURATED_WITHIN * self.water_kg || (away > 0.0 && self.solid_kg <= 0.0);
        done || self.dissolving_per_s() <= 0.0
    }

    fn dissolve(&mut self, seconds: f64) {
        let mut left = seconds;
        for _ in 0..MOST_STANDING_STEPS {
            if left <= 0.0 || self.at_rest() {
                return;
            }
            let rate = self.dissolving_per_s();
            let step = left.min(STEP_SHARE / rate);
            let away = self.water_kg * self.saturated() - self.dissolved_kg;
            let gain = (away * -(-rate * step).exp_m1()).min(self.solid_kg);
            self.dissolved_kg += gain;
            self.solid_kg -= gain;
            left -= step;
        }
    }
}

fn time(seconds: f64) -> Result<f64, OutOfRange> {
    within("time", seconds, 0.0, 3.2e9, "0 to 3.2e9 s (a century)")
}

fn tank_flow(flow_l_min: f64) -> Result<f64, OutOfRange> {
    within("flow", flow_l_min, 0.0, 1e4, "0 to 10 000 L/min")
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_S: f64 = 3_600.0;

    fn tank() -> BrineTank {
        BrineTank::with_salt(BrineTankSpec::default(), 60.0, 20.0).expect("a tank")
    }

    fn salt(tank: &BrineTank) -> f64 {
        tank.dissolved_kg() + tank.solid_kg()
    }

    #[test]
    fn brine_comes_to_saturation_and_rests() {
        let mut tank = tank();
        tank.refill(1.0, 600.0).expect("a refill");
        let mut last = tank.saturation_share();
        for _ in 0..12 {
            tank.stand(HOUR_S / 4.0).expect("a stand");
            assert!(tank.saturation_share() > last);
            last = tank.saturation_share();
        }
        assert!(last > 0.6 && last < 1.0, "{last}");
        tank.stand(40.0 * HOUR_S).expect("a stand");
        assert!((tank.saturation_share() - 1.0).abs() < 1e-9);
        let rested = tank;
        tank.stand(3e9).expect("a stand");
        assert!((tank.dissolved_kg() / rested.dissolved_kg() - 1.0).abs() < 1e-11);
    }

    #[test]
    fn liquid_all_among_salt_takes_three_hours_to_99_percent() {
        let mut tank = BrineTank::with_salt(BrineTankSpec::default(), 100.0, 20.0).expect("a tank");
        tank.refill(100.0, 6.0).expect("a refill");
        assert_eq!(tank.contact_share(), 1.0);
        tank.stand(3.0 * HOUR_S - 6.0).expect("a stand");
        assert!((tank.saturation_share() - 0.99).abs() < 1e-3, "{}", tank.saturation_share());
    }

    #[test]
    fn cold_and_deep_water_take_longer() {
        let share_after = |temperature_c, minutes| {
            let mut tank = BrineTank::with_salt(BrineTankSpec::default(), 60.0, temperature_c).expect("a tank");
            tank.refill(10.0, 60.0 * minutes).expect("a refill");
            tank.stand(HOUR_S).expect("a stand");
            tank.saturation_share()
        };
        assert!(share_after(5.0, 2.0) < share_after(20.0, 2.0));
        assert!(share_after(20.0, 6.0) < share_after(20.0, 2.0));
    }

    #[test]
    fn cooling_brings_salt_out_again() {
        let mut tank = tank();
        tank.refill(5.0, 120.0).expect("a refill");
        tank.set_temperature_c(60.0).expect("a temperature");
        tank.stand(50.0 * HOUR_S).expect("a stand");
        let (warm, total) = (tank.solid_kg(), salt(&tank));
        tank.set_temperature_c(5.0).expect("a temperature");
        tank.stand(50.0 * HOUR_S).expect("a stand");
        assert!(tank.solid_kg() > warm);
        assert!((tank.saturation_share() - 1.0).abs() < 1e-9);
        assert!((salt(&tank) / total - 1.0).abs() < 1e-14);
    }

    #[test]
    fn a_salt_bridge_leaves_the_water_fresh() {
        let mut tank = tank();
        tank.faults.salt_bridge = true;
        tank.refill(2.0, 600.0).expect("a refill");
        tank.stand(24.0 * HOUR_S).expect("a stand");
        assert_eq!(tank.weight_percent(), 0.0);
        let drawn = tank.draw(1.0, 60.0).expect("a draw");
        assert_eq!(drawn.weight_percent(), Some(0.0));
        tank.faults.salt_bridge = false;
        tank.stand(24.0 * HOUR_S).expect("a stand");
        assert!(tank.weight_percent() > 20.0);
    }

    #[test]
    fn little_salt_makes_weak_brine() {
        let mut tank = BrineTank::with_salt(BrineTankSpec::default(), 1.0, 20.0).expect("a tank");
        tank.refill(2.0, 600.0).expect("a refill");
        tank.stand(240.0 * HOUR_S).expect("a stand");
        assert!(tank.contact_share() < 1e-6, "hardly any salt is left to touch");
        assert!((salt(&tank) - 1.0).abs() < 1e-14);
        assert!(tank.weight_percent() < 6.0);
    }

    #[test]
    fn the_float_stops_a_refill_at_its_level() {
        let mut tank = tank();
        let filled = tank.refill(10.0, 2.0 * HOUR_S).expect("a refill");
        assert!((tank.level_m() - 0.6).abs() < 1e-3, "{}", tank.level_m());
        assert_eq!(filled.overflow, Moved::default());
        assert!(filled.flowing_s < 0.5 * HOUR_S);
        assert!((filled.water_in_kg - tank.water_kg()).abs() < 1e-9);
    }

    #[test]
    fn a_float_stuck_open_floods_and_one_stuck_shut_starves() {
        let mut flood = tank();
        flood.faults.float = FloatFault::StuckOpen;
        let filled = flood.refill(10.0, HOUR_S).expect("a refill");
        assert!(filled.overflow.water_kg > 100.0 && filled.overflow.salt_kg > 0.0);
        assert!(flood.level_m() <= 0.8 + 1e-3);
        assert!((filled.water_in_kg - filled.overflow.water_kg - flood.water_kg()).abs() < 1e-9);
        assert!((salt(&flood) + filled.overflow.salt_kg - 60.0).abs() < 1e-9);
        let mut starved = tank();
        starved.faults.float = FloatFault::StuckShut;
        assert_eq!(starved.refill(10.0, HOUR_S), Ok(Refilled::default()));
        assert_eq!(starved.water_kg(), 0.0);
    }

    #[test]
    fn a_draw_ends_at_the_air_check() {
        let mut tank = tank();
        tank.refill(2.0, 600.0).expect("a refill");
        tank.stand(24.0 * HOUR_S).expect("a stand");
        let part = tank.draw(1.0, 300.0).expect("a draw");
        assert!(!part.air_check_closed);
        assert_eq!(part.flowing_s, 300.0);
        let rest = tank.draw(1.0, HOUR_S).expect("a draw");
        assert!(rest.air_check_closed && rest.flowing_s < HOUR_S);
        assert!((tank.level_m() - 0.03).abs() < 1e-3);
        let none = tank.draw(1.0, HOUR_S).expect("a draw");
        assert!(none.flowing_s < 10.0 && none.air_check_closed);
        let dry = BrineTank::with_salt(BrineTankSpec::default(), 60.0, 20.0).expect("a tank").draw(1.0, 60.0);
        assert_eq!(dry.expect("a draw"), Drawn { air_check_closed: true, ..Drawn::default() });
    }

    #[test]
    fn absurd_figures_are_refused_and_change_nothing() {
        let mut tank = tank();
        tank.refill(2.0, 600.0).expect("a refill");
        let before = tank;
        for bad in [f64::NAN, -1.0, f64::INFINITY] {
            assert!(tank.refill(bad, 1.0).is_err() && tank.refill(1.0, bad).is_err());
            assert!(tank.draw(bad, 1.0).is_err() && tank.draw(1.0, bad).is_err());
            assert!(tank.stand(bad).is_err() && tank.add_salt(bad).is_err() && tank.set_temperature_c(bad).is_err());
            let spec = BrineTankSpec::default();
            assert!(BrineTank::with_salt(BrineTankSpec { area_m2: bad, ..spec }, 1.0, 20.0).is_err());
            assert!(BrineTank::with_salt(BrineTankSpec { float_m: Some(bad), ..spec }, 1.0, 20.0).is_err());
            assert!(BrineTank::with_salt(BrineTankSpec { pile_void: bad, ..spec }, 1.0, 20.0).is_err());
            assert!(BrineTank::with_salt(spec, bad, 20.0).is_err());
        }
        tank.refill(0.0, 0.0).expect("nothing");
        tank.draw(0.0, 0.0).expect("nothing");
        tank.stand(0.0).expect("nothing");
        assert_eq!(tank, before);
    }
}
