//! What is counted over a plant's life, and what is told of each regeneration (P7).

use super::Controller;
use crate::chronicle::{Entry, Happening, RegenerationRecord, minutes};
use crate::drive::Motion;
use crate::journal::{Event, Record};
use crate::lifetime::{Lives, OnNow};
use crate::units::Instant;

impl<const N: usize> Controller<N> {
    /// What valves and relays have done in their lives, up to the last call.
    #[must_use]
    pub fn lives(&self) -> Lives<N> {
        let mut lives = self.lives.clone();
        self.follow_lives(&mut self.on_now.clone(), &mut lives, self.now);
        lives
    }

    /// What a store is to keep for long of a record that was just taken: of the end of a regeneration or of a day, of an alarm
    /// or of an operator.
    #[must_use]
    pub fn entry(&self, record: &Record) -> Option<Entry> {
        let Event::Ended { tank, outcome, volume, overrun, salt } = record.event else {
            return match record.event {
                Event::DayEnded(day) => Some(Entry::Day(day)),
                _ => Happening::of(record).map(Entry::Happening),
            };
        };
        let run = self.tanks.get(tank.index())?.chronicle;
        let (leading, causes) = run.cause()?;
        let took = minutes(record.at.as_ticks()).saturating_sub(run.began_minute());
        Some(Entry::Regeneration(RegenerationRecord {
            tank,
            began_minute: record.civil.map(|civil| minutes(civil.0).saturating_sub(took)),
            took_minutes: u16::try_from(took).unwrap_or(u16::MAX),
            leading,
            causes,
            outcome,
            volume,
            overrun,
            salt,
            drained_ml: run.drained_ml(),
            steps: run.steps(),
        }))
    }

    /// Counts what is driven and energised.
    pub(super) fn count_lives(&mut self, now: Instant) {
        let (mut on_now, mut lives) = (self.on_now.clone(), self.lives.clone());
        self.follow_lives(&mut on_now, &mut lives, now);
        (self.on_now, self.lives) = (on_now, lives);
    }

    fn follow_lives(&self, on_now: &mut OnNow<N>, lives: &mut Lives<N>, now: Instant) {
        let energised = self.relay_levels();
        let shared = self.shared_motion() != Motion::Off;
        let drive = &self.settings.drive;
        let driven = self.tanks.iter().map(|t| t.drive.motion() != Motion::Off || t.drive.pilots(drive).0 != 0);
        on_now.follow(now, lives, driven, shared, energised);
    }
}
