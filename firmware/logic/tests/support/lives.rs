//! Random conversations: what operators, water and drives may do, for property tests.
#![allow(clippy::arithmetic_side_effects, clippy::indexing_slicing)]

use bedkeeper::Action;
use bedkeeper::settings::RawDrive;
use bedkeeper::units::TankId;
use proptest::prelude::*;

use super::{SEC, Site, every_drive};

/// Any kind of drive.
pub fn any_drive() -> impl Strategy<Value = RawDrive> {
    proptest::sample::select(every_drive().map(|(_, drive)| drive).to_vec())
}

/// Any cam: only what feeds back can be lost.
pub fn any_cam() -> impl Strategy<Value = RawDrive> {
    let cams = every_drive().map(|(_, drive)| drive).into_iter();
    let cams = cams.filter(|d| matches!(d, RawDrive::CamSwitch { .. } | RawDrive::CamIndex { .. }));
    proptest::sample::select(cams.collect::<Vec<_>>())
}

/// So many cases, or as many as `PROPTEST_CASES` says; a failure prints its smallest conversation, to be
/// kept as a test of its own.
pub fn config(cases: u32) -> ProptestConfig {
    let or = |name: &str, usual| std::env::var(name).ok().and_then(|wanted| wanted.parse().ok()).unwrap_or(usual);
    let (cases, max_shrink_iters) = (or("PROPTEST_CASES", cases), or("PROPTEST_MAX_SHRINK_ITERS", 2_000));
    ProptestConfig { cases, failure_persistence: None, max_shrink_iters, ..ProptestConfig::default() }
}

/// Something that happens at a plant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happening {
    Operator(Action),
    /// So many litres flow.
    Water(u32),
    /// The cam of a tank jams where it comes to this place, in thousandths, or is freed.
    Jam(usize, Option<u64>),
    /// The motor of a tank stops turning, or turns again.
    Stuck(usize, bool),
    /// A place takes the cam so long.
    Slow(usize, u64),
    /// The cam coasts so far.
    Coast(usize, u64),
    /// Switches chatter.
    Bounce(usize, bool),
}

/// A happening, then so much time.
pub type Moment = (Happening, u64);

fn action(tanks: u8) -> impl Strategy<Value = Happening> {
    let all = [
        Action::StartNow,
        Action::StartAtHour,
        Action::Withdraw,
        Action::StepForward,
        Action::Abort,
        Action::Hold,
        Action::Release,
        Action::TakeOut,
        Action::PutBack,
        Action::Vouch,
    ];
    // Starts and steps come more often, so that runs get far into a regeneration.
    let weighted = prop_oneof![
        3 => Just(Action::StartNow as fn(TankId) -> Action),
        3 => Just(Action::StepForward as fn(TankId) -> Action),
        10 => proptest::sample::select(all.map(|a| a as fn(TankId) -> Action).to_vec()),
    ];
    (weighted, 0..tanks).prop_map(|(action, tank)| Happening::Operator(action(TankId(tank))))
}

fn pause() -> impl Strategy<Value = u64> {
    prop_oneof![
        3 => 0..30 * SEC,
        4 => 0..10 * 60 * SEC,
        3 => 0..2 * 3_600 * SEC,
    ]
}

/// What working drives allow: operators, water, and cams that are slow, coast or chatter within bounds.
pub fn quiet_moment(tanks: u8) -> impl Strategy<Value = Moment> {
    let tank = 0..usize::from(tanks);
    let happening = prop_oneof![
        8 => action(tanks),
        3 => (0u32..12_000).prop_map(Happening::Water),
        1 => (tank.clone(), 4_000u64..20_000).prop_map(|(t, ms)| Happening::Slow(t, ms)),
        1 => (tank.clone(), 0u64..100).prop_map(|(t, milli)| Happening::Coast(t, milli)),
        1 => (tank, any::<bool>()).prop_map(|(t, on)| Happening::Bounce(t, on)),
    ];
    (happening, pause())
}

/// The same with drives that jam anywhere and come free again.
pub fn rough_moment(tanks: u8) -> impl Strategy<Value = Moment> {
    let tank = 0..usize::from(tanks);
    let trouble = prop_oneof![
        (tank.clone(), proptest::option::of(0u64..7_000)).prop_map(|(t, at)| Happening::Jam(t, at)),
        (tank, any::<bool>()).prop_map(|(t, on)| Happening::Stuck(t, on)),
    ];
    prop_oneof![3 => quiet_moment(tanks), 1 => (trouble, pause())]
}

impl<const N: usize> Site<N> {
    /// Lets it happen, and time pass.
    pub fn live(&mut self, (happening, ms): Moment) {
        let valves = self.valves.len();
        match happening {
            // Refusals are part of life.
            Happening::Operator(action) => drop(self.operate(action)),
            Happening::Water(litres) => self.gulp(litres),
            Happening::Jam(tank, at) => self.valves[tank % valves].quirks.sticks_at_milli = at,
            Happening::Stuck(tank, stuck) => self.valves[tank % valves].trouble.stuck = stuck,
            Happening::Slow(tank, ms) => self.valves[tank % valves].leg_ms = ms,
            Happening::Coast(tank, milli) => self.valves[tank % valves].coast(milli),
            Happening::Bounce(tank, on) => self.valves[tank % valves].quirks.bounces = on,
        }
        self.run_for(ms);
    }

    /// Every drive works again.
    pub fn mend(&mut self) {
        for valve in &mut self.valves {
            valve.trouble = super::Trouble::default();
            valve.quirks = super::Quirks::default();
            valve.leg_ms = 10_000;
        }
        self.tell_switches();
    }
}
