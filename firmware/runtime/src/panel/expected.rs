//! When a tank is likely to regenerate next: by the use of each weekday that was learned, and by its backup days.

use bedkeeper::calendar::Civil;
use bedkeeper::duty::DutyKind;
use bedkeeper::ledger::Ledger;
use bedkeeper::settings::StartRule;
use bedkeeper::units::{Instant, TankId, Volume, later_ms};

use super::views::Sight;

/// Further ahead nobody can say.
const HORIZON_DAYS: u32 = 60;
const DAY_MS: u64 = 86_400_000;

/// What is expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Expected {
    /// When, if that can be told.
    pub at: Option<Instant>,
    /// Why.
    pub why: &'static str,
}

/// What is expected of a tank that serves and waits for nothing.
#[must_use]
pub fn expected<const N: usize>(sight: &Sight<'_, N>, id: TankId) -> Option<Expected> {
    let tank = sight.tank(id)?;
    if tank.duty().kind() != DutyKind::Serving || !tank.demand().causes().is_empty() {
        return None;
    }
    let by_use = by_use(sight, tank.ledger().asks_in());
    let by_days = by_backup_days(sight, tank.ledger());
    let first = [by_use.map(|at| (at, "by use")), by_days.map(|at| (at, "by its days"))];
    let (at, why) = first.into_iter().flatten().min().map_or((None, "not known"), |(at, why)| (Some(at), why));
    Some(Expected { at, why })
}

/// When its backup days are over: at the hour of that date, or so many powered days on without a clock (C2).
fn by_backup_days<const N: usize>(sight: &Sight<'_, N>, ledger: &Ledger) -> Option<Instant> {
    let (clock, settings) = (sight.controller.clock(), sight.controller.settings());
    let days = Some(u32::from(settings.backup_days)).filter(|days| *days > 0)?;
    let at = match clock.civil(ledger.began_at()) {
        Some(then) => clock.instant(Civil::at(then.day().saturating_add(days), settings.hour_minute))?,
        None => later_ms(ledger.began_at(), u64::from(days).saturating_mul(DAY_MS)),
    };
    Some(at.max(sight.now))
}

/// When so much more water will have been used, as the days of the week have it.
fn by_use<const N: usize>(sight: &Sight<'_, N>, left: Volume) -> Option<Instant> {
    let controller = sight.controller;
    let forecast = controller.forecast();
    let civil = controller.clock().civil(sight.now).filter(|_| forecast.is_known())?;
    let serving = controller.tanks().iter().filter(|t| t.duty().kind() == DutyKind::Serving).count();
    let sharing = u64::try_from(serving.max(1)).unwrap_or(1);
    // Tanks that serve together share the water.
    let mut to_go = left.nl().saturating_mul(sharing);
    let today = civil.dated(controller.settings().hour_minute);
    let begun = u128::from(civil.0.saturating_sub(Civil::at(today, controller.settings().hour_minute).0));
    for ahead in 0..HORIZON_DAYS {
        let day = today.saturating_add(ahead);
        let whole = forecast.expected_on(day, 0).nl();
        let used = if ahead == 0 { controller.used_today().nl().min(whole) } else { 0 };
        let rest = whole.saturating_sub(used);
        if rest >= to_go && rest > 0 {
            let from = if ahead == 0 { begun } else { 0 };
            let span = u128::from(DAY_MS).saturating_sub(from);
            let into = u128::from(to_go).saturating_mul(span).checked_div(u128::from(rest)).unwrap_or(0);
            let at = Civil::at(day, controller.settings().hour_minute).0;
            let into_ms = u64::try_from(from.saturating_add(into)).unwrap_or(DAY_MS);
            let instant = controller.clock().instant(Civil(at.saturating_add(into_ms)))?;
            return Some(at_hour(sight, instant));
        }
        to_go = to_go.saturating_sub(rest);
    }
    None
}

/// The next regeneration hour, where regenerations wait for it.
fn at_hour<const N: usize>(sight: &Sight<'_, N>, at: Instant) -> Instant {
    let (clock, settings) = (sight.controller.clock(), sight.controller.settings());
    let Some(civil) = clock.civil(at).filter(|_| settings.start == StartRule::AtHour) else { return at };
    // The hour itself is soon enough.
    let before = Civil(civil.0.saturating_sub(1));
    let hour = Civil::at(before.dated(settings.hour_minute).saturating_add(1), settings.hour_minute);
    clock.instant(hour).unwrap_or(at)
}
