//! Whole-system tests of bedkeeper; see `tests/`.
