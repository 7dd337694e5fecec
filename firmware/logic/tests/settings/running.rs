//! What runs when settings do not pass, and when they change while a plant runs.

use super::*;

/// S11: the built-in baseline passes its own check and says the same as settings made from it.
#[test]
fn s11_the_baseline_passes_its_own_check() {
    assert_eq!(Settings::try_from(RawSettings::baseline()), Ok(Settings::baseline()));
}

/// S11: on the baseline the controller serves, starts nothing by itself for months of water, and the alarm stands.
#[test]
fn s11_the_baseline_serves_and_starts_nothing() {
    let mut controller = Controller::<1>::on_baseline(t(0)).unwrap();
    let here = bedkeeper::Input::Switches { tank: TankId(0), closed: bedkeeper::drive::Switches(1) };
    controller.handle(t(0), here).unwrap();
    let mut started = 0;
    for hour in 1..5_000u64 {
        let _ = controller.handle(t(hour * HOUR), bedkeeper::Input::Pulses { meter: 0, count: 1_000 });
        while let Some(record) = controller.take_record() {
            started += u32::from(matches!(record.event, Event::Started { .. } | Event::Asked { .. }));
        }
    }
    assert_eq!(started, 0);
    assert!(controller.outputs().alarms.contains(Alarm::SettingsRejected));
    assert!(Controller::<0>::on_baseline(t(0)).is_err());
}

/// S11: settings that do not pass are refused with an alarm and the last good ones run on; good ones clear it.
#[test]
fn s11_the_last_good_settings_run_on() {
    let mut site = Site::<1>::new(single());
    site.run_to(6 * HOUR);
    site.hear();
    let before = site.controller.settings().clone();
    site.controller.reject_settings(t(site.now));
    assert_eq!(site.controller.settings(), &before);
    site.put(bedkeeper::Input::Tick).unwrap();
    let at = site.now;
    assert_eq!(site.hear(), [(at, Event::SettingsRefused), (at, Event::AlarmRaised(Alarm::SettingsRejected))]);
    site.run_for(DAY);
    assert!(site.controller.outputs().alarms.contains(Alarm::SettingsRejected));
    let mut raw = single();
    raw.hour_minute = 300;
    site.hear();
    let good = Settings::try_from(raw).unwrap();
    site.controller.change_settings(t(site.now), good.clone()).unwrap();
    site.put(bedkeeper::Input::Tick).unwrap();
    let at = site.now;
    assert_eq!(site.hear(), [(at, Event::SettingsTaken), (at, Event::AlarmCleared(Alarm::SettingsRejected))]);
    assert_eq!(site.controller.settings(), &good);
}

/// S11, O2: settings are taken whole or not at all: not those that shape a regeneration while one runs, and not those of
/// another plant.
#[test]
fn s11_settings_are_taken_whole_or_not_at_all() {
    let mut site = Site::<2>::new(alternating());
    site.run_to(6 * HOUR);
    site.put(bedkeeper::Input::Tick).unwrap();
    let before = site.controller.clone();
    let others: &[Change] = &[
        |r| *r = single(),
        |r| r.meter.place = MeterPlace::PerTank,
        |r| cam_of(r, |travel, _, _, _| *travel = Millis::from_mins(5)),
    ];
    for change in others {
        let mut raw = alternating();
        change(&mut raw);
        let refused = site.controller.change_settings(t(site.now), Settings::try_from(raw).unwrap());
        assert_eq!(refused, Err(SettingsRefused::NeedsRestart));
        assert_eq!(site.controller, before);
    }
    site.operate(Action::StartNow(TankId(0))).unwrap();
    site.run_until_duty(1, bedkeeper::duty::DutyKind::Regenerating, HOUR);
    let mut raw = alternating();
    raw.program[0].length = Millis::from_mins(9);
    let other = Settings::try_from(raw).unwrap();
    let before = site.controller.settings().clone();
    assert_eq!(site.controller.change_settings(t(site.now), other.clone()), Err(SettingsRefused::Regenerating));
    assert_eq!(site.controller.settings(), &before);
    site.run_until_duty(1, bedkeeper::duty::DutyKind::Ready, 4 * HOUR);
    assert_eq!(site.controller.change_settings(t(site.now), other), Ok(()));
}
