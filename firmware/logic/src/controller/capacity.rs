//! What a bed can take up: derated by age and by hardness tests, and told when it changes (L2, O6).

use super::Controller;
use crate::calendar::DAY_MS;
use crate::derating::Derating;
use crate::duty::{Duty, Tank};
use crate::journal::Event;
use crate::operator::Refused;
use crate::settings::{Medium, Settings, derated};
use crate::units::{Hardness, Instant, TankId};

/// Day of the monotonic clock: 179 years have room.
pub(super) fn powered_day(now: Instant) -> u16 {
    u16::try_from(now.as_ticks() / DAY_MS).unwrap_or(u16::MAX)
}

/// The medium of a tank as it is now.
pub(super) fn medium_of(tank: &Tank, settings: &Settings) -> Medium {
    derated(settings.loaded_medium(), tank.derating.kept_per_mille(settings.least_kept_per_mille()))
}

impl<const N: usize> Controller<N> {
    /// What is left of a tank's set capacity, per mille (L2).
    #[must_use]
    pub fn capacity_per_mille(&self, tank: &Tank) -> u16 {
        tank.derating.kept_per_mille(self.settings.least_kept_per_mille())
    }

    /// Changes what is taken off a bed, if it holds resin, and tells of it; its thresholds follow.
    fn derate(&mut self, id: TankId, change: impl FnOnce(&mut Derating, &Settings)) {
        let (settings, reserve) = (&self.settings, self.reserve_told());
        if matches!(settings.medium, Medium::Filter { .. }) {
            return;
        }
        let Some(tank) = self.tanks.get_mut(id.index()) else { return };
        let least = settings.least_kept_per_mille();
        let before = tank.derating.kept_per_mille(least);
        change(&mut tank.derating, settings);
        let kept_per_mille = tank.derating.kept_per_mille(least);
        if before == kept_per_mille {
            return;
        }
        let medium = medium_of(tank, settings);
        tank.ledger.set_thresholds(&medium, &reserve);
        let (by_age, by_tests) = (tank.derating.by_age_per_mille(), tank.derating.by_tests_per_mille());
        self.reserve_is_stale();
        self.write(Event::CapacityChanged {
            tank: id,
            kept_per_mille,
            by_age_per_mille: by_age,
            by_tests_per_mille: by_tests,
        });
    }

    /// The resin of a tank has grown older.
    #[inline(never)]
    pub(super) fn age_resin(&mut self, now: Instant, id: TankId) {
        let civil_day = self.clock.civil(now).map(|civil| civil.day());
        let day = powered_day(now);
        self.derate(id, |derating, settings| derating.reckon_age(&settings.derating, civil_day, day));
    }

    /// An operator measured the water behind a tank that serves.
    pub(super) fn test_hardness(
        &mut self,
        id: TankId,
        treated: Hardness,
        feed: Option<Hardness>,
    ) -> Result<(), Refused> {
        let tank = self.tanks.get(id.index()).ok_or(Refused::NoSuchTank)?;
        let Medium::Softener { hardness: set, .. } = self.settings.medium else { return Err(Refused::NoResin) };
        if !matches!(tank.duty, Duty::Serving) {
            return Err(Refused::NotServing);
        }
        // A feed that was not measured is the one that the settings tell.
        if treated > feed.unwrap_or(set) {
            return Err(Refused::HarderThanFeed);
        }
        let left = tank.ledger.remaining();
        self.write(Event::HardnessTested { tank: id, treated, feed, left });
        self.derate(id, |derating, settings| derating.judge(&settings.derating, treated, left));
        Ok(())
    }

    /// New resin was put into a tank; what it has taken up is another matter, which a regeneration settles.
    pub(super) fn replace_resin(&mut self, now: Instant, id: TankId) -> Result<(), Refused> {
        let tank = self.tanks.get(id.index()).ok_or(Refused::NoSuchTank)?;
        if matches!(self.settings.medium, Medium::Filter { .. }) {
            return Err(Refused::NoResin);
        }
        if !matches!(tank.duty, Duty::Out { .. }) {
            return Err(Refused::NotOut);
        }
        let day = powered_day(now);
        self.derate(id, |derating, _| *derating = Derating::replaced(day));
        Ok(())
    }
}
