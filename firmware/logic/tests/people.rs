//! The lock before changes, changes on a copy, and the walk through a new plant (O1–O4, O6).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::commission::{HardnessTest, MeterCheck, Name, Task, Walk};
use bedkeeper::draft::{Draft, NotTaken, ResetTo, StepTimes};
use bedkeeper::drive::DriveEvent;
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Reason, Record, Who};
use bedkeeper::lock::{Key, LockEvent, LockRule};
use bedkeeper::operator::{Action, Refused};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::settings::{
    Effect, ExhaustedInWindow, MeterPlace, Problem, RawDerating, RawMetals, RawMeter, RawSettings, RemoteRole, Reserve,
    Schedule, Settings, WhenClockUnset, difference,
};
use bedkeeper::units::{Flow, Hardness, Millis, SaltMass, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper::{Controller, Input};
use support::*;

const PANEL: Who = Who::Panel;
const SERIAL: Who = Who::Serial;

fn locked(panel: LockRule) -> Site<2> {
    let mut raw = alternating();
    raw.locks.panel = panel;
    Site::new(raw)
}

fn offer(site: &mut Site<2>, who: Who, key: Key) -> Result<(), Refused> {
    site.put(Input::Unlock { who, key })
}

fn hold(site: &mut Site<2>, who: Who) -> Result<(), Refused> {
    site.put(Input::Operator { who, action: Action::Hold(TankId(0)) })
}

/// Everything anyone can look at.
fn looked_at(controller: &Controller<2>) -> String {
    format!("{:?}{:?}{:?}", controller.why(TankId(0)), controller.tanks(), controller.accounts())
}

/// O1: behind a closed lock nothing changes, and looking goes on; a press opens the one at the panel only.
#[test]
fn o1_a_press_opens_and_time_closes() {
    let mut site = locked(LockRule::Press);
    let before = looked_at(&site.controller);
    assert_eq!(hold(&mut site, PANEL), Err(Refused::Locked));
    assert_eq!(looked_at(&site.controller), before);
    assert_eq!(
        site.said.last().map(|r| r.event),
        Some(Event::Operator { who: PANEL, action: Action::Hold(TankId(0)), granted: false })
    );

    // The serial line has a lock of its own, and here none.
    assert_eq!(hold(&mut site, SERIAL), Ok(()));
    assert_eq!(offer(&mut site, PANEL, Key::Code(1)), Err(Refused::WrongKey));
    assert_eq!(offer(&mut site, PANEL, Key::Press), Ok(()));
    assert_eq!(hold(&mut site, PANEL), Ok(()));

    // Nine minutes later it is open still, and what is asked keeps it so; ten minutes of nothing close it.
    site.run_for(9 * MIN);
    assert_eq!(hold(&mut site, PANEL), Ok(()));
    site.run_for(10 * MIN - 1);
    assert!(site.controller.is_unlocked(t(site.now), PANEL));
    site.run_for(1);
    assert!(!site.controller.is_unlocked(t(site.now), PANEL));
    assert_eq!(hold(&mut site, PANEL), Err(Refused::Locked));
}

/// O1: someone who closes the lock has closed it.
#[test]
fn o1_a_lock_is_closed_by_hand() {
    let mut site = locked(LockRule::Press);
    offer(&mut site, PANEL, Key::Press).unwrap();
    site.put(Input::Relock { who: PANEL }).unwrap();
    assert_eq!(hold(&mut site, PANEL), Err(Refused::Locked));
    let locks: Vec<_> = site
        .said
        .iter()
        .filter_map(|r| match r.event {
            Event::Lock { who, event } => Some((who, event)),
            _ => None,
        })
        .collect();
    assert_eq!(locks, [(PANEL, LockEvent::Opened), (PANEL, LockEvent::Closed)]);
}

/// O1: after the second wrong code each further one bars the lock, twice as long each time, up to an hour.
#[test]
fn o1_wrong_codes_bar_for_longer_and_longer() {
    let mut site = locked(LockRule::Code(4711));
    assert_eq!(offer(&mut site, PANEL, Key::Press), Err(Refused::WrongKey));
    assert_eq!(offer(&mut site, PANEL, Key::Code(1)), Err(Refused::WrongKey));
    for bar_min in [1, 2, 4, 8, 16, 32, 60, 60] {
        assert_eq!(offer(&mut site, PANEL, Key::Code(2)), Err(Refused::WrongKey));
        // Barred, even the right code does not open it, and a try while barred costs nothing.
        site.run_for(bar_min * MIN - 1);
        assert_eq!(offer(&mut site, PANEL, Key::Code(4711)), Err(Refused::Barred));
        site.run_for(1);
    }
    assert_eq!(offer(&mut site, PANEL, Key::Code(4711)), Ok(()));
    assert_eq!(hold(&mut site, PANEL), Ok(()));
    // The right code forgets the wrong ones.
    site.put(Input::Relock { who: PANEL }).unwrap();
    assert_eq!(offer(&mut site, PANEL, Key::Code(3)), Err(Refused::WrongKey));
    assert_eq!(offer(&mut site, PANEL, Key::Code(4711)), Ok(()));
}

/// O2: a change is shown as a difference, and taken whole.
#[test]
fn o2_a_draft_is_taken_whole() {
    let mut site: Site<2> = Site::new(alternating());
    let mut draft = Draft::begin(site.controller.settings());
    let now = t(site.now);
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Err(NotTaken::NothingChanged));

    draft.raw.backup_days = 4;
    draft.raw.reserve = Reserve::Share(100);
    let shown = draft.difference();
    let listed: Vec<_> = shown.changes().iter().map(|c| (c.field, c.effect)).collect();
    assert_eq!(listed, [("reserve", Effect::AtOnce), ("backup_days", Effect::AtOnce)]);
    // Nothing of it runs before it is taken.
    assert_eq!(site.controller.settings().backup_days, 0);
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Ok(()));
    assert_eq!(site.controller.settings().raw(), &draft.raw);
}

/// O2, S11: a draft with one fault in it changes nothing, not even what is good in it.
#[test]
fn o2_a_faulty_draft_changes_nothing() {
    let mut site: Site<2> = Site::new(alternating());
    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.backup_days = 4;
    draft.raw.reserve = Reserve::Share(1_000);
    let before = site.controller.clone();
    let now = t(site.now);
    let Err(NotTaken::Faulty(faults)) = draft.take(&mut site.controller, now, PANEL) else { panic!("taken") };
    assert_eq!(faults.listed()[0].problem, Problem::ReserveNotBelowCapacity);
    assert_eq!(faults.count(), 1);
    assert!(draft.check().is_err());
    assert_eq!(site.controller, before);
}

/// O1, O2: behind a closed lock a draft is not taken; one that began before somebody else's change is not either.
#[test]
fn o2_a_draft_behind_a_lock_or_behind_the_times_is_not_taken() {
    let mut site = locked(LockRule::Press);
    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.backup_days = 4;
    let mut other = Draft::begin(site.controller.settings());
    other.raw.backup_days = 5;
    let now = t(site.now);
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Err(NotTaken::Locked));
    assert_eq!(other.take(&mut site.controller, now, SERIAL), Ok(()));
    offer(&mut site, PANEL, Key::Press).unwrap();
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Err(NotTaken::ChangedMeanwhile));
    assert_eq!(site.controller.settings().backup_days, 5);
}

/// O2: while a regeneration runs, what does not shape it is taken at once, and what does says that it waits.
#[test]
fn o2_what_shapes_the_running_regeneration_waits_for_it() {
    let mut site: Site<2> = Site::new(alternating());
    site.put(Input::Operator { who: PANEL, action: Action::StartNow(TankId(1)) }).unwrap();
    site.run_for(MIN);
    assert!(site.controller.tanks()[1].regeneration().is_some());

    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.backup_days = 4;
    let now = t(site.now);
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Ok(()));

    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.program[0].length = Millis::from_mins(12);
    assert_eq!(draft.difference().effect(), Some(Effect::BetweenRegenerations));
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Err(NotTaken::Regenerating));
    site.run_for(3 * HOUR);
    assert!(site.controller.tanks()[1].regeneration().is_none());
    let now = t(site.now);
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Ok(()));

    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.tanks = 1;
    assert_eq!(draft.difference().effect(), Some(Effect::Restart));
    draft.raw.arrangement = bedkeeper::settings::Arrangement::Single;
    assert_eq!(draft.take(&mut site.controller, now, PANEL), Err(NotTaken::NeedsRestart));
}

/// O2: the list of changes has room for every field, where all of them differ.
#[test]
fn o2_the_difference_has_room_for_every_field() {
    let from = RawSettings::baseline();
    let mut to = staged(3);
    to.metals = RawMetals {
        iron_ug_per_l: 1,
        manganese_ug_per_l: 1,
        iron_counts_as: Hardness(1),
        manganese_counts_as: Hardness(1),
    };
    to.derating = RawDerating {
        per_year_per_mille: 1,
        resin_new_on: Some(1),
        test_limit: Hardness(1),
        failed_test_per_mille: 1,
        passed_test_per_mille: 1,
        restore_to_per_mille: 1,
        least_per_mille: 1,
    };
    to.meter = RawMeter {
        place: MeterPlace::PerTank,
        measures_steps: true,
        pulse_nl: 1,
        pulse_divisor: 2,
        min_closed: Millis(1),
        min_open: Millis(1),
        rated_max: Flow(1),
        noisy_per_mille: 1,
    };
    (to.reserve, to.hour_minute, to.hour_grace, to.exhausted_at_once) = (Reserve::Share(1), 1, Millis(1), true);
    (to.backup_days, to.absence_backup_days, to.schedule) = (1, 1, Schedule::EveryDays(1));
    to.windows.push(all_days(60, 120)).unwrap();
    (to.finish_before_window, to.exhausted_in_window) = (false, ExhaustedInWindow::Override);
    (to.changeover_in_window, to.when_clock_unset) = (false, WhenClockUnset::HoldAll);
    (to.remote, to.remote_minimum, to.hold_off_limit) = (RemoteRole::Now, Millis(1), Millis(1));
    (to.contact_debounce, to.start_flow_limit, to.flow_wait_limit) = (Millis(1), Flow(1), Millis(1));
    (to.discharge_limit, to.max_regenerating, to.allow_untreated) = (Volume(1), 2, true);
    (to.stale_after, to.purge, to.backwash_every, to.dose_after_backwash_percent) = (Millis(1), Millis(1), 2, 1);
    to.program.pop();
    (to.salt, to.overdue_after, to.locks.panel) = (SaltMass(1), Millis(1), LockRule::Press);
    (to.brine.low_doses, to.power.max_restarts, to.relays[0].inverted) = (1, 1, true);
    (to.sharing.tank_flow, to.sharing.join_dwell) = (Flow(1), Millis(1));
    (to.sharing.draining_together, to.sharing.bypass_per_mille) = (2, 1);
    to.sharing.shared_valve = behind_one_valve().sharing.shared_valve;
    let found = difference(&from, &to);
    let fields: std::collections::BTreeSet<_> = found.changes().iter().map(|c| c.field).collect();
    // Of four groups each field for itself.
    let (whole, sharing, metals, derating, meter) = (39, 7, 4, 7, 8);
    assert_eq!(found.changes().len(), whole + sharing + metals + derating + meter, "{fields:?}");
    assert_eq!(fields.len(), found.changes().len());
    assert_eq!(found.effect(), Some(Effect::Restart));
}

/// O2: what differs is listed, field by field, and nothing else.
#[test]
fn o2_the_difference_lists_each_field_once() {
    let from = RawSettings::baseline();
    let mut to = from.clone();
    to.meter.pulse_nl = 7;
    to.windows.push(all_days(60, 120)).unwrap();
    to.program.pop();
    let found = difference(&from, &to);
    let fields: Vec<_> = found.changes().iter().map(|c| c.field).collect();
    assert_eq!(fields, ["windows", "program", "meter.pulse_nl"]);
    assert!(difference(&from, &from).is_empty());
}

fn all_days(from: u16, to: u16) -> bedkeeper::calendar::Window {
    window(bedkeeper::calendar::Weekdays::ALL_DAYS, from, to)
}

/// O3: a reset fills the draft with the site's baseline, or with the built-in one on request; it still has to be taken.
#[test]
fn o3_a_reset_returns_to_the_baseline_asked_for() {
    let mut site: Site<2> = Site::new(alternating());
    let stored = site.controller.settings().raw().clone();
    let mut draft = Draft::begin(site.controller.settings());
    draft.raw.backup_days = 9;
    let now = t(site.now);
    draft.take(&mut site.controller, now, PANEL).unwrap();

    let mut draft = Draft::begin(site.controller.settings());
    draft.reset(ResetTo::Site(&stored));
    assert_eq!(site.controller.settings().backup_days, 9);
    draft.take(&mut site.controller, now, PANEL).unwrap();
    assert_eq!(site.controller.settings().raw(), &stored);

    draft.reset(ResetTo::BuiltIn);
    assert_eq!(draft.raw, RawSettings::baseline());
}

/// O4: another controller's settings are taken whole or refused with the reason; step times may stay, codes always do.
#[test]
fn o4_a_copy_is_taken_whole_or_refused() {
    let mut theirs = alternating();
    theirs.backup_days = 3;
    theirs.program[0].length = Millis::from_mins(7);
    theirs.locks.panel = LockRule::Code(1);
    let mut own = alternating();
    own.locks.serial = LockRule::Code(2);
    let mut site: Site<2> = Site::new(own.clone());
    site.put(Input::Unlock { who: SERIAL, key: Key::Code(2) }).unwrap();
    let now = t(site.now);

    let mut draft = Draft::begin(site.controller.settings());
    draft.copy_from(&theirs, StepTimes::Kept);
    assert_eq!(draft.raw.program, own.program);
    draft.take(&mut site.controller, now, SERIAL).unwrap();
    assert_eq!(site.controller.settings().backup_days, 3);
    assert_eq!(site.controller.settings().locks, own.locks);

    let mut draft = Draft::begin(site.controller.settings());
    draft.copy_from(&theirs, StepTimes::Copied);
    assert_eq!(draft.raw.program, theirs.program);

    // From a site of another kind: refused, and nothing has changed.
    let before = site.controller.clone();
    draft.copy_from(&single(), StepTimes::Copied);
    assert_eq!(draft.take(&mut site.controller, now, SERIAL), Err(NotTaken::NeedsRestart));
    assert_eq!(site.controller, before);
}

/// O6: the walk is done when every position was seen, brine filled, air purged, meter and hardness measured.
#[test]
fn o6_the_walk_is_signed_when_everything_was_seen() {
    let mut site: Site<2> = Site::new(alternating());
    let mut walk = Walk::begin(site.controller.settings());
    let name = || Name::try_from("A. Fitter (invented)").unwrap();
    let all = Err(walk.left());
    // A refill that was skipped filled nothing.
    let (tank, drained) = (TankId(0), Volume::ZERO);
    let event = Event::StepEnded { tank, step: StepKind::BrineRefill, ran: Millis::ZERO, drained };
    walk.observe(&Record { at: t(0), civil: None, event });
    assert_eq!(walk.sign(name(), None), all);
    assert_eq!(walk.left().iter().count(), 5);

    // Both tanks regenerate, each stepped through or run, and the walk looks on.
    for tank in [1, 0] {
        site.put(Input::Operator { who: PANEL, action: Action::StartNow(TankId(tank)) }).unwrap();
        site.run_for(4 * HOUR);
    }
    site.said.iter().for_each(|record| walk.observe(record));
    assert!(walk.is_settled(Task::Positions), "{:?}", walk.positions_left(TankId(0)));
    assert!(walk.is_settled(Task::FirstBrineFill) && walk.is_settled(Task::AirPurge));

    // 50 pulses of 1 L for 40 L caught: a quarter too much, which does not pass.
    let settings = site.controller.settings().clone();
    let check = MeterCheck::new(&settings, 50, Volume::from_litres(40)).unwrap();
    assert_eq!(check.error_per_mille, 250);
    walk.meter_checked(check);
    assert!(!walk.is_settled(Task::MeterCheck));
    walk.meter_checked(MeterCheck::new(&settings, 50, Volume::from_litres(51)).unwrap());
    assert!(walk.is_settled(Task::MeterCheck));
    assert_eq!(MeterCheck::new(&settings, 9, Volume::from_litres(9)), None);
    assert_eq!(MeterCheck::new(&settings, 50, Volume::ZERO), None);

    walk.hardness_tested(HardnessTest { feed: Hardness(300_000), treated: Hardness(40_000) });
    assert_eq!(walk.left().iter().collect::<Vec<_>>(), [Task::HardnessTest]);
    walk.hardness_tested(HardnessTest { feed: Hardness(300_000), treated: Hardness(3_000) });
    let signed = walk.sign(name(), None).unwrap();
    assert!(signed.skipped.is_empty());
    assert_eq!(signed.meter.map(|m| m.error_per_mille), Some(-20));
}

/// O6: what is left out is left out by name, and the record says so.
#[test]
fn o6_what_is_skipped_stands_in_the_record() {
    let settings = Settings::try_from(single()).unwrap();
    let mut walk = Walk::begin(&settings);
    for task in Task::ALL {
        walk.skip(*task);
    }
    let signed = walk.sign(Name::new(), None).unwrap();
    assert_eq!(signed.skipped.iter().count(), Task::ALL.len());
    assert_eq!(walk.positions_left(TankId(0)).iter().count(), settings.positions().iter().count());
    assert!(walk.positions_left(TankId(0)).contains(Position::BrineDraw));
    assert!(settings.has_step(StepKind::BrineDraw) && !settings.has_step(StepKind::Settle));
}

fn operate(site: &mut Site<2>, action: Action) -> Result<(), Refused> {
    site.put(Input::Operator { who: PANEL, action })
}

fn duties(site: &Site<2>) -> [DutyKind; 2] {
    [0, 1].map(|i: usize| site.controller.tanks()[i].duty().kind())
}

/// O7, C2: while people are away backup days stretch to their limit; the usual ones hold again on return.
#[test]
fn o7_backup_days_stretch_while_people_are_away() {
    let asked = |backup_days: u8, leave: Option<u8>| {
        let mut raw = alternating();
        raw.backup_days = backup_days;
        raw.absence_backup_days = 8;
        let mut site: Site<2> = Site::new(raw);
        site.put(Input::Pulses { meter: 0, count: 10 }).unwrap();
        if let Some(days) = leave {
            operate(&mut site, Action::Leave { days }).unwrap();
        }
        site.run_for(12 * DAY);
        let backup = |r: &&bedkeeper::journal::Record| {
            matches!(r.event, Event::Asked { cause: bedkeeper::demand::Cause::BackupDay, .. })
        };
        site.said.iter().find(backup).map(|r| r.at.as_ticks() / DAY)
    };
    assert_eq!(asked(3, None), Some(3));
    assert_eq!(asked(3, Some(0)), Some(8));
    // The absence ends by itself after five days, and the bed is overdue by then.
    assert_eq!(asked(3, Some(5)), Some(5));
    // A site without backup days has none then either.
    assert_eq!(asked(0, Some(0)), None);
}

/// O7, A5, S3: on return the ready bed is flushed while the other serves, takes over, and then the other is flushed.
#[test]
fn o7_on_return_each_bed_is_flushed_while_the_other_serves() {
    let mut site: Site<2> = Site::new(alternating());
    assert_eq!(operate(&mut site, Action::Return), Err(Refused::NotAway));
    operate(&mut site, Action::Leave { days: 0 }).unwrap();
    site.run_for(10 * DAY);
    assert_eq!(duties(&site), [DutyKind::Serving, DutyKind::Ready]);
    site.said.clear();
    operate(&mut site, Action::Return).unwrap();
    let end = site.now + HOUR;
    let mut seen = vec![duties(&site)];
    while site.now < end {
        site.run_for(SEC);
        assert!(site.controller.tanks().iter().any(|t| t.duty().kind() == DutyKind::Serving), "none serves");
        if seen.last() != Some(&duties(&site)) {
            seen.push(duties(&site));
        }
    }
    use DutyKind::{Purging, Ready, Serving};
    assert_eq!(seen, [[Serving, Purging], [Serving, Ready], [Ready, Serving], [Purging, Serving], [Ready, Serving]]);
    assert_eq!(site.said.iter().filter(|r| matches!(r.event, Event::PurgeEnded { .. })).count(), 2);
}

/// O7: a short absence leaves no stagnant bed behind.
#[test]
fn o7_after_a_short_absence_nothing_is_flushed() {
    let mut site: Site<2> = Site::new(alternating());
    operate(&mut site, Action::Leave { days: 2 }).unwrap();
    assert!(site.controller.away_since().is_some());
    site.run_for(3 * DAY);
    assert!(site.controller.away_since().is_none());
    assert!(!site.said.iter().any(|r| matches!(r.event, Event::PurgeEnded { .. })));
}

/// O7, A2: on return a changeover that is under way comes first: the bed that takes over is not sent to the drain on its way,
/// and each bed is fresh in the end, by its regeneration or by a flush.
#[test]
fn o7_a_return_does_not_break_into_a_changeover() {
    let (one, two) = (TankId(0), TankId(1));
    let mut site: Site<2> = Site::new(alternating());
    operate(&mut site, Action::Leave { days: 0 }).unwrap();
    site.run_for(10 * DAY);
    // So it has not stood long when it is to take over.
    operate(&mut site, Action::TakeOut(two)).unwrap();
    operate(&mut site, Action::Vouch(two)).unwrap();
    operate(&mut site, Action::StartNow(one)).unwrap();
    site.hear();
    site.run_for(5 * SEC);
    operate(&mut site, Action::Return).unwrap();
    site.run_for(4 * HOUR);
    let fits = |(_, event): &(u64, Event)| {
        matches!(event, Event::Duty { .. } | Event::ChangeoverBegan { .. } | Event::PurgeEnded { .. })
    };
    let said: Vec<Event> = site.hear().into_iter().filter(fits).map(|(_, event)| event).collect();
    let duty = |tank, duty, reason| Event::Duty { tank, duty, reason };
    let complete = Reason::Ended(Outcome::Complete);
    let expected = [
        duty(two, DutyKind::Serving, Reason::TookOver),
        duty(one, DutyKind::Spent, Reason::Relieved),
        duty(one, DutyKind::Regenerating, Reason::Started),
        duty(one, DutyKind::Ready, complete),
        Event::ChangeoverBegan { from: Some(two), to: one },
        duty(one, DutyKind::Serving, Reason::TookOver),
        duty(two, DutyKind::Ready, Reason::Relieved),
        duty(two, DutyKind::Purging, Reason::Stale),
        Event::PurgeEnded { tank: two, drained: Volume::from_litres(16) },
        duty(two, DutyKind::Ready, Reason::Purged),
    ];
    assert_eq!(said, expected);
}

/// O7, V2: on return a bed whose valve is being sought is flushed when the valve has been found, and not before.
#[test]
fn o7_on_return_a_valve_that_is_sought_is_found_first() {
    let mut site: Site<2> = Site::new(alternating());
    operate(&mut site, Action::Leave { days: 0 }).unwrap();
    site.run_for(10 * DAY);
    site.valves[1].put_after(Position::Standby);
    site.tell_switches();
    site.run_for(2 * SEC);
    assert!(site.controller.tanks()[1].drive().is_seeking());
    site.hear();
    operate(&mut site, Action::Return).unwrap();
    let returned = site.now;
    site.run_for(2 * MIN);
    // A second's rest is left; then all six places but a half, less a tenth at which the switch closes, and the coast.
    let (turns, found) = (returned + SEC, returned + SEC + 54_000 + 500);
    let expected = [
        (returned, Event::AbsenceEnded),
        (returned, Event::Operator { who: PANEL, action: Action::Return, granted: true }),
        (turns, drive(2, DriveEvent::Moving(Position::Standby))),
        (found, drive(2, DriveEvent::Confirmed(Position::Standby))),
        (found, Event::Duty { tank: TankId(1), duty: DutyKind::Purging, reason: Reason::Stale }),
        (found, drive(2, DriveEvent::Moving(Position::FastRinse))),
        (found, Event::AlarmCleared(Alarm::ValveMoved)),
        (found + 40 * SEC + 500, drive(2, DriveEvent::Confirmed(Position::FastRinse))),
    ];
    assert_eq!(site.hear(), expected);
}

/// O6, S12: a valve is tried only while its tank is out, never into service or brine, and goes back by itself.
#[test]
fn o6_a_valve_is_tried_while_its_tank_is_out() {
    let mut site: Site<2> = Site::new(alternating());
    let (tank, try_it) = (TankId(1), |position| Action::TestDrive { tank: TankId(1), position });
    assert_eq!(operate(&mut site, try_it(Position::Backwash)), Err(Refused::NotOut));
    operate(&mut site, Action::TakeOut(tank)).unwrap();
    for position in [Position::Service, Position::BrineDraw] {
        assert_eq!(operate(&mut site, try_it(position)), Err(Refused::NotTried));
    }
    assert_eq!(operate(&mut site, try_it(Position::SlowRinse)), Err(Refused::NoSuchPosition));
    assert_eq!(operate(&mut site, Action::EndTest), Err(Refused::NothingTried));

    operate(&mut site, try_it(Position::Backwash)).unwrap();
    let began = site.now;
    site.run_for(4 * MIN);
    assert_eq!(site.controller.tanks()[1].drive().position(), Some(Position::Backwash));
    assert_eq!(duties(&site), [DutyKind::Serving, DutyKind::Out]);
    site.run_to(began + 5 * MIN + 2 * MIN);
    assert_eq!(site.controller.tanks()[1].drive().position(), Some(Position::Standby));
    let ended = site.said.iter().find(|r| matches!(r.event, Event::TestEnded { .. })).unwrap();
    assert_eq!(ended.at.as_ticks(), began + 5 * MIN);

    // Put back in the middle of a test, the tank regenerates as ever.
    operate(&mut site, try_it(Position::FastRinse)).unwrap();
    site.run_for(MIN);
    operate(&mut site, Action::PutBack(tank)).unwrap();
    site.run_for(4 * HOUR);
    assert_eq!(duties(&site), [DutyKind::Serving, DutyKind::Ready]);
}

/// O6, S1: while one valve is tried in a position that discharges, no other tank is given the drain.
#[test]
fn o6_a_test_takes_its_share_of_the_drain() {
    let mut raw = alternating();
    raw.allow_untreated = true;
    let mut site: Site<2> = Site::new(raw);
    operate(&mut site, Action::TakeOut(TankId(1))).unwrap();
    site.run_for(MIN);
    operate(&mut site, Action::TestDrive { tank: TankId(1), position: Position::Backwash }).unwrap();
    site.run_for(MIN);
    operate(&mut site, Action::StartNow(TankId(0))).unwrap();
    let end = site.now + 10 * MIN;
    while site.now < end {
        site.run_for(SEC);
        let open = site.valves.iter().filter(|v| v.position().is_some_and(Position::discharges)).count();
        assert!(open <= 1, "two tanks discharge");
    }
    assert!(site.controller.tanks()[0].regeneration().is_some());
}
