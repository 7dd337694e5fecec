//! The hand-over document: what was set and why, how it is wired, what the plant will do, what to check, what each alarm
//! means. One self-contained page to be printed and signed.
//!
//! What the logic itself says of alarms, holds and steps is taken from it; nothing of that is written twice.

mod checks;
pub mod cli;
mod page;
mod settings;
mod week;
mod wiring;

pub use page::{Sheet, SheetError};
pub use week::WeekError;
