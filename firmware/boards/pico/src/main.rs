//! The image: pins, meters, clock and flash of the board, and the control loop over them.
//!
//! rp2040-hal rather than an async framework: the control loop is one loop with one interrupt, the logic names its
//! own deadlines, and nothing here waits for two things at once.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod image;

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("this is an image for an RP2040: build it for thumbv6m-none-eabi, see docs/book/board.md");
}
