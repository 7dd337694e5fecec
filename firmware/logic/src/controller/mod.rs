//! The controller: takes time and inputs, keeps the state, offers outputs and the next deadline.
//!
//! This file holds the state and its entry points; `charging` accounts for water, `replacing` takes new settings, `looking`
//! tells what there is to see. `decide` acts on what is due, each part of it in its own module (`contacts`, `asking`,
//! `driving`, `regenerating`, `purging`, `changing_over`, `joining`, `arbitrating`, `starting`, `deadlines`); `holds` says
//! what stands in the way, `operator` grants or refuses what people ask.

mod absence;
mod after_power;
mod arbitrating;
mod asking;
mod brining;
mod capacity;
mod changing_over;
mod charging;
mod chronicling;
mod contacts;
mod deadlines;
mod decide;
mod draining;
mod driving;
mod giving_way;
mod holds;
mod input;
mod joining;
mod looking;
mod operator;
mod outside;
mod power;
mod pulses;
mod purging;
mod regenerating;
mod relays;
mod replacing;
mod reserving;
mod shared_valve;
mod starting;
mod testing;
#[cfg(test)]
mod tests;
mod watches;

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::brine::Brine;
use crate::calendar::{Civil, Clock, DailyEvent};
use crate::chronicle::RunSoFar;
use crate::contact::{Contact, Debounced};
use crate::derating::Derating;
use crate::drive::{Drive, Motion, Pilots, TwoWay};
use crate::duty::{Duty, Restarts, Tank};
use crate::journal::{Event, Journal, Record, Who};
use crate::ledger::Ledger;
use crate::lifetime::{Lives, OnNow};
use crate::lock::{Key, LockEvent, Locks};
use crate::meter::Meter;
use crate::operator::Refused;
use crate::relay::{RELAYS, Relay};
use crate::reserve::Forecast;
use crate::settings::{Arrangement, MAX_TANKS, MeterPlace, Settings};
use crate::units::{Instant, TankId, TankSet, TotalVolume, later_ms};
use crate::watch::{Alarm, AlarmSet, FlowWatch, Service, Silence, Tally, Watches};

pub(crate) use absence::Presence;
use power::Power;
use pulses::QuietPulses;
use reserving::Reserving;

pub use after_power::RestoreRefused;
pub(crate) use arbitrating::Resources;
pub(crate) use draining::DrainDay;
pub use holds::Why;
pub use input::Input;
use joining::Stage;
pub use power::Save;
pub use replacing::SettingsRefused;
use shared_valve::SharedValve;
use testing::Test;

/// Where the metered water went, to the nanolitre (S5): `metered` is the sum of the other four.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Accounts {
    /// Everything the meters counted.
    pub metered: TotalVolume,
    /// Charged to tanks.
    pub charged: TotalVolume,
    /// Past the tanks through a blending bypass.
    pub blended: TotalVolume,
    /// Past the tanks because none served.
    pub untreated: TotalVolume,
    /// To the drain by rules.
    pub drained: TotalVolume,
    /// The part of `charged` that came when the tank had nothing left.
    pub past_zero: TotalVolume,
    /// Charged to tanks besides, by estimate: what power cuts may have lost, what flowed while dark (P6).
    pub estimated: TotalVolume,
}

/// What the driver must make so; read after every call.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Outputs<const N: usize> {
    /// What each valve motor is told, tank by tank.
    pub motions: Vec<Motion, N>,
    /// What the motor of the shared changeover valve is told (A6).
    pub shared: Motion,
    /// What the pilots of each valve are told, tank by tank; none where a motor moves it.
    pub pilots: Vec<Pilots, N>,
    /// The alarms that stand.
    pub alarms: AlarmSet,
    /// The alarms that nobody has acknowledged, standing or not (W2).
    pub unacknowledged: AlarmSet,
    /// Whether [`Controller::retained`] must be written.
    pub save: Save,
    /// The levels of the relays' pins: high = coil energised (Y1, Y2).
    pub relays: [bool; RELAYS],
}

/// A change of the tank that serves (S3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Changeover {
    /// The tank that is to leave, if one serves.
    from: Option<TankId>,
    /// The tank that takes over.
    to: TankId,
    /// `to` has confirmed; `from` is on its way out.
    relieved: bool,
}

/// Contacts of the plant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Contacts {
    remote: Debounced,
    sensor: Debounced,
    low_pressure: Debounced,
    brine_full: Debounced,
    brine_empty: Debounced,
    brine_ready: Debounced,
    /// The closure of the remote contact that has been acted on.
    remote_served: Option<Instant>,
}

/// The settings want more tanks than this controller was built for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct TooManyTanks;

/// Whether an input leaves something to decide.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Effect {
    Quiet,
    Decide,
    /// Decide a millisecond later, when every pulse of this instant is in: however they were
    /// batched, the decision is the same.
    Soon,
}

/// The regeneration logic of one site with up to `N` tanks. See the crate's front page for how to drive it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Controller<const N: usize> {
    settings: Settings,
    now: Instant,
    clock: Clock,
    hour: DailyEvent,
    /// When the calendar last asked, and how many dates after the one it asked for.
    scheduled_at: Option<(Instant, u32)>,
    tanks: Vec<Tank, N>,
    meters: Vec<Meter, N>,
    contacts: Contacts,
    brine: Brine,
    changeover: Option<Changeover>,
    /// Tanks on their way into service at parallel and staged sites.
    joining: TankSet,
    /// Staged: whether the flow wants each further tank.
    stages: Vec<Stage, N>,
    resources: Resources,
    shared: Option<SharedValve>,
    accounts: Accounts,
    drain: DrainDay,
    forecast: Forecast,
    reserving: Reserving,
    lives: Lives<N>,
    on_now: OnNow<N>,
    closed_flow_at: Option<Instant>,
    settings_rejected: bool,
    watches: Watches,
    flow_watch: FlowWatch,
    /// How long each meter has been silent although its tank serves.
    silences: Vec<Silence, N>,
    service: Service,
    tally: Tally,
    quiet_pulses: QuietPulses,
    relays: [Relay; RELAYS],
    relays_decided: bool,
    locks: Locks,
    presence: Presence,
    test: Option<Test>,
    journal: Journal<N>,
    /// Records written by the decision under way.
    written: u8,
    power: Power,
    /// Tanks whose beds the building's water passes.
    in_service: TankSet,
    /// `in_service` before the present instant: a pulse tells of water that has already passed.
    charging: TankSet,
    /// Whose turn it is to take the nanolitres that do not divide.
    share_turn: u8,
    /// Thousandths of a nanolitre that the blending bypass has not been given yet.
    blend_carry: u16,
    /// Some tank waits, so that a pulse may change what holds it.
    waiting: bool,
    deadline: Instant,
}

const NEVER: Instant = Instant::from_ticks(u64::MAX);

impl<const N: usize> Controller<N> {
    /// A controller at power-up with fresh beds: drives off, positions unknown; tank 1, or every tank of a
    /// parallel site, believed to serve.
    ///
    /// # Errors
    /// The settings have more than `N` tanks.
    pub fn new(now: Instant, settings: Settings) -> Result<Self, TooManyTanks> {
        let count = usize::from(settings.tanks);
        if count > N || count > MAX_TANKS {
            return Err(TooManyTanks);
        }
        let in_service = joining::first_serving(settings.arrangement, settings.tanks);
        // Where tanks serve together they are not to be spent together (L4).
        let together = matches!(settings.arrangement, Arrangement::Parallel | Arrangement::Staged);
        let of = if together { settings.tanks } else { 0 };
        let reserving = Reserving::new(&settings);
        let reserve = reserving.told(settings.reserve);
        let fresh = |id: TankId| Tank {
            duty: if in_service.contains(id) { Duty::Serving } else { Duty::Ready { since: now } },
            ledger: Ledger::staggered(now, settings.loaded_medium(), &reserve, id.0, of),
            derating: Derating::new(capacity::powered_day(now)),
            demand: crate::demand::Demand::default(),
            drive: Drive::new(now),
            unproven: false,
            salted: false,
            leaving: false,
            regenerations: 0,
            overlong: false,
            moved: false,
            chronicle: RunSoFar::default(),
            restarts: Restarts::default(),
        };
        let tanks = crate::collect((0..settings.tanks).map(TankId).map(fresh));
        let meters = match settings.meter.place {
            MeterPlace::Common => 1,
            MeterPlace::PerTank => count,
        };
        Ok(Self {
            now,
            clock: Clock::default(),
            hour: DailyEvent::default(),
            scheduled_at: None,
            tanks,
            meters: crate::collect((0..meters).map(|_| Meter::new(now))),
            contacts: Contacts::default(),
            // An installer fills it before the first regeneration; no logic was there to see it.
            brine: Brine::filled(settings.first_brine()),
            changeover: None,
            joining: TankSet::EMPTY,
            stages: crate::collect(settings.sharing.join_above.iter().map(|_| Stage::default())),
            resources: Resources::default(),
            shared: settings.sharing.shared_valve.map(|_| SharedValve { valve: TwoWay::new(now), moved: false }),
            accounts: Accounts::default(),
            drain: DrainDay::default(),
            forecast: Forecast::default(),
            reserving,
            lives: Lives::new(count),
            on_now: OnNow::new(count),
            closed_flow_at: None,
            settings_rejected: false,
            watches: Watches::default(),
            flow_watch: FlowWatch::default(),
            silences: crate::collect((0..meters).map(|_| Silence::default())),
            service: Service::done(now),
            tally: Tally::default(),
            quiet_pulses: QuietPulses::default(),
            relays: [Relay::new(now); RELAYS],
            relays_decided: false,
            locks: Locks::default(),
            presence: Presence::default(),
            test: None,
            journal: Journal::default(),
            power: Power::new(now),
            written: 0,
            in_service,
            charging: in_service,
            share_turn: 0,
            blend_carry: 0,
            waiting: false,
            // The inputs of the power-up instant come first.
            deadline: later_ms(now, 1),
            settings,
        })
    }

    /// A controller on the built-in baseline, since the settings given do not pass: `settings-rejected` stands (S11).
    ///
    /// # Errors
    /// `N` is 0.
    pub fn on_baseline(now: Instant) -> Result<Self, TooManyTanks> {
        let mut controller = Self::new(now, Settings::baseline())?;
        controller.settings_rejected = true;
        Ok(controller)
    }

    /// Takes an input at a time. An earlier `now` than the last counts as the last.
    ///
    /// What time has made due is done first, as if the driver had called for it just before; so an
    /// extra call changes nothing, and what came too late for its deadline does not change the past.
    ///
    /// # Errors
    /// The input was refused; nothing has changed but the time.
    pub fn handle(&mut self, now: Instant, input: Input) -> Result<(), Refused> {
        if matches!(input, Input::Pulses { meter: 0, count: 1 }) && self.count_quietly(now) {
            return Ok(());
        }
        self.handle_in_full(now, input)
    }

    /// Takes an input of which more may come than that a pulse is counted.
    #[inline(never)]
    fn handle_in_full(&mut self, now: Instant, input: Input) -> Result<(), Refused> {
        self.book_pulses();
        let now = self.advance(now);
        if now >= self.deadline {
            self.decide(now);
        }
        let effect = match input {
            Input::Pulses { meter, count } => self.take_pulses(now, meter, count),
            other => self.take_in(now, other),
        }?;
        match effect {
            Effect::Quiet => {}
            Effect::Decide => self.decide(now),
            Effect::Soon => self.deadline = self.deadline.min(later_ms(now, 1)),
        }
        Ok(())
    }

    /// Lets time pass; an earlier `now` counts as the last.
    fn advance(&mut self, now: Instant) -> Instant {
        if now > self.now {
            self.now = now;
            self.charging = self.in_service;
        }
        self.now
    }

    /// Kept apart from the pulses, which come far more often than all else and cost little.
    #[inline(never)]
    fn take_in(&mut self, now: Instant, input: Input) -> Result<Effect, Refused> {
        match input {
            Input::Tick => Ok(Effect::Quiet),
            Input::Pulses { meter, count } => self.take_pulses(now, meter, count),
            Input::MeterContact { meter, closed } => {
                let unit = self.meters.get_mut(usize::from(meter)).ok_or(Refused::NoSuchMeter)?;
                let count = unit.contact(now, closed, self.settings.meter_settings());
                let due = unit.deadline().unwrap_or(NEVER);
                self.deadline = self.deadline.min(due);
                if count == 0 { Ok(Effect::Quiet) } else { self.take_pulses(now, meter, count) }
            }
            Input::Switches { tank, closed } => {
                let unit = self.tanks.get_mut(tank.index()).ok_or(Refused::NoSuchTank)?;
                let before = unit.drive.passing(&self.settings.drive);
                let event = unit.drive.set_switches(now, closed, &self.settings.drive);
                let after = unit.drive.passing(&self.settings.drive);
                self.note_drive(tank, event);
                self.note_passing(tank, before, after);
                Ok(Effect::Decide)
            }
            Input::SharedSwitches { closed } => {
                if self.shared.is_none() {
                    return Err(Refused::NoSharedValve);
                }
                self.set_shared_switches(now, closed);
                Ok(Effect::Decide)
            }
            Input::Contact { contact, closed } => {
                self.contact_mut(contact).set(now, closed);
                Ok(Effect::Decide)
            }
            Input::Clock(civil) => {
                self.set_clock(now, civil);
                Ok(Effect::Decide)
            }
            Input::Store(wear) => {
                self.watches.report(Alarm::StoreWorn, wear.is_worn());
                Ok(Effect::Decide)
            }
            Input::Unlock { who, key } => self.unlock(now, who, key).map(|()| Effect::Quiet),
            Input::Relock { who } => {
                let event = self.locks.close(who);
                self.write(Event::Lock { who, event });
                Ok(Effect::Quiet)
            }
            Input::Operator { who, action } => self.operate(now, who, action).map(|()| Effect::Decide),
        }
    }

    fn contact(&self, contact: Contact) -> &Debounced {
        match contact {
            Contact::Remote => &self.contacts.remote,
            Contact::Sensor => &self.contacts.sensor,
            Contact::LowPressure => &self.contacts.low_pressure,
            Contact::BrineFull => &self.contacts.brine_full,
            Contact::BrineEmpty => &self.contacts.brine_empty,
            Contact::BrineReady => &self.contacts.brine_ready,
        }
    }

    fn contact_mut(&mut self, contact: Contact) -> &mut Debounced {
        match contact {
            Contact::Remote => &mut self.contacts.remote,
            Contact::Sensor => &mut self.contacts.sensor,
            Contact::LowPressure => &mut self.contacts.low_pressure,
            Contact::BrineFull => &mut self.contacts.brine_full,
            Contact::BrineEmpty => &mut self.contacts.brine_empty,
            Contact::BrineReady => &mut self.contacts.brine_ready,
        }
    }

    fn set_clock(&mut self, now: Instant, civil: Option<Civil>) {
        let was_set = self.clock.is_set();
        let drained = self.drained_today(now);
        let change = self.clock.set(now, civil);
        self.hour.clock_changed(change);
        self.day_after_clock(now, was_set, change);
        let moved_s = change.moved_ms.map(|ms| ms / 1_000);
        // A moved clock opens no second allowance for the same day's drain water.
        self.drain = DrainDay { day: self.drain_day(now), drained };
        if self.clock.is_set() {
            if moved_s != Some(0) {
                self.write(Event::ClockSet { moved_s });
            }
        } else if was_set {
            self.write(Event::ClockLost);
        }
    }

    fn unlock(&mut self, now: Instant, who: Who, key: Key) -> Result<(), Refused> {
        let event = self.locks.offer(now, who, key, &self.settings.locks);
        self.write(Event::Lock { who, event });
        match event {
            LockEvent::Opened | LockEvent::Closed => Ok(()),
            LockEvent::WrongCode => Err(Refused::WrongKey),
            LockEvent::Barred => Err(Refused::Barred),
        }
    }

    fn write(&mut self, event: Event) {
        let record = Record { at: self.now, civil: self.clock.civil(self.now), event };
        self.power.noted(&event);
        self.journal.write(record);
        self.written = self.written.saturating_add(1);
    }

    /// One call may make two decisions, and what one tank writes comes on top: past this the decision
    /// goes on a millisecond later, so that no record is lost, however many tanks there are. Two
    /// tanks never have so much to say.
    fn has_room(&self) -> bool {
        let room = Journal::<N>::CAPACITY / 2;
        N <= 2 || usize::from(self.written) < room.saturating_sub(5)
    }
}

/// Tanks with their ids.
fn tank_ids<const N: usize>(tanks: &Vec<Tank, N>) -> impl Iterator<Item = (TankId, &Tank)> + use<'_, N> {
    (0u8..).map(TankId).zip(tanks.iter())
}

/// A regeneration is asked for and has not started.
fn is_waiting(tank: &Tank) -> bool {
    (tank.regeneration().is_none() || tank.makes_up()) && !tank.demand.causes().is_empty()
}
