//! Windows that permit no regeneration hour, at sites that start at once: nothing waits for such an hour.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::panic)]

mod support;

use bedkeeper::calendar::{Weekday, Weekdays};
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::units::TankId;
use bedkeeper::{Action, RawSettings, Settings};
use support::*;

const ONE: TankId = TankId(0);

/// Starts at once; the hour is 02:00 and a window lasts from midnight to noon.
fn never() -> RawSettings {
    let mut raw = alternating();
    raw.windows = [window(Weekdays::ALL_DAYS, 0, 12 * 60)].into_iter().collect();
    raw
}

/// S8, S9, C5, Q5: a wish for the hour waits for the windows alone, which say when they end.
#[test]
fn s9_a_wish_for_an_hour_that_never_comes_waits_for_the_window() {
    let mut site = Site::<2>::new(never());
    site.run_to(6 * HOUR);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    site.run_for(2 * MIN);
    assert_eq!(site.holds(1), [Hold::Blackout]);
    assert_eq!(site.clears_at(1, Hold::Blackout), Some(12 * HOUR));
    site.run_to(12 * HOUR - 1);
    assert_eq!(site.duty(1), DutyKind::Spent);
    site.run_for(1);
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// S9, O2: so does one that was waiting for an hour which new settings take away.
#[test]
fn s9_new_settings_may_take_the_hour_away() {
    let mut raw = never();
    raw.hour_minute = 13 * 60;
    let mut site = Site::<2>::new(raw);
    site.run_to(18 * HOUR);
    site.operate(Action::StartAtHour(ONE)).unwrap();
    site.run_for(2 * MIN);
    assert_eq!((site.causes(1), site.holds(1)), (vec![Cause::Manual], vec![Hold::UntilHour]));
    site.controller.change_settings(t(site.now), Settings::try_from(never()).unwrap()).unwrap();
    assert_eq!(site.duty(1), DutyKind::Regenerating);
}

/// S11: where starts wait for the hour it must be permitted on some day of the week.
#[test]
fn s11_one_permitted_day_is_enough() {
    let mut raw = never();
    raw.start = bedkeeper::settings::StartRule::AtHour;
    raw.reserve = bedkeeper::settings::Reserve::Share(200);
    let found = Settings::try_from(raw.clone()).unwrap_err().to_string();
    assert!(found.contains("hour never falls"), "{found}");
    let mut days = Weekdays::ALL_DAYS;
    days.remove(Weekday::Monday);
    raw.windows = [window(days, 0, 12 * 60)].into_iter().collect();
    assert!(Settings::try_from(raw).is_ok());
}
