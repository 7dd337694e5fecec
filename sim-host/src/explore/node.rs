//! One state of the search: the real controller with the simulated valves, and what an adversary may do to them.

use std::hash::{DefaultHasher, Hash, Hasher};

use bedkeeper::contact::Contact;
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record, Who};
use bedkeeper::meter::MAX_BATCH;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::{Medium, MeterPlace};
use bedkeeper::units::{Instant, TankId, Volume};
use bedkeeper::{Action, Controller, Input, Settings};

use super::reduce::{OLDEST_MS, hash_controller};
use crate::plant::{Fault, Plant, Valve, ValveMachine};
use crate::replay::ValveTimes;

/// An idle plant is looked at again after so long.
const LONGEST_WAIT_MS: u64 = 24 * 3_600_000;
/// A valve that stays so long in a position rests there; shorter is passing.
const PASSING_MS: u64 = 15_000;

const MOST_CONTACTS: usize = Contact::ALL.len();

/// Something an adversary may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Act {
    /// Let time pass to the next thing that happens by itself.
    Wait,
    /// A third of a tank's capacity flows.
    Water,
    /// An operator asks.
    Operator(Action),
    /// A contact changes.
    Contact(Contact),
    /// A valve's motor stalls.
    Stall(TankId),
    /// It turns again.
    Mend(TankId),
    /// Somebody turns a valve halfway to the next position.
    Turn(TankId),
}

/// What the adversary may use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Powers {
    /// Faults of valves in one run.
    pub faults: u8,
    /// Operators act.
    pub operators: bool,
    /// Contacts change.
    pub contacts: bool,
}

/// What a valve's travels say of the bed: brine that is owed its rinses, by the plant's side (S12).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Bed {
    at: Option<Position>,
    since_ms: u64,
    /// Slow and fast rinse still owed, ms.
    owes: Option<(u64, u64)>,
}

/// How a motor was last seen (S7).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Motor {
    motion: Motion,
    since_ms: u64,
    last_run: Motion,
}

/// One state.
#[derive(Clone, Debug)]
pub struct Node<const N: usize> {
    /// The logic.
    pub controller: Controller<N>,
    plant: Plant,
    /// Now, ms.
    pub now_ms: u64,
    contacts: [bool; MOST_CONTACTS],
    faults_used: u8,
    stalled: u8,
    beds: [Bed; 8],
    motors: [Motor; 8],
    left: [u64; 8],
    limits: Limits,
}

/// What the settings say that the search needs in every step.
#[derive(Clone, Copy, Debug)]
struct Limits {
    travel_ms: u64,
    rest_ms: u64,
    /// Pulses of a third of what a fresh bed holds.
    gulp: u32,
}

impl Limits {
    fn of(settings: &Settings) -> Self {
        let raw = settings.raw();
        let whole = match *settings.loaded_medium() {
            Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
            Medium::Filter { capacity } => capacity,
        };
        let pulse = settings.meter_settings().pulse().nl().max(1);
        let gulp = u32::try_from(whole.nl().div_ceil(3) / pulse).unwrap_or(u32::MAX).clamp(1, MAX_BATCH);
        Self { travel_ms: u64::from(raw.travel_limit().0), rest_ms: u64::from(raw.drive.rest().0), gulp }
    }
}

/// A rule seen broken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Which.
    pub rule: &'static str,
    /// What was seen.
    pub text: String,
}

/// What making a step showed.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Records of the logic.
    pub records: Vec<Record>,
    /// Rules seen broken.
    pub broken: Vec<Broken>,
}

impl<const N: usize> Node<N> {
    /// Power-up: no clock, tank 1 in service, the others shut off. `None` if the site has more tanks.
    #[must_use]
    pub fn first(settings: &Settings, times: ValveTimes, seen: &mut Seen) -> Option<Self> {
        let valves = (0..settings.tanks).map(|i| {
            let machine = ValveMachine::of(&settings.drive, times.leg_ms, times.coast_ms);
            Valve::standing_in(machine, if i == 0 { Position::Service } else { settings.rest_position() })
        });
        let mut node = Self {
            controller: Controller::new(Instant::from_ticks(0), settings.clone()).ok()?,
            plant: Plant::new(valves.collect()),
            now_ms: 0,
            contacts: [false; MOST_CONTACTS],
            faults_used: 0,
            stalled: 0,
            beds: [Bed::default(); 8],
            motors: [Motor::default(); 8],
            left: [0; 8],
            limits: Limits::of(settings),
        };
        node.tell(Input::Clock(None), seen);
        node.tell_news(seen);
        node.look(seen);
        Some(node)
    }

    /// A key of the state's future.
    #[must_use]
    pub fn key(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        hash_controller(&self.controller, self.now_ms, &mut hasher);
        let age = |since: u64| self.now_ms.saturating_sub(since).min(OLDEST_MS);
        for (i, valve) in self.plant.valves().iter().enumerate() {
            valve.future_key().hash(&mut hasher);
            let (bed, motor) = (&self.beds[i], &self.motors[i]);
            // How long a valve has stood matters to what the bed is owed only while brine is in question.
            let stands = bed.owes.is_some() || bed.at == Some(Position::BrineDraw);
            let stood = if stands { age(bed.since_ms) } else { 0 };
            (bed.at, stood, bed.owes, motor.motion, age(motor.since_ms), motor.last_run).hash(&mut hasher);
        }
        (self.contacts, self.faults_used, self.stalled).hash(&mut hasher);
        hasher.finish()
    }

    /// What the adversary may do now.
    #[must_use]
    pub fn acts(&self, powers: Powers) -> Vec<Act> {
        let mut acts = vec![Act::Wait];
        let serving_has_some = self.tanks().any(|(_, duty, left)| duty == DutyKind::Serving && left > Volume::ZERO);
        if serving_has_some {
            acts.push(Act::Water);
        }
        for (tank, duty, _) in self.tanks() {
            let valve = &self.plant.valves()[tank.index()];
            if powers.operators {
                acts.extend(self.wishes(tank, duty).into_iter().map(Act::Operator));
            }
            if self.stalled & (1 << tank.0) != 0 {
                acts.push(Act::Mend(tank));
            } else if self.faults_used < powers.faults {
                if valve.motion() != Motion::Off {
                    acts.push(Act::Stall(tank));
                } else if valve.position().is_some() {
                    acts.push(Act::Turn(tank));
                }
            }
        }
        if powers.contacts {
            acts.extend(Contact::ALL.iter().map(|contact| Act::Contact(*contact)));
        }
        acts
    }

    /// Wishes that are not refused for certain.
    fn wishes(&self, tank: TankId, duty: DutyKind) -> Vec<Action> {
        use Action as A;
        let asked = self.controller.tanks().get(tank.index()).is_some_and(|t| !t.demand().causes().is_empty());
        match duty {
            DutyKind::Regenerating => vec![A::StepForward(tank), A::Abort(tank)],
            DutyKind::Out => vec![A::PutBack(tank), A::Vouch(tank)],
            _ if asked => vec![A::Withdraw(tank), A::TakeOut(tank), A::Hold(tank), A::Release(tank), A::Vouch(tank)],
            _ => vec![A::StartNow(tank), A::TakeOut(tank)],
        }
    }

    fn tanks(&self) -> impl Iterator<Item = (TankId, DutyKind, Volume)> + '_ {
        (0u8..).map(TankId).zip(self.controller.tanks()).map(|(id, t)| (id, t.duty().kind(), t.ledger().remaining()))
    }

    /// Does something, and looks at every rule after every call.
    pub fn act(&mut self, act: Act, seen: &mut Seen) {
        match act {
            Act::Wait => self.wait(seen),
            Act::Water => self.water(seen),
            Act::Operator(action) => self.tell(Input::Operator { who: Who::Panel, action }, seen),
            Act::Contact(contact) => {
                let place = Contact::ALL.iter().position(|c| *c == contact).unwrap_or(0);
                self.contacts[place] = !self.contacts[place];
                self.tell(Input::Contact { contact, closed: self.contacts[place] }, seen);
            }
            Act::Stall(tank) => {
                self.faults_used += 1;
                self.stalled |= 1 << tank.0;
                let _ = self.plant.arm(tank, Fault::MotorStalled);
                self.tell_news(seen);
            }
            Act::Mend(tank) => {
                self.stalled &= !(1 << tank.0);
                let _ = self.plant.disarm(tank, Fault::MotorStalled);
                self.tell_news(seen);
            }
            Act::Turn(tank) => {
                self.faults_used += 1;
                let _ = self.plant.arm(tank, Fault::MovedByHand(None));
                self.tell_news(seen);
            }
        }
        self.look(seen);
    }

    fn wait(&mut self, seen: &mut Seen) {
        let deadline = self.controller.next_deadline().map(|at| at.as_ticks());
        let own = self.plant.next_change_ms().into_iter().chain(deadline).min();
        let most = self.now_ms + LONGEST_WAIT_MS;
        self.now_ms = own.map_or(most, |own| own.clamp(self.now_ms, most));
        self.plant.advance(self.now_ms);
        self.tell_news(seen);
        self.tell(Input::Tick, seen);
    }

    /// Lets time pass until a moment.
    #[cfg(test)]
    pub(super) fn wait_until(&mut self, until_ms: u64, seen: &mut Seen) {
        let next = |node: &Self| {
            let deadline = node.controller.next_deadline().map(|at| at.as_ticks());
            node.plant.next_change_ms().into_iter().chain(deadline).min().unwrap_or(u64::MAX)
        };
        while next(self) <= until_ms {
            self.act(Act::Wait, seen);
        }
        self.now_ms = until_ms;
        self.plant.advance(until_ms);
        self.tell(Input::Tick, seen);
    }

    /// A third of what a fresh tank holds, at once, and the millisecond in which it is decided upon.
    fn water(&mut self, seen: &mut Seen) {
        let (meter, count) = self.portion();
        self.tell(Input::Pulses { meter, count }, seen);
        self.look(seen);
        self.now_ms += 1;
        self.plant.advance(self.now_ms);
        self.tell_news(seen);
        self.tell(Input::Tick, seen);
    }

    /// The meter, from 0, that sees the next portion of water, and its pulses.
    fn portion(&self) -> (u8, u32) {
        let serving = self.tanks().find(|(_, duty, _)| *duty == DutyKind::Serving).map_or(0, |(id, ..)| id.0);
        let common = self.controller.settings().meter.place == MeterPlace::Common;
        (if common { 0 } else { serving }, self.limits.gulp)
    }

    /// The next portion of water as a row of a scenario has it: the meter's part, and the pulses.
    pub(super) fn gulp(&self) -> (String, u32) {
        let (meter, count) = self.portion();
        let common = self.controller.settings().meter.place == MeterPlace::Common;
        (if common { String::new() } else { format!(", {}", meter + 1) }, count)
    }

    /// Whether a contact is closed at its pin.
    pub(super) fn is_closed(&self, contact: Contact) -> bool {
        Contact::ALL.iter().zip(self.contacts).any(|(known, closed)| *known == contact && closed)
    }

    fn tell_news(&mut self, seen: &mut Seen) {
        for i in 0..self.plant.valves().len() {
            let Some(closed) = self.plant.valves_mut()[i].take_news() else { continue };
            let tank = TankId(u8::try_from(i).unwrap_or(u8::MAX));
            self.tell(Input::Switches { tank, closed }, seen);
        }
    }

    fn tell(&mut self, input: Input, seen: &mut Seen) {
        // A refusal changes nothing, and is a state that was seen before.
        let _ = self.controller.handle(Instant::from_ticks(self.now_ms), input);
        for (valve, tank) in self.plant.valves_mut().iter_mut().zip(self.controller.tanks()) {
            let (motion, pilots) = (tank.drive().motion(), tank.drive().pilots(&self.controller.settings().drive));
            if motion != valve.motion() || pilots != valve.pilots() {
                valve.advance(self.now_ms);
                valve.command(motion);
                valve.command_pilots(pilots);
            }
        }
        let first = seen.records.len();
        while let Some(record) = self.controller.take_record() {
            seen.records.push(record);
        }
        self.check(first, seen);
    }

    /// The valves as they stand now.
    fn look(&mut self, seen: &mut Seen) {
        let first = seen.records.len();
        self.check(first, seen);
    }

    // ---- rules, from the plant's side ------------------------------------------------------------------

    fn check(&mut self, first: usize, seen: &mut Seen) {
        let mut broken = Vec::new();
        let records = seen.records.get(first..).unwrap_or_default();
        self.check_counts(&mut broken);
        self.check_water(&mut broken);
        self.check_holds(&mut broken);
        self.check_ledgers(records, &mut broken);
        for i in 0..self.plant.valves().len() {
            self.check_motor(i, &mut broken);
            self.check_bed(i, &mut broken);
        }
        seen.broken.extend(broken);
    }

    /// S1, S2, S3: how many regenerate, discharge and serve.
    fn check_counts(&self, broken: &mut Vec<Broken>) {
        let settings = self.controller.settings();
        let regenerating = self.tanks().filter(|(_, duty, _)| *duty == DutyKind::Regenerating).count();
        if regenerating > usize::from(settings.max_regenerating) {
            broken.push(Broken { rule: "S1", text: format!("{regenerating} tanks regenerate") });
        }
        if self.faults_used > 0 {
            return;
        }
        let resting = |valve: &&Valve| valve.motion() == Motion::Off;
        let valves = || self.plant.valves().iter();
        let discharging = valves().filter(resting).filter(|v| v.position().is_some_and(Position::discharges)).count();
        if discharging > 1 {
            broken.push(Broken { rule: "S1", text: format!("{discharging} valves discharge") });
        }
        let out = self.tanks().any(|(_, duty, _)| duty == DutyKind::Out);
        let floor = if settings.tanks > 1 && !settings.allow_untreated && !out { 1 } else { 0 };
        let serving = valves().filter(|v| v.position() == Some(Position::Service)).count();
        if serving < floor {
            broken.push(Broken { rule: "S2", text: format!("{serving} valves stand in service") });
        }
    }

    /// S5: the parts make up what was metered.
    fn check_water(&self, broken: &mut Vec<Broken>) {
        let accounts = self.controller.accounts();
        let sum = accounts.charged.0 + accounts.blended.0 + accounts.untreated.0 + accounts.drained.0;
        if sum != accounts.metered.0 {
            let text = format!("{} nL metered, {sum} nL accounted for", accounts.metered.0);
            broken.push(Broken { rule: "S5", text });
        }
    }

    /// S8: a waiting tank names a hold, once everything of this instant is decided.
    fn check_holds(&self, broken: &mut Vec<Broken>) {
        let due = self.controller.next_deadline().is_some_and(|at| at.as_ticks() <= self.now_ms + 1);
        for (id, duty, _) in self.tanks().filter(|_| !due) {
            let Some(why) = self.controller.why(id) else { continue };
            if duty != DutyKind::Regenerating && !why.causes.is_empty() && why.holds.is_empty() {
                broken.push(Broken { rule: "S8", text: format!("{id} waits and nothing holds it") });
            }
        }
    }

    /// S6: what is left in a bed grows only by a complete regeneration.
    fn check_ledgers(&mut self, records: &[Record], broken: &mut Vec<Broken>) {
        let now: Vec<_> = self.tanks().map(|(id, _, left)| (id, left.nl())).collect();
        for (id, left) in now {
            let complete = records.iter().any(|record| {
                matches!(record.event, Event::Ended { tank, outcome: bedkeeper::sequence::Outcome::Complete, .. } if tank == id)
            });
            let before = std::mem::replace(&mut self.left[id.index()], left);
            if left > before && !complete && before > 0 {
                let text = format!("{id} has {left} nL left and had {before}, without a complete regeneration");
                broken.push(Broken { rule: "S6", text });
            }
        }
    }

    /// S7: a travel limit, and a rest before the other direction.
    fn check_motor(&mut self, i: usize, broken: &mut Vec<Broken>) {
        let motion = self.plant.valves()[i].motion();
        let motor = self.motors[i];
        let ran = self.now_ms.saturating_sub(motor.since_ms);
        let Limits { travel_ms: limit, rest_ms: rest, .. } = self.limits;
        if motor.motion != Motion::Off && ran > limit {
            let text = format!("the motor of tank {} runs for {ran} ms, of {limit}", i + 1);
            broken.push(Broken { rule: "S7", text });
        }
        if motion == motor.motion {
            return;
        }
        let reverses = motion != Motion::Off && motor.last_run != Motion::Off && motion != motor.last_run;
        if reverses && (motor.motion != Motion::Off || ran < rest) {
            let text = format!("the motor of tank {} reverses after {ran} ms of rest", i + 1);
            broken.push(Broken { rule: "S7", text });
        }
        let last_run = if motion == Motion::Off { motor.last_run } else { motion };
        self.motors[i] = Motor { motion, since_ms: self.now_ms, last_run };
    }

    /// S12: a bed that brine was drawn through does not rest in service before its rinses.
    fn check_bed(&mut self, i: usize, broken: &mut Vec<Broken>) {
        let valve = &self.plant.valves()[i];
        let (position, moving) = (valve.position(), valve.motion() != Motion::Off);
        let settings = self.controller.settings();
        let length = |kind| {
            let step = settings.raw().program.iter().find(|step| step.kind == kind);
            step.map_or(0, |step| u64::from(step.length.0))
        };
        let (draw, slow, fast) =
            (length(StepKind::BrineDraw), length(StepKind::SlowRinse), length(StepKind::FastRinse));
        let shared = !settings.positions().contains(Position::SlowRinse);
        let bed = &mut self.beds[i];
        if position != bed.at {
            let stayed = self.now_ms.saturating_sub(bed.since_ms);
            let rested = stayed > PASSING_MS;
            bed.owes = match (bed.at, bed.owes) {
                (Some(Position::BrineDraw), _) if rested && shared => {
                    Some(((draw + slow).saturating_sub(stayed), fast))
                }
                (Some(Position::BrineDraw), _) if rested => Some((slow, fast)),
                (Some(Position::SlowRinse), Some((slow, fast))) => Some((slow.saturating_sub(stayed), fast)),
                (Some(Position::FastRinse), Some((0, fast))) if stayed >= fast => None,
                (_, owes) => owes,
            };
            bed.at = position;
            bed.since_ms = self.now_ms;
        }
        if bed.owes.is_some() && position == Some(Position::Service) && !moving {
            let text = format!("tank {} rests in service with brine not rinsed out", i + 1);
            broken.push(Broken { rule: "S12", text });
        }
    }
}
