//! The serial line of a board: whatever comes, nothing panics, and nothing changes that was not rightly asked for.
//!
//! What the bytes mean, and what is checked, stands in the soup of the link's own tests.
#![no_main]
#![allow(missing_docs)]

#[path = "../../../firmware/runtime/tests/common/mod.rs"]
mod common;
#[path = "../../../firmware/runtime/tests/link/line.rs"]
mod line;
#[path = "../../../firmware/runtime/tests/link/soup.rs"]
mod soup;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| soup::drink(bytes));
