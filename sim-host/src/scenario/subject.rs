//! What an expectation or a trigger is about: a state that stands, or something that happens.

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::{Event, Record};
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::program::{Position, StepKind};
use bedkeeper::sequence::Outcome;
use bedkeeper::units::{Hardness, TankId, Volume};
use bedkeeper::watch::Alarm;

use super::time::Days;
use super::timeline::State;
use crate::wording;

/// What is looked for. `tank` is the index of one; `None` is any.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject {
    /// A tank has this duty.
    Duty(Option<usize>, DutyKind),
    /// The tanks have exactly these duties, in order.
    Duties(Vec<DutyKind>),
    /// A cause stands.
    Cause(Option<usize>, Cause),
    /// Exactly these causes stand on a tank.
    Causes(usize, Vec<Cause>),
    /// A hold stands, and clears by itself at this ms, if that is asked for.
    Hold(Option<usize>, Hold, Option<u64>),
    /// Exactly these holds stand on a tank.
    Holds(usize, Vec<Hold>),
    /// An alarm stands.
    Alarm(Alarm),
    /// Exactly these alarms stand.
    Alarms(Vec<Alarm>),
    /// A relay is on; the index of one.
    Relay(usize),
    /// A regeneration is at this step.
    Step(Option<usize>, StepKind),
    /// A valve stands here, by the plant.
    Position(Option<usize>, Position),
    /// A cause latches.
    Asked(Option<usize>, Option<Cause>),
    /// A regeneration starts, led by this cause, or by any.
    Started(Option<usize>, Option<Cause>),
    /// A regeneration ends so, or anyhow.
    Ended(Option<usize>, Option<Outcome>),
    /// A step of a regeneration runs in its position.
    Runs(Option<usize>, StepKind),
    /// An alarm is raised.
    Raised(Alarm),
    /// An operator's action of this name, about this tank or any, is granted or refused.
    Operator {
        /// About which tank.
        tank: Option<usize>,
        /// The name that files use.
        action: &'static str,
        /// Granted.
        granted: bool,
    },
    /// The logic says something with these words in it.
    Says(Option<usize>, String),
    /// The checker sees this rule broken.
    Violation(String),
}

/// The outcomes by their names.
pub const OUTCOMES: [Outcome; 3] = [Outcome::Complete, Outcome::Aborted, Outcome::Failed];

/// The names of what operators may ask.
pub fn action_slugs() -> Vec<&'static str> {
    let tank = TankId(0);
    use Action as A;
    [
        A::StartNow(tank),
        A::StartAtHour(tank),
        A::Withdraw(tank),
        A::StepForward(tank),
        A::Abort(tank),
        A::Hold(tank),
        A::Release(tank),
        A::TakeOut(tank),
        A::PutBack(tank),
        A::Vouch(tank),
        A::ShutByHand(tank),
        A::Leave { days: 0 },
        A::Return,
        A::TestDrive { tank, position: Position::Service },
        A::EndTest,
        A::TestRelay { relay: 0, seconds: 0 },
        A::TestContacts,
        A::CountPulses { meter: 0 },
        A::Caught { volume: Volume::ZERO },
        A::TestHardness { tank, treated: Hardness(0), feed: None },
        A::ReplaceResin(tank),
        A::BrineReady,
        A::SaltFilled,
        A::Alarm(AlarmAction::Acknowledge(Alarm::ClockUnset)),
        A::Alarm(AlarmAction::AcknowledgeAll),
        A::Alarm(AlarmAction::Reset(Alarm::RelayLimit)),
        A::Alarm(AlarmAction::Maintained),
    ]
    .map(Action::slug)
    .to_vec()
}

/// The action of this name on a tank, if a name and a tank are all that it needs.
pub fn action(slug: &str, tank: TankId) -> Option<Action> {
    use Action as A;
    Some(match slug {
        "start-now" => A::StartNow(tank),
        "start-at-hour" => A::StartAtHour(tank),
        "withdraw" => A::Withdraw(tank),
        "step-forward" => A::StepForward(tank),
        "abort" => A::Abort(tank),
        "hold" => A::Hold(tank),
        "release" => A::Release(tank),
        "take-out" => A::TakeOut(tank),
        "put-back" => A::PutBack(tank),
        "vouch" => A::Vouch(tank),
        "shut-by-hand" => A::ShutByHand(tank),
        "return" => A::Return,
        "end-test" => A::EndTest,
        "test-contacts" => A::TestContacts,
        "replace-resin" => A::ReplaceResin(tank),
        "brine-ready" => A::BrineReady,
        "salt-filled" => A::SaltFilled,
        "acknowledge-all" => A::Alarm(AlarmAction::AcknowledgeAll),
        "maintained" => A::Alarm(AlarmAction::Maintained),
        _ => return None,
    })
}

impl Subject {
    /// Whether it is a state that stands for a while; else it is something that happens at a moment.
    #[must_use]
    pub fn is_state(&self) -> bool {
        matches!(
            self,
            Self::Duty(..)
                | Self::Duties(..)
                | Self::Cause(..)
                | Self::Causes(..)
                | Self::Hold(..)
                | Self::Holds(..)
                | Self::Alarm(..)
                | Self::Alarms(..)
                | Self::Relay(..)
                | Self::Step(..)
                | Self::Position(..)
        )
    }

    /// Whether a state of the plant shows it.
    #[must_use]
    pub fn stands_in(&self, state: &State) -> bool {
        let any = |tank: &Option<usize>, fits: &dyn Fn(&super::timeline::TankState) -> bool| {
            state.tanks.iter().enumerate().any(|(i, t)| tank.is_none_or(|wanted| wanted == i) && fits(t))
        };
        match self {
            Self::Duty(tank, duty) => any(tank, &|t| t.duty == *duty),
            Self::Duties(duties) => state.tanks.iter().map(|t| t.duty).eq(duties.iter().copied()),
            Self::Cause(tank, cause) => any(tank, &|t| t.causes.contains(*cause)),
            Self::Causes(tank, causes) => {
                state.tanks.get(*tank).is_some_and(|t| same(&t.causes.iter().collect::<Vec<_>>(), causes))
            }
            Self::Hold(tank, hold, clears) => {
                any(tank, &|t| t.holds.iter().any(|(h, at)| h == hold && clears.is_none_or(|c| *at == Some(c))))
            }
            Self::Holds(tank, holds) => {
                state.tanks.get(*tank).is_some_and(|t| same(&t.holds.iter().map(|h| h.0).collect::<Vec<_>>(), holds))
            }
            Self::Alarm(alarm) => state.alarms.contains(*alarm),
            Self::Alarms(alarms) => same(&state.alarms.iter().collect::<Vec<_>>(), alarms),
            Self::Relay(relay) => state.relays.get(*relay) == Some(&true),
            Self::Step(tank, step) => any(tank, &|t| t.step == Some(*step)),
            Self::Position(tank, position) => any(tank, &|t| t.position == Some(*position)),
            _ => false,
        }
    }

    /// Whether a record tells of it.
    #[must_use]
    pub fn is_told_by(&self, record: &Record) -> bool {
        let about = |wanted: &Option<usize>, tank: TankId| wanted.is_none_or(|wanted| wanted == tank.index());
        match (self, record.event) {
            (Self::Asked(t, cause), Event::Asked { tank, cause: seen }) => {
                about(t, tank) && cause.is_none_or(|cause| cause == seen)
            }
            (Self::Started(t, cause), Event::Started { tank, leading, .. }) => {
                about(t, tank) && cause.is_none_or(|cause| cause == leading)
            }
            (Self::Ended(t, outcome), Event::Ended { tank, outcome: seen, .. }) => {
                about(t, tank) && outcome.is_none_or(|outcome| outcome == seen)
            }
            (Self::Runs(t, step), Event::StepStarted { tank, step: seen }) => about(t, tank) && *step == seen,
            (Self::Raised(alarm), Event::AlarmRaised(seen)) => *alarm == seen,
            (Self::Operator { tank: t, action, granted }, Event::Operator { action: seen, granted: was, .. }) => {
                seen.tank().map_or(t.is_none(), |tank| about(t, tank)) && *action == seen.slug() && *granted == was
            }
            (Self::Says(t, words), event) => {
                let tank = wording::tank_of(&event);
                t.is_none_or(|t| tank.is_some_and(|tank| tank.index() == t))
                    && wording::sentence(&event).contains(words.as_str())
            }
            _ => false,
        }
    }

    /// The same thing in words, as an expectation names it.
    #[must_use]
    pub fn words(&self, days: Days) -> String {
        let who = |tank: &Option<usize>| tank.map_or_else(|| "a tank".to_owned(), |i| format!("tank {}", i + 1));
        match self {
            Self::Duty(tank, duty) => format!("{} {duty}", who(tank)),
            Self::Duties(duties) => format!("the tanks {}", list(duties.iter().map(|d| d.slug()))),
            Self::Cause(tank, cause) => format!("cause {cause} on {}", who(tank)),
            Self::Causes(tank, causes) => {
                format!("tank {} asked by {} alone", tank + 1, list(causes.iter().map(|c| c.slug())))
            }
            Self::Hold(tank, hold, None) => format!("hold {hold} on {}", who(tank)),
            Self::Hold(tank, hold, Some(at)) => {
                format!("hold {hold} on {}, clearing {}", who(tank), days.show(*at))
            }
            Self::Holds(tank, holds) => {
                format!("tank {} held by {} alone", tank + 1, list(holds.iter().map(|h| h.slug())))
            }
            Self::Alarm(alarm) => format!("alarm {alarm}"),
            Self::Alarms(alarms) => format!("the alarms {} alone", list(alarms.iter().map(|a| a.slug()))),
            Self::Relay(relay) => format!("relay {} on", relay + 1),
            Self::Step(tank, step) => format!("{} at {step}", who(tank)),
            Self::Position(tank, position) => format!("the valve of {} in {position}", who(tank)),
            Self::Asked(tank, cause) => format!("{} asks ({})", who(tank), cause.map_or("any cause", Cause::slug)),
            Self::Started(tank, cause) => {
                format!("{} starts to regenerate ({})", who(tank), cause.map_or("any cause", Cause::slug))
            }
            Self::Ended(tank, outcome) => {
                format!("{} ends its regeneration ({})", who(tank), outcome.map_or("any outcome", Outcome::slug))
            }
            Self::Runs(tank, step) => format!("{step} of {} runs", who(tank)),
            Self::Raised(alarm) => format!("alarm {alarm} is raised"),
            Self::Operator { tank, action, granted } => {
                format!("{action} on {} is {}", who(tank), if *granted { "granted" } else { "refused" })
            }
            Self::Says(tank, words) => {
                let about = tank.map_or_else(String::new, |i| format!(" of tank {}", i + 1));
                format!("the journal says \"{words}\"{about}")
            }
            Self::Violation(rule) => format!("rule {rule} is broken"),
        }
    }

    /// What a state shows of it instead.
    #[must_use]
    pub fn shown_in(&self, state: &State, days: Days) -> String {
        let each = |tank: &Option<usize>, show: &dyn Fn(&super::timeline::TankState) -> String| {
            let chosen = state.tanks.iter().enumerate().filter(|(i, _)| tank.is_none_or(|wanted| wanted == *i));
            chosen.map(|(i, t)| format!("tank {}: {}", i + 1, show(t))).collect::<Vec<_>>().join("; ")
        };
        let held = |t: &super::timeline::TankState| match (t.causes.is_empty(), t.holds.is_empty()) {
            (true, _) => "nothing is asked".to_owned(),
            (false, true) => "nothing holds it".to_owned(),
            (false, false) => format!("held by {}", list(t.holds.iter().map(|(h, _)| h.slug()))),
        };
        match self {
            Self::Duty(tank, _) => each(tank, &|t| t.duty.slug().to_owned()),
            Self::Duties(_) => each(&None, &|t| t.duty.slug().to_owned()),
            Self::Cause(tank, _) => each(tank, &|t| format!("causes {}", list(t.causes.iter().map(|c| c.slug())))),
            Self::Causes(tank, _) => {
                each(&Some(*tank), &|t| format!("causes {}", list(t.causes.iter().map(|c| c.slug()))))
            }
            Self::Hold(tank, _, None) => each(tank, &held),
            Self::Hold(tank, hold, Some(_)) => each(tank, &|t| match t.holds.iter().find(|(h, _)| h == hold) {
                Some((_, Some(at))) => format!("{hold} clears {}", days.show(*at)),
                Some((_, None)) => format!("{hold}, without knowing when it clears"),
                None => held(t),
            }),
            Self::Holds(tank, _) => each(&Some(*tank), &held),
            Self::Alarm(_) | Self::Alarms(_) => {
                format!("the alarms {}", list(state.alarms.iter().map(|a| a.slug())))
            }
            Self::Relay(relay) => {
                let on = state.relays.get(*relay) == Some(&true);
                format!("relay {} {}", relay + 1, if on { "on" } else { "off" })
            }
            Self::Step(tank, _) => each(tank, &|t| t.step.map_or("no step", StepKind::slug).to_owned()),
            Self::Position(tank, _) => {
                each(tank, &|t| t.position.map_or("between positions", Position::slug).to_owned())
            }
            _ => String::new(),
        }
    }
}

/// Slugs with commas; "none" for none.
fn list(slugs: impl Iterator<Item = &'static str>) -> String {
    let all: Vec<_> = slugs.collect();
    if all.is_empty() { "none".to_owned() } else { all.join(", ") }
}

/// Whether both hold the same, in any order.
fn same<T: PartialEq>(a: &[T], b: &[T]) -> bool {
    a.len() == b.len() && a.iter().all(|x| b.contains(x))
}
