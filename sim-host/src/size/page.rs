//! A self-contained page of a sizing.

use askama::Template;

use super::cli::{CAUTIONS, judged, shown};
use super::figures::{Figure, Verdict};
use super::findings::{Finding, digits};
use super::sweep::Tried;
use crate::bed::page::{Names, Plot, Series, plot};
use crate::quantity::show::UnitSystem;

#[derive(Template)]
#[template(path = "size.html")]
struct Page<'a> {
    site: &'a str,
    rows: Vec<Row<'a>>,
    findings: Vec<(&'static str, &'a str)>,
    plots: Vec<Plot>,
    cautions: &'static str,
}

struct Row<'a> {
    name: &'a str,
    value: String,
    judged: String,
    outside: bool,
    formula: &'a str,
    source: &'a str,
}

/// The page.
///
/// # Errors
/// What the template engine says; writing into memory, it has no cause to.
pub(super) fn render(
    site: &str,
    units: UnitSystem,
    figures: &[Figure],
    findings: &[Finding],
    swept: Option<&[Tried]>,
) -> Result<String, askama::Error> {
    let rows = figures.iter().map(|figure| {
        let (value, unit) = shown(figure.value, figure.unit, units);
        Row {
            name: figure.name,
            value: format!("{} {unit}", digits(value)),
            judged: judged(figure, units),
            outside: matches!(figure.verdict(), Verdict::Below | Verdict::Above),
            formula: &figure.formula,
            source: figure.source,
        }
    });
    Page {
        site,
        rows: rows.collect(),
        findings: findings.iter().map(|f| (f.severity.slug(), f.text.as_str())).collect(),
        plots: swept.map_or_else(Vec::new, |swept| curves(swept, units)),
        cautions: CAUTIONS,
    }
    .render()
}

/// Capacity, salt and leakage against the dose.
fn curves(swept: &[Tried], units: UnitSystem) -> Vec<Plot> {
    let x = pick(units, "salt dose, lb/ft3", "salt dose, g/L");
    let one = |heading: &str, y, name, figure: &dyn Fn(&Tried) -> f64| {
        let points = swept.iter().map(|tried| (tried.told(units)[0], figure(tried))).collect();
        plot(Some(heading.to_owned()), &Names { x, y }, vec![Series { name, points }], None)
    };
    let salt = pick(units, "Salt for each 1 000 gr", "Salt for each kg of hardness as CaCO3");
    vec![
        one("Capacity against dose", pick(units, "gr/ft3", "g CaCO3/L"), "capacity", &|t| t.told(units)[1]),
        one(salt, pick(units, "lb", "kg"), "salt", &|t| t.told(units)[2]),
        one("Leakage", "mg/L as CaCO3", "mean leakage", &|t| t.leakage_mg_l),
    ]
}

fn pick(units: UnitSystem, us: &'static str, metric: &'static str) -> &'static str {
    if units == UnitSystem::Us { us } else { metric }
}
