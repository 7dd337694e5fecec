//! Settings out of a board and into it.

use std::path::Path;
use std::process::ExitCode;

use bedkeeper::image::Image;
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::settings::difference;
use bedkeeper_runtime::link::message::Taken;
use bedkeeper_runtime::link::telling;
use clap::Args;
use serde_json::json;

use super::cli::{Failed, Look, connect};
use super::client::{Client, LinkError, Taking};
use crate::cli::{Difference, EXIT_NO, Style, differing, leaves, print, read_packed, sum_text, write_new};

/// What to push, and what of it.
#[derive(Debug, Args)]
pub struct PushArgs {
    /// A site file, a bundled site, or an image
    settings: String,
    /// Only show what would change; exit code 1 if something would
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    taken: TakenArgs,
    /// The rules and codes of the locks come too; otherwise the board's own stay
    #[arg(long)]
    take_locks: bool,
}

/// Where to copy to, and what.
#[derive(Debug, Args)]
pub struct CopyArgs {
    /// The other board's port
    to: String,
    /// Only show what would change there; exit code 1 if something would
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    taken: TakenArgs,
}

#[derive(Debug, Args)]
struct TakenArgs {
    /// The board's own step times stay, as far as its steps are the same
    #[arg(long)]
    keep_step_times: bool,
    /// The board may restart, where the settings describe another plant
    #[arg(long)]
    restart: bool,
}

/// How settings were taken.
pub(super) fn taken_text(taken: Taken) -> &'static str {
    match (taken.restarts, taken.is_stored) {
        (true, _) => "taken: the board restarts with them\n",
        (false, true) => "taken: they run now, and are stored\n",
        (false, false) => "taken: they run now, but could not be stored: a power cut brings the old ones back\n",
    }
}

/// Every setting that runs.
pub fn show(client: &mut Client, look: Look) -> Result<String, Failed> {
    let (image, _, sum) = client.settings()?;
    if look.json {
        let value = json!({"name": image.name, "note": image.note, "checksum": sum_text(sum), "settings": image.raw});
        return Ok(format!("{value:#}\n"));
    }
    let mut text = format!("checksum {}\n\n", sum_text(sum));
    for (path, value) in leaves(&image, look.units) {
        text += &format!("{path:34} {value}\n");
    }
    Ok(text)
}

/// The settings that run, to a file.
pub fn pull(client: &mut Client, file: &Path, force: bool, look: Look) -> Result<String, Failed> {
    let (image, bytes, sum) = client.settings()?;
    write_new(file, &bytes, force).map_err(Failed::Input)?;
    let locks = [image.raw.locks.panel, image.raw.locks.serial];
    let note = if locks.iter().any(|rule| matches!(rule, LockRule::Code(_))) {
        "codes of locks were left out: `settings push` leaves the board's own alone\n"
    } else {
        ""
    };
    if look.json {
        let value = json!({"image": file.display().to_string(), "bytes": bytes.len(), "checksum": sum_text(sum)});
        return Ok(format!("{value:#}\n"));
    }
    Ok(format!("{}: {} bytes, checksum {}\n{note}", file.display(), bytes.len(), sum_text(sum)))
}

/// Shows what a site or an image would change, and has it taken.
pub fn push(
    client: &mut Client,
    args: &PushArgs,
    key: Option<Key>,
    look: Look,
    style: &Style,
) -> Result<ExitCode, Failed> {
    let (offered, _) = read_packed(&args.settings, style)?;
    let taking = Taking {
        keep_step_times: args.taken.keep_step_times,
        keep_name: false,
        take_locks: args.take_locks,
        may_restart: args.taken.restart,
    };
    offer(client, offered, taking, args.dry_run, key, look)
}

/// Copies the settings of one board to another.
pub fn copy(
    client: &mut Client,
    args: &CopyArgs,
    baud: u32,
    key: Option<Key>,
    look: Look,
    style: &Style,
) -> Result<ExitCode, Failed> {
    let (offered, _, _) = client.settings()?;
    let mut other = connect(&args.to, baud, style)?;
    let taking = Taking {
        keep_step_times: args.taken.keep_step_times,
        keep_name: true,
        take_locks: false,
        may_restart: args.taken.restart,
    };
    offer(&mut other, offered, taking, args.dry_run, key, look)
}

/// What the board would run if it took what is offered.
fn would_run(running: &Image, offered: Image, taking: Taking) -> Image {
    let Image { mut name, mut note, mut raw } = offered;
    if taking.keep_name {
        (name, note) = (running.name.clone(), running.note.clone());
    }
    if !taking.take_locks {
        raw.locks = running.raw.locks;
    }
    let kinds = |image: &bedkeeper::RawSettings| image.program.iter().map(|step| step.kind).collect::<Vec<_>>();
    if taking.keep_step_times && kinds(&raw) == kinds(&running.raw) {
        raw.program = running.raw.program.clone();
    }
    Image { name, note, raw }
}

/// The checksum by which a board tells such settings.
fn checksum(image: &Image) -> Option<u32> {
    let mut buffer = [0; bedkeeper::image::MAX_BYTES];
    telling::image(&image.raw, &image.name, &image.note, &mut buffer).map(|(_, sum)| sum)
}

/// No answer came to settings that were offered: the board is asked which run. `wanted` is none where only the board knows.
pub(super) fn asked_again(
    client: &mut Client,
    before: u32,
    wanted: Option<u32>,
    look: Look,
) -> Result<ExitCode, Failed> {
    let running = client.running_after_all()?;
    let taken = wanted.map_or(running != before, |wanted| running == wanted);
    let what = match (taken, running == before) {
        (true, _) => "they run",
        (false, true) => "the settings from before run, and nothing was taken",
        (false, false) => "neither these settings run nor those from before",
    };
    let text = if look.json {
        format!("{:#}\n", json!({"taken": taken, "answered": false, "running": sum_text(running)}))
    } else {
        format!("no answer came, so the board was asked again: {what}\n")
    };
    let code = print(&text);
    Ok(if taken { code } else { ExitCode::from(EXIT_NO) })
}

/// Shows what would change on the board, and has it taken.
pub(super) fn offer(
    client: &mut Client,
    offered: Image,
    taking: Taking,
    dry_run: bool,
    key: Option<Key>,
    look: Look,
) -> Result<ExitCode, Failed> {
    let (running, _, sum) = client.settings()?;
    let wanted = would_run(&running, offered, taking);
    let changes = differing(&running, &wanted, look.units);
    let effect = difference(&running.raw, &wanted.raw).effect();
    let listed = || {
        let lines: Vec<_> =
            changes.iter().map(|Difference { path, from, to }| format!("{path}: {from} -> {to}\n")).collect();
        lines.concat() + &effect.map_or_else(String::new, |effect| format!("takes effect: {effect}\n"))
    };
    let changes_json =
        || changes.iter().map(|d| json!({"field": d.path, "from": d.from, "to": d.to})).collect::<Vec<_>>();
    if changes.is_empty() || dry_run {
        let text = match (look.json, changes.is_empty()) {
            (true, _) => {
                let value =
                    json!({"changes": changes_json(), "takes_effect": effect.map(|e| e.slug()), "taken": false});
                format!("{value:#}\n")
            }
            (false, true) => "nothing differs\n".to_owned(),
            (false, false) => listed(),
        };
        let code = print(&text);
        return Ok(if changes.is_empty() { code } else { ExitCode::from(EXIT_NO) });
    }
    let mut buffer = [0; bedkeeper::image::MAX_BYTES];
    let bytes = wanted.encode(&mut buffer).map_err(|error| Failed::Input(error.to_string()))?;
    if !look.json {
        print(&listed());
    }
    let taken = match client.behind_lock(key, |client| client.push(bytes, sum, taking)) {
        Err(LinkError::Unanswered) => return asked_again(client, sum, checksum(&wanted), look),
        taken => taken?,
    };
    let text = if look.json {
        let value = json!({"changes": changes_json(), "takes_effect": effect.map(|e| e.slug()), "taken": true,
            "restarts": taken.restarts, "stored": taken.is_stored});
        format!("{value:#}\n")
    } else {
        taken_text(taken).to_owned()
    };
    let code = print(&text);
    Ok(if taken.is_stored { code } else { ExitCode::from(EXIT_NO) })
}
