//! Plain words for what the bench names, with the code beside them that files use.

use bedkeeper::contact::Contact;
use bedkeeper::program::Position;
use bedkeeper::watch::{AlarmPhase, AlarmState, Severity};

use crate::plant::Fault;

/// A code beside its words.
pub(super) fn with_code(words: &str, code: impl std::fmt::Display) -> String {
    format!("{words} [{code}]")
}

/// What is wrong with a valve.
pub(super) fn fault(fault: Fault) -> String {
    match fault {
        Fault::MotorStalled => "the motor does not turn".to_owned(),
        Fault::MotorSlow { percent } => format!("the motor turns at {percent} % of its speed"),
        Fault::Wears { .. } => "it wears: slower and coasting longer at each start".to_owned(),
        Fault::MotorRunsOn => "its relay welds: the motor runs on".to_owned(),
        Fault::WiresSwapped => "wires swapped: the motor turns the wrong way".to_owned(),
        Fault::ForwardWireBroken => "the wire for turning forward is broken".to_owned(),
        Fault::ReverseWireBroken => "the wire for turning back is broken".to_owned(),
        Fault::JamsIn(position) => format!("it jams once it comes to {position}"),
        Fault::CoastsFar { .. } => "it coasts too far after each stop".to_owned(),
        Fault::SwitchStuckOpen(n) => format!("switch {n} never closes"),
        Fault::SwitchStuckClosed(n) => format!("switch {n} is always closed"),
        Fault::SwitchInverted(n) => format!("switch {n} is of the other make: closed where it is to be open"),
        Fault::SwitchesSwapped(a, b) => format!("switches {a} and {b} are wired to each other's inputs"),
        Fault::SwitchBounces => "its switches bounce".to_owned(),
        Fault::IndexMissed(_) => "a mark of its cam is not seen".to_owned(),
        Fault::IndexExtra(_) => "a mark of its cam is seen twice".to_owned(),
        Fault::PilotStuckOff(n) => format!("pilot {n} never acts"),
        Fault::PilotStuckOn(n) => format!("pilot {n} acts always"),
        Fault::PilotsSwapped(a, b) => format!("pilots {a} and {b} are wired to each other's outputs"),
        Fault::MovedByHand(Some(position)) => format!("somebody turns it by hand to {position}"),
        Fault::MovedByHand(None) => "somebody turns it by hand, halfway to the next position".to_owned(),
    }
}

/// What is wrong with a changeover valve that two tanks share: its positions are their sides.
pub(super) fn shared_fault(of: Fault) -> String {
    let sides = fault(of).replace("service", "tank 1's side").replace("standby", "tank 2's side");
    format!("changeover valve: {sides}")
}

/// Every fault that some valve can have: switches, pilots and positions one by one.
pub(super) fn all_faults() -> Vec<Fault> {
    let numbers = 1..=8u8;
    let each = |make: fn(u8) -> Fault| numbers.clone().map(make);
    let positions = || Position::ALL.iter().copied();
    let neighbours = |make: fn(u8, u8) -> Fault| (1..8u8).map(move |n| make(n, n + 1));
    let mut all = vec![
        Fault::MotorStalled,
        Fault::MotorSlow { percent: 50 },
        Fault::Wears { per_mille: 20 },
        Fault::MotorRunsOn,
        Fault::WiresSwapped,
        Fault::ForwardWireBroken,
        Fault::ReverseWireBroken,
        Fault::CoastsFar { percent: 50 },
        Fault::SwitchBounces,
        Fault::IndexMissed(1),
        Fault::IndexExtra(1),
        Fault::MovedByHand(None),
    ];
    all.extend(positions().map(|position| Fault::MovedByHand(Some(position))));
    all.extend(positions().map(Fault::JamsIn));
    all.extend(each(Fault::SwitchStuckOpen).chain(each(Fault::SwitchStuckClosed)).chain(each(Fault::SwitchInverted)));
    all.extend(neighbours(Fault::SwitchesSwapped));
    all.extend(each(Fault::PilotStuckOff).chain(each(Fault::PilotStuckOn)));
    all.extend(neighbours(Fault::PilotsSwapped));
    all
}

/// A contact, and what it tells when it is closed.
pub(super) const fn contact(contact: Contact) -> (&'static str, &'static str) {
    match contact {
        Contact::Remote => ("remote contact", "it asks for what the settings say"),
        Contact::Sensor => ("hardness monitor", "hard water is seen"),
        Contact::LowPressure => ("pressure switch", "pressure is too low"),
        Contact::BrineFull => ("float of the brine tank", "the refill has reached its level"),
        Contact::BrineEmpty => ("level switch of the brine tank", "no brine is left above the draw pipe"),
        Contact::BrineReady => ("brine sensor", "the brine is strong enough"),
    }
}

/// How grave an alarm is.
pub(super) const fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Notice => "notice",
        Severity::Warning => "warning",
        Severity::Critical => "critical",
    }
}

/// Where an alarm is in its life.
pub(super) const fn phase(state: &AlarmState) -> &'static str {
    match (state.phase, state.is_latched) {
        (AlarmPhase::ReturnedUnacknowledged, _) => "over by itself, not acknowledged",
        (AlarmPhase::ActiveAcknowledged, true) => "its reason is gone, to be reset",
        (AlarmPhase::ActiveUnacknowledged, true) => "its reason is gone, not acknowledged, to be reset",
        (AlarmPhase::ActiveAcknowledged, false) => "acknowledged",
        (AlarmPhase::ActiveUnacknowledged, false) => "not acknowledged",
        (AlarmPhase::Normal, _) => "over",
    }
}
