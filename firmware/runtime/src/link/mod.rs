//! The serial line: a framed link for `bedkeeper link`, and Modbus RTU, on one port.
//!
//! Nothing here does IO: bytes go in with the time they came at, and bytes to send come out. A board calls
//! [`Link::receive`] for each byte and [`Link::poll`] in each pass of its loop, sends [`Link::outgoing`], and says what it
//! sent. One frame is answered at a time, and one pass answers one frame at the most, so that a flood keeps nothing
//! waiting.
//!
//! Looking is free; changing needs the lock (O1), and a session (see [`session`]) or a ticket (see [`modbus`]), so that
//! what is recorded on the line and sent again changes nothing.

pub mod frame;
pub mod message;
pub mod modbus;
pub mod port;
pub mod registers;
pub mod session;
pub mod staging;
pub mod telling;

use bedkeeper::Input;
use bedkeeper::image::MAX_BYTES;
use bedkeeper::journal::{BoardWish, Who};
use heapless::{String, Vec};
use serde::Serialize;

use crate::archive::{Archive, Visit};
use crate::baseline;
use crate::machine::{Board, Machine, PinFault};
use crate::manners::{Manners, Speak, Speed};

use frame::MAX_FRAME;
use message::{Answer, Change, Identity, PIECE, Page, Refusal, Request, Taken, Wish};
use modbus::Modbus;
use port::{Kind, Port};
use registers::Reading;
use session::{Session, Turn};
use staging::{Label, Staged};

/// Where a board keeps its settings image.
pub trait Place {
    /// Keeps an image that has been checked, so that it runs from the next power-up on; says whether it did.
    fn keep(&mut self, image: &[u8]) -> bool;
}

/// Nothing is kept.
impl Place for () {
    fn keep(&mut self, _image: &[u8]) -> bool {
        false
    }
}

/// What a link says of itself. How it speaks is the machine's to say.
#[derive(Clone, Debug)]
pub struct Config {
    /// The board, for people.
    pub board: &'static str,
    /// The site's name and note, as the image has them that was loaded.
    pub label: Label,
}

/// The link of a board.
#[derive(Debug)]
pub struct Link {
    board: &'static str,
    label: Label,
    port: Port,
    session: Session,
    staged: Staged,
    modbus: Modbus,
    out: Vec<u8, MAX_FRAME>,
    sent: usize,
    spoken_to: bool,
    restart: bool,
    /// How it speaks.
    manners: Manners,
}

impl Link {
    /// A link that nobody has spoken to.
    #[must_use]
    pub fn new(config: Config) -> Self {
        let manners = Manners::default();
        Self {
            board: config.board,
            label: config.label,
            port: Port::new(manners.speed.baud()),
            session: Session::default(),
            staged: Staged::default(),
            modbus: Modbus::new(manners.address),
            out: Vec::new(),
            sent: 0,
            spoken_to: false,
            restart: false,
            manners,
        }
    }

    /// A byte came, at an uptime in µs. Whether a whole frame waits for [`Link::poll`]: what comes before that is dropped.
    pub fn receive(&mut self, byte: u8, at_us: u64) -> bool {
        self.port.receive(byte, at_us)
    }

    /// What waits to be sent.
    #[must_use]
    pub fn outgoing(&self) -> &[u8] {
        self.out.get(self.sent..).unwrap_or_default()
    }

    /// So many bytes of it have been sent.
    pub fn sent(&mut self, bytes: usize) {
        self.sent = self.sent.saturating_add(bytes);
        if self.outgoing().is_empty() {
            self.out.clear();
            self.sent = 0;
        }
    }

    /// What the site is called, as the image says that runs.
    #[must_use]
    pub fn label(&self) -> &Label {
        &self.label
    }

    /// Somebody has spoken to it since power came: a board that wrote of its own accord before is silent from then on.
    #[must_use]
    pub fn is_spoken_to(&self) -> bool {
        self.spoken_to
    }

    /// The speed of the line by now: another is to be had as soon as all that was said before has left.
    #[must_use]
    pub fn speed(&self) -> Speed {
        self.manners.speed
    }

    /// Settings were stored that only a restart can take, and that has been told: put everything off and restart.
    #[must_use]
    pub fn wants_restart(&self) -> bool {
        self.restart && self.outgoing().is_empty()
    }

    /// Answers a frame that waits, if one does. `now_us` and the machine's uptime are of one clock.
    ///
    /// # Errors
    /// A pin fails.
    pub fn poll<B, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        now_us: u64,
    ) -> Result<(), PinFault<B>>
    where
        B: Board,
        B::Records: Archive,
    {
        // An answer goes out as it was asked for; what comes after it is heard otherwise.
        if self.outgoing().is_empty() && self.manners != machine.manners() {
            self.manners = machine.manners();
            self.port.set_baud(self.manners.speed.baud());
            self.modbus.set_unit(self.manners.address);
        }
        if !self.outgoing().is_empty() || self.restart || !self.port.wait(now_us) {
            return Ok(());
        }
        let Some((kind, bytes)) = self.port.take() else { return Ok(()) };
        let uptime_ms = now_us / 1_000;
        match kind {
            Kind::Link => self.answer_frame(machine, place, &bytes, uptime_ms),
            Kind::Modbus => {
                let label = &self.label;
                let read = |machine: &Machine<B, N, S>, ticket| reading(machine, label, ticket, uptime_ms);
                if let Some(response) = self.modbus.serve(machine, &bytes, uptime_ms, read)? {
                    self.spoken_to = true;
                    self.say(&response);
                }
                Ok(())
            }
        }
    }

    fn say(&mut self, bytes: &[u8]) {
        self.out = Vec::from_slice(bytes).unwrap_or_default();
        self.sent = 0;
    }

    /// Packs an answer and says it.
    fn tell(&mut self, number: u16, answer: &Answer) {
        self.out = packed(number, answer);
        self.sent = 0;
    }

    fn answer_frame<B, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        content: &[u8],
        uptime_ms: u64,
    ) -> Result<(), PinFault<B>>
    where
        B: Board,
        B::Records: Archive,
    {
        let Some(body) = frame::body(content) else { return Ok(()) };
        self.spoken_to = true;
        let number = body.number;
        if body.version != frame::VERSION {
            self.tell(number, &Answer::Refused(Refusal::Version));
            return Ok(());
        }
        match body.read::<Request>() {
            None => self.tell(number, &Answer::Refused(Refusal::Unknown)),
            Some(Request::Open) => {
                let now = machine.instant(uptime_ms);
                self.staged.forget();
                let session = self.session.open(machine.saves(), now.as_ticks());
                let unlocked = machine.controller().is_unlocked(now, Who::Serial);
                self.tell(number, &Answer::Opened { session, unlocked });
            }
            Some(Request::Change(change)) => match self.session.judge(change.session, change.turn) {
                Turn::Next => {
                    let answer = self.change(machine, place, change, uptime_ms)?;
                    self.restart = matches!(answer, Answer::Taken(taken) if taken.restarts);
                    self.tell(number, &answer);
                    self.session.answered(&self.out);
                }
                Turn::Repeated => self.out = Vec::from_slice(self.session.latest()).unwrap_or_default(),
                Turn::NoSession => self.tell(number, &Answer::Refused(Refusal::NoSession)),
                Turn::OutOfTurn(next) => self.tell(number, &Answer::Refused(Refusal::OutOfTurn { next })),
            },
            Some(question) => {
                let answer = self.look(machine, &question, uptime_ms);
                self.tell(number, &answer);
            }
        }
        Ok(())
    }

    /// Makes a change; whatever is refused has changed nothing but the lock's count of wrong tries.
    fn change<B: Board, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        place: &mut impl Place,
        change: Change,
        uptime_ms: u64,
    ) -> Result<Answer, PinFault<B>> {
        let who = Who::Serial;
        let is_open = |machine: &Machine<B, N, S>| machine.controller().is_unlocked(machine.instant(uptime_ms), who);
        let input = match change.wish {
            Wish::Unlock(key) => Input::Unlock { who, key },
            Wish::Relock => Input::Relock { who },
            Wish::Act(action) => Input::Operator { who, action },
            Wish::SetClock(civil) => {
                return Ok(match machine.set_clock(uptime_ms, civil, who)? {
                    Ok(true) => Answer::Done,
                    Ok(false) => Answer::NotKept,
                    Err(refused) => Answer::Refused(refused_by_logic(refused)),
                });
            }
            Wish::Stage(plan) if is_open(machine) => return Ok(done(self.staged.begin(plan))),
            Wish::Piece { offset, bytes } if is_open(machine) => return Ok(done(self.staged.add(offset, &bytes))),
            Wish::Take => {
                let answer = self.staged.take(machine, place, &mut self.label, uptime_ms)?;
                if matches!(answer, Answer::Refused(_)) {
                    machine.asked_of_board(uptime_ms, who, BoardWish::Settings, false)?;
                }
                return Ok(answer);
            }
            Wish::StoreBaseline => {
                let told = machine.store_baseline(&self.label, who, uptime_ms)?;
                return Ok(done(told.map_err(|refused| not_reset(&refused))));
            }
            Wish::ResetTo { baseline, may_restart } => {
                let told = machine.reset_to(baseline, place, &self.label, who, may_restart, uptime_ms)?;
                return Ok(reset(&told));
            }
            Wish::Speak { address, baud, units } => {
                let told = machine.speak(Speak { address, baud, units }, who, uptime_ms)?;
                return Ok(done(told.map_err(|refused| not_reset(&refused))));
            }
            Wish::Stage(_) | Wish::Piece { .. } => return Ok(Answer::Refused(Refusal::Locked)),
        };
        let told = machine.ask(uptime_ms, input)?;
        Ok(done(told.map_err(refused_by_logic)))
    }

    /// Answers what changes nothing.
    fn look<B, const N: usize, const S: usize>(
        &self,
        machine: &mut Machine<B, N, S>,
        question: &Request,
        uptime_ms: u64,
    ) -> Answer
    where
        B: Board,
        B::Records: Archive,
    {
        let now = machine.instant(uptime_ms);
        match *question {
            Request::Identity => Answer::Identity(self.identity(machine, uptime_ms)),
            Request::Status => Answer::Status(telling::status(machine.controller(), now)),
            Request::Why(tank) => {
                let why = telling::why(machine.controller(), now, tank);
                why.unwrap_or(Answer::Refused(Refusal::NoSuchTank))
            }
            Request::Alarms => telling::alarms(machine.controller(), now),
            Request::Counters => Answer::Counters(telling::counters(machine.controller(), machine.erasures())),
            Request::Records { from } => {
                let records = &mut machine.parts_mut().records;
                Answer::Records(page(from, |from, visit| records.records(from, visit)))
            }
            Request::Regenerations { from } => {
                let records = &mut machine.parts_mut().records;
                Answer::Regenerations(page(from, |from, visit| records.regenerations(from, visit)))
            }
            Request::Days { from } => {
                let records = &mut machine.parts_mut().records;
                Answer::Days(page(from, |from, visit| records.days(from, visit)))
            }
            Request::Happenings { from } => {
                let records = &mut machine.parts_mut().records;
                Answer::Happenings(page(from, |from, visit| records.happenings(from, visit)))
            }
            Request::Settings { offset } => self.piece(machine, offset),
            Request::HardnessTests => {
                let tests = machine.records().hardness_tests();
                // As many as are kept find room.
                Answer::HardnessTests(Vec::from_slice(tests).unwrap_or_default())
            }
            Request::Signed => Answer::Signed(machine.parts_mut().records.signed()),
            Request::Manners => Answer::Manners(machine.manners()),
            Request::Open | Request::Change(_) => Answer::Refused(Refusal::Unknown),
        }
    }

    fn identity<B: Board, const N: usize, const S: usize>(
        &self,
        machine: &Machine<B, N, S>,
        uptime_ms: u64,
    ) -> Identity {
        let settings = machine.controller().settings();
        Identity {
            board: String::try_from(self.board).unwrap_or_default(),
            software: String::try_from(env!("CARGO_PKG_VERSION")).unwrap_or_default(),
            image_version: bedkeeper::image::VERSION,
            settings: checksum(machine, &self.label),
            name: self.label.name.clone(),
            note: self.label.note.clone(),
            tanks: settings.tanks,
            tanks_at_most: u8::try_from(N).unwrap_or(u8::MAX),
            wants_key: telling::wants_key(settings.raw()),
            uptime_ms,
        }
    }

    /// A piece of the image of the settings that run.
    fn piece<B: Board, const N: usize, const S: usize>(&self, machine: &Machine<B, N, S>, offset: u16) -> Answer {
        let raw = machine.controller().settings().raw();
        let mut buffer = [0; MAX_BYTES];
        let Some((image, checksum)) = telling::image(raw, &self.label.name, &self.label.note, &mut buffer) else {
            return Answer::Refused(Refusal::TooLong);
        };
        let rest = image.get(usize::from(offset)..).unwrap_or_default();
        let bytes = Vec::from_slice(rest.get(..PIECE).unwrap_or(rest)).unwrap_or_default();
        Answer::Settings { length: u16::try_from(image.len()).unwrap_or(u16::MAX), checksum, bytes }
    }
}

#[allow(clippy::result_large_err, reason = "every fault is listed, and there is no heap to box them on")]
fn done(result: Result<(), Refusal>) -> Answer {
    match result {
        Ok(()) => Answer::Done,
        Err(refusal) => Answer::Refused(refusal),
    }
}

fn refused_by_logic(refused: bedkeeper::Refused) -> Refusal {
    match refused {
        bedkeeper::Refused::Locked => Refusal::Locked,
        other => Refusal::Logic(other),
    }
}

/// What came of a reset to a baseline.
fn reset(told: &Result<baseline::Done, baseline::Refused>) -> Answer {
    match told {
        Ok(done) => Answer::Taken(Taken {
            restarts: *done == baseline::Done::AtRestart,
            is_stored: *done != baseline::Done::NotKept,
        }),
        Err(refused) => Answer::Refused(not_reset(refused)),
    }
}

/// Why nothing was done about a baseline.
fn not_reset(refused: &baseline::Refused) -> Refusal {
    match refused {
        baseline::Refused::Locked => Refusal::Locked,
        baseline::Refused::ValveMoves => Refusal::ValveMoves,
        baseline::Refused::NoBaseline => Refusal::NoBaseline,
        baseline::Refused::NotStored => Refusal::NotStored,
        baseline::Refused::NotWired(what) => Refusal::NotWired(*what),
        baseline::Refused::NotTaken(why) => staging::refusal(why),
        baseline::Refused::NoSuchManners => Refusal::NoSuchManners,
    }
}

/// An answer as a frame; one that finds no room says so.
fn packed<T: Serialize>(number: u16, answer: &T) -> Vec<u8, MAX_FRAME> {
    let too_long = || frame::pack(number, &Answer::Refused(Refusal::TooLong));
    frame::pack(number, answer).or_else(too_long).unwrap_or_default()
}

/// A page of what an archive hands over.
fn page<T: Clone, const P: usize>(from: u32, hand_over: impl FnOnce(u32, &mut Visit<'_, T>)) -> Page<T, P> {
    let mut page = Page { items: Vec::new(), next: from, more: false };
    hand_over(from, &mut |number, item| {
        page.more = page.items.push(item.clone()).is_err();
        if !page.more {
            page.next = number.saturating_add(1);
        }
        !page.more
    });
    page
}

fn checksum<B: Board, const N: usize, const S: usize>(machine: &Machine<B, N, S>, label: &Label) -> u32 {
    let raw = machine.controller().settings().raw();
    telling::image(raw, &label.name, &label.note, &mut [0; MAX_BYTES]).map_or(0, |(_, sum)| sum)
}

/// What registers are read from.
fn reading<B: Board, const N: usize, const S: usize>(
    machine: &Machine<B, N, S>,
    label: &Label,
    ticket: u32,
    uptime_ms: u64,
) -> Reading {
    let now = machine.instant(uptime_ms);
    Reading {
        status: telling::status(machine.controller(), now),
        counters: telling::counters(machine.controller(), machine.erasures()),
        manners: machine.manners(),
        ticket,
        settings: checksum(machine, label),
        uptime_s: u32::try_from(uptime_ms / 1_000).unwrap_or(u32::MAX),
    }
}
