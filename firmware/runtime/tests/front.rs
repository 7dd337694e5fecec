//! A panel on a bench: what goes to the display and when, buttons that are pressed, and what is kept of changes.
#![allow(clippy::arithmetic_side_effects, clippy::result_large_err, dead_code)]
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)]

mod common;

use std::cell::RefCell;
use std::rc::Rc;

use bedkeeper::calendar::Civil;
use bedkeeper::draft::Draft;
use bedkeeper::duty::DutyKind;
use bedkeeper::image::Image;
use bedkeeper::journal::{BoardWish, Event, Record, Who};
use bedkeeper::settings::{Medium, RawSettings, Settings};
use bedkeeper::units::{Hardness, Millis, TankId};
use bedkeeper::{Action, Input};
use bedkeeper_runtime::archive::Latest;
use bedkeeper_runtime::face::{EXPANDER, I2cFace};
use bedkeeper_runtime::front::{Face, Front, Strip};
use bedkeeper_runtime::link::Place;
use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::machine::Machine;
use bedkeeper_runtime::manners::Speed;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::panel::{IDLE_MS, Keeping, Screen, Told, Units};
use bedkeeper_runtime::power_up::Chosen;
use bedkeeper_runtime::self_test::{Check, Finding};
use common::{BUFFER, Bench, Notes, OnBench, parts};
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use embedded_hal_mock::eh1::i2c::{Mock, Transaction};

const MONDAY: Civil = Civil(9_921 * 86_400_000);

type Loop = Machine<OnBench, 2, BUFFER>;

impl core::fmt::Debug for Notes {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Notes")
    }
}

impl Latest for Notes {
    fn noted(&self) -> u32 {
        u32::try_from(self.0.borrow().records.len()).unwrap()
    }

    fn len(&self) -> usize {
        self.0.borrow().records.len()
    }

    fn back(&self, steps: usize) -> Option<&Record> {
        let record = self.0.borrow().records.iter().rev().nth(steps).copied()?;
        Some(Box::leak(Box::new(record)))
    }
}

/// What a display was told, and what fingers do.
#[derive(Default)]
struct Seen {
    begun: u32,
    rows: Vec<(u8, Strip)>,
    pressed: [bool; 4],
    is_torn_off: bool,
}

#[derive(Clone, Default)]
struct Glass(Rc<RefCell<Seen>>);

impl Face for Glass {
    fn begin(&mut self) -> bool {
        self.0.borrow_mut().begun += 1;
        !self.0.borrow().is_torn_off
    }

    fn show(&mut self, row: u8, dots: &Strip) -> bool {
        if self.0.borrow().is_torn_off {
            return false;
        }
        self.0.borrow_mut().rows.push((row, dots.clone()));
        true
    }

    fn buttons(&mut self) -> Option<[bool; 4]> {
        Some(self.0.borrow().pressed)
    }
}

/// What was kept for the next power-up.
#[derive(Default)]
struct Drawer(Vec<Vec<u8>>);

impl Place for Drawer {
    fn keep(&mut self, image: &[u8]) -> bool {
        self.0.push(image.to_vec());
        true
    }
}

struct Rig {
    bench: Bench,
    machine: Loop,
    front: Front<Glass>,
    glass: Glass,
    drawer: Drawer,
    now: u64,
}

impl Rig {
    fn new() -> Self {
        Self::with(&Bench::default())
    }

    /// Powered up, with what is kept on the bench.
    fn with(bench: &Bench) -> Self {
        let bench = bench.clone();
        bench.borrow_mut().closed.insert("switch-1", true);
        bench.borrow_mut().civil = Some(MONDAY);
        let settings = Settings::try_from(RawSettings::baseline()).unwrap();
        let chosen = Chosen { settings, rejected: None };
        let machine = Machine::power_up(parts(&bench, MockFlash::new(3)), chosen, 0).unwrap().unwrap();
        let glass = Glass::default();
        let front = Front::new(glass.clone());
        Self { bench, machine, front, glass, drawer: Drawer::default(), now: 0 }
    }

    fn pass(&mut self) {
        self.now += 10;
        self.machine.pass(self.now).unwrap();
        let label = Label::default();
        self.front.pass(&mut self.machine, &mut self.drawer, &label, self.now).unwrap();
    }

    fn passes(&mut self, ms: u64) {
        for _ in 0..ms / 10 {
            self.pass();
        }
    }

    fn press(&mut self, button: usize) {
        self.glass.0.borrow_mut().pressed[button] = true;
        self.passes(100);
        self.glass.0.borrow_mut().pressed[button] = false;
        self.passes(100);
    }

    fn rows(&self) -> Vec<u8> {
        std::mem::take(&mut self.glass.0.borrow_mut().rows).iter().map(|(row, _)| *row).collect()
    }
}

const UP: usize = 0;
const DOWN: usize = 1;
const BACK: usize = 2;
const ENTER: usize = 3;

/// A pass sends one row at the most, and only those that changed.
#[test]
fn a_pass_sends_one_row_at_the_most() {
    let mut rig = Rig::new();
    let mut sent = 0;
    for _ in 0..20 {
        rig.pass();
        let rows = rig.rows();
        assert!(rows.len() <= 1, "{rows:?}");
        sent += rows.len();
    }
    assert_eq!(sent, 8, "the whole page, once");
    rig.passes(2_000);
    assert_eq!(rig.rows(), [], "nothing has changed");
    rig.press(DOWN);
    let rows = rig.rows();
    assert_eq!(rows.len(), 2, "the row that the cursor left and the one it went to: {rows:?}");
    assert_eq!(rig.glass.0.borrow().begun, 1);
}

/// What is pressed is done by the control loop, and the display follows.
#[test]
fn a_press_reaches_the_plant() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    for button in [ENTER, ENTER, ENTER] {
        rig.press(button);
    }
    assert!(matches!(rig.front.panel().screen(), Screen::Sure { .. }));
    let duty = |rig: &Rig| rig.machine.controller().tanks()[0].duty().kind();
    assert_eq!(duty(&rig), DutyKind::Serving);
    rig.press(DOWN);
    rig.press(ENTER);
    assert_eq!(duty(&rig), DutyKind::Regenerating);
    // Its motor rests first, and then runs.
    rig.passes(2_500);
    assert_eq!(rig.bench.borrow().on.get("forward-1"), Some(&true));
}

/// A display that does not answer is tried again now and then, and lit anew when it is back.
#[test]
fn a_display_that_is_torn_off_is_tried_again() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    rig.rows();
    rig.glass.0.borrow_mut().is_torn_off = true;
    rig.press(DOWN);
    rig.passes(20_000);
    let begun = rig.glass.0.borrow().begun;
    assert!((4..=6).contains(&begun), "{begun}");
    assert_eq!(rig.front.findings_mut().of(Check::Display), Finding::Failed);
    rig.glass.0.borrow_mut().is_torn_off = false;
    rig.passes(6_000);
    let mut rows = rig.rows();
    rows.sort_unstable();
    // Some twice: what failed stood on the first screen until then.
    rows.dedup();
    assert_eq!(rows, [0, 1, 2, 3, 4, 5, 6, 7]);
    assert_eq!(rig.front.findings_mut().of(Check::Display), Finding::Passed);
}

/// Where there never was a display there is nothing to fail.
#[test]
fn no_display_is_no_fault() {
    let mut rig = Rig::new();
    rig.glass.0.borrow_mut().is_torn_off = true;
    rig.passes(20_000);
    assert_eq!(rig.front.findings().of(Check::Display), Finding::NotThere);
    assert!(rig.front.findings().all_well());
}

/// A display that shows nothing new goes dark, and the press that wakes it does nothing else.
#[test]
fn an_idle_display_goes_dark_and_is_woken() {
    let mut rig = Rig::new();
    rig.passes(IDLE_MS - 1_000);
    assert!(rig.machine.controller().outputs().alarms.is_empty());
    rig.rows();
    rig.passes(2_000);
    assert!(rig.glass.0.borrow().rows.iter().all(|(_, dots)| dots.0 == [0; 128]));
    assert!(!rig.rows().is_empty());
    rig.press(ENTER);
    assert_eq!(*rig.front.panel().screen(), Screen::Home { at: 0 });
    assert!(!rig.rows().is_empty());
    rig.press(ENTER);
    assert!(matches!(rig.front.panel().screen(), Screen::Tank { .. }));
}

/// O2, S11: what is taken runs, and is kept for the next power-up; while a valve moves nothing is, since that stops the core.
#[test]
fn o2_what_is_taken_is_kept() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    // Tank, flow, menu; settings are the sixth of the menu.
    let menu = [DOWN, DOWN, ENTER, DOWN, DOWN, DOWN, DOWN, DOWN, ENTER];
    let change = [ENTER, DOWN, ENTER, UP, ENTER, BACK];
    for button in menu.into_iter().chain(change).chain([DOWN; 30]).chain([ENTER]) {
        rig.press(button);
    }
    assert!(matches!(rig.front.panel().screen(), Screen::Review { .. }), "{:?}", rig.front.panel().screen());
    rig.press(ENTER);
    // A valve moves, and nothing is taken meanwhile.
    rig.machine.call(rig.now, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    rig.passes(2_500);
    rig.press(ENTER);
    assert_eq!(*rig.front.panel().screen(), Screen::Told { told: Told::ValveMoves, at: 0 });
    assert!(rig.drawer.0.is_empty());
    rig.press(BACK);
    rig.bench.borrow_mut().closed.insert("switch-1", false);
    rig.passes(1_000);
    rig.bench.borrow_mut().closed.insert("switch-2", true);
    rig.passes(1_000);
    rig.machine.call(rig.now, Input::Operator { who: Who::Panel, action: Action::Abort(TankId(0)) }).unwrap();
    rig.bench.borrow_mut().closed.insert("switch-2", false);
    rig.passes(3_000);
    rig.bench.borrow_mut().closed.insert("switch-1", true);
    rig.passes(2_000);
    assert_eq!(rig.machine.controller().tanks()[0].duty().kind(), DutyKind::Serving);
    rig.press(ENTER);
    assert_eq!(*rig.front.panel().screen(), Screen::Told { told: Told::Taken, at: 0 });
    let kept = Image::decode(rig.drawer.0.last().expect("kept")).unwrap();
    assert_eq!(kept.raw, *rig.machine.controller().settings().raw());
    assert!(matches!(kept.raw.medium, Medium::Softener { hardness: Hardness(345_000), .. }), "{:?}", kept.raw.medium);
}

/// O3, O2: the panel keeps what runs as the site's baseline, and brings it back after a change; what comes back is kept.
#[test]
fn o3_the_panel_stores_a_baseline_and_returns_to_it() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    let told = |rig: &Rig| rig.front.panel().screen().clone();
    // Tank, flow, menu; settings are the sixth of the menu, and baselines the last of the groups.
    let settings = [DOWN, DOWN, ENTER, DOWN, DOWN, DOWN, DOWN, DOWN, ENTER];
    for button in settings.into_iter().chain([DOWN; 30]).chain([ENTER, DOWN, ENTER]) {
        rig.press(button);
    }
    assert_eq!(told(&rig), Screen::Told { told: Told::NoBaseline, at: 0 });
    for button in [BACK, UP, ENTER, DOWN, ENTER] {
        rig.press(button);
    }
    assert_eq!(told(&rig), Screen::Told { told: Told::BaselineStored, at: 0 });
    let raw = rig.machine.controller().settings().raw().clone();
    assert_eq!(rig.bench.borrow().baseline.as_ref().map(|image| &image.raw), Some(&raw));
    assert!(rig.drawer.0.is_empty(), "what runs has not changed");
    let mut draft = Draft::begin(rig.machine.controller().settings());
    draft.raw.hour_minute = 5 * 60;
    rig.machine.take_settings(rig.now, &draft, Who::Panel).unwrap().unwrap();
    for button in [BACK, DOWN, ENTER] {
        rig.press(button);
    }
    assert_eq!(told(&rig), Screen::Review { at: 0 }, "what would change is seen first");
    assert_eq!(rig.machine.controller().settings().raw().hour_minute, 5 * 60, "nothing is taken before");
    for button in [ENTER, ENTER] {
        rig.press(button);
    }
    assert_eq!(told(&rig), Screen::Told { told: Told::Taken, at: 0 });
    assert_eq!(*rig.machine.controller().settings().raw(), raw);
    assert_eq!(Image::decode(rig.drawer.0.last().expect("kept")).unwrap().raw, raw);
}

/// O2, S11: what makes another plant is kept and runs from the next power-up on; what the board has no pins for is refused,
/// and nothing is kept of it.
#[test]
fn o2_another_plant_waits_for_a_restart() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    let told = |rig: &Rig| rig.front.panel().screen().clone();
    let raw = rig.machine.controller().settings().raw().clone();
    // Valve drives are the fourteenth group: the fourth row of it is the limit of the motor, a minute more.
    let settings = [DOWN, DOWN, ENTER, DOWN, DOWN, DOWN, DOWN, DOWN, ENTER];
    let limit = [ENTER, DOWN, DOWN, DOWN, ENTER].into_iter().chain([UP; 60]).chain([ENTER, BACK]);
    for button in settings.into_iter().chain([DOWN; 13]).chain(limit).chain([DOWN; 30]).chain([ENTER, ENTER, ENTER]) {
        rig.press(button);
    }
    assert_eq!(told(&rig), Screen::Told { told: Told::AtRestart, at: 0 });
    assert_eq!(*rig.machine.controller().settings().raw(), raw, "what ran runs on");
    let kept = Image::decode(rig.drawer.0.last().expect("kept")).unwrap().raw;
    assert_eq!(kept.travel_limit(), Millis::from_mins(5));
    assert!(rig.front.panel().draft().is_none());
    // A second tank that is parallel: this board has pins for no such drive.
    let tanks = [ENTER, ENTER, UP, ENTER, DOWN, ENTER, UP, UP, ENTER, BACK];
    let groups = [BACK].into_iter().chain([UP; 30]).chain([DOWN; 12]);
    for button in groups.chain(tanks).chain([DOWN; 30]).chain([ENTER, ENTER, ENTER]) {
        rig.press(button);
    }
    assert!(
        matches!(told(&rig), Screen::Told { told: Told::NotWired | Told::NotTaken, .. }),
        "{:?} {:?}",
        told(&rig),
        rig.front.panel().verdict()
    );
    assert_eq!((rig.drawer.0.len(), rig.machine.controller().settings().raw()), (1, &raw));
}

/// O5, Q5: units that were chosen at the panel are there after a power cut, and who chose them is journalled; while a valve moves they wait, and whoever plays
/// with them writes no flash.
#[test]
fn o5_units_outlive_a_power_cut() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    let kept = |rig: &Rig| rig.bench.borrow().manners.map(|manners| manners.units);
    // Tank, flow, menu; units stand second to last there.
    let menu = [DOWN, DOWN, ENTER].into_iter().chain([DOWN; 30]).chain([UP, ENTER]);
    rig.machine.call(rig.now, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    rig.passes(2_500);
    for button in menu {
        rig.press(button);
    }
    assert_eq!(rig.front.panel().units, Units::Us);
    assert!(rig.machine.is_moving());
    assert_eq!(kept(&rig), None, "to write stops the core");
    rig.bench.borrow_mut().closed.insert("switch-1", false);
    rig.passes(500);
    rig.bench.borrow_mut().closed.insert("switch-2", true);
    rig.passes(2_000);
    assert_eq!(kept(&rig), Some(Units::Us));
    let units = Event::AskedOfBoard { who: Who::Panel, wish: BoardWish::Units, granted: true };
    assert_eq!(rig.bench.borrow().records.iter().filter(|record| record.event == units).count(), 1, "Q5");
    for _ in 0..3 {
        rig.press(ENTER);
    }
    assert_eq!((rig.front.panel().units, kept(&rig)), (Units::Metric, Some(Units::Us)), "once in a minute");
    rig.passes(60_000);
    assert_eq!(kept(&rig), Some(Units::Metric));
    rig.press(ENTER);
    rig.passes(61_000);
    let mut again = Rig::with(&rig.bench.clone());
    again.passes(100);
    assert_eq!(again.front.panel().units, Units::Us);
}

/// O1: the address and the speed of the line are set at the panel, behind its lock, and outlive a power cut.
#[test]
fn the_line_is_set_at_the_panel() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    let settings = [DOWN, DOWN, ENTER, DOWN, DOWN, DOWN, DOWN, DOWN, ENTER];
    for button in settings.into_iter().chain([DOWN; 30]).chain([UP, ENTER, ENTER, UP, UP, ENTER]) {
        rig.press(button);
    }
    assert_eq!(*rig.front.panel().screen(), Screen::Told { told: Told::LineSet, at: 0 });
    assert_eq!(rig.machine.manners().address, 3);
    for button in [BACK, DOWN, ENTER, DOWN, DOWN, DOWN, ENTER] {
        rig.press(button);
    }
    let manners = rig.machine.manners();
    assert_eq!((manners.address, manners.speed), (3, Speed::B19200));
    assert_eq!(rig.bench.borrow().manners, Some(manners));
    assert_eq!(Rig::with(&rig.bench.clone()).machine.manners(), manners);
}

/// O6: a walk that is signed at the panel is kept as soon as no valve moves, and is seen again after a power cut.
#[test]
fn o6_what_is_signed_is_kept() {
    let mut rig = Rig::new();
    rig.passes(1_000);
    // Tank, flow, menu; the first start is the ninth of the menu.
    for button in [DOWN, DOWN, ENTER].into_iter().chain([DOWN; 8]).chain([ENTER, ENTER]) {
        rig.press(button);
    }
    for _task in 0..5 {
        // To leave it out stands last.
        for button in [ENTER].into_iter().chain([DOWN; 12]).chain([ENTER, DOWN]) {
            rig.press(button);
        }
    }
    for button in [ENTER, UP].into_iter().chain([ENTER; 7]) {
        rig.press(button);
    }
    assert!(matches!(rig.front.panel().screen(), Screen::Sign(_)), "{:?}", rig.front.panel().screen());
    rig.machine.call(rig.now, Input::Operator { who: Who::Panel, action: Action::StartNow(TankId(0)) }).unwrap();
    rig.passes(2_500);
    rig.press(ENTER);
    assert_eq!(*rig.front.panel().screen(), Screen::Signed { at: 0 });
    assert!(rig.machine.is_moving());
    assert_eq!((rig.front.panel().keeping(), rig.bench.borrow().signed.clone()), (Some(Keeping::Owed), None));
    rig.bench.borrow_mut().closed.insert("switch-1", false);
    rig.passes(1_000);
    rig.bench.borrow_mut().closed.insert("switch-2", true);
    rig.passes(1_000);
    let kept = rig.bench.borrow().signed.clone().expect("kept");
    assert_eq!((rig.front.panel().keeping(), rig.front.panel().signed()), (Some(Keeping::Kept), Some(&kept)));
    assert_eq!((kept.by.as_str(), kept.skipped.iter().count(), kept.meter), ("A", 5, None));
    rig.front = Front::new(rig.glass.clone());
    rig.passes(100);
    assert_eq!((rig.front.panel().keeping(), rig.front.panel().signed()), (Some(Keeping::Kept), Some(&kept)));
}

/// The display is spoken to byte by byte as its data sheet has it: a window of one page, then its 128 columns.
#[test]
fn a_row_goes_over_the_bus() {
    let bus = Recorder::default();
    let mut face = I2cFace::new(bus.clone(), bus.clone());
    assert!(face.begin());
    assert_eq!(bus.0.borrow().last(), Some(&(0x3c, vec![0x00, 0xaf])), "it is on at the end");
    bus.0.borrow_mut().clear();
    let mut dots = Strip([0; 128]);
    (dots.0[0], dots.0[127]) = (0x81, 0x18);
    assert!(face.show(3, &dots));
    let mut expected = vec![(0x3c, vec![0x00, 0x21, 0, 127]), (0x3c, vec![0x00, 0x22, 3, 3])];
    expected.extend(dots.0.chunks(16).map(|bytes| (0x3c, [&[0x40], bytes].concat())));
    assert_eq!(*bus.0.borrow(), expected);
    let bytes: usize = expected.iter().map(|(_, bytes)| bytes.len() + 1).sum();
    assert_eq!(bytes, 154, "27 more than the row itself: 3.5 ms at 400 kHz, nine clocks for each");
}

/// A bus that notes what is written.
#[derive(Clone, Default)]
struct Recorder(Rc<RefCell<Vec<Written>>>);

/// To which address, and what.
type Written = (u8, Vec<u8>);

impl ErrorType for Recorder {
    type Error = ErrorKind;
}

impl I2c for Recorder {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        for operation in operations {
            if let Operation::Write(bytes) = operation {
                self.0.borrow_mut().push((address, bytes.to_vec()));
            }
        }
        Ok(())
    }
}

/// Buttons are the low inputs of the expander; where it does not answer there are none.
#[test]
fn buttons_are_read_over_the_bus() {
    let nobody = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
    let expected = [
        Transaction::write_read(EXPANDER, vec![0], vec![0b1111_0110]),
        Transaction::write_read(EXPANDER, vec![0], vec![0xff]).with_error(nobody),
    ];
    let (mut display, mut expander) = (Mock::new(&[]), Mock::new(&expected));
    let mut face = I2cFace::new(display.clone(), expander.clone());
    assert_eq!(face.buttons(), Some([true, false, false, true]));
    assert_eq!(face.buttons(), None);
    display.done();
    expander.done();
}
