//! Host simulator of bedkeeper: plant, recordings, evidence and the `bedkeeper` command.

pub mod diagnostic;
pub mod evidence;
pub mod quantity;
pub mod recording;
pub mod report;
