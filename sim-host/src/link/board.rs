//! A board in memory: the control loop and the link that boards run, on pins that end at a simulated plant.
//!
//! Its time is its own: it passes where it is told to, at any speed, and the same each time.

use std::cell::RefCell;
use std::rc::Rc;

use bedkeeper::image::{Image, MAX_BYTES as IMAGE_BYTES};
use bedkeeper::retain::MAX_BYTES as STATE_BYTES;
use bedkeeper::settings::MAX_TANKS;
use bedkeeper_runtime::archive::{Kept, Recent};
use bedkeeper_runtime::dossier::{self, Dossier};
use bedkeeper_runtime::history::{History, Layout};
use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::link::{Config, Link, Place};
use bedkeeper_runtime::machine::{Board, Machine, Parts};
use bedkeeper_runtime::manners::Manners;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::power_up;
use bedkeeper_runtime::store::{Log, Region};

use super::wires::{Clock, Counted, Pin, Shared, World, pins};
use crate::cli::image_of;
use crate::replay::ValveTimes;
use crate::site::Site;

const PAGE: usize = 4_096;
const STORE_PAGES: u32 = 8;
const STATE_BUFFER: usize = STATE_BYTES + 16;
const IMAGE_BUFFER: usize = IMAGE_BYTES + 16;
/// Records of the journal that it keeps in memory.
const RECENT: usize = 512;

type Flash = MockFlash<4, PAGE>;

struct Simulated;

impl Board for Simulated {
    type Output = Pin;
    type Input = Pin;
    type Meters = Counted;
    type Clock = Clock;
    type Flash = Flash;
    type Records = Kept<Flash, RECENT>;
}

type Loop = Machine<Simulated, MAX_TANKS, STATE_BUFFER>;

/// The place of the settings image.
struct Shelf(Vec<u8>);

impl Place for Shelf {
    fn keep(&mut self, image: &[u8]) -> bool {
        self.0 = image.to_vec();
        true
    }
}

/// A board with its plant.
pub struct SimulatedBoard {
    world: Shared,
    times: ValveTimes,
    shelf: Shelf,
    kept: Log<Flash, IMAGE_BUFFER>,
    /// Absent only while it restarts.
    machine: Option<Loop>,
    link: Link,
    /// The plant's time when power last came.
    powered_ms: u64,
}

/// What flash, clock and plant cannot be in memory.
fn impossible<E: std::fmt::Debug>(error: E) -> String {
    format!("the simulated board does not start: {error:?}")
}

fn log<const B: usize>(pages: u32) -> Result<Log<Flash, B>, String> {
    Log::mount(Flash::new(usize::try_from(pages).unwrap_or(0)), Region { start: 0, pages }).map_err(impossible)
}

fn history() -> Result<History<Flash>, String> {
    let layout = Layout::new(0, u32::try_from(PAGE).map_err(impossible)?, 4).map_err(impossible)?;
    let flash = || Flash::new(usize::try_from(layout.pages()).unwrap_or(0));
    History::mount([flash(), flash(), flash()], layout).map_err(impossible)
}

fn dossier() -> Result<Dossier<Flash>, String> {
    let layout = dossier::Layout::new(0, u32::try_from(PAGE).map_err(impossible)?, 4).map_err(impossible)?;
    let flash = || Flash::new(usize::try_from(dossier::Layout::PAGES).unwrap_or(0));
    Dossier::mount([flash(), flash(), flash(), flash()], layout).map_err(impossible)
}

impl SimulatedBoard {
    /// A board that was given a site's settings, powered up at a civil time in ms since 2000, if its clock is set.
    ///
    /// # Errors
    /// The site does not fit a board, in words.
    pub fn new(site: &Site, civil_ms: Option<u64>) -> Result<Self, String> {
        let (image, bytes) = image_of(site)?;
        let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
        let world = Rc::new(RefCell::new(World::new(&site.settings, times, civil_ms, 0)));
        let mut board = Self {
            world,
            times,
            shelf: Shelf(bytes),
            kept: log(2)?,
            machine: None,
            link: link(Label { name: image.name, note: image.note }),
            powered_ms: 0,
        };
        let records = Kept { recent: Recent::new(), history: Some(history()?), dossier: Some(dossier()?) };
        board.power_up(log(STORE_PAGES)?, records)?;
        Ok(board)
    }

    fn power_up(&mut self, store: Log<Flash, STATE_BUFFER>, records: Kept<Flash, RECENT>) -> Result<(), String> {
        let plant = pins(&self.world);
        let chosen = power_up::choose(&self.shelf.0, &mut self.kept, |settings| plant.fits(settings));
        let (meters, clock) = (Counted(self.world.clone()), Clock(self.world.clone()));
        let parts = Parts { plant, meters, clock, store, records };
        let machine = Machine::power_up(parts, chosen, 0).map_err(impossible)?;
        self.machine = Some(machine.ok_or_else(|| impossible("it has more tanks than fit"))?);
        Ok(())
    }

    /// Everything goes off, and power comes again with the settings that are stored by then.
    fn restart(&mut self) -> Result<(), String> {
        let Some(machine) = self.machine.take() else { return Ok(()) };
        let mut parts = machine.release(self.uptime_ms()).map_err(impossible)?;
        let (civil, now_ms) = (self.world.borrow().civil(), self.now_ms());
        let image = Image::decode(&self.shelf.0).map_err(|error| error.to_string())?;
        let settings = image.settings().map_err(|faults| faults.to_string())?;
        *self.world.borrow_mut() = World::new(&settings, self.times, civil, now_ms);
        self.powered_ms = now_ms;
        self.link = link(Label { name: image.name, note: image.note });
        parts.records.recent = Recent::new();
        let store = Log::mount(parts.store.release(), Region { start: 0, pages: STORE_PAGES }).map_err(impossible)?;
        self.power_up(store, parts.records)
    }

    /// The plant's time, ms since the board was first powered.
    pub fn now_ms(&self) -> u64 {
        self.world.borrow().now_ms()
    }

    /// How it speaks.
    #[must_use]
    pub fn manners(&self) -> Manners {
        self.machine.as_ref().map_or_else(Manners::default, Machine::manners)
    }

    fn uptime_ms(&self) -> u64 {
        self.now_ms() - self.powered_ms
    }

    /// Bytes come on its line now, one after the other; what it answers.
    ///
    /// # Errors
    /// It does not restart, in words.
    pub fn hear(&mut self, bytes: &[u8]) -> Result<(), String> {
        let now_us = self.uptime_ms() * 1_000;
        for byte in bytes {
            self.link.receive(*byte, now_us);
        }
        self.answer()
    }

    /// What it has to say.
    pub fn say(&mut self) -> Vec<u8> {
        let said = self.link.outgoing().to_vec();
        self.link.sent(said.len());
        said
    }

    fn answer(&mut self) -> Result<(), String> {
        let now_us = self.uptime_ms() * 1_000;
        if let Some(machine) = &mut self.machine {
            self.link.poll(machine, &mut self.shelf, now_us).map_err(impossible)?;
        }
        if self.link.wants_restart() { self.restart() } else { Ok(()) }
    }

    /// Time passes up to a moment of the plant's time.
    ///
    /// # Errors
    /// It does not restart, in words.
    pub fn run_to(&mut self, to_ms: u64) -> Result<(), String> {
        loop {
            let (now_ms, uptime_ms) = (self.now_ms(), self.uptime_ms());
            let Some(machine) = &mut self.machine else { return Ok(()) };
            let due_ms = machine.pass(uptime_ms).map_err(impossible)?.map_or(u64::MAX, |at| at + self.powered_ms);
            self.answer()?;
            if now_ms >= to_ms {
                return Ok(());
            }
            let mut world = self.world.borrow_mut();
            world.obey();
            let next_ms = world.next_ms().min(due_ms).min(to_ms).max(now_ms + 1);
            world.advance(next_ms, self.powered_ms);
        }
    }
}

fn link(label: Label) -> Link {
    Link::new(Config { board: "simulated board", label })
}
