//! Asks for something as an operator, and tells what was granted and what comes next (Q5, S8).

use bedkeeper::Action;
use bedkeeper::journal::Event;
use bedkeeper::lock::Key;
use bedkeeper::operator::AlarmAction;
use bedkeeper::settings::MeterPlace;
use bedkeeper::units::TankId;
use bedkeeper_runtime::link::message::Wish;
use serde_json::{Value, json};

use super::actions::{DoArgs, Which};
use super::cli::{Failed, Look};
use super::client::{Client, LinkError};
use super::{logs, show};
use crate::quantity::show::volume;
use crate::wording;

/// Asks for it.
///
/// # Errors
/// It is not clear what is asked for, or the board does not grant it.
pub fn ask(client: &mut Client, args: &DoArgs, key: Option<Key>, look: Look) -> Result<String, Failed> {
    let tank = match args.tank() {
        Which::None => TankId(0),
        Which::Named(tank) => TankId(tank),
        Which::Ask => TankId(only("tank", &tanks(client)?)?),
    };
    let meter = match args.meter() {
        Which::None => 0,
        Which::Named(meter) => meter,
        Which::Ask => only("meter", &meters(client)?)?,
    };
    let action = args.action(tank, meter).map_err(Failed::Input)?;
    let what = wording::action_text(action);
    let asked = client.behind_lock(key, |client| client.change(Wish::Act(action)));
    asked.map_err(|error| Failed::About(what.clone(), error))?;
    let granted = format!("granted: {what}\n");
    // What was granted stays so, whatever becomes of the question what follows.
    let next = if look.json { next_json(client, action, look) } else { next_text(client, action, look) };
    match next {
        Ok(next) if look.json => Ok(next),
        Ok(next) => Ok(granted + &next),
        Err(error) => Err(Failed::After(granted, error)),
    }
}

/// The only one there is, or a question that names them.
fn only(what: &str, all: &[String]) -> Result<u8, Failed> {
    if all.len() == 1 {
        return Ok(0);
    }
    let named: Vec<_> = (1..).zip(all).map(|(number, more): (u8, _)| format!("--{what} {number}{more}")).collect();
    Err(Failed::Input(format!("which {what}? The site has {}: add {}", all.len(), named.join(", or "))))
}

/// The tanks, with what each does now.
fn tanks(client: &mut Client) -> Result<Vec<String>, LinkError> {
    Ok(client.status()?.tanks.iter().map(|tank| format!(" ({})", tank.duty)).collect())
}

fn meters(client: &mut Client) -> Result<Vec<String>, LinkError> {
    let (image, _, _) = client.settings()?;
    let count = if image.raw.meter.place == MeterPlace::PerTank { image.raw.tanks } else { 1 };
    Ok((0..count).map(|_| String::new()).collect())
}

fn next_json(client: &mut Client, action: Action, look: Look) -> Result<String, LinkError> {
    let mut told = json!({"granted": true, "action": action.slug(), "tank": action.tank().map(TankId::number)});
    if let Some(tank) = action.tank() {
        let why: Value = serde_json::from_str(&show::why(client, Some(tank.number()), look)?).unwrap_or_default();
        told["next"] = why[0].clone();
    }
    Ok(format!("{told:#}\n"))
}

/// What comes of it: the tank as it is now and what makes it wait, or what is to be done next.
fn next_text(client: &mut Client, action: Action, look: Look) -> Result<String, LinkError> {
    if let Some(tank) = action.tank() {
        let status = client.status()?;
        let told = status.tanks.get(tank.index()).ok_or(LinkError::Unexpected)?;
        let why = show::why(client, Some(tank.number()), look)?;
        return Ok(format!("now {}: {}\n{why}", told.duty, show::beside_duty(&status, told, look)));
    }
    Ok(match action {
        Action::Alarm(AlarmAction::Maintained) => "service-due begins anew\n".to_owned(),
        Action::Alarm(_) => show::alarms_line(&client.status()?),
        Action::Leave { days: 0 } => "backup days stretch to their limit until `do return`\n".to_owned(),
        Action::Leave { days } => format!("backup days stretch to their limit for {days} days, or until `do return`\n"),
        Action::Return => "beds that stood too long are flushed before they serve\n".to_owned(),
        Action::TestRelay { seconds, .. } => {
            format!("it is asked for during {seconds} s, within its own times; `do end-test` ends that\n")
        }
        Action::TestContacts => {
            "contacts are watched for five minutes, and nothing follows from them; `do end-test` ends that\n".to_owned()
        }
        Action::CountPulses { .. } => {
            "its pulses are counted for an hour at the most; when the water is caught: `do caught --volume \"100 L\"`\n"
                .to_owned()
        }
        Action::Caught { .. } => checked(client)?,
        Action::EndTest => "what was tried goes back to what the plant needs\n".to_owned(),
        Action::BrineReady => {
            let water = volume(client.status()?.brine_water.nl(), look.units);
            format!("its brine counts as ready, {water} of water in it\n")
        }
        _ => "the account of the salt begins anew\n".to_owned(),
    })
}

/// What the latest check of a meter found.
fn checked(client: &mut Client) -> Result<String, LinkError> {
    let (records, _) = logs::records(client, 0)?;
    let check = records.iter().rev().find(|record| matches!(record.event, Event::MeterChecked { .. }));
    Ok(check.map_or_else(String::new, |record| format!("{}\n", wording::sentence(&record.event))))
}
