//! Status, reasons, alarms and counters, for people and as JSON.

use bedkeeper::demand::Hold;
use bedkeeper::drive::Motion;
use bedkeeper::journal::Record;
use bedkeeper::lifetime::ValveLife;
use bedkeeper::units::TankId;
use bedkeeper_runtime::link::message::{Answer, Counters, Identity, Request, Status, TankStatus, WantsKey};
use bedkeeper_runtime::manners::Manners;
use serde_json::{Value, json};

use super::cli::Look;
use super::client::{Client, LinkError};
use super::speak;
use super::told;
use super::words::{civil, wants_key, when};
use crate::cli::{printable, sum_text};
use crate::quantity::show::{self, litres_exact};
use crate::wording;

fn pretty(value: &Value) -> String {
    format!("{value:#}\n")
}

fn joined<T: std::fmt::Display>(names: impl Iterator<Item = T>) -> String {
    let names: Vec<_> = names.map(|name| name.to_string()).collect();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

/// Who the board is and what the plant does.
pub fn status(identity: &Identity, manners: Option<Manners>, status: &Status, look: Look) -> String {
    if look.json {
        let board = identity_json(identity, manners);
        return pretty(&json!({"board": board, "plant": status_json(status)}));
    }
    let mut text = format!("{}\n", printable(&identity.name));
    if !identity.note.is_empty() {
        text += &identity.note.lines().map(|line| format!("{}\n", printable(line))).collect::<String>();
    }
    text += &format!(
        "{}, software {}, up for {}; settings {}; key of the lock: {}\n",
        printable(&identity.board),
        printable(&identity.software),
        show::duration_brief(identity.uptime_ms),
        sum_text(identity.settings),
        if status.unlocked { "none needed now" } else { wants_key(identity.wants_key) },
    );
    if let Some(manners) = manners {
        text += &format!("{}\n", speak::words(&manners));
    }
    text + "\n" + &plant(status, look)
}

fn plant(status: &Status, look: Look) -> String {
    let clock = status.moment.civil.map_or_else(|| "clock not set".to_owned(), civil);
    let mut text = format!("{clock}\n");
    for (number, tank) in (1..).zip(&status.tanks) {
        text += &format!("tank {number}  {}\n", tank_line(status, tank, look));
    }
    let volume = |nl: u128| show::volume(u64::try_from(nl).unwrap_or(u64::MAX), look.units);
    let accounts = &status.accounts;
    text += &format!(
        "flow {}; {} since the regeneration hour; {} in all, {} of it untreated\n",
        show::flow(u64::from(status.flow.0), look.units),
        volume(status.used_today.nl().into()),
        volume(accounts.metered.0),
        volume(accounts.untreated.0),
    );
    let on = (1..).zip(status.relays).filter(|(_, on)| *on).map(|(number, _)| number);
    text += &format!("relays on: {}\n", joined(on));
    text += &alarms_line(status);
    if status.away {
        text += "people are away\n";
    }
    let next = status
        .next
        .map_or_else(|| "nothing is due".to_owned(), |at| format!("looks again {}", when(&status.moment, at)));
    text + &format!("{next}\n")
}

/// Which alarms stand, and which nobody has acknowledged.
pub(super) fn alarms_line(status: &Status) -> String {
    let known = if status.unacknowledged.is_empty() {
        String::new()
    } else {
        format!("; nobody has acknowledged {}", joined(status.unacknowledged.iter()))
    };
    format!("alarms: {}{known}\n", joined(status.alarms.iter()))
}

fn tank_line(status: &Status, tank: &TankStatus, look: Look) -> String {
    format!("{:12} {}", tank.duty.slug(), beside_duty(status, tank, look))
}

/// What there is to say of a tank beside its duty.
pub(super) fn beside_duty(status: &Status, tank: &TankStatus, look: Look) -> String {
    let mut text = match (tank.position, tank.target) {
        (_, Some(target)) => format!("valve goes to {target}"),
        (Some(at), None) => format!("valve in {at}"),
        (None, None) if tank.is_lost => "valve lost".to_owned(),
        (None, None) => "valve between positions".to_owned(),
    };
    if let Some(step) = tank.step {
        let ends = tank.step_ends.map_or_else(String::new, |at| format!(" until {}", when(&status.moment, at)));
        text += &format!("; {step}{ends}");
    }
    let left = show::volume(tank.left.nl(), look.units);
    text += &format!("; {left} left, {} % spent", tank.spent_percent);
    if !tank.causes.is_empty() {
        text += &format!("; asked for: {}", joined(tank.causes.iter()));
    }
    if !tank.holds.is_empty() {
        text += &format!("; held by {}", joined(tank.holds.iter()));
    }
    if tank.is_held && !tank.holds.contains(Hold::OperatorHold) {
        text += "; held by an operator, should anything be asked";
    }
    if tank.is_unproven {
        text += "; unproven";
    }
    if tank.is_leaving {
        text += "; goes out once another has taken over";
    }
    text
}

fn identity_json(identity: &Identity, manners: Option<Manners>) -> Value {
    let lock = match identity.wants_key {
        WantsKey::Nothing => "nothing",
        WantsKey::Press => "press",
        WantsKey::Code => "code",
    };
    json!({
        "board": identity.board.as_str(), "software": identity.software.as_str(), "image_version": identity.image_version,
        "name": identity.name.as_str(), "note": identity.note.as_str(), "settings": sum_text(identity.settings),
        "tanks": identity.tanks, "tanks_at_most": identity.tanks_at_most, "uptime_ms": identity.uptime_ms,
        "lock": lock, "line": manners.map(speak::told),
    })
}

fn slugs<T: std::fmt::Display>(names: impl Iterator<Item = T>) -> Vec<String> {
    names.map(|name| name.to_string()).collect()
}

/// What a motor is told.
fn motion(motion: Motion) -> &'static str {
    match motion {
        Motion::Off => "off",
        Motion::Forward => "forward",
        Motion::Reverse => "reverse",
    }
}

fn status_json(status: &Status) -> Value {
    let at = |at: Option<bedkeeper::units::Instant>| at.map(|at| when(&status.moment, at));
    let tanks: Vec<_> = status
        .tanks
        .iter()
        .map(|tank| {
            json!({
                "duty": tank.duty, "step": tank.step, "step_ends": at(tank.step_ends), "position": tank.position,
                "target": tank.target, "motion": motion(tank.motion), "valve_lost": tank.is_lost,
                "left_l": litres_exact(tank.left.nl().into()), "asks_in_l": litres_exact(tank.asks_in.nl().into()),
                "since_regeneration_l": litres_exact(tank.since_regeneration.nl().into()),
                "overrun_l": litres_exact(tank.overrun.nl().into()), "estimated_l": litres_exact(tank.estimated.nl().into()),
                "spent_percent": tank.spent_percent, "causes": slugs(tank.causes.iter()), "holds": slugs(tank.holds.iter()),
                "unproven": tank.is_unproven, "held": tank.is_held, "leaving": tank.is_leaving,
            })
        })
        .collect();
    let accounts = &status.accounts;
    json!({
        "clock": status.moment.civil.map(civil), "at_ms": status.moment.at.as_ticks(), "tanks": tanks,
        "flow_ml_min": status.flow.0, "used_today_l": litres_exact(status.used_today.nl().into()),
        "metered_l": litres_exact(accounts.metered.0), "charged_l": litres_exact(accounts.charged.0),
        "blended_l": litres_exact(accounts.blended.0), "untreated_l": litres_exact(accounts.untreated.0),
        "drained_l": litres_exact(accounts.drained.0), "past_zero_l": litres_exact(accounts.past_zero.0),
        "estimated_l": litres_exact(accounts.estimated.0),
        "alarms": slugs(status.alarms.iter()), "unacknowledged": slugs(status.unacknowledged.iter()),
        "relays": status.relays, "next": at(status.next), "brine_water_l": litres_exact(status.brine_water.nl().into()),
        "unlocked": status.unlocked, "away": status.away, "records_lost": status.records_lost,
    })
}

/// One look of a watch: what was journalled since the last, and the status.
pub fn watched(status: &Status, records: &[Record], look: Look) -> String {
    if look.json {
        let records: Vec<_> = records.iter().map(told::record).collect();
        return format!("{}\n", json!({"records": records, "plant": status_json(status)}));
    }
    let mut text = String::new();
    for record in records {
        text += &format!("  {}\n", wording::sentence(&record.event));
    }
    let clock = status.moment.civil.map_or_else(|| "clock not set".to_owned(), civil);
    text += &format!("{clock}  flow {}", show::flow(u64::from(status.flow.0), look.units));
    for (number, tank) in (1..).zip(&status.tanks) {
        let step = tank.step.map_or_else(String::new, |step| format!(" ({step})"));
        text += &format!("  {number} {}{step} {} left", tank.duty, show::volume(tank.left.nl(), look.units));
    }
    if !status.alarms.is_empty() {
        text += &format!("  alarms: {}", joined(status.alarms.iter()));
    }
    text + "\n"
}

/// Everything asked of a tank, or of all, and everything that holds it.
///
/// # Errors
/// As [`Client::ask`].
pub fn why(client: &mut Client, tank: Option<u8>, look: Look) -> Result<String, LinkError> {
    let tanks = match tank {
        Some(number) => vec![TankId(number.checked_sub(1).unwrap_or(u8::MAX))],
        None => (0..client.identity()?.tanks).map(TankId).collect(),
    };
    let (mut text, mut all) = (String::new(), Vec::new());
    for id in tanks {
        let Answer::Why { moment, regenerates, why } = client.why(id)? else { return Err(LinkError::Unexpected) };
        if look.json {
            let holds: Vec<_> = why
                .holds
                .iter()
                .map(|standing| {
                    json!({"hold": standing.hold, "until": standing.hold.cleared_by(),
                        "clears": standing.clears_at.map(|at| when(&moment, at))})
                })
                .collect();
            all.push(json!({"tank": id.number(), "regenerates": regenerates, "causes": slugs(why.causes.iter()),
                "asked": why.asked_at.map(|at| when(&moment, at)), "holds": holds, "leaving": why.leaving}));
            continue;
        }
        let causes = joined(why.causes.iter());
        text += &match (why.causes.is_empty(), regenerates) {
            (true, false) => format!("{id}: nothing is asked of it\n"),
            (_, true) => format!("{id} regenerates, asked for: {causes}\n"),
            (false, false) => {
                let asked = why.asked_at.map_or_else(String::new, |at| format!(" since {}", when(&moment, at)));
                format!("{id} is asked for{asked}: {causes}\n")
            }
        };
        for standing in &why.holds {
            let clears = standing.clears_at.map_or_else(String::new, |at| format!(", {}", when(&moment, at)));
            text += &format!("  {}: until {}{clears}\n", standing.hold, standing.hold.cleared_by());
        }
        if why.leaving {
            text += &format!("  {}\n", wording::LEAVING);
        }
        let taken = wording::derating_text(why.derating.by_age_per_mille(), why.derating.by_tests_per_mille());
        if why.derating.by_age_per_mille() + why.derating.by_tests_per_mille() > 0 {
            text += &format!("  its capacity is reckoned less: {taken}\n");
        }
    }
    Ok(if look.json { pretty(&Value::from(all)) } else { text })
}

/// Alarms that stand or wait to be acknowledged.
///
/// # Errors
/// As [`Client::ask`].
pub fn alarms(client: &mut Client, look: Look) -> Result<String, LinkError> {
    let Answer::Alarms { moment, alarms } = client.ask(&Request::Alarms)? else { return Err(LinkError::Unexpected) };
    if look.json {
        let alarms: Vec<_> = alarms
            .iter()
            .map(|(alarm, state)| {
                let tanks: Vec<_> =
                    (0..8).map(TankId).filter(|tank| state.tanks.contains(*tank)).map(TankId::number).collect();
                json!({"alarm": alarm, "phase": state.phase, "severity": state.severity, "latched": state.is_latched,
                    "since": state.since.map(|at| when(&moment, at)), "tanks": tanks, "happened": alarm.happened(),
                    "done": alarm.done(), "look": alarm.look()})
            })
            .collect();
        return Ok(pretty(&Value::from(alarms)));
    }
    if alarms.is_empty() {
        return Ok("no alarm stands, and none waits to be acknowledged\n".to_owned());
    }
    let mut text = String::new();
    for (alarm, state) in &alarms {
        let tanks = (0..8).map(TankId).filter(|tank| state.tanks.contains(*tank));
        let tanks = if state.tanks.is_empty() { String::new() } else { format!(", {}", joined(tanks)) };
        let since = state.since.map_or_else(String::new, |at| format!(", since {}", when(&moment, at)));
        text += &format!("{alarm} ({}, {}{tanks}{since})\n", state.severity, state.phase);
        text += &format!("  {} {}\n  {}\n", alarm.happened(), alarm.done(), alarm.look());
    }
    Ok(text)
}

fn valve_line(life: &ValveLife) -> String {
    let driven = show::duration_brief(u64::from(life.driven_s) * 1_000);
    format!("completed regenerations: {}; moves: {}; driven for {driven}", life.regenerations, life.moves)
}

/// What valves and relays have done.
pub fn counters(counters: &Counters, look: Look) -> String {
    if look.json {
        return pretty(&json!({"valves": counters.valves.as_slice(), "shared_valve": counters.shared,
            "relays": counters.relays, "store_erasures": counters.erasures}));
    }
    let mut text = String::new();
    for (number, life) in (1..).zip(&counters.valves) {
        text += &format!("tank {number}: {}\n", valve_line(life));
    }
    if counters.shared != ValveLife::default() {
        text += &format!("shared valve: {}\n", valve_line(&counters.shared));
    }
    for (number, life) in (1..).zip(&counters.relays) {
        let on = show::duration_brief(u64::from(life.energised_s) * 1_000);
        text += &format!("relay {number}: times energised: {}; for {on}\n", life.energisations);
    }
    text + &format!("store: erasures of its page erased most: {}\n", counters.erasures)
}
