//! Writes what happens as sections of a scenario file, so that what was done or found can be run again.

use std::fmt::Write as _;

use bedkeeper::journal::Who;
use bedkeeper::lock::Key;
use bedkeeper::operator::AlarmAction;
use bedkeeper::units::Hardness;
use bedkeeper::watch::StoreWear;
use bedkeeper::{Action, Settings};

use super::event::Deed;
use crate::demand::Draw;
use crate::physics::brine_tank::FloatFault;
use crate::plant::WhichValve;
use crate::process::PlantChange;

/// A steady flow as a section of a scenario file; `end_ms` is the end of the run.
#[must_use]
pub fn flow_section(draw: &Draw, end_ms: u64) -> String {
    let mut text = format!("[[flow]]\nfrom = \"+{} ms\"\n", draw.from_ms);
    if draw.to_ms < end_ms {
        let _ = writeln!(text, "to = \"+{} ms\"", draw.to_ms);
    }
    let _ = writeln!(text, "rate = \"{} mL/min\"", draw.ml_per_min);
    if let Some(meter) = draw.meter {
        let _ = writeln!(text, "meter = {meter}");
    }
    text
}

/// What happens at a moment as a section of a scenario file. New settings cannot be written so, and are told as a comment.
#[must_use]
pub fn event_section(at_ms: u64, deed: &Deed) -> String {
    let mut text = format!("[[event]]\nat = \"+{at_ms} ms\"\n");
    // Writing to a string cannot fail.
    let mut line = |key: &str, value: String| {
        let _ = writeln!(text, "{key} = {value}");
    };
    let quoted = |value: &dyn std::fmt::Display| format!("{:?}", value.to_string());
    let ms = |ms: u64| format!("\"{ms} ms\"");
    let mut lasts = None;
    match deed {
        Deed::Contact { contact, closed, lasts_ms } => {
            line("contact", quoted(contact));
            line("closed", closed.to_string());
            lasts = *lasts_ms;
        }
        Deed::ClockSet(to) => line("clock", quoted(to)),
        Deed::ClockMoved(by) => {
            let sign = if *by < 0 { '-' } else { '+' };
            line("clock", format!("\"{sign}{} ms\"", by.unsigned_abs()));
        }
        Deed::ClockLost => line("clock", "\"lost\"".to_owned()),
        Deed::Operator(who, action) => {
            line("operator", quoted(&action_name(*action)));
            line("who", quoted(&who_name(*who)));
            if let Some(tank) = action.tank() {
                line("tank", tank.number().to_string());
            }
            // No wildcard: whoever adds an action decides here what it needs besides.
            match action {
                Action::Leave { days } => line("days", days.to_string()),
                Action::TestDrive { position, .. } => line("position", quoted(position)),
                Action::TestHardness { treated, feed, .. } => {
                    let hardness = |hardness: Hardness| format!("\"{} ug/L\"", hardness.0);
                    line("treated", hardness(*treated));
                    if let Some(feed) = feed {
                        line("feed", hardness(*feed));
                    }
                }
                Action::Alarm(AlarmAction::Acknowledge(alarm) | AlarmAction::Reset(alarm)) => {
                    line("alarm", quoted(alarm));
                }
                Action::TestRelay { relay, seconds } => {
                    line("relay", (relay + 1).to_string());
                    line("for", format!("\"{seconds} s\""));
                }
                Action::CountPulses { meter } => line("meter", (meter + 1).to_string()),
                Action::Caught { volume } => line("volume", format!("\"{} nL\"", volume.nl())),
                Action::StartNow(_)
                | Action::StartAtHour(_)
                | Action::Withdraw(_)
                | Action::StepForward(_)
                | Action::Abort(_)
                | Action::Hold(_)
                | Action::Release(_)
                | Action::TakeOut(_)
                | Action::PutBack(_)
                | Action::Vouch(_)
                | Action::ShutByHand(_)
                | Action::Return
                | Action::EndTest
                | Action::TestContacts
                | Action::ReplaceResin(_)
                | Action::BrineReady
                | Action::SaltFilled
                | Action::Alarm(AlarmAction::AcknowledgeAll | AlarmAction::Maintained) => {}
            }
        }
        Deed::Unlock(who, key) => {
            let key = match key {
                Key::Press => "press".to_owned(),
                Key::Code(code) => format!("code {code}"),
            };
            line("unlock", quoted(&key));
            line("who", quoted(&who_name(*who)));
        }
        Deed::Relock(who) => {
            line("relock", "true".to_owned());
            line("who", quoted(&who_name(*who)));
        }
        Deed::Settings { settings, .. } => return told(at_ms, settings),
        Deed::BadSettings => line("settings", "\"bad\"".to_owned()),
        Deed::Fault { valve, fault, lasts_ms } => {
            line("fault", quoted(fault));
            let (key, value) = valve_text(*valve);
            line(key, value);
            lasts = *lasts_ms;
        }
        Deed::Mend { valve, fault } => {
            line("mend", quoted(fault));
            let (key, value) = valve_text(*valve);
            line(key, value);
        }
        Deed::Power { off_ms, clock_kept, memory_kept } => line(
            "power",
            format!("{{ off = {}, clock_kept = {clock_kept}, memory_kept = {memory_kept} }}", ms(*off_ms)),
        ),
        Deed::Store(StoreWear { erasures, rated, fails }) => {
            line("store", format!("{{ erasures = {erasures}, rated = {rated}, fails = {fails} }}"));
        }
        Deed::Plant { change, lasts_ms } => {
            let (key, value) = change_text(*change);
            line(key, value);
            lasts = *lasts_ms;
        }
        Deed::MeterContact { meter, times, closed_ms, every_ms } => line(
            "meter_contact",
            format!(
                "{{ meter = {}, times = {times}, closed = {}, every = {} }}",
                meter + 1,
                ms(*closed_ms),
                ms(*every_ms)
            ),
        ),
    }
    if let Some(lasts) = lasts {
        line("lasts", ms(lasts));
    }
    text
}

/// What happens, in one line: as a scenario file says it.
pub(super) fn in_a_line(deed: &Deed) -> String {
    match deed {
        Deed::Settings { .. } => "settings".to_owned(),
        _ => event_section(0, deed).lines().skip(2).collect::<Vec<_>>().join(", "),
    }
}

fn valve_text(valve: WhichValve) -> (&'static str, String) {
    match valve {
        WhichValve::Tank(tank) => ("tank", tank.number().to_string()),
        WhichValve::Shared => ("valve", "\"shared\"".to_owned()),
    }
}

fn told(at_ms: u64, settings: &Settings) -> String {
    format!("# At +{at_ms} ms other settings were taken ({} tanks); they are not written here.\n", settings.tanks)
}

/// As scenario files name it; the journal says more about alarms.
fn action_name(action: Action) -> &'static str {
    match action {
        Action::Alarm(AlarmAction::Acknowledge(_)) => "acknowledge",
        Action::Alarm(AlarmAction::Reset(_)) => "reset",
        other => other.slug(),
    }
}

fn who_name(who: Who) -> &'static str {
    match who {
        Who::Panel => "panel",
        Who::Remote => "remote",
        Who::Serial => "serial",
    }
}

fn change_text(change: PlantChange) -> (&'static str, String) {
    let percent = |share: f64| format!("\"{} %\"", share * 100.0);
    match change {
        PlantChange::SaltBridge(there) => ("salt_bridge", there.to_string()),
        PlantChange::Float(fault) => ("float", format!("{:?}", float_name(fault))),
        PlantChange::AddSalt(kg) => ("add_salt", format!("\"{kg} kg\"")),
        PlantChange::SupplyKpa(kpa) => ("supply", format!("\"{kpa} kPa\"")),
        PlantChange::FeedHardnessMgL(mg_l) => ("feed_hardness", format!("\"{mg_l} mg/L\"")),
        PlantChange::TemperatureC(c) => ("temperature", format!("\"{c} °C\"")),
        PlantChange::LeakPastBed(share) => ("leak_past_bed", percent(share)),
        PlantChange::LeakToDrain(share) => ("leak_to_drain", percent(share)),
    }
}

fn float_name(fault: FloatFault) -> &'static str {
    match fault {
        FloatFault::None => "free",
        FloatFault::StuckOpen => "stuck-open",
        FloatFault::StuckShut => "stuck-shut",
    }
}
