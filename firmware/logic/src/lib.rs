//! Regeneration logic of ion-exchange softening plants.
//!
//! A [`Controller`] is a value: it reads no pin and no clock and calls nothing back. A driver (a
//! board's main loop, or a simulator) tells it what happens and when, does what it says, and calls
//! again when it asks to be called.
//!
//! # The driver contract
//!
//! **Calls.** [`Controller::handle`] takes one input at a time, with the time on a monotonic clock
//! in milliseconds. After every call, in this order: make [`Controller::outputs`] so, motors and pilots
//! first, and of those what goes off before what comes on; take every record with
//! [`Controller::take_record`]; read [`Controller::next_deadline`]. A journal that is drained after each
//! call loses nothing; what is pushed out otherwise is counted.
//!
//! **Time.** An earlier `now` than the last counts as the last. Nothing happens before the deadline
//! unless an input brings it about, so a driver may sleep, or jump, until then and send
//! [`Input::Tick`]. Extra calls change nothing. After a call the deadline always lies ahead, so a
//! finite number of calls gets past any instant. It is void as soon as any other call is made: read
//! it anew each time.
//!
//! **Late calls.** Where an input comes at or after the deadline, what was due is done first, as by
//! a tick just before it. A driver that misses deadlines breaks nothing, but everything timed comes
//! late by as much.
//!
//! **Pulses.** Pulses of one meter at one instant may come in one batch or singly, the result is
//! equal. A pulse tells of water that has passed, so it is charged to the tanks that served before
//! this instant; what follows from it is decided one millisecond later, which the deadline says.
//! Send pulses that are judged already as [`Input::Pulses`], or a bare contact as
//! [`Input::MeterContact`], not both for one meter.
//!
//! **Inputs are levels.** [`Input::Switches`], [`Input::Contact`] and [`Input::Store`] carry the level
//! as it is; to repeat one changes nothing. Starts by contact need an edge, so a level must be known before it
//! changes.
//!
//! **Power-up.** Create the controller with the time at which power came, and tell at that instant,
//! before anything else: the clock (or nothing, if it is not set), the switches of every drive, then
//! every contact; how worn the store is may come at any time. What time decides is due a millisecond later at the soonest, and motors stay off for
//! half a second, in which contacts settle.
//!
//! **Refusals.** An input that is refused has changed nothing but the time; an operator's is
//! journalled all the same.
//!
//! # Example
//!
//! A single tank behind a meter of 1 L pulses is asked to regenerate, and takes its valve out of service.
//!
//! ```
//! use bedkeeper::drive::{Motion, Switches};
//! use bedkeeper::journal::{Event, Who};
//! use bedkeeper::units::{Instant, TankId};
//! use bedkeeper::{Action, Controller, Input, Settings};
//!
//! /// Makes one call and everything that follows from it; returns what was said.
//! fn call(controller: &mut Controller<1>, ms: u64, input: Input, motor: &mut Motion) -> Vec<Event> {
//!     if let Err(refused) = controller.handle(Instant::from_ticks(ms), input) {
//!         println!("refused: {refused}");
//!     }
//!     *motor = controller.outputs().motions[0];
//!     std::iter::from_fn(|| controller.take_record()).map(|record| record.event).collect()
//! }
//!
//! let mut controller: Controller<1> = Controller::new(Instant::from_ticks(0), Settings::baseline()).unwrap();
//! let mut motor = Motion::Off;
//! let tank = TankId(0);
//!
//! // Power-up: no clock to tell; the first switch says that the valve stands in service.
//! call(&mut controller, 0, Input::Switches { tank, closed: Switches(0b00001) }, &mut motor);
//! while let Some(deadline) = controller.next_deadline().filter(|at| at.as_ticks() < 1_000) {
//!     call(&mut controller, deadline.as_ticks(), Input::Tick, &mut motor);
//! }
//! assert_eq!(motor, Motion::Off);
//!
//! // Water flows: the pulse is counted and leaves nothing to say.
//! let said = call(&mut controller, 5_000, Input::Pulses { meter: 0, count: 3 }, &mut motor);
//! assert!(said.is_empty());
//! assert_eq!(controller.accounts().charged.0, 3_000_000_000);
//!
//! // Someone asks at the panel. What the motor did before power came is not known, so it rests first;
//! // at the deadline it runs, until the switch of the next position closes.
//! let wish = Input::Operator { who: Who::Panel, action: Action::StartNow(tank) };
//! let said = call(&mut controller, 9_000, wish, &mut motor);
//! assert!(said.iter().any(|event| matches!(event, Event::Started { .. })));
//! assert_eq!(motor, Motion::Off);
//! let deadline = controller.next_deadline().unwrap();
//! call(&mut controller, deadline.as_ticks(), Input::Tick, &mut motor);
//! assert_eq!(motor, Motion::Forward);
//! call(&mut controller, 12_000, Input::Switches { tank, closed: Switches(0) }, &mut motor);
//! call(&mut controller, 16_000, Input::Switches { tank, closed: Switches(0b00010) }, &mut motor);
//! assert_eq!(motor, Motion::Off);
//!
//! // The cam has coasted: the backwash runs, and asks to be called when it is over.
//! let deadline = controller.next_deadline().unwrap();
//! let said = call(&mut controller, deadline.as_ticks(), Input::Tick, &mut motor);
//! assert!(said.iter().any(|event| matches!(event, Event::StepStarted { .. })));
//! assert_eq!(controller.next_deadline().unwrap(), deadline + bedkeeper::units::Duration::from_ticks(600_000));
//! ```
//!
//! The crate `bedkeeper-runtime` does the driver's part on a board, over `embedded-hal`; its front page has the same
//! example with pins.
//!
//! # Features
//!
//! | feature | what it brings | default |
//! |---|---|---|
//! | `defmt` | transitions are logged with `defmt`, and public types can be | no |
//!
//! The oldest Rust that builds it is the `rust-version` of the package, 1.95. Versions are semantic: below 1.0 a change
//! of the second number may break a driver's code or what it stored, a change of the third does not. What changed
//! stands in `CHANGELOG.md` of the package.
#![no_std]

#[cfg(test)]
extern crate std;

pub mod blackout;
pub mod brine;
pub mod calendar;
pub mod calls;
pub mod chronicle;
pub mod commission;
pub mod contact;
pub mod controller;
pub mod demand;
pub mod derating;
pub mod draft;
pub mod drive;
pub mod duty;
pub mod hardness_log;
pub mod image;
pub mod journal;
pub mod ledger;
pub mod lifetime;
pub mod lock;
pub mod measured;
pub mod meter;
pub mod operator;
pub mod program;
pub mod relay;
pub mod reserve;
pub mod retain;
pub mod sequence;
pub mod settings;
pub mod units;
pub mod watch;

pub use controller::{Accounts, Controller, Input, Outputs, RestoreRefused, Save, SettingsRefused, TooManyTanks, Why};
pub use operator::{Action, Refused};
pub use settings::{RawSettings, Settings};

/// Collects into a list of fixed length; what does not fit is left out.
///
/// `heapless`'s own `collect` panics instead, and nothing here may.
pub(crate) fn collect<T, const N: usize>(items: impl IntoIterator<Item = T>) -> heapless::Vec<T, N> {
    let mut list = heapless::Vec::new();
    for item in items {
        if list.push(item).is_err() {
            break;
        }
    }
    list
}
