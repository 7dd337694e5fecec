//! Host simulator of bedkeeper: plant, recordings, evidence and the `bedkeeper` command.
//!
//! Without the feature `command` there is no command and nothing that needs a terminal or files: so it builds for
//! WebAssembly.

// Some of what only the command uses stands beside what others use.
#![cfg_attr(not(feature = "command"), allow(dead_code))]

#[macro_use]
mod terminal;

pub mod bed;
#[cfg(feature = "command")]
pub mod beginning;
pub mod bench;
#[cfg(feature = "command")]
pub mod cli;
pub mod demand;
pub mod demo;
pub mod diagnostic;
pub mod evidence;
pub mod explore;
#[cfg(feature = "command")]
pub mod faults;
#[cfg(feature = "command")]
pub mod learn;
#[cfg(feature = "command")]
pub mod link;
pub mod physics;
pub mod plant;
pub mod process;
pub mod quantity;
pub mod recording;
pub mod replay;
pub mod report;
pub mod rules;
pub mod scenario;
#[cfg(feature = "command")]
pub mod sheet;
pub mod site;
#[cfg(feature = "command")]
pub mod size;
#[cfg(feature = "command")]
pub mod swarm;
pub mod wording;
