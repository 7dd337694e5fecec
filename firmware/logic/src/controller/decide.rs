//! What is due is done: each transition is one named function that records its cause.

use super::holds::Survey;
use super::outside::Outside;
use super::{Controller, tank_ids};
use crate::duty::{Duty, DutyKind, Tank};
use crate::journal::{Event, Reason};
use crate::program::Position;
use crate::sequence::Phase;
use crate::units::{Instant, TankId, TankSet, later_ms};

/// Passes until nothing changes any more; far more than any instant needs.
const MAX_PASSES: u8 = 24;

impl<const N: usize> Controller<N> {
    /// Does everything that is due at `now`, then names the next deadline.
    #[inline(never)]
    pub(super) fn decide(&mut self, now: Instant) {
        self.written = 0;
        self.poll_contacts(now);
        for meter in &mut self.meters {
            meter.poll(now, self.settings.meter_settings());
        }
        if self.clock.expire(now) {
            self.write(Event::ClockLost);
        }
        self.poll_absence(now);
        self.poll_test(now);
        self.poll_hour(now);
        let mut survey = Survey::default();
        let mut outside = None;
        let mut settled = false;
        for _ in 0..MAX_PASSES {
            let changed = self.pass(now, &mut survey, &mut outside);
            if !changed || !self.has_room() {
                settled = !changed;
                break;
            }
        }
        // The last pass changed nothing, so what it saw still stands.
        settled = settled && self.note_holds(now, &survey);
        self.end_of_dark();
        self.mark_progress(now);
        self.in_service = self.serving_set();
        self.follow_up(now);
        self.foresee_pulses();
        // What is left to do is done a millisecond later.
        self.deadline = if settled { self.find_deadline(now, &survey, outside.as_ref()) } else { later_ms(now, 1) };
    }

    /// Looks at everything once; says whether anything changed or was left for want of room.
    fn pass(&mut self, now: Instant, survey: &mut Survey<N>, outside: &mut Option<Outside>) -> bool {
        self.follow_use(now);
        let mut changed = false;
        for id in self.ids() {
            if !self.has_room() {
                return true;
            }
            changed |= self.poll_drive(now, id);
            changed |= self.poll_duty(now, id);
            changed |= self.ask_from_ledger(now, id);
        }
        changed |= self.flush_stagnant();
        changed |= self.poll_shared(now);
        changed |= self.poll_changeover(now);
        // Before the survey, so that a start follows at the instant at which the last is found (S8).
        self.end_of_finding();
        *survey = self.survey(now, outside);
        changed |= self.give_way(now, survey);
        changed |= self.start_waiting(now, survey) || self.start_make_up(now, survey);
        changed |= self.arbitrate();
        changed |= self.send_shared(now);
        changed | self.send_drives(now)
    }

    pub(super) fn ids(&self) -> impl Iterator<Item = TankId> + use<N> {
        (0u8..).map(TankId).take(self.tanks.len())
    }

    pub(super) fn tank_mut(&mut self, id: TankId) -> Option<&mut Tank> {
        self.tanks.get_mut(id.index())
    }

    /// Tanks whose beds the water passes: serving, or waiting for brine in the service position (Q1).
    pub(super) fn serving_set(&self) -> TankSet {
        let mut set = TankSet::EMPTY;
        for (id, tank) in tank_ids(&self.tanks) {
            let serves = match &tank.duty {
                Duty::Serving => true,
                Duty::Regenerating(r) => {
                    matches!(r.phase(), Phase::Running { .. }) && r.wanted(&self.settings) == Some(Position::Service)
                }
                _ => false,
            };
            if serves {
                set.insert(id);
            }
        }
        set
    }

    #[inline(never)]
    pub(super) fn set_duty(&mut self, id: TankId, duty: Duty, reason: Reason) {
        let kind = duty.kind();
        let mut was = kind;
        if let Some(tank) = self.tank_mut(id) {
            was = tank.duty.kind();
            tank.duty = duty;
        }
        if (kind == DutyKind::Out) != (was == DutyKind::Out) {
            self.reserve_is_stale();
        }
        self.write(Event::Duty { tank: id, duty: kind, reason });
    }

    fn poll_duty(&mut self, now: Instant, id: TankId) -> bool {
        match self.tanks.get(id.index()).map(|t| t.duty.kind()) {
            Some(DutyKind::Regenerating | DutyKind::Refilling) => self.poll_regeneration(now, id),
            Some(DutyKind::Purging) => self.poll_purge(now, id),
            _ => false,
        }
    }
}
