//! What the panel says of duties, positions, alarms and records: few words each.

use core::fmt::{self, Display};

use bedkeeper::calendar::Civil;
use bedkeeper::controller::Why;
use bedkeeper::demand::{Cause, Hold};
use bedkeeper::drive::{DriveEvent, End};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{BoardWish, Event, Reason, Who};
use bedkeeper::lock::LockEvent;
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::program::StepKind;
use bedkeeper::sequence::AfterPower;
use bedkeeper::watch::Severity;

use super::show::{Day, Lasts, Units, percent};

/// A slug as plain words: blanks for hyphens.
#[derive(Clone, Copy, Debug)]
pub struct Plain(pub &'static str);

impl Display for Plain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut parts = self.0.split('-');
        if let Some(first) = parts.next() {
            f.write_str(first)?;
        }
        parts.try_for_each(|part| write!(f, " {part}"))
    }
}

/// What a tank does.
#[must_use]
pub const fn duty(kind: DutyKind) -> &'static str {
    match kind {
        DutyKind::Serving => "serving",
        DutyKind::Ready => "ready",
        DutyKind::Spent => "spent, waiting",
        DutyKind::Regenerating => "regenerating",
        DutyKind::Purging => "being flushed",
        DutyKind::Out => "out",
        DutyKind::Refilling => "making brine",
    }
}

/// Why a regeneration is asked for.
#[must_use]
pub const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::Exhausted => "nothing is left",
        Cause::Sensor => "hard water was seen",
        Cause::Manual => "somebody asked",
        Cause::Remote => "the remote contact asked",
        Cause::Reserve => "only the reserve is left",
        Cause::BackupDay => "it has stood for days",
        Cause::Scheduled => "its day has come",
    }
}

/// Why it has not begun.
#[must_use]
pub const fn hold(hold: Hold) -> &'static str {
    match hold {
        Hold::LockedOut => "it was taken out",
        Hold::DriveFailed => "its drive is lost",
        Hold::OperatorHold => "somebody holds it",
        Hold::FindingPosition => "its valve is sought",
        Hold::ChangingOver => "tanks change over",
        Hold::OtherRegenerating => "another regenerates",
        Hold::DrainBusy => "the drain is in use",
        Hold::BrineBusy => "brine tank is in use",
        Hold::BrineNotReady => "brine is not ready",
        Hold::NoTankToRelieve => "too few others serve",
        Hold::HoldOff => "a contact holds it off",
        Hold::LowPressure => "pressure is too low",
        Hold::FlowTooHigh => "too much water flows",
        Hold::DischargeLimit => "the day's drain is used",
        Hold::ClockUnset => "the clock is not set",
        Hold::Blackout => "a blackout stands",
        Hold::WouldEnterBlackout => "a blackout is near",
        Hold::UntilHour => "its hour has not come",
    }
}

/// How grave an alarm is.
#[must_use]
pub const fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Notice => "notice",
        Severity::Warning => "warning",
        Severity::Critical => "critical",
    }
}

/// Whoever asked.
const fn who(who: Who) -> &'static str {
    match who {
        Who::Panel => "panel",
        Who::Remote => "remote contact",
        Who::Serial => "serial line",
    }
}

/// What an operator may ask, as something to choose.
#[must_use]
pub const fn action(action: Action) -> &'static str {
    match action {
        Action::StartNow(_) => "regenerate now",
        Action::StartAtHour(_) => "regenerate at the hour",
        Action::Withdraw(_) => "withdraw the request",
        Action::StepForward(_) => "end this step",
        Action::Abort(_) => "abort the regeneration",
        Action::Hold(_) => "hold: start nothing",
        Action::Release(_) => "release the hold",
        Action::TakeOut(_) => "take it out",
        Action::PutBack(_) => "put it back",
        Action::Vouch(_) => "vouch: it is fit",
        Action::ShutByHand(_) => "was shut by hand",
        Action::Leave { .. } => "people go away",
        Action::Return => "people are back",
        Action::TestDrive { .. } => "try the valve",
        Action::TestRelay { .. } => "try a relay",
        Action::TestContacts => "try contacts by hand",
        Action::CountPulses { .. } => "count pulses",
        Action::Caught { .. } => "water was caught",
        Action::EndTest => "end what is tried",
        Action::TestHardness { .. } => "hardness was measured",
        Action::ReplaceResin(_) => "new resin is in it",
        Action::BrineReady => "the brine is ready",
        Action::SaltFilled => "salt was filled up",
        Action::Alarm(AlarmAction::Acknowledge(_)) => "acknowledge it",
        Action::Alarm(AlarmAction::AcknowledgeAll) => "acknowledge all",
        Action::Alarm(AlarmAction::Reset(_)) => "reset it",
        Action::Alarm(AlarmAction::Maintained) => "plant was maintained",
    }
}

/// What to think of before an action is taken.
#[must_use]
pub const fn caution(action: Action) -> &'static str {
    match action {
        Action::StartNow(_) | Action::StartAtHour(_) => {
            "The valve moves; brine runs to drain. A lone tank passes hard water."
        }
        Action::StepForward(_) | Action::Abort(_) => "Brine in the bed is rinsed out first, whatever is asked.",
        Action::TakeOut(_) => "Others must serve. Shut its valves by hand before you open it: it is under pressure.",
        Action::PutBack(_) => "It regenerates before it serves. Is it closed, and is its water on?",
        Action::Vouch(_) => "Only if you have tested its water, or filled it anew.",
        Action::ShutByHand(_) => "Only if nothing can flow in or out of it any more: others use drain and brine.",
        Action::ReplaceResin(_) => "The age of its resin begins anew.",
        Action::TestDrive { .. } => {
            "The valve will move, and water may run to drain. Hands off the drive. It goes back by itself."
        }
        Action::TestRelay { .. } => "What the relay switches will run. Is it safe to?",
        Action::TestContacts => "For five minutes nothing follows from what contacts say, pressure and floats too.",
        Action::CountPulses { .. } => "Draw at least ten pulses into a measure, then tell how much it was.",
        Action::BrineReady => "Only if you have looked: the tank holds its dose of strong brine.",
        _ => "",
    }
}

/// Why what is asked of a tank waits, in a few words; none if it does not.
#[must_use]
pub fn leading_hold(why: &Why) -> Option<Hold> {
    why.holds.iter().map(|standing| standing.hold).min()
}

fn after_power(outcome: AfterPower) -> &'static str {
    match outcome {
        AfterPower::Resumed => "goes on",
        AfterPower::StepAgain => "begins again",
        AfterPower::BeganAgain => "was cut: all begins again",
        AfterPower::RinsedFirst => "was cut: rinsed, then all begins again",
        AfterPower::GaveUp => "was cut too often: given up",
        AfterPower::RefillCounted => "ran on in the dark, counted",
        AfterPower::RefillStopped => "is stopped: nobody knows how long it ran",
    }
}

fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::TookOver => "it took over",
        Reason::Relieved => "another took over",
        Reason::Joined => "it joined the others",
        Reason::FlowFell => "fewer tanks suffice",
        Reason::DrainTaken => "not flushed, the drain may be taken",
        Reason::Started => "its regeneration began",
        Reason::Ended(_) => "its regeneration is over",
        Reason::MakeUp => "there is too little brine",
        Reason::MadeUp => "there is brine again",
        Reason::Stale => "it stood too long",
        Reason::Purged => "it was flushed",
        Reason::Operator => "somebody asked",
        Reason::DriveLost => "its drive is lost",
        Reason::NoneServing => "no tank served",
        Reason::BrineInBed => "brine may be in the bed",
        Reason::PlaceInDoubt => "its valve counted wrong",
        Reason::GaveWay => "another is rinsed first",
    }
}

fn drive<P: Copy>(f: &mut fmt::Formatter<'_>, event: DriveEvent<P>, name: impl Fn(P) -> &'static str) -> fmt::Result {
    match event {
        DriveEvent::Moving(to) => write!(f, "turns to {}", Plain(name(to))),
        DriveEvent::Confirmed(at) => write!(f, "is at {}", Plain(name(at))),
        DriveEvent::Retrying(to) => write!(f, "did not reach {}, tries again", Plain(name(to))),
        DriveEvent::MovedAway(from) => write!(f, "left {} by itself", Plain(name(from))),
        DriveEvent::StoodInBrine => f.write_str("stood in the brine position on its way"),
        DriveEvent::Miscounted => f.write_str("counted wrong, seeks home"),
        DriveEvent::Lost => f.write_str("is lost: its motor stays off"),
        DriveEvent::PositionUnknown => f.write_str("stands nobody knows where"),
        DriveEvent::Passing(at) => write!(f, "passes {}, brine in its bed", Plain(name(at))),
        DriveEvent::Passed(at) => write!(f, "has passed {}", Plain(name(at))),
    }
}

/// A record of the journal as a sentence.
#[derive(Clone, Copy, Debug)]
pub struct Said {
    /// What happened.
    pub event: Event,
    /// In which units.
    pub units: Units,
}

impl Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let units = self.units;
        match self.event {
            Event::Duty { tank, duty: kind, reason: why } => write!(f, "{tank} is {}: {}", duty(kind), reason(why)),
            Event::Asked { tank, cause: why } => write!(f, "{tank} asks to regenerate: {}", cause(why)),
            Event::Held { tank, holds } => match holds.iter().next() {
                None => write!(f, "nothing holds {tank} any more"),
                Some(first) => {
                    let more = holds.iter().count().saturating_sub(1);
                    write!(f, "{tank} waits: {}", hold(first))?;
                    if more > 0 { write!(f, ", and {more} more") } else { Ok(()) }
                }
            },
            Event::Started { tank, leading, .. } => write!(f, "{tank} begins to regenerate: {}", cause(leading)),
            Event::StepStarted { tank, step } => write!(f, "{tank}: {} runs", step_name(step)),
            Event::StepInterrupted { tank, step } => write!(f, "{tank}: {} stands still", step_name(step)),
            Event::StepEnded { tank, step, ran, drained } => {
                write!(f, "{tank}: {} over after {}, ", step_name(step), Lasts::from(ran))?;
                write!(f, "about {} to drain", units.volume(drained))
            }
            Event::Ended { tank, outcome, volume, overrun, salt } => {
                write!(f, "{tank}: regeneration {}, {} since the last, ", outcome.slug(), units.volume(volume))?;
                write!(f, "{} of it past zero, {} of salt", units.volume(overrun), units.salt(salt))
            }
            Event::HardnessTested { tank, treated, feed, left } => {
                write!(f, "{tank}: {} behind it", units.hardness(treated))?;
                if let Some(feed) = feed {
                    write!(f, ", {} before it", units.hardness(feed))?;
                }
                write!(f, ", when {} should be left", units.volume(left))
            }
            Event::CapacityChanged { tank, kept_per_mille, .. } => {
                write!(f, "{tank}: {} of its capacity is counted on", percent(kept_per_mille))
            }
            Event::ChangeoverBegan { from: Some(from), to } => write!(f, "{to} is to take over from {from}"),
            Event::ChangeoverBegan { from: None, to } => write!(f, "{to} is to serve: no tank does"),
            Event::PurgeEnded { tank, drained } => {
                write!(f, "{tank}: flushed, about {} to drain", units.volume(drained))
            }
            Event::Drive { tank, event } => {
                write!(f, "{tank}: valve ")?;
                drive(f, event, |at| at.slug())
            }
            Event::SharedDrive(event) => {
                write!(f, "shared valve ")?;
                drive(f, event, |end| match end {
                    End::First => "tank 1's end",
                    End::Second => "tank 2's end",
                })
            }
            Event::AlarmRaised(alarm) => write!(f, "alarm: {}", Plain(alarm.slug())),
            Event::AlarmLatched(alarm) => write!(f, "alarm {}: its reason is gone, reset it", Plain(alarm.slug())),
            Event::AlarmCleared(alarm) => write!(f, "alarm {} is over", Plain(alarm.slug())),
            Event::HourFired => f.write_str("the regeneration hour"),
            Event::HourMissed => f.write_str("a regeneration hour was missed"),
            Event::DayEnded(day) => {
                let used = bedkeeper::units::Volume::from_litres(u64::from(day.litres));
                write!(f, "a day is over: {} used", units.volume(used))
            }
            Event::ClockSet { moved_s: None } => f.write_str("the clock is set"),
            Event::ClockSet { moved_s: Some(by) } => write!(f, "the clock is set, moved by {by} s"),
            Event::ClockLost => f.write_str("the time is not known any more"),
            Event::Contact { contact, closed } => {
                write!(f, "contact {} is {}", Plain(contact.slug()), if closed { "closed" } else { "open" })
            }
            Event::RemoteIgnored { tank } => write!(f, "the remote contact asked, but {tank} regenerates already"),
            Event::Lock { who: by, event } => write!(
                f,
                "{}: {}",
                who(by),
                match event {
                    LockEvent::Opened => "the lock is open",
                    LockEvent::Closed => "the lock is closed",
                    LockEvent::WrongCode => "a key did not fit the lock",
                    LockEvent::Barred => "the lock is barred for a while",
                }
            ),
            Event::AbsenceEnded => f.write_str("the absence is over"),
            Event::TestEnded { tank } => write!(f, "{tank}: its valve was tried and goes back"),
            Event::RelayTestEnded { relay } => write!(f, "relay {} was tried", relay.saturating_add(1)),
            Event::ContactsTested { moved } => {
                f.write_str("contacts were tried:")?;
                if moved.is_empty() {
                    return f.write_str(" none moved");
                }
                moved.iter().try_for_each(|contact| write!(f, " {},", Plain(contact.slug())))?;
                f.write_str(" moved")
            }
            Event::MeterChecked { meter, check } => {
                let off = u16::try_from(check.error_per_mille.unsigned_abs()).unwrap_or(u16::MAX);
                let much = if check.error_per_mille < 0 { "little" } else { "much" };
                write!(f, "meter {}: {} pulses for ", meter.saturating_add(1), check.pulses)?;
                write!(f, "{}, {} too {much}", units.volume(check.caught), percent(off))
            }
            Event::CountGivenUp { meter } => {
                write!(f, "meter {}: counting ended, nobody told what was caught", meter.saturating_add(1))
            }
            Event::Operator { who: by, action: asked, granted } => {
                write!(f, "{}: {}", who(by), action(asked))?;
                if let Some(tank) = asked.tank() {
                    write!(f, ", {tank}")?;
                }
                f.write_str(if granted { "" } else { " - refused" })
            }
            Event::PowerReturned { off: Some(off) } => write!(f, "power is back after {}", Lasts::from(off)),
            Event::PowerReturned { off: None } => f.write_str("power is back; how long it was off is not known"),
            Event::AfterPower { tank, step, outcome } => {
                write!(f, "{tank}: {} {}", step_name(step), after_power(outcome))
            }
            Event::HeldWithoutBrine { tank } => write!(f, "{tank} is held: draw after draw took no brine"),
            Event::RetainedLost => f.write_str("nothing readable outlived the power cut: beds count as spent"),
            Event::SettingsTaken => f.write_str("new settings run"),
            Event::SettingsChanged { who: by } => write!(f, "{} had new settings taken", who(by)),
            Event::SettingsAwaitRestart { who: by } => {
                write!(f, "{} had settings kept for the next power-up", who(by))
            }
            Event::AskedOfBoard { who: by, wish, granted } => {
                write!(f, "{}: ", who(by))?;
                match wish {
                    BoardWish::Clock(to) if to < Civil::END => write!(f, "the clock to {}", Day(to))?,
                    BoardWish::Clock(_) => f.write_str("the clock to a time there is not")?,
                    BoardWish::Line { address, baud } => write!(f, "the line at {baud} baud, address {address}")?,
                    BoardWish::Units => f.write_str("other units")?,
                    BoardWish::Settings => f.write_str("other settings")?,
                    BoardWish::Baseline => f.write_str("a baseline")?,
                }
                f.write_str(if granted { "" } else { " - refused" })
            }
            Event::BaselineStored { who: by } => write!(f, "{} stored these settings as the site's baseline", who(by)),
            Event::SettingsRefused => f.write_str("settings were refused; those before run on"),
        }
    }
}

/// A step of a regeneration.
#[must_use]
pub const fn step_name(step: StepKind) -> &'static str {
    match step {
        StepKind::Backwash => "backwash",
        StepKind::BrineDraw => "brine draw",
        StepKind::SlowRinse => "slow rinse",
        StepKind::FastRinse => "fast rinse",
        StepKind::BrineRefill => "brine refill",
        StepKind::Settle => "settling",
        StepKind::BrineWait => "wait for brine",
        StepKind::ServiceRinse => "last rinse",
    }
}
