//! Watches the plant itself, not the controller: true valve positions, motors and time.
#![allow(clippy::indexing_slicing, clippy::panic)]

use bedkeeper::Settings;
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::program::{Position, StepKind};

use super::Valve;

/// Brine in a bed, judged by where its valve truly stood and for how long (S12).
///
/// The valve must have separate positions for draw and slow rinse, or they could not be told apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Bed {
    salted: bool,
    in_brine_ms: u64,
    slow_ms: u64,
    fast_ms: u64,
    in_service_ms: u64,
    /// The valve jammed in service: no controller could have moved it out.
    jammed_in_service: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Motor {
    motion: Motion,
    since: u64,
    /// The last way it ran, and when it stopped.
    ran: Option<(Motion, u64)>,
}

/// Panics where the plant shows that a rule is broken.
#[derive(Clone, Debug)]
pub struct Observer {
    slow_ms: u64,
    fast_ms: u64,
    rest_ms: u64,
    travel_limit_ms: u64,
    /// S2 and S3: some tank must truly stand in service at every instant.
    pub always_served: bool,
    /// S2: so many tanks at most may be away of those that take part.
    pub most_away: Option<usize>,
    /// Tanks that take part, by their duties.
    tanks_in: usize,
    /// Tanks that were out and have not served since: one that is put back needs its time to come.
    coming: Vec<bool>,
    /// Tanks that stood open to the drain at the last look.
    discharged: Vec<bool>,
    /// The same of the brine tank.
    used_brine: Vec<bool>,
    /// S1: so many may discharge together.
    draining_together: usize,
    /// Motors that must not run any more: their limit may have stopped them in service, and S7 goes before S12.
    pub given_up: Vec<bool>,
    last: Option<u64>,
    beds: Vec<Bed>,
    motors: Vec<Motor>,
    /// How long brine stood in some bed: shows that a run tested something.
    pub salted_ms: u64,
    pub runs: u32,
}

/// A motor that stands so long has not only paused between two tries.
const BREAK_MS: u64 = 5_000;
/// Standing longer than this in brine draws some, in service is a rest and no passing.
const STANDS_MS: u64 = 31_000;

impl Observer {
    pub fn new(settings: &Settings) -> Self {
        let length = |kind| {
            let longest = settings.program.iter().filter(|s| s.kind == kind).map(|s| s.length.0).max();
            u64::from(longest.unwrap_or(0))
        };
        let rest_ms = u64::from(settings.drive.rest().0);
        let tanks = usize::from(settings.tanks);
        Self {
            slow_ms: length(StepKind::SlowRinse),
            fast_ms: length(StepKind::FastRinse),
            rest_ms,
            travel_limit_ms: u64::from(settings.travel_limit().0),
            always_served: false,
            most_away: None,
            tanks_in: tanks,
            coming: vec![false; tanks],
            discharged: vec![false; tanks],
            used_brine: vec![false; tanks],
            given_up: vec![false; tanks],
            draining_together: usize::from(settings.sharing.draining_together),
            last: None,
            beds: vec![Bed::default(); tanks],
            motors: vec![Motor::default(); tanks],
            salted_ms: 0,
            runs: 0,
        }
    }

    /// Brine is in a bed by the plant's own account.
    pub fn is_salted(&self, tank: u8) -> bool {
        self.beds[usize::from(tank).saturating_sub(1)].salted
    }

    /// Looks at the motors, whenever they are told anything.
    pub fn see_motors(&mut self, now: u64, valves: &[Valve]) {
        for (i, valve) in valves.iter().enumerate() {
            self.see_motor(now, i, valve.motion());
        }
    }

    /// Looks at the valves and beds now.
    pub fn see(&mut self, now: u64, valves: &[Valve]) {
        let dt = now.saturating_sub(self.last.unwrap_or(now));
        self.last = Some(now);
        for (i, valve) in valves.iter().enumerate() {
            self.see_bed(now, dt, i, valve);
        }
        let rests: Vec<bool> =
            self.motors.iter().map(|m| m.motion == Motion::Off && m.since + BREAK_MS <= now).collect();
        let drain = come_to(valves, &rests, &mut self.discharged, Position::discharges);
        assert!(drain <= self.draining_together, "S1: {drain} tanks discharge at {now}");
        let brine = come_to(valves, &rests, &mut self.used_brine, Position::uses_brine_tank);
        assert!(brine <= 1, "S1: two tanks use the brine tank at {now}");
        let serving = valves.iter().filter(|v| v.position() == Some(Position::Service)).count();
        assert!(serving > 0 || !self.always_served, "S2: no tank stands in service at {now}");
        if let Some(most_away) = self.most_away {
            let floor = self.tanks_in.saturating_sub(most_away).max(1);
            assert!(serving >= floor, "S2: {serving} of {} tanks stand in service at {now}", self.tanks_in);
        }
    }

    /// Counts the tanks that take part, by their duties.
    pub fn count_in(&mut self, duties: impl Iterator<Item = DutyKind>) {
        self.tanks_in = 0;
        for (duty, coming) in duties.zip(&mut self.coming) {
            *coming = matches!(duty, DutyKind::Out | DutyKind::Spent) || (*coming && duty == DutyKind::Ready);
            self.tanks_in += usize::from(!*coming);
        }
    }

    fn see_motor(&mut self, now: u64, i: usize, motion: Motion) {
        let motor = &mut self.motors[i];
        if motion != motor.motion {
            if motor.motion != Motion::Off {
                assert_eq!(motion, Motion::Off, "S7: tank {} reverses without a stop at {now}", i.wrapping_add(1));
                motor.ran = Some((motor.motion, now));
            } else {
                self.runs = self.runs.saturating_add(1);
                if let Some((ran, stopped)) = motor.ran
                    && ran != motion
                {
                    let rested = now.saturating_sub(stopped);
                    assert!(rested >= self.rest_ms, "S7: reverses after {rested} ms at {now}");
                }
            }
            motor.motion = motion;
            motor.since = now;
        }
        if motion != Motion::Off {
            let ran = now.saturating_sub(motor.since);
            assert!(ran <= self.travel_limit_ms, "S7: the motor has run for {ran} ms at {now}");
        }
    }

    fn see_bed(&mut self, now: u64, dt: u64, i: usize, valve: &Valve) {
        let bed = &mut self.beds[i];
        let add = |sum: &mut u64, position| {
            let stands = valve.position() == Some(position);
            *sum = if stands { sum.saturating_add(dt) } else { 0 };
        };
        add(&mut bed.in_brine_ms, Position::BrineDraw);
        add(&mut bed.in_service_ms, Position::Service);
        if self.given_up[i] {
            bed.in_service_ms = 0;
        }
        let in_service = valve.position() == Some(Position::Service);
        bed.jammed_in_service = in_service && (bed.jammed_in_service || valve.is_jammed());
        if bed.in_brine_ms >= STANDS_MS {
            *bed = Bed { salted: true, in_brine_ms: bed.in_brine_ms, ..Bed::default() };
        }
        if !bed.salted {
            return;
        }
        self.salted_ms = self.salted_ms.saturating_add(dt);
        match valve.position() {
            Some(Position::SlowRinse) => bed.slow_ms = bed.slow_ms.saturating_add(dt),
            Some(Position::FastRinse) if bed.slow_ms.saturating_add(1_000) >= self.slow_ms => {
                bed.fast_ms = bed.fast_ms.saturating_add(dt);
            }
            _ => {}
        }
        if bed.fast_ms.saturating_add(1_000) >= self.fast_ms {
            bed.salted = false;
        }
        assert!(
            !bed.salted || bed.jammed_in_service || bed.in_service_ms < STANDS_MS,
            "S12: tank {} rests in service with brine in it at {now}",
            i.wrapping_add(1)
        );
    }
}

/// How many tanks stand open together, where one more has come to it since the last look; else none.
///
/// One that jams there on its way elsewhere could not be stopped by any controller, but none may come to it (S1).
fn come_to(valves: &[Valve], rests: &[bool], before: &mut [bool], open: fn(Position) -> bool) -> usize {
    let stands = |v: &Valve| v.position().is_some_and(open);
    let mut comes = false;
    let mut together = 0;
    // One that goes from one such place to another does not come anew.
    for ((valve, before), _) in valves.iter().zip(before).zip(rests).filter(|(_, rests)| **rests) {
        let stood = std::mem::replace(before, stands(valve));
        comes |= *before && !stood && !valve.is_jammed();
        together += usize::from(*before);
    }
    if comes { together } else { 0 }
}
