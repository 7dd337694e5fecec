//! The control loop of a board: inputs in, the logic asked, outputs and store made so, until the next deadline.
//!
//! One call follows the driver contract to the letter: what goes off goes off first; the state is stored before any
//! motor starts where the logic asks for it; then what comes on comes on; every record is handed on.
//!
//! # When the store fails
//! Motors that would start stay off, relays and motors that stop are made so, and the write is tried again every
//! [`RETRY_MS`]. After [`FAILED_WRITES`] in a row the logic is told, which raises `store-worn`; a drive that never starts
//! is lost by its own limit besides.

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::Entry;
use bedkeeper::commission::SignedOff;
use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::draft::{Draft, NotTaken};
use bedkeeper::drive::Switches;
use bedkeeper::image::Image;
use bedkeeper::journal::{BoardWish, Record, Who};
use bedkeeper::retain::MAX_BYTES;
use bedkeeper::settings::MAX_TANKS;
use bedkeeper::units::{Instant, TankId};
use bedkeeper::watch::StoreWear;
use bedkeeper::{Controller, Input, Refused, Save};
use embedded_hal::digital::{InputPin, OutputPin};
use embedded_storage::nor_flash::NorFlash;

use crate::clock::WallClock;
use crate::manners::Manners;
use crate::meters::Meters;
use crate::plant::{Fault, Plant};
use crate::power_up::{self, Chosen, Stored};
use crate::store::Log;

/// A write that failed is tried again after so long.
pub const RETRY_MS: u64 = 1_000;
/// So many writes that fail in a row are more than a mischance: people are told.
pub const FAILED_WRITES: u8 = 3;
/// An erasure ahead of need that failed is tried again after so long.
const PREPARE_RETRY_MS: u64 = 60_000;
/// The hardware clock is compared with the logic's so often.
const COMPARE_MS: u64 = 3_600_000;
/// A difference below this is the resolution of the two, not a change.
const TOLERATED_MS: u64 = 2_000;
/// In an hour a crystal of 100 parts in a million goes wrong by 0.4 s, and both readings by a second: what is further apart
/// is a fault of one of the two clocks.
const SAME_PACE_MS: u64 = 5_000;
/// What one pass takes from the meters at most, so that a flood cannot keep the rest waiting.
const METER_INPUTS: usize = 256;

/// Where records of the journal go.
pub trait Records {
    /// Something happened.
    fn note(&mut self, record: &Record);

    /// A regeneration or a day is over, and is to be kept for long (P7).
    fn keep(&mut self, _entry: &Entry) {}

    /// Keeps the signed record of the walk through the plant (O6); says whether it did. Nothing moves meanwhile.
    fn keep_signed(&mut self, _signed: &SignedOff) -> bool {
        false
    }

    /// Keeps a settings image as the site's own baseline (O3); says whether it did. Nothing moves meanwhile.
    fn keep_baseline(&mut self, _image: &[u8]) -> bool {
        false
    }

    /// The site's own baseline; `None` if none was stored.
    fn baseline(&mut self) -> Option<Image> {
        None
    }

    /// Keeps how the board speaks; says whether it did. Nothing moves meanwhile.
    fn keep_manners(&mut self, _manners: &Manners) -> bool {
        false
    }

    /// How the board speaks; `None` if nothing was kept.
    fn manners(&mut self) -> Option<Manners> {
        None
    }

    /// No valve moves: what takes long, such as erasing flash, may be done now.
    fn prepare(&mut self) {}

    /// How often the page erased most has been erased, where records are kept in the same kind of flash as the state (P2).
    fn erasures(&self) -> u32 {
        0
    }
}

/// They go nowhere.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoRecords;

impl Records for NoRecords {
    fn note(&mut self, _record: &Record) {}
}

/// The parts of a board.
pub trait Board {
    /// Its output pins.
    type Output: OutputPin;
    /// Its input pins.
    type Input: InputPin;
    /// Its meters.
    type Meters: Meters;
    /// Its clock.
    type Clock: WallClock;
    /// The flash that the store is on.
    type Flash: NorFlash;
    /// Where records go.
    type Records: Records;
    /// How many erasures a page of its flash is rated for; 10 000 is what the pages of a store are reckoned with (P2).
    const RATED_ERASURES: u32 = 10_000;
}

/// The parts of a board, put together; `BUFFER` bytes hold the longest stored record with head and padding.
pub struct Parts<B: Board, const BUFFER: usize> {
    /// Its pins.
    pub plant: Plant<B::Output, B::Input>,
    /// Its meters.
    pub meters: B::Meters,
    /// Its clock.
    pub clock: B::Clock,
    /// The store of what outlives power cuts.
    pub store: Log<B::Flash, BUFFER>,
    /// Where records go.
    pub records: B::Records,
}

/// A pin that could not be set or read.
pub type PinFault<B> = Fault<
    <<B as Board>::Output as embedded_hal::digital::ErrorType>::Error,
    <<B as Board>::Input as embedded_hal::digital::ErrorType>::Error,
>;

/// The control loop of a board with up to `N` tanks.
pub struct Machine<B: Board, const N: usize, const BUFFER: usize> {
    controller: Controller<N>,
    parts: Parts<B, BUFFER>,
    /// The logic's time when the board's uptime was 0; less than nothing where the board took its time to start.
    begins: i64,
    switches: [Option<Switches>; MAX_TANKS],
    shared: Option<Switches>,
    /// Which are wired, and which of them are closed.
    contacts: Option<(ContactSet, ContactSet)>,
    compare_at_ms: u64,
    /// When the hardware clock was last read or set, in uptime, and what it showed then.
    paced: Option<(u64, Civil)>,
    /// Whether it has kept pace with the uptime since it was read before.
    keeps_pace: Option<bool>,
    retry_at_ms: u64,
    prepare_at_ms: u64,
    /// A motor waits for its dead time until then.
    held_until_ms: Option<u64>,
    /// Writes of the state that failed since the last that did not.
    failed_writes: u8,
    /// What the logic was told last of the store's wear.
    told_wear: StoreWear,
    /// How the board speaks.
    manners: Manners,
}

impl<B: Board, const N: usize, const BUFFER: usize> Machine<B, N, BUFFER> {
    /// Takes up the plant, and tells the logic what every power-up tells. Every output is off before and after.
    ///
    /// `chosen` comes from [`power_up::choose`]. `None` if it does not fit the board.
    ///
    /// # Errors
    /// A pin fails.
    pub fn power_up(parts: Parts<B, BUFFER>, chosen: Chosen, uptime_ms: u64) -> Result<Option<Self>, PinFault<B>> {
        let mut place = None;
        Self::power_up_in(&mut place, parts, &chosen, uptime_ms)?;
        Ok(place)
    }

    /// As [`Machine::power_up`], in its place: a board has no stack for copies of all that it holds.
    ///
    /// # Errors
    /// A pin fails.
    pub fn power_up_in<'p>(
        place: &'p mut Option<Self>,
        mut parts: Parts<B, BUFFER>,
        chosen: &Chosen,
        uptime_ms: u64,
    ) -> Result<Option<&'p mut Self>, PinFault<B>> {
        parts.plant.all_off(uptime_ms)?;
        let Chosen { settings, rejected } = chosen;
        if parts.plant.divide(settings).is_err() {
            return Ok(None);
        }
        let civil = parts.clock.read();
        let worn = parts.store.erasures() > 0;
        let stored = match parts.store.latest() {
            Ok(Some(bytes)) => Stored::Bytes(bytes),
            Ok(None) if !worn => Stored::Never,
            Ok(None) | Err(_) => Stored::Lost,
        };
        let Ok((controller, now)) = power_up::controller(settings, stored, civil) else { return Ok(None) };
        let machine = place.insert(Self {
            controller,
            parts,
            begins: signed(now.as_ticks()).saturating_sub(signed(uptime_ms)),
            switches: [None; MAX_TANKS],
            shared: None,
            contacts: None,
            compare_at_ms: uptime_ms.saturating_add(COMPARE_MS),
            paced: civil.map(|civil| (uptime_ms, civil)),
            keeps_pace: None,
            retry_at_ms: 0,
            prepare_at_ms: 0,
            held_until_ms: None,
            failed_writes: 0,
            told_wear: StoreWear::default(),
            manners: Manners::default(),
        });
        machine.manners = machine.parts.records.manners().unwrap_or_default();
        machine.call(uptime_ms, Input::Clock(civil))?;
        machine.look(uptime_ms)?;
        machine.tell_wear(uptime_ms)?;
        if rejected.is_some() {
            machine.controller.reject_settings(now);
            machine.make_so(uptime_ms)?;
        }
        Ok(Some(machine))
    }

    /// Whether the hardware clock and the board's own have run at the same pace, by the latest comparison; `None` before the
    /// first, or without a hardware clock.
    #[must_use]
    pub fn keeps_pace(&self) -> Option<bool> {
        self.keeps_pace
    }

    /// The logic, to look at.
    #[must_use]
    pub fn controller(&self) -> &Controller<N> {
        &self.controller
    }

    /// How many saves the store has seen, in all its life.
    #[must_use]
    pub fn saves(&self) -> u32 {
        self.parts.store.generation()
    }

    /// How often the store's page that was erased most has been.
    #[must_use]
    pub fn erasures(&self) -> u32 {
        self.parts.store.erasures()
    }

    /// Where records go, to read back what is kept.
    #[must_use]
    pub fn records(&self) -> &B::Records {
        &self.parts.records
    }

    /// How the board speaks.
    #[must_use]
    pub fn manners(&self) -> Manners {
        self.manners
    }

    pub(crate) fn set_manners(&mut self, manners: Manners) {
        self.manners = manners;
    }

    /// The position switches as they were last read; none before they were.
    #[must_use]
    pub fn switches(&self) -> [Option<Switches>; MAX_TANKS] {
        self.switches
    }

    /// Which contacts are wired, and which of them were closed when they were last read.
    #[must_use]
    pub fn contacts(&self) -> (ContactSet, ContactSet) {
        self.contacts.unwrap_or_default()
    }

    /// The parts, to look at.
    pub fn parts_mut(&mut self) -> &mut Parts<B, BUFFER> {
        &mut self.parts
    }

    /// Gives the parts back, with every output off.
    ///
    /// # Errors
    /// A pin fails.
    pub fn release(mut self, uptime_ms: u64) -> Result<Parts<B, BUFFER>, PinFault<B>> {
        self.parts.plant.all_off(uptime_ms)?;
        Ok(self.parts)
    }

    /// One pass of the loop. Returns the uptime in ms at which the next is due if nothing happens before.
    ///
    /// # Errors
    /// A pin fails; put everything off then and let the watchdog reset the board.
    pub fn pass(&mut self, uptime_ms: u64) -> Result<Option<u64>, PinFault<B>> {
        for _ in 0..METER_INPUTS {
            let Some((at_ms, input)) = self.parts.meters.take(uptime_ms) else { break };
            self.call(at_ms.min(uptime_ms), input)?;
        }
        self.look(uptime_ms)?;
        self.compare_clock(uptime_ms)?;
        if self.deadline_ms().is_some_and(|at_ms| at_ms <= uptime_ms) {
            self.call(uptime_ms, Input::Tick)?;
        }
        let owed = self.controller.save_wish() != Save::NotNeeded && uptime_ms >= self.retry_at_ms;
        if owed || self.held_until_ms.is_some_and(|at_ms| at_ms <= uptime_ms) {
            self.make_so(uptime_ms)?;
        }
        self.prepare(uptime_ms);
        self.tell_wear(uptime_ms)?;
        Ok(self.next_ms())
    }

    /// Hands the logic an input, and makes what follows from it so.
    ///
    /// # Errors
    /// A pin fails.
    pub fn call(&mut self, uptime_ms: u64, input: Input) -> Result<(), PinFault<B>> {
        // What is refused has changed nothing but the time, and what follows from that is made so all the same.
        self.ask(uptime_ms, input).map(|_told| ())
    }

    /// As [`Machine::call`], and says whether the logic took it.
    ///
    /// # Errors
    /// A pin fails.
    pub fn ask(&mut self, uptime_ms: u64, input: Input) -> Result<Result<(), Refused>, PinFault<B>> {
        let told = self.controller.handle(self.instant(uptime_ms), input);
        self.make_so(uptime_ms)?;
        Ok(told)
    }

    /// Offers changed settings: they are taken whole, or nothing changes (O2).
    ///
    /// # Errors
    /// A pin fails.
    pub fn take_settings(
        &mut self,
        uptime_ms: u64,
        draft: &Draft,
        who: Who,
    ) -> Result<Result<(), NotTaken>, PinFault<B>> {
        let now = self.instant(uptime_ms);
        let told = draft.take(&mut self.controller, now, who);
        self.make_so(uptime_ms)?;
        Ok(told)
    }

    /// The settings that run were stored as the site's own baseline: the journal says by whom (O3).
    ///
    /// # Errors
    /// A pin fails.
    pub(crate) fn baseline_stored(&mut self, uptime_ms: u64, who: Who) -> Result<(), PinFault<B>> {
        self.controller.baseline_stored(self.instant(uptime_ms), who);
        self.make_so(uptime_ms)
    }

    /// Settings that describe another plant were kept for the next power-up: the journal says for whom (O2).
    ///
    /// # Errors
    /// A pin fails.
    pub(crate) fn settings_await_restart(&mut self, uptime_ms: u64, who: Who) -> Result<(), PinFault<B>> {
        self.controller.settings_await_restart(self.instant(uptime_ms), who);
        self.make_so(uptime_ms)
    }

    /// Some motor runs: what stops the core for long must wait.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.parts.plant.is_moving()
    }

    /// Sets the civil time for somebody, in the hardware and in the logic (T1); says whether the hardware took it. What no
    /// calendar has, or the lock forbids, changes nothing; it is journalled with who asked, granted or not (Q5).
    ///
    /// # Errors
    /// A pin fails; inside, why the clock was left alone.
    pub fn set_clock(&mut self, uptime_ms: u64, civil: Civil, who: Who) -> Result<Result<bool, Refused>, PinFault<B>> {
        let told = if !self.controller.is_unlocked(self.instant(uptime_ms), who) {
            Err(Refused::Locked)
        } else if civil >= Civil::END {
            Err(Refused::NoSuchTime)
        } else {
            let taken = self.parts.clock.set(civil);
            self.paced = taken.then_some((uptime_ms, civil));
            self.call(uptime_ms, Input::Clock(Some(civil)))?;
            Ok(taken)
        };
        self.asked_of_board(uptime_ms, who, BoardWish::Clock(civil), told.is_ok())?;
        Ok(told)
    }

    /// Somebody wanted something of the board itself: the journal says who, and whether it was granted (Q5).
    pub(crate) fn asked_of_board(
        &mut self,
        uptime_ms: u64,
        who: Who,
        wish: BoardWish,
        granted: bool,
    ) -> Result<(), PinFault<B>> {
        self.controller.asked_of_board(self.instant(uptime_ms), who, wish, granted);
        self.make_so(uptime_ms)
    }

    /// The logic's time at an uptime.
    #[must_use]
    pub fn instant(&self, uptime_ms: u64) -> Instant {
        Instant::from_ticks(uptime_ms.saturating_add_signed(self.begins))
    }

    /// The logic's deadline, in uptime.
    fn deadline_ms(&self) -> Option<u64> {
        let at = self.controller.next_deadline()?;
        Some(at.as_ticks().saturating_add_signed(self.begins.saturating_neg()))
    }

    fn next_ms(&self) -> Option<u64> {
        let retry = (self.controller.save_wish() != Save::NotNeeded).then_some(self.retry_at_ms);
        [self.deadline_ms(), self.held_until_ms, retry, Some(self.compare_at_ms)].into_iter().flatten().min()
    }

    /// Reads switches and contacts, and tells those that changed.
    fn look(&mut self, uptime_ms: u64) -> Result<(), PinFault<B>> {
        let tanks = self.controller.settings().tanks;
        for tank in (0..tanks).map(TankId) {
            let closed = self.parts.plant.switches(tank)?;
            if let Some(told) = self.switches.get_mut(tank.index())
                && told.replace(closed) != Some(closed)
            {
                self.call(uptime_ms, Input::Switches { tank, closed })?;
            }
        }
        if self.controller.settings().sharing.shared_valve.is_some()
            && let Some(closed) = self.parts.plant.shared_switches()?
            && self.shared.replace(closed) != Some(closed)
        {
            self.call(uptime_ms, Input::SharedSwitches { closed })?;
        }
        let (wired, closed) = self.parts.plant.contacts()?;
        let before = self.contacts.replace((wired, closed)).map(|(_, closed)| closed);
        let changed = |contact: &Contact| before.is_none_or(|b| b.contains(*contact) != closed.contains(*contact));
        for contact in wired.iter().filter(changed) {
            self.call(uptime_ms, Input::Contact { contact, closed: closed.contains(contact) })?;
        }
        Ok(())
    }

    /// Tells the logic how worn the flash is, where that has changed (P2, W1).
    fn tell_wear(&mut self, uptime_ms: u64) -> Result<(), PinFault<B>> {
        let erasures = self.parts.store.erasures().max(self.parts.records.erasures());
        let fails = self.failed_writes >= FAILED_WRITES;
        let wear = StoreWear { erasures, rated: B::RATED_ERASURES, fails };
        if core::mem::replace(&mut self.told_wear, wear) == wear {
            return Ok(());
        }
        self.call(uptime_ms, Input::Store(wear))
    }

    /// The hardware clock keeps better time than the crystal: where they have drifted apart, it is right.
    fn compare_clock(&mut self, uptime_ms: u64) -> Result<(), PinFault<B>> {
        if uptime_ms < self.compare_at_ms {
            return Ok(());
        }
        self.compare_at_ms = uptime_ms.saturating_add(COMPARE_MS);
        let told = self.parts.clock.read();
        let before = core::mem::replace(&mut self.paced, told.map(|told| (uptime_ms, told)));
        let Some(told) = told else { return Ok(()) };
        if let Some((since_ms, then)) = before {
            let ran_ms = uptime_ms.saturating_sub(since_ms);
            let showed_ms = told.0.checked_sub(then.0);
            self.keeps_pace = Some(showed_ms.is_some_and(|showed_ms| showed_ms.abs_diff(ran_ms) < SAME_PACE_MS));
        }
        let believed = self.controller.clock().civil(self.instant(uptime_ms));
        if believed.is_none_or(|believed| believed.0.abs_diff(told.0) >= TOLERATED_MS) {
            self.call(uptime_ms, Input::Clock(Some(told)))?;
        }
        Ok(())
    }

    /// Makes outputs, store and journal what the logic says.
    fn make_so(&mut self, uptime_ms: u64) -> Result<(), PinFault<B>> {
        let outputs = self.controller.outputs();
        self.parts.plant.put_off(uptime_ms, &outputs)?;
        let stored = outputs.save == Save::NotNeeded || self.save(uptime_ms);
        let motors = stored || outputs.save == Save::Soon;
        let pending = self.parts.plant.put_on(uptime_ms, &outputs, motors)?;
        self.held_until_ms = pending.not_before_ms;
        while let Some(record) = self.controller.take_record() {
            self.parts.records.note(&record);
            if let Some(entry) = self.controller.entry(&record) {
                self.parts.records.keep(&entry);
            }
        }
        Ok(())
    }

    /// An erasure may stop the core for long: it is done while no valve moves, before it is needed.
    fn prepare(&mut self, uptime_ms: u64) {
        let owed = self.controller.save_wish() != Save::NotNeeded;
        if owed || self.parts.plant.is_moving() || uptime_ms < self.prepare_at_ms {
            return;
        }
        if self.parts.store.prepare().is_err() {
            self.prepare_at_ms = uptime_ms.saturating_add(PREPARE_RETRY_MS);
        }
        self.parts.records.prepare();
    }

    /// Stores what outlives a power cut; says whether it is stored.
    fn save(&mut self, uptime_ms: u64) -> bool {
        if uptime_ms < self.retry_at_ms {
            return false;
        }
        let bytes = self.controller.retained().encode::<MAX_BYTES>();
        let stored = bytes.is_ok_and(|bytes| self.parts.store.append(&bytes).is_ok());
        if stored {
            self.controller.saved();
            self.retry_at_ms = 0;
            self.failed_writes = 0;
        } else {
            self.failed_writes = self.failed_writes.saturating_add(1);
            self.retry_at_ms = uptime_ms.saturating_add(RETRY_MS);
        }
        stored
    }
}

/// A time as a difference; three hundred million years fit.
fn signed(ms: u64) -> i64 {
    i64::try_from(ms).unwrap_or(i64::MAX)
}
