//! What a question asks of a run, and what is true.

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::journal::Event;
use bedkeeper::program::StepKind;
use bedkeeper::watch::Alarm;
use serde::Deserialize;

use crate::scenario::{Days, Shown, Timeline, Total};

fn first() -> u64 {
    1
}

/// What the run is asked for. Tanks count from 1; `nth` counts what happened, from 1.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Ask {
    /// When a regeneration starts.
    Started {
        /// Whose.
        tank: u8,
        /// Which of them.
        #[serde(default = "first")]
        nth: u64,
    },
    /// When a regeneration ends.
    Ended {
        /// Whose.
        tank: u8,
        /// Which of them.
        #[serde(default = "first")]
        nth: u64,
    },
    /// When a step begins in its position.
    Runs {
        /// Whose.
        tank: u8,
        /// The step.
        step: StepKind,
        /// Which time.
        #[serde(default = "first")]
        nth: u64,
    },
    /// When an alarm is raised.
    Raised {
        /// The alarm.
        alarm: Alarm,
        /// Which time.
        #[serde(default = "first")]
        nth: u64,
    },
    /// Which cause leads a start.
    Cause {
        /// Whose.
        tank: u8,
        /// Which start.
        #[serde(default = "first")]
        nth: u64,
    },
    /// Every hold on a tank.
    Holds {
        /// Whose.
        tank: u8,
        /// When.
        at: String,
    },
    /// When a hold clears, by what the logic says.
    Clears {
        /// Whose.
        tank: u8,
        /// The hold.
        hold: Hold,
        /// When it is asked.
        at: String,
    },
    /// What a tank does.
    Duty {
        /// Whose.
        tank: u8,
        /// When.
        at: String,
    },
    /// At which step a regeneration is.
    Step {
        /// Whose.
        tank: u8,
        /// When.
        at: String,
    },
    /// Every alarm that stands.
    Alarms {
        /// When.
        at: String,
    },
    /// How often a regeneration starts.
    Starts {
        /// Whose; any tank's where it is left out.
        tank: Option<u8>,
    },
    /// A sum at the end of the run, by the name that scenarios use.
    Total(String),
}

/// What is true.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Truth {
    /// A moment, ms since the start.
    Moment(u64),
    /// Slugs, in any order; none is an answer, too.
    Words(Vec<&'static str>),
    /// So many.
    Count(u64),
    /// So much water, nL.
    Volume(u64),
    /// So much salt, mg.
    Mass(u64),
}

impl Ask {
    /// What is true of it by a run; `None` where the run does not show it.
    #[must_use]
    pub fn truth(&self, shown: &Shown<'_>) -> Option<Truth> {
        let timeline = shown.timeline;
        let at = |text: &str| shown.days.parse(text).ok().and_then(|ms| timeline.state_at(ms));
        let of = |tank: &u8| usize::from(*tank).wrapping_sub(1);
        let moment = |nth: u64, fits: &dyn Fn(&Event) -> bool| {
            let found = timeline.records.iter().filter(|record| fits(&record.event));
            let record = found.take(usize::try_from(nth).ok()?).nth(usize::try_from(nth.checked_sub(1)?).ok()?)?;
            Some(Truth::Moment(Timeline::at_ms(record)))
        };
        match self {
            Self::Started { tank, nth } => {
                moment(*nth, &|event| matches!(event, Event::Started { tank: t, .. } if t.index() == of(tank)))
            }
            Self::Ended { tank, nth } => {
                moment(*nth, &|event| matches!(event, Event::Ended { tank: t, .. } if t.index() == of(tank)))
            }
            Self::Runs { tank, step, nth } => moment(
                *nth,
                &|event| matches!(event, Event::StepStarted { tank: t, step: s } if t.index() == of(tank) && s == step),
            ),
            Self::Raised { alarm, nth } => moment(*nth, &|event| matches!(event, Event::AlarmRaised(a) if a == alarm)),
            Self::Cause { tank, nth } => {
                let mut causes = timeline.records.iter().filter_map(|record| match record.event {
                    Event::Started { tank: t, leading, .. } if t.index() == of(tank) => Some(leading),
                    _ => None,
                });
                let cause = causes.nth(usize::try_from(nth.checked_sub(1)?).ok()?)?;
                Some(Truth::Words(vec![cause.slug()]))
            }
            Self::Holds { tank, at: text } => {
                let state = at(text)?.tanks.get(of(tank))?;
                Some(Truth::Words(state.holds.iter().map(|(hold, _)| hold.slug()).collect()))
            }
            Self::Clears { tank, hold, at: text } => {
                let state = at(text)?.tanks.get(of(tank))?;
                state.holds.iter().find(|(h, _)| h == hold)?.1.map(Truth::Moment)
            }
            Self::Duty { tank, at: text } => Some(Truth::Words(vec![at(text)?.tanks.get(of(tank))?.duty.slug()])),
            Self::Step { tank, at: text } => {
                Some(Truth::Words(vec![at(text)?.tanks.get(of(tank))?.step.map_or("none", StepKind::slug)]))
            }
            Self::Alarms { at: text } => Some(Truth::Words(at(text)?.alarms.iter().map(Alarm::slug).collect())),
            Self::Starts { tank } => {
                let fits = |event: &Event| match (event, tank) {
                    (Event::Started { tank: t, .. }, Some(tank)) => t.index() == of(tank),
                    (Event::Started { .. }, None) => true,
                    _ => false,
                };
                let starts = timeline.records.iter().filter(|record| fits(&record.event)).count();
                Some(Truth::Count(u64::try_from(starts).ok()?))
            }
            Self::Total(name) => {
                let (_, total) = Total::ALL.into_iter().find(|(slug, _)| slug == name)?;
                let value = u64::try_from(total.value(shown)).ok()?;
                Some(match total {
                    Total::Regenerations => Truth::Count(value),
                    Total::Salt => Truth::Mass(value),
                    _ => Truth::Volume(value),
                })
            }
        }
    }

    /// Every name that can be an answer, where names are asked for; "none" beside them where there may be none.
    #[must_use]
    pub fn names(&self) -> Vec<&'static str> {
        let none = || std::iter::once("none");
        match self {
            Self::Cause { .. } => Cause::ALL.iter().map(|cause| cause.slug()).collect(),
            Self::Holds { .. } => Hold::ALL.iter().map(|hold| hold.slug()).chain(none()).collect(),
            Self::Duty { .. } => DutyKind::ALL.iter().map(|duty| duty.slug()).collect(),
            Self::Step { .. } => StepKind::ALL.iter().map(|step| step.slug()).chain(none()).collect(),
            Self::Alarms { .. } => Alarm::ALL.iter().map(|alarm| alarm.slug()).chain(none()).collect(),
            _ => Vec::new(),
        }
    }

    /// The tank that it is about, as an index.
    #[must_use]
    pub fn tank(&self) -> Option<usize> {
        let number = match self {
            Self::Started { tank, .. }
            | Self::Ended { tank, .. }
            | Self::Runs { tank, .. }
            | Self::Cause { tank, .. }
            | Self::Holds { tank, .. }
            | Self::Clears { tank, .. }
            | Self::Duty { tank, .. }
            | Self::Step { tank, .. } => Some(*tank),
            Self::Starts { tank } => *tank,
            Self::Raised { .. } | Self::Alarms { .. } | Self::Total(_) => None,
        };
        number.map(|number| usize::from(number).wrapping_sub(1))
    }

    /// The moment that it is about, ms since the start, where there is one.
    #[must_use]
    pub fn moment(&self, truth: &Truth, days: Days) -> Option<u64> {
        match (self, truth) {
            (
                Self::Holds { at, .. }
                | Self::Clears { at, .. }
                | Self::Duty { at, .. }
                | Self::Step { at, .. }
                | Self::Alarms { at },
                _,
            ) => days.parse(at).ok(),
            (_, Truth::Moment(ms)) => Some(*ms),
            _ => None,
        }
    }
}
