//! A self-contained page with the bed's curves.

use askama::Template;

use super::cli::{BedArgs, BrineWay, CaseResult};
use super::cycle::ServicePoint;
use super::water::CACO3_G_PER_EQ;

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 72.0;
const RIGHT: f64 = WIDTH - 20.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = HEIGHT - 46.0;
/// Ink and dash of each line in turn; the dashes tell them apart without colour.
const STYLES: [(&str, &str); 3] = [("#14507a", "none"), ("#9a4a00", "7 4"), ("#3f6b2a", "2 3")];

#[derive(Template)]
#[template(path = "bed.html")]
struct Page {
    way: &'static str,
    about: String,
    hints: Vec<String>,
    rows: Vec<[String; 10]>,
    plots: Vec<Plot>,
}

/// One drawing, in its own coordinates.
pub(crate) struct Plot {
    pub heading: Option<String>,
    pub label: String,
    pub width: f64,
    pub height: f64,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    pub middle_x: f64,
    pub middle_y: f64,
    pub x_name: &'static str,
    pub y_name: &'static str,
    pub x_ticks: Vec<Tick>,
    pub y_ticks: Vec<Tick>,
    pub mark_y: Option<f64>,
    pub lines: Vec<Line>,
}

pub(crate) struct Tick {
    pub at: f64,
    pub text: String,
}

pub(crate) struct Line {
    pub name: &'static str,
    pub ink: &'static str,
    pub dash: &'static str,
    pub path: String,
}

pub(crate) struct Series {
    pub name: &'static str,
    pub points: Vec<(f64, f64)>,
}

/// What an axis is called, by direction.
pub(crate) struct Names {
    pub x: &'static str,
    pub y: &'static str,
}

/// The page for one or several cases.
///
/// # Errors
/// What the template engine says; writing into memory, it has no cause to.
pub(super) fn render(args: &BedArgs, results: &[CaseResult]) -> Result<String, askama::Error> {
    let mut plots = Vec::new();
    if results.len() > 1 {
        plots.extend(against_dose(results));
    }
    plots.extend(results.iter().map(|result| curve(args, result)));
    let mode = if args.equilibrium {
        "in equilibrium".to_owned()
    } else {
        format!("held back by diffusion at {:.1} bed volumes per hour", args.flow)
    };
    Page {
        way: match (args.virgin, args.direction) {
            (true, _) => "new resin in sodium form",
            (_, BrineWay::Co) => "co-current regeneration",
            (_, BrineWay::Counter) => "counter-current regeneration",
        },
        about: format!(
            "Feed {:.1} mg/L hardness as CaCO3, {:.0} % of it calcium; sodium {:.1} mg/L; {:.1} °C. {} plates, {mode}. End point {:.1} mg/L.",
            args.hardness,
            args.calcium_share * 100.0,
            args.sodium,
            args.temperature,
            args.plates_or_usual(),
            args.until,
        ),
        hints: super::cli::hints(args, results),
        rows: results.iter().map(row).collect(),
        plots,
    }
    .render()
}

fn row(result: &CaseResult) -> [String; 10] {
    let a = &result.answer;
    [
        format!("{:.1}", a.dose_g_per_l),
        format!("{:.2}", a.capacity_g_caco3_per_l),
        format!("{:.3}", a.capacity_g_caco3_per_l / CACO3_G_PER_EQ),
        format!("{:.1}", a.bed_volumes),
        format!("{:.4}", a.leakage_mean_mg_l),
        // Smaller figures are the model's, not a bed's.
        if a.leakage_min_mg_l < 0.01 { "under 0.01".to_owned() } else { format!("{:.2}", a.leakage_min_mg_l) },
        a.salt_efficiency.map_or_else(|| "–".to_owned(), |e| format!("{:.1} %", e * 100.0)),
        a.cycles.to_string(),
        if a.converged { "yes" } else { "no" }.to_owned(),
        format!("{:.2} %", a.balance_error.abs() * 100.0),
    ]
}

fn against_dose(results: &[CaseResult]) -> [Plot; 3] {
    let one = |heading, y, name, figure: fn(&CaseResult) -> f64| {
        let points = results.iter().map(|r| (r.answer.dose_g_per_l, figure(r))).collect();
        plot(heading, &Names { x: "dose, g/L", y }, vec![Series { name, points }], None)
    };
    [
        one(Some("Against salt dose".to_owned()), "g CaCO3/L", "capacity", |r| r.answer.capacity_g_caco3_per_l),
        one(None, "mg/L", "mean leakage", |r| r.answer.leakage_mean_mg_l),
        one(None, "%", "salt efficiency", |r| 100.0 * r.answer.salt_efficiency.unwrap_or(0.0)),
    ]
}

fn curve(args: &BedArgs, result: &CaseResult) -> Plot {
    let series = |name, figure: fn(&ServicePoint) -> f64| Series {
        name,
        points: result.curve.iter().map(|p| (p.bv, figure(p))).collect(),
    };
    let heading = if args.virgin {
        "Effluent in service".to_owned()
    } else {
        format!("Effluent in service, {:.1} g/L", result.answer.dose_g_per_l)
    };
    // 2.497 Ca and 4.118 Mg are the hardness of each (Standard Methods 2340B).
    let lines = vec![
        series("hardness", |p| p.hardness_mg_l),
        series("from calcium", |p| p.ca_mg_l * 2.497),
        series("from magnesium", |p| p.mg_mg_l * 4.118),
    ];
    plot(Some(heading), &Names { x: "bed volumes", y: "mg/L as CaCO3" }, lines, Some(args.until))
}

pub(crate) fn plot(heading: Option<String>, names: &Names, series: Vec<Series>, mark: Option<f64>) -> Plot {
    let most = |figure: fn(&(f64, f64)) -> f64, least: f64| {
        series.iter().flat_map(|s| &s.points).map(figure).fold(least, f64::max)
    };
    let (x_step, x_count) = divisions(most(|p| p.0, 0.0));
    let (y_step, y_count) = divisions(most(|p| p.1, mark.unwrap_or(0.0)));
    let x = |v: f64| LEFT + v / (x_step * x_count) * (RIGHT - LEFT);
    let y = |v: f64| BOTTOM - v / (y_step * y_count) * (BOTTOM - TOP);
    let ticks = |count: f64, step: f64, place: &dyn Fn(f64) -> f64| {
        (0..=count as usize).map(|i| i as f64 * step).map(|v| Tick { at: place(v), text: tidy(v) }).collect::<Vec<_>>()
    };
    let what: Vec<_> = series.iter().map(|s| s.name).collect();
    Plot {
        heading,
        label: format!("{} against {}", what.join(", "), names.x),
        width: WIDTH,
        height: HEIGHT,
        left: LEFT,
        right: RIGHT,
        top: TOP,
        bottom: BOTTOM,
        middle_x: 0.5 * (LEFT + RIGHT),
        middle_y: 0.5 * (TOP + BOTTOM),
        x_name: names.x,
        y_name: names.y,
        x_ticks: ticks(x_count, x_step, &x),
        y_ticks: ticks(y_count, y_step, &y),
        mark_y: mark.map(y),
        lines: series
            .iter()
            .zip(STYLES.iter().cycle())
            .map(|(s, &(ink, dash))| Line {
                name: s.name,
                ink,
                dash,
                path: path(s.points.iter().map(|p| (x(p.0), y(p.1)))),
            })
            .collect(),
    }
}

/// Points of a line on the page, leaving out those that would not show.
fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut text = String::new();
    let mut last = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    for (x, y) in points {
        if (x - last.0).abs() + (y - last.1).abs() >= 0.5 {
            text += &format!("{x:.1},{y:.1} ");
            last = (x, y);
        }
    }
    text
}

/// Steps of 1, 2 or 5 times a power of ten from zero to a figure, and how many.
fn divisions(to: f64) -> (f64, f64) {
    if !(to > 0.0 && to.is_finite()) {
        return (1.0, 1.0);
    }
    let decade = 10f64.powf((to / 5.0).log10().floor());
    let rest = to / 5.0 / decade;
    let step = decade
        * if rest < 2.0 {
            1.0
        } else if rest < 5.0 {
            2.0
        } else {
            5.0
        };
    (step, (to / step).ceil())
}

fn tidy(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
