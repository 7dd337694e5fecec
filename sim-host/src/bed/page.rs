//! A self-contained page with the bed's curves.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::cli::{BedArgs, BrineWay, CaseResult};
use super::water::CACO3_G_PER_EQ;

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 46.0;
/// Line styles tell series apart without colour: solid, dashed, dotted.
const DASHES: [&str; 3] = ["none", "7 4", "2 3"];
const INKS: [&str; 3] = ["#14507a", "#9a4a00", "#3f6b2a"];

struct Series<'a> {
    name: &'a str,
    points: Vec<(f64, f64)>,
}

/// The page for one or several cases.
pub(super) fn render(args: &BedArgs, results: &[CaseResult]) -> String {
    let way = match (args.virgin, args.direction) {
        (true, _) => "new resin in sodium form",
        (_, BrineWay::Co) => "co-current regeneration",
        (_, BrineWay::Counter) => "counter-current regeneration",
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Resin bed: " (way) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { "Resin bed: " (way) }
                p {
                    (format!(
                        "Feed {:.1} mg/L hardness as CaCO3, {:.0} % of it calcium; sodium {:.1} mg/L; {:.1} °C. {} plates, {}. End point {:.1} mg/L.",
                        args.hardness, args.calcium_share * 100.0, args.sodium, args.temperature, args.plates,
                        if args.equilibrium { "in equilibrium".to_owned() } else { format!("held back by diffusion at {:.1} bed volumes per hour", args.flow) },
                        args.until,
                    ))
                }
                p.note {
                    "A model of one ideal bed: no channelling, one resin of constant selectivity. Real beds give less. Not a rating; certified by nobody. \
                     Softened water carries added sodium."
                }
                (table(results))
                @if results.len() > 1 { (against_dose(results)) }
                @for result in results { (curve(args, result)) }
            }
        }
    }
    .into_string()
}

fn table(results: &[CaseResult]) -> Markup {
    html! {
        table {
            thead { tr {
                th { "Dose, g/L" } th { "Capacity, g CaCO3/L" } th { "Capacity, eq/L" } th { "Run, BV" }
                th { "Mean leakage, mg/L" } th { "Lowest, mg/L" } th { "Salt efficiency" } th { "Cycles" } th { "Settled" } th { "Balance open by" }
            } }
            tbody {
                @for r in results {
                    @let a = &r.answer;
                    tr {
                        td { (format!("{:.1}", a.dose_g_per_l)) }
                        td { (format!("{:.2}", a.capacity_g_caco3_per_l)) }
                        td { (format!("{:.3}", a.capacity_g_caco3_per_l / CACO3_G_PER_EQ)) }
                        td { (format!("{:.1}", a.bed_volumes)) }
                        td { (format!("{:.4}", a.leakage_mean_mg_l)) }
                        td { (format!("{:.2e}", a.leakage_min_mg_l)) }
                        td { (a.salt_efficiency.map_or_else(|| "–".to_owned(), |e| format!("{:.1} %", e * 100.0))) }
                        td { (a.cycles) }
                        td { (if a.converged { "yes" } else { "no" }) }
                        td { (format!("{:.1e}", a.balance_error)) }
                    }
                }
            }
        }
    }
}

fn against_dose(results: &[CaseResult]) -> Markup {
    let series = |name, figure: fn(&CaseResult) -> f64| {
        [Series { name, points: results.iter().map(|r| (r.answer.dose_g_per_l, figure(r))).collect() }]
    };
    html! {
        h2 { "Against salt dose" }
        (plot("dose, g/L", "g CaCO3/L", &series("capacity", |r| r.answer.capacity_g_caco3_per_l), None))
        (plot("dose, g/L", "mg/L", &series("mean leakage", |r| r.answer.leakage_mean_mg_l), None))
        (plot("dose, g/L", "%", &series("salt efficiency", |r| 100.0 * r.answer.salt_efficiency.unwrap_or(0.0)), None))
    }
}

fn curve(args: &BedArgs, result: &CaseResult) -> Markup {
    let of = |figure: fn(&super::cycle::ServicePoint) -> f64| result.curve.iter().map(|p| (p.bv, figure(p))).collect();
    // 2.497 Ca and 4.118 Mg are the hardness of each (Standard Methods 2340B).
    let series = [
        Series { name: "hardness", points: of(|p| p.hardness_mg_l) },
        Series { name: "from calcium", points: of(|p| p.ca_mg_l * 2.497) },
        Series { name: "from magnesium", points: of(|p| p.mg_mg_l * 4.118) },
    ];
    html! {
        h2 {
            "Effluent in service"
            @if !args.virgin { (format!(", {:.1} g/L", result.answer.dose_g_per_l)) }
        }
        (plot("bed volumes", "mg/L as CaCO3", &series, Some(args.until)))
    }
}

fn plot(x_name: &str, y_name: &str, series: &[Series<'_>], mark: Option<f64>) -> Markup {
    let all = || series.iter().flat_map(|s| s.points.iter());
    let x_low = all().map(|p| p.0).fold(f64::INFINITY, f64::min).min(0.0);
    let x_step = round_step(all().map(|p| p.0).fold(0.0, f64::max) - x_low);
    let y_step = round_step(all().map(|p| p.1).fold(mark.unwrap_or(0.0), f64::max));
    let x_count = ((all().map(|p| p.0).fold(0.0, f64::max) - x_low) / x_step).ceil().max(1.0);
    let y_count = (all().map(|p| p.1).fold(mark.unwrap_or(0.0), f64::max) / y_step).ceil().max(1.0);
    let (x_high, y_high) = (x_low + x_step * x_count, y_step * y_count);
    let x = |v: f64| LEFT + (v - x_low) / (x_high - x_low) * (WIDTH - LEFT - RIGHT);
    let y = |v: f64| HEIGHT - BOTTOM - v / y_high * (HEIGHT - TOP - BOTTOM);
    let ticks = |count: f64, step: f64| (0..=count as usize).map(move |i| i as f64 * step);
    html! {
        figure {
            svg viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label=(format!("{} against {x_name}", series.iter().map(|s| s.name).collect::<Vec<_>>().join(", "))) {
                @for v in ticks(y_count, y_step) {
                    line.grid x1=(LEFT) x2=(WIDTH - RIGHT) y1=(y(v)) y2=(y(v)) {}
                    text x=(LEFT - 6.0) y=(y(v) + 4.0) text-anchor="end" { (tidy(v)) }
                }
                @for v in ticks(x_count, x_step) {
                    line.grid x1=(x(x_low + v)) x2=(x(x_low + v)) y1=(TOP) y2=(HEIGHT - BOTTOM) {}
                    text x=(x(x_low + v)) y=(HEIGHT - BOTTOM + 16.0) text-anchor="middle" { (tidy(x_low + v)) }
                }
                text x=((LEFT + WIDTH - RIGHT) / 2.0) y=(HEIGHT - 10.0) text-anchor="middle" { (x_name) }
                text x="14" y=((TOP + HEIGHT - BOTTOM) / 2.0) text-anchor="middle" transform=(format!("rotate(-90 14 {})", (TOP + HEIGHT - BOTTOM) / 2.0)) { (y_name) }
                @if let Some(level) = mark {
                    line x1=(LEFT) x2=(WIDTH - RIGHT) y1=(y(level)) y2=(y(level)) stroke="#a00" stroke-dasharray="1 3" {}
                    text x=(LEFT + 6.0) y=(y(level) - 5.0) { "end point" }
                }
                @for (i, s) in series.iter().enumerate() {
                    polyline fill="none" stroke=(INKS[i % 3]) stroke-width="2" stroke-dasharray=(DASHES[i % 3])
                        points=(path(s.points.iter().map(|p| (x(p.0), y(p.1))))) {}
                }
            }
            figcaption {
                @for (i, s) in series.iter().enumerate() {
                    svg.key viewBox="0 0 30 8" { line x1="0" x2="30" y1="4" y2="4" stroke=(INKS[i % 3]) stroke-width="2" stroke-dasharray=(DASHES[i % 3]) {} }
                    (s.name) " "
                }
            }
        }
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

/// 1, 2 or 5 times a power of ten, for four to ten divisions.
fn round_step(range: f64) -> f64 {
    if !(range > 0.0 && range.is_finite()) {
        return 1.0;
    }
    let decade = 10f64.powf((range / 5.0).log10().floor());
    let rest = range / 5.0 / decade;
    decade
        * if rest < 2.0 {
            1.0
        } else if rest < 5.0 {
            2.0
        } else {
            5.0
        }
}

fn tidy(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    text.to_owned()
}

const STYLE: &str = "body{font:16px/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#222;background:#fff}\
h1{font-size:1.5rem}h2{font-size:1.15rem}table{border-collapse:collapse;display:block;overflow-x:auto}\
th,td{padding:.25rem .6rem;border-bottom:1px solid #ccc;text-align:right;font-variant-numeric:tabular-nums}\
figure{margin:1rem 0}svg{width:100%;height:auto;font-size:12px}svg text{fill:#444}.grid{stroke:#e3e3e3}\
.key{width:30px;height:8px;vertical-align:middle;margin:0 .3rem 0 1rem}.note{color:#555}";
