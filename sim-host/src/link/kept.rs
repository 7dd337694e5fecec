//! What a board keeps of its site for good: its own baseline, the signed record of the first start, the hardness tests.

use std::process::ExitCode;

use bedkeeper::commission::SignedOff;
use bedkeeper::hardness_log::HardnessEntry;
use bedkeeper::lock::Key;
use bedkeeper::units::Hardness;
use bedkeeper_runtime::baseline::Baseline;
use bedkeeper_runtime::link::message::{Answer, Request, Wish};
use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::cli::{Failed, Look};
use super::client::{Client, LinkError};
use super::logs::{LogArgs, csv, when};
use super::transfer::{asked_again, taken_text};
use super::words::civil;
use crate::cli::{EXIT_NO, print, printable};
use crate::quantity::show::{self, litres_exact};

/// The site's own baseline.
#[derive(Debug, Subcommand)]
pub enum BaselineVerb {
    /// Store the settings that run as the site's baseline, in the place of the one before
    Store,
    /// Return to the site's baseline, whole or not at all; the locks and their codes stay
    Reset(ResetArgs),
}

/// Where to.
#[derive(Debug, Args)]
pub struct ResetArgs {
    /// To the baseline that every board has, a single tank that starts nothing by itself
    #[arg(long)]
    built_in: bool,
    /// The board may restart, where the baseline describes another plant
    #[arg(long)]
    restart: bool,
}

/// Stores the site's baseline, or returns to one (O3).
pub fn baseline(client: &mut Client, verb: &BaselineVerb, key: Option<Key>, look: Look) -> Result<ExitCode, Failed> {
    let ResetArgs { built_in, restart: may_restart } = match verb {
        BaselineVerb::Store => {
            client.behind_lock(key, |client| client.change(Wish::StoreBaseline))?;
            let stored = "stored: the settings that run are the site's baseline\n".to_owned();
            return Ok(print(&if look.json { format!("{:#}\n", json!({"stored": true})) } else { stored }));
        }
        BaselineVerb::Reset(args) => args,
    };
    let baseline = if *built_in { Baseline::BuiltIn } else { Baseline::Site };
    let wish = Wish::ResetTo { baseline, may_restart: *may_restart };
    let before = client.identity()?.settings;
    let taken = match client.behind_lock(key, |client| client.take(wish)) {
        Err(LinkError::Unanswered) => return asked_again(client, before, None, look),
        taken => taken?,
    };
    let text = if look.json {
        format!("{:#}\n", json!({"taken": true, "restarts": taken.restarts, "stored": taken.is_stored}))
    } else {
        taken_text(taken).to_owned()
    };
    let code = print(&text);
    Ok(if taken.is_stored { code } else { ExitCode::from(EXIT_NO) })
}

/// A hardness as JSON, in mg/L as CaCO3, exactly.
fn mg(hardness: Hardness) -> String {
    format!("{}.{:03}", hardness.0 / 1_000, hardness.0 % 1_000)
}

/// The hardness tests that the board keeps (O6).
///
/// # Errors
/// As [`Client::ask`].
pub fn tests(client: &mut Client, args: &LogArgs, look: Look) -> Result<String, LinkError> {
    let Answer::HardnessTests(tests) = client.ask(&Request::HardnessTests)? else { return Err(LinkError::Unexpected) };
    if look.json {
        let told: Vec<_> = tests
            .iter()
            .map(|test| {
                json!({"tank": test.tank.number(), "at_ms": test.at.as_ticks(), "civil": test.civil.map(civil),
                    "treated_mg_per_l": mg(test.treated), "feed_mg_per_l": test.feed.map(mg),
                    "left_l": litres_exact(test.left.nl().into()), "kept_per_mille": test.changed_to_per_mille})
            })
            .collect();
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    if args.csv {
        let rows = tests.iter().map(|test| {
            vec![
                test.civil.map(civil).unwrap_or_default(),
                test.tank.number().to_string(),
                mg(test.treated),
                test.feed.map(mg).unwrap_or_default(),
                litres_exact(test.left.nl().into()),
                test.changed_to_per_mille.map(|share| share.to_string()).unwrap_or_default(),
            ]
        });
        return csv(&["civil", "tank", "treated_mg_per_l", "feed_mg_per_l", "left_l", "kept_per_mille"], rows);
    }
    let lines: String = tests.iter().map(|test| test_line(test, look)).collect();
    Ok(if lines.is_empty() { "no hardness test is kept yet\n".to_owned() } else { lines })
}

fn test_line(test: &HardnessEntry, look: Look) -> String {
    let hardness = |hardness: Hardness| show::hardness(u64::from(hardness.0), look.units);
    let feed = test.feed.map(|feed| format!(", {} in the feed", hardness(feed))).unwrap_or_default();
    let share = test
        .changed_to_per_mille
        .map(|share| format!("; {}.{} % of the set capacity is reckoned with since", share / 10, share % 10));
    format!(
        "{}  {}: {} behind it{feed}, when {} should have been left{}\n",
        when(test.at, test.civil),
        test.tank,
        hardness(test.treated),
        show::volume(test.left.nl(), look.units),
        share.unwrap_or_default(),
    )
}

/// The signed record of the first start (O6).
///
/// # Errors
/// As [`Client::ask`].
pub fn signed(client: &mut Client, look: Look) -> Result<String, LinkError> {
    let Answer::Signed(signed) = client.ask(&Request::Signed)? else { return Err(LinkError::Unexpected) };
    if look.json {
        let told = signed.map(|record| {
            json!({"by": record.by.as_str(), "civil": record.at.map(civil),
                "left_out": record.skipped.iter().collect::<Vec<_>>(),
                "meter": record.meter.map(|check| json!({"pulses": check.pulses,
                    "caught_l": litres_exact(check.caught.nl().into()), "error_per_mille": check.error_per_mille})),
                "hardness": record.hardness.map(|test| json!({"feed_mg_per_l": mg(test.feed),
                    "treated_mg_per_l": mg(test.treated)}))})
        });
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    Ok(signed.map_or_else(|| "no first start was signed\n".to_owned(), |record| signed_text(&record, look)))
}

fn signed_text(record: &SignedOff, look: Look) -> String {
    let at = record.at.map_or_else(|| "at a time unknown".to_owned(), civil);
    let mut text = format!("signed by {}, {at}\n", printable(&record.by));
    if let Some(check) = record.meter {
        let off = check.error_per_mille.unsigned_abs();
        let much = if check.error_per_mille < 0 { "little" } else { "much" };
        let caught = show::volume(check.caught.nl(), look.units);
        text +=
            &format!("meter: {} pulses for {caught} caught, {}.{} % too {much}\n", check.pulses, off / 10, off % 10);
    }
    if let Some(test) = record.hardness {
        let hardness = |hardness: Hardness| show::hardness(u64::from(hardness.0), look.units);
        text += &format!("hardness: {} in the feed, {} behind\n", hardness(test.feed), hardness(test.treated));
    }
    for task in record.skipped.iter() {
        text += &format!("left out: {task}\n");
    }
    text
}
