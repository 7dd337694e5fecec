//! How the supply's water divides among the ways that are open.

use super::design::FLOW_CONTROL_FROM_KPA;
use super::{Process, ProcessError};
use crate::physics::hydraulics::{Branch, Resistance, share, split};

/// Flow through the ways of one tank, L/min.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct TankFlows {
    pub service: f64,
    pub past_bed: f64,
    pub backwash: f64,
    pub fast_rinse: f64,
    pub slow_rinse: f64,
    pub to_drain: f64,
    pub refill: f64,
    /// Opening of the eductor; it works by itself at the supply's pressure.
    pub eductor: f64,
    /// Loss of valve and bed in service, kPa.
    pub loss_kpa: f64,
}

/// Flows while valves, draw and supply stay as they are.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Flows {
    pub drawn_l_min: f64,
    pub tanks: Vec<TankFlows>,
    /// Water that softened-water eductors take from the tanks that serve, L/min.
    pub softened_motive_l_min: f64,
    /// What the blending bypass leads past the tanks, of what is drawn, L/min.
    pub blended_l_min: f64,
    /// Flow to the building that no open way explains: taken to pass untreated.
    pub unexplained_l_min: f64,
    /// Pressure where the tanks part from the supply, kPa.
    pub supply_kpa: f64,
    /// Pressure at the building, kPa.
    pub outlet_kpa: f64,
    /// What the building drew beyond what the supply gives at its pressure, L/min.
    pub beyond_supply_l_min: f64,
    /// Whether anything flows.
    pub any: bool,
    /// Whether brine may run.
    pub brining: bool,
}

/// The place of one way's flow.
type Way = fn(&mut TankFlows) -> &mut f64;

impl Flows {
    /// What valves and beds pass: all but what is blended past them, and what an eductor takes of softened water.
    pub fn through_tanks_l_min(&self) -> f64 {
        self.drawn_l_min - self.blended_l_min + self.softened_motive_l_min
    }
}

/// A way with a flow control: as much as it holds to from about one bar, less below.
fn controlled(rated_l_min: f64, opening: f64) -> Option<Branch> {
    let limit_l_min = rated_l_min * opening;
    if limit_l_min <= 0.0 {
        return None;
    }
    let square = FLOW_CONTROL_FROM_KPA / (limit_l_min * limit_l_min);
    Some(Branch { resistance: Resistance::new(0.0, square).unwrap_or(Resistance::SHUT), end_kpa: 0.0, limit_l_min })
}

/// A valve's way of this loss when fully open, opened in part.
fn opened(path: Resistance, opening: f64) -> Resistance {
    if opening <= 0.0 { Resistance::SHUT } else { path.times(1.0 / (opening * opening)) }
}

impl Process {
    /// Flows for a draw; worked out anew only when something has changed.
    pub(super) fn flows(&mut self, drawn_l_min: f64) -> Result<Flows, ProcessError> {
        match self.flows.take() {
            Some(known) if known.drawn_l_min == drawn_l_min => Ok(known),
            _ => self.work_out(drawn_l_min),
        }
    }

    fn work_out(&self, drawn_l_min: f64) -> Result<Flows, ProcessError> {
        let design = &self.design;
        let mut tanks = vec![TankFlows::default(); self.vessels.len()];
        let mut flows = Flows {
            drawn_l_min,
            softened_motive_l_min: 0.0,
            blended_l_min: drawn_l_min * design.bypass_share,
            unexplained_l_min: 0.0,
            supply_kpa: design.supply.static_kpa(),
            outlet_kpa: design.supply.static_kpa(),
            beyond_supply_l_min: 0.0,
            any: drawn_l_min > 0.0,
            brining: false,
            tanks: Vec::new(),
        };
        // The ways to the drain and the brine tank, with the building first.
        let serves = self.vessels.iter().any(|v| v.ways.service > 0.0);
        let mut branches = vec![Branch { resistance: Resistance::NONE, end_kpa: 0.0, limit_l_min: drawn_l_min }];
        let mut places: Vec<(usize, Way)> = Vec::new();
        for (i, vessel) in self.vessels.iter().enumerate() {
            let p = &vessel.ways;
            let ways: [(f64, f64, Way); 5] = [
                (design.backwash_l_min, p.backwash, |t| &mut t.backwash),
                (design.fast_rinse_l_min, p.fast_rinse, |t| &mut t.fast_rinse),
                (design.slow_rinse_l_min, p.slow_rinse, |t| &mut t.slow_rinse),
                (design.refill_l_min, p.refill, |t| &mut t.refill),
                (design.rated_l_min, p.to_drain, |t| &mut t.to_drain),
            ];
            for (rated, opening, way) in ways {
                if let Some(branch) = controlled(rated, opening) {
                    branches.push(branch);
                    places.push((i, way));
                }
            }
            if let Some(tank) = tanks.get_mut(i)
                && p.eductor > 0.0
            {
                tank.eductor = p.eductor;
                flows.brining = true;
                let limit_l_min = design.eductor.rated_motive_l_min * p.eductor;
                branches.push(Branch { resistance: Resistance::NONE, end_kpa: 0.0, limit_l_min });
                places.push((i, |t| &mut t.eductor));
                if design.softened_rinse && serves {
                    flows.softened_motive_l_min += limit_l_min;
                }
            }
        }
        flows.any |= !places.is_empty();
        if !flows.any {
            flows.tanks = tanks;
            return Ok(flows);
        }
        let shared = share(&design.supply, &branches)?;
        flows.supply_kpa = shared.supply_kpa;
        flows.beyond_supply_l_min = (drawn_l_min - shared.flows_l_min.first().copied().unwrap_or(0.0)).max(0.0);
        for ((i, way), flow) in places.into_iter().zip(shared.flows_l_min.iter().skip(1)) {
            let Some(tank) = tanks.get_mut(i) else { continue };
            let opening = tank.eductor;
            *way(tank) = *flow;
            // The eductor's own flow follows from the pressure; its opening is what counts here.
            tank.eductor = opening;
        }
        self.divide(&mut flows, &mut tanks)?;
        flows.tanks = tanks;
        Ok(flows)
    }

    /// Divides what goes to the building among the beds, and past them.
    fn divide(&self, flows: &mut Flows, tanks: &mut [TankFlows]) -> Result<(), ProcessError> {
        let total = flows.through_tanks_l_min();
        if total <= 0.0 {
            flows.outlet_kpa = flows.supply_kpa;
            return Ok(());
        }
        let valve = self.design.valve_path;
        let paths: Vec<Resistance> = self
            .vessels
            .iter()
            .flat_map(|v| {
                let service = if v.ways.service > 0.0 {
                    opened(valve, v.ways.service).then(v.bed_path)
                } else {
                    Resistance::SHUT
                };
                [service, opened(valve, v.ways.past_bed)]
            })
            .collect();
        if paths.iter().all(Resistance::is_shut) {
            flows.unexplained_l_min = total;
            flows.outlet_kpa = 0.0;
            return Ok(());
        }
        let split = split(total, &paths)?;
        for (tank, pair) in tanks.iter_mut().zip(split.flows_l_min.chunks(2)) {
            if let [service, past_bed] = pair {
                tank.service = *service;
                tank.past_bed = *past_bed;
                tank.loss_kpa = if *service > 0.0 { split.loss_kpa } else { 0.0 };
            }
        }
        flows.outlet_kpa = (flows.supply_kpa - split.loss_kpa).max(0.0);
        Ok(())
    }
}
