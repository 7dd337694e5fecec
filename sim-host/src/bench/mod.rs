//! The bench: a plant to play with in a terminal. Every input can be moved, every fault armed, and the logic asked why.
//!
//! [`Session`] is the plant under way, without a screen: it goes on, goes back, lets things happen and writes down what
//! was done as a scenario; [`View`] is what there is to see, in words. The terminal's own are `App`, what keys do with
//! it, and `draw`, how it looks.

#[cfg(feature = "command")]
mod app;
#[cfg(feature = "command")]
mod ask;
#[cfg(feature = "command")]
pub mod cli;
#[cfg(feature = "command")]
mod draw;
#[cfg(feature = "panel")]
mod kept;
mod menu;
#[cfg(feature = "command")]
mod over;
#[cfg(feature = "command")]
mod pane;
#[cfg(feature = "panel")]
mod panel;
mod session;
mod view;
mod water;
mod words;

#[cfg(feature = "command")]
pub use app::App;
#[cfg(feature = "panel")]
pub use bedkeeper_runtime::panel::{Button, Buttons, Press};
#[cfg(feature = "command")]
pub use draw::draw;
pub use menu::{CLOCK_FORM, Choice, Menu};
#[cfg(feature = "command")]
pub use pane::Pane;
#[cfg(feature = "panel")]
pub use panel::{BoardPanel, PanelRow, PanelView};
pub use session::{LONG_JUMP_MS, LONGEST_STEP_MS, Plan, SHORT_JUMP_MS, SPEEDS, Session, SessionError, THE_END};
pub use view::{AlarmView, TankView, View};
pub use water::{Belief, OpenWay, Way};
