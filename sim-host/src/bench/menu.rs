//! What can be chosen: inputs, operators, faults, power, clock.

use bedkeeper::Action;
use bedkeeper::contact::Contact;
use bedkeeper::journal::Who;
use bedkeeper::lock::Key;
use bedkeeper::operator::AlarmAction;
use bedkeeper::settings::{Medium, RELAYS};
use bedkeeper::units::{Hardness, TankId, Volume};

use super::session::Session;
use super::words::{self, with_code};
use crate::physics::brine_tank::FloatFault;
use crate::plant::{Fault, Valve, WhichValve};
use crate::process::PlantChange;
use crate::scenario::Deed;
use crate::scenario::operator_action;

/// What a choice does.
#[derive(Clone, Debug, PartialEq)]
pub enum Choice {
    /// Something happens.
    Happen(Deed),
    /// Water is drawn by hand, mL/min.
    Draw(u32),
    /// The clock is set to a date and time that is asked for.
    AskClock,
}

/// A list to choose from.
#[derive(Clone, Debug, PartialEq)]
pub struct Menu {
    /// What it is about.
    pub title: String,
    /// What can be chosen, in words.
    pub items: Vec<(String, Choice)>,
    /// Where the cursor stands.
    pub cursor: usize,
}

const FLOWS_ML_MIN: [u32; 8] = [0, 500, 2_000, 5_000, 10_000, 20_000, 40_000, 80_000];
const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 60 * MINUTE_MS;
const RELAY_TEST_S: u8 = 5;
/// How a date and time is written.
pub const CLOCK_FORM: &str = "%Y-%m-%d %H:%M:%S";
/// Caught in a vessel while pulses are counted, 10 L.
const CAUGHT: Volume = Volume::from_litres(10);

impl Menu {
    fn new(title: impl Into<String>, items: Vec<(String, Choice)>) -> Self {
        Self { title: title.into(), items, cursor: 0 }
    }

    /// What the building draws by hand.
    #[must_use]
    pub fn water() -> Self {
        let item = |ml_min: u32| (format!("{} L/min", f64::from(ml_min) / 1_000.0), Choice::Draw(ml_min));
        Self::new("water drawn", FLOWS_ML_MIN.into_iter().map(item).collect())
    }

    /// The contacts, each to be turned over, or closed for a moment.
    #[must_use]
    pub fn contacts(session: &Session) -> Self {
        let mut items = Vec::new();
        for contact in Contact::ALL.iter().copied() {
            let (name, tells) = words::contact(contact);
            let turn = |closed, lasts_ms| Choice::Happen(Deed::Contact { contact, closed, lasts_ms });
            if session.is_closed(contact) {
                items.push((with_code(&format!("open the {name} again"), contact), turn(false, None)));
            } else {
                items.push((with_code(&format!("close the {name}: {tells}"), contact), turn(true, None)));
                items.push((with_code(&format!("close the {name} for 5 s"), contact), turn(true, Some(5_000))));
            }
        }
        Self::new("contacts", items)
    }

    /// What an operator may ask about a tank.
    #[must_use]
    pub fn operator(session: &Session, tank: TankId) -> Self {
        let ask = |action: Action| Choice::Happen(Deed::Operator(Who::Panel, action));
        let of_tank = [
            ("start-now", "start now"),
            ("start-at-hour", "start at the hour"),
            ("withdraw", "withdraw what was asked for"),
            ("step-forward", "step forward"),
            ("abort", "abort"),
            ("hold", "hold"),
            ("release", "release"),
            ("take-out", "take out"),
            ("put-back", "put back"),
            ("vouch", "vouch for it"),
            ("shut-by-hand", "its lost valve was shut by hand"),
            ("brine-ready", "the brine is ready: somebody looked"),
            ("salt-filled", "salt was filled up"),
            ("acknowledge-all", "acknowledge all alarms"),
            ("maintained", "maintenance was done"),
            ("return", "people are back"),
            ("replace-resin", "the resin was replaced"),
            ("test-contacts", "test the contacts"),
        ];
        let mut items: Vec<_> = of_tank
            .iter()
            .filter_map(|(slug, words)| Some(((*words).to_owned(), ask(operator_action(slug, tank)?))))
            .collect();
        items.push(("people leave for two weeks".to_owned(), ask(Action::Leave { days: 14 })));
        if let Some(settings) = session.world().map(|world| world.controller.settings()) {
            for position in settings.drive.positions() {
                items.push((format!("try the valve: {position}"), ask(Action::TestDrive { tank, position })));
            }
            for relay in (0..RELAYS).filter_map(|relay| u8::try_from(relay).ok()) {
                let test = Action::TestRelay { relay, seconds: RELAY_TEST_S };
                items.push((format!("switch relay {} on for {RELAY_TEST_S} s", relay + 1), ask(test)));
            }
            items.push(("count the meter's pulses".to_owned(), ask(Action::CountPulses { meter: 0 })));
            items.push(("10 L were caught meanwhile".to_owned(), ask(Action::Caught { volume: CAUGHT })));
            if let Medium::Softener { hardness, .. } = settings.medium {
                for (words, treated) in
                    [("soft", Hardness(0)), ("a tenth as hard as the feed", Hardness(hardness.0 / 10))]
                {
                    let test = Action::TestHardness { tank, treated, feed: None };
                    items.push((format!("a test finds its water {words}"), ask(test)));
                }
            }
        }
        items.push(("end the test".to_owned(), ask(Action::EndTest)));
        for alarm in session.state().map(|state| state.alarms).unwrap_or_default().iter() {
            let happened = alarm.happened();
            for (verb, action) in
                [("acknowledge", AlarmAction::Acknowledge(alarm)), ("reset", AlarmAction::Reset(alarm))]
            {
                items.push((with_code(&format!("{verb}: {happened}"), alarm.slug()), ask(Action::Alarm(action))));
            }
        }
        let press = Deed::Unlock(Who::Panel, Key::Press);
        items.push(("open the lock by a press".to_owned(), Choice::Happen(press)));
        items.push(("close the lock".to_owned(), Choice::Happen(Deed::Relock(Who::Panel))));
        Self::new(format!("operator, {tank}"), items)
    }

    /// The faults that a tank's valve can have, and those that can be mended; those of a shared changeover valve, too.
    #[must_use]
    pub fn faults(session: &Session, tank: TankId) -> Self {
        let mut items = Vec::new();
        let world = session.world();
        if let Some(valve) = world.and_then(|world| world.valves().get(tank.index())) {
            faults_of(valve, WhichValve::Tank(tank), words::fault, &mut items);
        }
        if let Some(shared) = world.and_then(|world| world.plant.shared()) {
            faults_of(shared, WhichValve::Shared, words::shared_fault, &mut items);
        }
        Self::new(format!("faults of the valve of {tank}"), items)
    }

    /// Power cuts.
    #[must_use]
    pub fn power() -> Self {
        let lengths = [("5 s", 5_000), ("5 min", 5 * MINUTE_MS), ("6 h", 6 * HOUR_MS), ("3 days", 72 * HOUR_MS)];
        let mut items = Vec::new();
        for (words, off_ms) in lengths {
            let cut = |clock_kept| Choice::Happen(Deed::Power { off_ms, clock_kept, memory_kept: true });
            items.push((format!("off for {words}"), cut(true)));
            items.push((format!("off for {words}, and the clock is lost"), cut(false)));
        }
        let forgotten = Deed::Power { off_ms: MINUTE_MS, clock_kept: true, memory_kept: false };
        items.push(("off for 1 min, and the memory is unreadable".to_owned(), Choice::Happen(forgotten)));
        Self::new("power", items)
    }

    /// The clock; one that is lost cannot be moved, only set.
    #[must_use]
    pub fn clock(session: &Session) -> Self {
        let hour = i64::try_from(HOUR_MS).unwrap_or(i64::MAX);
        let mut items = vec![("set it to a date and time".to_owned(), Choice::AskClock)];
        if let Some(right) = session.true_time() {
            let words = format!("set it right: {}", right.strftime(CLOCK_FORM));
            items.push((words, Choice::Happen(Deed::ClockSet(right))));
        }
        if session.world().is_some_and(|world| world.start.is_some()) {
            let moves = [("an hour forward", 1), ("an hour back", -1), ("a day forward", 24), ("a day back", -24)];
            items
                .extend(moves.map(|(words, hours)| {
                    (format!("move it {words}"), Choice::Happen(Deed::ClockMoved(hours * hour)))
                }));
            items.push(("it is lost".to_owned(), Choice::Happen(Deed::ClockLost)));
        }
        Self::new("clock", items)
    }

    /// What may happen to the water, salt and pressure of a full plant.
    #[must_use]
    pub fn plant(session: &Session) -> Self {
        let Some(design) = &session.plan().scenario.design else { return Self::new("plant", Vec::new()) };
        let change = |change| Choice::Happen(Deed::Plant { change, lasts_ms: None });
        let (supply, hardness) = (design.supply.static_kpa(), design.feed.hardness_mg_l);
        let items = vec![
            ("a salt bridge forms".to_owned(), change(PlantChange::SaltBridge(true))),
            ("the salt bridge is broken".to_owned(), change(PlantChange::SaltBridge(false))),
            ("25 kg of salt are put in".to_owned(), change(PlantChange::AddSalt(25.0))),
            ("the float sticks open".to_owned(), change(PlantChange::Float(FloatFault::StuckOpen))),
            ("the float sticks shut".to_owned(), change(PlantChange::Float(FloatFault::StuckShut))),
            ("the float is free again".to_owned(), change(PlantChange::Float(FloatFault::None))),
            ("supply pressure falls to a quarter".to_owned(), change(PlantChange::SupplyKpa(supply / 4.0))),
            ("supply pressure as it was".to_owned(), change(PlantChange::SupplyKpa(supply))),
            ("the feed's hardness doubles".to_owned(), change(PlantChange::FeedHardnessMgL(hardness * 2.0))),
            ("the feed's hardness as it was".to_owned(), change(PlantChange::FeedHardnessMgL(hardness))),
        ];
        Self::new("plant", items)
    }
}

/// What can be mended, and what can go wrong with this valve, in these words.
fn faults_of(valve: &Valve, which: WhichValve, words: fn(Fault) -> String, items: &mut Vec<(String, Choice)>) {
    let standing = valve.faults();
    items.extend(standing.iter().map(|fault| {
        let words = with_code(&format!("mend it: {}", words(*fault)), fault);
        (words, Choice::Happen(Deed::Mend { valve: which, fault: *fault }))
    }));
    let can_have = |fault: &Fault| !standing.contains(fault) && valve.clone().arm(*fault).is_ok();
    items.extend(words::all_faults().into_iter().filter(can_have).map(|fault| {
        (with_code(&words(fault), fault), Choice::Happen(Deed::Fault { valve: which, fault, lasts_ms: None }))
    }));
}
