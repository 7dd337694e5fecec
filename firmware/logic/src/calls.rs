//! What a driver does with a controller, as plain data: the same calls, made again, say the same again on any machine.
//!
//! A simulator writes down the [`Call`]s that it makes; a [`Player`] on a board makes them again. Their [`Digest`]s of
//! everything said are equal if, and only if for all that matters, every output, refusal, record and deadline was.

use core::hash::{Hash, Hasher};

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::controller::{Controller, Input, RestoreRefused, SettingsRefused, TooManyTanks};
use crate::journal::Record;
use crate::operator::Refused;
use crate::retain::{MAX_BYTES, Retained};
use crate::settings::{RawSettings, Settings};
use crate::units::{Instant, Millis};

/// The most bytes of a call as postcard writes it: settings, or a stored state, stand in it.
pub const LONGEST_CALL_BYTES: usize = 8_192;

/// One call of a driver.
// Nothing here allocates, so the settings stand in the call.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Call {
    /// [`Controller::new`]: power came for the first time.
    Begin {
        /// When.
        now: Instant,
        /// Its settings.
        settings: RawSettings,
    },
    /// [`Controller::restore`] with the settings that ran: power is back.
    Restore {
        /// When.
        now: Instant,
        /// The stored state.
        state: Vec<u8, MAX_BYTES>,
        /// How long power was off, if known.
        off_for: Option<Millis>,
    },
    /// [`Controller::after_loss`] with the settings that ran: power is back, and the state is lost.
    AfterLoss {
        /// When.
        now: Instant,
    },
    /// [`Controller::handle`].
    Handle {
        /// When.
        now: Instant,
        /// What happened.
        input: Input,
    },
    /// [`Controller::change_settings`].
    ChangeSettings {
        /// When.
        now: Instant,
        /// The new settings.
        settings: RawSettings,
    },
    /// [`Controller::reject_settings`].
    RejectSettings {
        /// When.
        now: Instant,
    },
    /// [`Controller::saved`].
    Saved,
}

/// What a call was answered with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Answer {
    /// It was taken.
    Taken,
    /// Nothing runs yet.
    NothingRuns,
    /// The settings do not pass their check.
    Faults,
    /// The stored state cannot be read.
    Unreadable,
    /// More tanks than this controller has.
    TooManyTanks,
    /// The stored state does not fit.
    NotRestored(RestoreRefused),
    /// The settings do not fit now.
    NotChanged(SettingsRefused),
    /// The input was refused.
    Refused(Refused),
}

impl From<Result<(), Refused>> for Answer {
    fn from(result: Result<(), Refused>) -> Self {
        result.map_or_else(Self::Refused, |()| Self::Taken)
    }
}

impl From<Result<(), SettingsRefused>> for Answer {
    fn from(result: Result<(), SettingsRefused>) -> Self {
        result.map_or_else(Self::NotChanged, |()| Self::Taken)
    }
}

/// Digests of everything that was said: what came of each call, and the records. Records are counted by themselves,
/// since a driver may take them sooner or later.
#[derive(Clone, Copy, Debug, Default)]
pub struct Said {
    calls: u64,
    answers: Digest,
    records: Digest,
}

impl Said {
    /// A call was answered, and the controller stands as it does now.
    pub fn answered<const N: usize>(&mut self, answer: Answer, controller: Option<&Controller<N>>) {
        self.calls = self.calls.saturating_add(1);
        answer.hash(&mut self.answers);
        if let Some(controller) = controller {
            controller.outputs().hash(&mut self.answers);
            controller.next_deadline().hash(&mut self.answers);
        }
    }

    /// A record was taken.
    pub fn recorded(&mut self, record: &Record) {
        record.hash(&mut self.records);
    }

    /// How many calls, and the digests of their answers and of the records.
    #[must_use]
    pub fn figures(&self) -> (u64, u64, u64) {
        (self.calls, self.answers.finish(), self.records.finish())
    }
}

/// Makes calls that were written down.
#[derive(Clone, Debug, Default)]
pub struct Player<const N: usize> {
    controller: Option<Controller<N>>,
    said: Said,
}

impl<const N: usize> Player<N> {
    /// Nothing runs yet.
    #[must_use]
    pub fn new() -> Self {
        Self { controller: None, said: Said::default() }
    }

    /// Everything said so far.
    #[must_use]
    pub fn said(&self) -> &Said {
        &self.said
    }

    /// Makes a call.
    pub fn make(&mut self, call: Call) {
        let answer = self.answer(call);
        self.said.answered(answer, self.controller.as_ref());
        while let Some(record) = self.controller.as_mut().and_then(Controller::take_record) {
            self.said.recorded(&record);
        }
    }

    fn answer(&mut self, call: Call) -> Answer {
        let ran = self.controller.as_ref().map(Controller::settings);
        match (call, ran) {
            (Call::Begin { now, settings }, _) => match Settings::try_from(settings) {
                Ok(settings) => self.begin(Controller::new(now, settings)),
                Err(_) => Answer::Faults,
            },
            (_, None) => Answer::NothingRuns,
            (Call::AfterLoss { now }, Some(ran)) => {
                let controller = Controller::after_loss(now, ran.clone());
                self.begin(controller)
            }
            (Call::Restore { now, state, off_for }, Some(ran)) => {
                let Ok(retained) = Retained::decode(&state) else { return Answer::Unreadable };
                match Controller::restore(now, ran.clone(), &retained, off_for) {
                    Ok(controller) => {
                        self.controller = Some(controller);
                        Answer::Taken
                    }
                    Err(refused) => Answer::NotRestored(refused),
                }
            }
            (call, Some(_)) => self.controller.as_mut().map_or(Answer::NothingRuns, |running| go_on(running, call)),
        }
    }

    fn begin(&mut self, made: Result<Controller<N>, TooManyTanks>) -> Answer {
        match made {
            Ok(controller) => {
                self.controller = Some(controller);
                Answer::Taken
            }
            Err(TooManyTanks) => Answer::TooManyTanks,
        }
    }
}

/// A call of a controller that runs.
fn go_on<const N: usize>(running: &mut Controller<N>, call: Call) -> Answer {
    match call {
        Call::Handle { now, input } => running.handle(now, input).into(),
        Call::ChangeSettings { now, settings } => match Settings::try_from(settings) {
            Ok(settings) => running.change_settings(now, settings).into(),
            Err(_) => Answer::Faults,
        },
        Call::RejectSettings { now } => {
            running.reject_settings(now);
            Answer::Taken
        }
        Call::Saved => {
            running.saved();
            Answer::Taken
        }
        // These make a controller anew.
        Call::Begin { .. } | Call::Restore { .. } | Call::AfterLoss { .. } => Answer::NothingRuns,
    }
}

/// FNV-1a, 64 bits, over integers as little-endian bytes: the same on every machine.
///
/// Source: G. Fowler, L. C. Noll, K.-P. Vo, D. Eastlake, "The FNV Non-Cryptographic Hash Algorithm", IETF draft; offset
/// basis and prime from memory, and compared with the draft's test vectors in the tests.
#[derive(Clone, Copy, Debug)]
pub struct Digest(u64);

impl Default for Digest {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Hasher for Digest {
    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }

    fn write_u16(&mut self, i: u16) {
        self.write(&i.to_le_bytes());
    }

    fn write_u32(&mut self, i: u32) {
        self.write(&i.to_le_bytes());
    }

    fn write_u64(&mut self, i: u64) {
        self.write(&i.to_le_bytes());
    }

    // Widths of the machine must not show.
    fn write_usize(&mut self, i: usize) {
        self.write_u64(u64::try_from(i).unwrap_or(u64::MAX));
    }

    fn write_isize(&mut self, i: isize) {
        self.write_u64(u64::from_le_bytes(i64::try_from(i).unwrap_or(i64::MAX).to_le_bytes()));
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vectors of the draft named above, from memory: "", "a", "foobar".
    #[test]
    fn the_digest_is_what_it_says() {
        for (text, digest) in
            [("", 0xcbf2_9ce4_8422_2325), ("a", 0xaf63_dc4c_8601_ec8c), ("foobar", 0x8594_4171_f739_67e8_u64)]
        {
            let mut hasher = Digest::default();
            hasher.write(text.as_bytes());
            assert_eq!(hasher.finish(), digest, "{text}");
        }
    }

    /// Calls before any beginning do nothing; the same calls say the same, other calls something else.
    #[test]
    fn the_same_calls_say_the_same() {
        let play = |minutes: u32| {
            let mut player = Player::<2>::new();
            player.make(Call::Saved);
            assert_eq!(player.said().figures().0, 1);
            player.make(Call::Begin { now: Instant::from_ticks(0), settings: RawSettings::baseline() });
            for minute in 1..=minutes {
                let now = Instant::from_ticks(u64::from(minute) * 60_000);
                player.make(Call::Handle { now, input: Input::Pulses { meter: 0, count: 1 } });
            }
            player.said().figures()
        };
        assert_eq!(play(10), play(10));
        assert_ne!(play(10), play(11));
    }
}
