//! The lock before changes (O1): looking is free, changing needs a deliberate hand or a code.
//!
//! ```text
//!   Closed ── right key ──▶ Open ── nothing asked for a while, or closed by hand ──▶ Closed
//!     │ wrong code, from the third on
//!     └──▶ Barred, each time for twice as long ──▶ Closed
//! ```

use serde::{Deserialize, Serialize};

use crate::journal::Who;
use crate::units::{Instant, Millis, elapsed, later};

/// Wrong codes in a row that cost nothing but the try.
const FREE_TRIES: u8 = 2;
/// How long the first wrong code after the free ones bars.
const FIRST_BAR: Millis = Millis::from_mins(1);
/// The longest bar.
const LONGEST_BAR: Millis = Millis::from_hours(1);

/// What opens a lock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum LockRule {
    /// Nothing is needed.
    #[default]
    Open,
    /// A deliberate press, told by whoever reads the keys.
    Press,
    /// A code.
    Code(u32),
}

/// The locks of a site as settings give them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawLocks {
    /// At the panel \[open\].
    pub panel: LockRule,
    /// On the serial line \[open\].
    pub serial: LockRule,
    /// How long a lock stays open when nothing is asked [10 min; 10 s to 24 h].
    pub relock_after: Millis,
}

impl Default for RawLocks {
    fn default() -> Self {
        Self { panel: LockRule::Open, serial: LockRule::Open, relock_after: Millis::from_mins(10) }
    }
}

/// What a person offers to a lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Key {
    /// A key pressed long enough to be meant.
    Press,
    /// A code.
    Code(u32),
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum LockEvent {
    /// It opened.
    Opened,
    /// Someone closed it.
    Closed,
    /// The code was wrong.
    WrongCode,
    /// Too many wrong codes came before: nothing opens it for a while.
    Barred,
}

/// One lock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
struct Lock {
    state: State,
    wrong_tries: u8,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
enum State {
    #[default]
    Closed,
    /// Last used then.
    Open(Instant),
    /// Until then.
    Barred(Instant),
}

/// The locks of panel and serial line. Whoever is behind a contact has none to open: they may ask for a start and nothing else.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Locks {
    panel: Lock,
    serial: Lock,
}

impl Locks {
    fn of(&mut self, who: Who) -> Option<&mut Lock> {
        match who {
            Who::Panel => Some(&mut self.panel),
            Who::Serial => Some(&mut self.serial),
            Who::Remote => None,
        }
    }

    /// Whether changes are allowed to someone now. Looking always is.
    #[must_use]
    pub fn is_open(&self, now: Instant, who: Who, rules: &RawLocks) -> bool {
        let (lock, rule) = match who {
            Who::Panel => (&self.panel, rules.panel),
            Who::Serial => (&self.serial, rules.serial),
            Who::Remote => return false,
        };
        let open = matches!(lock.state, State::Open(used) if elapsed(used, now) < rules.relock_after);
        rule == LockRule::Open || open
    }

    /// Something was asked through an open lock: it stays open as long again.
    pub fn used(&mut self, now: Instant, who: Who) {
        if let Some(Lock { state: State::Open(used), .. }) = self.of(who) {
            *used = now;
        }
    }

    /// Offers a key.
    pub fn offer(&mut self, now: Instant, who: Who, key: Key, rules: &RawLocks) -> LockEvent {
        let (rule, lock) = match who {
            Who::Panel => (rules.panel, &mut self.panel),
            Who::Serial => (rules.serial, &mut self.serial),
            Who::Remote => return LockEvent::WrongCode,
        };
        if matches!(lock.state, State::Barred(until) if until > now) {
            return LockEvent::Barred;
        }
        let fits = match (rule, key) {
            (LockRule::Open, _) | (LockRule::Press, Key::Press) => true,
            (LockRule::Code(code), Key::Code(tried)) => code == tried,
            (LockRule::Press, Key::Code(_)) | (LockRule::Code(_), Key::Press) => false,
        };
        if fits {
            *lock = Lock { state: State::Open(now), wrong_tries: 0 };
            return LockEvent::Opened;
        }
        lock.wrong_tries = lock.wrong_tries.saturating_add(1);
        let beyond = lock.wrong_tries.saturating_sub(FREE_TRIES);
        lock.state = match beyond.checked_sub(1) {
            None => State::Closed,
            Some(doublings) => {
                let length = FIRST_BAR.0.saturating_mul(1u32.checked_shl(u32::from(doublings)).unwrap_or(u32::MAX));
                State::Barred(later(now, Millis(length.min(LONGEST_BAR.0))))
            }
        };
        LockEvent::WrongCode
    }

    /// Closes a lock.
    pub fn close(&mut self, who: Who) -> LockEvent {
        if let Some(lock) = self.of(who)
            && matches!(lock.state, State::Open(_))
        {
            lock.state = State::Closed;
        }
        LockEvent::Closed
    }
}
