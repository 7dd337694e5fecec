//! Host simulator of bedkeeper: plant, recordings, evidence and the `bedkeeper` command.

pub mod bed;
pub mod beginning;
pub mod bench;
pub mod cli;
pub mod demand;
pub mod diagnostic;
pub mod evidence;
pub mod explore;
pub mod learn;
pub mod physics;
pub mod plant;
pub mod process;
pub mod quantity;
pub mod recording;
pub mod replay;
pub mod report;
pub mod rules;
pub mod scenario;
pub mod sheet;
pub mod site;
pub mod size;
pub mod wording;
