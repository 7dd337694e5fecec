//! Drives of the logic on valves of the plant that do not obey: stalled, slow, welded, jammed, wired the wrong way,
//! with switches that stick or chatter and marks that are missed or added (V2–V4, S7).
#![allow(missing_docs)]

use bedkeeper::drive::{Drive, DriveEvent, Motion, Pilots};
use bedkeeper::program::Position;
use bedkeeper::settings::{CamFeedback, RawDrive, RawTwoPosition};
use bedkeeper::units::{Instant, Millis};
use bedkeeper_sim::plant::{Fault, Valve, ValveMachine};
use proptest::prelude::*;

const SECOND: u64 = 1_000;
const HOUR: u64 = 3_600 * SECOND;
/// From one position to the next.
const LEG_MS: u64 = 10 * SECOND;
/// A valve that leaves its position is missed a second later, one that a hand turns is on its way for 0.4 s.
const NOTICED_MS: u64 = 3 * SECOND;

const ALL: [Position; 7] = [
    Position::Service,
    Position::Backwash,
    Position::BrineDraw,
    Position::SlowRinse,
    Position::FastRinse,
    Position::BrineRefill,
    Position::Standby,
];

/// A kind of drive, what can go wrong with its valve without the drive believing what is not so, and what else can.
struct Kind {
    name: &'static str,
    drive: RawDrive,
    known: &'static [&'static str],
    unknown: &'static [&'static str],
}

const MOTOR: [&str; 4] = ["motor-stalled", "motor-slow:20", "motor-slow:60", "motor-runs-on"];

fn kinds() -> Vec<Kind> {
    let cam = |feedback, reversible| RawDrive::CamSwitch {
        positions: ALL.into_iter().collect(),
        feedback,
        reversible,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(500),
        retries: 2,
    };
    let index = |reversible| RawDrive::CamIndex {
        positions: ALL.into_iter().zip((0u8..).step_by(10)).collect(),
        marks: 70,
        slip_marks: 2,
        coast_marks: 2,
        reversible,
        travel_limit: Millis::from_mins(4),
        rest: Millis::from_secs(2),
        coast: Millis(1_500),
        retries: 2,
    };
    let pilots = |contact| RawDrive::PilotArray {
        positions: ALL.into_iter().zip(0u8..).collect(),
        contact,
        settle: Millis::from_secs(11),
        margin: Millis::from_secs(2),
        travel_limit: Millis::from_secs(30),
        rest: Millis::from_secs(1),
        retries: 2,
    };
    let valve = RawTwoPosition { travel_limit: Millis::from_secs(30), rest: Millis::from_secs(1), retries: 2 };
    let per_position: &[&str] = &[
        "jams-in:fast-rinse",
        "coasts-far:50",
        "coasts-far:120",
        "switch-bounces",
        "switch-stuck-open:1",
        "switch-stuck-open:4",
        "switch-stuck-closed:1",
        "switch-stuck-closed:3",
        "switch-stuck-closed:7",
        "wires-swapped",
        "moved-by-hand:between",
        "moved-by-hand:brine-draw",
    ];
    let marked = &[
        "jams-in:fast-rinse",
        "coasts-far:20",
        "coasts-far:60",
        "switch-bounces",
        "index-missed:1",
        "index-extra:1",
        "index-missed:2",
        "index-extra:2",
        "switch-stuck-open:1",
    ];
    let mismarked =
        &["wires-swapped", "index-missed:9", "index-extra:9", "switch-stuck-open:2", "moved-by-hand:backwash"];
    let counted: &[&str] = &[
        "jams-in:fast-rinse",
        "coasts-far:50",
        "switch-bounces",
        "switch-stuck-open:1",
        "switch-stuck-open:2",
        "moved-by-hand:between",
    ];
    let misled: &[&str] = &["wires-swapped", "index-missed:1", "index-extra:1", "moved-by-hand:fast-rinse"];
    vec![
        Kind {
            name: "switch per position",
            drive: cam(CamFeedback::SwitchPerPosition, false),
            known: per_position,
            unknown: &[],
        },
        Kind {
            name: "switch per position, reversible",
            drive: cam(CamFeedback::SwitchPerPosition, true),
            known: per_position,
            unknown: &[],
        },
        Kind { name: "home and stop", drive: cam(CamFeedback::HomeAndStop, false), known: counted, unknown: misled },
        Kind {
            name: "home and stop, reversible",
            drive: cam(CamFeedback::HomeAndStop, true),
            known: counted,
            unknown: misled,
        },
        Kind { name: "index marks", drive: index(false), known: marked, unknown: mismarked },
        Kind { name: "index marks, reversible", drive: index(true), known: marked, unknown: mismarked },
        Kind {
            name: "two ends",
            drive: RawDrive::TwoPosition { positions: [Position::Service, Position::Standby], valve },
            known: &[
                "jams-in:standby",
                "switch-bounces",
                "switch-stuck-open:1",
                "switch-stuck-open:2",
                "switch-stuck-closed:1",
                "switch-stuck-closed:2",
                "wires-swapped",
                "moved-by-hand:between",
                "moved-by-hand:standby",
            ],
            unknown: &[],
        },
        Kind {
            name: "pilots with a contact",
            drive: pilots(true),
            known: &[
                "pilot-stuck-off:1",
                "pilot-stuck-on:2",
                "pilot-stuck-off:3",
                "switch-stuck-open:1",
                "switch-bounces",
            ],
            unknown: &["switch-stuck-closed:1"],
        },
        Kind { name: "pilots", drive: pilots(false), known: &[], unknown: &["pilot-stuck-off:1", "pilot-stuck-on:2"] },
        Kind {
            name: "timed",
            drive: RawDrive::Timed {
                positions: (0u32..).zip(ALL).map(|(i, p)| (p, Millis::from_secs(10 * i))).collect(),
                margin: Millis::from_secs(3),
                rest: Millis::from_secs(2),
            },
            known: &[],
            unknown: &["jams-in:backwash", "moved-by-hand:standby", "wires-swapped"],
        },
    ]
}

/// A drive on its valve, sent where it is wanted.
struct Plant {
    settings: RawDrive,
    drive: Drive,
    valve: Valve,
    now: u64,
    wanted: Position,
    /// The drive's beliefs are held against the valve.
    judged: bool,
    /// Since when it believes what is not so.
    wrong_since: Option<u64>,
    motor: (Motion, u64),
    stopped: (Motion, u64),
    /// Motor starts and new patterns.
    starts: u32,
    said: Vec<(u64, DriveEvent)>,
}

impl Plant {
    fn new(settings: &RawDrive, at: Position) -> Self {
        let mut plant = Self {
            settings: settings.clone(),
            drive: Drive::new(Instant::from_ticks(0)),
            valve: Valve::standing_in(ValveMachine::of(settings, LEG_MS, 200), at),
            now: 0,
            wanted: at,
            judged: true,
            wrong_since: None,
            motor: (Motion::Off, 0),
            stopped: (Motion::Off, 0),
            starts: 0,
            said: Vec::new(),
        };
        plant.run(10 * 60 * SECOND);
        assert_eq!(plant.drive.position(), Some(at));
        plant
    }

    /// Lets time pass, from event to event.
    fn run(&mut self, ms: u64) {
        let end = self.now + ms;
        let mut at_once = (self.now, 0);
        loop {
            at_once = if at_once.0 == self.now { (self.now, at_once.1 + 1) } else { (self.now, 0) };
            assert!(at_once.1 < 100, "time stands still at {}: {:?} {:?}", self.now, self.drive, self.valve);
            self.hear();
            let due = self.drive.deadline().map(|d| d.as_ticks().max(self.now));
            let next = due.into_iter().chain(self.valve.next_change_ms()).chain(self.judgement()).min();
            let Some(next) = next.filter(|next| *next <= end) else { break };
            self.now = next;
            self.valve.advance(next);
        }
        self.now = end;
        self.valve.advance(end);
        self.hear();
    }

    /// When a wrong belief has stood too long.
    fn judgement(&self) -> Option<u64> {
        self.wrong_since.map(|since| since + NOTICED_MS).filter(|at| *at > self.now)
    }

    fn hear(&mut self) {
        // Whatever follows at this instant follows within a few calls.
        for _ in 0..20 {
            let now = Instant::from_ticks(self.now);
            let mut said = Vec::new();
            if let Some(closed) = self.valve.take_news() {
                said.extend(self.drive.set_switches(now, closed, &self.settings));
            }
            said.extend(self.drive.poll(now, &self.settings));
            said.extend(self.drive.go(now, self.wanted, &self.settings));
            self.said.extend(said.iter().map(|event| (self.now, *event)));
            self.command();
            if said.is_empty() && self.valve.next_change_ms() != Some(self.now) {
                break;
            }
        }
        self.judge();
    }

    fn command(&mut self) {
        let (motion, pilots) = (self.drive.motion(), self.drive.pilots(&self.settings));
        let (was, since) = self.motor;
        let ran = self.now - since;
        assert!(was == Motion::Off || ran <= u64::from(self.settings.travel_limit().0), "S7: it ran for {ran} ms");
        if motion != was {
            assert!(motion == Motion::Off || was == Motion::Off, "S7: it reverses without a stop");
            if motion == Motion::Off {
                self.stopped = (was, self.now);
            } else {
                let rested = self.now - self.stopped.1;
                let turns = self.stopped.0 != Motion::Off && self.stopped.0 != motion;
                assert!(!turns || rested >= u64::from(self.settings.rest().0), "S7: it rested {rested} ms");
                self.starts += 1;
            }
            self.motor = (motion, self.now);
            self.valve.command(motion);
        }
        if pilots != self.valve.pilots() {
            let breaks = self.settings.rest() > Millis::ZERO;
            let both_on = pilots != Pilots(0) && self.valve.pilots() != Pilots(0);
            assert!(!(breaks && both_on), "S7: {:?} gives way to {pilots:?} without a break", self.valve.pilots());
            self.starts += 1;
            self.valve.command_pilots(pilots);
        }
    }

    fn judge(&mut self) {
        let wrong = self.drive.position().is_some_and(|believed| self.valve.position() != Some(believed));
        self.wrong_since = if wrong { self.wrong_since.or(Some(self.now)) } else { None };
        let stood = self.wrong_since.map_or(0, |since| self.now - since);
        assert!(
            !self.judged || stood < NOTICED_MS,
            "at {} it has believed {:?} for {stood} ms, and stands in {:?}; it said {:?}",
            self.now,
            self.drive.position(),
            self.valve.position(),
            &self.said[self.said.len().saturating_sub(12)..]
        );
    }

    fn arm(&mut self, fault: &str) {
        let fault: Fault = fault.parse().expect("a fault");
        self.valve.arm(fault).unwrap_or_else(|why| panic!("{why}"));
        self.run(0);
    }

    fn mend(&mut self) {
        for fault in self.valve.faults().to_vec() {
            self.valve.disarm(fault);
        }
        self.run(0);
        let now = Instant::from_ticks(self.now);
        let said = self.drive.forgive(now, &self.settings);
        self.said.extend(said.map(|event| (self.now, event)));
        self.run(0);
    }
}

/// What is asked of a drive, in places of its positions, and how long it is then left alone.
fn journeys() -> impl Strategy<Value = Vec<(u8, u64)>> {
    let pause = prop_oneof![0..30 * SECOND, 0..10 * 60 * SECOND];
    proptest::collection::vec((0..7u8, pause), 1..6)
}

fn sent(plant: &mut Plant, place: u8) {
    let count = u8::try_from(plant.settings.position_count()).unwrap();
    plant.wanted = plant.settings.position(place % count).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4, failure_persistence: None, ..ProptestConfig::default() })]

    /// V2, V3, V4, S7: whatever one thing goes wrong at whatever instant, a drive that can know never believes its
    /// valve to be where it is not for longer than it takes to notice; the motor keeps its limit and its rest, and
    /// in the end it stands. Put right, the drive finds its way again.
    #[test]
    fn v3_no_drive_believes_what_its_switches_deny(
        before in journeys(),
        pick in any::<proptest::sample::Index>(),
        after in journeys(),
    ) {
        for kind in kinds() {
            let faults: Vec<&str> = if !matches!(kind.drive, RawDrive::Timed { .. } | RawDrive::PilotArray { .. }) {
                MOTOR.iter().chain(kind.known).copied().collect()
            } else {
                kind.known.to_vec()
            };
            if faults.is_empty() {
                continue;
            }
            let fault = faults[pick.index(faults.len())];
            let mut plant = Plant::new(&kind.drive, Position::Service);
            for (place, ms) in &before {
                sent(&mut plant, *place);
                plant.run(*ms);
            }
            if fault.starts_with("switch-stuck-closed") || fault.starts_with("moved-by-hand") {
                // Closing in the middle of a journey it looks like an arrival; a hand needs a valve at rest.
                plant.run(HOUR);
            }
            plant.arm(fault);
            for (place, ms) in &after {
                sent(&mut plant, *place);
                plant.run(*ms);
            }
            // The longest that any drive tries.
            plant.run(HOUR);
            let starts = plant.starts;
            plant.run(HOUR);
            prop_assert_eq!(plant.starts, starts, "{}: {} never ends", kind.name, fault);
            plant.mend();
            plant.run(HOUR);
            prop_assert_eq!(plant.valve.position(), Some(plant.wanted), "{}: {} mended; {:?}", kind.name, fault,
                &plant.said[plant.said.len().saturating_sub(12)..]);
        }
    }

    /// S7, V3: even where a drive cannot know, its motor keeps its limit and its rest, and in the end it stands.
    #[test]
    fn s7_no_motor_runs_for_ever(journeys in journeys(), picks in any::<[proptest::sample::Index; 3]>()) {
        for kind in kinds() {
            let faults: Vec<&str> = kind.known.iter().chain(kind.unknown).copied().collect();
            let mut plant = Plant::new(&kind.drive, Position::Service);
            plant.judged = false;
            for pick in &picks {
                plant.arm(faults[pick.index(faults.len())]);
                for (place, ms) in &journeys {
                    sent(&mut plant, *place);
                    plant.run(*ms);
                }
            }
            plant.run(HOUR);
            let starts = plant.starts;
            plant.run(HOUR);
            prop_assert_eq!(plant.starts, starts, "{}: {:?}", kind.name, plant.valve.faults());
            prop_assert_eq!(plant.drive.motion(), Motion::Off);
        }
    }
}

/// V1, V2: on valves that obey every kind reaches every position, from every other and from wherever it was found.
#[test]
fn v1_every_kind_reaches_every_position() {
    for kind in kinds() {
        let positions: Vec<Position> = kind.drive.positions().collect();
        let mut plant = Plant::new(&kind.drive, Position::Service);
        for from in &positions {
            for to in &positions {
                for wanted in [*from, *to] {
                    plant.wanted = wanted;
                    plant.run(10 * 60 * SECOND);
                    assert_eq!(plant.drive.position(), Some(wanted), "{}", kind.name);
                    assert_eq!(plant.valve.position(), Some(wanted), "{}", kind.name);
                }
            }
        }
        let odd = |e: &&(u64, DriveEvent)| {
            !matches!(e.1, DriveEvent::Moving(_) | DriveEvent::Confirmed(_) | DriveEvent::PositionUnknown)
        };
        assert_eq!(plant.said.iter().find(odd), None, "{}", kind.name);
    }
}
