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
#![no_std]

#[cfg(any(test, feature = "mock-flash"))]
extern crate std;

pub mod alive;
pub mod archive;
pub mod clock;
#[cfg(feature = "ds3231")]
pub mod ds3231;
pub mod history;
pub mod link;
pub mod machine;
pub mod meters;
#[cfg(feature = "mock-flash")]
pub mod mock_flash;
pub mod motor;
pub mod panel;
pub mod plant;
pub mod power_up;
pub mod self_test;
pub mod store;
