//! Rows of a recording in a replay: pulses, or a bare contact that the logic judges (M4).

use bedkeeper::Input;
use bedkeeper::units::Instant;

use super::{Replay, ReplayError};
use crate::recording::{Edge, Entry, Pulses};

/// What bare contacts did, and what was made of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ContactTally {
    /// Closures that ended.
    pub closures: u64,
    /// Pulses that the logic counted for them; the others are bounce.
    pub counted: u64,
}

impl Replay<'_> {
    /// A row that comes now.
    ///
    /// # Errors
    /// It is of a meter that the site does not have; an evidence file could not be written.
    pub fn take(&mut self, entry: &Entry) -> Result<(), ReplayError> {
        match entry {
            Entry::Pulses(pulses) => self.take_pulses(pulses),
            Entry::Edge(edge) => self.take_edge(edge),
        }
    }

    /// A meter's contact closes or opens now; onlookers are told of the pulses that the logic counts for it.
    ///
    /// # Errors
    /// As [`Replay::take`].
    fn take_edge(&mut self, edge: &Edge) -> Result<(), ReplayError> {
        let Edge { at_ms, meter, closed } = *edge;
        let mut pulses = Pulses { at_ms, meter, count: 1 };
        let world = &mut self.world;
        world.span_ms = at_ms;
        if world.supply.is_dark() {
            // Nobody judges; what a sound contact gives when it opens has passed.
            return if closed { Ok(()) } else { self.pass_unmetered(&pulses) };
        }
        let number = world.meter_of(&pulses)?;
        let before = world.controller.accounts().metered.0;
        let at = Instant::from_ticks(world.now_ms);
        let taken = world.controller.handle(at, Input::MeterContact { meter: number, closed });
        taken.map_err(|why| ReplayError::Refused { at_s: at.as_ticks() / 1_000, why })?;
        let metered_nl = world.controller.accounts().metered.0.saturating_sub(before);
        let raw = &world.controller.settings().meter;
        let (nl, per) = (u128::from(raw.pulse_nl).max(1), u128::from(raw.pulse_divisor));
        // The remainder of a pulse moves a nanolitre at most.
        pulses.count = u32::try_from((metered_nl * per + nl / 2) / nl).unwrap_or(u32::MAX);
        world.contact_tally.closures += u64::from(!closed);
        world.contact_tally.counted += u64::from(pulses.count);
        if pulses.count > 0 {
            for observer in &mut self.observers {
                observer.pulses(&pulses, &self.world)?;
            }
        }
        self.settle(false)
    }
}
