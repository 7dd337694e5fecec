//! Where a site's numbers come from, and whether they fit each other.
//!
//! Every figure carries its formula, what went into it, and the source of its limits. The formulas are those of the
//! trade, in US units, since that is how their sources give them; a person reads either system.

pub mod cli;
mod figures;
mod findings;
mod inputs;
mod page;
mod sweep;

pub(crate) use cli::{judged, shown};
pub use figures::{Figure, Verdict, figures};
pub(crate) use findings::digits;
pub use findings::{Finding, Severity, findings};
pub use inputs::{Inputs, NotASoftener, WhatIf};
