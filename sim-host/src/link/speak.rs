//! How a board speaks: its address for Modbus, the speed of its line, the units of its panel.

use std::time::Duration;

use bedkeeper::lock::Key;
use bedkeeper_runtime::link::message::Wish;
use bedkeeper_runtime::manners::{ADDRESSES, Manners, SPEEDS, Speed};
use bedkeeper_runtime::panel;
use clap::Args;
use serde_json::{Value, json};

use super::cli::{Failed, Look};
use super::client::{Client, LinkError};
use crate::cli::Units;

/// What shall be otherwise; nothing of it only shows what is.
#[derive(Debug, Args)]
pub struct LineArgs {
    /// The address for Modbus, 1 to 247
    #[arg(long, value_name = "N", value_parser = address)]
    address: Option<u8>,
    /// Bits a second that the board is to speak at: 9600, 19200, 38400, 57600 or 115200
    #[arg(long, value_name = "N", value_parser = speed)]
    speed: Option<u32>,
    /// Units of the board's panel
    #[arg(long, value_enum)]
    panel: Option<Units>,
}

fn address(text: &str) -> Result<u8, String> {
    let found = text.parse().ok().filter(|address| ADDRESSES.contains(address));
    found.ok_or_else(|| "is no address; write a number from 1 to 247".to_owned())
}

fn speed(text: &str) -> Result<u32, String> {
    let found = text.parse().ok().and_then(Speed::of).map(Speed::baud);
    let all: Vec<_> = SPEEDS.iter().map(|speed| speed.baud().to_string()).collect();
    found.ok_or_else(|| format!("is no speed of a board; write one of {}", all.join(", ")))
}

/// Shows how the board speaks, after it was told to speak otherwise where that is wanted.
pub fn line(client: &mut Client, args: &LineArgs, key: Option<Key>, look: Look) -> Result<String, Failed> {
    let units = args.panel.map(|units| match units {
        Units::Metric => panel::Units::Metric,
        Units::Us => panel::Units::Us,
    });
    let wish = Wish::Speak { address: args.address, baud: args.speed, units };
    if wish == (Wish::Speak { address: None, baud: None, units: None }) {
        let manners = client.manners()?;
        return Ok(match (manners, look.json) {
            (manners, true) => format!("{:#}\n", json!(manners.map(told))),
            (Some(manners), false) => format!("{}\n", words(&manners)),
            (None, false) => "the board does not say: its software is older than this program\n".to_owned(),
        });
    }
    let before = client.manners()?.unwrap_or_default();
    let wanted = Manners {
        units: units.unwrap_or(before.units),
        address: args.address.unwrap_or(before.address),
        speed: args.speed.and_then(Speed::of).unwrap_or(before.speed),
    };
    let opened = client.open(key)?;
    let is_made = match client.change(wish) {
        Ok(_) => true,
        Err(LinkError::Unanswered) => false,
        Err(error) => return Err(error.into()),
    };
    let found = asked_again(client, before, wanted)?;
    if opened {
        // What is not closed now closes by itself.
        let _ = client.change(Wish::Relock);
    }
    if let Some(why) = not_so(found, is_made, before, wanted) {
        return Err(Failed::Input(why));
    }
    if look.json {
        return Ok(format!("{:#}\n", told(wanted)));
    }
    let hint = if wanted.speed == before.speed {
        String::new()
    } else {
        format!("from now on: bedkeeper link --baud {} …\n", wanted.speed.baud())
    };
    Ok(format!("{}\n{hint}", words(&wanted)))
}

/// A board takes another speed once its answer has left.
const TURNS_MS: u64 = 100;

/// How the board says that it speaks after it was told to speak otherwise: asked at the speed that it should have by now, then
/// at the one from before. `None` if it answers at neither.
fn asked_again(client: &mut Client, before: Manners, wanted: Manners) -> Result<Option<Manners>, Failed> {
    for speed in [wanted.speed, before.speed] {
        client.line().pause(Duration::from_millis(TURNS_MS)).map_err(Failed::Input)?;
        client.line().set_baud(speed.baud()).map_err(Failed::Input)?;
        match client.manners() {
            Err(LinkError::NoAnswer) if wanted.speed != before.speed => {}
            Err(LinkError::NoAnswer) => return Ok(None),
            manners => return Ok(manners?),
        }
    }
    Ok(None)
}

/// What is to be said where it does not speak as it was told to.
fn not_so(found: Option<Manners>, is_made: bool, before: Manners, wanted: Manners) -> Option<String> {
    let (old, new) = (before.speed.baud(), wanted.speed.baud());
    Some(match found {
        Some(found) if found == wanted => return None,
        Some(found) => format!("the board was asked again, and nothing was changed: {}", words(&found)),
        None if is_made => format!(
            "the board said that it speaks so from the next frame on, and has not answered since at {new} baud\n  help: try \
             `--baud {new}` again; if your adapter cannot run at that speed, set another at the board's panel"
        ),
        None => format!(
            "no answer came, and the board answers neither at {new} baud nor at {old}: whether it speaks otherwise now is not \
             known\n  help: try `--baud {new} line` and `--baud {old} line`"
        ),
    })
}

/// How it speaks, in a line.
#[must_use]
pub fn words(manners: &Manners) -> String {
    let units = if manners.units == panel::Units::Metric { "metric" } else { "US" };
    let (thousands, rest) = (manners.speed.baud() / 1_000, manners.speed.baud() % 1_000);
    format!("Modbus address {}, {thousands} {rest:03} baud; panel in {units} units", manners.address)
}

/// The same as JSON.
#[must_use]
pub fn told(manners: Manners) -> Value {
    json!({"modbus_address": manners.address, "baud": manners.speed.baud(),
        "panel_units": if manners.units == panel::Units::Metric { "metric" } else { "us" }})
}
