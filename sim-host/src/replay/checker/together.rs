//! All valves of a plant by where they stand: how many discharge and draw together (S1), how many serve (S2).

use bedkeeper::drive::Motion;
use bedkeeper::duty::{Duty, DutyKind, OutReason};
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, RawDrive};

use super::{Checker, POWER_UP_MS, Watched, World};
use crate::plant::Valve;

impl Checker {
    /// A tank that is to serve has a valve that somebody turned, or that has a fault: its drive fails, and is excepted
    /// from the floor until the logic has found it or given it up.
    pub(super) fn serves_with_a_failing_valve(&self, world: &World) -> bool {
        let tanks = world.controller.tanks().iter().zip(world.valves()).zip(&self.tanks);
        tanks.into_iter().any(|((tank, valve), watched)| {
            let away = valve.position() != Some(Position::Service);
            let wanted = tank.duty().kind() == DutyKind::Serving || tank.drive().target() == Some(Position::Service);
            // Behind a changeover valve the tank that takes over stands in service already.
            let relieves = tank.duty().kind() == DutyKind::Ready && world.plant.shared().is_some();
            let fails = watched.knocked || !valve.faults().is_empty() || watched.place.is_unknown(&self.raw.drive);
            (wanted || relieves) && away && fails
        })
    }

    /// How many valves stand in positions of a kind; no more than `most` where what is beyond that nobody could know when
    /// another came to stand there.
    fn standing_together(&self, world: &World, most: usize, is_kind: impl Fn(Position) -> bool) -> usize {
        let stands = |v: &Valve| v.motion() == Motion::Off && !v.is_turning() && v.position().is_some_and(&is_kind);
        let excused = |i: &usize| {
            let watched = self.tanks.get(*i);
            watched.is_some_and(|w| self.tries_on(w, world.now_ms) || w.place.is_unknown(&self.raw.drive))
        };
        let all = (0..8).zip(world.valves()).filter(|(i, valve)| stands(valve) && !excused(i));
        let all: Vec<_> = all.map(|(i, _)| i).collect();
        let met = self.met(&all);
        if met > most { all.len() } else { all.len().min(most) }
    }

    /// Of those that stand somewhere together, how many the one that could know of the most could know of, itself among them.
    pub(super) fn met(&self, all: &[usize]) -> usize {
        // Each that was sent there is judged by those that it could be known to meet.
        let sent = |i: &&usize| self.tanks[**i].astray.since_ms.is_none();
        let known = |i: &usize| {
            let unseen = self.tanks[*i].astray.unseen;
            all.iter().filter(|other| *other == i || unseen & (1 << **other) == 0).count()
        };
        all.iter().filter(sent).map(known).max().unwrap_or(0)
    }

    /// Follows the tanks whose drives have failed until they are back at work.
    fn follow_returning(&mut self, world: &World) {
        for ((watched, tank), valve) in self.tanks.iter_mut().zip(world.controller.tanks()).zip(world.valves()) {
            match tank.duty().kind() {
                DutyKind::Out => watched.returning = true,
                DutyKind::Regenerating => watched.returning = false,
                // It regenerates first, wherever its valve stands.
                DutyKind::Spent => {}
                _ => watched.returning &= valve.position() != Some(Position::Service),
            }
        }
    }

    /// Since when tanks are let in again whose valves are still to come to service: an operator puts back or vouches in a
    /// moment, and a valve takes its time.
    fn see_joining(&mut self, world: &World) {
        // Elsewhere one serving is enough.
        if self.raw.arrangement != Arrangement::Parallel {
            return;
        }
        let limit = self.joining_limit_ms();
        let now = world.now_ms;
        let tanks = world.controller.tanks().iter().zip(world.valves());
        for (watched, (tank, valve)) in self.tanks.iter_mut().zip(tanks) {
            let apart = is_apart(tank.duty().kind());
            let stands = valve.motion() == Motion::Off && valve.position() == Some(Position::Service);
            let serves = stands && tank.duty().kind() == DutyKind::Serving;
            if apart || serves {
                watched.joining_ms = None;
            } else if watched.apart {
                watched.joining_ms = Some(now);
            }
            watched.joining_ms = watched.joining_ms.filter(|since| now <= since + limit);
            watched.apart = apart;
        }
    }

    /// What a valve may take to come to service, after all others, and to be given up.
    pub(super) fn joining_limit_ms(&self) -> u64 {
        let tries = 1 + u64::from(retries(&self.raw.drive));
        (self.travel_limit_ms() + self.rest_ms()) * tries * u64::from(self.raw.tanks)
    }

    /// S1, S2: how many discharge, how many serve, by the plant's valves.
    pub(super) fn check_plant(&mut self, world: &World) {
        let now = world.now_ms;
        let most = usize::from(self.raw.sharing.draining_together);
        let discharging = self.standing_together(world, most, Position::discharges);
        self.expect(discharging <= most, "S1", 0, now, || {
            format!("{discharging} tanks discharge together, where {most} may")
        });
        let drawing = self.standing_together(world, 1, Position::uses_brine_tank);
        self.expect(drawing <= 1, "S1", 1, now, || format!("{drawing} tanks use the brine tank together"));
        self.see_joining(world);
        let kinds = || world.controller.tanks().iter().map(|t| t.duty().kind());
        self.follow_returning(world);
        // A drive that failed is not sound again by an operator's word, before it is found.
        let is_found = |i: usize| world.controller.tanks()[i].drive().position().is_some();
        // Nor before it has regenerated, if it must: over brine, which its drive may have let in, it may not serve meanwhile (S12).
        let waits = |i: usize| world.controller.tanks()[i].duty().kind() == DutyKind::Spent;
        let sought = |(i, watched): (usize, &Watched)| watched.returning && (waits(i) || !is_found(i));
        let sought = self.tanks.iter().enumerate().any(sought);
        // What a person takes out is no failed drive: the last that serves stays.
        let failed_out = |duty: &Duty| matches!(duty, Duty::Out { reason } if *reason != OutReason::Operator);
        let failed = sought
            || world.controller.tanks().iter().any(|tank| failed_out(tank.duty()))
            || self.serves_with_a_failing_valve(world);
        // A tank that is out, waits off-line to be let in again, or was let in a moment ago and whose valve is still to come to
        // service, makes a parallel site the smaller one (A7).
        let joins = |watched: &Watched| watched.joining_ms.is_some() || watched.returning;
        let apart = kinds().zip(&self.tanks).filter(|(kind, watched)| is_apart(*kind) || joins(watched)).count();
        let away = usize::from(self.raw.max_regenerating);
        let (floor, excepted) = match self.raw.arrangement {
            Arrangement::Single => (0, false),
            Arrangement::Alternating | Arrangement::Staged => (1, failed),
            Arrangement::Parallel => {
                let floor = usize::from(self.raw.tanks).saturating_sub(apart + away).max(1);
                (floor, apart == kinds().count() || self.serves_with_a_failing_valve(world))
            }
        };
        if !self.raw.allow_untreated {
            // Between its ends a shared valve leads the one or the other.
            let travels = world.plant.shared().is_some_and(|v| v.position().is_none());
            let serves =
                |(i, v): &(usize, &Valve)| v.position() == Some(Position::Service) && (travels || is_led(world, *i));
            let serving = world.valves().iter().enumerate().filter(serves).count();
            // A valve that was given up may stand in service by chance, and leaves as soon as it is let in again over brine.
            let is_sound = |i: usize| !failed_out(world.controller.tanks()[i].duty());
            let sound = world.valves().iter().enumerate().filter(|v| serves(v) && is_sound(v.0)).count();
            // At power-up valves are sought first; that is over at the latest after a while.
            let found = || world.controller.tanks().iter().all(|t| t.drive().position().is_some());
            self.settled |= serving >= floor && found();
            let due = self.settled || now.saturating_sub(world.supply.on_since_ms()) > POWER_UP_MS;
            // What a failed drive took away is missing until another tank has come to serve.
            // One that passes its service position on a search has not.
            let serving_duty = |i: usize| world.controller.tanks()[i].duty().kind() == DutyKind::Serving;
            let rests = |v: &(usize, &Valve)| serves(v) && v.1.motion() == Motion::Off && serving_duty(v.0);
            let stand = || world.valves().iter().enumerate().filter(rests).count();
            self.short = (excepted && sound < floor) || (self.short && stand() < floor);
            self.expect(serving >= floor || !due || self.short, "S2", 0, now, || {
                format!("{serving} tanks stand in service, and {floor} must")
            });
        }
        let regenerating = kinds().filter(|kind| *kind == DutyKind::Regenerating).count();
        self.expect(regenerating <= away, "S1", 2, now, || format!("{regenerating} tanks regenerate at once"));
    }
}

/// How often a drive is tried again.
fn retries(drive: &RawDrive) -> u8 {
    match drive {
        RawDrive::CamSwitch { retries, .. }
        | RawDrive::CamIndex { retries, .. }
        | RawDrive::PilotArray { retries, .. } => *retries,
        RawDrive::TwoPosition { valve, .. } => valve.retries,
        RawDrive::Timed { .. } => 0,
    }
}

/// Out, or off-line until it has regenerated or somebody vouches for it.
fn is_apart(kind: DutyKind) -> bool {
    matches!(kind, DutyKind::Out | DutyKind::Spent)
}

/// A shared changeover valve, if there is one, stands where it leads this tank's water (A6).
pub(super) fn is_led(world: &World, tank: usize) -> bool {
    let end = if tank == 0 { Position::Service } else { Position::Standby };
    world.plant.shared().is_none_or(|valve| valve.position() == Some(end))
}
