//! What stands in the way of a regeneration: the very function that decisions use (S8, C7).

use heapless::Vec;
use serde::{Deserialize, Serialize};

use super::Controller;
use super::decide::is_waiting;
use crate::calendar::{self, Civil, WEEK_S};
use crate::demand::{Cause, CauseSet, Hold, HoldSet, Standing};
use crate::duty::{Duty, OutReason, Tank};
use crate::program::Position;
use crate::settings::{Arrangement, ExhaustedInWindow, RemoteRole, WhenClockUnset};
use crate::units::{Flow, Instant, TankId, Volume, elapsed_ms, later, later_ms};

/// What is asked of a tank, and every hold that keeps it from starting.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Why {
    /// Every cause that stands.
    pub causes: CauseSet,
    /// When it was first asked for.
    pub asked_at: Option<Instant>,
    /// Every hold that stands; empty if nothing is asked or it regenerates.
    pub holds: Vec<Standing, 18>,
}

/// What holds one tank.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Held {
    /// Every hold; none if nothing is asked of it.
    pub holds: HoldSet,
    /// When the first of them clears by itself, if known.
    pub clears_at: Option<Instant>,
}

/// What holds each tank, in order.
pub(super) type Survey<const N: usize> = Vec<Held, N>;

/// Receives each hold with the instant it clears by itself, if known.
type Visit<'v> = dyn FnMut(Hold, Option<Instant>) + 'v;

impl<const N: usize> Controller<N> {
    /// Visits every hold on a waiting tank.
    #[inline(never)]
    pub(super) fn scan_holds(&self, id: TankId, tank: &Tank, now: Instant, visit: &mut Visit<'_>) {
        self.tank_holds(tank, visit);
        self.shared_holds(id, tank, now, visit);
        self.site_holds(tank, now, visit);
        self.calendar_holds(tank, now, visit);
    }

    /// What holds each tank that waits.
    #[inline(never)]
    pub(super) fn survey(&self, now: Instant) -> Survey<N> {
        let look = |(id, tank): (TankId, &Tank)| {
            let mut held = Held::default();
            if is_waiting(tank) {
                self.scan_holds(id, tank, now, &mut |hold, clears_at| {
                    held.holds.insert(hold);
                    let clears_at = clears_at.filter(|at| *at > now);
                    held.clears_at = held.clears_at.into_iter().chain(clears_at).min();
                });
            }
            held
        };
        crate::collect(super::tank_ids(&self.tanks).map(look))
    }

    /// Holds of the tank itself.
    fn tank_holds(&self, tank: &Tank, visit: &mut Visit<'_>) {
        match tank.duty {
            Duty::Out { reason: OutReason::Operator } => visit(Hold::LockedOut, None),
            Duty::Out { reason: OutReason::DriveLost } => visit(Hold::DriveFailed, None),
            _ => {}
        }
        if tank.demand.operator_hold {
            visit(Hold::OperatorHold, None);
        }
        if tank.drive.is_powering_up() || tank.drive.is_unknown() || tank.drive.is_seeking() {
            visit(Hold::FindingPosition, None);
        }
    }

    /// Holds by what tanks share: each other, the drain, the brine.
    fn shared_holds(&self, id: TankId, tank: &Tank, now: Instant, visit: &mut Visit<'_>) {
        let regenerating = self.tanks.iter().filter(|t| t.regeneration().is_some()).count();
        if regenerating >= usize::from(self.settings.max_regenerating) {
            visit(Hold::OtherRegenerating, None);
        }
        let purging = self.tanks.iter().any(|t| matches!(t.duty, Duty::Purging { .. }));
        if purging || self.tanks.iter().any(|t| t.drive.may_discharge()) {
            visit(Hold::DrainBusy, None);
        }
        if self.settings.draws_brine() {
            if self.tanks.iter().any(|t| t.drive.may_use_brine_tank()) {
                visit(Hold::BrineBusy, None);
            }
            if !self.settings.refills_first()
                && let Some(ready) = self.brine.ready_at(now, self.settings.brine_ready_after)
            {
                visit(Hold::BrineNotReady, Some(ready));
            }
        }
        if self.changeover.is_some_and(|c| c.to == id || c.from == Some(id)) || self.is_between_duties(tank) {
            visit(Hold::ChangingOver, None);
        } else if !self.may_leave(id, tank) {
            visit(Hold::NoTankToRelieve, None);
        }
    }

    /// The valve is still on its way to where this duty rests.
    fn is_between_duties(&self, tank: &Tank) -> bool {
        match tank.duty {
            Duty::Ready { .. } | Duty::Spent => tank.drive.target().is_some() && !tank.drive.is_seeking(),
            _ => false,
        }
    }

    /// Whether the building is served while this tank regenerates (S2).
    fn may_leave(&self, id: TankId, tank: &Tank) -> bool {
        match self.settings.arrangement {
            Arrangement::Single => true,
            Arrangement::Alternating => {
                if matches!(tank.duty, Duty::Serving) {
                    return self.settings.allow_untreated
                        && super::tank_ids(&self.tanks)
                            .all(|(other, t)| other == id || matches!(t.duty, Duty::Out { .. }));
                }
                // Where none serves and none can, an off-line tank takes nothing away (S9).
                let none_can =
                    || !self.tanks.iter().any(|t| matches!(t.duty, Duty::Serving)) && self.relief(None).is_none();
                self.confirmed_serving() > 0 || none_can()
            }
        }
    }

    /// Tanks that serve with their valve confirmed in service.
    pub(super) fn confirmed_serving(&self) -> usize {
        self.tanks
            .iter()
            .filter(|t| matches!(t.duty, Duty::Serving) && t.drive.position() == Some(Position::Service))
            .count()
    }

    /// Holds by contacts, flow and the drain allowance.
    fn site_holds(&self, tank: &Tank, now: Instant, visit: &mut Visit<'_>) {
        if self.settings.remote == RemoteRole::HoldOff && self.contacts.remote.closed_since().is_some() {
            visit(Hold::HoldOff, None);
        }
        if self.contacts.low_pressure.closed_since().is_some() {
            visit(Hold::LowPressure, None);
        }
        if let Some(until) = self.flow_hold_until(tank, now) {
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
    pub(super) fn flow_hold_until(&self, tank: &Tank, now: Instant) -> Option<Instant> {
        let limit = self.settings.start_flow_limit;
        if limit == Flow(0) || self.flow(now) <= limit {
            return None;
        }
        let falls = self.flow_falls_at(limit, now);
        // The longest wait begins when nothing but the flow holds the start.
        let Some(since) = tank.demand.flow_wait_since else { return Some(falls) };
        let wait_over = later(since, self.settings.flow_wait_limit);
        (wait_over > now).then(|| falls.min(wait_over))
    }

    /// When a flow above `limit` will have fallen to it if no further pulse comes.
    fn flow_falls_at(&self, limit: Flow, now: Instant) -> Instant {
        let meters = u32::try_from(self.meters.len()).unwrap_or(u32::MAX);
        let each = Flow(limit.0.checked_div(meters).unwrap_or(limit.0));
        let settings = self.settings.meter_settings();
        let fallen = self.meters.iter().filter_map(|m| m.falls_to(each, settings)).max();
        let (mut early, mut late) = (now, fallen.unwrap_or(now));
        // One meter falls by a formula; the sum of several falls at some instant before.
        while meters > 1 && elapsed_ms(early, late) > 1 {
            let middle = later_ms(early, elapsed_ms(early, late) / 2);
            if self.flow(middle) <= limit { late = middle } else { early = middle }
        }
        late
    }

    /// Holds by the calendar (C5, C6, T1).
    fn calendar_holds(&self, tank: &Tank, now: Instant, visit: &mut Visit<'_>) {
        let Some(civil) = self.clock.civil(now) else {
            if self.settings.when_clock_unset == WhenClockUnset::HoldAll {
                visit(Hold::ClockUnset, None);
            }
            return;
        };
        if !self.overrides_windows(tank) {
            self.window_holds(civil, now, visit);
        }
        let minute = self.settings.hour_minute;
        if !tank.demand.is_at_once() && !calendar::within_hour(now, self.clock, minute, self.settings.hour_grace) {
            visit(Hold::UntilHour, calendar::next_hour(now, self.clock, minute));
        }
    }

    /// When the calendar next begins to hold a waiting tank that it does not hold now.
    pub(super) fn next_calendar_hold(&self, tank: &Tank, now: Instant) -> Option<Instant> {
        let civil = self.clock.civil(now)?;
        let (minute, grace) = (self.settings.hour_minute, self.settings.hour_grace);
        let hour = if tank.demand.is_at_once() { None } else { calendar::hour_ends(now, self.clock, minute, grace) };
        if self.overrides_windows(tank) {
            return hour;
        }
        let (week, second) = (self.settings.week(), civil.second_of_week());
        // While a window stands its end is what matters, and the hold itself names that.
        let gap_s = if week.left_s(second).is_some() { None } else { week.next_s(second) };
        let window = gap_s.map(|gap_s| {
            let into_second_ms = civil.0.checked_rem(1_000).unwrap_or(0);
            let gap_ms = u64::from(gap_s).saturating_mul(1_000).saturating_sub(into_second_ms);
            let length_ms = u64::from(self.settings.longest_regeneration().0);
            match gap_ms.checked_sub(length_ms) {
                Some(spare_ms) if self.settings.finish_before_window => later_ms(now, spare_ms.saturating_add(1)),
                _ => later_ms(now, gap_ms),
            }
        });
        hour.into_iter().chain(window).min()
    }

    fn overrides_windows(&self, tank: &Tank) -> bool {
        self.settings.exhausted_in_window == ExhaustedInWindow::Override
            && tank.demand.causes().contains(Cause::Exhausted)
    }

    fn window_holds(&self, civil: Civil, now: Instant, visit: &mut Visit<'_>) {
        let week = self.settings.week();
        if self.settings.windows.is_empty() {
            return;
        }
        let second = civil.second_of_week();
        let into_second_ms = civil.0.checked_rem(1_000).unwrap_or(0);
        let at = |second: u32| later_ms(now, u64::from(second).saturating_mul(1_000).saturating_sub(into_second_ms));
        let length = self.settings.longest_regeneration();
        let length_s = length.0.div_ceil(1_000);
        let finish = self.settings.finish_before_window;
        if let Some(left) = week.left_s(second) {
            visit(Hold::Blackout, Some(at(left)));
            return;
        }
        if !finish {
            return;
        }
        let Some(gap) = week.next_s(second) else { return };
        let gap_ms = u64::from(gap).saturating_mul(1_000).saturating_sub(into_second_ms);
        if gap_ms >= u64::from(length.0) {
            return;
        }
        // From the window on: within a second, this gap may just seem long enough.
        let from_window = second.saturating_add(gap);
        let wait = week.fits_in_s(from_window.checked_rem(WEEK_S).unwrap_or(0), length_s, finish);
        visit(Hold::WouldEnterBlackout, wait.map(|w| at(gap.saturating_add(w))));
    }

    /// A window stands in which tanks may not change over (C6).
    pub(super) fn changeover_held(&self, now: Instant) -> bool {
        !self.settings.changeover_in_window
            && self.clock.civil(now).is_some_and(|civil| self.settings.week().left_s(civil.second_of_week()).is_some())
    }

    /// When the next window ends, for a changeover that waits for it.
    pub(super) fn window_ends(&self, now: Instant) -> Option<Instant> {
        let civil = self.clock.civil(now)?;
        let left = self.settings.week().left_s(civil.second_of_week())?;
        let into_second_ms = civil.0.checked_rem(1_000).unwrap_or(0);
        Some(later_ms(now, u64::from(left).saturating_mul(1_000).saturating_sub(into_second_ms)))
    }
}
