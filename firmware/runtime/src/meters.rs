//! What the meters have to tell: edges with the time they came at, counts, or a level that is looked at.
//!
//! Whoever hands on a bare contact lets the logic judge bounce (M4); a board counts pulses only where its hardware
//! has judged them already.

use core::cell::{Cell, RefCell};

use bedkeeper::Input;
use critical_section::Mutex;
use embedded_hal::digital::InputPin;
use heapless::Deque;

/// Meters of a board.
pub trait Meters {
    /// Takes the oldest thing not told yet, with the uptime in ms at which it came; `None` if there is nothing.
    fn take(&mut self, now_ms: u64) -> Option<(u64, Input)>;
}

/// No meter is wired.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoMeters;

impl Meters for NoMeters {
    fn take(&mut self, _now_ms: u64) -> Option<(u64, Input)> {
        None
    }
}

/// A meter's contact changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// Which meter, from 0.
    pub meter: u8,
    /// Closed from now on.
    pub closed: bool,
    /// When, uptime in ms.
    pub at_ms: u64,
}

/// Edges on their way from an interrupt to the control loop, with room for `Q`.
///
/// Where there is no room the youngest is left out and counted in [`EdgeQueue::lost`]: the level it told of is told
/// again by the edge that follows.
#[derive(Debug)]
pub struct EdgeQueue<const Q: usize> {
    edges: Mutex<RefCell<Deque<Edge, Q>>>,
    lost: Mutex<Cell<u32>>,
}

impl<const Q: usize> Default for EdgeQueue<Q> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const Q: usize> EdgeQueue<Q> {
    /// Nothing has come yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { edges: Mutex::new(RefCell::new(Deque::new())), lost: Mutex::new(Cell::new(0)) }
    }

    /// An edge came; for interrupts.
    pub fn push(&self, edge: Edge) {
        critical_section::with(|cs| {
            if self.edges.borrow_ref_mut(cs).push_back(edge).is_err() {
                let lost = self.lost.borrow(cs);
                lost.set(lost.get().saturating_add(1));
            }
        });
    }

    /// Edges that found no room.
    pub fn lost(&self) -> u32 {
        critical_section::with(|cs| self.lost.borrow(cs).get())
    }
}

impl<const Q: usize> Meters for &EdgeQueue<Q> {
    fn take(&mut self, _now_ms: u64) -> Option<(u64, Input)> {
        let edge = critical_section::with(|cs| self.edges.borrow_ref_mut(cs).pop_front())?;
        Some((edge.at_ms, Input::MeterContact { meter: edge.meter, closed: edge.closed }))
    }
}

/// Pulses of `M` meters that hardware has judged and an interrupt counts.
#[derive(Debug)]
pub struct PulseCounts<const M: usize>(Mutex<Cell<[u32; M]>>);

impl<const M: usize> Default for PulseCounts<M> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const M: usize> PulseCounts<M> {
    /// None so far.
    #[must_use]
    pub const fn new() -> Self {
        Self(Mutex::new(Cell::new([0; M])))
    }

    /// So many pulses of a meter came; for interrupts. A meter that there is not counts for nothing.
    pub fn add(&self, meter: u8, pulses: u32) {
        critical_section::with(|cs| {
            let mut counts = self.0.borrow(cs).get();
            if let Some(count) = counts.get_mut(usize::from(meter)) {
                *count = count.saturating_add(pulses);
            }
            self.0.borrow(cs).set(counts);
        });
    }
}

impl<const M: usize> Meters for &PulseCounts<M> {
    fn take(&mut self, now_ms: u64) -> Option<(u64, Input)> {
        critical_section::with(|cs| {
            let mut counts = self.0.borrow(cs).get();
            let (meter, count) = (0u8..).zip(&mut counts).find(|(_, count)| **count > 0)?;
            // The logic takes no more at once; the rest comes next.
            let told = (*count).min(bedkeeper::meter::MAX_BATCH);
            *count = count.saturating_sub(told);
            self.0.borrow(cs).set(counts);
            Some((now_ms, Input::Pulses { meter, count: told }))
        })
    }
}

/// A meter's contact that is looked at in every pass, for slow meters: a closure must last longer than a pass. It
/// closes to ground.
#[derive(Debug)]
pub struct PolledMeter<I> {
    pin: I,
    meter: u8,
    told: Option<bool>,
}

impl<I: InputPin> PolledMeter<I> {
    /// The contact of a meter, from 0.
    pub fn new(meter: u8, pin: I) -> Self {
        Self { pin, meter, told: None }
    }
}

impl<I: InputPin> Meters for PolledMeter<I> {
    fn take(&mut self, now_ms: u64) -> Option<(u64, Input)> {
        // A pin that cannot be read tells nothing: the logic misses the pulses (`meter-silent`).
        let closed = self.pin.is_low().ok()?;
        if self.told == Some(closed) {
            return None;
        }
        self.told = Some(closed);
        Some((now_ms, Input::MeterContact { meter: self.meter, closed }))
    }
}
