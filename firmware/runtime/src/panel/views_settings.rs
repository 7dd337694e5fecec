//! Screens about settings: groups, one setting, what is to be changed, what came of it.

use bedkeeper::draft::NotTaken;
use bedkeeper::settings::{Effect, RawSettings};

use super::Panel;
use super::fields::{FieldId, GROUPS, Group, Kind, PartName, bit, effect, is_known};
use super::page::{Row, title};
use super::screen::{Choice, LineField, Screen, Told};
use super::views::{Sheet, Sight};
use crate::baseline::Baseline;

pub(super) fn heading<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>) -> Row {
    let wanted = wanted(panel, sight);
    let changes = panel.draft().map_or(0, |draft| draft.difference().changes().len());
    let changed = format_args!("{changes} to take");
    let none = format_args!("");
    match screen {
        Screen::Groups { .. } if changes > 0 => title(format_args!("settings"), changed),
        Screen::Groups { .. } => title(format_args!("settings"), none),
        Screen::Fields { group, of, .. } => {
            let name = PartName { group: *group, of: *of, raw: wanted };
            title(format_args!("{name}"), if changes > 0 { changed } else { none })
        }
        Screen::EditSet { field, .. } => title(format_args!("{}", field.name()), none),
        Screen::Edit { field, .. } if is_part(field.group()) => {
            let name = PartName { group: field.group(), of: field.part(), raw: wanted };
            title(format_args!("{name}"), none)
        }
        Screen::Edit { .. } | Screen::SetCode { .. } => title(format_args!("change"), none),
        Screen::Review { .. } => title(format_args!("to be changed"), format_args!("enter: do")),
        Screen::Line { .. } => title(format_args!("serial line"), none),
        Screen::EditLine { field, .. } => title(format_args!("{}", field.name()), none),
        Screen::Baselines { .. } => title(format_args!("baselines"), none),
        Screen::SureOfBaseline { .. } => title(format_args!("is it meant?"), none),
        _ => title(format_args!("do with changes"), none),
    }
}

/// The settings as they are to be, or as they run if nothing is changed.
fn wanted<'w, const N: usize>(panel: &'w Panel, sight: &Sight<'w, N>) -> &'w RawSettings {
    panel.draft().map_or_else(|| sight.controller.settings().raw(), |draft| &draft.raw)
}

pub(super) fn lay<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let running = sight.controller.settings().raw();
    let wanted = wanted(panel, sight);
    match screen {
        Screen::Groups { .. } => groups(panel, sheet),
        Screen::Fields { group, of, .. } => {
            fields(*group, *of, panel, running, wanted, sheet);
            parts(*group, *of, panel, running, wanted, sheet);
        }
        Screen::EditSet { field, value, .. } => edit_set(*field, *value, wanted, sheet),
        Screen::SetCode { field, entry } => {
            sheet.text(format_args!("{}:", field.name()));
            super::views_trials::code(entry, sheet);
        }
        Screen::Edit { field, value } => {
            sheet.text(format_args!("{}", field.name()));
            let shown = |value| field.kind().shown(panel.units, value);
            sheet.item(format_args!(""), format_args!("{}", shown(*value)), Choice::Nothing);
            if let Some(runs) = field.get(running) {
                sheet.pair(format_args!("runs now"), format_args!("{}", shown(runs)));
            }
            sheet.text(format_args!("enter: note it"));
            sheet.text(format_args!("back: as it was"));
        }
        Screen::Line { .. } => {
            for field in [LineField::Address, LineField::Speed] {
                let shown = field.kind().shown(panel.units, field.get(&sight.manners));
                sheet.item(format_args!("{}", field.name()), format_args!("{shown}"), Choice::ChangeLine(field));
            }
            sheet.text(format_args!("Of this board alone, as its units are."));
        }
        Screen::EditLine { field, value } => {
            let shown = |value| field.kind().shown(panel.units, value);
            sheet.item(format_args!(""), format_args!("{}", shown(*value)), Choice::Nothing);
            sheet.pair(format_args!("now"), format_args!("{}", shown(field.get(&sight.manners))));
            sheet.text(format_args!("enter: speak so at once"));
            sheet.text(format_args!("back: as it was"));
        }
        Screen::Review { .. } => review(panel, running, sheet),
        Screen::Baselines { .. } => {
            let none = || format_args!("");
            sheet.item(format_args!("keep what runs"), none(), Choice::Open(Screen::SureOfBaseline { at: 0 }));
            sheet.item(format_args!("back to the site's own"), none(), Choice::Recall(Baseline::Site));
            sheet.item(format_args!("back to the built-in"), none(), Choice::Recall(Baseline::BuiltIn));
        }
        Screen::SureOfBaseline { .. } => {
            sheet.text(format_args!("The settings that run become the site's baseline. One kept before is gone."));
            sheet.item(format_args!("no, go back"), format_args!(""), Choice::Leave);
            sheet.item(format_args!("yes, do it"), format_args!(""), Choice::StoreBaseline);
        }
        _ => {
            sheet.item(format_args!("take them all"), format_args!(""), Choice::Take);
            sheet.item(format_args!("go on changing"), format_args!(""), Choice::Leave);
            sheet.item(format_args!("drop them all"), format_args!(""), Choice::Drop);
        }
    }
}

fn groups(panel: &Panel, sheet: &mut dyn Sheet) {
    let none = || format_args!("");
    for (group, name) in GROUPS {
        sheet.item(format_args!("{name}"), none(), Choice::Open(Screen::Fields { group, of: 0, at: 0 }));
    }
    sheet.item(format_args!("serial line"), none(), Choice::Open(Screen::Line { at: 0 }));
    sheet.item(format_args!("baselines"), none(), Choice::Open(Screen::Baselines { at: 0 }));
    // Last, so that it moves nothing under the cursor.
    if panel.draft().is_some_and(|draft| !draft.difference().is_empty()) {
        sheet.item(format_args!("see changes, take them"), none(), Choice::Open(Screen::Review { at: 0 }));
    }
}

/// The name of a setting, and of the part that it is of.
fn named(field: FieldId, raw: &RawSettings, sheet: &mut dyn Sheet) {
    if is_part(field.group()) {
        let part = PartName { group: field.group(), of: field.part(), raw };
        sheet.text(format_args!("{part}: {}", field.name()));
    } else {
        sheet.text(format_args!("{}", field.name()));
    }
}

fn is_part(group: Group) -> bool {
    !GROUPS.iter().any(|(whole, _)| *whole == group)
}

fn fields(group: Group, of: u8, panel: &Panel, running: &RawSettings, wanted: &RawSettings, sheet: &mut dyn Sheet) {
    for field in FieldId::of(group, of, wanted) {
        let Some(value) = field.get(wanted) else { continue };
        let star = if field.get(running) == Some(value) { "" } else { "* " };
        let shown = field.kind().shown(panel.units, value);
        sheet.item(format_args!("{star}{}", field.name()), format_args!("{shown}"), Choice::Change(field));
    }
}

/// What a group has several of, each with the first of its figures, and what adds one or takes one away.
fn parts(group: Group, of: u8, panel: &Panel, running: &RawSettings, wanted: &RawSettings, sheet: &mut dyn Sheet) {
    let none = || format_args!("");
    if is_part(group) && group.add_words().is_some() {
        sheet.item(format_args!("take it away"), none(), Choice::Remove(group, of));
    }
    let Some(part) = group.parts() else { return };
    for of in 0..part.count(wanted) {
        let name = PartName { group: part, of, raw: wanted };
        let same = FieldId::of(part, of, wanted).all(|field| field.get(running) == field.get(wanted));
        let star = if same { "" } else { "* " };
        let open = Choice::Open(Screen::Fields { group: part, of, at: 0 });
        match FieldId::of(part, of, wanted).next().and_then(|field| Some((field, field.get(wanted)?))) {
            Some((first, value)) => {
                let shown = first.kind().shown(panel.units, value);
                sheet.item(format_args!("{star}{name}"), format_args!("{shown}"), open);
            }
            None => sheet.item(format_args!("{star}{name}"), none(), open),
        }
    }
    if let Some(words) = part.add_words() {
        sheet.item(format_args!("{words}"), none(), Choice::Add(part));
    }
}

fn edit_set(field: FieldId, value: u64, wanted: &RawSettings, sheet: &mut dyn Sheet) {
    let Kind::Set(members) = field.kind() else { return };
    for at in 0..members.count(wanted) {
        let is_in = if value & bit(at) != 0 { "yes" } else { "no" };
        sheet.item(format_args!("{}", members.member(at)), format_args!("{is_in}"), Choice::Toggle(at));
    }
    sheet.item(format_args!("note it"), format_args!(""), Choice::Note);
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
        named(field, &draft.raw, sheet);
        if let Some(before) = before {
            sheet.pair(format_args!("  from"), format_args!("{}", kind.shown(panel.units, before)));
        }
        let becomes = if before.is_some() { "  to" } else { "  new" };
        sheet.pair(format_args!("{becomes}"), format_args!("{}", kind.shown(panel.units, after)));
    }
    for part in GROUPS.iter().filter_map(|(group, _)| group.parts()) {
        for of in part.count(&draft.raw)..part.count(running) {
            sheet.text(format_args!("{} is taken away", PartName { group: part, of, raw: running }));
        }
    }
    for change in difference.changes().iter().filter(|change| change.field != "meter.pulse_divisor") {
        // What the table knows is shown above with its figures.
        if !is_known(change.field) {
            sheet.text(format_args!("also: {}", Label(change.field)));
        }
    }
    if let Some(when) = difference.effect() {
        sheet.text(format_args!("Takes effect {}.", effect(when)));
        if when == Effect::Restart {
            sheet.text(format_args!("They are of another plant: what the beds took up may count as unknown then."));
        }
    }
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
        Told::LineSet => sheet.text(format_args!("The board speaks so from now on, and after a power cut.")),
        Told::NoRoom => sheet.text(format_args!("It does not fit: there is no room for it, or it must be there.")),
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
