//! A plant behind a panel: the real logic, a valve with a cam that obeys, and a finger on the buttons.

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::{Entry, RegenerationRecord};
use bedkeeper::contact::{Contact, ContactSet};
use bedkeeper::draft::{NotTaken, ResetTo};
use bedkeeper::drive::{Motion, Switches};
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::journal::Who;
use bedkeeper::program::Position;
use bedkeeper::reserve::DayUse;
use bedkeeper::settings::{
    Arrangement, CamFeedback, MAX_TANKS, Medium, RawDrive, RawSettings, RelayProgram, StartRule,
};
use bedkeeper::units::{Exchange, Hardness, Instant, Millis, TankId, TankSet};
use bedkeeper::{Action, Controller, Input, Settings};
use bedkeeper_runtime::archive::{Archive, Recent, Visit};
use bedkeeper_runtime::baseline::Baseline;
use bedkeeper_runtime::manners::Manners;
use bedkeeper_runtime::panel::kept::fetch;
use bedkeeper_runtime::panel::{Answer, Button, Page, Panel, Press, Screen, Sight, Units, Wish};
use bedkeeper_runtime::self_test::{Check, Finding, Findings};

pub const SEC: u64 = 1_000;
pub const MIN: u64 = 60 * SEC;
pub const HOUR: u64 = 60 * MIN;
pub const DAY: u64 = 24 * HOUR;
/// Monday 2027-03-01 00:00, in days since 2000-01-01.
pub const MONDAY: u32 = 9_921;
const LEG: u64 = 4 * SEC;

pub const NAME: &str = "Laundry behind the mill";
pub const NOTE: &str = "Shut-off: red lever, left of the door. Faults: the caretaker, bell 3. All of it is invented.";

/// Two alternating tanks of 1 800 L each at 300 mg/L that wait for the hour, and two relays.
pub fn alternating() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.arrangement = Arrangement::Alternating;
    raw.tanks = 2;
    raw.medium =
        Medium::Softener { hardness: Hardness(300_000), capacity: Exchange(540_000_000), total: Exchange(900_000_000) };
    raw.start = StartRule::AtHour;
    raw.backup_days = 5;
    raw.relays[0].program = RelayProgram::WhileFlow;
    raw.relays[1].program = RelayProgram::Isolate(TankSet(0b11));
    let positions = [
        Position::Service,
        Position::Backwash,
        Position::BrineDraw,
        Position::FastRinse,
        Position::BrineRefill,
        Position::Standby,
    ];
    raw.drive = RawDrive::CamSwitch {
        positions: positions.into_iter().collect(),
        feedback: CamFeedback::SwitchPerPosition,
        reversible: false,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    };
    raw
}

/// The same with more tanks that all serve.
pub fn parallel(tanks: u8) -> RawSettings {
    RawSettings { arrangement: Arrangement::Parallel, tanks, ..alternating() }
}

/// What flash would keep.
#[derive(Default)]
pub struct Kept {
    pub regenerations: Vec<RegenerationRecord>,
    pub days: Vec<DayUse>,
}

impl Archive for Kept {
    fn regenerations(&mut self, from: u32, visit: &mut Visit<'_, RegenerationRecord>) {
        let _ = (0..).zip(&self.regenerations).skip_while(|(n, _)| *n < from).all(|(n, record)| visit(n, record));
    }

    fn days(&mut self, from: u32, visit: &mut Visit<'_, DayUse>) {
        let _ = (0..).zip(&self.days).skip_while(|(n, _)| *n < from).all(|(n, day)| visit(n, day));
    }
}

/// A plant with a panel.
pub struct Scene {
    pub controller: Controller<8>,
    pub panel: Panel,
    pub now: u64,
    pub recent: Recent<48>,
    pub findings: Findings,
    /// Hardness tests that are kept.
    pub tests: Vec<HardnessEntry>,
    /// The site's own baseline, if one was stored.
    pub baseline: Option<RawSettings>,
    /// How the board speaks.
    pub manners: Manners,
    /// Regenerations and days that are kept.
    pub kept: Kept,
    /// Where each cam is, in ms of its way.
    cams: Vec<u64>,
    pub jammed: bool,
    /// Inputs that the panel asked for, and whether they were granted.
    pub asked: Vec<(Input, bool)>,
}

impl Scene {
    /// Powered up on Monday at 06:30, with tank 1 serving.
    pub fn new(raw: RawSettings) -> Self {
        let settings = Settings::try_from(raw).expect("settings of the test pass");
        let places = settings.drive.positions().count();
        let standby = u64::try_from(places - 1).unwrap() * LEG;
        let alternating = settings.arrangement == Arrangement::Alternating;
        let cams = (0..settings.tanks).map(|tank| if alternating && tank > 0 { standby } else { 0 }).collect();
        let mut findings = Findings::new();
        for check in [Check::Ram, Check::Program, Check::Settings, Check::Store, Check::Display, Check::Buttons] {
            findings.note(check, Finding::Passed);
        }
        let mut scene = Self {
            controller: Controller::new(Instant::from_ticks(0), settings).unwrap(),
            panel: Panel::new(Units::Metric),
            now: 0,
            recent: Recent::new(),
            findings,
            tests: Vec::new(),
            baseline: None,
            manners: Manners::default(),
            kept: Kept::default(),
            cams,
            jammed: false,
            asked: Vec::new(),
        };
        scene.tell(Input::Clock(Some(Civil::at(MONDAY, 390))));
        scene.tell_switches();
        scene.advance(2 * SEC);
        scene
    }

    fn places(&self) -> u64 {
        u64::try_from(self.controller.settings().drive.positions().count()).unwrap()
    }

    fn switches(&self, tank: usize) -> Switches {
        let along = (self.cams[tank] + LEG / 10) % (self.places() * LEG);
        let closed = along % LEG < LEG / 5;
        Switches(if closed { 1 << (along / LEG) } else { 0 })
    }

    fn tell_switches(&mut self) {
        for tank in 0..self.cams.len() {
            let closed = self.switches(tank);
            self.tell(Input::Switches { tank: TankId(u8::try_from(tank).unwrap()), closed });
        }
    }

    pub fn tell(&mut self, input: Input) -> bool {
        let granted = self.controller.handle(Instant::from_ticks(self.now), input).is_ok();
        while let Some(record) = self.controller.take_record() {
            self.recent.note(&record);
            match self.controller.entry(&record) {
                Some(Entry::Regeneration(record)) => self.kept.regenerations.push(record),
                Some(Entry::Day(day)) => self.kept.days.push(day),
                _ => {}
            }
        }
        granted
    }

    pub fn ask(&mut self, action: Action) {
        assert!(self.tell(Input::Operator { who: Who::Panel, action }), "{action:?} is refused");
    }

    /// Time passes; valves turn as their motors are told.
    pub fn advance(&mut self, ms: u64) {
        let end = self.now + ms;
        while self.now < end {
            let moving = self.controller.outputs().motions.iter().any(|motion| *motion != Motion::Off);
            let due = self.controller.next_deadline().map_or(end, |at| at.as_ticks());
            let step = if moving { 100 } else { end - self.now };
            let next = due.clamp(self.now + 1, self.now + step).min(end);
            let passed = next - self.now;
            let (turn, jammed) = (self.places() * LEG, self.jammed);
            for (cam, motion) in self.cams.iter_mut().zip(self.controller.outputs().motions) {
                if motion == Motion::Forward && !jammed {
                    *cam = (*cam + passed) % turn;
                }
            }
            self.now = next;
            self.tell_switches();
            self.tell(Input::Tick);
        }
    }

    /// So many litres flow within so many minutes.
    pub fn draw(&mut self, litres: u32, minutes: u64) {
        for _ in 0..litres {
            self.advance(minutes * MIN / u64::from(litres));
            self.tell(Input::Pulses { meter: 0, count: 1 });
        }
    }

    pub fn sight(&self) -> Sight<'_, 8> {
        let mut switches = [None; MAX_TANKS];
        for (tank, place) in switches.iter_mut().enumerate().take(self.cams.len()) {
            *place = Some(self.switches(tank));
        }
        let mut wired = ContactSet::EMPTY;
        for contact in [Contact::Remote, Contact::BrineFull, Contact::LowPressure, Contact::Sensor] {
            wired.insert(contact);
        }
        Sight {
            controller: &self.controller,
            now: Instant::from_ticks(self.now),
            recent: &self.recent,
            tests: &self.tests,
            erasures: 7,
            manners: self.manners,
            name: NAME,
            note: NOTE,
            contacts: (wired, ContactSet::only(Contact::BrineFull)),
            switches,
            findings: &self.findings,
        }
    }

    pub fn page(&self) -> Page {
        self.panel.page(&self.sight())
    }

    /// The rows that are seen, without blanks at their ends.
    pub fn text(&self) -> Vec<String> {
        self.page().rows.iter().map(|row| row.text.trim_end().to_owned()).collect()
    }

    /// Presses a button, and does what the panel wants.
    pub fn press(&mut self, press: Press) {
        let mut panel = self.panel.clone();
        panel.look(&self.sight(), self.now);
        let wish = panel.press(press, &self.sight(), self.now);
        self.panel = panel;
        if let Some(wanted) = self.panel.wants() {
            self.panel.give(fetch(&mut self.kept, wanted));
        }
        if self.panel.to_keep().is_some() {
            self.panel.note_kept(true);
        }
        let Some(wish) = wish else { return };
        let answer = match wish {
            Wish::Input(input) => {
                let result = self.controller.handle(Instant::from_ticks(self.now), input);
                self.asked.push((input, result.is_ok()));
                result.map_or_else(Answer::Refused, |()| Answer::Done)
            }
            Wish::Clock(civil) => {
                self.tell(Input::Clock(Some(civil)));
                Answer::NotKept
            }
            Wish::Take => {
                let draft = self.panel.draft().cloned().expect("there is a draft");
                let taken = draft.take(&mut self.controller, Instant::from_ticks(self.now), Who::Panel);
                match taken {
                    Ok(()) => Answer::Done,
                    // A board keeps them for the next power-up.
                    Err(NotTaken::NeedsRestart) => Answer::AtRestart,
                    Err(why) => Answer::NotTaken(why),
                }
            }
            Wish::StoreBaseline | Wish::Check => Answer::Done,
            Wish::Speak(manners) => {
                self.manners = manners;
                Answer::Done
            }
            Wish::Recall(to) => {
                let site = self.baseline.clone();
                match (to, &site) {
                    (Baseline::BuiltIn, _) => {
                        self.panel.fill(self.controller.settings(), ResetTo::BuiltIn);
                        Answer::Done
                    }
                    (Baseline::Site, Some(site)) => {
                        self.panel.fill(self.controller.settings(), ResetTo::Site(site));
                        Answer::Done
                    }
                    (Baseline::Site, None) => Answer::NoBaseline,
                }
            }
        };
        while let Some(record) = self.controller.take_record() {
            self.recent.note(&record);
        }
        self.panel.answer(answer);
    }

    pub fn short(&mut self, button: Button) {
        self.press(Press::Short(button));
    }

    /// Moves the cursor to the item whose row begins so, and presses enter.
    pub fn choose(&mut self, words: &str) {
        for _ in 0..100 {
            let page = self.page();
            let marked = page.rows.iter().skip(1).find(|row| row.look == bedkeeper_runtime::panel::page::Look::Marked);
            if marked.is_some_and(|row| row.text.starts_with(words)) {
                return self.short(Button::Enter);
            }
            self.short(Button::Down);
        }
        panic!("no item begins with {words:?} on {:?}", self.text());
    }

    /// From the first screen through these items.
    pub fn walk_to(&mut self, items: &[&str]) {
        self.press(Press::Long(Button::Back));
        for item in items {
            self.choose(item);
        }
    }

    pub fn open(&mut self, screen: Screen) {
        self.panel.open(screen);
    }
}
