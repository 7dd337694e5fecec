//! The journal, the regenerations and the days of use that a board keeps.

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::Happened;
use bedkeeper::journal::{Event, Record};
use bedkeeper::units::Instant;
use bedkeeper_runtime::link::message::{Answer, Request};
use clap::Args;
use serde_json::{Value, json};

use super::cli::Look;
use super::client::{Client, LinkError};
use super::told;
use super::words::civil;
use crate::quantity::show::{self, litres_exact};
use crate::wording;

/// How a log is printed.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// Print it as CSV
    #[arg(long, conflicts_with = "json")]
    pub(super) csv: bool,
}

/// Rows with their header as CSV.
pub(super) fn csv(header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Result<String, LinkError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let wrong = |error: csv::Error| LinkError::Line(error.to_string());
    writer.write_record(header).map_err(wrong)?;
    for row in rows {
        writer.write_record(row).map_err(wrong)?;
    }
    let bytes = writer.into_inner().map_err(|error| LinkError::Line(error.to_string()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The records from a number on, and the number to go on from.
///
/// # Errors
/// As [`Client::ask`].
pub fn records(client: &mut Client, from: u32) -> Result<(Vec<Record>, u32), LinkError> {
    client.pages(
        from,
        |from| Request::Records { from },
        |answer| match answer {
            Answer::Records(page) => Some(page),
            _ => None,
        },
    )
}

/// When something was: civil time, or time of the logic's own clock.
pub(super) fn when(at: Instant, known: Option<Civil>) -> String {
    known.map_or_else(|| format!("+{}", show::duration_brief(at.as_ticks())), civil)
}

/// The name of what happened.
fn kind(event: &Event) -> String {
    match serde_json::to_value(event) {
        Ok(Value::String(name)) => name,
        Ok(Value::Object(fields)) => fields.keys().next().cloned().unwrap_or_default(),
        _ => String::new(),
    }
}

/// The journal.
///
/// # Errors
/// As [`Client::ask`].
pub fn journal(client: &mut Client, args: &LogArgs, look: Look) -> Result<String, LinkError> {
    let (records, _) = records(client, 0)?;
    if look.json {
        let told: Vec<_> = records.iter().map(told::record).collect();
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    if args.csv {
        let rows = records.iter().map(|record| {
            let ms = record.at.as_ticks();
            vec![
                record.civil.map(civil).unwrap_or_default(),
                format!("{}.{:03}", ms / 1_000, ms % 1_000),
                wording::tank_of(&record.event).map(|tank| tank.number().to_string()).unwrap_or_default(),
                kind(&record.event),
                wording::sentence(&record.event),
            ]
        });
        return csv(&["civil", "logic_s", "tank", "event", "text"], rows);
    }
    Ok(records
        .iter()
        .map(|record| format!("{}  {}\n", when(record.at, record.civil), wording::sentence(&record.event)))
        .collect())
}

/// The regenerations.
///
/// # Errors
/// As [`Client::ask`].
pub fn regenerations(client: &mut Client, args: &LogArgs, look: Look) -> Result<String, LinkError> {
    let (all, _) = client.pages(
        0,
        |from| Request::Regenerations { from },
        |answer| match answer {
            Answer::Regenerations(page) => Some(page),
            _ => None,
        },
    )?;
    let began =
        |minute: Option<u32>| minute.map(|minute| civil(bedkeeper::calendar::Civil(u64::from(minute) * 60_000)));
    if look.json {
        let told: Vec<_> = all
            .iter()
            .map(|r| {
                let steps: Vec<_> =
                    r.steps.iter().map(|step| json!({"step": step.kind, "ran_s": step.ran_s})).collect();
                json!({"tank": r.tank.number(), "began": began(r.began_minute), "took_min": r.took_minutes,
                    "cause": r.leading, "causes": r.causes.iter().map(|cause| cause.slug()).collect::<Vec<_>>(),
                    "outcome": r.outcome.slug(), "volume_l": litres_exact(r.volume.nl().into()),
                    "overrun_l": litres_exact(r.overrun.nl().into()), "salt_mg": r.salt.0, "drained_ml": r.drained_ml,
                    "steps": steps})
            })
            .collect();
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    if args.csv {
        let header = [
            "tank",
            "began",
            "took_min",
            "cause",
            "all_causes",
            "outcome",
            "volume_l",
            "overrun_l",
            "salt_kg",
            "drain_water_l",
            "steps_s",
        ];
        let rows = all.iter().map(|r| {
            let causes: Vec<_> = r.causes.iter().map(|cause| cause.slug()).collect();
            let steps: Vec<_> = r.steps.iter().map(|step| format!("{} {}", step.kind, step.ran_s)).collect();
            vec![
                r.tank.number().to_string(),
                began(r.began_minute).unwrap_or_default(),
                r.took_minutes.to_string(),
                r.leading.slug().to_owned(),
                causes.join(" "),
                r.outcome.slug().to_owned(),
                litres_exact(r.volume.nl().into()),
                litres_exact(r.overrun.nl().into()),
                format!("{}.{:06}", r.salt.0 / 1_000_000, r.salt.0 % 1_000_000),
                format!("{}.{:03}", r.drained_ml / 1_000, r.drained_ml % 1_000),
                steps.join("; "),
            ]
        });
        return csv(&header, rows);
    }
    let line = |r: &bedkeeper::chronicle::RegenerationRecord| {
        format!(
            "{}  {}: {} after {}, for {}; {} of salt, {} to drain\n",
            began(r.began_minute).unwrap_or_else(|| "time unknown".to_owned()),
            r.tank,
            r.outcome.slug(),
            show::volume(r.volume.nl(), look.units),
            r.leading,
            show::mass(u64::from(r.salt.0), look.units),
            show::volume(u64::from(r.drained_ml) * 1_000_000, look.units),
        )
    };
    let text: String = all.iter().map(line).collect();
    Ok(if text.is_empty() { "no regeneration is kept yet\n".to_owned() } else { text })
}

/// What happened, as the journal would have it.
fn event_of(what: Happened) -> Event {
    match what {
        Happened::Raised(alarm) => Event::AlarmRaised(alarm),
        Happened::Latched(alarm) => Event::AlarmLatched(alarm),
        Happened::Cleared(alarm) => Event::AlarmCleared(alarm),
        Happened::Asked { who, action, granted } => Event::Operator { who, action, granted },
        Happened::SettingsChanged { who } => Event::SettingsChanged { who },
        Happened::BaselineStored { who } => Event::BaselineStored { who },
        Happened::SettingsAwaitRestart { who } => Event::SettingsAwaitRestart { who },
        Happened::AskedOfBoard { who, wish, granted } => Event::AskedOfBoard { who, wish, granted },
    }
}

/// Alarms that came and went, and what operators asked for.
///
/// # Errors
/// As [`Client::ask`].
pub fn history(client: &mut Client, args: &LogArgs, look: Look) -> Result<String, LinkError> {
    let (all, _) = client.pages(
        0,
        |from| Request::Happenings { from },
        |answer| match answer {
            Answer::Happenings(page) => Some(page),
            _ => None,
        },
    )?;
    let at = |at_s: Option<u32>| at_s.map(|s| civil(bedkeeper::calendar::Civil(u64::from(s) * 1_000)));
    let text = |what| wording::sentence(&event_of(what));
    if look.json {
        let told: Vec<_> = all
            .iter()
            .map(|h| json!({"civil": at(h.at_s), "event": told::event(&event_of(h.what)), "text": text(h.what)}))
            .collect();
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    if args.csv {
        let rows = all.iter().map(|h| vec![at(h.at_s).unwrap_or_default(), kind(&event_of(h.what)), text(h.what)]);
        return csv(&["civil", "event", "text"], rows);
    }
    let line = |at: Option<String>| at.unwrap_or_else(|| "time unknown".to_owned());
    let lines: String = all.iter().map(|h| format!("{}  {}\n", line(at(h.at_s)), text(h.what))).collect();
    Ok(if lines.is_empty() { "nothing is kept yet\n".to_owned() } else { lines })
}

/// Water used, day by day.
///
/// # Errors
/// As [`Client::ask`].
pub fn days(client: &mut Client, args: &LogArgs, look: Look) -> Result<String, LinkError> {
    let (all, _) = client.pages(
        0,
        |from| Request::Days { from },
        |answer| match answer {
            Answer::Days(page) => Some(page),
            _ => None,
        },
    )?;
    if look.json {
        let told: Vec<_> = all
            .iter()
            .map(|day| json!({"began": wording::date_text(day.day), "litres": day.litres, "lesson": day.lesson}))
            .collect();
        return Ok(format!("{:#}\n", Value::from(told)));
    }
    if args.csv {
        let rows = all
            .iter()
            .map(|day| vec![wording::date_text(day.day), day.litres.to_string(), day.lesson.slug().to_owned()]);
        return csv(&["began", "litres", "lesson"], rows);
    }
    let line = |day: &bedkeeper::reserve::DayUse| {
        let used = show::volume(u64::from(day.litres) * 1_000_000_000, look.units);
        format!("{}  {used}  {}\n", wording::date_text(day.day), day.lesson)
    };
    let text: String = all.iter().map(line).collect();
    Ok(if text.is_empty() { "no day is over yet\n".to_owned() } else { text })
}
