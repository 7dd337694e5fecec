//! Power cuts in a replay: the logic forgets everything but the bytes it had stored.
//!
//! While dark the motors stand, valves stay where they are, and water passes unmetered. When power returns a new
//! controller is made from the stored bytes, as on a board.

use bedkeeper::calendar::Civil;
use bedkeeper::retain::MAX_BYTES;
use bedkeeper::units::Instant;
use bedkeeper::watch::StoreWear;
use bedkeeper::{Input, Save, TooManyTanks};

use super::{Replay, ReplayError, World};
use crate::recording::Pulses;

/// One power cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PowerCut {
    /// When power fails, ms of the replay.
    pub at_ms: u64,
    /// How long it is off, ms.
    pub off_ms: u64,
    /// The civil clock runs on; else it is unknown afterwards, and so is how long power was off (T3).
    pub clock_kept: bool,
    /// The stored state is readable afterwards.
    pub retained_kept: bool,
}

/// Power as the world has it.
#[derive(Clone, Debug, Default)]
pub struct Supply {
    /// Cuts to come, the next one first.
    to_come: Vec<PowerCut>,
    /// The cut under way.
    dark: Option<PowerCut>,
    /// The stored state; kept once a cut is to come.
    stored: Option<Vec<u8>>,
    /// How often the state was written.
    writes: u64,
    /// Since when power has been on, ms.
    on_since_ms: u64,
    /// The civil clock is unknown since a cut.
    clock_lost: bool,
    /// How worn the store is said to be, if anything is said of it.
    wear: Option<StoreWear>,
}

impl Supply {
    /// Power is off.
    #[must_use]
    pub fn is_dark(&self) -> bool {
        self.dark.is_some()
    }

    /// The cut under way.
    #[must_use]
    pub fn cut(&self) -> Option<&PowerCut> {
        self.dark.as_ref()
    }

    /// A state is stored.
    #[must_use]
    pub fn has_stored(&self) -> bool {
        self.stored.is_some()
    }

    /// The stored state.
    pub(crate) fn stored(&self) -> Option<&[u8]> {
        self.stored.as_deref()
    }

    /// The civil clock is unknown since a cut.
    pub(crate) fn is_clock_lost(&self) -> bool {
        self.clock_lost
    }

    /// The store has told that it is worn, and will after each cut.
    pub(crate) fn is_worn(&self) -> bool {
        self.wear.is_some()
    }

    /// How often the state was written since the first cut was announced.
    #[must_use]
    pub fn writes(&self) -> u64 {
        self.writes
    }

    /// Since when power has been on, ms.
    #[must_use]
    pub fn on_since_ms(&self) -> u64 {
        self.on_since_ms
    }

    /// A cut is to come; from now on the state is stored.
    pub(crate) fn announce(&mut self, cut: PowerCut) {
        let place = self.to_come.partition_point(|other| other.at_ms <= cut.at_ms);
        self.to_come.insert(place, cut);
    }

    /// When power next fails or returns, ms.
    pub(super) fn next_change_ms(&self) -> Option<u64> {
        match &self.dark {
            Some(cut) => Some(cut.at_ms.saturating_add(cut.off_ms)),
            None => self.to_come.first().map(|cut| cut.at_ms),
        }
    }
}

impl World {
    /// What the clock of the controller shows, if it has one and knows.
    pub(super) fn shown_clock(&self) -> Option<Civil> {
        if self.supply.clock_lost { None } else { self.civil_at(self.now_ms) }
    }

    /// Writes the state where the controller asks for it, before any motor starts.
    pub(super) fn save_if_asked(&mut self) {
        let kept = self.supply.dark.is_none() && !(self.supply.to_come.is_empty() && self.supply.stored.is_none());
        if !kept || self.controller.save_wish() == Save::NotNeeded {
            return;
        }
        if let Ok(bytes) = self.controller.retained().encode::<MAX_BYTES>() {
            self.supply.stored = Some(bytes.to_vec());
            self.supply.writes += 1;
            self.controller.saved();
        }
    }

    /// Motors stop, and what was not stored is forgotten.
    fn fail(&mut self, cut: PowerCut) {
        self.plant.advance(self.now_ms);
        self.plant.lose_power();
        // No coil holds without power, whatever the logic last said.
        self.relays_on = Default::default();
        self.supply.dark = Some(cut);
        self.supply.clock_lost |= !cut.clock_kept;
        if !cut.retained_kept {
            self.supply.stored = None;
        }
    }

    /// A controller made of what was stored.
    fn restart(&mut self) -> Result<(), ReplayError> {
        self.supply.dark = None;
        self.supply.on_since_ms = self.now_ms;
        // Whoever begins anew takes every contact to be open until told.
        self.contacts = super::contacts::PlantContacts::default();
        let now = Instant::from_ticks(self.now_ms);
        let stored = self.supply.stored.take();
        let clock = self.shown_clock();
        let restored = stored.as_deref().is_some_and(|bytes| self.controller.restore(now, bytes, clock));
        self.supply.stored = stored;
        if !restored {
            self.controller.begin_after_loss(now).map_err(|TooManyTanks| {
                ReplayError::Mismatch("the site has more tanks than this program runs (8)".to_owned())
            })?;
        }
        Ok(())
    }
}

impl Replay<'_> {
    /// Announces a power cut. One that has passed, or that overlaps one announced before, comes as soon as it can.
    pub fn schedule_power_cut(&mut self, cut: PowerCut) {
        self.world.supply.announce(cut);
        self.world.save_if_asked();
    }

    /// Power fails or returns now, if it is time.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub(super) fn switch_power(&mut self) -> Result<(), ReplayError> {
        let world = &mut self.world;
        if let Some(cut) = world.supply.dark {
            if world.now_ms < cut.at_ms.saturating_add(cut.off_ms) {
                return Ok(());
            }
            world.restart()?;
            for observer in &mut self.observers {
                observer.power(true, &self.world)?;
            }
            return self.power_up();
        }
        if world.supply.to_come.first().is_none_or(|cut| cut.at_ms > world.now_ms) {
            return Ok(());
        }
        let cut = world.supply.to_come.remove(0);
        // Cuts that overlap follow each other.
        world.fail(PowerCut { at_ms: world.now_ms, ..cut });
        for observer in &mut self.observers {
            observer.power(false, &self.world)?;
            observer.after(&self.world)?;
        }
        Ok(())
    }

    /// The store is worn so far from now on, and says so at every power-up.
    ///
    /// # Errors
    /// An evidence file could not be written.
    pub fn wear_store(&mut self, wear: StoreWear) -> Result<(), ReplayError> {
        self.world.supply.wear = Some(wear);
        self.tell_wear()
    }

    /// Tells how worn the store is, if anything is known of it.
    pub(super) fn tell_wear(&mut self) -> Result<(), ReplayError> {
        let Some(wear) = self.world.supply.wear else { return Ok(()) };
        self.offer(Input::Store(wear), false).map(|_| ())
    }

    /// Water that passes while nobody meters it.
    pub(super) fn pass_unmetered(&mut self, pulses: &Pulses) -> Result<(), ReplayError> {
        for observer in &mut self.observers {
            observer.unmetered(pulses, &self.world)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use bedkeeper::drive::Motion;
    use bedkeeper::settings::RawSettings;
    use bedkeeper::{Action, Settings};

    use super::*;
    use crate::replay::ValveTimes;

    /// S7, O2: settings offered while power is off are not taken, and run nothing that fell due meanwhile.
    #[test]
    fn s7_nothing_is_taken_in_the_dark() {
        let minute = 60_000;
        let settings = || Settings::try_from(RawSettings::baseline()).expect("sound settings");
        let times = ValveTimes { leg_ms: 10_000, coast_ms: 200 };
        let mut replay = Replay::new(World::new(settings(), times, None).expect("a small site"), Vec::new());
        replay.power_up().expect("nothing is written");
        replay.run_to(minute).expect("nothing is written");
        let start = Action::StartNow(bedkeeper::units::TankId(0));
        let start = Input::Operator { who: bedkeeper::journal::Who::Panel, action: start };
        replay.offer(start, true).expect("nothing is written").expect("granted");
        let cut = PowerCut { at_ms: 2 * minute, off_ms: 60 * minute, clock_kept: true, retained_kept: true };
        replay.schedule_power_cut(cut);
        // By now its backwash would have ended.
        replay.run_to(40 * minute).expect("nothing is written");
        let mut raw = RawSettings::baseline();
        raw.hour_minute = 300;
        let offered = Settings::try_from(raw).expect("sound settings");
        let _ = replay.offer_settings(Some(offered)).expect("nothing is written");
        let world = replay.into_world();
        assert_eq!(world.valves()[0].motion(), Motion::Off);
        assert_eq!(world.controller.settings().raw(), settings().raw());
    }
}
