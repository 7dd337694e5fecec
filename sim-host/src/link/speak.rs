//! How a board speaks: its address for Modbus, the speed of its line, the units of its panel.

use bedkeeper::lock::Key;
use bedkeeper_runtime::link::message::Wish;
use bedkeeper_runtime::manners::{ADDRESSES, Manners, SPEEDS, Speed};
use bedkeeper_runtime::panel;
use clap::Args;
use serde_json::{Value, json};

use super::cli::{Failed, Look};
use super::client::Client;
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
    // Not asked again afterwards: the board may speak at another speed by now. So is the lock left to close by itself then.
    let before = client.manners()?.unwrap_or_default();
    if args.speed.is_some_and(|baud| baud != before.speed.baud()) {
        client.open(key)?;
        client.change(wish)?;
    } else {
        client.behind_lock(key, |client| client.change(wish))?;
    }
    let speed = args.speed.and_then(Speed::of).unwrap_or(before.speed);
    let manners =
        Manners { units: units.unwrap_or(before.units), address: args.address.unwrap_or(before.address), speed };
    if look.json {
        return Ok(format!("{:#}\n", told(manners)));
    }
    let hint = if speed == before.speed {
        String::new()
    } else {
        format!("from now on: bedkeeper link --baud {} …\n", speed.baud())
    };
    Ok(format!("{}\n{hint}", words(&manners)))
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
