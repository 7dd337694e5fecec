//! Supply, branches that share it, parallel tanks and the drain.

use super::super::error::{OutOfRange, PhysicsError, within};
use super::{LARGEST_L_MIN, Resistance, flow, pressure};

/// Halvings of a bracket: the last is below what the numbers can tell apart.
const HALVINGS: usize = 80;

/// Loss too small for its parts to be told apart, kPa: a drop in a year does not come near it.
const NO_LOSS_KPA: f64 = 1e-250;

/// Pressure of the supply against flow: `static − droop × q²`, as pipes lose it
/// (Darcy–Weisbach with a steady friction factor).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    static_kpa: f64,
    droop_kpa_per_l_min2: f64,
}

impl Supply {
    /// A supply by its pressure without flow and its droop, kPa per (L/min)².
    ///
    /// # Errors
    /// [`OutOfRange`] for a figure that is negative or not a number.
    pub fn new(static_kpa: f64, droop_kpa_per_l_min2: f64) -> Result<Self, OutOfRange> {
        pressure("static pressure", static_kpa)?;
        within("droop of the supply", droop_kpa_per_l_min2, 0.0, 1e6, "0 or more, kPa per (L/min)²")?;
        Ok(Self { static_kpa, droop_kpa_per_l_min2 })
    }

    /// The supply whose curve passes two measured points, each (flow L/min, pressure kPa).
    ///
    /// # Errors
    /// [`PhysicsError::NotACurve`] when pressure rises with flow or the flows are alike;
    /// [`PhysicsError::OutOfRange`] for a figure that is negative or not a number.
    pub fn through(first: (f64, f64), second: (f64, f64)) -> Result<Self, PhysicsError> {
        for (at, kpa) in [first, second] {
            flow(at)?;
            pressure("pressure of the supply", kpa)?;
        }
        let squares = second.0 * second.0 - first.0 * first.0;
        let droop = (first.1 - second.1) / squares;
        if squares == 0.0 || droop < 0.0 {
            return Err(PhysicsError::NotACurve {
                first_l_min: first.0,
                first_kpa: first.1,
                second_l_min: second.0,
                second_kpa: second.1,
            });
        }
        Ok(Self::new(first.1 + droop * first.0 * first.0, droop)?)
    }

    /// Pressure at a flow, kPa; none is left beyond the largest flow.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing flow.
    pub fn pressure_kpa(&self, flow_l_min: f64) -> Result<f64, OutOfRange> {
        let q = flow(flow_l_min)?;
        Ok((self.static_kpa - self.droop_kpa_per_l_min2 * q * q).max(0.0))
    }

    /// This supply with another pressure without flow, kPa.
    ///
    /// # Errors
    /// [`OutOfRange`] for a pressure that is negative or not a number.
    pub fn with_static_kpa(&self, static_kpa: f64) -> Result<Self, OutOfRange> {
        Self::new(static_kpa, self.droop_kpa_per_l_min2)
    }

    /// Pressure without flow, kPa.
    pub fn static_kpa(&self) -> f64 {
        self.static_kpa
    }

    /// Flow at which this pressure is left, L/min: none above the static pressure,
    /// infinite below it if nothing droops.
    pub fn flow_l_min(&self, pressure_kpa: f64) -> f64 {
        let spent = self.static_kpa - pressure_kpa;
        if spent.is_nan() || spent <= 0.0 { 0.0 } else { (spent / self.droop_kpa_per_l_min2).sqrt() }
    }
}

/// A way that water can take from the supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Branch {
    /// What the way takes from the pressure.
    pub resistance: Resistance,
    /// Pressure at its far end, kPa; water never flows back from it.
    pub end_kpa: f64,
    /// Most that may pass, L/min: what is asked for at a tap, or what a flow
    /// control to drain holds to. Infinite for none.
    pub limit_l_min: f64,
}

impl Branch {
    fn check(&self) -> Result<(), OutOfRange> {
        pressure("pressure at the end of a branch", self.end_kpa)?;
        // Infinity means no limit here, so that `within` would be too strict.
        if self.limit_l_min.is_nan() || self.limit_l_min < 0.0 {
            return Err(OutOfRange {
                field: "flow limit of a branch",
                value: self.limit_l_min,
                allowed: "0 L/min or more, or infinite for none",
            });
        }
        Ok(())
    }

    fn flow_at(&self, supply_kpa: f64) -> f64 {
        self.resistance.flow_l_min(supply_kpa - self.end_kpa).min(self.limit_l_min).min(LARGEST_L_MIN)
    }
}

/// How branches share a supply.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// Pressure where the branches part, kPa.
    pub supply_kpa: f64,
    /// Flow of each branch, L/min, in the order given.
    pub flows_l_min: Vec<f64>,
}

/// Flows of branches that share a supply: what the supply gives at the common pressure is
/// what they take at it. A demand that the supply cannot meet gets what there is.
///
/// # Errors
/// [`OutOfRange`] for a branch with a pressure or limit that cannot be.
pub fn share(supply: &Supply, branches: &[Branch]) -> Result<Shared, OutOfRange> {
    branches.iter().try_for_each(Branch::check)?;
    // The usual case: every branch can have all that it may take.
    let all = branches.iter().map(|branch| branch.limit_l_min).sum::<f64>();
    if all <= supply.flow_l_min(0.0).min(LARGEST_L_MIN) {
        let supply_kpa = supply.pressure_kpa(all)?;
        if branches.iter().all(|branch| branch.flow_at(supply_kpa) == branch.limit_l_min) {
            return Ok(Shared { supply_kpa, flows_l_min: branches.iter().map(|branch| branch.limit_l_min).collect() });
        }
    }
    let flows_at = |kpa: f64| branches.iter().map(|branch| branch.flow_at(kpa)).collect::<Vec<_>>();
    let taken_at = |kpa: f64| branches.iter().map(|branch| branch.flow_at(kpa)).sum::<f64>();
    // Taking rises with the pressure and giving falls. Without droop the supply holds its
    // pressure whatever is taken.
    let (mut low, mut high) = (0.0, supply.static_kpa);
    if taken_at(high) == 0.0 || supply.droop_kpa_per_l_min2 == 0.0 {
        return Ok(Shared { supply_kpa: high, flows_l_min: flows_at(high) });
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if taken_at(middle) < supply.flow_l_min(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    // A way that takes nothing opens all at once: it gets the part that the supply has left.
    let (below, above) = (flows_at(low), flows_at(high));
    let (least, most) = (below.iter().sum::<f64>(), above.iter().sum::<f64>());
    let part = if most > least { ((supply.flow_l_min(low) - least) / (most - least)).clamp(0.0, 1.0) } else { 0.0 };
    let flows_l_min = below.iter().zip(&above).map(|(few, many)| few + part * (many - few)).collect();
    Ok(Shared { supply_kpa: low, flows_l_min })
}

/// A flow divided among parallel paths.
#[derive(Debug, Clone, PartialEq)]
pub struct Split {
    /// Pressure loss, the same over each open path, kPa.
    pub loss_kpa: f64,
    /// Flow of each path, L/min, in the order given; none through a shut one.
    pub flows_l_min: Vec<f64>,
}

/// Divides a flow among parallel paths so that each loses the same pressure.
///
/// # Errors
/// [`PhysicsError::NoPath`] when water must flow and every path is shut;
/// [`PhysicsError::OutOfRange`] for a negative or missing flow.
pub fn split(flow_l_min: f64, paths: &[Resistance]) -> Result<Split, PhysicsError> {
    let total = flow(flow_l_min)?;
    if total == 0.0 {
        return Ok(Split { loss_kpa: 0.0, flows_l_min: vec![0.0; paths.len()] });
    }
    // One path alone would lose most; the easiest of them bounds the loss.
    let most_kpa = paths.iter().map(|path| path.loss(total)).fold(f64::INFINITY, f64::min);
    if most_kpa.is_infinite() {
        return Err(PhysicsError::NoPath { flow_l_min: total });
    }
    if most_kpa < NO_LOSS_KPA {
        // Paths that take nothing share evenly, and leave nothing to the others.
        let easy: Vec<f64> = paths.iter().map(|path| f64::from(u8::from(path.loss(total) < NO_LOSS_KPA))).collect();
        let each = total / easy.iter().sum::<f64>();
        return Ok(Split { loss_kpa: 0.0, flows_l_min: easy.iter().map(|one| one * each).collect() });
    }
    // Some path carries at least an even part, so the loss is at least the least of theirs. The flow of
    // all grows ever more slowly with the loss, so Newton's steps come up to it from below.
    let even = total / paths.len() as f64;
    let mut loss_kpa = paths.iter().map(|path| path.loss(even)).fold(f64::INFINITY, f64::min);
    for _ in 0..HALVINGS {
        let flow: f64 = paths.iter().map(|path| path.flow_l_min(loss_kpa)).sum();
        let growth: f64 = paths.iter().map(|path| path.flow_per_kpa(path.flow_l_min(loss_kpa))).sum();
        let step = (total - flow) / growth;
        loss_kpa += step;
        if step.abs() <= 1e-14 * loss_kpa {
            break;
        }
    }
    let mut flows_l_min: Vec<f64> = paths.iter().map(|path| path.flow_l_min(loss_kpa)).collect();
    // What rounding left over goes to each in proportion, so that no water is made or lost.
    let scale = total / flows_l_min.iter().sum::<f64>();
    flows_l_min.iter_mut().for_each(|flow| *flow *= scale);
    Ok(Split { loss_kpa, flows_l_min })
}

/// The drain that the plant discharges to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drain {
    capacity_l_min: f64,
}

/// What a drain does with a discharge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrainLoad {
    /// What it carries off, L/min.
    pub carried_l_min: f64,
    /// What runs over onto the floor, L/min.
    pub overflow_l_min: f64,
}

impl Drain {
    /// A drain that carries so many litres a minute.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing flow.
    pub fn new(capacity_l_min: f64) -> Result<Self, OutOfRange> {
        Ok(Self {
            capacity_l_min: within("drain capacity", capacity_l_min, 0.0, LARGEST_L_MIN, "0 to 1 000 000 L/min")?,
        })
    }

    /// What it carries, L/min.
    pub fn capacity_l_min(&self) -> f64 {
        self.capacity_l_min
    }

    /// Discharges a flow, of all tanks together.
    ///
    /// # Errors
    /// [`OutOfRange`] for a negative or missing flow.
    pub fn take(&self, flow_l_min: f64) -> Result<DrainLoad, OutOfRange> {
        let q = flow(flow_l_min)?;
        let carried_l_min = q.min(self.capacity_l_min);
        Ok(DrainLoad { carried_l_min, overflow_l_min: q - carried_l_min })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(linear: f64, square: f64) -> Resistance {
        Resistance::new(linear, square).expect("a path")
    }

    #[test]
    fn a_supply_passes_the_points_it_was_measured_at() {
        let supply = Supply::through((10.0, 390.0), (40.0, 240.0)).expect("a curve");
        assert_eq!(supply.static_kpa(), 400.0);
        assert!((supply.pressure_kpa(40.0).expect("a flow") - 240.0).abs() < 1e-9);
        assert_eq!(supply.pressure_kpa(1_000.0), Ok(0.0));
        assert!((supply.flow_l_min(240.0) - 40.0).abs() < 1e-9);
        assert_eq!(supply.flow_l_min(401.0), 0.0);
        for (a, b) in [((10.0, 300.0), (20.0, 310.0)), ((10.0, 300.0), (10.0, 290.0)), ((10.0, 300.0), (10.0, 300.0))] {
            assert!(matches!(Supply::through(a, b), Err(PhysicsError::NotACurve { .. })));
        }
        assert!(matches!(Supply::through((f64::NAN, 300.0), (20.0, 1.0)), Err(PhysicsError::OutOfRange(_))));
    }

    #[test]
    fn like_tanks_share_evenly_and_a_shut_one_gets_nothing() {
        let bed = path(0.4, 0.01);
        let answer = split(30.0, &[bed, Resistance::SHUT, bed, bed]).expect("open paths");
        assert_eq!(answer.flows_l_min[1], 0.0);
        for tank in [0, 2, 3] {
            assert!((answer.flows_l_min[tank] - 10.0).abs() < 1e-12);
        }
        assert!((answer.loss_kpa - 5.0).abs() < 1e-9);
        assert_eq!(split(30.0, &[Resistance::SHUT]), Err(PhysicsError::NoPath { flow_l_min: 30.0 }));
        assert_eq!(split(30.0, &[]), Err(PhysicsError::NoPath { flow_l_min: 30.0 }));
        assert_eq!(split(0.0, &[Resistance::SHUT]).expect("no flow").flows_l_min, [0.0]);
        for least in [1e-150, 1e-160, 1e-300] {
            let flows = split(least, &[path(0.0, 0.01), path(0.0, 0.01)]).expect("open paths").flows_l_min;
            assert!(flows.iter().all(|flow| (flow / least - 0.5).abs() < 1e-9), "{flows:?}");
        }
        assert_eq!(split(6.0, &[Resistance::NONE, bed, Resistance::NONE]).expect("open").flows_l_min, [3.0, 0.0, 3.0]);
    }

    #[test]
    fn a_backwash_takes_pressure_from_the_taps() {
        let supply = Supply::new(400.0, 0.1).expect("a supply");
        let taps = Branch { resistance: path(0.5, 0.02), end_kpa: 100.0, limit_l_min: 30.0 };
        let drain = Branch { resistance: path(1.0, 0.05), end_kpa: 0.0, limit_l_min: 20.0 };
        let alone = share(&supply, &[taps]).expect("sound branches");
        assert_eq!(alone.flows_l_min, [30.0]);
        assert!((alone.supply_kpa - 310.0).abs() < 1e-9);
        let both = share(&supply, &[taps, drain]).expect("sound branches");
        assert!(both.supply_kpa < alone.supply_kpa);
        assert_eq!(both.flows_l_min[1], 20.0);
        let given = supply.flow_l_min(both.supply_kpa);
        assert!((both.flows_l_min.iter().sum::<f64>() - given).abs() < 1e-6 * given);
    }

    #[test]
    fn nothing_flows_where_nothing_may() {
        let supply = Supply::new(300.0, 0.1).expect("a supply");
        let high = Branch { resistance: path(0.5, 0.0), end_kpa: 350.0, limit_l_min: f64::INFINITY };
        let idle = Branch { resistance: path(0.5, 0.0), end_kpa: 0.0, limit_l_min: 0.0 };
        let answer = share(&supply, &[high, idle]).expect("sound branches");
        assert_eq!(answer, Shared { supply_kpa: 300.0, flows_l_min: vec![0.0, 0.0] });
        assert_eq!(share(&supply, &[]).expect("no branch").flows_l_min, [0.0; 0]);
    }

    #[test]
    fn a_way_without_loss_gets_what_the_supply_has() {
        let supply = Supply::new(400.0, 0.1).expect("a supply");
        let open = Branch { resistance: Resistance::NONE, end_kpa: 310.0, limit_l_min: f64::INFINITY };
        let answer = share(&supply, &[open]).expect("sound branches");
        assert!((answer.flows_l_min[0] - 30.0).abs() < 1e-9, "{answer:?}");
    }

    #[test]
    fn a_drain_floods_above_its_capacity() {
        let drain = Drain::new(25.0).expect("a drain");
        assert_eq!(drain.take(20.0), Ok(DrainLoad { carried_l_min: 20.0, overflow_l_min: 0.0 }));
        assert_eq!(drain.take(32.5), Ok(DrainLoad { carried_l_min: 25.0, overflow_l_min: 7.5 }));
        for bad in [f64::NAN, -1.0] {
            assert!(drain.take(bad).is_err());
            assert!(Drain::new(bad).is_err());
            assert!(split(bad, &[Resistance::NONE]).is_err());
            assert!(Supply::new(bad, 0.0).is_err());
            assert!(Supply::new(100.0, bad).is_err());
            let branch = Branch { resistance: Resistance::NONE, end_kpa: 0.0, limit_l_min: bad };
            assert!(share(&Supply::new(100.0, 0.0).expect("a supply"), &[branch]).is_err());
        }
    }
}
