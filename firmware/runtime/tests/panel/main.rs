//! The panel: what is seen fits, what is pressed does what it says, and nothing more.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::arithmetic_side_effects, clippy::as_conversions)]

mod fits;
mod goldens;
mod picture;
mod presses;
mod scene;
