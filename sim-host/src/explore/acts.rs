//! What an adversary may do, and when.

use bedkeeper::Action;
use bedkeeper::contact::Contact;
use bedkeeper::demand::{Cause, CauseSet};
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::{TankId, Volume};
use bedkeeper::watch::Alarm;

use super::node::Node;
use crate::scenario::ClockChange;

/// Something an adversary may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Act {
    /// Let time pass until something happens by itself.
    Wait,
    /// Let half of that time pass.
    Half,
    /// A portion of a tank's capacity flows, and time passes until something happens by itself.
    Water,
    /// Less flows than what is stored at once.
    Sip,
    /// Water runs steadily, for a good while or far beyond the rated maximum.
    Pour {
        /// Beyond the maximum.
        fast: bool,
    },
    /// The own meter of a tank that does not serve counts.
    Leak(TankId),
    /// The meter's contact closes for less than a pulse takes.
    Bounce,
    /// An operator asks.
    Operator(Action),
    /// A contact changes.
    Contact(Contact),
    /// A valve's motor stalls.
    Stall(TankId),
    /// It turns again.
    Mend(TankId),
    /// Somebody turns a valve halfway to the next position.
    Turn(TankId),
    /// Power fails for so many minutes.
    Cut {
        /// How long.
        minutes: u16,
        /// The civil clock runs on.
        clock_kept: bool,
        /// What was stored is readable afterwards.
        memory_kept: bool,
    },
    /// Settings are offered that do not pass their check.
    BadSettings,
    /// The store tells that it is worn.
    WornStore,
    /// The clock is changed.
    Clock(ClockChange),
}

/// A family of what may go wrong; water flows and time passes in all of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Family {
    /// Nothing goes wrong; water alone.
    Water,
    /// One valve at a time stalls and is mended; a lost one is put back or vouched for.
    Drives,
    /// One valve at a time is turned by hand; a lost one is put back or vouched for.
    Hands,
    /// One contact at a time is closed.
    Contacts,
    /// Settings that do not pass are offered, and the store tells that it is worn.
    Settings,
    /// Operators start, step on, abort, withdraw, hold, release, take out, put back and vouch.
    Operators,
    /// Power fails, with and without the loss of what was stored, and comes back; there is no clock.
    Power,
    /// The clock is moved, and lost.
    Clock,
    /// Power fails for a short and a long time, and the clock runs on.
    Outages,
    /// Water runs steadily and too fast, and through a tank that is closed.
    Flow,
    /// The meter's contact bounces.
    Noise,
}

impl Family {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::Water,
        Self::Drives,
        Self::Hands,
        Self::Contacts,
        Self::Settings,
        Self::Operators,
        Self::Power,
        Self::Clock,
        Self::Outages,
        Self::Flow,
        Self::Noise,
    ];

    /// The name on the command line.
    #[must_use]
    pub const fn slug(self) -> &'static str {
        match self {
            Self::Water => "water",
            Self::Drives => "drives",
            Self::Hands => "hands",
            Self::Contacts => "contacts",
            Self::Settings => "settings",
            Self::Operators => "operators",
            Self::Power => "power",
            Self::Clock => "clock",
            Self::Outages => "outages",
            Self::Flow => "flow",
            Self::Noise => "noise",
        }
    }

    /// What its adversary may do.
    #[must_use]
    pub const fn covers(self) -> &'static str {
        match self {
            Self::Water => "water alone",
            Self::Drives => "water; one valve at a time stalls and is mended; a lost one is put back or vouched for",
            Self::Hands => "water; one valve at a time is turned by hand; a lost one is put back or vouched for",
            Self::Contacts => "water; one contact at a time closes and opens",
            Self::Settings => "water; settings that do not pass are offered, the store tells that it is worn",
            Self::Operators => {
                "water; operators start, step on, abort, withdraw, hold, release, take out, put back, vouch, one tank at a time"
            }
            Self::Power => "water; power cuts of unknown length at any moment, memory kept or lost; no clock",
            Self::Clock => "water; the clock moved by an hour or lost",
            Self::Outages => "water; power cuts of a minute and of two hours while the clock runs on",
            Self::Flow => "water, at once, steadily, too fast, and through the own meter of a tank that does not serve",
            Self::Noise => {
                "water; the meter's contact closes for 2 ms, once in an hour, where that is too short for a pulse"
            }
        }
    }
}

/// Several families at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Powers {
    bits: u16,
    /// So many faults in a life at the most; `None` is without end.
    faults: Option<u8>,
    /// A tank's capacity flows in so many portions.
    portions: u8,
}

impl Powers {
    /// Portions that a tank's capacity flows in unless said otherwise.
    pub const USUAL_PORTIONS: u8 = 4;

    /// One family.
    #[must_use]
    pub const fn of(family: Family) -> Self {
        Self { bits: 1 << family as u16, faults: None, portions: Self::USUAL_PORTIONS }
    }

    /// All of these.
    #[must_use]
    pub fn all_of(families: &[Family]) -> Self {
        let bits = families.iter().fold(0, |all, family| all | Self::of(*family).bits);
        Self { bits, ..Self::of(Family::Water) }
    }

    /// The same, with a tank's capacity flowing in so many portions; 0 is taken for 1.
    #[must_use]
    pub const fn in_portions(self, portions: u8) -> Self {
        Self { portions, ..self }
    }

    /// In how many portions a tank's capacity flows.
    #[must_use]
    pub const fn portions(self) -> u8 {
        self.portions
    }

    /// The same with no more than so many faults in a life: stalls, valves turned by hand, contacts that close, power cuts,
    /// clock changes, settings offered, wishes of operators. What undoes one is none.
    #[must_use]
    pub const fn at_most(self, faults: u8) -> Self {
        Self { faults: Some(faults), ..self }
    }

    /// How many faults a life may have.
    #[must_use]
    pub const fn faults(self) -> Option<u8> {
        self.faults
    }

    /// Whether a family is among them.
    #[must_use]
    pub const fn has(self, family: Family) -> bool {
        self.bits & Self::of(family).bits != 0
    }

    /// Power may fail.
    #[must_use]
    pub const fn cuts(self) -> bool {
        self.has(Family::Power) || self.has(Family::Outages)
    }

    /// The names, with `+` between them, and how many faults there may be.
    #[must_use]
    pub fn slug(self) -> String {
        let names = Family::ALL.iter().filter(|family| self.has(**family)).map(|family| family.slug());
        let names = names.collect::<Vec<_>>().join("+");
        self.faults.map_or_else(|| names.clone(), |faults| format!("{names}-{faults}"))
    }
}

/// Half of less is not waited for: contacts and cams settle in that time.
const SHORTEST_HALF_MS: u64 = 4_000;
/// Half of more is not waited for either: nothing runs then but idle time.
const LONGEST_HALF_MS: u64 = 3_600_000;

impl Node {
    /// What the adversary may do now.
    #[must_use]
    pub fn acts(&self, powers: Powers) -> Vec<Act> {
        let mut acts = self.all_acts(powers);
        if !self.may_fail() {
            acts.retain(|act| !self.is_fault(*act));
        }
        acts
    }

    /// Whether an act counts as one of the faults that a life may have; what undoes one is none.
    pub(super) fn is_fault(&self, act: Act) -> bool {
        use Action as A;
        let unit = |tank: TankId| self.world().controller.tanks().get(tank.index());
        match act {
            Act::Wait | Act::Half | Act::Water | Act::Sip | Act::Pour { fast: false } | Act::Mend(_) => false,
            Act::Contact(contact) => self.closed_contact() != Some(contact),
            Act::Operator(A::PutBack(_) | A::Release(_)) => false,
            // A wish is taken back, but what the plant asks for by itself is kept from it.
            Act::Operator(A::Withdraw(tank)) => {
                unit(tank).is_none_or(|unit| unit.demand().causes() != CauseSet::EMPTY.with(Cause::Manual))
            }
            // After a fault somebody must say what a bed holds; else it is said wrongly.
            Act::Operator(A::Vouch(tank)) => {
                unit(tank).is_none_or(|unit| unit.duty().kind() != DutyKind::Out && !unit.is_unproven())
            }
            Act::Operator(_) | Act::Stall(_) | Act::Turn(_) | Act::Cut { .. } | Act::Clock(_) => true,
            Act::BadSettings | Act::WornStore | Act::Pour { fast: true } | Act::Leak(_) | Act::Bounce => true,
        }
    }

    fn all_acts(&self, powers: Powers) -> Vec<Act> {
        let mut acts = Vec::new();
        // Water that is not stored yet matters if power fails then.
        if self.has_sipped() {
            self.power_acts(powers, &mut acts);
            return acts;
        }
        acts.push(Act::Wait);
        let world = self.world();
        let ahead = world.next_event_ms().map_or(0, |next| next.saturating_sub(world.now_ms));
        // A valve half on its way may stall or lose power; a step half done may be aborted.
        let turns = world.valves().iter().any(|valve| valve.motion() != Motion::Off);
        let wanted = if turns { powers.has(Family::Drives) || powers.cuts() } else { powers.has(Family::Operators) };
        let faulty = world.valves().iter().any(|valve| !valve.faults().is_empty());
        if wanted
            && (self.may_fail() || faulty)
            && !self.is_half()
            && (SHORTEST_HALF_MS..=LONGEST_HALF_MS).contains(&ahead)
        {
            acts.push(Act::Half);
        }
        if world.supply.is_dark() {
            return acts;
        }
        // Past a portion beyond empty nothing new comes of more.
        let thirsty = self.serving_past_zero() < self.limits().portion;
        if thirsty && self.lately_flowed_ms().is_none() {
            acts.push(Act::Water);
            // What is not stored is lost of a fresh bed as of any other.
            if powers.cuts() && self.may_fail() && self.serving_is_fresh() {
                acts.push(Act::Sip);
            }
        }
        if powers.has(Family::Flow) && self.lately_flowed_ms().is_none() {
            self.flow_acts(thirsty, &mut acts);
        }
        // One in the hour that is tallied is all that it takes.
        let quiet =
            || world.controller.bounces() == 0 && !world.controller.outputs().alarms.contains(Alarm::MeterNoisy);
        if powers.has(Family::Noise) && self.limits().bounces && quiet() {
            acts.push(Act::Bounce);
        }
        if powers.has(Family::Drives) || powers.has(Family::Hands) {
            self.drive_acts(powers, &mut acts);
        }
        if powers.has(Family::Operators) {
            self.operator_acts(&mut acts);
        }
        if powers.has(Family::Contacts) {
            self.contact_acts(&mut acts);
        }
        let rejected = world.controller.outputs().alarms.contains(Alarm::SettingsRejected);
        if powers.has(Family::Settings) && !rejected {
            acts.push(Act::BadSettings);
        }
        if powers.has(Family::Settings) && !world.controller.outputs().alarms.contains(Alarm::StoreWorn) {
            acts.push(Act::WornStore);
        }
        // Every cut charges a bed by estimate; two in its time are tried.
        let estimated = Volume(2 * world.controller.settings().retain_volume().0);
        if powers.cuts() && thirsty && self.serving_estimated() < estimated {
            self.power_acts(powers, &mut acts);
        }
        if powers.has(Family::Clock) {
            acts.extend([3_600_000, -3_600_000].map(|ms| Act::Clock(ClockChange::Moved(ms))));
            acts.push(Act::Clock(ClockChange::Lost));
        }
        acts
    }

    fn flow_acts(&self, thirsty: bool, acts: &mut Vec<Act>) {
        let controller = &self.world().controller;
        if thirsty {
            acts.extend([false, true].map(|fast| Act::Pour { fast }));
        }
        if controller.settings().meter.place == MeterPlace::PerTank {
            let tanks = (0u8..).map(TankId).zip(controller.tanks());
            let closed = tanks.filter(|(_, unit)| unit.duty().kind() != DutyKind::Serving);
            acts.extend(closed.map(|(tank, _)| Act::Leak(tank)));
        }
    }

    fn drive_acts(&self, powers: Powers, acts: &mut Vec<Act>) {
        let world = self.world();
        let alarms = world.controller.outputs().alarms;
        let whole = world.valves().iter().all(|valve| valve.faults().is_empty())
            && ![Alarm::ValveLost, Alarm::ValveMoved, Alarm::TankOut].iter().any(|alarm| alarms.contains(*alarm));
        for (tank, valve) in (0u8..).map(TankId).zip(world.valves()) {
            if !valve.faults().is_empty() {
                acts.push(Act::Mend(tank));
            } else if whole && valve.motion() != Motion::Off && powers.has(Family::Drives) {
                acts.push(Act::Stall(tank));
            } else if whole && valve.motion() == Motion::Off && powers.has(Family::Hands) {
                acts.push(Act::Turn(tank));
            }
        }
        for (tank, unit) in (0u8..).map(TankId).zip(world.controller.tanks()) {
            if unit.duty().kind() == DutyKind::Out {
                acts.extend([Action::PutBack(tank), Action::Vouch(tank)].map(Act::Operator));
            }
        }
    }

    /// Wishes that are not refused for certain.
    fn operator_acts(&self, acts: &mut Vec<Act>) {
        use Action as A;
        let controller = &self.world().controller;
        // What holds a tank back is taken back before another is: as with faults, one at a time.
        let calm = controller
            .tanks()
            .iter()
            .all(|unit| unit.duty().kind() != DutyKind::Out && !unit.demand().operator_hold && !unit.is_unproven());
        // Brine left by draws that were cut short does not pile up without end.
        let room = controller.brine().water() <= Volume(self.limits().dose_water.0.saturating_mul(2));
        for (tank, unit) in (0u8..).map(TankId).zip(controller.tanks()) {
            let asked = !unit.demand().causes().is_empty();
            let wishes: &[Action] = match unit.duty().kind() {
                DutyKind::Regenerating | DutyKind::Refilling if room => &[A::StepForward(tank), A::Abort(tank)],
                DutyKind::Regenerating | DutyKind::Refilling => &[],
                DutyKind::Out => &[A::PutBack(tank), A::Vouch(tank)],
                DutyKind::Spent => &[A::Hold(tank), A::Release(tank), A::Vouch(tank), A::TakeOut(tank)],
                _ if asked => &[A::Withdraw(tank), A::TakeOut(tank), A::Hold(tank), A::Release(tank), A::Vouch(tank)],
                _ => &[A::StartNow(tank), A::TakeOut(tank)],
            };
            let sensible = |wish: &&Action| match wish {
                A::Hold(_) | A::TakeOut(_) | A::Abort(_) => calm,
                A::Release(_) => unit.demand().operator_hold,
                A::Vouch(_) => unit.is_unproven() || !matches!(unit.duty().kind(), DutyKind::Serving | DutyKind::Ready),
                _ => true,
            };
            acts.extend(wishes.iter().filter(sensible).map(|wish| Act::Operator(*wish)));
        }
    }

    fn contact_acts(&self, acts: &mut Vec<Act>) {
        // One changes when the last is believed, and not at the very moment at which it is: else there were as many
        // states as there are seconds.
        if self.lately_changed_ms().is_none() {
            match self.closed_contact() {
                Some(closed) => acts.push(Act::Contact(closed)),
                None => acts.extend(self.limits().contacts.iter().map(|contact| Act::Contact(*contact))),
            }
        }
    }

    fn power_acts(&self, powers: Powers, acts: &mut Vec<Act>) {
        if powers.has(Family::Power) {
            acts.push(Act::Cut { minutes: 10, clock_kept: false, memory_kept: true });
            acts.push(Act::Cut { minutes: 10, clock_kept: false, memory_kept: false });
        }
        if powers.has(Family::Outages) {
            let lasting = [1, 120].into_iter().filter(|minutes| self.off_ms(*minutes, true) > 0);
            acts.extend(lasting.map(|minutes| Act::Cut { minutes, clock_kept: true, memory_kept: true }));
        }
    }
}
