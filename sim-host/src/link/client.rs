//! The asking side of the link.

use bedkeeper::image::Image;
use bedkeeper::lock::Key;
use bedkeeper::units::TankId;
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{
    Answer, Change, Counters, Identity, PIECE, Page, Refusal, Request, Staging, Status, Taken, WantsKey, Wish,
};
use bedkeeper_runtime::link::staging;
use bedkeeper_runtime::manners::Manners;

use super::line::Line;
use super::words;

/// A frame that gets no answer is sent so often.
const TRIES: u32 = 3;
/// A board that restarts is asked so often, six seconds each: it takes no longer than eight.
const COMES_BACK: u32 = 4;

/// Why there is no answer, or none that helps.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The line, in words.
    #[error("{0}")]
    Line(String),
    /// Nothing came.
    #[error(
        "the board does not answer\n  help: is this its port, does it run, and does the line run at the same speed? \
         Another program may hold the port, too"
    )]
    NoAnswer,
    /// Nothing came to a change, so that nobody knows whether it was made.
    #[error(
        "no answer came to a change that was sent: whether it was made is not known\n  help: once the board answers again, \
         `status` and `history` tell; look before you ask for it again"
    )]
    Unanswered,
    /// It speaks another version.
    #[error(
        "the board speaks version {theirs} of the link, and this program version {}: update {}",
        frame::VERSION,
        if *theirs > frame::VERSION { "this program" } else { "the board" }
    )]
    Version {
        /// Its version.
        theirs: u8,
    },
    /// The answer is none to what was asked.
    #[error("the board gives an answer to something else")]
    Unexpected,
    /// The board says no.
    #[error("{}", words::refusal(.0))]
    Refused(Box<Refusal>),
}

impl LinkError {
    fn refused(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

/// A link to a board.
pub struct Client {
    line: Line,
    number: u16,
    session: Option<(u64, u32)>,
    /// What came after the last zero.
    rest: Vec<u8>,
}

/// What is taken of settings that are pushed.
#[derive(Clone, Copy, Debug, Default)]
pub struct Taking {
    /// Step times stay.
    pub keep_step_times: bool,
    /// Name and note stay.
    pub keep_name: bool,
    /// Locks and their codes come too.
    pub take_locks: bool,
    /// The board may restart.
    pub may_restart: bool,
}

impl Client {
    /// Begins on a line.
    pub fn new(line: Line) -> Self {
        // Whoever asked before may have left its last answer on the line; numbers that differ tell it apart.
        let number = std::process::id().to_le_bytes();
        Self { line, number: u16::from_le_bytes([number[0], number[1]]), session: None, rest: Vec::new() }
    }

    /// The line.
    pub fn line(&mut self) -> &mut Line {
        &mut self.line
    }

    /// Asks, as often as it takes.
    ///
    /// # Errors
    /// No answer, another version, or a refusal.
    pub fn ask(&mut self, request: &Request) -> Result<Answer, LinkError> {
        self.exchange(request, &mut 0)
    }

    /// As [`Client::ask`]; counts how often it was sent.
    fn exchange(&mut self, request: &Request, sent: &mut u32) -> Result<Answer, LinkError> {
        self.number = self.number.wrapping_add(1);
        let framed = frame::pack(self.number, request).ok_or(LinkError::Unexpected)?;
        for _ in 0..TRIES {
            // The same bytes each time: a change that was made already is answered, and not made again.
            self.line.send(&framed).map_err(LinkError::Line)?;
            *sent += 1;
            for _ in 0..self.line.patience() {
                let came = self.line.receive().map_err(LinkError::Line)?;
                if let Some(answer) = self.answer(&came)? {
                    return match answer {
                        Answer::Refused(refusal) => Err(LinkError::refused(refusal)),
                        answer => Ok(answer),
                    };
                }
            }
        }
        Err(LinkError::NoAnswer)
    }

    /// Looks through what came for the answer to the latest request; everything else is passed over.
    fn answer(&mut self, came: &[u8]) -> Result<Option<Answer>, LinkError> {
        for byte in came {
            if *byte != 0 {
                self.rest.push(*byte);
                // A board that nobody has spoken to writes lines of text.
                if self.rest.len() > 4 * frame::MAX_FRAME {
                    self.rest.clear();
                }
                continue;
            }
            let mut packed = std::mem::take(&mut self.rest);
            let Some(length) = frame::unpack(&mut packed) else { continue };
            let Some(body) = packed.get(..length).and_then(frame::body) else { continue };
            if body.number != self.number {
                continue;
            }
            if body.version != frame::VERSION {
                return Err(LinkError::Version { theirs: body.version });
            }
            return body.read().map(Some).ok_or(LinkError::Unexpected);
        }
        Ok(None)
    }

    /// Who the board is.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn identity(&mut self) -> Result<Identity, LinkError> {
        match self.ask(&Request::Identity)? {
            Answer::Identity(identity) => Ok(identity),
            _ => Err(LinkError::Unexpected),
        }
    }

    /// How the board speaks; `None` from one whose software is older.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn manners(&mut self) -> Result<Option<Manners>, LinkError> {
        match self.ask(&Request::Manners) {
            Ok(Answer::Manners(manners)) => Ok(Some(manners)),
            Ok(_) => Err(LinkError::Unexpected),
            Err(LinkError::Refused(refusal)) if *refusal == Refusal::Unknown => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// What the plant does.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn status(&mut self) -> Result<Status, LinkError> {
        match self.ask(&Request::Status)? {
            Answer::Status(status) => Ok(status),
            _ => Err(LinkError::Unexpected),
        }
    }

    /// What valves and relays have done.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn counters(&mut self) -> Result<Counters, LinkError> {
        match self.ask(&Request::Counters)? {
            Answer::Counters(counters) => Ok(counters),
            _ => Err(LinkError::Unexpected),
        }
    }

    /// What is asked of a tank and what holds it: the answer as it came.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn why(&mut self, tank: TankId) -> Result<Answer, LinkError> {
        self.ask(&Request::Why(tank))
    }

    /// Everything that comes in pages, from a number on, and the number to go on from.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn pages<T: Clone, const P: usize>(
        &mut self,
        mut from: u32,
        request: impl Fn(u32) -> Request,
        page: impl Fn(Answer) -> Option<Page<T, P>>,
    ) -> Result<(Vec<T>, u32), LinkError> {
        let mut all = Vec::new();
        loop {
            let page = page(self.ask(&request(from))?).ok_or(LinkError::Unexpected)?;
            all.extend(page.items.iter().cloned());
            from = page.next;
            if !page.more || page.items.is_empty() {
                return Ok((all, from));
            }
        }
    }

    /// The settings that run, with their image and its checksum.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn settings(&mut self) -> Result<(Image, Vec<u8>, u32), LinkError> {
        let (mut bytes, mut sum) = (Vec::new(), None);
        loop {
            let offset = u16::try_from(bytes.len()).map_err(|_| LinkError::Unexpected)?;
            let Answer::Settings { length, checksum, bytes: piece } = self.ask(&Request::Settings { offset })? else {
                return Err(LinkError::Unexpected);
            };
            if sum.is_some_and(|sum| sum != checksum) {
                // Others run by now.
                (bytes, sum) = (Vec::new(), None);
                continue;
            }
            sum = Some(checksum);
            bytes.extend_from_slice(&piece);
            if bytes.len() >= usize::from(length) {
                let image = Image::decode(&bytes).map_err(|error| LinkError::Line(error.to_string()))?;
                return Ok((image, bytes, checksum));
            }
            if piece.is_empty() {
                return Err(LinkError::Unexpected);
            }
        }
    }

    /// Opens a session, and the lock if it is closed and there is a key; says whether the lock was opened with it.
    ///
    /// # Errors
    /// As [`Client::ask`]; the lock is closed, and there is no key or a wrong one.
    pub fn open(&mut self, key: Option<Key>) -> Result<bool, LinkError> {
        let Answer::Opened { session, unlocked } = self.ask(&Request::Open)? else { return Err(LinkError::Unexpected) };
        self.session = Some((session, 0));
        if unlocked {
            return Ok(false);
        }
        let Some(key) = key else { return Err(LinkError::refused(Refusal::Locked)) };
        let key = match (self.identity()?.wants_key, key) {
            (WantsKey::Press, _) => Key::Press,
            (_, key) => key,
        };
        self.change(Wish::Unlock(key)).map(|_| true)
    }

    /// Makes a change in the session.
    ///
    /// # Errors
    /// As [`Client::ask`]; where no answer came to it, [`LinkError::Unanswered`].
    pub fn change(&mut self, wish: Wish) -> Result<Answer, LinkError> {
        let Some((session, turn)) = &mut self.session else { return Err(LinkError::refused(Refusal::NoSession)) };
        *turn += 1;
        let change = Change { session: *session, turn: *turn, wish };
        let mut sent = 0;
        match self.exchange(&Request::Change(change), &mut sent) {
            Err(LinkError::NoAnswer) => Err(LinkError::Unanswered),
            // Its answer got lost, and the board has restarted since, or somebody else has begun.
            Err(LinkError::Refused(refusal)) if sent > 1 && *refusal == Refusal::NoSession => {
                Err(LinkError::Unanswered)
            }
            Err(LinkError::Line(why)) if sent > 0 => {
                Err(LinkError::Line(format!("{why}; whether the change was made is not known")))
            }
            told => told,
        }
    }

    /// Which settings run after a change whose answer did not come: their checksum. A board that restarts is waited for.
    ///
    /// # Errors
    /// As [`Client::ask`]; where it does not come back, [`LinkError::Unanswered`].
    pub fn running_after_all(&mut self) -> Result<u32, LinkError> {
        for _ in 0..COMES_BACK {
            match self.identity() {
                Err(LinkError::NoAnswer) => {}
                identity => return identity.map(|identity| identity.settings),
            }
        }
        Err(LinkError::Unanswered)
    }

    /// Makes changes behind the lock, which is closed again afterwards if it was opened for them.
    ///
    /// # Errors
    /// As [`Client::ask`]; the lock is closed, and there is no key or a wrong one.
    pub fn behind_lock<T>(
        &mut self,
        key: Option<Key>,
        changes: impl FnOnce(&mut Self) -> Result<T, LinkError>,
    ) -> Result<T, LinkError> {
        let opened = self.open(key)?;
        let result = changes(self);
        if opened && self.session.is_some() {
            // A board that restarts meanwhile has closed it.
            let _ = self.change(Wish::Relock);
        }
        result
    }

    /// Sends settings, and has them taken whole instead of those with this checksum.
    ///
    /// # Errors
    /// As [`Client::ask`]; the board does not take them, and nothing has changed.
    pub fn push(&mut self, image: &[u8], instead_of: u32, taking: Taking) -> Result<Taken, LinkError> {
        let Taking { keep_step_times, keep_name, take_locks, may_restart } = taking;
        let length = u16::try_from(image.len()).map_err(|_| LinkError::refused(Refusal::NotStaged))?;
        let sum = staging::sum(image);
        let plan = Staging { length, sum, instead_of, keep_step_times, keep_name, take_locks, may_restart };
        self.change(Wish::Stage(plan))?;
        for (place, piece) in image.chunks(PIECE).enumerate() {
            let offset = u16::try_from(place * PIECE).map_err(|_| LinkError::Unexpected)?;
            let bytes = heapless::Vec::from_slice(piece).map_err(|_| LinkError::Unexpected)?;
            self.change(Wish::Piece { offset, bytes })?;
        }
        self.take(Wish::Take)
    }

    /// Makes a change that has settings taken.
    ///
    /// # Errors
    /// As [`Client::ask`]; the board does not take them, and nothing has changed.
    pub fn take(&mut self, wish: Wish) -> Result<Taken, LinkError> {
        match self.change(wish)? {
            Answer::Taken(taken) => {
                if taken.restarts {
                    self.session = None;
                }
                Ok(taken)
            }
            _ => Err(LinkError::Unexpected),
        }
    }
}
