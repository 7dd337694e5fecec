//! The bench: a plant to play with in a terminal. Every input can be moved, every fault armed, and the logic asked why.
//!
//! [`Session`] is the plant under way, without a screen: it goes on, goes back, lets things happen and writes down what
//! was done as a scenario. [`App`] is what keys do with it, [`draw`] what is seen.

mod app;
pub mod cli;
mod draw;
mod menu;
mod session;

pub use app::{App, SPEEDS};
pub use draw::draw;
pub use menu::{Choice, Menu};
pub use session::{Plan, Session, SessionError};
