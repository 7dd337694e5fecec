//! `bedkeeper pack`: the settings image that a board loads.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use bedkeeper::image::{Image, ImageError, MAX_BYTES, SiteName, SiteNote, checksum};
use bedkeeper::settings::difference;
use bedkeeper::units::Volume;
use clap::Args;
use serde_json::json;

use super::leaves::leaves;
use super::output::{FORCE_REPLACES, is_stdout, is_there, keep_apart};
use super::printable;
use super::replay::{Units, load_site};
use super::store::StorePages;
use super::{EXIT_BAD_INPUT, EXIT_NO, Style, print};
use crate::quantity::show::UnitSystem;
use crate::site::Site;

/// The settings image that a board loads: write one, read one back, or tell two apart
///
/// A site is a site file (TOML), `-`, or a bundled one such as demo:apartments. With --show and --diff an image may
/// stand in its place.
///
/// Examples:
///   bedkeeper pack site.toml --out settings.bkpr
///   bedkeeper pack --show settings.bkpr
///   bedkeeper pack --diff settings.bkpr site.toml
///
/// Exit code 0: done; of --diff: nothing differs. 1: something differs. 2: bad input.
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct PackArgs {
    /// The site to pack
    #[arg(required_unless_present_any = ["show", "diff"], conflicts_with_all = ["show", "diff"])]
    site: Option<String>,
    /// Where the image goes; `-` is standard output, and what is told of it then goes to standard error
    #[arg(long, short, value_name = "FILE", default_value = "settings.bkpr")]
    out: PathBuf,
    /// Replace the file if it is there
    #[arg(long)]
    force: bool,
    /// Show what an image or a site holds
    #[arg(long, value_name = "IMAGE", conflicts_with = "diff")]
    show: Option<String>,
    /// Show what differs between two images or sites
    #[arg(long, num_args = 2, value_names = ["FROM", "TO"])]
    diff: Vec<String>,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
    /// Units of --show and --diff, if not those of the site file; an image keeps none
    #[arg(long, value_enum)]
    units: Option<Units>,
}

/// Runs the verb.
pub fn run(args: &PackArgs, style: &Style) -> ExitCode {
    match pack(args, style) {
        Ok(code) => code,
        Err(Refused::Said(code)) => code,
        Err(Refused::Because(why)) => {
            complain!("bedkeeper pack: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// Why nothing was done.
enum Refused {
    /// It has been said already.
    Said(ExitCode),
    /// This is why.
    Because(String),
}

/// An image with what it was read from.
#[derive(Clone)]
struct Packed {
    image: Image,
    bytes: Vec<u8>,
    units: UnitSystem,
    /// Water of a day, where what it was read from says so.
    a_day: Option<Volume>,
}

impl Packed {
    /// The flash that a board needs for these settings; none where they do not pass their check.
    fn store(&self) -> Option<StorePages> {
        StorePages::of(&self.image.settings().ok()?, self.a_day, self.units).ok()
    }
}

fn pack(args: &PackArgs, style: &Style) -> Result<ExitCode, Refused> {
    if let [from, to] = args.diff.as_slice() {
        return Ok(tell_apart(&read(from, style)?, &read(to, style)?, args));
    }
    if let Some(text) = &args.show {
        return Ok(show_image(&read(text, style)?, args));
    }
    let name = args.site.as_deref().unwrap_or_default();
    keep_apart(&[("the site", Path::new(name))], &[("--out", &args.out)]).map_err(Refused::Because)?;
    let site = load_site(name, style).map_err(Refused::Said)?;
    let packed = of_site(&site)?;
    let to_stdout = is_stdout(&args.out);
    if to_stdout {
        let mut out = std::io::stdout();
        let written = out.write_all(&packed.bytes).and_then(|()| out.flush());
        written.map_err(|error| Refused::Because(format!("standard output: cannot be written: {error}")))?;
    } else {
        write_new(&args.out, &packed.bytes, args.force).map_err(Refused::Because)?;
    }
    let sum = sum_of(&packed);
    let text = if args.json {
        let file = args.out.display().to_string();
        let store = packed.store().map(|store| store.json());
        format!("{:#}\n", json!({"image": file, "bytes": packed.bytes.len(), "checksum": sum, "store": store}))
    } else {
        let store = packed.store().map_or_else(String::new, |store| format!("{}\n", store.sentence()));
        format!("{}: {} bytes, checksum {sum}\n{store}", args.out.display(), packed.bytes.len())
    };
    if to_stdout {
        complain!("{}", text.trim_end());
        return Ok(ExitCode::SUCCESS);
    }
    Ok(print(&text))
}

/// Writes a file that must not be there yet, unless it may be replaced.
///
/// # Errors
/// Why not, in words.
pub(crate) fn write_new(path: &Path, bytes: &[u8], force: bool) -> Result<(), String> {
    let mut open = std::fs::OpenOptions::new();
    open.write(true);
    let open = if force { open.create(true).truncate(true) } else { open.create_new(true) };
    let written = open.open(path).and_then(|mut file| file.write_all(bytes));
    written.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => is_there(path, FORCE_REPLACES),
        _ => format!("{}: cannot be written: {error}", path.display()),
    })
}

/// The checksum as people compare it.
#[must_use]
pub fn sum_text(sum: u32) -> String {
    let text = format!("{sum:08x}");
    let (first, second) = text.split_at(4);
    format!("{first} {second}")
}

fn sum_of(packed: &Packed) -> String {
    checksum(&packed.bytes).map_or_else(|error| error.to_string(), sum_text)
}

/// The image of a site.
///
/// # Errors
/// A name or note that is too long for an image, by its length.
pub fn image_of(site: &Site) -> Result<(Image, Vec<u8>), String> {
    let too_long = |what: &str, text: &str, most: usize| {
        format!("the site's {what} is {} bytes long, and {most} fit on a board", text.len())
    };
    let name =
        SiteName::try_from(site.name.as_str()).map_err(|_| too_long("name", &site.name, SiteName::new().capacity()))?;
    let note =
        SiteNote::try_from(site.note.as_str()).map_err(|_| too_long("note", &site.note, SiteNote::new().capacity()))?;
    let image = Image { name, note, raw: site.raw.clone() };
    let bytes = image.encode(&mut [0; MAX_BYTES]).map_err(|error| error.to_string())?.to_vec();
    Ok((image, bytes))
}

fn of_site(site: &Site) -> Result<Packed, Refused> {
    let (image, bytes) = image_of(site).map_err(Refused::Because)?;
    Ok(Packed { image, bytes, units: site.units, a_day: site.water_use.a_day })
}

/// Reads an image, or packs a site.
///
/// # Errors
/// What is wrong has been said, or is said here.
pub(crate) fn read_packed(text: &str, style: &Style) -> Result<(Image, Vec<u8>), crate::link::cli::Failed> {
    use crate::link::cli::Failed;
    read(text, style).map(|packed| (packed.image, packed.bytes)).map_err(|refused| match refused {
        Refused::Said(code) => Failed::Said(code),
        Refused::Because(why) => Failed::Input(why),
    })
}

fn read(text: &str, style: &Style) -> Result<Packed, Refused> {
    let path = Path::new(text);
    // By its name an image is one even where its first bytes are damaged.
    let is_named_so = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("bkpr"));
    let Some(bytes) = std::fs::read(path).ok().filter(|bytes| is_named_so || bytes.starts_with(b"BKPR")) else {
        return of_site(&load_site(text, style).map_err(Refused::Said)?);
    };
    let image = Image::decode(&bytes).map_err(|error| {
        let what = match (error, bytes.len()) {
            (ImageError::NotAnImage, 0) => "the file is empty, and should be a settings image".to_owned(),
            (ImageError::NotAnImage, _) => "is no settings image, or its first bytes are damaged".to_owned(),
            (error, _) => error.to_string(),
        };
        Refused::Because(format!("{text}: {what}\n  help: pack the site anew, or pull the settings from the board"))
    })?;
    Ok(Packed { image, bytes, units: UnitSystem::Metric, a_day: None })
}

fn show_image(packed: &Packed, args: &PackArgs) -> ExitCode {
    let packed = &Packed { units: args.units.map_or(packed.units, Units::system), ..packed.clone() };
    let image = &packed.image;
    let faults = image.settings().err();
    let sum = sum_of(packed);
    let text = if args.json {
        let faults: Vec<_> = faults.iter().flat_map(|f| f.listed()).map(ToString::to_string).collect();
        let store = packed.store().map(|store| store.json());
        let value = json!({"name": image.name, "note": image.note, "bytes": packed.bytes.len(), "checksum": sum,
            "store": store, "settings": image.raw, "faults": faults});
        format!("{value:#}\n")
    } else {
        let (name, note) = (printable(&image.name), printable(&image.note));
        let mut text = format!("{name}\n{note}\n{} bytes, checksum {sum}\n", packed.bytes.len());
        if let Some(store) = packed.store() {
            text += &format!("{}\n", store.sentence());
        }
        text += "\n";
        for (path, value) in leaves(&packed.image, packed.units) {
            text += &format!("{path:34} {value}\n");
        }
        if let Some(faults) = &faults {
            text += &format!("\nThese settings do not pass their check and would not run:\n{faults}");
        }
        text
    };
    let code = print(&text);
    if faults.is_some() { ExitCode::from(EXIT_NO) } else { code }
}

/// A setting that differs, as people read it.
pub(crate) struct Difference {
    pub path: String,
    pub from: String,
    pub to: String,
}

/// Every setting that differs between two images.
pub(crate) fn differing(from: &Image, to: &Image, units: UnitSystem) -> Vec<Difference> {
    let (before, after) = (leaves(from, units), leaves(to, units));
    let mut paths: Vec<_> = before.keys().chain(after.keys()).collect();
    paths.sort();
    paths.dedup();
    let shown =
        |of: &std::collections::BTreeMap<_, String>, path| of.get(path).map_or("(none)", |text| text).to_owned();
    paths
        .into_iter()
        .map(|path| Difference { path: path.clone(), from: shown(&before, path), to: shown(&after, path) })
        .filter(|difference| difference.from != difference.to)
        .collect()
}

fn tell_apart(from: &Packed, to: &Packed, args: &PackArgs) -> ExitCode {
    // An image tells no units, so a site beside it does.
    let us = [from, to].iter().any(|packed| packed.units == UnitSystem::Us);
    let units = args.units.map_or(if us { UnitSystem::Us } else { UnitSystem::Metric }, Units::system);
    let differing = differing(&from.image, &to.image, units);
    let effect = difference(&from.image.raw, &to.image.raw).effect();
    let text = if args.json {
        let changes: Vec<_> = differing.iter().map(|d| json!({"field": d.path, "from": d.from, "to": d.to})).collect();
        format!("{:#}\n", json!({"changes": changes, "takes_effect": effect.map(|e| e.slug())}))
    } else if differing.is_empty() {
        "nothing differs\n".to_owned()
    } else {
        let lines: Vec<_> =
            differing.iter().map(|Difference { path, from, to }| format!("{path}: {from} -> {to}\n")).collect();
        let effect = effect.map_or_else(String::new, |effect| format!("takes effect: {effect}\n"));
        lines.concat() + &effect
    };
    let code = print(&text);
    if differing.is_empty() { code } else { ExitCode::from(EXIT_NO) }
}
