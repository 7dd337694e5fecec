//! Settings that have been checked whole replace those that run (S11, O2).

use super::reserving::Reserving;
use super::{Controller, capacity};
use crate::journal::{BoardWish, Event, Who};
use crate::settings::{Effect as TakesEffect, Settings, difference};
use crate::units::Instant;

/// Why new settings were not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SettingsRefused {
    /// A regeneration runs; offer them again when it is over.
    Regenerating,
    /// Tanks, arrangement or drives differ: only a restart can take them.
    NeedsRestart,
}

impl<const N: usize> Controller<N> {
    /// Replaces the settings with others that have been checked whole (S11).
    ///
    /// # Errors
    /// A regeneration runs, or they need a restart; the present settings run on.
    pub fn change_settings(&mut self, now: Instant, settings: Settings) -> Result<(), SettingsRefused> {
        self.book_pulses();
        let now = self.advance(now);
        if now >= self.deadline {
            self.decide(now);
        }
        let effect = difference(self.settings.raw(), settings.raw()).effect();
        if effect == Some(TakesEffect::Restart) {
            return Err(SettingsRefused::NeedsRestart);
        }
        let regenerates = self.tanks.iter().any(|t| t.regeneration().is_some());
        if regenerates && effect == Some(TakesEffect::BetweenRegenerations) {
            return Err(SettingsRefused::Regenerating);
        }
        let reserve = Reserving::new(&settings).told(settings.reserve);
        for tank in &mut self.tanks {
            let (old, new) = (capacity::medium_of(tank, &self.settings), capacity::medium_of(tank, &settings));
            tank.ledger.resettle(&old, &new, &reserve);
        }
        for meter in &mut self.meters {
            meter.rescale(self.settings.meter_settings(), settings.meter_settings());
        }
        self.settle_volume();
        for (relay, (old, new)) in self.relays.iter_mut().zip(self.settings.relays.iter().zip(&settings.relays)) {
            if old.program != new.program {
                relay.forget_requests();
            }
        }
        let hour_moved = self.settings.hour_minute != settings.hour_minute;
        let account_begins = settings.keeps_account() && !self.settings.keeps_account();
        self.settings = settings;
        if account_begins {
            self.forget_brine();
        }
        self.day_after_settings(now, hour_moved);
        self.settings_rejected = false;
        self.write(Event::SettingsTaken);
        for id in self.ids() {
            self.age_resin(now, id);
        }
        self.decide(now);
        Ok(())
    }

    /// Tells who had new settings taken (Q5).
    pub(crate) fn settings_changed_by(&mut self, who: Who) {
        self.write(Event::SettingsChanged { who });
    }

    /// Tells who had the settings that run stored as the site's own baseline (O3).
    pub fn baseline_stored(&mut self, now: Instant, who: Who) {
        self.note_kept(now, Event::BaselineStored { who });
    }

    /// Tells who had settings of another plant kept for the next power-up; the present ones run on until then.
    pub fn settings_await_restart(&mut self, now: Instant, who: Who) {
        self.note_kept(now, Event::SettingsAwaitRestart { who });
    }

    /// Tells who wanted something of the board itself, and whether it was granted (Q5).
    pub fn asked_of_board(&mut self, now: Instant, who: Who, wish: BoardWish, granted: bool) {
        self.note_kept(now, Event::AskedOfBoard { who, wish, granted });
    }

    fn note_kept(&mut self, now: Instant, event: Event) {
        self.book_pulses();
        let now = self.advance(now);
        self.write(event);
        self.decide(now);
    }

    /// Tells that settings were offered that do not pass: the present ones run on, with an alarm (S11).
    pub fn reject_settings(&mut self, now: Instant) {
        self.book_pulses();
        let now = self.advance(now);
        self.settings_rejected = true;
        self.write(Event::SettingsRefused);
        self.decide(now);
    }
}
