//! Civil time: the daily event, backup and scheduled days, windows, clock changes (T1, T2, T4, C2, C3, C5).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::indexing_slicing,
    clippy::as_conversions,
    clippy::float_arithmetic,
    clippy::panic
)]

mod support;

use bedkeeper::blackout::{Week, Window};
use bedkeeper::calendar::*;
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::settings::{Schedule, StartRule, WhenClockUnset};
use bedkeeper::units::{Millis, TankId};
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Input, RawSettings};
use proptest::prelude::*;
use support::*;

const ONE: TankId = TankId(0);

// ---- windows, against a model that knows nothing but minutes ---------------------------------

const WEEK_MIN: usize = 10_080;

/// Minutes of the week that a window covers, painted one by one.
fn painted(windows: &[Window]) -> Vec<bool> {
    let mut week = vec![false; WEEK_MIN];
    for w in windows {
        for day in (0..7).filter(|d| w.days.has_number(*d)) {
            let mut minute = usize::from(w.from_minute);
            loop {
                week[(usize::from(day) * 1_440 + minute) % WEEK_MIN] = true;
                minute += 1;
                if minute % 1_440 == usize::from(w.to_minute) % 1_440 {
                    break;
                }
            }
        }
    }
    week
}

/// Seconds until the first second of the week, from `from` on, that fits; looks at a week and a bit.
fn seconds_until(from: u32, fits: impl Fn(u32) -> bool) -> Option<u32> {
    // Nothing changes but at whole minutes.
    let minutes = (0..=WEEK_MIN as u32).map(|m| (from / 60 + m) * 60);
    core::iter::once(from).chain(minutes.filter(|s| *s > from)).find(|s| fits(*s)).map(|s| s - from)
}

fn covered(week: &[bool], second: u32) -> bool {
    week[second as usize / 60 % WEEK_MIN]
}

fn check_against_paint(windows: &[Window], second: u32, length_s: u32) {
    let week = painted(windows);
    let left = seconds_until(second, |s| !covered(&week, s));
    let kept = Week::new(windows);
    let told = kept.left_s(second);
    if covered(&week, second) {
        match left {
            Some(left) => assert_eq!(told, Some(left), "{windows:?} at {second}"),
            None => assert!(told.unwrap() >= 604_800),
        }
    } else {
        assert_eq!(told, None, "{windows:?} at {second}");
        let next = seconds_until(second, |s| covered(&week, s));
        assert_eq!(kept.next_s(second), next, "{windows:?} at {second}");
    }
    // Minutes until the next covered one, for every minute of the week.
    let mut minutes = vec![None; WEEK_MIN];
    let mut ahead: Option<u32> = None;
    for minute in (0..2 * WEEK_MIN).rev() {
        ahead = if week[minute % WEEK_MIN] { Some(0) } else { ahead.map(|m| m + 1) };
        minutes[minute % WEEK_MIN] = ahead;
    }
    let room = |s: u32| {
        let gap = minutes[s as usize / 60 % WEEK_MIN].map(|m| (m * 60).saturating_sub(s % 60));
        !covered(&week, s) && gap.is_none_or(|gap| gap >= length_s)
    };
    assert_eq!(kept.fits_in_s(second, length_s, true), seconds_until(second, room), "{windows:?} at {second}");
    assert_eq!(kept.fits_in_s(second, length_s, false), left, "{windows:?} at {second}");
}

/// C5: up to eight windows that touch, overlap and cross midnight, at every minute of the week and a second either side.
#[test]
fn c5_windows_agree_with_a_painted_week_at_every_minute() {
    let on = Weekdays::only;
    let all = Weekdays::ALL_DAYS;
    let sets: [&[Window]; 5] = [
        &[],
        &[window(all, 0, 1_440)],
        &[window(on(Weekday::Sunday), 23 * 60, 60)],
        &[window(on(Weekday::Monday), 480, 600), window(on(Weekday::Monday), 600, 720), window(all, 715, 716)],
        &[
            window(on(Weekday::Monday), 1_380, 90),
            window(on(Weekday::Tuesday), 90, 91),
            window(on(Weekday::Wednesday), 700, 700),
            window(on(Weekday::Thursday), 0, 1_440),
            window(on(Weekday::Saturday), 1_439, 0),
            window(on(Weekday::Sunday), 0, 1),
            window(on(Weekday::Sunday), 1_200, 1_199),
            window(on(Weekday::Friday), 300, 301),
        ],
    ];
    for windows in sets {
        let (week, kept) = (painted(windows), Week::new(windows));
        for minute in 0..WEEK_MIN as u32 {
            for second in [minute * 60, minute * 60 + 1, minute * 60 + 59] {
                assert_eq!(kept.left_s(second).is_some(), covered(&week, second), "{windows:?} {second}");
            }
        }
        for second in (0..604_800).step_by(1_733) {
            check_against_paint(windows, second, 5_400);
        }
    }
}

proptest! {
    /// C5: any windows, any second, any length agree with a week painted minute by minute.
    #[test]
    fn c5_random_windows_agree_with_a_painted_week(
        windows in support::random::windows(),
        second in 0..604_800u32,
        length_s in prop_oneof![0..4 * 3_600u32, 0..604_800u32],
    ) {
        let some: Vec<Window> = windows.into_iter().filter(|w| w.days.first().is_some()).collect();
        check_against_paint(&some, second, length_s);
    }

    /// T4: the weekday and second of the week of any time of a century, against counting.
    #[test]
    fn t4_weekdays_go_round_for_a_century(day in 0..36_524u32, minute in 0..1_440u16, ms in 0..60_000u64) {
        let civil = Civil(Civil::at(day, minute).0 + ms);
        prop_assert_eq!(civil.day(), day);
        // 2000-01-01 was a Saturday.
        prop_assert_eq!(u32::from(civil.weekday()), (5 + day) % 7);
        let second = (5 + day) % 7 * 86_400 + u32::from(minute) * 60 + ms as u32 / 1_000;
        prop_assert_eq!(civil.second_of_week(), second);
    }
}

/// T4: Monday 2027-03-01 lies where a count of days through leap years says.
#[test]
fn t4_month_ends_and_leap_days_are_days_like_others() {
    let lengths =
        |year: u32| [31, if year.is_multiple_of(4) { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let days: u32 = (2_000..2_027).map(|year| lengths(year).iter().sum::<u32>()).sum();
    assert_eq!(days + 31 + 28, MONDAY);
    assert_eq!(Civil::at(MONDAY, 0).weekday(), 0);
}

// ---- the daily event ---------------------------------------------------------------------------

/// A daily event with its clock, polled at every deadline and at whatever else happens.
struct Days {
    event: DailyEvent,
    clock: Clock,
    now: u64,
    minute: u16,
    grace: Millis,
    fired: Vec<(u64, Option<u32>)>,
    missed: Vec<(u64, u32)>,
}

impl Days {
    fn new(minute: u16, grace: Millis) -> Self {
        let (fired, missed) = (Vec::new(), Vec::new());
        Self { event: DailyEvent::default(), clock: Clock::default(), now: 0, minute, grace, fired, missed }
    }

    fn poll(&mut self) {
        while let Some(outcome) = self.event.poll(t(self.now), self.clock, self.minute, self.grace) {
            match outcome {
                HourOutcome::Fired(date) => self.fired.push((self.now, date)),
                HourOutcome::Missed(date) => self.missed.push((self.now, date)),
            }
        }
    }

    fn set(&mut self, civil: Option<Civil>) {
        let change = self.clock.set(t(self.now), civil);
        self.event.clock_changed(change);
        self.poll();
    }

    fn shift(&mut self, ms: i64) {
        let civil = self.clock.civil(t(self.now)).unwrap();
        self.set(Some(Civil(civil.0.checked_add_signed(ms).unwrap())));
    }

    /// Only at deadlines.
    fn run_for(&mut self, ms: u64) {
        let end = self.now + ms;
        loop {
            let due = self.event.deadline(t(self.now), self.clock, self.minute, self.grace);
            let next = due.map(|d| d.as_ticks()).filter(|d| *d > self.now).unwrap_or(u64::MAX);
            self.now = next.min(end);
            self.poll();
            if self.now == end {
                return;
            }
        }
    }
}

/// T2: once per civil date, at the first moment of the hour, over a year with month ends and a leap day.
#[test]
fn t2_the_hour_fires_at_its_first_moment_once_per_date() {
    let mut days = Days::new(150, Millis::from_hours(3));
    // 2027-12-31, so that the year has the leap day of 2028.
    let first = MONDAY + 305;
    days.set(Some(Civil::at(first, 0)));
    days.run_for(366 * DAY);
    let expected: Vec<_> = (0..366u32).map(|d| (u64::from(d) * DAY + 150 * MIN, Some(first + d))).collect();
    assert_eq!(days.fired, expected);
    assert_eq!(days.missed, []);
}

/// T2: a grace past midnight belongs to its starting date.
#[test]
fn t2_a_grace_past_midnight_belongs_to_its_starting_date() {
    let mut days = Days::new(23 * 60, Millis::from_hours(3));
    // First seen at 01:30 on Monday: Sunday's hour still stands.
    days.set(Some(Civil::at(MONDAY, 90)));
    assert_eq!(days.fired, [(0, Some(MONDAY - 1))]);
    days.run_for(2 * DAY);
    let first = 21 * HOUR + 30 * MIN;
    assert_eq!(days.fired[1..], [(first, Some(MONDAY)), (first + DAY, Some(MONDAY + 1))]);
    assert_eq!(days.missed, []);
}

/// T2: the grace ends with its last millisecond.
#[test]
fn t2_the_grace_ends_on_time() {
    for (into, fires) in [(0, true), (3 * HOUR - 1, true), (3 * HOUR, false)] {
        let mut days = Days::new(120, Millis::from_hours(3));
        days.set(Some(Civil::at(MONDAY, 110)));
        days.run_for(9 * MIN);
        days.shift(MIN as i64 + into as i64);
        assert_eq!(days.fired.len(), usize::from(fires), "{into}");
        assert_eq!(days.missed.len(), usize::from(!fires), "{into}");
    }
}

/// T2: set back, the hour of a date never fires twice.
#[test]
fn t2_the_hour_fires_once_when_the_clock_is_set_back() {
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY, 60)));
    days.run_for(90 * MIN);
    assert_eq!(days.fired, [(HOUR, Some(MONDAY))]);
    for back in [1, 2, 14, 23] {
        days.shift(-(back * HOUR as i64));
        days.run_for(u64::try_from(back).unwrap() * HOUR);
    }
    assert_eq!(days.fired.len(), 1);
    assert_eq!(days.missed, []);
    days.run_for(DAY);
    assert_eq!(days.fired.len(), 2);
    assert_eq!(days.fired[1].1, Some(MONDAY + 1));
}

/// T2: never two within 12 h of monotonic time; the hour passed over is journalled as missed.
#[test]
fn t2_two_hours_are_never_closer_than_twelve_hours() {
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY, 60)));
    days.run_for(2 * HOUR);
    days.shift(23 * HOUR as i64);
    assert_eq!(days.fired.len(), 1);
    days.run_for(3 * HOUR);
    assert_eq!((days.fired.len(), days.missed.as_slice()), (1, [(5 * HOUR, MONDAY + 1)].as_slice()));
    // Twelve hours after the firing within a long grace, it fires at that very instant.
    let mut days = Days::new(120, Millis::from_hours(12));
    days.set(Some(Civil::at(MONDAY, 60)));
    days.run_for(2 * HOUR);
    days.shift(23 * HOUR as i64);
    days.run_for(12 * HOUR);
    assert_eq!(days.fired, [(HOUR, Some(MONDAY)), (13 * HOUR, Some(MONDAY + 1))]);
    assert_eq!(days.missed, []);
}

/// T2: forward past the hour it fires within the grace; past that it is missed, and the next date fires.
#[test]
fn t2_forward_past_the_hour_fires_within_the_grace() {
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY, 60)));
    days.shift(2 * HOUR as i64);
    assert_eq!((days.fired.as_slice(), days.missed.len()), ([(0, Some(MONDAY))].as_slice(), 0));
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY, 60)));
    days.shift(5 * HOUR as i64);
    assert_eq!((days.fired.len(), days.missed.as_slice()), (0, [(0, MONDAY)].as_slice()));
    days.run_for(DAY);
    assert_eq!(days.fired, [(20 * HOUR, Some(MONDAY + 1))]);
}

/// T2: a change of more than 24 h forgets the fired date, so that a corrected wrong year blocks nothing.
#[test]
fn t2_a_corrected_wrong_year_blocks_nothing() {
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY + 366, 60)));
    days.run_for(12 * HOUR);
    days.shift(-366 * DAY as i64);
    days.run_for(2 * DAY);
    assert_eq!(days.fired.len(), 3);
    assert_eq!(days.fired[1].1, Some(MONDAY + 1));
    assert_eq!(days.missed, []);
    // Exactly 24 h back is not more than 24 h: the dates stay dealt with.
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY + 1, 60)));
    days.run_for(2 * HOUR);
    days.shift(-(DAY as i64));
    days.run_for(DAY);
    assert_eq!(days.fired.len(), 1);
    days.run_for(DAY);
    assert_eq!(days.fired[1].1, Some(MONDAY + 2));
}

/// T1: without civil time the event comes every 24 h of powered time, counted from the last.
#[test]
fn t1_without_a_clock_the_day_is_24_h_of_powered_time() {
    let mut days = Days::new(120, Millis::from_hours(3));
    days.run_for(10);
    days.set(None);
    days.run_for(3 * DAY - 1);
    let fired: Vec<u64> = days.fired.iter().map(|(at, _)| *at).collect();
    assert_eq!(fired, [10 + DAY, 10 + 2 * DAY]);
    assert!(days.fired.iter().all(|(_, date)| date.is_none()));
    // Lost after a firing: 24 h after that.
    let mut days = Days::new(120, Millis::from_hours(3));
    days.set(Some(Civil::at(MONDAY, 0)));
    days.run_for(10 * HOUR);
    days.set(None);
    days.run_for(DAY);
    assert_eq!(days.fired, [(2 * HOUR, Some(MONDAY)), (26 * HOUR, None)]);
}

/// T2: a controller that waits for its clock after power-up has not fired by that: the first hour comes.
#[test]
fn t2_the_first_hour_after_power_up_fires() {
    let mut site = Site::<1>::without_clock(single());
    site.run_to(MIN);
    site.set_clock(MONDAY, 60);
    site.run_to(DAY);
    let fired: Vec<u64> = site.hear().iter().filter(|(_, e)| *e == Event::HourFired).map(|(at, _)| *at).collect();
    assert_eq!(fired, [HOUR + MIN]);
}

#[derive(Clone, Copy, Debug)]
enum ClockOp {
    Run(u64),
    Shift(i64),
    Set(u32, u16),
    Lose,
}

fn clock_ops() -> impl Strategy<Value = Vec<ClockOp>> {
    let op = prop_oneof![
        4 => (0..2 * DAY).prop_map(ClockOp::Run),
        3 => (-(2 * DAY as i64)..2 * DAY as i64).prop_map(ClockOp::Shift),
        1 => (0..36_000u32, 0..1_440u16).prop_map(|(d, m)| ClockOp::Set(d, m)),
        1 => Just(ClockOp::Lose),
    ];
    proptest::collection::vec(op, 1..30)
}

fn live(days: &mut Days, op: ClockOp) {
    match op {
        ClockOp::Run(ms) => days.run_for(ms),
        ClockOp::Shift(ms) => {
            let moved = days.clock.civil(t(days.now)).and_then(|c| c.0.checked_add_signed(ms));
            days.set(moved.map(Civil));
        }
        ClockOp::Set(day, minute) => days.set(Some(Civil::at(day, minute))),
        ClockOp::Lose => days.set(None),
    }
}

proptest! {
    /// T2, T4: whatever the clock does, two firings are 12 h apart, every one lies in its date's
    /// grace, none is repeated while changes stay within 24 h, and looking every minute finds
    /// nothing that the deadlines missed.
    #[test]
    fn t2_any_clock_changes_keep_the_daily_event(ops in clock_ops(), minute in 0..1_440u16, grace in 1..720u32) {
        let grace = Millis::from_mins(grace);
        let mut days = Days::new(minute, grace);
        let mut eager = Days::new(minute, grace);
        days.set(Some(Civil::at(MONDAY, 0)));
        eager.set(Some(Civil::at(MONDAY, 0)));
        let small = ops.iter().all(|op| match op {
            ClockOp::Shift(ms) => ms.unsigned_abs() <= DAY,
            ClockOp::Run(_) => true,
            _ => false,
        });
        for op in &ops {
            let from = days.fired.len();
            if let ClockOp::Run(ms) = *op {
                for _ in 0..ms / (17 * MIN) {
                    eager.run_for(17 * MIN);
                }
                eager.run_for(ms % (17 * MIN));
            } else {
                live(&mut eager, *op);
            }
            live(&mut days, *op);
            for (at, date) in &days.fired[from..] {
                if let (Some(date), Some(civil)) = (date, days.clock.civil(t(*at))) {
                    let into = civil.0.checked_sub(Civil::at(*date, minute).0);
                    prop_assert!(into.is_some_and(|ms| ms < u64::from(grace.0)), "{into:?}");
                }
            }
        }
        prop_assert_eq!(&days.fired, &eager.fired);
        prop_assert_eq!(&days.missed, &eager.missed);
        prop_assert!(days.fired.windows(2).all(|w| w[1].0 - w[0].0 >= 12 * HOUR));
        if small {
            let mut dates: Vec<_> = days.fired.iter().map(|(_, date)| *date).collect();
            dates.dedup();
            prop_assert_eq!(dates.len(), days.fired.len());
            prop_assert!(dates.windows(2).all(|w| w[0] < w[1]), "{:?}", dates);
        }
    }
}

// ---- a controller's days -------------------------------------------------------------------------

fn delayed(mut raw: RawSettings) -> RawSettings {
    raw.start = StartRule::AtHour;
    raw
}

fn starts<const N: usize>(site: &mut Site<N>) -> Vec<(u64, TankId, Cause)> {
    let started = |(at, e)| match e {
        Event::Started { tank, leading, .. } => Some((at, tank, leading)),
        _ => None,
    };
    site.hear().into_iter().filter_map(started).collect()
}

/// T1: `clock-unset` stands from power-up until the clock is set, and again when it is lost; volume rules go on.
#[test]
fn t1_clock_unset_is_raised_and_volume_rules_go_on() {
    let mut site = Site::<1>::without_clock(delayed(single()));
    site.run_to(MIN);
    assert!(site.controller.outputs().alarms.contains(Alarm::ClockUnset));
    site.gulp(10_000);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    site.set_clock(MONDAY, 0);
    assert!(!site.controller.outputs().alarms.contains(Alarm::ClockUnset));
    site.put(Input::Clock(None)).unwrap();
    let about_clock: Vec<Event> = site
        .hear()
        .into_iter()
        .map(|(_, e)| e)
        .filter(|e| {
            matches!(e, Event::AlarmRaised(_) | Event::AlarmCleared(_) | Event::ClockSet { .. } | Event::ClockLost)
        })
        .collect();
    assert_eq!(
        about_clock,
        [
            Event::AlarmRaised(Alarm::ClockUnset),
            Event::ClockSet { moved_s: None },
            Event::AlarmCleared(Alarm::ClockUnset),
            Event::ClockLost,
            Event::AlarmRaised(Alarm::ClockUnset),
        ]
    );
}

/// T1: windows rest while the time is unknown, or everything is held, as the settings say.
#[test]
fn t1_windows_follow_when_clock_unset() {
    for (rule, held) in [(WhenClockUnset::IgnoreWindows, false), (WhenClockUnset::HoldAll, true)] {
        let mut raw = single();
        raw.windows = [window(Weekdays::ALL_DAYS, 0, 720)].into_iter().collect();
        raw.when_clock_unset = rule;
        let mut site = Site::<1>::without_clock(raw);
        site.run_to(MIN);
        site.operate(Action::StartNow(ONE)).unwrap();
        assert_eq!(site.duty(1) == DutyKind::Serving, held);
        assert_eq!(site.holds(1), if held { vec![Hold::ClockUnset] } else { vec![] });
        if held {
            site.run_for(2 * DAY);
            assert_eq!(site.clears_at(1, Hold::ClockUnset), None);
            site.set_clock(MONDAY, 721);
            assert_eq!(site.duty(1), DutyKind::Regenerating);
        }
    }
}

/// T1: backup days fall back to 24 h of powered time; scheduled days rest.
#[test]
fn t1_backup_days_fall_back_to_powered_days_and_the_schedule_rests() {
    let mut raw = delayed(single());
    raw.backup_days = 3;
    raw.schedule = Schedule::EveryDays(1);
    let mut site = Site::<1>::without_clock(raw);
    site.run_to(MIN);
    site.gulp(10);
    site.run_to(4 * DAY);
    // Powered days are counted from the start of power.
    assert_eq!(starts(&mut site), [(3 * DAY, ONE, Cause::BackupDay)]);
}

/// C2: a bed n days after its last complete regeneration asks at the hour, even if its meter has told of no water: a wire
/// may be broken. One that has not served does not ask.
#[test]
fn c2_backup_days_count_from_the_last_complete_regeneration() {
    let mut raw = delayed(single());
    raw.backup_days = 3;
    let mut site = Site::<1>::new(raw);
    site.run_to(10 * DAY);
    let at = |day: u64| (day * DAY + 2 * HOUR, ONE, Cause::BackupDay);
    assert_eq!(starts(&mut site), [at(3), at(6), at(9)]);
    // Regenerated in between, it has its days from then.
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_to(14 * DAY);
    assert_eq!(starts(&mut site), [(10 * DAY, ONE, Cause::Manual), at(13)]);
    // Of two the one that serves asks, and stands ready afterwards; the other then has its days of service.
    let mut raw = delayed(alternating());
    raw.backup_days = 3;
    let mut site = Site::<2>::new(raw);
    site.run_to(8 * DAY);
    let asked: Vec<(u64, TankId)> = starts(&mut site).into_iter().map(|(at, tank, _)| (at / DAY, tank)).collect();
    assert_eq!(asked, [(3, ONE), (4, TankId(1)), (6, ONE), (7, TankId(1))]);
}

/// T2: several changes of less than a day add up: the hours of the days that they go back are not lost, no two come within 12 h,
/// and no single change of at most a day lets one come twice.
#[test]
fn t2_small_changes_that_add_up_lose_no_hours() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(10 * DAY + 20 * HOUR);
    site.hear();
    // Eight times 23 h back within eight minutes: 7 d 16 h.
    let civil = Civil::at(MONDAY, 0).0;
    let mut back = 0;
    for _ in 0..8 {
        site.run_for(MIN);
        back += 23 * HOUR;
        site.put(Input::Clock(Some(Civil(civil + site.now - back)))).unwrap();
    }
    site.run_for(8 * DAY);
    let fired: Vec<u64> = site.hear().into_iter().filter(|(_, e)| *e == Event::HourFired).map(|(at, _)| at).collect();
    // On its way back the clock showed 03:07 of day 5, an hour within its grace; that of day 5 does not come again.
    let hours = (5..12).map(|day| day * DAY + 2 * HOUR + back);
    let all: Vec<u64> = [10 * DAY + 20 * HOUR + 7 * MIN].into_iter().chain(hours).collect();
    assert_eq!(fired, all);
}

/// C2: n days are n days at whatever hour, also where the regeneration begins before midnight and ends after it, and where
/// something holds it past midnight for a while.
#[test]
fn c2_days_count_from_the_date_at_which_it_began() {
    let days_of = |hour_minute: u16, days: u8, held_ms: u64| {
        let mut raw = delayed(single());
        raw.hour_minute = hour_minute;
        raw.backup_days = days;
        let mut site = Site::<1>::new(raw);
        for day in 0..13 {
            let hour = day * DAY + u64::from(hour_minute) * MIN;
            site.run_to(hour - 2 * SEC);
            site.contact(Contact::LowPressure, held_ms > 0);
            site.run_to(hour + held_ms);
            site.contact(Contact::LowPressure, false);
        }
        starts(&mut site).into_iter().map(|(at, ..)| at / DAY).collect::<Vec<_>>()
    };
    assert_eq!(days_of(23 * 60 + 30, 1, 0), (1..=12).collect::<Vec<_>>());
    assert_eq!(days_of(23 * 60 + 30, 3, 0), [3, 6, 9, 12]);
    assert_eq!(days_of(2 * 60, 1, 0), (1..=12).collect::<Vec<_>>());
    // Held for an hour each time: it begins on the next date, and counts for the hour before.
    assert_eq!(days_of(23 * 60 + 30, 2, HOUR), [3, 5, 7, 9, 11]);
}

/// C2, T1: without a clock n days are n times 24 h of powered time, also where something holds the start for a while.
#[test]
fn c2_powered_days_count_from_the_hour_at_which_it_began() {
    for (days, held_ms) in [(1u64, 0), (3, 0), (1, HOUR), (2, HOUR)] {
        let mut raw = delayed(single());
        raw.backup_days = u8::try_from(days).unwrap();
        let mut site = Site::<1>::without_clock(raw);
        site.run_to(MIN);
        for day in 1..13 {
            site.run_to(day * DAY - 2 * SEC);
            site.contact(Contact::LowPressure, held_ms > 0);
            site.run_to(day * DAY + held_ms);
            site.contact(Contact::LowPressure, false);
        }
        let began: Vec<u64> = starts(&mut site).into_iter().map(|(at, ..)| at / DAY).collect();
        let expected: Vec<u64> = (1..=12).filter(|day| day % days == 0).collect();
        assert_eq!(began[..expected.len() - 1], expected[..expected.len() - 1], "{days} days, held {held_ms} ms");
    }
}

/// C2: days are dates by the clock, and whole days of powered time without one.
#[test]
fn c2_days_are_dates_or_powered_days() {
    let mut clock = Clock::default();
    clock.set(t(0), Some(Civil::at(MONDAY, 23 * 60)));
    let days = |now, date| dates_since(t(0), t(now), date, clock);
    assert_eq!((days(2 * HOUR, Some(MONDAY + 1)), days(30 * DAY, Some(MONDAY))), (1, 0));
    assert_eq!((days(DAY - 1, None), days(DAY, None)), (0, 1));
}

/// C2: a bed that stands ready and has passed no water since it was regenerated needs no backup, however old it is.
#[test]
fn c2_a_bed_that_has_not_served_is_not_asked_for() {
    let mut raw = alternating();
    raw.backup_days = 3;
    let mut site = Site::<2>::new(raw);
    site.gulp(100);
    site.operate(Action::Hold(TankId(0))).unwrap();
    site.run_for(6 * DAY);
    assert!(!site.said.iter().any(|record| matches!(record.event, Event::Asked { .. })));
    site.operate(Action::Release(TankId(0))).unwrap();
    site.run_for(DAY);
    assert!(site.said.iter().any(|record| matches!(record.event, Event::Asked { tank: TankId(0), .. })));
}

/// C2: 0 = off.
#[test]
fn c2_no_backup_days_no_backup() {
    let mut site = Site::<1>::new(delayed(single()));
    site.gulp(10);
    site.run_to(60 * DAY);
    assert_eq!(starts(&mut site), []);
}

/// C2: at most one backup start per hour event, the bed that has stood longest; C7: one that an operator holds blocks no other.
#[test]
fn c2_one_backup_start_per_hour_and_a_held_bed_blocks_nobody() {
    let mut raw = delayed(alternating());
    raw.backup_days = 6;
    raw.meter.place = bedkeeper::settings::MeterPlace::PerTank;
    let mut site = Site::<2>::new(raw);
    site.run_to(5 * DAY + 6 * HOUR);
    // Both beds have served: tank 2's meter leaked.
    for meter in [0, 1] {
        site.put(Input::Pulses { meter, count: 3 }).unwrap();
    }
    let held = {
        let mut held = site.clone();
        held.operate(Action::Hold(ONE)).unwrap();
        held
    };
    site.run_to(7 * DAY);
    let asked = |site: &mut Site<2>| -> Vec<(u64, TankId)> {
        let asked = |(at, e)| match e {
            Event::Asked { tank, cause: Cause::BackupDay } => Some((at, tank)),
            _ => None,
        };
        site.hear().into_iter().filter_map(asked).collect()
    };
    assert_eq!(asked(&mut site), [(6 * DAY + 2 * HOUR, ONE)]);
    let mut held = held;
    held.run_to(7 * DAY);
    assert_eq!(asked(&mut held), [(6 * DAY + 2 * HOUR, TankId(1))]);
}

/// C3: chosen weekdays, at the hour, with or without use.
#[test]
fn c3_scheduled_on_weekdays() {
    let mut raw = delayed(single());
    let mut days = Weekdays::only(Weekday::Tuesday);
    days.insert(Weekday::Sunday);
    raw.schedule = Schedule::On(days);
    let mut site = Site::<1>::new(raw);
    site.run_to(14 * DAY);
    let at = |day: u64| (day * DAY + 2 * HOUR, ONE, Cause::Scheduled);
    assert_eq!(starts(&mut site), [at(1), at(6), at(8), at(13)]);
}

/// C3: every n days.
#[test]
fn c3_scheduled_every_n_days() {
    for n in [1u8, 3] {
        let mut raw = delayed(single());
        raw.schedule = Schedule::EveryDays(n);
        let mut site = Site::<1>::new(raw);
        site.run_to(10 * DAY);
        let days: Vec<u64> = starts(&mut site).iter().map(|(at, ..)| at / DAY).collect();
        assert_eq!(days, (0..10).step_by(usize::from(n)).collect::<Vec<u64>>());
    }
}

/// C3, T2: an hour that fires past midnight counts as its starting date, for weekdays and for every n days.
#[test]
fn c3_a_late_hour_keeps_its_date() {
    let late = |schedule, powered_up: u16| {
        let mut raw = delayed(single());
        raw.hour_minute = 23 * 60;
        raw.schedule = schedule;
        let mut site = Site::<1>::without_clock(raw);
        site.set_clock(MONDAY, powered_up * 60);
        site.run_for(12 * HOUR);
        site.set_clock(MONDAY, 22 * 60);
        // Then 01:00 on Tuesday: Monday's hour fires late.
        site.set_clock(MONDAY + 1, 60);
        site.run_for(5 * DAY);
        let since = site.controller.clock();
        let civil = move |at: u64| since.civil(t(at)).unwrap();
        starts(&mut site)
            .iter()
            .map(|(at, ..)| (civil(*at).day() - MONDAY, civil(*at).0 % DAY / HOUR))
            .collect::<Vec<_>>()
    };
    assert_eq!(late(Schedule::On(Weekdays::only(Weekday::Monday)), 9), [(1, 1)]);
    assert_eq!(late(Schedule::On(Weekdays::only(Weekday::Tuesday)), 9), [(1, 23)]);
    assert_eq!(late(Schedule::EveryDays(2), 9), [(1, 1), (2, 23), (4, 23)]);
    // Power came within Sunday's grace, past midnight: two days after Sunday is Tuesday.
    let from_sunday = late(Schedule::EveryDays(2), 1);
    assert_eq!(from_sunday[1..], [(1, 23), (3, 23), (5, 23)]);
}

/// T2: a missed hour is journalled, and nothing starts for it.
#[test]
fn t2_a_missed_hour_is_journalled() {
    let mut raw = delayed(single());
    raw.schedule = Schedule::EveryDays(1);
    let mut site = Site::<1>::new(raw);
    site.run_to(HOUR);
    site.set_clock(MONDAY, 6 * 60);
    site.run_for(HOUR);
    assert_eq!(site.hear(), [(HOUR, Event::ClockSet { moved_s: Some(5 * 3_600) }), (HOUR, Event::HourMissed)]);
}

/// T4: a clock moved across midnight opens no second day of drain water, and a civil time beyond reason counts as unknown.
#[test]
fn t4_clock_changes_break_nothing() {
    let mut raw = single();
    raw.discharge_limit = bedkeeper::units::Volume::from_litres(300);
    let mut site = Site::<1>::new(raw);
    site.run_to(6 * HOUR);
    site.operate(Action::StartNow(ONE)).unwrap();
    site.run_for(4 * HOUR);
    assert_eq!(site.duty(1), DutyKind::Serving);
    site.operate(Action::StartNow(ONE)).unwrap();
    assert_eq!(site.holds(1), [Hold::DischargeLimit]);
    for (day, minute) in [(MONDAY + 1, 60), (MONDAY, 1_439), (MONDAY + 400, 0)] {
        site.set_clock(day, minute);
        assert_eq!(site.holds(1), [Hold::DischargeLimit]);
    }
    site.put(Input::Clock(None)).unwrap();
    assert_eq!(site.holds(1), [Hold::DischargeLimit]);
    site.put(Input::Clock(Some(Civil(u64::MAX)))).unwrap();
    assert!(site.controller.outputs().alarms.contains(Alarm::ClockUnset));
    site.set_clock(MONDAY, 600);
    let due = site.now + 14 * HOUR;
    assert_eq!(site.clears_at(1, Hold::DischargeLimit), Some(due));
    site.run_to(due);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// T1, T4: the last millisecond that a clock can tell is a time; from there on it is told none.
#[test]
fn t4_the_last_time_is_a_time() {
    for (civil, known) in [(Civil(Civil::END.0 - 1), true), (Civil::END, false)] {
        let mut clock = Clock::default();
        let change = clock.set(t(5), Some(civil));
        assert_eq!((clock.is_set(), clock.civil(t(5)), change.moved_ms), (known, known.then_some(civil), None));
    }
}

/// T1, T4: a clock that runs past the last day that it can tell is no clock any more: it is said, and backup days go on by
/// powered time.
#[test]
fn t4_a_clock_past_its_end_is_unset() {
    let mut raw = single();
    raw.backup_days = 2;
    let mut site = Site::<1>::new(raw);
    site.put(Input::Clock(Some(Civil(Civil::END.0 - HOUR)))).unwrap();
    site.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
    site.hear();
    site.run_for(2 * HOUR);
    assert!(site.controller.outputs().alarms.contains(Alarm::ClockUnset));
    assert!(site.said.iter().any(|r| r.event == Event::ClockLost));
    site.run_for(4 * DAY);
    assert!(site.said.iter().any(|r| matches!(r.event, Event::Asked { cause: Cause::BackupDay, .. })));
}
