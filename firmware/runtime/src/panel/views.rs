//! What stands on each screen: one function lays them all out, on a sheet that either draws or looks for what was chosen.

use core::fmt::Arguments;

use bedkeeper::Controller;
use bedkeeper::contact::ContactSet;
use bedkeeper::demand::CauseSet;
use bedkeeper::drive::{Motion, Switches};
use bedkeeper::duty::{Duty, OutReason, Tank};
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::operator::{Action, AlarmAction};
use bedkeeper::sequence::Phase;
use bedkeeper::settings::{MAX_TANKS, Medium};
use bedkeeper::units::{Instant, TankId, TankSet};
use bedkeeper::watch::{Alarm, AlarmPhase, Severity};

use super::expected::expected;
use super::page::{Body, Row, title};
use super::screen::{Choice, Screen};
use super::show::{Day, Lasts, Moment, Units, percent};
use super::words::{self, Plain, Said, cause, duty, hold, leading_hold, step_name};
use super::{Panel, views_kept, views_settings, views_trials};
use crate::archive::Latest;
use crate::manners::Manners;
use crate::self_test::Findings;

/// What the panel may look at.
#[derive(Clone, Copy, Debug)]
pub struct Sight<'s, const N: usize> {
    /// The logic.
    pub controller: &'s Controller<N>,
    /// The logic's time.
    pub now: Instant,
    /// The latest records.
    pub recent: &'s dyn Latest,
    /// The latest hardness tests that are kept, the oldest first.
    pub tests: &'s [HardnessEntry],
    /// How often the page of flash that was erased most has been.
    pub erasures: u32,
    /// How the board speaks on its line.
    pub manners: Manners,
    /// What people call the site.
    pub name: &'s str,
    /// The site's note.
    pub note: &'s str,
    /// Which contacts are wired, and which of them are closed.
    pub contacts: (ContactSet, ContactSet),
    /// The position switches of each tank, if they are known.
    pub switches: [Option<Switches>; MAX_TANKS],
    /// What the board found out about itself.
    pub findings: &'s Findings,
}

impl<const N: usize> Sight<'_, N> {
    pub(super) fn moment(&self, at: Instant) -> Moment {
        Moment { at, now: self.now, clock: self.controller.clock() }
    }

    pub(super) fn tanks(&self) -> impl Iterator<Item = (TankId, &Tank)> {
        (0u8..).map(TankId).zip(self.controller.tanks())
    }

    pub(super) fn tank(&self, tank: TankId) -> Option<&Tank> {
        self.controller.tanks().get(tank.index())
    }

    /// The alarms that stand or that nobody acknowledged, the gravest first.
    pub(super) fn alarms(&self) -> impl Iterator<Item = Alarm> + use<'_, N> {
        let told = |alarm: Alarm| self.controller.alarm(alarm).phase != AlarmPhase::Normal;
        [Severity::Critical, Severity::Warning, Severity::Notice].into_iter().flat_map(move |grave| {
            let of = move |alarm: &Alarm| told(*alarm) && self.controller.alarm(*alarm).severity == grave;
            Alarm::ALL.iter().copied().filter(of)
        })
    }
}

/// Where a screen is laid out.
pub(super) trait Sheet {
    /// A text, broken into rows.
    fn text(&mut self, text: Arguments<'_>);
    /// A text on the left and one on the right.
    fn pair(&mut self, left: Arguments<'_>, right: Arguments<'_>);
    /// A bar with a text.
    fn gauge(&mut self, percent: u8, text: Arguments<'_>);
    /// An empty row.
    fn gap(&mut self);
    /// Something to choose.
    fn item(&mut self, left: Arguments<'_>, right: Arguments<'_>, choice: Choice);
}

impl Sheet for Body {
    fn text(&mut self, text: Arguments<'_>) {
        Body::text(self, text);
    }

    fn pair(&mut self, left: Arguments<'_>, right: Arguments<'_>) {
        Body::pair(self, left, right);
    }

    fn gauge(&mut self, percent: u8, text: Arguments<'_>) {
        Body::gauge(self, percent, text);
    }

    fn gap(&mut self) {
        Body::gap(self);
    }

    fn item(&mut self, left: Arguments<'_>, right: Arguments<'_>, _choice: Choice) {
        Body::item(self, left, right);
    }
}

/// Looks for what an item does.
#[derive(Debug)]
pub(super) struct Finder {
    wanted: usize,
    seen: usize,
    pub found: Choice,
}

impl Finder {
    pub fn of(wanted: usize) -> Self {
        Self { wanted, seen: 0, found: Choice::Nothing }
    }
}

impl Sheet for Finder {
    fn text(&mut self, _text: Arguments<'_>) {}
    fn pair(&mut self, _left: Arguments<'_>, _right: Arguments<'_>) {}
    fn gauge(&mut self, _percent: u8, _text: Arguments<'_>) {}
    fn gap(&mut self) {}

    fn item(&mut self, _left: Arguments<'_>, _right: Arguments<'_>, choice: Choice) {
        if self.seen == self.wanted {
            self.found = choice;
        }
        self.seen = self.seen.saturating_add(1);
    }
}

/// The title of a screen.
pub(super) fn heading<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>) -> Row {
    let more = format_args!("enter: more");
    match screen {
        Screen::Home { .. } => match sight.controller.clock().civil(sight.now) {
            Some(civil) => title(format_args!("plant"), format_args!("{}", Day(civil))),
            None => title(format_args!("plant"), format_args!("clock not set")),
        },
        Screen::Menu { .. } => title(format_args!("menu"), format_args!("")),
        Screen::Tank { tank, .. } => title(format_args!("{tank}"), more),
        Screen::TankDeeds { tank, .. } => title(format_args!("ask of {tank}"), format_args!("")),
        Screen::PlantDeeds { .. } => title(format_args!("ask of the plant"), format_args!("")),
        Screen::Sure { .. } => title(format_args!("is it meant?"), format_args!("")),
        Screen::Alarms { .. } => title(format_args!("alarms"), format_args!("{}", sight.alarms().count())),
        Screen::Alarm { .. } => title(format_args!("alarm"), more),
        Screen::AlarmDeeds { .. } => title(format_args!("answer the alarm"), format_args!("")),
        Screen::Water { .. } => title(format_args!("water"), format_args!("")),
        Screen::Journal { at } => {
            let number = if sight.recent.is_empty() { 0 } else { u16::from(*at).saturating_add(1) };
            title(format_args!("journal"), format_args!("{number} of {}", sight.recent.len()))
        }
        Screen::Note { .. } => title(format_args!("site"), format_args!("")),
        Screen::Told { .. } => title(format_args!("answer"), format_args!("")),
        screen if is_kept(screen) => views_kept::heading(screen, panel),
        screen if is_of_settings(screen) => views_settings::heading(screen, panel, sight),
        _ => views_trials::heading(screen),
    }
}

const fn is_of_settings(screen: &Screen) -> bool {
    matches!(
        screen,
        Screen::Groups { .. }
            | Screen::Fields { .. }
            | Screen::Edit { .. }
            | Screen::EditSet { .. }
            | Screen::SetCode { .. }
            | Screen::Line { .. }
            | Screen::EditLine { .. }
            | Screen::Review { .. }
            | Screen::ReviewDeeds { .. }
            | Screen::Baselines { .. }
            | Screen::SureOfBaseline { .. }
    )
}

const fn is_kept(screen: &Screen) -> bool {
    matches!(
        screen,
        Screen::Regenerations { .. } | Screen::Regeneration { .. } | Screen::Days { .. } | Screen::Counters { .. }
    )
}

/// Lays a screen out.
pub(super) fn lay<const N: usize>(screen: &Screen, panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    match screen {
        Screen::Home { .. } => home(panel.units, sight, sheet),
        Screen::Menu { .. } => menu(panel, sight, sheet),
        Screen::Tank { tank, .. } => tank_page(*tank, panel.units, sight, sheet),
        Screen::TankDeeds { tank, .. } => tank_deeds(*tank, sheet),
        Screen::PlantDeeds { .. } => plant_deeds(sheet),
        Screen::Sure { action, .. } => sure(*action, sheet),
        Screen::Alarms { .. } => alarms(sight, sheet),
        Screen::Alarm { alarm, .. } => alarm_page(*alarm, sight, sheet),
        Screen::AlarmDeeds { alarm, .. } => {
            for answer in [AlarmAction::Acknowledge(*alarm), AlarmAction::AcknowledgeAll, AlarmAction::Reset(*alarm)] {
                let action = Action::Alarm(answer);
                sheet.item(format_args!("{}", words::action(action)), format_args!(""), Choice::Ask(action));
            }
        }
        Screen::Water { .. } => water(panel.units, sight, sheet),
        Screen::Journal { at } => journal(*at, panel.units, sight, sheet),
        Screen::Note { .. } => note(sight, sheet),
        Screen::Told { told, .. } => views_settings::told(*told, panel, sheet),
        screen if is_kept(screen) => views_kept::lay(screen, panel, sight, sheet),
        screen if is_of_settings(screen) => views_settings::lay(screen, panel, sight, sheet),
        _ => views_trials::lay(screen, panel, sight, sheet),
    }
}

fn home<const N: usize>(units: Units, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let count = sight.alarms().count();
    if count > 0 {
        let unknown = !sight.controller.outputs().unacknowledged.is_empty();
        let new = if unknown { "new" } else { "" };
        let open = Choice::Open(Screen::Alarms { at: 0 });
        if count == 1 {
            sheet.item(format_args!("! an alarm"), format_args!("{new}"), open);
        } else {
            sheet.item(format_args!("! {count} alarms"), format_args!("{new}"), open);
        }
    }
    if !sight.findings.all_well() {
        sheet.item(format_args!("! self-test"), format_args!("FAILS"), Choice::Open(Screen::Checks { at: 0 }));
    }
    for (id, tank) in sight.tanks() {
        let open = Choice::Open(Screen::Tank { tank: id, at: 0 });
        let left = units.volume(tank.ledger().remaining());
        let settings = sight.controller.settings();
        let number = id.number();
        if let Some(regeneration) = tank.regeneration() {
            let over = regeneration.deadline(settings).map(|at| Lasts(ahead(sight.now, at)));
            let step = regeneration.step(settings).map_or("ends", step_name);
            match over {
                Some(over) => sheet.item(format_args!("{number} {step}"), format_args!("{over}"), open),
                None => sheet.item(format_args!("{number} {step}"), format_args!("valve turns"), open),
            }
        } else if let Some(held) = sight.controller.why(id).as_ref().and_then(leading_hold) {
            sheet.item(format_args!("{number} {}", duty(tank.duty().kind())), format_args!("{left}"), open);
            sheet.text(format_args!("  {}", hold(held)));
        } else {
            sheet.item(format_args!("{number} {}", duty(tank.duty().kind())), format_args!("{left}"), open);
        }
    }
    let flow = units.flow(sight.controller.flow(sight.now));
    sheet.item(format_args!("flow"), format_args!("{flow}"), Choice::Open(Screen::Water { at: 0 }));
    let next = sight.tanks().filter_map(|(id, _)| expected(sight, id)).filter_map(|next| next.at).min();
    if let Some(at) = next {
        sheet.pair(format_args!("next"), format_args!("{}", sight.moment(at)));
    }
    sheet.item(format_args!("menu"), format_args!(""), Choice::Open(Screen::Menu { at: 0 }));
}

fn ahead(now: Instant, at: Instant) -> u64 {
    at.as_ticks().saturating_sub(now.as_ticks())
}

fn menu<const N: usize>(panel: &Panel, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let none = || format_args!("");
    let mut open = |name: &str, screen| sheet.item(format_args!("{name}"), none(), Choice::Open(screen));
    open("water", Screen::Water { at: 0 });
    open("alarms", Screen::Alarms { at: 0 });
    open("journal", Screen::Journal { at: 0 });
    open("site and note", Screen::Note { at: 0 });
    open("ask of the plant", Screen::PlantDeeds { at: 0 });
    open("settings", Screen::Groups { at: 0 });
    open("try outputs, contacts", Screen::Trials { at: 0 });
    open("inputs as they are", Screen::Inputs { at: 0 });
    open("first start", Screen::Walk { at: 0 });
    open("hardness tests", Screen::Tests { at: 0 });
    open("regenerations", Screen::Regenerations { at: 0 });
    open("daily use", Screen::Days { at: 0 });
    open("lifetime counters", Screen::Counters { at: 0 });
    open("self-test", Screen::Checks { at: 0 });
    sheet.item(format_args!("set the clock"), none(), Choice::SetClock);
    if sight.controller.clock().is_set() {
        sheet.item(format_args!("clock an hour on"), none(), Choice::MoveClock { on: true });
        sheet.item(format_args!("clock an hour back"), none(), Choice::MoveClock { on: false });
    }
    let units = if panel.units == Units::Metric { "metric" } else { "US" };
    sheet.item(format_args!("units"), format_args!("{units}"), Choice::SwapUnits);
    let open = sight.controller.is_unlocked(sight.now, bedkeeper::journal::Who::Panel);
    sheet.item(format_args!("lock"), format_args!("{}", if open { "open" } else { "closed" }), Choice::Lock);
}

fn causes(causes: CauseSet, sheet: &mut dyn Sheet) {
    let mut first = true;
    for why in causes.iter() {
        sheet.text(format_args!("{}{}", if first { "asked: " } else { "and " }, cause(why)));
        first = false;
    }
}

fn tank_page<const N: usize>(id: TankId, units: Units, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let Some(tank) = sight.tank(id) else { return };
    let settings = sight.controller.settings();
    sheet.text(format_args!("{}", duty(tank.duty().kind())));
    if let Duty::Out { reason } = tank.duty() {
        sheet.text(match reason {
            OutReason::Operator => format_args!("somebody took it out"),
            OutReason::DriveLost => format_args!("its drive is lost"),
        });
    }
    if let Some(regeneration) = tank.regeneration() {
        regenerating(regeneration, sight, sheet);
    }
    if let Some(why) = sight.controller.why(id) {
        causes(why.causes, sheet);
        for standing in &why.holds {
            sheet.text(format_args!("waits: {}", hold(standing.hold)));
            match standing.clears_at {
                Some(at) => sheet.text(format_args!("until {}", sight.moment(at))),
                None => sheet.text(format_args!("until {}", standing.hold.cleared_by())),
            }
        }
    }
    if tank.is_leaving() {
        sheet.text(format_args!("It goes out once another has taken over."));
    }
    if tank.is_unproven() {
        sheet.text(format_args!("Not regenerated fully: vouch for it or regenerate it."));
    }
    valve(tank, sight, id, sheet);
    let ledger = tank.ledger();
    let spent = u8::try_from(ledger.spent_percent(&settings.medium).min(100)).unwrap_or(100);
    let left = 100u8.saturating_sub(spent);
    sheet.gauge(left, format_args!("{left} % left"));
    sheet.pair(format_args!("left"), format_args!("{}", units.volume(ledger.remaining())));
    sheet.pair(format_args!("asks in"), format_args!("{}", units.volume(ledger.asks_in())));
    sheet.pair(format_args!("since the last"), format_args!("{}", units.volume(ledger.since_regeneration())));
    if ledger.overrun().nl() > 0 {
        sheet.pair(format_args!("past zero"), format_args!("{}", units.volume(ledger.overrun())));
    }
    let kept = sight.controller.capacity_per_mille(tank);
    if kept < 1_000 {
        sheet.pair(format_args!("capacity counted on"), format_args!("{}", percent(kept)));
    }
    if let Some(next) = expected(sight, id)
        && let Some(at) = next.at
    {
        sheet.text(format_args!("next expected {}: {}", sight.moment(at), next.why));
    }
}

fn regenerating<const N: usize>(
    regeneration: &bedkeeper::sequence::Regeneration,
    sight: &Sight<'_, N>,
    sheet: &mut dyn Sheet,
) {
    let settings = sight.controller.settings();
    let step = regeneration.step(settings).map_or("its end", step_name);
    match (regeneration.phase(), regeneration.deadline(settings)) {
        (Phase::Running { .. }, Some(at)) => {
            sheet.pair(format_args!("{step}"), format_args!("{}", Lasts(ahead(sight.now, at))));
        }
        _ => sheet.text(format_args!("valve turns for {step}")),
    }
    let started = sight.now.as_ticks().saturating_sub(regeneration.started_at().as_ticks());
    sheet.pair(format_args!("runs for"), format_args!("{}", Lasts(started)));
    if regeneration.is_cut_short() {
        sheet.text(format_args!("cut short: only rinsing out"));
    }
}

/// Where the valve of a tank stands, and which way its motor runs.
pub(super) fn valve<const N: usize>(tank: &Tank, sight: &Sight<'_, N>, id: TankId, sheet: &mut dyn Sheet) {
    let drive = tank.drive();
    let outputs = sight.controller.outputs();
    let runs = match outputs.motions.get(id.index()) {
        Some(Motion::Forward) => ", motor forward",
        Some(Motion::Reverse) => ", motor back",
        _ => "",
    };
    match (drive.position(), drive.target()) {
        _ if drive.is_lost() => sheet.text(format_args!("{id}'s valve: lost")),
        (Some(at), _) => sheet.text(format_args!("{id}'s valve: {}{runs}", Plain(at.slug()))),
        (None, Some(to)) => sheet.text(format_args!("{id}'s valve: to {}{runs}", Plain(to.slug()))),
        (None, None) => sheet.text(format_args!("{id}'s valve: not known where{runs}")),
    }
}

fn tank_deeds(tank: TankId, sheet: &mut dyn Sheet) {
    let deeds = [
        Action::StartNow(tank),
        Action::StartAtHour(tank),
        Action::Withdraw(tank),
        Action::StepForward(tank),
        Action::Abort(tank),
        Action::Hold(tank),
        Action::Release(tank),
        Action::TakeOut(tank),
        Action::PutBack(tank),
        Action::Vouch(tank),
        Action::ShutByHand(tank),
        Action::ReplaceResin(tank),
    ];
    for action in deeds {
        sheet.item(format_args!("{}", words::action(action)), format_args!(""), Choice::Mean(action));
    }
}

fn plant_deeds(sheet: &mut dyn Sheet) {
    let deeds = [
        Action::Leave { days: 14 },
        Action::Return,
        Action::SaltFilled,
        Action::BrineReady,
        Action::Alarm(AlarmAction::AcknowledgeAll),
        Action::Alarm(AlarmAction::Maintained),
    ];
    for action in deeds {
        let days = if matches!(action, Action::Leave { .. }) { "14 days" } else { "" };
        sheet.item(format_args!("{}", words::action(action)), format_args!("{days}"), Choice::Mean(action));
    }
}

fn sure(action: Action, sheet: &mut dyn Sheet) {
    match action {
        Action::TestDrive { tank, position } => sheet.text(format_args!("{tank} to {}", Plain(position.slug()))),
        Action::TestRelay { relay, seconds } => {
            sheet.text(format_args!("relay {} on for {seconds} s", relay.saturating_add(1)));
        }
        Action::CountPulses { meter } => sheet.text(format_args!("count meter {}", meter.saturating_add(1))),
        _ => match action.tank() {
            Some(tank) => sheet.text(format_args!("{tank}: {}", words::action(action))),
            None => sheet.text(format_args!("{}", words::action(action))),
        },
    }
    let caution = words::caution(action);
    if !caution.is_empty() {
        sheet.text(format_args!("{caution}"));
    }
    sheet.item(format_args!("no, go back"), format_args!(""), Choice::Leave);
    sheet.item(format_args!("yes, do it"), format_args!(""), Choice::Ask(action));
}

fn alarms<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let mut any = false;
    for alarm in sight.alarms() {
        any = true;
        let phase = match sight.controller.alarm(alarm).phase {
            AlarmPhase::Normal => "",
            AlarmPhase::ActiveUnacknowledged => "new",
            AlarmPhase::ActiveAcknowledged => "known",
            AlarmPhase::ReturnedUnacknowledged => "was",
        };
        let open = Choice::Open(Screen::Alarm { alarm, at: 0 });
        sheet.item(format_args!("{}", Plain(alarm.slug())), format_args!("{phase}"), open);
    }
    if !any {
        sheet.text(format_args!("No alarm stands."));
    }
}

/// The tanks of a set, from 1 as people count.
fn tank_list(tanks: TankSet, sheet: &mut dyn Sheet) {
    let mut line = heapless::String::<32>::new();
    for number in (0u8..8).map(TankId).filter(|id| tanks.contains(*id)).map(TankId::number) {
        let gap = if line.is_empty() { "" } else { ", " };
        // Eight numbers fit.
        let _ = core::fmt::Write::write_fmt(&mut line, format_args!("{gap}{number}"));
    }
    if !line.is_empty() {
        sheet.text(format_args!("tank {line}"));
    }
}

fn alarm_page<const N: usize>(alarm: Alarm, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let state = sight.controller.alarm(alarm);
    let grave = words::severity(state.severity);
    match state.phase {
        AlarmPhase::Normal => sheet.text(format_args!("It does not stand.")),
        AlarmPhase::ReturnedUnacknowledged => sheet.text(format_args!("{grave}, over by itself")),
        _ if state.is_latched => sheet.text(format_args!("{grave}, to be reset")),
        _ => sheet.text(format_args!("{grave}")),
    }
    sheet.text(format_args!("{}", alarm.happened()));
    sheet.text(format_args!("{}", alarm.done()));
    sheet.text(format_args!("> {}", alarm.look()));
    tank_list(state.tanks, sheet);
    if let Some(since) = state.since {
        sheet.text(format_args!("since {}", sight.moment(since)));
    }
}

fn water<const N: usize>(units: Units, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let controller = sight.controller;
    let accounts = controller.accounts();
    sheet.pair(format_args!("flow"), format_args!("{}", units.flow(controller.flow(sight.now))));
    sheet.pair(format_args!("this day"), format_args!("{}", units.volume(controller.used_today())));
    for (id, tank) in sight.tanks() {
        sheet.pair(format_args!("{id} has left"), format_args!("{}", units.volume(tank.ledger().remaining())));
    }
    if controller.settings().draws_brine() {
        sheet.pair(format_args!("brine made with"), format_args!("{}", units.volume(controller.brine().water())));
    }
    if let Medium::Softener { hardness, .. } = controller.settings().medium {
        sheet.pair(format_args!("feed is set as"), format_args!("{}", units.hardness(hardness)));
    }
    sheet.text(format_args!("since the start:"));
    sheet.pair(format_args!("metered"), format_args!("{}", units.total(accounts.metered.0)));
    sheet.pair(format_args!("through tanks"), format_args!("{}", units.total(accounts.charged.0)));
    sheet.pair(format_args!("of it past zero"), format_args!("{}", units.total(accounts.past_zero.0)));
    sheet.pair(format_args!("blended"), format_args!("{}", units.total(accounts.blended.0)));
    sheet.pair(format_args!("untreated"), format_args!("{}", units.total(accounts.untreated.0)));
    sheet.pair(format_args!("to drain"), format_args!("{}", units.total(accounts.drained.0)));
    sheet.pair(format_args!("estimated"), format_args!("{}", units.total(accounts.estimated.0)));
}

fn journal<const N: usize>(at: u8, units: Units, sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    let Some(record) = sight.recent.back(usize::from(at)) else {
        return sheet.text(format_args!("Nothing has happened yet."));
    };
    match record.civil {
        Some(civil) => sheet.text(format_args!("{}", Day(civil))),
        None => sheet.text(format_args!("{}", sight.moment(record.at))),
    }
    sheet.text(format_args!("{}", Said { event: record.event, units }));
}

fn note<const N: usize>(sight: &Sight<'_, N>, sheet: &mut dyn Sheet) {
    if sight.name.is_empty() && sight.note.is_empty() {
        return sheet.text(format_args!("The settings give neither a name nor a note."));
    }
    sheet.text(format_args!("{}", sight.name));
    sheet.gap();
    sheet.text(format_args!("{}", sight.note));
}
