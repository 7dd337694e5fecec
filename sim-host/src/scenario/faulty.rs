//! A scenario's recording made faulty on purpose, as `bedkeeper demand --inject` does it.

use bedkeeper::RawSettings;

use super::water::Water;
use crate::demand::{Bouncer, Faults, PerfectMeter, Upstream};
use crate::quantity::PulseVolume;
use crate::recording::{Entry, Pulses, Recording};
use crate::replay::ReplayError;

/// A recording and what goes wrong with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Injected {
    /// The sound recording.
    pub of: Water,
    /// What goes wrong.
    pub faults: Faults,
    /// The same seed gives the same faults.
    pub seed: u64,
    /// A leak goes on to this ms.
    pub until_ms: u64,
}

type Rows = Box<dyn Iterator<Item = Result<Pulses, ReplayError>>>;

/// Rows of a faulty recording on their way.
pub struct Faulty {
    rows: Upstream<Rows, ReplayError>,
    /// A contact that bounces, until the last pulse is through.
    bouncer: Option<Bouncer>,
    ended: bool,
}

impl Faulty {
    /// Opens the recording.
    ///
    /// # Errors
    /// It cannot be read, or is of another meter.
    pub fn open(injected: &Injected, raw: &RawSettings) -> Result<Self, ReplayError> {
        let pulse = PulseVolume::of_meter(&raw.meter);
        let rows: Rows = match &injected.of {
            Water::Rows(rows) => Box::new(rows.clone().into_iter().map(Ok)),
            Water::Demand(demand) => Box::new(PerfectMeter::new(demand.draws(), pulse).map(Ok)),
            Water::File(path) => pulses_of(Recording::open(path)?, raw)?,
            Water::Bundled(name) => pulses_of(crate::demo::bundled_recording(name)?, raw)?,
            // No recording: refused when the scenario was read.
            Water::None | Water::Flows(_) | Water::Faulty(_) => Box::new(std::iter::empty()),
        };
        let Injected { faults, seed, until_ms, .. } = injected;
        let rows = Upstream::new(rows, *faults, Some(pulse), *seed, Some(*until_ms)).map_err(ReplayError::Mismatch)?;
        Ok(Self { rows, bouncer: faults.bounce_ppm.map(|ppm| Bouncer::new(ppm, *seed)), ended: false })
    }

    /// The next row, or none at the end.
    ///
    /// # Errors
    /// The recording cannot be read on, or its pulses come too fast for a contact.
    pub fn next_entry(&mut self) -> Result<Option<Entry>, ReplayError> {
        let Some(bouncer) = &mut self.bouncer else {
            return Ok(self.rows.next().transpose()?.map(Entry::Pulses));
        };
        loop {
            if let Some(edge) = bouncer.next_edge() {
                return Ok(Some(edge));
            }
            if self.ended {
                return Ok(None);
            }
            let row = self.rows.next().transpose()?;
            self.ended = row.is_none();
            bouncer.take(row).map_err(ReplayError::Mismatch)?;
        }
    }
}

fn pulses_of(mut recording: Recording, raw: &RawSettings) -> Result<Rows, ReplayError> {
    recording.fits(&raw.meter).map_err(ReplayError::Mismatch)?;
    Ok(Box::new(std::iter::from_fn(move || recording.next().map_err(ReplayError::Recording).transpose())))
}
