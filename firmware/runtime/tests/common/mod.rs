//! A board on a bench: pins that write down what happens to them, in order, and a flash between them.
#![allow(clippy::arithmetic_side_effects)]
#![allow(
    dead_code,
    missing_docs,
    clippy::as_conversions,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing
)]

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::ops::Deref;
use std::rc::Rc;

use bedkeeper::Input;
use bedkeeper::calendar::Civil;
use bedkeeper::commission::SignedOff;
use bedkeeper::contact::Contact;
use bedkeeper::image::Image;
use bedkeeper::journal::Record;
use bedkeeper::retain::MAX_BYTES;
use bedkeeper_runtime::archive::{Archive, Visit};
use bedkeeper_runtime::clock::WallClock;
use bedkeeper_runtime::machine::{Board, Parts, Records};
use bedkeeper_runtime::manners::Manners;
use bedkeeper_runtime::meters::{EdgeQueue, Meters};
use bedkeeper_runtime::mock_flash::{MockError, MockFlash};
use bedkeeper_runtime::motor::Motor;
use bedkeeper_runtime::plant::Plant;
use bedkeeper_runtime::store::{Log, Region};
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use embedded_storage::nor_flash::{ErrorType as FlashErrorType, NorFlash, ReadNorFlash};

/// What happened to the board, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    High(&'static str),
    Low(&'static str),
    Erased,
    Written,
}

#[derive(Default, Debug)]
pub struct World {
    pub deeds: Vec<Deed>,
    /// Outputs that are high.
    pub on: BTreeMap<&'static str, bool>,
    /// Inputs that are closed, so low.
    pub closed: BTreeMap<&'static str, bool>,
    pub civil: Option<Civil>,
    /// The hardware clock takes no time.
    pub clock_fails: bool,
    pub records: Vec<Record>,
    pub flash_fails: bool,
    /// What was kept for good of the walk, and as the site's baseline.
    pub signed: Option<SignedOff>,
    pub baseline: Option<Image>,
    /// How the board speaks, as it was kept.
    pub manners: Option<Manners>,
}

pub type Bench = Rc<RefCell<World>>;

#[derive(Debug, Clone)]
pub struct Pin(pub &'static str, pub Bench);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        let mut world = self.1.borrow_mut();
        world.deeds.push(Deed::Low(self.0));
        world.on.insert(self.0, false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        let mut world = self.1.borrow_mut();
        world.deeds.push(Deed::High(self.0));
        world.on.insert(self.0, true);
        Ok(())
    }
}

impl InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(!self.1.borrow().closed.get(self.0).copied().unwrap_or(false))
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        self.is_high().map(|high| !high)
    }
}

pub struct Clock(pub Bench);

impl WallClock for Clock {
    fn read(&mut self) -> Option<Civil> {
        self.0.borrow().civil
    }

    fn set(&mut self, civil: Civil) -> bool {
        let mut world = self.0.borrow_mut();
        if !world.clock_fails {
            world.civil = Some(civil);
        }
        !world.clock_fails
    }
}

pub struct Notes(pub Bench);

impl Records for Notes {
    fn note(&mut self, record: &Record) {
        self.0.borrow_mut().records.push(*record);
    }

    fn keep_signed(&mut self, signed: &SignedOff) -> bool {
        self.0.borrow_mut().signed = Some(signed.clone());
        true
    }

    fn keep_manners(&mut self, manners: &Manners) -> bool {
        self.0.borrow_mut().manners = Some(*manners);
        true
    }

    fn manners(&mut self) -> Option<Manners> {
        self.0.borrow().manners
    }

    fn keep_baseline(&mut self, image: &[u8]) -> bool {
        self.0.borrow_mut().baseline = Image::decode(image).ok();
        true
    }

    fn baseline(&mut self) -> Option<Image> {
        self.0.borrow().baseline.clone()
    }
}

impl Archive for Notes {
    fn signed(&mut self) -> Option<SignedOff> {
        self.0.borrow().signed.clone()
    }

    fn records(&mut self, from: u32, visit: &mut Visit<'_, Record>) {
        let records = self.0.borrow().records.clone();
        for (number, record) in (0u32..).zip(&records).skip(from as usize) {
            if !visit(number, record) {
                return;
            }
        }
    }
}

/// Edges that a test pushes.
#[derive(Clone, Default)]
pub struct Edges(Rc<EdgeQueue<16>>);

impl Deref for Edges {
    type Target = EdgeQueue<16>;

    fn deref(&self) -> &EdgeQueue<16> {
        &self.0
    }
}

impl Meters for Edges {
    fn take(&mut self, now_ms: u64) -> Option<(u64, Input)> {
        (&*self.0).take(now_ms)
    }
}

/// A flash whose writes and erasures stand among the deeds of the pins.
pub struct Flash(pub MockFlash<4, 4096>, pub Bench);

impl FlashErrorType for Flash {
    type Error = MockError;
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), MockError> {
        self.0.read(offset, bytes)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), MockError> {
        self.1.borrow_mut().deeds.push(Deed::Erased);
        self.0.erase(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), MockError> {
        if self.1.borrow().flash_fails {
            return Err(MockError::PowerLost);
        }
        self.1.borrow_mut().deeds.push(Deed::Written);
        self.0.write(offset, bytes)
    }
}

pub const BUFFER: usize = MAX_BYTES + 16;

pub struct OnBench;

impl Board for OnBench {
    type Output = Pin;
    type Input = Pin;
    type Meters = Edges;
    type Clock = Clock;
    type Flash = Flash;
    type Records = Notes;
    /// Few, so that a test can wear it.
    const RATED_ERASURES: u32 = 200;
}

pub const SWITCHES: [&str; 8] =
    ["switch-1", "switch-2", "switch-3", "switch-4", "switch-5", "switch-6", "switch-7", "switch-8"];
pub const RELAYS: [&str; 4] = ["relay-1", "relay-2", "relay-3", "relay-4"];

pub fn pin(bench: &Bench, name: &'static str) -> Pin {
    Pin(name, bench.clone())
}

/// Two motors, four relays, eight switches, two contacts.
pub fn plant(bench: &Bench) -> Plant<Pin, Pin> {
    let motor = |forward, reverse| Motor::new(pin(bench, forward), pin(bench, reverse)).unwrap();
    let motors = [motor("forward-1", "reverse-1"), motor("forward-2", "reverse-2")];
    Plant::new(motors, RELAYS.map(|name| pin(bench, name)), 2)
        .unwrap()
        .with_switches(SWITCHES.map(|name| pin(bench, name)))
        .with_contacts([(Contact::Remote, pin(bench, "remote")), (Contact::BrineFull, pin(bench, "brine-full"))])
}

pub fn parts(bench: &Bench, flash: MockFlash<4, 4096>) -> Parts<OnBench, BUFFER> {
    Parts {
        plant: plant(bench),
        meters: Edges::default(),
        clock: Clock(bench.clone()),
        store: Log::mount(Flash(flash, bench.clone()), Region { start: 0, pages: 3 }).expect("mounts"),
        records: Notes(bench.clone()),
    }
}
