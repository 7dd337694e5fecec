//! A small obedient plant for conversations with the controller: valves that travel, and a script of time.
#![allow(dead_code, reason = "each test file uses its part")]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::arithmetic_side_effects,
    clippy::as_conversions,
    clippy::panic
)]
#![allow(clippy::indexing_slicing, reason = "tests may panic")]

pub mod lives;
mod observer;
mod valve;
#[allow(unused_imports, reason = "each test file uses its part")]
pub use observer::Observer;
#[allow(unused_imports, reason = "each test file uses its part")]
pub use valve::{Quirks, Trouble, Valve};

use bedkeeper::calendar::{Civil, Weekdays, Window};
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::{DriveEvent, Motion};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record, Who};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::retain::{MAX_BYTES, Retained};
use bedkeeper::sequence::Phase;
use bedkeeper::settings::*;
use bedkeeper::units::*;
use bedkeeper::watch::Alarm;
use bedkeeper::{Action, Controller, Input, RawSettings, Refused, Settings};

pub mod random;

pub const SEC: u64 = 1_000;
pub const MIN: u64 = 60 * SEC;
pub const HOUR: u64 = 60 * MIN;
pub const DAY: u64 = 24 * HOUR;

/// Monday 2027-03-01 00:00, in days since 2000-01-01.
pub const MONDAY: u32 = 9_921;

pub fn t(ms: u64) -> Instant {
    Instant::from_ticks(ms)
}

/// Two alternating tanks of 10 000 L each (at 100 mg/L), 1 L pulses, immediate start.
pub fn alternating() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.arrangement = Arrangement::Alternating;
    raw.tanks = 2;
    raw.watch = calm();
    raw.medium = softener(10_000);
    raw.start = StartRule::Immediate;
    raw.drive = cam(&[
        Position::Service,
        Position::Backwash,
        Position::BrineDraw,
        Position::FastRinse,
        Position::BrineRefill,
        Position::Standby,
    ]);
    raw
}

/// Two alternating tanks without a shut-off of their own, behind one changeover valve (A6).
pub fn behind_one_valve() -> RawSettings {
    let mut raw = alternating();
    raw.drive = cam(&CAM[..6]);
    raw.sharing.shared_valve =
        Some(RawTwoPosition { travel_limit: Millis::from_secs(30), rest: Millis::from_secs(2), retries: 2 });
    raw
}

/// So many tanks of 10 000 L each that all serve, fresh at different times; the brine tank holds many doses.
pub fn parallel(tanks: u8) -> RawSettings {
    let mut raw = alternating();
    raw.arrangement = Arrangement::Parallel;
    raw.tanks = tanks;
    raw.brine_ready_after = Millis::ZERO;
    raw.drive = cam(&CAM);
    raw
}

/// The same staged: a further tank joins at each further 20 L/min.
pub fn staged(tanks: u8) -> RawSettings {
    let mut raw = parallel(tanks);
    raw.arrangement = Arrangement::Staged;
    raw.sharing.join_above = (1..u32::from(tanks)).map(|n| Flow(n * 20_000)).collect();
    raw.sharing.join_hysteresis = Flow(5_000);
    raw
}

/// One tank of 10 000 L (at 100 mg/L), 1 L pulses, immediate start.
pub fn single() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.medium = softener(10_000);
    raw.start = StartRule::Immediate;
    raw.watch = calm();
    raw
}

/// Watches that do not mind days without a pulse, nor hours without a pause: tests of other things draw so.
pub fn calm() -> RawWatch {
    RawWatch { unbroken_after: Millis::ZERO, silent_after: Millis::ZERO, ..RawWatch::default() }
}

pub fn softener(litres: u64) -> Medium {
    Medium::Softener {
        hardness: Hardness(100_000),
        capacity: Exchange(litres * 100_000),
        total: Exchange(litres * 200_000),
    }
}

pub fn cam(positions: &[Position]) -> RawDrive {
    RawDrive::CamSwitch {
        positions: positions.iter().copied().collect(),
        feedback: CamFeedback::SwitchPerPosition,
        reversible: false,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    }
}

/// A controller with its plant and everything it has said.
#[derive(Clone, Debug)]
pub struct Site<const N: usize> {
    pub controller: Controller<N>,
    pub valves: Vec<Valve>,
    pub now: u64,
    pub said: Vec<Record>,
    /// Every input the controller was given.
    pub given: Vec<(u64, Input)>,
    /// Watches the plant for what must never be, if set.
    pub observer: Option<Observer>,
    /// The changeover valve that both tanks share, if they do: at its first place tank 1's water passes.
    pub shared: Option<Valve>,
    heard: usize,
}

impl<const N: usize> Site<N> {
    /// Powered up on Monday 2027-03-01 at 00:00 with tank 1 in service, the others shut off.
    pub fn new(raw: RawSettings) -> Self {
        let mut site = Self::without_clock(raw);
        site.set_clock(MONDAY, 0);
        site.run_to(2 * SEC);
        site.hear();
        site
    }

    pub fn without_clock(raw: RawSettings) -> Self {
        let settings = Settings::try_from(raw).expect("valid settings");
        let rest = settings.rest_position();
        let all = settings.arrangement == Arrangement::Parallel;
        let valves = (0..settings.tanks)
            .map(|i| Valve::new(&settings.drive, if i == 0 || all { Position::Service } else { rest }))
            .collect();
        Self::with_valves(settings, valves)
    }

    /// A fresh controller, with no clock, on valves that stand where they stand.
    pub fn with_valves(settings: Settings, mut valves: Vec<Valve>) -> Self {
        let controller = Controller::new(t(0), settings).expect("enough tanks");
        for valve in &mut valves {
            valve.power_up();
        }
        let ends = cam(&[Position::Service, Position::Standby]);
        let shared = controller.settings().sharing.shared_valve.map(|_| Valve::new(&ends, Position::Service));
        let (said, given) = (Vec::new(), Vec::new());
        let mut site = Self { controller, valves, now: 0, said, given, observer: None, shared, heard: 0 };
        site.tell_switches();
        site
    }

    /// Tells the switches that changed; to tell the others again would hide a missing deadline.
    pub fn tell_switches(&mut self) {
        for i in 0..self.valves.len() {
            let closed = self.valves[i].switches();
            let tank = TankId(i as u8);
            let told = self.valves[i].told.replace(closed);
            if told == Some(closed) {
                continue;
            }
            if let Some(before) = told.filter(|_| self.valves[i].quirks.bounces) {
                for level in [closed, before, closed, before] {
                    self.put(Input::Switches { tank, closed: level }).unwrap();
                    self.now += 7;
                }
            }
            self.put(Input::Switches { tank, closed }).unwrap();
        }
        let Some(shared) = &mut self.shared else { return };
        let closed = shared.switches();
        if shared.told.replace(closed) != Some(closed) {
            self.put(Input::SharedSwitches { closed }).unwrap();
        }
    }

    /// An input now.
    pub fn put(&mut self, input: Input) -> Result<(), Refused> {
        self.given.push((self.now, input));
        let result = self.controller.handle(t(self.now), input);
        while let Some(record) = self.controller.take_record() {
            self.said.push(record);
        }
        assert_eq!(self.controller.records_lost(), 0);
        let outputs = self.controller.outputs();
        for (valve, (motion, pilots)) in self.valves.iter_mut().zip(outputs.motions.iter().zip(&outputs.pilots)) {
            valve.drive(*motion);
            valve.pilot(*pilots);
        }
        if let Some(shared) = &mut self.shared {
            shared.drive(outputs.shared);
        }
        if let Some(observer) = &mut self.observer {
            observer.see_motors(self.now, &self.valves);
        }
        if let Some(deadline) = self.controller.next_deadline() {
            assert!(deadline > t(self.now), "a deadline in the past after a call");
        }
        result
    }

    /// Lets time pass to an instant, calling at every deadline and when a switch changes.
    pub fn run_to(&mut self, until: u64) {
        assert!(until >= self.now, "time goes forward");
        loop {
            let mut valves = self.valves.iter().chain(&self.shared);
            let moving = valves.any(|v| v.is_turning() || v.told != Some(v.switches()));
            let step = if moving { self.now + 100 } else { u64::MAX };
            let due = self.controller.next_deadline().map_or(u64::MAX, |d| d.as_ticks());
            let next = step.min(due).min(until).max(self.now);
            self.now = next;
            for valve in self.valves.iter_mut().chain(&mut self.shared) {
                valve.advance(next);
            }
            let pilots = matches!(self.controller.settings().drive, RawDrive::PilotArray { .. });
            let given_up = self.controller.tanks().iter().map(|t| t.drive().is_lost() && !pilots).collect();
            // Pilots change at once: what stood until now is seen before that.
            if let Some(observer) = &mut self.observer {
                observer.given_up = given_up;
                observer.see(self.now, &self.valves);
            }
            self.tell_switches();
            if self.now >= due {
                self.put(Input::Tick).unwrap();
            }
            if let Some(observer) = &mut self.observer {
                observer.count_in(self.controller.tanks().iter().map(|t| t.duty().kind()));
                observer.see(self.now, &self.valves);
            }
            if self.now >= until {
                return;
            }
        }
    }

    pub fn run_for(&mut self, ms: u64) {
        self.run_to(self.now + ms);
    }

    /// Water of so many 1 L pulses, one every `every_ms`.
    pub fn draw(&mut self, litres: u32, every_ms: u64) {
        for _ in 0..litres {
            self.run_for(every_ms);
            self.put(Input::Pulses { meter: 0, count: 1 }).unwrap();
        }
        self.run_for(1);
    }

    /// Water of so many pulses at once, and the millisecond in which they are decided upon.
    pub fn gulp(&mut self, litres: u32) {
        self.put(Input::Pulses { meter: 0, count: litres }).unwrap();
        self.run_for(1);
    }

    pub fn set_clock(&mut self, day: u32, minute: u16) {
        let _ = self.put(Input::Clock(Some(Civil::at(day, minute))));
    }

    pub fn contact(&mut self, contact: Contact, closed: bool) {
        self.put(Input::Contact { contact, closed }).unwrap();
    }

    pub fn operate(&mut self, action: Action) -> Result<(), Refused> {
        self.put(Input::Operator { who: Who::Panel, action })
    }

    pub fn duty(&self, tank: u8) -> DutyKind {
        self.controller.tanks()[tank as usize - 1].duty().kind()
    }

    pub fn holds(&self, tank: u8) -> Vec<Hold> {
        self.controller.why(TankId(tank - 1)).unwrap().holds.iter().map(|s| s.hold).collect()
    }

    pub fn causes(&self, tank: u8) -> Vec<Cause> {
        self.controller.why(TankId(tank - 1)).unwrap().causes.iter().collect()
    }

    pub fn clears_at(&self, tank: u8, hold: Hold) -> Option<u64> {
        let why = self.controller.why(TankId(tank - 1)).unwrap();
        why.holds.iter().find(|s| s.hold == hold).and_then(|s| s.clears_at).map(|i| i.as_ticks())
    }

    pub fn step(&self, tank: u8) -> Option<StepKind> {
        let settings = self.controller.settings();
        self.controller.tanks()[tank as usize - 1].regeneration().and_then(|r| r.step(settings))
    }

    /// What was said since last heard but each day's use, of which tests of their own tell: (ms, event).
    pub fn hear(&mut self) -> Vec<(u64, Event)> {
        let other = |record: &&Record| !matches!(record.event, Event::DayEnded(_));
        let new = self.said[self.heard..].iter().filter(other).map(|r| (r.at.as_ticks(), r.event)).collect();
        self.heard = self.said.len();
        new
    }

    /// Events but those of drives and steps, which tests of duties do not look at.
    pub fn hear_duties(&mut self) -> Vec<(u64, Event)> {
        self.hear()
            .into_iter()
            .filter(|(_, e)| !matches!(e, Event::Drive { .. } | Event::StepStarted { .. } | Event::StepEnded { .. }))
            .collect()
    }

    /// Runs until a step of a tank's regeneration counts its time; panics after `limit_ms`.
    pub fn run_until_step(&mut self, tank: u8, step: StepKind, limit_ms: u64) {
        let end = self.now + limit_ms;
        let runs = |site: &Self| {
            let regeneration = site.controller.tanks()[tank as usize - 1].regeneration();
            site.step(tank) == Some(step) && regeneration.is_some_and(|r| matches!(r.phase(), Phase::Running { .. }))
        };
        while !runs(self) {
            assert!(self.now < end, "tank {tank} does not come to {step} by {}", self.now);
            self.run_for(SEC);
        }
    }

    /// Whether an alarm stands.
    pub fn alarm(&self, alarm: Alarm) -> bool {
        self.controller.outputs().alarms.contains(alarm)
    }

    /// The alarms that stand.
    pub fn alarms(&self) -> Vec<Alarm> {
        self.controller.outputs().alarms.iter().collect()
    }

    /// The motors now.
    pub fn motions(&self) -> Vec<Motion> {
        self.controller.outputs().motions.to_vec()
    }

    /// Power fails and a fresh controller finds the valves where they stand.
    pub fn restart(&self) -> Self {
        let settings = self.controller.settings().clone();
        Self::with_valves(settings, self.valves.clone())
    }

    /// Runs until a tank has this duty; panics after `limit_ms`.
    pub fn run_until_duty(&mut self, tank: u8, duty: DutyKind, limit_ms: u64) {
        let end = self.now + limit_ms;
        while self.duty(tank) != duty {
            assert!(self.now < end, "tank {tank} is {} and not {duty} at {}", self.duty(tank), self.now);
            self.run_for(SEC);
        }
    }
}

/// Power is off for so long, on the plant's clock; the valves stay where they are.
pub fn cut<const N: usize>(site: &mut Site<N>, off_ms: u64, clock_kept: bool) {
    site.put(Input::Tick).unwrap();
    let bytes = site.controller.retained().encode::<MAX_BYTES>().unwrap();
    let settings = site.controller.settings().clone();
    for valve in &mut site.valves {
        valve.drive(Motion::Off);
        valve.told = None;
    }
    site.now += off_ms;
    let now = site.now;
    for valve in &mut site.valves {
        valve.advance(now);
    }
    let retained = Retained::<N>::decode(&bytes).unwrap();
    let civil = Civil(Civil::at(MONDAY, 0).0 + now);
    let off_for = retained.off_for(clock_kept.then_some(civil));
    site.controller = Controller::restore(t(now), settings, &retained, off_for).unwrap();
    let _ = site.put(Input::Clock(clock_kept.then_some(civil)));
    site.tell_switches();
}

pub fn window(days: Weekdays, from: u16, to: u16) -> Window {
    Window { days, from_minute: from, to_minute: to }
}

/// A cam with a place of its own for every step, in the order of a regeneration.
pub const CAM: [Position; 7] = [
    Position::Service,
    Position::Backwash,
    Position::BrineDraw,
    Position::SlowRinse,
    Position::FastRinse,
    Position::BrineRefill,
    Position::Standby,
];

/// Such a cam with these switches.
pub fn cam_with(feedback: CamFeedback, reversible: bool) -> RawDrive {
    RawDrive::CamSwitch {
        positions: CAM.iter().copied().collect(),
        feedback,
        reversible,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    }
}

/// A timed drive that takes 10 s from one place to the next.
pub fn timed() -> RawDrive {
    RawDrive::Timed {
        positions: (0..).zip(CAM).map(|(i, p)| (p, Millis::from_secs(10 * i))).collect(),
        margin: Millis::from_secs(3),
        rest: Millis::from_secs(2),
    }
}

/// A cam with ten marks to a place; it may come to rest two off, and its count slip by two.
pub fn index(reversible: bool) -> RawDrive {
    RawDrive::CamIndex {
        positions: CAM.into_iter().zip((0u8..).step_by(10)).collect(),
        marks: 70,
        slip_marks: 2,
        coast_marks: 2,
        reversible,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    }
}

/// Three pilots, none of which acts in service.
pub fn pilots(contact: bool) -> RawDrive {
    RawDrive::PilotArray {
        positions: CAM.into_iter().zip(0u8..).collect(),
        contact,
        settle: Millis::from_secs(5),
        margin: Millis::from_secs(4),
        travel_limit: Millis::from_secs(30),
        rest: Millis::from_secs(1),
        retries: 2,
    }
}

/// Every kind of drive that is built, with its name; those first that only switches tell of.
pub fn every_drive() -> [(&'static str, RawDrive); 9] {
    [
        ("switch per position", cam_with(CamFeedback::SwitchPerPosition, false)),
        ("switch per position, reversible", cam_with(CamFeedback::SwitchPerPosition, true)),
        ("home and stop", cam_with(CamFeedback::HomeAndStop, false)),
        ("home and stop, reversible", cam_with(CamFeedback::HomeAndStop, true)),
        ("timed", timed()),
        ("index marks", index(false)),
        ("index marks, reversible", index(true)),
        ("pilots with a contact", pilots(true)),
        ("pilots", pilots(false)),
    ]
}

/// Settings with another drive.
pub fn with_drive(mut raw: RawSettings, drive: RawDrive) -> RawSettings {
    raw.drive = drive;
    raw
}

/// What a drive reported, as an event.
pub fn drive(tank: u8, event: DriveEvent) -> Event {
    Event::Drive { tank: TankId(tank - 1), event }
}

/// A site with an observer, its valves settled.
pub fn watched<const N: usize>(raw: RawSettings) -> Site<N> {
    let observer = Observer::new(&Settings::try_from(raw.clone()).unwrap());
    let mut site = Site::new(raw);
    site.observer = Some(observer);
    site.run_for(5 * MIN);
    site.hear();
    site
}

/// A fresh controller on valves that stand so, with an observer.
pub fn found<const N: usize>(raw: RawSettings, places: [Position; N]) -> Site<N> {
    let settings = Settings::try_from(raw).unwrap();
    let observer = Observer::new(&settings);
    let valves = places.iter().map(|p| Valve::new(&settings.drive, *p)).collect();
    let mut site = Site::with_valves(settings, valves);
    site.observer = Some(observer);
    site
}
