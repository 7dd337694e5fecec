//! One valve by the plant: what its motor is told (S7), and the brine that it leaves in its bed (S12).

use bedkeeper::drive::Motion;
use bedkeeper::program::{Position, StepKind};

use super::{Checker, Watched, World};
use crate::plant::{Fault, Valve};
use crate::quantity::show;

/// Brine in a bed as the valve's travels tell it.
#[derive(Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Brine {
    #[default]
    None,
    /// The valve has rested in the draw position: slow and fast rinse are owed.
    Owed { slow_ms: u64, fast_ms: u64 },
}

/// A valve that stands in the draw for longer has drawn brine.
pub(super) const DRAWN_AFTER_MS: u64 = 15_000;
/// So does one that takes longer to pass it, however it turns: no cam is that slow.
pub(super) const PASSED_AFTER_MS: u64 = 31_000;
/// A second to see that a valve stands where nobody told it to (V4), and what its switches and the loop may take besides.
pub(super) const SEEN_AFTER_MS: u64 = 2_000;

/// How a valve moves.
#[derive(Clone, Copy, Default)]
pub(super) struct Travel {
    /// Its motor is told to run.
    pub(super) told: bool,
    /// It turns: driven, coasting, or by a relay that has welded.
    pub(super) turns: bool,
    /// A fault of its own holds it where it stands.
    pub(super) held: bool,
}

impl Travel {
    pub(super) fn of(valve: &Valve) -> Self {
        let holds = |fault: &Fault| match fault {
            Fault::MotorStalled => true,
            Fault::JamsIn(position) => valve.position() == Some(*position),
            _ => false,
        };
        Self { told: valve.motion() != Motion::Off, turns: valve.is_turning(), held: valve.faults().iter().any(holds) }
    }
}

/// Where a valve stands by nobody's word: turned by hand or by a welded relay, or stopped on its way by a fault or as power failed.
#[derive(Clone, Copy, Default)]
pub(super) struct Astray {
    pub(super) since_ms: Option<u64>,
    /// Valves by their numbers that came to stand astray while this one stood where it stands, or so little before it came
    /// there that nobody could know.
    pub(super) unseen: u8,
}

impl Checker {
    pub(super) fn travel_limit_ms(&self) -> u64 {
        u64::from(self.raw.travel_limit().0)
    }

    pub(super) fn rest_ms(&self) -> u64 {
        u64::from(self.raw.drive.rest().0)
    }

    pub(super) fn length_ms(&self, kind: StepKind) -> u64 {
        self.raw.program.iter().find(|s| s.kind == kind).map_or(0, |s| u64::from(s.length.0))
    }

    /// S7: one direction, a limit, a rest before the other direction.
    pub(super) fn check_motion(&mut self, i: usize, motion: Motion, now: u64) {
        let (limit, rest) = (self.travel_limit_ms(), self.rest_ms());
        let tank = self.tanks[i].clone();
        let ran = now.saturating_sub(tank.motion_since_ms);
        if tank.motion != Motion::Off {
            self.expect(ran <= limit, "S7", i, now, || {
                format!("tank {}: the motor ran {} and may run {}", i + 1, show::duration(ran), show::duration(limit))
            });
        }
        if motion == tank.motion {
            return;
        }
        if motion != Motion::Off {
            let rested = now.saturating_sub(tank.off_since_ms);
            let reverses = tank.last_run != Motion::Off && tank.last_run != motion;
            let direct = tank.motion != Motion::Off;
            self.expect(!(reverses && (direct || rested < rest)), "S7", i, now, || {
                format!("tank {}: the motor reversed after {rested} ms of rest", i + 1)
            });
        }
        let watched = &mut self.tanks[i];
        if watched.motion != Motion::Off {
            watched.last_run = watched.motion;
            watched.off_since_ms = now;
        }
        watched.motion = motion;
        watched.motion_since_ms = now;
    }

    /// How a valve moves; one that rests before another try was put there by no logic (S7).
    pub(super) fn travel(&self, i: usize, valve: &Valve, now: u64) -> Travel {
        let travel = Travel::of(valve);
        let watched = &self.tanks[i];
        Travel { held: travel.held || watched.held || self.tries_on(watched, now), ..travel }
    }

    /// It rests on its way before another try (S7): where that is, no logic chose.
    pub(super) fn tries_on(&self, watched: &Watched, now: u64) -> bool {
        watched.retried_ms.is_some_and(|at_ms| now.saturating_sub(at_ms) <= self.retry_rest_ms())
    }

    /// The longest rest before another try, and a second for the loop.
    pub(super) fn retry_rest_ms(&self) -> u64 {
        self.rest_ms() + 1_000
    }

    /// Follows the valve: what it owes after brine, and whether it rests in service before that (S12).
    pub(super) fn check_position(&mut self, i: usize, position: Option<Position>, travel: Travel, now: u64) {
        let (slow, fast) = (self.length_ms(StepKind::SlowRinse), self.length_ms(StepKind::FastRinse));
        let draw = self.length_ms(StepKind::BrineDraw);
        let shared = !self.tank_has(Position::SlowRinse);
        let watched = &mut self.tanks[i];
        let stood_ms = watched.stood_ms + watched.still_since_ms.map_or(0, |since| now.saturating_sub(since));
        if position != watched.position {
            let stayed = now.saturating_sub(watched.position_since_ms);
            // A valve in passing is no draw: brine flows once it rests there.
            let rested = stood_ms > DRAWN_AFTER_MS || stayed > PASSED_AFTER_MS;
            let left =
                |kind, owed_ms: u64, rinsed_ms: u64| match watched.steps.as_ref().map(|steps| steps.is_over(kind)) {
                    // What a volume or a contact ends may be shorter than usual.
                    Some(Some(over)) => {
                        if over {
                            0
                        } else {
                            owed_ms
                        }
                    }
                    _ => owed_ms.saturating_sub(rinsed_ms),
                };
            watched.brine = match (watched.position, watched.brine) {
                // One position draws and rinses: what was stayed beyond the draw is rinse.
                (Some(Position::BrineDraw), _) if rested && shared => {
                    let ended_ms = watched.draw_ended_ms.unwrap_or(watched.position_since_ms + draw);
                    let rinsed_ms = now.saturating_sub(ended_ms.max(watched.position_since_ms));
                    // A slow rinse that was cut goes on with the time it had left (P3). That may be none by the plant, where
                    // the logic does not count what passed in the dark. A valve that passed the fast rinse since has not rinsed.
                    let rinsed_on = |fast_ms: u64| match (&watched.run, &watched.steps) {
                        (Some(_), Some(steps)) => steps.has_run(StepKind::FastRinse),
                        _ => fast_ms < fast,
                    };
                    let owed_ms = match watched.brine {
                        Brine::Owed { slow_ms, fast_ms }
                            if (slow_ms > 0 || !rinsed_on(fast_ms)) && ended_ms < watched.position_since_ms =>
                        {
                            slow_ms
                        }
                        _ => slow,
                    };
                    Brine::Owed { slow_ms: left(StepKind::SlowRinse, owed_ms, rinsed_ms), fast_ms: fast }
                }
                (Some(Position::BrineDraw), _) if rested => Brine::Owed { slow_ms: slow, fast_ms: fast },
                (Some(Position::SlowRinse), Brine::Owed { slow_ms, fast_ms }) => {
                    Brine::Owed { slow_ms: left(StepKind::SlowRinse, slow_ms, stayed), fast_ms }
                }
                // A rinse that was cut goes on with the time it had left (P3).
                (Some(Position::FastRinse), Brine::Owed { slow_ms: 0, fast_ms }) => {
                    match left(StepKind::FastRinse, fast_ms, stayed) {
                        0 => Brine::None,
                        fast_ms => Brine::Owed { slow_ms: 0, fast_ms },
                    }
                }
                (_, brine) => brine,
            };
            watched.position = position;
            watched.position_since_ms = now;
            watched.stood_ms = 0;
            watched.still_since_ms = None;
        }
        if travel.turns && !travel.held {
            if watched.still_since_ms.take().is_some() {
                watched.stood_ms = stood_ms;
            }
        } else {
            watched.still_since_ms.get_or_insert(now);
        }
        let owes = watched.brine != Brine::None;
        // Where its own fault holds a valve no logic put it.
        let passes = travel.told || travel.turns || travel.held || watched.cut_on_way;
        let rests_in_service = position == Some(Position::Service) && !passes;
        let unknown = watched.place.is_unknown(&self.raw.drive);
        self.expect(!(owes && rests_in_service) || unknown, "S12", i, now, || {
            format!("tank {} rests in service with brine not rinsed out", i + 1)
        });
    }

    pub(super) fn tank_has(&self, position: Position) -> bool {
        self.raw.drive.place(position).is_some()
    }

    /// Whether a fault of its own held a valve when its motor last ran, or holds it still: mended, it stands there until it is
    /// told to move.
    pub(super) fn see_held(&mut self, i: usize, valve: &Valve) {
        let travel = Travel::of(valve);
        let watched = &mut self.tanks[i];
        watched.held = travel.held || (watched.held && !travel.told);
    }

    /// Whether a valve stands where power left it on its way, and the logic may still be finding it and those before it (V2).
    pub(super) fn see_cut(&mut self, i: usize, valve: &Valve, world: &World) {
        let since_ms = world.now_ms.saturating_sub(world.supply.on_since_ms());
        let finds = world.supply.is_dark() || since_ms <= self.joining_limit_ms();
        self.tanks[i].cut_on_way &= finds && valve.motion() == Motion::Off;
    }

    /// Whether a valve left service while its motor stood: nobody told it to.
    pub(super) fn see_knocks(&mut self, index: usize, valve: &Valve) {
        let Some(tank) = self.tanks.get_mut(index) else { return };
        let serves = valve.position() == Some(Position::Service);
        let left = tank.position == Some(Position::Service) && tank.motion == Motion::Off;
        tank.knocked = !serves && (tank.knocked || left);
    }

    /// Follows which valves stand by nobody's word, and since when others may know. To be asked before the position is noted.
    pub(super) fn see_strays(&mut self, i: usize, valve: &Valve, is_dark: bool, now: u64) {
        let travel = Travel::of(valve);
        let position = valve.position();
        let Some(tank) = self.tanks.get(i) else { return };
        let left = position != tank.position;
        // Its motor stood all the time; or it stopped, and not because it had come to a place of its own will: a fault held it,
        // or power failed on its way.
        let moved_alone = left && tank.motion == Motion::Off && !travel.told && position.is_some();
        let stopped = tank.motion != Motion::Off && !travel.told && (travel.held || is_dark);
        let astray = !travel.told && (tank.astray.since_ms.is_some() || moved_alone || stopped);
        let knocked = left && tank.position.is_some() && tank.motion == Motion::Off && !(travel.told || travel.turns);
        if knocked || valve.is_turned_by_hand() {
            self.tanks[i].place.moved();
        }
        self.note_astray(i, left, astray, now);
    }

    /// Notes that a valve stands by nobody's word or not, and whether it has just left where it stood.
    pub(super) fn note_astray(&mut self, i: usize, left: bool, astray: bool, now: u64) {
        let bit = 1u8 << (i % 8);
        // Turned once more it stands somewhere else by nobody's word.
        let was = self.tanks[i].astray.since_ms.filter(|_| !left);
        if astray && was.is_none() {
            self.tanks.iter_mut().for_each(|other| other.astray.unseen |= bit);
        } else if !astray {
            self.tanks.iter_mut().for_each(|other| other.astray.unseen &= !bit);
        }
        if left {
            let fresh = |other: &Watched| other.astray.since_ms.is_some_and(|since| now <= since + SEEN_AFTER_MS);
            let unseen = (0..).zip(&self.tanks).filter(|(_, other)| fresh(other));
            self.tanks[i].astray.unseen = unseen.fold(0u8, |bits, (n, _)| bits | 1 << (n % 8));
        }
        self.tanks[i].astray.since_ms = astray.then(|| was.unwrap_or(now));
    }
}
