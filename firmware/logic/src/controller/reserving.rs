//! Use is followed day by day, and what is kept back of each tank follows the forecast (R1, R2, P6).

use serde::{Deserialize, Serialize};

use super::capacity::medium_of;
use super::deadlines::Earliest;
use super::{Controller, NEVER};
use crate::calendar::{Civil, ClockChange, DAY_MS};
use crate::duty::Duty;
use crate::journal::Event;
use crate::reserve::{Basis, DAYS_OF_CAPACITY, DayUse, Forecast, InForce, Lesson, busy_ms, part_of_day};
use crate::settings::{Arrangement, RawLearned, Reserve, Settings, StartRule};
use crate::units::{Instant, Millis, Volume, per_mille_of, share};

/// A clock that is moved by no more than this leaves a day that can be learned, ms: summer time does so (T4).
const SMALL_MOVE_MS: u64 = 3_600_000;
/// No permitted hour is looked for beyond so many days: windows repeat weekly.
const DAYS_AHEAD: u32 = 8;

/// What is kept back while nothing changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(super) struct Reserving {
    /// Of each tank, where the reserve follows use.
    kept: Volume,
    /// When to look again.
    due: Instant,
}

impl Reserving {
    /// Nothing has been learned.
    pub(super) fn new(settings: &Settings) -> Self {
        let kept = match settings.reserve {
            Reserve::Learned(learned) => {
                let capacity = settings.tank_volume();
                bounded(capacity, &learned, until_known(settings.start, capacity, &learned))
            }
            _ => Volume::ZERO,
        };
        Self { kept, due: Instant::from_ticks(0) }
    }

    /// What ledgers are told.
    pub(super) fn told(self, given: Reserve) -> Reserve {
        if matches!(given, Reserve::Learned(_)) { Reserve::Fixed(self.kept) } else { given }
    }
}

/// So many thousandths of a volume.
fn per_mille(whole: Volume, part: u16) -> Volume {
    Volume(per_mille_of(whole.0, part))
}

/// Kept back for delayed starts while too few days are known.
fn until_known(start: StartRule, capacity: Volume, learned: &RawLearned) -> Volume {
    if start == StartRule::AtHour { per_mille(capacity, learned.until_known_per_mille) } else { Volume::ZERO }
}

/// Within floor and ceiling.
fn bounded(capacity: Volume, learned: &RawLearned, wanted: Volume) -> Volume {
    wanted.max(per_mille(capacity, learned.floor_per_mille)).min(per_mille(capacity, learned.ceiling_per_mille))
}

/// The date to which a moment belongs, as a forecast counts it.
fn day_of(civil: Civil, minute: u16) -> u16 {
    u16::try_from(civil.dated(minute)).unwrap_or(u16::MAX)
}

impl<const N: usize> Controller<N> {
    /// What is known of use by the weekday, and the day under way (R1).
    #[must_use]
    pub fn forecast(&self) -> &Forecast {
        &self.forecast
    }

    /// Water delivered in the day under way, which began at the last regeneration hour.
    #[must_use]
    pub fn used_today(&self) -> Volume {
        self.forecast_to_retain().used()
    }

    /// What is kept back of each tank, what it rests on, and the stretch that it is for (R1, R2).
    #[must_use]
    pub fn reserve_in_force(&self) -> InForce {
        self.reckon_reserve(self.now)
    }

    /// The reserve as ledgers are told it.
    pub(super) fn reserve_told(&self) -> Reserve {
        self.reserving.told(self.settings.reserve)
    }

    /// The forecast with what has passed since it was last told.
    pub(super) fn forecast_to_retain(&self) -> Forecast {
        let mut forecast = self.forecast;
        forecast.pass(self.tally.passed().plus(self.counted()));
        forecast
    }

    /// Something that the reserve depends on has changed.
    pub(super) fn reserve_is_stale(&mut self) {
        self.reserving.due = Instant::from_ticks(0);
    }

    /// Closes a day that is over, and lets the reserve follow the forecast for the stretch ahead.
    #[inline(never)]
    pub(super) fn follow_use(&mut self, now: Instant) {
        if now < self.reserving.due {
            return;
        }
        self.settle_volume();
        let minute = self.settings.hour_minute;
        match self.clock.civil(now) {
            None => {
                self.forecast.spoil(Lesson::NoClock);
                self.reserving.due = NEVER;
            }
            Some(civil) => {
                let ended = self.forecast.follow(day_of(civil, minute), self.absence_percent());
                self.end_day(ended);
                self.reserving.due = self.next_look(civil);
            }
        }
        if self.presence.is_away() {
            self.forecast.spoil(Lesson::Absence);
        }
        if !matches!(self.settings.reserve, Reserve::Learned(_)) {
            return;
        }
        self.reserving.kept = self.reckon_reserve(now).kept;
        let reserve = self.reserve_told();
        for tank in &mut self.tanks {
            let medium = medium_of(tank, &self.settings);
            tank.ledger.set_thresholds(&medium, &reserve);
        }
    }

    fn absence_percent(&self) -> u8 {
        match self.settings.reserve {
            Reserve::Learned(learned) => learned.absence_percent,
            _ => RawLearned::usual().absence_percent,
        }
    }

    fn end_day(&mut self, ended: Option<DayUse>) {
        if let Some(day) = ended {
            self.write(Event::DayEnded(day));
        }
    }

    /// The next beginning of a day, or end of the hour that stands.
    fn next_look(&self, civil: Civil) -> Instant {
        let minute = self.settings.hour_minute;
        let day = civil.dated(minute);
        let grace_ends = self.grace_ends(day);
        let follows = matches!(self.settings.reserve, Reserve::Learned(_));
        let tomorrow = Civil::at(day.saturating_add(1), minute);
        let at = if follows && civil < grace_ends { grace_ends.min(tomorrow) } else { tomorrow };
        self.clock.instant(at).unwrap_or(NEVER)
    }

    /// When the hour of a date is over.
    fn grace_ends(&self, day: u32) -> Civil {
        let begins = Civil::at(day, self.settings.hour_minute);
        Civil(begins.0.saturating_add(u64::from(self.settings.hour_grace.0)))
    }

    pub(super) fn reserve_deadline(&self, next: &mut Earliest) {
        next.consider(Some(self.reserving.due).filter(|due| *due < NEVER));
    }

    // ---- what spoils a day ---------------------------------------------------------------------

    /// The civil clock was set, or lost: a day without it, or with a large move, teaches nothing (R1).
    pub(super) fn day_after_clock(&mut self, now: Instant, was_set: bool, change: ClockChange) {
        self.reserve_is_stale();
        let Some(civil) = self.clock.civil(now) else { return self.forecast.spoil(Lesson::NoClock) };
        let why = match change.moved_ms {
            Some(by) if by.unsigned_abs() <= SMALL_MOVE_MS => return,
            Some(_) if was_set => Lesson::ClockMoved,
            _ => Lesson::NoClock,
        };
        self.resume_day(civil, why);
    }

    /// Power is back: neither the day in which it failed nor this one is whole.
    pub(super) fn day_after_dark(&mut self, now: Instant) {
        match self.clock.civil(now) {
            Some(civil) => self.resume_day(civil, Lesson::PowerOff),
            None => self.forecast.spoil(Lesson::PowerOff),
        }
    }

    /// Days begin at another hour from now on.
    pub(super) fn day_after_settings(&mut self, now: Instant, hour_moved: bool) {
        self.reserve_is_stale();
        if let Some(civil) = self.clock.civil(now).filter(|_| hour_moved) {
            self.resume_day(civil, Lesson::ClockMoved);
        }
    }

    fn resume_day(&mut self, civil: Civil, why: Lesson) {
        self.settle_volume();
        let day = day_of(civil, self.settings.hour_minute);
        let ended = self.forecast.resume(day, why, self.absence_percent());
        self.end_day(ended);
    }

    /// People are away, or were until now.
    pub(super) fn day_of_absence(&mut self) {
        self.forecast.spoil(Lesson::Absence);
    }

    // ---- what is kept back ---------------------------------------------------------------------

    /// The reserve for what lies ahead of `now`.
    #[inline(never)]
    fn reckon_reserve(&self, now: Instant) -> InForce {
        let settings = &self.settings;
        let capacity = self.least_capacity();
        let as_set = |kept, basis| InForce { kept, basis, covers: None, expected: Volume::ZERO };
        let learned = match settings.reserve {
            Reserve::Learned(learned) => learned,
            Reserve::None => return as_set(Volume::ZERO, Basis::Setting),
            Reserve::Fixed(volume) => return as_set(volume, Basis::Setting),
            Reserve::Share(part) => return as_set(per_mille(capacity, part), Basis::Setting),
        };
        let Some(civil) = self.clock.civil(now) else {
            return as_set(bounded(capacity, &learned, Volume::ZERO), Basis::NoClock);
        };
        if !self.forecast.is_known() {
            return as_set(
                bounded(capacity, &learned, until_known(settings.start, capacity, &learned)),
                Basis::TooFewDays,
            );
        }
        let delayed = settings.start == StartRule::AtHour;
        let ahead = if delayed { self.for_the_hour(civil, &learned) } else { self.for_the_relief(civil, &learned) };
        InForce { kept: bounded(capacity, &learned, ahead.kept), ..ahead }
    }

    /// What the weakest tank treats between regenerations (L2).
    fn least_capacity(&self) -> Volume {
        let kept = self.tanks.iter().map(|tank| self.capacity_per_mille(tank)).min().unwrap_or(1_000);
        per_mille(self.settings.tank_volume(), kept)
    }

    /// Delayed starts: from the hour that stands or comes next to the permitted one after it, and what flows until the
    /// regenerations that stand before it and its own are over (R2).
    fn for_the_hour(&self, civil: Civil, learned: &RawLearned) -> InForce {
        let minute = self.settings.hour_minute;
        let day = civil.dated(minute);
        let first = self.permitted_from(if civil < self.grace_ends(day) { day } else { day.saturating_add(1) });
        let next = self.permitted_from(first.saturating_add(1));
        let (from, until) = (Civil::at(first, minute), Civil::at(next, minute));
        let wait_ms = until.0.saturating_sub(from.0);
        let waiting = self.forecast.expected(from, wait_ms, minute, learned.deviations);
        let (all, others) = self.carriers();
        let queue_ms = self.queue_ms(self.queue().max(1));
        let queueing = self.forecast.expected(until, queue_ms, minute, learned.deviations);
        InForce {
            kept: self.each_of(waiting, all).plus(self.each_of(queueing, others)),
            basis: Basis::Forecast,
            covers: Some((from, Civil(until.0.saturating_add(queue_ms)))),
            expected: waiting.plus(queueing),
        }
    }

    /// Immediate starts: what flows until another tank has taken over, or, where all serve, until those that may stand
    /// in front have regenerated (R2). A busy time is reckoned with.
    fn for_the_relief(&self, civil: Civil, learned: &RawLearned) -> InForce {
        let settings = &self.settings;
        let travel = settings.travel_limit();
        let shared = settings.sharing.shared_valve.map_or(Millis::ZERO, |valve| valve.travel_limit);
        let length_ms = match settings.arrangement {
            Arrangement::Single => 0,
            Arrangement::Alternating | Arrangement::Staged => {
                u64::from(travel.plus(travel).plus(shared).plus(settings.purge).0)
            }
            Arrangement::Parallel => self.queue_ms(self.queue()),
        };
        // The day's own beginning, so that nothing changes but from day to day.
        let minute = settings.hour_minute;
        let from = Civil::at(civil.dated(minute), minute);
        let expected = self.forecast.expected(from, busy_ms(length_ms), minute, learned.deviations);
        let (_, others) = self.carriers();
        InForce { kept: self.each_of(expected, others), basis: Basis::Forecast, covers: None, expected }
    }

    /// The first date from `day` on at whose hour a start is permitted (C5).
    fn permitted_from(&self, day: u32) -> u32 {
        let settings = &self.settings;
        let length_s = settings.longest_regeneration().0.div_ceil(1_000);
        let permitted = |day: &u32| {
            let second = Civil::at(*day, settings.hour_minute).second_of_week();
            let wait = settings.week().fits_in_s(second, length_s, settings.finish_before_window);
            wait.is_some_and(|wait| wait.saturating_mul(1_000) < settings.hour_grace.0)
        };
        (day..day.saturating_add(DAYS_AHEAD)).find(permitted).unwrap_or(day)
    }

    /// Tanks that take part.
    fn tanks_in(&self) -> u64 {
        let count = self.tanks.iter().filter(|t| !matches!(t.duty, Duty::Out { .. })).count();
        u64::try_from(count).unwrap_or(1).max(1)
    }

    /// How many tanks share the water while all serve, and while as many regenerate as may.
    fn carriers(&self) -> (u64, u64) {
        if self.settings.arrangement != Arrangement::Parallel {
            return (1, 1);
        }
        let all = self.tanks_in();
        (all, all.saturating_sub(u64::from(self.settings.max_regenerating)).max(1))
    }

    /// How many turns of regenerations may stand in front of a tank's own.
    fn queue(&self) -> u64 {
        if self.settings.arrangement != Arrangement::Parallel {
            return 0;
        }
        self.tanks_in().saturating_sub(1).div_ceil(u64::from(self.settings.max_regenerating).max(1))
    }

    /// How long so many turns take at the most, each with its brine.
    fn queue_ms(&self, turns: u64) -> u64 {
        let settings = &self.settings;
        let brine = match settings.arrangement {
            Arrangement::Parallel if settings.draws_brine() && settings.has_one_dose() => settings.brine_ready_after,
            _ => Millis::ZERO,
        };
        u64::from(settings.longest_regeneration().plus(brine).0).saturating_mul(turns)
    }

    /// What one of so many tanks treats of the site's water.
    fn each_of(&self, volume: Volume, tanks: u64) -> Volume {
        let bypass = u64::from(self.settings.sharing.bypass_per_mille);
        let treated = share(volume.0, 1_000u64.saturating_sub(bypass), 1_000);
        Volume(treated.div_ceil(tanks.max(1)))
    }

    // ---- dark time -----------------------------------------------------------------------------

    /// The use that the tanks have treated in a stretch of darkness that ends now (P6); `None` = of unknown length, for
    /// which a day of the busiest weekday stands.
    ///
    /// While too few days are known, what the serving tanks hold for four days stands for a day's use, yet never more than
    /// the meters are made for.
    pub(super) fn forecast_use(&self, now: Instant, dark: Option<Millis>, serving: u64) -> Volume {
        let settings = &self.settings;
        let length_ms = dark.map_or(DAY_MS, |length| u64::from(length.0));
        if !self.forecast.is_known() {
            let days = settings.tank_volume().0 / DAYS_OF_CAPACITY;
            let guess = part_of_day(Volume(days.saturating_mul(serving)), length_ms);
            let length = Millis(u32::try_from(length_ms).unwrap_or(u32::MAX));
            return guess.min(settings.meter.rated_max.over(length));
        }
        let minute = settings.hour_minute;
        let since = |length: Millis| Some(Civil(self.clock.civil(now)?.0.saturating_sub(u64::from(length.0))));
        let use_of_site = match dark.and_then(since) {
            Some(from) => self.forecast.expected(from, length_ms, minute, 0),
            None => self.forecast.expected_on_the_busiest(0),
        };
        self.each_of(use_of_site, 1)
    }
}
