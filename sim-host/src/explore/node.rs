//! One state of the search: the real controller, the simulated valves, and the checker that looks on.
//!
//! The same replay and the same checker as in a rehearsal, so that a way written as a scenario leads to the same place.

use std::hash::{Hash, Hasher};
use std::sync::Arc;

use bedkeeper::Input;
use bedkeeper::contact::Contact;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record, Who};
use bedkeeper::meter::MAX_BATCH;
use bedkeeper::retain::Retained;
use bedkeeper::settings::{Medium, MeterPlace};
use bedkeeper::units::Volume;
use bedkeeper::watch::StoreWear;
use jiff::civil::DateTime;

use super::acts::{Act, Family, Powers};
use super::reduce::{Reads, Sink, hash_state, marker};
use crate::plant::Fault;
use crate::recording::{COMMON_METER, Pulses};
use crate::replay::{Checker, Observer, PowerCut, Replay, ReplayError, World, contacts_of};
use crate::site::Site;

/// An idle plant is looked at again after so long.
const LONGEST_WAIT_MS: u64 = 24 * 3_600_000;
/// Portions of water are at least so far apart, so that a rated maximum can be set that they do not pass.
const APART_MS: u64 = 1_000;
/// Water that runs steadily: pulses, and how far apart.
const STEADY_TIMES: u64 = 24;
const STEADY_APART_MS: u64 = 30_000;
/// Water that runs beyond the rated maximum does so for so many seconds.
const FAST_TIMES: u64 = 30;
const NL_PER_ML: u64 = 1_000_000;
/// Pulses in a second at the most, where the rated maximum is none.
const MOST_IN_A_SECOND: u32 = 50;
/// A bounce of the meter's contact, ms.
pub(super) const BOUNCE_MS: u64 = 2;
/// What a worn store tells.
pub(super) const WORN: StoreWear = StoreWear { erasures: 10_000, rated: 10_000, fails: false };
/// Things that happen by themselves and change nothing are waited for so often in a row.
const STUTTERS: u32 = 3;

/// What the settings say that the search needs in every step.
#[derive(Clone, Debug)]
pub struct Limits {
    /// What is read at all.
    pub reads: Reads,
    /// What is read when nothing goes wrong any more: with every valve where its drive takes it to be, and else.
    pub calm_reads: [Reads; 2],
    /// The contacts that the site looks at.
    pub contacts: Vec<Contact>,
    /// A bounce of the meter's contact is too short for a pulse.
    pub bounces: bool,
    /// What flows at once: a part of what a fresh bed holds.
    pub portion: Volume,
    /// Refill water of a dose.
    pub dose_water: Volume,
    /// Pulses of a portion.
    gulp: u32,
    /// Pulses of all that is not stored yet when the next would have it stored.
    sip: u32,
    /// Pulses in a second beyond the rated maximum.
    fast: u32,
}

impl Limits {
    fn of(site: &Site, powers: Powers, clock: bool) -> Self {
        let settings = &site.settings;
        let whole = match *settings.loaded_medium() {
            Medium::Softener { hardness, capacity, .. } => capacity.volume_at(hardness),
            Medium::Filter { capacity } => capacity,
        };
        let pulse = settings.meter_settings().pulse().nl().max(1);
        let pulses = |nl: u64| u32::try_from(nl / pulse).unwrap_or(u32::MAX).clamp(1, MAX_BATCH);
        // Tanks that share the water share a portion of each.
        let tanks = u64::from(if settings.arrangement == bedkeeper::settings::Arrangement::Parallel {
            settings.tanks
        } else {
            1
        });
        let portion_nl = whole.nl() / u64::from(powers.portions()).max(1);
        let reads = Reads::of(settings.raw(), clock, powers);
        Self {
            calm_reads: [false, true].map(|astray| reads.calm(astray)),
            reads,
            contacts: contacts_of(settings.raw()),
            bounces: u64::from(settings.raw().meter.min_closed.0) > BOUNCE_MS,
            portion: Volume(portion_nl),
            dose_water: settings.dose_water(),
            gulp: pulses(portion_nl.saturating_mul(tanks)),
            // As much as may be lost.
            sip: pulses(settings.retain_volume().nl().saturating_sub(pulse)),
            // Three times as much.
            fast: pulses(u64::from(settings.raw().meter.rated_max.0) * 3 * NL_PER_ML / 60).min(MOST_IN_A_SECOND),
        }
    }
}

/// A rule seen broken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Which.
    pub rule: String,
    /// What was seen.
    pub text: String,
}

/// What making a step showed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// Records of the logic.
    pub records: Vec<Record>,
}

impl Observer for Seen {
    fn record(&mut self, record: &Record, _world: &World) -> std::io::Result<()> {
        self.records.push(*record);
        Ok(())
    }
}

/// One state.
pub struct Node {
    world: Box<World>,
    checker: Checker,
    /// The contact that is closed.
    closed: Option<Contact>,
    /// Half of the time to what comes next has been waited for.
    half: bool,
    /// Less has flown than what is stored at once: power fails next.
    sipped: bool,
    /// When water last flowed.
    flowed_ms: Option<u64>,
    /// When a contact last changed.
    changed_ms: Option<u64>,
    /// A mark of what is stored, and when it was stored.
    stored: Option<(u64, u64)>,
    writes: u64,
    /// Faults that may still come; without end where it is not said.
    left: Option<u8>,
    limits: Arc<Limits>,
}

impl Clone for Node {
    fn clone(&self) -> Self {
        Self {
            world: Box::new(self.world.fork()),
            checker: self.checker.clone(),
            limits: Arc::clone(&self.limits),
            ..*self
        }
    }
}

impl Node {
    /// Power-up.
    ///
    /// # Errors
    /// The site has more tanks than the host runs.
    pub fn first(site: &Site, powers: Powers, start: Option<DateTime>) -> Result<(Self, Seen), ReplayError> {
        let mut world = World::new(site.settings.clone(), super::times(site), start)?;
        if powers.cuts() {
            // As a rehearsal does in which power fails: the state is stored from the beginning on.
            world.supply.announce(PowerCut { at_ms: u64::MAX, off_ms: 1, clock_kept: true, retained_kept: true });
        }
        let mut checker = Checker::new(site.settings.raw().clone());
        if powers.has(Family::Noise) {
            // As a rehearsal does in which a meter's contact closes.
            checker.leave_pulses_to_the_meter();
        }
        let mut seen = Seen::default();
        let mut replay = Replay::new(world, vec![&mut checker, &mut seen]);
        replay.power_up()?;
        let limits = Arc::new(Limits::of(site, powers, start.is_some()));
        if powers.has(Family::Contacts) {
            // As at any power-up every contact is told.
            for contact in &limits.contacts {
                replay.move_contact(*contact, false)?;
            }
        }
        let world = replay.into_world();
        let mut node = Self {
            world: Box::new(world),
            checker,
            closed: None,
            half: false,
            sipped: false,
            flowed_ms: None,
            changed_ms: None,
            stored: None,
            writes: 0,
            left: powers.faults(),
            limits,
        };
        node.note_stored();
        Ok((node, seen))
    }

    /// The plant.
    #[must_use]
    pub fn world(&self) -> &World {
        &self.world
    }

    /// What the settings say.
    #[must_use]
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Something may still go wrong.
    pub(super) fn may_fail(&self) -> bool {
        self.left != Some(0)
    }

    /// What is still read.
    fn reads(&self) -> &Reads {
        if self.may_fail() || self.world.supply.is_dark() {
            return &self.limits.reads;
        }
        let [found, astray] = &self.limits.calm_reads;
        let mut valves = self.world.valves().iter().zip(self.world.controller.tanks());
        // One that turns rests nowhere.
        let is_found = valves.all(|(valve, tank)| {
            let believed = tank.drive().position();
            let is_there = believed.is_none() || valve.position() == believed;
            valve.faults().is_empty() && !valve.is_turned_by_hand() && is_there
        });
        if is_found { found } else { astray }
    }

    pub(super) fn is_half(&self) -> bool {
        self.half
    }

    pub(super) fn has_sipped(&self) -> bool {
        self.sipped
    }

    /// How long ago water flowed, if that was a moment ago: portions come in no quicker succession.
    pub(super) fn lately_flowed_ms(&self) -> Option<u64> {
        self.flowed_ms.map(|at| self.world.now_ms.saturating_sub(at)).filter(|age| *age < APART_MS)
    }

    /// How long ago a contact changed, if it is not believed yet, or just now.
    pub(super) fn lately_changed_ms(&self) -> Option<u64> {
        let debounce = u64::from(self.world.controller.settings().contact_debounce.0);
        self.changed_ms.map(|at| self.world.now_ms.saturating_sub(at)).filter(|age| *age <= debounce)
    }

    /// How much a serving tank was charged by estimate since its regeneration.
    pub(super) fn serving_estimated(&self) -> Volume {
        let serving = self.world.controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Serving);
        serving.map(|t| t.ledger().estimated()).max().unwrap_or(Volume::ZERO)
    }

    /// A serving tank has treated nothing since its regeneration.
    pub(super) fn serving_is_fresh(&self) -> bool {
        let mut serving = self.world.controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Serving);
        serving.any(|t| t.ledger().since_regeneration() == Volume::ZERO)
    }

    pub(super) fn closed_contact(&self) -> Option<Contact> {
        self.closed
    }

    /// How much the serving tank that is furthest past zero has treated since.
    pub(super) fn serving_past_zero(&self) -> Volume {
        let serving = self.world.controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Serving);
        // Where none serves water does nothing.
        serving.map(|t| t.ledger().overrun()).max().unwrap_or(Volume::MAX)
    }

    /// The rules seen broken so far.
    #[must_use]
    pub fn broken(&self) -> Option<Broken> {
        let first = self.checker.violations().first()?;
        Some(Broken { rule: first.rule.clone(), text: first.text.clone() })
    }

    /// A key of the state's future.
    #[must_use]
    pub fn key(&self) -> u64 {
        let mut hasher = marker();
        self.hash_into(&mut hasher);
        hasher.finish()
    }

    /// Makes the key, field by field.
    pub(super) fn hash_into(&self, hasher: &mut impl Sink) {
        let world = &*self.world;
        let now = world.now_ms;
        let civil = world.controller.clock().civil(bedkeeper::units::Instant::from_ticks(now));
        let reads = self.reads();
        hash_state(&*world.controller, reads, now, civil, hasher);
        hasher.field("controller", "orders");
        for valve in world.valves().iter().chain(world.plant.shared()) {
            valve.future_key().hash(hasher);
            hasher.field("plant", "valve");
        }
        // What the adversary asks before it makes something go wrong it does not ask when nothing may any more.
        let asks = self.may_fail() || world.valves().iter().any(|valve| !valve.faults().is_empty());
        let waits = self.may_fail() || self.closed.is_some();
        (world.relays_on, world.supply.is_worn(), self.closed, self.left, self.lately_flowed_ms()).hash(hasher);
        (asks && self.half, self.sipped, self.lately_changed_ms().filter(|_| waits)).hash(hasher);
        hasher.field("adversary", "itself");
        if reads.cuts {
            let cut = world.supply.cut().map(|cut| {
                (cut.at_ms.saturating_add(cut.off_ms).saturating_sub(now), cut.clock_kept, cut.retained_kept)
            });
            // How long ago it was stored is asked of the clock alone, if there is one.
            let age = |at: u64| if civil.is_some() { (now - at).min(super::reduce::OLDEST_MS) } else { 0 };
            let stored = self.stored.map(|(mark, at)| (mark, age(at)));
            (cut, stored, world.supply.is_clock_lost()).hash(hasher);
        }
        hasher.field("adversary", "stored");
        self.checker.hash_future(world, hasher, |hasher, part| hasher.field("checker", part));
        hasher.field("checker", "the rest");
    }

    /// All of the state, as it is: states that differ in this may still have equal keys.
    #[must_use]
    pub fn whole_mark(&self) -> u64 {
        let mut hasher = marker();
        (&*self.world.controller, self.world.now_ms, self.key()).hash(&mut hasher);
        hasher.finish()
    }

    /// What comes of an act, with its key; `key` is this state's own.
    #[must_use]
    pub fn after(&self, act: Act, key: u64, seen: &mut Seen) -> (Self, u64) {
        let mut told = seen.records.len();
        let mut node = self.clone().perform(act, seen);
        if act == Act::Water {
            // Whatever else is done at that moment comes before the water.
            told = seen.records.len();
            node = node.perform(Act::Wait, seen);
        }
        let mut next = node.key();
        if !matches!(act, Act::Wait | Act::Water) {
            return (node, next);
        }
        for _ in 0..STUTTERS {
            // Where no rule reads the calendar, its daily event is nothing that happens.
            let is_daily = |r: &Record| matches!(r.event, Event::HourFired | Event::HourMissed | Event::DayEnded(_));
            let new = seen.records.get(told..).unwrap_or_default();
            let daily = !node.limits.reads.calendar && !new.is_empty() && new.iter().all(is_daily);
            if next != key && !daily {
                break;
            }
            told = seen.records.len();
            node = node.perform(Act::Wait, seen);
            next = node.key();
        }
        (node, next)
    }

    /// Does something.
    fn perform(self, act: Act, seen: &mut Seen) -> Self {
        let fault = self.is_fault(act);
        let Self {
            world,
            mut checker,
            mut closed,
            mut half,
            sipped: _,
            mut flowed_ms,
            mut changed_ms,
            stored,
            writes,
            mut left,
            limits,
        } = self;
        if fault {
            left = left.map(|left| left.saturating_sub(1));
        }
        let mut replay = Replay::new(*world, vec![&mut checker, seen]);
        let sipped = act == Act::Sip;
        half = act == Act::Half || (half && !matches!(act, Act::Wait | Act::Water));
        if let Act::Contact(contact) = act {
            changed_ms = Some(replay.world().now_ms);
            closed = if closed == Some(contact) { None } else { Some(contact) };
        }
        // Without modelled water nothing here can fail.
        let _ = carry_out(&mut replay, act, closed, stored, &limits);
        if matches!(act, Act::Water | Act::Sip | Act::Pour { .. } | Act::Leak(_)) {
            // Decided a millisecond after it flowed.
            flowed_ms = Some(replay.world().now_ms.saturating_sub(1));
        }
        let world = Box::new(replay.into_world());
        if matches!(act, Act::Water | Act::Sip | Act::Pour { .. } | Act::Leak(_)) {
            // In a rehearsal it looks on where more happens than that water flows; states are not to differ by when it last looked.
            let _ = checker.after(&world);
        }
        let mut node =
            Self { world, checker, closed, half, sipped, flowed_ms, changed_ms, stored, writes, left, limits };
        node.note_stored();
        node
    }

    /// Faults stop: every valve is mended and every contact opens.
    #[must_use]
    pub fn quiet(&self, seen: &mut Seen) -> Self {
        self.quieting().into_iter().fold(self.clone(), |node, act| node.perform(act, seen))
    }

    /// What makes faults stop.
    pub(super) fn quieting(&self) -> Vec<Act> {
        let mends = (0u8..).map(bedkeeper::units::TankId).zip(self.world.valves());
        let mends = mends.filter(|(_, valve)| !valve.faults().is_empty()).map(|(tank, _)| Act::Mend(tank));
        mends.chain(self.closed.map(Act::Contact)).collect()
    }

    /// Marks what is stored, where it is new.
    fn note_stored(&mut self) {
        let writes = self.world.supply.writes();
        let Some(bytes) = self.world.supply.stored() else {
            self.stored = None;
            return;
        };
        if std::mem::replace(&mut self.writes, writes) == writes && self.stored.is_some() {
            return;
        }
        let mut hasher = marker();
        let mut at_ms = self.world.now_ms;
        if let Ok(state) = Retained::<8>::decode(bytes) {
            at_ms = state.taken_at().as_ticks();
            let civil = self.world.controller.clock().civil(state.taken_at());
            hash_state(&state, &self.limits.reads, at_ms, civil, &mut hasher);
        }
        self.stored = Some((hasher.finish(), at_ms));
    }

    /// How long a power cut lasts; nothing where the state was stored longer ago than the cut is to seem.
    pub(super) fn off_ms(&self, minutes: u16, clock_kept: bool) -> u64 {
        off_ms(minutes, clock_kept, self.world.now_ms, self.stored)
    }

    /// The water of an act.
    pub(super) fn pulses(&self, act: Act) -> Vec<Pulses> {
        pulses_of(&self.world, act, &self.limits)
    }
}

/// How long power is off. Where the clock runs on, so long that it is as many minutes since the state was stored: that is the
/// darkness that the logic reckons with.
fn off_ms(minutes: u16, clock_kept: bool, now_ms: u64, stored: Option<(u64, u64)>) -> u64 {
    let since_stored = stored.filter(|_| clock_kept).map_or(0, |(_, at_ms)| now_ms.saturating_sub(at_ms));
    (u64::from(minutes) * 60_000).saturating_sub(since_stored)
}

/// The water of an act, on the meter that sees it.
fn pulses_of(world: &World, act: Act, limits: &Limits) -> Vec<Pulses> {
    let settings = world.controller.settings();
    let serving = world.controller.tanks().iter().position(|t| t.duty().kind() == DutyKind::Serving).unwrap_or(0);
    let own = |tank: usize| u8::try_from(tank + 1).unwrap_or(1);
    let meter = match (act, settings.meter.place) {
        (Act::Leak(tank), _) => own(tank.index()),
        (_, MeterPlace::Common) => COMMON_METER,
        (_, MeterPlace::PerTank) => own(serving),
    };
    let (times, apart_ms, count) = match act {
        Act::Water => (1, 0, limits.gulp),
        Act::Pour { fast: false } => (STEADY_TIMES, STEADY_APART_MS, 1),
        Act::Pour { fast: true } => (FAST_TIMES, 1_000, limits.fast),
        Act::Leak(_) => (1, 0, 1),
        _ => (1, 0, limits.sip),
    };
    (0..times).map(|i| Pulses { at_ms: world.now_ms + i * apart_ms, meter, count }).collect()
}

fn carry_out(
    replay: &mut Replay<'_>,
    act: Act,
    closed: Option<Contact>,
    stored: Option<(u64, u64)>,
    limits: &Limits,
) -> Result<(), ReplayError> {
    match act {
        Act::Wait => {
            let world = replay.world();
            let most = world.now_ms + LONGEST_WAIT_MS;
            let next = world.next_event_ms().map_or(most, |next| next.clamp(world.now_ms, most));
            replay.step_to(next)?;
            // Everything of this instant.
            replay.run_to(next)
        }
        Act::Half => {
            let world = replay.world();
            let now = world.now_ms;
            let next = world.next_event_ms().unwrap_or(now);
            replay.run_to(now + next.saturating_sub(now) / 2)
        }
        Act::Water | Act::Sip | Act::Pour { .. } | Act::Leak(_) => {
            for pulses in pulses_of(replay.world(), act, limits) {
                if pulses.at_ms > replay.world().now_ms {
                    replay.run_to(pulses.at_ms)?;
                }
                replay.take_pulses(&pulses)?;
            }
            // What follows is decided a millisecond later.
            let now_ms = replay.world().now_ms;
            replay.run_to(now_ms + 1)
        }
        Act::Bounce => {
            let now_ms = replay.world().now_ms;
            let contact = |closed| Input::MeterContact { meter: 0, closed };
            let _ = replay.offer(contact(true), false)?;
            replay.run_to(now_ms + BOUNCE_MS)?;
            replay.offer(contact(false), false).map(|_| ())
        }
        Act::Operator(action) => replay.offer(Input::Operator { who: Who::Panel, action }, true).map(|_| ()),
        Act::Contact(contact) => replay.move_contact(contact, closed == Some(contact)),
        Act::Stall(tank) => {
            let _ = replay.world_mut().arm(tank, Fault::MotorStalled);
            replay.stir()
        }
        Act::Mend(tank) => {
            let _ = replay.world_mut().disarm(tank, Fault::MotorStalled);
            replay.stir()
        }
        Act::Turn(tank) => {
            let _ = replay.world_mut().arm(tank, Fault::MovedByHand(None));
            replay.stir()
        }
        Act::Cut { minutes, clock_kept, memory_kept } => {
            let at_ms = replay.world().now_ms;
            let off_ms = off_ms(minutes, clock_kept, at_ms, stored);
            replay.schedule_power_cut(PowerCut { at_ms, off_ms, clock_kept, retained_kept: memory_kept });
            replay.run_to(at_ms)
        }
        Act::WornStore => replay.wear_store(WORN),
        Act::BadSettings => replay.offer_settings(None).map(|_| ()),
        Act::Clock(change) => {
            let civil = replay.world_mut().change_clock(change);
            replay.offer(Input::Clock(civil), true).map(|_| ())
        }
    }
}
