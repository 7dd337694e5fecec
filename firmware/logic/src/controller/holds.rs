//! What stands in the way of a regeneration: the very function that decisions use (S8, C7).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::Controller;
use super::after_power::is_sought;
use super::is_waiting;
use super::outside::Outside;
use crate::demand::{Cause, CauseSet, Hold, HoldSet, Standing};
use crate::derating::Derating;
use crate::duty::{Duty, OutReason, Tank};
use crate::settings::{Arrangement, ExhaustedInWindow, RemoteRole};
use crate::units::{Instant, TankId, Volume, later};

/// What is asked of a tank, and every hold that keeps it from starting.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Why {
    /// Every cause that stands.
    pub causes: CauseSet,
    /// When it was first asked for.
    pub asked_at: Option<Instant>,
    /// Every hold that stands; empty if nothing is asked or it regenerates.
    pub holds: Vec<Standing, 18>,
    /// What has been taken off the tank's capacity, so that it asks the sooner (L2).
    pub derating: Derating,
    /// Taken out by an operator, it serves until another has taken over (A7, S3).
    pub leaving: bool,
}

/// What holds one tank.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Held {
    /// Every hold; none if nothing is asked of it.
    pub holds: HoldSet,
    /// When the first of them clears by itself, if known.
    pub clears_at: Option<Instant>,
}

impl Held {
    fn add(&mut self, hold: Hold, clears_at: Option<Instant>) {
        self.holds.insert(hold);
        if clears_at.is_some_and(|at| self.clears_at.is_none_or(|earlier| at < earlier)) {
            self.clears_at = clears_at;
        }
    }
}

/// What holds each tank, in order.
pub(super) type Survey<const N: usize> = Vec<Held, N>;

/// Receives each hold with the instant it clears by itself, if known.
type Visit<'v> = dyn FnMut(Hold, Option<Instant>) + 'v;

impl<const N: usize> Controller<N> {
    /// Visits every hold on a waiting tank.
    #[inline(never)]
    pub(super) fn scan_holds(&self, id: TankId, tank: &Tank, now: Instant, outside: &Outside, visit: &mut Visit<'_>) {
        self.tank_holds(tank, visit);
        self.shared_holds(id, tank, now, visit);
        self.site_holds(tank, now, outside, visit);
        self.calendar_holds(tank, outside, visit);
    }

    /// What holds each tank that waits; looks outside if one does and nobody has yet.
    #[inline(never)]
    pub(super) fn survey(&self, now: Instant, outside: &mut Option<Outside>) -> Survey<N> {
        let mut survey = Survey::new();
        for (id, tank) in super::tank_ids(&self.tanks) {
            let mut held = Held::default();
            if is_waiting(tank) {
                if outside.is_none() {
                    *outside = Some(self.look_outside(now));
                }
                if let Some(outside) = outside {
                    self.scan_holds(id, tank, now, outside, &mut |hold, clears_at| held.add(hold, clears_at));
                }
            } else if tank.regeneration().is_some() {
                held.holds = self.share_holds(id, tank);
            }
            // There are as many places as tanks.
            let _ = survey.push(held);
        }
        survey
    }

    /// Holds of the tank itself.
    fn tank_holds(&self, tank: &Tank, visit: &mut Visit<'_>) {
        match tank.duty {
            Duty::Out { reason: OutReason::Operator } => visit(Hold::LockedOut, None),
            Duty::Out { reason: OutReason::DriveLost } => visit(Hold::DriveFailed, None),
            _ => {}
        }
        if let Some(hold) = self.shared_valve_hold() {
            visit(hold, None);
        }
        if tank.demand.operator_hold {
            visit(Hold::OperatorHold, None);
        }
        if self.power.finding || is_sought(&tank.drive) {
            visit(Hold::FindingPosition, None);
        }
    }

    /// Holds by what tanks share: each other, the drain, the brine.
    fn shared_holds(&self, id: TankId, tank: &Tank, now: Instant, visit: &mut Visit<'_>) {
        // One that makes up brine for itself is not in its own way.
        let regenerating = super::tank_ids(&self.tanks)
            .filter(|(other, t)| t.regeneration().is_some() && !(*other == id && t.makes_up()))
            .count();
        let one_more = regenerating < usize::from(self.settings.max_regenerating);
        if !one_more {
            visit(Hold::OtherRegenerating, None);
        }
        // What the others use by their steps goes without saying where they are as many as may be.
        let first = self.settings.first_uses();
        // One that stands open to the drain already takes no more of it.
        let drains = first.drain && !self.keeps_waiting(tank).drain;
        if self.is_drain_lost() || (one_more && drains && self.is_drain_full(Some(id))) {
            visit(Hold::DrainBusy, None);
        }
        if self.settings.draws_brine() {
            let lost = self.tanks.iter().any(|t| t.drive.may_use_brine_tank());
            if lost || (one_more && first.brine && self.is_brine_taken(Some(id))) {
                visit(Hold::BrineBusy, None);
            }
            if let Some(clears_at) = self.brine_hold(tank, now) {
                visit(Hold::BrineNotReady, clears_at);
            }
        }
        let changes = self.changeover.is_some_and(|c| c.to == id || c.from == Some(id)) || self.joining.contains(id);
        let relieved = matches!(tank.duty, Duty::Serving) && self.is_replaced(now);
        if changes || relieved || self.is_between_duties(tank) {
            visit(Hold::ChangingOver, None);
        } else if !self.may_leave(id, tank) {
            visit(Hold::NoTankToRelieve, self.relieved_at(id, now));
        }
    }

    /// The valve is still on its way to where this duty rests.
    fn is_between_duties(&self, tank: &Tank) -> bool {
        match tank.duty {
            Duty::Ready { .. } | Duty::Spent => tank.drive.target().is_some() && !tank.drive.is_seeking(),
            _ => false,
        }
    }

    /// When a fresh tank relieves this one, if a window alone keeps them from changing over (C6).
    fn relieved_at(&self, id: TankId, now: Instant) -> Option<Instant> {
        let alternates = self.settings.arrangement == Arrangement::Alternating;
        self.changeover_held_until(now).filter(|_| alternates && self.relief(Some(id)).is_some())
    }

    /// Whether the building is served while this tank regenerates (S2).
    fn may_leave(&self, id: TankId, tank: &Tank) -> bool {
        match self.settings.arrangement {
            Arrangement::Single => true,
            _ => {
                if matches!(tank.duty, Duty::Serving) {
                    let alone = self.settings.allow_untreated
                        && super::tank_ids(&self.tanks)
                            .all(|(other, t)| other == id || matches!(t.duty, Duty::Out { .. }));
                    let others = self.confirmed_serving().saturating_sub(usize::from(self.is_confirmed(tank)));
                    let alternating = self.settings.arrangement == Arrangement::Alternating;
                    return alone || (!alternating && others >= self.floor());
                }
                // Where none serves and none can, an off-line tank takes nothing away (S9).
                let none_can =
                    || !self.tanks.iter().any(|t| matches!(t.duty, Duty::Serving)) && self.relief(None).is_none();
                self.is_confirmed_serving() || none_can()
            }
        }
    }

    /// Some tank serves with its valve confirmed in service.
    pub(super) fn is_confirmed_serving(&self) -> bool {
        self.confirmed_serving() > 0
    }

    /// Holds by contacts, flow and the drain allowance.
    fn site_holds(&self, tank: &Tank, now: Instant, outside: &Outside, visit: &mut Visit<'_>) {
        if self.settings.remote == RemoteRole::HoldOff && self.contacts.remote.may_be_closed() {
            visit(Hold::HoldOff, None);
        }
        if self.contacts.low_pressure.may_be_closed() {
            visit(Hold::LowPressure, None);
        }
        if let Some(until) = self.flow_hold_until(tank, now, outside) {
            visit(Hold::FlowTooHigh, Some(until));
        }
        let limit = self.settings.discharge_limit;
        if limit > Volume::ZERO {
            let after = self.drained_today(now).plus(self.settings.drain_per_regeneration());
            if after > limit {
                visit(Hold::DischargeLimit, Some(self.drain_day_ends(now)));
            }
        }
    }

    /// Until when the flow holds a start if no further pulse comes; `None` if it does not.
    fn flow_hold_until(&self, tank: &Tank, now: Instant, outside: &Outside) -> Option<Instant> {
        // Nor may it leave the others with more than they can carry (A3).
        let carried = self.carried_without(tank).and_then(|limit| self.flow_falls_at(now, limit));
        let falls = outside.flow_falls_at.max(carried)?;
        // The longest wait begins when nothing but the flow holds the start.
        let Some(since) = tank.demand.flow_wait_since else { return Some(falls) };
        let wait_over = later(since, self.settings.flow_wait_limit);
        (wait_over > now).then(|| falls.min(wait_over))
    }

    /// Holds by the calendar (C5, C6, T1).
    fn calendar_holds(&self, tank: &Tank, outside: &Outside, visit: &mut Visit<'_>) {
        if tank.restarts.pending {
            // It begins again after a power cut, which is no new start (C5).
            return;
        }
        if outside.clock_unset {
            visit(Hold::ClockUnset, None);
        }
        if let Some((hold, clears_at)) = outside.window.filter(|_| !self.overrides_windows(tank)) {
            visit(hold, clears_at);
        }
        if let Some(hour) = outside.hour.filter(|hour| !hour.stands && !tank.demand.is_at_once()) {
            visit(Hold::UntilHour, hour.changes_at);
        }
    }

    /// When the calendar next begins to hold a waiting tank that it does not hold now.
    pub(super) fn next_calendar_hold(&self, tank: &Tank, outside: &Outside) -> Option<Instant> {
        if tank.restarts.pending {
            return None;
        }
        let hour = outside.hour.filter(|hour| hour.stands && !tank.demand.is_at_once());
        let window = outside.window_holds_from.filter(|_| !self.overrides_windows(tank));
        hour.and_then(|hour| hour.changes_at).into_iter().chain(window).min()
    }

    fn overrides_windows(&self, tank: &Tank) -> bool {
        self.settings.exhausted_in_window == ExhaustedInWindow::Override
            && tank.demand.causes().contains(Cause::Exhausted)
    }
}
