//! `bedkeeper link`: talks to a board on its serial line, or to a simulated one in this program.

mod actions;
mod board;
pub mod cli;
mod client;
mod doing;
mod kept;
mod line;
mod logs;
mod measured;
#[cfg(unix)]
mod serve;
mod show;
mod speak;
mod told;
mod transfer;
mod wires;
mod words;

pub use board::SimulatedBoard;
pub use client::{Client, LinkError, Taking};
pub use line::Line;
