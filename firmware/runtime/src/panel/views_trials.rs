//! Screens about what a person tries, walks through, sets or has checked.

use bedkeeper::commission::Task;
use bedkeeper::contact::Contact;
use bedkeeper::journal::Who;
use bedkeeper::lock::LockRule;
use bedkeeper::operator::Action;
use bedkeeper::program::Position;
use bedkeeper::settings::{MeterPlace, Settings};
use bedkeeper::units::{TankId, Volume};

use super::page::{Row, title};
use super::screen::{Amount, Choice, DIGITS, Entry, LETTERS, Moments, Screen};
use super::show::{Day, percent};
use super::views::{Sheet, Sight, valve};
use super::words::Plain;
use super::{Keeping, Panel, Units};
use crate::self_test::{CHECKS, Finding};

/// A relay is tried for so long.
const RELAY_SECONDS: u8 = 10;

/// Letters of a signature; the first is none.
pub(super) const ALPHABET: &str = " ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-.";

pub(super) fn heading(screen: &Screen) -> Row {
    let none = format_args!("");
    match screen {
        Screen::Lock(_) => title(format_args!("lock"), none),
        Screen::Trials { .. } => title(format_args!("try outputs"), none),
        Screen::Inputs { .. } => title(format_args!("inputs"), none),
        Screen::Walk { .. } => title(format_args!("first start"), none),
        Screen::Task { task, .. } => title(format_args!("{}", task_name(*task)), none),
        Screen::Amount { .. } => title(format_args!("what was measured"), none),
        Screen::Sign(_) => title(format_args!("who signs"), none),
        Screen::Signed { .. } => title(format_args!("signed"), none),
        Screen::SetClock(_) => title(format_args!("set the clock"), none),
        Screen::Tests { .. } => title(format_args!("hardness tests"), none),
        _ => title(format_args!("self-test"), none),
    }
}

pub(super) fn lay<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    match screen {
        Screen::Lock(entry) => lock(entry, sight, sheet),
        Screen::Trials { .. } => trials(sight, sheet),
        Screen::Inputs { .. } => inputs(sight, sheet),
        Screen::Walk { .. } => walk(panel, sheet),
        Screen::Task { task, .. } => task_page(*task, panel, sight, sheet),
        Screen::Amount { of, value } => amount(*of, *value, panel, sheet),
        Screen::Sign(entry) => {
            sheet.text(format_args!("Initials or a name:"));
            letters(entry, sheet);
            sheet.text(format_args!("up, down: the letter; enter: the next; behind the eighth it is signed"));
        }
        Screen::Signed { .. } => signed(panel, sheet),
        Screen::SetClock(moments) => set_clock(moments, sheet),
        Screen::Tests { .. } => tests(panel.units, sight, sheet),
        _ => checks(sight, sheet),
    }
}

fn lock<const N: usize>(entry: &Entry<DIGITS>, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let settings = sight.controller.settings();
    if sight.controller.is_unlocked(sight.now, Who::Panel) {
        return sheet.text(format_args!("It is open."));
    }
    match settings.locks.panel {
        LockRule::Open => sheet.text(format_args!("This site has no lock here.")),
        LockRule::Press => sheet.text(format_args!("Hold enter until it opens.")),
        LockRule::Code(_) => {
            sheet.text(format_args!("The code:"));
            code(entry, sheet);
        }
    }
}

/// A code that is being dialled.
pub(super) fn code(entry: &Entry<DIGITS>, sheet: &mut dyn Sheet) {
    let mut digits = heapless::String::<16>::new();
    let last = usize::from(entry.at);
    for (place, at) in entry.places.iter().zip(0usize..).take(last.saturating_add(1)) {
        // Ten digits and two brackets fit.
        let (open, close) = if at == last { ("[", "]") } else { ("", "") };
        let _ = core::fmt::Write::write_fmt(&mut digits, format_args!("{open}{place}{close}"));
    }
    sheet.text(format_args!("{digits}"));
    sheet.text(format_args!("up, down: the digit"));
    sheet.text(format_args!("enter: the next one"));
    sheet.text(format_args!("hold enter: that is it"));
}

fn letters(entry: &Entry<LETTERS>, sheet: &mut dyn Sheet) {
    let mut line = heapless::String::<32>::new();
    for (place, number) in entry.places.iter().zip(0u8..) {
        let letter = ALPHABET.chars().nth(usize::from(*place)).filter(|letter| *letter != ' ').unwrap_or('_');
        let (open, close) = if number == entry.at { ("[", "]") } else { ("", "") };
        let _ = core::fmt::Write::write_fmt(&mut line, format_args!("{open}{letter}{close}"));
    }
    sheet.text(format_args!("{line}"));
}

/// Positions that may be tried by hand.
fn tried(settings: &Settings) -> impl Iterator<Item = Position> {
    settings.positions().iter().filter(|at| !matches!(at, Position::Service | Position::BrineDraw))
}

fn trials<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let settings = sight.controller.settings();
    sheet.item(format_args!("end what is tried"), format_args!(""), Choice::Ask(Action::EndTest));
    for (tank, unit) in sight.tanks() {
        valve(unit, sight, tank, sheet);
        for position in tried(settings) {
            let action = Action::TestDrive { tank, position };
            sheet.item(format_args!("{tank}: {}", Plain(position.slug())), format_args!(""), Choice::Mean(action));
        }
    }
    for (relay, on) in (0u8..).zip(sight.controller.relays_on()) {
        let action = Action::TestRelay { relay, seconds: RELAY_SECONDS };
        let on = if on { "on" } else { "off" };
        sheet.item(format_args!("relay {}", relay.saturating_add(1)), format_args!("{on}"), Choice::Mean(action));
    }
    let contacts = Action::TestContacts;
    sheet.item(format_args!("contacts by hand"), format_args!(""), Choice::Mean(contacts));
}

fn inputs<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    for ((tank, _), closed) in sight.tanks().zip(sight.switches) {
        let Some(closed) = closed else {
            sheet.text(format_args!("{tank}: no switches"));
            continue;
        };
        let mut line = heapless::String::<16>::new();
        for bit in 0u32..8 {
            let _ = line.push(if closed.0.checked_shr(bit).unwrap_or(0) & 1 != 0 { '#' } else { '.' });
        }
        sheet.pair(format_args!("{tank} switches"), format_args!("{line}"));
    }
    let (wired, closed) = sight.contacts;
    for contact in Contact::ALL.iter().copied().filter(|contact| wired.contains(*contact)) {
        let state = if closed.contains(contact) { "closed" } else { "open" };
        sheet.pair(format_args!("{}", Plain(contact.slug())), format_args!("{state}"));
    }
    sheet.pair(format_args!("bounces this hour"), format_args!("{}", sight.controller.bounces()));
    if wired.is_empty() {
        sheet.text(format_args!("No contact is known."));
    }
}

pub(super) const fn task_name(task: Task) -> &'static str {
    match task {
        Task::Positions => "valve positions",
        Task::FirstBrineFill => "first brine",
        Task::AirPurge => "air out of the beds",
        Task::MeterCheck => "check the meter",
        Task::HardnessTest => "test the hardness",
    }
}

fn walk(panel: &Panel, sheet: &mut dyn Sheet) {
    let Some(walk) = panel.walk() else {
        sheet.text(format_args!("A walk through a new plant: it watches what happens and takes what you measure."));
        sheet.item(format_args!("begin it"), format_args!(""), Choice::BeginWalk);
        return see_record(panel, sheet);
    };
    for task in Task::ALL.iter().copied() {
        let state = if walk.is_settled(task) { "done" } else { "to do" };
        let open = Choice::Open(Screen::Task { task, at: 0 });
        sheet.item(format_args!("{}", task_name(task)), format_args!("{state}"), open);
    }
    see_record(panel, sheet);
    if panel.signed().is_none() && walk.left().is_empty() {
        sheet.item(format_args!("sign it"), format_args!(""), Choice::Sign);
    }
}

fn see_record(panel: &Panel, sheet: &mut dyn Sheet) {
    if panel.signed().is_some() {
        sheet.item(format_args!("see the record"), format_args!(""), Choice::Open(Screen::Signed { at: 0 }));
    }
}

fn task_page<const N: usize>(task: Task, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let Some(walk) = panel.walk() else { return };
    let settings = sight.controller.settings();
    let none = || format_args!("");
    match task {
        Task::Positions => {
            for (tank, _) in sight.tanks() {
                let left = walk.positions_left(tank);
                if left.is_empty() {
                    sheet.pair(format_args!("{tank}"), format_args!("all seen"));
                }
                for position in left.iter() {
                    sheet.pair(format_args!("{tank}"), format_args!("{}", Plain(position.slug())));
                }
            }
            sheet.item(format_args!("try the valve"), none(), Choice::Open(Screen::Trials { at: 0 }));
        }
        Task::FirstBrineFill => {
            sheet.text(format_args!(
                "Water goes into the brine tank in a refill: take the tank out and try it, or regenerate."
            ));
            sheet.item(format_args!("try the valve"), none(), Choice::Open(Screen::Trials { at: 0 }));
        }
        Task::AirPurge => {
            sheet.text(format_args!(
                "Let the air out slowly, to the drain: air under pressure hurts when it breaks loose."
            ));
            sheet.item(format_args!("try the valve"), none(), Choice::Open(Screen::Trials { at: 0 }));
        }
        Task::MeterCheck => meter_check(panel, settings, sheet),
        Task::HardnessTest => {
            sheet.text(format_args!("Test the feed, then the water behind a tank that serves."));
            for (tank, _) in sight.tanks() {
                let open = Choice::Open(Screen::Amount { of: Amount::Feed { tank }, value: 0 });
                sheet.item(format_args!("{tank} was tested"), none(), open);
            }
        }
    }
    sheet.item(format_args!("leave it out"), none(), Choice::Skip(task));
}

fn meter_check(panel: &Panel, settings: &Settings, sheet: &mut dyn Sheet) {
    if let Some(check) = panel.checked() {
        let off = u16::try_from(check.error_per_mille.unsigned_abs()).unwrap_or(u16::MAX);
        let much = if check.error_per_mille < 0 { "little" } else { "much" };
        sheet.text(format_args!("{} pulses: {} too {much}", check.pulses, percent(off)));
    } else {
        sheet.text(format_args!("Count, draw ten pulses or more into a measure, tell how much it was."));
    }
    let meters = if settings.meter.place == MeterPlace::Common { 1 } else { settings.tanks };
    for meter in 0..meters {
        let action = Action::CountPulses { meter };
        let number = meter.saturating_add(1);
        sheet.item(format_args!("count meter {number}"), format_args!(""), Choice::Mean(action));
    }
    let caught = Choice::Open(Screen::Amount { of: Amount::Caught, value: 0 });
    sheet.item(format_args!("tell what was caught"), format_args!(""), caught);
    if panel.checked().is_some_and(|check| check.error_per_mille != 0) {
        sheet.item(format_args!("correct the meter"), format_args!(""), Choice::CorrectMeter);
    }
}

fn amount(of: Amount, value: u64, panel: &Panel, sheet: &mut dyn Sheet) {
    let units = panel.units;
    match of {
        Amount::Caught => {
            sheet.text(format_args!("water that was caught"));
            sheet.gap();
            sheet.item(format_args!(""), format_args!("{}", units.volume(Volume(value))), Choice::Nothing);
        }
        Amount::Feed { tank } => {
            sheet.text(format_args!("hardness of the feed, before {tank}"));
            let shown = super::fields::Kind::Hardness.shown(units, value);
            sheet.item(format_args!(""), format_args!("{shown}"), Choice::Nothing);
        }
        Amount::Treated { tank, feed } => {
            sheet.text(format_args!("hardness behind {tank}"));
            sheet.pair(format_args!("feed"), format_args!("{}", units.hardness(feed)));
            let shown = super::fields::Kind::Trace.shown(units, value);
            sheet.item(format_args!(""), format_args!("{shown}"), Choice::Nothing);
        }
    }
    sheet.text(format_args!("up, down: change it"));
    sheet.text(format_args!("enter: that is it"));
}

fn signed(panel: &Panel, sheet: &mut dyn Sheet) {
    let Some(record) = panel.signed() else { return sheet.text(format_args!("Nothing is signed.")) };
    sheet.pair(format_args!("by"), format_args!("{}", record.by));
    if let Some(at) = record.at {
        sheet.text(format_args!("{}", Day(at)));
    }
    if let Some(check) = record.meter {
        let off = u16::try_from(check.error_per_mille.unsigned_abs()).unwrap_or(u16::MAX);
        sheet.pair(format_args!("meter off by"), format_args!("{}", percent(off)));
    }
    if let Some(test) = record.hardness {
        sheet.pair(format_args!("feed"), format_args!("{}", panel.units.hardness(test.feed)));
        sheet.pair(format_args!("behind"), format_args!("{}", panel.units.hardness(test.treated)));
    }
    for task in record.skipped.iter() {
        sheet.text(format_args!("left out: {}", task_name(task)));
    }
    sheet.text(match panel.keeping() {
        Some(Keeping::Kept) => format_args!("It is kept, and outlives power cuts."),
        Some(Keeping::Owed) => format_args!("It will be kept when no valve moves."),
        _ => format_args!("It could not be kept: write it down, it is gone when power fails."),
    });
}

/// The newest stands first.
fn tests<const N: usize>(units: Units, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    for test in sight.tests.iter().rev() {
        match test.civil {
            Some(at) => sheet.pair(format_args!("{}", test.tank), format_args!("{}", Day(at))),
            None => sheet.pair(format_args!("{}", test.tank), format_args!("time unknown")),
        }
        sheet.pair(format_args!("  behind"), format_args!("{}", units.hardness(test.treated)));
        if let Some(feed) = test.feed {
            sheet.pair(format_args!("  feed"), format_args!("{}", units.hardness(feed)));
        }
        if let Some(share) = test.changed_to_per_mille {
            sheet.pair(format_args!("  capacity since"), format_args!("{}", percent(share)));
        }
    }
    if sight.tests.is_empty() {
        sheet.text(format_args!("No hardness test is kept."));
    }
}

fn set_clock(moments: &Moments, sheet: &mut dyn Sheet) {
    let [year, month, day, hour, minute] = moments.parts;
    let names = [("year", year), ("month", month), ("day", day), ("hour", hour), ("minute", minute)];
    for ((name, value), at) in names.into_iter().zip(0u8..) {
        if at == moments.at {
            sheet.pair(format_args!("> {name}"), format_args!("[{value:02}]"));
        } else {
            sheet.pair(format_args!("  {name}"), format_args!("{value:02} "));
        }
    }
    sheet.text(format_args!("Standard time, all year"));
}

fn checks<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    for check in CHECKS {
        let found = match sight.findings.of(check) {
            Finding::Passed => "well",
            Finding::Failed => "FAILS",
            Finding::NotThere => "-",
        };
        sheet.pair(format_args!("{}", check.name()), format_args!("{found}"));
        if sight.findings.of(check) == Finding::Failed {
            sheet.text(format_args!("> {}", check.look()));
        }
    }
    sheet.text(format_args!("enter: test again"));
}

/// The hardness of the feed is known: what is behind the tank comes next.
pub(super) fn treated(tank: TankId, feed: bedkeeper::units::Hardness) -> Screen {
    Screen::Amount { of: Amount::Treated { tank, feed }, value: 0 }
}
