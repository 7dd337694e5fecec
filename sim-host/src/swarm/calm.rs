//! How a plant must be long after everything was mended (S9): every tank at work, somebody serving, nothing waiting.

use std::fmt;

use bedkeeper::duty::{DutyKind, Tank};
use bedkeeper::journal::Record;
use bedkeeper::settings::{Arrangement, RawSettings};
use bedkeeper::units::{Instant, TankId};

use super::life::{DAY_MS, HOUR_MS};
use crate::replay::{Observer, World};

/// Whatever was asked for so long ago must have started, and so long ago every tank must have been at work.
const PATIENCE_MS: u64 = 4 * DAY_MS;

/// What is wrong with a plant that should long be at work.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stuck {
    /// A tank waits for what was asked for long ago; holds that stand.
    Waits(TankId, String),
    /// A tank was neither in service nor ready for long; what it does instead.
    Away(TankId, DutyKind),
    /// A tank regenerates or makes up brine, and began longer ago than that and all that it waits for take.
    Endless(TankId, DutyKind),
    /// No tank has served for so long, ms.
    Unserved(u64),
}

impl Stuck {
    /// The same thing is wrong.
    #[must_use]
    pub fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Waits(one, _), Self::Waits(other, _)) => one == other,
            (Self::Unserved(_), Self::Unserved(_)) => true,
            _ => self == other,
        }
    }

    /// What a scenario expects at its end, and does not get.
    #[must_use]
    pub fn expectation(&self, end_ms: u64) -> String {
        let last = |ms: u64| format!("[\"+{} ms\", \"+{end_ms} ms\"]", end_ms.saturating_sub(ms));
        let never = |tank: &TankId, duty: &str| {
            format!("[[expect]]\nnever = {}\nduty = \"{duty}\"\ntank = {}\n", last(1), tank.number())
        };
        match self {
            Self::Waits(tank, _) => {
                format!("[[expect]]\nwithin = {}\nstarted = \"any\"\ntank = {}\n", last(PATIENCE_MS), tank.number())
            }
            Self::Away(tank, duty) | Self::Endless(tank, duty) => never(tank, duty.slug()),
            Self::Unserved(for_ms) => format!("[[expect]]\nwithin = {}\nduty = \"serving\"\n", last(*for_ms)),
        }
    }
}

impl fmt::Display for Stuck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let days = PATIENCE_MS / DAY_MS;
        match self {
            Self::Waits(tank, holds) => {
                write!(f, "tank {}: asked for more than {days} days ago, it waits: {holds}", tank.number())
            }
            Self::Away(tank, duty) => {
                write!(f, "tank {}: for more than {days} days not at work, it is {}", tank.number(), duty.slug())
            }
            Self::Endless(tank, duty) => {
                write!(f, "tank {}: it stays {} for longer than that can take", tank.number(), duty.slug())
            }
            Self::Unserved(for_ms) => write!(f, "no tank has served for {} h", for_ms / HOUR_MS),
        }
    }
}

/// Looks on, and knows since when a tank is not at work.
#[derive(Clone, Debug, Default)]
pub struct Lookout {
    away_since: Vec<Option<u64>>,
    unserved_since: Option<u64>,
}

impl Lookout {
    fn look(&mut self, world: &World) {
        let tanks = world.controller.tanks();
        self.away_since.resize(tanks.len(), None);
        for (since, tank) in self.away_since.iter_mut().zip(tanks) {
            let works = matches!(tank.duty().kind(), DutyKind::Serving | DutyKind::Ready);
            *since = if works { None } else { since.or(Some(world.now_ms)) };
        }
        let serves = |tank: &Tank| tank.duty().kind() == DutyKind::Serving;
        self.unserved_since = if tanks.iter().any(serves) { None } else { self.unserved_since.or(Some(world.now_ms)) };
    }

    /// What is wrong at the end of a long calm, if anything.
    #[must_use]
    pub fn stuck(&mut self, world: &World) -> Option<Stuck> {
        self.look(world);
        let since = |at: Option<u64>| at.map(|at| world.now_ms.saturating_sub(at));
        let ticks = |at: Instant| at.as_ticks();
        let tanks = (0..).map(TankId).zip(world.controller.tanks()).zip(&self.away_since);
        let facts = tanks.map(|((id, tank), away_since)| {
            let why = world.controller.why(id);
            let asked_at = why.as_ref().and_then(|why| why.asked_at);
            Facts {
                duty: tank.duty().kind(),
                away_ms: since(*away_since),
                regenerates_ms: since(tank.regeneration().map(|regeneration| ticks(regeneration.started_at()))),
                asked_ms: since(asked_at.map(ticks)),
                holds: why.map_or_else(Vec::new, |why| why.holds.iter().map(|s| s.hold.slug()).collect()),
            }
        });
        judge(world.controller.settings().raw(), &facts.collect::<Vec<_>>(), since(self.unserved_since))
    }
}

/// A tank as it is found at the end.
struct Facts {
    duty: DutyKind,
    /// For so long it has been neither in service nor ready.
    away_ms: Option<u64>,
    /// So long ago its regeneration began.
    regenerates_ms: Option<u64>,
    /// So long ago it was asked for.
    asked_ms: Option<u64>,
    holds: Vec<&'static str>,
}

fn judge(raw: &RawSettings, tanks: &[Facts], unserved_ms: Option<u64>) -> Option<Stuck> {
    // Each of the others may have drain and brine before it, and then the brine must be ready.
    let longest = u64::from(raw.longest_regeneration().0);
    let at_most = 2 * longest + u64::from(raw.tanks) * (longest + u64::from(raw.brine_ready_after.0));
    let is_over = |ms: Option<u64>, most_ms: u64| ms.is_some_and(|ms| ms > most_ms);
    for (id, tank) in (0..).map(TankId).zip(tanks) {
        if tank.duty == DutyKind::Out || is_over(tank.away_ms, PATIENCE_MS) {
            return Some(Stuck::Away(id, tank.duty));
        }
        if is_over(tank.regenerates_ms, at_most) {
            return Some(Stuck::Endless(id, tank.duty));
        }
        if tank.regenerates_ms.is_none() && is_over(tank.asked_ms, PATIENCE_MS) {
            return Some(Stuck::Waits(id, tank.holds.join(", ")));
        }
    }
    // While one regenerates another serves, where there is another; to change over takes minutes.
    let most_ms = if raw.arrangement == Arrangement::Single { at_most } else { HOUR_MS };
    unserved_ms.filter(|ms| *ms > most_ms).map(Stuck::Unserved)
}

impl Observer for Lookout {
    fn record(&mut self, _record: &Record, world: &World) -> std::io::Result<()> {
        self.look(world);
        Ok(())
    }

    fn after(&mut self, world: &World) -> std::io::Result<()> {
        self.look(world);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// S9: a plant whose tanks regenerate for ever, rest spent, wait, or are ready while nobody serves is not at work.
    #[test]
    fn s9_what_is_not_at_work_is_told() {
        let at = |duty| Facts { duty, away_ms: None, regenerates_ms: None, asked_ms: None, holds: vec!["drain-busy"] };
        let raw = |arrangement| RawSettings { tanks: 2, arrangement, ..RawSettings::baseline() };
        let (pair, alone) = (raw(Arrangement::Alternating), raw(Arrangement::Single));
        let one = |tank: Facts| judge(&pair, &[at(DutyKind::Serving), tank], None);
        let id = TankId(1);
        assert_eq!(one(at(DutyKind::Ready)), None);
        assert_eq!(one(at(DutyKind::Out)), Some(Stuck::Away(id, DutyKind::Out)));
        let spent = |days: u64| Facts { away_ms: Some(days * DAY_MS + 1), ..at(DutyKind::Spent) };
        assert_eq!((one(spent(3)), one(spent(4))), (None, Some(Stuck::Away(id, DutyKind::Spent))));
        let regenerates = |hours: u64| Facts { regenerates_ms: Some(hours * HOUR_MS), ..at(DutyKind::Regenerating) };
        assert_eq!(
            (one(regenerates(4)), one(regenerates(40))),
            (None, Some(Stuck::Endless(id, DutyKind::Regenerating)))
        );
        let asked = |days: u64| Facts { asked_ms: Some(days * DAY_MS), ..at(DutyKind::Serving) };
        assert_eq!((one(asked(4)), one(asked(5))), (None, Some(Stuck::Waits(id, "drain-busy".to_owned()))));
        let ready = [at(DutyKind::Ready), at(DutyKind::Ready)];
        let unserved = |raw, hours: u64| judge(raw, &ready, Some(hours * HOUR_MS));
        assert_eq!((unserved(&pair, 1), unserved(&pair, 2)), (None, Some(Stuck::Unserved(2 * HOUR_MS))));
        assert_eq!((unserved(&alone, 2), unserved(&alone, 48)), (None, Some(Stuck::Unserved(48 * HOUR_MS))));
    }
}
