//! A self-contained page of what is in a recording: its figures, and pictures of its day, its week and its days.

use askama::Template;
use jiff::civil::DateTime;

use super::show::{DAYS, figure, rows};
use super::statistics::Summary;

#[derive(Template)]
#[template(path = "describe.html")]
struct Page<'a> {
    heading: &'a str,
    rows: Vec<(&'static str, String)>,
    notes: &'a [String],
    unit: &'static str,
    /// What an hour is one of.
    hours_of: &'static str,
    hours: Bars,
    weekdays: Option<Bars>,
    week: Option<Week>,
    days: Option<Bars>,
    days_together: u64,
}

/// Columns of a picture, and what stands below some of them.
struct Bars {
    most: String,
    bars: Vec<Bar>,
}

struct Bar {
    /// % of the highest.
    height: f64,
    label: String,
    /// What it stands for, with its value.
    told: String,
}

/// Hours of the weekdays, darker where more water flows.
struct Week {
    most: String,
    rows: Vec<(&'static str, Vec<Cell>)>,
}

struct Cell {
    /// 0 to 1.
    ink: f64,
    told: String,
}

/// The page.
///
/// # Errors
/// What the template engine says; writing into memory, it has no cause to.
pub(super) fn render(heading: &str, summary: &Summary, unit: &'static str) -> Result<String, askama::Error> {
    let known = summary.start.is_some();
    let hours = (0..24).zip(summary.litres_by_hour).map(|(hour, litres)| {
        let label = if hour % 6 == 0 { format!("{hour:02}") } else { String::new() };
        (litres, label, format!("{hour:02}:00 to {:02}:00", hour + 1))
    });
    let of_weekdays = summary.litres_by_weekday.iter().any(Option::is_some);
    let weekdays = DAYS.iter().zip(summary.litres_by_weekday).map(|(day, litres)| {
        (
            litres.unwrap_or(0.0),
            (*day).to_owned(),
            if litres.is_some() { (*day).to_owned() } else { format!("{day}, no whole day") },
        )
    });
    Page {
        heading,
        rows: rows(summary, unit),
        notes: &summary.suspicious,
        unit,
        hours_of: if known { "hour of the day" } else { "hour, counted from the start" },
        hours: bars(hours, unit),
        weekdays: of_weekdays.then(|| bars(weekdays, unit)),
        week: summary.litres_by_weekday_and_hour.as_ref().map(|week| of_week(week, unit)),
        days: days(summary, unit),
        days_together: summary.by_day.days_together,
    }
    .render()
}

/// Columns out of values, labels and what each stands for.
fn bars(of: impl Iterator<Item = (f64, String, String)>, unit: &str) -> Bars {
    let of: Vec<_> = of.collect();
    let most = of.iter().map(|(value, ..)| *value).fold(0.0, f64::max);
    let bar = |(value, label, told): (f64, String, String)| Bar {
        height: if most > 0.0 { value / most * 100.0 } else { 0.0 },
        label,
        told: format!("{told}: {} {unit}", figure(value)),
    };
    Bars { most: figure(most), bars: of.into_iter().map(bar).collect() }
}

fn of_week(week: &[[f64; 24]; 7], unit: &str) -> Week {
    let most = week.iter().flatten().copied().fold(0.0, f64::max);
    let cell = |day: &str, hour: usize, litres: f64| Cell {
        ink: if most > 0.0 { litres / most } else { 0.0 },
        told: format!("{day} {hour:02}:00 to {:02}:00: {} {unit}", hour + 1, figure(litres)),
    };
    let row = |(day, hours): (&&'static str, &[f64; 24])| {
        (*day, hours.iter().enumerate().map(|(hour, litres)| cell(day, hour, *litres)).collect())
    };
    Week { most: figure(most), rows: DAYS.iter().zip(week).map(row).collect() }
}

/// Day by day; one day alone makes no picture.
fn days(summary: &Summary, unit: &str) -> Option<Bars> {
    const LABELS: usize = 4;
    let by_day = &summary.by_day;
    if by_day.litres_a_day.len() < 2 {
        return None;
    }
    let start: Option<DateTime> = summary.start.as_ref().and_then(|start| start.parse().ok());
    let each = by_day.litres_a_day.len().div_ceil(LABELS);
    // Short for below a column, long for what the column tells.
    let named = |i: usize| {
        let days = i64::try_from(i as u64 * by_day.days_together).unwrap_or(i64::MAX);
        let date = start.and_then(|at| at.date().checked_add(jiff::Span::new().try_days(days).ok()?).ok());
        match date {
            Some(date) => (date.strftime("%a %-d %b").to_string(), date.strftime("%a %-d %b %Y").to_string()),
            None => (format!("day {}", days + 1), format!("day {}", days + 1)),
        }
    };
    let one = |(i, litres): (usize, &f64)| {
        let (short, long) = named(i);
        // What the last columns are too few for would be cut off.
        let has_room = i == 0 || i + each <= by_day.litres_a_day.len();
        (*litres, if i % each == 0 && has_room { short } else { String::new() }, long)
    };
    Some(bars(by_day.litres_a_day.iter().enumerate().map(one), unit))
}

#[cfg(test)]
mod tests {
    use super::super::Statistics;
    use super::*;
    use crate::recording::Pulses;

    /// The page holds every picture and figure, escapes what a file is called, and asks for nothing from elsewhere.
    #[test]
    fn a_page_is_whole_and_its_own() {
        let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
        let mut statistics = Statistics::new(crate::quantity::parse_pulse_volume("1 L").ok(), Some(start));
        for hour in 0..24 * 15 {
            statistics.add(&Pulses { at_ms: hour * 3_600_000, meter: 0, count: 1 + (hour % 24) as u32 });
        }
        let page = render("<i>odd", &statistics.finish(Some(15 * 86_400_000)), "L").unwrap();
        assert!(page.contains("&#60;i&#62;odd") && !page.contains("<i>odd"));
        for part in ["Mon 15 Mar", "23:00 to 24:00: 24 L", "Thu 03:00 to 04:00: 4 L", "300 L"] {
            assert!(page.contains(part), "{part}");
        }
        for outside in ["http://", "https://", "<script", "<link", "@import", "url("] {
            assert!(!page.contains(outside), "{outside}");
        }
        // Nothing at all is a page too.
        assert!(render("empty", &Statistics::new(None, None).finish(None), "pulses").unwrap().contains("no row"));
    }
}
