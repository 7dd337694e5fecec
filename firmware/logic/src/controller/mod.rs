//! The controller: takes time and inputs, keeps the state, offers outputs and the next deadline.
//!
//! This file holds the state, its entry points and its accounts; `decide` acts on what is due, each
//! part of it in its own module (`contacts`, `asking`, `driving`, `regenerating`, `purging`,
//! `changing_over`, `joining`, `arbitrating`, `starting`, `deadlines`); `holds` says what stands in the way, `operator` grants or
//! refuses what people ask.

mod absence;
mod after_power;
mod arbitrating;
mod asking;
mod brining;
mod capacity;
mod changing_over;
mod chronicling;
mod contacts;
mod deadlines;
mod decide;
mod driving;
mod holds;
mod joining;
mod operator;
mod outside;
mod power;
mod pulses;
mod purging;
mod regenerating;
mod relays;
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
use crate::calendar::{Civil, Clock, DAY_MS, DailyEvent};
use crate::chronicle::RunSoFar;
use crate::contact::{Contact, Debounced};
use crate::demand::{CauseSet, Standing};
use crate::derating::Derating;
use crate::drive::{Drive, DriveEvent, Motion, Pilots, Switches, TwoWay};
use crate::duty::{Duty, Restarts, Tank};
use crate::journal::{Event, Journal, Record, Who};
use crate::ledger::Ledger;
use crate::lifetime::{Lives, OnNow};
use crate::lock::{Key, LockEvent, Locks};
use crate::meter::{MAX_BATCH, Meter};
use crate::operator::{Action, Refused};
use crate::program::Position;
use crate::relay::{RELAYS, Relay};
use crate::reserve::Forecast;
use crate::settings::{Arrangement, Effect as TakesEffect, MAX_TANKS, MeterPlace, Settings, difference};
use crate::units::{Flow, Instant, TankId, TankSet, TotalVolume, Volume, later_ms};
use crate::watch::{Alarm, AlarmSet, FlowWatch, Service, StoreWear, Tally, Watches};

pub(crate) use absence::Presence;
use power::Power;
use pulses::QuietPulses;
use reserving::Reserving;

pub use after_power::RestoreRefused;
pub(crate) use arbitrating::Resources;
pub use holds::Why;
use joining::Stage;
pub use power::Save;
use shared_valve::SharedValve;
use testing::Test;

/// What a driver tells the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Input {
    /// Nothing but time passed.
    Tick,
    /// Pulses that the driver has judged by width and gap itself; meter 0 is the common one or tank 1's.
    Pulses {
        /// Which meter, from 0.
        meter: u8,
        /// How many.
        count: u32,
    },
    /// A meter's contact changed its level; the controller judges bounce (M4).
    MeterContact {
        /// Which meter, from 0.
        meter: u8,
        /// Closed.
        closed: bool,
    },
    /// The position switches of a tank's valve, as they are.
    Switches {
        /// Which tank.
        tank: TankId,
        /// Their levels.
        closed: Switches,
    },
    /// The end switches of the shared changeover valve, as they are; bit 0 is tank 1's end (A6).
    SharedSwitches {
        /// Their levels.
        closed: Switches,
    },
    /// A contact's level, as it is.
    Contact {
        /// Which.
        contact: Contact,
        /// Closed.
        closed: bool,
    },
    /// Civil time now, or `None` if it became unknown.
    Clock(Option<Civil>),
    /// How worn the store of what outlives a power cut is, as it is (P2).
    Store(StoreWear),
    /// Someone offers a key to their lock (O1).
    Unlock {
        /// Who.
        who: Who,
        /// What they offer.
        key: Key,
    },
    /// Someone closes their lock.
    Relock {
        /// Who.
        who: Who,
    },
    /// An operator's wish.
    Operator {
        /// Who asks.
        who: Who,
        /// For what.
        action: Action,
    },
}

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

/// Estimated drain water of a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct DrainDay {
    day: u32,
    drained: Volume,
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

/// Why new settings were not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SettingsRefused {
    /// A regeneration runs; offer them again when it is over.
    Regenerating,
    /// Tanks, arrangement or drives differ: only a restart can take them.
    NeedsRestart,
}

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
    /// Since when pulses of each meter are expected: its tank serves; [`NEVER`] if none are.
    expected_since: Vec<Instant, N>,
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
            meters: crate::collect((0..meters).map(|_| Meter::default())),
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
            expected_since: crate::collect((0..meters).map(|_| NEVER)),
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
                let event = unit.drive.set_switches(now, closed, &self.settings.drive);
                self.note_drive(tank, event);
                if event == Some(DriveEvent::StoodInBrine) {
                    self.brine_in_bed(now, tank);
                }
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
        let moved_s = change.moved_ms.map(|ms| i32::try_from(ms.checked_div(1_000).unwrap_or(0)).unwrap_or(i32::MAX));
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

    /// Counts pulses, charges their water, and says whether anything came of it.
    fn take_pulses(&mut self, now: Instant, meter: u8, count: u32) -> Result<Effect, Refused> {
        let unit = self.meters.get_mut(usize::from(meter)).ok_or(Refused::NoSuchMeter)?;
        match count {
            0 => return Ok(Effect::Quiet),
            1..=MAX_BATCH => {}
            _ => return Err(Refused::BatchTooLarge),
        }
        let before = unit.last();
        let volume = unit.pulses(now, count, self.settings.meter_settings());
        let excessive = unit.is_excessive(now, self.settings.meter_settings());
        self.book_metered(volume);
        self.count_caught(meter, count);
        let flow_changed = self.note_flow(now, count);
        let crossed = match self.settings.meter.place {
            MeterPlace::Common => {
                let treated = self.past_bypass(volume);
                self.share(now, treated)
            }
            MeterPlace::PerTank => self.charge_metered_tank(now, TankId(meter), volume),
        };
        let present = self.watches.present();
        let excess_known = present.contains(Alarm::ExcessFlow);
        let speaks_again = present.contains(Alarm::MeterSilent) && self.was_silent(now, before);
        let matters = crossed
            || self.waiting
            || flow_changed
            || speaks_again
            || self.tally.is_due()
            || excessive != excess_known
            || self.stages_stir(now);
        self.foresee_pulses();
        Ok(if matters { Effect::Soon } else { Effect::Quiet })
    }

    /// Follows the flow; says whether somebody wants to know at once that it began.
    fn note_flow(&mut self, now: Instant, count: u32) -> bool {
        let gaps = self.settings.flow_gaps();
        let flowed = gaps.is_followed && self.flow_watch.flows(now, gaps);
        if let Some(alarm_at) = self.flow_watch.pulses(now, count, gaps) {
            self.deadline = self.deadline.min(alarm_at);
        }
        gaps.is_followed && !flowed && self.flow_watch.flows(now, gaps)
    }

    /// Accounts for the share that a blending bypass takes, its remainder carried; returns the rest (M5).
    fn past_bypass(&mut self, volume: Volume) -> Volume {
        let per_mille = self.settings.sharing.bypass_per_mille;
        if per_mille == 0 {
            return volume;
        }
        let (blended, carry) = share_of(volume, per_mille, self.blend_carry);
        self.blend_carry = carry;
        self.accounts.blended.add(blended);
        volume.minus(blended)
    }

    /// Shares water equally among the tanks that served it, to the nanolitre (M2, S5).
    fn share(&mut self, now: Instant, volume: Volume) -> bool {
        let serving = self.charging.len();
        if serving == 0 {
            return self.unserved(now, volume);
        }
        self.accounts.charged.add(volume);
        // The usual case needs no division (M6).
        if serving == 1 {
            return self.charge_one(volume);
        }
        self.share_among(volume, serving)
    }

    /// Water on the common meter that no tank treated: it passed them, or a step used it where the
    /// site says that nothing else passes this meter then (Q2).
    #[inline(never)]
    fn unserved(&mut self, now: Instant, volume: Volume) -> bool {
        let measures = self.settings.meter.measures_steps;
        let regenerating = self.tanks.iter_mut().find_map(|t| match &mut t.duty {
            Duty::Regenerating(regeneration) if measures => Some(regeneration),
            _ => None,
        });
        let Some(regeneration) = regenerating else {
            self.accounts.untreated.add(volume);
            return false;
        };
        self.accounts.drained.add(volume);
        self.tally.take_back(volume);
        regeneration.meter(now, volume, &self.settings)
    }

    /// Charges the one tank that served.
    fn charge_one(&mut self, volume: Volume) -> bool {
        let charging = self.charging;
        let mut tanks = (0u8..).map(TankId).zip(self.tanks.iter_mut());
        let Some((_, tank)) = tanks.find(|(id, _)| charging.contains(*id)) else { return false };
        let charged = tank.ledger.charge(volume);
        if charged.past_zero > Volume::ZERO {
            self.accounts.past_zero.add(charged.past_zero);
        }
        charged.crossed
    }

    /// Charges several tanks that served.
    #[inline(never)]
    fn share_among(&mut self, volume: Volume, serving: u32) -> bool {
        let n = u64::from(serving);
        let each = volume.0.checked_div(n).unwrap_or(0);
        let left = volume.0.checked_rem(n).unwrap_or(0);
        // Nanolitres that do not divide go round in turn.
        let turn = u64::from(self.share_turn).checked_rem(n).unwrap_or(0);
        let next = turn.saturating_add(left).checked_rem(n).unwrap_or(0);
        self.share_turn = u8::try_from(next).unwrap_or(0);
        self.charge_each(Volume(each), left, n.saturating_sub(turn), n)
    }

    /// Charges every tank that served with `each`, and the first `left` of them, from the one
    /// `n - behind` on, with a nanolitre more.
    fn charge_each(&mut self, each: Volume, left: u64, behind: u64, n: u64) -> bool {
        let mut crossed = false;
        let mut order = behind;
        let charging = self.charging;
        let charged_tanks = (0u8..).map(TankId).zip(self.tanks.iter_mut()).filter(|(id, _)| charging.contains(*id));
        for (_, tank) in charged_tanks {
            let more = left > 0 && order.checked_rem(n).is_some_and(|place| place < left);
            order = order.saturating_add(1);
            let charged = tank.ledger.charge(each.plus(Volume(u64::from(more))));
            crossed |= charged.crossed;
            self.accounts.past_zero.add(charged.past_zero);
        }
        crossed
    }

    /// Water on a tank's own meter: it passed that bed, or went to drain while it regenerates (M2).
    fn charge_metered_tank(&mut self, now: Instant, tank: TankId, volume: Volume) -> bool {
        let serving = self.charging.contains(tank);
        let Some(unit) = self.tanks.get_mut(tank.index()) else { return false };
        if !serving && let Duty::Regenerating(regeneration) = &mut unit.duty {
            self.accounts.drained.add(volume);
            self.tally.take_back(volume);
            return regeneration.meter(now, volume, &self.settings);
        }
        if !serving && matches!(unit.duty, Duty::Purging { .. }) {
            self.accounts.drained.add(volume);
            self.tally.take_back(volume);
            return false;
        }
        // A closed tank whose meter turns leaks, and its bed is loaded all the same; one whose valve
        // is still on its way out is not closed yet.
        self.accounts.charged.add(volume);
        let charged = unit.ledger.charge(volume);
        self.accounts.past_zero.add(charged.past_zero);
        let closed = !serving && unit.drive.position().is_some_and(|at| at != Position::Service);
        if closed {
            self.closed_flow_at = Some(now);
        }
        charged.crossed || closed
    }

    /// Replaces the settings with others that have been checked whole (S11).
    ///
    /// # Errors
    /// A regeneration runs, or they need a restart; the present settings run on.
    pub fn change_settings(&mut self, now: Instant, settings: Settings) -> Result<(), SettingsRefused> {
        self.book_pulses();
        let now = self.advance(now);
        if now >= self.deadline {
            self.decide(now);
        }
        let effect = difference(self.settings.raw(), settings.raw()).effect();
        if effect == Some(TakesEffect::Restart) {
            return Err(SettingsRefused::NeedsRestart);
        }
        let regenerates = self.tanks.iter().any(|t| t.regeneration().is_some());
        if regenerates && effect == Some(TakesEffect::BetweenRegenerations) {
            return Err(SettingsRefused::Regenerating);
        }
        let reserve = Reserving::new(&settings).told(settings.reserve);
        for tank in &mut self.tanks {
            let (old, new) = (capacity::medium_of(tank, &self.settings), capacity::medium_of(tank, &settings));
            tank.ledger.resettle(&old, &new, &reserve);
        }
        for meter in &mut self.meters {
            meter.rescale(self.settings.meter_settings(), settings.meter_settings());
        }
        self.settle_volume();
        for (relay, (old, new)) in self.relays.iter_mut().zip(self.settings.relays.iter().zip(&settings.relays)) {
            if old.program != new.program {
                relay.forget_requests();
            }
        }
        let hour_moved = self.settings.hour_minute != settings.hour_minute;
        self.settings = settings;
        self.day_after_settings(now, hour_moved);
        self.settings_rejected = false;
        self.write(Event::SettingsTaken);
        for id in self.ids() {
            self.age_resin(now, id);
        }
        self.decide(now);
        Ok(())
    }

    /// Tells who had new settings taken (Q5).
    pub(crate) fn settings_changed_by(&mut self, who: Who) {
        self.write(Event::SettingsChanged { who });
    }

    /// Tells that settings were offered that do not pass: the present ones run on, with an alarm (S11).
    pub fn reject_settings(&mut self, now: Instant) {
        self.book_pulses();
        let now = self.advance(now);
        self.settings_rejected = true;
        self.write(Event::SettingsRefused);
        self.decide(now);
    }

    /// When the controller next wants to be called if nothing happens before; `None` = not at all.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Instant> {
        (self.deadline < NEVER).then_some(self.deadline)
    }

    /// What the driver must make so.
    #[must_use]
    pub fn outputs(&self) -> Outputs<N> {
        Outputs {
            motions: crate::collect(self.tanks.iter().map(|t| t.drive.motion())),
            shared: self.shared_motion(),
            pilots: crate::collect(self.tanks.iter().map(|t| self.pilots_of(t))),
            alarms: self.watches.standing(),
            unacknowledged: self.watches.unacknowledged(),
            save: self.power.wish(),
            relays: self.relay_levels(),
        }
    }

    /// Takes the oldest record of what happened.
    pub fn take_record(&mut self) -> Option<Record> {
        self.journal.take()
    }

    /// How many records were pushed out before they were taken.
    #[must_use]
    pub fn records_lost(&self) -> u16 {
        self.journal.lost()
    }

    /// The tanks, in order.
    #[must_use]
    pub fn tanks(&self) -> &[Tank] {
        &self.tanks
    }

    /// The settings that run.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What has happened since the last maintenance (W1).
    #[must_use]
    pub fn service(&self) -> &Service {
        &self.service
    }

    /// The account of the brine tank.
    #[must_use]
    pub fn brine(&self) -> &Brine {
        &self.brine
    }

    /// The civil clock.
    #[must_use]
    pub fn clock(&self) -> Clock {
        self.clock
    }

    /// Flow at a time: the sum of the meters (M3).
    #[must_use]
    pub fn flow(&self, now: Instant) -> Flow {
        let sum =
            self.meters.iter().fold(0u32, |sum, m| sum.saturating_add(m.flow(now, self.settings.meter_settings()).0));
        Flow(sum)
    }

    /// Closures tallied as bounce in the hour under way, over all meters (M4).
    #[must_use]
    pub fn bounces(&self) -> u32 {
        self.meters.iter().fold(0u32, |sum, m| sum.saturating_add(m.bounced()))
    }

    /// Everything that is asked of a tank and everything that stands in its way (S8).
    #[must_use]
    pub fn why(&self, tank: TankId) -> Option<Why> {
        let unit = self.tanks.get(tank.index())?;
        let mut standing: Vec<Standing, 18> = Vec::new();
        let causes = unit.demand.causes();
        for hold in self.share_holds(tank, unit).iter() {
            let _ = standing.push(Standing { hold, clears_at: None });
        }
        if is_waiting(unit) {
            let outside = self.look_outside(self.now);
            self.scan_holds(tank, unit, self.now, &outside, &mut |hold, clears_at| {
                let _ = standing.push(Standing { hold, clears_at });
            });
        }
        Some(Why { causes, asked_at: unit.demand.asked_at(), holds: standing, derating: unit.derating })
    }

    /// Whether someone may change anything now (O1); looking is never barred.
    #[must_use]
    pub fn is_unlocked(&self, now: Instant, who: Who) -> bool {
        self.locks.is_open(now, who, &self.settings.locks)
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

    /// The day that drain water is reckoned to: a civil date, or a day of powered time (T1).
    fn drain_day(&self, now: Instant) -> u32 {
        match self.clock.civil(now) {
            Some(civil) => civil.day(),
            None => u32::try_from(now.as_ticks() / DAY_MS).unwrap_or(u32::MAX),
        }
    }

    fn drained_today(&self, now: Instant) -> Volume {
        if self.drain.day == self.drain_day(now) { self.drain.drained } else { Volume::ZERO }
    }

    fn add_drained(&mut self, now: Instant, volume: Volume) {
        self.drain = DrainDay { day: self.drain_day(now), drained: self.drained_today(now).plus(volume) };
    }

    /// When the day that drain water is reckoned to is over.
    fn drain_day_ends(&self, now: Instant) -> Instant {
        match self.clock.civil(now) {
            Some(civil) => {
                let midnight = Civil::at(civil.day().saturating_add(1), 0);
                later_ms(now, midnight.0.saturating_sub(civil.0))
            }
            None => {
                let day = now.as_ticks() / DAY_MS;
                Instant::from_ticks(day.saturating_add(1).saturating_mul(DAY_MS))
            }
        }
    }

    /// Every cause that stands on any tank.
    #[must_use]
    pub fn asked(&self) -> CauseSet {
        let mut all = CauseSet::EMPTY;
        for cause in self.tanks.iter().flat_map(|t| t.demand.causes().iter()) {
            all.insert(cause);
        }
        all
    }
}

/// So many thousandths of a volume, with `carry` thousandths of a nanolitre from before: whole
/// nanolitres, and what is carried on. Exact, in two parts so that 64 bits suffice.
fn share_of(volume: Volume, per_mille: u16, carry: u16) -> (Volume, u16) {
    let share = u64::from(per_mille);
    let (thousands, rest) = (volume.0 / 1_000, volume.0 % 1_000);
    let thousandths = rest.saturating_mul(share).saturating_add(u64::from(carry));
    let whole = thousands.saturating_mul(share).saturating_add(thousandths / 1_000);
    (Volume(whole), u16::try_from(thousandths % 1_000).unwrap_or(0))
}

/// Tanks with their ids.
fn tank_ids<const N: usize>(tanks: &Vec<Tank, N>) -> impl Iterator<Item = (TankId, &Tank)> + use<'_, N> {
    (0u8..).map(TankId).zip(tanks.iter())
}

/// A regeneration is asked for and has not started.
fn is_waiting(tank: &Tank) -> bool {
    (tank.regeneration().is_none() || tank.makes_up()) && !tank.demand.causes().is_empty()
}
