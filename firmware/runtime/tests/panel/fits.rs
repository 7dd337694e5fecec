//! Every text fits the display, whatever there is to tell.

use bedkeeper::Action;
use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::{RegenerationRecord, StepLength};
use bedkeeper::commission::{MeterCheck, Task};
use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::demand::{Cause, CauseSet, Hold, HoldSet};
use bedkeeper::drive::{DriveEvent, End};
use bedkeeper::duty::DutyKind;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::journal::{BoardWish, Event, Reason, Record, Who};
use bedkeeper::lock::LockEvent;
use bedkeeper::operator::{AlarmAction, Refused};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::reserve::{DayUse, Lesson};
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::settings::{MAX_STEPS, Medium, RawStep};
use bedkeeper::units::{Flow, Hardness, Instant, Millis, SaltMass, TankId, Volume};
use bedkeeper::watch::Alarm;
use bedkeeper_runtime::panel::fields::{FieldId, GROUPS, Kind};
use bedkeeper_runtime::panel::kept::{Wanted, fetch};
use bedkeeper_runtime::panel::page::{BODY_ROWS, COLUMNS, Look};
use bedkeeper_runtime::panel::show::Units;
use bedkeeper_runtime::panel::words;
use bedkeeper_runtime::panel::{Amount, Body, Entry, LineField, Moments, Screen, Told};
use bedkeeper_runtime::self_test::{CHECKS, Finding};

use super::picture::{Dots, HEIGHT, WIDTH};
use super::scene::{SEC, Scene, alternating, parallel};

/// Looks at a whole screen: no row too long, nothing cut, nothing beside the display, no dot where a neighbour's text is.
fn holds(scene: &mut Scene, screen: &Screen) -> Body {
    scene.open(screen.clone());
    let whole = scene.panel.body(screen, &scene.sight());
    assert!(!whole.is_cut(), "{screen:?}: cut");
    for _ in (0..whole.count().max(1)).step_by(BODY_ROWS) {
        let page = scene.page();
        for row in &page.rows {
            let room = if matches!(row.look, Look::Gauge(_)) { 15 } else { COLUMNS };
            assert!(row.text.chars().count() <= room, "{screen:?}: {:?}", row.text);
        }
        let mut dots = Dots::new(HEIGHT);
        page.draw(&mut dots).unwrap();
        assert!(!dots.beside, "{screen:?}: drawn beside the display");
        // A row on its own shows the same dots: none reaches into another.
        for at in 0..8 {
            let mut strip = Dots::new(8);
            page.draw_row(at, &mut strip).unwrap();
            assert!(!strip.beside && strip.lit == dots.lit[at * 8 * WIDTH..][..8 * WIDTH], "{screen:?}: row {at}");
        }
        for _ in 0..BODY_ROWS {
            scene.short(bedkeeper_runtime::panel::Button::Down);
        }
    }
    scene.press(bedkeeper_runtime::panel::Press::Long(bedkeeper_runtime::panel::Button::Back));
    whole
}

fn both_units(scene: &mut Scene, screen: &Screen) {
    for units in [Units::Metric, Units::Us] {
        scene.panel.units = units;
        holds(scene, screen);
    }
}

fn screens() -> Vec<Screen> {
    let tank = TankId(0);
    let mut all = vec![
        Screen::Home { at: 0 },
        Screen::Menu { at: 0 },
        Screen::Tank { tank, at: 0 },
        Screen::TankDeeds { tank, at: 0 },
        Screen::PlantDeeds { at: 0 },
        Screen::Alarms { at: 0 },
        Screen::Water { at: 0 },
        Screen::Journal { at: 0 },
        Screen::Groups { at: 0 },
        Screen::Review { at: 0 },
        Screen::ReviewDeeds { at: 0 },
        Screen::Baselines { at: 0 },
        Screen::SureOfBaseline { at: 0 },
        Screen::Tests { at: 0 },
        Screen::Line { at: 0 },
        Screen::EditLine { field: LineField::Address, value: 247 },
        Screen::EditLine { field: LineField::Speed, value: 4 },
        Screen::Regenerations { at: 0 },
        Screen::Regeneration { back: 0, at: 0 },
        Screen::Days { at: 0 },
        Screen::Counters { at: 0 },
        Screen::Note { at: 0 },
        Screen::Trials { at: 0 },
        Screen::Inputs { at: 0 },
        Screen::Walk { at: 0 },
        Screen::Signed { at: 0 },
        Screen::Checks { at: 0 },
        Screen::SetClock(Moments::begin(None)),
        Screen::Lock(Entry::new()),
        Screen::Sign(Entry::new()),
    ];
    all.extend(
        Alarm::ALL
            .iter()
            .flat_map(|alarm| [Screen::Alarm { alarm: *alarm, at: 0 }, Screen::AlarmDeeds { alarm: *alarm, at: 0 }]),
    );
    for (group, _) in GROUPS {
        all.push(Screen::Fields { group, of: 0, at: 0 });
        all.extend(
            group.parts().into_iter().flat_map(|group| (0..27).map(move |of| Screen::Fields { group, of, at: 0 })),
        );
    }
    all.extend(Task::ALL.iter().map(|task| Screen::Task { task: *task, at: 0 }));
    all
}

/// What is there at the start, and with eight tanks.
#[test]
fn every_screen_fits() {
    for raw in [alternating(), parallel(8)] {
        let mut scene = Scene::new(raw);
        for check in CHECKS {
            scene.findings.note(check, Finding::Failed);
        }
        for screen in screens() {
            both_units(&mut scene, &screen);
        }
    }
}

/// The largest figures that settings, counters and meters can come to.
#[test]
fn the_longest_values_fit() {
    let mut raw = parallel(8);
    raw.medium = Medium::Softener {
        hardness: Hardness(5_000_000),
        capacity: bedkeeper::units::Exchange(1_000_000_000_000_000),
        total: bedkeeper::units::Exchange(2_000_000_000_000_000),
    };
    raw.meter.pulse_nl = 1_000_000_000_000;
    raw.meter.rated_max = Flow(u32::MAX);
    raw.watch.small_flow = Flow(1_000_000);
    raw.meter.min_closed = Millis(1);
    raw.meter.min_open = Millis(1);
    while raw.program.len() < MAX_STEPS {
        raw.program.push(RawStep::timed(StepKind::FastRinse, Millis(12 * 3_600_000), Flow(u32::MAX / 1_000))).unwrap();
    }
    let mut scene = Scene::new(raw);
    scene.tests.push(HardnessEntry {
        tank: TankId(7),
        at: Instant::from_ticks(u64::MAX),
        civil: Some(Civil(10_000 * 86_400_000)),
        treated: Hardness(u32::MAX),
        feed: Some(Hardness(u32::MAX)),
        left: Volume(u64::MAX),
        changed_to_per_mille: Some(999),
    });
    scene.tell(bedkeeper::Input::Pulses { meter: 0, count: 4_000 });
    scene.advance(SEC);
    scene.tell(bedkeeper::Input::Pulses { meter: 0, count: 4_000 });
    for screen in screens() {
        both_units(&mut scene, &screen);
    }
    let raw = scene.controller.settings().raw().clone();
    for field in FieldId::all(&raw) {
        for value in [0, 1, 1_499, u64::from(u32::MAX), 1_000_000_000_000_000] {
            let screen = match field.kind() {
                Kind::Set(_) => Screen::EditSet { field, value, at: 0 },
                Kind::Code => Screen::SetCode { field, entry: Entry { places: [9; 10], at: 9 } },
                _ => Screen::Edit { field, value },
            };
            let longer = matches!(screen, Screen::EditSet { .. });
            assert!(
                longer || holds(&mut scene, &screen).count() <= BODY_ROWS,
                "{:?} {screen:?} is longer than the display",
                field.name()
            );
        }
    }
    for of in [
        Amount::Caught,
        Amount::Feed { tank: TankId(7) },
        Amount::Treated { tank: TankId(7), feed: Hardness(5_000_000) },
    ] {
        let screen = Screen::Amount { of, value: 1_000_000_000_000_000 };
        assert!(holds(&mut scene, &screen).count() <= BODY_ROWS, "{screen:?} is longer than the display");
    }
}

/// P7: the longest regeneration and the largest days fit; the summary of one needs no scrolling.
#[test]
fn what_is_kept_fits() {
    let mut scene = Scene::new(alternating());
    for leading in Cause::ALL {
        let steps = StepKind::ALL.iter().map(|kind| StepLength { kind: *kind, ran_s: u16::MAX }).collect();
        let mut causes = CauseSet::EMPTY;
        Cause::ALL.iter().for_each(|cause| {
            causes.insert(*cause);
        });
        scene.kept.regenerations = vec![RegenerationRecord {
            tank: TankId(7),
            began_minute: None,
            took_minutes: u16::MAX,
            leading: *leading,
            causes,
            outcome: Outcome::Complete,
            volume: Volume(10_000_000_000_000_000),
            overrun: Volume(u64::MAX),
            salt: SaltMass(u32::MAX),
            drained_ml: u32::MAX,
            steps,
        }];
        scene.kept.days = vec![DayUse { day: u16::MAX, litres: 99_999_999, lesson: Lesson::Learned }; 400];
        for units in [Units::Metric, Units::Us] {
            scene.panel.units = units;
            for screen in
                [Screen::Regenerations { at: 0 }, Screen::Regeneration { back: 0, at: 0 }, Screen::Days { at: 0 }]
            {
                scene.open(screen.clone());
                let days = matches!(screen, Screen::Days { .. });
                let wanted = if days { Wanted::Week(0) } else { Wanted::Regeneration(0) };
                scene.panel.give(fetch(&mut scene.kept, wanted));
                let rows = holds(&mut scene, &screen).count();
                assert!(matches!(screen, Screen::Regeneration { .. }) || rows <= BODY_ROWS, "{screen:?} {leading}");
                assert!(rows >= 7, "{screen:?}: {rows}");
            }
        }
    }
}

/// What must be read at once is never longer than the display.
#[test]
fn questions_and_entries_need_no_scrolling() {
    let mut scene = Scene::new(alternating());
    for action in actions() {
        let screen = Screen::Sure { action, at: 0 };
        assert!(holds(&mut scene, &screen).count() <= BODY_ROWS, "{screen:?} is longer than the display");
    }
    let full = Entry { places: [9; 10], at: 9 };
    let screens =
        [Screen::Lock(full), Screen::Sign(Entry { places: [23; 8], at: 7 }), Screen::SetClock(Moments::begin(None))];
    for screen in screens {
        assert!(holds(&mut scene, &screen).count() <= BODY_ROWS, "{screen:?} is longer than the display");
    }
}

fn actions() -> Vec<Action> {
    let tank = TankId(7);
    let mut all = vec![
        Action::StartNow(tank),
        Action::StartAtHour(tank),
        Action::Withdraw(tank),
        Action::StepForward(tank),
        Action::Abort(tank),
        Action::Hold(tank),
        Action::Release(tank),
        Action::TakeOut(tank),
        Action::PutBack(tank),
        Action::Vouch(tank),
        Action::ShutByHand(tank),
        Action::Leave { days: 255 },
        Action::Return,
        Action::TestRelay { relay: 3, seconds: 60 },
        Action::TestContacts,
        Action::CountPulses { meter: 7 },
        Action::Caught { volume: Volume(u64::MAX) },
        Action::EndTest,
        Action::TestHardness { tank, treated: Hardness(u32::MAX), feed: None },
        Action::ReplaceResin(tank),
        Action::BrineReady,
        Action::SaltFilled,
        Action::Alarm(AlarmAction::AcknowledgeAll),
        Action::Alarm(AlarmAction::Maintained),
    ];
    all.extend(Position::ALL.iter().map(|position| Action::TestDrive { tank, position: *position }));
    all.extend(
        Alarm::ALL
            .iter()
            .flat_map(|alarm| [AlarmAction::Acknowledge(*alarm), AlarmAction::Reset(*alarm)])
            .map(Action::Alarm),
    );
    all
}

/// One record of each kind, with every word that it can have and the largest figures.
fn events() -> Vec<Event> {
    let (tank, water, salt) = (TankId(7), Volume(u64::MAX), SaltMass(u32::MAX));
    let (ran, at) = (Millis(u32::MAX), Instant::from_ticks(u64::MAX));
    let mut all = vec![
        Event::HardnessTested { tank, treated: Hardness(u32::MAX), feed: Some(Hardness(u32::MAX)), left: water },
        Event::CapacityChanged { tank, kept_per_mille: 999, by_age_per_mille: 999, by_tests_per_mille: 999 },
        Event::ChangeoverBegan { from: Some(tank), to: tank },
        Event::ChangeoverBegan { from: None, to: tank },
        Event::PurgeEnded { tank, drained: water },
        Event::HourFired,
        Event::HourMissed,
        Event::DayEnded(DayUse { day: u16::MAX, litres: u32::MAX, lesson: Lesson::Learned }),
        Event::ClockSet { moved_s: Some(-3_155_759_999) },
        Event::ClockSet { moved_s: None },
        Event::ClockLost,
        Event::RemoteIgnored { tank },
        Event::AbsenceEnded,
        Event::TestEnded { tank },
        Event::RelayTestEnded { relay: 3 },
        Event::CountGivenUp { meter: 7 },
        Event::PowerReturned { off: Some(ran) },
        Event::PowerReturned { off: None },
        Event::RetainedLost,
        Event::HeldWithoutBrine { tank },
        Event::SettingsTaken,
        Event::SettingsRefused,
        Event::Held { tank, holds: HoldSet::EMPTY },
    ];
    let mut holds = HoldSet::EMPTY;
    let mut causes = CauseSet::EMPTY;
    let mut moved = ContactSet::EMPTY;
    for hold in Hold::ALL.iter().rev() {
        holds.insert(*hold);
        all.push(Event::Held { tank, holds });
    }
    for cause in Cause::ALL {
        causes.insert(*cause);
        all.push(Event::Asked { tank, cause: *cause });
        all.push(Event::Started { tank, leading: *cause, causes, asked_at: at });
    }
    for contact in Contact::ALL {
        moved.insert(*contact);
        all.push(Event::ContactsTested { moved });
        all.push(Event::Contact { contact: *contact, closed: true });
    }
    for error_per_mille in [i32::MIN, 0, i32::MAX] {
        let check = MeterCheck { pulses: u32::MAX, caught: water, error_per_mille };
        all.push(Event::MeterChecked { meter: 7, check });
    }
    for step in StepKind::ALL.iter().copied() {
        all.push(Event::StepStarted { tank, step });
        all.push(Event::StepInterrupted { tank, step });
        all.push(Event::StepEnded { tank, step, ran, drained: water });
        let outcomes = [
            AfterPower::Resumed,
            AfterPower::StepAgain,
            AfterPower::BeganAgain,
            AfterPower::RinsedFirst,
            AfterPower::GaveUp,
            AfterPower::RefillCounted,
            AfterPower::RefillStopped,
        ];
        all.extend(outcomes.map(|outcome| Event::AfterPower { tank, step, outcome }));
    }
    for outcome in [Outcome::Complete, Outcome::Aborted, Outcome::Failed] {
        all.push(Event::Ended { tank, outcome, volume: water, overrun: water, salt });
    }
    for alarm in Alarm::ALL.iter().copied() {
        all.extend([Event::AlarmRaised(alarm), Event::AlarmLatched(alarm), Event::AlarmCleared(alarm)]);
    }
    let reasons = [
        Reason::TookOver,
        Reason::Relieved,
        Reason::Joined,
        Reason::FlowFell,
        Reason::DrainTaken,
        Reason::Started,
        Reason::Ended(Outcome::Complete),
        Reason::MakeUp,
        Reason::MadeUp,
        Reason::Stale,
        Reason::Purged,
        Reason::Operator,
        Reason::DriveLost,
        Reason::NoneServing,
        Reason::BrineInBed,
        Reason::PlaceInDoubt,
        Reason::GaveWay,
    ];
    for duty in DutyKind::ALL.iter().copied() {
        all.extend(reasons.map(|reason| Event::Duty { tank, duty, reason }));
    }
    for at in Position::ALL.iter().copied() {
        let told = [
            DriveEvent::Moving(at),
            DriveEvent::Confirmed(at),
            DriveEvent::Retrying(at),
            DriveEvent::MovedAway(at),
            DriveEvent::Passing(at),
            DriveEvent::Passed(at),
        ];
        all.extend(told.map(|event| Event::Drive { tank, event }));
    }
    for event in [DriveEvent::StoodInBrine, DriveEvent::Miscounted, DriveEvent::Lost, DriveEvent::PositionUnknown] {
        all.push(Event::Drive { tank, event });
    }
    all.push(Event::SharedDrive(DriveEvent::Retrying(End::Second)));
    for who in [Who::Panel, Who::Remote, Who::Serial] {
        all.push(Event::SettingsChanged { who });
        all.push(Event::BaselineStored { who });
        all.push(Event::SettingsAwaitRestart { who });
        let line = BoardWish::Line { address: 247, baud: 115_200 };
        let wishes = [
            BoardWish::Clock(Civil(0)),
            BoardWish::Clock(Civil(u64::MAX)),
            line,
            BoardWish::Units,
            BoardWish::Settings,
            BoardWish::Baseline,
        ];
        all.extend(wishes.map(|wish| Event::AskedOfBoard { who, wish, granted: false }));
        let told = [LockEvent::Opened, LockEvent::Closed, LockEvent::WrongCode, LockEvent::Barred];
        all.extend(told.map(|event| Event::Lock { who, event }));
        all.extend(actions().into_iter().map(|action| Event::Operator { who, action, granted: false }));
    }
    all
}

/// Each record is seen whole: a page holds it, with its time.
#[test]
fn every_record_fits_a_page() {
    let mut scene = Scene::new(alternating());
    let all = events();
    for event in &all {
        for civil in [None, scene.controller.clock().civil(scene.sight().now)] {
            scene.recent.note(&Record { at: Instant::from_ticks(0), civil, event: *event });
            for units in [Units::Metric, Units::Us] {
                scene.panel.units = units;
                let screen = Screen::Journal { at: 0 };
                let body = scene.panel.body(&screen, &scene.sight());
                assert!(!body.is_cut() && body.count() <= BODY_ROWS, "{event:?} takes {} rows", body.count());
            }
        }
    }
    holds(&mut scene, &Screen::Journal { at: 0 });
}

/// Few words for each hold and cause: one row of the first screen holds it.
#[test]
fn short_words_are_short() {
    for hold in Hold::ALL {
        assert!(words::hold(*hold).len() + 2 <= COLUMNS, "{hold}");
    }
    for cause in Cause::ALL {
        assert!(words::cause(*cause).len() <= COLUMNS, "{cause}");
    }
    for (_, name) in GROUPS {
        // Room for what is to be taken.
        assert!(name.len() < COLUMNS, "{name}");
    }
}

#[test]
fn every_answer_fits() {
    let mut scene = Scene::new(alternating());
    let all = [
        Told::Granted,
        Told::Opened,
        Told::Taken,
        Told::TakenNotKept,
        Told::NotTaken,
        Told::ValveMoves,
        Told::ClockSet,
        Told::ClockNotKept,
        Told::NotMeasured,
        Told::BaselineStored,
        Told::NoBaseline,
        Told::NoRoom,
        Told::LineSet,
        Told::NotStored,
        Told::NotWired,
        Told::AtRestart,
        Told::Refused(Refused::RelayNotTried),
        Told::Refused(Refused::BatchTooLarge),
        Told::Refused(Refused::NoSuchTime),
        Told::Refused(Refused::HarderThanFeed),
    ];
    for told in all {
        holds(&mut scene, &Screen::Told { told, at: 0 });
    }
}
