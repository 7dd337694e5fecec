//! The bundled sites and recordings, so that a first run needs no files.

use std::io::Cursor;

use crate::recording::{Recording, RecordingError};

/// A bundled site with its recording.
pub struct Demo {
    /// What one writes for it: `demo:` and this name.
    pub name: &'static str,
    /// The site file.
    pub site: &'static str,
    /// The recording, gzip.
    pub recording: &'static [u8],
    /// The recording's file name.
    pub recording_name: &'static str,
}

/// Every bundled site; the first is the one that runs without arguments.
pub const DEMOS: &[Demo] = &[
    Demo {
        name: "apartments",
        site: include_str!("../demo/apartments.toml"),
        recording: include_bytes!("../demo/apartments20_14d_10L.csv.gz"),
        recording_name: "apartments20_14d_10L.csv.gz",
    },
    Demo {
        name: "house",
        site: include_str!("../demo/house.toml"),
        recording: include_bytes!("../demo/family_28d_1L.csv.gz"),
        recording_name: "family_28d_1L.csv.gz",
    },
];

/// The bundled site that `demo:NAME` names; `Err` lists the names.
pub fn named(text: &str) -> Option<Result<&'static Demo, String>> {
    let name = text.strip_prefix("demo:")?;
    Some(DEMOS.iter().find(|d| d.name == name).ok_or_else(|| {
        let names: Vec<_> = DEMOS.iter().map(|d| format!("demo:{}", d.name)).collect();
        format!("there is no bundled `{text}`; there are {}", names.join(" and "))
    }))
}

/// The name of the bundled recording that `demo:NAME` names.
#[must_use]
pub fn demo_name(text: &str) -> Option<Result<&'static str, String>> {
    named(text).map(|demo| demo.map(|demo| demo.name))
}

/// The bundled site file that `demo:NAME` names.
#[must_use]
pub fn demo_site(text: &str) -> Option<Result<&'static str, String>> {
    named(text).map(|demo| demo.map(|demo| demo.site))
}

/// Opens the bundled recording of this name; the first one, if there is none of it.
///
/// # Errors
/// It cannot be read, which a test of the bundled ones would show.
pub fn bundled_recording(name: &str) -> Result<Recording, RecordingError> {
    let demo = DEMOS.iter().find(|demo| demo.name == name).unwrap_or(&DEMOS[0]);
    let length = demo.recording.len() as u64;
    Recording::from_reader(demo.recording_name, Cursor::new(demo.recording), Some(length))
}
