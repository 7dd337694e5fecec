//! `bedkeeper sheet`: the hand-over document to print and sign.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use super::page::Sheet;
use crate::cli::{EXIT_BAD_INPUT, Style, Units, keep_apart, load_site, print};

/// The hand-over document of a site: to print, to tick and to sign
///
/// SITE is a site file (TOML), `-` for standard input, or a bundled one such as demo:apartments. The page shows the
/// settings with the reason for each, the wiring, a normal week, the checks before handing over, and what each alarm
/// means. It is one HTML file, for A4 and Letter; a browser prints it or makes a PDF of it.
///
/// The normal week is replayed: with --recording, with a bundled site's own recording, or with generated water use.
///
/// Examples:
///   bedkeeper sheet site.toml -o handover.html
///   bedkeeper sheet site.toml --recording pulses.csv.gz -o handover.html
///
/// Exit code 0: written. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct SheetArgs {
    /// The site: a file, `-`, or a bundled one such as demo:apartments
    site: String,
    /// Where the page goes; `-` is standard output. An earlier sheet is replaced
    #[arg(long, short, value_name = "FILE", default_value = "handover.html")]
    out: PathBuf,
    /// Water use for the normal week: a recording of meter pulses
    #[arg(long, value_name = "RECORDING")]
    recording: Option<String>,
    /// The day that stands on the sheet, if not today
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<jiff::civil::Date>,
    /// Units of the sheet, if not those of the site file
    #[arg(long, value_enum)]
    units: Option<Units>,
}

/// Runs the verb.
#[must_use]
pub fn run(args: &SheetArgs, style: &Style) -> ExitCode {
    let mut site = match load_site(&args.site, style) {
        Ok(site) => site,
        Err(code) => return code,
    };
    site.units = args.units.map_or(site.units, Units::system);
    match written(args, &site) {
        Ok(Some(text)) => print(&text),
        Ok(None) => ExitCode::SUCCESS,
        Err(why) => {
            complain!("bedkeeper sheet: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// Writes the page; returns what goes to standard output.
fn written(args: &SheetArgs, site: &crate::site::Site) -> Result<Option<String>, String> {
    let recording = args.recording.as_deref();
    if args.site == "-" && recording == Some("-") {
        return Err("site and recording cannot both come from standard input; give a file for one of them".to_owned());
    }
    let read: Vec<_> = [("the site", Some(args.site.as_str())), ("the recording", recording)]
        .into_iter()
        .filter_map(|(what, name)| Some((what, Path::new(name?))))
        .collect();
    keep_apart(&read, &[("--out", &args.out)])?;
    let today = args.date.unwrap_or_else(|| jiff::ZonedDateTime::now().date());
    let sheet = Sheet::new(site, &args.site, recording, Some(today)).map_err(|error| error.to_string())?;
    let page = sheet.html().map_err(|error| error.to_string())?;
    if args.out.as_os_str() == "-" {
        return Ok(Some(page));
    }
    let file = args.out.display();
    std::fs::File::create(&args.out)
        .and_then(|mut out| out.write_all(page.as_bytes()))
        .map_err(|error| format!("{file}: cannot be written: {error}"))?;
    Ok(Some(format!(
        "written: {file}, settings hash {}\nOpen it in a browser and print it; A4 and Letter both fit.\n",
        sheet.settings_hash()
    )))
}
