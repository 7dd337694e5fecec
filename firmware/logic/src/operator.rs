//! What an operator may ask of a tank, and why it may be refused (Q5, S12, A7).

use serde::{Deserialize, Serialize};

use crate::program::Position;
use crate::units::{Hardness, TankId, Volume};
use crate::watch::Alarm;

/// An operator's action. Each is journalled with who asked, granted or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Regenerate as soon as nothing holds it.
    StartNow(TankId),
    /// Regenerate at the regeneration hour.
    StartAtHour(TankId),
    /// Withdraw what was asked for.
    Withdraw(TankId),
    /// End the present step and go on to the next.
    StepForward(TankId),
    /// End the regeneration; brine already drawn is rinsed out first. The tank is then held.
    Abort(TankId),
    /// Start nothing on this tank until it is released.
    Hold(TankId),
    /// Lift the hold.
    Release(TankId),
    /// Take the tank out; a serving one leaves once another has taken over.
    TakeOut(TankId),
    /// Put the tank back; it regenerates first, and a lost drive is sought again, that of a shared
    /// changeover valve with either tank.
    PutBack(TankId),
    /// Declare a tank fit to serve as it is: one that is out or was put back, or one whose regeneration
    /// was cut short.
    Vouch(TankId),
    /// People go away: backup days stretch to their limit, for so many days; 0 = until they return (O7).
    Leave {
        /// How many days.
        days: u8,
    },
    /// People are back: beds that stood too long are flushed (O7).
    Return,
    /// Try the valve of a tank that is out; it goes back by itself (O6).
    TestDrive {
        /// Of which tank.
        tank: TankId,
        /// Where to.
        position: Position,
    },
    /// Switch a relay on, for at most a minute and within its own times (O6, Y2).
    TestRelay {
        /// Which, from 0.
        relay: u8,
        /// For how long; at most 60.
        seconds: u8,
    },
    /// Watch contacts that are moved by hand, for five minutes: nothing follows from them (O6).
    TestContacts,
    /// Count the pulses of a meter while its water is caught, for an hour at the most (M1, O6).
    CountPulses {
        /// Which, from 0.
        meter: u8,
    },
    /// So much was caught since the count began (M1, O6).
    Caught {
        /// How much.
        volume: Volume,
    },
    /// End what is being tried.
    EndTest,
    /// The water behind a tank that serves was measured, before any blending bypass (L2, O6).
    TestHardness {
        /// Which tank.
        tank: TankId,
        /// Hardness behind it.
        treated: Hardness,
        /// Hardness of the feed, if that was measured too.
        feed: Option<Hardness>,
    },
    /// New resin was put into a tank that is out (L2).
    ReplaceResin(TankId),
    /// The brine tank that this tank draws from holds its dose, ready to be drawn: someone has looked.
    BrineReady,
    /// The salt store of that brine tank is full again.
    SaltFilled,
    /// Answer an alarm.
    Alarm(AlarmAction),
    /// The lost valve of this tank was shut by hand, all of it: drain and brine are free for the others. The
    /// tank stays out until it is put back or vouched for (S1).
    ShutByHand(TankId),
}

/// What an operator may do about alarms (W2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum AlarmAction {
    /// Say that one is known.
    Acknowledge(Alarm),
    /// Say that all are known.
    AcknowledgeAll,
    /// Let a latching one go whose condition has gone.
    Reset(Alarm),
    /// Say that the plant was maintained: `service-due` begins anew.
    Maintained,
}

impl Action {
    /// The tank it is about, if it is about one.
    #[must_use]
    pub const fn tank(self) -> Option<TankId> {
        match self {
            Self::StartNow(t)
            | Self::StartAtHour(t)
            | Self::Withdraw(t)
            | Self::StepForward(t)
            | Self::Abort(t)
            | Self::Hold(t)
            | Self::Release(t)
            | Self::TakeOut(t)
            | Self::PutBack(t)
            | Self::Vouch(t)
            | Self::ShutByHand(t) => Some(t),
            Self::TestDrive { tank, .. } | Self::TestHardness { tank, .. } | Self::ReplaceResin(tank) => Some(tank),
            Self::Alarm(_)
            | Self::Leave { .. }
            | Self::Return
            | Self::EndTest
            | Self::TestRelay { .. }
            | Self::TestContacts
            | Self::CountPulses { .. }
            | Self::Caught { .. }
            | Self::BrineReady
            | Self::SaltFilled => None,
        }
    }

    /// The name files use.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::StartNow(_) => "start-now",
            Self::StartAtHour(_) => "start-at-hour",
            Self::Withdraw(_) => "withdraw",
            Self::StepForward(_) => "step-forward",
            Self::Abort(_) => "abort",
            Self::Hold(_) => "hold",
            Self::Release(_) => "release",
            Self::TakeOut(_) => "take-out",
            Self::PutBack(_) => "put-back",
            Self::Vouch(_) => "vouch",
            Self::Leave { .. } => "leave",
            Self::Return => "return",
            Self::TestDrive { .. } => "test-drive",
            Self::EndTest => "end-test",
            Self::TestRelay { .. } => "test-relay",
            Self::TestContacts => "test-contacts",
            Self::CountPulses { .. } => "count-pulses",
            Self::Caught { .. } => "caught",
            Self::TestHardness { .. } => "test-hardness",
            Self::ReplaceResin(_) => "replace-resin",
            Self::Alarm(AlarmAction::Acknowledge(_)) => "acknowledge",
            Self::Alarm(AlarmAction::AcknowledgeAll) => "acknowledge-all",
            Self::Alarm(AlarmAction::Reset(_)) => "reset",
            Self::Alarm(AlarmAction::Maintained) => "maintained",
            Self::BrineReady => "brine-ready",
            Self::SaltFilled => "salt-filled",
            Self::ShutByHand(_) => "shut-by-hand",
        }
    }
}

/// Why an input was not taken. Nothing has changed then but the time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Refused {
    /// The lock is closed for whoever asked.
    Locked,
    /// The key does not fit the lock.
    WrongKey,
    /// Too many wrong codes: the lock opens to nobody for a while.
    Barred,
    /// The site has no such tank.
    NoSuchTank,
    /// The site has no such meter.
    NoSuchMeter,
    /// The site has no shared changeover valve.
    NoSharedValve,
    /// More pulses than one call may bring.
    BatchTooLarge,
    /// The tank regenerates already.
    AlreadyRegenerating,
    /// The tank does not regenerate.
    NotRegenerating,
    /// The rinses after a brine draw are not skipped.
    RinseFirst,
    /// Every step is over already.
    NothingToStep,
    /// Nothing was asked for.
    NothingAsked,
    /// The tank is out.
    TankIsOut,
    /// The tank is not out.
    NotOut,
    /// The tank needs no vouching.
    NothingToVouchFor,
    /// Each regeneration makes its own brine, or none.
    NoBrineStored,
    /// No tank would serve.
    WouldLeaveNoneServing,
    /// The tank has left service to regenerate, or must before it serves again.
    MustRegenerate,
    /// No such alarm waits to be acknowledged.
    NothingToAcknowledge,
    /// The alarm's condition still stands.
    ConditionStands,
    /// The alarm is not latched.
    NothingToReset,
    /// No absence was announced.
    NotAway,
    /// The valve has no such position.
    NoSuchPosition,
    /// This position is not tried by hand.
    NotTried,
    /// Drain, brine tank, relay or another test is in use.
    InUse,
    /// Nothing is being tried.
    NothingTried,
    /// The tank does not serve, so that its water cannot be tested.
    NotServing,
    /// A filter holds no resin.
    NoResin,
    /// There is no such relay.
    NoSuchRelay,
    /// This relay protects, or must stay on for long.
    RelayNotTried,
    /// The relay has not been off for its least time.
    MustRest,
    /// Too few pulses to tell anything of a meter.
    TooFewPulses,
    /// The tank's valve is not lost.
    ValveNotLost,
    /// No calendar of a plant has such a time.
    NoSuchTime,
    /// The water behind the tank is told to be harder than the feed.
    HarderThanFeed,
}

impl core::fmt::Display for Refused {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Locked => "the lock is closed: unlock it first",
            Self::WrongKey => "the key does not fit",
            Self::Barred => "too many wrong codes: wait and try again",
            Self::NoSuchTank => "the site has no such tank",
            Self::NoSuchMeter => "the site has no such meter",
            Self::NoSharedValve => "the site has no shared changeover valve",
            Self::BatchTooLarge => "more pulses than one call may bring",
            Self::AlreadyRegenerating => "the tank regenerates already",
            Self::NotRegenerating => "the tank does not regenerate",
            Self::RinseFirst => "brine was drawn: the rinses are not skipped",
            Self::NothingToStep => "every step is over already",
            Self::NothingAsked => "nothing was asked for",
            Self::TankIsOut => "the tank is out",
            Self::NotOut => "the tank is not out",
            Self::NothingToVouchFor => "the tank needs no vouching, or still has brine in it",
            Self::NoBrineStored => "no brine is stored from one regeneration for the next",
            Self::WouldLeaveNoneServing => "no tank would serve",
            Self::MustRegenerate => "the tank must regenerate before it serves, unless it is vouched for",
            Self::NothingToAcknowledge => "no such alarm waits to be acknowledged",
            Self::ConditionStands => "what raised the alarm still stands",
            Self::NothingToReset => "the alarm is not latched",
            Self::NotAway => "no absence was announced",
            Self::NoSuchPosition => "the valve has no such position",
            Self::NotTried => "this position is not tried by hand: it belongs to service or to a regeneration",
            Self::InUse => "the drain, the brine tank, the relay or the place of another test is in use",
            Self::NothingTried => "nothing is being tried",
            Self::NotServing => "the tank does not serve: there is no water behind it to test",
            Self::NoResin => "a filter holds no resin",
            Self::NoSuchRelay => "there is no such relay",
            Self::RelayNotTried => {
                "this relay is not tried now: it protects the plant, or must stay on for more than a minute"
            }
            Self::MustRest => "the relay has not been off for its least time",
            Self::TooFewPulses => "fewer than ten pulses, or no water, tell too little of a meter: catch more",
            Self::ValveNotLost => "the tank's valve is not lost: the controller moves it and knows where it stands",
            Self::NoSuchTime => "no clock of a plant has such a time: it runs from 2000 to 2099",
            Self::HarderThanFeed => {
                "the water behind the tank cannot be harder than its feed: measure both again, and tell both"
            }
        })
    }
}

impl core::error::Error for Refused {}
