//! Whole-system tests of bedkeeper; see `tests/`. The library holds what they share.

pub mod rules;
