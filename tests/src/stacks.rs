//! Stacks of holds, put up at random and cleared one at a time (S8).
//!
//! A plant, of one tank or of several in any arrangement, lives for years. Again and again a regeneration is asked for while several things stand in its way: contacts,
//! an operator's hold, a lost clock, windows, flow, the drain allowance, the other tank. They are cleared in random order
//! at random moments, with water and clock corrections between. Before each step the logic is asked why it waits, and
//! held to its word: as long as it names a hold nothing may start; once the last one goes, at the instant that it has
//! named if it named one, the start is there in that very millisecond, unless something new stands in the way then.

use std::collections::BTreeMap;

use bedkeeper::calendar::Civil;
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Hold, Standing};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Who;
use bedkeeper::settings::{RemoteRole, StartRule, WhenClockUnset};
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::{Action, Input, RawSettings, Settings};
use bedkeeper_sim::recording::{COMMON_METER, Pulses};
use bedkeeper_sim::replay::{Replay, ValveTimes, World};
use bedkeeper_sim::site;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::{Rng, SeedableRng};

const SEC: u64 = 1_000;
const MIN: u64 = 60 * SEC;
const HOUR: u64 = 60 * MIN;
const DAY: u64 = 24 * HOUR;
/// A request that has waited so long in a plant where everything is cleared in the end is stuck.
const LONGEST_WAIT: u64 = 30 * DAY;

/// How the tanks of a plant share the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// One tank.
    Single,
    /// Two that alternate.
    Pair,
    /// Three that all serve, of which one or two may regenerate at once.
    Parallel,
    /// Four of which the further ones join as the flow rises.
    Staged,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::Single, Self::Pair, Self::Parallel, Self::Staged];

    /// The sections of its site file, laid over those of the pair.
    fn site(self) -> String {
        let (tanks, sharing) = match self {
            Self::Single => ("\"single\"", ""),
            Self::Pair => ("\"alternating\"", ""),
            // In a burst of water two cannot carry what three can (A3).
            Self::Parallel => ("\"parallel\"\nnumber = 3", "[sharing]\ntank_flow = \"12 L/min\"\n"),
            Self::Staged => (
                "\"staged\"\nnumber = 4",
                "[sharing]\njoin_above = [\"10 L/min\", \"16 L/min\", \"22 L/min\"]\njoin_hysteresis = \"2 L/min\"\n",
            ),
        };
        let pair = include_str!("../sites/pair.toml");
        format!("{}\n{sharing}", pair.replace("\"alternating\"", tanks))
    }
}

/// What a life of the plant showed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Simulated time, ms.
    pub lived_ms: u64,
    /// Regenerations asked for.
    pub requests: u64,
    /// Starts at an instant that the logic had named before.
    pub at_named_instant: u64,
    /// Starts in the very call that cleared the last hold.
    pub at_last_clearance: u64,
    /// Starts when a hold went that ends with what the plant does.
    pub by_plant: u64,
    /// Predicted instants at which something new stood in the way.
    pub newly_held: u64,
    /// Clock corrections.
    pub corrections: u64,
    /// How often so many holds stood together.
    pub heights: BTreeMap<usize, u64>,
    /// How often each hold stood when the logic was asked.
    pub holds: BTreeMap<&'static str, u64>,
}

/// A life of such a plant with this seed, so many days long.
///
/// # Errors
/// The first moment at which a hold was decoration: what was said, and what happened.
pub fn live(kind: Kind, seed: u64, days: u64) -> Result<Report, String> {
    let mut life = Life::new(kind, seed)?;
    while life.now() < days * DAY {
        life.request().map_err(|why| format!("{kind:?}, seed {seed}, at {} ms: {why}", life.now()))?;
    }
    life.report.lived_ms = life.now();
    Ok(life.report)
}

struct Life {
    replay: Replay<'static>,
    random: Pcg32,
    report: Report,
    settings: RawSettings,
}

/// A plant with everything on that can hold a start.
fn settings(kind: Kind, random: &mut Pcg32) -> Result<RawSettings, String> {
    let site = site::parse("plant.toml", &kind.site()).map_err(|e| e.to_string())?;
    let mut raw = site.raw;
    raw.remote = RemoteRole::HoldOff;
    raw.when_clock_unset = WhenClockUnset::HoldAll;
    raw.start_flow_limit = Flow(5_000);
    if kind == Kind::Parallel {
        // Without a limit of its own, what the others can carry holds alone.
        raw.start_flow_limit = Flow(if random.next_u32().is_multiple_of(2) { 5_000 } else { 0 });
        // Two at once wait for each other's drain and brine.
        raw.max_regenerating = if random.next_u32().is_multiple_of(2) { 2 } else { 1 };
    }
    raw.discharge_limit = if random.next_u32().is_multiple_of(2) { Volume(1_000_000_000_000) } else { Volume::ZERO };
    // Where brine is ready at once, the plant itself takes the last hold away; at 0 a second dose may be drawn at once.
    raw.brine_ready_after = match random.next_u32() % 3 {
        0 => Millis::ZERO,
        1 => Millis(1),
        _ => raw.brine_ready_after,
    };
    raw.start = if random.next_u32().is_multiple_of(2) { StartRule::AtHour } else { StartRule::Immediate };
    raw.hour_minute = 120;
    let mut windows = heapless::Vec::new();
    for _ in 0..random.next_u32() % 3 {
        let from_minute = u16::try_from(random.next_u32() % 1_440).unwrap_or(0);
        let to_minute = (from_minute + 30 + u16::try_from(random.next_u32() % 300).unwrap_or(0)) % 1_440;
        let days = bedkeeper::calendar::Weekdays::ALL_DAYS;
        windows.push(bedkeeper::calendar::Window { days, from_minute, to_minute }).map_err(|_| "too many windows")?;
    }
    raw.windows = windows;
    Ok(raw)
}

impl Life {
    fn new(kind: Kind, seed: u64) -> Result<Self, String> {
        let mut random = Pcg32::seed_from_u64(seed);
        // Random windows may leave no gap long enough; such settings are refused, and others are drawn.
        let (raw, checked) = loop {
            let raw = settings(kind, &mut random)?;
            // An operator may ask for the hour anywhere, so the windows must permit a start then.
            let at_hour = RawSettings { start: StartRule::AtHour, ..raw.clone() };
            if let (Ok(checked), Ok(_)) = (Settings::try_from(raw.clone()), Settings::try_from(at_hour)) {
                break (raw, checked);
            }
        };
        let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
        let times = ValveTimes { leg_ms: 4_000, coast_ms: 100 };
        let world = World::new(checked, times, Some(start)).map_err(|e| e.to_string())?;
        let mut replay = Replay::new(world, Vec::new());
        replay.power_up().map_err(|e| e.to_string())?;
        let mut life = Self { replay, random, report: Report::default(), settings: raw };
        for contact in [Contact::Remote, Contact::LowPressure] {
            life.tell(Input::Contact { contact, closed: false })?;
        }
        life.run_to(5 * MIN)?;
        Ok(life)
    }

    fn now(&self) -> u64 {
        self.replay.world().now_ms
    }

    fn dice(&mut self, n: u64) -> u64 {
        u64::from(self.random.next_u32()) % n
    }

    fn any_tank(&mut self) -> TankId {
        let tanks = u64::from(self.settings.tanks);
        TankId(u8::try_from(self.dice(tanks)).unwrap_or(0))
    }

    fn tell(&mut self, input: Input) -> Result<(), String> {
        self.replay.offer(input, false).map_err(|e| e.to_string())?.map_err(|e| e.to_string())
    }

    /// The extra call makes the logic look at the time as it is, and changes nothing else.
    fn run_to(&mut self, at_ms: u64) -> Result<(), String> {
        self.replay.run_to(at_ms).map_err(|e| e.to_string())?;
        self.tell(Input::Tick)
    }

    fn standing(&self, tank: TankId) -> Vec<Standing> {
        self.replay.world().controller.why(tank).map(|why| why.holds.to_vec()).unwrap_or_default()
    }

    fn duty(&self, tank: TankId) -> DutyKind {
        self.replay.world().controller.tanks()[tank.index()].duty().kind()
    }

    /// How many tanks have this duty.
    fn count(&self, kind: DutyKind) -> usize {
        self.replay.world().controller.tanks().iter().filter(|tank| tank.duty().kind() == kind).count()
    }

    fn regenerates(&self, tank: TankId) -> bool {
        self.duty(tank) == DutyKind::Regenerating
    }

    fn clock_is_set(&self) -> bool {
        self.replay.world().controller.clock().is_set()
    }

    /// One request, from being asked for to its start, and the plant at rest again.
    fn request(&mut self) -> Result<(), String> {
        let idle = self.dice(36 * HOUR);
        self.run_to(self.now() + idle)?;
        let tank = self.any_tank();
        if self.regenerates(tank) {
            return self.rest(tank);
        }
        let up = self.put_up(tank)?;
        let action = if self.dice(2) == 0 { Action::StartNow(tank) } else { Action::StartAtHour(tank) };
        self.tell(Input::Operator { who: Who::Panel, action })?;
        self.report.requests += 1;
        let asked_ms = self.now();
        let said = self.standing(tank);
        if let Some(hold) = up.into_iter().find(|hold| !said.iter().any(|s| s.hold == *hold)) {
            return Err(format!("{hold} was put up, and is not named"));
        }
        while !self.regenerates(tank) {
            if self.now() > asked_ms + LONGEST_WAIT {
                return Err(format!("{tank} has waited since {asked_ms} ms: {}", names(&self.standing(tank))));
            }
            self.clear_one(tank)?;
        }
        self.rest(tank)
    }

    /// Puts up some of what can stand in the way; returns what must be named then.
    fn put_up(&mut self, tank: TankId) -> Result<Vec<Hold>, String> {
        let mut up = Vec::new();
        if self.dice(3) == 0 {
            self.tell(Input::Contact { contact: Contact::Remote, closed: true })?;
            up.push(Hold::HoldOff);
        }
        if self.dice(3) == 0 {
            self.tell(Input::Contact { contact: Contact::LowPressure, closed: true })?;
            up.push(Hold::LowPressure);
        }
        if self.dice(3) == 0 {
            self.tell(Input::Operator { who: Who::Serial, action: Action::Hold(tank) })?;
            up.push(Hold::OperatorHold);
        }
        if self.dice(6) == 0 {
            self.tell(Input::Clock(None))?;
            up.push(Hold::ClockUnset);
        }
        let other = self.any_tank();
        if other != tank && self.dice(3) > 0 {
            // May be refused: the other one may regenerate already.
            let wish = Input::Operator { who: Who::Panel, action: Action::StartNow(other) };
            let _ = self.replay.offer(wish, false).map_err(|e| e.to_string())?;
        }
        if self.dice(3) == 0 {
            self.water()?;
        }
        // Contacts are believed after a second.
        self.run_to(self.now() + 2 * SEC)?;
        Ok(up)
    }

    /// A burst of water, as a flow above the limit.
    fn water(&mut self) -> Result<(), String> {
        let pulses = 3 + self.dice(60);
        for _ in 0..pulses {
            self.run_to(self.now() + 20 * SEC)?;
            self.pulse()?;
        }
        // What a pulse leads to is decided a millisecond later.
        self.run_to(self.now() + 1)
    }

    fn pulse(&mut self) -> Result<(), String> {
        let pulses = Pulses { at_ms: self.now(), meter: COMMON_METER, count: 1 };
        self.replay.take_pulses(&pulses).map_err(|e| e.to_string())
    }

    /// Takes away one hold, or waits for it to go, and holds the logic to what it said.
    fn clear_one(&mut self, tank: TankId) -> Result<(), String> {
        let said = self.standing(tank);
        if said.is_empty() {
            return Err(format!("{tank} waits and nothing holds it"));
        }
        *self.report.heights.entry(said.len()).or_default() += 1;
        for standing in &said {
            *self.report.holds.entry(standing.hold.slug()).or_default() += 1;
        }
        if self.clock_is_set() && self.dice(12) == 0 {
            return self.correct_the_clock();
        }
        if self.dice(12) == 0 && !said.iter().any(|s| s.hold == Hold::FlowTooHigh) {
            let burst = self.water();
            return if self.regenerates(tank) { self.judge_early(tank, &said).and(burst) } else { burst };
        }
        let by_hand: Vec<Hold> = said.iter().map(|s| s.hold).filter(|hold| is_by_hand(*hold)).collect();
        if !by_hand.is_empty() && self.dice(3) > 0 {
            let place = usize::try_from(self.dice(by_hand.len() as u64)).unwrap_or(0);
            return self.clear_by_hand(tank, by_hand[place]);
        }
        let first = said.iter().filter(|s| s.clears_at.is_some()).min_by_key(|s| s.clears_at).copied();
        match first.filter(|_| said.iter().all(|s| s.clears_at.is_some())) {
            Some(first) => self.wait_for_named(tank, &said, first),
            None => self.wait_for_plant(tank),
        }
    }

    fn correct_the_clock(&mut self) -> Result<(), String> {
        let Some(civil) =
            self.replay.world().controller.clock().civil(bedkeeper::units::Instant::from_ticks(self.now()))
        else {
            return Ok(());
        };
        let by = MIN + self.dice(3 * HOUR);
        let moved = if self.dice(2) == 0 { civil.0.saturating_sub(by) } else { civil.0 + by };
        self.report.corrections += 1;
        self.tell(Input::Clock(Some(Civil(moved))))
    }

    /// Clears a hold that a person or a contact clears. If it was the last, the start is there at once, or as soon as
    /// the contact is believed.
    fn clear_by_hand(&mut self, tank: TankId, hold: Hold) -> Result<(), String> {
        // At a random moment later, unless something else ends the wait before.
        let wait = self.dice(4 * HOUR);
        let until = self.now() + wait;
        while self.now() < until {
            let said = self.standing(tank);
            self.step_to(until)?;
            if self.regenerates(tank) {
                return self.judge_early(tank, &said);
            }
        }
        let (input, after_ms) = match hold {
            Hold::OperatorHold => (Input::Operator { who: Who::Panel, action: Action::Release(tank) }, 0),
            Hold::HoldOff => (Input::Contact { contact: Contact::Remote, closed: false }, self.debounce()),
            Hold::LowPressure => (Input::Contact { contact: Contact::LowPressure, closed: false }, self.debounce()),
            Hold::ClockUnset => {
                let civil = Civil(9_921 * DAY + self.dice(3_650 * DAY));
                (Input::Clock(Some(civil)), 0)
            }
            other => return Err(format!("{other} is not cleared by hand")),
        };
        let began = self.now();
        self.tell(input)?;
        if after_ms > 0 {
            // Others may come and go meanwhile; what counts is what stands just before it is believed.
            self.run_to(began + after_ms - 1)?;
            if self.regenerates(tank) {
                return Err(format!("{tank} started before the contact was believed to be open"));
            }
        }
        let before = if after_ms > 0 { self.standing(tank) } else { Vec::new() };
        self.run_to(began + after_ms)?;
        if self.regenerates(tank) {
            let was_last = after_ms == 0 || before.iter().all(|s| s.hold == hold || clears_by(s, self.now()));
            if !was_last {
                return Err(format!("{tank} started although there stood {}", names(&before)));
            }
            self.report.at_last_clearance += 1;
            return Ok(());
        }
        let left = self.standing(tank);
        if left.iter().any(|s| s.hold == hold) {
            return Err(format!("{hold} still stands after what clears it"));
        }
        if left.is_empty() { Err(format!("{hold} was the last, and {tank} did not start")) } else { Ok(()) }
    }

    fn debounce(&self) -> u64 {
        u64::from(self.settings.contact_debounce.0)
    }

    /// Every hold has named its end: until the first of these nothing starts, then that hold is gone, and if it was the
    /// last the start is there.
    fn wait_for_named(&mut self, tank: TankId, said: &[Standing], first: Standing) -> Result<(), String> {
        let named_ms = first.clears_at.map_or(0, |at| at.as_ticks());
        while self.now() < named_ms - 1 {
            self.step_to(named_ms - 1)?;
            if self.regenerates(tank) {
                return Err(format!("{tank} started before {named_ms} ms, which {} named", names(said)));
            }
        }
        // A window that would have been entered stands itself by then, and ends at the same instant.
        if !self.standing(tank).iter().any(|s| s.clears_at == first.clears_at) {
            return Err(format!("{} was gone before {named_ms} ms, the instant that it named", first.hold));
        }
        let serving = self.count(DutyKind::Serving);
        self.run_to(named_ms)?;
        let together = said.iter().filter(|s| s.clears_at == first.clears_at).count();
        if self.regenerates(tank) {
            if together < said.len() {
                return Err(format!("{tank} started when {} went of {}", first.hold, names(said)));
            }
            self.report.at_named_instant += 1;
            return Ok(());
        }
        let left = self.standing(tank);
        // Another may have begun at this very instant; fewer carry less, so that the flow must fall further (A3).
        let carries_less = self.count(DutyKind::Serving) < serving;
        let newly = |s: &Standing| carries_less && s.hold == Hold::FlowTooHigh && !clears_by(s, named_ms);
        if left.iter().any(|s| s.hold == first.hold && !newly(s)) {
            return Err(format!("{} stands beyond the instant that it named", first.hold));
        }
        if together == said.len() {
            if left.is_empty() {
                return Err(format!("{} was the last, and {tank} did not start", first.hold));
            }
            self.report.newly_held += 1;
        }
        Ok(())
    }

    /// Some hold ends with what the plant does, nobody knows when: each step is looked at.
    fn wait_for_plant(&mut self, tank: TankId) -> Result<(), String> {
        let until = self.now() + 10 * MIN;
        while self.now() < until {
            let said = self.standing(tank);
            self.step_to(until)?;
            if self.regenerates(tank) {
                return self.judge_early(tank, &said);
            }
            if self.standing(tank).is_empty() {
                return Err(format!("{tank} waits and nothing holds it"));
            }
        }
        Ok(())
    }

    /// It started in the step just made: no hold that it named before may last beyond now, or need a person.
    fn judge_early(&mut self, tank: TankId, said: &[Standing]) -> Result<(), String> {
        let now = self.now();
        let lasting = said.iter().find(|s| is_by_hand(s.hold) || s.clears_at.is_some_and(|at| at.as_ticks() > now));
        if let Some(lasting) = lasting {
            // A flow that falls, and a longest wait, are named anew by every pulse.
            if lasting.hold != Hold::FlowTooHigh {
                return Err(format!("{tank} started although {} stood", lasting.hold));
            }
        }
        if said.iter().all(|s| s.clears_at.is_some()) {
            self.report.at_named_instant += 1
        } else {
            self.report.by_plant += 1
        }
        Ok(())
    }

    fn step_to(&mut self, until: u64) -> Result<(), String> {
        self.replay.step_to(until).map_err(|e| e.to_string())?;
        self.tell(Input::Tick)
    }

    /// Everything is taken away and the regeneration runs to its end.
    fn rest(&mut self, tank: TankId) -> Result<(), String> {
        for contact in [Contact::Remote, Contact::LowPressure] {
            self.tell(Input::Contact { contact, closed: false })?;
        }
        for id in (0..self.settings.tanks).map(TankId) {
            self.tell(Input::Operator { who: Who::Panel, action: Action::Release(id) })?;
        }
        if !self.clock_is_set() {
            let civil = Civil(9_921 * DAY + self.dice(3_650 * DAY));
            self.tell(Input::Clock(Some(civil)))?;
        }
        let since = self.now();
        while self.regenerates(tank) {
            self.run_to(self.now() + 10 * MIN)?;
            if self.now() > since + DAY {
                return Err(format!("{tank} has regenerated for a day"));
            }
        }
        Ok(())
    }
}

/// Whether a hold stays until a person or a contact ends it.
fn is_by_hand(hold: Hold) -> bool {
    matches!(hold, Hold::OperatorHold | Hold::HoldOff | Hold::LowPressure | Hold::ClockUnset)
}

fn clears_by(standing: &Standing, now_ms: u64) -> bool {
    standing.clears_at.is_some_and(|at| at.as_ticks() <= now_ms)
}

fn names(standing: &[Standing]) -> String {
    standing.iter().map(|s| s.hold.slug()).collect::<Vec<_>>().join(", ")
}
