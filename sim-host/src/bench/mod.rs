//! The bench: a plant to play with in a terminal. Every input can be moved, every fault armed, and the logic asked why.
//!
//! [`Session`] is the plant under way, without a screen: it goes on, goes back, lets things happen and writes down what
//! was done as a scenario; [`View`] is what there is to see, in words. The terminal's own are `App`, what keys do with
//! it, and `draw`, how it looks.

#[cfg(feature = "command")]
mod app;
#[cfg(feature = "command")]
mod board;
#[cfg(feature = "command")]
pub mod cli;
#[cfg(feature = "command")]
mod draw;
#[cfg(feature = "command")]
mod kept;
mod menu;
mod session;
mod view;

#[cfg(feature = "command")]
pub use app::{App, SPEEDS};
#[cfg(feature = "command")]
pub use board::BoardPanel;
#[cfg(feature = "command")]
pub use draw::draw;
pub use menu::{Choice, Menu};
pub use session::{Plan, Session, SessionError};
pub use view::{TankView, View};
