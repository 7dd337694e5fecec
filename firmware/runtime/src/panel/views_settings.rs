//! Screens about settings: groups, one setting, what is to be changed, what came of it.

use bedkeeper::draft::NotTaken;
use bedkeeper::settings::{Arrangement, MeterPlace, RawDrive, RawSettings, RelayProgram, Schedule};
use bedkeeper::units::Volume;

use super::Panel;
use super::fields::{FieldId, GROUPS, Group, effect};
use super::page::{Row, title};
use super::screen::{BaselineDeed, Choice, Screen, Told};
use super::show::{percent, weekday};
use super::views::{Sheet, Sight};
use super::words::{severity, step_name};
use crate::baseline::Baseline;

pub(super) fn heading(screen: &Screen, panel: &Panel) -> Row {
    let changes = panel.draft().map_or(0, |draft| draft.difference().changes().len());
    let changed = format_args!("{changes} to take");
    let none = format_args!("");
    match screen {
        Screen::Groups { .. } if changes > 0 => title(format_args!("settings"), changed),
        Screen::Groups { .. } => title(format_args!("settings"), none),
        Screen::Fields { group, .. } => {
            let name = GROUPS.iter().find(|(of, _)| of == group).map_or("", |(_, name)| *name);
            title(format_args!("{name}"), if changes > 0 { changed } else { none })
        }
        Screen::Edit { .. } => title(format_args!("change"), none),
        Screen::Fixed { .. } => title(format_args!("looked at only"), none),
        Screen::Review { .. } => title(format_args!("to be changed"), format_args!("enter: do")),
        Screen::Baselines { .. } => title(format_args!("baselines"), none),
        Screen::SureOfBaseline { .. } => title(format_args!("is it meant?"), none),
        _ => title(format_args!("do with changes"), none),
    }
}

pub(super) fn lay<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let running = sight.controller.settings().raw();
    let wanted = panel.draft().map_or(running, |draft| &draft.raw);
    match screen {
        Screen::Groups { .. } => groups(panel, sheet),
        Screen::Fields { group, .. } => fields(*group, panel, running, wanted, sheet),
        Screen::Edit { field, value } => {
            sheet.text(format_args!("{}", field.name(wanted)));
            let shown = |value| field.kind().shown(panel.units, value);
            sheet.item(format_args!(""), format_args!("{}", shown(*value)), Choice::Nothing);
            if let Some(runs) = field.get(running) {
                sheet.pair(format_args!("runs now"), format_args!("{}", shown(runs)));
            }
            sheet.text(format_args!("enter: note it"));
            sheet.text(format_args!("back: as it was"));
        }
        Screen::Fixed { .. } => fixed(running, sheet),
        Screen::Review { .. } => review(panel, running, sheet),
        Screen::Baselines { .. } => {
            for deed in BASELINE_DEEDS {
                let open = Choice::Open(Screen::SureOfBaseline { deed, at: 0 });
                sheet.item(format_args!("{}", baseline_deed(deed)), format_args!(""), open);
            }
        }
        Screen::SureOfBaseline { deed, .. } => sure_of_baseline(*deed, sheet),
        _ => {
            sheet.item(format_args!("take them all"), format_args!(""), Choice::Take);
            sheet.item(format_args!("go on changing"), format_args!(""), Choice::Leave);
            sheet.item(format_args!("drop them all"), format_args!(""), Choice::Drop);
        }
    }
}

const BASELINE_DEEDS: [BaselineDeed; 3] =
    [BaselineDeed::Store, BaselineDeed::Reset(Baseline::Site), BaselineDeed::Reset(Baseline::BuiltIn)];

const fn baseline_deed(deed: BaselineDeed) -> &'static str {
    match deed {
        BaselineDeed::Store => "keep what runs",
        BaselineDeed::Reset(Baseline::Site) => "back to the site's own",
        BaselineDeed::Reset(Baseline::BuiltIn) => "back to the built-in",
    }
}

fn sure_of_baseline(deed: BaselineDeed, sheet: &mut dyn Sheet) {
    sheet.text(match deed {
        BaselineDeed::Store => {
            format_args!("The settings that run become the site's baseline. One kept before is gone.")
        }
        BaselineDeed::Reset(Baseline::Site) => {
            format_args!("All settings go back to the site's baseline, the locks apart.")
        }
        BaselineDeed::Reset(Baseline::BuiltIn) => {
            format_args!("One tank that starts nothing by itself: set it up anew. The locks stay.")
        }
    });
    sheet.item(format_args!("no, go back"), format_args!(""), Choice::Leave);
    sheet.item(format_args!("yes, do it"), format_args!(""), Choice::Baseline(deed));
}

fn groups(panel: &Panel, sheet: &mut dyn Sheet) {
    let none = || format_args!("");
    for (group, name) in GROUPS {
        sheet.item(format_args!("{name}"), none(), Choice::Open(Screen::Fields { group, at: 0 }));
    }
    sheet.item(format_args!("plant, relays, locks"), none(), Choice::Open(Screen::Fixed { at: 0 }));
    sheet.item(format_args!("baselines"), none(), Choice::Open(Screen::Baselines { at: 0 }));
    // Last, so that it moves nothing under the cursor.
    if panel.draft().is_some_and(|draft| !draft.difference().is_empty()) {
        sheet.item(format_args!("see changes, take them"), none(), Choice::Open(Screen::Review { at: 0 }));
    }
}

fn fields(group: Group, panel: &Panel, running: &RawSettings, wanted: &RawSettings, sheet: &mut dyn Sheet) {
    let mut any = false;
    for field in FieldId::of(group, wanted) {
        any = true;
        let Some(value) = field.get(wanted) else { continue };
        let star = if field.get(running) == Some(value) { "" } else { "* " };
        let shown = field.kind().shown(panel.units, value);
        sheet.item(format_args!("{star}{}", field.name(wanted)), format_args!("{shown}"), Choice::Change(field));
    }
    if group == Group::Meter && wanted.meter.pulse_divisor != 1 {
        sheet.text(format_args!("The water for a pulse is a ratio: the first start corrects it."));
        any = true;
    }
    if !any {
        sheet.text(format_args!("Nothing here can be changed at this site."));
    }
}

/// What only a settings image changes.
fn fixed(raw: &RawSettings, sheet: &mut dyn Sheet) {
    let arrangement = match raw.arrangement {
        Arrangement::Single => "single",
        Arrangement::Alternating => "alternating",
        Arrangement::Parallel => "parallel",
        Arrangement::Staged => "staged",
    };
    sheet.pair(format_args!("tanks"), format_args!("{} {arrangement}", raw.tanks));
    let place = match raw.meter.place {
        MeterPlace::Common => "common",
        MeterPlace::PerTank => "one for each tank",
    };
    sheet.pair(format_args!("meter"), format_args!("{place}"));
    let drive = match raw.drive {
        RawDrive::CamSwitch { .. } => "cam and switches",
        RawDrive::CamIndex { .. } => "cam and marks",
        RawDrive::TwoPosition { .. } => "ball valve",
        RawDrive::Timed { .. } => "timed",
        RawDrive::PilotArray { .. } => "pilots",
    };
    sheet.pair(format_args!("drive"), format_args!("{drive}"));
    for (step, number) in raw.program.iter().zip(1u8..) {
        let drain = super::show::Units::Metric.flow(step.drain);
        sheet.pair(format_args!("{number}. {}", step_name(step.kind)), format_args!("{drain}"));
    }
    if let Schedule::On(days) = raw.schedule {
        sheet.text(format_args!("regenerates on:"));
        for day in (0u8..7).filter(|day| days.has_number(*day)) {
            sheet.text(format_args!("  {}", weekday(day)));
        }
    }
    sheet.pair(format_args!("blackout windows"), format_args!("{}", raw.windows.len()));
    for (relay, number) in raw.relays.iter().zip(1u8..) {
        let program = match relay.program {
            RelayProgram::Unused => "not used",
            RelayProgram::OnAlarm(_) => "on alarm",
            RelayProgram::During { .. } => "during steps",
            RelayProgram::AfterStart { .. } => "after a start",
            RelayProgram::PerVolume { .. } => "for each volume",
            RelayProgram::WhileOffline(_) => "tank is off-line",
            RelayProgram::WhileNoneServing => "none serves",
            RelayProgram::WhileFlow => "while water flows",
            RelayProgram::Isolate(_) => "isolates",
            RelayProgram::FailSafe => "plant is healthy",
        };
        sheet.pair(format_args!("relay {number}"), format_args!("{program}"));
        if let RelayProgram::OnAlarm(grave) = relay.program {
            sheet.text(format_args!("  from {} on", severity(grave)));
        }
    }
    for (name, rule) in [("panel lock", raw.locks.panel), ("serial lock", raw.locks.serial)] {
        let opens = match rule {
            bedkeeper::lock::LockRule::Open => "none",
            bedkeeper::lock::LockRule::Press => "a long press",
            bedkeeper::lock::LockRule::Code(_) => "a code",
        };
        sheet.pair(format_args!("{name}"), format_args!("{opens}"));
    }
    let counts = super::show::Units::Metric.hardness(raw.metals.iron_counts_as);
    sheet.pair(format_args!("1 mg/L of iron counts"), format_args!("{counts}"));
    sheet.pair(format_args!("capacity kept at least"), format_args!("{}", percent(raw.derating.least_per_mille)));
}

fn review(panel: &Panel, running: &RawSettings, sheet: &mut dyn Sheet) {
    let Some(draft) = panel.draft() else { return sheet.text(format_args!("Nothing is changed.")) };
    let difference = draft.difference();
    if difference.is_empty() {
        return sheet.text(format_args!("Nothing is changed."));
    }
    for field in FieldId::all(&draft.raw) {
        let (before, after) = (field.get(running), field.get(&draft.raw));
        let Some(after) = after.filter(|_| before != after) else { continue };
        let kind = field.kind();
        sheet.text(format_args!("{}", field.name(&draft.raw)));
        if let Some(before) = before {
            sheet.pair(format_args!("  from"), format_args!("{}", kind.shown(panel.units, before)));
        }
        sheet.pair(format_args!("  to"), format_args!("{}", kind.shown(panel.units, after)));
    }
    let (old, new) = (&running.meter, &draft.raw.meter);
    if old.pulse_divisor != new.pulse_divisor {
        sheet.text(format_args!("water for a pulse"));
        for (word, meter) in [("from", old), ("to", new)] {
            let pulse = Volume(meter.pulse_nl.checked_div(u64::from(meter.pulse_divisor)).unwrap_or(0));
            sheet.pair(format_args!("  {word}"), format_args!("{}", panel.units.volume(pulse)));
        }
    }
    for change in difference.changes().iter().filter(|change| !change.field.starts_with("meter.pulse")) {
        // What the table knows is shown above with its figures.
        if !FieldId::all(&draft.raw).any(|field| covers(field.path(), change.field)) {
            sheet.text(format_args!("also: {}", Label(change.field)));
        }
    }
    if let Some(when) = difference.effect() {
        sheet.text(format_args!("Takes effect {}.", effect(when)));
    }
}

/// Whether a field lies in what a difference names, which may be a whole part of the settings.
fn covers(path: &str, named: &str) -> bool {
    path == named || path.strip_prefix(named).is_some_and(|rest| rest.starts_with('.'))
}

pub(super) fn told(told: Told, panel: &Panel, sheet: &mut dyn Sheet) {
    match told {
        Told::Granted => sheet.text(format_args!("Done.")),
        Told::Opened => sheet.text(format_args!("The lock is open. It closes by itself when nothing is asked.")),
        Told::Refused(why) => {
            sheet.text(format_args!("Refused:"));
            sheet.text(format_args!("{why}."));
        }
        Told::Taken => sheet.text(format_args!("The changes run, and are kept.")),
        Told::TakenNotKept => {
            sheet.text(format_args!(
                "The changes run now, but could not be kept: at the next power-up the old ones run."
            ));
        }
        Told::ValveMoves => sheet.text(format_args!("A valve moves. Try again when it stands.")),
        Told::ClockSet => sheet.text(format_args!("The clock is set.")),
        Told::ClockNotKept => {
            sheet.text(format_args!("The clock is set until power fails: no hardware clock took it."));
        }
        Told::NotMeasured => {
            sheet.text(format_args!("Nothing was measured: a volume and its pulses are needed."));
        }
        Told::BaselineStored => sheet.text(format_args!("The settings that run are the site's baseline.")),
        Told::NoBaseline => sheet.text(format_args!("No baseline of this site was stored.")),
        Told::NotStored => sheet.text(format_args!("It could not be stored. Nothing has changed.")),
        Told::NotWired => sheet.text(format_args!("The board has not what those settings need.")),
        Told::AtRestart => sheet.text(format_args!(
            "Kept. They are of another plant: they run once power was off and on. What the beds took up may count as unknown then."
        )),
        Told::NotTaken => match panel.verdict() {
            Some(NotTaken::Faulty(faults)) => {
                sheet.text(format_args!("Not taken:"));
                for fault in faults.listed() {
                    sheet.text(format_args!("{}", Label(fault.field)));
                    sheet.text(format_args!("  {}", fault.problem));
                }
                if faults.more() > 0 {
                    sheet.text(format_args!("and {} more", faults.more()));
                }
            }
            Some(why) => {
                sheet.text(format_args!("Not taken:"));
                sheet.text(format_args!("{why}."));
            }
            None => sheet.text(format_args!("Not taken.")),
        },
    }
}

/// A field's path as the panel's table calls it, or with blanks for its signs.
struct Label(&'static str);

impl core::fmt::Display for Label {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        self.0.split(['.', '_']).enumerate().try_for_each(|(at, part)| {
            let gap = if at > 0 { " " } else { "" };
            write!(f, "{gap}{part}")
        })
    }
}
