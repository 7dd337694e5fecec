//! Fills the page.

use askama::Template;
use bedkeeper::demand::Hold;
use bedkeeper::settings::{Arrangement, RawDrive};
use bedkeeper::watch::Alarm;
use jiff::civil::Date;

use super::checks::{self, CAUTIONS, Part};
use super::settings::{self, Group};
use super::week::{self, Week, WeekError};
use super::wiring::{self, Wire};
use crate::cli::{StorePages, image_of, leaves, sum_text};
use crate::quantity::show;
use crate::report::words;
use crate::site::Site;
use crate::size::{self, Finding, Inputs, Severity, WhatIf};

/// Why there is no sheet.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    /// The site does not fit a settings image.
    #[error("{0}")]
    Image(String),
    /// There is no normal week to show.
    #[error("{0}")]
    Week(#[from] WeekError),
    /// The template engine says this; writing into memory, it has no cause to.
    #[error("{0}")]
    Page(#[from] askama::Error),
}

/// The hand-over document of a site.
#[derive(Template)]
#[template(path = "sheet.html")]
pub struct Sheet<'s> {
    site: &'s Site,
    /// As the settings image has it.
    sum: String,
    image_bytes: usize,
    made: Option<Date>,
    summary: String,
    weak: Option<&'static str>,
    groups: Vec<Group>,
    findings: Vec<Finding>,
    figures: Vec<(&'static str, String, String)>,
    wires: Vec<Wire>,
    store: Option<StorePages>,
    week: Week,
    parts: Vec<Part>,
    cautions: &'static [(&'static str, &'static str)],
    alarms: Vec<AlarmRow>,
    holds: Vec<(String, &'static str)>,
    everything: Vec<(String, String)>,
}

/// One alarm as the site treats it.
struct AlarmRow {
    name: &'static str,
    how: String,
    happened: &'static str,
    done: &'static str,
    look: &'static str,
}

impl<'s> Sheet<'s> {
    /// Puts the sheet of a site together. `site_name` is what the person wrote for it, `recording` the water use to
    /// show, `made` the day that stands on it.
    ///
    /// # Errors
    /// The site's name or note does not fit an image; the recording is at fault or does not fit the site.
    pub fn new(
        site: &'s Site,
        site_name: &str,
        recording: Option<&str>,
        made: Option<Date>,
    ) -> Result<Self, SheetError> {
        let (image, bytes) = image_of(site).map_err(SheetError::Image)?;
        let sum = bedkeeper::image::checksum(&bytes).map_err(|error| SheetError::Image(error.to_string()))?;
        let (figures, findings) = sizing(site);
        Ok(Self {
            site,
            sum: sum_text(sum),
            image_bytes: bytes.len(),
            made,
            summary: summary(site),
            weak: weak(&site.raw.drive),
            groups: settings::groups(site),
            findings,
            figures,
            wires: wiring::wires(site),
            store: StorePages::of_site(site).ok(),
            week: week::week(site, site_name, recording)?,
            parts: checks::parts(site),
            cautions: CAUTIONS,
            alarms: Alarm::ALL.iter().map(|alarm| alarm_row(site, *alarm)).collect(),
            holds: Hold::ALL.iter().map(|hold| (words::words(hold.slug()), hold.cleared_by())).collect(),
            everything: leaves(&image, site.units)
                .into_iter()
                .filter(|(path, _)| path != "name" && path != "note")
                .collect(),
        })
    }

    /// The page: one HTML file that needs no other.
    ///
    /// # Errors
    /// [`SheetError::Page`].
    pub fn html(&self) -> Result<String, SheetError> {
        Ok(self.render()?)
    }

    /// The number that the board shows for these settings.
    #[must_use]
    pub fn settings_hash(&self) -> &str {
        &self.sum
    }
}

/// What the plant is, in one line.
fn summary(site: &Site) -> String {
    let kind = match site.raw.arrangement {
        Arrangement::Single => "one tank",
        Arrangement::Alternating => "two tanks that take turns",
        Arrangement::Parallel => "tanks that serve together",
        Arrangement::Staged => "tanks that join as the flow rises",
    };
    let number = if site.raw.tanks > 2 { format!("{} ", site.raw.tanks) } else { String::new() };
    match site.resin {
        Some(resin) => format!(
            "A softening plant: {number}{kind}, {} of resin each",
            show::resin_volume(resin.volume.nl(), site.units)
        ),
        None => format!("A filter plant: {number}{kind}"),
    }
}

/// What is weaker about valves that do not tell where they stand (S3).
fn weak(drive: &RawDrive) -> Option<&'static str> {
    match drive {
        RawDrive::Timed { .. } => Some(
            "The valves of this plant run by time and tell nothing of their position. They count as confirmed when their time has run. That is weaker than switches that tell the position: a valve that sticks is not noticed by the controller.",
        ),
        RawDrive::PilotArray { contact: false, .. } => Some(
            "No contact tells whether the valves of this plant followed their pilots. They count as confirmed when their time has run. That is weaker than a contact: a valve that sticks is not noticed by the controller.",
        ),
        _ => None,
    }
}

/// Figures with limits, and what does not fit.
fn sizing(site: &Site) -> (Vec<(&'static str, String, String)>, Vec<Finding>) {
    let Ok(inputs) = Inputs::of(site, &WhatIf::default()) else { return (Vec::new(), Vec::new()) };
    let figures = size::figures(&inputs);
    let findings =
        size::findings(&inputs, &figures, site.units).into_iter().filter(|f| f.severity > Severity::Note).collect();
    let wanted = [
        "volume_between_regenerations",
        "regeneration_time",
        "drain_per_regeneration",
        "pressure_loss",
        "added_sodium",
        "sodium",
        "days_between",
        "salt_per_year",
        "drain_per_year",
        "salt_storage",
    ];
    let shown = figures.iter().filter(|figure| wanted.contains(&figure.id)).map(|figure| {
        let (value, unit) = size::shown(figure.value, figure.unit, site.units);
        (figure.name, format!("{} {unit}", size::digits(value)), size::judged(figure, site.units))
    });
    (shown.collect(), findings)
}

fn alarm_row(site: &Site, alarm: Alarm) -> AlarmRow {
    let rules = &site.raw.watch.rules;
    let mut how = rules.severity(alarm).slug().to_owned();
    if rules.latching.contains(alarm) {
        how += ", stands until reset";
    }
    if let Some(delay) = rules.delays.iter().find(|delay| delay.alarm == alarm) {
        for (name, seconds) in [("after", delay.onset_s), ("clears after", delay.return_s)] {
            if seconds > 0 {
                how += &format!(", {name} {}", show::duration(u64::from(seconds) * 1_000));
            }
        }
    }
    AlarmRow { name: alarm.slug(), how, happened: alarm.happened(), done: alarm.done(), look: alarm.look() }
}
