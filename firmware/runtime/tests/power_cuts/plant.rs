//! A little plant of its own: valves that take time, a brine tank, salt in the beds, water to the drain.
//!
//! It shares no code with the logic or the simulator. Power does not matter to it but for the motors.

use bedkeeper::drive::{Motion, Pilots, Switches};
use bedkeeper::program::Position;

/// Water of one refill, mL; a full brine tank holds one dose.
pub const DOSE_ML: u64 = 4_000;
/// Refill flow, mL/s: a dose in two minutes.
const REFILL_ML_PER_S: u64 = DOSE_ML / 120;
/// Brine is drawn so fast, mL/s: a dose in three minutes.
const DRAW_ML_PER_S: u64 = DOSE_ML / 180;
/// Salt leaves the bed so fast in a slow and in a fast flow, mL of brine per second.
const SLOW_ML_PER_S: u64 = DOSE_ML / 200;
const FAST_ML_PER_S: u64 = DOSE_ML / 60;
/// A valve passes from one position to the next in this time, ms.
pub const LEG_MS: u64 = 6_000;
/// Marks of an index cam from one position to the next.
pub const MARKS: u64 = 10;
/// A valve follows its pilots within this time, ms.
const FOLLOW_MS: u64 = 4_000;

/// How a valve tells where it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feedback {
    /// A switch per position on a cam that goes round.
    Cam,
    /// Nothing; it runs between two stops.
    Blind,
    /// A home and an index switch on a cam that goes round.
    Index,
    /// Nothing; it follows pilots, and without power goes to its first position.
    Pilots,
}

/// One tank: its valve and what is in its bed.
#[derive(Clone, Debug)]
pub struct Tank {
    positions: Vec<Position>,
    feedback: Feedback,
    /// Place in ms of travel from the first position.
    place_ms: u64,
    pub motion: Motion,
    /// The pilots that it follows, the ones that it is told, and how much longer it takes.
    acts: u8,
    asked: u8,
    following_ms: u64,
    /// Brine in the bed, mL.
    pub salt_ml: u64,
    /// Brine drawn in all, mL.
    pub drawn_ml: u64,
    /// For how long it has rested where it is with power on, ms.
    rested_ms: u64,
    /// For how long it has been in its present position, turning or not, ms.
    stood_ms: u64,
}

impl Tank {
    fn at(&self) -> Option<Position> {
        if self.feedback == Feedback::Pilots {
            return self.positions.get(usize::from(self.acts)).copied().filter(|_| self.following_ms == 0);
        }
        let round = self.positions.len() as u64 * LEG_MS;
        let (place, away) = ((self.place_ms + 400) / LEG_MS, (self.place_ms + 400) % LEG_MS);
        let last = self.feedback == Feedback::Blind && self.place_ms + LEG_MS >= round && away > 800;
        if last { None } else { (away <= 800).then(|| self.positions[place as usize % self.positions.len()]) }
    }

    pub fn switches(&self) -> Switches {
        match (self.feedback, self.at()) {
            (Feedback::Index, _) => {
                let round = self.positions.len() as u64 * LEG_MS;
                let mark = LEG_MS / MARKS;
                let home = (self.place_ms + mark / 3) % round <= mark / 3 * 2;
                Switches(u8::from(home) | u8::from((self.place_ms + mark / 4) % mark <= mark / 2) << 1)
            }
            (Feedback::Blind | Feedback::Pilots, _) | (_, None) => Switches(0),
            (Feedback::Cam, Some(at)) => {
                let place = self.positions.iter().position(|p| *p == at).unwrap_or(0);
                Switches(1 << place)
            }
        }
    }

    /// What its pilots are told from now on.
    pub fn pilot(&mut self, pilots: Pilots) {
        self.asked = pilots.0;
        if self.feedback == Feedback::Pilots && self.asked != self.acts {
            self.acts = self.asked;
            self.following_ms = FOLLOW_MS;
        }
    }

    fn is_turning(&self) -> bool {
        self.motion != Motion::Off || self.following_ms > 0
    }

    fn turn(&mut self, ms: u64) {
        self.following_ms = self.following_ms.saturating_sub(ms);
        let round = self.positions.len() as u64 * LEG_MS;
        self.place_ms = match (self.feedback, self.motion) {
            (_, Motion::Off) => self.place_ms,
            (Feedback::Pilots, _) => self.place_ms,
            (Feedback::Cam | Feedback::Index, Motion::Forward) => (self.place_ms + ms) % round,
            (Feedback::Cam | Feedback::Index, Motion::Reverse) => (self.place_ms + round - ms % round) % round,
            (Feedback::Blind, Motion::Forward) => (self.place_ms + ms).min(round - LEG_MS),
            (Feedback::Blind, Motion::Reverse) => self.place_ms.saturating_sub(ms),
        };
    }
}

/// The plant, and the rules that it sees broken.
#[derive(Clone, Debug)]
pub struct Plant {
    pub tanks: Vec<Tank>,
    /// The changeover valve that both tanks share: its place from tank 1's end, and its motor.
    pub shared: Option<(u64, Motion)>,
    pub now_ms: u64,
    pub powered: bool,
    /// Water in the brine tank, thousandths of a mL.
    level: u64,
    /// Water that ran in while power was off, and the part of it that a draw has left since.
    dark_water: u64,
    left_over: u64,
    /// Refill with power on although a dose and a tenth were in already, ms.
    overfilling_ms: u64,
    pub drained_ms: u64,
    pub broken: Option<String>,
}

impl Plant {
    /// Valves at rest: the first tank in service, or all of them; the others shut off.
    pub fn new(tanks: usize, positions: &[Position], feedback: Feedback, all_serve: bool, shared: bool) -> Self {
        let tank = |place: usize| Tank {
            positions: positions.to_vec(),
            feedback,
            place_ms: place as u64 * LEG_MS,
            motion: Motion::Off,
            acts: if feedback == Feedback::Pilots { place as u8 } else { 0 },
            asked: 0,
            following_ms: 0,
            salt_ml: 0,
            drawn_ml: 0,
            rested_ms: 0,
            stood_ms: 0,
        };
        let rest = positions.iter().position(|p| *p == Position::Standby).unwrap_or(0);
        let tanks = (0..tanks).map(|i| tank(if i == 0 || all_serve { 0 } else { rest })).collect();
        let shared = shared.then_some((0, Motion::Off));
        let level = DOSE_ML * 1_000;
        Self {
            tanks,
            shared,
            now_ms: 0,
            powered: true,
            level,
            dark_water: 0,
            left_over: 0,
            overfilling_ms: 0,
            drained_ms: 0,
            broken: None,
        }
    }

    pub fn level_ml(&self) -> u64 {
        self.level / 1_000
    }

    pub fn position(&self, tank: usize) -> Option<Position> {
        self.tanks[tank].at()
    }

    pub fn is_turning(&self) -> bool {
        self.tanks.iter().any(Tank::is_turning) || self.shared.is_some_and(|(_, motion)| motion != Motion::Off)
    }

    /// The end switches of the shared valve.
    pub fn shared_switches(&self) -> Option<Switches> {
        let (place_ms, _) = self.shared?;
        Some(Switches(u8::from(place_ms < 300) | u8::from(place_ms > LEG_MS - 300) << 1))
    }

    /// The tank that the shared valve leads to the building, if it stands at an end.
    pub fn led(&self) -> Option<usize> {
        match self.shared_switches()?.0 {
            1 => Some(0),
            2 => Some(1),
            _ => None,
        }
    }

    /// Power fails: motors stop, pilots let go.
    pub fn lose_power(&mut self) {
        self.powered = false;
        for tank in &mut self.tanks {
            tank.motion = Motion::Off;
            tank.pilot(Pilots(0));
        }
        if let Some((_, motion)) = &mut self.shared {
            *motion = Motion::Off;
        }
    }

    fn break_rule(&mut self, text: String) {
        let at = self.now_ms;
        self.broken.get_or_insert_with(|| format!("{text}, at {} s", at / 1_000));
    }

    /// Lets time pass; short steps while something turns.
    pub fn advance(&mut self, to_ms: u64) {
        while self.now_ms < to_ms {
            let step = if self.is_turning() { 50 } else { 1_000 };
            let ms = step.min(to_ms - self.now_ms);
            self.now_ms += ms;
            self.step(ms);
        }
    }

    fn step(&mut self, ms: u64) {
        let powered = self.powered;
        if let Some((place_ms, motion)) = &mut self.shared {
            *place_ms = match motion {
                Motion::Off => *place_ms,
                Motion::Forward => (*place_ms + ms).min(LEG_MS),
                Motion::Reverse => place_ms.saturating_sub(ms),
            };
        }
        let mut draining = 0;
        for i in 0..self.tanks.len() {
            let tank = &mut self.tanks[i];
            let before = tank.at();
            tank.turn(ms);
            let at = tank.at();
            tank.stood_ms = if at == before { tank.stood_ms + ms } else { 0 };
            tank.rested_ms = if powered && !tank.is_turning() { tank.rested_ms + ms } else { 0 };
            let rests = tank.rested_ms > 5_000;
            // Thousandths of a mL, rounded against us: salt comes quickly and goes slowly.
            let gone = |rate: u64| (rate * ms) / 1_000;
            match at {
                // In passing nothing is drawn yet.
                Some(Position::BrineDraw) if self.level > 0 && tank.stood_ms > 3_000 => {
                    let ml = self.level.min(DRAW_ML_PER_S * ms);
                    self.level -= ml;
                    // Without a clock nobody knows how much this is (`brine-uncertain`); a later regeneration still
                    // gets its own dose.
                    self.left_over = self.level.min(self.dark_water);
                    tank.salt_ml += ml;
                    tank.drawn_ml += ml;
                }
                Some(Position::BrineDraw | Position::SlowRinse | Position::Backwash) => {
                    tank.salt_ml = tank.salt_ml.saturating_sub(gone(SLOW_ML_PER_S * 1_000));
                }
                Some(Position::FastRinse) => {
                    tank.salt_ml = tank.salt_ml.saturating_sub(gone(FAST_ML_PER_S * 1_000));
                }
                Some(Position::BrineRefill) => {
                    self.level += REFILL_ML_PER_S * ms;
                    self.dark_water += if powered { 0 } else { REFILL_ML_PER_S * ms };
                    let over = self.level > DOSE_ML * 1_100 + self.left_over;
                    self.overfilling_ms += if over && powered { ms } else { 0 };
                }
                Some(Position::Service) if rests && tank.salt_ml > 0 => {
                    let salt = tank.salt_ml / 1_000;
                    self.break_rule(format!("S12: tank {} rests in service with {salt} mL of brine in its bed", i + 1));
                }
                _ => {}
            }
            if rests && at.is_some_and(Position::discharges) {
                draining += 1;
            }
        }
        if draining > 0 {
            self.drained_ms += ms;
        }
        if draining > 1 {
            self.break_rule(format!("S1: {draining} tanks discharge together"));
        }
        // The valve needs a moment to leave; the state is saved once a minute.
        if self.overfilling_ms > 60_000 {
            let level = self.level_ml();
            self.break_rule(format!("P5: refilled on with {level} mL in the brine tank, and a dose is {DOSE_ML} mL"));
        }
    }
}
