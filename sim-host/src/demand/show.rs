//! The figures of a recording as people read them, at 80 columns.

use std::fmt::Write as _;

use super::inject::Done;
use super::statistics::{PUBLISHED_NIGHT_SHARE, Stretch, Summary};
use crate::cli::Style;
use crate::quantity::show::{UnitSystem, duration_brief};

pub(super) const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
/// Litres in a US gallon, exactly.
const L_PER_GAL: f64 = 3.785_411_784;
const BAR_CHARS: usize = 48;

/// How much is shown.
pub(super) struct Layout<'s> {
    style: &'s Style,
    /// With the pictures of day and week.
    pictures: bool,
}

impl<'s> Layout<'s> {
    /// The figures alone.
    pub fn brief(style: &'s Style) -> Self {
        Self { style, pictures: false }
    }

    /// With the pictures of day and week.
    pub fn whole(style: &'s Style) -> Self {
        Self { style, pictures: true }
    }

    /// Whether a person sees standard error.
    pub fn on_terminal(&self) -> bool {
        self.style.progress
    }
}

/// The figures of a recording.
pub(super) fn figures(heading: &str, s: &Summary, unit: &str, layout: &Layout<'_>) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = write(&mut text, heading, s, unit, layout);
    text
}

fn write(out: &mut String, heading: &str, s: &Summary, unit: &str, layout: &Layout<'_>) -> std::fmt::Result {
    let style = layout.style;
    writeln!(out, "{}", style.bold(&plain(heading)))?;
    for (label, text) in rows(s, unit) {
        writeln!(out, "  {label:<16} {text}")?;
    }
    if layout.pictures {
        pictures(out, s, unit, style)?;
    }
    for text in &s.suspicious {
        folded(out, &format!("note: {text}"))?;
    }
    Ok(())
}

/// A summary in the volume that a person reads, and what that is called: pulses where the water of one is not told.
pub(super) fn in_units(s: &Summary, units: UnitSystem) -> (Summary, &'static str) {
    match (s.litres_per_pulse, units) {
        (None, _) => (s.clone(), "pulses"),
        (Some(_), UnitSystem::Metric) => (s.clone(), "L"),
        (Some(_), UnitSystem::Us) => (s.scaled(1.0 / L_PER_GAL), "gal"),
    }
}

/// Each figure in words, with what it is called.
pub(super) fn rows(s: &Summary, unit: &str) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    let mut row = |label, text| rows.push((label, text));
    let from = s
        .start
        .as_ref()
        .map_or_else(|| "; the start is not told".to_owned(), |start| format!(" from {}", start.replace('T', " ")));
    row("span", format!("{}{from}", span(s.span_days)));
    let each = s
        .litres_per_pulse
        .map_or_else(|| "; the water of a pulse is not told".to_owned(), |each| format!(" of {} {unit}", figure(each)));
    row("pulses", format!("{} in {} rows{each}", grouped(s.pulses), grouped(s.rows)));
    row("a day", format!("{} {unit}{}", figure(s.litres_a_day), range(s, unit)));
    let [one, ten, hour] = s.peak_l_per_min.map(figure);
    row("largest flow", format!("{one} {unit}/min over 1 min, {ten} over 10 min, {hour} over 1 h"));
    if let Some(share) = s.share_02_05 {
        let against = if share < PUBLISHED_NIGHT_SHARE { "below" } else { "ABOVE" };
        row("02:00 to 05:00", format!("{:.1} %; {against} the 4 % published for homes (Mayer 1999)", share * 100.0));
    }
    row("longest flow", stretch(&s.longest_flow, "without a pause"));
    row("longest silence", stretch(&s.longest_silence, "without a pulse"));
    if s.meters.iter().any(|meter| *meter > 0) {
        let names: Vec<String> =
            s.meters.iter().map(|m| if *m == 0 { "common".to_owned() } else { format!("tank {m}") }).collect();
        row("meters", names.join(", "));
    }
    if let Some(c) = s.contact {
        row("contact", format!("{} closures, {} of them bounce", grouped(c.all), grouped(c.bounces)));
    }
    if let Some(done) = s.injected {
        let Done { bounced_pulses, bounces, lost_pulses, leak_pulses } = done;
        let [bounced, bounces, lost, leak] = [bounced_pulses, bounces, lost_pulses, leak_pulses].map(grouped);
        row("injected", format!("{bounces} bounces at {bounced} pulses; {lost} pulses lost; {leak} of a leak"));
    }
    rows
}

fn pictures(out: &mut String, s: &Summary, unit: &str, style: &Style) -> std::fmt::Result {
    let known = s.start.is_some();
    let what = if known { "hour of the day" } else { "hour, counted from the start" };
    writeln!(out, "\n{}", style.bold(&format!("{unit} a day by {what}")))?;
    let most = s.litres_by_hour.iter().copied().fold(0.0, f64::max);
    for (hour, litres) in s.litres_by_hour.iter().enumerate() {
        writeln!(out, "  {hour:02}  {:>12}  {}", figure(*litres), bar(*litres, most))?;
    }
    if s.litres_by_weekday.iter().any(Option::is_some) {
        writeln!(out, "\n{}", style.bold(&format!("{unit} a day by weekday (whole days)")))?;
        let most = s.litres_by_weekday.iter().flatten().copied().fold(0.0, f64::max);
        for (day, litres) in DAYS.iter().zip(s.litres_by_weekday) {
            match litres {
                Some(litres) => writeln!(out, "  {day} {:>12}  {}", figure(litres), bar(litres, most))?,
                None => writeln!(out, "  {day} {:>12}", "-")?,
            }
        }
    }
    writeln!(out)
}

fn bar(value: f64, most: f64) -> String {
    let share = if most > 0.0 { value / most } else { 0.0 };
    let mut chars = (share * BAR_CHARS as f64).round() as usize;
    if value > 0.0 {
        chars = chars.max(1);
    }
    "#".repeat(chars.min(BAR_CHARS))
}

fn span(days: f64) -> String {
    if days.fract() == 0.0 && days >= 1.0 {
        let s = if days == 1.0 { "" } else { "s" };
        return format!("{days:.0} day{s}");
    }
    duration_brief((days * 86_400_000.0).round() as u64)
}

fn range(s: &Summary, unit: &str) -> String {
    s.litres_of_a_day
        .map_or_else(String::new, |[least, most]| format!(" ({} to {} {unit})", figure(least), figure(most)))
}

fn stretch(stretch: &Stretch, what: &str) -> String {
    if stretch.lasts_s <= 0.0 {
        return "none".to_owned();
    }
    let at = stretch.from_s;
    format!(
        "{} {what}, from day {} {:02}:{:02} of the record",
        duration_brief((stretch.lasts_s * 1e3).round() as u64),
        (at / 86_400.0).floor() as u64 + 1,
        (at % 86_400.0 / 3_600.0) as u64,
        (at % 3_600.0 / 60.0) as u64
    )
}

/// Three leading digits, and whole above a hundred.
pub(super) fn figure(value: f64) -> String {
    match value {
        0.0 => "0".to_owned(),
        v if v >= 100.0 => grouped(v.round() as u64),
        v if v >= 10.0 => trimmed(format!("{v:.1}")),
        v if v >= 0.1 => trimmed(format!("{v:.2}")),
        v => trimmed(format!("{v:.5}")),
    }
}

fn trimmed(text: String) -> String {
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Digits in groups of three.
fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// A text from a file, made fit for a terminal.
fn plain(text: &str) -> String {
    crate::terminal::printable(text)
}

/// A sentence in lines of 80 columns.
fn folded(out: &mut String, text: &str) -> std::fmt::Result {
    let mut line = String::from(" ");
    for word in plain(text).split(' ') {
        if line.chars().count() + 1 + word.chars().count() > 80 {
            writeln!(out, "{line}")?;
            line = String::from("   ");
        }
        line.push(' ');
        line.push_str(word);
    }
    writeln!(out, "{line}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_three_leading_digits() {
        let shown = [0.0, 0.012_34, 0.5, 9.999, 12.34, 123.4, 1_234_567.0].map(figure);
        assert_eq!(shown, ["0", "0.01234", "0.5", "10", "12.3", "123", "1 234 567"]);
    }
}
