//! A recording drives the real logic and a plant, jumping from event to event.
//!
//! Three things can happen next: the recording's next pulse, the controller's next deadline, a switch of a
//! valve that turns. The earliest is taken; at one instant a valve comes first, then the deadline, then the
//! pulse. Nothing is stepped in between, so that quiet nights cost nothing.

mod bare_contact;
mod checker;
mod contacts;
mod driven;
mod files;
mod forecast;
mod gather;
mod power;
mod relay_times;
mod vcd;
mod water;

pub use bare_contact::ContactTally;
pub use checker::Checker;
pub(crate) use contacts::contacts_of;
pub use driven::Driven;
pub use files::{JournalFile, RegenerationTable};
pub use forecast::next_expected;
pub use gather::Gatherer;
pub use power::{PowerCut, Supply};
pub use vcd::VcdFile;

use bedkeeper::calendar::Civil;
use bedkeeper::journal::Record;
use bedkeeper::program::Position;
use bedkeeper::relay::RELAYS;
use bedkeeper::settings::{Arrangement, MeterPlace, RawDrive};
use bedkeeper::units::{Instant, TankId, elapsed_ms};
use bedkeeper::{Controller, Input, Settings};
use jiff::civil::DateTime;

use crate::plant::{Fault, FaultRefused, Plant, Valve, ValveMachine, WhichValve};
use crate::process::{Process, ProcessError};
use crate::recording::{COMMON_METER, Entry, Pulses, Recording, RecordingError};

/// The controller that the host runs: the same logic, with room for every site.
pub type HostController = Controller<8>;

/// How the simple plant's valves move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ValveTimes {
    /// Travel from one position to the next, ms.
    pub leg_ms: u64,
    /// Turning on after the motor stops, ms.
    pub coast_ms: u64,
}

/// Someone who looks on while a replay runs.
pub trait Observer {
    /// The logic wrote a record. The world is as it is right after the call that wrote it.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()>;

    /// A call that wrote records, moved a valve or changed a motor is over.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn after(&mut self, _world: &World) -> std::io::Result<()> {
        Ok(())
    }

    /// Power has failed or returned; when it returns, the logic has been told nothing yet.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn power(&mut self, _on: bool, _world: &World) -> std::io::Result<()> {
        Ok(())
    }

    /// Water passed while power was off: the pulses that a meter would have given.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn unmetered(&mut self, _pulses: &Pulses, _world: &World) -> std::io::Result<()> {
        Ok(())
    }

    /// Pulses have been taken.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn pulses(&mut self, _pulses: &Pulses, _world: &World) -> std::io::Result<()> {
        Ok(())
    }

    /// The replay is over.
    ///
    /// # Errors
    /// An evidence file could not be written.
    fn end(&mut self, _world: &World) -> std::io::Result<()> {
        Ok(())
    }
}

/// The controller and the plant it controls.
pub struct World {
    /// The logic.
    pub controller: Driven,
    /// The plant: its valves, in the order of the tanks.
    pub plant: Plant,
    /// Now, ms since the recording's start.
    pub now_ms: u64,
    /// Civil time at the recording's start, if known.
    pub start: Option<DateTime>,
    /// Last pulse, ms; the recording's span once it has been read.
    pub span_ms: u64,
    /// Which relays are on, whatever their polarity.
    pub relays_on: [bool; RELAYS],
    /// The plant's water, resin, brine and pressure, where they are modelled.
    pub process: Option<Process>,
    /// Power, and what outlives its cuts.
    pub supply: Supply,
    /// What the logic was told of the contacts that the plant's water moves.
    contacts: contacts::PlantContacts,
    /// The contacts that someone moves from outside.
    outside: contacts::OutsideContacts,
    /// What bare meter contacts did.
    pub contact_tally: ContactTally,
}

/// Why a replay could not go on.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The recording is at fault.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// The recording and the site do not fit each other.
    #[error("{0}")]
    Mismatch(String),
    /// An evidence file could not be written.
    #[error("an evidence file could not be written: {0}")]
    Output(#[from] std::io::Error),
    /// The plant's physics could not go on.
    #[error("{0}")]
    Process(#[from] ProcessError),
    /// The logic refused pulses.
    #[error("at {at_s} s the logic refused pulses: {why}")]
    Refused {
        /// When.
        at_s: u64,
        /// Why.
        why: bedkeeper::Refused,
    },
}

impl ReplayError {
    /// A full plant has to know of pulses before they come, and edges are only judged when they have come.
    pub(crate) fn edges_in_a_full_plant() -> Self {
        let why = "the full plant needs pulses, and the recording has edges of a contact\n  help: make pulses of it: \
                   bedkeeper demand --from FILE -o NEW.csv";
        Self::Mismatch(why.to_owned())
    }
}

impl World {
    /// A plant at power-up: tank 1 stands in service, the others shut off; all in service at a parallel site.
    ///
    /// # Errors
    /// The settings have more tanks than the host runs.
    pub fn new(settings: Settings, times: ValveTimes, start: Option<DateTime>) -> Result<Self, ReplayError> {
        let all = settings.arrangement == Arrangement::Parallel;
        let valves = (0..settings.tanks)
            .map(|i| {
                let machine = ValveMachine::of(&settings.drive, times.leg_ms, times.coast_ms);
                let place = if i == 0 || all { Position::Service } else { settings.rest_position() };
                Valve::standing_in(machine, place)
            })
            .collect();
        let shared = settings.sharing.shared_valve.map(|valve| {
            let ends = RawDrive::TwoPosition { positions: [Position::Service, Position::Standby], valve };
            let machine = ValveMachine::of(&ends, times.leg_ms, times.coast_ms);
            Valve::standing_in(machine, Position::Service)
        });
        let controller = Controller::new(Instant::from_ticks(0), settings)
            .map_err(|_| ReplayError::Mismatch("the site has more tanks than this program runs (8)".to_owned()))?;
        Ok(Self {
            controller: controller.into(),
            plant: Plant::new(valves).with_shared(shared),
            now_ms: 0,
            start,
            span_ms: 0,
            relays_on: [false; RELAYS],
            process: None,
            supply: Supply::default(),
            contacts: contacts::PlantContacts::default(),
            outside: contacts::OutsideContacts::default(),
            contact_tally: ContactTally::default(),
        })
    }

    /// Another world in the same state, to see what else could come of it; for plants whose water is not modelled.
    pub(crate) fn fork(&self) -> Self {
        Self {
            controller: Driven::from(HostController::clone(&self.controller)),
            plant: self.plant.clone(),
            supply: self.supply.clone(),
            process: self.process.clone(),
            ..*self
        }
    }

    /// The valves, in the order of the tanks.
    #[must_use]
    pub fn valves(&self) -> &[Valve] {
        self.plant.valves()
    }

    /// Arms a fault on a valve now.
    ///
    /// # Errors
    /// No such valve, or a fault that its kind cannot have.
    pub fn arm(&mut self, valve: impl Into<WhichValve>, fault: Fault) -> Result<(), FaultRefused> {
        self.plant.advance(self.now_ms);
        self.plant.arm(valve, fault)
    }

    /// Takes a fault away now; says whether it was armed.
    ///
    /// # Errors
    /// No such valve.
    pub fn disarm(&mut self, valve: impl Into<WhichValve>, fault: Fault) -> Result<bool, FaultRefused> {
        self.plant.advance(self.now_ms);
        self.plant.disarm(valve, fault)
    }

    /// Civil time at an instant of the replay, as the logic counts it.
    #[must_use]
    pub fn civil_at(&self, at_ms: u64) -> Option<Civil> {
        let start = crate::quantity::civil::counted(self.start?)?;
        Some(Civil(start.0 + at_ms))
    }

    /// The logic's number of the meter that a row is about.
    fn meter_of(&self, pulses: &Pulses) -> Result<u8, ReplayError> {
        let settings = self.controller.settings();
        match (settings.meter.place, pulses.meter) {
            (MeterPlace::Common, COMMON_METER) => Ok(0),
            (MeterPlace::Common, meter) => Err(ReplayError::Mismatch(format!(
                "the recording has pulses of a meter of tank {meter}, but the site has one meter on the common outlet"
            ))),
            (MeterPlace::PerTank, COMMON_METER) => Err(ReplayError::Mismatch(
                "the site has a meter on each tank, but the recording does not say which meter its pulses are from; \
                 it needs a column `meter`"
                    .to_owned(),
            )),
            (MeterPlace::PerTank, meter) if meter <= settings.tanks => Ok(meter - 1),
            (MeterPlace::PerTank, meter) => Err(ReplayError::Mismatch(format!(
                "the recording has pulses of the meter of tank {meter}, and the site has {} tanks",
                settings.tanks
            ))),
        }
    }

    /// When something next happens by itself.
    #[must_use]
    pub fn next_event_ms(&self) -> Option<u64> {
        let deadline = self.controller.next_deadline().map(|d| d.as_ticks()).filter(|_| !self.supply.is_dark());
        let power = self.supply.next_change_ms();
        let look = self.next_look_ms();
        self.plant.next_change_ms().into_iter().chain(deadline).chain(power).chain(look).min()
    }

    fn is_regenerating(&self) -> bool {
        self.controller.tanks().iter().any(|t| t.regeneration().is_some())
    }
}

/// A replay under way.
pub struct Replay<'o> {
    world: World,
    observers: Vec<&'o mut dyn Observer>,
}

impl<'o> Replay<'o> {
    /// Prepares a replay with its onlookers.
    #[must_use]
    pub fn new(world: World, observers: Vec<&'o mut dyn Observer>) -> Self {
        Self { world, observers }
    }

    /// Runs the recording to its end, and a regeneration that still runs then to its own; `progress` is
    /// called now and then with the reader's progress.
    ///
    /// # Errors
    /// The recording is at fault, does not fit the site, or an evidence file could not be written.
    pub fn run(
        mut self,
        recording: &mut Recording,
        mut progress: impl FnMut(&Recording),
    ) -> Result<World, ReplayError> {
        self.power_up()?;
        let mut rows: u32 = 0;
        if recording.has_edges() && self.world.process.is_some() {
            return Err(ReplayError::edges_in_a_full_plant());
        }
        while let Some(entry) = recording.next_entry()? {
            if let Entry::Pulses(pulses) = &entry {
                self.world.expect_water(pulses);
            }
            self.run_to(entry.at_ms())?;
            self.take(&entry)?;
            rows = rows.wrapping_add(1);
            if rows.is_multiple_of(4096) {
                progress(recording);
            }
        }
        self.finish()?;
        Ok(self.into_world())
    }

    /// The world as it is now.
    #[must_use]
    pub fn world(&self) -> &World {
        &self.world
    }

    /// The world as it is now, to break something in it. What that changes is noticed at [`Replay::stir`].
    pub fn world_mut(&mut self) -> &mut World {
        &mut self.world
    }

    /// Ends a replay.
    #[must_use]
    pub fn into_world(self) -> World {
        self.world
    }

    /// The first calls after power came: the clock, then every switch and contact.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn power_up(&mut self) -> Result<(), ReplayError> {
        // Power-up order of the driver contract: clock, switches, contacts.
        let civil = self.world.shown_clock();
        self.tell(Input::Clock(civil))?;
        self.tell_news()?;
        self.tell_outside_contacts()?;
        self.tell_wear()
    }

    /// Everything that happens by itself until a time.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn run_to(&mut self, until_ms: u64) -> Result<(), ReplayError> {
        while self.step_to(until_ms)? {}
        Ok(())
    }

    /// The next thing that happens by itself; says whether one came, and else lets time pass until `until_ms`.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn step_to(&mut self, until_ms: u64) -> Result<bool, ReplayError> {
        let Some(next) = self.world.next_event_ms().filter(|next| *next <= until_ms) else {
            self.world.flow_to(until_ms)?;
            self.world.now_ms = self.world.now_ms.max(until_ms);
            self.tell_plant_contacts()?;
            return Ok(false);
        };
        // A cut that came late comes now.
        let next = next.max(self.world.now_ms);
        self.world.flow_to(next)?;
        self.world.now_ms = next;
        self.stir()?;
        self.switch_power()?;
        self.tell_plant_contacts()?;
        self.tell(Input::Tick)?;
        Ok(true)
    }

    /// Lets every valve come to now, and tells the switches that changed by that.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn stir(&mut self) -> Result<(), ReplayError> {
        self.world.plant.advance(self.world.now_ms);
        if self.world.supply.is_dark() {
            return Ok(());
        }
        self.tell_news()
    }

    /// Pulses that come now.
    ///
    /// # Errors
    /// They are of a meter that the site does not have; an evidence file could not be written.
    pub fn take_pulses(&mut self, pulses: &Pulses) -> Result<(), ReplayError> {
        let world = &mut self.world;
        world.span_ms = pulses.at_ms;
        if world.supply.is_dark() {
            return self.pass_unmetered(pulses);
        }
        let meter = world.meter_of(pulses)?;
        let at = Instant::from_ticks(world.now_ms);
        let mut left = pulses.count;
        while left > 0 {
            let count = left.min(bedkeeper::meter::MAX_BATCH);
            left -= count;
            let taken = world.controller.handle(at, Input::Pulses { meter, count });
            taken.map_err(|why| ReplayError::Refused { at_s: at.as_ticks() / 1_000, why })?;
        }
        // Onlookers count the pulses before they look at what came of them.
        for observer in &mut self.observers {
            observer.pulses(pulses, &self.world)?;
        }
        self.settle(false)
    }

    /// Tells the switches that show what was not told yet.
    fn tell_news(&mut self) -> Result<(), ReplayError> {
        for i in 0..self.world.plant.valves().len() {
            let Some(closed) = self.world.plant.valves_mut().get_mut(i).and_then(Valve::take_news) else { continue };
            let tank = TankId(u8::try_from(i).unwrap_or(u8::MAX));
            self.tell_and(Input::Switches { tank, closed }, true)?;
        }
        if let Some(closed) = self.world.plant.shared_mut().and_then(Valve::take_news) {
            self.tell_and(Input::SharedSwitches { closed }, true)?;
        }
        Ok(())
    }

    fn tell(&mut self, input: Input) -> Result<(), ReplayError> {
        self.tell_and(input, false)
    }

    fn tell_and(&mut self, input: Input, stirred: bool) -> Result<(), ReplayError> {
        let refused = self.offer(input, stirred)?;
        debug_assert_eq!(refused, Ok(()));
        Ok(())
    }

    /// Tells the logic something that it may refuse; whether it did is the inner result. With `stirred` the onlookers
    /// look even if the logic wrote nothing.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn offer(&mut self, input: Input, stirred: bool) -> Result<Result<(), bedkeeper::Refused>, ReplayError> {
        if self.world.supply.is_dark() {
            // Nobody listens.
            return Ok(Ok(()));
        }
        let at = Instant::from_ticks(self.world.now_ms);
        let answer = self.world.controller.handle(at, input);
        self.settle(stirred)?;
        Ok(answer)
    }

    /// Offers settings that passed their check, or tells of some that did not (S11); whether they were taken is the
    /// inner result.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn offer_settings(
        &mut self,
        settings: Option<Settings>,
    ) -> Result<Result<(), bedkeeper::SettingsRefused>, ReplayError> {
        if self.world.supply.is_dark() {
            // Nobody listens.
            return Ok(Ok(()));
        }
        let at = Instant::from_ticks(self.world.now_ms);
        let answer = match settings {
            Some(settings) => self.world.controller.change_settings(at, settings),
            None => {
                self.world.controller.reject_settings(at);
                Ok(())
            }
        };
        self.settle(true)?;
        Ok(answer)
    }

    /// After a call: motors do as they are told, records go to the onlookers.
    fn settle(&mut self, mut stirred: bool) -> Result<(), ReplayError> {
        let world = &mut self.world;
        world.save_if_asked();
        for (valve, tank) in world.plant.valves_mut().iter_mut().zip(world.controller.tanks()) {
            let motion = tank.drive().motion();
            let pilots = tank.drive().pilots(&world.controller.settings().drive);
            if motion != valve.motion() || pilots != valve.pilots() {
                valve.advance(world.now_ms);
                valve.command(motion);
                valve.command_pilots(pilots);
                stirred = true;
            }
        }
        let relays_on = world.controller.relays_on();
        stirred |= std::mem::replace(&mut world.relays_on, relays_on) != relays_on;
        let (motion, now_ms) = (world.controller.shared_motion(), world.now_ms);
        if let Some(valve) = world.plant.shared_mut().filter(|valve| valve.motion() != motion) {
            valve.advance(now_ms);
            valve.command(motion);
            stirred = true;
        }
        while let Some(record) = self.world.controller.take_record() {
            stirred = true;
            for observer in &mut self.observers {
                observer.record(&record, &self.world)?;
            }
        }
        if stirred {
            for observer in &mut self.observers {
                observer.after(&self.world)?;
            }
        }
        Ok(())
    }

    /// No more water: a regeneration under way runs to its end, so that every one has an outcome.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn finish(&mut self) -> Result<(), ReplayError> {
        // What follows from the last pulses is decided a millisecond later, by the driver contract.
        let decided_ms = self.world.span_ms + 1;
        while let Some(next) = self.world.next_event_ms().filter(|next| *next <= decided_ms) {
            self.run_to(next)?;
        }
        let longest = u64::from(self.world.controller.settings().longest_regeneration().0);
        let last = self.world.span_ms + 4 * longest;
        while self.world.is_regenerating() {
            match self.world.next_event_ms() {
                Some(next) if next <= last => self.run_to(next)?,
                _ => break,
            }
        }
        self.stop()
    }

    /// The replay is over as things stand.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn stop(&mut self) -> Result<(), ReplayError> {
        for observer in &mut self.observers {
            observer.end(&self.world)?;
        }
        Ok(())
    }
}

/// Milliseconds of a replay at an instant of the logic.
#[must_use]
pub fn replay_ms(at: Instant) -> u64 {
    elapsed_ms(Instant::from_ticks(0), at)
}
