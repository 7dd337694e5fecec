//! Screens about what is kept for long (P7): regenerations, days of use, what valves and relays have done in their lives.

use bedkeeper::calendar::Civil;
use bedkeeper::lifetime::ValveLife;
use bedkeeper::units::{TankId, Volume};

use super::Panel;
use super::page::{Row, title};
use super::screen::Screen;
use super::show::{Date, Day, Lasts, count};
use super::views::{Sheet, Sight};
use super::words::{cause, step_name};

pub(super) fn heading(screen: &Screen, panel: &Panel) -> Row {
    let of = panel.pages();
    let number = |at: u8| usize::from(at).saturating_add(1).min(of);
    match screen {
        Screen::Regenerations { at } => title(format_args!("regeneration"), format_args!("{} of {of}", number(*at))),
        Screen::Regeneration { .. } => title(format_args!("regeneration"), format_args!("")),
        Screen::Days { at } => title(format_args!("daily use"), format_args!("{} of {of}", number(*at))),
        _ => title(format_args!("in their lives"), format_args!("")),
    }
}

pub(super) fn lay<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    match screen {
        Screen::Regenerations { .. } => regeneration(panel, false, sheet),
        Screen::Regeneration { .. } => regeneration(panel, true, sheet),
        Screen::Days { .. } => days(panel, sheet),
        _ => counters(sight, sheet),
    }
}

fn regeneration(panel: &Panel, whole: bool, sheet: &mut dyn Sheet) {
    let units = panel.units;
    let Some(record) = panel.fetched.as_ref().and_then(|fetched| fetched.regeneration.as_ref()) else {
        return sheet.text(format_args!("No regeneration is kept."));
    };
    match record.began_minute {
        Some(minute) => sheet.text(format_args!("{}", Day(Civil(u64::from(minute).saturating_mul(60_000))))),
        None => sheet.text(format_args!("time unknown")),
    }
    sheet.text(format_args!("{}: {}", record.tank, record.outcome.slug()));
    sheet.text(format_args!("{}", cause(record.leading)));
    sheet.pair(format_args!("delivered"), format_args!("{}", units.volume(record.volume)));
    if whole {
        sheet.pair(format_args!("past zero"), format_args!("{}", units.volume(record.overrun)));
    }
    sheet.pair(format_args!("salt"), format_args!("{}", units.salt(record.salt)));
    let drained = Volume(u64::from(record.drained_ml).saturating_mul(1_000_000));
    sheet.pair(format_args!("to drain"), format_args!("{}", units.volume(drained)));
    if !whole {
        return sheet.text(format_args!("enter: its steps"));
    }
    let minutes = u64::from(record.took_minutes);
    sheet.pair(format_args!("it took"), format_args!("{}", Lasts(minutes.saturating_mul(60_000))));
    for step in &record.steps {
        let ran = Lasts(u64::from(step.ran_s).saturating_mul(1_000));
        sheet.pair(format_args!("{}", step_name(step.kind)), format_args!("{ran}"));
    }
    for other in record.causes.iter().filter(|other| *other != record.leading) {
        sheet.text(format_args!("and {}", cause(other)));
    }
}

fn days(panel: &Panel, sheet: &mut dyn Sheet) {
    let days = panel.fetched.as_ref().map(|fetched| fetched.days.as_slice()).unwrap_or_default();
    for day in days {
        let used = panel.units.volume(Volume::from_litres(u64::from(day.litres)));
        sheet.pair(format_args!("{}", Date(u32::from(day.day))), format_args!("{used}"));
    }
    if days.is_empty() {
        sheet.text(format_args!("No day is over yet."));
    }
}

fn counters<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let lives = sight.controller.lives();
    let valve = |life: &ValveLife, sheet: &mut dyn Sheet| {
        sheet.pair(format_args!("  valve moves"), format_args!("{}", count(u64::from(life.moves))));
        sheet.pair(format_args!("  driven for"), format_args!("{}", seconds(life.driven_s)));
    };
    for (tank, life) in (0u8..).map(TankId).zip(lives.valves()) {
        sheet.text(format_args!("{tank}"));
        sheet.pair(format_args!("  regenerations"), format_args!("{}", count(u64::from(life.regenerations))));
        valve(life, sheet);
    }
    if sight.controller.settings().sharing.shared_valve.is_some() {
        sheet.text(format_args!("shared valve"));
        valve(lives.shared_valve(), sheet);
    }
    for (life, number) in lives.relays().iter().zip(1u8..) {
        sheet.text(format_args!("relay {number}"));
        sheet.pair(format_args!("  came on, times"), format_args!("{}", count(u64::from(life.energisations))));
        sheet.pair(format_args!("  was on for"), format_args!("{}", seconds(life.energised_s)));
    }
    sheet.pair(format_args!("flash page erased"), format_args!("{}", count(u64::from(sight.erasures))));
}

fn seconds(seconds: u32) -> Lasts {
    Lasts(u64::from(seconds).saturating_mul(1_000))
}
