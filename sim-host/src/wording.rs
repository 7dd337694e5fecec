//! Sentences for what the logic records, and the help that goes with each alarm.

use std::sync::LazyLock;

use bedkeeper::SettingsRefused;
use bedkeeper::controller::Why;
use bedkeeper::demand::{CauseSet, Hold, HoldSet, Standing};
use bedkeeper::drive::{DriveEvent, End};
use bedkeeper::journal::{BoardWish, Event, Reason, Who};
use bedkeeper::lock::LockEvent;
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::program::StepKind;
use bedkeeper::reserve::Lesson;
use bedkeeper::sequence::{AfterPower, Outcome};
use bedkeeper::units::{Hardness, TankId, Volume};
use bedkeeper::watch::Alarm;

use crate::quantity::show::{self, UnitSystem};

/// A record as one plain sentence.
#[must_use]
pub fn sentence(event: &Event) -> String {
    let litres = |v: Volume| show::volume(v.nl(), UnitSystem::Metric).to_string();
    match *event {
        Event::AbsenceEnded => "the absence is over".to_owned(),
        Event::RelayTestEnded { relay } => format!("relay {} is asked for by its test no more", relay + 1),
        Event::ContactsTested { moved } if moved.is_empty() => "contacts were tried: none moved".to_owned(),
        Event::ContactsTested { moved } => {
            let moved: Vec<_> = moved.iter().map(|contact| contact.slug()).collect();
            format!("contacts were tried: {} moved", moved.join(", "))
        }
        Event::MeterChecked { meter, check } => format!(
            "meter {}: {} pulses for {} caught, {:.1} % too {}",
            meter + 1,
            check.pulses,
            litres(check.caught),
            f64::from(check.error_per_mille.saturating_abs()) / 10.0,
            if check.error_per_mille < 0 { "little" } else { "much" }
        ),
        Event::CountGivenUp { meter } => {
            format!("meter {}: its pulses are counted no more, since nobody told what was caught", meter + 1)
        }
        Event::SettingsChanged { who } => format!("{} had them taken", who_text(who)),
        Event::BaselineStored { who } => {
            format!("{} had the settings that run stored as the site's baseline", who_text(who))
        }
        Event::SettingsAwaitRestart { who } => {
            format!("{} had settings of another plant stored: they run once the board restarts", who_text(who))
        }
        Event::AskedOfBoard { who, wish, granted } => format!(
            "{} asked for {}: {}",
            who_text(who),
            match wish {
                BoardWish::Clock(to) => format!("the clock at {}", crate::quantity::civil::shown(to)),
                BoardWish::Line { address, baud } => format!("the line at address {address}, {baud} baud"),
                BoardWish::Units => "other units at the panel".to_owned(),
                BoardWish::Settings => "other settings".to_owned(),
                BoardWish::Baseline => "these settings as the site's baseline".to_owned(),
            },
            if granted { "granted" } else { "refused" }
        ),
        Event::TestEnded { tank } => format!("{tank}: the valve that was tried goes back"),
        Event::Duty { tank, duty, reason } => format!("{tank} is {duty}: {}", reason_text(reason)),
        Event::Asked { tank, cause } => format!("{tank} asks to regenerate: {cause}"),
        Event::Held { tank, holds } if holds.is_empty() => format!("nothing holds {tank} any more"),
        Event::Held { tank, holds } => format!("{tank} waits: {}", hold_list(holds)),
        Event::Started { tank, leading, causes, .. } => {
            let others = others(leading.slug(), causes);
            format!("{tank} begins to regenerate: {leading}{others}")
        }
        Event::StepStarted { tank, step } => format!("{tank}: {step} runs"),
        Event::StepInterrupted { tank, step } => {
            format!("{tank}: {step} stands still, its valve has left the position")
        }
        Event::StepEnded { tank, step, ran, drained } => format!(
            "{tank}: {step} ends after {}, about {} to drain",
            show::duration(u64::from(ran.0)),
            litres(drained)
        ),
        Event::Ended { tank, outcome, volume, overrun, .. } => format!(
            "{tank}: regeneration {}, {} since the last one, {} of it past zero",
            outcome.slug(),
            litres(volume),
            litres(overrun)
        ),
        Event::HardnessTested { tank, treated, feed, left } => {
            let hardness = |h: Hardness| show::hardness(u64::from(h.0), UnitSystem::Metric);
            let feed = feed.map(|feed| format!(", {} in the feed", hardness(feed))).unwrap_or_default();
            format!(
                "{tank}: {} measured behind it{feed}, when {} should have been left",
                hardness(treated),
                litres(left)
            )
        }
        Event::CapacityChanged { tank, kept_per_mille, by_age_per_mille, by_tests_per_mille } => format!(
            "{tank}: {} of its set capacity is reckoned with: {}",
            percent(kept_per_mille),
            derating_text(by_age_per_mille, by_tests_per_mille)
        ),
        Event::ChangeoverBegan { from: Some(from), to } => format!("{to} is to take over from {from}"),
        Event::ChangeoverBegan { from: None, to } => format!("{to} is to serve, since no tank does"),
        Event::PurgeEnded { tank, drained } => format!("{tank}: purge ends, about {} to drain", litres(drained)),
        Event::Drive { tank, event } => format!("{tank}: valve {}", drive_text(event, |at| at.slug())),
        Event::SharedDrive(event) => format!("shared changeover valve {}", drive_text(event, end_text)),
        Event::AlarmRaised(alarm) => format!("alarm {alarm}: {}", alarm_help(alarm)),
        Event::AlarmLatched(alarm) => format!("what raised alarm {alarm} has gone; it stands until it is reset"),
        Event::AlarmCleared(alarm) => format!("alarm {alarm} has returned to normal"),
        Event::HourFired => "the regeneration hour".to_owned(),
        Event::DayEnded(day) => format!(
            "the day that began on {} used {}{}",
            date_text(day.day),
            litres(Volume::from_litres(u64::from(day.litres))),
            lesson_text(day.lesson)
        ),
        Event::HourMissed => "a regeneration hour was missed".to_owned(),
        Event::ClockSet { moved_s: None } => "the clock is set".to_owned(),
        Event::ClockSet { moved_s: Some(by) } => format!("the clock is set, moved by {by} s"),
        Event::ClockLost => "the civil time is no longer known".to_owned(),
        Event::Contact { contact, closed } => {
            format!("contact {contact} is {}", if closed { "closed" } else { "open" })
        }
        Event::RemoteIgnored { tank } => format!("the remote contact asked, but {tank} regenerates already"),
        Event::Lock { who, event } => format!(
            "{} {}",
            who_text(who),
            match event {
                LockEvent::Opened => "opened the lock",
                LockEvent::Closed => "closed the lock",
                LockEvent::WrongCode => "offered a key that does not fit the lock",
                LockEvent::Barred => "offered a key to a lock that is barred after too many wrong ones",
            }
        ),
        Event::Operator { who, action, granted } => format!(
            "{} asked for {}: {}",
            who_text(who),
            action_text(action),
            if granted { "granted" } else { "refused" }
        ),
        Event::PowerReturned { off: Some(off) } => {
            format!("power is back; it was off for {} at the most", show::duration(u64::from(off.0)))
        }
        Event::PowerReturned { off: None } => "power is back; nobody knows how long it was off".to_owned(),
        Event::AfterPower { tank, step, outcome } => format!("{tank}: {}", after_power_text(step, outcome)),
        Event::HeldWithoutBrine { tank } => {
            format!("{tank} is held: draw after draw took no brine; an operator releases it")
        }
        Event::RetainedLost => "nothing readable outlived the power cut: every bed counts as spent".to_owned(),
        Event::SettingsTaken => "new settings run".to_owned(),
        Event::SettingsRefused => "settings were refused; those before run on".to_owned(),
    }
}

/// Why settings were not taken.
#[must_use]
pub fn settings_refused(why: SettingsRefused) -> &'static str {
    match why {
        SettingsRefused::Regenerating => {
            "a regeneration runs, and what they change waits until none does: offer them again then"
        }
        SettingsRefused::NeedsRestart => "tanks, arrangement or drives differ: only a restart takes them",
    }
}

fn percent(per_mille: u16) -> String {
    show::share(u32::from(per_mille) * 1_000).to_string()
}

/// What an operator asks for, and of what.
#[must_use]
pub fn action_text(action: Action) -> String {
    let of = match action {
        Action::Alarm(AlarmAction::Acknowledge(alarm) | AlarmAction::Reset(alarm)) => format!(" of {alarm}"),
        Action::TestRelay { relay, .. } => format!(" on relay {}", relay.saturating_add(1)),
        Action::CountPulses { meter } => format!(" of meter {}", meter.saturating_add(1)),
        Action::Caught { volume } => format!(" {}", show::volume(volume.nl(), UnitSystem::Metric)),
        _ => action.tank().map(|tank| format!(" on {tank}")).unwrap_or_default(),
    };
    format!("{}{of}", action.slug())
}

/// What has been taken off a tank's capacity, and why.
#[must_use]
pub fn derating_text(by_age_per_mille: u16, by_tests_per_mille: u16) -> String {
    match (by_age_per_mille, by_tests_per_mille) {
        (0, 0) => "nothing is taken off".to_owned(),
        (age, 0) => format!("{} less by age", percent(age)),
        (0, tests) => format!("{} less by hardness tests", percent(tests)),
        (age, tests) => format!("{} less by age, {} by hardness tests", percent(age), percent(tests)),
    }
}

/// What a learned reserve rests on, by the slug of its basis.
#[must_use]
pub fn reserve_basis_text(basis: &str) -> &'static str {
    match basis {
        "too-few-days" => "as set until seven days are known",
        "no-clock" => "the floor while the time is unknown",
        "forecast" => "by the forecast of use",
        _ => "as set",
    }
}

/// A date counted in days since 2000-01-01.
#[must_use]
pub fn date_text(day: u16) -> String {
    crate::quantity::civil::EPOCH
        .checked_add(jiff::Span::new().days(i64::from(day)))
        .map_or_else(|_| format!("day {day}"), |d| d.to_string())
}

/// Why a day was not learned, as the end of a sentence; nothing if it was.
#[must_use]
pub const fn lesson_text(lesson: Lesson) -> &'static str {
    match lesson {
        Lesson::Learned => "",
        Lesson::NoClock => ", and is not learned from: civil time was not known all day",
        Lesson::ClockMoved => ", and is not learned from: the clock or the hour was moved",
        Lesson::PowerOff => ", and is not learned from: power was off for a part of it",
        Lesson::Absence => ", and is not learned from: it was a day of absence",
    }
}

fn who_text(who: Who) -> &'static str {
    match who {
        Who::Panel => "someone at the panel",
        Who::Remote => "someone remote",
        Who::Serial => "someone on the serial line",
    }
}

fn others(leading: &str, causes: CauseSet) -> String {
    let rest: Vec<_> = causes.iter().map(|c| c.slug()).filter(|c| *c != leading).collect();
    if rest.is_empty() { String::new() } else { format!(" (also {})", rest.join(", ")) }
}

/// The tank a record is about, if it is about one.
#[must_use]
pub fn tank_of(event: &Event) -> Option<TankId> {
    match *event {
        Event::Duty { tank, .. }
        | Event::Asked { tank, .. }
        | Event::Held { tank, .. }
        | Event::Started { tank, .. }
        | Event::StepStarted { tank, .. }
        | Event::HardnessTested { tank, .. }
        | Event::CapacityChanged { tank, .. }
        | Event::TestEnded { tank }
        | Event::StepInterrupted { tank, .. }
        | Event::StepEnded { tank, .. }
        | Event::Ended { tank, .. }
        | Event::PurgeEnded { tank, .. }
        | Event::Drive { tank, .. }
        | Event::AfterPower { tank, .. }
        | Event::RemoteIgnored { tank } => Some(tank),
        Event::Operator { action, .. } => action.tank(),
        _ => None,
    }
}

/// Holds as words.
#[must_use]
pub fn hold_list(holds: HoldSet) -> String {
    holds.iter().map(|h| h.slug()).collect::<Vec<_>>().join(", ")
}

/// What clears a hold, as "until" and when.
#[must_use]
pub fn hold_text(hold: Hold) -> &'static str {
    /// Made once for the whole program, so that any number of holds share them.
    static TEXTS: LazyLock<Vec<&'static str>> =
        LazyLock::new(|| Hold::ALL.iter().map(|hold| &*format!("until {}", hold.cleared_by()).leak()).collect());
    Hold::ALL.iter().zip(&*TEXTS).find(|(known, _)| **known == hold).map_or("", |(_, text)| text)
}

/// Why a duty began.
#[must_use]
pub const fn reason_text(reason: Reason) -> &'static str {
    match reason {
        Reason::TookOver => "its valve confirmed service",
        Reason::Relieved => "another tank took over",
        Reason::Joined => "its valve confirmed service, where others serve as well",
        Reason::FlowFell => "the flow fell, so that fewer tanks suffice",
        Reason::DrainTaken => "it is not flushed, since a lost valve may keep the drain occupied",
        Reason::Started => "its regeneration began",
        Reason::Ended(Outcome::Complete) => "its regeneration ended (complete)",
        Reason::Ended(Outcome::Aborted) => "its regeneration ended (aborted)",
        Reason::Ended(Outcome::Failed) => "its regeneration ended (failed)",
        Reason::MakeUp => "the brine is too little, so its valve refills the brine tank first",
        Reason::MadeUp => "the refill for want of brine is over",
        Reason::Stale => "it stood long, so it is flushed first",
        Reason::Purged => "the purge is over",
        Reason::Operator => "an operator's decision",
        Reason::DriveLost => "its valve drive is lost",
        Reason::BrineInBed => "brine may have reached its bed, so it is rinsed out",
        Reason::PlaceInDoubt => "its valve counted wrong, so that nobody knows what was done",
        Reason::NoneServing => "no tank served",
        Reason::GaveWay => "the tank that it waited for is rinsed out first",
    }
}

fn after_power_text(step: StepKind, outcome: AfterPower) -> String {
    match outcome {
        AfterPower::Resumed => format!("{step} goes on with the time it had left"),
        AfterPower::StepAgain => format!("{step} begins again"),
        AfterPower::BeganAgain => format!("broken off in {step}, the regeneration begins again"),
        AfterPower::RinsedFirst => {
            format!("broken off in {step}; what brine it drew is rinsed out, then it begins again")
        }
        AfterPower::GaveUp => format!("broken off in {step} once too often; the tank is left unproven"),
        AfterPower::RefillCounted => format!("{step} ran on while dark, and that time counts"),
        AfterPower::RefillStopped => format!("{step} ran on while dark, nobody knows how long; it is stopped"),
    }
}

/// What the ends of the shared valve mean.
fn end_text(end: End) -> &'static str {
    match end {
        End::First => "tank 1's side",
        End::Second => "tank 2's side",
    }
}

fn drive_text<P>(event: DriveEvent<P>, name: impl Fn(P) -> &'static str) -> String {
    match event {
        DriveEvent::Moving(to) => format!("moves to {}", name(to)),
        DriveEvent::Confirmed(at) => format!("confirmed in {}", name(at)),
        DriveEvent::Retrying(to) => format!("did not reach {} in time; it rests and tries again", name(to)),
        DriveEvent::MovedAway(from) => format!("has left {} by itself", name(from)),
        DriveEvent::StoodInBrine => "stood in the brine position out of turn".to_owned(),
        DriveEvent::Miscounted => "counted other marks than its home switch tells of; it is homed again".to_owned(),
        DriveEvent::Lost => "is lost: no try reached its position".to_owned(),
        DriveEvent::PositionUnknown => "does not know its position".to_owned(),
        DriveEvent::Passing(at) => format!("passes {} on its way, with brine in the bed", name(at)),
        DriveEvent::Passed(at) => format!("has passed {}", name(at)),
    }
}

/// What an alarm means, what the logic does about it, and what a person should look at (W3).
#[must_use]
pub fn alarm_help(alarm: Alarm) -> &'static str {
    /// Made once for the whole program, as the texts of holds are.
    static TEXTS: LazyLock<Vec<&'static str>> = LazyLock::new(|| {
        let text = |a: &Alarm| &*format!("{} {} {}", a.happened(), a.done(), a.look()).leak();
        Alarm::ALL.iter().map(text).collect()
    });
    Alarm::ALL.iter().zip(&*TEXTS).find(|(known, _)| **known == alarm).map_or("", |(_, text)| text)
}

/// Of a tank that was taken out while it is still needed (A7, S3).
pub const LEAVING: &str = "taken out: it serves until another has taken over";

/// What stands in a tank's way, hold by hold, each with what clears it.
#[must_use]
pub fn why_lines(why: &Why, at: impl Fn(u64) -> String) -> Vec<String> {
    why.holds.iter().map(|standing| standing_text(standing, &at)).collect()
}

/// One hold with what clears it and, if known, when.
#[must_use]
pub fn standing_text(standing: &Standing, at: impl Fn(u64) -> String) -> String {
    let when = standing.clears_at.map(|t| format!(", {}", at(t.as_ticks()))).unwrap_or_default();
    format!("{}: until {}{when}", standing.hold, standing.hold.cleared_by())
}
