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

use bedkeeper::calendar::{Civil, Weekdays, Window};
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::{Motion, Switches};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record, Who};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::settings::*;
use bedkeeper::units::*;
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

/// One tank of 10 000 L (at 100 mg/L), 1 L pulses, immediate start.
pub fn single() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.medium = softener(10_000);
    raw.start = StartRule::Immediate;
    raw
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

/// How a valve of the plant misbehaves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Trouble {
    /// The motor does not turn.
    pub stuck: bool,
}

/// A valve: a cam that turns at one place per `leg_ms`, or a timed one that nobody sees.
#[derive(Clone, Debug)]
pub struct Valve {
    positions: Vec<Position>,
    /// Thousandths of a place.
    pub at_milli: u64,
    pub leg_ms: u64,
    pub trouble: Trouble,
    motion: Motion,
    last: u64,
}

impl Valve {
    fn advance(&mut self, now: u64) {
        let dt = now - self.last;
        self.last = now;
        if self.trouble.stuck {
            return;
        }
        let round = self.positions.len() as u64 * 1_000;
        let moved = (dt * 1_000).checked_div(self.leg_ms).unwrap_or(0) % round;
        self.at_milli = match self.motion {
            Motion::Off => self.at_milli,
            Motion::Forward => (self.at_milli + moved) % round,
            Motion::Reverse => (self.at_milli + round - moved) % round,
        };
    }

    fn switches(&self) -> Switches {
        let place = (self.at_milli + 100) / 1_000 % self.positions.len() as u64;
        let off = (self.at_milli + 100) % 1_000;
        Switches(if off <= 200 { 1 << place } else { 0 })
    }

    pub fn position(&self) -> Option<Position> {
        let bits = self.switches().0;
        (bits != 0).then(|| self.positions[bits.trailing_zeros() as usize])
    }

    pub fn put(&mut self, position: Position) {
        let place = self.positions.iter().position(|p| *p == position).unwrap();
        self.at_milli = place as u64 * 1_000;
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
    told: Vec<Option<Switches>>,
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
        let positions = ordered_positions(&raw.drive).to_vec();
        let settings = Settings::try_from(raw).expect("valid settings");
        let count = settings.tanks;
        let rest = settings.rest_position();
        let controller = Controller::new(t(0), settings).expect("enough tanks");
        let valves = (0..count)
            .map(|i| {
                let mut valve = Valve {
                    positions: positions.clone(),
                    at_milli: 0,
                    leg_ms: 10_000,
                    trouble: Trouble::default(),
                    motion: Motion::Off,
                    last: 0,
                };
                valve.put(if i == 0 { Position::Service } else { rest });
                valve
            })
            .collect();
        let told = vec![None; usize::from(count)];
        let mut site = Self { controller, valves, now: 0, said: Vec::new(), given: Vec::new(), told, heard: 0 };
        site.tell_switches();
        site
    }

    /// Tells the switches that changed; to tell the others again would hide a missing deadline.
    pub fn tell_switches(&mut self) {
        for i in 0..self.valves.len() {
            let closed = self.valves[i].switches();
            if self.told[i] != Some(closed) {
                self.told[i] = Some(closed);
                self.put(Input::Switches { tank: TankId(i as u8), closed }).unwrap();
            }
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
        for (valve, motion) in self.valves.iter_mut().zip(&outputs.motions) {
            valve.motion = *motion;
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
            let moving = self.valves.iter().any(|v| v.motion != Motion::Off);
            let step = if moving { self.now + 100 } else { u64::MAX };
            let due = self.controller.next_deadline().map_or(u64::MAX, |d| d.as_ticks());
            let next = step.min(due).min(until);
            self.now = next;
            for valve in &mut self.valves {
                valve.advance(next);
            }
            self.tell_switches();
            if next == due {
                self.put(Input::Tick).unwrap();
            }
            if next == until {
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

    /// What was said since last heard: (ms, event).
    pub fn hear(&mut self) -> Vec<(u64, Event)> {
        let new = self.said[self.heard..].iter().map(|r| (r.at.as_ticks(), r.event)).collect();
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

    /// Runs until a tank has this duty; panics after `limit_ms`.
    pub fn run_until_duty(&mut self, tank: u8, duty: DutyKind, limit_ms: u64) {
        let end = self.now + limit_ms;
        while self.duty(tank) != duty {
            assert!(self.now < end, "tank {tank} is {} and not {duty} at {}", self.duty(tank), self.now);
            self.run_for(SEC);
        }
    }
}

pub fn window(days: Weekdays, from: u16, to: u16) -> Window {
    Window { days, from_minute: from, to_minute: to }
}
