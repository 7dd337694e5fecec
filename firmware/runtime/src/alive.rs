//! The watchdog is fed only while the control loop and the interrupt both live.
//!
//! The interrupt beats; the loop, at the end of each pass, feeds if it has heard a beat since it fed last. A loop that
//! hangs feeds no more, and where the interrupt has died there is no beat to hear: either way the watchdog resets the
//! board, which puts every output off.

use core::sync::atomic::{AtomicU32, Ordering};

/// A watchdog: unless fed in time it resets the board.
pub trait Watchdog {
    /// Gives it its whole time again.
    fn feed(&mut self);
}

/// Beats of one interrupt. Only that interrupt may call [`Heartbeat::beat`].
#[derive(Debug, Default)]
pub struct Heartbeat(AtomicU32);

impl Heartbeat {
    /// No beat yet.
    #[must_use]
    pub const fn new() -> Self {
        Self(AtomicU32::new(0))
    }

    /// The interrupt lives. Load and store suffice, since nobody else writes (a Cortex-M0 has no more).
    pub fn beat(&self) {
        self.0.store(self.0.load(Ordering::Relaxed).wrapping_add(1), Ordering::Release);
    }

    fn beats(&self) -> u32 {
        self.0.load(Ordering::Acquire)
    }
}

/// Feeds a watchdog for the control loop.
#[derive(Debug)]
pub struct Keeper<'h, W> {
    watchdog: W,
    heart: &'h Heartbeat,
    heard: u32,
}

impl<'h, W: Watchdog> Keeper<'h, W> {
    /// Nothing is fed yet.
    pub fn new(watchdog: W, heart: &'h Heartbeat) -> Self {
        let heard = heart.beats();
        Self { watchdog, heart, heard }
    }

    /// A whole pass of the control loop is over; says whether the watchdog was fed.
    pub fn pass_over(&mut self) -> bool {
        let beats = self.heart.beats();
        let alive = beats != self.heard;
        if alive {
            self.heard = beats;
            self.watchdog.feed();
        }
        alive
    }
}
