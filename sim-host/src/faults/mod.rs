//! The fault table: each component, each way it fails, what the logic promises and what a person sees; and its proof.
//!
//! The table is data (`table.toml`, whose head tells its keys). Each row is made to happen on the real controller with
//! simulated valves: in service, in every step of a regeneration, on every way of a valve, afterwards, and once more as
//! power returns in each step. The checker of rehearsals looks on (S1 to S12), the alarm that the row promises must come in
//! its time, and when all is mended both tanks must regenerate again (S9). With two tanks every pair of rows is tried as
//! well, each at some of its moments. Power is cut before and after every call of a regeneration that did something, and at
//! every byte of what is stored meanwhile. What is not kept is written as a scenario that `verify` misses.

mod bytes;
mod campaign;
mod case;
pub mod cli;
mod instance;
mod page;
mod stage;
mod table;
mod watch;

pub use campaign::{Campaign, Deviation, Plan, RowResult, Tried};
pub use page::{components, table_page};
pub use stage::{Stage, StageError};
pub use table::{AlarmName, Need, Notice, PlantKind, Row, Span, Table, TableError, WaterFault, Within};
