//! What a fuzzer feeds: each target is one function that takes any bytes and panics only where something is broken.
//!
//! libFuzzer calls them from `tests/fuzz`, and `tests/tests/fuzz.rs` with a few random inputs in every run of the tests.
//! The serial line has its own, beside the link's tests.

mod columns;
mod controller;
mod flash;
mod image;
mod recording;
mod text;

pub use columns::columns;
pub use controller::controller;
pub use flash::flash;
pub use image::image;
pub use recording::{dump, recording};
pub use text::{scenario, site};

/// Takes any bytes.
pub type Target = fn(&[u8]);

/// Every target by its name, but the serial line.
pub const TARGETS: &[(&str, Target)] = &[
    ("site", site),
    ("scenario", scenario),
    ("recording", recording),
    ("dump", dump),
    ("columns", columns),
    ("image", image),
    ("flash", flash),
    ("controller", controller),
];

/// Bytes read from the front, as long as there are some.
struct Script<'b>(&'b [u8]);

impl<'b> Script<'b> {
    fn is_over(&self) -> bool {
        self.0.is_empty()
    }

    /// The next so many bytes, or what is left of them.
    fn take(&mut self, count: usize) -> &'b [u8] {
        let (taken, rest) = self.0.split_at(count.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// The next byte; 0 where there is none.
    fn byte(&mut self) -> u8 {
        self.take(1).first().copied().unwrap_or(0)
    }

    /// The next two bytes.
    fn short(&mut self) -> u16 {
        u16::from_le_bytes([self.byte(), self.byte()])
    }

    /// The next eight bytes.
    fn long(&mut self) -> u64 {
        u64::from_le_bytes([(); 8].map(|()| self.byte()))
    }

    /// A value written with postcard, if one stands here; else a byte is passed over.
    fn value<T: serde::de::DeserializeOwned>(&mut self) -> Option<T> {
        match postcard::take_from_bytes(self.0) {
            Ok((value, rest)) => {
                self.0 = rest;
                Some(value)
            }
            Err(_) => {
                self.byte();
                None
            }
        }
    }
}
