//! What every board adds to the logic, generic over `embedded-hal` 1.0: no allocation, no panic, no register.
//!
//! ```text
//!   meters ──┐                                       ┌── motors, pilots (interlocked)
//!   switches ┤      ┌─────────┐   (now, input)       ├── relays
//!   contacts ┼────▶ │ machine │ ──────────────▶ logic┤
//!   clock ───┘      └─────────┘                      └── store, before any motor where the logic asks for it
//!                        │ both alive?
//!                        └──────────▶ watchdog
//! ```
//! A board makes a [`plant::Plant`] of its pins first of all, since that puts every output off, then a
//! [`machine::Machine`], and calls [`machine::Machine::pass`] for ever: it says when it wants to be called next.
//!
//! Contacts, position switches and meters are handed on as they are: the logic debounces them, judges bounce and
//! tallies it (C4, M4), and none of that is done twice.
//!
//! # Example
//!
//! A board for one tank, on a bench: its pins are names in a list of what is on. Somebody asks for a regeneration, and
//! the motor takes the valve out of service.
//!
//! ```
//! use std::cell::RefCell;
//! use std::collections::BTreeSet;
//! use std::convert::Infallible;
//! use std::rc::Rc;
//!
//! use bedkeeper::journal::{Record, Who};
//! use bedkeeper::units::TankId;
//! use bedkeeper::{Action, Input, Settings};
//! use bedkeeper_runtime::clock::NoClock;
//! use bedkeeper_runtime::machine::{Board, Machine, Parts, Records};
//! use bedkeeper_runtime::meters::{Edge, EdgeQueue};
//! use bedkeeper_runtime::mock_flash::MockFlash;
//! use bedkeeper_runtime::motor::Motor;
//! use bedkeeper_runtime::plant::Plant;
//! use bedkeeper_runtime::power_up::Chosen;
//! use bedkeeper_runtime::store::{Log, Region};
//! use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
//!
//! /// A pin, and the list of those that are high; an input rests high and is pulled low by what closes.
//! struct Pin(&'static str, Rc<RefCell<BTreeSet<&'static str>>>);
//!
//! impl ErrorType for Pin {
//!     type Error = Infallible;
//! }
//! impl OutputPin for Pin {
//!     fn set_low(&mut self) -> Result<(), Infallible> {
//!         self.1.borrow_mut().remove(self.0);
//!         Ok(())
//!     }
//!     fn set_high(&mut self) -> Result<(), Infallible> {
//!         self.1.borrow_mut().insert(self.0);
//!         Ok(())
//!     }
//! }
//! impl InputPin for Pin {
//!     fn is_high(&mut self) -> Result<bool, Infallible> {
//!         Ok(self.1.borrow().contains(self.0))
//!     }
//!     fn is_low(&mut self) -> Result<bool, Infallible> {
//!         self.is_high().map(|high| !high)
//!     }
//! }
//!
//! /// Records are printed.
//! struct Printed;
//! impl Records for Printed {
//!     fn note(&mut self, record: &Record) {
//!         println!("{record:?}");
//!     }
//! }
//!
//! struct OneTank;
//! impl Board for OneTank {
//!     type Output = Pin;
//!     type Input = Pin;
//!     type Meters = &'static EdgeQueue<16>;
//!     type Clock = NoClock;
//!     type Flash = MockFlash<4, 4096>;
//!     type Records = Printed;
//! }
//! const BUFFER: usize = bedkeeper::retain::MAX_BYTES + 16;
//!
//! static METER: EdgeQueue<16> = EdgeQueue::new();
//! let high = Rc::new(RefCell::new(BTreeSet::from(["s2", "s3", "s4", "s5"])));
//! let pin = |name| Pin(name, high.clone());
//!
//! // Outputs off first of all; the switch of `service` is closed.
//! let motor = Motor::new(pin("forward"), pin("reverse")).unwrap();
//! let plant = Plant::new([motor], ["r1", "r2", "r3", "r4"].map(pin), 1).unwrap();
//! let plant = plant.with_switches(["s1", "s2", "s3", "s4", "s5"].map(pin));
//! let store = Log::mount(MockFlash::new(3), Region { start: 0, pages: 3 }).unwrap();
//! let parts = Parts { plant, meters: &METER, clock: NoClock, store, records: Printed };
//! let chosen = Chosen { settings: Settings::baseline(), rejected: None };
//! let mut machine: Machine<OneTank, 1, BUFFER> = Machine::power_up(parts, chosen, 0).unwrap().expect("it fits");
//!
//! /// The loop of a board, until an uptime; a real one sleeps until the next pass is due or an interrupt comes.
//! fn run(machine: &mut Machine<OneTank, 1, BUFFER>, mut now_ms: u64, until_ms: u64) {
//!     while now_ms < until_ms {
//!         let next_ms = machine.pass(now_ms).unwrap().unwrap_or(until_ms);
//!         now_ms = next_ms.clamp(now_ms + 1, until_ms);
//!     }
//! }
//! run(&mut machine, 0, 2_000);
//! METER.push(Edge { meter: 0, closed: true, at_ms: 2_000 });
//! METER.push(Edge { meter: 0, closed: false, at_ms: 2_060 });
//! run(&mut machine, 2_100, 3_000);
//! assert_eq!(machine.controller().accounts().charged.0, 1_000_000_000);
//!
//! let wish = Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) };
//! machine.ask(3_000, wish).unwrap().expect("it is taken");
//! // What the motor did before power came is not known, so it rests first.
//! run(&mut machine, 3_000, 10_000);
//! assert!(high.borrow().contains("forward"));
//! ```
//!
//! # Features
//!
//! | feature | what it brings | default |
//! |---|---|---|
//! | `ds3231` | a clock that outlives power cuts, on an I²C bus | no |
//! | `ssd1306` | a display with an SSD1306 and buttons on a port expander, on an I²C bus | no |
//! | `mock-flash` | a strict flash memory that cuts power at any byte, for tests on a host; needs `std` | no |
//!
//! The oldest Rust that builds it is the `rust-version` of the package, 1.95. Versions are semantic: below 1.0 a change
//! of the second number may break a board's code, a change of the third does not. What changed stands in
//! `CHANGELOG.md` of the package.
#![no_std]

#[cfg(any(test, feature = "mock-flash"))]
extern crate std;

/// What the panel is drawn with.
pub use embedded_graphics as draw;

pub mod alive;
pub mod archive;
pub mod baseline;
pub mod clock;
pub mod dossier;
#[cfg(feature = "ds3231")]
pub mod ds3231;
#[cfg(feature = "ssd1306")]
pub mod face;
pub mod front;
pub mod history;
pub mod link;
pub mod machine;
pub mod manners;
pub mod meters;
#[cfg(feature = "mock-flash")]
pub mod mock_flash;
pub mod motor;
pub mod panel;
pub mod plant;
pub mod power_up;
pub mod self_test;
pub mod store;
