//! Sessions: what keeps a repeated or recorded change from being made again.
//!
//! A change bears the number of its session and its turn. A number is never used twice: its upper half counts the saves
//! of the store, which grow over every power cut, its lower half the milliseconds of the logic's clock. Turns go up by
//! one. So a recorded change is of a session that is over, or of a turn that is past; the latest turn alone, sent again
//! because its answer got lost, is answered as before and not made again.

use heapless::Vec;

use super::frame::MAX_FRAME;

/// What is to be done with a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Make it.
    Next,
    /// It was made: answer as before.
    Repeated,
    /// It is of no open session.
    NoSession,
    /// It is not the next, which is this.
    OutOfTurn(u32),
}

/// The session that is open, if one is.
#[derive(Debug, Default)]
pub struct Session {
    number: Option<u64>,
    /// Changes made.
    turns: u32,
    /// The answer to the latest, as the frame it was.
    answer: Vec<u8, MAX_FRAME>,
}

impl Session {
    /// Opens a session; `saves` and `now_ms` never both stand still.
    pub fn open(&mut self, saves: u32, now_ms: u64) -> u64 {
        let fresh = (u64::from(saves) << 32) | (now_ms & u64::from(u32::MAX));
        let number = self.number.map_or(fresh, |last| fresh.max(last.saturating_add(1)));
        *self = Self { number: Some(number), ..Self::default() };
        number
    }

    /// Judges a change.
    #[must_use]
    pub fn judge(&self, session: u64, turn: u32) -> Turn {
        if self.number != Some(session) {
            return Turn::NoSession;
        }
        let next = self.turns.saturating_add(1);
        match turn {
            turn if turn == next => Turn::Next,
            turn if turn == self.turns && turn > 0 => Turn::Repeated,
            _ => Turn::OutOfTurn(next),
        }
    }

    /// The next change has been judged and answered, granted or not.
    pub fn answered(&mut self, answer: &[u8]) {
        self.turns = self.turns.saturating_add(1);
        self.answer = Vec::from_slice(answer).unwrap_or_default();
    }

    /// The answer to the latest change.
    #[must_use]
    pub fn latest(&self) -> &[u8] {
        &self.answer
    }
}
