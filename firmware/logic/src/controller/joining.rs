//! Parallel and staged sites: which tanks serve, join and leave (A3, A4, A5, A7, S2, S3).

use serde::{Deserialize, Serialize};

use super::deadlines::Earliest;
use super::{Controller, tank_ids};
use crate::duty::{Duty, OutReason, Tank};
use crate::journal::Reason;
use crate::program::Position;
use crate::sequence::{BrineInBed, Outcome};
use crate::settings::Arrangement;
use crate::units::{Flow, Instant, TankId, TankSet, elapsed, later_ms};

/// Whether the flow wants a further tank (A4). Small, since every tank has one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct Stage {
    /// It is wanted.
    on: bool,
    /// Since when the flow says otherwise, in the lower 32 bits of the clock: a dwell is short.
    turning_since_ms: Option<u32>,
}

impl Stage {
    /// The flow says otherwise than it is.
    fn turns(self, flow: Flow, above: Flow, hysteresis: Flow) -> bool {
        if self.on { flow <= leaves_at(above, hysteresis) } else { flow > above }
    }
}

/// The highest flow at which a tank leaves again: just below its threshold less the hysteresis.
fn leaves_at(above: Flow, hysteresis: Flow) -> Flow {
    Flow(above.0.saturating_sub(hysteresis.0).saturating_sub(1).max(1))
}

fn low_ms(now: Instant) -> u32 {
    u32::try_from(now.as_ticks() & u64::from(u32::MAX)).unwrap_or(0)
}

impl<const N: usize> Controller<N> {
    /// Moves tanks into service and out of it, one step at a time.
    #[inline(never)]
    pub(super) fn poll_joining(&mut self, now: Instant) -> bool {
        let staged = self.settings.arrangement == Arrangement::Staged;
        let joined = self.welcome_joined();
        let turned = staged && self.poll_stages(now);
        let left = self.let_out(now) || (staged && self.relieve(now));
        let called = self.call_in(now);
        joined || turned || left || called
    }

    /// Tanks confirmed serving.
    pub(super) fn confirmed_serving(&self) -> usize {
        tank_ids(&self.tanks).filter(|(id, t)| self.is_confirmed(t) && self.is_led(*id)).count()
    }

    /// It serves, with its valve confirmed in service.
    pub(super) fn is_confirmed(&self, tank: &Tank) -> bool {
        matches!(tank.duty, Duty::Serving) && tank.drive.position() == Some(Position::Service)
    }

    /// So many tanks must be confirmed serving while others are away (S2); those that are out make
    /// the arrangement smaller (A7).
    pub(super) fn floor(&self) -> usize {
        let most_away = usize::from(self.settings.max_regenerating);
        // One that an operator holds off-line is in nobody's way (C7).
        let away = |t: &&Tank| match t.duty {
            Duty::Out { .. } => true,
            Duty::Spent => t.demand.operator_hold,
            _ => false,
        };
        let tanks_in = self.tanks.len().saturating_sub(self.tanks.iter().filter(away).count());
        match self.settings.arrangement {
            Arrangement::Single => 0,
            Arrangement::Alternating | Arrangement::Staged => 1,
            Arrangement::Parallel => {
                let untreated = self.settings.allow_untreated && tanks_in < self.tanks.len();
                tanks_in.saturating_sub(most_away).max(usize::from(!untreated))
            }
        }
    }

    /// How many tanks the flow wants to serve (A4); all, where they do not join by the flow.
    fn wanted_serving(&self) -> usize {
        match self.settings.arrangement {
            Arrangement::Staged => self.stages.iter().filter(|s| s.on).count().saturating_add(1),
            _ => usize::from(self.settings.tanks),
        }
    }

    /// Tanks that serve and are to go on serving; where tanks may not change over now, all that serve.
    fn staying(&self, now: Instant) -> usize {
        let held = self.changeover_held_until(now).is_some();
        let stays = |t: &&Tank| self.is_confirmed(t) && !t.leaving && (held || t.demand.causes().is_empty());
        self.tanks.iter().filter(stays).count()
    }

    /// A tank whose valve has confirmed serves.
    fn welcome_joined(&mut self) -> bool {
        let mut changed = false;
        for id in self.ids() {
            let Some(tank) = self.tanks.get(id.index()).filter(|_| self.joining.contains(id)) else { continue };
            match tank.duty {
                Duty::Ready { .. } if tank.drive.position() == Some(Position::Service) => {
                    self.joining.remove(id);
                    self.set_duty(id, Duty::Serving, Reason::Joined);
                    changed = true;
                }
                Duty::Ready { .. } | Duty::Purging { .. } => {}
                _ => self.joining.remove(id),
            }
        }
        changed
    }

    /// A serving tank that an operator wants out leaves once the others suffice (A7, S3).
    fn let_out(&mut self, now: Instant) -> bool {
        let leaving = tank_ids(&self.tanks).find(|(_, t)| matches!(t.duty, Duty::Serving) && t.leaving);
        let Some((id, tank)) = leaving else { return false };
        let others = self.confirmed_serving().saturating_sub(usize::from(self.is_confirmed(tank)));
        // With it gone one tank fewer must serve.
        let smaller = self.floor().saturating_sub(usize::from(self.settings.arrangement == Arrangement::Parallel));
        if others < smaller.max(1) || self.is_replaced(now) {
            return false;
        }
        if let Some(tank) = self.tank_mut(id) {
            tank.leaving = false;
        }
        self.set_duty(id, Duty::Out { reason: OutReason::Operator }, Reason::Operator);
        true
    }

    /// A staged site brings in another tank for one that is to leave.
    pub(super) fn is_replaced(&self, now: Instant) -> bool {
        self.settings.arrangement == Arrangement::Staged
            && self.staying(now) < self.wanted_serving()
            && (!self.joining.is_empty() || self.next_to_join().is_some())
    }

    /// Staged: a tank that asks leaves once enough others serve; of more than the flow wants the
    /// freshest leaves, so that the lead, the one nearest exhaustion, serves on (A4).
    fn relieve(&mut self, now: Instant) -> bool {
        let (staying, wanted) = (self.staying(now), self.wanted_serving());
        let held = self.changeover_held_until(now).is_some();
        let asks = |t: &Tank| matches!(t.duty, Duty::Serving) && !t.leaving && !t.demand.causes().is_empty();
        let asking = tank_ids(&self.tanks).find(|(_, t)| asks(t)).map(|(id, _)| id);
        if let Some(id) = asking.filter(|_| staying >= wanted && !held) {
            self.set_duty(id, Duty::Spent, Reason::Relieved);
            return true;
        }
        let freshest = |among: &dyn Fn(TankId, &Tank) -> bool| {
            let fitting = tank_ids(&self.tanks).filter(|(id, t)| among(*id, t));
            fitting.max_by_key(|(_, t)| t.ledger.remaining()).map(|(id, _)| id)
        };
        if staying.saturating_add(self.joining_count()) > wanted
            && let Some(id) = freshest(&|id, _| self.joining.contains(id))
        {
            self.joining.remove(id);
            return true;
        }
        if staying > wanted
            && let Some(id) = freshest(&|_, t| self.is_confirmed(t) && !t.leaving && t.demand.causes().is_empty())
        {
            self.set_duty(id, Duty::Ready { since: now }, Reason::FlowFell);
            return true;
        }
        false
    }

    fn joining_count(&self) -> usize {
        usize::try_from(self.joining.len()).unwrap_or(usize::MAX)
    }

    /// Brings in tanks: where none serves any that may, otherwise as many as are wanted.
    fn call_in(&mut self, now: Instant) -> bool {
        let serves = self.tanks.iter().any(|t| matches!(t.duty, Duty::Serving));
        if !serves && self.joining.is_empty() {
            return self.call_in_anyone(now);
        }
        if self.staying(now).saturating_add(self.joining_count()) >= self.wanted_serving() {
            return false;
        }
        let Some((id, since)) = self.next_to_join() else { return false };
        let stale = elapsed(since, now) > self.settings.stale_after;
        if stale && self.confirmed_serving() > 0 && !self.is_drain_lost() {
            // One at a time (A5): the next to purge has its turn after this one.
            if self.tanks.iter().any(|t| matches!(t.duty, Duty::Purging { .. })) {
                return false;
            }
            self.set_duty(id, Duty::Purging { running_since: None }, Reason::Stale);
        }
        self.joining.insert(id);
        true
    }

    /// A tank that is ready serves rather than nobody, then a spent one (S2); else one that was to
    /// regenerate and has not left service stays.
    fn call_in_anyone(&mut self, now: Instant) -> bool {
        if let Some((id, since)) = self.relief(None) {
            if since.is_none() {
                self.set_duty(id, Duty::Ready { since: now }, Reason::NoneServing);
            }
            self.joining.insert(id);
            return true;
        }
        let untouched = tank_ids(&self.tanks).find_map(|(id, t)| {
            let regeneration = t.regeneration().filter(|r| r.brine() == BrineInBed::None)?;
            (t.drive.position() == Some(Position::Service)).then_some((id, *regeneration))
        });
        let Some((id, regeneration)) = untouched else { return false };
        // The last tank may leave where the site says so.
        if self.settings.allow_untreated || regeneration.step(&self.settings).is_none() {
            return false;
        }
        self.end_regeneration(id, &regeneration, Outcome::Aborted);
        self.set_duty(id, Duty::Serving, Reason::NoneServing);
        true
    }

    /// The tank that joins next, and since when it has stood ready: of those that do not ask the one
    /// nearest exhaustion, so that beds are used up one after the other.
    fn next_to_join(&self) -> Option<(TankId, Instant)> {
        let fits = |id: TankId, t: &Tank| {
            let since = match t.duty {
                Duty::Ready { since } => since,
                _ => return None,
            };
            let asks = !t.demand.causes().is_empty() || t.ledger.asks();
            let fit = !self.joining.contains(id) && t.drive.position().is_some();
            (fit && (!asks || self.settings.arrangement == Arrangement::Parallel)).then_some((id, since))
        };
        let ready = tank_ids(&self.tanks).filter_map(|(id, t)| Some((fits(id, t)?, t.ledger.remaining())));
        ready.min_by_key(|(_, remaining)| *remaining).map(|(fit, _)| fit)
    }

    // ---- the flow ------------------------------------------------------------------------------

    /// Follows the flow across each threshold (A4).
    fn poll_stages(&mut self, now: Instant) -> bool {
        let flow = self.flow(now);
        let sharing = &self.settings.sharing;
        let mut changed = false;
        for (stage, above) in self.stages.iter_mut().zip(&sharing.join_above) {
            let turns = stage.turns(flow, *above, sharing.join_hysteresis);
            match stage.turning_since_ms {
                Some(_) if !turns => stage.turning_since_ms = None,
                None if turns => stage.turning_since_ms = Some(low_ms(now)),
                Some(since) if low_ms(now).wrapping_sub(since) >= sharing.join_dwell.0 => {
                    *stage = Stage { on: !stage.on, turning_since_ms: None };
                    changed = true;
                }
                _ => {}
            }
        }
        changed
    }

    /// Power is back: as many further tanks are wanted as serve, until the flow is known again.
    pub(super) fn restage(&mut self) {
        let serving = self.tanks.iter().filter(|t| matches!(t.duty, Duty::Serving)).count();
        for stage in self.stages.iter_mut().take(serving.saturating_sub(1)) {
            stage.on = true;
        }
    }

    /// A pulse took the flow across a threshold.
    pub(super) fn stages_stir(&self, now: Instant) -> bool {
        if self.stages.is_empty() {
            return false;
        }
        let flow = self.flow(now);
        let sharing = &self.settings.sharing;
        let mut stages = self.stages.iter().zip(&sharing.join_above);
        stages.any(|(s, above)| s.turns(flow, *above, sharing.join_hysteresis) != s.turning_since_ms.is_some())
    }

    /// When a dwell is over, or silence alone takes the flow across a threshold.
    pub(super) fn stage_deadlines(&self, now: Instant, next: &mut Earliest) {
        let sharing = &self.settings.sharing;
        for (stage, above) in self.stages.iter().zip(&sharing.join_above) {
            if let Some(since) = stage.turning_since_ms {
                let left = sharing.join_dwell.0.saturating_sub(low_ms(now).wrapping_sub(since));
                next.consider(Some(later_ms(now, u64::from(left))));
            }
            match (stage.on, stage.turning_since_ms) {
                (false, Some(_)) => next.consider(self.flow_falls_at(now, *above)),
                (true, None) => next.consider(self.flow_falls_at(now, leaves_at(*above, sharing.join_hysteresis))),
                _ => {}
            }
        }
    }

    /// The most that may flow for one serving tank to leave (A3); `None` = any flow, or none would stay.
    pub(super) fn carried_without(&self, tank: &Tank) -> Option<Flow> {
        let each = self.settings.sharing.tank_flow;
        if each == Flow(0) || !matches!(tank.duty, Duty::Serving) {
            return None;
        }
        let others = self.confirmed_serving().saturating_sub(usize::from(self.is_confirmed(tank)));
        let others = u32::try_from(others).ok().filter(|n| *n > 0)?;
        Some(Flow(each.0.saturating_mul(others)))
    }
}

/// Which tanks serve when power comes for the first time: all of a parallel site, else tank 1.
pub(super) fn first_serving(arrangement: Arrangement, tanks: u8) -> TankSet {
    let mut set = TankSet::EMPTY;
    let count = if arrangement == Arrangement::Parallel { tanks } else { 1 };
    (0..count).for_each(|i| set.insert(TankId(i)));
    set
}
