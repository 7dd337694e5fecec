//! Use learned by the weekday, and what of a tank's capacity is kept back for it (R1, R2, P6, T4).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]
#![allow(clippy::as_conversions)]

mod support;

use bedkeeper::calendar::{Civil, Weekday, Weekdays};
use bedkeeper::demand::Cause;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::reserve::{Basis, DayUse, Lesson};
use bedkeeper::settings::*;
use bedkeeper::units::{Flow, Millis, TankId, Volume};
use bedkeeper::{Action, Input, RawSettings, Settings};
use support::*;

const HOUR_MIN: u16 = 120;
const H2: u64 = 2 * HOUR;

fn litres(volume: u64) -> Volume {
    Volume::from_litres(volume)
}

/// A reserve that follows use, starts at 02:00, a capacity of 10 000 L.
fn delayed(mut raw: RawSettings) -> RawSettings {
    raw.reserve = Reserve::Learned(RawLearned::usual());
    raw.start = StartRule::AtHour;
    raw
}

/// The days whose use was told.
fn days<const N: usize>(site: &Site<N>) -> Vec<DayUse> {
    let day = |event: &Event| if let Event::DayEnded(day) = event { Some(*day) } else { None };
    site.said.iter().filter_map(|record| day(&record.event)).collect()
}

/// Lives through days from the next 02:00 on, with so much water at noon of each.
fn live<const N: usize>(site: &mut Site<N>, uses: &[u32]) {
    for litres in uses {
        let noon = (site.now - H2.min(site.now)) / DAY * DAY + 12 * HOUR;
        let noon = if noon < site.now { noon + DAY } else { noon };
        site.run_to(noon);
        if *litres > 0 {
            site.gulp(*litres);
        }
        site.run_to(noon + 14 * HOUR);
    }
}

/// What the reserve is for days that all bear the same mean, and so many mean deviations.
fn whole_day_and_regeneration<const N: usize>(site: &Site<N>, day_l: u64) -> Volume {
    let length = u64::from(site.controller.settings().longest_regeneration().0);
    litres(day_l).plus(Volume(litres(day_l).0 / DAY * length + litres(day_l).0 % DAY * length / DAY))
}

/// R1: until seven days are known a quarter of capacity is kept back, then the mean and two mean deviations of the day
/// ahead, and what flows while the tank regenerates. The first day, seen in part, is not learned.
#[test]
fn r1_a_quarter_of_capacity_until_seven_days_are_known() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    for learned in 0..7 {
        let now = site.controller.reserve_in_force();
        assert_eq!((now.kept, now.basis), (litres(2_500), Basis::TooFewDays));
        assert_eq!(site.controller.forecast().days_learned(), learned);
        live(&mut site, &[400]);
    }
    let now = site.controller.reserve_in_force();
    let lengths = (now.covers.unwrap().0, now.covers.unwrap().1.0 - now.covers.unwrap().0.0);
    let longest = u64::from(site.controller.settings().longest_regeneration().0);
    // 02:00 on the eighth day, Monday: from now to Tuesday's hour.
    assert_eq!(lengths, (Civil::at(MONDAY + 7, HOUR_MIN), DAY + longest));
    // A first day deviates by a quarter: 400 + 2 x 100 L.
    assert_eq!(now.kept, whole_day_and_regeneration(&site, 600));
    assert_eq!((now.basis, now.expected), (Basis::Forecast, now.kept));
    let told = days(&site);
    assert_eq!(told[0], DayUse { day: MONDAY as u16 - 1, litres: 0, lesson: Lesson::NoClock });
    let learned = |day: u32| DayUse { day: (MONDAY + day) as u16, litres: 400, lesson: Lesson::Learned };
    assert_eq!(told[1..], (0..7).map(learned).collect::<Vec<_>>());
    // Weeks of the same use leave no deviation but what rounding leaves.
    live(&mut site, &[400; 140]);
    let kept = site.controller.reserve_in_force().kept;
    let (least, most) = (whole_day_and_regeneration(&site, 400), whole_day_and_regeneration(&site, 406));
    assert!(least <= kept && kept <= most.plus(Volume(1)), "{least:?} {kept:?} {most:?}");
    assert_eq!(site.controller.forecast().habits()[0].last_day, (MONDAY + 140) as u16);
}

/// R1, R2: each weekday has its own forecast: what is kept back for a busy Saturday is not kept back on other days, and a
/// tank asks by the day that its hour begins.
#[test]
fn r1_weekdays_have_their_own_forecast() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    let week = [300, 300, 300, 300, 300, 2_000, 100];
    live(&mut site, &week.repeat(8));
    let mut kept = Vec::new();
    for use_l in week {
        // The evening before: what will be needed from the coming hour on.
        kept.push(site.controller.reserve_in_force());
        live(&mut site, &[use_l]);
    }
    for (i, day) in kept.iter().enumerate() {
        let least = whole_day_and_regeneration(&site, u64::from(week[i])).minus(litres(50));
        assert!(day.kept >= least && day.kept < litres(u64::from(week[i]) + 250), "{i}: {day:?}");
        assert_eq!(day.covers.unwrap().0, Civil::at(MONDAY + 56 + i as u32, HOUR_MIN));
    }
    let habits = site.controller.forecast().habits();
    assert_eq!((habits[5].mean_l, habits[6].mean_l), (2_000, 100));
    assert_eq!(habits[5].days, 9);
}

/// R1, T4: days with no clock, with power off for a part, of absence or with a large move of the clock teach nothing, and
/// each is told with its reason; an hour of summer time is no such move.
#[test]
fn r1_what_does_not_teach() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    live(&mut site, &[500; 14]);
    let known = *site.controller.forecast().habits();
    let lesson = |site: &mut Site<1>, break_it: fn(&mut Site<1>)| {
        let told = days(site).len();
        break_it(site);
        live(site, &[800]);
        let new = days(site).split_off(told);
        assert_eq!(new.len(), 1, "{new:?}");
        assert_eq!(*site.controller.forecast().habits(), known, "{new:?}");
        new[0].lesson
    };
    let lost = |site: &mut Site<1>| {
        site.run_for(HOUR);
        site.put(Input::Clock(None)).unwrap();
        site.run_for(HOUR);
        let now = Civil(Civil::at(MONDAY, 0).0 + site.now);
        site.put(Input::Clock(Some(now))).unwrap();
    };
    assert_eq!(lesson(&mut site, lost), Lesson::NoClock);
    assert_eq!(lesson(&mut site, |site| cut(site, 20 * SEC, true)), Lesson::PowerOff);
    assert_eq!(lesson(&mut site, |site| site.operate(Action::Leave { days: 0 }).unwrap()), Lesson::Absence);
    assert_eq!(lesson(&mut site, |site| site.operate(Action::Return).unwrap()), Lesson::Absence);
    let moved = |site: &mut Site<1>| {
        site.run_for(4 * HOUR);
        for to in [8, 6] {
            let civil = Civil::at(MONDAY, 0).0 + site.now + to * HOUR - 6 * HOUR;
            site.put(Input::Clock(Some(Civil(civil)))).unwrap();
        }
    };
    assert_eq!(lesson(&mut site, moved), Lesson::ClockMoved);
    // An hour forward just before a day begins, and back again just after: it begins once, and was a day like others.
    let told = days(&site).len();
    site.run_for(10 * HOUR);
    site.gulp(500);
    site.run_for(13 * HOUR + 30 * MIN);
    for by in [HOUR, 0] {
        let shown = Civil::at(MONDAY, 0).0 + site.now + by;
        site.put(Input::Clock(Some(Civil(shown)))).unwrap();
        site.run_for(10 * MIN);
    }
    site.run_for(HOUR);
    let new = days(&site).split_off(told);
    assert_eq!(new.iter().map(|day| (day.litres, day.lesson)).collect::<Vec<_>>(), [(500, Lesson::Learned)]);
}

/// R1, O7: a week in which hardly any water is used, announced or not, leaves the forecast as it was; a house that is
/// closed on Sundays is learned all the same.
#[test]
fn r1_a_week_of_absence_teaches_nothing() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    live(&mut site, &[600, 600, 600, 600, 600, 600, 20].repeat(3));
    let before = *site.controller.forecast().habits();
    assert_eq!((before[6].mean_l, before[6].days), (20, 2), "the first closed Sunday passed for absence");
    let kept = site.controller.reserve_in_force().kept;
    live(&mut site, &[59; 6]);
    live(&mut site, &[1]);
    assert_eq!(*site.controller.forecast().habits(), before);
    assert_eq!(site.controller.reserve_in_force().kept, kept);
    assert!(days(&site).iter().rev().take(7).all(|day| day.lesson == Lesson::Absence));
    // A tenth of the mean is no absence.
    live(&mut site, &[60]);
    assert!(site.controller.forecast().habits()[0].mean_l < before[0].mean_l);
}

/// R2, C5: where windows forbid starts on some days, the reserve lasts to the next hour that is permitted.
#[test]
fn r2_the_reserve_lasts_to_the_next_permitted_hour() {
    let mut raw = delayed(single());
    let mut weekend = Weekdays::EMPTY;
    weekend.insert(Weekday::Saturday);
    weekend.insert(Weekday::Sunday);
    raw.windows.push(window(weekend, 0, 1_439)).unwrap();
    let mut site = Site::<1>::new(raw);
    site.run_to(H2);
    live(&mut site, &[500; 17]);
    // Thursday evening: from Friday's hour to Monday's.
    site.run_to(17 * DAY + 20 * HOUR);
    let ahead = |site: &Site<1>| {
        let (from, until) = site.controller.reserve_in_force().covers.unwrap();
        let longest = u64::from(site.controller.settings().longest_regeneration().0);
        (from.day() - MONDAY, (until.0 - from.0 - longest) / DAY)
    };
    assert_eq!(ahead(&site), (18, 3));
    let friday = site.controller.reserve_in_force().kept;
    assert!(friday > litres(1_500), "{friday:?}");
    site.run_to(20 * DAY + 20 * HOUR);
    assert_eq!(ahead(&site), (21, 1));
    assert!(site.controller.reserve_in_force().kept < litres(1_000));
    // A tank with less than three days left on Friday does not wait for Monday.
    site.run_to(24 * DAY + 20 * HOUR);
    let left = site.controller.tanks()[0].ledger().remaining();
    site.gulp((left.0 / 1_000_000_000) as u32 - 1_400);
    assert_eq!(site.causes(1), [Cause::Reserve]);
    site.run_to(25 * DAY + H2 + MIN);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// R1: floor and ceiling bound what is kept back, and more than the ceiling is never kept back.
#[test]
fn r1_floor_and_ceiling() {
    for (floor, ceiling, use_l, kept) in [(300, 800, 100, 3_000), (0, 400, 4_000, 4_000)] {
        let mut raw = delayed(single());
        raw.reserve =
            Reserve::Learned(RawLearned { floor_per_mille: floor, ceiling_per_mille: ceiling, ..RawLearned::usual() });
        let mut site = Site::<1>::new(raw);
        site.run_to(H2);
        live(&mut site, &[use_l; 8]);
        let now = site.controller.reserve_in_force();
        assert_eq!((now.basis, now.kept), (Basis::Forecast, litres(kept)));
    }
}

/// R2: immediate starts keep back what flows until another tank has taken over, nothing where there is none, and of
/// tanks that all serve what each treats while the others have their turn.
#[test]
fn r2_immediate_starts_keep_back_little() {
    let learned = |raw: RawSettings| RawSettings { start: StartRule::Immediate, ..delayed(raw) };
    let kept = |raw: RawSettings| {
        let mut site = Site::<3>::new(raw);
        site.run_to(H2);
        live(&mut site, &[700; 7]);
        let longest = u64::from(site.controller.settings().longest_regeneration().0);
        let now = site.controller.reserve_in_force();
        assert_eq!((now.basis, now.covers), (Basis::Forecast, None));
        (now.kept, longest)
    };
    // 700 and two deviations of 175 L a day, three times as fast at a busy time.
    let busy = |ms: u64| Volume(litres(1_050).0 / DAY * (3 * ms) + litres(1_050).0 % DAY * (3 * ms) / DAY);
    assert_eq!(kept(learned(single())).0, Volume::ZERO);
    // Two travels of 4 min at the most and a purge of 2 min.
    assert_eq!(kept(learned(alternating())).0, busy(10 * MIN));
    // Two of three may stand in front; two share the water meanwhile.
    let (each, longest) = kept(learned(parallel(3)));
    assert_eq!(each, Volume(busy(2 * longest).0.div_ceil(2)));
    // With two at once nobody waits for more than one turn, and one alone has all the water.
    let mut raw = learned(parallel(3));
    raw.max_regenerating = 2;
    let (each, longest) = kept(raw);
    assert_eq!(each, busy(longest));
}

/// R2, A7: tanks that serve together share what is kept back; one that is taken out leaves more to each of the others.
#[test]
fn r2_tanks_in_parallel_share_the_reserve() {
    let mut site = Site::<3>::new(delayed(parallel(3)));
    site.run_to(H2);
    live(&mut site, &[900; 8]);
    let three = site.controller.reserve_in_force().kept;
    let asks_in = |site: &Site<3>| site.controller.tanks()[0].ledger().asks_in();
    let before = asks_in(&site);
    site.operate(Action::TakeOut(TankId(2))).unwrap();
    site.run_for(MIN);
    let two = site.controller.reserve_in_force().kept;
    assert!(two > three, "{three:?} {two:?}");
    assert_eq!(before.minus(asks_in(&site)), two.minus(three));
}

/// T1, R1: without civil time nothing waits for the hour, so that hardly anything is kept back.
#[test]
fn r1_without_a_clock_hardly_anything_is_kept_back() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    live(&mut site, &[500; 8]);
    assert!(site.controller.tanks()[0].ledger().asks_in() < site.controller.tanks()[0].ledger().remaining());
    site.put(Input::Clock(None)).unwrap();
    assert_eq!(site.controller.reserve_in_force().basis, Basis::NoClock);
    assert_eq!(site.controller.tanks()[0].ledger().asks_in(), site.controller.tanks()[0].ledger().remaining());
}

/// R1, S10: what was learned outlives a power cut.
#[test]
fn r1_the_forecast_is_retained() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    live(&mut site, &[500; 9]);
    site.gulp(77);
    let known = *site.controller.forecast();
    assert_eq!(site.controller.used_today(), litres(77));
    cut(&mut site, HOUR, false);
    assert_eq!(site.controller.forecast().habits(), known.habits());
    assert_eq!(site.controller.used_today(), litres(77));
}

/// P6, S5: dark time in service is charged at the forecast, to an account of its own, and counts for switching; a tank
/// that stood ready is charged nothing.
#[test]
fn p6_dark_time_is_charged_at_the_forecast() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(H2);
    live(&mut site, &[500; 8]);
    site.run_for(HOUR);
    let lost = site.controller.settings().retain_volume();
    let before = site.controller.accounts();
    let (used, ready) = (site.controller.tanks()[0].ledger().clone(), site.controller.tanks()[1].ledger().clone());
    cut(&mut site, 12 * HOUR, true);
    let after = site.controller.accounts();
    // The means alone: half of 500 L a day.
    let charged = after.estimated.0 - before.estimated.0;
    assert_eq!(charged, u128::from(lost.plus(litres(250)).0));
    assert_eq!((after.metered, after.charged), (before.metered, before.charged));
    let ledger = site.controller.tanks()[0].ledger();
    assert_eq!(ledger.since_regeneration(), used.since_regeneration().plus(lost).plus(litres(250)));
    assert_eq!(ledger.estimated(), lost.plus(litres(250)));
    assert_eq!(site.controller.tanks()[1].ledger().since_regeneration(), ready.since_regeneration());
    // Twelve days more: the estimate alone switches over.
    site.run_for(MIN);
    cut(&mut site, 12 * DAY, true);
    site.run_for(10 * MIN);
    assert_eq!(site.duty(2), DutyKind::Serving);
    assert!(site.said.iter().any(|r| matches!(r.event, Event::Asked { tank: TankId(0), cause: Cause::Exhausted })));
}

/// P6, T3: before anything was learned a quarter of capacity stands for a day, but no more than the meters can pass; a
/// time in the dark that nobody knows counts as a day.
#[test]
fn p6_before_use_is_known_a_quarter_of_capacity_is_a_day() {
    let charged = |raw: RawSettings, off_ms: u64, clock_kept: bool| {
        let mut site = Site::<2>::new(raw);
        cut(&mut site, off_ms, clock_kept);
        let lost = site.controller.settings().retain_volume();
        Volume(u64::try_from(site.controller.accounts().estimated.0).unwrap()).minus(lost)
    };
    assert_eq!(charged(alternating(), 12 * HOUR, true), litres(1_250));
    assert_eq!(charged(alternating(), 12 * HOUR, false), litres(2_500));
    let mut slow = alternating();
    slow.meter.rated_max = Flow(1_000);
    assert_eq!(charged(slow, 12 * HOUR, true), litres(720));
    // Two that serve together have twice as much in store, of which each is charged its half.
    assert_eq!(charged(parallel(2), 12 * HOUR, true), litres(2_500));
    let settings = Settings::baseline();
    assert!(settings.tank_volume() > litres(1_000_000_000));
}

/// P6, M5: the bypass takes its share of what flowed in the dark; no bed is charged for it.
#[test]
fn p6_the_bypass_is_not_charged() {
    let mut raw = alternating();
    raw.sharing.bypass_per_mille = 200;
    let mut site = Site::<2>::new(raw);
    site.run_to(H2);
    live(&mut site, &[500; 8]);
    let before = site.controller.accounts().estimated.0;
    cut(&mut site, DAY, true);
    let lost = site.controller.settings().retain_volume();
    assert_eq!(site.controller.accounts().estimated.0 - before, u128::from(lost.plus(litres(400)).0));
}

/// S11, O2: a reserve that follows use is taken at once, and one that is set ends it.
#[test]
fn r1_the_kind_of_reserve_may_change() {
    let mut site = Site::<1>::new(delayed(single()));
    site.run_to(H2);
    live(&mut site, &[500; 8]);
    let learned = site.controller.reserve_in_force().kept;
    let take = |site: &mut Site<1>, reserve: Reserve| {
        let raw = RawSettings { reserve, ..delayed(single()) };
        site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
        let ledger = site.controller.tanks()[0].ledger();
        ledger.remaining().minus(ledger.asks_in())
    };
    assert_eq!(take(&mut site, Reserve::Fixed(litres(123))), litres(123));
    assert_eq!(take(&mut site, Reserve::None), Volume::ZERO);
    assert_eq!(take(&mut site, Reserve::Learned(RawLearned::usual())), learned);
    // An hour that moves leaves a day that is not learned.
    let raw = RawSettings { hour_minute: 600, ..delayed(single()) };
    site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap()).unwrap();
    let told = days(&site).len();
    site.run_for(DAY);
    assert_eq!(days(&site)[told].lesson, Lesson::ClockMoved);
    assert_eq!(site.controller.settings().hour_grace, Millis::from_hours(3));
}
