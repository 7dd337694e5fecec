//! Regeneration and service, over and over, until nothing changes any more.
//!
//! Whole parcels of one plate's pore volume are used throughout, so the true dose
//! and rinse are the nearest whole number of them.

use super::column::Bed;
use super::error::{BedError, within};
use super::resin::Resin;
use super::spec::{BedSpec, Direction};
use super::transfer::{Pace, Transfer};
use super::water::{CA_G_PER_MOL, CACO3_G_PER_EQ, CACO3_G_PER_MOL, FeedSpec, MG_G_PER_MOL, NACL_G_PER_MOL, Water};

/// Capacity must change by less than this share over the last three cycles.
const STEADY_CAPACITY: f64 = 0.002;
/// What a cycle removes and what it drains must agree within this share.
const STEADY_BALANCE: f64 = 0.005;
/// Fewest cycles before a run may count as converged.
const LEAST_CYCLES: usize = 4;
/// The end point also lies this factor above the lowest hardness of the run, so
/// that a run which starts above the limit and falls is not ended at once.
const ABOVE_LOWEST: f64 = 1.05;
/// Plate steps one case may take: some minutes on one core. The reference's case stays within it up to
/// [`super::MOST_PLATES`].
const MOST_PLATE_STEPS: f64 = 6e9;

/// Which end the brine enters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Regeneration {
    /// Brine and slow rinse flow down, as service does; rinse with feed.
    CoCurrent,
    /// Brine and slow rinse flow up; rinse with softened water.
    CounterCurrent,
}

impl Regeneration {
    fn direction(self) -> Direction {
        match self {
            Self::CoCurrent => Direction::Down,
            Self::CounterCurrent => Direction::Up,
        }
    }
}

/// Flows in bed volumes per hour; they matter only when mass transfer is on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flows {
    /// Service.
    pub service_bv_h: f64,
    /// Brine and slow rinse.
    pub brine_bv_h: f64,
    /// Fast rinse.
    pub fast_rinse_bv_h: f64,
}

impl Default for Flows {
    /// 16 BV/h is 2 gpm/ft³, 3 BV/h within the 2 to 5 BV/h of Davis (*Water and
    /// Wastewater Engineering*, p. 8-19), and fast rinse 12 BV/h is 1.5 gpm/ft³
    /// (UFC 3-240-13FN).
    fn default() -> Self {
        Self { service_bv_h: 16.0, brine_bv_h: 3.0, fast_rinse_bv_h: 12.0 }
    }
}

/// One case: a bed, its water and its regeneration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CycleSpec {
    /// The resin.
    pub resin: Resin,
    /// Plates in series.
    pub plates: usize,
    /// Bed depth, m.
    pub depth_m: f64,
    /// Mass transfer.
    pub transfer: Transfer,
    /// The feed.
    pub feed: FeedSpec,
    /// Salt, g NaCl per litre of bed.
    pub dose_g_l: f64,
    /// Brine strength, % by weight.
    pub brine_percent: f64,
    /// Slow rinse, bed volumes.
    pub rinse_bv: f64,
    /// Fast rinse, bed volumes of feed downward.
    pub fast_rinse_bv: f64,
    /// Which end the brine enters.
    pub regeneration: Regeneration,
    /// End point, mg/L hardness as CaCO3.
    pub until_mg_l: f64,
    /// Flows.
    pub flows: Flows,
    /// Most cycles before giving up on convergence.
    pub most_cycles: usize,
}

impl Default for CycleSpec {
    /// The published reference column: 342 mg/L, calcium to magnesium 2:1, 15 °C,
    /// 20 plates, 160 g/L, co-current, equilibrium.
    fn default() -> Self {
        Self {
            resin: Resin::default(),
            plates: 20,
            depth_m: 0.9,
            transfer: Transfer::Equilibrium,
            feed: FeedSpec {
                hardness_mg_l: 342.0,
                calcium_share: 2.0 / 3.0,
                sodium_mg_l: 40.0,
                alkalinity_meq_l: 4.0,
                ph: 7.5,
                temperature_c: 15.0,
            },
            dose_g_l: 160.0,
            brine_percent: 10.0,
            rinse_bv: 2.0,
            fast_rinse_bv: 0.0,
            regeneration: Regeneration::CoCurrent,
            until_mg_l: 17.1,
            flows: Flows::default(),
            most_cycles: 16,
        }
    }
}

/// One point of a service curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ServicePoint {
    /// Bed volumes since service began.
    pub bv: f64,
    /// Calcium, mg/L.
    pub ca_mg_l: f64,
    /// Magnesium, mg/L.
    pub mg_mg_l: f64,
    /// Hardness, mg/L as CaCO3.
    pub hardness_mg_l: f64,
}

/// One point of the drain during brine and slow rinse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrainPoint {
    /// Whether brine is still flowing in.
    pub brine: bool,
    /// Kilograms of water since the brine began, per litre of bed.
    pub bv: f64,
    /// What leaves.
    pub water: Water,
}

/// What one case came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Salt given, g NaCl per litre of bed (whole parcels); 0 for a virgin run.
    pub dose_g_l: f64,
    /// Cycles run.
    pub cycles: usize,
    /// Whether capacity had settled and the balance closed.
    pub converged: bool,
    /// What kept it from settling, if it did not.
    pub unsettled: Option<Unsettled>,
    /// Hardness removed up to the end point, g CaCO3 per litre of bed.
    pub capacity_g_l: f64,
    /// Bed volumes to the end point.
    pub bed_volumes: f64,
    /// Mean effluent hardness up to the end point, mg/L.
    pub leakage_mean_mg_l: f64,
    /// Lowest effluent hardness up to the end point, mg/L.
    pub leakage_min_mg_l: f64,
    /// Equivalents removed per equivalent of salt; none without salt.
    pub salt_efficiency: Option<f64>,
    /// (removed − drained) ÷ removed over the last cycle; for a virgin run
    /// (removed − held) ÷ removed.
    pub balance_error: f64,
}

/// Why cycles did not settle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unsettled {
    /// One parcel, the pore water of a plate, is more of the run than capacity may change by: runs end a parcel
    /// sooner or later for ever.
    Coarse {
        /// A parcel's share of the run.
        share: f64,
    },
    /// Long and short runs take turns.
    Alternates {
        /// Capacity of the short runs, g CaCO3 per litre of bed.
        low_g_l: f64,
        /// Capacity of the long ones.
        high_g_l: f64,
    },
    /// Every run ends as it begins.
    EndsAtOnce,
    /// Capacity still changed by this share over the last three cycles, or there were fewer.
    Moving {
        /// The largest change.
        change: f64,
    },
    /// Capacity had settled, but service and drain did not agree.
    Open {
        /// By what share of what service removed.
        balance_error: f64,
    },
}

impl Unsettled {
    /// What the last capacities and the balance tell.
    fn of(capacities: &[f64; 4], parcel_share: f64, balance_error: f64) -> Self {
        let [a, b, c, d] = *capacities;
        // A run that ends as it begins removes nothing, and nothing is no share of anything.
        let apart = |x: f64, y: f64| if x == y { 0.0 } else { (x - y).abs() / x.max(y) };
        if c == 0.0 && d == 0.0 {
            return Self::EndsAtOnce;
        }
        if apart(a, c) < 0.05 && apart(b, d) < 0.05 && apart(c, d) > 0.05 {
            return Self::Alternates { low_g_l: c.min(d), high_g_l: c.max(d) };
        }
        let known = a.is_finite() && b.is_finite() && c.is_finite();
        let change = if known { [a, b, c].into_iter().map(|x| apart(x, d)).fold(0.0, f64::max) } else { f64::NAN };
        if parcel_share > STEADY_CAPACITY && change < 4.0 * parcel_share {
            return Self::Coarse { share: parcel_share };
        }
        if change.is_finite() && change < STEADY_CAPACITY {
            return Self::Open { balance_error };
        }
        Self::Moving { change }
    }
}

impl std::fmt::Display for Unsettled {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Coarse { share } => write!(
                f,
                "one plate's pore water is {:.2} % of the run, more than the {:.1} % within which capacity must repeat, so \
                 that runs end a plate's water sooner or later for ever: give more plates",
                share * 100.0,
                STEADY_CAPACITY * 100.0
            ),
            Self::Alternates { low_g_l, high_g_l } => write!(
                f,
                "short and long runs take turns ({low_g_l:.1} and {high_g_l:.1} g CaCO3 per litre): spent brine that is left in \
                 the bed ends a run almost as it begins, and the next has two doses behind it: give a longer slow rinse, a \
                 fast rinse, or a larger dose"
            ),
            Self::EndsAtOnce => write!(
                f,
                "the first water of every run is already past the end point, with what the regeneration left in the bed: give \
                 a longer slow rinse, a fast rinse, or a larger dose"
            ),
            Self::Moving { change } if change.is_finite() => {
                write!(
                    f,
                    "capacity still changed by {:.1} % over the last three cycles: give more cycles",
                    change * 100.0
                )
            }
            Self::Moving { .. } => write!(f, "fewer than four cycles show nothing: give more cycles"),
            Self::Open { balance_error } => write!(
                f,
                "service and drain differ by {:.2} % of what was removed, more than {:.1} %: give more cycles",
                balance_error.abs() * 100.0,
                STEADY_BALANCE * 100.0
            ),
        }
    }
}

/// A case being run: the bed and the waters that pass through it.
#[derive(Debug, Clone)]
pub struct CycleRun {
    spec: CycleSpec,
    bed: Bed,
    feed: Water,
    soft: Water,
    brine: Water,
    parcel_bv: f64,
    brine_shifts: usize,
    rinse_shifts: usize,
    fast_shifts: usize,
    service_pace: Option<Pace>,
    brine_pace: Option<Pace>,
    fast_pace: Option<Pace>,
    limit_bv: f64,
}

/// Sums kept over one service run.
#[derive(Debug, Clone, Copy)]
struct Service {
    bed_volumes: f64,
    capacity_g_l: f64,
    leakage_mean_mg_l: f64,
    leakage_min_mg_l: f64,
    removed_g_l: f64,
}

impl CycleRun {
    /// Prepares a case with the bed exhausted (in equilibrium with the feed).
    ///
    /// # Errors
    /// Any figure out of range, a feed too soft for the end point, or a case of
    /// more work than is sensible.
    pub fn new(spec: CycleSpec) -> Result<Self, BedError> {
        within("dose", spec.dose_g_l, 1.0, 2_000.0, "1 to 2000 g NaCl per litre")?;
        Self::prepare(spec, false)
    }

    /// Prepares a case with the resin in sodium form and no regeneration.
    ///
    /// # Errors
    /// As [`CycleRun::new`]; the dose is not looked at.
    pub fn virgin(spec: CycleSpec) -> Result<Self, BedError> {
        Self::prepare(spec, true)
    }

    fn prepare(spec: CycleSpec, sodium_form: bool) -> Result<Self, BedError> {
        within("slow rinse", spec.rinse_bv, 0.0, 100.0, "0 to 100 bed volumes")?;
        within("fast rinse", spec.fast_rinse_bv, 0.0, 100.0, "0 to 100 bed volumes")?;
        within("end point", spec.until_mg_l, 1e-3, 2e4, "0.001 to 20 000 mg/L")?;
        within("cycles", spec.most_cycles as f64, 1.0, 1000.0, "1 to 1000")?;
        for (field, flow) in [
            ("service flow", spec.flows.service_bv_h),
            ("brine flow", spec.flows.brine_bv_h),
            ("fast rinse flow", spec.flows.fast_rinse_bv_h),
        ] {
            within(field, flow, 0.01, 500.0, "0.01 to 500 bed volumes per hour")?;
        }
        // First of all: a soft feed's charges may not balance either, and that is not what is wrong.
        let hardness_mg_l = spec.feed.hardness_mg_l;
        if (0.0..=spec.until_mg_l).contains(&hardness_mg_l) {
            return Err(BedError::SoftFeed { hardness_mg_l, until_mg_l: spec.until_mg_l });
        }
        let feed = Water::from_feed(&spec.feed)?;
        let feed = feed.check()?;
        let soft = feed.softened(spec.feed.ph);
        let brine = Water::brine(spec.brine_percent, spec.feed.temperature_c)?;
        let bed_spec = BedSpec {
            volume_l: 1.0,
            depth_m: spec.depth_m,
            plates: spec.plates,
            resin: spec.resin,
            transfer: spec.transfer,
            temperature_c: spec.feed.temperature_c,
        };
        let bed = if sodium_form { Bed::new(bed_spec)? } else { Bed::in_equilibrium_with(bed_spec, &feed)? };
        let parcel_bv = spec.resin.void_fraction / spec.plates as f64;
        let strength = spec.brine_percent / (100.0 - spec.brine_percent);
        let whole = |bv: f64| (bv / parcel_bv).round_ties_even() as usize;
        let brine_shifts = whole(spec.dose_g_l * 1e-3 / strength).max(1);
        // A bed cannot take up more than its capacity and pore water; spreading at
        // few plates or slow transfer stays within a few times that.
        let stoichiometric_bv =
            spec.resin.usable_eq_l() * CACO3_G_PER_EQ * 1e3 / hardness_mg_l + spec.resin.void_fraction;
        let limit_bv = 8.0 * stoichiometric_bv + 10.0;
        let shifts = 1.2 * stoichiometric_bv / parcel_bv;
        let plate_steps = shifts * spec.plates as f64 * if sodium_form { 1.0 } else { 6.0 };
        if plate_steps > MOST_PLATE_STEPS {
            // Steps grow with the square of the plates.
            let most = (spec.plates as f64 * (MOST_PLATE_STEPS / plate_steps).sqrt()).floor().max(1.0);
            return Err(BedError::TooLong {
                plates: spec.plates,
                most_plates: most as usize,
                plate_steps,
                limit: MOST_PLATE_STEPS,
            });
        }
        let per_hour = |bv_h: f64| bed.pace(bv_h / 3600.0);
        Ok(Self {
            service_pace: per_hour(spec.flows.service_bv_h),
            brine_pace: per_hour(spec.flows.brine_bv_h),
            fast_pace: per_hour(spec.flows.fast_rinse_bv_h),
            rinse_shifts: whole(spec.rinse_bv),
            fast_shifts: whole(spec.fast_rinse_bv),
            spec,
            bed,
            feed,
            soft,
            brine,
            parcel_bv,
            brine_shifts,
            limit_bv,
        })
    }

    /// The bed as it now stands.
    pub fn bed(&self) -> &Bed {
        &self.bed
    }

    /// Salt of one regeneration in whole parcels, g NaCl per litre of bed.
    pub fn dose_g_l(&self) -> f64 {
        self.brine_shifts as f64 * self.parcel_bv * self.brine.na * NACL_G_PER_MOL
    }

    /// Hardness that resin and pore water hold, g CaCO3 per litre of bed.
    pub fn held_g_l(&self) -> f64 {
        let held = self.bed.inventory();
        (held.ca + held.mg) * CACO3_G_PER_MOL
    }

    /// Regenerates once; `drain` sees what leaves. Returns the hardness sent to
    /// drain less what the rinses brought in, g CaCO3 per litre of bed.
    pub fn regenerate(&mut self, mut drain: impl FnMut(DrainPoint)) -> f64 {
        let direction = self.spec.regeneration.direction();
        let slow = match self.spec.regeneration {
            Regeneration::CoCurrent => self.feed,
            Regeneration::CounterCurrent => self.soft,
        };
        let stages = [
            (self.brine, self.brine_shifts, direction, self.brine_pace),
            (slow, self.rinse_shifts, direction, self.brine_pace),
            (self.feed, self.fast_shifts, Direction::Down, self.fast_pace),
        ];
        let (mut net, mut bv) = (0.0, 0.0);
        for (stage, (water, shifts, direction, pace)) in stages.into_iter().enumerate() {
            for _ in 0..shifts {
                self.bed.shift(&water, direction, &pace);
                bv += self.parcel_bv;
                let out = self.bed.outlet(direction);
                net += out.ca + out.mg - water.ca - water.mg;
                drain(DrainPoint { brine: stage == 0, bv, water: out });
            }
        }
        net * self.parcel_bv * CACO3_G_PER_MOL
    }

    /// Runs service to the end point, looked for once per pore volume, and on to
    /// `past` mg/L if that is given; `point` sees every parcel.
    ///
    /// # Errors
    /// [`BedError::NoEndPoint`] when none is found.
    fn service(&mut self, past: Option<f64>, mut point: impl FnMut(ServicePoint)) -> Result<Service, BedError> {
        let feed_mg_l = self.feed.hardness_mg_l();
        let to_mg_l = CACO3_G_PER_MOL * 1e3;
        let dbv = self.parcel_bv;
        let mut parcels = 0usize;
        let mut counted = 0usize;
        let mut leaked = 0.0;
        let mut leaked_before_end = 0.0;
        let mut lowest = f64::INFINITY;
        let mut lowest_before_end = f64::INFINITY;
        let mut ended = false;
        loop {
            let mut hardness = 0.0;
            for _ in 0..self.spec.plates {
                self.bed.shift(&self.feed, Direction::Down, &self.service_pace);
                let out = self.bed.outlet(Direction::Down);
                parcels += 1;
                hardness = (out.ca + out.mg) * to_mg_l;
                lowest = hardness.min(lowest);
                ended = ended || (hardness > self.spec.until_mg_l && hardness > ABOVE_LOWEST * lowest);
                leaked += hardness;
                if !ended {
                    counted = parcels;
                    leaked_before_end = leaked;
                    lowest_before_end = lowest;
                }
                point(ServicePoint {
                    bv: parcels as f64 * dbv,
                    ca_mg_l: out.ca * CA_G_PER_MOL * 1e3,
                    mg_mg_l: out.mg * MG_G_PER_MOL * 1e3,
                    hardness_mg_l: hardness,
                });
            }
            if ended && past.is_none_or(|limit| hardness > limit) {
                break;
            }
            if parcels as f64 * dbv > self.limit_bv {
                return Err(BedError::NoEndPoint { limit_bed_volumes: self.limit_bv });
            }
        }
        let removed = |parcels: usize, leaked: f64| (parcels as f64 * feed_mg_l - leaked) * dbv * 1e-3;
        Ok(Service {
            bed_volumes: counted as f64 * dbv,
            capacity_g_l: removed(counted, leaked_before_end),
            leakage_mean_mg_l: if counted == 0 { leaked / parcels as f64 } else { leaked_before_end / counted as f64 },
            leakage_min_mg_l: if counted == 0 { lowest } else { lowest_before_end },
            removed_g_l: removed(parcels, leaked),
        })
    }

    /// One regeneration and one service run; returns the hardness removed up to the
    /// end point, g CaCO3 per litre of bed.
    ///
    /// # Errors
    /// [`BedError::NoEndPoint`] when the service run does not end.
    pub fn cycle(&mut self) -> Result<f64, BedError> {
        self.regenerate(|_| ());
        Ok(self.service(None, |_| ())?.capacity_g_l)
    }

    /// Cycles until capacity has settled and the balance closes.
    ///
    /// # Errors
    /// [`BedError::NoEndPoint`] when a service run does not end.
    pub fn to_steady(&mut self) -> Result<Outcome, BedError> {
        self.to_steady_seen(|_| ())
    }

    /// The same; `seen` is told of the number of cycles behind it, once a cycle.
    ///
    /// # Errors
    /// As [`CycleRun::to_steady`].
    pub fn to_steady_seen(&mut self, mut seen: impl FnMut(usize)) -> Result<Outcome, BedError> {
        let dose_g_l = self.dose_g_l();
        let mut capacities = [f64::NAN; 4];
        let mut cycles = 0;
        loop {
            let drained = self.regenerate(|_| ());
            let service = self.service(None, |_| ())?;
            cycles += 1;
            seen(cycles);
            capacities.rotate_left(1);
            capacities[3] = service.capacity_g_l;
            let balance_error = (service.removed_g_l - drained) / service.removed_g_l;
            let steady = cycles >= LEAST_CYCLES
                && capacities[..3].iter().all(|c| (c / capacities[3] - 1.0).abs() < STEADY_CAPACITY);
            let converged = steady && balance_error.abs() < STEADY_BALANCE;
            if converged || cycles >= self.spec.most_cycles {
                let removed_eq = service.capacity_g_l / CACO3_G_PER_EQ;
                let parcel_share = self.parcel_bv / service.bed_volumes.max(self.parcel_bv);
                let unsettled = (!converged).then(|| Unsettled::of(&capacities, parcel_share, balance_error));
                return Ok(Outcome {
                    dose_g_l,
                    cycles,
                    converged,
                    unsettled,
                    capacity_g_l: service.capacity_g_l,
                    bed_volumes: service.bed_volumes,
                    leakage_mean_mg_l: service.leakage_mean_mg_l,
                    leakage_min_mg_l: service.leakage_min_mg_l,
                    salt_efficiency: Some(removed_eq / (dose_g_l / NACL_G_PER_MOL)),
                    balance_error,
                });
            }
        }
    }

    /// One more cycle for its curves: the drain, and service carried on to `past`.
    ///
    /// # Errors
    /// As [`CycleRun::to_steady`].
    pub fn curves(&mut self, past_mg_l: f64) -> Result<(Vec<DrainPoint>, Vec<ServicePoint>), BedError> {
        let mut drain = Vec::new();
        let mut service = Vec::new();
        self.regenerate(|p| drain.push(p));
        self.service(Some(past_mg_l), |p| service.push(p))?;
        Ok((drain, service))
    }

    /// One service run from where the bed stands (a virgin bed, for instance),
    /// carried on to `past_mg_l`; `point` sees every parcel.
    ///
    /// # Errors
    /// As [`CycleRun::to_steady`].
    pub fn exhaust(&mut self, past_mg_l: f64, point: impl FnMut(ServicePoint)) -> Result<Outcome, BedError> {
        let before = self.held_g_l();
        let service = self.service(Some(past_mg_l), point)?;
        let gained = self.held_g_l() - before;
        Ok(Outcome {
            dose_g_l: 0.0,
            cycles: 1,
            converged: true,
            unsettled: None,
            capacity_g_l: service.capacity_g_l,
            bed_volumes: service.bed_volumes,
            leakage_mean_mg_l: service.leakage_mean_mg_l,
            leakage_min_mg_l: service.leakage_min_mg_l,
            salt_efficiency: None,
            balance_error: (service.removed_g_l - gained) / service.removed_g_l,
        })
    }
}
