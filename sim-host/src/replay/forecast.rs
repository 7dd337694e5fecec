//! What comes next: the real logic runs on, beyond the recording's end, on water that flows at its mean rate.

use std::cell::Cell;
use std::rc::Rc;

use bedkeeper::demand::Cause;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::TankId;

use super::gather::moment;
use super::{Observer, Replay, ReplayError, Supply, World, replay_ms};
use crate::evidence::{Evidence, NextExpected};
use crate::quantity::{UnitSystem, show};
use crate::recording::{COMMON_METER, Pulses};
use crate::wording;

const DAY_MS: u64 = 86_400_000;
/// Litres in a US gallon, exactly.
const L_PER_GAL: f64 = 3.785_411_784;
/// A start is looked for this far ahead.
const HORIZON_MS: u64 = 400 * DAY_MS;
/// Pulses closer together than this come in batches.
const CLOSEST_MS: u64 = 1_000;
/// Volume at a use so small that it takes longer is not dated.
const LONGEST_MS: f64 = 3_650.0 * DAY_MS as f64;

/// The next regeneration to begin.
#[derive(Clone, Copy)]
struct Start {
    tank: TankId,
    at_ms: u64,
    cause: Cause,
}

/// Waits for the first regeneration to begin.
#[derive(Clone, Default)]
struct FirstStart(Rc<Cell<Option<Start>>>);

impl Observer for FirstStart {
    fn record(&mut self, record: &Record, _world: &World) -> std::io::Result<()> {
        if let Event::Started { tank, leading, .. } = record.event {
            let start = Start { tank, at_ms: replay_ms(record.at), cause: leading };
            self.0.set(self.0.get().or(Some(start)));
        }
        Ok(())
    }
}

/// What the plant will do after the end of a recording, if water goes on as it was used on average.
#[must_use]
pub fn next_expected(world: &World, evidence: &Evidence, units: UnitSystem) -> Vec<NextExpected> {
    let days = evidence.span_ms as f64 / DAY_MS as f64;
    let per_day_l = if days > 0.0 { evidence.water.metered_nl as f64 / 1e9 / days } else { 0.0 };
    // A world that cannot go on has no next start, and says so by naming none.
    let start = first_start(world, evidence).ok().flatten();
    let serving = world.controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Serving).count();
    let sharing = serving.max(1) as f64;
    let mut all = Vec::new();
    for (number, tank) in (1u8..).zip(world.controller.tanks()) {
        let id = TankId(number - 1);
        let start = start.filter(|start| start.tank == id);
        let Some(why) = world.controller.why(id) else { continue };
        if !why.causes.is_empty() && tank.regeneration().is_none() {
            let held = wording::why_lines(&why, |ms| format!("at {}", moment(world, ms))).join("; ");
            all.push(NextExpected {
                tank: number,
                at_ms: start.map(|start| start.at_ms),
                text: format!("waits already: {held}"),
            });
        } else if tank.duty().kind() == DutyKind::Serving || start.is_some() {
            // Tanks that serve together share the water.
            let left_l = tank.ledger().asks_in().nl() as f64 / 1e9;
            all.push(NextExpected {
                tank: number,
                at_ms: start.map(|start| start.at_ms),
                text: text(left_l, per_day_l / sharing, start.map(|start| start.cause), units),
            });
        }
    }
    all
}

fn text(left_l: f64, per_day_l: f64, cause: Option<Cause>, units: UnitSystem) -> String {
    let volume = |litres: f64| match units {
        UnitSystem::Metric => format!("{litres:.0} L"),
        UnitSystem::Us => format!("{:.0} gal", litres / L_PER_GAL),
    };
    let takes_ms = left_l / per_day_l * DAY_MS as f64;
    let asks = format!("asks after another {}", volume(left_l));
    let asks = if takes_ms < LONGEST_MS {
        let takes = show::duration_brief(takes_ms as u64);
        format!("{asks}: at the mean use of this recording, {} a day, in {takes}", volume(per_day_l))
    } else {
        asks
    };
    match cause {
        Some(cause) => format!("{asks}; so it begins to regenerate, for {cause}"),
        None => asks,
    }
}

/// Lets the plant run on, on a copy.
fn first_start(world: &World, evidence: &Evidence) -> Result<Option<Start>, ReplayError> {
    let first = FirstStart::default();
    let mut watch = first.clone();
    let until_ms = world.now_ms.saturating_add(HORIZON_MS);
    let meter = &world.controller.settings().raw().meter;
    // ms to a pulse: span × volume of a pulse ÷ volume metered.
    let pulse_ms = u128::from(evidence.span_ms) * u128::from(meter.pulse_nl)
        / u128::from(meter.pulse_divisor)
        / evidence.water.metered_nl.max(1);
    let pulse_ms = u64::try_from(pulse_ms).unwrap_or(u64::MAX).max(1);
    let count = u32::try_from(CLOSEST_MS.div_ceil(pulse_ms)).unwrap_or(1);
    let every_ms = pulse_ms.saturating_mul(u64::from(count));
    let per_tank = meter.place == MeterPlace::PerTank;
    let dry = evidence.water.metered_nl == 0;
    // Valves and logic as they stand; neither water to model nor cuts to come.
    let copy = World {
        relays_on: world.relays_on,
        controller: world.controller.clone().into(),
        plant: world.plant.clone(),
        now_ms: world.now_ms,
        start: world.start,
        span_ms: world.span_ms,
        process: None,
        supply: Supply::default(),
        contacts: world.contacts,
        outside: world.outside,
        contact_tally: world.contact_tally,
    };
    let mut replay = Replay::new(copy, vec![&mut watch]);
    while first.0.get().is_none() && replay.world().now_ms < until_ms {
        let next_ms = if dry { until_ms } else { replay.world().now_ms.saturating_add(every_ms).min(until_ms) };
        replay.run_to(next_ms)?;
        let meter = if per_tank { serving(replay.world()) } else { Some(COMMON_METER) };
        if let Some(meter) = meter.filter(|_| !dry) {
            replay.take_pulses(&Pulses { at_ms: next_ms, meter, count })?;
        }
    }
    Ok(first.0.get())
}

/// The tank that the water passes.
fn serving(world: &World) -> Option<u8> {
    let mut tanks = (1u8..).zip(world.controller.tanks());
    tanks.find(|(_, tank)| tank.duty().kind() == DutyKind::Serving).map(|(number, _)| number)
}
