//! What drivers and people may look at; nothing here changes anything.

use heapless::Vec;

use super::{Controller, NEVER, Outputs, Why, is_waiting};
use crate::brine::Brine;
use crate::calendar::Clock;
use crate::demand::{CauseSet, Standing};
use crate::duty::Tank;
use crate::journal::{Record, Who};
use crate::settings::Settings;
use crate::units::{Flow, Instant, TankId};
use crate::watch::Service;

impl<const N: usize> Controller<N> {
    /// When the controller next wants to be called if nothing happens before; `None` = not at all.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Instant> {
        (self.deadline < NEVER).then_some(self.deadline)
    }

    /// What the driver must make so.
    #[must_use]
    pub fn outputs(&self) -> Outputs<N> {
        Outputs {
            motions: crate::collect(self.tanks.iter().map(|t| t.drive.motion())),
            shared: self.shared_motion(),
            pilots: crate::collect(self.tanks.iter().map(|t| self.pilots_of(t))),
            alarms: self.watches.standing(),
            unacknowledged: self.watches.unacknowledged(),
            save: self.power.wish(),
            relays: self.relay_levels(),
        }
    }

    /// Takes the oldest record of what happened.
    pub fn take_record(&mut self) -> Option<Record> {
        self.journal.take()
    }

    /// How many records were pushed out before they were taken.
    #[must_use]
    pub fn records_lost(&self) -> u16 {
        self.journal.lost()
    }

    /// The tanks, in order.
    #[must_use]
    pub fn tanks(&self) -> &[Tank] {
        &self.tanks
    }

    /// The settings that run.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What has happened since the last maintenance (W1).
    #[must_use]
    pub fn service(&self) -> &Service {
        &self.service
    }

    /// The account of the brine tank.
    #[must_use]
    pub fn brine(&self) -> &Brine {
        &self.brine
    }

    /// The civil clock.
    #[must_use]
    pub fn clock(&self) -> Clock {
        self.clock
    }

    /// Flow at a time: the sum of the meters (M3).
    #[must_use]
    pub fn flow(&self, now: Instant) -> Flow {
        let sum =
            self.meters.iter().fold(0u32, |sum, m| sum.saturating_add(m.flow(now, self.settings.meter_settings()).0));
        Flow(sum)
    }

    /// Closures tallied as bounce in the hour under way, over all meters (M4).
    #[must_use]
    pub fn bounces(&self) -> u32 {
        self.meters.iter().fold(0u32, |sum, m| sum.saturating_add(m.bounced()))
    }

    /// Everything that is asked of a tank and everything that stands in its way (S8).
    #[must_use]
    pub fn why(&self, tank: TankId) -> Option<Why> {
        let unit = self.tanks.get(tank.index())?;
        let mut standing: Vec<Standing, 18> = Vec::new();
        let causes = unit.demand.causes();
        for hold in self.share_holds(tank, unit).iter() {
            let _ = standing.push(Standing { hold, clears_at: None });
        }
        if is_waiting(unit) {
            let outside = self.look_outside(self.now);
            self.scan_holds(tank, unit, self.now, &outside, &mut |hold, clears_at| {
                let _ = standing.push(Standing { hold, clears_at });
            });
        }
        Some(Why {
            causes,
            asked_at: unit.demand.asked_at(),
            holds: standing,
            derating: unit.derating,
            leaving: unit.leaving,
        })
    }

    /// Whether someone may change anything now (O1); looking is never barred.
    #[must_use]
    pub fn is_unlocked(&self, now: Instant, who: Who) -> bool {
        self.locks.is_open(now, who, &self.settings.locks)
    }

    /// Every cause that stands on any tank.
    #[must_use]
    pub fn asked(&self) -> CauseSet {
        let mut all = CauseSet::EMPTY;
        for cause in self.tanks.iter().flat_map(|t| t.demand.causes().iter()) {
            all.insert(cause);
        }
        all
    }
}
