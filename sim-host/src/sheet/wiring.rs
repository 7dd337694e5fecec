//! What is wired to what: which contacts, relays, drives and meters the site uses.

use bedkeeper::contact::Contact;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::{RawRelay, RelayProgram};
use bedkeeper::settings::{CamFeedback, MeterPlace, RawDrive, RawSettings, RemoteRole, StepEnd};

use bedkeeper::units::{TankId, TankSet};

use super::settings::time;
use crate::quantity::show;
use crate::report::words;
use crate::site::Site;

/// One connection.
#[derive(Debug)]
pub struct Wire {
    /// Which terminal or part.
    pub part: String,
    /// What is connected and how it behaves.
    pub text: String,
    /// Whether it may carry mains voltage.
    pub mains: bool,
}

fn wire(part: impl Into<String>, text: impl Into<String>) -> Wire {
    Wire { part: part.into(), text: text.into(), mains: false }
}

/// Every connection of a site.
pub fn wires(site: &Site) -> Vec<Wire> {
    let raw = &site.raw;
    let mut all = Vec::new();
    meters(site, &mut all);
    drives(raw, &mut all);
    contacts(raw, &mut all);
    for (i, relay) in raw.relays.iter().enumerate() {
        all.push(Wire {
            part: format!("relay {}", i + 1),
            text: relay_text(site, relay),
            mains: relay.program != RelayProgram::Unused,
        });
    }
    all
}

fn meters(site: &Site, all: &mut Vec<Wire>) {
    let meter = &site.raw.meter;
    let text = format!(
        "A dry contact, closed for at least {} at each pulse. Low voltage; keep its cable apart from mains cables.",
        time(meter.min_closed)
    );
    match meter.place {
        MeterPlace::Common => all.push(wire("meter", format!("In the common outlet. {text}"))),
        MeterPlace::PerTank => {
            for tank in 1..=site.raw.tanks {
                all.push(wire(format!("meter {tank}"), format!("In the outlet of tank {tank}. {text}")));
            }
        }
    }
}

fn drives(raw: &RawSettings, all: &mut Vec<Wire>) {
    let names = |positions: &mut dyn Iterator<Item = Position>| {
        positions.map(|position| words::words(position.slug())).collect::<Vec<_>>().join(", ")
    };
    let (motor, feedback) = match &raw.drive {
        RawDrive::CamSwitch { positions, feedback, reversible, .. } => {
            let order = names(&mut positions.iter().copied());
            let ways = if *reversible { "runs both ways" } else { "runs one way" };
            let switches = match feedback {
                CamFeedback::SwitchPerPosition => format!(
                    "Switches 1 to {}: one for each position in that order, closed there and nowhere else.",
                    positions.len()
                ),
                CamFeedback::HomeAndStop => {
                    "Switch 1 is closed in the first position only, switch 2 in every position.".to_owned()
                }
            };
            (format!("A motor turns a cam and {ways}. It passes {order}."), switches)
        }
        RawDrive::CamIndex { positions, marks, .. } => {
            let order = positions
                .iter()
                .map(|(p, mark)| format!("{} (mark {mark})", words::words(p.slug())))
                .collect::<Vec<_>>()
                .join(", ");
            (
                format!("A motor turns a cam with {marks} marks: {order}."),
                "Switch 1 closes at home, switch 2 at every mark.".to_owned(),
            )
        }
        RawDrive::TwoPosition { positions, .. } => (
            format!("A motor ball valve between two ends: {}.", names(&mut positions.iter().copied())),
            "Switch 1 closes at the first end, switch 2 at the second.".to_owned(),
        ),
        RawDrive::Timed { positions, .. } => {
            let order = positions
                .iter()
                .map(|(p, at)| format!("{} ({})", words::words(p.slug()), time(*at)))
                .collect::<Vec<_>>()
                .join(", ");
            (format!("A motor runs between two stops by time: {order}."), TIMED.to_owned())
        }
        RawDrive::PilotArray { positions, contact, .. } => {
            let order = positions
                .iter()
                .map(|(p, pattern)| format!("{} ({})", words::words(p.slug()), pilots(*pattern)))
                .collect::<Vec<_>>()
                .join(", ");
            let feedback = if *contact {
                "Switch 1 is closed while the valve stands as its pilots say.".to_owned()
            } else {
                format!("No contact tells where the valve stands. {TIMED}")
            };
            (format!("Pilots make the position: {order}."), feedback)
        }
    };
    for tank in 1..=raw.tanks {
        all.push(Wire { part: format!("valve of tank {tank}"), text: motor.clone(), mains: true });
        all.push(wire(format!("switches of tank {tank}"), feedback.clone()));
    }
    if raw.sharing.shared_valve.is_some() {
        let text = "A motor ball valve that leads the water of tank 1 at its first end and of tank 2 at its second. Switch 1 closes at the first end, switch 2 at the second.";
        all.push(Wire { part: "shared changeover valve".to_owned(), text: text.to_owned(), mains: true });
    }
}

/// What is weaker about a valve that tells nothing.
const TIMED: &str = "WEAKER: there is no feedback. A position counts as confirmed once the time has run, whether or not the valve moved: look at it at every service.";

fn pilots(pattern: u8) -> String {
    let named: Vec<_> = (0..8).filter(|bit| pattern & (1 << bit) != 0).map(|bit| (bit + 1).to_string()).collect();
    if named.is_empty() { "none".to_owned() } else { named.join("+") }
}

fn contacts(raw: &RawSettings, all: &mut Vec<Wire>) {
    let ends_by_contact = |kind: StepKind| {
        raw.program.iter().any(|step| step.kind == kind && matches!(step.end, StepEnd::Contact { .. }))
    };
    for contact in Contact::ALL {
        let (text, used) = match contact {
            Contact::Remote => {
                let text = match raw.remote {
                    RemoteRole::Off => "",
                    RemoteRole::Now => "Closing it asks for a regeneration now.",
                    RemoteRole::AtHour => "Closing it asks for a regeneration at the hour.",
                    RemoteRole::HoldOff => "Closed, no regeneration starts.",
                };
                (text, raw.remote != RemoteRole::Off)
            }
            Contact::Sensor => {
                ("If a hardness monitor is fitted: closed = hard water seen. It asks for a regeneration.", true)
            }
            Contact::LowPressure => {
                ("If a pressure switch is fitted: closed = pressure too low. Nothing starts then.", true)
            }
            Contact::BrineFull => (
                "A float in the brine tank: closed = the refill has reached its level.",
                ends_by_contact(StepKind::BrineRefill),
            ),
            Contact::BrineEmpty => (
                "A level switch in the brine tank: closed = nothing is left above the draw pipe.",
                ends_by_contact(StepKind::BrineDraw),
            ),
            Contact::BrineReady => (
                "A sensor in the brine tank: closed = the brine is strong enough.",
                raw.brine.ready_by_contact || ends_by_contact(StepKind::BrineWait),
            ),
        };
        let text = if used { text } else { "Not used: leave it open." };
        all.push(wire(format!("contact {contact}"), text));
    }
}

fn relay_text(site: &Site, relay: &RawRelay) -> String {
    let tanks = |set: TankSet| {
        let numbers: Vec<_> =
            (0..8).map(TankId).filter(|tank| set.contains(*tank)).map(|tank| tank.number().to_string()).collect();
        format!("tank {}", numbers.join(", "))
    };
    let on = match relay.program {
        RelayProgram::Unused => return "Not used.".to_owned(),
        RelayProgram::OnAlarm(severity) => format!("On while an alarm stands that is at least a {severity}."),
        RelayProgram::During { steps, tanks: set } => {
            let steps: Vec<_> = steps.iter().map(|step| words::words(step.slug())).collect();
            format!("On during {} of {}.", steps.join(", "), tanks(set))
        }
        RelayProgram::AfterStart { delay, length } => {
            format!("On for {} from {} after a regeneration has begun.", time(length), time(delay))
        }
        RelayProgram::PerVolume { volume, on } => {
            format!("On for {} after every {} of water.", time(on), show::volume(volume.nl(), site.units))
        }
        RelayProgram::WhileOffline(tank) => format!("On while {tank} does not serve."),
        RelayProgram::WhileNoneServing => "On while no tank serves.".to_owned(),
        RelayProgram::WhileFlow => "On while water flows.".to_owned(),
        RelayProgram::Isolate(set) => format!(
            "On while the valve of {} is lost where it may discharge, draw brine or pass hard water: closes the supply.",
            tanks(set)
        ),
        RelayProgram::FailSafe => "On while no critical alarm stands; off when power fails.".to_owned(),
    };
    let mut text = on;
    if relay.inverted {
        text += " On means that its coil is off.";
    }
    for (name, length) in
        [("at least on", relay.min_on), ("at least off", relay.min_off), ("at most on", relay.longest_on)]
    {
        if length.0 > 0 {
            text += &format!(" {} {}.", words::sentence(name), time(length));
        }
    }
    text
}
