//! The plant's water in a replay: it works up to each event before the event happens.

use bedkeeper::drive::Motion;
use bedkeeper::settings::Medium;
use bedkeeper::units::TankId;

use super::{ReplayError, World};
use crate::plant::{OPEN, Opening, OpeningMilli, Valve};
use crate::process::{Design, Process, ProcessError, Standing};
use crate::recording::Pulses;

/// Where a valve stands, from now until its switches or its motor next change.
fn standing(valve: &Valve) -> Standing {
    let Opening { position, milli } = valve.opening();
    // A valve without switches names no place on its way: while its motor runs it has left.
    let unseen = valve.next_change_ms().is_none();
    let turns = valve.motion() != Motion::Off && (milli < OPEN || unseen);
    Standing { position, milli: if turns { HALF_OPEN } else { milli } }
}

/// Mean opening while a valve turns from one position to the next: it closes and opens in a straight line.
const HALF_OPEN: OpeningMilli = OPEN / 2;

impl World {
    /// Puts the plant's water behind the valves: beds regenerated, and spent as far as the logic takes them to be.
    ///
    /// # Errors
    /// A figure of the design that no plant has.
    pub fn fill(&mut self, design: Design) -> Result<(), ProcessError> {
        let spent: Vec<f64> = (0..self.controller.settings().tanks).map(|i| self.spent_l(TankId(i))).collect();
        let tanks: Vec<_> = self.valves().iter().map(standing).zip(spent).collect();
        self.process = Some(Process::commissioned(design, &tanks)?);
        Ok(())
    }

    /// Litres that a tank has treated since its last regeneration, by the logic's ledger.
    fn spent_l(&self, tank: TankId) -> f64 {
        let Medium::Softener { hardness, capacity, .. } = *self.controller.settings().loaded_medium() else {
            return 0.0;
        };
        let Some(tank) = self.controller.tanks().get(tank.index()) else { return 0.0 };
        let whole_l = capacity.volume_at(hardness).nl() as f64 / 1e9;
        (whole_l - tank.ledger().remaining().nl() as f64 / 1e9).max(0.0)
    }

    /// Tells the plant what the building will have drawn when a meter's pulses come.
    ///
    /// To be called as soon as the next pulses are known, before time goes on to them.
    pub fn expect_water(&mut self, pulses: &Pulses) {
        let meter = &self.controller.settings().meter;
        let litres = f64::from(pulses.count) * meter.pulse_nl as f64 / f64::from(meter.pulse_divisor) / 1e9;
        if let Some(process) = &mut self.process {
            process.expect(litres, pulses.at_ms);
        }
    }

    /// Lets the plant's water work up to an instant, the valves being as they were until then.
    pub(super) fn flow_to(&mut self, at_ms: u64) -> Result<(), ReplayError> {
        if let Some(process) = &mut self.process {
            if let Some(shared) = self.plant.shared() {
                process.set_changeover(standing(shared));
            }
            process.advance(at_ms, self.plant.valves().iter().map(standing))?;
        }
        Ok(())
    }
}
