//! What a board keeps of its site for good: baseline, signature, hardness tests (O3, O6, P2).
#![allow(clippy::arithmetic_side_effects, clippy::result_large_err)]
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::as_conversions)]

mod common;

use std::cell::RefCell;

use bedkeeper::calendar::Civil;
use bedkeeper::commission::{HardnessTest, MeterCheck, Name, SignedOff, TaskSet};
use bedkeeper::draft::{Draft, NotTaken};
use bedkeeper::hardness_log::{HardnessEntry, KEPT};
use bedkeeper::image::{Image, MAX_BYTES, SiteName, SiteNote};
use bedkeeper::journal::{BoardWish, Event, Record, Who};
use bedkeeper::lock::LockRule;
use bedkeeper::settings::{Medium, RawDrive, RawSettings, Settings};
use bedkeeper::units::{Exchange, Hardness, Instant, TankId, Volume};
use bedkeeper::{Action, Input};
use bedkeeper_runtime::archive::{Archive, Kept, Recent};
use bedkeeper_runtime::baseline::{Baseline, Done, Refused};
use bedkeeper_runtime::dossier::{Dossier, Layout};
use bedkeeper_runtime::link::Place;
use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::machine::{Board, Machine, Parts, Records};
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::power_up::Chosen;
use bedkeeper_runtime::store::SharedFlash;
use common::{BUFFER, Bench, Clock, Edges, Pin, parts};

const PAGE: usize = 4_096;
type Flash = MockFlash<4, PAGE>;
type Shared = RefCell<Flash>;
type Loop = Machine<WithDossier, 2, BUFFER>;

/// The bench with a flash for what is kept for good.
struct WithDossier;

impl Board for WithDossier {
    type Output = Pin;
    type Input = Pin;
    type Meters = Edges;
    type Clock = Clock;
    type Flash = common::Flash;
    type Records = Both;
}

/// Records go to the bench and to what a board keeps.
struct Both(Bench, Kept<SharedFlash<'static, Flash>, 8>);

impl Records for Both {
    fn note(&mut self, record: &Record) {
        self.0.borrow_mut().records.push(*record);
        self.1.note(record);
    }

    fn keep_baseline(&mut self, image: &[u8]) -> bool {
        self.1.keep_baseline(image)
    }

    fn baseline(&mut self) -> Option<Image> {
        self.1.baseline()
    }
}

fn blank() -> Shared {
    RefCell::new(Flash::new(Layout::PAGES as usize))
}

fn mount(flash: &Shared) -> Dossier<SharedFlash<'_, Flash>> {
    Dossier::mount([SharedFlash(flash); 4], Layout::new(0, PAGE as u32, 4).unwrap()).unwrap()
}

/// A hardness test whose numbers are as wide as they can be.
fn test(number: u64) -> [Record; 2] {
    let (at, civil) = (Instant::from_ticks(u64::MAX - 1_000 + number), Some(Civil(u64::MAX)));
    let hard = Hardness(u32::MAX);
    let tested = Event::HardnessTested { tank: TankId(7), treated: hard, feed: Some(hard), left: Volume(u64::MAX) };
    let changed = Event::CapacityChanged {
        tank: TankId(7),
        kept_per_mille: u16::MAX,
        by_age_per_mille: 0,
        by_tests_per_mille: 0,
    };
    [tested, changed].map(|event| Record { at, civil, event })
}

fn signature(by: &str) -> SignedOff {
    let hard = Hardness(u32::MAX);
    SignedOff {
        by: Name::try_from(by).unwrap(),
        at: Some(Civil(u64::MAX)),
        skipped: TaskSet::EMPTY,
        meter: Some(MeterCheck { pulses: u32::MAX, caught: Volume(u64::MAX), error_per_mille: i32::MIN }),
        hardness: Some(HardnessTest { feed: hard, treated: hard }),
    }
}

fn image(name: &str) -> Image {
    Image { name: SiteName::try_from(name).unwrap(), note: SiteNote::new(), raw: RawSettings::baseline() }
}

fn keep(dossier: &mut Dossier<SharedFlash<'_, Flash>>, image: &Image) -> bool {
    dossier.keep_baseline(image.encode(&mut [0; MAX_BYTES]).unwrap()).is_ok()
}

/// O6: the latest hardness tests, with what each changed, and the signed record are there after every power-up, however
/// wide their numbers; other records leave no trace.
#[test]
fn o6_tests_and_signature_are_read_back() {
    let flash = blank();
    assert_eq!((mount(&flash).hardness().entries().len(), mount(&flash).signed().unwrap()), (0, None));
    for number in 0..100 {
        let mut dossier = mount(&flash);
        for record in test(number) {
            dossier.note(&record).unwrap();
        }
        let before = flash.borrow().steps();
        let other = Record { at: Instant::from_ticks(0), civil: None, event: Event::HourFired };
        dossier.note(&other).unwrap();
        assert_eq!(flash.borrow().steps(), before, "nothing is written for it");
        dossier.prepare().unwrap();
    }
    let dossier = mount(&flash);
    let entries = dossier.hardness().entries();
    assert_eq!(entries.len(), KEPT);
    for (entry, number) in entries.iter().zip(100 - KEPT as u64..) {
        assert_eq!((entry.at, entry.changed_to_per_mille), (test(number)[0].at, Some(u16::MAX)));
        assert_eq!((entry.tank, entry.feed, entry.left), (TankId(7), Some(Hardness(u32::MAX)), Volume(u64::MAX)));
    }
    for by in ["first", "a name of 24 characters!"] {
        mount(&flash).keep_signed(&signature(by)).unwrap();
        assert_eq!(mount(&flash).signed().unwrap(), Some(signature(by)));
    }
}

/// P2, O3, O6: at whichever byte power fails, the one before or the new one is there, whole, and the next write succeeds.
#[test]
fn p2_a_cut_at_any_byte_leaves_one_or_the_other() {
    let old = blank();
    let mut dossier = mount(&old);
    // So often that the next write needs another page.
    for _ in 0..3 {
        assert!(keep(&mut dossier, &image("old")));
    }
    for _ in 0..40 {
        dossier.keep_signed(&signature("old")).unwrap();
    }
    for number in 0..7 {
        dossier.note(&test(number)[0]).unwrap();
    }
    let tests = dossier.hardness().entries().len();
    let mut cuts = 0;
    for what in 0..3 {
        for steps in 0.. {
            let flash = RefCell::new(old.borrow().clone());
            let mut dossier = mount(&flash);
            flash.borrow_mut().fail_in(steps);
            let done = match what {
                0 => keep(&mut dossier, &image("new")),
                1 => dossier.keep_signed(&signature("new")).is_ok(),
                _ => dossier.note(&test(50)[0]).is_ok(),
            };
            if done && !flash.borrow().is_dark() {
                break;
            }
            cuts += 1;
            flash.borrow_mut().power_up();
            let mut dossier = mount(&flash);
            let name = dossier.baseline().unwrap().expect("one is there").name;
            let by = dossier.signed().unwrap().expect("one is there").by;
            let seen = dossier.hardness().entries().len();
            assert!(name == "old" || (what == 0 && name == "new"), "{name} after {steps}");
            assert!(by == "old" || (what == 1 && by == "new"), "{by} after {steps}");
            assert!(seen == tests || (what == 2 && seen == tests + 1), "{seen} after {steps}");
            assert!(keep(&mut dossier, &image("again")) && dossier.keep_signed(&signature("again")).is_ok());
            dossier.note(&test(60)[0]).unwrap();
            let mut dossier = mount(&flash);
            assert_eq!(dossier.baseline().unwrap().unwrap().name, "again");
            assert_eq!(dossier.signed().unwrap().unwrap().by, "again");
            assert_eq!(dossier.hardness().entries().last().unwrap().at, test(60)[0].at);
        }
    }
    assert!(cuts > 300, "{cuts} cuts were tried");
}

/// O6: a test that could not be written is written with the next record.
#[test]
fn o6_a_test_that_was_not_written_is_not_forgotten() {
    let flash = blank();
    let mut dossier = mount(&flash);
    flash.borrow_mut().fail_in(3);
    assert!(dossier.note(&test(0)[0]).is_err());
    flash.borrow_mut().power_up();
    dossier.note(&Record { at: Instant::from_ticks(0), civil: None, event: Event::HourFired }).unwrap();
    assert_eq!(mount(&flash).hardness().entries().len(), 1);
}

/// The image of the settings in its place.
#[derive(Default)]
struct InPlace(Option<Image>);

impl Place for InPlace {
    fn keep(&mut self, image: &[u8]) -> bool {
        self.0 = Image::decode(image).ok();
        true
    }
}

fn machine(bench: &Bench, flash: &'static Shared, raw: RawSettings) -> Loop {
    bench.borrow_mut().closed.insert("switch-1", true);
    let chosen = Chosen { settings: Settings::try_from(raw).unwrap(), rejected: None };
    let Parts { plant, meters, clock, store, .. } = parts(bench, MockFlash::new(3));
    let kept = Kept { recent: Recent::new(), history: None, dossier: Some(mount(flash)) };
    let parts = Parts { plant, meters, clock, store, records: Both(bench.clone(), kept) };
    let mut machine: Loop = Machine::power_up(parts, chosen, 0).unwrap().unwrap();
    for at_ms in [100, 600, 2_000] {
        machine.pass(at_ms).unwrap();
    }
    machine
}

fn said(bench: &Bench) -> Vec<Event> {
    bench.borrow_mut().records.drain(..).map(|record| record.event).collect()
}

/// What was refused to somebody.
fn refused(who: Who, wish: BoardWish) -> Event {
    Event::AskedOfBoard { who, wish, granted: false }
}

/// O3, O2, Q5: the settings that run become the site's baseline; changed, they are brought back by a reset, which is
/// journalled and kept for the next power-up; the built-in baseline comes on request.
#[test]
fn o3_the_site_s_baseline_is_stored_and_returned_to() {
    let (bench, flash): (_, &'static Shared) = (Bench::default(), Box::leak(Box::new(blank())));
    let mut raw = RawSettings::baseline();
    raw.hour_minute = 3 * 60;
    let mut machine = machine(&bench, flash, raw.clone());
    let (label, mut place) = (Label::default(), InPlace::default());
    said(&bench);
    let none = machine.reset_to(Baseline::Site, &mut place, &label, Who::Panel, true, 3_000).unwrap();
    assert_eq!((none, said(&bench)), (Err(Refused::NoBaseline), vec![refused(Who::Panel, BoardWish::Settings)]));
    machine.store_baseline(&label, Who::Serial, 3_000).unwrap().unwrap();
    assert_eq!(said(&bench), [Event::BaselineStored { who: Who::Serial }]);
    let unchanged = machine.reset_to(Baseline::Site, &mut place, &label, Who::Panel, true, 3_500).unwrap();
    assert_eq!(unchanged, Err(Refused::NotTaken(NotTaken::NothingChanged)));
    let mut draft = Draft::begin(machine.controller().settings());
    draft.raw.hour_minute = 5 * 60;
    machine.take_settings(4_000, &draft, Who::Panel).unwrap().unwrap();
    said(&bench);
    let done = machine.reset_to(Baseline::Site, &mut place, &label, Who::Panel, true, 5_000).unwrap();
    assert_eq!(done, Ok(Done::Kept));
    assert_eq!(*machine.controller().settings().raw(), raw);
    assert_eq!(place.0.as_ref().map(|image| &image.raw), Some(&raw));
    assert!(said(&bench).contains(&Event::SettingsChanged { who: Who::Panel }));
    let done = machine.reset_to(Baseline::BuiltIn, &mut place, &label, Who::Panel, true, 6_000).unwrap();
    assert_eq!(done, Ok(Done::Kept));
    assert_eq!(*machine.controller().settings().raw(), RawSettings::baseline());
    assert_eq!(mount(flash).baseline().unwrap().unwrap().raw, raw, "the site's own is still there");
}

/// O3, O2: a baseline that describes another plant is kept for the next power-up and journalled, and what runs runs on;
/// without leave to wait for a restart, and where it cannot be kept, nothing is done.
#[test]
fn o3_a_reset_to_another_plant_waits_for_a_restart() {
    let (bench, flash): (_, &'static Shared) = (Bench::default(), Box::leak(Box::new(blank())));
    let mut raw = RawSettings::baseline();
    if let RawDrive::CamSwitch { travel_limit, .. } = &mut raw.drive {
        travel_limit.0 += 1_000;
    }
    let mut machine = machine(&bench, flash, raw.clone());
    let (label, mut place) = (Label::default(), InPlace::default());
    said(&bench);
    let no = machine.reset_to(Baseline::BuiltIn, &mut place, &label, Who::Panel, false, 3_000).unwrap();
    assert_eq!(no, Err(Refused::NotTaken(NotTaken::NeedsRestart)));
    let lost = machine.reset_to(Baseline::BuiltIn, &mut (), &label, Who::Panel, true, 3_100).unwrap();
    let tried = refused(Who::Panel, BoardWish::Settings);
    assert_eq!((lost, said(&bench)), (Err(Refused::NotStored), vec![tried, tried]));
    assert!(place.0.is_none());
    let done = machine.reset_to(Baseline::BuiltIn, &mut place, &label, Who::Panel, true, 3_200).unwrap();
    assert_eq!((done, said(&bench)), (Ok(Done::AtRestart), vec![Event::SettingsAwaitRestart { who: Who::Panel }]));
    assert_eq!(place.0.map(|image| image.raw), Some(RawSettings::baseline()));
    assert_eq!(*machine.controller().settings().raw(), raw, "what ran runs on");
}

/// O6: every hardness test that an operator tells a board is in its log, and there after the next power-up; one that is
/// refused is not.
#[test]
fn o6_what_an_operator_measures_is_kept() {
    let (bench, flash): (_, &'static Shared) = (Bench::default(), Box::leak(Box::new(blank())));
    let mut raw = RawSettings::baseline();
    raw.medium =
        Medium::Softener { hardness: Hardness(100_000), capacity: Exchange(100_000_000), total: Exchange(200_000_000) };
    let mut machine = machine(&bench, flash, raw);
    let treated = [Hardness(1_000), Hardness(20_000), Hardness(2_000)];
    for (treated, at_ms) in treated.into_iter().zip([3_000, 4_000, 5_000]) {
        let action = Action::TestHardness { tank: TankId(0), treated, feed: None };
        machine.ask(at_ms, Input::Operator { who: Who::Serial, action }).unwrap().unwrap();
    }
    let action = Action::TestHardness { tank: TankId(1), treated: Hardness(0), feed: None };
    assert!(machine.ask(6_000, Input::Operator { who: Who::Serial, action }).unwrap().is_err());
    let kept = |entries: &[HardnessEntry]| entries.iter().map(|entry| entry.treated).collect::<Vec<_>>();
    assert_eq!(kept(machine.parts_mut().records.1.hardness_tests()), treated);
    assert_eq!(kept(mount(flash).hardness().entries()), treated);
}

/// O3, O1: nothing is stored or reset through a closed lock, while a valve moves, or where the flash fails; codes of locks
/// stay as they are.
#[test]
fn o3_baselines_are_kept_behind_the_lock_and_from_moving_valves() {
    let (bench, flash): (_, &'static Shared) = (Bench::default(), Box::leak(Box::new(blank())));
    let mut raw = RawSettings::baseline();
    raw.locks.serial = LockRule::Press;
    let mut machine = machine(&bench, flash, raw.clone());
    let (label, mut place) = (Label::default(), InPlace::default());
    said(&bench);
    assert_eq!(machine.store_baseline(&label, Who::Serial, 3_000).unwrap(), Err(Refused::Locked));
    let reset = machine.reset_to(Baseline::BuiltIn, &mut place, &label, Who::Serial, true, 3_000).unwrap();
    let tried = [BoardWish::Baseline, BoardWish::Settings].map(|wish| refused(Who::Serial, wish));
    assert_eq!((reset, said(&bench)), (Err(Refused::Locked), tried.to_vec()));
    flash.borrow_mut().fail_in(3);
    assert_eq!(machine.store_baseline(&label, Who::Panel, 3_000).unwrap(), Err(Refused::NotStored));
    flash.borrow_mut().power_up();
    assert_eq!(said(&bench), [refused(Who::Panel, BoardWish::Baseline)], "what was not stored is told so");
    let mut draft = Draft::begin(machine.controller().settings());
    draft.raw.hour_minute = 5 * 60;
    machine.take_settings(4_000, &draft, Who::Panel).unwrap().unwrap();
    let done = machine.reset_to(Baseline::BuiltIn, &mut place, &label, Who::Panel, true, 5_000).unwrap();
    assert_eq!((done, machine.controller().settings().raw().locks), (Ok(Done::Kept), raw.locks));
    machine.call(6_000, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    for at_ms in [8_000, 10_000, 12_000] {
        machine.pass(at_ms).unwrap();
    }
    assert!(machine.is_moving());
    let moving = machine.store_baseline(&label, Who::Panel, 12_100).unwrap();
    assert_eq!(moving, Err(Refused::ValveMoves));
    assert_eq!(mount(flash).baseline().unwrap(), None);
}
