//! A board on a bench with somebody at the other end of its serial line.
#![allow(dead_code, missing_docs)]

use bedkeeper::image::{Image, MAX_BYTES};
use bedkeeper::settings::{RawSettings, RemoteRole, Settings};
use bedkeeper::units::TankId;
use bedkeeper::{Action, Controller};
use bedkeeper_runtime::link::message::{Answer, Change, PIECE, Refusal, Request, Staging, Wish};
use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::link::{Config, Link, Place, frame, staging};
use bedkeeper_runtime::machine::Machine;
use bedkeeper_runtime::manners::Manners;
use bedkeeper_runtime::mock_flash::MockFlash;
use bedkeeper_runtime::power_up::Chosen;
use crc::{CRC_16_MODBUS, Crc};
use serde::Serialize;

use crate::common::{BUFFER, Bench, OnBench, parts};

pub type Loop = Machine<OnBench, 2, BUFFER>;

pub const TANK: TankId = TankId(0);
pub const UNIT: u8 = 17;

/// Keeps images in memory.
#[derive(Default)]
pub struct Shelf {
    pub images: Vec<Vec<u8>>,
    pub fails: bool,
}

impl Place for Shelf {
    fn keep(&mut self, image: &[u8]) -> bool {
        if !self.fails {
            self.images.push(image.to_vec());
        }
        !self.fails
    }
}

pub struct Line {
    pub bench: Bench,
    pub machine: Loop,
    pub link: Link,
    pub shelf: Shelf,
    pub now_us: u64,
    number: u16,
    session: u64,
    turn: u32,
}

pub fn raw() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.remote = RemoteRole::Now;
    raw
}

impl Line {
    pub fn with(change: impl FnOnce(&mut RawSettings)) -> Self {
        let mut raw = raw();
        change(&mut raw);
        let bench = Bench::default();
        bench.borrow_mut().closed.insert("switch-1", true);
        bench.borrow_mut().manners = Some(Manners { address: UNIT, ..Manners::default() });
        let chosen = Chosen { settings: Settings::try_from(raw).expect("valid"), rejected: None };
        let machine = Machine::power_up(parts(&bench, MockFlash::new(3)), chosen, 0).expect("pins").expect("fits");
        let label = Label { name: "Bench (invented)".try_into().unwrap(), note: "Nobody to call".try_into().unwrap() };
        let link = Link::new(Config { board: "test bench", label });
        let shelf = Shelf::default();
        let mut line = Self { bench, machine, link, shelf, now_us: 0, number: 0, session: 0, turn: 0 };
        line.run(2_000);
        line
    }

    pub fn new() -> Self {
        Self::with(|_| {})
    }

    /// Lets so many ms pass, the loop going round as it asks to.
    pub fn run(&mut self, ms: u64) {
        let until = self.now_us / 1_000 + ms;
        let mut now = self.now_us / 1_000;
        while now < until {
            let next = self.machine.pass(now).unwrap().unwrap_or(until);
            now = next.clamp(now + 1, until);
            self.now_us = now * 1_000;
            self.poll();
        }
    }

    pub fn poll(&mut self) {
        self.link.poll(&mut self.machine, &mut self.shelf, self.now_us).unwrap();
    }

    pub fn controller(&self) -> &Controller<2> {
        self.machine.controller()
    }

    /// Bytes come, one after the other without a pause.
    pub fn hear(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.now_us += 87;
            self.link.receive(*byte, self.now_us);
        }
    }

    /// What the board has said, all of it.
    pub fn heard(&mut self) -> Vec<u8> {
        let out = self.link.outgoing().to_vec();
        self.link.sent(out.len());
        out
    }

    /// Bytes come, then silence; what the board answers.
    pub fn exchange(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.now_us += 5_000;
        self.hear(bytes);
        // Silence at any speed that it may have.
        self.now_us += 4_500;
        self.poll();
        self.heard()
    }

    /// As [`Line::exchange`], without a pause before.
    pub fn exchange_at_once(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.now_us -= 5_000;
        self.exchange(bytes)
    }

    pub fn framed(&mut self, message: &impl Serialize) -> Vec<u8> {
        self.number += 1;
        frame::pack(self.number, message).expect("fits").to_vec()
    }

    /// Asks, and reads the answer.
    pub fn ask(&mut self, request: &Request) -> Answer {
        let framed = self.framed(request);
        let said = self.exchange(&framed);
        let (number, answer) = answer(&said).expect("an answer");
        assert_eq!(number, self.number);
        answer
    }

    pub fn open(&mut self) {
        let Answer::Opened { session, .. } = self.ask(&Request::Open) else { panic!("no session") };
        (self.session, self.turn) = (session, 0);
    }

    pub fn session(&self) -> u64 {
        self.session
    }

    pub fn turn(&self) -> u32 {
        self.turn
    }

    /// The frame of the next change.
    pub fn next_change(&mut self, wish: Wish) -> Vec<u8> {
        self.turn += 1;
        let change = Change { session: self.session, turn: self.turn, wish };
        self.framed(&Request::Change(change))
    }

    pub fn change(&mut self, wish: Wish) -> Answer {
        let framed = self.next_change(wish);
        answer(&self.exchange(&framed)).expect("an answer").1
    }

    pub fn act(&mut self, action: Action) -> Answer {
        self.change(Wish::Act(action))
    }

    /// The image of the settings that run, as the link hands it out.
    pub fn pull(&mut self) -> (Vec<u8>, u32) {
        let mut image = Vec::new();
        loop {
            let request = Request::Settings { offset: u16::try_from(image.len()).unwrap() };
            let Answer::Settings { length, checksum, bytes } = self.ask(&request) else { panic!("no settings") };
            image.extend_from_slice(&bytes);
            if image.len() == usize::from(length) {
                return (image, checksum);
            }
        }
    }

    /// Sends an image in pieces, and has it taken.
    pub fn push(&mut self, image: &[u8], plan: impl FnOnce(&mut Staging)) -> Answer {
        let (_, running) = self.pull();
        let mut staging = Staging {
            length: u16::try_from(image.len()).unwrap(),
            sum: staging::sum(image),
            instead_of: running,
            keep_step_times: false,
            keep_name: true,
            take_locks: false,
            may_restart: false,
        };
        plan(&mut staging);
        self.open();
        let mut answer = self.change(Wish::Stage(staging));
        for (place, bytes) in image.chunks(PIECE).enumerate() {
            if answer != Answer::Done {
                return answer;
            }
            let offset = u16::try_from(place * PIECE).unwrap();
            answer = self.change(Wish::Piece { offset, bytes: heapless::Vec::from_slice(bytes).unwrap() });
        }
        if answer == Answer::Done { self.change(Wish::Take) } else { answer }
    }
}

/// The image of settings.
pub fn image(raw: &RawSettings) -> Vec<u8> {
    let image = Image { name: "Other (invented)".try_into().unwrap(), note: "".try_into().unwrap(), raw: raw.clone() };
    image.encode(&mut [0; MAX_BYTES]).unwrap().to_vec()
}

/// Reads what a board said: one frame.
pub fn answer(said: &[u8]) -> Option<(u16, Answer)> {
    let mut inner = said.strip_prefix(&[0])?.strip_suffix(&[0])?.to_vec();
    let length = frame::unpack(&mut inner)?;
    let body = frame::body(inner.get(..length)?)?;
    assert_eq!(body.version, frame::VERSION);
    Some((body.number, body.read()?))
}

pub fn refusal(answer: Answer) -> Refusal {
    match answer {
        Answer::Refused(refusal) => refusal,
        other => panic!("not refused: {other:?}"),
    }
}

/// A Modbus request with its CRC.
pub fn modbus(content: &[u8]) -> Vec<u8> {
    let sum = Crc::<u16>::new(&CRC_16_MODBUS).checksum(content);
    [content, &sum.to_le_bytes()].concat()
}
